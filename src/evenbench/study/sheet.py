"""One table being read: what its header and the columns that tell runs apart mean, row by row, and what is wrong."""

# Throughout this module:
#   row   index into the rows of one table          test, product, reading   index in study order; -1 is none

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.errors import UnitError, suggest
from evenbench.measure.units import parse_unit
from evenbench.study.cells import number
from evenbench.study.columns import Gathered, Rows, Texts, combined
from evenbench.study.dialect import Dialect, Refusal, settled, split_header
from evenbench.study.mistakes import Mistake, Place
from evenbench.study.model import DeclaredReading, ReadingOf, Study, Test
from evenbench.study.readings import NotUsed
from evenbench.study.table import Table

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

MOST_MISTAKES = 1_000  # in one sheet: after so many the rest of it is not looked at
WHATS: tuple[ReadingOf, ...] = get_args(ReadingOf)

RUN_COLUMNS = ("product", "run", "specimen", "block", "round", "lane", "order", "note")
"""The columns of a sheet that say which run a row is."""

_MOST_RUNS = 10_000_000  # run numbers have at most seven digits
_TOTALS = frozenset(["total", "totals", "subtotal", "grand total", "sum", "mean", "average", "avg"])
NUMBERED = "Number the runs of a product 1, 2, 3 …"


class Known:
    """What every table is read against, and what has been said so far of all of them.

    words  specimens, blocks and lanes by number; 0 is ""
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.tests = study.tests
        self.test_index = {test.id: n for n, test in enumerate(study.tests)}
        self.products = [product.id for product in study.products]
        self.product_index = {id: n for n, id in enumerate(self.products)}
        self.declared = [(n, reading) for n, test in enumerate(study.tests) for reading in test.readings]
        self.reading_index = {(n, reading.id): k for k, (n, reading) in enumerate(self.declared)}
        self.what = np.array([WHATS.index(reading.of) for _, reading in self.declared], dtype=np.int64)
        self.test_of = np.array([n for n, _ in self.declared], dtype=np.int64)
        self.mistakes: list[Mistake] = []
        self.not_used: dict[NotUsed, None] = {}  # a set that keeps its order
        self.words = Gathered()  # specimens, blocks and lanes; "" is the first
        self.words.code("")

    def wrong(self, at: Place, subject: str, given: str, why: str, write: str = "") -> None:
        """Note a mistake."""
        self.mistakes.append(Mistake(at, subject, given, why, write))

    def skip(self, row: object, reason: str) -> None:
        """List something as not used."""
        self.not_used[NotUsed(row=str(row), reason=reason)] = None

    def not_the_rest(self, file: str, before: int) -> None:
        """Of a table with very many mistakes, keep the first."""
        if len(self.mistakes) - before < MOST_MISTAKES:
            return
        kept = sorted(set(self.mistakes[before:]))[:MOST_MISTAKES]
        why = f"there are {MOST_MISTAKES:,} mistakes up to here, and the rest was not read."
        self.mistakes[before:] = [*kept, Mistake(Place(file, kept[-1].at.line), "", "", why, "Mend these first.")]

    def same_unit(self, unit: str, declared: DeclaredReading) -> bool:
        """Whether a unit that stands with numbers is that of their reading, however it is spelt."""
        if unit == declared.unit.text:
            return True
        try:
            given = parse_unit(unit, currency=self.study.currency)
        except UnitError:
            return False
        mine = declared.unit
        return (given.dims, given.scale, given.factor, given.offset) == (
            mine.dims,
            mine.scale,
            mine.factor,
            mine.offset,
        )

    def some(self, wrong: Bools) -> Iterator[int]:
        """The first places that are wrong, as many as will be told."""
        return iter(np.flatnonzero(wrong)[: MOST_MISTAKES + 1].tolist())


@dataclass(frozen=True, kw_only=True)
class FoundRuns:
    """The runs of one table, by test, product and number. Texts are codes of the reader's `words`."""

    test: Ints
    product: Ints
    number: Ints
    line: Ints
    specimen: Ints
    block: Ints
    lane: Ints
    order: Floats
    note: Texts
    file: str


