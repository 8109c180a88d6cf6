"""Figures that should be looked at again: doubts with their place. Nothing is changed, and nothing is refused.

    _unplanned       a run that no row of the plan is for, where there is a plan
    _beyond_range    outside what the instrument can show
    _off_step        not a step of the instrument
    _slipped         far from its like, where one slip of the hand explains it: a point, two digits, one digit, two
                     readings in each other's columns, the figure of the row beside it
    _other_way       the only difference of its test with the other sign
    _contradicting   two values of a first_of that a run has both, and that cannot both be right
    _typed_twice     a row equal to the one beside it in more digits than chance explains

A guard is a function from the readings of one test to doubts, listed in `GUARDS`. Thresholds aim at
fewer than one doubt in a hundred clean studies of the demonstration's size; docs/statistics-notes.md has the rates.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.formula import (
    FUNCTIONS,
    Binary,
    Call,
    Formula,
    Name,
    Node,
    Unary,
    calls,
    choices,
    evaluate,
    less,
    names,
    written_out,
)
from evenbench.measure.uncertainty import linear
from evenbench.measure.units import Quantity
from evenbench.measure.wording import counted, listed, with_unit
from evenbench.study import sources
from evenbench.study.mistakes import Place
from evenbench.study.model import DeclaredReading, Result, Study, Test
from evenbench.study.readings import Readings
from evenbench.study.slips import FAR, FAR_FOR_A_COPY, NEAR, Judged, among_repeats, among_runs, undone

Array = NDArray[np.float64]

BY_CHANCE = 5e-4
"""Expected rows of one test that agree so far by chance: below this, agreeing is a doubt."""

RARE = 0.02
"""Chance of reading the same as the row beside, below which a far figure that does so may be a copy."""

_MOST_ALIKE = 3  # doubts of one sort about one column that are listed one by one
_SHARE_FAR = 0.05  # of a column: where more than this lies far out, its scatter is not one that slips stand out of
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


def guards(study: Study, readings: Readings) -> tuple[Doubt, ...]:
    """Everything in the readings that should be looked at again, in the order of the sheets.

    Nothing found does not mean that nothing is wrong: a slip within the scatter of its like cannot be seen.
    """
    benches = [_Bench(study, readings, test) for test in study.tests]
    return tuple(sorted({doubt for bench in benches for guard in GUARDS for doubt in guard(bench)}))


class _Bench:
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
            decimals = max((_decimals(float(self.readings.low[k])) for k in some), default=0)
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
        own, wide = (min(1.0, self.steps[id] / (_ROOT_4_PI * s)) if s > 0 else 1.0 for s in self.typical[id])
        return np.where(self.product[a] == self.product[b], own, wide)

    def rare(self, id: str, a: int, b: int) -> float:
        """How often two runs read the same by chance: two normal figures meet within one step so often."""
        alike = self.product[a] == self.product[b]
        scatter = self.typical[id][0 if alike else 1]
        return min(1.0, self.steps[id] / (_ROOT_4_PI * scatter)) if scatter > 0 else 1.0

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
        typed = with_unit(readings.typed[row], self.declared[id].unit.text)
        return Doubt(at=readings.at[row], about=f"{readings.runs[run]}, {name} = {typed}", because=because, run=run)

    def few(self, found: list[tuple[int, str]]) -> Iterator[Doubt]:
        """Doubts about cells of one column, the first ones by themselves and the number of the rest."""
        for place, (row, because) in enumerate(found[:_MOST_ALIKE]):
            more = len(found) - _MOST_ALIKE if place == _MOST_ALIKE - 1 else 0
            rest = f" The same is true of {counted(more, 'more reading')} of this column." if more else ""
            yield self.doubt(row, because + rest)


# ------------------------------------------------------------------------------------------------ what was planned


def _unplanned(bench: _Bench) -> Iterator[Doubt]:
    for n in bench.readings.unplanned:
        run = bench.readings.runs[n]
        if run.test == bench.test.id:
            yield Doubt(at=run.at, about=str(run), because="the plan has no such run.", run=n)


# ------------------------------------------------------------------------------------- what the instrument can show


def _beyond_range(bench: _Bench) -> Iterator[Doubt]:
    for id, cells in bench.cells.items():
        reading = bench.declared[id]
        if reading.instrument is None or reading.instrument.range is None:
            continue
        low, high = (q.to(reading.unit) for q in reading.instrument.range)
        slack = 1e-9 * max(abs(low), abs(high))
        said = " to ".join(q.text for q in reading.instrument.range)
        why = f"the {reading.instrument.id} reads from {said}. Look whether it was this instrument and this unit."
        ends = np.stack([bench.readings.low[cells], bench.readings.high[cells]])
        ends = np.where(np.isfinite(ends), ends, np.nan)  # an open end says itself that it lies beyond
        with np.errstate(invalid="ignore"):
            out = np.any((ends < low - slack) | (ends > high + slack), axis=0)
        yield from bench.few([(cells[n], why) for n in np.flatnonzero(out)])


def _off_step(bench: _Bench) -> Iterator[Doubt]:
    for id, cells in bench.cells.items():
        reading = bench.declared[id]
        step = reading.instrument.resolution if reading.instrument else None
        if step is None or step.value <= 0:
            continue
        found = []
        why = f"the {reading.instrument.id} shows steps of {step.text}." if reading.instrument else ""
        low, high = bench.readings.low[cells], bench.readings.high[cells]
        shown = np.asarray(step.unit.from_si(reading.unit.to_si(np.where(low == high, low, np.nan)))) / step.value
        with np.errstate(invalid="ignore"):
            off = np.abs(shown - np.round(shown)) > 1e-7
        for k in (cells[n] for n in np.flatnonzero(off)):
            value = float(bench.readings.low[k])
            if _between_steps(value, bench.readings.typed[k], reading, step):
                found.append((k, f"{why} Look for a digit too many, or a figure that was computed."))
        yield from bench.few(found)


def _between_steps(value: float, typed: str, reading: DeclaredReading, step: Quantity) -> bool:
    """Whether a figure is no step, allowing for its last digit having been rounded."""
    found = re.fullmatch(r"[+-]?[0-9]*[.,]([0-9]*)", typed.strip())
    decimals = len(found[1]) if found else _decimals(value)
    shown = float(step.unit.from_si(reading.unit.to_si(value)))
    last = float(step.unit.difference_from_si(reading.unit.difference_to_si(10.0**-decimals)))
    away = abs(shown - round(shown / step.value) * step.value)
    per_step = step.value / last
    exact = round(per_step) >= 1 and abs(per_step - round(per_step)) < 1e-6
    return away > (1e-6 * step.value if exact else last / 2) * (1 + 1e-9) + 1e-9 * abs(shown)


# ----------------------------------------------------------------------------------------------- slips of the hand


def _slipped(bench: _Bench) -> Iterator[Doubt]:
    if not bench.small:
        return
    done: set[int] = set()
    for find in (_among_repeats, _among_readings, _among_results):
        for run, doubt in find(bench):
            if run not in done:
                done.add(run)
                yield doubt


def _far(judged: Judged, copies: NDArray[np.bool_] | None = None) -> list[int]:
    """What lies far out, in flat indices; nothing where so much does that this is how the bench scatters."""
    away = np.abs(judged.away).ravel()
    with np.errstate(invalid="ignore"):
        far = away > FAR
        if copies is not None:
            far |= copies & (away > FAR_FOR_A_COPY)
    found = np.flatnonzero(far).tolist()
    return found if len(found) <= max(2, _SHARE_FAR * np.count_nonzero(np.isfinite(away))) else []


def _among_repeats(bench: _Bench) -> Iterator[tuple[int, Doubt]]:
    for id, grid in bench.grids.items():
        if grid.shape[1] < 2 or bench.declared[id].of != "run":
            continue
        judged = among_repeats(grid, bench.steps[id])
        for flat in _far(judged):
            run, repeat = divmod(flat, grid.shape[1])
            others = [n for n in range(grid.shape[1]) if n != repeat and np.isfinite(grid[run, n])]
            if len(others) == 1 and not _worse(bench, id, run, repeat, others[0]):
                continue  # of two repeats, the doubt is about the one that lies farther from the other runs
            middle, scatter = float(judged.middle[run, repeat]), float(judged.scatter[run, repeat])
            row = int(bench.rows[id][run, repeat])
            like = _said(middle, bench.declared[id].unit.text, bench.steps[id])
            peers = f"the other {'repeat' if len(others) == 1 else 'repeats'} of this run"
            why = _why_slipped(bench, row, _near(middle, scatter))
            if _copied(bench, id, run, repeat):
                why = "It is the figure of the row beside it: look whether it was typed there by mistake."
            if why:
                yield run, bench.doubt(row, f"{peers} {_reads(others)} {like}. {why}")


def _reads(others: list[int]) -> str:
    return "reads" if len(others) == 1 else "read about"


def _worse(bench: _Bench, id: str, run: int, one: int, other: int) -> bool:
    judged, grid = bench.columns[id], bench.grids[id]
    middle = judged.middle[run]
    if not np.isfinite(middle):
        middle = float(np.nanmedian(grid))
    mine, yours = abs(grid[run, one] - middle), abs(grid[run, other] - middle)
    return bool(mine > yours or (mine == yours and one > other))


def _among_readings(bench: _Bench) -> Iterator[tuple[int, Doubt]]:
    for id, judged in bench.columns.items():
        for run in _far(judged, _copies(bench, id)):
            rows = bench.rows[id][run]
            if np.count_nonzero(rows >= 0) != 1:
                continue
            row, unit = int(rows[rows >= 0][0]), bench.declared[id].unit.text
            middle, scatter = float(judged.middle[run]), float(judged.scatter[run])
            alone = bool(judged.alone[run])
            like = f"{_peers(bench, run, alone=alone)} about {_said(middle, unit, bench.steps[id])}"
            if (other := _exchanged(bench, id, run)) is not None:
                yield run, bench.doubt(row, f"{like}, and {other} would fit here: look whether the two are exchanged.")
                continue
            why = _why_slipped(bench, row, _near(middle, scatter), only_point=alone)
            if not alone and _copied(bench, id, run, int(np.argmax(rows >= 0))):
                why = "It is the figure of the row beside it: look whether it was typed there by mistake."
            if why and (alone or abs(float(judged.away[run])) > FAR or "beside" in why):
                yield run, bench.doubt(row, f"{like}. {why}")


def _peers(bench: _Bench, run: int, *, alone: bool) -> str:
    product = bench.study.products[int(bench.product[run])]
    return "the other products read" if alone else f"the other runs of {product.name} read"


def _exchanged(bench: _Bench, id: str, run: int) -> str | None:
    """Another reading of the run with which this one would be in its place, and that one in this one's."""
    for other, judged in bench.columns.items():
        mine = bench.columns[id]
        if other == id or bench.declared[other].unit.dims != bench.declared[id].unit.dims:
            continue
        there = float(judged.value[run])
        fits = abs(there - mine.middle[run]) <= NEAR * mine.scatter[run]
        fits_there = abs(mine.value[run] - judged.middle[run]) <= NEAR * judged.scatter[run]
        if fits and fits_there:
            return f"the {other} of this run"
    return None


