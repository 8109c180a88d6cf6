"""The text of a sheet -> Table: columns of text cells. What they mean is `parse_readings`'s work."""

from __future__ import annotations

import csv
import io

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.errors import character_name
from evenbench.study.columns import Gathered, Texts
from evenbench.study.dialect import POINTS, dialect_of, split_header
from evenbench.study.mistakes import Mistake, Place, StudyError, obeyed
from evenbench.study.table import Table

MOST_ROWS = 2_000_000
MOST_COLUMNS = 500
_MOST_MISTAKES = 1_000
_AT_ONCE = 50_000
_LOOKED_AHEAD = 10  # rows in which a header is looked for below a title
_LONGEST_HEADER = 100_000  # characters
_HEADERS = ("product", "code", "test")


def read_table(text: str, file: str) -> Table:
    r"""The text of a sheet -> Table; quoting as in RFC 4180, any line ends, blank lines passed over.

    What parts the cells, and how numbers are written, follows from the header: see `study.dialect`.

    Raises StudyError, with every row that has the wrong shape.

    >>> read_table("product,wet\nostrel,61.2\n", "readings/shower.csv").rows
    ((2, {'product': 'ostrel', 'wet': '61.2'}),)
    >>> read_table("product;wet\nostrel;61,2\n", "readings/shower.csv").rows
    ((2, {'product': 'ostrel', 'wet': '61,2'}),)
    """
    sheet = _Sheet(file)
    sheet.read(text)
    return sheet.table()


