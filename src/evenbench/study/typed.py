"""What a person typed where a number, a day or an id was meant: as it was typed, and what it can stand for."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_NAMED = (
    re.compile(r"(?P<d>[0-9]{1,2})(?:st|nd|rd|th)?[-. ]+(?:of )?(?P<m>[A-Za-z]{3,9})\.?,?[- ]+(?P<y>[0-9]{4})"),
    re.compile(r"(?P<m>[A-Za-z]{3,9})\.? (?P<d>[0-9]{1,2})(?:st|nd|rd|th)?,? (?P<y>[0-9]{4})"),
)
_YEAR_FIRST = re.compile(r"(?P<y>[0-9]{4})(?P<s>[-./])(?P<m>[0-9]{1,2})(?P=s)(?P<d>[0-9]{1,2})(?:[T ][0-9:.Z+]+)?")
_YEAR_LAST = re.compile(r"(?P<a>[0-9]{1,2})(?P<s>[-./]) ?(?P<b>[0-9]{1,2})(?P=s) ?(?P<y>[0-9]{4})")
_A_DAY = re.compile(
    r"[0-9]{1,4}[-./] ?[0-9]{1,2}[-./] ?[0-9]{1,4}|[0-9]{1,2}(?:st|nd|rd|th)?[-. ]+[A-Za-z]{3,9}\.?[- ]+[0-9]{4}"
)


class TypedFloat(float):
    """A number of the file, with its digits as they were typed.

    >>> TypedFloat("8.90"), TypedFloat("8.90").typed
    (8.9, '8.90')
    """

    def __new__(cls, typed: str | float) -> TypedFloat:
        """The number that these digits spell."""
        made = super().__new__(cls, typed)
        made.typed = str(typed)
        return made

    typed: str


def days(text: str) -> list[date]:
    """The days that a date in a local form may stand for: none where it is no date, two where it can be read two ways.

    Points part day, month and year, in this order; so written, a date is never turned round.

    >>> [str(day) for day in days("03.02.2026")], [str(day) for day in days("3/2/2026")]
    (['2026-02-03'], ['2026-02-03', '2026-03-02'])
    >>> [str(day) for day in days("2 August 2026")], days("soon")
    (['2026-08-02'], [])
    """
    text = text.strip()
    for pattern in _NAMED:
        if (found := pattern.fullmatch(text)) and found["m"][:3].casefold() in _MONTHS:
            return _sound((found["y"], str(_MONTHS.index(found["m"][:3].casefold()) + 1), found["d"]))
    if found := _YEAR_FIRST.fullmatch(text):
        return _sound((found["y"], found["m"], found["d"]))
    if found := _YEAR_LAST.fullmatch(text):
        day_first, month_first = (found["y"], found["b"], found["a"]), (found["y"], found["a"], found["b"])
        return _sound(day_first) if found["s"] == "." else _sound(day_first, month_first)
    return []


def _sound(*written: tuple[str, str, str]) -> list[date]:
    out: list[date] = []
    for year, month, day in written:
        try:
            out.append(date(int(year), int(month), int(day)))
        except ValueError:
            continue
    return list(dict.fromkeys(out))


def write_days(found: list[date]) -> str:
    """How a day is written; "" where there is none.

    >>> write_days([date(2026, 2, 3)])
    'Write 2026-02-03 without quotes.'
    """
    either = " or ".join(str(day) for day in found)
    return f"Write {either} without quotes." if found else ""


def day_at(line: str, column: int) -> list[date]:
    """What the date may be that stands in a line at a column, counted from 0.

    >>> [str(day) for day in day_at("on = 03.02.2026  # at noon", 6)]
    ['2026-02-03']
    """
    there = [found[0] for found in _A_DAY.finditer(line) if found.start() <= column <= found.end()]
    return days(there[0]) if there else []


def product_called(given: str, products: Mapping[str, Any]) -> str | None:
    """The id of the product whose name, or other name, was given; None where there is not just one.

    products  the tables of the products by id, as they stand in the file

    >>> product_called("irmin powder", {"irmin": {"name": "Irmin Powder"}})
    'irmin'
    """
    same = _folded(given)
    found = [id for id, table in products.items() if isinstance(table, dict) and same in _names(id, table)]
    return found[0] if len(found) == 1 else None


def _names(id: str, table: Mapping[str, Any]) -> set[str]:
    also = table.get("also")
    stated = [id, table.get("name"), *(also if isinstance(also, list) else [])]
    return {_folded(name) for name in stated if isinstance(name, str)}


def _folded(name: str) -> str:
    return " ".join(name.casefold().split())
