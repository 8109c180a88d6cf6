"""One cell of a sheet: the number in it, or why there is none and what to write."""

from __future__ import annotations

import re
import unicodedata

from evenbench.measure.errors import character_name

LONGEST_NUMBER = 40
GREATEST, SMALLEST = 1e30, 1e-30
LATER_VALUES = ("<", ">", "~", "..", "did not finish", "dnf")

_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_PLAIN = r"[+-]?[0-9]+(\.[0-9]+)?"
_CLOCK = re.compile(r"[0-9]+(:[0-9]+)+(\.[0-9]+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_THOUSANDS = re.compile(r"[+-]?[0-9]{1,3}(?P<mark>[,.' ])[0-9]{3}((?P=mark)[0-9]{3})*([.,][0-9]+)?")
_WITH_UNIT = re.compile(rf"(?P<n>{_PLAIN})\s*(?P<unit>[^\W\d_]\S*( \S+)*|[%°µΩ].*)")
_DASHES = str.maketrans("−–—", "---")


def number(text: str) -> float | None:
    """The number a cell holds, written with a decimal point; None where it holds none that can be computed with.

    >>> number("61.20"), number("1.5e3"), number("61,2"), number("1e999"), number("nan")
    (61.2, 1500.0, None, None, None)
    """
    if len(text) > LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if SMALLEST <= abs(value) < GREATEST or _is_zero(text) else None


def _is_zero(text: str) -> bool:
    return not re.search("[1-9]", text.lower().partition("e")[0])


def decimal_step(typed: str) -> float:
    """The last place of a number as typed.

    >>> decimal_step("12.40"), decimal_step("7"), decimal_step("1.5e3")
    (0.01, 1.0, 100.0)
    """
    mantissa, _, exponent = typed.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(f"1e{int(exponent or 0) - decimals}")


def advice(typed: str, unit: str) -> tuple[str, str]:
    """Why a cell is no number, and what to write; `unit` is that of its reading.

    >>> advice("61,2", "g")
    ('a number is written with a decimal point.', 'Write 61.2.')
    """
    if any(mark in typed.lower() for mark in LATER_VALUES):
        return (
            "this version reads plain numbers only; bounds, intervals and unfinished runs come later.",
            "Leave the cell empty and say what happened in the column `note`.",
        )
    if _NUMBER.fullmatch(typed):
        return "this number is too large or too small to compute with.", f"Write it in {unit or 'plain figures'}."
    if otherwise := _why_typed_otherwise(typed):
        return otherwise
    if _CLOCK.fullmatch(typed):
        return "hours, minutes and seconds stand together.", f"Write one number, in {unit or 'one unit'}."
    if found := _WITH_UNIT.fullmatch(typed):
        why = f"the sheet holds the number alone; the study has its unit, {unit or 'none'}."
        return why, f"Write {found['n']}." if found["unit"] == unit else f"Write the number alone, in {unit}."
    return "this is not a number.", "Write a number such as 12.4, or leave the cell empty with a note."


def _why_typed_otherwise(typed: str) -> tuple[str, str] | None:
    """A number typed with other signs than the plain ones."""
    plain = unicodedata.normalize("NFKC", typed).translate(_DASHES)
    if plain != typed and number(plain) is not None:
        odd = next(character for character in typed if not character.isascii())
        return f"it holds {character_name(odd)}.", f"Write {plain}."
    if found := _THOUSANDS.fullmatch(plain):
        whole = plain.replace(found["mark"], "").replace(",", ".")
        if found["mark"] == "," and "." not in plain and plain.count(",") == 1:
            return "a comma could part the thousands or the decimals.", f"Write {whole} or {plain.replace(',', '.')}."
        return f"{found['mark']!r} stands within the number.", f"Write {whole}."
    if _DECIMAL_COMMA.fullmatch(plain):
        return "a number is written with a decimal point.", f"Write {plain.replace(',', '.')}."
    return None