def _among_results(bench: _Bench) -> Iterator[tuple[int, Doubt]]:
    """Results far from their like that one cell explains, where the cell alone did not stand out."""
    for result in bench.results:
        judged = bench.outcomes[result.id]
        used = [id for id in _readings_behind(bench, result) if bench.declared[id].of == "run"]
        copies = np.any([_copies(bench, id) for id in used], axis=0) if used else None
        for run in _far(judged, copies):
            found = _explained(bench, result, used, run)
            if found is None:
                continue
            row, why = found
            if abs(float(judged.away[run])) <= FAR and "beside" not in why:
                continue
            digits = float(result.unit.difference_from_si(judged.scatter[run])) / 10
            here = _said(float(result.unit.from_si(judged.value[run])), result.unit.text, digits)
            like = _said(float(result.unit.from_si(judged.middle[run])), result.unit.text, digits)
            alone = bool(judged.alone[run])
            peers = _peers(bench, run, alone=alone).removesuffix(" read")
            yield run, bench.doubt(row, f"with it, {result.id} is {here}; for {peers} it is about {like}. {why}")


def _explained(bench: _Bench, result: Result, used: list[str], run: int) -> tuple[int, str] | None:
    """The cell and the slip that put a result where it is; the likeliest slip."""
    judged = bench.outcomes[result.id]
    middle, scatter, alone = float(judged.middle[run]), float(judged.scatter[run]), bool(judged.alone[run])
    single = [id for id in used if np.count_nonzero(bench.rows[id][run] >= 0) == 1]
    here = {name: column[run] for name, column in bench.given.items()}

    def near(changed: dict[str, float]) -> bool:
        si = {id: np.array([bench.declared[id].unit.to_si(v)]) for id, v in changed.items()}
        made = bench.computed({name: np.array([value]) for name, value in here.items()} | si)[result.id]
        return bool(np.isfinite(made[0]) and abs(made[0] - middle) <= NEAR * scatter)

    for n, id in enumerate(single):
        for other in single[n + 1 :]:
            swapped = {id: float(bench.means[other][run]), other: float(bench.means[id][run])}
            same = bench.declared[id].unit.dims == bench.declared[other].unit.dims
            if same and swapped[id] != swapped[other] and near(swapped):
                row = int(bench.rows[id][run].max())
                return row, f"Look whether {id} and {other} are exchanged."
    for id in single:
        if not alone and _copied(bench, id, run, int(np.argmax(bench.rows[id][run] >= 0))):
            why = "It is the figure of the row beside it: look whether it was typed there by mistake."
            return int(bench.rows[id][run].max()), why
    best: tuple[int, int, int, str] | None = None
    for id in single:
        row = int(bench.rows[id][run].max())
        value = float(bench.readings.low[row])
        own = bench.columns.get(id)
        for order, u in enumerate(undone(value, bench.readings.typed[row])):
            if alone and u.slip != "point":
                break
            if own is not None and abs(u.value - own.middle[run]) > NEAR * own.scatter[run]:
                continue
            rank = _SLIPS.index(u.slip)
            if best is not None and (rank, order) >= (best[0], best[1]):
                continue
            if near({id: u.value}):
                best = (rank, order, row, _SAID[u.slip].format(_typed_as(u.value, bench.readings.typed[row])))
    return None if best is None else best[2:]


