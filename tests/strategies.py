"""Studies and sheets for tests: one small study, its sheets, and ways to damage them."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import Readings, parse_readings

TODAY = date(2026, 11, 30)

EXAMPLE = Path(__file__).parent / "example"
STUDY = (EXAMPLE / "study.toml").read_text(encoding="utf-8")
SHEETS = {path.stem: path.read_text(encoding="utf-8") for path in sorted((EXAMPLE / "readings").glob("*.csv"))}


def study_text(*changes: tuple[str, str]) -> str:
    """The small study, each `(old, new)` of the changes made in it once."""
    text = STUDY
    for old, new in changes:
        assert old in text, f"the study does not hold {old!r}"
        text = text.replace(old, new, 1)
    return text


def example_study(*changes: tuple[str, str]) -> Study:
    """The small study, understood."""
    return parse(study_text(*changes), today=TODAY)


def rows(sheet: str) -> list[dict[str, str]]:
    """A sheet whose cells hold no comma, as the rows that `parse_readings` takes."""
    header, *lines = sheet.splitlines()
    return [dict(zip(header.split(","), line.split(","), strict=True)) for line in lines]


def example_readings(study: Study | None = None) -> Readings:
    """The readings of the small study."""
    return parse_readings({test: rows(sheet) for test, sheet in SHEETS.items()}, study or example_study())


# --------------------------------------------------------------------------------------------------- damaging them

Steps = tuple[str | int, ...]


def paths(value: Any, path: Steps = ()) -> Iterator[Steps]:
    """The path of everything within a document."""
    if path:
        yield path
    within = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, part in within:
        yield from paths(part, (*path, step))


def at(document: Any, path: Steps) -> Any:
    """What stands at a path."""
    for step in path:
        document = document[step]
    return document


def to_toml(document: Mapping[str, Any]) -> str:
    """A document as TOML, whatever it holds: tables two deep under headers, deeper ones in braces."""
    lines = [f"{key} = {_value(value)}" for key, value in document.items() if not isinstance(value, dict)]
    for name, table in document.items():
        if not isinstance(table, dict):
            continue
        if table and all(isinstance(part, dict) for part in table.values()):
            for id, part in table.items():
                lines += [f"[{name}.{_key(id)}]", *_pairs(part)]
        else:
            lines += [f"[{name}]", *_pairs(table)]
    return "\n".join(lines) + "\n"


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _key(key: str) -> str:
    return key if re.fullmatch(r"\w+", key, re.ASCII) else json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{ " + ", ".join(_pairs(value)) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(part) for part in value) + "]"
    return str(json.dumps(value, ensure_ascii=False)) if isinstance(value, str) else str(value)


_TYPED: tuple[str, ...] = (
    *"\"=[]{},.\n#'\\\0\r()%-;\t",
    *('"""', "true", "nan", "inf", "1e999", "9" * 30, "''", "[]", "{}", " - ", "/ 0", "mean(", '"5 %"', "1979-05-27"),
    *("[[x]]\n", "[tests]\n", "a.b.c = 1\n", "control", "product", "shower.uptake", "é", "\u202e", "\x1b[31m", "−"),
)


def damaged(text: str, random_: random.Random) -> str:
    """A text as a slip of the hand leaves it: characters, words or lines lost, doubled, swapped or put in."""
    for _ in range(random_.choice((1, 1, 1, 2, 5))):
        text = random_.choice(_SLIPS)(text, random_) or "\n"
    return text


def _put_in(text: str, random_: random.Random) -> str:
    place = random_.randrange(len(text) + 1)
    return text[:place] + random_.choice(_TYPED) + text[place:]


def _leave_out(text: str, random_: random.Random) -> str:
    place = random_.randrange(len(text))
    return text[:place] + text[place + random_.randrange(1, 12) :]


def _mistype(text: str, random_: random.Random) -> str:
    place = random_.randrange(len(text))
    return text[:place] + chr(random_.randrange(0x3000)) + text[place + 1 :]


def _swap_words(text: str, random_: random.Random) -> str:
    words = [match.span() for match in re.finditer(r'[A-Za-z0-9_.]+|"[^"\n]*"', text)] or [(0, 0)]
    (start, end), (other, last) = random_.choice(words), random_.choice(words)
    return text[:start] + text[other:last] + text[end:]


def _lose_line(text: str, random_: random.Random) -> str:
    lines = text.split("\n")
    del lines[random_.randrange(len(lines))]
    return "\n".join(lines)


def _double_line(text: str, random_: random.Random) -> str:
    lines = text.split("\n")
    lines.insert(random_.randrange(len(lines) + 1), random_.choice(lines))
    return "\n".join(lines)


_SLIPS: tuple[Callable[[str, random.Random], str], ...] = (
    _put_in,
    _leave_out,
    _mistype,
    _swap_words,
    _lose_line,
    _double_line,
)
