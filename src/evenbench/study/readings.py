"""Tables -> Readings: what was written down and still stands, each figure with the place it was typed.

A wide table has a row a run and a column a reading; a long table has a row a reading. Rows and columns that
are not used are listed with the reason; what cannot be understood is a mistake, and all are reported together.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.errors import suggest
from evenbench.measure.frozen import Frozen
from evenbench.study.cells import DID_NOT_FINISH, Span, advice, number, span
from evenbench.study.mistakes import Mistake, Place, StudyError
from evenbench.study.model import DeclaredReading, ReadingOf, Study, Test

LONG = "*"  # the key under which one long table for all tests is handed over

MOST_MISTAKES = 1_000  # in one sheet: after so many the rest of it is not looked at

_RUN_COLUMNS = ("product", "run", "specimen", "block", "round", "lane", "order", "note")
_LONG_COLUMNS = ("test", *_RUN_COLUMNS, "reading", "repeat", "value", "unit")
_LATER_COLUMNS = ("code", "instrument", "at", "by")


def wide_columns(test: Test) -> tuple[str, ...]:
    """The columns that are read of a test's wide sheet."""
    return (*_RUN_COLUMNS, *(_column(r.id, n) for r in test.readings for n in range(1, r.repeats + 1)))


def long_columns() -> tuple[str, ...]:
    """The columns that are read of a long sheet."""
    return _LONG_COLUMNS


@dataclass(frozen=True)
class Table:
    """A table of text cells as it stood in a file: `rows` are (line, {column: cell}), `header` is the header's line.

    >>> Table("readings/shower.csv", ("product", "wet"), ((2, {"product": "ostrel", "wet": "61.2"}),)).columns
    ('product', 'wet')
    """

    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, Mapping[str, str]], ...]
    header: int = 1

    @classmethod
    def of(cls, rows: Sequence[Mapping[str, str]], file: str) -> Table:
        """A table from plain dicts, lines counted as in a sheet whose header is line 1."""
        columns = tuple(dict.fromkeys(column for row in rows for column in row))
        return cls(file, columns, tuple((n + 2, row) for n, row in enumerate(rows)))


@dataclass(frozen=True, kw_only=True)
class Run:
    """One pass of one product through one test, as its sheet names it. `order` is its place in the order run."""

    test: str
    product: str
    number: int
    at: Place
    specimen: str = ""
    block: str = ""
    lane: str = ""
    order: float | None = None
    note: str = ""

    def __str__(self) -> str:
        return f"{self.test}, {self.product} run {self.number}"


@dataclass(frozen=True, kw_only=True)
class NotUsed:
    """A row, column or cell that no figure rests on, and why."""

    row: str
    reason: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Readings(Frozen):
    """What was written down. R runs; N readings, in the order runs and columns stand.

    runs     R runs, by test in study order, then product in study order, then number
    serves   N tuples of indices into `runs`: the runs that a reading is of, one unless it is shared
    reading  N ids of declared readings
    repeat   int32[N] 1 for the first reading of its kind in the run
    low      float64[N] in the declared unit of the reading; for a grade, category or yes or no the index of its
             level; for a place the place, inf where it did not finish; nan for a text
    high     float64[N] equal to `low` where a number was simply read; infinite at an open end
    step     float64[N] resolution in the same unit: the instrument's, else from the decimals typed; an interval's
             width where that is more
    typed    N texts as typed
    at       N places
    """

    runs: tuple[Run, ...]
    serves: tuple[tuple[int, ...], ...]
    reading: tuple[str, ...]
    repeat: NDArray[np.int32]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    step: NDArray[np.float64]
    typed: tuple[str, ...]
    at: tuple[Place, ...]
    not_used: tuple[NotUsed, ...] = ()

    @property
    def run(self) -> NDArray[np.int32]:
        """int32[N] the first of the runs that each reading serves."""
        return np.array([runs[0] for runs in self.serves], dtype=np.int32)

    @property
    def value(self) -> NDArray[np.float64]:
        """float64[N] what was read, the middle of an interval; nan where an end is open."""
        with np.errstate(invalid="ignore"):
            return np.where(np.isfinite(self.low) & np.isfinite(self.high), (self.low + self.high) / 2, np.nan)

    def of_test(self, test: str) -> list[int]:
        """Indices of the runs of one test."""
        return [n for n, run in enumerate(self.runs) if run.test == test]


