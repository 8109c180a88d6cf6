"""What a declared drift did to one result, in words: how far the rig went, and whether an answer hangs on the term."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy import special

from evenbench.compare.against import Family
from evenbench.compare.drift import COSTLY, FINE, HOPELESS
from evenbench.compare.fit import Fit
from evenbench.measure.wording import decimals, listed, number
from evenbench.study.model import Result


def drift_said(fit: Fit, result: Result, level: float) -> str:
    """How far the rig drifted from the first run to the last, with its interval; "" where no drift was fitted."""
    if fit.drift is None or fit.problem:
        return ""
    df = float(fit.df) if fit.spread == "pooled" else float(fit.residuals)
    half = float(special.stdtrit(df, (1 + level) / 2)) * fit.sd * float(np.sqrt(fit.drift.variance))
    low, high = fit.drift.change - half, fit.drift.change + half
    what, unit = "drift from the first run to the last", f" {result.difference_unit}".rstrip()
    if result.scale != "raw":
        what, unit = f"{what}, as a ratio" + (" of odds" if result.scale == "logit" else ""), ""
        low, high = float(np.exp(low)), float(np.exp(high))
        change = float(np.exp(fit.drift.change))
    else:
        change = fit.drift.change
    places = decimals(high - low)
    return f"{what}: {number(change, places)}{unit}, between {number(low, places)} and {number(high, places)}"


def hangs_on_the_term(
    families: Sequence[Family], without: Sequence[Family], names: Mapping[str, str]
) -> tuple[str, ...]:
    """Which words would be others without the drift term, for the flags."""
    plain = {(f.other, m): word for f in without for m, word in zip(f.members, f.verdict, strict=True)}
    said: dict[str, list[str]] = {}
    for family in families:
        for member, word in zip(family.members, family.verdict, strict=True):
            other = plain.get((family.other, member))
            if word is not None and other is not None and other != word:
                said.setdefault(f"{other}, and not {word}", []).append(names[member])
    return tuple(f"without the drift term {listed(who)} would read {words}" for words, who in said.items())


def inflated(fit: Fit, families: Sequence[Family], names: Mapping[str, str]) -> tuple[str, ...]:
    """Differences that the order or the blocks make much harder to tell, for the flags."""
    out = []
    for family in families[:1]:
        members = tuple(m for m in family.members if m in fit.products)
        if family.other not in fit.products or not members:
            continue
        times = fit.inflation(fit.contrasts(members, family.other))
        # What the layout cannot tell at all has its own reason.
        for least, most, says in (
            (
                COSTLY,
                HOPELESS,
                "the order or the blocks mix {} up with drift or blocks: up to {:.1f} times the variance",
            ),
            (FINE, COSTLY, "the order or the blocks cost precision for {}: up to {:.1f} times the variance"),
        ):
            here = [(names[m], t) for m, t in zip(members, times.tolist(), strict=True) if least < t <= most]
            if here:
                who = listed([name for name, _ in here]) if len(here) <= 3 else f"{len(here)} products"
                out.append(says.format(who, max(t for _, t in here)))
    return tuple(out)
