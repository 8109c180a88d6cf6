"""Products against a reference: a family of its own, fitted with all the others of the result."""

from __future__ import annotations

import numpy as np

from evenbench.compare.against import Family
from evenbench.compare.comparison import Comparison
from evenbench.compare.nearness import versus


def family_with(comparison: Comparison, other: str, members: tuple[str, ...]) -> Family | None:
    """`members` against `other` as one family, from the fit of the result; None where nothing was fitted.

    Members that were not fitted are left out; None, too, where `other` was not, or no member was.
    """
    fit = comparison.fit
    if fit is None or other not in fit.products:
        return None
    kept = tuple(m for m in members if m in fit.products and m != other)
    if not kept:
        return None
    return versus(fit, comparison.result, other, kept, matters=comparison.matters, level=comparison.level)


def turned(comparison: Comparison, family: Family, k: int) -> tuple[float, float]:
    """The interval of one member on the scale of comparison, turned so that more is better."""
    low, high = float(family.low[k]), float(family.high[k])
    if comparison.result.scale != "raw":
        low, high = float(np.log(low)), float(np.log(high))
    return (low, high) if comparison.result.sign > 0 else (-high, -low)
