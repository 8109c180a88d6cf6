"""What may be said across results, and a sharper p within one.

Each result is a family of its own at 95 %. A sentence over several, such as "beats the control in 3 of 8 results",
has to pay for having looked at several: Holm's p-values over the primary results do. "Better on every one of them"
needs no payment.

    across        p-values over the primary results, adjusted
    holm          at most one mistaken finding among all, at the level given
    step_up       at most that share of the findings mistaken, on average; for tables alone
    sharper       p of products against one other, each asked only with those not yet told apart
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenbench.compare.radial import joint
from evenbench.compare.simultaneous import factors, tail
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import counted

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Across(Frozen):
    """m primary results, each with the smallest adjusted p of its family.

    results  m names
    p        float64[m] as given; nan where a result has none
    holm     float64[m] adjusted for all m; nan where `p` is
    step_up  float64[m] false discovery rate at which the result would be a finding; nan where `p` is
    """

    results: tuple[str, ...]
    p: Array
    holm: Array
    step_up: Array
    level: float

    @property
    def found(self) -> tuple[str, ...]:
        """Results that show something, all primary results considered together."""
        return tuple(name for name, p in zip(self.results, self.holm.tolist(), strict=True) if p <= 1 - self.level)

    @property
    def expect(self) -> str:
        """How many results would show some difference by chance alone; "" without results.

        >>> across({f"t.r{k}": 0.5 for k in range(8)}).expect
        'with 8 primary results, expect up to 0.4 of them with some false difference'
        """
        count = len(self.results)
        chance = (1 - self.level) * count
        results = counted(count, "primary result")
        return f"with {results}, expect up to {chance:.2g} of them with some false difference" if count else ""


def across(smallest: Mapping[str, float], *, level: float = 0.95) -> Across:
    """Adjust the smallest p of each primary result for having several.

    smallest  primary result -> the smallest adjusted p of its family; nan where it has none. It counts among the
              results all the same: that it would be looked at was settled before its readings were

    >>> a = across({"soak.uptake": 0.004, "soak.rate": 0.03, "peel.force": float("nan")})
    >>> a.holm.round(3).tolist(), a.found
    ([0.012, 0.06, nan], ('soak.uptake',))
    """
    p = np.array(list(smallest.values()), dtype=np.float64)
    blank = np.isnan(p)
    full = np.where(blank, 1.0, p)
    return Across(
        results=tuple(smallest),
        p=p,
        holm=np.where(blank, np.nan, holm(full)),
        step_up=np.where(blank, np.nan, step_up(full)),
        level=level,
    )


def holm(p: ArrayLike) -> Array:
    """Holm's adjusted p-values: any that is small may be called a finding, whatever ties the p-values together.

    Source: Holm (1979), Scand. J. Statist. 6, 65-70.

    >>> holm([0.004, 0.011, 0.02, 0.04, 0.2, 0.6]).round(3).tolist()
    [0.024, 0.055, 0.08, 0.12, 0.4, 0.6]
    """
    values = _checked(p)
    order = np.argsort(values, kind="stable")
    out = np.empty(len(values))
    out[order] = np.minimum(1.0, np.maximum.accumulate(values[order] * np.arange(len(values), 0, -1)))
    return out


def step_up(p: ArrayLike) -> Array:
    """The false discovery rates at which each would be a finding: for tables, never for a claim.

    Holds where the p-values are independent or rise together. Source: Benjamini & Hochberg (1995), J. R. Statist.
    Soc. B 57, 289-300.

    >>> step_up([0.004, 0.011, 0.02, 0.04, 0.2, 0.6]).round(3).tolist()
    [0.024, 0.033, 0.04, 0.06, 0.24, 0.6]
    """
    values = _checked(p)
    order = np.argsort(values, kind="stable")[::-1]
    out = np.empty(len(values))
    scaled = values[order] * len(values) / np.arange(len(values), 0, -1)
    out[order] = np.minimum(1.0, np.minimum.accumulate(scaled))
    return out


def sharper(size: ArrayLike, R: ArrayLike, df: float) -> Array:
    """Adjusted p where each product is asked only together with those that lie no further from the other one.

    size  float64[m] |t| of each product against one other
    R     float64[m, m] correlations of the comparisons
    df    degrees of freedom, the same for all, or `math.inf`

    Never more than the family's own p, and as safe against any mistaken finding. No interval goes with it, so it
    changes neither interval nor word.

    Source: Dunnett & Tamhane (1991), Statist. Med. 10, 939-947, closed testing in steps.

    >>> b = np.sqrt(np.array([3, 3, 15]) / (np.array([3, 3, 15]) + 20))  # groups of 3, 3 and 15 against one of 20
    >>> sharper([1.33019, 4.65565, 1.88372], np.outer(b, b), 37.0).round(4).tolist()
    [0.1916, 0.0001, 0.1273]
    """
    t, correlation = np.abs(np.asarray(size, dtype=np.float64)), np.asarray(R, dtype=np.float64)
    if np.isnan(t).any() or np.isnan(correlation).any():
        raise ValueError(f"size = {t.tolist()}: leave out comparisons that have no t statistic")
    order = np.argsort(-t, kind="stable")
    out = np.empty(len(t))
    least = 0.0
    for place, k in enumerate(order):
        rest = order[place:]
        least = max(least, _tail(float(t[k]), correlation[np.ix_(rest, rest)], df))
        out[k] = least
    return out


def _tail(t: float, R: Array, df: float) -> float:
    b = factors(R)
    if b is not None:
        return float(tail(t, b, df, sides=2))
    return joint(R, df, sides=2).tail(t)[0]


def _checked(p: ArrayLike) -> Array:
    values = np.asarray(p, dtype=np.float64)
    if values.ndim != 1 or not np.all((values >= 0) & (values <= 1)):
        raise ValueError(f"p = {values.tolist()}: give a list of probabilities, each from 0 to 1")
    return values
