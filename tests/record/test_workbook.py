"""Workbooks: what a spreadsheet shows is what is read, and whatever else stands in a file is told in words."""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from xlsxwriter import Workbook  # type: ignore[import-untyped]

from evenbench.record import xlsx
from evenbench.record.workbook import read_workbook, write_workbook
from evenbench.study.cells import number
from evenbench.study.dialect import Refusal, dialect_of, plain_number
from evenbench.study.mistakes import StudyError, obeyed
from evenbench.study.readings import parse_readings
from tests.strategies import SHEETS, example_readings, example_study

SHEET, BOOK = "xl/worksheets/sheet1.xml", "xl/workbook.xml"
HEADER = ["product", "run", "wet", "note"]
Line = Sequence[str | float | None]
CALCULATED = (BOOK, ' fullCalcOnLoad="1"', "")  # as a spreadsheet leaves it, having worked the formulas out


def made(fill: Callable[[Any, Any], None], *changes: tuple[str, str, str]) -> bytes:
    """A workbook whose sheet `shower` is filled by a function of workbook and sheet, changed as `edited` does."""
    out = io.BytesIO()
    book = Workbook(out, {"in_memory": True})
    sheet = book.add_worksheet("shower")
    sheet.write_row(0, 0, HEADER)
    fill(book, sheet)
    book.close()
    return edited(out.getvalue(), *changes)


def edited(data: bytes, *changes: tuple[str, str, str]) -> bytes:
    """A workbook with each (part, old, new) of the changes made in the text of the part."""
    parts = unpacked(data)
    for part, old, new in changes:
        text = parts[part].decode()
        assert old in text, f"{part} does not hold {old!r}"
        parts[part] = text.replace(old, new, 1).encode()
    return packed(parts)


