"""XLSX workbooks: every sheet -> a Table, and tables -> a workbook. What the cells mean is `parse_readings`'s work.

A sheet is a plain table: its first row that holds anything names the columns, and nothing stands beside or below the
table. What people add for the eye is refused with what to do: merged cells, titles and second header rows, totals.
"""

from __future__ import annotations

import io
import math
import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import zip_longest
from typing import Any

from evenbench.measure.errors import character_name
from evenbench.record.table import MOST_COLUMNS
from evenbench.record.xlsx import Cell, Grid, Listed, Package, column_letters
from evenbench.study.cells import number
from evenbench.study.dialect import split_header
from evenbench.study.mistakes import Mistake, Place, StudyError, obeyed
from evenbench.study.table import Table

_MOST_MISTAKES = 1_000
_KEYS = ("product", "code")  # the columns of which one is filled in every row
_HEADERS = (*_KEYS, "test")
_LOOKED_AHEAD = 10  # rows in which a header is looked for below a title
_TOTALS = frozenset(["total", "totals", "subtotal", "grand total", "sum", "mean", "average", "avg"])

_LONGEST_CELL, _LAST_ROW = 32_767, 1_048_576  # what spreadsheets hold
_UNHELD = re.compile("[\ud800-\udfff\ufffe\uffff]")  # no characters of XML
_READS_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_NARROWEST, _WIDEST = 8, 50  # of a column, in characters
_MEASURED = 1_000  # rows that a column's width is taken from


def read_workbook(data: bytes, name: str, *, uses: Mapping[str, Collection[str]] | None = None) -> dict[str, Table]:
    """The sheets of a workbook, each a table of text cells, keyed by sheet name; `file` names workbook and sheet.

    uses  the columns that will be read of each sheet; where it is given, other sheets are not looked into, and an
          error in another column does no harm. Where it is not, every cell of every sheet must be sound.

    Numbers come as the shortest text that reads back to them (12.4, and 3 for 3.0), formulas as the values that the
    spreadsheet kept of them, numbers shown in percent as they are shown (0.124 as 12.4 %, to be checked against a
    declared unit), dates and times as in ISO 8601, which no reader of numbers takes. Sheets that are hidden or not
    looked into come without rows, so that they can be listed.

    Raises StudyError where the bytes are no sound XLSX workbook, or with everything wrong in its sheets.

    >>> workbook = write_workbook({"shower": [["product", "wet"], ["ostrel", 61.2]]})
    >>> read_workbook(workbook, "readings.xlsx")["shower"].rows
    ((2, {'product': 'ostrel', 'wet': '61.2'}),)
    """
    package = Package(data, name)
    tables: dict[str, Table] = {}
    mistakes: list[Mistake] = []
    for sheet in package.sheets:
        file = f"{name}, {'hidden ' if sheet.hidden else ''}sheet {sheet.name}"
        tables[sheet.name] = Table.of([], file)
        try:
            if uses is None or sheet.name in uses:
                tables[sheet.name] = _table(package, sheet, file, None if uses is None else uses[sheet.name])
        except StudyError as error:
            mistakes += error.mistakes
    if mistakes:
        raise StudyError(mistakes)
    return tables


def _table(package: Package, sheet: Listed, file: str, uses: Collection[str] | None) -> Table:
    """One sheet as a table, or StudyError with what is wrong with it."""
    if sheet.hidden and uses is not None:
        raise StudyError([Mistake(Place(file), "", "", "the sheet is hidden.", "Show it, or delete it.")])
    grid = Grid({}) if sheet.hidden else package.grid(sheet, file)
    if not grid.cells:
        if uses is None:
            return Table.of([], file)
        write = "Its first row names the columns: product, run and the readings."
        raise StudyError([Mistake(Place(file), "", "", "the sheet is empty.", write)])
    laid = _Laid(grid, file)
    mistakes = laid.mistakes_of_header() or [*laid.mistakes_of_rows(), *laid.mistakes_of_cells(uses)]
    if mistakes:
        raise StudyError(mistakes[:_MOST_MISTAKES])
    return laid.table()