def parse_readings(tables: Mapping[str, Table | Sequence[Mapping[str, str]]], study: Study) -> Readings:
    """Understand tables of text cells against the study they belong to.

    tables  {test id: wide table}, and/or {"*": long table}; plain lists of dicts serve where there is no file

    Raises StudyError with every mistake in every table.
    """
    reader = _Reader(study)
    for name, given in tables.items():
        file = "readings" if name == LONG else f"readings/{name}"
        table = given if isinstance(given, Table) else Table.of(given, file)
        if name == LONG:
            reader.long(table)
        elif name in reader.tests:
            reader.wide(table, reader.tests[name])
        else:
            near = suggest(name, list(reader.tests))
            reader.wrong(Place(table.file), "sheet", name, "the study has no such test.", near)
    return reader.readings()


RunKey = tuple[str, str, int]


class _Of(NamedTuple):
    """What a reading was taken of: one run, or what several runs share. `name` tells it from others of its kind."""

    test: str
    what: ReadingOf
    name: str

    @classmethod
    def run(cls, what: ReadingOf, run: Run) -> _Of:
        names: dict[ReadingOf, str] = {
            "run": f"{run.product} {run.number}",
            "specimen": run.specimen,
            "block": run.block,
            "product": run.product,
            "test": run.test,
        }
        return cls(run.test, what, names[what])


@dataclass
class _Cell:
    of: _Of
    reading: str
    repeat: int
    typed: str
    at: Place
    span: Span


