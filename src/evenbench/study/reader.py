"""Tables -> Readings: every cell understood, or told with its place and what to write.

A column is read at once: each distinct text is understood once, whatever the number of rows that hold it, so that a
logger's million rows take seconds. What goes wrong is told row by row, and all of it together.
"""

# Throughout this module:
#   row   index into the rows of one table          test, product, reading   index in study order; -1 is none
#   run   index into the runs found in one table, until all tables are joined
#   what  which of its runs a reading is of: "run" for one alone, or what several share, by its place in WHATS

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.errors import suggest
from evenbench.measure.formula import Choice, needs
from evenbench.study.cells import Span
from evenbench.study.columns import Lists, Places, Rows, Texts, combined
from evenbench.study.dialect import Dialect, split_header
from evenbench.study.lending import lent
from evenbench.study.mistakes import Place, StudyError
from evenbench.study.model import DeclaredReading, ReadingOf, Study, Test
from evenbench.study.planned import Planned, read_plan
from evenbench.study.readings import LONG, PLAN, Readings, Runs
from evenbench.study.sheet import MOST_MISTAKES, RUN_COLUMNS, WHATS, FoundRuns, Known, Named, Sheet, named, too_many
from evenbench.study.table import Table
from evenbench.study.values import plain_numbers, understood

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_LONG_COLUMNS = ("test", *RUN_COLUMNS, "reading", "repeat", "value", "unit", "instrument")
_NO_PLAN = (
    "nothing says which product a code stands for.",
    "Put the plan beside the sheets as plan.csv, or name products in a column `product`.",
)
_KEPT_COLUMNS = ("at", "by")  # of interest to whoever looks a reading up


def wide_columns(test: Test) -> tuple[str, ...]:
    """The columns that are read of a test's wide sheet."""
    return (*RUN_COLUMNS, "code", *_typed(test))


def long_columns() -> tuple[str, ...]:
    """The columns that are read of a long sheet."""
    return (*_LONG_COLUMNS, "code")


def read(tables: Mapping[str, Table], study: Study) -> Readings:
    """Everything that the tables say, or StudyError with every mistake in them. See `parse_readings`."""
    reader = _Reader(study)
    if PLAN in tables:
        reader.plan = read_plan(tables[PLAN], reader.known)
    for name, table in tables.items():
        if name == PLAN:
            continue
        if name == LONG:
            reader.long(table)
        elif name in reader.known.test_index:
            reader.wide(table, reader.known.test_index[name])
        else:
            near = suggest(name, list(reader.known.test_index))
            reader.known.wrong(Place(table.file), "sheet", name, "the study has no such test.", near)
    return reader.readings()


@dataclass(frozen=True, kw_only=True)
class _FoundCells:
    """Readings of one table that were understood. `name` tells what each is of from others of its kind."""

    reading: Ints
    name: Ints
    repeat: Ints
    low: Floats
    high: Floats
    step: Floats
    typed: Texts
    line: Ints
    file: str


@dataclass(frozen=True, kw_only=True)
class _Cells:
    """Cells of one table that hold something, before they are understood: the rows they stand in, and what they are.

    run      index into the runs of the table; -1 where the reading is not of one run
    column   what the cell is called when something is wrong with it
    dialect  how numbers in it are written
    """

    row: Rows
    test: Ints
    product: Ints
    reading: Ints
    run: Ints
    specimen: Ints
    block: Ints
    repeat: Ints
    text: Texts
    column: str
    dialect: Dialect


