"""Which products the data cannot rule out as best."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.against import bonferroni, correlation, kept_from_1, sidak
from evenbench.compare.fit import NO_SCATTER, NO_SPREAD, Fit
from evenbench.compare.radial import joint
from evenbench.compare.simultaneous import EachOwn, NoAgreement, constant, factors
from evenbench.measure.frozen import Frozen

Array = NDArray[np.float64]

UNEVEN = (
    "the runs are spread unevenly over the blocks; exact intervals for that come with a later version of the engine"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Best(Frozen):
    """K products against the best of the others, turned so that more is better.

    low, high  float64[K] interval of (product - best other); high > 0 means it could be best
    could_be   bool[K]
    why        reason where the question has no answer; then the arrays are nan and False
    """

    products: tuple[str, ...]
    low: Array
    high: Array
    could_be: NDArray[np.bool_]
    why: str = ""

    @property
    def names(self) -> tuple[str, ...] | None:
        """Ids that could be best; None where there is no answer."""
        return None if self.why else tuple(p for p, yes in zip(self.products, self.could_be, strict=True) if yes)


Reach = Callable[[Array, Array], float]


def one_df(covariance: Array, df: float, *, level: float = 0.95) -> Reach:
    """The reach where every difference has the same degrees of freedom: one-sided, as comparisons with the best are."""

    def reach(contrast: Array, b: Array) -> float:
        return constant(b, df, sides=1, level=level) * float(np.sqrt(contrast @ covariance @ contrast))

    return reach


def could_be_best(
    products: tuple[str, ...],
    level_of: Array,
    covariance: Array,
    reach: Reach,
    *,
    eligible: NDArray[np.bool_] | None = None,
) -> Best:
    """Compare each product with the best of the others, all together.

    level_of    float64[K], turned so that more is better
    covariance  float64[K, K] of `level_of`
    reach       how far the interval of one contrast of the levels reaches, given the factors of its family
    eligible    bool[K] who may be best at all; the others are no rivals, but they stay in the family: who is
                eligible may rest on the same data, and a family that shrank by its own data would promise too much

    Source: Hsu (1984), Ann. Statist. 12, 1136-1144, comparisons with the best, constrained to include 0.

    >>> means, one = np.array([12.0, 11.4, 9.0, 8.5]), np.eye(4) * 0.36 / 3
    >>> b = could_be_best(("a", "b", "c", "d"), means, one, one_df(one, 8))
    >>> b.names, [float(x) for x in b.high.round(3)]
    (('a', 'b'), [1.784, 0.584, 0.0, 0.0])
    """

    def halves(contrasts: Array, b: Array | None) -> Array | None:
        return None if b is None else np.array([reach(contrast, b) for contrast in contrasts])

    return _compared(products, level_of, covariance, halves, eligible)


def _compared(
    products: tuple[str, ...],
    level_of: Array,
    covariance: Array,
    halves: Callable[[Array, Array | None], Array | None],
    eligible: NDArray[np.bool_] | None = None,
) -> Best:
    """Each product against the best of the others.

    halves  how far the intervals of one product's contrasts reach, given their factors or None; None for no answer
    """
    count = len(products)
    runs_for_it = np.ones(count, dtype=bool) if eligible is None else eligible
    nothing = np.full(count, np.nan)
    if runs_for_it.sum() <= 1:
        return Best(products=products, low=nothing, high=nothing, could_be=runs_for_it)
    low, high = np.empty(count), np.empty(count)
    why = ""
    for i in range(count):
        others = [j for j in range(count) if j != i]
        contrasts = np.zeros((count - 1, count))
        contrasts[:, i] = 1
        contrasts[range(count - 1), others] = -1
        spread = contrasts @ covariance @ contrasts.T
        error = np.sqrt(np.diag(spread))
        if not np.all(error > 0):
            why = why or (NO_SPREAD if np.all(np.isfinite(error)) else NO_SCATTER)
            continue
        gap = level_of[i] - level_of[others]
        try:
            half = halves(contrasts, factors(correlation(spread)))
        except NoAgreement as problem:
            why = f"the probability did not settle numerically ({problem})"
            continue
        if half is None:
            why = why or UNEVEN
            continue
        rivals = runs_for_it[others]
        low[i] = min(0.0, float(np.min((gap - half)[rivals])))
        high[i] = max(0.0, float(np.min((gap + half)[rivals])))
    if why:
        return Best(products=products, low=nothing, high=nothing, could_be=np.zeros(count, dtype=bool), why=why)
    return Best(products=products, low=low, high=high, could_be=(high > 0) & runs_for_it)


def best_of(fit: Fit, candidates: tuple[str, ...], sign: int, *, level: float = 0.95) -> Best:
    """Which candidates of one result could be best; all differences between them can be told from blocks.

    sign  +1 where more is better, -1 where less is

    One spread: exact one-sided constants. A spread for each product: each difference on its own degrees of freedom,
    by the rule that its family against the control has.
    """
    rows = [fit.index(p) for p in candidates]
    between = fit.between[np.ix_(rows, rows)]

    def halves(contrasts: Array, b: Array | None) -> Array:
        whole = np.zeros((len(contrasts), len(fit.products)))
        whole[:, rows] = contrasts
        df = np.array([fit.df_of(contrast) for contrast in whole])
        error = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, between, contrasts))
        return np.asarray(_points(fit, correlation(contrasts @ between @ contrasts.T), b, df, level) * error)

    return _compared(candidates, sign * fit.theta[rows], between, halves)


def _points(fit: Fit, R: Array, b: Array | None, df: Array, level: float) -> Array | float:
    """One-sided constants for one product against the others, which correlate as in R."""
    if fit.each_alone:
        # Šidák's points for one side need correlations of 0 or more.
        points = sidak if R.min() >= 0 else bonferroni
        return points(level, df, len(df), 1)
    if fit.spread == "unequal" and b is not None:
        family = EachOwn(kept_from_1(b), float(df.max()), sides=1)
        return np.array([family.constant(each, level) for each in df.tolist()])
    if b is not None:
        return constant(b, fit.df, sides=1, level=level)
    if fit.one_df and not fit.in_part.any():
        return joint(R, fit.df, sides=1).constant(level)[0]
    return bonferroni(level, df, len(df), 1)
