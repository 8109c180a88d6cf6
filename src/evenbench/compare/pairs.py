"""Every product against every other, all pairs considered together.

What a reader needs where the question is not "better than the control?" but "which of these?". One interval per
pair; its word, the sets too close to call and the places a product could take all follow from it.

    all_pairs   the pairs of one fitted result
    family_of   the constants of all pairs for any levels with a covariance: scores, for one

Throughout: K products, m = K (K - 1) / 2 pairs, pair by pair (0, 1), (0, 2), ... (K - 2, K - 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from evenbench.compare.against import sidak
from evenbench.compare.fit import NO_SPREAD, Fit
from evenbench.compare.radial import POINTS, SHIFTS, _directions
from evenbench.compare.scale import published
from evenbench.compare.sets import place_intervals, too_close
from evenbench.compare.studentized import constant, crossing, tail
from evenbench.compare.verdict import Verdict, benefit_verdict
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import counted
from evenbench.study.model import Result

Array = NDArray[np.float64]

MOST = 30  # products whose pairs are listed: 435 of them
ENOUGH = 6  # runs from which products' own spreads bear the studentized range
ALIKE = 1e-9  # variances closer than this, as a share, are one
BINS = 48  # of the logarithm of how far the farthest pair lies
TOO_MANY = f"the pairs of more than {MOST} products are not listed"
ONE_ALONE = "there is no pair"
NO_PAIR = "no two of these products can be compared"
LEAST_DF = 0.5  # below half a degree of freedom the studentized range is not worked out


@dataclass(frozen=True, kw_only=True, eq=False)
class Pairs(Frozen):
    """All pairs of K products on one result; effects are first - second, as measured, not turned.

    products       K ids
    level_of       float64[K] on the scale of comparison, turned so that more is better
    first, second  int64[m] places among the products
    effect         float64[m] in the result's unit, or the ratio of the two (of their odds) where it is compared by
                   ratios; nan where it cannot be estimated
    low, high      float64[m] interval; all of them hold together
    p              float64[m] adjusted for all pairs
    verdict        m words for the first against the second; None where a pair is not judged
    apart          int64[m] +1 where the first is shown to be better, -1 where the second is, else 0; 0 throughout
                   where no way is better
    constants      float64[m] standard errors to each side
    why            m reasons where something is missing, else ""
    method         how the constants were found, for the method note
    unranked       why products have no order on this result; "" where they have
    """

    products: tuple[str, ...]
    level_of: Array
    first: NDArray[np.int64]
    second: NDArray[np.int64]
    effect: Array
    low: Array
    high: Array
    p: Array
    verdict: tuple[Verdict | None, ...]
    apart: NDArray[np.int64]
    constants: Array
    why: tuple[str, ...]
    method: str
    unranked: str
    level: float

    @property
    def beats(self) -> NDArray[np.bool_]:
        """bool[K, K]: whether the product of the row is shown to be better than that of the column."""
        count = len(self.products)
        out = np.zeros((count, count), dtype=np.bool_)
        out[self.first, self.second] = self.apart > 0
        out[self.second, self.first] = self.apart < 0
        return out

    @property
    def sets(self) -> tuple[tuple[str, ...], ...]:
        """The fewest sets of ids that show every two which were not told apart; one alone was told apart from all.

        Best first; none where products have no order.
        """
        if self.unranked and self.unranked != ONE_ALONE:
            return ()
        return tuple(tuple(self.products[k] for k in members) for members in too_close(self.beats, self.level_of))

    @property
    def close(self) -> tuple[tuple[str, ...], ...]:
        """Sets too close to call: those of two products or more."""
        return tuple(members for members in self.sets if len(members) > 1)

    @property
    def places(self) -> NDArray[np.int64] | None:
        """int64[K, 2]: the best and the worst place each product could take; None where products have no order."""
        return None if self.unranked and self.unranked != ONE_ALONE else place_intervals(self.beats)

    def word(self, a: str, b: str) -> Verdict | None:
        """The word for `a` against `b`: the cell of a square grid. None for a product against itself.

        Raises ValueError where either is not among the products.
        """
        i, j = self.products.index(a), self.products.index(b)
        if i == j:
            return None
        row = np.flatnonzero((self.first == min(i, j)) & (self.second == max(i, j)))[0]
        word = self.verdict[int(row)]
        return word if i < j or word is None else _TURNED.get(word, word)


_TURNED: dict[Verdict, Verdict] = {"better": "worse", "worse": "better"}


def all_pairs(
    fit: Fit, result: Result, products: tuple[str, ...], *, matters: float | None, level: float = 0.95
) -> Pairs:
    """Compare every two of `products`, which have levels in `fit`.

    fit      on the scale of comparison
    matters  smallest difference that matters, on the scale of comparison; None where there is none

    One spread: exact where every difference is equally well known (the studentized range), by a sum over directions
    where not. A spread for each product: the studentized range at each pair's own degrees of freedom where every
    product has ENOUGH runs, else Šidák's points there.

    Words are those of a benefit, for a risk too: between two products there is no harm to be shown, only more or less
    of it. Where nothing is better than being like another product, pairs have no words.

    Source: Tukey's and Kramer's intervals in Hsu (1996), Multiple Comparisons, chapter 5; Games & Howell (1976),
    J. Educ. Statist. 1, 113-125, for spreads that differ.
    """
    rows = np.array([fit.index(p) for p in products], dtype=np.int64)
    first, second = (x.astype(np.int64) for x in np.triu_indices(len(products), 1))
    contrasts = np.zeros((len(first), len(fit.products)))
    contrasts[np.arange(len(first)), rows[first]] = 1
    contrasts[np.arange(len(first)), rows[second]] = -1
    known = fit.can_estimate(contrasts) if len(first) else np.zeros(0, dtype=np.bool_)
    effect = np.where(known, contrasts @ fit.theta, np.nan)
    between = fit.between
    error = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", contrasts, between, contrasts), 0.0))
    blank = np.full(len(first), np.nan)
    low, high, p, c, method = blank.copy(), blank.copy(), blank.copy(), blank.copy(), ""
    problem = fit.problem or (TOO_MANY if len(products) > MOST else "")
    # The layout comes first: no run more of either would show a difference that blocks hide.
    why = ["" if yes else "these two never ran in connected blocks" for yes in known.tolist()]
    why = [reason or problem for reason in why]
    if not problem:
        why = [reason or ("" if e > 0 else NO_SPREAD) for reason, e in zip(why, error.tolist(), strict=True)]
    kept = np.flatnonzero([not reason for reason in why])
    if len(kept):
        size = np.abs(effect[kept]) / error[kept]
        c[kept], p[kept], method = _constants(fit, rows, contrasts[kept], known, size, level)
        low[kept], high[kept] = effect[kept] - c[kept] * error[kept], effect[kept] + c[kept] * error[kept]
    unranked = _unranked(result, why)
    turned = (low, high) if result.sign > 0 else (-high, -low)
    apart = np.zeros(len(first)) if unranked else np.where(turned[0] > 0, 1, np.where(turned[1] < 0, -1, 0))
    judged = result.kind != "info" and not result.like
    return Pairs(
        products=products,
        level_of=result.sign * fit.theta[rows],
        first=first,
        second=second,
        effect=published(result, effect),
        low=published(result, low),
        high=published(result, high),
        p=p,
        verdict=tuple(
            benefit_verdict(lo, hi, matters) if judged else None
            for lo, hi in zip(turned[0].tolist(), turned[1].tolist(), strict=True)
        ),
        apart=apart.astype(np.int64),
        constants=c,
        why=tuple(why),
        method=method,
        unranked=unranked,
        level=level,
    )


def _unranked(result: Result, why: Sequence[str]) -> str:
    if result.kind == "info":
        return "an info result is not judged"
    if result.like:
        return f"nothing is better than being like {result.like}"
    if not why:
        return ONE_ALONE
    return "" if not all(why) else NO_PAIR if len(set(why)) > 1 else why[0]


def _constants(
    fit: Fit, rows: NDArray[np.int64], contrasts: Array, known: NDArray[np.bool_], size: Array, level: float
) -> tuple[Array, Array, str]:
    """Constants, adjusted p and method of the pairs that have an interval; `size` is |t|."""
    count = int(known.sum())
    df = np.array([fit.df_of(contrast) for contrast in contrasts])
    together = f"{counted(count, 'pair')} together, {_on(df)}"
    groups = _groups(len(rows), known)
    sizes = tuple(len(group) for group in groups)
    alone = not fit.in_part.any() and df.min() >= LEAST_DF
    if fit.spread == "unequal" and alone and fit.count[rows].min() >= ENOUGH:
        how = f"the studentized range by Games and Howell, for {together}"
        return constant(sizes, df, level), tail(size, sizes, df), how
    # Errors that only some runs share are known, and not estimated from these runs: t is then no ratio with one spread.
    if not fit.one_df or not alone:
        return sidak(level, df, count, 2), _sidak_p(size, df, count), f"Šidák's t points for {together}"
    family = _family([fit.covariance[np.ix_(rows[group], rows[group])] for group in groups])
    each, which = np.unique(df, return_inverse=True)
    found = family.constant(each, level)
    how = "exact (the studentized range)"
    if family.far is not None:
        missed = family.error(float(found[0]), float(each[0]))
        how = f"a sum over directions, good to {missed:.1g} in probability,"
    return found[which], family.tail(size, df), f"{how} for {together}"


def _on(df: Array) -> str:
    least, most = (f"{x:.3g}" for x in (df.min(), df.max()))
    if least != most:
        return f"t on {least} to {most} degrees of freedom, each its own"
    if float(df[0]).is_integer():
        return f"t on {counted(int(df[0]), 'degree of freedom', 'degrees of freedom')}"
    return f"t on {least} degrees of freedom"


def _sidak_p(size: Array, df: Array, count: int) -> Array:
    alone = np.minimum(2 * special.stdtr(df, -size), 1 - 2**-53)
    return np.asarray(-np.expm1(count * np.log1p(-alone)), dtype=np.float64)


def _groups(count: int, known: NDArray[np.bool_]) -> list[list[int]]:
    """Places of products that can be compared with one another, two or more to a group."""
    together = np.eye(count, dtype=np.bool_)
    together[np.triu_indices(count, 1)] = known
    together |= together.T
    groups = {tuple(np.flatnonzero(row).tolist()) for row in together}
    return [list(group) for group in sorted(groups) if len(group) > 1]


@dataclass(frozen=True, kw_only=True, eq=False)
class PairFamily(Frozen):
    """All pairs within groups of products, ready to be asked at any degrees of freedom.

    sizes  how many products each group has
    far    float64[SHIFTS, POINTS] where the farthest pair lies in each direction, per unit of length; None where
           every difference is equally well known, so that the answers are exact
    near   the same if every difference were equally well known: that answer is exact, and only what far adds to near
           is taken from the directions
    far_nodes, near_nodes  both in a few places, with their weights
    """

    sizes: tuple[int, ...]
    far: Array | None = None
    near: Array | None = None
    far_nodes: tuple[Array, Array] | None = None
    near_nodes: tuple[Array, Array] | None = None

    @property
    def count(self) -> int:
        """How many pairs there are."""
        return sum(n * (n - 1) // 2 for n in self.sizes)

    @property
    def rank(self) -> int:
        """How many independent differences there are."""
        return sum(self.sizes) - len(self.sizes)

    def tail(self, c: ArrayLike, df: ArrayLike) -> Array:
        """Chance that some pair passes c; df is one, or one for each c."""
        limit, freedom = np.broadcast_arrays(np.asarray(c, dtype=np.float64), np.asarray(df, dtype=np.float64))
        exact = tail(limit, self.sizes, freedom)
        if self.far_nodes is None or self.near_nodes is None:
            return exact
        flat, own = np.maximum(limit.ravel(), 0.0)[:, None], freedom.ravel()[:, None]
        (far, far_weight), (near, near_weight) = self.far_nodes, self.near_nodes
        added = _reached(flat / far, own, self.rank) @ far_weight - _reached(flat / near, own, self.rank) @ near_weight
        found = exact + added.reshape(limit.shape)
        # Never less than the chance of one pair alone, never more than of as many that share no error at all.
        alone = np.minimum(_t_tail(limit, freedom), 1 - 2**-53)
        return np.asarray(np.clip(found, alone, -np.expm1(self.count * np.log1p(-alone))), dtype=np.float64)

    def constant(self, df: ArrayLike, level: float) -> Array:
        """The c that is passed with probability 1 - level, for each df."""
        freedom = np.asarray(df, dtype=np.float64)
        if self.far is None:
            return constant(self.sizes, freedom, level)
        return crossing(lambda c: self.tail(c, freedom), freedom, self.count, 1 - level)

    def error(self, c: float, df: float) -> float:
        """Standard error of the chance of passing c."""
        if self.far is None or self.near is None:
            return 0.0
        freedom = np.array(df, dtype=np.float64)
        shifts = (_reached(c / self.far, freedom, self.rank) - _reached(c / self.near, freedom, self.rank)).mean(axis=1)
        return float(shifts.std(ddof=1) / np.sqrt(SHIFTS))


def family_of(covariance: Array) -> PairFamily:
    """The family of all pairs of two or more levels whose every difference can be estimated.

    covariance  float64[K, K] of the levels; only the variances of differences count

    >>> c = family_of(np.eye(4) * 0.12).constant(8.0, 0.95)
    >>> round(float(c) * (2 * 0.12) ** 0.5, 5)  # half-width: means of 3 runs with variance 0.36
    1.56883
    """
    return _family([np.asarray(covariance, dtype=np.float64)])


def _family(covariances: list[Array]) -> PairFamily:
    """The family of all pairs within each group, groups sharing nothing."""
    sizes = tuple(len(covariance) for covariance in covariances)
    spreads = [_spread(covariance) for covariance in covariances]
    if all(_one(spread) for spread in spreads):
        return PairFamily(sizes=sizes)
    u = _directions(sum(sizes) - len(sizes)).reshape(SHIFTS * POINTS, -1)
    far, near = np.zeros(len(u)), np.zeros(len(u))
    start = 0
    for covariance in covariances:
        here = u[:, start : start + len(covariance) - 1].T
        start += len(covariance) - 1
        # An order that belongs to the levels and not to the study file: figures then do not hang on it.
        spread = _spread(covariance)
        order = np.lexsort((np.sort(spread, axis=1)[:, -1].round(12), (spread.sum(axis=1) / spread.sum()).round(12)))
        levels, weight = _basis(covariance[np.ix_(order, order)])
        far = np.maximum(far, _farthest(levels @ here, weight))
        alike = _even_basis(len(covariance)) @ here
        near = np.maximum(near, (alike.max(axis=0) - alike.min(axis=0)) / np.sqrt(2.0))
    return PairFamily(
        sizes=sizes,
        far=far.reshape(SHIFTS, POINTS),
        near=near.reshape(SHIFTS, POINTS),
        far_nodes=_nodes(far),
        near_nodes=_nodes(near),
    )


def _spread(covariance: Array) -> Array:
    """float64[K, K] variances of differences."""
    own = np.diag(covariance)
    return np.asarray(own[:, None] + own - 2 * covariance, dtype=np.float64)


def _one(spread: Array) -> bool:
    """Whether all differences have one variance."""
    off = spread[np.triu_indices(len(spread), 1)]
    return bool(off.max() - off.min() <= ALIKE * off.max())


def _even_basis(count: int) -> Array:
    """float64[K, K - 1] whose columns are of length 1, at right angles to each other and to (1, ..., 1)."""
    basis = np.zeros((count, count - 1))
    for k in range(1, count):
        basis[:k, k - 1], basis[k, k - 1] = -1.0, k
    return np.asarray(basis / np.linalg.norm(basis, axis=0), dtype=np.float64)


def _basis(covariance: Array) -> tuple[Array, Array]:
    """Levels as sums of K - 1 independent normal variables, and one over the standard errors of their differences."""
    even = _even_basis(len(covariance))
    inner = even.T @ covariance @ even
    value, vector = np.linalg.eigh(inner)
    root = (vector * np.sqrt(np.maximum(value, 0.0))) @ vector.T
    spread = _spread(covariance)
    weight = np.zeros(spread.shape)
    off = spread > ALIKE * spread.max()  # two levels that cannot differ never do
    weight[off] = 1 / np.sqrt(spread[off])
    return even @ root, weight


def _farthest(levels: Array, weight: Array) -> Array:
    """How many standard errors the farthest pair lies apart, for each column of levels."""
    out = np.zeros(levels.shape[1])
    for part in range(0, levels.shape[1], 1024):  # so that what is worked on stays in the processor's cache
        here = levels[:, part : part + 1024]
        most = out[part : part + 1024]
        for i in range(1, len(here)):
            gap = here[:i] - here[i]
            np.abs(gap, out=gap)
            gap *= weight[i, :i, None]
            np.maximum(most, gap.max(axis=0), out=most)
    return out


def _nodes(far: Array) -> tuple[Array, Array]:
    """A few hundred places and weights that stand for all directions: two to a bin, with its mean and deviation.

    The chance of a length is smooth in log(far), and the error falls with the fourth power of a bin's width.
    """
    x = np.log(far)
    low, high = float(x.min()), float(x.max())
    bin_of = np.minimum(((x - low) / (high - low) * BINS).astype(np.int64), BINS - 1)
    count = np.bincount(bin_of, minlength=BINS)
    kept = count > 0
    mean = np.bincount(bin_of, x, minlength=BINS)[kept] / count[kept]
    place = np.cumsum(kept)[bin_of] - 1
    sd = np.sqrt(np.bincount(place, (x - mean[place]) ** 2) / count[kept])
    weight = count[kept] / len(x) / 2
    return np.exp(np.concatenate([mean - sd, mean + sd])), np.concatenate([weight, weight])


def _reached(needed: Array, df: Array, rank: int) -> Array:
    """Chance that a random length in so many dimensions, over s, is more than is needed."""
    finite = np.where(np.isinf(df), 1.0, df)
    square = needed**2
    passed = special.betainc(finite / 2, rank / 2, finite / (finite + square))
    if np.isinf(df).any():
        passed = np.where(np.isinf(df), special.gammaincc(rank / 2, square / 2), passed)
    return np.asarray(passed, dtype=np.float64)


def _t_tail(c: Array, df: Array) -> Array:
    finite = np.where(np.isinf(df), 1.0, df)
    return np.asarray(np.where(np.isinf(df), 2 * special.ndtr(-c), 2 * special.stdtr(finite, -c)), dtype=np.float64)
