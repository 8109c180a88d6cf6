"""Numbers as sheets write them: read by one stated rule, or refused with what to write."""

from __future__ import annotations

import re
from decimal import Decimal
from itertools import product

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from evenbench.study.cells import number, span
from evenbench.study.dialect import (
    Dialect,
    Mark,
    Refusal,
    dialect_of,
    plain_number,
    settled,
    split_header,
    split_unit,
)

COMMAS, SEMICOLONS, TABS = dialect_of("product,wet"), dialect_of("product;wet"), dialect_of("product\twet")
NARROW = "\u202f"

# ------------------------------------------------------------------------------------------------------ the separator

HEADERS = [
    pytest.param("product,run,wet", ",", id="commas"),
    pytest.param("product;run;wet", ";", id="semicolons"),
    pytest.param("product\trun\twet", "\t", id="tabs"),
    pytest.param("product;run;wet, g", ";", id="unit-after-a-comma"),
    pytest.param('product,"wet; after ten minutes",note', ",", id="semicolon-in-quotes"),
    pytest.param('product,"a ""wet; one""",note', ",", id="doubled-quotes"),
    pytest.param('product;"a\tb', ";", id="open-quote"),
    pytest.param("product", ",", id="one-column"),
    pytest.param("", ",", id="nothing"),
    pytest.param("sep=;", ";", id="sep-semicolon"),
    pytest.param("\ufeffsep=\t\r\n", "\t", id="sep-tab"),
    pytest.param("sep=,", ",", id="sep-comma"),
]


@pytest.mark.parametrize(("line", "separator"), HEADERS)
def test_the_header_says_what_parts_the_cells(line: str, separator: str) -> None:
    assert dialect_of(line).separator == separator


# ------------------------------------------------------------------------------------------------------------ one cell

REFUSED = None
# cell, what it is in a sheet parted by commas, by semicolons, by tabs; None where it is refused
CELLS = [
    ("12.4", "12.4", "12.4", "12.4"),
    ("12,4", REFUSED, "12.4", "12.4"),
    ("61.20", "61.20", "61.20", "61.20"),  # zeros typed tell the resolution
    ("7", "7", "7", "7"),
    ("1.234", "1.234", REFUSED, REFUSED),
    ("1,234", REFUSED, "1.234", REFUSED),
    ("61.234", "61.234", REFUSED, REFUSED),
    ("61,234", REFUSED, "61.234", REFUSED),
    ("0.234", "0.234", "0.234", "0.234"),  # no thousand begins with 0
    ("0,234", REFUSED, "0.234", "0.234"),
    ("1234.567", "1234.567", "1234.567", "1234.567"),
    ("1,234.5", "1234.5", "1234.5", "1234.5"),
    ("1.234,5", REFUSED, "1234.5", "1234.5"),
    ("1,234,567", "1234567", "1234567", "1234567"),
    ("1.234.567", REFUSED, "1234567", "1234567"),
    ("1,234,5", REFUSED, REFUSED, REFUSED),
    ("1,23.5", REFUSED, REFUSED, REFUSED),
    ("1 234,5", REFUSED, "1234.5", "1234.5"),
    ("1 234.5", "1234.5", "1234.5", "1234.5"),
    ("1 234", REFUSED, REFUSED, REFUSED),
    ("250 300", REFUSED, REFUSED, REFUSED),
    ("61.2 60.8", REFUSED, REFUSED, REFUSED),
    ("1'234.5", "1234.5", "1234.5", "1234.5"),
    ("1’234", "1234", "1234", "1234"),
    (f"1{NARROW}234", "1234", "1234", "1234"),
    (f"1{NARROW}234{NARROW}567,8", REFUSED, "1234567.8", "1234567.8"),
    (f"1{NARROW}234 567", REFUSED, REFUSED, REFUSED),
    ("1.5e3", "1.5e3", "1.5e3", "1.5e3"),
    ("1,234e3", REFUSED, "1.234e3", "1.234e3"),
    (" \u00a0 12.4\u00a0", "12.4", "12.4", "12.4"),
    ("−5", "-5", "-5", "-5"),
    ("+1,5", REFUSED, "+1.5", "+1.5"),
    ("–5", REFUSED, REFUSED, REFUSED),
    ("- 5", REFUSED, REFUSED, REFUSED),
    ("(5)", REFUSED, REFUSED, REFUSED),
    ("5,", REFUSED, "5", "5"),
    (",5", REFUSED, ".5", ".5"),
    ("<0,5", REFUSED, "<0.5", "<0.5"),
    ("> 100", ">100", ">100", ">100"),
    ("~1.234", "~1.234", REFUSED, REFUSED),
    ("570..580", "570..580", "570..580", "570..580"),
    ("570,5 .. 580,5", REFUSED, "570.5..580.5", "570.5..580.5"),
    ("..724", "..724", "..724", "..724"),
    ("0...6", REFUSED, REFUSED, REFUSED),  # 0 to 6, or 0 to .6
    ("..", REFUSED, REFUSED, REFUSED),
    ("~<5", REFUSED, REFUSED, REFUSED),
    ("1:12.345", "1:12.345", "1:12.345", "1:12.345"),  # a clock parts no thousands
    ("1:23,5", REFUSED, "1:23.5", "1:23.5"),
    ("1e999", REFUSED, REFUSED, REFUSED),
    ("１２", REFUSED, REFUSED, REFUSED),
    ("1_000", REFUSED, REFUSED, REFUSED),
    ("nan", REFUSED, REFUSED, REFUSED),
    ("did not finish", REFUSED, REFUSED, REFUSED),
    ("9" * 200, REFUSED, REFUSED, REFUSED),
    ("", REFUSED, REFUSED, REFUSED),
]


