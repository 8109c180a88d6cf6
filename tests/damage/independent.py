"""A second reader of study folders, written from docs/study-format.md alone and sharing no code with the first.

It answers for every cell what the page says the cell means, and it has three answers: the value, that the sheet
must be refused, and "not sure" where the page is silent. It refuses less than the program: a value found here says
"if the sheet is accepted, this is what it says", never "this sheet must be accepted".
"""

from __future__ import annotations

import io
import math
import re
import tomllib
import unicodedata
import zipfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

Key = tuple[str, str, int, str, int]  # test, product, run, reading, repeat
Bounds = tuple[float, float]
Numbers = tuple[Fraction | None, Fraction | None]  # None at an open end


class Unsure(Exception):
    """The page does not say."""


class Wrong(Exception):
    """The page says that this is a mistake."""


@dataclass
class Taken:
    """What a folder says. `wrong` holds why it must be refused; `unsure` the cells, sheets or tests left open."""

    values: dict[Key, Bounds] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    unsure: set[Key] = field(default_factory=set)
    unsure_tests: set[str] = field(default_factory=set)  # nothing of them is compared

    def open(self, key: Key) -> bool:
        """Whether nothing is known of a reading."""
        return key in self.unsure or key[0] in self.unsure_tests or "" in self.unsure_tests


# -------------------------------------------------------------------------------------------------------- the study


@dataclass(frozen=True)
class Declared:
    """A reading as study.toml declares it."""

    id: str
    unit: str
    kind: str
    levels: tuple[str, ...]
    limit: Fraction | None
    limit_unsure: bool
    repeats: int
    of: str

    @property
    def columns(self) -> dict[str, int]:
        """Its columns in a wide sheet, with the repeat that each holds."""
        return {self.id: 1} | {f"{self.id}.{n}": n for n in range(2, min(self.repeats, 1000) + 1)}


SECONDS = {
    "us": Fraction(1, 10**6),
    "ms": Fraction(1, 1000),
    "s": Fraction(1),
    "min": Fraction(60),
    "h": Fraction(3600),
    "d": Fraction(86400),
}
AMOUNT = re.compile(r"([+-]?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?) ?(.*)", re.DOTALL)


def declared(study: Mapping[str, Any]) -> dict[str, dict[str, Declared]]:
    """The readings of every test."""
    return {
        test: {id: _declared(id, given, study) for id, given in table.get("readings", {}).items()}
        for test, table in study.get("tests", {}).items()
    }


def _declared(id: str, given: Mapping[str, Any], study: Mapping[str, Any]) -> Declared:
    levels = tuple(given.get("levels", ()))
    kind = given.get("kind") or ("place" if "place_in" in given else "grade" if levels else "number")
    unit = given.get("unit", "1")
    limit: Fraction | None = None
    open_ = False
    text = given.get("limit")
    if text is None and kind == "time" and "instrument" in given:
        range_ = study.get("instruments", {}).get(given["instrument"], {}).get("range")
        text = range_.split(" to ")[-1] if range_ else None
    if text is not None:
        try:
            limit = _amount(text, unit)
        except Unsure:
            open_ = True
    return Declared(id, unit, kind, levels, limit, open_, given.get("repeats", 1), given.get("of", "run"))


def _amount(text: str, unit: str) -> Fraction:
    found = AMOUNT.fullmatch(text.strip())
    if not found:
        raise Unsure
    value, its = Fraction(str(found[1])), found[2].strip() or "1"
    if its == unit:
        return value
    if its in SECONDS and unit in SECONDS:
        return value * SECONDS[its] / SECONDS[unit]
    raise Unsure


# --------------------------------------------------------------------------------------------------- numbers in text


@dataclass(frozen=True)
class Dialect:
    """How numbers of a column are written: what parts the cells, and which mark other cells of it show as decimal.

    shown  the marks that some cell of the column shows beyond doubt to be decimal
    uses   the marks that stand in any number of the column
    """

    separator: str  # "" in a workbook
    shown: frozenset[str] = frozenset()
    uses: frozenset[str] = frozenset()


SPACES = "\u0020\u00a0\u2007\u2009\u202f"
APOSTROPHES = "'\u2019"
MARKED = re.compile(r"(?<![0-9.,])[0-9]*[.,][0-9.,]*")
BARE = re.compile(
    rf"(?P<sign>[+\-\u2212]?)(?P<digits>[0-9.,{SPACES}{APOSTROPHES}]*)(?P<exponent>(?:[eE][+-]?[0-9]+)?)", re.DOTALL
)
GROUPED = {
    mark: re.compile(rf"[0-9]{{1,3}}(?:{re.escape(mark)}[0-9]{{3}})+") for mark in (*SPACES, *APOSTROPHES, ",", ".")
}