def unpacked(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        return {name: package.read(name) for name in package.namelist()}


def packed(parts: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in parts.items():
            package.writestr(name, data)
    return out.getvalue()


def one_row(cell: str) -> bytes:
    """A workbook whose only run has, in the column `wet`, a cell of this XML."""
    plain = made(lambda _, sheet: sheet.write_row(1, 0, ["ostrel", 1, 61.2]))
    return edited(plain, CALCULATED, (SHEET, '<c r="C2"><v>61.2</v></c>', cell))


def read(data: bytes, **uses: list[str]) -> list[list[str]]:
    """The cells of the sheet `shower`, a list a row."""
    found = read_workbook(data, "readings.xlsx", uses=uses or None)["shower"]
    return [list(row.values()) for _, row in found.rows]


def said(data: bytes, **uses: list[str]) -> list[str]:
    """The messages that a workbook brings."""
    with pytest.raises(StudyError) as caught:
        read_workbook(data, "readings.xlsx", uses=uses or None)
    return str(caught.value).split("\n")


# ------------------------------------------------------------------------------------------------ what is understood


def test_a_workbook_holds_the_sheets_of_a_study() -> None:
    """The small study gives the same readings from a workbook as from its CSV sheets."""
    sheets: dict[str, list[Line]] = {}
    for test, sheet in SHEETS.items():
        header, *lines = [line.split(",") for line in sheet.splitlines()]
        sheets[test] = [
            [*header],
            *([cell if number(cell) is None else float(cell) for cell in line] for line in lines),
        ]
    tables = read_workbook(write_workbook(sheets), "readings.xlsx")
    study = example_study()
    found, expected = parse_readings(tables, study), example_readings(study)
    assert [run.product for run in found.runs] == [run.product for run in expected.runs]
    assert found.value.tolist() == expected.value.tolist()
    assert {str(at).rpartition(":")[0] for at in found.at} == {f"readings.xlsx, sheet {test}" for test in SHEETS}


def test_a_table_knows_its_place() -> None:
    """Rows count as in the spreadsheet, empty ones too, and the table may stand anywhere on the sheet."""
    cells: list[Line] = [[None], [None, "product", "wet"], [], [None, "ostrel", 61.2]]
    found = read_workbook(write_workbook({"shower": cells}), "readings.xlsx")["shower"]
    assert found.file == "readings.xlsx, sheet shower"
    assert (found.header, found.columns) == (2, ("product", "wet"))
    assert found.rows == ((4, {"product": "ostrel", "wet": "61.2"}),)


VALUES = [
    pytest.param(12.4, "12.4", id="decimal"),
    pytest.param(3.0, "3", id="whole"),
    pytest.param(-0.5, "-0.5", id="negative"),
    pytest.param(0.1 + 0.2, "0.30000000000000004", id="seventeen-digits"),
    pytest.param(1e22, "1e+22", id="large"),
    pytest.param(" Ostrel\u00a0", "Ostrel", id="spaces-around"),
    pytest.param("two\r\nlines", "two\nlines", id="line-ends"),
    pytest.param("12,4", "12,4", id="number-as-text"),
    pytest.param("_x0041_", "_x0041_", id="looks-escaped"),
]


@pytest.mark.parametrize(("value", "text"), VALUES)
def test_a_value_comes_as_text(value: str | float, text: str) -> None:
    assert read(write_workbook({"shower": [["product"], [value]]})) == [[text]]


TYPED = [
    pytest.param(True, "", "TRUE", id="yes"),
    pytest.param(date(2026, 5, 3), "dd.mm.yyyy", "2026-05-03", id="date"),
    pytest.param(datetime(2026, 5, 3, 6, 30), "dd.mm. hh:mm", "2026-05-03T06:30:00", id="moment"),  # noqa: DTZ001
    pytest.param(time(0, 1, 23, 500000), "hh:mm:ss.0", "00:01:23.5", id="time"),
    pytest.param(timedelta(hours=36, seconds=5), "[h]:mm:ss", "36:00:05", id="duration"),
    pytest.param(0.124, "0.0%", "12.4 %", id="percent"),
    pytest.param(0.07, "0%", "7 %", id="percent-of-few-digits"),
    pytest.param(-0.5, "0%;[Red]-0%", "-50 %", id="percent-in-red"),
    pytest.param(12.4, '0.0" %"', "12.4", id="percent-sign-as-text"),
    pytest.param(12.4, "0.0\\%", "12.4", id="percent-sign-escaped"),
    pytest.param(12.4, '0.0" mm"', "12.4", id="letters-as-text"),
]


@pytest.mark.parametrize(("value", "shown", "text"), TYPED)
def test_a_typed_value_comes_as_it_is_shown(value: Any, shown: str, text: str) -> None:
    def fill(book: Any, sheet: Any) -> None:
        sheet.write(1, 0, "ostrel")
        sheet.write(1, 2, value, book.add_format({"num_format": shown}) if shown else None)

    assert read(made(fill)) == [["ostrel", "", text, ""]]


@pytest.mark.parametrize("shown", ["d.m", "mmm yy", "yyyy-mm-dd hh:mm"])
def test_what_became_a_date_is_no_number(shown: str) -> None:
    """3.5 typed where a spreadsheet takes it for the third of May is refused, whatever the date looks like."""

    def fill(book: Any, sheet: Any) -> None:
        sheet.write_datetime(1, 2, datetime(2026, 5, 3), book.add_format({"num_format": shown}))  # noqa: DTZ001
        sheet.write(1, 0, "ostrel")

    [[_, _, cell, _]] = read(made(fill))
    assert number(cell) is None
    refusal = plain_number(cell, dialect_of(","))
    assert isinstance(refusal, Refusal)
    assert refusal.why == "the spreadsheet turned this into a date: 2026-05-03."


def test_dates_count_from_1904_where_the_workbook_says_so() -> None:
    def fill(book: Any, sheet: Any) -> None:
        sheet.write_row(1, 0, ["ostrel", 1])
        sheet.write_number(1, 3, 44683, book.add_format({"num_format": "yyyy-mm-dd"}))

    # 1904-01-01 and 44,683 days: 122 years, 30 of them with a leap day, and 122 days on.
    assert date(1904, 1, 1) + timedelta(days=44683) == date(2026, 5, 3)
    assert read(made(fill, (BOOK, "<workbookPr ", '<workbookPr date1904="1" ')))[0][3] == "2026-05-03"


# As Excel writes a sheet: attributes of other namespaces, a shared formula, a formula whose result is no text at all.
EXCEL = """<?xml version="1.0" encoding="UTF-8" standalone="yes"?>
<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"
 xmlns:mc="http://schemas.openxmlformats.org/markup-compatibility/2006" mc:Ignorable="x14ac"
 xmlns:x14ac="http://schemas.microsoft.com/office/spreadsheetml/2009/9/ac"><dimension ref="A1:XFD1048576"/>
<cols><col min="1" max="1" width="12" customWidth="1"/></cols><sheetData>
<row r="1" spans="1:4" x14ac:dyDescent="0.25"><c r="A1" t="s"><v>0</v></c><c r="B1" t="s"><v>1</v></c>
<c r="C1" t="s"><v>2</v></c><c r="D1" t="s"><v>3</v></c></row>
<row r="2" spans="1:4" x14ac:dyDescent="0.25"><c r="A2" t="inlineStr"><is><r><t>ost</t></r><r><t>rel</t></r></is></c>
<c r="B2"><v>1</v></c><c r="C2"><f t="shared" ref="C2:C3" si="0">B2*61.2</f><v>61.2</v></c>
<c r="D2" t="str"><f>IF(B2=1,"",0)</f><v></v></c></row>
<row r="3" spans="1:4"><c r="A3" t="inlineStr"><is><t>a &amp; b</t></is></c><c r="B3"><v>2</v></c>
<c r="C3"><f t="shared" si="0"/><v>122.40000000000001</v></c><c r="D3" t="str"><f>A3</f><v>a &amp; b</v></c></row>
<row r="1048576"><c r="XFD1048576" s="0"/></row>
</sheetData><extLst><ext><x:row xmlns:x="urn:x"><x:c/></x:row></ext></extLst></worksheet>"""


def test_a_sheet_is_read_as_excel_writes_it() -> None:
    parts = unpacked(made(lambda *_: None, CALCULATED)) | {SHEET: EXCEL.encode()}
    assert read(packed(parts)) == [["ostrel", "1", "61.2", ""], ["a & b", "2", "122.4", "a & b"]]


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda xml: re.sub(' r="[A-Z]*[0-9]+"', "", xml), id="cells-without-names"),
        pytest.param(lambda xml: re.sub(r"<(/?)(?=[a-z])", r"<\1x:", xml).replace("xmlns=", "xmlns:x="), id="prefix"),
        pytest.param(lambda xml: xml.replace("A1:C2", "A1:XFD1048576"), id="declared-huge"),
        pytest.param(lambda xml: xml.replace("<v>61.2</v>", "<v>6.1200000000000003E1</v>"), id="all-digits"),
    ],
)
def test_how_a_program_writes_a_sheet_changes_nothing(change: Callable[[str], str]) -> None:
    plain = unpacked(write_workbook({"shower": [["product", "run", "wet"], ["ostrel", 1, 61.2]]}))
    plain[SHEET] = change(plain[SHEET].decode()).encode()
    assert read(packed(plain)) == [["ostrel", "1", "61.2"]]