@pytest.mark.parametrize(("cell", "commas", "semicolons", "tabs"), CELLS)
def test_a_cell_is_read_or_refused(cell: str, commas: str | None, semicolons: str | None, tabs: str | None) -> None:
    read = [plain_number(cell, dialect) for dialect in (COMMAS, SEMICOLONS, TABS)]
    assert [None if isinstance(found, Refusal) else found for found in read] == [commas, semicolons, tabs]


MESSAGES = [
    ("12,4", COMMAS, "a number is written with a decimal point. Write 12.4."),
    ("1,234", COMMAS, "a comma could part the thousands or the decimals. Write 1234 or 1.234."),
    ("1.234", SEMICOLONS, "a point could part the thousands or the decimals. Write 1234 or 1,234."),
    (
        "1,234",
        TABS,
        (
            "a comma could part the thousands or the decimals. "
            "Write 1234, or save the sheet with commas between cells and write 1.234."
        ),
    ),
    (
        "1 234",
        SEMICOLONS,
        "a space could part the thousands or two numbers. Write 1234, or each number in a cell of its own.",
    ),
    ("12.4", Dialect(";", ","), "decimals of this column stand after a comma. Write 12,4."),
    ("1.234,5", Dialect(";", "."), "decimals of this column stand after a point. Write 1234.5."),
    ("<0,5", COMMAS, "0,5: a number is written with a decimal point. Write 0.5."),
    ("0...6", COMMAS, "three points could hold an interval and a decimal point. Write an interval as in 570..580."),
    (
        "2026-05-03",
        COMMAS,
        "the spreadsheet turned this into a date: 2026-05-03. Type the number again, in cells formatted as numbers.",
    ),
    (
        "03. Mai",
        SEMICOLONS,
        "the spreadsheet turned this into a date: 03. Mai. Type the number again, in cells formatted as numbers.",
    ),
    (
        "#DIV/0!",
        COMMAS,
        (
            "the spreadsheet shows an error here, #DIV/0!, and no number. "
            "Mend its formula, or leave the cell empty with a note."
        ),
    ),
    ("12.4 g", COMMAS, "'g' stands behind the number. Write 12.4."),
    ("–5", COMMAS, "it holds '–' (en dash). Write -5."),
    ("wet", COMMAS, "this is not a number. Write a number such as 12.4, or leave the cell empty with a note."),
    ("", COMMAS, "the cell is empty. Write a number such as 12.4, or leave it empty with a note."),
]


@pytest.mark.parametrize(("cell", "dialect", "says"), MESSAGES)
def test_a_refusal_says_what_to_write(cell: str, dialect: Dialect, says: str) -> None:
    refusal = plain_number(cell, dialect)
    assert isinstance(refusal, Refusal)
    assert f"{refusal.why} {refusal.write}" == says


@pytest.mark.parametrize(
    "date",
    ["2026-05-03T06:00:00", "03.05.2026", "3/5/26", "3-5-2026", "3-May", "03. Mai", "3-déc-26", "May-26", "Mai-2026"],
)
def test_what_a_spreadsheet_made_a_date_is_called_one(date: str) -> None:
    refusal = plain_number(date, SEMICOLONS)
    assert isinstance(refusal, Refusal)
    assert refusal.why == f"the spreadsheet turned this into a date: {date}."


# ---------------------------------------------------------------------------------------------------------- one column

