"""However a program or a hand wrote the numbers of a sheet, they are the same numbers, or told with what to write."""

from __future__ import annotations

import csv
import io

import pytest

from evenbench.record.table import read_table
from evenbench.study.mistakes import StudyError
from evenbench.study.readings import LONG, Readings, parse_readings
from tests.strategies import SHEETS, example_study, rows
from tests.study.test_readings import figures, long_rows

STUDY = example_study()


def saved(table: list[dict[str, str]], *, separator: str = ",", comma: bool = False, **header: str) -> str:
    """A sheet as another program would save it."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    writer.writerow([header.get(column, column) for column in table[0]])
    for row in table:
        writer.writerow([cell.replace(".", ",") if comma else cell for cell in row.values()])
    return out.getvalue()


def shower() -> list[dict[str, str]]:
    return rows(SHEETS["shower"])


def read(text: str, test: str = "shower") -> Readings:
    return parse_readings({test: read_table(text, "s.csv")}, STUDY)


def values(readings: Readings) -> list[tuple[object, ...]]:
    """Figures without the text as typed, which is what differs."""
    return [row[:-1] if len(row) == 6 else row for row in figures(readings)]


PLAIN = read(saved(shower()))
WAYS = {
    "semicolons and points": saved(shower(), separator=";"),
    "semicolons and commas": saved(shower(), separator=";", comma=True),
    "tabs and points": saved(shower(), separator="\t"),
    "tabs and commas": saved(shower(), separator="\t", comma=True),
    "separator stated": "sep=;\n" + saved(shower(), separator=";", comma=True),
    "lines of windows": saved(shower()).replace("\n", "\r\n"),
    "units in the header": saved(shower(), dry="dry (g)", wet="wet [g]"),
    "unit after a comma": saved(shower(), separator=";", dry="dry, g"),
    "units in the cells": saved([row | {c: f"{row[c]} g" for c in ("dry", "dry.2", "wet")} for row in shower()]),
}


@pytest.mark.parametrize("way", WAYS)
def test_a_sheet_is_read_the_same_however_it_is_written(way: str) -> None:
    assert values(read(WAYS[way])) == values(PLAIN)


@pytest.mark.parametrize(("separator", "comma"), [(";", True), (";", False), ("\t", True)])
def test_a_long_sheet_too(separator: str, comma: bool) -> None:
    tables = {
        LONG: read_table(
            saved([dict(sorted(row.items())) for row in everywhere()], separator=separator, comma=comma), "r.csv"
        )
    }
    assert values(parse_readings(tables, STUDY)) == values(parse_readings({LONG: long_rows()}, STUDY))


def everywhere() -> list[dict[str, str]]:
    """The long table, every row with every column."""
    columns = {column for row in long_rows() for column in row}
    return [{column: row.get(column, "") for column in columns} for row in long_rows()]


def one(**cells: str) -> dict[str, str]:
    row = {"product": "ostrel", "run": "1", "block": "mon", "dry": "9.6", "dry.2": "9.6", "wet": "11.0"}
    return row | {column.replace("_", "."): cell for column, cell in cells.items()}


THOUSANDS = [
    pytest.param(",", "1 234.5", 1234.5, id="space"),
    pytest.param(",", "1'234.5", 1234.5, id="apostrophe"),
    pytest.param(",", "1,234.5", 1234.5, id="comma"),
    pytest.param(";", "1.234,5", 1234.5, id="point"),
    pytest.param(";", "61,234", 61.234, id="three-decimals-after-a-comma"),
    pytest.param(",", "1.234", 1.234, id="three-decimals-after-a-point"),
    pytest.param(",", "−9.5", -9.5, id="minus-sign"),
    pytest.param(";", "<0,5", None, id="bound"),
]


@pytest.mark.parametrize(("separator", "cell", "value"), THOUSANDS)
def test_a_number_that_can_be_one_thing_only_is_read(separator: str, cell: str, value: float | None) -> None:
    readings = read(saved([one(wet=cell)], separator=separator))
    [n] = [n for n, name in enumerate(readings.reading) if name == "wet"]
    assert readings.typed[n] == cell
    assert readings.high[n] == (value or 0.5)
    assert value is None or readings.low[n] == value


TOLD = [
    pytest.param(
        saved([one(wet="1.234")], separator=";"),
        "s.csv:2: wet: '1.234': a point could part the thousands or the decimals. Write 1234 or 1,234.",
        id="three-digits-after-a-point",
    ),
    pytest.param(
        saved([one(wet="11,2"), one(run="2", wet="11.0")], separator=";"),
        "s.csv:1: column: 'wet': line 2 has decimals after a comma (11,2), and line 3 has them after a point (11.0). "
        "Write all numbers of this column in one way.",
        id="two-marks",
    ),
    pytest.param(
        saved([one(wet="11,2")]),
        "s.csv:2: wet: '11,2': a number is written with a decimal point. Write 11.2.",
        id="comma-among-commas",
    ),
    pytest.param(
        saved([one(wet="0.011 kg")]),
        "s.csv:2: wet: '0.011 kg': it is in kg, and the study has this reading in g. Convert it, or correct its unit.",
        id="other-unit-in-a-cell",
    ),
    pytest.param(
        saved([one()], wet="wet (kg)"),
        "s.csv:1: column: 'wet (kg)': test shower declares wet in g. "
        "Convert them and write wet (g), or correct the header.",
        id="other-unit-in-the-header",
    ),
    pytest.param(
        saved([one(), one(product="Total", run="")]),
        "s.csv:3: product: 'Total': this is a row of totals, and no run. Delete the row; the program works them out.",
        id="totals",
    ),
    pytest.param(
        saved([one(), dict.fromkeys(one(), "") | {"product": "product", "run": "run", "wet": "wet"}]),
        "s.csv:3: product: 'product': the header stands here again. Delete the row.",
        id="header-again",
    ),
]


@pytest.mark.parametrize(("text", "message"), TOLD)
def test_what_could_be_two_things_is_told(text: str, message: str) -> None:
    with pytest.raises(StudyError) as caught:
        read(text)
    assert [str(mistake) for mistake in caught.value.mistakes] == [message]


def test_a_unit_with_the_column_of_values() -> None:
    only = [row for row in everywhere() if row["reading"] in ("dry", "wet")]
    readings = parse_readings({LONG: read_table(saved(only, value="value (g)"), "r.csv")}, STUDY)
    assert set(readings.reading) == {"dry", "wet"}
    with pytest.raises(StudyError, match="stood is declared in min"):
        parse_readings({LONG: read_table(saved(everywhere(), value="value (g)"), "r.csv")}, STUDY)


def test_the_instrument_of_a_row_is_the_declared_one() -> None:
    table = [row | {"instrument": "scale" if row["reading"] in ("dry", "wet") else ""} for row in everywhere()]
    assert values(parse_readings({LONG: table}, STUDY)) == values(parse_readings({LONG: long_rows()}, STUDY))
    table[0]["instrument"] = "scales"
    with pytest.raises(
        StudyError, match=r"instrument: 'scales': the study has no such instrument\. Did you mean 'scale'"
    ):
        parse_readings({LONG: table}, STUDY)


def test_a_run_has_no_unit() -> None:
    with pytest.raises(StudyError, match=r"column: 'run \(g\)': this column has no unit\. Call it run\."):
        read(saved([one()], run="run (g)"))


def test_texts_and_grades_do_not_say_how_numbers_are_written() -> None:
    """In a long sheet all readings stand in one column; a note of 2,5 beside it changes no 61.2."""
    study = example_study(("readings.wet   = {", 'readings.say   = { kind = "text" }\nreadings.wet   = {'))
    table = [*everywhere(), everywhere()[0] | {"reading": "say", "repeat": "1", "value": "about 2,5"}]
    readings = parse_readings({LONG: read_table(saved(table, separator=";"), "r.csv")}, study)
    assert "about 2,5" in readings.typed
