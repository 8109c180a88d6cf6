"""The readings of one test as guards look at them: grids of runs by repeats, what is like what, and doubts.

A guard is a function from a `Bench` to doubts; guards.py lists them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.formula import FUNCTIONS, calls, evaluate, names
from evenbench.measure.units import Quantity
from evenbench.measure.wording import counted, with_unit
from evenbench.study.cells import DID_NOT_FINISH
from evenbench.study.mistakes import Place
from evenbench.study.model import Result, Study, Test
from evenbench.study.readings import Readings
from evenbench.study.slips import Judged, among_runs

Array = NDArray[np.float64]

_MOST_ALIKE = 3  # doubts of one sort about one column that are listed one by one
_MOST_CELLS = 4_000_000  # of one test; larger logs are made by no hand
_ROOT_4_PI = 3.5449077


@dataclass(frozen=True, order=True, kw_only=True)
class Doubt:
    """A figure to look at again: where it was typed, what it is, and why.

    run  index into Readings.runs: the run, or the first of the runs, that it is of
    """

    at: Place
    about: str
    because: str
    run: int

    def __str__(self) -> str:
        return f"{self.at}: {self.about}: {self.because}"


class Bench:
    """The number readings of one test as grids, runs by repeats; nan where nothing was simply read."""

    def __init__(self, study: Study, readings: Readings, test: Test) -> None:
        self.study, self.readings, self.test = study, readings, test
        self.runs = readings.of_test(test.id)
        self.place = {run: n for n, run in enumerate(self.runs)}
        self.declared = {r.id: r for r in test.readings if r.is_number}
        self.behind = readings.behind(self.runs, list(self.declared))
        # What another test lends is doubted there.
        own = {id: rows for id, rows in self.behind.items() if not self.declared[id].lent_by}
        self.cells: dict[str, list[int]] = {id: np.unique(rows.member).tolist() for id, rows in own.items()}
        index = {p.id: n for n, p in enumerate(study.products)}
        self.product = readings.runs.product.mapped(index.__getitem__, np.int32)[self.runs]

    @cached_property
    def small(self) -> bool:
        """Whether it is of a size that hands type."""
        return sum(len(self.runs) * r.repeats for r in self.declared.values()) <= _MOST_CELLS

    @cached_property
    def rows(self) -> dict[str, NDArray[np.int64]]:
        """Index into Readings of each run and repeat, -1 where none; a shared reading in every run it serves."""
        out = {}
        for id, behind in self.behind.items():
            grid = np.full((len(self.runs), self.declared[id].repeats), -1, dtype=np.int64)
            grid[behind.owner, self.readings.repeat[behind.member] - 1] = behind.member
            out[id] = grid
        return out

    @cached_property
    def grids(self) -> dict[str, Array]:
        """What was read, in the unit of the reading; nan for bounds and intervals."""
        low, high = self.readings.low, self.readings.high
        plain = np.append(np.where(low == high, low, np.nan), np.nan)
        return {id: plain[rows] for id, rows in self.rows.items()}

    @cached_property
    def steps(self) -> dict[str, float]:
        """The steps in which each reading was typed: its resolution, or coarser where all figures are."""
        out = {}
        for id, behind in self.behind.items():
            cells = np.unique(behind.member).tolist()
            step = float(np.median(self.readings.step[cells])) if cells else 1.0
            some = cells[:: len(cells) // 5_000 + 1]  # as good as all of a log, and quicker
            decimals = max((decimals_of(float(self.readings.low[k])) for k in some), default=0)
            out[id] = max(step, 10.0**-decimals)
        return out

    @cached_property
    def means(self) -> dict[str, Array]:
        """Mean of the repeats of each run, in the unit of the reading."""
        out = {}
        for id, grid in self.grids.items():
            known = np.isfinite(grid)
            count = known.sum(axis=1)
            total = np.where(known, grid, 0.0).sum(axis=1)
            out[id] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        return out

    @cached_property
    def results(self) -> list[Result]:
        """Results that are computed from the readings of one run, each after those it names."""
        known, out = set(self.given), []
        waiting = [r for r in self.test.results if r.outcome == "number" and set(calls(r.formula)) <= set(FUNCTIONS)]
        while ready := [r for r in waiting if set(names(r.formula)) <= known]:
            out += ready
            known |= {r.id for r in ready}
            waiting = [r for r in waiting if r not in ready]
        return out

    @cached_property
    def given(self) -> dict[str, Array]:
        """What formulas may name that is no result, one figure a run, in SI."""
        out = {id: np.asarray(self.declared[id].unit.to_si(mean), dtype=np.float64) for id, mean in self.means.items()}
        out |= {name: np.full(len(self.runs), q.si) for name, q in self.test.constants.items()}
        products = [self.study.products[p] for p in self.product.tolist()]
        for fact in ("price", "pack", "dose"):
            amounts: list[Quantity | None] = [getattr(p, fact) for p in products]
            out[f"product.{fact}"] = np.array([np.nan if q is None else q.si for q in amounts], dtype=np.float64)
        return out

    def computed(self, given: dict[str, Array]) -> dict[str, Array]:
        """Every result from what it names, in SI."""
        values = dict(given)
        for result in self.results:
            made = evaluate(result.formula, {name: values[name] for name in names(result.formula)})
            values[result.id] = np.broadcast_to(np.asarray(made, dtype=np.float64), next(iter(given.values())).shape)
        return {result.id: values[result.id] for result in self.results}

    @cached_property
    def outcomes(self) -> dict[str, Judged]:
        """Every result beside its like, in SI."""
        values = self.computed(self.given)
        floor = {id: np.zeros(len(self.runs)) for id in values}
        for id, reading in self.declared.items():
            step = float(reading.unit.difference_to_si(self.steps[id]))
            moved = self.computed(self.given | {id: self.given[id] + step})
            for result, value in moved.items():
                floor[result] += np.nan_to_num(np.abs(value - values[result]), posinf=0.0, neginf=0.0)
        return {id: among_runs(_finite(value), self.product, floor[id]) for id, value in values.items()}

    @cached_property
    def columns(self) -> dict[str, Judged]:
        """Every reading of a run beside its like, in its unit."""
        return {
            id: among_runs(mean, self.product, np.full(len(mean), self.steps[id]))
            for id, mean in self.means.items()
            if self.declared[id].of == "run" and id in self.cells
        }

    @cached_property
    def pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Runs whose rows stand one after the other in the same file: those before, and those after."""
        at = [self.readings.runs[n].at for n in self.runs]
        order = sorted(range(len(at)), key=lambda n: at[n])
        found = [(a, b) for a, b in pairwise(order) if at[a].file == at[b].file and at[a].line != at[b].line]
        both = np.array(found, dtype=np.intp).reshape(-1, 2)
        return both[:, 0], both[:, 1]

    @cached_property
    def beside(self) -> dict[int, list[int]]:
        """The runs whose rows stand before and after each run's own."""
        out: dict[int, list[int]] = {}
        for a, b in zip(*(side.tolist() for side in self.pairs), strict=True):
            out.setdefault(a, []).append(b)
            out.setdefault(b, []).append(a)
        return out

    def chances(self, id: str) -> Array:
        """`rare` of every pair."""
        a, b = self.pairs
        own, wide = (chance_alike(self.steps[id], s) for s in self.typical[id])
        return np.where(self.product[a] == self.product[b], own, wide)

    def rare(self, id: str, a: int, b: int) -> float:
        """How often two runs read the same by chance: two normal figures meet within one step so often."""
        alike = self.product[a] == self.product[b]
        scatter = self.typical[id][0 if alike else 1]
        return chance_alike(self.steps[id], scatter)

    @cached_property
    def typical(self) -> dict[str, tuple[float, float]]:
        """Scatter of a reading between runs of one product, and between all runs; 0 where not known."""
        out = {}
        for id, judged in self.columns.items():
            own = judged.scatter[np.isfinite(judged.scatter) & ~judged.alone]
            value = judged.value[np.isfinite(judged.value)]
            wide = 1.4826 * float(np.median(np.abs(value - np.median(value)))) if len(value) > 5 else 0.0
            out[id] = (float(np.median(own)) if len(own) else 0.0, wide)
        return out

    def doubt(self, row: int, because: str) -> Doubt:
        """A doubt about one cell."""
        readings, run = self.readings, self.readings.serves[row][0]
        id, repeat = readings.reading[row], int(readings.repeat[row])
        name = id if repeat == 1 else f"{id}.{repeat}"
        typed, reading = readings.typed[row], self.declared.get(id)
        # A clock says its minutes and seconds itself, and "did not finish" has no unit.
        plain = reading is None or ":" in typed or typed.casefold() == DID_NOT_FINISH
        said = typed if plain or reading is None else with_unit(typed, reading.unit.text)
        return Doubt(at=readings.at[row], about=f"{readings.runs[run]}, {name} = {said}", because=because, run=run)

    def few(self, found: list[tuple[int, str]]) -> Iterator[Doubt]:
        """Doubts about cells of one column, the first ones by themselves and the number of the rest."""
        for place, (row, because) in enumerate(found[:_MOST_ALIKE]):
            more = len(found) - _MOST_ALIKE if place == _MOST_ALIKE - 1 else 0
            rest = f" The same is true of {counted(more, 'more reading')} of this column." if more else ""
            yield self.doubt(row, because + rest)


def chance_alike(step: float, scatter: float) -> float:
    """How often two normal figures of one scatter are read as the same step; 1 where the scatter is 0.

    >>> round(chance_alike(0.01, 1.0), 4)
    0.0028
    """
    return min(1.0, step / (_ROOT_4_PI * scatter)) if scatter > 0 else 1.0


def decimals_of(value: float) -> int:
    """Decimals of a figure in its shortest form.

    >>> decimals_of(12.4), decimals_of(7.0)
    (1, 0)
    """
    if not np.isfinite(value):
        return 0
    mantissa, _, exponent = repr(value).partition("e")
    decimals = len(mantissa.partition(".")[2].rstrip("0"))
    return max(0, min(15, decimals - int(exponent or 0)))


def figure(value: float, unit: str, step: float) -> str:
    """A figure with its unit, to the decimals of a step.

    >>> figure(4.0312, "g", 0.01)
    '4.03 g'
    """
    decimals = max(0, min(12, int(np.ceil(-np.log10(step) - 1e-9)))) if step > 0 and np.isfinite(step) else 2
    return with_unit(f"{value:.{decimals}f}", unit)


def _finite(values: Array) -> Array:
    return np.where(np.isfinite(values), values, np.nan)
