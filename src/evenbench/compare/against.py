"""Every product against one other (the control, or a placebo), all considered together.

One interval per product and result. The verdict follows from that interval, so a table, a picture and a
sentence can never disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenbench.compare.fit import Fit
from evenbench.compare.scale import published
from evenbench.compare.simultaneous import NoAgreement, constant, factors, largest_one_sided, tail
from evenbench.compare.verdict import Verdict, benefit_verdict, by_enough, risk_verdict
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import counted
from evenbench.study.model import Result

Array = NDArray[np.float64]

NO_SCATTER = "nothing was run twice, so there is no scatter to judge a difference by"
NO_SPREAD = "every repeated run read exactly the same: the instrument is too coarse to show how runs scatter"
UNEVEN = (
    "the runs are spread unevenly over the blocks; exact intervals for that come with a later version of the engine"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Family(Frozen):
    """m products against `other` on one result. Effects are as measured, not turned.

    effect       float64[m] product - other in the result's unit, or the ratio of the two (of their odds) where the
                 result is compared by ratios; nan where it cannot be estimated
    low, high    float64[m] simultaneous interval; for a risk, its ends are one-sided bounds
    p            float64[m] adjusted for the family; for a risk, one-sided towards harm
    verdict      m words; None for an info result
    by_enough    m answers to "by enough to matter?"; None without a margin
    why          m reasons where something is missing, else ""
    constant     standard errors to each side; nan where there is no interval
    method       how the constant was found, for the method note
    """

    other: str
    members: tuple[str, ...]
    effect: Array
    low: Array
    high: Array
    p: Array
    verdict: tuple[Verdict | None, ...]
    by_enough: tuple[bool | None, ...]
    why: tuple[str, ...]
    constant: float
    method: str
    level: float

    def index(self, member: str) -> int:
        """Place of a member.

        Raises ValueError where it is not one.
        """
        return self.members.index(member)


def against(
    fit: Fit, result: Result, other: str, members: tuple[str, ...], *, matters: float | None, level: float = 0.95
) -> Family:
    """Compare `members` with `other` as one family.

    fit      on the scale of comparison
    matters  smallest difference that matters, on the scale of comparison; None for an info result

    Source: Dunnett (1955), JASA 50, 1096-1121; the largest one-sided constant over sign patterns for a risk,
    because two verdicts are read from one interval.
    """
    contrasts = fit.contrasts(members, other)
    known = fit.can_estimate(contrasts)
    effect = np.where(known, contrasts @ fit.theta, np.nan)
    error = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, fit.covariance, contrasts))
    blank = np.full(len(members), np.nan)
    low, high, p, c, method = blank.copy(), blank.copy(), blank.copy(), float("nan"), ""
    why = [f"{other} and this product never ran in connected blocks" if not k else "" for k in known]
    problem = NO_SCATTER if fit.df == 0 else NO_SPREAD if fit.sd == 0 else ""
    if known.any() and not problem:
        kept = np.flatnonzero(known)
        t = effect[kept] / error[kept]
        correlation = _correlation(contrasts[kept] @ fit.covariance @ contrasts[kept].T)
        c, adjusted, method = _constant(correlation, t, fit.df, result, level)
        if np.isfinite(c):
            low[kept], high[kept] = effect[kept] - c * error[kept], effect[kept] + c * error[kept]
            p[kept] = adjusted
        else:
            problem = method
    why = [reason or problem for reason in why]
    turned = [_turn(result, lo, hi) for lo, hi in zip(low.tolist(), high.tolist(), strict=True)]
    words = tuple(_verdict(result, lo, hi, matters) for lo, hi in turned)
    return Family(
        other=other,
        members=members,
        effect=published(result, effect),
        low=published(result, low),
        high=published(result, high),
        p=p,
        verdict=words,
        by_enough=tuple(
            by_enough(word, lo, hi, matters) if word else None for word, (lo, hi) in zip(words, turned, strict=True)
        ),
        why=tuple(why),
        constant=c,
        method=method,
        level=level,
    )


def unsaid(result: Result, other: str, members: tuple[str, ...], why: tuple[str, ...], level: float) -> Family:
    """A family of which nothing can be said, with the reason for each member."""
    blank = np.full(len(members), np.nan)
    return Family(
        other=other,
        members=members,
        effect=blank,
        low=blank,
        high=blank,
        p=blank,
        verdict=tuple(None if result.kind == "info" else "cannot say" for _ in members),
        by_enough=tuple(None for _ in members),
        why=why,
        constant=float("nan"),
        method="",
        level=level,
    )


def _correlation(covariance: Array) -> Array:
    scale = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(scale, scale), dtype=np.float64)


def _constant(correlation: Array, t: Array, df: int, result: Result, level: float) -> tuple[float, Array, str]:
    """Constant, adjusted p and method; the constant is nan, and the method the reason, where there is none."""
    b = factors(correlation)
    m = len(t)
    together = f"{counted(m, 'comparison')} together, t on {counted(df, 'degree of freedom', 'degrees of freedom')}"
    try:
        if result.kind == "risk":
            harm = -result.sign * t
            if b is not None:
                c, signs = largest_one_sided(b, df, level=level)
                if signs is not None:
                    p = tail(harm, signs * b, df, sides=1)
                    return c, p, f"one-sided bounds, the widest over all directions of harm, for {together}"
            # Bonferroni needs nothing of the correlation.
            c = float(-special.stdtrit(df, (1 - level) / m))
            return c, np.minimum(1.0, m * special.stdtr(df, -harm)), f"one-sided Bonferroni bounds for {together}"
        if b is None:
            return float("nan"), t, UNEVEN
        return constant(b, df, sides=2, level=level), tail(np.abs(t), b, df, sides=2), f"exact for {together}"
    except NoAgreement as error:
        return float("nan"), t, f"the probability did not settle numerically ({error})"


def _turn(result: Result, low: float, high: float) -> tuple[float, float]:
    """An interval turned so that more is better."""
    return (low, high) if result.sign > 0 else (-high, -low)


def _verdict(result: Result, low: float, high: float, matters: float | None) -> Verdict | None:
    if result.kind == "info":
        return None
    rule = risk_verdict if result.kind == "risk" else benefit_verdict
    return rule(low, high, matters)
