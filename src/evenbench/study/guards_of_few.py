"""Figures that stand out beyond doubt where there are few to hold them against, or no slip that explains them.

    repeats_apart   repeats far from the others of their run, by what repeats of the other runs scatter
    products_apart  products run once, far from every other product

guards.py makes doubts of both.

A repeat lies t = d / (s sqrt(1 + 1/m)) from the mean of the m others of its run, where s pools all other repeats of
the test. It is told where Student's t has so large a value by chance in fewer than one column in a thousand, if a
slip of the hand explains it, and in fewer than one in a hundred thousand if none does. Where the other runs of its
product or the other repeats of its run scatter more than that, or the scatter grows with the level, s is theirs.

A candidate that was run once is told where it lies farther from the nearest other product than three times the whole
range of the other candidates, or two and a half times where a slip of the hand explains it; there must be eight others.
A control may well be far from all: it is not told, and its distance from the candidates is no part of the range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

EXPLAINED, UNEXPLAINED = 1e-3, 1e-5
"""Columns in which chance alone puts a repeat so far out: where a slip explains it, and where none does."""
AT_LEAST = 7.0
"""Scatters from its like, whatever the chance says: no bench is quite normal."""
RANGES_EXPLAINED, RANGES = 2.5, 3.0
"""Ranges of the other candidates between a product run once and the nearest product."""
FEWEST = 8
"""Other candidates that a range is taken from."""


@dataclass(frozen=True)
class Apart:
    """A repeat far from the others of its run.

    run, repeat      from 0
    middle, scatter  of the others, in the unit of the reading
    chance           of one so far among all of the column
    """

    run: int
    repeat: int
    middle: float
    scatter: float
    chance: float


def repeats_apart(grid: Array, product: NDArray[np.int32], floor: float) -> list[Apart]:
    """Repeats that stand out, the farthest of each run.

    grid     float64[N, K], nan where there is none
    product  int32[N]
    floor    the least that repeats may scatter
    """
    known = np.isfinite(grid)
    count = known.sum(axis=1)
    freedom = np.maximum(count - 1, 0).astype(np.float64)
    mean = np.where(known, grid, 0.0).sum(axis=1) / np.maximum(count, 1)
    away = np.where(known, np.abs(grid - mean[:, None]), 0.0)
    square = (away**2).sum(axis=1)
    # From the mean of the others a figure lies farther than from the mean of all, by k / (k - 1).
    farthest = away.max(axis=1) * count / np.maximum(freedom, 1)
    rest, nu = square.sum() - square, freedom.sum() - freedom + np.maximum(freedom - 1, 0)
    least = np.maximum(floor, np.sqrt(np.maximum(rest, 0.0) / np.maximum(nu, 1)))
    whole, share = int(count[count > 1].sum()), _share(grid, square, mean)
    found = []
    for run in np.flatnonzero((count > 1) & (nu > 0) & (farthest > AT_LEAST * least)).tolist():
        repeat = int(np.argmax(away[run]))
        others = np.delete(grid[run], repeat)
        others = others[np.isfinite(others)]
        middle, m = float(others.mean()), len(others)
        own = float(((others - middle) ** 2).sum())
        alike = (product == product[run]) & (np.arange(len(grid)) != run) & (freedom > 0)
        scatter = float(
            max(
                floor,
                np.sqrt((rest[run] + own) / nu[run]),
                np.sqrt(square[alike].sum() / freedom[alike].sum()) if alike.any() else 0.0,
                np.sqrt(own / (m - 1)) if m > 1 else 0.0,
                abs(middle) * np.sqrt((share.sum() - share[run]) / nu[run]),
            )
        )
        t = float(farthest[run]) / (scatter * np.sqrt(1 + 1 / m))
        if t > AT_LEAST and (chance := whole * _tail(t, float(nu[run]))) < EXPLAINED:
            found.append(Apart(run, repeat, middle, scatter, chance))
    return found


def _share(grid: Array, square: Array, mean: Array) -> Array:
    """The squares as shares of the level, where all figures are positive; else 0."""
    if not np.all(grid[np.isfinite(grid)] > 0):
        return np.zeros(len(grid))
    return np.asarray(np.where(mean > 0, square / np.where(mean > 0, mean, 1.0) ** 2, 0.0), dtype=np.float64)


def _tail(t: float, freedom: float) -> float:
    """How often Student's t lies beyond ±t.

    >>> round(_tail(4.604, 4), 4), round(_tail(12.706, 1), 3)
    (0.01, 0.05)
    """
    from scipy import special  # only where something lies far out

    return 2 * float(special.stdtr(freedom, -abs(t)))


@dataclass(frozen=True)
class Beyond:
    """A run of a product run once that lies far from every other product.

    run        from 0
    ranges     how many ranges of the other candidates lie between it and the nearest of all products
    low, high  the range of all other products
    """

    run: int
    ranges: float
    low: float
    high: float


def products_apart(value: Array, product: NDArray[np.int32], asked: NDArray[np.bool_], floor: float) -> list[Beyond]:
    """Runs of products run once that lie far from every other product: by one side of them, at most one a side.

    value  float64[N], nan where there is none
    asked  bool[N] whether the run is of a candidate, which alone are told, and of which the range is taken
    floor  the least that a range may be
    """
    known = np.flatnonzero(np.isfinite(value))
    order = known[np.argsort(value[known])]
    found = []
    for run in (int(order[0]), int(order[-1])) if len(order) else ():
        others = order[product[order] != product[run]]
        like = others[asked[others]]
        if not asked[run] or len(others) < len(order) - 1 or len(np.unique(product[like])) < FEWEST:
            continue
        low, high = float(value[others[0]]), float(value[others[-1]])
        gap = max(low - float(value[run]), float(value[run]) - high)
        whole = max(float(value[like[-1]] - value[like[0]]), floor)
        if whole > 0 and gap > RANGES_EXPLAINED * whole:
            found.append(Beyond(run, gap / whole, low, high))
    return found
