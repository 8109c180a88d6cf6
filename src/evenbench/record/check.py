"""What a study folder holds: how much was run and read of each test, and what no figure can rest on.

`check` is asked at the bench, between two runs, so it computes outcomes and nothing beyond: a formula that has no
value for some readings is a fault of the data; a verdict is not its business.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbench.measure.wording import counted
from evenbench.reduce import reduce, without_outcome
from evenbench.study.applied import said, warnings
from evenbench.study.guards import Doubt, guards
from evenbench.study.mistakes import visible
from evenbench.study.model import Study
from evenbench.study.observations import Observation
from evenbench.study.readings import NotUsed, Readings


@dataclass(frozen=True, kw_only=True)
class Held:
    """How much there is of one test. `planned` is None where the study does not say how often to run."""

    test: str
    products: int
    runs: int
    planned: int | None
    readings: int


@dataclass(frozen=True, kw_only=True)
class Checked:
    """A sound study: what is there of each test, how much was applied, what is not used, and what to look at again."""

    title: str
    tests: tuple[Held, ...]
    doses: tuple[str, ...]
    not_used: tuple[NotUsed, ...]
    doubts: tuple[Doubt, ...] = ()
    observations: int = 0


def check(study: Study, readings: Readings, observations: Sequence[Observation] = ()) -> Checked:
    """What `study`, its `readings` and its `observations` hold."""
    not_used = readings.not_used + without_outcome(reduce(study, readings, bench=False))
    held = tuple(_held(study, readings, test.id) for test in study.tests)
    return Checked(
        title=study.title,
        tests=held,
        doses=tuple(_doses(study)),
        not_used=not_used,
        doubts=guards(study, readings),
        observations=len(observations),
    )


def _doses(study: Study) -> Iterator[str]:
    """The dose on the bench against the label, a line for each share of it and each warning."""
    for test in study.tests:
        yield from (f"{test.id}: {line}" for line in said(study, test))
        yield from (f"{test.id}: warning: {line}" for line in warnings(study, test))


def _held(study: Study, readings: Readings, id: str) -> Held:
    test, runs = study.test(id), set(readings.of_test(id))
    planned = [test.planned(p) for p in test.products]
    known = [n for n in planned if n is not None]
    return Held(
        test=id,
        products=len(test.products),
        runs=len(runs),
        planned=sum(known) if known else None,
        readings=int(np.isin(readings.run, list(runs)).sum()),
    )


def as_json(checked: Checked) -> dict[str, Any]:
    """The answer for another program."""
    not_used = [{"row": n.row, "reason": n.reason} for n in checked.not_used]
    doubts = [{"at": str(d.at), "about": d.about, "because": d.because} for d in checked.doubts]
    return {"sound": True, "mistakes": [], "not_used": not_used, "doubts": doubts}


def as_text(checked: Checked) -> str:
    """The answer in the terminal."""
    rows = [("test", "products", "runs", "planned", "readings")]
    rows += [
        (t.test, str(t.products), str(t.runs), "" if t.planned is None else str(t.planned), str(t.readings))
        for t in checked.tests
    ]
    wide = [max(len(row[n]) for row in rows) for n in range(5)]
    lines = [f"{visible(checked.title)}: the study and its sheets can be read."]
    lines += ["  ".join([row[0].ljust(wide[0]), *(row[n].rjust(wide[n]) for n in range(1, 5))]) for row in rows]
    if checked.doses:
        lines += ["Dose on the bench:", *(f"  {visible(line)}" for line in checked.doses)]
    if checked.observations:
        lines.append(f"  {counted(checked.observations, 'observation')}")
    lines += [f"  {visible(note.row)}: {visible(note.reason)}" for note in checked.not_used]
    lines.append(_ending(checked))
    if checked.doubts:
        lines += ["", "Look at these again:", *(f"  {visible(str(doubt))}" for doubt in checked.doubts)]
    return "\n".join(lines)


def _ending(checked: Checked) -> str:
    if not any(test.readings for test in checked.tests):
        return "Nothing is recorded yet. For sheets ready to fill: evenbench start FOLDER"
    if not checked.not_used:
        return "Everything in the sheets is used."
    count = counted(len(checked.not_used), "thing", "things")
    return f"{count} listed above {'is' if len(checked.not_used) == 1 else 'are'} not used or not there."