_SLIPS = ("point", "transposed", "digit")
_SAID = {
    "point": "As {} it would be in its place: look whether the decimal point has slipped.",
    "transposed": "As {} it would be in its place: look whether two digits are exchanged.",
    "digit": "As {} it would be in its place: look whether one digit is wrong.",
}


def _near(middle: float, scatter: float) -> Callable[[float], bool]:
    return lambda value: abs(value - middle) <= NEAR * scatter


def _why_slipped(bench: _Bench, row: int, near: Callable[[float], bool], *, only_point: bool = False) -> str:
    """The likeliest slip that, undone, puts a cell among its like; "" where none does."""
    typed = bench.readings.typed[row]
    for u in undone(float(bench.readings.low[row]), typed):
        if only_point and u.slip != "point":
            break
        if near(u.value):
            return _SAID[u.slip].format(_typed_as(u.value, typed))
    return ""


def _typed_as(value: float, typed: str) -> str:
    decimals = len(typed.replace(",", ".").partition(".")[2]) if typed.strip("+-").replace(",", ".").count(".") else 0
    return f"{value:.{decimals}f}" if round(value, decimals) == value else f"{value:.12g}"


def _copies(bench: _Bench, id: str) -> NDArray[np.bool_]:
    """Runs with a cell that stands in a row beside as well, where that is rare by chance."""
    grid, (a, b) = bench.grids[id], bench.pairs
    out = np.zeros(len(grid), dtype=np.bool_)
    same = np.any(grid[a] == grid[b], axis=1) & (bench.chances(id) < RARE)
    out[a[same]] = out[b[same]] = True
    return out