class _Reader:
    """Gathers runs, cells and mistakes from one table after another."""

    def __init__(self, study: Study) -> None:
        self.study = study
        self.tests = {test.id: test for test in study.tests}
        self.declared = {(test.id, reading.id): reading for test in study.tests for reading in test.readings}
        self.mistakes: list[Mistake] = []
        self.not_used: dict[NotUsed, None] = {}  # a set that keeps its order
        self.runs: dict[RunKey, Run] = {}
        self.cells: dict[tuple[_Of, str, int], _Cell] = {}
        self.misnamed_blocks: set[str] = set()  # tests whose column of blocks goes by another name

    def wrong(self, at: Place, subject: str, given: str, why: str, write: str = "") -> None:
        self.mistakes.append(Mistake(at, subject, given, why, write))

    def skip(self, row: object, reason: str) -> None:
        self.not_used[NotUsed(row=str(row), reason=reason)] = None

    def rows(self, table: Table) -> Iterator[tuple[Place, dict[str, str]]]:
        """The rows that hold anything, cells without the spaces around them."""
        before = len(self.mistakes)
        for line, row in table.rows:
            cells = {column: (cell or "").strip() for column, cell in row.items()}
            if any(cells.values()):
                yield Place(table.file, line), cells
            if len(self.mistakes) - before >= MOST_MISTAKES:
                why = f"there are {MOST_MISTAKES:,} mistakes up to here, and the rest was not read."
                self.wrong(Place(table.file, line), "", "", why, "Mend these first.")
                return

    # -- wide

    def wide(self, table: Table, test: Test) -> None:
        """A row a run, a column a reading."""
        if "product" not in table.columns:
            self.wide_columns(table, test)
            return
        columns = self.wide_columns(table, test)
        numbered = "run" in table.columns
        lines: dict[str, list[int]] = {}
        for at, row in self.rows(table):
            product = self.product(at, row, test)
            if product is None:
                continue
            lines.setdefault(product, []).append(at.line)
            if not numbered and len(lines[product]) > 1:
                continue
            run = self.add_run(at, row, test, product, row.get("run", "") if numbered else "1", anew=True)
            if run is None:
                continue
            for column, (reading, repeat) in columns.items():
                self.add_cell(run, reading, repeat, row.get(column, ""), at, column)
        if not numbered:
            self.told_apart(table, lines)

    def told_apart(self, table: Table, lines: Mapping[str, list[int]]) -> None:
        """In a sheet without run numbers every product has one row."""
        for product, found in lines.items():
            if len(found) > 1:
                where = ", ".join(map(str, found))
                why = f"lines {where} are all of this product, and nothing says whether they are runs or repeats."
                write = "Number the runs in a column `run`, or put repeats of one run into columns such as wet.2."
                self.wrong(Place(table.file, found[1]), "rows", product, why, write)

    def wide_columns(self, table: Table, test: Test) -> dict[str, tuple[str, int]]:
        """Which column holds which reading and repeat; strangers and gaps in the header are noted."""
        header = Place(table.file, table.header)
        wanted = {_column(r.id, n): (r.id, n) for r in test.readings for n in range(1, r.repeats + 1)}
        missing = [column for column in ("product", *wanted) if column not in table.columns]
        absent = [column for column in _RUN_COLUMNS if column not in table.columns]
        strangers = [column for column in table.columns if column not in wanted and column not in _RUN_COLUMNS]
        meant = {self.wide_stranger(header, column, test, missing, absent) for column in strangers}
        if test.block_column in meant:
            self.misnamed_blocks.add(test.id)
        for column in missing:
            if column not in meant:
                found = ", ".join(table.columns) or "nothing"
                why = f"column {column!r} is missing; the header has {found}."
                self.wrong(header, "header", "", why, _column_write(column))
        return {column: wanted[column] for column in table.columns if column in wanted}

    def wide_stranger(self, header: Place, column: str, test: Test, missing: list[str], absent: list[str]) -> str:
        """Say what is wrong with a column that is not expected; the column that it was meant to be, or ""."""
        if column == "code":
            write = "Name products by id in a column `product`."
            self.wrong(header, "column", column, "this version does not read this column yet.", write)
            return "product"
        if column in _LATER_COLUMNS:
            self.skip(f"{header.file}: column {column}", "this version does not read this column yet")
        elif near := _near(column, missing, 0.6) or _near(column, absent, 0.75):
            why = f"test {test.id} has no such column."
            self.wrong(header, "column", column, why, f"Did you mean {near!r}?")
            return near
        elif (repeat := _repeat(column, test)) is not None:
            self.wrong(header, "column", column, *repeat)
        else:
            self.skip(f"{header.file}: column {column}", f"test {test.id} declares no such reading")
        return ""

    # -- long

    def long(self, table: Table) -> None:
        """A row a reading."""
        if not self.long_columns(table):
            return
        for at, row in self.rows(table):
            test = self.test(at, row)
            reading = self.reading(at, row, test) if test is not None else None
            if test is None or reading is None:
                continue
            repeat = self.repeat(at, row.get("repeat", "") or "1", test, reading)
            of = self.long_of(at, row, test, reading)
            self.same_unit(at, row.get("unit", ""), test, reading)
            if of is None or repeat is None:
                continue
            earlier = self.cells.get((of, reading.id, repeat))
            if earlier is not None:
                of_what = f"{of.name.replace(' ', ', run ')}" if of.what == "run" else f"{of.what} {of.name}"
                why = f"line {earlier.at.line} has {reading.id} of {of_what}, repeat {repeat} already."
                self.wrong(at, "row", "", why, "Correct one of the two, or number the repeats.")
                continue
            self.enter(reading, of, repeat, row.get("value", ""), at, "value")

    def long_of(self, at: Place, row: Mapping[str, str], test: Test, reading: DeclaredReading) -> _Of | None:
        """What the reading of a long row was taken of; finer columns are empty where several runs share it."""
        if reading.of in ("test", "block", "specimen"):
            columns = {"test": "test", "block": test.block_column, "specimen": "specimen"}
            name = row.get(columns[reading.of], "")
            return _Of(test.id, reading.of, name)
        product = self.product(at, row, test)
        if product is None:
            return None
        if reading.of == "product":
            return _Of(test.id, "product", product)
        run = self.add_run(at, row, test, product, row.get("run", "") or "1", anew=False)
        return _Of.run("run", self.runs[run]) if run is not None else None

    def long_columns(self, table: Table) -> bool:
        """Whether the columns are there that a long sheet needs."""
        header = Place(table.file, table.header)
        needed = ("test", "product", "reading", "value")
        absent = [column for column in _LONG_COLUMNS if column not in table.columns]
        meant = set()
        for column in table.columns:
            if column in _LONG_COLUMNS:
                continue
            if near := _near(column, absent, 0.75):
                meant.add(near)
                self.wrong(header, "column", column, "a long sheet has no such column.", f"Did you mean {near!r}?")
            else:
                self.skip(f"{table.file}: column {column}", "this version does not read this column")
        for column in needed:
            if column in absent and column not in meant:
                self.wrong(header, "header", "", f"column {column!r} is missing.", f"Add a column {column}.")
        return not set(needed) & set(absent)

    def test(self, at: Place, row: Mapping[str, str]) -> Test | None:
        name = row.get("test", "")
        if name not in self.tests:
            self.wrong(at, "test", name, _unknown(name, "the study has no such test."), suggest(name, list(self.tests)))
        return self.tests.get(name)

    def reading(self, at: Place, row: Mapping[str, str], test: Test) -> DeclaredReading | None:
        name = row.get("reading", "")
        found = next((r for r in test.readings if r.id == name), None)
        if found is None:
            near = suggest(name, [r.id for r in test.readings])
            self.wrong(at, "reading", name, _unknown(name, f"test {test.id} has no such reading."), near)
        return found

    def same_unit(self, at: Place, unit: str, test: Test, reading: DeclaredReading) -> None:
        if unit and unit != reading.unit.text:
            write = f"Convert the value and write {reading.unit.text}, or correct the unit."
            self.wrong(at, "unit", unit, f"{test.id} declares {reading.id} in {reading.unit.text}.", write)

    # -- shared

    def product(self, at: Place, row: Mapping[str, str], test: Test) -> str | None:
        """The product of a row where it goes through the test; else listed as not used, or noted."""
        name = row.get("product", "")
        if name in test.products:
            return name
        roles = {p.id: p.role for p in self.study.products}
        if name in roles:
            reason = {
                "reference": f"{name} is a reference that test {test.id} does not name",
                "control": f"{name} is not the control of test {test.id}",
            }.get(roles[name], f"test {test.id} is declared without {name}")
            self.skip(at, reason)
        else:
            near = self.called(name) or suggest(name, list(test.products))
            self.wrong(at, "product", name, _unknown(name, "the study has no such product."), near)
        return None

    def called(self, name: str) -> str:
        """What to write where a product was named as people call it."""
        for product in self.study.products:
            if name and name.casefold() in (n.casefold() for n in (product.name, *product.also)):
                return f"Write its id, {product.id}."
        return ""

    def repeat(self, at: Place, typed: str, test: Test, reading: DeclaredReading) -> int | None:
        repeat = self.whole(at, "repeat", typed)
        if repeat is not None and repeat > reading.repeats:
            self.wrong(at, "repeat", typed, *_too_many(repeat, test, reading))
            return None
        return repeat

    def whole(self, at: Place, subject: str, typed: str) -> int | None:
        if re.fullmatch(r"[1-9][0-9]{0,6}", typed):
            return int(typed)
        why = "a whole number is needed, 1 or more." if typed else f"the {subject} has no number."
        self.wrong(at, subject, typed, why, "Number the runs of a product 1, 2, 3 …" if subject == "run" else "")
        return None

    def add_run(
        self, at: Place, row: Mapping[str, str], test: Test, product: str, typed: str, *, anew: bool
    ) -> RunKey | None:
        """Enter the run of this row, `typed` being its number; unless `anew`, several rows may be of one run."""
        number = self.whole(at, "run", typed)
        if number is None:
            return None
        key = (test.id, product, number)
        run = Run(
            test=test.id,
            product=product,
            number=number,
            at=at,
            specimen=row.get("specimen", ""),
            block=self.block(at, row, test),
            lane=self.lane(at, row.get("lane", ""), test),
            order=self.order(at, row.get("order", "")),
            note=row.get("note", ""),
        )
        earlier = self.runs.get(key)
        if earlier is not None and anew:
            why = f"line {earlier.at.line} is run {number} of {product} already."
            self.wrong(at, "run", typed, why, "Number the runs of a product 1, 2, 3 …")
            return None
        self.runs[key] = run if earlier is None else self.merged(earlier, run)
        return key

    def block(self, at: Place, row: Mapping[str, str], test: Test) -> str:
        for column in ("block", "round"):
            if row.get(column) and (test.blocks is None or column != test.block_column):
                reason = (
                    "declares no blocks" if test.blocks is None else f"has its blocks in the column {test.block_column}"
                )
                self.skip(f"{at.file}: column {column}", f"test {test.id} {reason}")
        return row.get(test.block_column, "") if test.blocks is not None else ""

    def lane(self, at: Place, typed: str, test: Test) -> str:
        if typed and test.lanes is None:
            self.skip(f"{at.file}: column lane", f"test {test.id} declares no lanes")
        elif typed and not (re.fullmatch("[1-9][0-9]{0,3}", typed) and int(typed) <= (test.lanes or 0)):
            self.wrong(at, "lane", typed, f"test {test.id} has lanes 1 to {test.lanes}.", "Correct the lane.")
        return typed if test.lanes is not None else ""

    def order(self, at: Place, typed: str) -> float | None:
        place = number(typed)
        if typed and (place is None or place < 0):
            self.wrong(at, "order", typed, "the place in the order run is a number, 1 for the first.")
            return None
        return place

    def merged(self, earlier: Run, later: Run) -> Run:
        """One run told in two rows, which must agree."""
        for column in ("specimen", "block", "lane", "order"):
            before, now = getattr(earlier, column), getattr(later, column)
            if now and before and now != before:
                shown, given = (f"{x:g}" if isinstance(x, float) else x for x in (before, now))
                why = f"line {earlier.at.line} gives {shown} for the same run."
                self.wrong(later.at, column, given, why, "Correct one of the two.")
        known = not later.note or later.note in earlier.note.split("; ")
        return replace(
            earlier,
            specimen=earlier.specimen or later.specimen,
            block=earlier.block or later.block,
            lane=earlier.lane or later.lane,
            order=later.order if earlier.order is None else earlier.order,
            note=earlier.note if known else "; ".join(note for note in (earlier.note, later.note) if note),
        )

    def add_cell(self, run: RunKey, reading: str, repeat: int, typed: str, at: Place, column: str) -> None:
        """A cell of a wide sheet. What several runs share may stand in one of their rows, or in all alike."""
        declared = self.declared[run[0], reading]
        of = _Of.run(declared.of, self.runs[run])
        earlier = self.cells.get((of, reading, repeat))
        if typed and earlier is not None and declared.of != "run":
            if earlier.typed != typed:
                why = f"line {earlier.at.line} has {earlier.typed} for the same {declared.of}."
                self.wrong(at, column, typed, why, f"Correct one, or leave all but one empty: {reading} is read once.")
            return
        self.enter(declared, of, repeat, typed, at, column)

    def enter(self, declared: DeclaredReading, of: _Of, repeat: int, typed: str, at: Place, column: str) -> None:
        if not typed:
            return
        if not of.name:
            why = f"{declared.id} is read of a {declared.of}, and this row names none."
            self.wrong(at, column, typed, why, f"Fill in the column `{declared.of}`.")
            return
        found = _understood(typed, declared)
        if isinstance(found, Span):
            self.cells[of, declared.id, repeat] = _Cell(of, declared.id, repeat, typed, at, found)
        else:
            self.wrong(at, column, typed, *found)

    # -- the value

    def readings(self) -> Readings:
        """Everything understood, or StudyError."""
        self.all_in_blocks()
        if self.mistakes:
            raise StudyError(self.mistakes)
        keys = self.in_order()
        place = {key: n for n, key in enumerate(keys)}
        declared = {t.id: {r.id: n for n, r in enumerate(t.readings)} for t in self.study.tests}
        serves = self.serves(place)
        self.list_not_recorded(serves)
        kept = [c for c in self.cells.values() if serves[c.of]]
        cells = sorted(kept, key=lambda c: (serves[c.of][0], declared[c.of.test][c.reading], c.repeat))
        return Readings(
            runs=tuple(self.runs[key] for key in keys),
            serves=tuple(serves[c.of] for c in cells),
            reading=tuple(c.reading for c in cells),
            repeat=np.array([c.repeat for c in cells], dtype=np.int32),
            low=np.array([c.span.low for c in cells], dtype=np.float64),
            high=np.array([c.span.high for c in cells], dtype=np.float64),
            step=self.steps(cells),
            typed=tuple(c.typed for c in cells),
            at=tuple(c.at for c in cells),
            not_used=tuple(self.not_used),
        )

    def in_order(self) -> list[RunKey]:
        """Runs in study order, whatever the order of rows: figures must not depend on how a sheet was sorted."""
        tests = {id: n for n, id in enumerate(self.tests)}
        products = {p.id: n for n, p in enumerate(self.study.products)}
        return sorted(self.runs, key=lambda k: (tests[k[0]], products[k[1]], k[2]))

    def serves(self, place: Mapping[RunKey, int]) -> dict[_Of, tuple[int, ...]]:
        """Which runs each reading is of."""
        runs: dict[_Of, list[int]] = {}
        for key, n in place.items():
            for what in {r.of for r in self.tests[key[0]].readings}:
                runs.setdefault(_Of.run(what, self.runs[key]), []).append(n)
        for cell in self.cells.values():
            if cell.of not in runs:
                self.skip(f"{cell.at}: {cell.reading}", f"no run of {cell.of.test} is of {cell.of.what} {cell.of.name}")
        return {cell.of: tuple(sorted(runs.get(cell.of, []))) for cell in self.cells.values()}

    def all_in_blocks(self) -> None:
        """Where a test has blocks, every run says its own."""
        for test in self.study.tests:
            if test.blocks is None or test.id in self.misnamed_blocks:
                continue
            runs, column = [run for run in self.runs.values() if run.test == test.id], test.block_column
            lacking = [run for run in runs if not run.block]
            compares = f"test {test.id} compares within blocks ({test.blocks})"
            if len(lacking) == len(runs) > 1:
                why = f"{compares}, and no run names its own."
                self.wrong(Place(runs[0].at.file), column, "", why, f"Fill in a column `{column}`.")
                continue
            for run in lacking:
                self.wrong(
                    run.at, column, "", f"{compares}, and this run names none.", f"Fill in the column `{column}`."
                )
            self.one_to_a_lane(test, runs)

    def one_to_a_lane(self, test: Test, runs: list[Run]) -> None:
        """A round has no more runs than lanes, and a lane one run."""
        rounds: dict[str, list[Run]] = {}
        for run in runs:
            before = rounds.setdefault(run.block, [])
            taken = next((r for r in before if run.lane and r.lane == run.lane), None)
            if taken is not None:
                why = f"line {taken.at.line} has this lane of round {run.block} already."
                self.wrong(run.at, "lane", run.lane, why, "Correct one of the two.")
            before.append(run)
            if test.lanes and len(before) == test.lanes + 1:
                why = f"round {run.block} has more runs than the {test.lanes} lanes of test {test.id}."
                self.wrong(run.at, "round", run.block, why, "Correct the round, or the lanes in the study.")

    def list_not_recorded(self, serves: Mapping[_Of, tuple[int, ...]]) -> None:
        """Every reading that the study declares and a run lacks."""
        recorded = {(n, c.reading, c.repeat) for c in self.cells.values() for n in serves[c.of]}
        keys = self.in_order()
        for test in self.study.tests:
            runs = {n: self.runs[key] for n, key in enumerate(keys) if key[0] == test.id}
            # A text is written where there is something to say.
            wanted = [(r.id, n) for r in test.readings if r.kind != "text" for n in range(1, r.repeats + 1)]
            begun = any(n in runs for n, _, _ in recorded) or any(run.note for run in runs.values())
            if len(runs) > 1 and not begun:
                file = next(iter(runs.values())).at.file
                self.skip(f"{file}: all {len(runs)} runs of {test.id}", "nothing is recorded yet")
                continue
            for n, run in runs.items():
                lacks = [_column(*one) for one in wanted if (n, *one) not in recorded]
                what = ", ".join(lacks) if len(lacks) < len(wanted) else "all readings"
                if lacks:
                    self.skip(f"{run.at}: {what} of {run}", "not recorded" + (f" ({run.note})" if run.note else ""))

    def steps(self, cells: Iterable[_Cell]) -> NDArray[np.float64]:
        """Resolution of each reading: the instrument's, else the finest decimals typed in its column.

        A sheet program drops trailing zeros, so one cell's decimals say little and the column's finest rule.
        """
        rows = list(cells)
        finest: dict[tuple[str, str], float] = {}
        for cell in rows:
            key = (cell.of.test, cell.reading)
            finest[key] = min(finest.get(key, np.inf), cell.span.step)
        for test in self.study.tests:
            for reading in test.readings:
                resolution = reading.instrument.resolution if reading.instrument else None
                if resolution is not None:
                    step = reading.unit.difference_from_si(resolution.unit.difference_to_si(resolution.value))
                    finest[(test.id, reading.id)] = float(step)
        return np.array([max(finest[(c.of.test, c.reading)], _width(c.span)) for c in rows], dtype=np.float64)


