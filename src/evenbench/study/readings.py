"""Tables -> Readings: what was written down and still stands, each figure with the place it was typed.

A wide table has a row a run and a column a reading; a long table has a row a reading. Rows and columns that
are not used are listed with the reason; what cannot be understood is a mistake, and all are reported together.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.errors import suggest
from evenbench.measure.frozen import Frozen
from evenbench.study.mistakes import Mistake, Place, StudyError
from evenbench.study.model import DeclaredReading, Study, Test

LONG = "*"  # the key under which one long table for all tests is handed over

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_WITH_UNIT = re.compile(r"(?P<n>[+-]?\d+(\.\d+)?)\s*[^\d\s.,].*")
_LATER_VALUES = ("<", ">", "~", "..", "did not finish", "dnf")
_RUN_COLUMNS = ("product", "run", "specimen", "block", "order", "note")
_LONG_COLUMNS = ("test", *_RUN_COLUMNS, "reading", "repeat", "value", "unit")
_LATER_COLUMNS = ("code", "round", "lane", "instrument", "at", "by")


@dataclass(frozen=True)
class Table:
    """A table of text cells as it stood in a file: `rows` are (line, {column: cell}).

    >>> Table("readings/shower.csv", ("product", "wet"), ((2, {"product": "ostrel", "wet": "61.2"}),)).columns
    ('product', 'wet')
    """

    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, Mapping[str, str]], ...]

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
    run      int32[N] index into `runs`
    reading  N ids of declared readings
    repeat   int32[N] 1 for the first reading of its kind in the run
    value    float64[N] in the declared unit of the reading
    step     float64[N] resolution in the same unit: the instrument's, else from the decimals typed
    typed    N texts as typed
    at       N places
    """

    runs: tuple[Run, ...]
    run: NDArray[np.int32]
    reading: tuple[str, ...]
    repeat: NDArray[np.int32]
    value: NDArray[np.float64]
    step: NDArray[np.float64]
    typed: tuple[str, ...]
    at: tuple[Place, ...]
    not_used: tuple[NotUsed, ...] = ()

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
        table = (
            given if isinstance(given, Table) else Table.of(given, "readings" if name == LONG else f"readings/{name}")
        )
        if name == LONG:
            reader.long(table)
        elif any(t.id == name for t in study.tests):
            reader.wide(table, study.test(name))
        else:
            near = suggest(name, [t.id for t in study.tests])
            reader.wrong(Place(table.file), "sheet", name, "the study has no such test.", near)
    return reader.readings()


@dataclass
class _Cell:
    run: tuple[str, str, int]
    reading: str
    repeat: int
    typed: str
    at: Place


