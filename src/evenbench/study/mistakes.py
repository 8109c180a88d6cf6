"""A place in a file, a mistake at that place, and the one error that carries all mistakes together."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from evenbench.measure.errors import Correctable

MOST_SHOWN = 200
"""Mistakes that one message spells out; `StudyError.mistakes` holds every one."""

# What a terminal obeys rather than shows, and what turns the reading direction of all that follows. Tab and line
# feed are left; letters of scripts that run from right to left are letters.
_OBEYED = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def obeyed(text: str) -> str | None:
    r"""The first character of a text that a terminal would obey and not show; None where there is none.

    >>> obeyed("\x1b[31mred"), obeyed("Ostrel Spray")
    ('\x1b', None)
    """
    found = _OBEYED.search(text)
    return found[0] if found else None


def visible(text: str) -> str:
    r"""A text on one line, whatever cannot be shown written as its escape.

    >>> print(visible("\x1b[31mred"), visible("Größe"))
    \x1b[31mred Größe
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


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
        return ":".join([visible(self.file), *numbers])


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
        parts = [str(self.at), visible(_shortened(self.subject)), repr(shown) if self.given else ""]
        sentence = visible(" ".join(part for part in (self.why, self.write) if part))
        return ": ".join([part for part in parts if part] + [sentence])


def _shortened(subject: str) -> str:
    return subject if len(subject) <= 120 else subject[:117] + "…"


class StudyError(Correctable):
    """The study or its readings cannot be used as written; `mistakes` lists everything found, in file order."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes = tuple(sorted(set(mistakes)))
        lines = [str(mistake) for mistake in self.mistakes[:MOST_SHOWN]]
        if len(self.mistakes) > MOST_SHOWN:
            lines.append(f"… and {len(self.mistakes) - MOST_SHOWN:,} more; mend these first.")
        super().__init__("\n".join(lines))

    def __reduce__(self) -> tuple[type[StudyError], tuple[tuple[Mistake, ...]]]:
        # Made again from its mistakes: an exception is pickled with its message as the only argument.
        return type(self), (self.mistakes,)