def _copied(bench: _Bench, id: str, run: int, repeat: int) -> bool:
    value = bench.grids[id][run, repeat]
    return any(
        value == bench.grids[id][other, repeat] and bench.rare(id, run, other) < RARE
        for other in bench.beside.get(run, [])
    )


# ------------------------------------------------------------------------------------------ differences and rows


def _other_way(bench: _Bench) -> Iterator[Doubt]:
    """A loss that is a gain in one run alone: of all results that subtract one reading from another."""
    if not bench.small:
        return
    for result in bench.results:
        judged = bench.outcomes[result.id]
        if not _subtracts(result.formula, set(bench.declared)):
            continue
        signs = np.sign(judged.value)
        known = np.flatnonzero(np.isfinite(signs) & (signs != 0))
        usual = 1.0 if np.count_nonzero(signs[known] > 0) * 2 > len(known) else -1.0
        odd = known[signs[known] != usual]
        if len(odd) != 1 or len(known) < 6 or not abs(float(judged.away[odd[0]])) > FAR_FOR_A_COPY:
            continue
        run = int(odd[0])
        rows = [int(bench.rows[id][run].max()) for id in _readings_behind(bench, result)]
        row = next((r for r in rows if r >= 0), None)
        if row is not None and not any(r == run for r, _ in _slips(bench)):
            said = "less" if usual > 0 else "more"
            others = "more" if usual > 0 else "less"
            yield bench.doubt(
                row,
                f"with it, {result.id} is {said} than 0, and {others} than 0 in every other run of the test. "
                f"Look whether {' and '.join(names(result.formula)[:2])} are in the right columns.",
            )


