"""Blocks taken as a sample: a fit in which what one block has on another is a variance, and not a level of its own.

Worth a little where many small blocks hold some of the products each; nothing where every block holds them all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.drift import Term
from evenbench.compare.fit import Fit
from evenbench.compare.mixed import CannotFit, Mixed, fit_mixed
from evenbench.measure.frozen import Frozen
from evenbench.reduce import Outcomes

Array = NDArray[np.float64]

ENOUGH = 10
"""Blocks from which their variance can be estimated well enough to use."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MixedFit(Fit, Frozen):
    """A fit with random blocks: each difference has a standard error after Kenward and Roger, and its own df.

    mixed  the mixed model; its first K fixed terms are the levels of the products
    """

    mixed: Mixed

    @property
    def one_df(self) -> bool:
        """Whether every difference has the same degrees of freedom: here none has another's."""
        return False

    @property
    def each_alone(self) -> bool:
        """Whether each difference goes by a t point of its own."""
        return True

    @property
    def covariance(self) -> Array:
        """float64[K, K] of the levels, adjusted for not knowing the variances, the result's unit squared."""
        count = len(self.products)
        return self.mixed.adjusted[:count, :count]

    def df_of(self, contrast: Array) -> float:
        """Degrees of freedom of one contrast of the levels, after Kenward and Roger."""
        return float(self.mixed.df(np.pad(contrast, (0, len(self.mixed.coefficients) - len(contrast)))))


def with_random_blocks(fit: Fit, outcomes: Outcomes, drift: Term) -> Fit:
    """The same result with its blocks as a random factor, or the fit itself with the reason why not.

    Source: Patterson & Thompson (1971), Kenward & Roger (1997), by way of `fit_mixed`.
    """
    count = len(np.unique(outcomes.block))
    products = len(fit.products)
    if count < ENOUGH:
        return _kept(fit, f"{count} blocks are too few to take for a sample")
    held = {(int(b), int(k)) for b, k in zip(outcomes.block, outcomes.product, strict=True)}
    if len(held) == count * products:
        return _kept(fit, "every product stands in every block, where both ways come to the same")
    if fit.spread != "pooled" or fit.problem:
        return fit if fit.problem else _kept(fit, "products scatter differently")
    design = np.hstack([np.eye(products)[fit.row], drift.columns])
    try:
        mixed = fit_mixed(outcomes.value, design, [outcomes.block], names=["blocks"], rounding=outcomes.rounding)
    except CannotFit as error:
        return _kept(fit, error.reason)
    if mixed.zero or mixed.left_out:
        return _kept(fit, "there is no sign of block differences")
    each = np.eye(products)
    between = [each[i] - each[j] for i in range(products) for j in range(i)]
    adjusted = mixed.adjusted[:products, :products]
    least = min((mixed.df(np.pad(c, (0, drift.columns.shape[1]))) for c in between), default=float(fit.df))
    known = {name: getattr(fit, name) for name in fit.__dataclass_fields__}
    sd = float(np.sqrt(mixed.variance[-1]))
    known |= {
        "theta": mixed.coefficients[:products],
        "shape": adjusted / mixed.variance[-1],
        "weight": mixed.weight[:products],
        "reach": each,
        "sd": sd,
        "df": max(1, int(least + 1e-9)),
        "variance": np.full(products, sd**2),
        "text": fit.text.replace("fixed blocks", "random blocks"),
        "told": f"{fit.told}; sd between blocks {np.sqrt(mixed.variance[0]):.3g}, between runs {sd:.3g}",
    }
    return MixedFit(**known, mixed=mixed)


def _kept(fit: Fit, why: str) -> Fit:
    return replace(fit, told=f"{fit.told}; kept as fixed blocks: {why}")
