"""Study folders on disk: whatever stands in them is read, or told in words."""

from __future__ import annotations

import csv
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from evenbench.measure.errors import Correctable
from evenbench.record import folder as folders
from evenbench.record.folder import NoStudy, open_study, study_folder
from evenbench.record.table import MOST_COLUMNS, MOST_ROWS, read_table
from evenbench.study.mistakes import Mistake, StudyError
from evenbench.study.parse import parse
from evenbench.study.readings import LONG, parse_readings
from tests.strategies import SHEETS, STUDY, TODAY, damaged, example_study, study_text

Make = Callable[..., Path]
DEMO = Path(folders.__file__).parents[1] / "demo"
posix_only = pytest.mark.skipif(os.name != "posix", reason="makes links and pipes")


def said(folder: Path) -> list[str]:
    """The messages that a folder brings."""
    with pytest.raises(Correctable) as caught:
        open_study(folder, today=TODAY)
    return str(caught.value).split("\n")


def not_used(folder: Path) -> list[tuple[str, str]]:
    _, readings = open_study(folder, today=TODAY)
    return [(note.row, note.reason) for note in readings.not_used]


# ------------------------------------------------------------------------------------------------ what is understood


def test_a_folder_is_read(folder: Path) -> None:
    study, readings = open_study(folder, today=TODAY)
    assert study == example_study()
    assert len(readings.value) == 27
    assert str(readings.at[0]) == "readings/shower.csv:2"
    assert readings.not_used == ()


def test_the_study_file_stands_for_its_folder(folder: Path) -> None:
    assert study_folder(folder / "study.toml") == study_folder(folder) == folder
    assert open_study(str(folder / "study.toml"), today=TODAY)[0] == open_study(folder, today=TODAY)[0]


@pytest.mark.parametrize(
    "written",
    [
        pytest.param(lambda text: text.replace("\n", "\r\n").encode(), id="lines-of-windows"),
        pytest.param(lambda text: text.encode("utf-8-sig"), id="byte-order-mark"),
        pytest.param(lambda text: text.rstrip("\n").encode(), id="last-line-open"),
    ],
)
def test_how_a_file_is_saved_changes_nothing(make_folder: Make, written: Callable[[str], bytes]) -> None:
    files = {f"readings/{test}.csv": written(sheet) for test, sheet in SHEETS.items()}
    folder = make_folder(**{"study.toml": written(STUDY), **files})
    study, readings = open_study(folder, today=TODAY)
    assert [p.name for p in study.products] == [p.name for p in example_study().products]
    assert len(readings.value) == 27


def test_a_study_without_sheets_is_sound(make_folder: Make) -> None:
    folder = make_folder(**{"readings/shower.csv": None, "readings/vapour.csv": None})
    assert not_used(folder) == []
    (folder / "readings").rmdir()
    assert not_used(folder) == []


def test_a_long_sheet_is_read(make_folder: Make) -> None:
    long = "test,product,reading,value\nvapour,ostrel,before,164.37\n"
    folder = make_folder(**{"readings/shower.csv": None, "readings/vapour.csv": None, "readings.csv": long})
    assert not_used(folder) == [("readings.csv:2: after, stood of vapour, ostrel run 1", "not recorded")]


def test_the_suffix_may_have_capitals(make_folder: Make) -> None:
    folder = make_folder(**{"readings/vapour.csv": None, "readings/vapour.CSV": SHEETS["vapour"]})
    assert len(open_study(folder, today=TODAY)[1].runs) == 9


def test_what_is_passed_over_is_listed(make_folder: Make) -> None:
    """Sheets in other forms and other places are named; what programs keep for themselves is not."""
    names = (
        "vapour.csv",
        "all.xlsx",
        "readings/old.ods",
        "readings/.~lock.x#",
        "readings/~$x.xlsx",
        "a.md",
    )
    folder = make_folder(**dict.fromkeys(names, "x"))
    assert not_used(folder) == [
        ("all.xlsx", "sheets are read from the folder readings, as .csv"),
        ("vapour.csv", "sheets are read from the folder readings, as .csv"),
        ("readings/old.ods", "only .csv sheets are read by this version"),
    ]


# ------------------------------------------------------------------------------------------------------- mistakes