def _slips(bench: _Bench) -> Iterator[tuple[int, Doubt]]:
    yield from _among_repeats(bench)
    yield from _among_readings(bench)
    yield from _among_results(bench)


def _subtracts(formula: Formula, readings: set[str]) -> bool:
    """Whether one reading is taken from another."""

    def at(node: Node) -> bool:
        match node:
            case Binary(sign="-", left=Name(id=left), right=Name(id=right)) if {left, right} <= readings:
                return True
            case Binary():
                return at(node.left) or at(node.right)
            case Unary():
                return at(node.value)
            case Call():
                return any(at(value) for value in node.values)
        return False

    return at(formula.tree)


def _readings_behind(bench: _Bench, result: Result) -> list[str]:
    """Readings that a result rests on, through the results it names."""
    by_id = {r.id: r for r in bench.results}
    out: dict[str, None] = {}
    todo, done = [result], {result.id}
    while todo:
        for name in names(todo.pop().formula):
            if name in bench.declared:
                out[name] = None
            elif name in by_id and name not in done:
                done.add(name)
                todo.append(by_id[name])
    return list(out)


# -------------------------------------------------------------------------------------- two ways to the same result

_APART = 3.0  # standard uncertainties, beside half a step of each reading, by which two ways to a result may differ


@dataclass(frozen=True)
class _Read:
    """What was read, in SI, as `sources` takes it."""

    mean: Mapping[str, Array]
    count: Mapping[str, Array]
    scatter: Mapping[str, Array]
    step: Mapping[str, Array]


def _contradicting(bench: _Bench) -> Iterator[Doubt]:
    """Runs of which two values of a first_of are known and lie farther apart than their errors allow."""
    written: dict[str, Formula] = {}
    told: set[int] = set()
    for result in bench.results:
        for taken in choices(result.formula):
            whole = [written_out(t.whole, written) for t in taken]
            alone = [names(w) for t in taken if (w := written_out(t.value, written)) is not None]
            if None in whole or len(alone) < len(taken):
                continue
            found = _apart(bench, result, [w for w in whole if w is not None], alone)
            yield from bench.few([(row, why) for row, why in found if row not in told])
            told |= {row for row, _ in found}
        formula = written_out(result.formula, written)
        if formula is not None:
            written[result.id] = formula


def _apart(
    bench: _Bench, result: Result, ways: Sequence[Formula], named: Sequence[tuple[str, ...]]
) -> list[tuple[int, str]]:
    """The cells and what to say of them: `ways` are the values that a result may have, `named` what each rests on."""
    found: list[tuple[int, str]] = []
    made = [np.broadcast_to(evaluate(way, bench.given), len(bench.runs)) for way in ways]
    first = np.argmax(np.isfinite(made), axis=0)
    for one, other in combinations(range(len(ways)), 2):
        both = np.isfinite(made[one]) & np.isfinite(made[other]) & (first == one)
        if not np.any(both):
            continue
        allowed = _allowed(bench, less(ways[other], ways[one]))
        cells = np.stack([np.full(len(both), -1), *(bench.rows[id].max(axis=1) for id in _read(bench, named[other]))])
        row = np.take_along_axis(cells, np.argmax(cells >= 0, axis=0)[None], axis=0)[0]
        rests = listed(_read(bench, named[one]))
        for run in np.flatnonzero(both & (np.abs(made[other] - made[one]) > allowed) & (row >= 0)).tolist():
            unit, slack = result.unit, float(result.unit.difference_from_si(allowed[run]))
            by = {way: _said(float(unit.from_si(made[way][run])), unit.text, slack / 10) for way in (one, other)}
            within = _said(slack, result.difference_unit, slack / 10)
            why = f"by it, {result.id} is {by[other]}, and by {rests} {by[one]}, which is used. Both should agree"
            found.append((int(row[run]), f"{why} within {within}: look which is wrong."))
    return found


def _read(bench: _Bench, named: Sequence[str]) -> list[str]:
    return [name for name in named if name in bench.declared]


