"""What was seen at the bench, in words: each observation with the runs it is about.

A figure says how much; an observation says what it looked like, and whether something was done otherwise than
planned because of it. The latter is a departure, and is told wherever the test is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evenbench.measure.errors import suggest
from evenbench.study.mistakes import Mistake, Place, StudyError
from evenbench.study.model import Study, Test
from evenbench.study.readings import Readings, Run
from evenbench.study.sheet import MOST_MISTAKES
from evenbench.study.table import Table

COLUMNS = ("test", "product", "run", "specimen", "block", "tag", "words", "clip", "changed", "at", "by")
"""What an observation may say; `test` and `words` always."""

LONGEST = 2_000
"""Characters of one cell, as of any text of the study."""

MOST_OBSERVATIONS = 5_000

_CHANGED = {"yes": True, "no": False, "": False}


@dataclass(frozen=True, kw_only=True)
class Observation:
    """Something that was seen; "" where nothing was written.

    place    where it was written
    product  that it is about; "" for the whole test
    run      that it is about; None for all of them
    runs     indices into Readings.runs: every run that it is about
    tag      a word to find it by: "cloudy"
    clip     a file, or a place in one
    changed  whether the procedure was changed
    at, by   when and by whom, as written
    """

    place: Place
    test: str
    words: str
    product: str = ""
    run: int | None = None
    specimen: str = ""
    block: str = ""
    tag: str = ""
    clip: str = ""
    changed: bool = False
    at: str = ""
    by: str = ""
    runs: tuple[int, ...] = ()

    @property
    def about(self) -> str:
        """What it is about, as far as it says: "ostrel run 2", "specimen A1", or "" for the whole test."""
        who = self.product + (f" run {self.run}" if self.run is not None else "")
        parts = [who, f"specimen {self.specimen}" if self.specimen else "", f"block {self.block}" if self.block else ""]
        return ", ".join(part for part in parts if part)

    def __str__(self) -> str:
        tag = f"{self.tag}: " if self.tag else ""
        clip = f" ({self.clip})" if self.clip else ""
        return f"{tag}{self.words}{clip}"


def parse_observations(
    given: Table | Sequence[Mapping[str, str]], study: Study, readings: Readings
) -> tuple[Observation, ...]:
    """Understand a table of observations against the study and the runs they are about.

    Raises StudyError with every mistake in the table.
    """
    table = given if isinstance(given, Table) else Table.of(given, "observations.csv")
    reader = _Reader(study, readings)
    reader.header(table)
    found = [] if reader.mistakes else [reader.row(Place(table.file, line), dict(row)) for line, row in table.rows]
    if reader.mistakes:
        raise StudyError(reader.mistakes[:MOST_MISTAKES])
    return tuple(one for one in found if one is not None)


def departures(observations: Sequence[Observation], test: str) -> tuple[str, ...]:
    """What changed the procedure of a test, each as a reader is told."""
    changed = [o for o in observations if o.test == test and o.changed]
    return tuple(f"{o.about}: {o}" if o.about else str(o) for o in changed)


class _Reader:
    def __init__(self, study: Study, readings: Readings) -> None:
        self.study, self.readings = study, readings
        self.tests = {test.id: test for test in study.tests}
        self.runs = {test.id: readings.of_test(test.id) for test in study.tests}
        self.mistakes: list[Mistake] = []
        self.found: dict[tuple[str, tuple[tuple[str, str], ...]], tuple[int, ...]] = {}
        self.index: dict[tuple[str, str, str], list[int]] = {}
        for n, run in enumerate(readings.runs):
            for column in ("product", "specimen", "block", "number"):
                self.index.setdefault((run.test, column, str(getattr(run, column))), []).append(n)

    def wrong(self, at: Place, subject: str, given: str, why: str, write: str) -> None:
        self.mistakes.append(Mistake(at, subject, given, why, write))

    def header(self, table: Table) -> None:
        at = Place(table.file, table.header)
        if len(table.rows) > MOST_OBSERVATIONS:
            why = f"there are more than {MOST_OBSERVATIONS:,} observations."
            self.wrong(at, "", "", why, "Keep those that a reader should know.")
        for column in table.columns:
            if column == "code":
                why = "this version does not read this column yet."
                self.wrong(at, "column", column, why, "Name products by id in a column `product`.")
            elif column not in COLUMNS:
                self.wrong(at, "column", column, "observations have no such column.", suggest(column, list(COLUMNS)))
        for column in ("test", "words"):
            if column not in table.columns:
                self.wrong(at, "header", "", f"column {column!r} is missing.", f"Add a column {column}.")

    def row(self, at: Place, row: dict[str, str]) -> Observation | None:
        cells = {column: (row.get(column) or "").strip() for column in COLUMNS}
        if not any(cells.values()):
            return None
        before = len(self.mistakes)
        for column, text in cells.items():
            if len(text) > LONGEST:
                self.wrong(at, column, "", f"it has more than {LONGEST:,} characters.", "Shorten it.")
        if not cells["words"]:
            self.wrong(at, "words", "", "the cell is empty.", "Say what was seen.")
        if cells["changed"].casefold() not in _CHANGED:
            why = "it says whether the procedure was changed."
            self.wrong(at, "changed", cells["changed"], why, "Write yes or no, or leave it empty for no.")
        test = self.tests.get(cells["test"])
        if test is None:
            why = "the study has no such test." if cells["test"] else "the cell is empty."
            self.wrong(at, "test", cells["test"], why, suggest(cells["test"], list(self.tests)))
            return None
        self.product(at, cells, test)
        run = self.run(at, cells, test)
        for column in ("specimen", "block"):
            self.among(at, column, cells[column], test)
        runs = self.about(cells, test, run)
        if len(self.mistakes) == before and not runs and any(cells[c] for c in ("product", "specimen", "block")):
            why = f"no run of {test.id} is all of this."
            self.wrong(at, "row", "", why, "Correct product, run, specimen or block, or leave out what is not known.")
        if len(self.mistakes) > before:
            return None
        said = {column: cells[column] for column in ("product", "specimen", "block", "tag", "clip", "at", "by")}
        changed = _CHANGED[cells["changed"].casefold()]
        return Observation(place=at, test=test.id, words=cells["words"], run=run, changed=changed, runs=runs, **said)

    def product(self, at: Place, cells: Mapping[str, str], test: Test) -> None:
        name = cells["product"]
        if name and name not in test.products:
            known = name in {p.id for p in self.study.products}
            why = f"this product does not enter test {test.id}." if known else "the study has no such product."
            self.wrong(at, "product", name, why, suggest(name, list(test.products)))

    def run(self, at: Place, cells: Mapping[str, str], test: Test) -> int | None:
        typed, product = cells["run"], cells["product"]
        if not typed:
            return None
        if not product:
            self.wrong(at, "run", typed, "runs are numbered within a product, and none is named.", "Name the product.")
            return None
        if not (typed.isascii() and typed.isdigit() and len(typed) < 7):
            self.wrong(at, "run", typed, "a run is a whole number, from 1.", "Write the number of the run.")
            return None
        if product in test.products and not self.about(
            {"product": product, "specimen": "", "block": ""}, test, int(typed)
        ):
            mine = self.index.get((test.id, "product", product), [])
            known = sorted(self.readings.runs[n].number for n in mine)
            have = f"It has {', '.join(map(str, known[:20]))}." if known else "No run of it is in the sheet yet."
            self.wrong(at, "run", typed, f"test {test.id} has no such run of {product}.", have)
        return int(typed)

    def among(self, at: Place, column: str, name: str, test: Test) -> None:
        if name and (test.id, column, name) not in self.index:
            known = [k for t, c, k in self.index if (t, c) == (test.id, column) and k]
            near = suggest(name, known[:1_000]) if known else f"The sheet names no {column}."
            self.wrong(at, column, name, f"no run of test {test.id} has this {column}.", near)

    def about(self, cells: Mapping[str, str], test: Test, run: int | None) -> tuple[int, ...]:
        """The runs that a row is about; rows about the same runs share one tuple."""
        wanted = tuple((c, cells[c]) for c in ("product", "specimen", "block") if cells[c])
        if run is not None:
            wanted += (("number", str(run)),)
        if (test.id, wanted) not in self.found:
            if not wanted:
                found = tuple(self.runs[test.id])
            else:
                sets = sorted((self.index.get((test.id, *one), []) for one in wanted), key=len)
                found = tuple(n for n in sets[0] if all(_is(self.readings.runs[n], *one) for one in wanted))
            self.found[(test.id, wanted)] = found
        return self.found[(test.id, wanted)]


def _is(run: Run, column: str, value: str) -> bool:
    return str(getattr(run, column)) == value