def test_mistakes_of_study_and_sheets_are_reported_together(make_folder: Make) -> None:
    """What is wrong with the shape of a sheet need not wait until the study is right."""
    folder = make_folder(
        **{
            "study.toml": study_text(("uptake = 3", "uptake = -3"), ('"300 mL"', '"300 ml bottle"')),
            "readings/shower.csv": "product,wet,wet\n",
            "readings/vapour.csv": "product,run,run\n",
        }
    )
    assert [line.partition(": ")[0] for line in said(folder)] == [
        "readings/shower.csv:1",
        "readings/vapour.csv:1",
        "study.toml:38:9",
        "study.toml:80:25",
    ]


def test_a_sheet_that_is_too_large_is_told(make_folder: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folders, "LARGEST_SHEET", 30)
    wrong = "the file has more than the 30 bytes that are read. Part it, or leave out what is not needed."
    assert said(make_folder()) == [f"readings/shower.csv: {wrong}", f"readings/vapour.csv: {wrong}"]


def test_a_sheet_that_cannot_be_read_hides_no_other(make_folder: Make) -> None:
    folder = make_folder(
        **{"readings/shower.csv": b"\xff\xfe\0", "readings/vapour.csv": SHEETS["vapour"].replace("1441", "a day")}
    )
    assert [line.partition(": ")[0] for line in said(folder)] == ["readings/shower.csv:1", "readings/vapour.csv:3"]


UTF_8 = 'Save it again as UTF-8 (in a spreadsheet, "CSV UTF-8").'
ZEROS = "the file holds zero bytes, as UTF-16 text and files of other programs do."
FILES = [
    pytest.param("study.toml", STUDY.encode("utf-16"), f"study.toml:1: {ZEROS} {UTF_8}", id="utf-16"),
    pytest.param("study.toml", STUDY.encode("utf-16-le"), f"study.toml:1: {ZEROS} {UTF_8}", id="utf-16-without-mark"),
    pytest.param(
        "study.toml",
        study_text(('"Garvel Soap"', '"Garvel Soäp"')).encode("latin-1"),
        f"study.toml:50:19: the file is not UTF-8 text: byte 0xe4 means nothing here. {UTF_8}",
        id="latin-1",
    ),
    pytest.param(
        "readings/shower.csv",
        SHEETS["shower"].replace("drops", "Tröpfchen").encode("latin-1"),
        f"readings/shower.csv:6:34: the file is not UTF-8 text: byte 0xf6 means nothing here. {UTF_8}",
        id="latin-1-sheet",
    ),
    pytest.param(
        "study.toml",
        b"x" * (folders.LARGEST_FILE + 1),
        "study.toml: the file has more than the 20,000,000 bytes that are read. "
        "Part it, or leave out what is not needed.",
        id="huge",
    ),
    pytest.param(
        "readings/showr.csv",
        SHEETS["shower"],
        "readings/showr.csv: sheet: 'showr': the study has no such test. Did you mean 'shower'? Known: shower, vapour.",
        id="sheet-of-no-test",
    ),
    pytest.param(
        "readings/shower.CSV",
        SHEETS["shower"],
        "readings/shower.csv: readings/shower.CSV is the sheet of this test already. Keep one of the two.",
        id="two-sheets-of-one-test",
    ),
    pytest.param(
        "readings.csv",
        "test,product,reading,value\n",
        "readings.csv: the folder has both readings.csv and sheets in readings/, "
        "and a reading must stand in one place. Keep one of the two.",
        id="long-and-wide",
    ),
    pytest.param(
        "readings/e\x1b[31mvil.csv",
        SHEETS["shower"],
        r"readings/e\x1b[31mvil.csv: sheet: 'e\x1b[31mvil': the study has no such test. Known: shower, vapour.",
        id="name-that-a-terminal-obeys",
        marks=posix_only,
    ),
]


@pytest.mark.parametrize(("name", "data", "message"), FILES)
def test_a_file_that_cannot_stand_is_told(make_folder: Make, name: str, data: str | bytes, message: str) -> None:
    assert said(make_folder(**{name: data})) == [message]


NO_FOLDER = "there is no such folder. Name a study folder, or make one with: evenbench start FOLDER"
NO_FILE = "the folder holds no study.toml. Name a study folder, or make one with: evenbench start FOLDER"


