"""One damaged folder through the command line, and held against the independent reader."""

from __future__ import annotations

import math
import re
import shutil
import signal
import time
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import evenbench.analysis
import evenbench.record.folder
from evenbench.cli import main
from evenbench.record.folder import open_study
from tests.damage.independent import Bounds, Key, Taken, take
from tests.strategies import TODAY

LONGEST = 2.0  # seconds that one file may take
ALL_AT = re.compile(r"(study\.toml|readings[^:]*|observations\.csv|plan\.csv)(:[0-9]+){0,2}: .", re.DOTALL)
IN_LINE = re.compile(r"[^:]+:[0-9]+(:[0-9]+)?: .", re.DOTALL)

Files = Mapping[str, bytes]  # by path within the study folder


@dataclass(frozen=True)
class Outcome:
    """What became of a folder.

    word    "refused", "equal", "partly" or "unsure"; "failed" where `why` says what must not be
    placed  of a refusal, how many of its mistakes name a line, and how many only the file
    cells   how many readings were compared, and how many the independent reader was not sure of
    """

    word: str
    why: str = ""
    placed: tuple[int, int] = (0, 0)
    cells: tuple[int, int] = (0, 0)
    seconds: float = 0.0
    used: Mapping[Key, Bounds] = field(default_factory=dict, repr=False)


class TooLong(BaseException):
    """Two seconds are over. No Exception, so that nothing on the way takes it for one of its own."""


@contextmanager
def limited(seconds: float) -> Iterator[None]:
    """Stop what takes more processor time than this; without the clock of POSIX, only the time is told after."""
    if not hasattr(signal, "setitimer"):
        yield
        return

    def stop(*_: Any) -> None:
        raise TooLong

    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def lay_out(folder: Path, files: Files) -> Path:
    """Write the files of a study into an empty folder."""
    if folder.exists():
        shutil.rmtree(folder)
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder


def tried(folder: Path, command: str = "results") -> Outcome:
    """Run a command on a folder, and hold what it used against what the independent reader takes.

    command  "results" for the readings that the analysis holds; "check" for those that would go into it, which is
             three times as fast
    """
    used: list[Any] = []
    analyse = evenbench.analysis.analyse

    def analysed(*given: Any, **named: Any) -> Any:
        analysis = analyse(*given, **named)
        used.append(analysis.readings)
        return analysis

    def opened(path: Path) -> Any:
        study, readings = open_study(path, today=TODAY)
        if command == "check":
            used.append(readings)
        return study, readings

    began = time.process_time()
    with pytest.MonkeyPatch.context() as patch, warnings.catch_warnings():
        patch.setattr(evenbench.analysis, "analyse", analysed)
        patch.setattr(evenbench.record.folder, "open_study", opened)
        warnings.simplefilter("error")
        try:
            with limited(LONGEST):
                ran = CliRunner().invoke(main, [command, str(folder), *(["--json"] if command == "results" else [])])
        except TooLong:
            return Outcome("failed", f"more than {LONGEST} s", seconds=LONGEST)
    took = time.process_time() - began
    if took > LONGEST:
        return Outcome("failed", f"{took:.1f} s", seconds=took)
    if ran.exception is not None and not isinstance(ran.exception, SystemExit):
        return Outcome("failed", f"{type(ran.exception).__name__}: {ran.exception}"[:500], seconds=took)
    if ran.exit_code == 1:
        return _refused(ran.stderr, took)
    if ran.exit_code:
        return Outcome("failed", f"exit {ran.exit_code}: {ran.output[:300]}", seconds=took)
    return _held(used[-1], take(folder), took)


def _refused(said: str, took: float) -> Outcome:
    lines = said.rstrip("\n").split("\n")
    nowhere = [line for line in lines if not ALL_AT.match(line) and not re.match(r"(\.\.\.|…|and) ?[0-9]* ?", line)]
    if nowhere:
        return Outcome("failed", f"no place in: {nowhere[0][:300]}", seconds=took)
    if any(not line.isprintable() for line in lines):
        return Outcome("failed", f"a message that a terminal would obey: {said[:300]!r}", seconds=took)
    placed = sum(bool(IN_LINE.match(line)) for line in lines)
    return Outcome("refused", placed=(placed, len(lines) - placed), seconds=took)


