"""One cell of a sheet: the number in it, or why there is none and what to write."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from math import inf, isinf

from evenbench.measure.errors import character_name

LONGEST_NUMBER = 40
GREATEST, SMALLEST = 1e30, 1e-30
DID_NOT_FINISH = "did not finish"

_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_PLAIN = r"[+-]?[0-9]+(\.[0-9]+)?"
_CLOCK_TIME = re.compile(r"((?P<h>[0-9]{1,3}):)?(?P<m>[0-9]{1,4}):(?P<s>[0-9]{2}(\.[0-9]+)?)")
_CLOCK = re.compile(r"[0-9]+(:[0-9]+)+(\.[0-9]+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_THOUSANDS = re.compile(r"[+-]?[0-9]{1,3}(?P<mark>[,.' ])[0-9]{3}((?P=mark)[0-9]{3})*([.,][0-9]+)?")
_WITH_UNIT = re.compile(rf"(?P<n>{_PLAIN})\s*(?P<unit>[^\W\d_]\S*( \S+)*|[%°µΩ].*)")
_DASHES = str.maketrans("−–—", "---")
# What people write for a bound, an interval, a doubt or a gap; the digits and the unit are left as they were typed.
_UNSIGNED = r"(?:[0-9]+(?:[.,:][0-9]+)*|\.[0-9]+)"
_FIGURES = rf"[-+]?{_UNSIGNED}"
_BEHIND = r"(?P<unit>\s*(?:[^\W\d_]|[%°µ])[^()]*)?"
_OVER = re.compile(
    r"(?:(?:over|above|beyond|at least|(?:>|more|greater|higher|longer) *than|> *=|≥|minimum)\s*"
    rf"(?P<n>{_FIGURES}){_BEHIND}|(?P<plus>{_UNSIGNED})\s*\+)",
    re.IGNORECASE,
)
_UNDER = re.compile(
    r"(?:under|below|at most|up to|(?:<|less|fewer|lower|smaller|shorter) *than|< *=|≤|max\.|maximum)\s*"
    rf"(?P<n>{_FIGURES}){_BEHIND}",
    re.IGNORECASE,
)
_FROM_TO = re.compile(
    rf"(?:from\s+|(?P<between>between)\s+)?(?:(?P<low>{_FIGURES})\s*(?(between)and|(?:to|until))\s*(?P<high>{_FIGURES})"
    rf"|(?P<first>{_UNSIGNED})\s*-\s*(?P<second>{_UNSIGNED})){_BEHIND}",
    re.IGNORECASE,
)
_ABOUT = re.compile(
    r"(?:(?:ca|circa|c|about|around|approx|approximately|roughly|some)(?:\.\s*|\s+)|[≈≃∼]\s*)"
    rf"(?P<n>{_FIGURES}){_BEHIND}|(?P<ish>{_FIGURES})\s*-?\s*ish",
    re.IGNORECASE,
)
_DOUBTED = re.compile(
    rf"(?P<n>{_FIGURES})\s*(?:\?+|\*+|!+|\((?P<said>[^()]*)\)|(?:est|estimated|approx|approximately|about|ca)\.?)",
    re.IGNORECASE,
)
_GAPS = frozenset(
    {"n/a", "na", "n.a.", "-", "--", "---", "none", "nil", "null", "nan", "missing", "lost", "?", "??", "???"}
)
_NOUGHT = frozenset({"none", "nil"})


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


@dataclass(frozen=True, slots=True)
class Span:
    """What a cell says of a number: it lies from `low` to `high`, which are equal where it was simply read.

    step  the last place typed
    """

    low: float
    high: float
    step: float


def span(text: str, *, clock: bool = False) -> Span | None:
    """The number a cell holds, or the bounds it gives; None where it is neither.

    clock  whether minutes and seconds may stand together, as in 1:23.5

    >>> span("61.20"), span("570..580")
    (Span(low=61.2, high=61.2, step=0.01), Span(low=570.0, high=580.0, step=1.0))
    >>> span("..724"), span(">100"), span("~570")
    (Span(low=-inf, high=724.0, step=1.0), Span(low=100.0, high=inf, step=1.0), Span(low=560.0, high=580.0, step=1.0))
    >>> span("1:23.5", clock=True), span("580..570"), span("about 5")
    (Span(low=83.5, high=83.5, step=0.1), None, None)
    """
    text = text.strip()
    if (value := number(text)) is not None:
        return Span(value, value, decimal_step(text))
    if clock and (found := _CLOCK_TIME.fullmatch(text)):
        hours, minutes, seconds = float(found["h"] or 0), float(found["m"]), float(found["s"])
        value = 3600 * hours + 60 * minutes + seconds
        return (
            Span(value, value, decimal_step(found["s"])) if seconds < 60 and (minutes < 60 or not found["h"]) else None
        )
    if text[:1] in ("<", ">"):
        bound = number(text[1:].strip())
        if bound is None:
            return None
        ends = (-inf, bound) if text[0] == "<" else (bound, inf)
        return Span(*ends, decimal_step(text[1:].strip()))
    if text.startswith("~"):
        about = number(text[1:].strip())
        # About: within one of the last digit that is not a zero, so that ~570 is from 560 to 580.
        last = _last_digit(text[1:].strip()) if about is not None else 0.0
        return None if about is None else Span(about - last, about + last, decimal_step(text[1:].strip()))
    return _between(text)


def _between(text: str) -> Span | None:
    first, dots, second = text.partition("..")
    if "..." in text:  # 0...6 could be 0 to 0.6, or 0 to 6 with a dot too many
        return None
    low = number(first.strip()) if first.strip() else -inf
    high = number(second.strip()) if second.strip() else inf
    if not dots or low is None or high is None or not low < high or (isinf(low) and isinf(high)):
        return None
    return Span(low, high, min(decimal_step(end.strip()) for end in (first, second) if end.strip()))


def _last_digit(typed: str) -> float:
    """The place of the last digit that is not 0."""
    mantissa, _, exponent = typed.lower().partition("e")
    whole, _, decimals = mantissa.lstrip("+-").partition(".")
    digits = (whole + decimals).rstrip("0")
    place = len(whole) - len(digits) + int(exponent or 0) if digits else 0
    return float(f"1e{place}")


def advice(typed: str, unit: str) -> tuple[str, str]:
    """Why a cell is no number, and what to write; `unit` is that of its reading.

    >>> advice("61,2", "g")
    ('a number is written with a decimal point.', 'Write 61.2.')
    """
    if worded := in_words(typed, unit):
        return worded
    if any(mark in typed for mark in ("<", ">", "~", "..")):
        why = "this is no bound or interval that can be read."
        return why, "Write it as in 570..580, ..724, <0.5, >100 or ~570, the lower end first."
    if typed.casefold() == "dnf":
        return "this is not a number.", f"Write {DID_NOT_FINISH}."
    if _NUMBER.fullmatch(typed):
        return "this number is too large or too small to compute with.", f"Write it in {unit or 'plain figures'}."
    if otherwise := _why_typed_otherwise(typed):
        return otherwise
    if _CLOCK.fullmatch(typed):
        return "hours, minutes and seconds stand together.", f"Write one number, in {unit or 'one unit'}."
    if found := _WITH_UNIT.fullmatch(typed):
        if found["unit"] == unit:
            return "the number and its unit cannot be parted here.", f"Write {found['n']}."
        why = f"it is in {found['unit']}, and the study has this reading {f'in {unit}' if unit else 'without a unit'}."
        return why, "Convert it, or correct its unit."
    return "this is not a number.", "Write a number such as 12.4, or leave the cell empty with a note."


def in_words(typed: str, unit: str = "") -> tuple[str, str] | None:
    """Why a bound, an interval, a doubt or a gap in words is not read, and how it is written; None for other cells.

    >>> in_words("over 1000")
    ('a bound is written with a sign.', 'Write >1000.')
    >>> in_words("380 to 390")
    ('an interval is written with two points.', 'Write 380..390.')
    """
    if len(typed) > LONGEST_NUMBER:
        return None
    if typed.translate(_DASHES).casefold() in _GAPS:
        write = "Leave the cell empty, with a note"
        return "there is no number here.", write + (
            ", or write 0 if 0 was read." if typed.casefold() in _NOUGHT else "."
        )
    text = typed.translate(_DASHES)
    if found := _OVER.fullmatch(text):
        return "a bound is written with a sign.", f"Write >{found['plus'] or found['n'] + (found['unit'] or '')}."
    if found := _UNDER.fullmatch(text):
        return "a bound is written with a sign.", f"Write <{found['n']}{found['unit'] or ''}."
    if found := _ABOUT.fullmatch(text):
        return _about(found["ish"] or found["n"], found["unit"] or "")
    if (found := _DOUBTED.fullmatch(text)) and (not found["said"] or found["said"] != unit):
        n = found["n"]
        return "a number stands alone in its cell.", f"Write {n} with a note, or ~{n} if it is only about that."
    if found := _FROM_TO.fullmatch(text):
        return _from_to(found["low"] or found["first"], found["high"] or found["second"], found["unit"] or "")
    return None


def _about(figures: str, behind: str) -> tuple[str, str]:
    read = span(f"~{figures}")
    means = f", which is read as {read.low:.10g}..{read.high:.10g}" if read else ""
    return "what is only about so is written with a sign.", f"Write ~{figures}{behind}{means}."


def _from_to(low: str, high: str, behind: str) -> tuple[str, str] | None:
    """Nothing where the second end is not above the first: 62.1 - 9.5 may be a difference."""
    first, second = (number(end.replace(",", ".")) for end in (low, high))
    if first is None or second is None or not first < second:
        return None
    return "an interval is written with two points.", f"Write {low}..{high}{behind}."


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