def test_where_there_is_no_study(tmp_path: Path, make_folder: Make) -> None:
    folder = make_folder(**{"study.toml": None})
    assert said(tmp_path / "nowhere") == [f"{tmp_path / 'nowhere'}: {NO_FOLDER}"]
    assert said(folder) == [f"{folder}: {NO_FILE}"]
    sheet = folder / "readings" / "shower.csv"
    assert said(sheet) == [f"{sheet}: this is not a folder. Name the folder that holds study.toml."]


def test_no_study_carries_its_parts(tmp_path: Path) -> None:
    with pytest.raises(NoStudy) as caught:
        study_folder(tmp_path / "a\x1b[31m")
    assert caught.value.folder == tmp_path / "a\x1b[31m"
    assert f"{caught.value.why} {caught.value.write}" == NO_FOLDER
    assert "\x1b" not in str(caught.value)


# ------------------------------------------------------------------------------------------- what only looks like files


def test_a_folder_in_place_of_a_file_is_told(make_folder: Make) -> None:
    folder = make_folder(**{"study.toml": None, "readings/vapour.csv": None})
    (folder / "study.toml").mkdir()
    (folder / "readings" / "vapour.csv").mkdir()
    what = "this is not a file. Put a text file in its place."
    assert said(folder) == [f"readings/vapour.csv: {what}", f"study.toml: {what}"]


def test_a_file_in_place_of_the_folder_is_told(make_folder: Make) -> None:
    folder = make_folder(**{"readings/shower.csv": None, "readings/vapour.csv": None})
    (folder / "readings").rmdir()
    (folder / "readings").write_text("x")
    (message,) = said(folder)
    assert message.startswith("readings: the folder cannot be read (")


@posix_only
@pytest.mark.timeout(10)
def test_links_pipes_and_devices_are_told(make_folder: Make) -> None:
    """Nothing waits for a pipe that nobody writes to, and nothing reads a device that never ends."""
    folder = make_folder(**{"readings/shower.csv": None, "readings/vapour.csv": None})
    os.mkfifo(folder / "readings" / "pipe.csv")
    (folder / "readings" / "endless.csv").symlink_to("/dev/zero")
    (folder / "readings" / "nowhere.csv").symlink_to("missing")
    (folder / "readings" / "circle.csv").symlink_to("circle.csv")
    assert said(folder) == [
        "readings/circle.csv: the file cannot be read (Too many levels of symbolic links).",
        "readings/endless.csv: this is not a file. Put a text file in its place.",
        "readings/nowhere.csv: the file cannot be read (No such file or directory).",
        "readings/pipe.csv: this is not a file. Put a text file in its place.",
    ]


@posix_only
def test_a_study_that_leads_nowhere_is_told(make_folder: Make) -> None:
    folder = make_folder(**{"study.toml": None})
    (folder / "study.toml").symlink_to("missing")
    assert said(folder) == ["study.toml: the file cannot be read (No such file or directory)."]


@posix_only
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="nothing is forbidden to root")
def test_what_may_not_be_read_is_told(folder: Path) -> None:
    (folder / "readings" / "vapour.csv").chmod(0)
    assert said(folder) == ["readings/vapour.csv: the file cannot be read (Permission denied)."]


# ------------------------------------------------------------------------------------------------- the rows of a sheet

