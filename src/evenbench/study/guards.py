"""Figures that should be looked at again: doubts with their place. Nothing is changed, and nothing is refused.

    _unplanned       a run that no row of the plan is for, where there is a plan
    _beyond_range    outside what the instrument can show
    _off_step        not a step of the instrument
    _slipped         far from its like, where one slip of the hand explains it: a point, two digits, one digit, two
                     readings in each other's columns, the figure of the row beside it;
                     or that stands out beyond doubt (guards_of_few.py)
    _other_way       the only difference of its test with the other sign
    _contradicting   two values of a first_of that a run has both, and that cannot both be right
    _typed_twice     a row equal to the one beside it in more digits than chance explains

guards_of_runs.py has those about runs: places, limits, specimens, what is lent, the order.
A guard is a function from the `Bench` of one test to doubts, listed in `GUARDS`. Thresholds aim at
fewer than one doubt in a hundred clean studies of the demonstration's size; docs/statistics-notes.md has the rates.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.formula import (
    Binary,
    Call,
    Formula,
    Name,
    Node,
    Unary,
    choices,
    evaluate,
    less,
    names,
    written_out,
)
from evenbench.measure.uncertainty import linear
from evenbench.measure.units import Quantity
from evenbench.measure.wording import listed
from evenbench.study import guards_of_runs, sources
from evenbench.study.bench import Bench, Doubt, chance_alike, decimals_of, figure
from evenbench.study.guards_of_few import RANGES, UNEXPLAINED, Beyond, products_apart, repeats_apart
from evenbench.study.model import DeclaredReading, Result, Study
from evenbench.study.readings import Readings
from evenbench.study.slips import FAR, FAR_FOR_A_COPY, NEAR, Judged, among_repeats, undone

__all__ = ["GUARDS", "Doubt", "guards"]

Array = NDArray[np.float64]

BY_CHANCE = 5e-4
"""Expected rows of one test that agree so far by chance: below this, agreeing is a doubt."""

RARE = 0.02
"""Chance of reading the same as the row beside, below which a far figure that does so may be a copy."""

_SHARE_FAR = 0.05  # of a column: where more than this lies far out, its scatter is not one that slips stand out of


def guards(study: Study, readings: Readings) -> tuple[Doubt, ...]:
    """Everything in the readings that should be looked at again, in the order of the sheets.

    Nothing found does not mean that nothing is wrong: a slip within the scatter of its like cannot be seen.
    """
    benches = [Bench(study, readings, test) for test in study.tests]
    return tuple(sorted({doubt for bench in benches for guard in GUARDS for doubt in guard(bench)}))


# ------------------------------------------------------------------------------------------------ what was planned


def _unplanned(bench: Bench) -> Iterator[Doubt]:
    for n in bench.readings.unplanned:
        run = bench.readings.runs[n]
        if run.test == bench.test.id:
            yield Doubt(at=run.at, about=str(run), because="the plan has no such run.", run=n)


# ------------------------------------------------------------------------------------- what the instrument can show


def _beyond_range(bench: Bench) -> Iterator[Doubt]:
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


def _off_step(bench: Bench) -> Iterator[Doubt]:
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
    decimals = len(found[1]) if found else decimals_of(value)
    shown = float(step.unit.from_si(reading.unit.to_si(value)))
    last = float(step.unit.difference_from_si(reading.unit.difference_to_si(10.0**-decimals)))
    away = abs(shown - round(shown / step.value) * step.value)
    per_step = step.value / last
    exact = round(per_step) >= 1 and abs(per_step - round(per_step)) < 1e-6
    return away > (1e-6 * step.value if exact else last / 2) * (1 + 1e-9) + 1e-9 * abs(shown)


# ----------------------------------------------------------------------------------------------- slips of the hand


def _slipped(bench: Bench) -> Iterator[Doubt]:
    if not bench.small:
        return
    done: set[int] = set()
    for find in (_among_repeats, _repeats_apart, _among_readings, _among_results, _products_apart):
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


def _among_repeats(bench: Bench) -> Iterator[tuple[int, Doubt]]:
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
            like = figure(middle, bench.declared[id].unit.text, bench.steps[id])
            peers = f"the other {'repeat' if len(others) == 1 else 'repeats'} of this run"
            why = _why_slipped(bench, row, _near(middle, scatter))
            if _copied(bench, id, run, repeat):
                why = "It is the figure of the row beside it: look whether it was typed there by mistake."
            if why:
                yield run, bench.doubt(row, f"{peers} {_reads(others)} {like}. {why}")


def _reads(others: list[int]) -> str:
    return "reads" if len(others) == 1 else "read about"


def _worse(bench: Bench, id: str, run: int, one: int, other: int) -> bool:
    judged, grid = bench.columns[id], bench.grids[id]
    middle = judged.middle[run]
    if not np.isfinite(middle):
        middle = float(np.nanmedian(grid))
    mine, yours = abs(grid[run, one] - middle), abs(grid[run, other] - middle)
    return bool(mine > yours or (mine == yours and one > other))


def _among_readings(bench: Bench) -> Iterator[tuple[int, Doubt]]:
    for id, judged in bench.columns.items():
        for run in _far(judged, _copies(bench, id)):
            rows = bench.rows[id][run]
            if np.count_nonzero(rows >= 0) != 1:
                continue
            row, unit = int(rows[rows >= 0][0]), bench.declared[id].unit.text
            middle, scatter = float(judged.middle[run]), float(judged.scatter[run])
            alone = bool(judged.alone[run])
            like = f"{_peers(bench, run, alone=alone)} about {figure(middle, unit, bench.steps[id])}"
            if (other := _exchanged(bench, id, run)) is not None:
                yield run, bench.doubt(row, f"{like}, and {other} would fit here: look whether the two are exchanged.")
                continue
            why = _why_slipped(bench, row, _near(middle, scatter), only_point=alone)
            if not alone and _copied(bench, id, run, int(np.argmax(rows >= 0))):
                why = "It is the figure of the row beside it: look whether it was typed there by mistake."
            if why and (alone or abs(float(judged.away[run])) > FAR or "beside" in why):
                yield run, bench.doubt(row, f"{like}. {why}")


def _peers(bench: Bench, run: int, *, alone: bool) -> str:
    product = bench.study.products[int(bench.product[run])]
    return "the other products read" if alone else f"the other runs of {product.name} read"


def _exchanged(bench: Bench, id: str, run: int) -> str | None:
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


def _among_results(bench: Bench) -> Iterator[tuple[int, Doubt]]:
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
            here = figure(float(result.unit.from_si(judged.value[run])), result.unit.text, digits)
            like = figure(float(result.unit.from_si(judged.middle[run])), result.unit.text, digits)
            alone = bool(judged.alone[run])
            peers = _peers(bench, run, alone=alone).removesuffix(" read")
            yield run, bench.doubt(row, f"with it, {result.id} is {here}; for {peers} it is about {like}. {why}")


def _explained(bench: Bench, result: Result, used: list[str], run: int) -> tuple[int, str] | None:
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
            if alone and u.slip not in _OF_PLACE:
                break
            if own is not None and abs(u.value - own.middle[run]) > NEAR * own.scatter[run]:
                continue
            rank = _SLIPS.index(u.slip)
            if best is not None and (rank, order) >= (best[0], best[1]):
                continue
            if near({id: u.value}):
                meant = u.typed or _typed_as(u.value, bench.readings.typed[row])
                best = (rank, order, row, _SAID[u.slip].format(meant))
    return None if best is None else best[2:]


def _repeats_apart(bench: Bench) -> Iterator[tuple[int, Doubt]]:
    """Repeats that lie beyond doubt far from the others of their run, be the runs few or the slip unknown."""
    for id, grid in bench.grids.items():
        if grid.shape[1] < 2 or bench.declared[id].of != "run" or id not in bench.cells:
            continue
        for found in repeats_apart(grid, bench.product, bench.steps[id]):
            run, repeat, middle = found.run, found.repeat, found.middle
            others = [n for n in range(grid.shape[1]) if n != repeat and np.isfinite(grid[run, n])]
            if len(others) == 1 and not _worse(bench, id, run, repeat, others[0]):
                middle, repeat = float(grid[run, repeat]), others[0]
            row, unit = int(bench.rows[id][run, repeat]), bench.declared[id].unit
            slip = _why_slipped(bench, row, _near(middle, found.scatter))
            if not slip and found.chance > UNEXPLAINED:
                continue
            peers = f"the other {'repeat' if len(others) == 1 else 'repeats'} of this run {_reads(others)}"
            usual = figure(found.scatter, unit.text, bench.steps[id] / 10)
            why = f"{peers} {figure(middle, unit.text, bench.steps[id])}, and repeats usually scatter by {usual}."
            yield run, bench.doubt(row, f"{why} {slip or _LOOK}")


_LOOK = "Look whether it was typed as it was read."


def _products_apart(bench: Bench) -> Iterator[tuple[int, Doubt]]:
    """Candidates run once that lie beyond doubt far from every other product, by a reading or by a result."""
    candidate = np.array([p.role == "candidate" for p in bench.study.products], dtype=np.bool_)[bench.product]
    for id, judged in bench.columns.items():
        reading = bench.declared[id]
        for found in products_apart(judged.value, bench.product, candidate, 3 * bench.steps[id]):
            row = int(bench.rows[id][found.run].max())
            alone = np.count_nonzero(bench.rows[id][found.run] >= 0) == 1
            slip = _why_slipped(bench, row, _within_range(found)) if alone else ""
            if slip or found.ranges > RANGES:
                ends = [figure(end, reading.unit.text, bench.steps[id]) for end in (found.low, found.high)]
                why = f"every other product reads {ends[0]} to {ends[1]}, and this one lies far from them all."
                yield found.run, bench.doubt(row, f"{why} {slip or _LOOK}")
    for result in bench.results:
        used = [id for id in _readings_behind(bench, result) if id in bench.columns]
        for found in products_apart(bench.outcomes[result.id].value, bench.product, candidate, 0.0):
            rows = [int(bench.rows[id][found.run].max()) for id in used if np.any(bench.rows[id][found.run] >= 0)]
            at = _digit_of(bench, result, used, found) or ((rows[0], "") if rows else None)
            if at is None or not (at[1] or found.ranges > RANGES):
                continue
            digits = float(result.unit.difference_from_si(found.high - found.low)) / 100
            here, low, high = (
                figure(float(result.unit.from_si(si)), result.unit.text, digits)
                for si in (bench.outcomes[result.id].value[found.run], found.low, found.high)
            )
            why = f"with it, {result.id} is {here}, and with every other product {low} to {high}."
            yield found.run, bench.doubt(at[0], f"{why} {at[1] or 'Look at what it is computed from.'}")


def _within_range(found: Beyond) -> Callable[[float], bool]:
    return lambda value: found.low <= value <= found.high


def _digit_of(bench: Bench, result: Result, used: list[str], found: Beyond) -> tuple[int, str] | None:
    """The cell and the slip that, undone, bring a result and the cell itself among the other products."""
    fits = _within_range(found)
    here = {name: np.array([column[found.run]]) for name, column in bench.given.items()}
    ranked: list[tuple[int, int, str]] = []
    for id in used:
        if np.count_nonzero(bench.rows[id][found.run] >= 0) != 1:
            continue
        row, unit = int(bench.rows[id][found.run].max()), bench.declared[id].unit
        typed, others = bench.readings.typed[row], np.delete(bench.means[id], found.run)
        for u in undone(float(bench.readings.low[row]), typed):
            if u.slip == "left out" or not np.nanmin(others) <= u.value <= np.nanmax(others):
                continue
            made = bench.computed(here | {id: np.array([unit.to_si(u.value)], dtype=np.float64)})[result.id]
            if fits(float(made[0])):
                ranked.append((_SLIPS.index(u.slip), row, _SAID[u.slip].format(u.typed or _typed_as(u.value, typed))))
    return min(ranked, key=lambda r: r[0])[1:] if ranked else None


_SLIPS = ("point", "clock", "tenfold", "transposed", "digit", "left out")
_OF_PLACE = ("point", "clock", "tenfold")  # which leave every digit as it was
_SAID = {
    "point": "As {} it would be in its place: look whether the decimal point has slipped.",
    "clock": "As {} it would be in its place: look whether minutes stand for seconds, or seconds for minutes.",
    "tenfold": "As {} it would be in its place: look whether it is ten times off.",
    "transposed": "As {} it would be in its place: look whether two digits are exchanged.",
    "digit": "As {} it would be in its place: look whether one digit is wrong.",
    "left out": "With a digit more it would be in its place: look whether one was left out.",
}


def _near(middle: float, scatter: float) -> Callable[[float], bool]:
    return lambda value: abs(value - middle) <= NEAR * scatter


def _why_slipped(bench: Bench, row: int, near: Callable[[float], bool], *, only_point: bool = False) -> str:
    """The likeliest slip that, undone, puts a cell among its like; "" where none does."""
    typed = bench.readings.typed[row]
    for u in undone(float(bench.readings.low[row]), typed):
        if only_point and u.slip not in _OF_PLACE:
            break
        if near(u.value):
            return _SAID[u.slip].format(u.typed or _typed_as(u.value, typed))
    return ""


def _typed_as(value: float, typed: str) -> str:
    decimals = len(typed.replace(",", ".").partition(".")[2]) if typed.strip("+-").replace(",", ".").count(".") else 0
    return f"{value:.{decimals}f}" if round(value, decimals) == value else f"{value:.12g}"


def _copies(bench: Bench, id: str) -> NDArray[np.bool_]:
    """Runs with a cell that stands in a row beside as well, where that is rare by chance."""
    grid, (a, b) = bench.grids[id], bench.pairs
    out = np.zeros(len(grid), dtype=np.bool_)
    same = np.any(grid[a] == grid[b], axis=1) & (bench.chances(id) < RARE)
    out[a[same]] = out[b[same]] = True
    return out


def _copied(bench: Bench, id: str, run: int, repeat: int) -> bool:
    value = bench.grids[id][run, repeat]
    return any(
        value == bench.grids[id][other, repeat] and bench.rare(id, run, other) < RARE
        for other in bench.beside.get(run, [])
    )


# ------------------------------------------------------------------------------------------ differences and rows


def _other_way(bench: Bench) -> Iterator[Doubt]:
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


def _slips(bench: Bench) -> Iterator[tuple[int, Doubt]]:
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


def _readings_behind(bench: Bench, result: Result) -> list[str]:
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


def _contradicting(bench: Bench) -> Iterator[Doubt]:
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
    bench: Bench, result: Result, ways: Sequence[Formula], named: Sequence[tuple[str, ...]]
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
            by = {way: figure(float(unit.from_si(made[way][run])), unit.text, slack / 10) for way in (one, other)}
            within = figure(slack, result.difference_unit, slack / 10)
            why = f"by it, {result.id} is {by[other]}, and by {rests} {by[one]}, which is used. Both should agree"
            found.append((int(row[run]), f"{why} within {within}: look which is wrong."))
    return found


def _read(bench: Bench, named: Sequence[str]) -> list[str]:
    return [name for name in named if name in bench.declared]


def _allowed(bench: Bench, difference: Formula) -> Array:
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


def _typed_twice(bench: Bench) -> Iterator[Doubt]:
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


def _within(bench: Bench, id: str) -> float:
    """How often a further repeat agrees by chance, where the first does."""
    grid = bench.grids[id]
    if grid.shape[1] < 2:
        return 1.0
    scatter = among_repeats(grid, bench.steps[id]).scatter
    known = scatter[np.isfinite(scatter)]
    return chance_alike(bench.steps[id], float(np.median(known))) if len(known) else 1.0


GUARDS: tuple[Callable[[Bench], Iterator[Doubt]], ...] = (
    _unplanned,
    _beyond_range,
    _off_step,
    _slipped,
    _other_way,
    _contradicting,
    _typed_twice,
    *guards_of_runs.GUARDS,
)