COLUMNS = [
    pytest.param(SEMICOLONS, ["61,2", "60,875"], ",", id="commas"),
    pytest.param(SEMICOLONS, ["61.2", "60.875"], ".", id="points"),
    pytest.param(SEMICOLONS, ["61.234", "60.875"], "", id="points-that-prove-nothing"),
    pytest.param(SEMICOLONS, ["61,234", "60,875"], ",", id="three-decimals"),
    pytest.param(SEMICOLONS, ["61.234", "0.875"], ".", id="no-thousand-begins-with-0"),
    pytest.param(TABS, ["61,234", "60,875"], "", id="tabs-say-nothing"),
    pytest.param(TABS, ["61,234", "60,9"], ",", id="tabs-and-a-cell"),
    pytest.param(TABS, ["1.234.567"], ",", id="points-part-thousands"),
    pytest.param(TABS, ["12", "", "did not finish", "3 4"], "", id="no-decimals"),
    pytest.param(TABS, ["12,4 g", "<0,5"], ",", id="units-and-bounds"),
    pytest.param(COMMAS, ["12,4", "12.4"], ".", id="parted-by-commas"),
]


@pytest.mark.parametrize(("dialect", "cells", "mark"), COLUMNS)
def test_a_column_settles_its_mark(dialect: Dialect, cells: list[str], mark: Mark) -> None:
    assert settled(dialect, enumerate(cells, 2)) == Dialect(dialect.separator, mark)


MIXED = [
    pytest.param(
        SEMICOLONS,
        ["7", "12,4", "12.4"],
        "line 3 has decimals after a comma (12,4), and line 4 has them after a point (12.4).",
        id="semicolons",
    ),
    pytest.param(
        TABS,
        ["0.5 g", "1.234,5 g"],
        "line 2 has decimals after a point (0.5), and line 3 has them after a comma (1.234,5).",
        id="tabs",
    ),
    pytest.param(
        TABS,
        ["570,5..580.5"],
        "line 2 has decimals after a comma (570,5), and line 2 has them after a point (580.5).",
        id="one-cell",
    ),
]


@pytest.mark.parametrize(("dialect", "cells", "why"), MIXED)
def test_a_column_written_in_two_ways_is_refused(dialect: Dialect, cells: list[str], why: str) -> None:
    assert settled(dialect, enumerate(cells, 2)) == Refusal(why, "Write all numbers of this column in one way.")


def test_what_a_column_has_settled_serves_its_cells() -> None:
    points, commas = Dialect("\t", "."), Dialect("\t", ",")
    assert plain_number("61.234", points) == "61.234"
    assert plain_number("61,234", commas) == "61.234"
    assert isinstance(plain_number("61,234", points), Refusal)
    assert isinstance(plain_number("61.234", commas), Refusal)


# ---------------------------------------------------------------------------------------------- any number, any cell

Writing = tuple[str, str]  # what parts thousands, what parts decimals
WRITINGS: list[Writing] = [
    (group, mark) for mark, group in product(".,", ["", ".", ",", " ", "'", NARROW]) if group != mark
]


def written(value: Decimal, writing: Writing) -> str:
    """A number as Python's `format` has it, in another writing."""
    group, mark = writing
    text = format(value, ",f" if group else "f")
    return "".join({",": group, ".": mark}.get(character, character) for character in text)


def readings(cell: str, writings: list[Writing]) -> set[Decimal | tuple[Decimal, ...]]:
    """Everything that a cell could mean, by trying one way of writing after another; and as two numbers."""
    found: set[Decimal | tuple[Decimal, ...]] = set()
    for group, mark in writings:
        if group:
            shape = rf"[+-]?[1-9][0-9]{{0,2}}({re.escape(group)}[0-9]{{3}})+({re.escape(mark)}[0-9]*)?"
        else:
            shape = rf"[+-]?([0-9]+({re.escape(mark)}[0-9]*)?|{re.escape(mark)}[0-9]+)"
        if re.fullmatch(shape, cell):
            found.add(Decimal(cell.replace(group, "").replace(mark, ".") if group else cell.replace(mark, ".")))
    # Readings off one display show the same decimals: 1 234,5 is no such pair, 250 300 is.
    several = re.split(" +", cell) if re.fullmatch("[+-]?[0-9]+( +[+-]?[0-9]+)+", cell) else []
    return found | ({tuple(map(Decimal, several))} if several else set())


def writings_of(dialect: Dialect, cell: str) -> list[Writing]:
    """The ways of writing that a cell of the dialect may follow."""
    # The stated rule: parted by semicolons, a lone comma is the decimal mark.
    lone = dialect == SEMICOLONS and cell.count(",") == 1 and "." not in cell
    return [(group, mark) for group, mark in WRITINGS if dialect.mark in ("", mark) and not (lone and group == ",")]


NUMBERS = st.builds(
    lambda digits, places: Decimal(digits).scaleb(-places), st.integers(-(10**11), 10**11), st.integers(0, 6)
)
DIALECTS = st.sampled_from(
    [COMMAS, SEMICOLONS, TABS, Dialect(";", "."), Dialect(";", ","), Dialect("\t", "."), Dialect("\t", ",")]
)