@dataclass
class _Reader:
    study: Study
    mistakes: list[Mistake] = field(default_factory=list)
    not_used: list[NotUsed] = field(default_factory=list)
    runs: dict[tuple[str, str, int], Run] = field(default_factory=dict)
    cells: list[_Cell] = field(default_factory=list)
    empty: dict[tuple[str, str, int], list[str]] = field(default_factory=dict)

    def wrong(self, at: Place, subject: str, given: str, why: str, write: str = "") -> None:
        self.mistakes.append(Mistake(at, subject, given, why, write))

    def skip(self, row: object, reason: str) -> None:
        self.not_used.append(NotUsed(row=str(row), reason=reason))

    # -- wide

    def wide(self, table: Table, test: Test) -> None:
        """A row a run, a column a reading."""
        columns = self.wide_columns(table, test)
        if columns is None:
            return
        numbered = "run" in table.columns
        unnumbered: dict[str, list[int]] = {}
        for line, row in table.rows:
            at = Place(table.file, line)
            if not any(cell.strip() for cell in row.values()):
                continue
            product = self.product(at, row, test)
            if product is None:
                continue
            unnumbered.setdefault(product, []).append(line)
            run = self.add_run(at, row, test, product, numbered)
            if run is None:
                continue
            for column, (reading, repeat) in columns.items():
                self.add_cell(run, test, reading, repeat, row.get(column, ""), at)
        if not numbered:
            for product, lines in unnumbered.items():
                if len(lines) > 1:
                    where = ", ".join(map(str, lines))
                    why = f"lines {where} are all of this product, and nothing says whether they are runs or repeats."
                    write = "Number the runs in a column `run`, or put repeats of one run into columns such as wet.2."
                    self.wrong(Place(table.file, lines[1]), "rows", product, why, write)

    def wide_columns(self, table: Table, test: Test) -> dict[str, tuple[str, int]] | None:
        """Which column holds which reading and repeat; None where rows cannot be told apart."""
        header = Place(table.file, 1)
        columns: dict[str, tuple[str, int]] = {}
        wanted = {_column(r.id, n): (r.id, n) for r in test.readings for n in range(1, r.repeats + 1)}
        strangers = []
        for column in table.columns:
            if column in wanted:
                columns[column] = wanted[column]
            elif column not in _RUN_COLUMNS:
                strangers.append(column)
        missing = [c for c in wanted if c not in columns]
        for column in strangers:
            if column in _LATER_COLUMNS:
                why = "this version does not read this column yet."
                self.wrong(
                    header, "column", column, why, "Name products by id in a column `product`."
                ) if column == "code" else self.skip(f"{table.file}: column {column}", why)
            elif missing and suggest(column, missing).startswith("Did you mean"):
                self.wrong(header, "column", column, f"test {test.id} has no such reading.", suggest(column, missing))
            else:
                self.skip(f"{table.file}: column {column}", f"test {test.id} declares no such reading")
        for column in missing:
            found = ", ".join(table.columns) or "nothing"
            self.wrong(
                header,
                "header",
                "",
                f"column {column!r} is missing; the header has {found}.",
                f"Add a column {column}.",
            )
        if "product" not in table.columns:
            self.wrong(header, "header", "", "column 'product' is missing.", "Add it, with a product id in each row.")
            return None
        return columns

    # -- long

    def long(self, table: Table) -> None:
        """A row a reading."""
        header = Place(table.file, 1)
        needed = ("test", "product", "reading", "value")
        for column in needed:
            if column not in table.columns:
                self.wrong(header, "header", "", f"column {column!r} is missing.", f"Add a column {column}.")
        for column in table.columns:
            if column not in _LONG_COLUMNS:
                self.skip(f"{table.file}: column {column}", "this version does not read it")
        if not set(needed) <= set(table.columns):
            return
        tests = {t.id: t for t in self.study.tests}
        first: dict[tuple[str, str, int, str, int], int] = {}
        for line, row in table.rows:
            at = Place(table.file, line)
            if not any(cell.strip() for cell in row.values()):
                continue
            name = row.get("test", "").strip()
            if name not in tests:
                self.wrong(at, "test", name or "(empty)", "the study has no such test.", suggest(name, list(tests)))
                continue
            test = tests[name]
            product = self.product(at, row, test)
            reading = self.reading(at, row, test)
            if product is None or reading is None:
                continue
            repeat = self.whole(at, "repeat", row.get("repeat", "").strip() or "1", most=reading.repeats)
            run = self.add_run(at, row, test, product, numbered=True, same=True)
            unit = row.get("unit", "").strip()
            if unit and unit != reading.unit.text:
                write = f"Convert the value and write {reading.unit.text}, or correct the unit."
                self.wrong(at, "unit", unit, f"{test.id} declares {reading.id} in {reading.unit.text}.", write)
            if run is None or repeat is None:
                continue
            key = (*run, reading.id, repeat)
            if key in first:
                why = f"line {first[key]} has {reading.id} of {product}, run {run[2]}, repeat {repeat} already."
                self.wrong(at, "row", "", why, "Correct one of the two, or number the repeats.")
                continue
            first[key] = line
            self.add_cell(run, test, reading.id, repeat, row.get("value", ""), at)

    def reading(self, at: Place, row: Mapping[str, str], test: Test) -> DeclaredReading | None:
        name = row.get("reading", "").strip()
        found = next((r for r in test.readings if r.id == name), None)
        if found is None:
            near = suggest(name, [r.id for r in test.readings])
            self.wrong(at, "reading", name or "(empty)", f"test {test.id} has no such reading.", near)
        return found

    # -- shared

    def product(self, at: Place, row: Mapping[str, str], test: Test) -> str | None:
        name = (row.get("product") or "").strip()
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
            self.wrong(
                at,
                "product",
                name or "(empty)",
                "the study has no such product.",
                suggest(name, list(test.products)),
            )
        return None

    def whole(self, at: Place, subject: str, text: str, most: int | None = None) -> int | None:
        if re.fullmatch(r"[1-9]\d{0,6}", text) and (most is None or int(text) <= most):
            return int(text)
        limit = f"from 1 to {most}" if most else "1 or more"
        self.wrong(at, subject, text, f"a whole number {limit} is needed.")
        return None

    def add_run(
        self,
        at: Place,
        row: Mapping[str, str],
        test: Test,
        product: str,
        numbered: bool,
        *,
        same: bool = False,
    ) -> tuple[str, str, int] | None:
        """Enter the run of this row; with `same`, later rows of one run must agree with its first."""
        typed = {column: (row.get(column) or "").strip() for column in _RUN_COLUMNS}
        number: int | None = 1
        if numbered and (typed["run"] or not same):
            number = self.whole(at, "run", typed["run"] or "(empty)")
        if number is None:
            return None
        order = self.order(at, typed["order"])
        if test.blocks is not None and not typed["block"]:
            why = f"test {test.id} compares within blocks ({test.blocks}), and this run names none."
            self.wrong(at, "block", "", why, "Fill in the column `block`.")
        if test.blocks is None and typed["block"]:
            self.skip(f"{at}: block {typed['block']}", f"test {test.id} declares no blocks")
        key = (test.id, product, number)
        run = Run(
            test=test.id,
            product=product,
            number=number,
            at=at,
            specimen=typed["specimen"],
            block=typed["block"] if test.blocks is not None else "",
            order=order,
            note=typed["note"],
        )
        earlier = self.runs.get(key)
        if earlier is None:
            self.runs[key] = run
        elif not same:
            why = f"line {earlier.at.line} is run {number} of {product} already."
            self.wrong(at, "run", str(number), why, "Number the runs of a product 1, 2, 3 …")
            return None
        else:
            for column in ("specimen", "block", "order"):
                before, now = getattr(earlier, column), getattr(run, column)
                if now and before and now != before:
                    why = f"line {earlier.at.line} gives {before} for the same run."
                    self.wrong(at, column, str(now), why, "Correct one of the two.")
            if run.note and run.note not in earlier.note:
                merged = "; ".join(n for n in (earlier.note, run.note) if n)
                self.runs[key] = Run(**{**earlier.__dict__, "note": merged})
        return key

    def order(self, at: Place, text: str) -> float | None:
        if not text:
            return None
        number = _number(text)
        if number is None or number < 0:
            self.wrong(at, "order", text, "the place in the order run is a number, 1 for the first.")
            return None
        return number

    def add_cell(
        self, run: tuple[str, str, int], test: Test, reading: str, repeat: int, cell: str | None, at: Place
    ) -> None:
        typed = (cell or "").strip()
        if not typed:
            self.empty.setdefault(run, []).append(_column(reading, repeat))
            return
        if _number(typed) is None:
            why, write = _advice(typed, next(r.unit.text for r in test.readings if r.id == reading))
            self.wrong(at, _column(reading, repeat), typed, why, write)
            return
        self.cells.append(_Cell(run, reading, repeat, typed, at))

    # -- the value

    def readings(self) -> Readings:
        """Everything understood, or StudyError."""
        if self.mistakes:
            raise StudyError(self.mistakes)
        for key, columns in self.empty.items():
            run = self.runs[key]
            self.skip(
                f"{run.at}: {', '.join(columns)} of {run}", "not recorded" + (f" ({run.note})" if run.note else "")
            )
        tests = {t.id: n for n, t in enumerate(self.study.tests)}
        products = {p.id: n for n, p in enumerate(self.study.products)}
        # Study order, whatever the order of rows: figures must not depend on how a sheet was sorted.
        keys = sorted(self.runs, key=lambda k: (tests[k[0]], products[k[1]], k[2]))
        place = {key: n for n, key in enumerate(keys)}
        declared = {t.id: {r.id: n for n, r in enumerate(t.readings)} for t in self.study.tests}
        cells = sorted(self.cells, key=lambda c: (place[c.run], declared[c.run[0]][c.reading], c.repeat))
        return Readings(
            runs=tuple(self.runs[key] for key in keys),
            run=np.array([place[c.run] for c in cells], dtype=np.int32),
            reading=tuple(c.reading for c in cells),
            repeat=np.array([c.repeat for c in cells], dtype=np.int32),
            value=np.array([float(c.typed) for c in cells], dtype=np.float64),
            step=self.steps(cells),
            typed=tuple(c.typed for c in cells),
            at=tuple(c.at for c in cells),
            not_used=tuple(self.not_used),
        )

    def steps(self, cells: Iterable[_Cell]) -> NDArray[np.float64]:
        """Resolution of each reading: the instrument's, else the finest decimals typed in its column.

        A sheet program drops trailing zeros, so one cell's decimals say little and the column's finest rule.
        """
        rows = list(cells)
        finest: dict[tuple[str, str], float] = {}
        for cell in rows:
            key = (cell.run[0], cell.reading)
            finest[key] = min(finest.get(key, np.inf), decimal_step(cell.typed))
        for test in self.study.tests:
            for reading in test.readings:
                resolution = reading.instrument.resolution if reading.instrument else None
                if resolution is not None:
                    step = reading.unit.difference_from_si(resolution.unit.difference_to_si(resolution.value))
                    finest[(test.id, reading.id)] = float(step)
        return np.array([finest[(c.run[0], c.reading)] for c in rows], dtype=np.float64)


