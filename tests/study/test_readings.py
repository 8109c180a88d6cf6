"""Tables -> Readings: what was written down, in whatever order and form, and what is said of the rest."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbench.study.cells import advice, decimal_step, number, span
from evenbench.study.mistakes import StudyError
from evenbench.study.model import Study
from evenbench.study.readings import LONG, Readings, parse_readings
from tests.strategies import SHEETS, example_readings, example_study, rows

STUDY = example_study()
UNBLOCKED = example_study(('blocks     = "day"\n', ""))


def figures(readings: Readings) -> list[tuple[object, ...]]:
    """Everything that figures are computed from, without where it was typed."""
    runs = [(r.test, r.product, r.number, r.specimen, r.block, r.order, r.note) for r in readings.runs]
    columns = (readings.run, readings.reading, readings.repeat, readings.value, readings.step, readings.typed)
    return [*runs, *zip(*columns, strict=True)]


def long_rows() -> list[dict[str, str]]:
    """The sheets of the small study as one long table."""
    out = []
    for test, sheet in SHEETS.items():
        for row in rows(sheet):
            of_run = {c: row[c] for c in ("product", "run", "block", "order", "note") if c in row}
            for column in row.keys() - of_run.keys():
                reading, _, repeat = column.partition(".")
                out.append(of_run | {"test": test, "reading": reading, "repeat": repeat, "value": row[column]})
    return out


def not_used(readings: Readings) -> list[tuple[str, str]]:
    return [(note.row, note.reason) for note in readings.not_used]


def said(tables: dict[str, list[dict[str, str]]], study: Study = STUDY) -> list[str]:
    with pytest.raises(StudyError) as caught:
        parse_readings(tables, study)
    return [str(mistake) for mistake in caught.value.mistakes]


# ------------------------------------------------------------------------------------------------ what is understood


def test_a_wide_sheet_is_read() -> None:
    """A row is a run, a column a reading; a second column of a reading is its repeat."""
    readings = example_readings()
    assert len(readings.runs) == 9
    second = readings.runs[3]
    assert (second.product, second.number, second.block, second.order, second.note) == (
        "ostrel",
        2,
        "tue",
        4,
        "drops roll off",
    )
    of_run = [n for n, run in enumerate(readings.run) if run == 3]
    assert [(readings.reading[n], readings.repeat[n], readings.typed[n]) for n in of_run] == [
        ("dry", 1, "9.58"),
        ("dry", 2, "9.60"),
        ("wet", 1, "10.90"),
    ]
    assert {str(readings.at[n]) for n in of_run} == {"readings/shower:6"}
    assert readings.not_used == ()


def test_wide_and_long_say_the_same() -> None:
    assert figures(parse_readings({LONG: long_rows()}, STUDY)) == figures(example_readings())


@given(random_=st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(random_: random.Random) -> None:
    """However a sheet was sorted, the same figures come of it."""
    wide = {test: rows(sheet) for test, sheet in SHEETS.items()}
    for table in wide.values():
        random_.shuffle(table)
    long = long_rows()
    random_.shuffle(long)
    assert figures(parse_readings(wide, STUDY)) == figures(parse_readings({LONG: long}, STUDY))
    assert figures(parse_readings(wide, STUDY)) == figures(example_readings())


@given(random_=st.randoms(use_true_random=False))
def test_the_order_of_columns_changes_nothing(random_: random.Random) -> None:
    columns = list(rows(SHEETS["shower"])[0])
    random_.shuffle(columns)
    table = [{column: row[column] for column in columns} for row in rows(SHEETS["shower"])]
    assert figures(parse_readings({"shower": table}, STUDY)) == figures(
        parse_readings({"shower": rows(SHEETS["shower"])}, STUDY)
    )


def test_resolution_is_the_instruments_or_the_finest_typed() -> None:
    """A sheet program drops trailing zeros, so that the finest cell of a column speaks for all of it."""
    assert set(example_readings().step) == {0.01, 1.0}
    study = example_study(('before = { unit = "g", instrument = "scale" }', 'before = { unit = "g" }'))
    table = rows(SHEETS["vapour"])
    table[0]["before"] = "173.4"
    table[1]["before"] = "164"
    readings = parse_readings({"vapour": table}, study)
    assert {readings.step[n] for n, name in enumerate(readings.reading) if name == "before"} == {0.01}
    table[2]["before"] = "169.2"
    readings = parse_readings({"vapour": table}, study)
    assert {readings.step[n] for n, name in enumerate(readings.reading) if name == "before"} == {0.1}


def test_a_product_of_one_run_needs_no_run_number() -> None:
    table = [{key: row[key] for key in row if key != "run"} for row in rows(SHEETS["vapour"])]
    assert [run.number for run in parse_readings({"vapour": table}, STUDY).runs] == [1, 1, 1]


def test_readings_cannot_be_changed() -> None:
    with pytest.raises(ValueError, match="read-only"):
        example_readings().low[0] = 0.0


# ----------------------------------------------------------------------------------------------- what is not used


def shower(**cells: str) -> dict[str, str]:
    """A sound row of the shower test, with some cells changed."""
    row = {"product": "ostrel", "run": "1", "block": "mon", "order": "1", "dry": "9.6", "note": "", "wet": "11.0"}
    return row | {"dry.2": "9.6"} | {name.replace("_", "."): cell for name, cell in cells.items()}


NOT_USED = [
    pytest.param(
        [shower(dry_2="", note="fell off"), shower(run="2")],
        [("readings/shower:2: dry.2 of shower, ostrel run 1", "not recorded (fell off)")],
        id="one-repeat-lost",
    ),
    pytest.param(
        [shower(dry="", dry_2="", wet=""), shower(run="2")],
        [("readings/shower:2: all readings of shower, ostrel run 1", "not recorded")],
        id="run-lost",
    ),
    pytest.param(
        [shower(dry="", dry_2="", wet="", run=run) for run in "123"],
        [("readings/shower: all 3 runs of shower", "nothing is recorded yet")],
        id="sheet-not-begun",
    ),
    pytest.param(
        [shower(product="new")],
        [("readings/shower:2", "new is a reference that test shower does not name")],
        id="reference-not-named",
    ),
    pytest.param(
        [shower(product="garvel")],
        [("readings/shower:2", "test shower is declared without garvel")],
        id="product-left-out",
    ),
    pytest.param(
        [shower(weather="fine"), shower(run="2", weather="dull")],
        [("readings/shower: column weather", "test shower declares no such reading")],
        id="column-of-ones-own",
    ),
    pytest.param(
        [shower(at="09:12")],
        [("readings/shower: column at", "no figure rests on it")],
        id="column-of-when-it-was-read",
    ),
]


@pytest.mark.parametrize(("table", "listed"), NOT_USED)
def test_what_is_not_used_is_listed(table: list[dict[str, str]], listed: list[tuple[str, str]]) -> None:
    study = example_study(('references = ["new"]', 'without = ["garvel"]'))
    assert not_used(parse_readings({"shower": table}, study)) == listed


def test_a_lost_repeat_leaves_the_others() -> None:
    """What is missing is listed, and what is there is still read."""
    readings = parse_readings({"shower": [shower(dry="")]}, STUDY)
    assert list(zip(readings.reading, readings.repeat, strict=True)) == [("dry", 2), ("wet", 1)]
    assert not_used(readings) == [("readings/shower:2: dry of shower, ostrel run 1", "not recorded")]


def test_a_reading_that_a_long_table_lacks_is_listed() -> None:
    """In a long table a reading may be lost without an empty cell to show for it."""
    table = [row for row in long_rows() if (row["product"], row["run"], row["reading"]) != ("ostrel", "2", "wet")]
    readings = parse_readings({LONG: table}, STUDY)
    assert [reason for row, reason in not_used(readings) if row.endswith(": wet of shower, ostrel run 2")] == [
        "not recorded (drops roll off)"
    ]


def test_blocks_that_nobody_declared_are_listed_once() -> None:
    readings = parse_readings({"shower": rows(SHEETS["shower"])}, UNBLOCKED)
    assert not_used(readings) == [("readings/shower: column block", "test shower declares no blocks")]
    assert {run.block for run in readings.runs} == {""}


# ----------------------------------------------------------------------------------------------------- mistakes


MISTAKES = [
    # rows
    pytest.param(
        [shower(product="ostrl")],
        "readings/shower:2: product: 'ostrl': the study has no such product. "
        "Did you mean 'ostrel'? Known: untreated, water, new, ostrel, garvel.",
        id="product-unknown",
    ),
    pytest.param(
        [shower(product="The Ostrel")],
        "readings/shower:2: product: 'The Ostrel': the study has no such product. Write its id, ostrel.",
        id="product-by-name",
    ),
    pytest.param(
        [shower(product="")],
        "readings/shower:2: product: the cell is empty. Known: untreated, water, new, ostrel, garvel.",
        id="product-empty",
    ),
    pytest.param(
        [shower(run="")],
        "readings/shower:2: run: the run has no number. Number the runs of a product 1, 2, 3 …",
        id="run-empty",
    ),
    pytest.param(
        [shower(run="first")],
        "readings/shower:2: run: 'first': a whole number is needed, 1 or more. Number the runs of a product 1, 2, 3 …",
        id="run-in-words",
    ),
    pytest.param(
        [shower(run="0")],
        "readings/shower:2: run: '0': a whole number is needed, 1 or more. Number the runs of a product 1, 2, 3 …",
        id="run-zero",
    ),
    pytest.param(
        [shower(), shower(wet="11.2")],
        "readings/shower:3: run: '1': line 2 is run 1 of ostrel already. Number the runs of a product 1, 2, 3 …",
        id="run-twice",
    ),
    pytest.param(
        [shower(block=""), shower(run="2")],
        "readings/shower:2: block: test shower compares within blocks (day), and this run names none. "
        "Fill in the column `block`.",
        id="block-empty",
    ),
    pytest.param(
        [shower(block=""), shower(run="2", block="")],
        "readings/shower: block: test shower compares within blocks (day), and no run names its own. "
        "Fill in a column `block`.",
        id="blocks-empty",
    ),
    pytest.param(
        [shower(order="third")],
        "readings/shower:2: order: 'third': the place in the order run is a number, 1 for the first.",
        id="order-in-words",
    ),
    pytest.param(
        [shower(order="-1")],
        "readings/shower:2: order: '-1': the place in the order run is a number, 1 for the first.",
        id="order-below-zero",
    ),
    pytest.param(
        [shower(wet="soaked")],
        "readings/shower:2: wet: 'soaked': this is not a number. "
        "Write a number such as 12.4, or leave the cell empty with a note.",
        id="no-number",
    ),
    # columns
    pytest.param(
        [{**shower(), "dry.3": "9.7"}],
        "readings/shower:1: column: 'dry.3': test shower declares 2 readings of dry in a run. "
        "Write repeats = 3 in the study, or correct it.",
        id="repeat-not-declared",
    ),
    pytest.param(
        [{**shower(), "dry.1": "9.7"}],
        "readings/shower:1: column: 'dry.1': the first dry of a run stands in the column dry. Call the second dry.2.",
        id="first-repeat-numbered",
    ),
    pytest.param(
        [{**shower(), "code": "K7"}],
        "readings/shower:1: column: 'code': nothing says which product a code stands for. "
        "Put the plan beside the sheets as plan.csv, or name products in a column `product`.",
        id="codes",
    ),
    pytest.param(
        [{("wett" if k == "wet" else k): v for k, v in shower().items()}],
        "readings/shower:1: column: 'wett': test shower has no such column. Did you mean 'wet'?",
        id="reading-misspelt",
    ),
    pytest.param(
        [{("Product" if k == "product" else k): v for k, v in shower().items()}],
        "readings/shower:1: column: 'Product': test shower has no such column. Did you mean 'product'?",
        id="product-misspelt",
    ),
    pytest.param(
        [{("blok" if k == "block" else k): v for k, v in shower().items()}],
        "readings/shower:1: column: 'blok': test shower has no such column. Did you mean 'block'?",
        id="block-misspelt",
    ),
    pytest.param(
        [{("notes" if k == "note" else k): v for k, v in shower().items()}],
        "readings/shower:1: column: 'notes': test shower has no such column. Did you mean 'note'?",
        id="note-misspelt",
    ),
    pytest.param(
        [{k: v for k, v in shower().items() if k != "wet"}],
        "readings/shower:1: header: column 'wet' is missing; "
        "the header has product, run, block, order, dry, note, dry.2. Add a column wet.",
        id="reading-missing",
    ),
    pytest.param(
        [{k: v for k, v in shower().items() if k != "product"}],
        "readings/shower:1: header: column 'product' is missing; "
        "the header has run, block, order, dry, note, wet, dry.2. Add it, with a product id in each row.",
        id="product-missing",
    ),
    pytest.param(
        [{k: v for k, v in shower().items() if k != "run"}] * 3,
        "readings/shower:3: rows: 'ostrel': lines 2, 3, 4 are all of this product, and nothing says whether they are "
        "runs or repeats. Number the runs in a column `run`, or put repeats of one run into columns such as wet.2.",
        id="runs-not-numbered",
    ),
]


@pytest.mark.parametrize(("table", "message"), MISTAKES)
def test_a_mistake_in_a_wide_sheet_is_told(table: list[dict[str, str]], message: str) -> None:
    assert said({"shower": table}) == [message]


def bend(**cells: str) -> dict[str, str]:
    """A sound row of a long table, with some cells changed."""
    row = {
        "test": "vapour",
        "product": "ostrel",
        "run": "1",
        "reading": "stood",
        "repeat": "1",
        "value": "1440",
        "unit": "min",
    }
    return row | cells


LONG_MISTAKES = [
    pytest.param(
        [bend(test="vapor")],
        ["readings:2: test: 'vapor': the study has no such test. Did you mean 'vapour'? Known: shower, vapour."],
        id="test-unknown",
    ),
    pytest.param([bend(test="")], ["readings:2: test: the cell is empty. Known: shower, vapour."], id="test-empty"),
    pytest.param(
        [bend(reading="stod")],
        [
            (
                "readings:2: reading: 'stod': test vapour has no such reading. "
                "Did you mean 'stood'? Known: before, after, stood."
            )
        ],
        id="reading-unknown",
    ),
    pytest.param(
        [bend(unit="h")],
        ["readings:2: unit: 'h': vapour declares stood in min. Convert the value and write min, or correct the unit."],
        id="unit",
    ),
    pytest.param(
        [bend(repeat="2")],
        [
            (
                "readings:2: repeat: '2': test vapour declares one reading of stood in a run. "
                "Write repeats = 2 in the study, or correct it."
            )
        ],
        id="repeat-not-declared",
    ),
    pytest.param(
        [bend(repeat="b")], ["readings:2: repeat: 'b': a whole number is needed, 1 or more."], id="repeat-in-words"
    ),
    pytest.param(
        [bend(), bend(value="1441")],
        [
            (
                "readings:3: row: line 2 has stood of ostrel, run 1, repeat 1 already. "
                "Correct one of the two, or number the repeats."
            )
        ],
        id="reading-twice",
    ),
    pytest.param(
        [bend(value="24 h")],
        [
            (
                "readings:2: value: '24 h': it is in h, and the study has this reading in min. "
                "Convert it, or correct its unit."
            )
        ],
        id="value-with-unit",
    ),
    pytest.param(
        [bend(order="1"), bend(reading="after", order="2", unit="g")],
        ["readings:3: order: '2': line 2 gives 1 for the same run. Correct one of the two."],
        id="run-told-in-two-ways",
    ),
    pytest.param(
        [{"product": "ostrel", "before": "9", "after": "8"}],
        [
            "readings:1: header: column 'reading' is missing. Add a column reading.",
            "readings:1: header: column 'test' is missing. Add a column test.",
            "readings:1: header: column 'value' is missing. Add a column value.",
        ],
        id="wide-and-not-long",
    ),
    pytest.param(
        [{("values" if k == "value" else k): v for k, v in bend().items()}],
        ["readings:1: column: 'values': a long sheet has no such column. Did you mean 'value'?"],
        id="column-misspelt",
    ),
]


@pytest.mark.parametrize(("table", "messages"), LONG_MISTAKES)
def test_a_mistake_in_a_long_sheet_is_told(table: list[dict[str, str]], messages: list[str]) -> None:
    assert said({LONG: table}) == messages


def test_a_sheet_of_no_test_is_told() -> None:
    assert said({"showr": [shower()]}) == [
        "readings/showr: sheet: 'showr': the study has no such test. Did you mean 'shower'? Known: shower, vapour."
    ]


def test_mistakes_of_all_sheets_are_reported_together() -> None:
    found = said({"shower": [shower(wet="x", product="ostrel"), shower(run="x")], "vapour": [{"product": "ostrel"}]})
    assert [line.partition(": ")[0] for line in found] == [
        "readings/shower:2",
        "readings/shower:3",
        *["readings/vapour:1"] * 3,
    ]


def test_a_sheet_wrong_from_end_to_end_is_not_read_to_its_end() -> None:
    found = said({"shower": [shower(run=str(n), wet="x") for n in range(1, 3000)]})
    assert len(found) == 1001
    stop = "readings/shower:1001: there are 1,000 mistakes up to here, and the rest was not read. Mend these first."
    assert stop in found


# ------------------------------------------------------------------------------------------------------- cells

NUMBERS = {"61.20": 61.2, "-3": -3.0, "+5": 5.0, ".5": 0.5, "7.": 7.0, "1.5e3": 1500.0, "0": 0.0, "0e-99": 0.0}


@pytest.mark.parametrize("typed", NUMBERS)
def test_a_number_is_read_as_typed(typed: str) -> None:
    assert number(typed) == NUMBERS[typed]


@given(value=st.floats(min_value=-1e29, max_value=1e29).filter(lambda x: abs(x) > 1e-29))
def test_what_a_program_writes_is_read_back(value: float) -> None:
    """Every figure that another program wrote in full is the same figure here."""
    assert number(repr(value)) == value


@given(digits=st.integers(0, 9), value=st.integers(-(10**9), 10**9))
def test_the_step_is_the_last_place(digits: int, value: int) -> None:
    typed = f"{value / 10**digits:.{digits}f}"
    assert decimal_step(typed) == float(f"1e-{digits}")


COMMON = "Write a number such as 12.4, or leave the cell empty with a note."
NO_BOUND = "this is no bound or interval that can be read."
ALONE = "the number and its unit cannot be parted here."
BOUNDS = "Write it as in 570..580, ..724, <0.5, >100 or ~570, the lower end first."
NOTHING = ("there is no number here.", "Leave the cell empty, with a note.")
A_BOUND = "a bound is written with a sign."
BETWEEN = "an interval is written with two points."
ABOUT = "what is only about so is written with a sign."
AN_ONLY = "a number stands alone in its cell."
IN_G = "the study has this reading in g."
CELLS = {
    "61,2": ("a number is written with a decimal point.", "Write 61.2."),
    "-0,25": ("a number is written with a decimal point.", "Write -0.25."),
    "1,234": ("a comma could part the thousands or the decimals.", "Write 1234 or 1.234."),
    "1,234.5": ("',' stands within the number.", "Write 1234.5."),
    "1.234,5": ("'.' stands within the number.", "Write 1234.5."),
    "1 234.5": ("' ' stands within the number.", "Write 1234.5."),
    "1'234": ('"\'" stands within the number.', "Write 1234."),
    "−9.5": ("it holds '−' (minus sign).", "Write -9.5."),
    "９.5": ("it holds '９' (fullwidth digit nine).", "Write 9.5."),
    "٩": ("this is not a number.", COMMON),
    "1e999": ("this number is too large or too small to compute with.", "Write it in g."),
    "1e-999": ("this number is too large or too small to compute with.", "Write it in g."),
    "9" * 41: ("this number is too large or too small to compute with.", "Write it in g."),
    "61.2 g": (ALONE, "Write 61.2."),
    "61.2g": (ALONE, "Write 61.2."),
    "0.06 kg": ("it is in kg, and the study has this reading in g.", "Convert it, or correct its unit."),
    "5 %": ("it is in %, and the study has this reading in g.", "Convert it, or correct its unit."),
    "2:05": ("hours, minutes and seconds stand together.", "Write one number, in g."),
    "580..570": (NO_BOUND, BOUNDS),
    "570..570": (NO_BOUND, BOUNDS),
    "..": (NO_BOUND, BOUNDS),
    "< half": (NO_BOUND, BOUNDS),
    "~": (NO_BOUND, BOUNDS),
    "<0,5": (NO_BOUND, BOUNDS),
    "DNF": ("this is not a number.", "Write did not finish."),
    "nan": NOTHING,
    "inf": ("this is not a number.", COMMON),
    "n/a": NOTHING,
    "—": NOTHING,
    "-": NOTHING,
    "none": ("there is no number here.", "Leave the cell empty, with a note, or write 0 if 0 was read."),
    "over 1000": (A_BOUND, "Write >1000."),
    "more than 1000": (A_BOUND, "Write >1000."),
    "at least 1000 g": (A_BOUND, "Write >1000 g."),
    "> than 5": (A_BOUND, "Write >5."),
    "1000+": (A_BOUND, "Write >1000."),
    "under 5": (A_BOUND, "Write <5."),
    "less than 5": (A_BOUND, "Write <5."),
    "≤ 0.5": (A_BOUND, "Write <0.5."),
    "380-390": (BETWEEN, "Write 380..390."),
    "380 to 390": (BETWEEN, "Write 380..390."),
    "380 – 390": (BETWEEN, "Write 380..390."),
    "between 380 and 390 g": (BETWEEN, "Write 380..390 g."),
    "390-380": ("this is not a number.", COMMON),  # it may be a difference
    "380 and 390": (f"it is in and 390, and {IN_G}", "Convert it, or correct its unit."),
    "ca. 370": (ABOUT, "Write ~370, which is read as 360..380."),
    "about 370": (ABOUT, "Write ~370, which is read as 360..380."),
    "approx 370": (ABOUT, "Write ~370, which is read as 360..380."),
    "370ish": (ABOUT, "Write ~370, which is read as 360..380."),
    "≈370": (ABOUT, "Write ~370, which is read as 360..380."),
    "0.98 (est.)": (AN_ONLY, "Write 0.98 with a note, or ~0.98 if it is only about that."),
    "0.98?": (AN_ONLY, "Write 0.98 with a note, or ~0.98 if it is only about that."),
    "0.98 (g)": ("this is not a number.", COMMON),
    "1_000": ("this is not a number.", COMMON),
    "12-Jan": ("this is not a number.", COMMON),
    "#DIV/0!": ("this is not a number.", COMMON),
    "=B2/2": ("this is not a number.", COMMON),
    "TRUE": ("this is not a number.", COMMON),
}


@pytest.mark.parametrize("typed", CELLS)
def test_a_cell_that_is_no_number_is_told(typed: str) -> None:
    """Nothing is guessed: the message says what to write instead."""
    assert number(typed) is None
    assert advice(typed, "g") == CELLS[typed]


@pytest.mark.parametrize("typed", [typed for typed, (_, write) in CELLS.items() if re.match(r"Write [-<>~0-9]", write)])
def test_what_a_message_says_to_write_is_read(typed: str) -> None:
    """Whoever follows the advice is understood."""
    for one in re.findall(r"[<>~]?-?[0-9.]*[0-9]", CELLS[typed][1]):
        assert span(one) is not None


@given(st.text(max_size=30))
def test_any_cell_is_a_number_or_told(typed: str) -> None:
    if number(typed) is None:
        why, write = advice(typed, "g")
        assert why.endswith(".")
        assert write.endswith(".")
    else:
        assert np.isfinite(number(typed) or 0.0)
        assert decimal_step(typed) >= 0.0