MOVED = "Write numbers with a decimal point, and put quotes round a note that has a comma."
TABLES = [
    pytest.param("", "s.csv: the sheet is empty. Its first line names the columns: product, run and the readings."),
    pytest.param(
        "product,wet,wet\n",
        "s.csv:1: header: 'wet': two columns have this name. "
        "Rename one; the second reading of a run stands in a column such as wet.2.",
    ),
    pytest.param(
        "product,,wet\na,b,c\n",
        "s.csv:1: header: column 2 holds cells and has no name. Name it; where cells were merged, unmerge them.",
    ),
    pytest.param("product,wet\na,2,5\n", f"s.csv:2: row: the row has 3 cells, and the header names 2. {MOVED}"),
    # Were the empty cell at the end let pass, 2,5 would be read as a wet of 2 and a note of 5.
    pytest.param("product,wet,note\na,2,5,\n", f"s.csv:2: row: the row has 4 cells, and the header names 3. {MOVED}"),
    pytest.param(
        "product;wet;note\na;2;5;x\n",
        "s.csv:2: row: the row has 4 cells, and the header names 3. Put quotes round a note that has a semicolon.",
    ),
    pytest.param(
        "Shower, first day\n\nproduct,wet\na,2\n",
        "s.csv:1: header: line 3 looks like the header, and something stands above it. Delete the lines above it.",
    ),
    pytest.param('product,note\na,"oh\nb,c\n', "s.csv:2: a quote that opens in this row is never closed. Close it."),
    pytest.param(
        'product,note\na,"a 2" hose"\n',
        's.csv:2: something stands after a closing quote. A quote within quotes is doubled: "a 2"" hose".',
    ),
    pytest.param(
        f'product,note\na,"{"x" * 140_000}"\n',
        "s.csv:2: a cell of this row has more than 131,072 characters. Look for an open quote.",
    ),
    pytest.param(
        "product,note\na,\x1b[2Jb\n",
        r"s.csv:2: cell: '\x1b[2Jb': it holds '\x1b', which cannot be shown. Take it out.",
    ),
    pytest.param(
        "product,\u202enote\na,b\n",
        r"s.csv:1: cell: '\u202enote': it holds '\u202e' (right-to-left override), which cannot be shown. "
        "Take it out.",
    ),
    pytest.param(
        "product" + ",x" * MOST_COLUMNS + "\n",
        "s.csv:1: header: the sheet has more than 500 columns. Take some out.",
    ),
    pytest.param(
        "product\n" + "a\n" * (MOST_ROWS + 1),
        "s.csv: the sheet has more than 2,000,000 rows. Part it, or leave out what is not needed.",
    ),
]


@pytest.mark.parametrize(("text", "message"), TABLES)
def test_a_sheet_of_the_wrong_shape_is_told(text: str, message: str) -> None:
    with pytest.raises(StudyError) as caught:
        read_table(text, "s.csv")
    assert str(caught.value) == message


def test_every_row_of_the_wrong_shape_is_told() -> None:
    with pytest.raises(StudyError) as caught:
        read_table("product,wet\na,2,5\nb,2\nc,2,6\n", "s.csv")
    assert [mistake.at.line for mistake in caught.value.mistakes] == [2, 4]


SAME = [
    pytest.param("product,wet,note\na,1,\nb,2,x\n", id="plain"),
    pytest.param("product,wet,note\r\na,1,\r\nb,2,x\r\n", id="lines-of-windows"),
    pytest.param("product,wet,note\ra,1,\rb,2,x\r", id="lines-of-old"),
    pytest.param("product,wet,note\na,1\nb,2,x\n", id="empty-cells-at-the-end-left-out"),
    pytest.param('"product","wet","note"\n"a","1",""\n"b","2","x"\n', id="quotes"),
    pytest.param(" product , wet,note\na , 1,\nb,2\u00a0, x\n", id="spaces"),
    pytest.param("product;wet;note\na;1;\nb;2;x\n", id="semicolons"),
    pytest.param("product\twet\tnote\na\t1\t\nb\t2\tx\n", id="tabs"),
    pytest.param("sep=;\nproduct;wet;note\na;1;\nb;2;x\n", id="separator-stated"),
    pytest.param("product,wet,note,,\na,1,,,\nb,2,x,,\n", id="columns-of-nothing"),
]


@pytest.mark.parametrize("text", SAME)
def test_a_sheet_says_the_same_however_it_was_saved(text: str) -> None:
    table = read_table(text, "s.csv")
    assert table.columns == ("product", "wet", "note")
    cells = [{column: cell for column, cell in row.items() if cell} for _, row in table.rows]
    assert cells == [{"product": "a", "wet": "1"}, {"product": "b", "wet": "2", "note": "x"}]


def test_lines_are_counted_as_in_an_editor() -> None:
    """Blank lines and notes of two lines move nothing."""
    table = read_table('\nproduct,note\n\na,"one\r\ntwo"\n,\nb,\n', "s.csv")
    assert table.header == 2
    assert [(line, row["product"]) for line, row in table.rows] == [(4, "a"), (7, "b")]
    assert table.rows[0][1]["note"] == "one\ntwo"


# ------------------------------------------------------------------------------------------------------ slips of hand


