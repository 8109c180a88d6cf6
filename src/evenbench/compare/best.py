"""Which products the data cannot rule out as best."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.against import NO_SCATTER, NO_SPREAD, UNEVEN
from evenbench.compare.simultaneous import NoAgreement, constant, factors
from evenbench.measure.frozen import Frozen

Array = NDArray[np.float64]


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
        b = factors(spread / np.outer(error, error))
        if b is None:
            why = why or UNEVEN
            continue
        gap = level_of[i] - level_of[others]
        try:
            half = np.array([reach(contrast, b) for contrast in contrasts])
        except NoAgreement as problem:
            why = f"the probability did not settle numerically ({problem})"
            continue
        rivals = runs_for_it[others]
        low[i] = min(0.0, float(np.min((gap - half)[rivals])))
        high[i] = max(0.0, float(np.min((gap + half)[rivals])))
    if why:
        return Best(products=products, low=nothing, high=nothing, could_be=np.zeros(count, dtype=bool), why=why)
    return Best(products=products, low=low, high=high, could_be=(high > 0) & runs_for_it)