def dialect_of_column(separator: str, cells: Iterable[str]) -> Dialect:
    """What the cells of a column show of its decimal mark."""
    shown, uses = set(), set()
    for cell in cells:
        if ":" in cell:  # a clock parts no thousands, and its mark is decimal
            shown |= {mark for mark in ".," if mark in cell.replace("..", "")}
        for run in MARKED.findall(cell.replace("..", " ")):
            if not re.search("[0-9]", run):
                continue
            uses |= set(run) & {".", ","}
            last = max(run.rfind("."), run.rfind(","))
            if run.count(run[last]) > 1:
                continue  # it parts thousands
            before, after = run[:last], run[last + 1 :]
            if {".", ","} <= set(run) or len(after) != 3 or len(before) > 3 or before.startswith("0") or not before:
                shown.add(run[last])
    return Dialect(separator, frozenset(shown), frozenset(uses))


def plain(text: str, dialect: Dialect) -> Fraction:
    """One number, without unit and bound. Raises Wrong or Unsure."""
    found = BARE.fullmatch(text)
    if not found or not re.search("[0-9]", text):
        raise Wrong(f"{text[:30]!r} is not a number")
    digits = found["digits"]
    if digits[0] in SPACES + APOSTROPHES or digits[-1] in SPACES + APOSTROPHES:
        raise Unsure
    whole, mark, rest = _parted(digits, dialect)
    if rest and not rest.isdigit():
        raise Wrong(f"{text[:30]!r} is not a number")
    whole = _without_thousands(whole, mark, dialect)
    if len(whole) + len(rest) > 400 or len(found["exponent"]) > 6:
        if found["exponent"] or whole.strip("0"):
            raise Wrong("too large, or too long to be a reading")
        raise Unsure
    if not whole and not rest:
        raise Wrong(f"{text[:30]!r} is not a number")
    try:
        value = Decimal(f"{whole or 0}.{rest or 0}{found['exponent']}")
    except InvalidOperation:
        raise Unsure from None
    value = -value if found["sign"] in ("-", "\u2212") else value
    if value and not Decimal("1e-30") <= abs(value) <= Decimal("1e30"):
        raise Wrong(f"{text[:30]!r} is beyond 1e-30 to 1e30")
    return Fraction(value)


def _parted(digits: str, dialect: Dialect) -> tuple[str, str, str]:  # noqa: PLR0912 - one branch for each way to write
    """What stands before the decimal mark, the mark, and what stands behind it."""
    points, commas = digits.count("."), digits.count(",")
    if dialect.separator == "," or not points + commas:
        if not points and not commas:
            return digits, "", ""
        if points > 1:
            raise Wrong("two decimal points")
        if points == 1:
            before, _, after = digits.partition(".")
            return before, ".", after
        if commas == 1:
            raise Wrong("a decimal comma in a sheet parted by commas")
        return digits, "", ""
    if points and commas:
        last = max(digits.rfind("."), digits.rfind(","))
        mark = digits[last]
        if digits.count(mark) > 1:
            raise Wrong("two decimal marks")
        other = "." if mark == "," else ","
        if other in dialect.shown:
            raise Wrong("two decimal marks in one column")
        return digits[:last], mark, digits[last + 1 :]
    mark = "." if points else ","
    if points + commas > 1:
        return digits, "", ""  # it parts thousands, or nothing
    before, _, after = digits.partition(mark)
    other = "," if mark == "." else "."
    if _three(digits, mark):
        if mark in dialect.shown and other not in dialect.shown:
            return before, mark, after
        if other in dialect.shown:
            if mark in dialect.shown:
                raise Wrong("two decimal marks in one column")
            return digits, "", ""
        if mark == "," and dialect.separator == ";":
            if "." in dialect.uses:
                raise Unsure
            return before, mark, after
        if not dialect.separator:
            raise Unsure  # the page does not say how texts of a workbook write their numbers
        raise Wrong(f"{digits} can be read in two ways")
    if other in dialect.shown:
        raise Wrong("two decimal marks in one column")
    if mark == "." and "," in dialect.uses:
        raise Unsure
    return before, mark, after


def _three(digits: str, mark: str) -> bool:
    before, _, after = digits.partition(mark)
    return len(after) == 3 and after.isdigit() and bool(re.fullmatch("[1-9][0-9]{0,2}", before))


def _without_thousands(whole: str, mark: str, dialect: Dialect) -> str:
    parts = {sign for sign in whole if not sign.isdigit()}
    if not parts:
        return whole
    if len(parts) > 1 or (sign := parts.pop()) == mark:
        raise Wrong("two signs part the thousands")
    if not GROUPED[sign].fullmatch(whole):
        raise Wrong("no groups of three")
    if sign in ".," and sign in dialect.shown:
        raise Wrong("the mark that is decimal in this column parts thousands")
    return whole.replace(sign, "")


# ----------------------------------------------------------------------------------------------------------- cells

ODD = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
CLOCK = re.compile(r"(?:([0-9]{1,4}):)?([0-9]{1,4}):([0-9]{2}(?:[.,][0-9]+)?)")


