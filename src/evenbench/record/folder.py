"""A study folder on disk -> Study and Readings. What stands in it is not trusted: sizes are limited, text checked."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

from evenbench.measure.errors import Correctable
from evenbench.record.table import MOST_ROWS, read_table
from evenbench.study.mistakes import Mistake, Place, StudyError, visible
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.reader import long_columns, wide_columns
from evenbench.study.readings import LONG, PLAN, NotUsed, Readings, parse_readings
from evenbench.study.table import Table

__all__ = [
    "LARGEST_FILE",
    "LARGEST_SHEET",
    "MOST_ROWS",
    "NoStudy",
    "open_study",
    "open_text",
    "read_table",
    "study_folder",
]

LARGEST_FILE = 20_000_000  # bytes
LARGEST_SHEET = 200_000_000  # bytes; a data logger's million rows are some 50 million
WORKBOOK = "readings.xlsx"
_SHEETS = (".csv", ".tsv", ".xlsx", ".xls", ".ods")
_MAKE_ONE = "Name a study folder, or make one with: evenbench start FOLDER"


class NoStudy(Correctable):
    """There is no study at a path, or none can be made there."""

    def __init__(self, folder: Path, why: str, write: str) -> None:
        self.folder, self.why, self.write = folder, why, write
        super().__init__(folder, why, write)

    def __str__(self) -> str:
        return f"{visible(str(self.folder))}: {self.why} {self.write}"


def study_folder(path: Path | str) -> Path:
    """The folder that a path names: itself, or the one that holds the study.toml it names.

    Raises NoStudy where there is no such folder.
    """
    root = Path(path)
    if root.name == "study.toml" and root.is_file():
        return root.parent
    if root.is_dir():
        return root
    if os.path.lexists(root):
        raise NoStudy(root, "this is not a folder.", "Name the folder that holds study.toml.")
    raise NoStudy(root, "there is no such folder.", _MAKE_ONE)


def open_study(folder: Path | str, *, today: date | None = None) -> tuple[Study, Readings]:
    """Read a study folder.

    today  against which dates are checked; the day of the call where not given

    Raises NoStudy where there is no study file, StudyError with all mistakes of study and sheets together. Where
    the study has mistakes, sheets are told only what no study could make sense of.
    """
    root = study_folder(folder)
    try:
        (root / "study.toml").lstat()
    except FileNotFoundError:
        raise NoStudy(root, "the folder holds no study.toml.", _MAKE_ONE) from None
    tables, not_used, mistakes = _tables(root)
    try:
        study = read_study(root, today=today)
    except StudyError as error:
        raise StudyError([*error.mistakes, *mistakes]) from None
    try:
        book, others = _workbook(root, study, tables)
        tables |= book
        not_used += others
    except StudyError as error:
        mistakes += error.mistakes
    try:
        readings = parse_readings(tables, study)
    except StudyError as error:
        raise StudyError([*error.mistakes, *mistakes]) from None
    if mistakes:
        raise StudyError(mistakes)
    return study, replace(readings, not_used=(*not_used, *readings.not_used))


def read_study(root: Path, *, today: date | None = None) -> Study:
    """The study of a folder without its sheets; StudyError where study.toml cannot stand."""
    text = open_text(root / "study.toml", "study.toml")
    return parse(text, today=today or date.today())  # noqa: DTZ011 - the user's own day


def open_text(path: Path, name: str, *, most: int = LARGEST_FILE) -> str:
    """The text of a file of the study; StudyError where it is no file, too large, unreadable or not UTF-8.

    most  bytes that are read
    """
    return _decoded(_bytes(path, name, most), name)


def _bytes(path: Path, name: str, most: int = LARGEST_FILE) -> bytes:
    try:
        # Opening a pipe would wait for somebody to write; reading a device might never end.
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise StudyError([Mistake(Place(name), "", "", "this is not a file.", "Put a text file in its place.")])
        # What is far too large is not read to find out.
        with path.open("rb") as file:
            data = file.read(most + 1) if found.st_size <= most else b""
    except OSError as error:
        why = f"the file cannot be read ({error.strerror})."
        raise StudyError([Mistake(Place(name), "", "", why)]) from None
    if len(data) > most or found.st_size > most:
        why = f"the file has more than the {most:,} bytes that are read."
        raise StudyError([Mistake(Place(name), "", "", why, "Part it, or leave out what is not needed.")])
    return data


def _decoded(data: bytes, name: str) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data:
        line = data[: data.find(b"\0")].count(b"\n") + 1
        write = 'Save it again as UTF-8 (in a spreadsheet, "CSV UTF-8").'
        why = "the file holds zero bytes, as UTF-16 text and files of other programs do."
        raise StudyError([Mistake(Place(name, line), "", "", why, write)])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8-sig", errors="replace")
        place = Place(name, before.count("\n") + 1, len(before) - before.rfind("\n"))
        why = f"the file is not UTF-8 text: byte {data[error.start]:#04x} means nothing here."
        raise StudyError(
            [Mistake(place, "", "", why, 'Save it again as UTF-8 (in a spreadsheet, "CSV UTF-8").')]
        ) from None


def _tables(root: Path) -> tuple[dict[str, Table], list[NotUsed], list[Mistake]]:
    """Every sheet of the folder that can be read, what is passed over, and what is wrong with the rest."""
    tables: dict[str, Table] = {}
    not_used, mistakes = _strangers(root), []
    sheets: list[tuple[str, Path, str]] = []
    try:
        for name in _listed(root / "readings"):
            if Path(name).suffix.lower() == ".csv":
                sheets.append((Path(name).stem, root / "readings" / name, f"readings/{name}"))
            else:
                reason = "only .csv sheets are read by this version"
                not_used.append(NotUsed(row=f"readings/{visible(name)}", reason=reason))
    except OSError as error:
        why = f"the folder cannot be read ({error.strerror})."
        mistakes.append(Mistake(Place("readings"), "", "", why, "Sheets stand in it, one for each test."))
    if os.path.lexists(root / "readings.csv"):
        if sheets:
            why = "the folder has both readings.csv and sheets in readings/, and a reading must stand in one place."
            mistakes.append(Mistake(Place("readings.csv"), "", "", why, "Keep one of the two."))
        sheets.insert(0, (LONG, root / "readings.csv", "readings.csv"))
    if os.path.lexists(root / PLAN):
        sheets.append((PLAN, root / PLAN, PLAN))
    for test, path, name in sheets:
        try:
            if test in tables:
                why = f"{tables[test].file} is the sheet of this test already."
                raise StudyError([Mistake(Place(name), "", "", why, "Keep one of the two.")])
            tables[test] = read_table(open_text(path, name, most=LARGEST_SHEET), name)
        except StudyError as error:
            mistakes += error.mistakes
    return tables, not_used, mistakes


def _workbook(root: Path, study: Study, sheets: Mapping[str, Table]) -> tuple[dict[str, Table], list[NotUsed]]:
    """The sheets of readings.xlsx: one named for each test, or one long sheet named readings; the rest is not used."""
    if not os.path.lexists(root / WORKBOOK):
        return {}, []
    beside = [table.file for name, table in sheets.items() if name != PLAN]
    if beside:
        also = beside[0]
        why = f"the folder has {also} too, and a reading must stand in one place."
        raise StudyError([Mistake(Place(WORKBOOK), "", "", why, "Keep one of the two.")])
    from evenbench.record.workbook import read_workbook

    uses = {test.id: wide_columns(test) for test in study.tests} | {"readings": long_columns()}
    found = read_workbook(_bytes(root / WORKBOOK, WORKBOOK), WORKBOOK, uses=uses)
    used = {name: table for name, table in found.items() if name in uses and table.columns}
    others = [
        NotUsed(row=visible(table.file), reason=_other_sheet(name, study))
        for name, table in found.items()
        if name not in used
    ]
    return {LONG if name == "readings" else name: table for name, table in used.items()}, others


def _other_sheet(name: str, study: Study) -> str:
    near = next((test.id for test in study.tests if test.id == name.strip().lower()), "")
    if near:
        return f"call it {near}, in small letters, if it is the sheet of that test"
    return "no test of the study has this name"


def _listed(folder: Path) -> list[str]:
    """The names in a folder, without those of programs' own files; none where there is no such folder."""
    if not os.path.lexists(folder):
        return []
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith((".", "~$")))


def _strangers(root: Path) -> list[NotUsed]:
    """Sheets that stand where none is looked for."""
    reason = "sheets are read from the folder readings, as .csv"
    known = ("readings.csv", "observations.csv", PLAN, WORKBOOK)
    strange = [name for name in _listed(root) if Path(name).suffix.lower() in _SHEETS and name not in known]
    return [NotUsed(row=visible(name), reason=reason) for name in strange]
