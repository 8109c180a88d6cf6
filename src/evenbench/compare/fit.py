"""Least squares for one result: product levels, with blocks fixed where the test has them.

Throughout: N runs, K products that have outcomes, B blocks. All in the result's unit, squares where said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.frozen import Frozen

Array = NDArray[np.float64]

# A few units in the last place of the largest value: below that, scatter is the arithmetic's, not the bench's.
_ROUNDING = 4 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit(Frozen):
    """Estimated product levels of one result and how well they are known.

    products  K ids with at least one outcome
    count     int64[K] runs behind each
    theta     float64[K] level of each product, averaged over the blocks
    shape     float64[K, K] covariance of theta divided by the variance of one run
    sd        standard deviation between runs of one product in one block; nan where df is 0
    df        residual degrees of freedom; 0 where nothing was run twice
    weight    float64[K, N] theta = weight @ outcomes: what each run contributes
    reach     float64[K, K] projection onto what the layout can estimate, for contrasts of theta
    text      the model in words, for the method note
    flags     what a reader must know beside the figures
    """

    products: tuple[str, ...]
    count: NDArray[np.int64]
    theta: Array
    shape: Array
    sd: float
    df: int
    weight: Array
    reach: Array
    text: str
    flags: tuple[str, ...] = ()

    def index(self, product: str) -> int:
        """Row of a product.

        Raises ValueError where it has no outcome.
        """
        return self.products.index(product)

    def contrasts(self, members: tuple[str, ...], other: str) -> Array:
        """float64[m, K]: each member minus `other`."""
        out = np.zeros((len(members), len(self.products)))
        for row, member in enumerate(members):
            out[row, self.index(member)] += 1
            out[row, self.index(other)] -= 1
        return out

    def can_estimate(self, contrasts: Array) -> NDArray[np.bool_]:
        """Whether the layout can tell each contrast from block differences."""
        return np.asarray(np.abs(contrasts @ self.reach - contrasts).max(axis=-1) < 1e-8)

    @property
    def covariance(self) -> Array:
        """float64[K, K], the result's unit squared; nan where there is no scatter to judge by."""
        return self.shape * self.sd**2


def fit_levels(
    value: Array,
    product: NDArray[np.int32],
    products: tuple[str, ...],
    block: NDArray[np.int32],
    *,
    rounding: float = 0.0,
) -> Fit:
    """Fit levels of products, with fixed block effects where `block` holds more than one block.

    value    float64[N] outcomes
    product  int32[N] index into `products`
    block    int32[N] any labels; their effects sum to zero, so a level is an average over the blocks
    rounding a standard deviation that is no scatter but arithmetic, in the result's unit

    Source: ordinary least squares, any textbook. The singular value decomposition is used in place of a
    pivoted QR, because the same factors say which contrasts the layout cannot estimate.

    >>> f = fit_levels(np.array([1.0, 3.0, 6.0, 8.0]), np.array([0, 0, 1, 1]), ("a", "b"), np.zeros(4, int))
    >>> [float(x) for x in f.theta.round(9)], round(f.sd, 6), f.df
    ([2.0, 7.0], 1.414214, 2)
    """
    present = [k for k in range(len(products)) if np.any(product == k)]
    levels, blocks = len(present), np.unique(block)
    design = np.zeros((len(value), levels + len(blocks) - 1))
    for column, k in enumerate(present):
        design[product == k, column] = 1
    for column, label in enumerate(blocks[:-1], start=levels):
        design[block == label, column] = 1
        design[block == blocks[-1], column] = -1
    # A balance that reads a million grams more must not cost digits: take the middle out first.
    centre = float(np.median(value)) if len(value) else 0.0
    inverse: Array = np.asarray(np.linalg.pinv(design, rcond=1e-10), dtype=np.float64)
    coefficient = inverse @ (value - centre)
    rank = int(np.linalg.matrix_rank(design, tol=1e-10 * max(design.shape, default=1))) if len(value) else 0
    residual = value - centre - design @ coefficient
    df = len(value) - rank
    variance = float(residual @ residual) / df if df else np.nan
    if variance <= max(_ROUNDING * float(np.abs(value).max(initial=0.0)), rounding) ** 2:
        variance = 0.0
    shape = inverse @ inverse.T
    return Fit(
        products=tuple(products[k] for k in present),
        count=np.array([int(np.sum(product == k)) for k in present], dtype=np.int64),
        theta=coefficient[:levels] + centre,
        shape=shape[:levels, :levels],
        sd=float(np.sqrt(variance)),
        df=df,
        weight=inverse[:levels],
        reach=(inverse @ design)[:levels, :levels],
        text="least squares on products" + (" and fixed blocks" if len(blocks) > 1 else ""),
    )
