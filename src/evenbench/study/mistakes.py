"""A place in a file, a mistake at that place, and the one error that carries all mistakes together."""

from __future__ import annotations

from dataclasses import dataclass

from evenbench.measure.errors import Correctable


@dataclass(frozen=True, order=True)
class Place:
    """Where something was written: a file as the user knows it, and line and column counted from 1 (0: unknown).

    >>> str(Place("study.toml", 57, 3))
    'study.toml:57:3'
    >>> str(Place("readings/shower.csv", 4))
    'readings/shower.csv:4'
    """

    file: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        numbers = [str(n) for n in (self.line, self.column) if n]
        return ":".join([self.file, *numbers])


@dataclass(frozen=True, order=True)
class Mistake:
    """One thing that cannot stand: where, what was given, why not, and what to write instead.

    subject  who said it, as the file spells it: "buyers.daily", "row of ostrel"
    given    the value as typed, or "" where nothing was given

    >>> print(Mistake(Place("study.toml", 9, 8), "study.id", "Proof 1", "ids are lower case.", "Write proof_1."))
    study.toml:9:8: study.id: 'Proof 1': ids are lower case. Write proof_1.
    """

    at: Place
    subject: str
    given: str
    why: str
    write: str = ""

    def __str__(self) -> str:
        shown = self.given if len(self.given) <= 60 else self.given[:57] + "…"
        parts = [str(self.at), self.subject, repr(shown) if self.given else ""]
        sentence = " ".join(part for part in (self.why, self.write) if part)
        return ": ".join([part for part in parts if part] + [sentence])


class StudyError(Correctable):
    """The study or its readings cannot be used as written; `mistakes` lists everything found, in file order."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = tuple(sorted(set(mistakes)))
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))