def test_parts_may_lie_and_be_named_otherwise() -> None:
    parts = unpacked(write_workbook({"shower": [["product", "wet"], ["ostrel", 61.2]]}))
    rels = "xl/_rels/workbook.xml.rels"
    parts[rels] = parts[rels].replace(b"worksheets/sheet1.xml", b"/Data/../data/One.XML")
    parts["data/one.xml"] = parts.pop(SHEET)
    assert read(packed(parts)) == [["ostrel", "61.2"]]


# --------------------------------------------------------------------------------------------------- sheets not used


def several(hide: str = "") -> bytes:
    out = io.BytesIO()
    book = Workbook(out, {"in_memory": True})
    for name in ("shower", "my sums", "Sheet3"):
        sheet = book.add_worksheet(name)
        if name == hide:
            sheet.hide()
        if name == "shower":
            sheet.write_row(0, 0, ["product", "wet"])
            sheet.write_row(1, 0, ["ostrel", 61.2])
        elif name == "my sums":
            sheet.merge_range(0, 0, 0, 3, "Sums")
            sheet.write_formula(1, 1, "=1/0", value="#DIV/0!")
    chart = book.add_chart({"type": "line"})
    chart.add_series({"values": "=shower!$B$2:$B$2"})
    book.add_chartsheet("picture").set_chart(chart)
    book.get_worksheet_by_name("my sums").activate()
    book.close()
    return out.getvalue()


def test_sheets_that_are_not_used_are_listed_and_do_no_harm() -> None:
    tables = read_workbook(several(), "readings.xlsx", uses={"shower": ["product", "wet"]})
    assert [(name, len(table.rows)) for name, table in tables.items()] == [("shower", 1), ("my sums", 0), ("Sheet3", 0)]


def test_a_hidden_sheet_is_listed_as_one() -> None:
    tables = read_workbook(several("Sheet3"), "readings.xlsx", uses={"shower": []})
    assert tables["Sheet3"].file == "readings.xlsx, hidden sheet Sheet3"
    tables = read_workbook(edited(several("Sheet3"), (BOOK, '"hidden"', '"veryHidden"')), "r.xlsx", uses={"shower": []})
    assert tables["Sheet3"].file == "r.xlsx, hidden sheet Sheet3"


def test_a_hidden_sheet_of_a_test_is_refused() -> None:
    data = edited(several("Sheet3"), (BOOK, 'name="Sheet3"', 'name="vapour"'))
    assert said(data, shower=[], vapour=[]) == [
        "readings.xlsx, hidden sheet vapour: the sheet is hidden. Show it, or delete it."
    ]
    assert read_workbook(data, "readings.xlsx", uses={"shower": []})["vapour"].rows == ()


FIRST_ROW = "Its first row names the columns: product, run and the readings."


def test_an_empty_sheet_is_a_mistake_only_where_it_is_used() -> None:
    data = write_workbook({"shower": [], "Sheet2": []})
    assert {name: table.columns for name, table in read_workbook(data, "readings.xlsx").items()} == {
        "shower": (),
        "Sheet2": (),
    }
    assert said(data, shower=["wet"]) == [f"readings.xlsx, sheet shower: the sheet is empty. {FIRST_ROW}"]


# ---------------------------------------------------------------------------------- what people add for the eye


def laid_out(*lines: Line) -> bytes:
    return write_workbook({"shower": lines})


