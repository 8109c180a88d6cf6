"""How a figure lies to its like, and which slips of the hand would have put it there.

A figure is judged by what lies nearest to it: a repeat by the other repeats of its run, a run by the other runs of
its product, a product run once by the other products. The middle is the median of the others, so that a slip does
not hide itself; the scatter is 1.4826 times the median distance from it (Rousseeuw and Croux 1993, Journal of the
American Statistical Association 88, 1273-1283: the factor makes it a standard deviation where scatter is normal).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenbench.study.cells import span

Array = NDArray[np.float64]

FAR = 7.0
"""Scatters from the middle beyond which a figure is looked at."""
FAR_FOR_A_COPY = 4.0
"""The same for a figure that is also typed in the row before or after."""
NEAR = 3.0
"""Scatters from the middle within which a figure lies when the slip is undone."""

_NORMAL = 1.4826
_LEAST = 6  # distances that a scatter is taken from
_LARGEST_GROUP = 200  # of which the others are told apart one by one; beyond, one figure moves no median


@dataclass(frozen=True)
class Judged:
    """Figures beside their like: `middle` and `scatter` of the others, nan where there are too few.

    alone  those that are judged by other products, because their own was run once
    """

    value: Array
    middle: Array
    scatter: Array
    alone: NDArray[np.bool_]

    @property
    def away(self) -> Array:
        """How many scatters each lies from the middle; nan where not judged."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray((self.value - self.middle) / self.scatter, dtype=np.float64)


def among_runs(value: Array, product: NDArray[np.int32], floor: Array) -> Judged:
    """One figure a run, beside the other runs of its product, or beside the other products where it was run once.

    value, floor  float64[N], nan where there is none; `floor` is the least that its scatter may be
    product       int32[N]
    """
    middle, scatter = np.full(len(value), np.nan), np.full(len(value), np.nan)
    alone = np.zeros(len(value), dtype=np.bool_)
    known = np.flatnonzero(np.isfinite(value))
    order = known[np.argsort(product[known], kind="stable")]
    groups = np.split(order, np.flatnonzero(np.diff(product[order])) + 1) if len(order) else []
    for group in groups:
        if len(group) > 1:
            middle[group], scatter[group] = _others(value[group])
    pooled = _pooled(value, middle)
    several = np.isfinite(middle)
    scatter = np.where(several, np.maximum(pooled, scatter), np.nan) if len(pooled) else np.full(len(value), np.nan)
    if len(groups) > _LEAST:
        levels = np.array([float(np.median(value[g])) for g in groups])
        around, wide = _others(levels)
        for g, group in enumerate(groups):
            if len(group) == 1:
                alone[group], middle[group], scatter[group] = True, around[g], wide[g]
    return Judged(value, middle, np.maximum(scatter, floor), alone)


def among_repeats(grid: Array, floor: float) -> Judged:
    """Repeats of the same run beside each other: float64[N, K], nan where there is none."""
    middle = np.full(grid.shape, np.nan)
    count = np.isfinite(grid).sum(axis=1)
    for k in np.unique(count[count > 1]).tolist():
        rows = np.flatnonzero(count == k)
        places = np.nonzero(np.isfinite(grid[rows]))[1].reshape(len(rows), k)
        values = np.take_along_axis(grid[rows], places, axis=1)
        for j in range(k):
            middle[rows, places[:, j]] = np.median(np.delete(values, j, axis=1), axis=1)
    pooled = _pooled(grid.ravel(), middle.ravel())
    scatter = pooled.reshape(grid.shape) if len(pooled) else np.full(grid.shape, np.nan)
    return Judged(grid, middle, np.maximum(scatter, floor), np.zeros(grid.shape, dtype=np.bool_))


def _others(values: Array) -> tuple[Array, Array]:
    """For each of several figures the median of the others, and their own scatter about it; 0 where it is one."""
    n = len(values)
    if n > _LARGEST_GROUP:
        level = float(np.median(values))
        return np.full(n, level), np.full(n, _NORMAL * float(np.median(np.abs(values - level))))
    others = np.broadcast_to(values, (n, n))[~np.eye(n, dtype=np.bool_)].reshape(n, n - 1)
    middle = np.median(others, axis=1)
    if n == 3:  # two others: their range, over what it is on average for a scatter of 1 (d2 of control charts)
        return middle, np.abs(others[:, 0] - others[:, 1]) / 1.128
    return middle, _NORMAL * np.median(np.abs(others - middle[:, None]), axis=1)


