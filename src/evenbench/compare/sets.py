"""Which products the data cannot part, and which places each could take.

Both are read from one thing: which product is shown to be better than which (`Pairs.beats`). To share a set says
that no two of its products were told apart. It does not say that they are equal.

Throughout: K products.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NODES = 100_000  # branches gone through in search of the fewest sets; past them the first found stand
MANY = 2_000  # sets to choose from, past which no search is begun
SHOWN = 6  # sets that a reader can take in; with more, the grid of pairs says it better


def too_close(beats: NDArray[np.bool_], level_of: Array) -> tuple[tuple[int, ...], ...]:
    """The fewest sets of products that say of every two whether they were told apart: they share a set, or they were.

    beats     bool[K, K] whether the product of the row is shown to be better than that of the column
    level_of  float64[K], turned so that more is better: it orders products within sets, and sets. Any level that is
              not known comes last, and equals keep the order they are given in

    Gives places of products. A product told apart from all others is a set of its own. The fewest are found wherever
    trying NODES branches finds them; past that, few.

    Source: Piepho (2004), J. Comput. Graph. Stat. 13, 456-466; Gramm et al. (2007), Comput. Stat. Data Anal. 52,
    725-738, for covering pairs by the fewest sets; Bron & Kerbosch (1973), Commun. ACM 16, 575-577, for the largest
    sets.

    >>> means = np.array([5.0, 4.0, 3.0])
    >>> first_beats_last = np.zeros((3, 3), dtype=bool)
    >>> first_beats_last[0, 2] = True
    >>> too_close(first_beats_last, means)
    ((0, 1), (1, 2))
    """
    count = len(level_of)
    if not count:
        return ()
    order = np.argsort(-np.nan_to_num(level_of, nan=-np.inf), kind="stable")
    # From here on products are their places in this order, and sets of them the bits of a whole number.
    close = ~(beats | beats.T)[np.ix_(order, order)]
    near = [sum(1 << j for j in range(count) if j != i and close[i, j]) for i in range(count)]
    largest = sorted(_members(found) for found in _largest(near))
    chosen = sorted(largest[n] for n in _fewest(largest))
    return tuple(tuple(int(order[k]) for k in members) for members in chosen)


def place_intervals(beats: NDArray[np.bool_]) -> NDArray[np.int64]:
    """int64[K, 2]: the best and the worst place that each product could take.

    beats  bool[K, K] whether the product of the row is shown to be better than that of the column, all pairs together

    All intervals hold together where the pairs do.

    Source: Mogstad, Romano, Shaikh & Wilhelm (2024), Rev. Econ. Stud. 91, 476-518.

    >>> place_intervals(np.array([[False, True], [False, False]])).tolist(), place_intervals(np.eye(2) > 1).tolist()
    ([[1, 1], [2, 2]], [[1, 2], [1, 2]])
    """
    count = len(beats)
    return np.stack([1 + beats.sum(axis=0), count - beats.sum(axis=1)], axis=1).astype(np.int64)


def _largest(near: list[int]) -> Iterator[int]:
    """Every set of products near one another to which no product can be added, as bits."""
    stack = [(0, (1 << len(near)) - 1, 0)]
    while stack:
        chosen, may_join, done = stack.pop()
        if not may_join:
            if not done:
                yield chosen
            continue
        # Products near the one that is near most can wait: a set without it holds one that is not near it.
        middle = max(_members(may_join | done), key=lambda k: (may_join & near[k]).bit_count())
        for k in _members(may_join & ~near[middle]):
            stack.append((chosen | 1 << k, may_join & near[k], done & near[k]))
            may_join &= ~(1 << k)
            done |= 1 << k


def _members(bits: int) -> tuple[int, ...]:
    out = []
    while bits:
        out.append((bits & -bits).bit_length() - 1)
        bits &= bits - 1
    return tuple(out)


def _fewest(sets: list[tuple[int, ...]]) -> list[int]:
    """Places of the fewest sets that hold every pair which any set holds; of as few, those found first."""
    holders: dict[tuple[int, int], list[int]] = {}
    for n, members in enumerate(sets):
        for i in members:
            for j in members:
                if i <= j:  # a product with itself too: one told apart from all others has a set of its own
                    holders.setdefault((i, j), []).append(n)
    number = {pair: bit for bit, pair in enumerate(sorted(holders, key=lambda pair: (len(holders[pair]), pair)))}
    pairs_of = [0] * len(sets)
    for pair, who in holders.items():
        for n in who:
            pairs_of[n] |= 1 << number[pair]
    by_bit = [holders[pair] for pair in number]
    needed = sorted({who[0] for who in by_bit if len(who) == 1})
    left = (1 << len(by_bit)) - 1
    for n in needed:
        left &= ~pairs_of[n]
    rest = _greedy(left, pairs_of, by_bit)
    if len(sets) <= MANY:
        rest = _searched(left, pairs_of, by_bit, rest)
    return needed + rest


def _greedy(left: int, pairs_of: list[int], by_bit: list[list[int]]) -> list[int]:
    """Of the sets that hold the pair with fewest sets, the one that holds most pairs, and again."""
    out = []
    while left:
        who = by_bit[(left & -left).bit_length() - 1]
        n = max(who, key=lambda n: ((pairs_of[n] & left).bit_count(), -n))
        out.append(n)
        left &= ~pairs_of[n]
    return out


def _searched(left: int, pairs_of: list[int], by_bit: list[list[int]], best: list[int]) -> list[int]:
    """Fewer sets than `best`, if there are: branch on the pair that fewest sets hold."""
    stack: list[tuple[int, tuple[int, ...]]] = [(left, ())]
    most = max((pairs & left).bit_count() for pairs in pairs_of)  # no set holds more of what is left
    for _ in range(NODES):
        if not stack:
            break
        left, chosen = stack.pop()
        if not left:
            if len(chosen) < len(best):
                best = list(chosen)
            continue
        if len(chosen) + -(-left.bit_count() // most) >= len(best):
            continue
        who = by_bit[(left & -left).bit_length() - 1]
        gains = sorted(((pairs_of[n] & left).bit_count(), -n) for n in who)
        stack.extend((left & ~pairs_of[-n], (*chosen, -n)) for _, n in gains)
    return best