def decimal_step(typed: str) -> float:
    """The last place of a number as typed.

    >>> decimal_step("12.40"), decimal_step("7"), decimal_step("1.5e3")
    (0.01, 1.0, 100.0)
    """
    mantissa, _, exponent = typed.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(f"1e{int(exponent or 0) - decimals}")


def _column(reading: str, repeat: int) -> str:
    return reading if repeat == 1 else f"{reading}.{repeat}"


def _number(text: str) -> float | None:
    if not _NUMBER.fullmatch(text) or len(text) > 40:
        return None
    value = float(text)
    return value if abs(value) < 1e30 else None


def _advice(typed: str, unit: str) -> tuple[str, str]:
    """Why a cell is no number, and what to write."""
    if _COMMA.fullmatch(typed):
        return "a decimal comma cannot be told from a thousands comma.", f"Write {typed.replace(',', '.')}."
    if any(mark in typed.lower() for mark in _LATER_VALUES):
        return (
            "this version reads plain numbers only; bounds, intervals and unfinished runs come later.",
            "Leave the cell empty and say what happened in the column `note`.",
        )
    if found := _WITH_UNIT.fullmatch(typed):
        return (
            f"the unit stands in the study ({unit}), the sheet holds the number alone.",
            f"Write {found['n']} if it is in {unit}.",
        )
    return "this is not a number.", "Write a number such as 12.4, or leave the cell empty with a note."
