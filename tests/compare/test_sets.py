"""Sets too close to call, and the places a product could take."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evenbench.compare.sets import place_intervals, too_close

Bools = NDArray[np.bool_]


def beats_of(pairs: str, count: int) -> Bools:
    """Which of so many products, best first, beats which: "13 24" says that 1 beats 3 and 2 beats 4."""
    out = np.zeros((count, count), dtype=np.bool_)
    for pair in pairs.split():
        out[int(pair[0]) - 1, int(pair[1]) - 1] = True
    return out


# Five means from best to worst; engine specification, section 5.3.
PATTERNS = [
    pytest.param("13 14 15 24 25 35", ((0, 1), (1, 2), (2, 3), (3, 4)), id="steps"),
    pytest.param("", ((0, 1, 2, 3, 4),), id="none-apart"),
    pytest.param("12 13 14 15 23 24 25 34 35 45", ((0,), (1,), (2,), (3,), (4,)), id="all-apart"),
]


@pytest.mark.parametrize(("pairs", "sets"), PATTERNS)
def test_patterns_of_five(pairs: str, sets: tuple[tuple[int, ...], ...]) -> None:
    assert too_close(beats_of(pairs, 5), np.arange(5.0, 0.0, -1.0)) == sets


def shared(sets: tuple[tuple[int, ...], ...], count: int) -> Bools:
    out = np.zeros((count, count), dtype=np.bool_)
    for members in sets:
        out[np.ix_(members, members)] = True
    return out


def test_two_share_a_set_where_and_only_where_they_were_not_told_apart() -> None:
    """1000 random patterns, 14 products in half of them; whichever of two was ahead, seed 53."""
    generator = np.random.default_rng(53)
    for n in range(1000):
        count = 14 if n % 2 else int(generator.integers(1, 19))
        apart = np.triu(generator.uniform(size=(count, count)) < generator.uniform(), 1)
        turned = generator.uniform(size=(count, count)) < 0.5
        beats = (apart & turned) | (apart & ~turned).T
        sets = too_close(beats, generator.normal(size=count))
        assert (shared(sets, count) == ~(apart | apart.T)).all()


@given(st.integers(1, 6), st.integers(0, 2**15 - 1))
@settings(deadline=None, max_examples=150)
def test_no_fewer_sets_would_do(count: int, bits: int) -> None:
    """Against every choice of sets of up to six products, by trying them all."""
    beats = np.zeros((count, count), dtype=np.bool_)
    for n, (i, j) in enumerate(combinations(range(count), 2)):
        beats[i, j] = bits >> n & 1
    close = ~(beats | beats.T)
    sets = too_close(beats, -np.arange(float(count)))
    cliques = [
        members
        for size in range(1, count + 1)
        for members in combinations(range(count), size)
        if close[np.ix_(members, members)].all()
    ]
    largest = [c for c in cliques if not any(set(c) < set(other) for other in cliques)]
    for fewer in range(1, len(sets)):
        assert not any((shared(some, count) == close).all() for some in combinations(largest, fewer))
    assert set(sets) <= set(largest)


def test_sets_and_their_members_go_by_level() -> None:
    """Best first, whatever the order products are listed in, and unknown levels last."""
    level = np.array([1.0, 5.0, np.nan, 3.0])
    beats = np.zeros((4, 4), dtype=np.bool_)
    beats[1, 0] = True  # the best beats the worst of those that have a level
    assert too_close(beats, level) == ((1, 3, 2), (3, 0, 2))


@given(st.permutations(range(8)), st.integers(0, 2**28 - 1))
@settings(deadline=None, max_examples=60)
def test_the_order_of_products_does_not_matter(order: list[int], bits: int) -> None:
    beats = np.zeros((8, 8), dtype=np.bool_)
    for n, (i, j) in enumerate(combinations(range(8), 2)):
        beats[i, j] = bits >> n & 1
    level = -np.arange(8.0)
    moved = too_close(beats[np.ix_(order, order)], level[order])
    assert tuple(tuple(order[k] for k in members) for members in moved) == too_close(beats, level)


def test_thirty_products_that_clump_in_threes() -> None:
    """The pattern with the most largest sets, 59,049 of them, still ends with a cover that is right."""
    beats = np.zeros((30, 30), dtype=np.bool_)
    for first in range(0, 30, 3):
        beats[first, first + 1] = beats[first, first + 2] = beats[first + 1, first + 2] = True
    sets = too_close(beats, -np.arange(30.0))
    assert (shared(sets, 30) == ~(beats | beats.T)).all()


def test_nothing_to_place() -> None:
    assert too_close(np.zeros((0, 0), dtype=np.bool_), np.zeros(0)) == ()
    assert place_intervals(np.zeros((0, 0), dtype=np.bool_)).shape == (0, 2)
    assert place_intervals(np.zeros((1, 1), dtype=np.bool_)).tolist() == [[1, 1]]


@given(st.lists(st.floats(-3, 3), min_size=2, max_size=9), st.floats(0, 3))
@settings(deadline=None, max_examples=60)
def test_true_places_lie_within(levels: list[float], needed: float) -> None:
    """Where every pair said to be apart is so in truth, every true place lies within its interval."""
    truth = np.array(levels)
    beats = truth[:, None] - truth > needed
    true_place = 1 + np.array([(truth > each).sum() for each in truth])
    best, worst = place_intervals(beats).T
    assert ((best <= true_place) & (true_place <= worst)).all()
