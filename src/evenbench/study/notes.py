"""Mistakes of study.toml as they are found: noted by path, told by line and column."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from evenbench.study.mistakes import Mistake, Place
from evenbench.study.positions import positions
from evenbench.study.typed import TypedFloat

Path = tuple[str | int, ...]
"""Keys from the top of the file, and places in lists: ("products", "ostrel", "claims", 0)."""


class _Note(NamedTuple):
    path: Path
    at_key: bool
    given: str
    why: str
    write: str


@dataclass
class Notes:
    """What cannot stand in one file, by path: places are looked up only if there is a mistake, by a second reading.

    raw    the whole file as it was read
    kept   list in the file -> which of its members are left in the data that is being checked
    meant  paths that the file has under a misspelt name, noted already
    """

    raw: dict[str, Any]
    found: list[_Note] = field(default_factory=list)
    kept: dict[Path, list[int]] = field(default_factory=dict)
    meant: set[Path] = field(default_factory=set)

    def add(self, path: Path, given: object, why: str, write: str = "", *, at_key: bool = False) -> None:
        """Note a mistake in the value at `path`, or with `at_key` in the key itself."""
        self.found.append(_Note(self.in_file(path), at_key, _shown(given), why, write))

    def in_file(self, path: Path) -> Path:
        """A path after cuts, as it was before them: members of a list move up when one before them is cut."""
        out: Path = ()
        for step in path:
            out = (*out, self.kept[out][step] if isinstance(step, int) and out in self.kept else step)
        return out

    def cut(self, data: Any, path: Path) -> None:
        """Take out of `data` what cannot stand."""
        here = data
        for step in path[:-1]:
            here = here[step]
        if isinstance(here, list):
            self.kept.setdefault(self.in_file(path[:-1]), list(range(len(here)))).pop(int(path[-1]))
        del here[path[-1]]

    def typed(self, *path: str | int) -> bool:
        """Whether the file has something at this path, sound or not, or has it misspelt."""
        if path in self.meant:
            return True
        here: Any = self.raw
        for step in path:
            try:
                here = here[step]
            except (KeyError, IndexError, TypeError):
                return False
        return True

    def doubtful(self, *path: str | int) -> bool:
        """Whether what is at this path has been noted as a whole, so that nothing is known of what it should say."""
        return path in self.meant or any(note.path == path for note in self.found)

    def damaged(self, *path: str | int) -> bool:
        """Whether anything at this path, or within it, has been noted."""
        return any(note.path[: len(path)] == path for note in self.found)

    def table(self, *path: str | int) -> dict[str, Any]:
        """The table at this path, as it stands in the file; empty where there is none."""
        here: Any = self.raw
        for step in path:
            try:
                here = here[step]
            except (KeyError, IndexError, TypeError):
                return {}
        return here if isinstance(here, dict) else {}

    def ids(self, path: Path) -> list[str]:
        """The keys of the table at this path; none where there is no table."""
        return list(self.table(*path))

    def mistakes(self, text: str, file: str) -> list[Mistake]:
        """Everything noted, each at its line and column of `text`."""
        where = positions(text)
        out = []
        for note in self.found:
            line, column = where.key(note.path) if note.at_key else where.value(note.path)
            out.append(Mistake(Place(file, line, column), dotted(note.path), note.given, note.why, note.write))
        return out


def dotted(path: Path) -> str:
    """A path as a reader would say it.

    >>> dotted(("buyers", "daily", "must", 0, "result"))
    'buyers.daily.must[1].result'
    """
    out = ""
    for step in path:
        out += f"[{step + 1}]" if isinstance(step, int) else f".{step}"
    return out.removeprefix(".")


def _shown(given: object) -> str:
    if given is None or isinstance(given, dict | list):
        return ""
    if isinstance(given, TypedFloat):
        return given.typed
    return str(given).lower() if isinstance(given, bool) else str(given)