class Sheet:
    """One table being read: what its columns mean, row by row, and what is wrong with them."""

    found: FoundRuns

    def __init__(self, known: Known, table: Table) -> None:
        self.known, self.table = known, table
        self.header = Place(table.file, table.header)

    def __len__(self) -> int:
        return len(self.table)

    def at(self, row: int | np.intp) -> Place:
        """Where a row was written."""
        return Place(self.table.file, int(self.table.line[row]))

    def column(self, name: str) -> Texts:
        """A column; an empty one where there is none of this name."""
        return self.table.column(name)

    def word(self, name: str) -> Ints:
        """A column of names, as codes of the reader's words."""
        return np.asarray(self.column(name).mapped(self.known.words.code, np.int64))

    def tell(
        self, rows: Rows, wrong: Bools, subject: str, column: Texts, say: Callable[[str], tuple[str, str]]
    ) -> None:
        """Tell what is wrong with the cells of some rows."""
        for n in self.known.some(wrong):
            text = column[int(rows[n])]
            self.known.wrong(self.at(rows[n]), subject, text, *say(text))

    # -- what a row is of

    def tests(self, rows: Rows) -> Ints:
        """int64[all rows] the test that each row names."""
        known, column = self.known, self.column("test")
        out = column.mapped(lambda name: known.test_index.get(name, -1), np.int64)
        tests = list(known.test_index)

        def say(name: str) -> tuple[str, str]:
            return _unknown(name, "the study has no such test."), suggest(name, tests)

        self.tell(rows, out[rows] < 0, "test", column, say)
        return out

    def readings(self, rows: Rows, test: Ints) -> Ints:
        """int64[all rows] the declared reading of each of `rows`, -1 in the others."""
        known, column = self.known, self.column("reading")
        out = np.full(len(self), -1)
        pair = combined(test[rows], column.code[rows])
        _, first, group = np.unique(pair, return_index=True, return_inverse=True)
        meant = [known.reading_index.get((int(test[rows[n]]), column[int(rows[n])]), -1) for n in first.tolist()]
        out[rows] = np.array(meant, dtype=np.int64)[group]
        for n in known.some(out[rows] < 0):
            of, name = known.tests[test[rows[n]]], column[int(rows[n])]
            why, near = f"test {of.id} has no such reading.", suggest(name, [r.id for r in of.readings])
            known.wrong(self.at(rows[n]), "reading", name, _unknown(name, why), near)
        is_lent = np.array([bool(declared.lent_by) for _, declared in known.declared] + [False], dtype=np.bool_)
        for n in known.some(is_lent[out[rows]]):
            why = f"it is lent by {known.declared[out[rows[n]]][1].lent_by}."
            known.wrong(self.at(rows[n]), "reading", column[int(rows[n])], why, "Take the row out.")
        return np.where(is_lent[out], -1, out)

    def repeats(self, rows: Rows, reading: Ints) -> Ints:
        """int64[all rows] which repeat each of `rows` is; 0 in the others, and where it is none."""
        known, column = self.known, self.column("repeat")
        number_of = column.mapped(lambda typed: whole(typed or "1"), np.int64)
        self.tell(rows, number_of[rows] < 0, "repeat", column, lambda typed: (not_whole(typed, "repeat"), ""))
        most = np.array([declared.repeats for _, declared in known.declared], dtype=np.int64)
        many = number_of[rows] > most[reading[rows]]
        for n in known.some(many):
            t, declared = known.declared[reading[rows[n]]]
            said = too_many(int(number_of[rows[n]]), known.tests[t], declared)
            known.wrong(self.at(rows[n]), "repeat", column[int(rows[n])], *said)
        out = np.zeros(len(self), dtype=np.int64)
        out[rows] = np.where(many | (number_of[rows] < 0), 0, number_of[rows])
        return out

    def products(self, rows: Rows, test: Ints) -> Ints:
        """int64[rows] the product where it goes through its test; else -1, and it is listed as not used, or noted."""
        known, column = self.known, self.column("product")
        product = column.mapped(lambda name: known.product_index.get(name, -1), np.int64)[rows]
        enters = np.zeros((len(known.tests), len(known.products)), dtype=np.bool_)
        for t, of in enumerate(known.tests):
            enters[t, [known.product_index[p] for p in of.products]] = True
        named = product >= 0
        out = named & ~enters[test[rows], product]
        for n in np.flatnonzero(out).tolist():
            of, who = known.tests[test[rows[n]]], known.study.products[product[n]]
            reason = {
                "reference": f"{who.id} is a reference that test {of.id} does not name",
                "control": f"{who.id} is not the control of test {of.id}",
            }.get(who.role, f"test {of.id} is declared without {who.id}")
            known.skip(self.at(rows[n]), reason)
        for n in known.some(~named):
            name, of = column[int(rows[n])], known.tests[test[rows[n]]]
            known.wrong(self.at(rows[n]), "product", name, *self.no_product(name, of))
        return np.where(named & ~out, product, -1)

    def no_product(self, name: str, test: Test) -> tuple[str, str]:
        """Why a text is no product, and what to write."""
        if name.casefold().rstrip(" :") in _TOTALS:
            return "this is a row of totals, and no run.", "Delete the row; the program works them out."
        if name.casefold() == "product":
            return "the header stands here again.", "Delete the row."
        for product in self.known.study.products:
            if name and name.casefold() in (n.casefold() for n in (product.name, *product.also)):
                return "the study has no such product.", f"Write its id, {product.id}."
        return _unknown(name, "the study has no such product."), suggest(name, list(test.products))

    # -- runs

    def runs(self, rows: Rows, test: Ints, product: Ints, typed: Texts, *, anew: bool) -> tuple[Rows, Ints]:
        """Enter the runs of some rows, `typed` being their numbers; unless `anew`, several rows may be of one run.

        Gives the rows that are of a run, and the run of each.
        """
        known = self.known
        numbers = typed.mapped(whole, np.int64)
        self.tell(rows, numbers[rows] < 0, "run", typed, lambda text: (not_whole(text, "run"), NUMBERED))
        rows = rows[numbers[rows] > 0]
        key = (test[rows] * len(known.products) + product[rows]) * _MOST_RUNS + numbers[rows]
        _, first, run = np.unique(key, return_index=True, return_inverse=True)
        block = self.blocks(rows, test)
        self.other_blocks(rows, test)
        lane, order = self.lanes(rows, test), self.orders(rows)
        if anew:
            again = first[run] != np.arange(len(rows))
            for n in known.some(again):
                name, line = known.products[product[rows[n]]], self.at(rows[first[run[n]]]).line
                why = f"line {line} is run {numbers[rows[n]]} of {name} already."
                known.wrong(self.at(rows[n]), "run", typed[int(rows[n])], why, NUMBERED)
        specimen = self.word("specimen")[rows]
        words = tuple(known.words.codes)

        def agreed(column: str, values: Ints | Floats, empty: float, show: Callable[[Any], str]) -> Any:
            """What the rows of each run say, which must be one thing."""
            says = values != empty if empty == empty else ~np.isnan(values)  # noqa: PLR0124 - nan differs from itself
            spoken = np.flatnonzero(says)
            by = np.full(len(first), -1)
            by[run[spoken][::-1]] = spoken[::-1]  # the first row that says something comes last and stays
            out = np.full(len(first), empty, dtype=values.dtype)
            out[by >= 0] = values[by[by >= 0]]
            for n in known.some(says & (values != out[run]) & (not anew)):
                why = f"line {self.at(rows[by[run[n]]]).line} gives {show(out[run[n]])} for the same run."
                known.wrong(self.at(rows[n]), column, show(values[n]), why, "Correct one of the two.")
            return out

        self.found = FoundRuns(
            test=test[rows][first],
            product=product[rows][first],
            number=numbers[rows][first],
            line=self.table.line[rows][first],
            specimen=agreed("specimen", specimen, 0, words.__getitem__),
            block=agreed("block", block[rows], 0, words.__getitem__),
            lane=agreed("lane", lane, 0, words.__getitem__),
            order=agreed("order", order, np.nan, "{:g}".format),
            note=self.notes(rows, run, len(first)),
            file=self.table.file,
        )
        return rows, run

    def notes(self, rows: Rows, run: Ints, count: int) -> Texts:
        """The notes of each run, one after the other, none twice."""
        column = self.column("note").take(rows)
        said = np.flatnonzero(column.filled)
        _, first = np.unique(combined(run[said], column.code[said]), return_index=True)
        out: dict[int, str] = {}
        for n in np.sort(said[first]).tolist():
            note, earlier = column[n], out.get(int(run[n]))
            if earlier is None:
                out[int(run[n])] = note
            elif note not in earlier.split("; "):
                out[int(run[n])] = f"{earlier}; {note}"
        texts = Gathered()
        code = np.full(count, texts.code(""), dtype=np.int32)
        for n, note in out.items():
            code[n] = texts.code(note)
        return Texts(tuple(texts.codes), code)

    def blocks(self, rows: Rows, test: Ints) -> Ints:
        """int64[all rows] the block of each of `rows`, where its test has blocks."""
        out = np.zeros(len(self), dtype=np.int64)
        for column in ("block", "round"):
            if column in self.table.columns:
                its = rows[self.holds_blocks(column)[test[rows]]]
                out[its] = self.word(column)[its]
        return out

    def holds_blocks(self, column: str) -> Bools:
        """bool[tests] whether a column is the one that holds the blocks of each test."""
        holds = [test.blocks is not None and test.block_column == column for test in self.known.tests]
        return np.array(holds, dtype=np.bool_)

    def other_blocks(self, rows: Rows, test: Ints) -> None:
        """List the columns of blocks that are not those of their test."""
        for column in ("block", "round"):
            there = self.column(column).filled[rows] & ~self.holds_blocks(column)[test[rows]]
            for t in np.unique(test[rows][there]).tolist():
                of = self.known.tests[t]
                has = f"has its blocks in the column {of.block_column}"
                reason = "declares no blocks" if of.blocks is None else has
                self.known.skip(f"{self.table.file}: column {column}", f"test {of.id} {reason}")

    def lanes(self, rows: Rows, test: Ints) -> Ints:
        """int64[rows] the lane, where the test has lanes."""
        known, column = self.known, self.column("lane")
        typed = column.mapped(lambda text: int(text) if re.fullmatch("[1-9][0-9]{0,3}", text) else -1, np.int64)[rows]
        most = np.array([t.lanes or 0 for t in known.tests], dtype=np.int64)[test[rows]]
        there = column.filled[rows]
        for t in np.unique(test[rows][there & (most == 0)]).tolist():
            known.skip(f"{self.table.file}: column lane", f"test {known.tests[t].id} declares no lanes")
        for n in known.some(there & (most > 0) & ((typed < 0) | (typed > most))):
            of = known.tests[test[rows[n]]]
            why = f"test {of.id} has lanes 1 to {of.lanes}."
            known.wrong(self.at(rows[n]), "lane", column[int(rows[n])], why, "Correct the lane.")
        return np.where(most > 0, self.word("lane")[rows], 0)

    def orders(self, rows: Rows) -> Floats:
        """float64[rows] the place in the order run; nan where it is not written down."""
        column = self.column("order")
        place = column.mapped(lambda text: np.nan if (x := number(text)) is None or x < 0 else x, np.float64)[rows]
        why = "the place in the order run is a number, 1 for the first."
        self.tell(rows, np.isnan(place) & column.filled[rows], "order", column, lambda _: (why, ""))
        return np.asarray(place, dtype=np.float64)

    # -- what a long row says beside its value

    def units(self, rows: Rows, reading: Ints, in_header: str) -> None:
        """A unit that stands in a row, or with the name of the column of values, must be that of the reading."""
        known = self.known
        if in_header:
            strangers = [
                r
                for k in np.unique(reading[rows]).tolist()
                if not known.same_unit(in_header, (r := known.declared[k][1]))
            ]
            if strangers:
                declared = strangers[0]
                why = f"{declared.id} is declared in {declared.unit.text or 'no unit'}."
                write = "Take the unit out of the header, and write it in a column `unit`."
                known.wrong(self.header, "column", f"value ({in_header})", why, write)
        column = self.column("unit")
        pair = combined(reading[rows], column.code[rows])
        _, first, group = np.unique(pair, return_index=True, return_inverse=True)
        sound = np.ones(len(first), dtype=np.bool_)
        for g, n in enumerate(first.tolist()):
            unit = column[int(rows[n])]
            sound[g] = not unit or known.same_unit(unit, known.declared[reading[rows[n]]][1])
        for n in known.some(~sound[group]):
            t, declared = known.declared[reading[rows[n]]]
            declares = f"{known.tests[t].id} declares {declared.id}"
            why, write = f"{declares} without a unit.", "Leave the unit out."
            if declared.unit.text:
                why = f"{declares} in {declared.unit.text}."
                write = f"Convert the value and write {declared.unit.text}, or correct the unit."
            known.wrong(self.at(rows[n]), "unit", column[int(rows[n])], why, write)

    def instruments(self, rows: Rows, reading: Ints) -> None:
        """An instrument that stands in a row must be the one that the study declares for the reading."""
        known, column = self.known, self.column("instrument")
        there = column.filled[rows]
        if not there.any():
            return
        rows = rows[there]
        ids = [instrument.id for instrument in known.study.instruments]
        declared = [declared.instrument.id if declared.instrument else "" for _, declared in known.declared]
        code = np.array([column.distinct.index(id) if id in column.distinct else -1 for id in declared])
        for n in known.some(column.code[rows] != code[reading[rows]]):
            t, named = known.declared[reading[rows[n]]]
            given = column[int(rows[n])]
            if given not in ids:
                said = ("the study has no such instrument.", suggest(given, ids))
            else:
                by = declared[reading[rows[n]]] or "no instrument"
                why = f"{known.tests[t].id} declares {named.id} with {by}."
                said = (why, "Declare what the second instrument reads as a reading of its own.")
            known.wrong(self.at(rows[n]), "instrument", given, *said)

    # -- how numbers are written

    def settle(self, column: str, rows: Rows, text: Texts) -> Dialect:
        """How the numbers of one column are written; a column that writes them in two ways is told."""
        dialect = self.table.dialect
        if dialect.mark:
            return dialect
        codes, first = np.unique(text.code[rows], return_index=True)
        lines = self.table.line[rows[first]].tolist()
        cells = sorted(zip(lines, (text.distinct[code] for code in codes.tolist()), strict=True))
        found = settled(dialect, cells)
        if isinstance(found, Refusal):
            self.known.wrong(self.header, "column", column, found.why, found.write)
            return dialect
        return found