class _Reader:
    """Gathers runs, cells and mistakes from one table after another."""

    def __init__(self, study: Study) -> None:
        self.known = Known(study)
        self.runs: list[FoundRuns] = []
        self.cells: list[_FoundCells] = []
        self.plan: Planned | None = None
        self.misnamed_blocks: set[str] = set()  # tests whose column of blocks goes by another name

    def completed(self, header: Named, test: Test | None) -> Named:
        """With what the plan says of its rows, where there is one."""
        if self.plan is None:
            return header
        return Named(self.plan.completed(header.table, self.known, test), header.unit)

    # -- wide

    def wide(self, table: Table, t: int) -> None:
        """A row a run, a column a reading."""
        before, test = len(self.known.mistakes), self.known.tests[t]
        header = self.completed(named(table), test)
        columns = self.wide_columns(header, test)
        if "product" not in header.table.columns:
            return
        sheet = Sheet(self.known, header.table.filled())
        tests = np.full(len(sheet), t)
        product = sheet.products(np.arange(len(sheet)), tests)
        kept = np.flatnonzero(product >= 0)
        if "run" in header.table.columns:
            typed = sheet.column("run")
        else:
            kept = self.told_apart(sheet, kept, product)
            typed = Texts.alike("1", len(sheet))
        rows, run = sheet.runs(kept, tests, product, typed, anew=True)
        self.runs.append(sheet.found)
        for column, (reading, repeat) in columns.items():
            self.wide_column(
                sheet, column, header.unit[column], self.known.reading_index[t, reading], repeat, rows, run
            )
        self.known.not_the_rest(table.file, before)

    def wide_column(
        self, sheet: Sheet, column: str, unit: str, reading: int, repeat: int, rows: Rows, run: Ints
    ) -> None:
        """One column of readings. What several runs share may stand in one of their rows, or in all alike."""
        t, declared = self.known.declared[reading]
        text = sheet.column(column)
        if unit and not self.known.same_unit(unit, declared):
            write = f"Convert them and write {column} ({declared.unit.text}), or correct the header."
            why = f"test {self.known.tests[t].id} declares {declared.id} in {declared.unit.text or 'no unit'}."
            self.known.wrong(sheet.header, "column", f"{column} ({unit})", why, write)
            return
        there = text.filled[rows]
        rows, run = rows[there], run[there]
        found = sheet.found
        count = len(rows)
        cells = _Cells(
            row=rows,
            test=np.full(count, t),
            product=found.product[run],
            reading=np.full(count, reading),
            run=run,
            specimen=found.specimen[run],
            block=found.block[run],
            repeat=np.full(count, repeat),
            text=text.take(rows),
            column=column,
            dialect=sheet.settle(column, rows, text),
        )
        if declared.of != "run":
            cells = self.once(sheet, cells, declared)
        self.enter(sheet, cells)

    def once(self, sheet: Sheet, cells: _Cells, declared: DeclaredReading) -> _Cells:
        """Of a reading that several runs share, the first cell; the others must say the same."""
        name = self.names_of(cells)
        _, first, group = np.unique(name, return_index=True, return_inverse=True)
        nameless = self.nameless(cells, name)
        differs = (cells.text.code != cells.text.code[first[group]]) & ~nameless
        for n in self.known.some(differs):
            earlier = int(first[group[n]])
            why = f"line {sheet.at(cells.row[earlier]).line} has {cells.text[earlier]} for the same {declared.of}."
            write = f"Correct one, or leave all but one empty: {declared.id} is read once."
            self.known.wrong(sheet.at(cells.row[n]), cells.column, cells.text[n], why, write)
        # Rows that name no specimen are told one by one, and not as if they shared a nameless one.
        kept = nameless.copy()
        kept[first] = True
        return _taken(cells, np.flatnonzero(kept))

    def told_apart(self, sheet: Sheet, kept: Rows, product: Ints) -> Rows:
        """In a sheet without run numbers every product has one row; the rows that are the only one of theirs."""
        who, first, count = np.unique(product[kept], return_index=True, return_counts=True)
        for p, n in zip(who[count > 1].tolist(), count[count > 1].tolist(), strict=True):
            lines = [sheet.at(row).line for row in kept[product[kept] == p][: MOST_MISTAKES + 1]]
            where = ", ".join(map(str, lines[:20])) + (" …" if n > 20 else "")
            why = f"lines {where} are all of this product, and nothing says whether they are runs or repeats."
            write = "Number the runs in a column `run`, or put repeats of one run into columns such as wet.2."
            self.known.wrong(Place(sheet.table.file, lines[1]), "rows", self.known.products[p], why, write)
        return np.sort(kept[first])

    def wide_columns(self, header: Named, test: Test) -> dict[str, tuple[str, int]]:
        """Which column holds which reading and repeat; strangers and gaps in the header are noted."""
        table = header.table
        at = Place(table.file, table.header)
        wanted = _typed(test)
        missing = [column for column in ("product", *wanted) if column not in table.columns]
        absent = [column for column in RUN_COLUMNS if column not in table.columns]
        strangers = [column for column in table.columns if column not in wanted and column not in RUN_COLUMNS]
        meant = {self.wide_stranger(at, column, test, missing, absent) for column in strangers}
        if test.block_column in meant:
            self.misnamed_blocks.add(test.id)
        for column in missing:
            if column not in meant:
                found = ", ".join(table.columns) or "nothing"
                why = f"column {column!r} is missing; the header has {found}."
                self.known.wrong(at, "header", "", why, _column_write(column))
        return {column: wanted[column] for column in table.columns if column in wanted}

    def wide_stranger(self, header: Place, column: str, test: Test, missing: list[str], absent: list[str]) -> str:
        """Say what is wrong with a column that is not expected; the column that it was meant to be, or ""."""
        if column == "code":
            self.known.wrong(header, "column", column, *_NO_PLAN)
            return "product"
        if column in _KEPT_COLUMNS:
            self.known.skip(f"{header.file}: column {column}", "no figure rests on it")
        elif (plain := split_header(column)[0]) in RUN_COLUMNS:
            self.known.wrong(header, "column", column, "this column has no unit.", f"Call it {plain}.")
            return plain
        elif near := _near(column, missing, 0.6) or _near(column, absent, 0.75):
            why = f"test {test.id} has no such column."
            self.known.wrong(header, "column", column, why, f"Did you mean {near!r}?")
            return near
        elif lent := next((r.lent_by for r in test.readings if r.lent_by and r.id == column.partition(".")[0]), ""):
            self.known.wrong(header, "column", column, f"it is lent by {lent}.", "Take the column out.")
        elif (repeat := _repeat(column, test)) is not None:
            self.known.wrong(header, "column", column, *repeat)
        else:
            self.known.skip(f"{header.file}: column {column}", f"test {test.id} declares no such reading")
        return ""

    # -- long

    def long(self, table: Table) -> None:
        """A row a reading."""
        before = len(self.known.mistakes)
        header = self.completed(named(table), None)
        if not self.long_columns(header.table):
            return
        sheet = Sheet(self.known, header.table.filled())
        rows = np.arange(len(sheet))
        test = sheet.tests(rows)
        rows = rows[test[rows] >= 0]
        reading = sheet.readings(rows, test)
        rows = rows[reading[rows] >= 0]
        repeat = sheet.repeats(rows, reading)
        product = np.full(len(sheet), -1)
        what = self.known.what[reading[rows]]
        of_run, of_product = what == WHATS.index("run"), what == WHATS.index("product")
        named_in = rows[of_run | of_product]
        product[named_in] = sheet.products(named_in, test)
        alone = rows[of_run & (product[rows] >= 0)]
        typed = sheet.column("run")
        typed = Texts(tuple(text or "1" for text in typed.distinct), typed.code)
        ran, index = sheet.runs(alone, test, product, typed, anew=False)
        self.runs.append(sheet.found)
        run = np.full(len(sheet), -1)
        run[ran] = index
        sheet.units(rows, reading, header.unit["value"])
        sheet.instruments(rows, reading)
        placed = np.where(of_run, run[rows] >= 0, np.where(of_product, product[rows] >= 0, True))
        rows = rows[placed & (repeat[rows] > 0)]
        text = sheet.column("value")
        rows = rows[text.filled[rows]]
        specimen, block = sheet.word("specimen"), sheet.blocks(np.arange(len(sheet)), test)
        cells = _Cells(
            row=rows,
            test=test[rows],
            product=product[rows],
            reading=reading[rows],
            run=run[rows],
            specimen=specimen[rows],
            block=block[rows],
            repeat=repeat[rows],
            text=text.take(rows),
            column="value",
            dialect=sheet.settle("value", rows[self.is_number(reading[rows])], text),
        )
        self.enter(sheet, self.no_other(sheet, cells))
        self.known.not_the_rest(table.file, before)

    def no_other(self, sheet: Sheet, cells: _Cells) -> _Cells:
        """The first row of every reading; a second is told."""
        name = self.names_of(cells)
        key = combined(cells.reading, name, cells.repeat)
        _, first, group = np.unique(key, return_index=True, return_inverse=True)
        again = (first[group] != np.arange(len(key))) & ~self.nameless(cells, name)
        for n in self.known.some(again):
            _, reading = self.known.declared[cells.reading[n]]
            line = sheet.at(cells.row[first[group[n]]]).line
            of = self.called_of(sheet, cells, int(n))
            why = f"line {line} has {reading.id} of {of}, repeat {cells.repeat[n]} already."
            self.known.wrong(sheet.at(cells.row[n]), "row", "", why, "Correct one of the two, or number the repeats.")
        return _taken(cells, np.flatnonzero(~again))

    def called_of(self, sheet: Sheet, cells: _Cells, n: int) -> str:
        """What a cell is of: "ostrel, run 1", "specimen A1"."""
        what = WHATS[self.known.what[cells.reading[n]]]
        if what == "run":
            return f"{self.known.products[cells.product[n]]}, run {sheet.found.number[cells.run[n]]}"
        words = tuple(self.known.words.codes)
        named = {
            "specimen": words[cells.specimen[n]],
            "block": words[cells.block[n]],
            "product": self.known.products[cells.product[n]] if cells.product[n] >= 0 else "",
        }
        return f"{what} {named.get(what, self.known.tests[cells.test[n]].id)}"

    def long_columns(self, table: Table) -> bool:
        """Whether the columns are there that a long sheet needs."""
        header = Place(table.file, table.header)
        needed = ("test", "product", "reading", "value")
        absent = [column for column in _LONG_COLUMNS if column not in table.columns]
        meant = set()
        for column in table.columns:
            if column in _LONG_COLUMNS:
                continue
            if column == "code":
                meant.add("product")
                self.known.wrong(header, "column", column, *_NO_PLAN)
            elif (plain := split_header(column)[0]) in RUN_COLUMNS:
                meant.add(plain)
                self.known.wrong(header, "column", column, "this column has no unit.", f"Call it {plain}.")
            elif column in _KEPT_COLUMNS:
                self.known.skip(f"{table.file}: column {column}", "no figure rests on it")
            elif near := _near(column, absent, 0.75):
                meant.add(near)
                self.known.wrong(
                    header, "column", column, "a long sheet has no such column.", f"Did you mean {near!r}?"
                )
            else:
                self.known.skip(f"{table.file}: column {column}", "this version does not read this column")
        for column in needed:
            if column in absent and column not in meant:
                self.known.wrong(header, "header", "", f"column {column!r} is missing.", f"Add a column {column}.")
        return not set(needed) & set(absent)

    # -- cells

    def names_of(self, cells: _Cells) -> Ints:
        """What tells the thing that each cell is of from others of its kind; 0 where it is a nameless one."""
        by_what = {
            "run": cells.run,
            "specimen": cells.specimen,
            "block": cells.block,
            "product": cells.product,
            "test": np.zeros_like(cells.run),
        }
        return np.asarray(np.choose(self.known.what[cells.reading], [by_what[what] for what in WHATS]))

    def nameless(self, cells: _Cells, name: Ints) -> Bools:
        """bool[cells] of something that needs a name and has none."""
        named = np.isin(self.known.what[cells.reading], [WHATS.index("specimen"), WHATS.index("block")])
        return np.asarray((name == 0) & named)

    def enter(self, sheet: Sheet, cells: _Cells) -> None:
        """Understand cells and keep them."""
        name = self.names_of(cells)
        nameless = self.nameless(cells, name)
        for n in self.known.some(nameless):
            _, declared = self.known.declared[cells.reading[n]]
            why = f"{declared.id} is read of a {declared.of}, and this row names none."
            write = f"Fill in the column `{declared.of}`."
            self.known.wrong(sheet.at(cells.row[n]), cells.column, cells.text[n], why, write)
        cells = _taken(cells, np.flatnonzero(~nameless))
        low, high, step = self.understood(sheet, cells)
        self.cells.append(
            _FoundCells(
                reading=cells.reading,
                # Until all runs are known, a cell of one run names it by its place in this table.
                name=self.names_of(cells),
                repeat=cells.repeat,
                low=low,
                high=high,
                step=step,
                typed=cells.text,
                line=sheet.table.line[cells.row],
                file=sheet.table.file,
            )
        )

    def is_number(self, reading: Ints) -> Bools:
        """Whether formulas can compute with each of some declared readings."""
        return np.array([declared.is_number for _, declared in self.known.declared], dtype=np.bool_)[reading]

    def understood(self, sheet: Sheet, cells: _Cells) -> tuple[Floats, Floats, Floats]:
        """The bounds and last place that each cell gives; what gives none is told."""
        is_number = self.is_number(cells.reading)
        plain = plain_numbers(cells.text, cells.dialect)
        low = np.where(is_number, plain.value[cells.text.code], np.nan)
        step = plain.step[cells.text.code]
        high = low.copy()
        rest = np.flatnonzero(np.isnan(low))
        _, first, group = np.unique(
            combined(cells.reading[rest], cells.text.code[rest]), return_index=True, return_inverse=True
        )
        found = [
            understood(cells.text[n], self.known.declared[cells.reading[n]][1], cells.dialect, self.known.same_unit)
            for n in rest[first].tolist()
        ]
        spans = [one if isinstance(one, Span) else Span(np.nan, np.nan, 0.0) for one in found]
        for column, values in (
            (low, [s.low for s in spans]),
            (high, [s.high for s in spans]),
            (step, [s.step for s in spans]),
        ):
            column[rest] = np.array(values, dtype=np.float64)[group]
        wrong = np.array([not isinstance(one, Span) for one in found], dtype=np.bool_)
        for n in self.known.some(wrong[group]):
            said = found[group[n]]
            if not isinstance(said, Span):
                self.known.wrong(sheet.at(cells.row[rest[n]]), cells.column, cells.text[int(rest[n])], *said)
        return low, high, step

    # -- everything together

    def readings(self) -> Readings:
        """Everything understood, or StudyError."""
        runs, place = self.joined_runs()
        self.all_in_blocks(runs)
        if self.known.mistakes:
            raise StudyError(self.known.mistakes)
        return self.joined_cells(runs, place)

    def joined_runs(self) -> tuple[Runs, list[Ints]]:
        """Runs in study order, whatever the order of rows; and where those of each table came to stand."""
        parts = self.runs
        test, product, number, line = (
            np.concatenate([np.zeros(0, dtype=np.int64), *(getattr(part, name) for part in parts)]).astype(np.int64)
            for name in ("test", "product", "number", "line")
        )
        order = np.lexsort((number, product, test))
        words = tuple(self.known.words.codes)
        text = {
            name: Texts(
                words,
                np.concatenate([np.zeros(0, dtype=np.int64), *(getattr(p, name) for p in parts)]).astype(np.int32)[
                    order
                ],
            )
            for name in ("specimen", "block", "lane")
        }
        files = Texts.joined([Texts.alike(part.file, len(part.test)) for part in parts])
        runs = Runs(
            test=Texts([t.id for t in self.known.tests], test[order].astype(np.int32)),
            product=Texts(self.known.products, product[order].astype(np.int32)),
            number=number[order],
            at=Places(files.take(order), line[order]),
            order=np.concatenate([np.zeros(0), *(part.order for part in parts)])[order],
            note=Texts.joined([part.note for part in parts]).take(order),
            **text,
        )
        stands = np.empty(len(order), dtype=np.int64)
        stands[order] = np.arange(len(order))
        ends = np.cumsum([0, *(len(part.test) for part in parts)])
        return runs, [stands[a:b] for a, b in pairwise(ends)]

    def joined_cells(self, runs: Runs, place: list[Ints]) -> Readings:
        by_file = {part.file: stands for part, stands in zip(self.runs, place, strict=True)}
        parts = self.cells
        none = np.zeros(0, dtype=np.int64)
        reading, name, repeat, line = (
            np.concatenate([none, *(getattr(part, column) for part in parts)]).astype(np.int64)
            for column in ("reading", "name", "repeat", "line")
        )
        low, high, step = (
            np.concatenate([np.zeros(0), *(getattr(part, column) for part in parts)])
            for column in ("low", "high", "step")
        )
        typed = Texts.joined([part.typed for part in parts])
        files = Texts.joined([Texts.alike(part.file, len(part.reading)) for part in parts])
        one = self.known.what[reading] == WHATS.index("run")
        for part, (start, end) in zip(parts, _spans([len(part.reading) for part in parts]), strict=True):
            if part.file in by_file:
                here = np.arange(start, end)[one[start:end]]
                name[here] = by_file[part.file][name[here]]
        serves = self.serves(runs, reading, name, one)
        loans = list(lent(self.known, runs, reading, name))
        lenders = np.concatenate([none, *(loan.cell for loan in loans)])
        alone = np.setdiff1d(np.flatnonzero(serves.length == 0), lenders)
        for n in alone[: 10 * MOST_MISTAKES].tolist():
            t, declared = self.known.declared[reading[n]]
            at = Place(files[n], int(line[n]))
            of = self.word_of(declared.of, int(name[n]), t)
            self.known.skip(f"{at}: {declared.id}", f"no run of {self.known.tests[t].id} is of {declared.of} {of}")
        # What is lent stands twice, in the test that lends it and in the one that borrows it.
        own = np.flatnonzero(serves.length > 0)
        cell = np.concatenate([own, *(loan.cell for loan in loans)])
        whose = np.concatenate([reading[own], *(np.full(len(loan.cell), loan.reading) for loan in loans)])
        serves = Lists.joined([serves.take(own), *(loan.serves for loan in loans)])
        order = np.argsort(combined(serves.first, whose, repeat[cell]), kind="stable")
        cell, whose, serves = cell[order], whose[order], serves.take(order)
        self.list_not_recorded(runs, whose, repeat[cell], serves)
        return Readings(
            runs=runs,
            serves=serves,
            reading=_ids([declared.id for _, declared in self.known.declared], whose),
            repeat=repeat[cell].astype(np.int32),
            low=low[cell],
            high=high[cell],
            step=self.steps(reading, step, low, high)[cell],
            typed=typed.take(cell),
            at=Places(files.take(cell), line[cell]),
            unplanned=self.plan.compared(runs, self.known) if self.plan is not None else (),
            not_used=tuple(self.known.not_used),
        )

    def word_of(self, what: ReadingOf, name: int, t: int) -> str:
        if what in ("specimen", "block"):
            return tuple(self.known.words.codes)[name]
        return self.known.products[name] if what == "product" else self.known.tests[t].id

    def serves(self, runs: Runs, reading: Ints, name: Ints, one: Bools) -> Lists:
        """Which runs each reading is of."""
        length = one.astype(np.int64)
        shared: dict[int, Lists] = {}
        for k in np.unique(reading[~one]).tolist():
            t, declared = self.known.declared[k]
            mine = np.flatnonzero(runs.test.code == t)
            column = {
                "specimen": runs.specimen.code,
                "block": runs.block.code,
                "product": runs.product.code,
            }.get(declared.of, np.zeros(len(runs), dtype=np.int32))
            most = int(max(column.max(initial=0), name[reading == k].max(initial=0))) + 1
            shared[k] = Lists.grouped(mine.astype(np.int64), column[mine].astype(np.int64), most)
            here = reading == k
            length[here] = shared[k].length[name[here]]
        start = np.concatenate(([0], np.cumsum(length))).astype(np.int64)
        member = np.empty(int(start[-1]), dtype=np.int64)
        member[start[:-1][one]] = name[one]
        for k, groups in shared.items():
            here = np.flatnonzero(reading == k)
            lists = groups.take(name[here])
            member[np.repeat(start[:-1][here] - lists.start[:-1], lists.length) + np.arange(len(lists.member))] = (
                lists.member
            )
        return Lists(start, member)

    def all_in_blocks(self, runs: Runs) -> None:
        """Where a test has blocks, every run says its own."""
        for t, test in enumerate(self.known.tests):
            if test.blocks is None or test.id in self.misnamed_blocks:
                continue
            mine, column = np.flatnonzero(runs.test.code == t), test.block_column
            lacking = mine[~runs.block.filled[mine]]
            compares = f"test {test.id} compares within blocks ({test.blocks})"
            if len(lacking) == len(mine) > 1:
                why = f"{compares}, and no run names its own."
                self.known.wrong(Place(runs.at[int(mine[0])].file), column, "", why, f"Fill in a column `{column}`.")
                continue
            for n in lacking[: MOST_MISTAKES + 1].tolist():
                why = f"{compares}, and this run names none."
                self.known.wrong(runs.at[n], column, "", why, f"Fill in the column `{column}`.")
            if test.lanes:
                self.one_to_a_lane(test, test.lanes, runs, mine)

    def one_to_a_lane(self, test: Test, lanes: int, runs: Runs, mine: Rows) -> None:
        """A round has no more runs than lanes, and a lane one run."""
        rounds: dict[str, list[int]] = {}
        for n in mine[np.argsort(runs.at.line[mine], kind="stable")].tolist():
            block, lane = runs.block[n], runs.lane[n]
            before = rounds.setdefault(block, [])
            taken = next((r for r in before if lane and runs.lane[r] == lane), None)
            if taken is not None:
                why = f"line {runs.at[taken].line} has this lane of round {block} already."
                self.known.wrong(runs.at[n], "lane", lane, why, "Correct one of the two.")
            before.append(n)
            if len(before) == lanes + 1:
                why = f"round {block} has more runs than the {lanes} lanes of test {test.id}."
                self.known.wrong(runs.at[n], "round", block, why, "Correct the round, or the lanes in the study.")

    def list_not_recorded(self, runs: Runs, reading: Ints, repeat: Ints, serves: Lists) -> None:
        """Every reading that the study declares and a run lacks."""
        reading, repeat = reading[serves.owner], repeat[serves.owner]
        test = self.known.test_of[reading]
        for t, of in enumerate(self.known.tests):
            mine, here = np.flatnonzero(runs.test.code == t), np.flatnonzero(test == t)
            if not len(mine):
                continue
            if len(mine) > 1 and not len(here) and not runs.note.filled[mine].any():
                file = runs.at[int(mine[0])].file
                self.known.skip(f"{file}: all {len(mine)} runs of {of.id}", "nothing is recorded yet")
                continue
            # A text is written where there is something to say.
            wanted = [(r.id, n) for r in of.readings if r.kind != "text" for n in range(1, r.repeats + 1)]
            starts = np.zeros(len(self.known.declared), dtype=np.int64)
            for k, one in reversed(list(enumerate(wanted))):
                starts[self.known.reading_index[t, one[0]]] = k
            texts = [self.known.reading_index[t, r.id] for r in of.readings if r.kind == "text"]
            here = here[~np.isin(reading[here], texts)]
            there = np.zeros((len(mine), len(wanted)), dtype=np.bool_)
            there[serves.member[here] - mine[0], starts[reading[here]] + repeat[here] - 1] = True
            lent = {r.id: r.lent_by for r in of.readings if r.lent_by}
            ways = _ways(of)
            always = {name for r in of.results for name in needs(r.formula) if isinstance(name, str)}
            for row in np.flatnonzero(~there.all(axis=1)).tolist():
                run = runs[int(mine[row])]
                has = {wanted[k][0] for k in np.flatnonzero(there[row]).tolist()}
                lacks = [wanted[k] for k in np.flatnonzero(~there[row]).tolist()]
                lacks = [one for one in lacks if one[0] in always or not _stood_in_for(one[0], has, ways)]
                for id in dict.fromkeys(id for id, _ in lacks if id in lent):
                    self.known.skip(f"{run.at}: {id} of {run}", f"{lent[id]} has none to lend")
                own = [_column(*one) for one in lacks if one[0] not in lent]
                what = ", ".join(own) if len(own) < len(wanted) else "all readings"
                if own:
                    self.known.skip(
                        f"{run.at}: {what} of {run}", "not recorded" + (f" ({run.note})" if run.note else "")
                    )

    def steps(self, reading: Ints, step: Floats, low: Floats, high: Floats) -> Floats:
        """Resolution of each reading: the instrument's, else the finest decimals typed in its column.

        A sheet program drops trailing zeros, so one cell's decimals say little and the column's finest rule.
        """
        finest = np.full(len(self.known.declared), np.inf)
        np.minimum.at(finest, reading, step)
        for k, (_, declared) in enumerate(self.known.declared):
            resolution = declared.instrument.resolution if declared.instrument else None
            if resolution is not None:
                in_si = resolution.unit.difference_to_si(resolution.value)
                finest[k] = float(declared.unit.difference_from_si(in_si))
        # An interval is as coarse as it is wide; a bound has no width.
        with np.errstate(invalid="ignore"):
            width = np.where(np.isfinite(low) & np.isfinite(high), high - low, 0.0)
        return np.asarray(np.maximum(finest[reading], width), dtype=np.float64)


