"""What was written down and still stands: runs, and the readings of each, every one with the place it was typed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.frozen import Frozen
from evenbench.study.columns import Lists, Places, Texts
from evenbench.study.mistakes import Place
from evenbench.study.model import Study
from evenbench.study.table import Table

LONG = "*"  # the key under which one long table for all tests is handed over
PLAN = "plan.csv"  # and that of the plan


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
class Runs(Frozen, Sequence[Run]):
    """R runs as columns that read like a list of `Run`. `order` is nan where it was not written down."""

    test: Texts
    product: Texts
    number: NDArray[np.int64]
    at: Places
    specimen: Texts
    block: Texts
    lane: Texts
    order: NDArray[np.float64]
    note: Texts

    def __len__(self) -> int:
        return len(self.number)

    @overload
    def __getitem__(self, at: int) -> Run: ...
    @overload
    def __getitem__(self, at: slice) -> list[Run]: ...
    def __getitem__(self, at: int | slice) -> Run | list[Run]:
        if isinstance(at, slice):
            return [self[n] for n in range(len(self))[at]]
        order = float(self.order[at])
        return Run(
            test=self.test[at],
            product=self.product[at],
            number=int(self.number[at]),
            at=self.at[at],
            specimen=self.specimen[at],
            block=self.block[at],
            lane=self.lane[at],
            order=None if np.isnan(order) else order,
            note=self.note[at],
        )

    def __iter__(self) -> Iterator[Run]:
        return (self[n] for n in range(len(self)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Readings(Frozen):
    """What was written down. R runs; N readings, in the order runs and columns stand.

    runs     R runs, by test in study order, then product in study order, then number
    serves   N lists of indices into `runs`: the runs that a reading is of, one unless it is shared
    reading  N ids of declared readings
    repeat   int32[N] 1 for the first reading of its kind in the run
    low      float64[N] in the declared unit of the reading; for a grade, category or yes or no the index of its
             level; for a place the place, inf where it did not finish; nan for a text
    high     float64[N] equal to `low` where a number was simply read; infinite at an open end
    step     float64[N] resolution in the same unit: the instrument's, else from the decimals typed; an interval's
             width where that is more
    typed    N texts as typed
    at       N places
    unplanned  indices into `runs`: those that no row of the plan is for, where there is a plan
    """

    runs: Runs
    serves: Lists
    reading: Texts
    repeat: NDArray[np.int32]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    step: NDArray[np.float64]
    typed: Texts
    at: Places
    unplanned: tuple[int, ...] = ()
    not_used: tuple[NotUsed, ...] = ()

    @property
    def run(self) -> NDArray[np.int64]:
        """int64[N] the first of the runs that each reading serves."""
        return self.serves.first

    @property
    def value(self) -> NDArray[np.float64]:
        """float64[N] what was read, the middle of an interval; nan where an end is open."""
        with np.errstate(invalid="ignore"):
            return np.where(np.isfinite(self.low) & np.isfinite(self.high), (self.low + self.high) / 2, np.nan)

    def of_test(self, test: str) -> list[int]:
        """Indices of the runs of one test, one after the other."""
        here = np.array([name == test for name in self.runs.test.distinct], dtype=np.bool_)
        return list(np.flatnonzero(here[self.runs.test.code]).tolist())

    def behind(self, runs: Sequence[int] | NDArray[np.intp], ids: Sequence[str]) -> dict[str, Lists]:
        """For each of some declared readings of a test, the readings behind each of its `runs`."""
        place = np.full(len(self.runs), -1)
        place[runs] = np.arange(len(runs))
        owner, run = self.serves.owner, place[self.serves.member]
        mine = np.flatnonzero(run >= 0)
        owner, run = owner[mine], run[mine]
        codes = {id: code for code, id in enumerate(self.reading.distinct)}
        code = self.reading.code[owner]
        out = {}
        for id in ids:
            here = code == codes.get(id, -1)
            out[id] = Lists.grouped(owner[here], run[here], len(runs))
        return out


def parse_readings(tables: Mapping[str, Table | Sequence[Mapping[str, str]]], study: Study) -> Readings:
    """Understand tables of text cells against the study they belong to.

    tables  {test id: wide table}, or {"*": long table}, and {"plan.csv": plan} where there is one; plain lists of
            dicts serve where there is no file

    A wide table has a row a run and a column a reading; a long table has a row a reading. Rows and columns that
    are not used are listed with the reason.

    Raises StudyError with every mistake in every table.
    """
    from evenbench.study.reader import read

    named = {
        name: given
        if isinstance(given, Table)
        else Table.of(given, {LONG: "readings", PLAN: PLAN}.get(name, f"readings/{name}"))
        for name, given in tables.items()
    }
    return read(named, study)
