"""How a sheet writes its numbers: a rule that is stated, and never a guess from one cell.

The rule. The line of column names is parted by tabs, else by semicolons, else by commas. In a sheet parted by commas
decimals stand after a point. In one parted by semicolons they stand after a comma, in one parted by tabs after
either; in both, a column may use points as long as none of its cells uses a comma. A lone mark with exactly three
digits behind it, as in 1.234, could part the thousands as well: it is refused with both readings, unless the sheet's
separator says what the mark means or another cell of the column does (12.4 and 0.234 can only be decimals). Thousands
may be parted where nothing else can be meant: 1 234,5 and 1'234 and 1,234.5, but not 1 234, which may be two numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from evenbench.study.cells import advice, in_words, number

Mark = Literal[".", ",", ""]

_LONGEST = 80  # characters; a longer cell holds no number
_CALLED: dict[Mark, str] = {".": "a point", ",": "a comma"}
_SEPARATOR_LINE = re.compile(r"sep=([,;\t])", re.IGNORECASE)
_QUOTED = re.compile(r'"(?:[^"]|"")*(?:"|$)')

# Whoever types one of these, or lets a program write it, holds one number together; a plain space parts words, too.
_BINDING = "'\u2019\u00a0\u2009\u202f"
_SIGNED = re.compile(r"(?P<sign>[+-]?)(?P<digits>.+)")
_UNPARTED = re.compile(r"(?P<whole>[0-9]*)(?:(?P<mark>[.,])(?P<decimals>[0-9]*))?(?P<power>[eE][+-]?[0-9]+)?")
_PARTED = re.compile(
    rf"(?P<whole>[1-9][0-9]{{0,2}}(?P<part>[., {_BINDING}])[0-9]{{3}}(?:(?P=part)[0-9]{{3}})*)"
    r"(?:(?P<mark>[.,])(?P<decimals>[0-9]+))?"
)
_EITHER = re.compile(r"[1-9][0-9]{0,2}[.,][0-9]{3}")
_CLOCK = re.compile(r"(?:[0-9]+:)+[0-9]+(?:(?P<mark>[.,])[0-9]+)?")
_MONTH = (
    "jan|ene|gen|feb|fév|fev|mar|mär|apr|avr|abr|may|mai|mag|jun|juin|giu|jul|juil|lug|aug|août|ago"
    "|sep|set|oct|okt|ott|nov|dec|dez|déc|dic"
)
_DATE = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:T[0-9:.]+)?"
    r"|[0-9]{1,2}([./-])[0-9]{1,2}\1(?:[0-9]{2}|[0-9]{4})"
    rf"|[0-9]{{1,2}}[-.][ -]?(?:{_MONTH})[^\W\d_]*\.?(?:[- ][0-9]{{2,4}})?"
    rf"|(?:{_MONTH})[^\W\d_]*\.?-[0-9]{{2,4}}",
    re.IGNORECASE,
)

_FIGURES = rf"[-+−0-9.,:\s{_BINDING}]"
_NO_UNIT = re.compile(rf"[<>~]?{_FIGURES}*(?:[eE][-+−]?[0-9]+)?")
_WITH_UNIT = re.compile(
    rf"(?P<number>[<>~]?{_FIGURES}*?[0-9][.,]?(?:[eE][-+−]?[0-9]+)?)"
    r"(?:\s*(?P<unit>[^\W\d_].*|[%‰°′″].*)|\s+(?P<per>1\s*/\s*[^\W\d_].*))",
    re.DOTALL,
)
_BRACKETS = re.compile(
    r"(?P<name>[^()\[\]]*[^()\[\]\s])\s*(?:\((?P<round>(?:[^()]|\([^()]*\))+)\)|\[(?P<square>[^\[\]]+)\])"
)
_COMMA = re.compile(r"(?P<name>[^,]*[^,\s])\s*,\s*(?P<unit>[^,]+)", re.DOTALL)


@dataclass(frozen=True)
class Dialect:
    """How a sheet, or one column of it, is written.

    separator  what stands between two cells
    mark       what stands before decimals; "" where nothing has settled it yet
    """

    separator: Literal[",", ";", "\t"]
    mark: Mark


POINTS = Dialect(",", ".")
"""Commas between cells, decimals after a point."""


@dataclass(frozen=True)
class Refusal:
    """Why a cell is no number that can be relied on, and what to write; both are whole sentences."""

    why: str
    write: str


def dialect_of(header_line: str) -> Dialect:
    r"""The dialect of a sheet, read from the line that names its columns, or from a first line such as `sep=;`.

    >>> dialect_of("product,run,wet").separator, dialect_of("product;run;wet, g").separator
    (',', ';')
    >>> dialect_of("product,run,wet").mark, dialect_of("product\trun\twet").mark
    ('.', '')
    """
    stated = _SEPARATOR_LINE.fullmatch(header_line.strip("\r\n \ufeff"))
    found = stated[1] if stated else _QUOTED.sub("", header_line)
    if "\t" in found:
        return Dialect("\t", "")
    return Dialect(";", "") if ";" in found else Dialect(",", ".")


def settled(dialect: Dialect, cells: Iterable[tuple[int, str]]) -> Dialect | Refusal:
    """The dialect of one column, from all its cells as (line, text); units behind the numbers do not matter.

    Refuses a column that writes decimals in two ways, naming a line of each.

    >>> semicolons = dialect_of("product;wet")
    >>> settled(semicolons, [(2, "61.2"), (3, "60.875")]).mark
    '.'
    >>> print(settled(semicolons, [(2, "61,2"), (3, "60.9")]).why)
    line 2 has decimals after a comma (61,2), and line 3 has them after a point (60.9).
    """
    if dialect.mark:
        return dialect
    first: dict[Mark, tuple[int, str]] = {}
    for line, cell in cells:
        for typed in _parts(_typed(split_unit(cell)[0])):
            if mark := _mark_of(typed.strip(), dialect):
                first.setdefault(mark, (line, typed.strip()))
    if len(first) < 2:
        return replace(dialect, mark=next(iter(first), ""))
    one, other = (f"line {line} has {{}} {_CALLED[mark]} ({typed})" for mark, (line, typed) in first.items())
    why = f"{one.format('decimals after')}, and {other.format('them after')}."
    return Refusal(why, "Write all numbers of this column in one way.")


def plain_number(cell: str, dialect: Dialect) -> str | Refusal:
    """The number in a cell with a decimal point and no parted thousands, or why there is none that is beyond doubt.

    Bounds and intervals (<0,5 and 570,5..580) come back with each number plain. The dialect should be that of the
    column: see `settled`. Digits are kept as typed, so that the last place still tells the resolution.

    >>> plain_number("1 234,50", dialect_of("product;wet"))
    '1234.50'
    >>> plain_number("1.234", dialect_of("product;wet"))
    Refusal(why='a point could part the thousands or the decimals.', write='Write 1234 or 1,234.')
    >>> plain_number("1.234", dialect_of("product,wet"))
    '1.234'
    """
    text = _typed(cell)
    if len(text) > _LONGEST:
        return Refusal(*advice(text, ""))
    if text[:1] in ("<", ">", "~"):
        bound = _end(text[1:].strip(), dialect)
        if isinstance(bound, Refusal):
            return Refusal(*worded) if (worded := in_words(text)) else bound
        return text[0] + bound
    if ".." in text:
        return _interval(text, dialect)
    return _plain(text, dialect)


def split_unit(cell: str) -> tuple[str, str]:
    """What a cell holds as number and unit behind it; the unit is "" where there is none.

    >>> split_unit("12.4 g"), split_unit("1,5e3"), split_unit("0.05 1/s"), split_unit("did not finish")
    (('12.4', 'g'), ('1,5e3', ''), ('0.05', '1/s'), ('did not finish', ''))
    """
    text = cell.strip()
    if len(text) > _LONGEST or _NO_UNIT.fullmatch(text) or not (found := _WITH_UNIT.fullmatch(text)):
        return text, ""
    return found["number"].strip(), " ".join((found["unit"] or found["per"]).split())


def split_header(column: str) -> tuple[str, str]:
    """The name of a column and the unit that stands with it; the unit is "" where there is none.

    >>> split_header("wet (g)"), split_header("wet.2 [mg/cm^2]"), split_header("wet, g"), split_header("wet")
    (('wet', 'g'), ('wet.2', 'mg/cm^2'), ('wet', 'g'), ('wet', ''))
    """
    text = column.strip()
    if found := _BRACKETS.fullmatch(text):
        return found["name"].strip(), (found["round"] or found["square"]).strip()
    if found := _COMMA.fullmatch(text):
        return found["name"].strip(), found["unit"].strip()
    return text, ""


# -- one number


@dataclass(frozen=True)
class _Written:
    """The parts of a number as typed. `either` is that its one mark could part thousands or decimals."""

    sign: str
    whole: str
    part: str
    mark: Mark
    decimals: str
    power: str
    either: bool

    def plain(self) -> str:
        """The number with a decimal point, its mark taken as the decimal mark."""
        point = "." if self.decimals else ""
        return f"{self.sign}{self.whole}{point}{self.decimals}{self.power}"


def _typed(cell: str) -> str:
    return cell.strip().replace("−", "-")


def _parts(text: str) -> list[str]:
    """The ends of an interval; the number of a bound, or a number alone, is its own only part."""
    return text.split("..", 1) if ".." in text else [text.lstrip("<>~")]


def _written(text: str) -> _Written | None:
    signed = _SIGNED.fullmatch(text)
    if signed is None:
        return None
    sign, digits = signed["sign"], signed["digits"]
    found = _UNPARTED.fullmatch(digits)
    if found and (found["whole"] or found["decimals"]):
        part, power, either = "", found["power"] or "", _EITHER.fullmatch(digits) is not None
    elif (found := _PARTED.fullmatch(digits)) and found["mark"] != found["part"]:
        part, power, either = found["part"], "", False
    else:
        return None
    whole = found["whole"].replace(part, "")
    return _Written(sign, whole, part, _mark(found["mark"]), found["decimals"] or "", power, either)


def _mark(found: str | None) -> Mark:
    return "." if found == "." else "," if found == "," else ""


def _mark_of(text: str, dialect: Dialect) -> Mark:
    """Which mark a number shows decimals to stand after; "" where it shows none."""
    if clock := _CLOCK.fullmatch(text):
        return _mark(clock["mark"])
    written = _written(text)
    if written is None:
        return ""
    if written.part in (".", ",") and not written.mark:
        return "," if written.part == "." else "."
    if written.either and not (dialect.separator == ";" and written.mark == ","):
        return ""
    return written.mark


def _interval(text: str, dialect: Dialect) -> str | Refusal:
    if "..." in text:
        return Refusal("three points could hold an interval and a decimal point.", "Write an interval as in 570..580.")
    ends = [_end(end.strip(), dialect) if end.strip() else "" for end in _parts(text)]
    texts = [end for end in ends if not isinstance(end, Refusal)]
    if len(texts) < len(ends):
        return next(end for end in ends if isinstance(end, Refusal))
    return "..".join(texts) if any(texts) else _unreadable(text)


def _end(text: str, dialect: Dialect) -> str | Refusal:
    """The number of a bound, or at one end of an interval."""
    plain = _plain(text, dialect)
    return plain if isinstance(plain, str) or not text else replace(plain, why=f"{text}: {plain.why}")


def _plain(text: str, dialect: Dialect) -> str | Refusal:
    mark = _mark_of(text, dialect)
    clock = _CLOCK.fullmatch(text)
    written = None if clock else _written(text)
    plain = text.replace(",", ".") if clock else written.plain() if written else ""
    if not plain:
        return _unreadable(text)
    if written and written.part == " " and not written.mark:
        why = "a space could part the thousands or two numbers."
        return Refusal(why, f"Write {plain}, or each number in a cell of its own.")
    if written and written.either and (dialect.mark or mark) != written.mark:
        return _two_readings(written, dialect)
    if dialect.mark and mark not in ("", dialect.mark):
        return Refusal(_other_mark(dialect), f"Write {plain.replace('.', dialect.mark)}.")
    return plain if clock or number(plain) is not None else Refusal(*advice(plain, ""))


def _two_readings(written: _Written, dialect: Dialect) -> Refusal:
    why = f"{_CALLED[written.mark]} could part the thousands or the decimals."
    whole, decimal = f"{written.sign}{written.whole}{written.decimals}", written.plain()
    if dialect.separator == "\t" and not dialect.mark:
        return Refusal(why, f"Write {whole}, or save the sheet with commas between cells and write {decimal}.")
    return Refusal(why, f"Write {whole} or {decimal.replace('.', dialect.mark or ',')}.")


def _other_mark(dialect: Dialect) -> str:
    if dialect.separator == ",":
        return "a number is written with a decimal point."
    return f"decimals of this column stand after {_CALLED[dialect.mark]}."


def _unreadable(text: str) -> Refusal:
    if not text:
        return Refusal("the cell is empty.", "Write a number such as 12.4, or leave it empty with a note.")
    if text.startswith("#"):
        why = f"the spreadsheet shows an error here, {text}, and no number."
        return Refusal(why, "Mend its formula, or leave the cell empty with a note.")
    if _DATE.fullmatch(text):
        why = f"the spreadsheet turned this into a date: {text}."
        return Refusal(why, "Type the number again, in cells formatted as numbers.")
    figures, unit = split_unit(text)
    if unit:
        return Refusal(f"{unit!r} stands behind the number.", f"Write {figures}.")
    return Refusal(*advice(text, ""))