def _pooled(value: Array, middle: Array) -> Array:
    """One scatter for all, from all distances: as a difference or as a share, whichever is more; empty if too few."""
    known = np.isfinite(middle)
    distance = np.abs(value - middle)
    if np.count_nonzero(known) < _LEAST:
        return np.empty(0)
    plain = np.full(len(value), _NORMAL * float(np.median(distance[known])))
    if not np.all(value[known] > 0) or not np.all(middle[known] > 0):
        return plain
    share = _NORMAL * float(np.median(distance[known] / middle[known]))
    return np.asarray(np.fmax(plain, share * middle), dtype=np.float64)


@dataclass(frozen=True)
class Undone:
    """A figure as it would stand without a slip, and the slip.

    slip   "point", "clock" (minutes for seconds, or the other way round), "tenfold" (the same
           for a clock as "point"), "transposed", "digit" or "left out"
    typed  as it would be typed, of a clock; "" for a plain number
    """

    value: float
    slip: str
    typed: str = ""


def undone(value: float, typed: str) -> Iterator[Undone]:
    """Every figure from which one slip of the hand leads to this one, the likelier slips first.

    value  in the unit of the reading, which need not be that of a clock as typed

    >>> [u.value for u in undone(94.6, "94.6")][:5]
    [9.46, 946.0, 0.946, 9460.0, 49.6]
    >>> [(u.typed, u.slip) for u in undone(420.0, "7:00")][:3]
    [('0:07', 'clock'), ('420:00', 'clock'), ('0:42', 'tenfold')]
    """
    if ":" in typed:
        yield from _undone_clock(value, typed.strip())
        return
    for factor in (0.1, 10.0, 0.01, 100.0):
        if value:
            yield Undone(float(f"{value * factor:.12g}"), "point")
    found = re.fullmatch(r"[+-]?([0-9]*)(?:[.,]([0-9]*))?", typed.strip())
    if found is None:
        return
    digits, places = (found[1] or "") + (found[2] or ""), len(found[2] or "")
    sign = -1.0 if typed.strip().startswith("-") else 1.0
    for changed, slip in _changed(digits):
        yield Undone(_figure(changed, places, sign), slip)
    for n in range(len(digits) + 1):
        for other in "0123456789":
            after_point = places + (n > len(digits) - places)
            yield Undone(_figure(digits[:n] + other + digits[n:], after_point, sign), "left out")


def _changed(digits: str) -> Iterator[tuple[str, str]]:
    """The digits with two neighbours exchanged, and with one digit another; marks between them stay."""
    at = [n for n, character in enumerate(digits) if character.isdigit()]
    for a, b in pairwise(at):
        if digits[a] != digits[b]:
            yield digits[:a] + digits[b] + digits[a + 1 : b] + digits[a] + digits[b + 1 :], "transposed"
    for n in at:
        for other in "0123456789":
            if other != digits[n]:
                yield digits[:n] + other + digits[n + 1 :], "digit"


def _undone_clock(value: float, typed: str) -> Iterator[Undone]:
    read = span(typed, clock=True)
    if read is None or not read.low or not value:
        return
    seconds, unit = read.low, value / read.low
    for factor, slip in ((1 / 60, "clock"), (60.0, "clock"), (0.1, "tenfold"), (10.0, "tenfold")):
        meant = float(f"{seconds * factor:.12g}")
        yield Undone(meant * unit, slip, as_clock(meant))
    for changed, slip in _changed(typed):
        meant_span = span(changed, clock=True)
        if meant_span is not None:
            yield Undone(meant_span.low * unit, slip, changed)


def as_clock(seconds: float) -> str:
    """Minutes and seconds as a clock shows them.

    >>> as_clock(83.5), as_clock(42.0), as_clock(420.0)
    ('1:23.5', '0:42', '7:00')
    """
    minutes, rest = divmod(round(seconds, 3), 60)
    whole, _, decimals = f"{rest:.3f}".rstrip("0").rstrip(".").partition(".")
    return f"{minutes:.0f}:{whole.zfill(2)}" + (f".{decimals}" if decimals else "")


def _figure(digits: str, places: int, sign: float) -> float:
    return sign * float(f"{int(digits)}e-{places}")
