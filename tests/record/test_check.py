"""What `check` says of a sound study."""

from __future__ import annotations

from evenbench.record.check import as_json, as_text, check
from evenbench.study.readings import parse_readings
from tests.strategies import SHEETS, example_readings, example_study, rows


def test_all_is_used() -> None:
    text = as_text(check(example_study(), example_readings()))
    assert text.splitlines() == [
        "Proofers for worn rain jackets: the study and its sheets can be read.",
        "test    products  runs  planned  readings",
        "shower         5     6       12        18",
        "vapour         3     3                  9",
        "  shower, water: no runs",
        "  shower, new: no runs",
        "2 things listed above are not used or not there.",
    ]


def test_nothing_is_recorded() -> None:
    study = example_study()
    text = as_text(check(study, parse_readings({}, study)))
    assert text.splitlines()[-1] == "Nothing is recorded yet. For sheets ready to fill: evenbench start FOLDER"


def test_a_formula_without_a_value_is_listed() -> None:
    """A dry weight of nothing is a number, and no share can be taken of it."""
    study, table = example_study(), rows(SHEETS["shower"])
    table[1] |= {"dry": "0", "dry.2": "0"}
    checked = check(study, parse_readings({"shower": table}, study))
    assert ("shower, ostrel run 1", "the formula has no value for these readings") in [
        (note.row, note.reason) for note in checked.not_used
    ]


def test_json_and_text_list_the_same() -> None:
    checked = check(example_study(), example_readings())
    assert as_json(checked) == {
        "sound": True,
        "mistakes": [],
        "not_used": [{"row": f"shower, {product}", "reason": "no runs"} for product in ("water", "new")],
        "doubts": [],
    }