@given(st.text("0123456789,. '-+" + NARROW, max_size=12), DIALECTS)
@example("1,234", SEMICOLONS)
@example("1 234", TABS)
@example("250 300", COMMAS)
def test_no_cell_that_could_be_read_two_ways_is_accepted(cell: str, dialect: Dialect) -> None:
    found = plain_number(cell, dialect)
    if isinstance(found, str) and ".." not in cell:
        assert readings(cell.strip(), writings_of(dialect, cell)) == {Decimal(found)}


@given(NUMBERS, st.sampled_from(WRITINGS), DIALECTS)
@example(Decimal("1234"), (" ", ","), TABS)
@example(Decimal("61.234"), ("", "."), SEMICOLONS)
def test_a_number_reads_back_equal_or_is_refused(value: Decimal, writing: Writing, dialect: Dialect) -> None:
    """Refused only where the cell could mean something else."""
    cell = written(value, writing)
    assume(writing in writings_of(dialect, cell))
    found = plain_number(cell, dialect)
    if isinstance(found, str):
        assert Decimal(found) == value
        assert number(found) == float(value)
    else:
        assert len(readings(cell, WRITINGS)) > 1


@given(NUMBERS)
def test_any_number_reads_back_in_the_plain_writing_of_its_sheet(value: Decimal) -> None:
    for dialect, mark in ((COMMAS, "."), (SEMICOLONS, ","), (Dialect("\t", "."), "."), (Dialect("\t", ","), ",")):
        assert plain_number(written(value, ("", mark)), dialect) == format(value, "f")


@given(st.lists(NUMBERS, min_size=1), st.sampled_from(WRITINGS), st.sampled_from([SEMICOLONS, TABS]))
def test_a_column_of_one_writing_is_never_refused_nor_changed(
    values: list[Decimal], writing: Writing, dialect: Dialect
) -> None:
    cells = [written(value, writing) for value in values]
    assume(all(writing in writings_of(dialect, cell) for cell in cells))
    column = settled(dialect, enumerate(cells))
    assert isinstance(column, Dialect)
    assert column.mark in ("", writing[1])
    for value, cell in zip(values, cells, strict=True):
        found = plain_number(cell, column)
        assert isinstance(found, Refusal) or Decimal(found) == value


@given(st.text(max_size=100), DIALECTS)
def test_any_text_is_answered(cell: str, dialect: Dialect) -> None:
    found = plain_number(cell, dialect)
    if isinstance(found, str):
        assert span(found, clock=True) is not None or ".." in found or ":" in found
    else:
        assert found.why.endswith(".")
        assert found.write.endswith(".")
    split_unit(cell)
    split_header(cell)
    settled(dialect, [(1, cell)])


# --------------------------------------------------------------------------------------------------------------- units

UNITS = [
    ("12.4 g", ("12.4", "g")),
    ("12,4g", ("12,4", "g")),
    ("1 234,5\u00a0g", ("1 234,5", "g")),
    ("12.4 %", ("12.4", "%")),
    ("−5 °C", ("−5", "°C")),
    ("20 degC", ("20", "degC")),
    ("1.5e3 g", ("1.5e3", "g")),
    ("1.5e3", ("1.5e3", "")),
    ("12 e", ("12", "e")),
    ("3 mg/cm^2", ("3", "mg/cm^2")),
    ("5 US  fl oz", ("5", "US fl oz")),
    ("0.05 1/s", ("0.05", "1/s")),
    ("0.05 1 / s", ("0.05", "1 / s")),
    ("<0.5 g", ("<0.5", "g")),
    ("570..580 g", ("570..580", "g")),
    ("1:23.5 min", ("1:23.5", "min")),
    ("12.4", ("12.4", "")),
    ("12.41/s", ("12.41/s", "")),  # 12.41 per second, or 12.4 of 1/s
    ("g", ("g", "")),
    ("did not finish", ("did not finish", "")),
    ("", ("", "")),
]


@pytest.mark.parametrize(("cell", "parts"), UNITS)
def test_a_unit_behind_a_number_is_split_off(cell: str, parts: tuple[str, str]) -> None:
    assert split_unit(cell) == parts


HEADER_UNITS = [
    ("wet (g)", ("wet", "g")),
    ("wet [g]", ("wet", "g")),
    ("wet, g", ("wet", "g")),
    ("wet.2(g)", ("wet.2", "g")),
    (" wet  ( g ) ", ("wet", "g")),
    ("loss (g/(m2 d))", ("loss", "g/(m2 d)")),
    ("wet", ("wet", "")),
    ("wet (a) (b)", ("wet (a) (b)", "")),
    ("wet ()", ("wet ()", "")),
    ("(g)", ("(g)", "")),
    ("wet, dry, g", ("wet, dry, g", "")),
    ("", ("", "")),
]


@pytest.mark.parametrize(("column", "parts"), HEADER_UNITS)
def test_a_unit_in_a_header_is_split_off(column: str, parts: tuple[str, str]) -> None:
    assert split_header(column) == parts
