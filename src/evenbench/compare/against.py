"""Every product against one other (the control, or a placebo), all considered together.

One interval per product and result. The verdict follows from that interval, so a table, a picture and a
sentence can never disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenbench.compare.drift import HOPELESS
from evenbench.compare.fit import NO_SPREAD, Fit
from evenbench.compare.radial import joint
from evenbench.compare.scale import published
from evenbench.compare.simultaneous import EachOwn, NoAgreement, constant, factors, largest_one_sided, tail
from evenbench.compare.verdict import Verdict, benefit_verdict, by_enough, risk_verdict
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import counted
from evenbench.study.model import Result

Array = NDArray[np.float64]

# Beyond this a factor rests on the control's variance alone, which is itself uncertain where spreads differ.
MIXED_UP = (
    "the order of the runs mixes this difference up with drift or blocks: with the control in between, or in a drawn "
    "order, it could be told"
)
STEEPEST_OF_ITS_OWN = 0.97


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
    constants    float64[m] standard errors to each side; nan where there is no interval
    method       how the constants were found, for the method note
    break_even   float64[m] the scatter between runs of one product up to which the effect would hold against every
                 other comparison of the family, on the scale of comparison; nan where there is no effect. It claims
                 nothing of the scatter that there is
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
    constants: Array
    method: str
    break_even: Array
    level: float

    @property
    def constant(self) -> float:
        """The constant that reaches farthest; nan where no member has an interval."""
        known = self.constants[np.isfinite(self.constants)]
        return float(known.max()) if len(known) else float("nan")

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
    error = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, fit.between, contrasts))
    blank = np.full(len(members), np.nan)
    low, high, p, c, method = blank.copy(), blank.copy(), blank.copy(), blank.copy(), ""
    why = [f"{other} and this product never ran in connected blocks" if not k else "" for k in known]
    problem = fit.problem
    mixed_up = fit.inflation(contrasts) > HOPELESS
    why = [reason or (MIXED_UP if mixed else "") for reason, mixed in zip(why, mixed_up.tolist(), strict=True)]
    if not problem:
        why = [reason or ("" if e > 0 else NO_SPREAD) for reason, e in zip(why, error.tolist(), strict=True)]
        kept = np.flatnonzero([not reason for reason in why])
        if len(kept):
            c[kept], p[kept], method = _constants(fit, contrasts[kept], effect[kept] / error[kept], result, level)
            if np.isfinite(c[kept]).all():
                low[kept], high[kept] = effect[kept] - c[kept] * error[kept], effect[kept] + c[kept] * error[kept]
            else:
                problem, p[kept] = method, np.nan
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
        constants=c,
        method=method,
        break_even=break_even(fit, contrasts, effect, result, level),
        level=level,
    )


def break_even(fit: Fit, contrasts: Array, effect: Array, result: Result, level: float = 0.95) -> Array:
    """float64[m] how much runs of one product may scatter for each effect to be told from none, were that known.

    The effect over the standard error that a scatter of 1 would give it and the constant of the family on infinitely
    many degrees of freedom. For a tester who has run everything once, and knows by experience how alike runs are.

    >>> from evenbench.compare.fit import fit_levels
    >>> fit = fit_levels(np.arange(14.0), np.arange(14), tuple("abcdefghijklmn"), np.zeros(14, int))
    >>> from types import SimpleNamespace
    >>> contrasts, benefit = fit.contrasts(tuple("bcdefghijklmn"), "a"), SimpleNamespace(kind="benefit")
    >>> float(break_even(fit, contrasts, np.full(13, 10.0), benefit)[0].round(4))
    2.5348
    """
    out = np.full(len(contrasts), np.nan)
    kept = np.flatnonzero(fit.can_estimate(contrasts) & np.isfinite(effect))
    if not len(kept):
        return out
    scatter = contrasts[kept] @ fit.shape @ contrasts[kept].T
    each = np.sqrt(np.diag(scatter))
    if not np.all(each > 0):
        return out
    b = factors(scatter / np.outer(each, each))
    m = len(kept)
    c = float(bonferroni(level, np.array([np.inf]), m, 1 if result.kind == "risk" else 2)[0])
    if b is not None and result.kind != "risk":
        c = constant(b, np.inf, sides=2, level=level)
    elif b is not None and (found := largest_one_sided(b, np.inf, level=level))[1] is not None:
        c = found[0]
    out[kept] = np.abs(effect[kept]) / (c * each)
    return out


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
        constants=blank,
        method="",
        break_even=blank,
        level=level,
    )


def correlation(covariance: Array) -> Array:
    """Correlations from covariances; every variance is above 0."""
    scale = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(scale, scale), dtype=np.float64)


def sidak(level: float, df: Array, count: int, sides: int) -> Array:
    """The t points at which so many contrasts hold together were they independent, each on its own df.

    Never too short for both sides, whatever the correlations (Šidák 1967, J. Am. Statist. Assoc. 62, 626-633); for
    one side where no two contrasts correlate negatively (Slepian 1962).

    >>> [round(float(x), 6) for x in sidak(0.95, np.array([10.0, 28.0]), 1, 2)]
    [2.228139, 2.048407]
    """
    return np.asarray(-special.stdtrit(df, -np.expm1(np.log(level) / count) / sides), dtype=np.float64)


def bonferroni(level: float, df: Array, count: int, sides: int) -> Array:
    """The t points at which so many contrasts hold together whatever their correlations, each on its own df."""
    return np.asarray(-special.stdtrit(df, (1 - level) / count / sides), dtype=np.float64)


def _constants(fit: Fit, contrasts: Array, t: Array, result: Result, level: float) -> tuple[Array, Array, str]:
    """Constants, adjusted p and method; constants are nan, and the method the reason, where there are none."""
    R = correlation(contrasts @ fit.between @ contrasts.T)
    family = _Contrasts(R, factors(R), np.array([fit.df_of(c) for c in contrasts]), fit, level)
    try:
        return family.risk(-result.sign * t) if result.kind == "risk" else family.benefit(np.abs(t))
    except NoAgreement as error:
        nothing = np.full(len(t), np.nan)
        return nothing, nothing, f"the probability did not settle numerically ({error})"


@dataclass(frozen=True)
class _Contrasts:
    """One family of m contrasts: correlations, their factors where they have them, and degrees of freedom."""

    R: Array
    b: Array | None
    df: Array
    fit: Fit
    level: float

    @property
    def together(self) -> str:
        """The family in words."""
        least, most = float(self.df.min()), float(self.df.max())
        count = counted(len(self.df), "comparison")
        if self.fit.one_df:
            return f"{count} together, t on {counted(self.fit.df, 'degree of freedom', 'degrees of freedom')}"
        own = f"{least:.3g}" if f"{least:.3g}" == f"{most:.3g}" else f"{least:.3g} to {most:.3g}"
        return f"{count} together, t on {own} degrees of freedom" + (", each its own" if len(self.df) > 1 else "")

    def benefit(self, size: Array) -> tuple[Array, Array, str]:
        """Intervals with two ends; `size` is |t|."""
        m, df, b, level = len(self.df), self.df, self.b, self.level
        tails = 2 * special.stdtr(df, -size)
        if self.fit.each_alone:
            p = -np.expm1(m * np.log1p(-np.minimum(tails, 1 - 2**-53)))
            return sidak(level, df, m, 2), p, f"Šidák's t points for {self.together}"
        if self.fit.spread == "unequal" and b is not None:
            family = EachOwn(kept_from_1(b), float(df.max()), sides=2)
            c = np.array([family.constant(each, level) for each in df.tolist()])
            p = np.array([family.tail(t, each)[0] for t, each in zip(size[:, None], df.tolist(), strict=True)])
            return c, p, f"as if the ratios of the spreads were known, for {self.together}"
        if b is not None:
            c = np.full(m, constant(b, self.fit.df, sides=2, level=level))
            return c, tail(size, b, self.fit.df, sides=2), f"exact for {self.together}"
        if self.fit.one_df and not self.fit.in_part.any():
            directions = joint(self.R, self.fit.df, sides=2)
            found, error = directions.constant(level)
            how = f"a sum over directions, good to {error:.1g} standard errors to each side, for {self.together}"
            return np.full(m, found), np.array([directions.tail(t)[0] for t in size.tolist()]), how
        return bonferroni(level, df, m, 2), np.minimum(1.0, m * tails), f"Bonferroni's t points for {self.together}"

    def risk(self, harm: Array) -> tuple[Array, Array, str]:
        """Bounds on one side each; `harm` is t, turned so that more is worse."""
        m, b = len(self.df), self.b
        if b is not None and self.fit.one_df:
            found, signs = largest_one_sided(b, self.fit.df, level=self.level)
            if signs is not None:
                p = tail(harm, signs * b, self.fit.df, sides=1)
                how = f"one-sided bounds, the widest over all directions of harm, for {self.together}"
                return np.full(m, found), p, how
        # Bonferroni needs nothing of the correlation, and bounds in any direction of harm.
        p = np.minimum(1.0, m * special.stdtr(self.df, -harm))
        return bonferroni(self.level, self.df, m, 1), p, f"one-sided Bonferroni bounds for {self.together}"


def kept_from_1(b: Array) -> Array:
    """Factors of estimated variances, no steeper than STEEPEST_OF_ITS_OWN."""
    return np.clip(b, -STEEPEST_OF_ITS_OWN, STEEPEST_OF_ITS_OWN)


def _turn(result: Result, low: float, high: float) -> tuple[float, float]:
    """An interval turned so that more is better."""
    return (low, high) if result.sign > 0 else (-high, -low)


def _verdict(result: Result, low: float, high: float, matters: float | None) -> Verdict | None:
    if result.kind == "info":
        return None
    rule = risk_verdict if result.kind == "risk" else benefit_verdict
    return rule(low, high, matters)