def used_by(readings: Any) -> dict[Key, tuple[float, float]]:
    """What an analysis used, per test, product, run, reading and repeat; shared readings in each of their runs."""
    found = {}
    for n in range(len(readings.low)):
        for index in readings.serves[n]:
            run = readings.runs[int(index)]
            key = (run.test, run.product, int(run.number), str(readings.reading[n]), int(readings.repeat[n]))
            assert key not in found, f"{key} twice"
            found[key] = (float(readings.low[n]), float(readings.high[n]))
    return found


def _held(readings: Any, taken: Taken, took: float) -> Outcome:
    used = used_by(readings)
    if taken.wrong:
        return Outcome("failed", f"accepted, but {taken.wrong[0]}", seconds=took)
    for key, bounds in used.items():
        if taken.open(key):
            continue
        if key not in taken.values:
            return Outcome("failed", f"{key}: used {bounds}, which no cell says", seconds=took)
        if not same_bounds(bounds, taken.values[key]):
            return Outcome("failed", f"{key}: used {bounds}, but the cell says {taken.values[key]}", seconds=took)
    for key, bounds in taken.values.items():
        if key not in used and not taken.open(key):
            return Outcome("failed", f"{key}: the cell says {bounds}, and nothing was used", seconds=took)
    unsure = sum(taken.open(key) for key in used)
    word = "equal" if not unsure else "unsure" if unsure == len(used) else "partly"
    return Outcome(word, cells=(len(used) - unsure, unsure), seconds=took, used=used)


def _same(one: float, other: float) -> bool:
    """Equal but for the rounding of one more division, as of seconds shown in minutes."""
    return one == other or (math.isnan(one) and math.isnan(other)) or math.isclose(one, other, rel_tol=1e-14)


def same_bounds(one: Bounds, other: Bounds) -> bool:
    """Whether two readings say the same."""
    return _same(one[0], other[0]) and _same(one[1], other[1])


@dataclass
class Tally:
    """Counts over many folders."""

    words: Counter[str]
    lines: int = 0
    files_only: int = 0
    compared: int = 0
    unsure: int = 0
    slowest: float = 0.0

    def add(self, outcome: Outcome) -> None:
        """Count one folder."""
        self.words[outcome.word] += 1
        self.lines += outcome.placed[0]
        self.files_only += outcome.placed[1]
        self.compared += outcome.cells[0]
        self.unsure += outcome.cells[1]
        self.slowest = max(self.slowest, outcome.seconds)

    def counts(self) -> dict[str, Any]:
        """The counts as plain values, which pass from one process to another."""
        return asdict(self) | {"words": dict(self.words)}

    def join(self, counts: Mapping[str, Any]) -> None:
        """Add the counts of another tally."""
        self.words.update(counts["words"])
        for name in ("lines", "files_only", "compared", "unsure"):
            setattr(self, name, getattr(self, name) + counts[name])
        self.slowest = max(self.slowest, counts["slowest"])

    def __str__(self) -> str:
        """The counts in words."""
        accepted = self.words["equal"] + self.words["partly"] + self.words["unsure"]
        share = self.unsure / max(1, self.compared + self.unsure)
        return (
            f"{self.words.total()} files: {self.words['refused']} refused with place "
            f"({self.lines} mistakes with a line, {self.files_only} with the file alone), {accepted} accepted: "
            f"{self.words['equal']} equal in every cell, {self.words['partly']} equal where sure, "
            f"{self.words['unsure']} not sure of any; {self.compared} cells equal, {self.unsure} not sure "
            f"({share:.1%}); slowest {self.slowest:.2f} s"
        )