def bounds(cell: str, reading: Declared, dialect: Dialect) -> Bounds | None:
    """What one cell says; None where it is empty. Raises Wrong or Unsure."""
    if any(unicodedata.category(sign) in ODD for sign in cell):
        raise Unsure
    cell = cell.strip()
    if not cell:
        return None
    if reading.kind == "text":
        return (math.nan, math.nan)
    if reading.kind in ("grade", "category"):
        return _level(cell, reading.levels)
    if reading.kind == "yes or no":
        return _level(cell, ("no", "yes"))
    if cell.casefold() == "did not finish":
        return _unfinished(reading)
    if reading.kind == "place":
        if re.fullmatch("[1-9][0-9]{0,5}", cell):
            return (float(cell), float(cell))
        if re.fullmatch("[0-9.,+]+", cell):
            raise Unsure
        raise Wrong(f"{cell[:30]!r} is no place")
    low, high = _interval(cell, reading, dialect)
    if low is not None and high is not None and low > high:
        raise Wrong("an interval that ends before it begins")
    return (-math.inf if low is None else float(low), math.inf if high is None else float(high))


def _level(cell: str, levels: tuple[str, ...]) -> Bounds:
    exact = [n for n, level in enumerate(levels) if level.strip() == cell]
    alike = [n for n, level in enumerate(levels) if level.strip().casefold() == cell.casefold()]
    if len(exact) == 1 or len(alike) == 1:
        found = float((exact or alike)[0])
        return (found, found)
    if cell.casefold() == "did not finish" or alike:
        raise Unsure
    if any(_loose(cell) == _loose(level) for level in levels) or re.fullmatch(r"[0-9.,]+", cell):
        raise Unsure
    raise Wrong(f"{cell[:30]!r} is no level")


