"""Results that should be near a value, or like another product.

Near a value: outcomes are distances from it (`reduce` makes them), and fewer is better. Where values lie on both
sides of the target, distances fold: a product's distances scatter less the nearer it lies, so that one spread no
longer serves all, and an error that all runs share no longer cancels.

Like another product: the difference from it is judged on both sides, and none is better than no difference; of a
risk, a difference either way is the harm.

Throughout: K products, N runs, in the unit of the values.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.against import Family, against
from evenbench.compare.fit import Fit, fit_levels
from evenbench.compare.spread import errors_in_part, fitted
from evenbench.compare.verdict import by_enough, like_risk_verdict, like_verdict
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import listed
from evenbench.reduce import Outcomes
from evenbench.study.model import Result

Array = NDArray[np.float64]
Side = Literal["above", "below", "on it"]

NEAR = 2.0  # standard deviations between a level and the target within which distances fold
FOLDS = "distances fold near the target"
FOLDED = (
    "some products lie within two standard deviations of the target, where distances above and below it fold "
    "together: each product is given a spread of its own"
)


FOLDED_ONCE = (
    "some products lie within two standard deviations of the target, where distances above and below it fold "
    "together, and not every product was run more than once: the scatter of the values, which is never less than that "
    "of their distances, stands for all"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Nearness(Frozen):
    """Where the values lie of which the outcomes are distances.

    target        what they should be near
    mean          float64[K] plain mean of a product's values; nan where it has none
    above, below  int64[K] how many of its runs lie on each side
    side          K sides on which the mean lies; None where there is no mean
    """

    target: float
    mean: Array
    above: NDArray[np.int64]
    below: NDArray[np.int64]
    side: tuple[Side | None, ...]


def nearness(outcomes: Outcomes) -> Nearness | None:
    """Where the values lie; None for a result that is not near a value."""
    target, read = outcomes.result.target, outcomes.read
    if target is None or read is None:
        return None
    values = [read[outcomes.of(product)] for product in outcomes.products]
    mean = np.array([v.mean() if len(v) else np.nan for v in values])
    return Nearness(
        target=target.value,
        mean=mean,
        above=np.array([np.sum(v > target.value) for v in values], dtype=np.int64),
        below=np.array([np.sum(v < target.value) for v in values], dtype=np.int64),
        side=tuple(_side(m, target.value) for m in mean.tolist()),
    )


def _side(mean: float, target: float) -> Side | None:
    if not np.isfinite(mean):
        return None
    # Twelve figures: a mean that is the target but for the arithmetic lies on it.
    away = float(f"{mean:.12g}") - float(f"{target:.12g}")
    return "above" if away > 0 else "below" if away < 0 else "on it"


def of_values(outcomes: Outcomes) -> Fit | None:
    """The fit of the values themselves, of which the outcomes are distances; None for any other result."""
    if outcomes.result.target is None or outcomes.read is None or not len(outcomes.read):
        return None
    return fitted(replace(outcomes, value=outcomes.read))


def folds(outcomes: Outcomes) -> bool:
    """Whether any product lies within two standard deviations of the target, by the pooled spread of the values."""
    target, read = outcomes.result.target, outcomes.read
    if target is None or read is None or not len(read):
        return False
    fit = fit_levels(read, outcomes.product, outcomes.products, outcomes.block, rounding=outcomes.rounding)
    return bool(fit.df and np.any(np.abs(fit.theta - target.value) < NEAR * fit.sd))


def fit_near(outcomes: Outcomes) -> tuple[Fit, str]:
    """The fit of a result, and what a reader must know where its distances fold; "" where they do not.

    Folding forces a spread for each product. A product that was run once has none of its own, so that the finding
    would be lost. The pooled scatter of the values then stands for all: a distance never scatters more than the value
    that it is of, since |E d| <= E |d| and the mean squares are equal.
    """
    if not folds(outcomes):
        return fitted(outcomes), ""
    values = of_values(outcomes)
    fit = fitted(outcomes)
    if values is None or values.spread != "pooled" or values.problem or fit.unjudged or fit.count.min() > 1:
        return fitted(outcomes, unequal_because=FOLDS), FOLDED
    bound = replace(
        fit,
        sd=values.sd,
        df=values.df,
        residuals=values.residuals,
        spread="pooled",
        variance=np.full(len(fit.products), values.sd**2),
        freedom=np.full(len(fit.products), float(values.df)),
        told="one spread for all products: the pooled scatter of the values, which distances never exceed",
        flags=values.flags,
    )
    return bound, FOLDED_ONCE


def uncancelled(outcomes: Outcomes) -> dict[str, Array]:
    """Errors shared by all runs that do not cancel between distances: name -> float64[N], one standard uncertainty.

    An instrument that reads too much lengthens distances above the target and shortens those below by as much.
    Where all runs lie on one side it cancels between products, as it does for any result, and nothing is returned.
    """
    target, read = outcomes.result.target, outcomes.read
    if target is None or read is None:
        return {}
    above = np.sign(read - target.value)
    if len(np.unique(above[above != 0])) < 2:
        return {}
    counted = errors_in_part(outcomes)
    pulls = zip(outcomes.shared_names, outcomes.shared, strict=True)
    # Of what it does to the values themselves, the part that is common to all.
    common = {name: float(np.mean(pull * above)) for name, pull in pulls if name not in counted}
    return {name: pull * above for name, pull in common.items() if pull != 0}


def with_errors(fit: Fit, pulls: Iterable[Array]) -> Fit:
    """The fit with more errors that differences between products must count; one standard uncertainty each."""
    columns = [(fit.weight @ pull)[:, None] for pull in pulls]
    return replace(fit, in_part=np.hstack([fit.in_part, *columns])) if columns else fit


def both_sides_said(names: Iterable[str]) -> str:
    """What a reader must know where runs lie on both sides of the target."""
    return (
        f"runs lie on both sides of the target, where {listed(list(names))}, shared by all runs, does not cancel: "
        "it is counted in the differences between products"
    )


def versus(
    fit: Fit, result: Result, other: str, members: tuple[str, ...], *, matters: float | None, level: float
) -> Family:
    """`members` against `other` as one family, in the words that this result allows."""
    if not result.like:
        return against(fit, result, other, members, matters=matters, level=level)
    # A difference either way counts, of a risk too: the interval has two ends, as a benefit's has.
    family = against(fit, replace(result, kind="benefit"), other, members, matters=matters, level=level)
    ends = list(zip(family.low.tolist(), family.high.tolist(), strict=True))
    if result.kind == "risk":
        harms = tuple(like_risk_verdict(low, high, matters) for low, high in ends)
        # Turned so that the whole interval lies below 0, where there is harm.
        turned = [(low, high) if high < 0 else (-high, -low) for low, high in ends]
        by = tuple(by_enough(word, *end, matters) for word, end in zip(harms, turned, strict=True))
        return replace(family, verdict=harms, by_enough=by)
    words = tuple(like_verdict(low, high, matters) for low, high in ends)
    enough = tuple(None if matters is None or word == "cannot say" else word == "worse" for word in words)
    return replace(family, verdict=words, by_enough=enough)
