"""Readings lent from one test to another: which runs of the borrowing test each reading serves.

A specimen that goes through two tests is read once, where it is first on the scale. Runs are matched by the name of
their specimen, and where either test does not name specimens, by product and number of the run.
"""

# Throughout this module:
#   lender, borrower  the tests between which a reading is lent
#   token             what a reading is of: a run, or the name of a specimen or product; -1 where there is none

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.study.columns import Lists
from evenbench.study.model import ReadingOf
from evenbench.study.readings import Runs
from evenbench.study.sheet import Known

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Lent:
    """One declared reading that another test lends: cells of the lender, and the runs that each serves.

    reading  index of the borrower's declared reading
    cell     int64[C] indices of the lender's cells
    serves   C lists of indices into the runs
    """

    reading: int
    cell: Ints
    serves: Lists


def lent(known: Known, runs: Runs, reading: Ints, name: Ints) -> Iterator[Lent]:
    """Every reading that is lent.

    reading, name  of every cell: its declared reading, and its token
    """
    for k, (t, declared) in enumerate(known.declared):
        if not declared.lent_by:
            continue
        test, _, lender = declared.lent_by.partition(".")
        source = known.reading_index[known.test_index[test], lender]
        cell = np.flatnonzero(reading == source)
        borrowers = np.flatnonzero(runs.test.code == t)
        wanted = _tokens(known, runs, source, borrowers)
        there = (wanted >= 0) & (wanted <= name[cell].max(initial=-1))
        groups = Lists.grouped(np.arange(len(cell)), name[cell], int(name[cell].max(initial=0)) + 1)
        pairs = groups.take(wanted[there])
        serves = Lists.grouped(borrowers[there][pairs.owner].astype(np.int64), pairs.member, len(cell))
        used = np.flatnonzero(serves.length > 0)
        yield Lent(k, cell[used], serves.take(used))


def _tokens(known: Known, runs: Runs, source: int, borrowers: NDArray[np.intp]) -> Ints:
    """The token that each borrowing run looks for among the lender's cells."""
    t, lender = known.declared[source]
    of: ReadingOf = lender.of
    if of == "test":
        return np.zeros(len(borrowers), dtype=np.int64)
    if of == "product":
        return runs.product.code[borrowers].astype(np.int64)
    if of == "specimen":
        specimen = runs.specimen.code[borrowers].astype(np.int64)
        return np.where(specimen > 0, specimen, -1)
    return _runs(known, runs, t, borrowers)


def _runs(known: Known, runs: Runs, lender: int, borrowers: NDArray[np.intp]) -> Ints:
    """The run of the lending test that each borrowing run goes on from; -1 where there is none, or more than one."""
    by_specimen: dict[str, list[int]] = {}
    by_number: dict[tuple[str, int], int] = {}
    for n in np.flatnonzero(runs.test.code == lender).tolist():
        if runs.specimen[n]:
            by_specimen.setdefault(runs.specimen[n], []).append(n)
        by_number[runs.product[n], int(runs.number[n])] = n
    out = np.full(len(borrowers), -1, dtype=np.int64)
    for place, n in enumerate(borrowers.tolist()):
        specimen = runs.specimen[n]
        same = by_specimen.get(specimen, [])
        if len(same) > 1:
            why = f"specimen {specimen} went through {known.tests[lender].id} more than once"
            known.skip(f"{runs.at[n]}: what {runs.test[n]} is lent for {runs.product[n]} run {runs.number[n]}", why)
        elif same:
            out[place] = same[0]
        else:
            alike = by_number.get((runs.product[n], int(runs.number[n])), -1)
            # A run that names another specimen is another specimen's, whatever its number.
            out[place] = alike if alike >= 0 and not (specimen and runs.specimen[alike]) else -1
    return out