@dataclass(frozen=True)
class Named:
    """A table whose columns have their plain names, and the unit that stood with each."""

    table: Table
    unit: Mapping[str, str]


def named(table: Table) -> Named:
    """Take the units out of a header: "wet (g)" is the column wet, in g."""
    parts = {column: split_header(column) for column in table.columns}
    names = [name for name, _ in parts.values()]
    # A name that two columns would share stays as it is typed and is a stranger, and so does a run with a unit.
    plain = {
        column: (name, unit) if unit and names.count(name) == 1 and name not in RUN_COLUMNS else (column, "")
        for column, (name, unit) in parts.items()
    }
    cells = {plain[column][0]: texts for column, texts in table.cells.items()}
    units = dict(plain.values())
    return Named(
        Table(table.file, cells, table.line, table.header, table.dialect), units | {"value": units.get("value", "")}
    )


def whole(typed: str) -> int:
    """A whole number of 1 or more; -1 where there is none."""
    return int(typed) if re.fullmatch(r"[1-9][0-9]{0,6}", typed) else -1


def not_whole(typed: str, subject: str) -> str:
    """Why a text is no such number."""
    return "a whole number is needed, 1 or more." if typed else f"the {subject} has no number."


def too_many(repeat: int, test: Test, reading: DeclaredReading) -> tuple[str, str]:
    """Why a reading has no repeat of this number, and what to write."""
    declared = "one reading" if reading.repeats == 1 else f"{reading.repeats} readings"
    why = f"test {test.id} declares {declared} of {reading.id} in a run."
    return why, f"Write repeats = {repeat} in the study, or correct it."


def _unknown(name: str, why: str) -> str:
    return why if name else "the cell is empty."