def _width(found: Span) -> float:
    """How wide an interval is; 0 for a number, and for a bound, which has no width."""
    return found.high - found.low if np.isfinite(found.low) and np.isfinite(found.high) else 0.0


def _understood(typed: str, declared: DeclaredReading) -> Span | tuple[str, str]:
    """What a cell says, or why it says nothing and what to write."""
    if declared.is_number:
        return _number_cell(typed, declared)
    if declared.kind == "text":
        return Span(np.nan, np.nan, 0.0)
    if declared.kind == "place":
        if typed.casefold() == DID_NOT_FINISH:
            return Span(np.inf, np.inf, 1.0)
        if re.fullmatch(r"[1-9][0-9]{0,3}", typed):
            return Span(float(typed), float(typed), 1.0)
        return (
            "a place is a whole number, 1 for the first.",
            f"Equal places are equal numbers; or write {DID_NOT_FINISH}.",
        )
    levels = [level.casefold() for level in declared.levels]
    if typed.casefold() in levels:
        place = float(levels.index(typed.casefold()))
        return Span(place, place, 1.0)
    return f"this is no level of {declared.id}.", suggest(typed, list(declared.levels))


def _number_cell(typed: str, declared: DeclaredReading) -> Span | tuple[str, str]:
    if typed.casefold() == DID_NOT_FINISH:
        if declared.limit is None:
            why = f"nothing says how far {declared.id} went before it was given up."
            return why, f'Add limit = "600 {declared.unit.text}" (or yours) to the reading in the study.'
        return Span(declared.limit, np.inf, 1.0)
    return span(typed, clock=declared.kind == "time") or advice(typed, declared.unit.text)


