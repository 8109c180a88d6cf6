"""The bytes of an XLSX file -> the cells of its sheets as text. What they mean is the work of `workbook`.

python-calamine reads the cells and passes much over in silence: an error and a formula that was never worked out are
empty cells to it, a comment or a character reference within a number cuts the number short, and one cell in the far
corner makes it ask for memory until the program is ended. So expat walks through a sheet first, refuses what no
spreadsheet writes and notes what would be passed over; calamine is then handed a package made anew from the checked
parts alone. Macros, pictures and links to elsewhere are not looked at.
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Literal, NoReturn
from xml.etree import ElementTree
from xml.parsers import expat

from evenbench.record.table import MOST_COLUMNS
from evenbench.study.mistakes import Mistake, Place, StudyError

LARGEST_WORKBOOK = 20_000_000  # bytes of the file
LARGEST_UNPACKED = 200_000_000  # bytes of all its parts
_HIGHEST_RATIO, _SMALL = 300, 5_000_000  # of a part's size unpacked to packed, where it has more than so many bytes
_MOST_PARTS = 10_000
MOST_ROWS = 200_000
_MOST_CELLS = 2_000_000  # counted with those that hold nothing but a colour or a border
_LARGEST_AREA = 5_000_000  # cells of the rectangle round all that hold something: calamine keeps every one of it
_LAST_ROW = 1_048_576

_AGAIN = "Open it in a spreadsheet program and save it again as .xlsx."
_REFERENCE = re.compile("([A-Z]{1,3})([1-9][0-9]{0,6})")
_PERCENT = ("9", "10")  # the built-in formats 0% and 0.00%: ECMA-376 part 1, 18.8.30
_LITERAL = re.compile(r'"[^"]*"|\\.|[_*].|\[[^\]]*\]')  # what a number format shows as it stands, or does not show

_KNOWN_ERRORS = {"#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!"}

Cell = tuple[int, int]  # row and column, counted from 1
Value = str | bool | float | date | time | timedelta


class _Damaged(Exception):
    """Why a workbook or one of its sheets cannot be read."""


class _Declined(Exception):
    """Why a workbook or sheet that may be sound is not read, and what to do."""


@dataclass(frozen=True)
class Odd:
    """A cell that has no value of its own: an error, or a formula that was never worked out."""

    kind: Literal["error", "formula"]
    text: str


@dataclass(frozen=True)
class Grid:
    """The cells of one sheet that hold something.

    cells   {row: {column: text}}, a number as the shortest text that reads back to it
    odd     what is odd about a cell; its text is among the cells, too
    merged  the first and the last cell of each merged range
    """

    cells: Mapping[int, Mapping[int, str]]
    odd: Mapping[Cell, Odd] = field(default_factory=dict)
    merged: Sequence[tuple[Cell, Cell]] = ()


@dataclass(frozen=True)
class Listed:
    """A worksheet as its workbook lists it."""

    name: str
    hidden: bool
    part: str


class Package:
    """An open workbook: `sheets` lists its worksheets, `grid` reads one.

    Both raise StudyError, naming the file or sheet, where the bytes cannot be made sense of.
    """

    def __init__(self, data: bytes, file: str) -> None:
        if len(data) > LARGEST_WORKBOOK:
            why = f"the file has more than the {LARGEST_WORKBOOK:,} bytes that are read."
            raise _refused(file, why, "Part it, or leave out what is not needed.")
        if found := _other_format(data):
            raise _refused(file, *found)
        try:
            self._parts = _Parts(data)
            self._read_lists()
        except _Declined as error:
            raise _refused(file, *error.args) from None
        except _Damaged as error:
            raise _refused(file, f"the workbook cannot be read: {error}.", _AGAIN) from None

    def _read_lists(self) -> None:
        top = self._parts.related("")
        place = next((part for kind, part in top.values() if kind == "officeDocument"), "xl/workbook.xml")
        related = self._parts.related(place)
        book = _tree(self._parts.read(place))
        parts = dict(related.values())
        self._styles = self._parts.read(parts["styles"]) if "styles" in parts else b""
        self._strings = self._parts.read(parts["sharedStrings"]) if "sharedStrings" in parts else b""
        _checked(self._strings)
        self._percent = _percent_styles(self._styles)
        self._dated_1904 = _said(book, "workbookPr", "date1904")
        # Programs that write formulas without working them out leave this order to whoever opens the file, and what
        # they put in place of the values is often 0.
        self._stale = _said(book, "calcPr", "fullCalcOnLoad")
        self.sheets = _listed(book, related)

    def grid(self, sheet: Listed, file: str) -> Grid:
        """The cells of a sheet that the user knows as `file`."""
        try:
            return self._grid(self._parts.read(sheet.part))
        except _Declined as error:
            raise _refused(file, *error.args) from None
        except _Damaged as error:
            raise _refused(file, f"the sheet cannot be read: {error}.", _AGAIN) from None

    def _grid(self, xml: bytes) -> Grid:
        walk = _Walk(xml, self._percent, stale=self._stale)
        if walk.first is None:
            return Grid(_with_odd({}, walk.odd), walk.odd)
        rows, first, last, merged = _by_calamine(self._made_anew(_with_known_errors(xml, walk.odd)))
        if (first, last) != (walk.first, walk.last):
            raise _Damaged("it can be read in two ways")
        return Grid(_with_odd(_texts(rows, first, walk.percent), walk.odd), walk.odd, merged)

    def _made_anew(self, sheet: bytes) -> bytes:
        """A package of this sheet alone, with the texts and formats it refers to."""
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as package:
            package.writestr("_rels/.rels", _rels(r1=("officeDocument", "xl/workbook.xml")))
            package.writestr("xl/workbook.xml", _WORKBOOK.format(int(self._dated_1904)))
            kinds = {"worksheet": sheet, "styles": self._styles, "sharedStrings": self._strings}
            held = {kind: data for kind, data in kinds.items() if data}
            targets = {f"r{n}": (kind, f"{kind}.xml") for n, kind in enumerate(held, 1)}
            package.writestr("xl/_rels/workbook.xml.rels", _rels(**targets))
            for kind, data in held.items():
                package.writestr(f"xl/{kind}.xml", data)
        return out.getvalue()


_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_WORKBOOK = (
    '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    f' xmlns:r="{_OFFICE}"><workbookPr date1904="{{}}"/>'
    '<sheets><sheet name="sheet" sheetId="1" r:id="r1"/></sheets></workbook>'
)


def _rels(**targets: tuple[str, str]) -> str:
    rows = (f'<Relationship Id="{id}" Type="{_OFFICE}/{kind}" Target="{to}"/>' for id, (kind, to) in targets.items())
    return (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f"{''.join(rows)}</Relationships>"
    )


def _refused(file: str, why: str, write: str) -> StudyError:
    return StudyError([Mistake(Place(file), "", "", why, write)])


def _other_format(data: bytes) -> tuple[str, str] | None:
    """Why bytes that are plainly something else are no workbook, and what to do."""
    if not data:
        return "the file is empty.", "Save the workbook again, or delete the file."
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        if "EncryptedPackage".encode("utf-16-le") in data:
            return "the workbook is locked with a password.", "Save it without one."
        return "this is a workbook of the old format .xls, whatever its name says.", _AGAIN
    if not data.startswith(b"PK"):
        write = "Save it as .xlsx, or where it holds plain text, give it a name that ends in .csv."
        return "this is not a workbook of the format .xlsx.", write
    return None


# -- the parts of the file


class _Parts:
    """The parts of a zip file by name, each read when it is asked for."""

    def __init__(self, data: bytes) -> None:
        try:
            self.zip = zipfile.ZipFile(io.BytesIO(data))
            infos = self.zip.infolist()
        except (zipfile.BadZipFile, NotImplementedError, OSError, ValueError, EOFError) as error:
            raise _Damaged(f"it is cut off or broken ({error})") from None
        # Names of parts are compared without regard to case: ECMA-376 part 2, 6.2.2.3.
        self.infos = {info.filename.lower(): info for info in infos}
        if len(self.infos) < len(infos):
            raise _Damaged("it holds two parts of one name")
        _check_sizes(infos)
        self._check_kind()

    def _check_kind(self) -> None:
        if "mimetype" in self.infos and b"opendocument" in self.read("mimetype"):
            raise _Declined("this is a workbook of the format .ods.", _AGAIN)
        if "xl/workbook.bin" in self.infos:
            raise _Declined("this is a workbook of the format .xlsb.", _AGAIN)
        if "_rels/.rels" not in self.infos:
            raise _Declined("this is a zip file, and not a workbook of the format .xlsx.", _AGAIN)

    def read(self, name: str) -> bytes:
        info = self.infos.get(name.lower())
        if info is None:
            raise _Damaged(f"its part {name[:100]} is missing")
        if info.flag_bits & 0x1:
            raise _Declined("the workbook is locked with a password.", "Save it without one.")
        try:
            return self.zip.read(info)
        except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, ValueError, EOFError, zlib.error) as e:
            raise _Damaged(f"its part {name[:100]} is broken ({e})") from None

    def related(self, part: str) -> dict[str, tuple[str, str]]:
        """{id: (kind, part)} of what a part refers to; of the whole package for "". What lies elsewhere is left out."""
        folder, name = posixpath.split(part)
        place = posixpath.join(folder, "_rels", f"{name}.rels")
        if place.lower() not in self.infos:
            return {}
        out = {}
        for one in _named(_tree(self.read(place)), "Relationship"):
            if one.get("TargetMode") != "External":
                target = posixpath.normpath(posixpath.join("/", folder, one.get("Target", "")))
                out[one.get("Id", "")] = (one.get("Type", "").rpartition("/")[2], target.lstrip("/"))
        return out


def _check_sizes(infos: Sequence[zipfile.ZipInfo]) -> None:
    write = "Copy the sheets into a new workbook, without what is not needed."
    if len(infos) > _MOST_PARTS:
        raise _Declined(f"the workbook has more than {_MOST_PARTS:,} parts.", write)
    if sum(info.file_size for info in infos) > LARGEST_UNPACKED:
        raise _Declined(f"unpacked, the workbook has more than the {LARGEST_UNPACKED:,} bytes that are read.", write)
    for info in infos:
        if info.file_size > max(_SMALL, _HIGHEST_RATIO * info.compress_size):
            raise _Declined("a part of the workbook unpacks to far more than any sheet does.", write)


# -- XML


def _checked(xml: bytes) -> None:
    """See to it that a part is sound XML and declares nothing that could grow."""
    if xml:
        _parse(expat.ParserCreate(), xml)


def _parse(parser: expat.XMLParserType, xml: bytes) -> None:
    def refuse(*_: object) -> NoReturn:
        raise _Damaged("it declares a document type, as no workbook does")

    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(xml, True)
    # An unknown encoding is a LookupError, one of several bytes a character a ValueError.
    except (expat.ExpatError, LookupError, ValueError) as error:
        raise _Damaged(f"a part of it is broken ({error})") from None


def _tree(xml: bytes) -> ElementTree.Element:
    _checked(xml)
    try:
        return ElementTree.fromstring(xml)
    except (ElementTree.ParseError, LookupError, ValueError) as error:
        raise _Damaged(f"a part of it is broken ({error})") from None


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


def _named(tree: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [element for element in tree.iter() if _local(element.tag) == name]


def _said(book: ElementTree.Element, element: str, attribute: str) -> bool:
    return any(found.get(attribute) in ("1", "true") for found in _named(book, element))


def _listed(book: ElementTree.Element, related: Mapping[str, tuple[str, str]]) -> tuple[Listed, ...]:
    """The worksheets; sheets that hold a chart alone are passed over."""
    out = []
    for sheet in (sheet for sheets in _named(book, "sheets") for sheet in sheets):
        id = next((value for key, value in sheet.items() if _local(key) == "id" and "}" in key), "")
        kind, part = related.get(id, ("", ""))
        if kind == "worksheet":
            hidden = sheet.get("state", "visible") != "visible"
            out.append(Listed(sheet.get("name", ""), hidden, part))
        elif kind not in ("chartsheet", "dialogsheet"):
            raise _Damaged(f"the place of its sheet {sheet.get('name', '')[:100]} is missing")
    if len({sheet.name.casefold() for sheet in out}) < len(out):
        raise _Damaged("two of its sheets have the same name")
    return tuple(out)


def _percent_styles(xml: bytes) -> frozenset[str]:
    """The cell styles that show a number in percent, as cells refer to them."""
    if not xml:
        return frozenset()
    styles = _tree(xml)
    own = {
        format.get("numFmtId", ""): "%" in _LITERAL.sub("", format.get("formatCode", ""))
        for formats in _named(styles, "numFmts")
        for format in formats
    }
    formats = [xf.get("numFmtId", "") for styled in _named(styles, "cellXfs") for xf in styled]
    return frozenset(str(n) for n, id in enumerate(formats) if own.get(id, id in _PERCENT))


class _Walk:
    """One pass through a sheet: how far it reaches, and the cells that calamine would not tell from others.

    first, last  corners of the rectangle round all cells with a value; None where there is none
    percent      numbers that are shown in percent
    """

    def __init__(self, xml: bytes, percent: AbstractSet[str], *, stale: bool) -> None:
        self.odd: dict[Cell, Odd] = {}
        self.percent: set[Cell] = set()
        self._percent_styles, self._stale = percent, stale
        self._xml, self._refers = xml, b"&" in xml
        self._names: dict[str, str] = {}
        self._columns: dict[str, int] = {}
        self._row = self._column = self._cells = self._rows = 0
        self._top = self._bottom = 0
        self._filled: set[int] = set()  # columns
        self._within = ""  # the part of the sheet that is open: its data, a cell, or what stands in one
        self._attributes: Mapping[str, str] = {}
        self._texts: dict[str, str] = {}
        self._from = 0
        self._parser = parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.CharacterDataHandler = self._text
        parser.CommentHandler = parser.StartCdataSectionHandler = parser.ProcessingInstructionHandler = _stranger
        _parse(parser, xml)
        self.first = (self._top, min(self._filled)) if self._filled else None
        self.last = (self._bottom, max(self._filled, default=0))
        if self.first and (self._bottom - self._top + 1) * (self.last[1] - self.first[1] + 1) > _LARGEST_AREA:
            why = f"the sheet reaches from row {self._top:,} to row {self._bottom:,}, and most of it is empty."
            raise _Declined(why, "Delete the rows that stand far from the others.")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        local = self._names.get(name) or self._names.setdefault(name, name.rpartition(":")[2])
        within = self._within
        if within == "sheetData":
            if local == "c":
                self._within, self._attributes, self._texts = "c", attributes, {}
                self._place(attributes.get("r"))
            elif local == "row":
                self._next_row(attributes.get("r"))
        elif within == "c":
            # A second value would take the place of the first, and a formula behind a value that of the value.
            if local not in ("f", "v", "is") or local in self._texts or (local == "f" and self._texts):
                raise self._jumbled()
            self._within = local
            self._texts[local] = ""
            if self._refers:
                self._from = self._parser.CurrentByteIndex
        elif within in ("f", "v"):
            raise self._jumbled()
        elif not within and local == "sheetData":
            self._within = local

    def _text(self, text: str) -> None:
        if self._within in self._texts:
            self._texts[self._within] += text

    def _end(self, name: str) -> None:
        local = self._names[name]
        if local != self._within:
            return
        if local == "c":
            self._within = "sheetData"
            self._note()
        elif local == "sheetData":
            self._within = ""
        else:
            self._within = "c"
            typed = self._xml[self._from : self._parser.CurrentByteIndex] if self._refers and local == "v" else b""
            # calamine reads a number up to the first reference and leaves the rest: 1&#50; would be 1.
            if b"&" in typed and self._attributes.get("t") != "str":
                raise self._jumbled()

    def _jumbled(self) -> _Damaged:
        return _Damaged(f"cell {_called(self._row, self._column)} holds what no spreadsheet writes")

    def _next_row(self, typed: str | None) -> None:
        row = self._row + 1 if typed is None else int(typed) if typed.isdecimal() and len(typed) < 8 else 0
        if not self._row < row <= _LAST_ROW:
            raise _Damaged(f"its rows are out of order after row {self._row}")
        self._row, self._column = row, 0

    def _place(self, reference: str | None) -> None:
        self._cells += 1
        if self._cells > _MOST_CELLS:
            write = "Copy the rows that matter into a new sheet."
            raise _Declined(f"the sheet has more than {_MOST_CELLS:,} cells, empty ones with a format counted.", write)
        column = self._column + 1
        if reference is not None:
            found = _REFERENCE.fullmatch(reference)
            if found is None or int(found[2]) != self._row:
                raise _Damaged(f"in row {self._row} stands a cell called {reference[:20]!r}")
            letters = found[1]
            column = self._columns.get(letters) or self._columns.setdefault(letters, _column(letters))
        if not self._row or column <= self._column:
            raise _Damaged(f"its cells are out of order in row {self._row}")
        self._column = column

    def _note(self) -> None:
        """Take down what is to be known of the cell that ends here."""
        kind, texts, cell = self._attributes.get("t", "n"), self._texts, (self._row, self._column)
        value = texts.get("v", "")
        if ("is" in texts) != (kind == "inlineStr") and texts:
            raise self._jumbled()
        if (
            kind == "s" and value and not re.fullmatch("[0-9]{1,9}", value)
        ):  # a larger place wraps round to a first text
            raise self._jumbled()
        if kind == "e":
            self.odd[cell] = Odd("error", value or "#ERROR!")
        elif "f" in texts and (self._stale or (not value and kind != "str")):
            self.odd[cell] = Odd("formula", f"={texts['f']}")
        elif kind == "n" and value and self._attributes.get("s", "0") in self._percent_styles:
            self.percent.add(cell)
        if value or (kind == "str" and "v" in texts) or "is" in texts:
            self._stretch(*cell)

    def _stretch(self, row: int, column: int) -> None:
        if column > MOST_COLUMNS:
            why = f"cell {_called(row, column)} stands beyond the {MOST_COLUMNS} columns that are read."
            raise _Declined(why, "Clear it, or take columns out.")
        if row != self._bottom:
            self._top, self._bottom = self._top or row, row
            self._rows += 1
            if self._rows > MOST_ROWS + 1:
                write = "Part it, or leave out what is not needed."
                raise _Declined(f"the sheet has more than {MOST_ROWS:,} rows.", write)
        self._filled.add(column)


def _stranger(*_: object) -> NoReturn:
    raise _Damaged("it holds comments or marked sections, as no spreadsheet writes them")


def _column(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def column_letters(column: int) -> str:
    """What a spreadsheet calls a column.

    >>> column_letters(1), column_letters(28), column_letters(16384)
    ('A', 'AB', 'XFD')
    """
    letters = ""
    while column:
        column, letter = divmod(column - 1, 26)
        letters = chr(ord("A") + letter) + letters
    return letters


def _called(row: int, column: int) -> str:
    return f"{column_letters(column)}{row}"


# -- values


def _by_calamine(package: bytes) -> tuple[list[list[Value]], Cell, Cell, list[tuple[Cell, Cell]]]:
    """Rows of values, the first and the last cell of them, merged ranges; of the only sheet of a package."""
    from python_calamine import CalamineWorkbook

    try:
        sheet = CalamineWorkbook.from_filelike(io.BytesIO(package)).get_sheet_by_index(0)
        rows: list[list[Value]] = [list(row) for row in sheet.to_python()]
        start, end, merged = sheet.start or (0, 0), sheet.end or (0, 0), sheet.merged_cell_ranges or []
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    # A panic of the Rust code derives from BaseException alone.
    except BaseException as error:  # noqa: BLE001
        raise _Damaged(f"something in it is out of place ({error})") from None
    return rows, _from_1(start), _from_1(end), [(_from_1(first), _from_1(last)) for first, last in merged]


def _with_known_errors(xml: bytes, odd: Mapping[Cell, Odd]) -> bytes:
    """A sheet whose errors are all of those kinds that calamine takes; what they are is known from `odd`."""
    errors = {found.text for found in odd.values() if found.kind == "error" and found.text.startswith("#")}
    for error in errors - _KNOWN_ERRORS:
        xml = re.sub(rb">%b(</(?:\w+:)?v>)" % re.escape(error.encode()), rb">#N/A\1", xml)
    return xml


def _from_1(cell: Cell) -> Cell:
    return cell[0] + 1, cell[1] + 1


def _texts(rows: Sequence[Sequence[Value]], first: Cell, percent: AbstractSet[Cell]) -> dict[int, dict[int, str]]:
    """The cells that hold something, as text."""
    out: dict[int, dict[int, str]] = {}
    for row, values in enumerate(rows, first[0]):
        texts = {
            column: text
            for column, value in enumerate(values, first[1])
            if value != "" and (text := _text(value, percent=(row, column) in percent))
        }
        if texts:
            out[row] = texts
    return out


def _with_odd(cells: dict[int, dict[int, str]], odd: Mapping[Cell, Odd]) -> dict[int, dict[int, str]]:
    for (row, column), found in odd.items():
        cells.setdefault(row, {})[column] = found.text
    return dict(sorted(cells.items()))


def _text(value: Value, *, percent: bool) -> str:
    """A value as the person sees it, save that a number has all its digits and a date the order of ISO 8601."""
    if isinstance(value, str):
        return value.replace("\r\n", "\n").replace("\r", "\n").strip()
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else _trimmed(value.isoformat())
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return _trimmed(value.isoformat())
    if isinstance(value, timedelta):
        return _duration(value)
    if percent:
        return f"{Decimal(repr(value)).scaleb(2):f} %"
    return repr(value).removesuffix(".0")


def _duration(value: timedelta) -> str:
    seconds, microseconds = abs(value) // timedelta(seconds=1), abs(value).microseconds
    sign = "-" if value < timedelta(0) else ""
    text = f"{sign}{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    return _trimmed(f"{text}.{microseconds:06}")


def _trimmed(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text