LAYOUTS = [
    pytest.param(
        laid_out(["Shower, May"], ["product", "wet"], ["ostrel", 61.2]),
        ":1: header: row 2 looks like the header, and something stands above it. Delete the rows above it.",
        id="title",
    ),
    pytest.param(
        laid_out(["", "mass", "mass"], ["product", "dry", "wet"], ["ostrel", 50.0, 61.2]),
        ":1: header: row 2 looks like the header, and something stands above it. Delete the rows above it.",
        id="groups-above",
    ),
    pytest.param(
        laid_out(["product", "wet", "dry"], ["", "g", "g"], ["ostrel", 61.2, 50.0]),
        ":2: row: 'g g': this looks like a second header row. Keep one row of names, and delete the other.",
        id="units-below",
    ),
    pytest.param(
        laid_out(["product", "wet"], ["ostrel", 61.2], ["product", "wet"], ["ostrel", 60.8]),
        ":3: product: 'product': the header stands here again. Delete the row.",
        id="header-again",
    ),
    pytest.param(
        laid_out(["product", "wet", "wet"], ["ostrel", 61.2, 60.8]),
        ":1: header: 'wet': two columns have this name. "
        "Rename one; the second reading of a run stands in a column such as wet.2.",
        id="same-name",
    ),
    pytest.param(
        laid_out(["product", "wet"], ["ostrel", 61.2, None, None, "see Ann"]),
        ":1: header: cell E2 holds something, and its column has no name. Name the column, or clear it.",
        id="beside",
    ),
    pytest.param(
        laid_out(["product", "wet"], ["ostrel", 61.2], ["", 61.2]),
        ":3: product: the row names no product. Name its product, or delete the row if it holds totals.",
        id="no-product",
    ),
    pytest.param(
        laid_out(["product", "wet"], ["ostrel", 61.2], ["no\x1b[31mne", 61.2]),
        r":3: product: 'no\x1b[31mne': it holds '\x1b', which cannot be shown. Take it out.",
        id="not-shown",
    ),
]


@pytest.mark.parametrize(("data", "message"), LAYOUTS)
def test_what_is_no_plain_table_is_refused(data: bytes, message: str) -> None:
    assert said(data) == [f"readings.xlsx, sheet shower{message}"]


WORKED_OUT = "Delete the row; the program works them out."


@pytest.mark.parametrize("word", ["Total", "mean", "Average:", "SUM", "grand total"])
def test_a_row_of_totals_is_refused(word: str) -> None:
    data = laid_out(["product", "wet"], ["ostrel", 61.2], [word, 61.2])
    assert said(data) == [
        f"readings.xlsx, sheet shower:3: product: '{word}': this is a row of totals, and no run. {WORKED_OUT}"
    ]


def test_a_long_sheet_may_leave_the_product_of_a_shared_reading_empty() -> None:
    lines: list[Line] = [["test", "product", "block", "reading", "value"], ["shower", "", "1", "air", 20.5]]
    assert read(write_workbook({"shower": lines})) == [["shower", "", "1", "air", "20.5"]]


def test_a_remark_alone_in_a_row_is_left_to_the_readings() -> None:
    assert read(laid_out(["product", "note"], ["", "rain on day 2"])) == [["", "rain on day 2"]]


MERGED = [
    pytest.param(
        (0, 1, 0, 2),
        ":1: header: cells B1:C1 are merged. Unmerge them, and give each column a name of its own in one row.",
        id="header",
    ),
    pytest.param(
        (1, 0, 2, 0),
        ":2: product: cells A2:A3 are merged, and only the first can hold a value. Unmerge them, and fill in each.",
        id="rows",
    ),
]


@pytest.mark.parametrize(("where", "message"), MERGED)
def test_merged_cells_are_refused(where: tuple[int, int, int, int], message: str) -> None:
    def fill(_: Any, sheet: Any) -> None:
        for line in (1, 2):
            sheet.write_row(line, 0, ["ostrel", line, 61.2])
        sheet.merge_range(*where, "product")
        sheet.write_row(2, 0, ["ostrel"])  # a value under the merged cells, so that this is the only mistake
        sheet.write(1, 0, "ostrel")

    assert said(made(fill)) == [f"readings.xlsx, sheet shower{message}"]


def test_merged_cells_away_from_the_table_do_no_harm() -> None:
    def fill(_: Any, sheet: Any) -> None:
        sheet.write_row(1, 0, ["ostrel", 1, 61.2])
        sheet.merge_range(8, 0, 9, 3, "")

    assert read(made(fill)) == [["ostrel", "1", "61.2", ""]]


# ------------------------------------------------------------------------------------------- cells without a value


def with_one_formula(_: Any, sheet: Any) -> None:
    sheet.write_row(1, 0, ["ostrel", 1])
    sheet.write_formula(1, 2, "=60+1.2", value=61.2)
    sheet.write_row(2, 0, ["ostrel", 2, 60.8])


def with_formulas(book: Any, sheet: Any) -> None:
    with_one_formula(book, sheet)
    sheet.write_formula(2, 2, "=1/0", value="#DIV/0!")


def test_a_formula_counts_as_the_value_it_had() -> None:
    data = made(with_one_formula, CALCULATED)
    assert read(data) == [["ostrel", "1", "61.2", ""], ["ostrel", "2", "60.8", ""]]


ERRORS = ["#GETTING_DATA", "#DIV/0!", "#N/A", "#REF!", "#VALUE!", "#NAME?", "#SPILL!", "#CALC!"]


