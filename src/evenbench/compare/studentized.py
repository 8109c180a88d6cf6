"""How far apart chance alone carries the farthest two of several products: the studentized range, exactly.

Where every difference between two products is equally well known, the largest of all the differences has a distribution
with no free correlation left: a double integral over where the lowest product lies and over the estimated spread. Both
integrands die off at both ends, so the plain trapezoid rule gains digits geometrically as its step shrinks.

Products that never ran in connected blocks fall into groups; only pairs within a group are compared, and groups share
nothing but the spread.

    tail      P(some pair's |T| > c): the p-values of all pairs
    constant  the c that is passed with probability 1 - level

Sources: Newman (1939), Biometrika 31, 20-30, and Harter (1960), Ann. Math. Statist. 31, 1122-1147, for the range;
Trefethen & Weideman (2014), SIAM Review 56, 385-458, for the trapezoid rule.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

# Throughout this module, none with a unit:
#   sizes  how many products each group has, 2 or more      T  t statistics of pairs: normal(0, 1) over s
#   df     degrees of freedom of s; may be infinite         s  estimated over true standard deviation
#   c      the limit that T is held to                      w  a range: c * s * sqrt(2)

Array = NDArray[np.float64]

Z = np.arange(-20.0, 9.0, 0.15)  # where the lowest product lies; ranges beyond 40 are as good as impossible
LOG_W = (-14.0, 3.7)
STEP, STEP_BY_DF = 0.06, 0.6  # of log w: the density of log s is about 1 / sqrt(2 df) wide, and no step may skip it
LAST = 1 - 2.0**-53
ROUNDS = 60


def tail(c: ArrayLike, sizes: tuple[int, ...], df: ArrayLike) -> Array:
    """Chance that some pair lies further apart than c standard errors when no two products differ.

    c      limits on the t scale: the studentized range over the square root of 2
    sizes  products in each group, 2 or more
    df     of each limit, 0.5 or more; one for all, or of the shape of c

    Right to 1e-9.

    >>> [round(float(p), 7) for p in tail([3.5, 3.66040], (14,), 28.0)]  # 14 means, 28 df
    [0.0714027, 0.0500003]
    """
    limit, freedom = np.broadcast_arrays(np.asarray(c, dtype=np.float64), np.asarray(df, dtype=np.float64))
    if sizes == (2,):
        return np.asarray(np.where(np.isinf(freedom), 2 * special.ndtr(-limit), 2 * special.stdtr(freedom, -limit)))
    w = np.sqrt(2.0) * np.maximum(limit.ravel(), 1e-6)
    flat = freedom.ravel()
    out = np.empty(w.shape)
    known = np.isinf(flat)
    if known.any():
        out[known] = _passed(w[known], sizes)
    if not known.all():
        own = flat[~known]
        nodes, passed, step = _lattice(sizes, float(2.0 ** np.ceil(np.log2(own.max()))))
        out[~known] = _over_spread(np.log(w[~known]), own, nodes, passed, step)
    return np.clip(out, 0.0, 1.0).reshape(limit.shape)


def constant(sizes: tuple[int, ...], df: ArrayLike, level: float) -> Array:
    """How many standard errors each interval must reach for all pairs to hold together.

    Takes sizes and df as `tail` does, and gives one constant for each df.

    >>> round(float(constant((5,), 10.0, 0.95)) * 2**0.5, 2)  # the studentized range of five on 10 df
    4.65
    """
    freedom = np.asarray(df, dtype=np.float64)
    pairs = sum(n * (n - 1) // 2 for n in sizes)
    return crossing(lambda c: tail(c, sizes, freedom), freedom, pairs, 1 - level)


def crossing(passed: Callable[[Array], Array], df: Array, count: int, share: float) -> Array:
    """Where falling tails cross `share`: between the t point of one contrast and Šidák's of `count`.

    df  one for each tail

    By false position in logarithms, where tails are nearly straight, on all at once; an end that stays twice has its
    height halved (Dowell & Jarratt 1971, BIT 11, 168-174).
    """
    low, high = t_point(share, df), t_point(-np.expm1(np.log1p(-share) / count), df)
    if count == 1:
        return low

    def height(c: Array) -> Array:
        return np.asarray(np.log(np.maximum(passed(c), 1e-300) / share))

    at_low, at_high = height(low), height(high)
    # Where a tail crosses at an end but for rounding, the end it is.
    low, high = np.where(at_high >= 0, high, low), np.where(at_low <= 0, low, high)
    moved = np.zeros(low.shape)
    middle = low
    for _ in range(ROUNDS):
        span = at_low - at_high
        share_of = np.where(span > 0, at_low / np.where(span > 0, span, 1.0), 0.5)
        middle = low + np.clip(share_of, 0.0, 1.0) * (high - low)
        here = height(middle)
        up = here > 0
        at_high = np.where(up & (moved > 0), at_high / 2, np.where(up, at_high, here))
        at_low = np.where(~up & (moved < 0), at_low / 2, np.where(up, here, at_low))
        low, high = np.where(up, middle, low), np.where(up, high, middle)
        moved = np.where(up, 1.0, -1.0)
        if np.all((np.abs(here) < 1e-12) | (high - low <= 1e-13 * high)):
            break
    return np.asarray(middle, dtype=np.float64)


def t_point(share: ArrayLike, df: ArrayLike) -> Array:
    """The limit that one |T| passes with a probability, at each df."""
    half, freedom = np.broadcast_arrays(np.asarray(share) / 2, np.asarray(df, dtype=np.float64))
    finite = np.where(np.isinf(freedom), 1.0, freedom)
    return np.asarray(np.where(np.isinf(freedom), -special.ndtri(half), -special.stdtrit(finite, half)))


def _over_spread(log_w: Array, df: Array, nodes: Array, passed: Array, step: float) -> Array:
    """The chances of passing at given s, averaged over s."""
    log_s = nodes[:, None] - log_w
    half = df / 2
    peak = np.log(2) + half * np.log(half) - half - special.gammaln(half)
    with np.errstate(over="ignore", under="ignore"):
        density = np.exp(peak + df * (log_s - np.expm1(2 * log_s) / 2))
        below = special.gammainc(half, half * np.exp(2 * (log_s[0] - step / 2)))  # where w is as good as 0
    return np.asarray(step * (passed @ density) + below, dtype=np.float64)


@lru_cache(maxsize=32)
def _lattice(sizes: tuple[int, ...], most: float) -> tuple[Array, Array, float]:
    """Nodes for log w, the chance that some group's range passes each, and their step, for df up to `most`."""
    step = min(STEP, STEP_BY_DF / float(np.sqrt(2 * most)))
    nodes = np.arange(LOG_W[0], LOG_W[1], step)
    return nodes, _passed(np.exp(nodes), sizes), step


def _passed(w: Array, sizes: tuple[int, ...]) -> Array:
    """Chance that the range of some group passes w when the spread is known."""
    log_above = special.log_ndtr(-Z)
    within = np.zeros(w.shape)
    for part in np.array_split(np.arange(w.size), max(1, w.size * Z.size // 2**18)):
        # Given that the lowest lies at z, r is the chance that another one, above it, lies more than w above it.
        r = np.minimum(np.exp(special.log_ndtr(-(Z + w[part, None])) - log_above), LAST)
        for n in set(sizes):
            weight = np.exp(-Z * Z / 2 + (n - 1) * log_above)
            passed = -np.expm1((n - 1) * np.log1p(-r)) @ (weight / weight.sum())
            # Sums of log1p and then expm1, never 1 - product: small tails keep all their digits.
            within[part] += sizes.count(n) * np.log1p(-np.minimum(passed, LAST))
    return np.asarray(-np.expm1(within), dtype=np.float64)