# -- arrays


def _spans(lengths: Sequence[int]) -> list[tuple[int, int]]:
    ends = np.cumsum([0, *lengths]).tolist()
    return list(pairwise(ends))


def _taken(cells: _Cells, rows: Rows) -> _Cells:
    return _Cells(
        row=cells.row[rows],
        test=cells.test[rows],
        product=cells.product[rows],
        reading=cells.reading[rows],
        run=cells.run[rows],
        specimen=cells.specimen[rows],
        block=cells.block[rows],
        repeat=cells.repeat[rows],
        text=cells.text.take(rows),
        column=cells.column,
        dialect=cells.dialect,
    )


def _ids(ids: Sequence[str], index: Ints) -> Texts:
    """Ids by index; readings of two tests may share an id, and then they share its code."""
    distinct = list(dict.fromkeys(ids))
    code = np.array([distinct.index(id) for id in ids], dtype=np.int32)
    return Texts(distinct, code[index] if len(ids) else np.zeros(0, dtype=np.int32))


def _ways(test: Test) -> list[tuple[frozenset[str], ...]]:
    """For every first_of in the formulas of a test, the readings that each of its values is computed from."""
    formulas = {r.id: r.formula for r in test.results}
    read = {r.id for r in test.readings}

    def readings(name: str | Choice) -> frozenset[str]:
        if isinstance(name, Choice):
            return frozenset().union(*(readings(part) for way in name.of for part in way))
        if name in formulas:
            return frozenset().union(*(readings(part) for part in needs(formulas[name])))
        return frozenset([name]) & read

    found = [choice for formula in formulas.values() for choice in needs(formula) if isinstance(choice, Choice)]
    return [tuple(frozenset().union(*(readings(part) for part in way)) for way in choice.of) for choice in found]


def _stood_in_for(id: str, has: set[str], ways: Sequence[tuple[frozenset[str], ...]]) -> bool:
    """Whether a run that lacks a reading has another value that serves in its place."""
    return any(
        any(id in way for way in choice) and any(way <= has for way in choice if id not in way) for choice in ways
    )


def _typed(test: Test) -> dict[str, tuple[str, int]]:
    """The columns of readings in a test's wide sheet, each with its reading and repeat."""
    return {_column(r.id, n): (r.id, n) for r in test.readings if not r.lent_by for n in range(1, r.repeats + 1)}


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
    return too_many(int(repeat), test, reading)