@pytest.mark.parametrize("error", ERRORS)
def test_an_error_is_refused_with_its_place(error: str) -> None:
    data = edited(made(with_formulas, CALCULATED), (SHEET, "#DIV/0!", error))
    message = (
        f"readings.xlsx, sheet shower:3: wet: '{error}': the spreadsheet shows an error here. "
        "Mend its formula, or leave the cell empty with a note."
    )
    assert said(data) == [message]
    assert said(data, shower=["product", "wet"]) == [message]


def test_an_error_in_a_column_that_is_not_read_does_no_harm() -> None:
    assert read(made(with_formulas, CALCULATED), shower=["product", "run"])[1] == ["ostrel", "2", "#DIV/0!", ""]


def test_a_column_is_known_with_its_unit() -> None:
    data = edited(made(with_formulas, CALCULATED), ("xl/sharedStrings.xml", "<t>wet</t>", "<t>wet (g)</t>"))
    assert "sheet shower:3: wet (g): '#DIV/0!'" in said(data, shower=["wet"])[0]


FORMULA = (
    "this formula without a value that a spreadsheet worked out. "
    "Open the workbook in a spreadsheet program and save it again, or type the value."
)


@pytest.mark.parametrize("value", ["<v></v>", "<v/>", ""])
def test_a_formula_that_was_never_worked_out_is_refused(value: str) -> None:
    data = edited(made(with_formulas, CALCULATED), (SHEET, "<v>61.2</v>", value), (SHEET, "#DIV/0!", "#N/A"))
    assert said(data)[0] == f"readings.xlsx, sheet shower:2: wet: '=60+1.2': the workbook holds {FORMULA}"


def test_formulas_of_a_program_that_works_none_out_are_refused() -> None:
    """Such programs write 0 in place of the value, and an order to work it out when the file is opened."""
    data = made(with_one_formula)
    assert said(data) == [f"readings.xlsx, sheet shower:2: wet: '=60+1.2': the workbook holds {FORMULA}"]


# ---------------------------------------------------------------------------------------------- files that are none

SOUND = write_workbook({"shower": [["product", "run", "wet"], ["ostrel", 1, 61.2]]})
AGAIN = "Open it in a spreadsheet program and save it again as .xlsx."