class _Laid:
    """How a sheet is laid out: the first row that holds anything as header, those below as rows."""

    def __init__(self, grid: Grid, file: str) -> None:
        (self.line, header), *self.rows = grid.cells.items()
        self.grid, self.file = grid, file
        self.names = {column: text for column, text in header.items() if text}
        called = {split_header(text)[0].casefold(): column for column, text in self.names.items()}
        self.keys = [called[key] for key in _KEYS if key in called]
        self.note = called.get("note")
        # Of a reading that several runs share, a long sheet names what they share and leaves the product empty.
        self.long = "test" in called and "reading" in called

    def table(self) -> Table:
        columns = sorted(self.names)
        rows = [(line, {self.names[c]: row.get(c, "") for c in columns}) for line, row in self.rows]
        return Table.of_rows(self.file, [self.names[c] for c in columns], rows, header=self.line)

    def wrong(self, line: int, subject: str, given: str, why: str, write: str) -> Mistake:
        return Mistake(Place(self.file, line), subject, given, why, write)

    # -- the header

    def mistakes_of_header(self) -> list[Mistake]:
        out = self.not_one_row()
        if out:
            return out
        for name, times in Counter(self.names.values()).items():
            if times > 1:
                write = "Rename one; the second reading of a run stands in a column such as wet.2."
                out.append(self.wrong(self.line, "header", name, "two columns have this name.", write))
        unnamed: dict[int, int] = {}
        for line, row in self.rows:
            for column in row:
                if column not in self.names:
                    unnamed.setdefault(column, line)
        for column, line in unnamed.items():
            why = f"cell {column_letters(column)}{line} holds something, and its column has no name."
            out.append(self.wrong(self.line, "header", "", why, "Name the column, or clear it."))
        return out

    def not_one_row(self) -> list[Mistake]:
        """What is wrong where the header is not one row of names."""
        for first, last in self.grid.merged:
            if first[0] <= self.line <= last[0]:
                write = "Unmerge them, and give each column a name of its own in one row."
                return [self.wrong(self.line, "header", "", f"cells {_range(first, last)} are merged.", write)]
        below = self.rows[:_LOOKED_AHEAD]
        if not _is_header(self.names.values()):
            for line, row in below:
                if _is_header(row.values()):
                    why = f"row {line} looks like the header, and something stands above it."
                    return [self.wrong(self.line, "header", "", why, "Delete the rows above it.")]
        if below and self.keys and not self.long:
            line, row = below[0]
            named = [text for column, text in row.items() if column in self.names and column != self.note]
            names_product = any(row.get(key) for key in self.keys)
            if named and not names_product and all(number(text) is None for text in named):
                why = "this looks like a second header row."
                return [self.wrong(line, "row", " ".join(named), why, "Keep one row of names, and delete the other.")]
        return []

    # -- the rows

    def mistakes_of_rows(self) -> list[Mistake]:
        out = [] if not self.keys else [m for line, row in self.rows for m in self.mistakes_of_row(line, row)]
        last = self.rows[-1][0] if self.rows else self.line
        for first, end in self.grid.merged:
            columns = [c for c in range(first[1], min(end[1], MOST_COLUMNS) + 1) if c in self.names]
            if columns and first[0] <= last:
                why = f"cells {_range(first, end)} are merged, and only the first can hold a value."
                out.append(self.wrong(first[0], self.names[columns[0]], "", why, "Unmerge them, and fill in each."))
        return out

    def mistakes_of_row(self, line: int, row: Mapping[int, str]) -> list[Mistake]:
        texts = [row[key] for key in self.keys if row.get(key)]
        key = self.names[self.keys[0]]
        for text in texts:
            if text.casefold().rstrip(" :") in _TOTALS:
                why = "this is a row of totals, and no run."
                return [self.wrong(line, key, text, why, "Delete the row; the program works them out.")]
            if text in (self.names[column] for column in self.keys):
                return [self.wrong(line, key, text, "the header stands here again.", "Delete the row.")]
        filled = [column for column in row if column in self.names and column != self.note]
        if filled and not texts and not self.long:
            write = "Name its product, or delete the row if it holds totals."
            return [self.wrong(line, key, "", "the row names no product.", write)]
        return []

    # -- the cells

    def mistakes_of_cells(self, uses: Collection[str] | None) -> list[Mistake]:
        out = []
        for (line, column), odd in self.grid.odd.items():
            name = self.names.get(column, "")
            if uses is None or name in uses or split_header(name)[0] in uses:
                out.append(self.wrong(line, name, odd.text, *_ODD[odd.kind]))
        for line, row in self.grid.cells.items():
            for column, text in row.items():
                if (character := obeyed(text)) is not None:
                    why = f"it holds {character_name(character)}, which cannot be shown."
                    out.append(self.wrong(line, self.names.get(column, ""), text, why, "Take it out."))
        return out


