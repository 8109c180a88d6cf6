"""The text of study.toml -> what it says, or one mistake in plain words at the place where reading stopped."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from evenbench.study.mistakes import Mistake, Place, StudyError, visible
from evenbench.study.typed import TypedFloat, day_at, write_days

LARGEST_TEXT = 1_000_000  # characters; a study of thirty products and ten tests is some 40,000
LONGEST_LINE = 5_000  # characters; the time to read a key grows with the square of its dots
DEEPEST = 20  # tables within tables; format 1 needs seven

_STOPPED = "the file cannot be read on from here: "
_QUOTES = 'A text stands in straight quotes: "…".'
_TWICE = "Keep one of them, or give each a name of its own."
# What the TOML reader says -> why, and what to write. A tester knows neither namespaces nor scalar values.
_PLAIN: tuple[tuple[str, str, str], ...] = (
    (
        r"(Illegal|Found invalid) character '\\n'",
        "a text is not closed before its line ends.",
        "Add the closing quote.",
    ),
    (r"(Illegal|Found invalid) character '\\r'", "its lines end as in no text file of today.", "Save it with LF."),
    (r"(Illegal|Found invalid) character (?P<it>'.*')", "it holds {it}, which no text file should.", "Take it out."),
    (r"Unterminated string|Expected (\"'\"|\"'''\")", "a text that opens here is never closed.", "Close it."),
    (r"Invalid value", "this is no value.", _QUOTES),
    (r"Expected '='", "an = is missing after the key.", 'A line is key = value, as in name = "Ostrel".'),
    (r"Expected newline", "something more stands after the value.", f"{_QUOTES} A key begins a line."),
    (r"Invalid statement|Invalid initial character", "this is neither a key nor a table.", "Begin a note with #."),
    (r"Duplicate inline table key '(?P<it>.*)'", "{it} stands twice in these braces.", _TWICE),
    (r"Cannot declare \((?P<it>.*)\) twice", "the table {it} stands above already.", _TWICE),
    (r"Cannot overwrite a value", "this key stands above already.", _TWICE),
    (r"Cannot (mutate|redefine)", "this table was written whole above, and nothing can be added.", "Write it once."),
    (r"Unclosed array", "a list before this is not closed, or lacks a comma.", "Add ] or the comma."),
    (r"Unclosed inline table", "braces before this are not closed, or lack a comma.", "Add } or the comma."),
    (r"Expected '\]+'", "the table's name is not closed.", "Write it as in [products.ostrel]."),
    (r"Invalid date", "there is no such day or time.", "Write a date as in 2026-08-01."),
    (r"Unescaped '\\'|Invalid hex|Escaped char", "a backslash means something else in quotes.", r"Write \\ for \."),
)
_NEVER_CLOSED = {
    "Unterminated string": ('"""', '"'),
    'Expected "\'"': ("'",),
    "Expected \"'''\"": ("'''",),
}


def read_toml(text: str, file: str) -> dict[str, Any]:
    """What a TOML document says.

    Raises StudyError, with one mistake, where it is no TOML or exceeds a limit: reading stops at the first.

    >>> read_toml("format = 1", "study.toml")
    {'format': 1}
    >>> read_toml("role candidate", "study.toml")
    Traceback (most recent call last):
    ...
    evenbench.study.mistakes.StudyError: study.toml:1:6: the file cannot be read on from here:
    an = is missing after the key. A line is key = value, as in name = "Ostrel".
    """
    mistake = _too_large(text, file)
    if mistake is None:
        try:
            document = tomllib.loads(text, parse_float=TypedFloat)
            if not _too_deep(document):
                return document
            mistake = _nested(file)
        except tomllib.TOMLDecodeError as error:
            mistake = _plain(str(error), text, file)
        except RecursionError:
            mistake = _nested(file)
        except ValueError:  # Python refuses to read a whole number of more than 4,300 digits
            mistake = Mistake(Place(file), "", "", "it holds a number of thousands of digits.", "Write a shorter one.")
    raise StudyError([mistake]) from None


def _too_large(text: str, file: str) -> Mistake | None:
    if len(text) > LARGEST_TEXT:
        why = f"the file is longer than {LARGEST_TEXT:,} characters."
        return Mistake(Place(file), "", "", why, "A study is a few pages; readings stand in sheets.")
    for number, line in enumerate(text.split("\n"), start=1):
        if max(map(len, line.split("\r"))) > LONGEST_LINE:
            why = f"the line is longer than {LONGEST_LINE:,} characters."
            return Mistake(Place(file, number), "", "", why, "Part it into several.")
    return None


def _too_deep(document: Any) -> bool:
    level = [document]
    for _ in range(DEEPEST):
        tables = [value.values() if isinstance(value, dict) else value for value in level]
        level = [part for table in tables for part in table if isinstance(part, dict | list)]
    return bool(level)


def _nested(file: str) -> Mistake:
    return Mistake(
        Place(file), "", "", "lists or tables are nested too deeply.", "Format 1 needs seven levels at most."
    )


def _plain(said: str, text: str, file: str) -> Mistake:
    """What the TOML reader said, in other words, and where."""
    place = _place(said, text, file)
    line = text.split("\n")[place.line - 1] if place.line else ""
    if place.column and (found_days := day_at(line, place.column - 1)):
        why = f"{_STOPPED}a date is written year first, with two digits each for month and day."
        return Mistake(place, "", "", why, write_days(found_days))
    for pattern, why, write in _PLAIN:
        if found := re.match(pattern, said):
            it = visible(found.groupdict().get("it") or "").replace("', '", ".").strip("',")
            return Mistake(_place(said, text, file), "", "", _STOPPED + why.format(it=it), write)
    why = re.sub(r" *\(at [^)]*\)$", "", said)
    return Mistake(_place(said, text, file), "", "", f"{_STOPPED}{why}.", "Mend this first.")


def _place(said: str, text: str, file: str) -> Place:
    if found := re.search(r"\(at line (\d+), column (\d+)\)$", said):
        return Place(file, int(found[1]), int(found[2]))
    # At the end of the document: a text was never closed, so that the last of its quotes opened it.
    quotes = next((q for q in _NEVER_CLOSED.get(said.split(" (", maxsplit=1)[0], ()) if q in text), "")
    opened = text.rfind(quotes) if quotes else len(text)
    return Place(file, text.count("\n", 0, opened) + 1, opened - text.rfind("\n", 0, opened))