def _allowed(bench: _Bench, difference: Formula) -> Array:
    """By how much two ways to a result may differ, in SI: three standard uncertainties and half a step each."""
    declared = [bench.declared[name] for name in _read(bench, names(difference))]
    grids = {r.id: np.where(np.isfinite(bench.grids[r.id]), bench.grids[r.id], np.nan) for r in declared}
    count = {id: np.isfinite(grid).sum(axis=1).astype(np.float64) for id, grid in grids.items()}
    scatter, step = {}, {}
    for r in declared:
        middle = bench.means[r.id][:, None]
        square = np.nansum((grids[r.id] - middle) ** 2, axis=1)
        sd = np.sqrt(np.where(count[r.id] > 1, square / np.maximum(count[r.id] - 1, 1), np.nan))
        scatter[r.id] = np.asarray(r.unit.difference_to_si(sd), dtype=np.float64)
        steps = np.append(bench.readings.step, 0.0)[bench.rows[r.id]].max(axis=1)
        step[r.id] = np.asarray(r.unit.difference_to_si(steps), dtype=np.float64)
    read = _Read({r.id: bench.given[r.id] for r in declared}, count, scatter, step)
    rounded = sources.roundings(declared, read)
    others = [*sources.repeats(declared, read, read), *sources.instruments(declared, read)]
    known = {id: constant for id, constant in bench.test.constants.items() if id in names(difference)}
    found = linear(difference, bench.given, [*rounded, *others, *sources.constants(known)])
    # A rounding has a standard uncertainty of half a step over sqrt 3.
    halves = sum(np.sqrt(3) * np.abs(found.contributions[error.name]) for error in rounded)
    return np.asarray(_APART * found.u + halves, dtype=np.float64)


def _typed_twice(bench: _Bench) -> Iterator[Doubt]:
    """Rows one after the other that hold the same figures."""
    if not bench.small:
        return
    (a, b), own = bench.pairs, [id for id, r in bench.declared.items() if r.of == "run"]
    subsets = 2.0 ** sum(min(bench.grids[id].shape[1], 2) for id in own)
    same = {id: bench.grids[id][a] == bench.grids[id][b] for id in own}
    chance, alike = np.ones(len(a)), np.zeros(len(a), dtype=np.bool_)
    for id in own:
        count = same[id].sum(axis=1)
        alike |= count > 0
        chance *= np.where(count > 0, bench.chances(id) * _within(bench, id) ** np.maximum(count - 1, 0), 1.0)
    for n in np.flatnonzero(alike & (chance * len(a) * subsets < BY_CHANCE)).tolist():
        equal = [(id, int(k)) for id in own for k in np.flatnonzero(same[id][n])]
        before = bench.readings.runs[bench.runs[a[n]]]
        what = ", ".join(id if k == 0 else f"{id}.{k + 1}" for id, k in equal)
        yield bench.doubt(
            int(bench.rows[equal[0][0]][b[n], equal[0][1]]),
            f"{what} {'is' if len(equal) == 1 else 'are'} the same here as in the row before ({before.product} run "
            f"{before.number}), in more digits than chance explains. Look whether a row was copied.",
        )


def _within(bench: _Bench, id: str) -> float:
    """How often a further repeat agrees by chance, where the first does."""
    grid = bench.grids[id]
    if grid.shape[1] < 2:
        return 1.0
    scatter = among_repeats(grid, bench.steps[id]).scatter
    known = scatter[np.isfinite(scatter)]
    return min(1.0, bench.steps[id] / (_ROOT_4_PI * float(np.median(known)))) if len(known) else 1.0


GUARDS: tuple[Callable[[_Bench], Iterator[Doubt]], ...] = (
    _unplanned,
    _beyond_range,
    _off_step,
    _slipped,
    _other_way,
    _contradicting,
    _typed_twice,
)


def _decimals(value: float) -> int:
    """Decimals of a figure in its shortest form.

    >>> _decimals(12.4), _decimals(7.0)
    (1, 0)
    """
    if not np.isfinite(value):
        return 0
    mantissa, _, exponent = repr(value).partition("e")
    decimals = len(mantissa.partition(".")[2].rstrip("0"))
    return max(0, min(15, decimals - int(exponent or 0)))


def _said(value: float, unit: str, step: float) -> str:
    decimals = max(0, min(12, int(np.ceil(-np.log10(step) - 1e-9)))) if step > 0 and np.isfinite(step) else 2
    return with_unit(f"{value:.{decimals}f}", unit)


def _finite(values: Array) -> Array:
    return np.where(np.isfinite(values), values, np.nan)