def mistakes(read: Callable[[], object]) -> tuple[Mistake, ...]:
    """The mistakes that reading brings; none where all is well."""
    try:
        read()
    except StudyError as error:
        found = error.mistakes
    else:
        return ()
    assert found, "an error without a mistake tells nobody anything"
    return found


@pytest.mark.parametrize("seed", range(8))
def test_a_slip_in_a_sheet_is_understood_or_told(seed: int) -> None:
    """A damaged sheet is read or refused with its mistakes; nothing else happens."""
    random_, study = random.Random(seed), example_study()
    for _ in range(20):
        for test, sheet in SHEETS.items():
            for name, text in ((test, damaged(sheet, random_)), (LONG, damaged(sheet, random_))):
                mistakes(lambda name=name, text=text: parse_readings({name: read_table(text, "s.csv")}, study))  # type: ignore[misc]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 130))
def test_a_slip_anywhere_is_understood_or_told(make_folder: Make, seed: int) -> None:
    random_ = random.Random(seed)
    folder = make_folder()
    for _ in range(100):
        for name in ("study.toml", "readings/shower.csv", "readings/vapour.csv"):
            text = STUDY if name == "study.toml" else SHEETS[Path(name).stem]
            (folder / name).write_bytes(damaged(text, random_).encode("utf-8", errors="surrogatepass"))
        for mistake in mistakes(lambda: open_study(folder, today=TODAY)):
            assert str(mistake).isprintable()


def test_the_slips_do_damage() -> None:
    """Most damaged studies are refused, so that the tests above see both ends."""
    random_ = random.Random(0)
    refused = sum(bool(mistakes(lambda: parse(damaged(STUDY, random_), today=TODAY))) for _ in range(60))
    assert 20 < refused < 60


# ---------------------------------------------------------------------------------------------------- workbooks


def as_workbook(folder: Path, **extra: list[list[str | float | None]]) -> None:
    """The folder's sheets moved into readings.xlsx, numbers as numbers, with some sheets more."""
    from evenbench.record.workbook import write_workbook

    sheets: dict[str, list[list[str | float | None]]] = {}
    for path in sorted((folder / "readings").glob("*.csv")):
        rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
        sheets[path.stem] = [[_typed(cell) for cell in row] for row in rows]
        path.unlink()
    (folder / "readings.xlsx").write_bytes(write_workbook({**sheets, **extra}))


def _typed(cell: str) -> str | float | None:
    try:
        return float(cell)
    except ValueError:
        return cell or None


def test_a_workbook_reads_as_its_sheets_do(tmp_path: Path) -> None:
    """The demo typed into a spreadsheet gives the same figures as its CSV sheets."""
    shutil.copytree(DEMO, tmp_path / "demo")
    _, from_csv = open_study(tmp_path / "demo", today=TODAY)
    as_workbook(tmp_path / "demo", scratch=[["mean", 3.0]])
    _, from_book = open_study(tmp_path / "demo", today=TODAY)
    assert from_book.low.tolist() == from_csv.low.tolist()
    assert [str(run) for run in from_book.runs] == [str(run) for run in from_csv.runs]
    assert from_book.not_used[0].row == "readings.xlsx, sheet scratch"
    assert str(from_book.at[0]) == "readings.xlsx, sheet shower:2"


def test_a_workbook_beside_sheets_is_a_mistake(tmp_path: Path) -> None:
    """A reading stands in one place."""
    shutil.copytree(DEMO, tmp_path / "demo")
    as_workbook(tmp_path / "demo")
    (tmp_path / "demo" / "readings" / "shower.csv").write_text("product\n", encoding="utf-8")
    with pytest.raises(StudyError, match=r"readings.xlsx: the folder has readings/shower.csv too"):
        open_study(tmp_path / "demo", today=TODAY)


def test_a_damaged_workbook_is_told(tmp_path: Path) -> None:
    """Bytes that are no workbook give a message, not a traceback."""
    shutil.copytree(DEMO, tmp_path / "demo")
    as_workbook(tmp_path / "demo")
    (tmp_path / "demo" / "readings.xlsx").write_bytes(b"PK not a workbook")
    with pytest.raises(StudyError, match=r"readings.xlsx: the workbook cannot be read|readings.xlsx: "):
        open_study(tmp_path / "demo", today=TODAY)