class _Sheet:
    """A sheet being read, some rows at a time, so that a long one is never held twice."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.header: list[str] = []
        self.at = Place(file)
        self.dialect = POINTS
        self.columns: list[Gathered] = []
        self.lines: list[NDArray[np.int64]] = []
        self.count = 0
        self.mistakes: list[Mistake] = []

    def read(self, text: str) -> None:
        """Take in the whole text."""
        lines = io.TextIOWrapper(
            io.BytesIO(text.encode("utf-8", "surrogatepass")), "utf-8", "surrogatepass", newline=""
        )
        first = _first_line(text)
        self.dialect = dialect_of(first)
        reader = csv.reader(lines, delimiter=self.dialect.separator, strict=True)
        told = first.strip("\ufeff \r\n").lower().startswith("sep=")  # a spreadsheet's own line, before the header
        rows, starts, before = [], [], 0
        try:
            for cells in reader:
                if cells and not (told and before == 0):
                    rows.append(cells)
                    starts.append(before + 1)
                    if len(rows) == _AT_ONCE:
                        self.take(rows, starts)
                        rows, starts = [], []
                before = reader.line_num
        except csv.Error as error:
            why, write = _plain(str(error))
            raise StudyError([Mistake(Place(self.file, before + 1), "", "", why, write)]) from None
        self.take(rows, starts)
        if not self.header:
            write = "Its first line names the columns: product, run and the readings."
            raise StudyError([Mistake(Place(self.file), "", "", "the sheet is empty.", write)])

    def take(self, rows: list[list[str]], starts: list[int]) -> None:
        """Take in some rows; the first that holds anything is the header."""
        if not self.header:
            n = next((n for n, cells in enumerate(rows) if _holds(cells)), len(rows))
            if n == len(rows):
                return
            self.take_header(rows[n], starts[n], rows[n + 1 :], starts[n + 1 :])
            rows, starts = rows[n + 1 :], starts[n + 1 :]
        width = len(self.header)
        if any(len(cells) != width for cells in rows):
            kept = [n for n, cells in enumerate(rows) if _holds(cells)]
            rows, starts = [rows[n] for n in kept], [starts[n] for n in kept]
            for cells, line in zip(rows, starts, strict=True):
                self.row_too_long(cells, line)
            # Fewer cells are let pass: a spreadsheet may leave out the empty ones at the end. More mean that cells
            # have moved.
            rows = [[*cells[:width], *[""] * (width - len(cells))] for cells in rows]
        self.count += len(rows)
        if self.count > MOST_ROWS:
            why = f"the sheet has more than {MOST_ROWS:,} rows."
            raise StudyError([Mistake(Place(self.file), "", "", why, "Part it, or leave out what is not needed.")])
        for column, texts in zip(self.columns, zip(*rows, strict=True), strict=bool(rows)):
            column.add(texts)
        self.lines.append(np.array(starts, dtype=np.int64))

    def take_header(self, cells: list[str], line: int, rows: list[list[str]], starts: list[int]) -> None:
        self.header, self.at = [_cell(cell) for cell in cells], Place(self.file, line)
        if not _is_header(self.header):
            for row, below in list(zip(rows, starts, strict=True))[:_LOOKED_AHEAD]:
                if _is_header([_cell(cell) for cell in row]):
                    why = f"line {below} looks like the header, and something stands above it."
                    raise StudyError([Mistake(self.at, "header", "", why, "Delete the lines above it.")])
        if len(self.header) > MOST_COLUMNS:
            why = f"the sheet has more than {MOST_COLUMNS} columns."
            raise StudyError([Mistake(self.at, "header", "", why, "Take some out.")])
        self.columns = [Gathered() for _ in self.header]

    def row_too_long(self, cells: list[str], line: int) -> None:
        if len(cells) > len(self.header) and len(self.mistakes) < _MOST_MISTAKES:
            why = f"the row has {len(cells)} cells, and the header names {len(self.header)}."
            write = {
                ",": "Write numbers with a decimal point, and put quotes round a note that has a comma.",
                ";": "Put quotes round a note that has a semicolon.",
                "\t": "Take tabs out of notes.",
            }[self.dialect.separator]
            self.mistakes.append(Mistake(Place(self.file, line), "row", "", why, write))

    def table(self) -> Table:
        """Everything taken in; StudyError where its shape is wrong."""
        cells = [_cleaned(column) for column in self.columns]
        lines = np.concatenate([np.zeros(0, dtype=np.int64), *self.lines])
        mistakes = self.mistakes_of_header(cells)
        if not mistakes:
            mistakes = [*self.mistakes, *self.not_shown(cells, lines)][:_MOST_MISTAKES]
        if mistakes:
            raise StudyError(mistakes)
        named = {name: column for name, column in zip(self.header, cells, strict=True) if name}
        return Table(self.file, named, lines, self.at.line, self.dialect).filled()

    def mistakes_of_header(self, cells: list[Texts]) -> list[Mistake]:
        out = _not_shown(self.header, self.at)
        for place, column in enumerate(self.header):
            if column and column in self.header[:place]:
                write = "Rename one; the second reading of a run stands in a column such as wet.2."
                out.append(Mistake(self.at, "header", column, "two columns have this name.", write))
            if not column and cells[place].filled.any():
                why = f"column {place + 1} holds cells and has no name."
                write = "Name it; where cells were merged, unmerge them."
                out.append(Mistake(self.at, "header", "", why, write))
        return out

    def not_shown(self, cells: list[Texts], lines: NDArray[np.int64]) -> list[Mistake]:
        """Cells that hold what a terminal would obey and not show."""
        out: list[Mistake] = []
        for column in cells:
            odd = np.array([obeyed(text) is not None for text in column.distinct], dtype=np.bool_)
            if odd.any():
                for n in np.flatnonzero(odd[column.code])[:_MOST_MISTAKES].tolist():
                    out += _not_shown([column[n]], Place(self.file, int(lines[n])))
        return out


def _first_line(text: str) -> str:
    """The first line that holds anything, as far as a header goes."""
    begin = len(text) - len(text.lstrip("\ufeff \r\n"))
    # A header may start with cells that are empty; tabs are left, they part cells.
    return text[begin : begin + _LONGEST_HEADER].partition("\n")[0].partition("\r")[0]


def _holds(cells: list[str]) -> bool:
    return any(cell.strip() for cell in cells)


def _cleaned(column: Gathered) -> Texts:
    """The column without spaces around its cells, and one sort of line end within them."""
    found = column.texts()
    clean = Texts.of(map(_cell, found.distinct))
    return found if clean.distinct == found.distinct else Texts(clean.distinct, clean.code[found.code])


def _is_header(cells: list[str]) -> bool:
    return any(split_header(cell)[0].casefold() in _HEADERS for cell in cells)


def _cell(cell: str) -> str:
    return cell.replace("\r\n", "\n").replace("\r", "\n").strip()


def _plain(said: str) -> tuple[str, str]:
    """What the CSV reader said, in other words."""
    if "unexpected end" in said:
        return "a quote that opens in this row is never closed.", "Close it."
    if "expected after" in said:
        return "something stands after a closing quote.", 'A quote within quotes is doubled: "a 2"" hose".'
    if "field limit" in said:
        return f"a cell of this row has more than {csv.field_size_limit():,} characters.", "Look for an open quote."
    return f"the row cannot be read ({said}).", "Check its quotes."


def _not_shown(cells: list[str], at: Place) -> list[Mistake]:
    """Cells that hold what a terminal would obey and not show."""
    found = [(cell, character) for cell in cells if (character := obeyed(cell)) is not None]
    why = "it holds {}, which cannot be shown."
    return [Mistake(at, "cell", cell, why.format(character_name(c)), "Take it out.") for cell, c in found]
