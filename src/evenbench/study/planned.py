"""plan.csv: the runs that were planned, and what they say of sheets that name runs by code.

A sheet may give a run's code where its product would stand, so that whoever fills it in does not know which product
it is. What a sheet leaves empty of a planned run (specimen, block, round, lane, order) the plan fills in; what stands
in the sheet is what was done, and wins.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from evenbench.measure.errors import suggest
from evenbench.study.columns import Texts, combined
from evenbench.study.mistakes import Place
from evenbench.study.model import Test
from evenbench.study.readings import Runs
from evenbench.study.sheet import NUMBERED, Known, not_whole, whole
from evenbench.study.table import Table

COLUMNS = ("test", "product", "run", "code", "specimen", "block", "round", "lane", "order")
"""The columns of plan.csv; the first three always."""

_FILLED_IN = ("specimen", "block", "round", "lane", "order")


@dataclass(frozen=True)
class PlannedRun:
    """A row of the plan, as texts; `number` is its place among the rows."""

    number: int
    line: int
    test: str
    product: str
    run: str
    code: str


@dataclass
class Planned:
    """P planned runs, and how to find them."""

    table: Table
    runs: list[PlannedRun] = field(default_factory=list)
    by_run: dict[tuple[str, str, str], PlannedRun] = field(default_factory=dict)
    by_code: dict[tuple[str, str], list[PlannedRun]] = field(default_factory=dict)

    def completed(self, table: Table, known: Known, test: Test | None) -> Table:
        """A table with the products and runs that its codes stand for, and with what it leaves to the plan.

        test  whose wide table it is; None for a long one, which names the test in every row
        """
        coded = "code" in table.columns
        if "product" not in table.columns and not coded:
            return table
        asked = {name: table.column(name) for name in ("test", "code", "product", "run")}
        if test is not None:
            asked["test"] = Texts.alike(test.id, len(table))
        key = combined(*(column.code for column in asked.values()))
        _, first, group = np.unique(key, return_index=True, return_inverse=True)
        found = [self.of({name: column[n] for name, column in asked.items()}) for n in first.tolist()]
        wrong = np.array([isinstance(one, str) for one in found], dtype=np.bool_)[group]
        for n in known.some(wrong):
            code, of = asked["code"][n], asked["test"][n]
            why = found[group[n]]
            near = suggest(code, [c for t, c in self.by_code if t == of]) if "no such code" in str(why) else ""
            known.wrong(Place(table.file, int(table.line[n])), "code", code, str(why), near)
        row = np.array([one.number if isinstance(one, PlannedRun) else -1 for one in found], dtype=np.int64)[group]
        told = [self.product_of(asked["test"][n], asked["code"][n]) for n in first.tolist()]
        product = Texts.of(told) if coded else None
        cells = {name: column for name, column in table.cells.items() if name != "code"}
        if product is not None:
            cells["product"] = _either(table.column("product"), Texts(product.distinct, product.code[group]))
            cells["run"] = _either(table.column("run"), _at(self.table.column("run"), row))
        for name in _FILLED_IN:
            if name in self.table.columns and self.table.column(name).filled.any():
                cells[name] = _either(table.column(name), _at(self.table.column(name), row))
        whole_table = Table(table.file, cells, table.line, table.header, table.dialect)
        return whole_table.take(np.flatnonzero(~wrong)) if wrong.any() else whole_table

    def of(self, asked: dict[str, str]) -> PlannedRun | str | None:
        """The planned run that a row is of; None where it is of none, and a reason where its code cannot stand."""
        test, code, product, run = (asked[name] for name in ("test", "code", "product", "run"))
        if not code:
            return self.by_run.get((test, product, run or "1"))
        runs = self.by_code.get((test, code))
        if runs is None:
            return f"the plan has no such code for test {test}."
        if product and product != runs[0].product:
            return f"by the plan this is a code of another product than {product}."
        if run:
            return self.by_run.get((test, runs[0].product, run))
        return runs[0] if len(runs) == 1 else None

    def product_of(self, test: str, code: str) -> str:
        """The product that a code stands for; "" where there is none."""
        runs = self.by_code.get((test, code))
        return runs[0].product if runs else ""

    def compared(self, runs: Runs, known: Known) -> tuple[int, ...]:
        """List the planned runs that are not in the sheets; the runs in the sheets that were not planned."""
        there = {(test, product, number) for test, product, number in _named(runs)}
        lacking: dict[str, list[PlannedRun]] = {}
        for planned in self.runs:
            if (planned.test, planned.product, int(planned.run)) not in there:
                lacking.setdefault(planned.test, []).append(planned)
        begun = {test for test, _, _ in there}
        for test, missing in lacking.items():
            if test not in begun and len(missing) > 1:
                known.skip(f"{self.table.file}: all {len(missing)} planned runs of {test}", "not in the sheets yet")
                continue
            for planned in missing:
                at = Place(self.table.file, planned.line)
                known.skip(f"{at}: {test}, {planned.product} run {planned.run}", "planned, and not in the sheets")
        covered = {planned.test for planned in self.runs}
        numbers = {(test, product, int(run)) for test, product, run in self.by_run}
        return tuple(n for n, one in enumerate(_named(runs)) if one[0] in covered and one not in numbers)


def read_plan(table: Table, known: Known) -> Planned:
    """Understand plan.csv; what cannot stand is noted in `known`."""
    planned = Planned(table)
    header = Place(table.file, table.header)
    for column in table.columns:
        if column not in COLUMNS:
            known.skip(f"{table.file}: column {column}", "a plan has no such column")
    absent = [column for column in COLUMNS[:3] if column not in table.columns]
    for column in absent:
        known.wrong(header, "header", "", f"column {column!r} is missing.", f"Add a column {column}.")
    if absent:
        return planned
    before = len(known.mistakes)
    columns = [table.column(name) for name in ("test", "product", "run", "code")]
    for number, (line, test, product, run, code) in enumerate(zip(table.line.tolist(), *columns, strict=True)):
        _take(planned, PlannedRun(number, line, test, product, run, code), known)
    known.not_the_rest(table.file, before)
    return planned


def _take(planned: Planned, row: PlannedRun, known: Known) -> None:
    """Keep a row of the plan, or say why it cannot stand."""
    at = Place(planned.table.file, row.line)
    if row.test not in known.test_index:
        why = "the study has no such test." if row.test else "the cell is empty."
        known.wrong(at, "test", row.test, why, suggest(row.test, list(known.test_index)))
        return
    test = known.tests[known.test_index[row.test]]
    if row.product not in test.products:
        why = f"test {test.id} is not for this product." if row.product in known.product_index else ""
        why = why or ("the study has no such product." if row.product else "the cell is empty.")
        known.wrong(at, "product", row.product, why, suggest(row.product, list(test.products)))
        return
    if whole(row.run) < 0:
        known.wrong(at, "run", row.run, not_whole(row.run, "run"), NUMBERED)
        return
    earlier = planned.by_run.get((row.test, row.product, row.run))
    if earlier is not None:
        why = f"line {earlier.line} plans run {row.run} of {row.product} already."
        known.wrong(at, "run", row.run, why, NUMBERED)
        return
    others = planned.by_code.setdefault((row.test, row.code), []) if row.code else []
    if others and others[0].product != row.product:
        why = f"line {others[0].line} gives this code to another product."
        known.wrong(at, "code", row.code, why, "Give each product codes of its own.")
        return
    others.append(row)
    planned.runs.append(row)
    planned.by_run[row.test, row.product, row.run] = row


def _named(runs: Runs) -> Iterator[tuple[str, str, int]]:
    return zip(runs.test, runs.product, runs.number.tolist(), strict=True)


def _at(column: Texts, row: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Texts:
    """A column of the plan at its rows; "" where the row is -1."""
    distinct = (*column.distinct, "")
    code = np.append(column.code, np.int32(len(distinct) - 1))
    return Texts(distinct, code[row])


def _either(first: Texts, second: Texts) -> Texts:
    """What the first column says, else what the second says."""
    both = Texts.joined([first, second])
    count = len(first)
    return Texts(both.distinct, np.where(first.filled, both.code[:count], both.code[count:]))
