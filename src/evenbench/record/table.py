"""The text of a sheet -> Table: rows and columns of text cells. What they mean is `parse_readings`'s work."""

from __future__ import annotations

import csv
import io

from evenbench.measure.errors import character_name
from evenbench.study.mistakes import Mistake, Place, StudyError, obeyed
from evenbench.study.readings import Table

MOST_ROWS = 200_000
MOST_COLUMNS = 500
_MOST_MISTAKES = 1_000

_Row = tuple[int, list[str]]


def read_table(text: str, file: str) -> Table:
    r"""Comma-separated text -> Table; quoting as in RFC 4180, any line ends, blank lines passed over.

    Raises StudyError, with every row that has the wrong shape.

    >>> read_table("product,wet\nostrel,61.2\n", "readings/shower.csv").rows
    ((2, {'product': 'ostrel', 'wet': '61.2'}),)
    """
    rows = _rows(text, file)
    if not rows:
        write = "Its first line names the columns: product, run and the readings."
        raise StudyError([Mistake(Place(file), "", "", "the sheet is empty.", write)])
    (line, header), *rest = rows
    mistakes = _mistakes_of_header(header, rest, Place(file, line))
    if not mistakes:
        mistakes = [mistake for row in rest for mistake in _mistakes_of_row(row, header, file)][:_MOST_MISTAKES]
    if mistakes:
        raise StudyError(mistakes)
    cells = tuple((n, {c: v for c, v in zip(header, row, strict=False) if c}) for n, row in rest)
    return Table(file, tuple(column for column in header if column), cells, header=line)


def _rows(text: str, file: str) -> list[_Row]:
    """The rows that hold anything, each with the line it starts on."""
    rows: list[_Row] = []
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    before = 0
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((before + 1, [_cell(cell) for cell in cells]))
            before = reader.line_num
            if len(rows) > MOST_ROWS:
                why = f"the sheet has more than {MOST_ROWS:,} rows."
                raise StudyError([Mistake(Place(file), "", "", why, "Part it, or leave out what is not needed.")])
    except csv.Error as error:
        why, write = _plain(str(error))
        raise StudyError([Mistake(Place(file, before + 1), "", "", why, write)]) from None
    return rows


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


def _mistakes_of_header(header: list[str], rows: list[_Row], at: Place) -> list[Mistake]:
    if any(mark in column for column in header for mark in ";\t") or header[0].startswith("sep="):
        why = "the cells of the first line are not parted by commas, or it is not the header."
        write = "Save the sheet with commas between cells and points in numbers, the header first."
        return [Mistake(at, "header", ",".join(header), why, write)]
    if len(header) > MOST_COLUMNS:
        return [Mistake(at, "header", "", f"the sheet has more than {MOST_COLUMNS} columns.", "Take some out.")]
    out = _not_shown(header, at)
    for place, column in enumerate(header):
        if column and column in header[:place]:
            write = "Rename one; the second reading of a run stands in a column such as wet.2."
            out.append(Mistake(at, "header", column, "two columns have this name.", write))
        if not column and any(len(cells) > place and cells[place] for _, cells in rows):
            out.append(Mistake(at, "header", "", f"column {place + 1} holds cells and has no name.", "Name it."))
    return out


def _mistakes_of_row(row: _Row, header: list[str], file: str) -> list[Mistake]:
    line, cells = row
    out = _not_shown(cells, Place(file, line))
    # Fewer cells are let pass: a spreadsheet may leave out the empty ones at the end. More mean that cells have moved.
    if len(cells) > len(header):
        why = f"the row has {len(cells)} cells, and the header names {len(header)}."
        write = "Write numbers with a decimal point, and put quotes round a note that has a comma."
        out.append(Mistake(Place(file, line), "row", "", why, write))
    return out


def _not_shown(cells: list[str], at: Place) -> list[Mistake]:
    """Cells that hold what a terminal would obey and not show."""
    found = [(cell, character) for cell in cells if (character := obeyed(cell)) is not None]
    why = "it holds {}, which cannot be shown."
    return [Mistake(at, "cell", cell, why.format(character_name(c)), "Take it out.") for cell, c in found]