def _column(reading: str, repeat: int) -> str:
    return reading if repeat == 1 else f"{reading}.{repeat}"


def _column_write(column: str) -> str:
    return "Add it, with a product id in each row." if column == "product" else f"Add a column {column}."


def _near(column: str, known: Sequence[str], cutoff: float) -> str:
    """The one of `known` that a column was probably meant to be; "" where none is near."""
    near = get_close_matches(column.casefold()[:100], known, n=1, cutoff=cutoff)
    return near[0] if near else ""


def _repeat(column: str, test: Test) -> tuple[str, str] | None:
    """Why a column such as wet.3 is none, where `wet` is a reading."""
    id, _, repeat = column.partition(".")
    reading = next((r for r in test.readings if r.id == id), None)
    if reading is None or not re.fullmatch("[0-9]{1,3}", repeat):
        return None
    if int(repeat) < 2:
        return f"the first {id} of a run stands in the column {id}.", f"Call the second {id}.2."
    return _too_many(int(repeat), test, reading)


def _too_many(repeat: int, test: Test, reading: DeclaredReading) -> tuple[str, str]:
    declared = "one reading" if reading.repeats == 1 else f"{reading.repeats} readings"
    why = f"test {test.id} declares {declared} of {reading.id} in a run."
    return why, f"Write repeats = {repeat} in the study, or correct it."


def _unknown(name: str, why: str) -> str:
    return why if name else "the cell is empty."
