"""Scores in which a result is capped: beyond a stated value, more of it brings the buyer nothing.

A cap bends the score, so that it is no weighted sum of levels any more. What is known of the levels is drawn
jointly, every draw is scored with its caps, and intervals and comparisons are read from the draws. Without a cap
they come to the exact ones, but for the errors of drawing.

Throughout: K products, D draws, J columns of one test: each capped result, and all others together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.comparison import Comparison
from evenbench.compare.scale import to_scale
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import with_unit
from evenbench.study.model import Result

Array = NDArray[np.float64]

DRAWS, BATCHES = 40_000, 8
_SAME = 1e-9  # scores that differ by less are the same but for the arithmetic


@dataclass(frozen=True, kw_only=True, eq=False)
class Levels(Frozen):
    """Levels of one test in weighted steps, turned so that more is better; the control stands last.

    value       float64[J, K + 1]
    cap         float64[J] beyond which more counts nothing; infinite where nothing is capped
    covariance  float64[J * (K + 1), J * (K + 1)] of `value`, row by row
    """

    value: Array
    cap: Array
    covariance: Array

    def only(self, kept: NDArray[np.intp]) -> Levels:
        """The same for some of the products."""
        columns, products = self.value.shape
        places = np.append(kept, products - 1)
        every = np.concatenate([places + products * column for column in range(columns)])
        return Levels(value=self.value[:, places], cap=self.cap, covariance=self.covariance[np.ix_(every, every)])

    def steps(self, away: Array, *, capped: bool = True) -> Array:
        """float64[D, K] steps against the control, where levels lie `away` from `value`.

        away    float64[D, J * (K + 1)]
        capped  whether caps count
        """
        columns, products = self.value.shape
        levels = self.value + away.reshape(len(away), columns, products)
        worth = np.minimum(levels, self.cap[:, None]) if capped else levels
        return np.asarray((worth[:, :, :-1] - worth[:, :, -1:]).sum(axis=1), dtype=np.float64)


def worth(result: Result, level: Array) -> Array:
    """Levels in the result's unit as what they are worth: on the scale of comparison, turned, and capped."""
    value = result.sign * to_scale(result, level)
    return value if result.capped_at is None else np.minimum(value, cap_of(result))


def cap_of(result: Result) -> float:
    """Where a result stops being worth more, on the scale of comparison and turned; infinite where nowhere."""
    if result.capped_at is None:
        return float("inf")
    return float(result.sign * to_scale(result, np.asarray(result.capped_at, dtype=np.float64)))


def level_in(comparison: Comparison, product: str) -> float:
    """The level of a product in the result's unit; nan where it has none."""
    known = product in comparison.products
    return float(comparison.estimate[comparison.products.index(product)]) if known else float("nan")


def capped_said(comparison: Comparison) -> str:
    """What a reader must know of a capped result: "Seam: force above 70 N counts as 70 N"."""
    result, control = comparison.result, comparison.outcomes.control or ""
    cap = with_unit(f"{result.capped_at:g}", result.difference_unit if result.is_distance else result.unit.text)
    text = f"{comparison.label} {'above' if result.sign > 0 else 'below'} {cap} counts as {cap}"
    level = np.array(level_in(comparison, control))
    if np.isfinite(level) and float(result.sign * to_scale(result, level)) > cap_of(result):
        text += "; the control lies beyond that already, so that no product can gain a step"
    return text


def simultaneous(drawn: Array, uncapped: Array, *, level: float = 0.95) -> tuple[Array, Array, float]:
    """Intervals of K figures that hold together in `level` of the draws, each end as likely to be missed as any other.

    drawn     float64[D, K]
    uncapped  float64[D, K] the same draws without caps: they tell apart draws that a cap makes alike, so that a cap
              moves the ends of an interval, and makes no two-sided interval one-sided

    Returns ends, and the error that drawing leaves in them: the largest standard error over eight batches.
    Source: Besag, Green, Higdon & Mengersen (1995), Statist. Sci. 10, 3-41, sec. 6.3 (from memory).
    """
    low, high = _ends(drawn, uncapped, level)
    pairs = zip(np.array_split(drawn, BATCHES), np.array_split(uncapped, BATCHES), strict=True)
    each = np.array([np.stack(_ends(*pair, level)) for pair in pairs])
    error = each.std(axis=0, ddof=1) / np.sqrt(BATCHES)
    return low, high, float(error.max())


def _ends(drawn: Array, uncapped: Array, level: float) -> tuple[Array, Array]:
    place = _places(drawn, uncapped)
    beyond = _farthest(np.minimum(place, len(drawn) - 1 - place).min(axis=1), level)
    ordered = np.sort(drawn, axis=0)
    return ordered[beyond], ordered[len(drawn) - 1 - beyond]


def _farthest(place: NDArray[np.intp], level: float) -> int:
    """The place from the outside, from 0, that all but 1 - `level` of the draws reach in none of their figures."""
    return int(np.sort(place)[int((1 - level) * len(place))])


def _places(drawn: Array, uncapped: Array) -> NDArray[np.intp]:
    """intp[D, K] the place of every draw among all of its figure, lowest 0; equal ones as they are without caps."""
    out = np.empty(drawn.shape, dtype=np.intp)
    for k in range(drawn.shape[1]):
        # Rounded, so that draws which caps make alike are alike whatever the order of the sums.
        out[np.lexsort((uncapped[:, k], np.round(drawn[:, k], 9))), k] = np.arange(len(drawn))
    return out


def best_of_draws(
    drawn: Array, uncapped: Array, eligible: NDArray[np.bool_], *, level: float = 0.95
) -> NDArray[np.bool_]:
    """bool[K] which of the eligible could be best: behind none of the others by the upper bound of the gap.

    All bounds of one product hold together, one-sided, as they do in comparisons with the best (Hsu 1984). Products
    that are all worth the cap are alike, and any of them could be best.
    """
    count = drawn.shape[1]
    out = eligible.copy()
    if eligible.sum() <= 1:
        return out
    for i in np.flatnonzero(eligible).tolist():
        others = [j for j in range(count) if j != i]
        gap = drawn[:, [i]] - drawn[:, others]
        # Bounds that hold together reach no farther than Bonferroni's: who is behind even by those is far behind.
        farthest = np.quantile(gap, 1 - (1 - level) / len(others), axis=0, method="higher")
        if np.any(farthest[eligible[others]] < -_SAME):
            out[i] = False
            continue
        place = _places(gap, uncapped[:, [i]] - uncapped[:, others])
        beyond = _farthest((len(gap) - 1 - place).min(axis=1), level)
        most = np.sort(gap, axis=0)[len(gap) - 1 - beyond]
        out[i] = bool(np.all(most[eligible[others]] >= -_SAME))
    return out