def _loose(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def _unfinished(reading: Declared) -> Bounds:
    if reading.kind == "place":
        return (math.inf, math.inf)
    if reading.limit_unsure:
        raise Unsure
    if reading.limit is None:
        raise Wrong("did not finish, and no limit is stated")
    return (float(reading.limit), math.inf)


def _interval(cell: str, reading: Declared, dialect: Dialect) -> Numbers:
    if cell[0] in "<>":
        value = _one(cell[1:].strip(), reading, dialect)
        return (None, value) if cell[0] == "<" else (value, None)
    if cell[0] == "~":
        return _about(cell[1:].strip(), reading, dialect)
    if ".." in cell:
        if "..." in cell or cell.count("..") > 1:
            raise Unsure
        text, unit = _without_unit(cell, reading)
        before, after = (part.strip() for part in text.split(".."))
        if not before and not after:
            raise Wrong("an interval without ends")
        if before and unit is None and re.search(r"[^\W\d_]|[%/]", re.sub(r"[eE][+-]?[0-9]", "", before)):
            raise Unsure  # a unit behind the first end only
        low = _one(before, reading, dialect) if before else None
        high = _one(after, reading, dialect) if after else None
        return low, high
    value = _one(cell, reading, dialect)
    return value, value


def _one(text: str, reading: Declared, dialect: Dialect) -> Fraction:
    if ":" in text:
        return _clock(text, reading, dialect)
    text, _ = _without_unit(text, reading)
    if re.fullmatch(r"[<>~\u2264\u2265\u00b1=].*", text):
        if text[0] == "=":
            raise Wrong("a formula")
        raise Unsure
    if any(unicodedata.category(sign) in ("Nd", "Nl", "No", "Pd") and not sign.isascii() for sign in text):
        raise Unsure
    return plain(text, dialect)


def _without_unit(text: str, reading: Declared) -> tuple[str, str | None]:
    """A number without the unit behind it, which must be the one declared."""
    found = re.search(r"(?<=[0-9.,])\s*([^\W\d_e][^0-9,;<>~=:]*[0-9]?|e[a-z]+|%)\s*$|\s*(%)\s*$", text, re.IGNORECASE)
    if not found or re.search(r"[0-9.,][eE][+-]?$", text):
        return text, None
    unit = (found[1] or found[2] or "").strip()
    if unit in "eE" or not unit:
        return text, None
    if unit == reading.unit:
        return text[: found.start()].strip(), unit
    if _loose(unit).replace(" ", "") == _loose(reading.unit).replace(" ", "") or reading.unit == "1":
        raise Unsure
    raise Wrong(f"{unit[:30]!r} is not the unit {reading.unit}")


def _clock(text: str, reading: Declared, dialect: Dialect) -> Fraction:
    if reading.kind != "time":
        raise Unsure
    found = CLOCK.fullmatch(text)
    if not found:
        if re.search("[0-9]:[0-9]", text):
            raise Unsure
        raise Wrong(f"{text[:30]!r} is no time")
    hours, minutes, seconds = found.groups()
    mark = "," if "," in seconds else "." if "." in seconds else ""
    if mark == "," and dialect.separator in (",", ""):
        raise Wrong("a decimal comma")
    if mark and ("," if mark == "." else ".") in dialect.uses:
        raise Unsure
    parts = int(hours or 0) * 3600 + int(minutes) * 60 + Fraction(seconds.replace(",", "."))
    if Fraction(seconds.replace(",", ".")) >= 60 or (hours and int(minutes) >= 60):
        raise Unsure
    if reading.unit not in SECONDS:
        raise Unsure
    return parts / SECONDS[reading.unit]


def _about(text: str, reading: Declared, dialect: Dialect) -> Numbers:
    if ":" in text or ".." in text:
        raise Unsure
    value = _one(text, reading, dialect)
    if not value:
        raise Unsure
    decimal = Decimal(value.numerator) / Decimal(value.denominator)
    if Fraction(decimal) != value:
        raise Unsure
    step = Fraction(Decimal(1).scaleb(int(decimal.normalize().as_tuple().exponent)))
    return value - step, value + step


# ----------------------------------------------------------------------------------------------------- CSV as text

Row = dict[str, str]


@dataclass
class Sheet:
    """A sheet as a table: the header cells as typed, and the rows below it as typed."""

    name: str
    separator: str
    header: list[str]
    rows: list[list[str]]
    typed: dict[tuple[int, int], Fraction] = field(default_factory=dict)  # numbers that a workbook holds as numbers


def csv_sheet(name: str, data: bytes) -> Sheet:
    """A CSV file. Raises Wrong or Unsure."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Unsure from None  # the page says UTF-8; whether another encoding is told apart it does not say
    if "\0" in text or len(data) > 20_000_000:
        raise Unsure
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    stated = re.match(r"\n*sep=([;,\t])\n", text, re.IGNORECASE)
    if re.match(r"\s*\"?sep=", text, re.IGNORECASE) and not stated:
        raise Unsure
    text = text[stated.end() :] if stated else text
    first = text.lstrip("\n").partition("\n")[0]
    outside = re.sub(r'"(?:[^"]|"")*"?', "", first)
    if first.count('"') % 2:
        raise Unsure
    separator = stated[1] if stated else "\t" if "\t" in outside else ";" if ";" in outside else ","
    rows = list(_cells(text, separator))
    rows = [row for row in rows if any(cell.strip() for cell in row)]
    if not rows:
        raise Unsure
    return Sheet(name, separator, rows[0], rows[1:])


def _cells(text: str, separator: str) -> Iterator[list[str]]:
    """Rows by RFC 4180; a quote anywhere else than around a whole cell is an open question."""
    row: list[str] = []
    place, end = 0, len(text)
    quoted = re.compile(r'"((?:[^"]|"")*)"')
    bare = re.compile(rf'[^"\n{separator}]*')
    while place <= end:
        if text[place : place + 1] == '"':
            found = quoted.match(text, place)
            if not found:
                raise Unsure
            row.append(found[1].replace('""', '"'))
        else:
            found = bare.match(text, place)
            assert found
            row.append(found[0])
        place = found.end()
        if place == end:
            yield row
            return
        if text[place] == "\n":
            yield row
            row = []
        elif text[place] != separator:
            raise Unsure
        place += 1


# ------------------------------------------------------------------------------------------------------ a workbook

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
REL = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
PACKAGE = "{http://schemas.openxmlformats.org/package/2006/relationships}"
PERCENT = {9, 10}
UNKNOWN = "\x01"  # in place of a cell of which the page does not say what it holds
DATES = {*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)}


def workbook_sheets(data: bytes) -> list[Sheet]:
    """The sheets of a workbook, by the ECMA-376 parts in it. Raises Wrong or Unsure."""
    try:
        return list(_workbook(data))
    except (Unsure, Wrong):
        raise
    except Exception:  # noqa: BLE001 - whatever breaks here is a workbook that this reader knows nothing of
        raise Unsure from None


def _workbook(data: bytes) -> Iterator[Sheet]:
    book = zipfile.ZipFile(io.BytesIO(data))
    if sum(part.file_size for part in book.infolist()) > 50_000_000 or book.testzip():
        raise Unsure
    if any(b"<!DOCTYPE" in book.read(part) or b"<!ENTITY" in book.read(part) for part in book.namelist()):
        raise Unsure
    if len(set(book.namelist())) != len(book.namelist()):
        raise Unsure
    links = {
        link.get("Id"): link.get("Target", "").lstrip("/").removeprefix("xl/")
        for link in ElementTree.fromstring(book.read("xl/_rels/workbook.xml.rels")).iter(f"{PACKAGE}Relationship")
    }
    shared = _shared(book)
    formats = _formats(book)
    seen: set[str] = set()
    listed = ElementTree.fromstring(book.read("xl/workbook.xml")).find(f"{MAIN}sheets")
    if listed is None or any(sheet.tag != f"{MAIN}sheet" for sheet in listed):
        raise Unsure
    for sheet in listed:
        name = sheet.get("name", "").strip()
        if name in seen:
            raise Unsure
        seen.add(name)
        root = ElementTree.fromstring(book.read(f"xl/{links[sheet.get(f'{REL}id')]}"))
        yield _worksheet(name, root, shared, formats)


def _shared(book: zipfile.ZipFile) -> list[str]:
    if "xl/sharedStrings.xml" not in book.namelist():
        return []
    root = ElementTree.fromstring(book.read("xl/sharedStrings.xml"))
    if root.tag != f"{MAIN}sst":
        raise Unsure  # texts under a name of no standard: the page does not say
    return [_texts(item) for item in root.iter(f"{MAIN}si")]


def _texts(item: ElementTree.Element) -> str:
    """Its text and the runs of rich text; phonetic hints are no part of it."""
    runs = [run for run in item if run.tag in (f"{MAIN}t", f"{MAIN}r")]
    return "".join(
        text.text or "" for run in runs for text in ([run] if run.tag == f"{MAIN}t" else run.iter(f"{MAIN}t"))
    )


def _formats(book: zipfile.ZipFile) -> list[str]:
    """Of each cell style: "number", "percent", "date", or "?" where the page does not say."""
    if "xl/styles.xml" not in book.namelist():
        return ["number"]
    root = ElementTree.fromstring(book.read("xl/styles.xml"))
    codes = {int(f.get("numFmtId", "0")): f.get("formatCode", "") for f in root.iter(f"{MAIN}numFmt")}
    styles = root.find(f"{MAIN}cellXfs")
    return [] if styles is None else [_format(int(style.get("numFmtId", "0")), codes) for style in styles]


def _format(number: int, codes: Mapping[int, str]) -> str:
    if number in codes:
        code = codes[number]
        if code in ("General", "0", "0.0", "0.00", "0.000", "@"):
            return "number"
        return "percent" if re.fullmatch(r"0(\.0+)?%", code) else "?"
    return "percent" if number in PERCENT else "date" if number in DATES else "number" if number < 5 else "?"


def _worksheet(name: str, root: ElementTree.Element, shared: list[str], formats: list[str]) -> Sheet:
    found: dict[tuple[int, int], str] = {}
    typed: dict[tuple[int, int], Fraction] = {}
    row_at = 0
    data = root.find(f"{MAIN}sheetData")
    if data is None or any(part.tag not in (f"{MAIN}row", f"{MAIN}c") for row in data for part in (row, *row)):
        raise Unsure
    for row in root.iter(f"{MAIN}row"):
        row_at = int(row.get("r", row_at + 1))
        column = 0
        for cell in row.iter(f"{MAIN}c"):
            at = re.fullmatch("([A-Z]{1,3})([0-9]+)", cell.get("r", ""))
            column = _column(at[1]) if at else column + 1
            if (at and int(at[2]) != row_at) or (row_at, column) in found:
                raise Unsure
            text, number = _cell(cell, shared, formats)
            found[row_at, column] = text
            if number is not None:
                typed[row_at, column] = number
    lines = sorted({row for (row, _), text in found.items() if text.strip()})
    if not lines:
        return Sheet(name, "", [], [])
    width = max(column for _, column in found)
    if width > 600:
        raise Unsure
    table = [[found.get((line, column), "") for column in range(1, width + 1)] for line in lines]
    moved = {
        (n - 1, column - 1): typed[line, column]
        for n, line in enumerate(lines)
        for column in range(1, width + 1)
        if (line, column) in typed
    }
    return Sheet(name, "", table[0], table[1:], moved)


def _column(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def _cell(cell: ElementTree.Element, shared: list[str], formats: list[str]) -> tuple[str, Fraction | None]:
    kind, value = cell.get("t", "n"), cell.find(f"{MAIN}v")
    if kind == "inlineStr":
        item = cell.find(f"{MAIN}is")
        return ("" if item is None else _texts(item)), None
    text = "" if value is None or value.text is None else value.text
    if kind == "s":
        if text.isdecimal() and int(text) >= len(shared):
            raise Wrong("a cell names a text that is not there")
        return (shared[int(text)] if text else ""), None
    if kind == "str":
        return text, None
    if kind in ("e", "d"):
        return f"#{kind}!", None
    if not text:
        if cell.find(f"{MAIN}f") is not None:
            return UNKNOWN, None  # a formula without a value: the page does not say
        return "", None
    if kind != "n":
        return UNKNOWN, None
    style = int(cell.get("s", "0"))
    how = formats[style] if style < len(formats) else "number"
    number = Fraction(Decimal(text))
    if how == "date":
        return "#d!", None
    if how == "?":
        return UNKNOWN, None
    if how == "percent":
        if number * 100 != round(number * 100):
            return UNKNOWN, None  # shown with some decimals: which of them count, the page does not say
        number *= 100
    return (str(int(number)) if number == int(number) and abs(number) < 10**15 else repr(float(number))), number


# ------------------------------------------------------------------------------------------------- from sheet to runs

OWN = {
    "product",
    "run",
    "specimen",
    "block",
    "round",
    "lane",
    "order",
    "note",
    "test",
    "reading",
    "repeat",
    "value",
    "unit",
}


def take(folder: Path) -> Taken:
    """Everything that a study folder says of its readings."""
    taken = Taken()
    try:
        study = tomllib.loads((folder / "study.toml").read_bytes().decode("utf-8-sig"))
        tests = declared(study)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        taken.wrong.append("study.toml is no TOML in UTF-8")
        return taken
    except Exception:  # noqa: BLE001 - a study of the wrong shape is refused; what it says is anybody's guess
        taken.unsure_tests.add("")
        return taken
    taker = _Taker(study, tests, taken)
    wide = sorted((folder / "readings").iterdir()) if (folder / "readings").is_dir() else []
    wide = [path for path in wide if path.suffix.lower() == ".csv"]
    names = [path.stem for path in wide]
    long, book = folder / "readings.csv", folder / "readings.xlsx"
    if (long.exists() or book.exists()) and any(name in tests for name in names):
        taken.wrong.append("readings stand in two places")
    if long.exists() and book.exists():
        taken.wrong.append("readings stand in two places")
    if len(set(names)) != len(names):
        taken.unsure_tests.add("")
    for path in wide:
        if path.stem in tests:
            taker.sheet(path.stem, lambda path=path: csv_sheet(path.stem, path.read_bytes()))
    if long.exists():
        taker.sheet("", lambda: csv_sheet("", long.read_bytes()))
    if book.exists():
        taker.workbook(book.read_bytes())
    # "Who enters a test": a row of another product is listed as not used.
    taken.values = {key: bounds for key, bounds in taken.values.items() if key[1] in _enters(study, key[0])}
    return taken


def _enters(study: Mapping[str, Any], test: str) -> set[str]:
    """Who goes through a test: its control, candidates and placebos less `without`, and the references it names."""
    declared = study["tests"][test]
    role = {id: product.get("role", "candidate") for id, product in study["products"].items()}
    controls = [id for id, of in role.items() if of == "control"]
    control = declared.get("control", controls[0] if len(controls) == 1 else None)
    out = {id for id, of in role.items() if of in ("candidate", "placebo")} - set(declared.get("without", []))
    return out | {control} | set(declared.get("references", []))


class _Taker:
    def __init__(self, study: Mapping[str, Any], tests: Mapping[str, Mapping[str, Declared]], taken: Taken) -> None:
        self.study, self.tests, self.taken = study, tests, taken
        self.products = set(study.get("products", {}))

    def workbook(self, data: bytes) -> None:
        try:
            sheets = workbook_sheets(data)
        except Unsure:
            self.taken.unsure_tests.add("")
            return
        except Wrong as why:
            self.taken.wrong.append(f"readings.xlsx: {why}")
            return
        known = [sheet for sheet in sheets if sheet.name in self.tests or sheet.name == "readings"]
        folded = Counter(sheet.name.casefold() for sheet in sheets)
        if len({sheet.name == "readings" for sheet in known}) > 1 or "readings" in self.tests:
            self.taken.unsure_tests.add("")
            return
        for sheet in sheets:
            if folded[sheet.name.casefold()] > 1 or (sheet not in known and sheet.name.casefold() in self.tests):
                self.taken.unsure_tests.add(sheet.name.casefold())
        for sheet in known:
            self.sheet("" if sheet.name == "readings" else sheet.name, lambda sheet=sheet: sheet)

    def sheet(self, test: str, read: Any) -> None:
        try:
            sheet = read()
            if not sheet.header:
                raise Unsure
            if test:
                self._wide(test, sheet)
            else:
                self._long(sheet)
        except Unsure:
            self.taken.unsure_tests.add(test)
        except Wrong as why:
            self.taken.wrong.append(f"{test or 'the long sheet'}: {why}")

    # ------------------------------------------------------------------------------------------------------- headers

    def _columns(self, sheet: Sheet, readings: Mapping[str, Declared]) -> dict[str, int]:
        """Where each column that counts stands."""
        by_name = {name: reading for reading in readings.values() for name in reading.columns}
        found: dict[str, int] = {}
        known = {*by_name, *OWN}
        for place, typed in enumerate(sheet.header):
            name = typed.strip()
            if any(unicodedata.category(sign) in ODD for sign in name):
                raise Unsure
            if name not in known:
                name = _without_header_unit(name, by_name)
            if name not in known:
                if _loose(name) in known or re.sub(r"[\W_]+", "", _loose(name)) in {
                    re.sub(r"[\W_]+", "", k) for k in known
                }:
                    raise Unsure
                continue
            if name in found:
                raise Wrong(f"two columns {name}")
            found[name] = place
        return found

    # ---------------------------------------------------------------------------------------------------- wide sheets

    def _wide(self, test: str, sheet: Sheet) -> None:
        readings = self.tests[test]
        columns = self._columns(sheet, readings)
        if "product" not in columns:
            raise Wrong("no column product")
        rows = self._rows(sheet, columns)
        runs = self._runs(rows)
        block = "round" if "lanes" in self.study["tests"][test] else "block"
        for reading in readings.values():
            for column, repeat in reading.columns.items():
                if column not in columns:
                    continue
                cells = [row.get(column, "") for _, row in rows]
                texts = [c for (n, _), c in zip(rows, cells, strict=True) if (n, columns[column]) not in sheet.typed]
                dialect = dialect_of_column(sheet.separator, texts)
                said: list[tuple[str, Bounds | str | None]] = []
                for (index, row), cell in zip(rows, cells, strict=True):
                    typed = sheet.typed.get((index, columns[column]))
                    said.append((self._thing(reading, row, block), self._say(cell, typed, reading, dialect)))
                self._share(test, reading, repeat, runs, said)

    def _rows(self, sheet: Sheet, columns: Mapping[str, int]) -> list[tuple[int, Row]]:
        width = len(sheet.header)
        rows = []
        for index, cells in enumerate(sheet.rows):
            if any(cell.strip() for cell in cells[width:]):
                raise Wrong("a row has more cells than the header")
            rows.append((index, {name: cells[at].strip() if at < len(cells) else "" for name, at in columns.items()}))
        return rows

    def _runs(self, rows: list[tuple[int, Row]]) -> list[tuple[str, int]]:
        count = Counter(row["product"] for _, row in rows)
        runs = []
        for _, row in rows:
            product, run = row["product"], row.get("run", "")
            self._known_product(product)
            if not run and count[product] > 1:
                raise Wrong(f"{product} has several rows and no run")
            runs.append((product, _whole(run or "1", "run")))
        if len(set(runs)) != len(runs):
            raise Wrong("two rows for one run")
        return runs

    def _known_product(self, product: str) -> None:
        if product in self.products:
            return
        if any(_loose(product) == _loose(id) for id in self.products) or any(
            unicodedata.category(sign) in ODD for sign in product
        ):
            raise Unsure
        raise Wrong(f"no product {product[:30]!r}")

    def _say(self, cell: str, typed: Fraction | None, reading: Declared, dialect: Dialect) -> Bounds | str | None:
        """The value of a cell, None where it is empty, or why there is none: "?" for not sure."""
        try:
            if typed is not None and reading.kind in ("number", "time"):
                if typed and not Decimal("1e-30") <= abs(Decimal(float(typed))) <= Decimal("1e30"):
                    raise Wrong("beyond 1e-30 to 1e30")
                return (float(typed), float(typed))
            return bounds(cell, reading, dialect)
        except Unsure:
            return "?"
        except Wrong as why:
            return f"{reading.id}: {why}"

    def _thing(self, reading: Declared, row: Row, block: str) -> str:
        if reading.of == "test":
            return "-"
        return {"specimen": row.get("specimen", ""), "block": row.get(block, ""), "product": row["product"]}.get(
            reading.of, ""
        )

    def _share(
        self,
        test: str,
        reading: Declared,
        repeat: int,
        runs: list[tuple[str, int]],
        said: list[tuple[str, Bounds | str | None]],
    ) -> None:
        """Give every run what its own row says, or what any row says of what it shares."""
        keys = [(test, product, run, reading.id, repeat) for product, run in runs]
        self.taken.wrong += [f"{test}: {what}" for _, what in said if isinstance(what, str) and what != "?"]
        if reading.of == "run":
            groups: dict[Any, list[int]] = {n: [n] for n in range(len(keys))}
        else:
            groups = defaultdict(list)
            for n, (thing, _) in enumerate(said):
                groups[thing].append(n)
            if len({_loose(thing) for thing in groups}) != len(groups) or "" in groups:
                self.taken.unsure |= set(keys)
                return
        for members in groups.values():
            values = {said[n][1] for n in members} - {None}
            if "?" in values:
                self.taken.unsure |= {keys[n] for n in members}
            elif len(values) > 1 and all(isinstance(value, tuple) for value in values):
                if reading.kind != "text":
                    self.taken.wrong.append(f"{test}: {reading.id} differs between runs that share it")
            elif len(values) == 1 and isinstance(value := values.pop(), tuple):
                self.taken.values |= {keys[n]: value for n in members}

    # ------------------------------------------------------------------------------------------------- the long sheet

    def _long(self, sheet: Sheet) -> None:  # noqa: PLR0912 - one branch for each mistake
        columns = self._columns(sheet, {})
        for needed in ("test", "product", "reading", "value"):
            if needed not in columns:
                raise Wrong(f"no column {needed}")
        rows = self._rows(sheet, columns)
        texts = [
            row
            for n, row in rows
            if (n, columns["value"]) not in sheet.typed and not self._is_text(row["test"], row["reading"])
        ]
        whole = dialect_of_column(sheet.separator, [row["value"] for row in texts])
        columns_of: dict[tuple[str, str], list[str]] = {(row["test"], row["reading"]): [] for _, row in rows}
        for row in texts:
            columns_of[row["test"], row["reading"]].append(row["value"])
        dialects = {key: dialect_of_column(sheet.separator, cells) for key, cells in columns_of.items()}
        runs: dict[tuple[str, str, int], Row] = {}
        lines: list[tuple[Row, Declared, int, str, Bounds | str | None]] = []
        for index, row in rows:
            if row["test"] not in self.tests:
                if any(_loose(row["test"]) == _loose(id) for id in self.tests):
                    raise Unsure
                raise Wrong(f"no test {row['test'][:30]!r}")
            reading = self.tests[row["test"]].get(row["reading"])
            if reading is None:
                if any(_loose(row["reading"]) == _loose(id) for id in self.tests[row["test"]]) or "." in row["reading"]:
                    raise Unsure
                raise Wrong(f"no reading {row['reading'][:30]!r}")
            repeat = _whole(row.get("repeat") or "1", "repeat")
            if repeat > reading.repeats:
                raise Unsure
            unit = row.get("unit", "")
            if unit and unit != reading.unit:
                if _loose(unit) == _loose(reading.unit) or reading.kind not in ("number", "time"):
                    raise Unsure
                raise Wrong(f"the unit {unit[:30]!r} is not that of {reading.id}")
            run = self._run_of(row, reading)
            if run:
                kept = runs.setdefault(run, {})
                for name in ("specimen", "block", "round"):
                    if row.get(name) and kept.setdefault(name, row[name]) != row[name]:
                        raise Wrong("rows of one run differ")
            typed = sheet.typed.get((index, columns["value"]))
            own = dialects[row["test"], row["reading"]]
            value = self._say(row["value"], typed, reading, whole)
            if own != whole and self._say(row["value"], typed, reading, own) != value:
                value = "?"
            lines.append((row, reading, repeat, run[2] if run else 0, value))  # type: ignore[arg-type]
        self._place(runs, lines)

    def _is_text(self, test: str, reading: str) -> bool:
        """Whether words stand in a row, and no number."""
        found = self.tests.get(test, {}).get(reading)
        return found is not None and found.kind == "text"

    def _run_of(self, row: Row, reading: Declared) -> tuple[str, str, int] | None:
        """The run that a row is of; None for a row of something that runs share."""
        if not row["product"]:
            if reading.of in ("specimen", "block", "test"):
                return None
            raise Wrong("no product")
        self._known_product(row["product"])
        if reading.of == "run" or row.get("run"):
            return row["test"], row["product"], _whole(row.get("run") or "1", "run")
        return None

    def _place(self, runs: dict[tuple[str, str, int], Row], lines: list[Any]) -> None:  # noqa: PLR0912
        said: dict[tuple[str, str, int, Any], list[Bounds | str | None]] = defaultdict(list)
        for row, reading, repeat, run, value in lines:
            test = row["test"]
            if isinstance(value, str) and value != "?":
                self.taken.wrong.append(f"{test}: {value}")
            block = "round" if "lanes" in self.study["tests"][test] else "block"
            if reading.of == "run":
                thing: Any = (row["product"], run)
            elif reading.of == "test":
                thing = "-"
            elif reading.of == "product":
                thing = row["product"]
            else:
                column = "specimen" if reading.of == "specimen" else block
                kept = runs.get((test, row["product"], run), {}) if run else {}
                thing = row.get(column) or kept.get(column)
            said[test, reading.id, repeat, thing].append(value)
        for (test, id, repeat, thing), values in said.items():
            reading = self.tests[test][id]
            keys = [
                (test, product, run, id, repeat)
                for (its, product, run), kept in runs.items()
                if its == test and self._shares(reading, thing, product, run, kept, test)
            ]
            if not thing:
                self.taken.unsure |= {(t, p, r, id, repeat) for t, p, r in runs if t == test}
                continue
            if len(values) > 1 and reading.of == "run":
                self.taken.wrong.append(f"{test}: {id} twice for one run")
            distinct = set(values) - {None}
            if "?" in distinct:
                self.taken.unsure |= set(keys)
            elif len(distinct) > 1 and all(isinstance(v, tuple) for v in distinct):
                if reading.kind != "text":
                    self.taken.wrong.append(f"{test}: {id} differs between rows of one {reading.of}")
            elif len(distinct) == 1 and isinstance(value := distinct.pop(), tuple):
                self.taken.values |= dict.fromkeys(keys, value)

    def _shares(self, reading: Declared, thing: Any, product: str, run: int, kept: Row, test: str) -> bool:
        if reading.of == "run":
            return bool(thing == (product, run))
        if reading.of == "test":
            return True
        if reading.of == "product":
            return bool(thing == product)
        block = "round" if "lanes" in self.study["tests"][test] else "block"
        return bool(kept.get("specimen" if reading.of == "specimen" else block) == thing)


def _whole(text: str, what: str) -> int:
    if re.fullmatch("[1-9][0-9]{0,5}", text):
        return int(text)
    if re.fullmatch(r"[0-9.,+ ]+", text) or not text.isascii():
        raise Unsure
    raise Wrong(f"{text[:30]!r} is no number of a {what}")


HEADER_UNIT = re.compile(r"([a-z][a-z0-9_]*(?:\.[0-9]+)?)\s*(?:\((.*)\)|\[(.*)\]|,\s*(.*))")


def _without_header_unit(name: str, by_name: Mapping[str, Declared]) -> str:
    """A header such as "wet (g)": its column, if the unit is the one declared."""
    found = HEADER_UNIT.fullmatch(name)
    if not found or found[1] not in by_name:
        return found[1] if found and found[1] in OWN else name  # it has no unit that could be a wrong one
    unit, reading = next((part for part in found.groups()[1:] if part is not None), "").strip(), by_name[found[1]]
    if unit == reading.unit and reading.kind in ("number", "time"):
        return found[1]
    if _loose(unit).replace(" ", "") == _loose(reading.unit).replace(" ", "") or reading.kind not in ("number", "time"):
        raise Unsure
    raise Wrong(f"the header {name[:30]!r} has another unit than {reading.unit}")