_ODD = {
    "error": (
        "the spreadsheet shows an error here.",
        "Mend its formula, or leave the cell empty with a note.",
    ),
    "formula": (
        "the workbook holds this formula without a value that a spreadsheet worked out.",
        "Open the workbook in a spreadsheet program and save it again, or type the value.",
    ),
}


def _is_header(texts: Iterable[str]) -> bool:
    return any(split_header(text)[0].casefold() in _HEADERS for text in texts)


def _range(first: Cell, last: Cell) -> str:
    return f"{column_letters(first[1])}{first[0]}:{column_letters(last[1])}{last[0]}"


# -- writing


def write_workbook(sheets: Mapping[str, Sequence[Sequence[str | float | None]]]) -> bytes:
    r"""A workbook with a sheet for each name: rows of cells, the first of them the header, bold and always in view.

    The same sheets give the same bytes. Text stays text, whatever it begins with, also after somebody has edited the
    cell; numbers keep all their digits; None and "" leave a cell empty. `read_workbook` gives it all back.

    Raises ValueError for what no workbook can hold: a name of more than 31 characters or with one of []:*?/\, two
    names that differ in case alone, text of more than 32,767 characters, a number that is not finite.

    >>> write_workbook({"shower": [["product"], ["=1+1"]]})[:2]
    b'PK'
    """
    from xlsxwriter import Workbook  # type: ignore[import-untyped]
    from xlsxwriter.exceptions import XlsxWriterException  # type: ignore[import-untyped]

    out = io.BytesIO()
    book = Workbook(out, {"in_memory": True})
    # Else the moment of writing would stand in the file.
    book.set_properties({"created": datetime(2000, 1, 1, tzinfo=UTC)})
    formats = {
        (bold, quoted): book.add_format({"bold": bold, "quote_prefix": quoted}) if bold or quoted else None
        for bold in (True, False)
        for quoted in (True, False)
    }
    for name, rows in sheets.items():
        # Excel keeps the one name for itself, and XlsxWriter makes up a name in place of the other.
        if name.casefold() in ("history", ""):
            raise ValueError(f"No sheet can have the name {name!r}.")
        try:
            sheet = book.add_worksheet(name)
        except XlsxWriterException as error:
            raise ValueError(str(error)) from None
        _fill(sheet, rows, formats)
    book.close()
    return out.getvalue()


def _fill(sheet: Any, rows: Sequence[Sequence[str | float | None]], formats: Mapping[tuple[bool, bool], Any]) -> None:
    """Write a sheet's cells; `formats` are by whether they are bold, and whether marked as text."""
    sheet.freeze_panes(1, 0)
    for line, row in enumerate(rows):
        if line == _LAST_ROW:
            raise ValueError(f"A sheet has no more than {_LAST_ROW:,} rows.")
        for column, cell in enumerate(row):
            if isinstance(cell, str) and cell:
                # So marked, a cell is still text when it is edited or saved in another format.
                quoted = cell.startswith(_READS_AS_FORMULA)
                sheet.write_string(line, column, _storable(cell), formats[line == 0, quoted])
            elif cell is not None and cell != "":
                sheet.write_number(line, column, _AllDigits(_finite(cell)), formats[line == 0, False])
    for column, cells in enumerate(zip_longest(*rows[:_MEASURED])):
        sheet.set_column(column, column, _width(cells))


class _AllDigits(float):
    """A number that XlsxWriter writes with all its digits, where by itself it would write 16."""

    def __format__(self, _: str) -> str:
        return repr(float(self))


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError(f"No cell can hold {number!r}.")
    return number


def _storable(text: str) -> str:
    if len(text) > _LONGEST_CELL:
        raise ValueError(f"No cell can hold more than {_LONGEST_CELL:,} characters.")
    if unheld := _UNHELD.search(text):
        raise ValueError(f"No cell can hold {unheld[0]!r}.")
    return text


def _width(cells: Iterable[str | float | None]) -> int:
    """Wide enough for the longest line of a column, within reason."""
    texts = ("" if cell is None else str(cell) for cell in cells)
    longest = max((len(line) for text in texts for line in text.splitlines()), default=0)
    return min(max(longest + 2, _NARROWEST), _WIDEST)