NO_WORKBOOK = [
    pytest.param(b"", "the file is empty. Save the workbook again, or delete the file.", id="empty"),
    pytest.param(
        b"product,run\n",
        "this is not a workbook of the format .xlsx. "
        "Save it as .xlsx, or where it holds plain text, give it a name that ends in .csv.",
        id="text",
    ),
    pytest.param(
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
        f"this is a workbook of the old format .xls, whatever its name says. {AGAIN}",
        id="xls",
    ),
    pytest.param(
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600) + "EncryptedPackage".encode("utf-16-le"),
        "the workbook is locked with a password. Save it without one.",
        id="password",
    ),
    pytest.param(
        packed({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet", "content.xml": b"<a/>"}),
        f"this is a workbook of the format .ods. {AGAIN}",
        id="ods",
    ),
    pytest.param(
        packed({"_rels/.rels": b"<a/>", "xl/workbook.bin": b""}),
        f"this is a workbook of the format .xlsb. {AGAIN}",
        id="xlsb",
    ),
    pytest.param(
        packed({"photo.jpg": b""}), f"this is a zip file, and not a workbook of the format .xlsx. {AGAIN}", id="zip"
    ),
]


@pytest.mark.parametrize(("data", "message"), NO_WORKBOOK)
def test_another_kind_of_file_is_told_apart(data: bytes, message: str) -> None:
    assert said(data) == [f"readings.xlsx: {message}"]


def locked(data: bytes) -> bytes:
    """The same zip file, its entries marked as encrypted."""
    out = bytearray(data)
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        for found in re.finditer(re.escape(mark), data):
            out[found.start() + place] |= 1
    return bytes(out)


CELL = '<c r="C2"><v>61.2</v></c>'
BROKEN = [
    pytest.param(SOUND[:-30], "cut off or broken", id="cut-off"),
    pytest.param(SOUND[:200], "cut off or broken", id="cut-short"),
    pytest.param(b"PK\x03\x04" + b"junk" * 100, "cut off or broken", id="junk"),
    pytest.param(locked(SOUND), "locked with a password", id="locked-zip"),
    pytest.param(edited(SOUND, (BOOK, "<sheets>", "<sheets")), "a part of it is broken", id="list-of-sheets"),
    pytest.param(edited(SOUND, (SHEET, "</sheetData>", "")), "a part of it is broken", id="sheet-not-closed"),
    pytest.param(edited(SOUND, (SHEET, "UTF-8", "UTF-99")), "a part of it is broken", id="unknown-encoding"),
    pytest.param(edited(SOUND, (SHEET, "UTF-8", "shift_jis")), "a part of it is broken", id="encoding-of-many-bytes"),
    pytest.param(
        edited(SOUND, ("xl/sharedStrings.xml", "</sst>", "")), "a part of it is broken", id="texts-not-closed"
    ),
    pytest.param(
        edited(SOUND, (SHEET, "<worksheet ", '<!DOCTYPE a [<!ENTITY b "61.2">]><worksheet ')),
        "declares a document type",
        id="entity",
    ),
    pytest.param(
        edited(SOUND, (BOOK, "<workbook ", "<!DOCTYPE a><workbook ")), "declares a document type", id="doctype"
    ),
    pytest.param(edited(SOUND, (SHEET, "61.2", "61<!-- -->.2")), "comments or marked sections", id="comment"),
    pytest.param(
        edited(SOUND, (SHEET, "61.2", "<![CDATA[61.2]]>")), "comments or marked sections", id="marked-section"
    ),
    pytest.param(edited(SOUND, (SHEET, "61.2", "61<?a?>.2")), "comments or marked sections", id="instruction"),
    pytest.param(
        edited(SOUND, (SHEET, "61.2", "61&#46;2")), "cell C2 holds what no spreadsheet writes", id="reference"
    ),
    pytest.param(
        edited(SOUND, (SHEET, "61.2", "61<b/>.2")), "cell C2 holds what no spreadsheet writes", id="within-value"
    ),
    pytest.param(
        edited(SOUND, (SHEET, "</v></c></row></s", "</v><v>7</v></c></row></s")),
        "cell C2 holds what no",
        id="two-values",
    ),
    pytest.param(
        edited(SOUND, (SHEET, "</v></c></row></s", "</v><f>1</f></c></row></s")),
        "cell C2 holds what no",
        id="formula-behind",
    ),
    pytest.param(
        edited(SOUND, (SHEET, CELL, '<c r="C2" t="inlineStr"><v>61.2</v></c>')),
        "cell C2 holds what no",
        id="inline-value",
    ),
    pytest.param(
        edited(SOUND, (SHEET, CELL, '<c r="C2"><is><t>61.2</t></is></c>')), "cell C2 holds what no", id="inline-number"
    ),
    pytest.param(
        edited(SOUND, (SHEET, "61.2", "6l.2x"), (SHEET, 'r="C2"', 'r="C2" t="n"')), "out of place", id="no-number"
    ),
    pytest.param(edited(SOUND, (SHEET, CELL, '<c r="C2" t="s"><v>99</v></c>')), "out of place", id="no-such-text"),
    pytest.param(
        edited(SOUND, (SHEET, CELL, '<c r="C2" t="s"><v>1x</v></c>')), "cell C2 holds what no", id="text-of-no-number"
    ),
    pytest.param(edited(SOUND, (SHEET, CELL, '<c r="C2" t="zz"><v>9</v></c>')), "out of place", id="no-such-type"),
    pytest.param(edited(SOUND, (SHEET, 'r="C2"', 'r="B2"')), "out of order in row 2", id="cell-twice"),
    pytest.param(
        edited(SOUND, (SHEET, 'r="C2"', 'r="C3"')), "in row 2 stands a cell called 'C3'", id="cell-of-another-row"
    ),
    pytest.param(
        edited(SOUND, (SHEET, 'r="C2"', 'r="ZZZZZZ99999999999"')), "in row 2 stands a cell called", id="no-such-cell"
    ),
    pytest.param(edited(SOUND, (SHEET, '<row r="2"', '<row r="1"')), "out of order after row 1", id="row-twice"),
    pytest.param(
        edited(SOUND, (SHEET, '<row r="2"', '<row r="1048577"')), "out of order after row 1", id="no-such-row"
    ),
    pytest.param(
        edited(SOUND, (BOOK, 'r:id="rId1"', 'r:id="rId99"')), "place of its sheet shower is missing", id="no-place"
    ),
    pytest.param(
        packed({k: v for k, v in unpacked(SOUND).items() if k != SHEET}),
        "part xl/worksheets/sheet1.xml is missing",
        id="no-sheet",
    ),
    pytest.param(
        packed({k: v for k, v in unpacked(SOUND).items() if k != BOOK}), "part xl/workbook.xml is missing", id="no-list"
    ),
    pytest.param(packed({**unpacked(SOUND), "XL/workbook.xml": b"<a/>"}), "two parts of one name", id="part-twice"),
]


@pytest.mark.parametrize(("data", "why"), BROKEN)
def test_a_broken_workbook_is_told_and_never_misread(data: bytes, why: str) -> None:
    [message] = said(data)
    assert why in message
    assert message.startswith("readings.xlsx")


def test_two_sheets_of_one_name_are_refused() -> None:
    data = write_workbook({"shower": [["product"]], "vapour": [["product"]]})
    [message] = said(edited(data, (BOOK, 'name="vapour"', 'name="Shower"')))
    assert "two of its sheets have the same name" in message


def test_nothing_outside_the_file_is_followed() -> None:
    rels = "xl/_rels/workbook.xml.rels"
    data = edited(SOUND, (rels, 'Target="worksheets/sheet1.xml"', 'Target="file:///etc/hosts" TargetMode="External"'))
    assert "the place of its sheet shower is missing" in said(data)[0]


# ------------------------------------------------------------------------------------------------------------ limits


def test_a_file_that_is_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(xlsx, "LARGEST_WORKBOOK", 1000)
    assert said(SOUND) == [
        "readings.xlsx: the file has more than the 1,000 bytes that are read. Part it, or leave out what is not needed."
    ]


def test_what_unpacks_to_too_much_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    bomb = packed({**unpacked(SOUND), "xl/media/a.png": bytes(6_000_000)})
    assert said(bomb)[0].startswith("readings.xlsx: a part of the workbook unpacks to far more than any sheet does.")
    monkeypatch.setattr(xlsx, "LARGEST_UNPACKED", 5_000_000)
    assert said(bomb)[0].startswith("readings.xlsx: unpacked, the workbook has more than the 5,000,000 bytes")


def test_sizes_that_lie_are_found_out() -> None:
    """The size that the directory of a zip file states is all that is unpacked of a part."""
    parts = unpacked(SOUND)
    parts[SHEET] += b" " * 100_000
    data = packed(parts)
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        size = package.getinfo(SHEET).file_size
    lying = data.replace(struct.pack("<L", size), struct.pack("<L", 500))
    assert lying != data
    assert "is broken" in said(lying)[0]


def test_too_many_parts_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(xlsx, "_MOST_PARTS", 5)
    assert said(SOUND)[0].startswith("readings.xlsx: the workbook has more than 5 parts.")


LIMITS = [
    pytest.param(
        '<row r="1048576"><c r="E1048576"><v>1</v></c></row>',
        "the sheet reaches from row 1 to row 1,048,576, and most of it is empty. "
        "Delete the rows that stand far from the others.",
        id="far-below",
    ),
    pytest.param(
        '<row r="3"><c r="XFD3"><v>1</v></c></row>',
        "cell XFD3 stands beyond the 500 columns that are read. Clear it, or take columns out.",
        id="far-right",
    ),
]


@pytest.mark.parametrize(("row", "message"), LIMITS)
def test_a_cell_far_away_is_refused(row: str, message: str) -> None:
    data = edited(SOUND, (SHEET, "</sheetData>", f"{row}</sheetData>"))
    assert said(data) == [f"readings.xlsx, sheet shower: {message}"]


def test_too_many_rows_and_cells_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    data = laid_out(["product"], *(["ostrel"] for _ in range(4)))
    monkeypatch.setattr(xlsx, "MOST_ROWS", 3)
    assert said(data) == [
        "readings.xlsx, sheet shower: the sheet has more than 3 rows. Part it, or leave out what is not needed."
    ]
    monkeypatch.setattr(xlsx, "_MOST_CELLS", 4)
    assert said(data)[0].startswith("readings.xlsx, sheet shower: the sheet has more than 4 cells, empty ones")


# ----------------------------------------------------------------------------------------------------------- damage


def naive(data: bytes) -> dict[int, list[str | float]]:
    """What the filled cells of each row hold, in their order, read in the plainest way from sound XML."""
    parts = unpacked(data)
    named = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    texts = [si.findtext(f"{named}t", "") for si in ElementTree.fromstring(parts["xl/sharedStrings.xml"])]
    out: dict[int, list[str | float]] = {}
    line = 0
    for row in ElementTree.fromstring(parts[SHEET]).iter(f"{named}row"):
        line = int(row.get("r", line + 1))
        for cell in row.iter(f"{named}c"):
            value = cell.findtext(f"{named}v", "").strip()
            text = texts[int(value)] if cell.get("t") == "s" else value
            if text:
                plain = cell.get("t") == "s" or number(text) is None
                out.setdefault(line, []).append(text if plain else float(text))
    return out


def slipped(text: str, random_: random.Random) -> str:
    """The XML of a sheet with some characters of its cells lost, changed or put in."""
    start = text.index("<sheetData")
    for _ in range(random_.choice((1, 1, 2, 4))):
        place = random_.randrange(start, len(text))
        put = random_.choice(["", "<", ">", '"', "/", "&", "&#49;", "<!---->", "9", ".", "-", "E", "r", "A", " "])
        text = text[:place] + put + text[place + random_.choice((0, 1, 1, 3)) :]
    return text


def test_a_damaged_workbook_is_refused_or_read_for_what_it_says(capfd: pytest.CaptureFixture[str]) -> None:
    """Whatever a slip does to the XML of a sheet, no figure comes out that a plain reader does not find in it."""
    lines: list[Line] = [[f"p{n}", n, 61.2 + n] for n in range(1, 6)]
    plain = unpacked(laid_out(["product", "run", "wet"], *lines))
    random_ = random.Random(3)
    taken = 0
    for _ in range(1_500):
        data = packed({**plain, SHEET: slipped(plain[SHEET].decode(), random_).encode()})
        try:
            found = read_workbook(data, "readings.xlsx")["shower"]
        except StudyError:
            continue
        taken += 1
        held = naive(data)
        read_rows = {
            found.header: list(found.columns),
            **{line: [*filter(None, row.values())] for line, row in found.rows},
        }
        assert read_rows.keys() == held.keys()
        for line, texts in read_rows.items():
            values = held[line]
            assert [float(t) if isinstance(v, float) else t for t, v in zip(texts, values, strict=True)] == values
    assert 50 < taken < 1_450
    assert "panicked" not in capfd.readouterr().err


def test_damaged_bytes_never_pass_unnoticed() -> None:
    random_ = random.Random(4)
    whole = read(SOUND)
    for _ in range(600):
        data = bytearray(SOUND)
        for _ in range(random_.choice((1, 1, 2, 8))):
            data[random_.randrange(len(data))] = random_.randrange(256)
        try:
            found = read_workbook(bytes(data), "readings.xlsx")
        except StudyError:
            continue
        assert [list(row.values()) for _, row in found["shower"].rows] == whole


def test_a_panic_of_the_reader_is_told_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    import python_calamine

    class PanicException(BaseException):
        pass

    def panic(*_: object) -> None:
        raise PanicException("index out of bounds")

    monkeypatch.setattr(python_calamine, "CalamineWorkbook", type("Broken", (), {"from_filelike": panic}))
    [message] = said(SOUND)
    why = "the sheet cannot be read: something in it is out of place (index out of bounds)."
    assert message == f"readings.xlsx, sheet shower: {why} {AGAIN}"


# ---------------------------------------------------------------------------------------------------------- writing

SHOWN = st.characters(exclude_categories=["Cs"], exclude_characters="\ufffe\uffff").filter(lambda c: not obeyed(c))
CELLS = st.one_of(st.text(SHOWN, max_size=30), st.floats(allow_nan=False, allow_infinity=False))


@given(st.lists(st.lists(CELLS, min_size=3, max_size=3)))
@example([["=1+1", "-5", "@SUM(A1)"], ["+1", "1e5", 0.1 + 0.2]])
@example([["", -0.0, 5e-324]])
@example([["_x0041_", "a_x000D_b", "1"]])
def test_what_is_written_reads_back(lines: list[list[str | float]]) -> None:
    """Text as it was but for the spaces around it, numbers to the last digit."""
    found = read_workbook(write_workbook({"shower": [["a", "b", "c"], *lines]}), "readings.xlsx")["shower"]
    expected = {line: row for line, row in enumerate(lines, 2) if any(isinstance(c, float) or c.strip() for c in row)}
    assert {line for line, _ in found.rows} == set(expected)
    for line, row in found.rows:
        for text, cell in zip(row.values(), expected[line], strict=True):
            if isinstance(cell, float):
                assert float(text) == cell
            else:
                assert text == cell.strip()


def test_the_same_sheets_give_the_same_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    import time as clock

    monkeypatch.setattr(clock, "time", lambda: 2e9)
    later = write_workbook({"shower": [["product", "run", "wet"], ["ostrel", 1, 61.2]]})
    assert later == SOUND
    with zipfile.ZipFile(io.BytesIO(SOUND)) as package:
        assert {info.date_time[0] for info in package.infolist()} == {1980}
        assert b"2000-01-01T00:00:00Z" in package.read("docProps/core.xml")


def test_text_never_becomes_a_formula() -> None:
    """Neither in the file, nor when the cell is edited: quotePrefix, ECMA-376 part 1, 18.8.45."""
    parts = unpacked(write_workbook({"shower": [["product"], ['=HYPERLINK("x")'], ["-1"], ["mailto:a@b"]]}))
    assert b"<f>" not in parts[SHEET]
    assert b"hyperlink" not in parts[SHEET].lower()
    styles = re.findall(rb'<xf [^>]*quotePrefix="1"', parts["xl/styles.xml"])
    assert styles
    assert re.search(rb'<c r="A2" s="[1-9]" t="s">', parts[SHEET])


def test_the_header_is_bold_and_stays_in_view() -> None:
    parts = unpacked(write_workbook({"shower": [["product", "a long name of a column"], ["ostrel", 1.0]]}))
    assert b'<pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/>' in parts[SHEET]
    assert re.search(rb'<c r="A1" s="[1-9]" t="s">', parts[SHEET])
    assert b"<b/>" in parts["xl/styles.xml"]
    assert [int(float(width)) for width in re.findall(rb' width="([0-9.]+)"', parts[SHEET])] == [9, 25]


UNWRITABLE = [
    pytest.param({"a" * 32: []}, "must be <= 31", id="long-name"),
    pytest.param({"a/b": []}, "Invalid Excel character", id="sign-in-name"),
    pytest.param({"a": [], "A": []}, "already in use", id="same-name"),
    pytest.param({"History": []}, "No sheet can have the name 'History'", id="history"),
    pytest.param({"": []}, "No sheet can have the name ''", id="no-name"),
    pytest.param({"a": [["x" * 32_768]]}, "more than 32,767 characters", id="long-text"),
    pytest.param({"a": [["\ud800"]]}, "No cell can hold", id="half-a-character"),
    pytest.param({"a": [[float("nan")]]}, "No cell can hold nan", id="nan"),
    pytest.param({"a": [[float("inf")]]}, "No cell can hold inf", id="infinity"),
]


@pytest.mark.parametrize(("sheets", "message"), UNWRITABLE)
def test_what_no_workbook_holds_is_not_written(sheets: Any, message: str) -> None:
    with pytest.raises(ValueError, match=re.escape(message)):
        write_workbook(sheets)
