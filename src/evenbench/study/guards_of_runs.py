"""Doubts about the runs themselves: their places in a round, their order, their specimens, and what is lent to them.

    places_of_rounds    places of a round that are not 1, 2 … with ties
    place_against_time  a place and a time of the same round that contradict each other
    beyond_limit        a figure beyond the limit after which a run counts as not finished
    shared_specimens    one name of a specimen for two products
    lent_across         a reading lent by a run of another product
    unknown_specimens   a specimen that the lending test does not have
    shared_orders       one place in the order for two runs that were not started together

What many runs do alike is how the bench names and counts, and no slip: specimens numbered within each product, an
order that begins anew each day. Nothing is said of it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from difflib import get_close_matches
from itertools import combinations

import numpy as np

from evenbench.measure.units import Quantity, parse_unit
from evenbench.measure.wording import counted, listed, with_unit
from evenbench.study.bench import Bench, Doubt
from evenbench.study.cells import DID_NOT_FINISH
from evenbench.study.model import DeclaredReading
from evenbench.study.readings import Run

_ALIKE = 0.7  # of difflib: names that one or two slips part
_HABIT = 0.25  # of the names or runs: what more than this share of them does is no slip
_NOT_BY_TIME = 1 / 3  # of the pairs of a test: where more of them contradict, places were not given by this time
_MOST_FREE = 3  # places in the order that nobody has, and that are named
_MOST_ROUND = 100  # runs of a round whose pairs are looked at


def _slips(found: int, among: int) -> bool:
    """Whether so many of so many may be slips, and are not how this bench writes things down."""
    return 0 < found <= max(1.0, _HABIT * among)


def _named(bench: Bench, n: int) -> str:
    """A run within a sentence about its test, n from 0 in the test."""
    run = bench.readings.runs[bench.runs[n]]
    return f"{run.product} run {run.number}"


def _of_run(bench: Bench, n: int, because: str, more: str = "") -> Doubt:
    run: Run = bench.readings.runs[bench.runs[n]]
    return Doubt(at=run.at, about=f"{run}{more}", because=because, run=bench.runs[n])


def _ordinal(place: int) -> str:
    """A place in words.

    >>> [_ordinal(n) for n in (1, 2, 3, 4, 11, 22)]
    ['1st', '2nd', '3rd', '4th', '11th', '22nd']
    """
    ends = {1: "st", 2: "nd", 3: "rd"}
    return f"{place}{'th' if place % 100 in (11, 12, 13) else ends.get(place % 10, 'th')}"


# ---------------------------------------------------------------------------------------------------------- places


def _rounds(bench: Bench) -> dict[str, list[int]]:
    """The runs of each round, counted from 0 in the test; none where it has no rounds."""
    out: dict[str, list[int]] = {}
    if not bench.test.lanes or not bench.small:
        return out
    for n, run in enumerate(bench.runs):
        block = bench.readings.runs.block[run]
        if block:
            out.setdefault(block, []).append(n)
    return out


def _cells(bench: Bench, reading: DeclaredReading) -> dict[int, int]:
    """The cell of each run that has one cell of a reading."""
    rows = bench.readings.behind(bench.runs, [reading.id])[reading.id]
    return {n: int(rows.member[rows.start[n]]) for n in np.flatnonzero(rows.length == 1).tolist()}


def _placed(bench: Bench) -> list[DeclaredReading]:
    return [r for r in bench.test.readings if r.kind == "place" and r.repeats == 1 and not r.lent_by]


def places_of_rounds(bench: Bench) -> Iterator[Doubt]:
    """A round in which nobody is first, a place beyond its runs, or one with nobody before it."""
    for reading in _placed(bench):
        cells = _cells(bench, reading)
        for round_, runs in _rounds(bench).items():
            places = {cells[n]: bench.readings.low[cells[n]] for n in runs if n in cells}
            finished = sorted((int(place), row) for row, place in places.items() if np.isfinite(place))
            # A run whose place was not written down may have had any.
            yield from _of_round(bench, round_, finished, len(runs) - len(places))


def _of_round(bench: Bench, round_: str, finished: Sequence[tuple[int, int]], unknown: int) -> Iterator[Doubt]:
    """finished: place and cell of every run that has a place, the first ones first; unknown: runs that lack one."""
    count = len(finished) + unknown
    beyond = [row for place, row in finished if place > count]
    for row in beyond:
        was = "was" if len(finished) == 1 else "were"
        yield bench.doubt(row, f"only {counted(len(finished), 'run')} of round {round_} {was} placed. {_WHICH}")
    spare, before = unknown + len(beyond), 0
    for n, (place, row) in enumerate(finished):
        # After a tie for 2nd comes 3rd or 4th: both ways of counting are in use.
        gap = place - max(before, n) - 1
        before = place
        if gap > spare and place <= count:
            lacking = "1st" if n == 0 else _ordinal(place - 1)
            yield bench.doubt(row, f"no run of round {round_} is {lacking}. {_WHICH}")
        spare = max(0, spare - max(0, gap))


_WHICH = "Look which place it had."


def place_against_time(bench: Bench) -> Iterator[Doubt]:
    """Runs of one round whose places and times are in different orders, beside the one time of the test."""
    timed = [r for r in bench.declared.values() if _is_time(r) and r.of == "run" and r.repeats == 1 and not r.lent_by]
    placed = _placed(bench)
    if len(timed) != 1 or len(placed) != 1:
        return
    time, place = timed[0], _cells(bench, placed[0])
    clock, low, high = _cells(bench, time), bench.readings.low, bench.readings.high
    late: list[tuple[int, int]] = []  # pairs of which the better place has the longer time
    early: list[tuple[int, int]] = []
    for runs in _rounds(bench).values():
        known = [n for n in runs if n in place and n in clock and low[place[n]] <= len(runs)]
        for a, b in combinations(known[:_MOST_ROUND], 2):
            first, second = (a, b) if low[place[a]] < low[place[b]] else (b, a)
            if low[place[a]] == low[place[b]]:
                continue
            slack = 1.001 * max(float(bench.readings.step[clock[n]]) for n in (a, b))
            if low[clock[first]] > high[clock[second]] + slack:
                late.append((first, second))
            elif low[clock[second]] > high[clock[first]] + slack:
                early.append((first, second))
    wrong, longest = (late, False) if len(late) <= len(early) else (early, True)
    if len(wrong) > _NOT_BY_TIME * (len(late) + len(early)):
        # Of few runs, the first that did not finish is one all the same.
        wrong = [pair for pair in wrong if not longest and np.isinf(high[clock[pair[0]]])]
    yield from _contradictions(bench, wrong, place, clock, time)


def _contradictions(
    bench: Bench, wrong: list[tuple[int, int]], place: dict[int, int], clock: dict[int, int], time: DeclaredReading
) -> Iterator[Doubt]:
    """One doubt for each run that has to change before nothing is contradicted, those that explain most first."""
    found = []
    while wrong:
        often = Counter(n for pair in wrong for n in pair)
        worst = min(often, key=lambda n: (-often[n], n))
        pair = next(pair for pair in wrong if worst in pair)
        other = pair[1] if pair[0] == worst else pair[0]
        mine, yours = (_time(bench, clock[n], time) for n in (worst, other))
        theirs = bench.readings.typed[place[other]]
        why = f"its {time.id} is {mine}, and that of {_named(bench, other)}, whose place is {theirs}, is {yours}."
        found.append((place[worst], f"{why} Look which of them is wrong."))
        wrong = [pair for pair in wrong if worst not in pair]
    yield from bench.few(sorted(found))


def _time(bench: Bench, row: int, time: DeclaredReading) -> str:
    typed = bench.readings.typed[row]
    if typed.casefold() == DID_NOT_FINISH:
        return f'"{DID_NOT_FINISH}"'
    return typed if ":" in typed else with_unit(typed, time.unit.text)


def _is_time(reading: DeclaredReading) -> bool:
    return reading.kind == "time" or reading.unit.dims == parse_unit("s").dims


def beyond_limit(bench: Bench) -> Iterator[Doubt]:
    """A figure longer than the limit that ends a run."""
    for id, cells in bench.cells.items():
        reading = bench.declared[id]
        if reading.limit is None or _is_end_of_range(reading, reading.limit):
            continue
        low = bench.readings.low[cells]
        with np.errstate(invalid="ignore"):
            out = np.isfinite(low) & (low > reading.limit + 1e-9 * abs(reading.limit))
        limit = with_unit(f"{reading.limit:g}", reading.unit.text)
        why = f"the limit of {id} is {limit}, and what goes on longer did not finish. Look which is wrong."
        yield from bench.few([(cells[n], why) for n in np.flatnonzero(out)])


def _is_end_of_range(reading: DeclaredReading, limit: float) -> bool:
    """Whether the limit is that of the instrument, whose range is looked at by itself."""
    if reading.instrument is None or reading.instrument.range is None:
        return False
    end: Quantity = reading.instrument.range[1]
    return bool(abs(end.to(reading.unit) - limit) <= 1e-9 * abs(limit))


# -------------------------------------------------------------------------------------------- specimens and lending


def shared_specimens(bench: Bench) -> Iterator[Doubt]:
    """A specimen that two products of a test have: the product that has it less often, or the later one."""
    if not bench.small:
        return
    by_name: dict[str, list[int]] = {}
    for n, run in enumerate(bench.runs):
        if name := bench.readings.runs.specimen[run]:
            by_name.setdefault(name, []).append(n)
    shared = {name: runs for name, runs in by_name.items() if len({int(bench.product[n]) for n in runs}) > 1}
    if not _slips(len(shared), len(by_name)):
        return
    for name, runs in shared.items():
        often = Counter(int(bench.product[n]) for n in runs)
        owner = max(often, key=lambda product: often[product])  # of equals the first in the order of the runs
        first = next(n for n in runs if bench.product[n] == owner)
        line = bench.readings.runs.at[bench.runs[first]]
        for n in runs:
            if bench.product[n] != owner:
                why = f"specimen {name} is also that of {_named(bench, first)} ({line}). Look which of them had it."
                yield _of_run(bench, n, why)


def lent_across(bench: Bench) -> Iterator[Doubt]:
    """A run whose lent reading is that of a run of another product."""
    lent = [r for r in bench.test.readings if r.lent_by]
    if not lent or not bench.small:
        return
    readings, told = bench.readings, set[int]()
    for reading in lent:
        test, _, lender = reading.lent_by.partition(".")
        # What is lent stands in the readings once for each test, at the place where it was typed.
        owner = {}
        for row in _rows_of(bench, readings.of_test(test), lender):
            owner[readings.at[row], int(readings.repeat[row])] = readings.serves[row]
        found: dict[int, tuple[int, ...]] = {}
        rows = readings.behind(bench.runs, [reading.id])[reading.id]
        for row, n in zip(rows.member.tolist(), rows.owner.tolist(), strict=True):
            runs = owner.get((readings.at[row], int(readings.repeat[row])), ())
            products = {readings.runs.product[run] for run in runs}
            if len(products) == 1 and readings.runs.product[bench.runs[n]] not in products:
                found.setdefault(n, runs)
        if not _slips(len(found), int(np.count_nonzero(rows.length))):
            continue
        for n, runs in found.items():
            if n not in told:
                told.add(n)
                before = readings.runs[runs[0]]
                why = f"{reading.id} is lent by {before} ({before.at}), which is another product. Look which product"
                name = readings.runs.specimen[bench.runs[n]]
                yield _of_run(bench, n, f"{why} specimen {name} is of." if name else f"{why} it was.")


def _rows_of(bench: Bench, runs: list[int], id: str) -> list[int]:
    return list(np.unique(bench.readings.behind(runs, [id])[id].member).tolist())


def unknown_specimens(bench: Bench) -> Iterator[Doubt]:
    """A specimen to which nothing is lent because the lending test has none of its name."""
    readings, told = bench.readings, set[int]()
    for reading in bench.test.readings:
        if not reading.lent_by or not bench.small:
            continue
        test = reading.lent_by.partition(".")[0]
        known = {readings.runs.specimen[run]: run for run in readings.of_test(test) if readings.runs.specimen[run]}
        rows = readings.behind(bench.runs, [reading.id])[reading.id]
        here = {readings.runs.specimen[run] for run in bench.runs}
        lacking = [n for n in np.flatnonzero(rows.length == 0).tolist() if _lacks(bench, n, known)]
        if not known or not _slips(len(lacking), len(bench.runs)):
            continue
        for n in lacking:
            if n in told:
                continue
            told.add(n)
            name, product = readings.runs.specimen[bench.runs[n]], readings.runs.product[bench.runs[n]]
            free = [k for k in known if k not in here]
            likely = _nearest(name, [k for k in free if readings.runs.product[known[k]] == product])
            likely = likely or _nearest(name, free)
            ask = (
                f"Look whether it is {likely}, which {bench.test.id} does not have." if likely else "Look at its name."
            )
            yield _of_run(bench, n, f"{test}, which lends {reading.id}, has no specimen {name}. {ask}")


def _lacks(bench: Bench, n: int, known: dict[str, int]) -> bool:
    name = bench.readings.runs.specimen[bench.runs[n]]
    return bool(name) and name not in known


def _nearest(name: str, names: Sequence[str]) -> str:
    """The name most like one, whatever its capitals; "" where none is.

    >>> _nearest("b12", ["B13", "C41"]), _nearest("A1", ["K77"])
    ('B13', '')
    """
    folded = {other.casefold(): other for other in reversed(names)}
    one_other = 1 - 1.01 / max(len(name), 1)  # what one character that is another leaves of a short name
    cutoff = max(0.45, min(_ALIKE, one_other))
    near = get_close_matches(name.casefold(), list(reversed(folded)), n=1, cutoff=cutoff)
    return folded[near[0]] if near else ""


# ----------------------------------------------------------------------------------------------------------- order


def shared_orders(bench: Bench) -> Iterator[Doubt]:
    """Two runs with one place in the order that are not of one block or round."""
    if not bench.small:
        return
    order = bench.readings.runs.order[bench.runs]
    by_place: dict[float, list[int]] = {}
    for n in np.flatnonzero(np.isfinite(order)).tolist():
        by_place.setdefault(float(order[n]), []).append(n)
    block = bench.readings.runs.block
    found = []
    for runs in by_place.values():
        first = runs[0]
        here = block[bench.runs[first]]
        found += [(n, first) for n in runs[1:] if not here or block[bench.runs[n]] != here]
    if not _slips(len(found), int(np.count_nonzero(np.isfinite(order)))):
        return
    free = [n for n in range(1, int(max(by_place)) + 1) if n not in by_place] if max(by_place) < 1e6 else []
    word = bench.test.block_column
    for a, b in found:
        n, other = sorted((a, b), key=lambda n: bench.readings.runs.at[bench.runs[n]])[::-1]
        why = (
            f"{_named(bench, other)} ({bench.readings.runs.at[bench.runs[other]]}) has this place in the order as well"
        )
        apart = f", and they are not of one {word}" if block[bench.runs[n]] or block[bench.runs[other]] else ""
        ask = f" No run has {listed([str(k) for k in free], 'or')}." if 0 < len(free) <= _MOST_FREE else ""
        yield _of_run(bench, n, f"{why}{apart}.{ask} Look when it was run.", f", order = {order[n]:g}")


GUARDS: tuple[Callable[[Bench], Iterator[Doubt]], ...] = (
    places_of_rounds,
    place_against_time,
    beyond_limit,
    shared_specimens,
    lent_across,
    unknown_specimens,
    shared_orders,
)
