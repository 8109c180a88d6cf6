"""A study folder on disk -> Study and Readings. What stands in it is not trusted: sizes are limited, text checked."""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path

from evenbench.measure.errors import Correctable
from evenbench.study.mistakes import Mistake, Place, StudyError
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import LONG, NotUsed, Readings, Table, parse_readings

LARGEST_FILE = 20_000_000  # bytes; a year of a data logger is less
MOST_ROWS = 200_000
_LATER = {
    "observations.csv": "observations are not read by this version",
    "plan.csv": "plans are not read by this version",
}


class NoStudy(Correctable):
    """There is no study at a path."""

    def __init__(self, folder: Path, why: str, write: str) -> None:
        self.folder, self.why, self.write = folder, why, write
        super().__init__(f"{folder}: {why} {write}")


def open_study(folder: Path | str, *, today: date | None = None) -> tuple[Study, Readings]:
    """Read a study folder.

    today  against which dates are checked; the day of the call where not given

    Raises NoStudy where there is no study file, StudyError with all mistakes of study and sheets together.
    """
    root = Path(folder)
    if root.name == "study.toml" and root.is_file():
        root = root.parent
    path = root / "study.toml"
    if not root.is_dir():
        raise NoStudy(root, "there is no such folder.", "Name a study folder, or make one with: evenbench start FOLDER")
    if not path.is_file():
        raise NoStudy(
            root, "the folder holds no study.toml.", "Name a study folder, or make one with: evenbench start FOLDER"
        )
    study = parse(open_text(path, "study.toml"), today=today or date.today())  # noqa: DTZ011 - the user's own day
    tables, not_used = _tables(root)
    readings = parse_readings(tables, study)
    return study, _with(readings, not_used)


def _with(readings: Readings, not_used: list[NotUsed]) -> Readings:
    return Readings(**{**readings.__dict__, "not_used": (*not_used, *readings.not_used)})


def open_text(path: Path, name: str) -> str:
    """The text of a file of the study, decoded; StudyError where it is too large, unreadable or not UTF-8."""
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            why = f"the file has {size:,} bytes, more than the {LARGEST_FILE:,} that are read."
            raise StudyError([Mistake(Place(name), "", "", why)])
        data = path.read_bytes()
    except OSError as error:
        raise StudyError([Mistake(Place(name), "", "", f"the file cannot be read ({error.strerror}).")]) from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        why = "the file is not UTF-8 text."
        raise StudyError([Mistake(Place(name, line), "", "", why, "Save it again as UTF-8.")]) from None


def _tables(root: Path) -> tuple[dict[str, Table], list[NotUsed]]:
    mistakes: list[Mistake] = []
    tables: dict[str, Table] = {}
    not_used = [NotUsed(row=name, reason=reason) for name, reason in _LATER.items() if (root / name).exists()]
    sheets = sorted((root / "readings").glob("*")) if (root / "readings").is_dir() else []
    long = root / "readings.csv"
    wide = [s for s in sheets if s.suffix == ".csv"]
    not_used += [
        NotUsed(row=f"readings/{s.name}", reason="only .csv sheets are read by this version")
        for s in sheets
        if s not in wide and not s.name.startswith((".", "~$"))
    ]
    if long.exists() and wide:
        why = "the folder has both readings.csv and sheets in readings/, and a reading must stand in one place."
        mistakes.append(Mistake(Place("readings.csv"), "", "", why, "Keep one of the two."))
    files = [(LONG, long, "readings.csv")] if long.exists() else []
    files += [(s.stem, s, f"readings/{s.name}") for s in wide]
    for key, path, name in files:
        try:
            tables[key] = read_table(open_text(path, name), name)
        except StudyError as error:
            mistakes += error.mistakes
    if mistakes:
        raise StudyError(mistakes)
    return tables, not_used


def read_table(text: str, file: str) -> Table:
    r"""Comma-separated text -> Table; quoting as in RFC 4180, any line ends, blank lines passed over.

    >>> read_table("product,wet\nostrel,61.2\n", "readings/shower.csv").rows
    ((2, {'product': 'ostrel', 'wet': '61.2'}),)
    """
    mistakes: list[Mistake] = []
    rows: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    before = 0
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((before + 1, [cell.strip() for cell in cells]))
            before = reader.line_num
            if len(rows) > MOST_ROWS:
                raise StudyError([Mistake(Place(file), "", "", f"the sheet has more than {MOST_ROWS:,} rows.")])
    except csv.Error as error:
        why = f"the row cannot be read ({error})."
        raise StudyError([Mistake(Place(file, reader.line_num or 1), "", "", why, "Check its quotes.")]) from None
    if not rows:
        return Table(file, (), ())
    line, header = rows[0]
    if len(header) == 1 and any(mark in header[0] for mark in ";\t"):
        why = "the cells of the header are not parted by commas."
        raise StudyError(
            [Mistake(Place(file, line), "header", header[0], why, "Save the sheet with commas, decimal point.")]
        )
    for place, column in enumerate(header):
        if column and column in header[:place]:
            mistakes.append(Mistake(Place(file, line), "header", column, "two columns have this name.", "Rename one."))
        if not column and any(len(cells) > place and cells[place] for _, cells in rows[1:]):
            why = f"column {place + 1} holds cells and has no name."
            mistakes.append(Mistake(Place(file, line), "header", "", why, "Name it, or empty it."))
    for number, cells in rows[1:]:
        if any(cells[len(header) :]):
            why = f"the row has {len(cells)} cells, and the header names {len(header)}."
            mistakes.append(
                Mistake(Place(file, number), "row", "", why, "A comma in a note needs quotes round the note.")
            )
    if mistakes:
        raise StudyError(mistakes)
    columns = tuple(column for column in header if column)
    return Table(
        file, columns, tuple((n, {c: v for c, v in zip(header, cells, strict=False) if c}) for n, cells in rows[1:])
    )
