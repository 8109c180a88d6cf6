"""Readings lent from one test to another: read once, used in both, and matched by specimen or by run."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import pytest

from evenbench.reduce import reduce
from evenbench.study.guards import guards
from evenbench.study.mistakes import StudyError
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import LONG, Readings, parse_readings

TODAY = date(2026, 11, 25)
TEXT = """
format = 1
[study]
id = "swatches"
title = "Swatches of jacket cloth"
[instruments]
scale = { resolution = "0.01 g" }
[products.untreated]
name = "Worn cloth"
role = "control"
[products.ostrel]
name = "Ostrel Spray"
[tests.shower]
title = "Shower"
readings.dry = { unit = "g", instrument = "scale"OF }
readings.wet = { unit = "g", instrument = "scale" }
results.uptake = { formula = "(wet - dry) / dry", unit = "%", kind = "benefit", better = "lower", matters = "5 points" }
[tests.drying]
title = "Drying on the line"
readings.dry = { lent_by = "shower.dry" }
readings.after = { unit = "g", instrument = "scale" }
results.left = { formula = "(after - dry) / dry", unit = "%", kind = "benefit", better = "lower", matters = "5 points" }
"""
SHOWER = [
    ("untreated", "1", "A1", "10.00", "14"),
    ("untreated", "2", "A2", "10.20", "14"),
    ("ostrel", "1", "B1", "9.80", "11"),
]
DRYING = [("ostrel", "1", "B1", "10.78"), ("untreated", "1", "A2", "11.22"), ("untreated", "2", "A1", "12.00")]


def study(*changes: tuple[str, str], of: str = "") -> Study:
    text = TEXT.replace("OF", of)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse(text, today=TODAY)


def tables(
    shower: Sequence[tuple[str, ...]] = SHOWER, drying: Sequence[tuple[str, ...]] = DRYING
) -> dict[str, list[dict[str, str]]]:
    return {
        "shower": [dict(zip(("product", "run", "specimen", "dry", "wet"), row, strict=True)) for row in shower],
        "drying": [dict(zip(("product", "run", "specimen", "after"), row, strict=True)) for row in drying],
    }


def left(study: Study, readings: Readings) -> dict[tuple[str, int], float]:
    """The outcome of every run of the borrowing test."""
    [outcomes] = [o for o in reduce(study, readings) if o.result.id == "left"]
    runs = [readings.runs[int(n)] for n in outcomes.run]
    return {(run.product, run.number): round(float(v), 9) for run, v in zip(runs, outcomes.value, strict=True)}


def test_a_reading_is_lent_by_specimen() -> None:
    """By hand: B1 (10.78 - 9.80) / 9.80 = 10 %, A2 (11.22 - 10.20) / 10.20 = 10 %, A1 (12 - 10) / 10 = 20 %."""
    readings = parse_readings(tables(), study())
    assert left(study(), readings) == {("untreated", 1): 10.0, ("untreated", 2): 20.0, ("ostrel", 1): 10.0}
    assert not readings.not_used


def test_without_specimens_it_is_lent_by_product_and_run() -> None:
    nameless = [(p, n, "", *rest) for p, n, _, *rest in SHOWER]
    readings = parse_readings(tables(shower=nameless), study())
    assert left(study(), readings)["untreated", 1] == round((11.22 / 10.00 - 1) * 100, 9)


def test_a_reading_of_the_specimen_itself_is_lent_by_its_name() -> None:
    by_name = study(of=', of = "specimen"')
    assert left(by_name, parse_readings(tables(), by_name)) == left(study(), parse_readings(tables(), study()))


def test_it_is_traced_to_where_it_was_typed() -> None:
    readings = parse_readings(tables(), study())
    [outcomes] = [o for o in reduce(study(), readings) if o.result.id == "left"]
    places = {str(readings.at[row]) for row in outcomes.rows[0]}
    assert places == {"readings/shower:3", "readings/drying:3"}


def test_one_slip_is_doubted_once() -> None:
    """A figure beyond its instrument is told where it was typed, and not again where it is lent."""
    ranged = study(('"0.01 g" }', '"0.01 g", range = "0 g to 10.1 g" }'))
    readings = parse_readings(tables(), ranged)
    found = [doubt.about for doubt in guards(ranged, readings) if "10.20" in doubt.about]
    assert found == ["shower, untreated run 2, dry = 10.20 g"]


def test_what_was_not_lent_is_listed() -> None:
    readings = parse_readings(tables(shower=SHOWER[1:]), study())
    assert [(n.row, n.reason) for n in readings.not_used] == [
        ("readings/drying:4: dry of drying, untreated run 2", "shower.dry has none to lend")
    ]
    assert ("untreated", 2) not in left(study(), readings)


def test_a_specimen_that_went_through_twice_lends_nothing() -> None:
    """Nothing says which of its two readings is meant."""
    twice = [*SHOWER, ("untreated", "3", "A1", "10.40", "14")]
    readings = parse_readings(tables(shower=twice), study())
    assert ("untreated", 2) not in left(study(), readings)
    assert any("specimen A1 went through shower more than once" in n.reason for n in readings.not_used)


MISTAKES = [
    pytest.param(("shower.dry", "shower.dri"), "no other test has this reading. Did you mean 'shower.dry'?", id="name"),
    pytest.param(("shower.dry", "drying.after"), "this is a reading of the same test.", id="same-test"),
    pytest.param(
        ('{ lent_by = "shower.dry" }', '{ lent_by = "shower.dry", unit = "g" }'),
        "a reading that is lent is declared where it is read. Leave it out.",
        id="declared-again",
    ),
    pytest.param(
        ('readings.wet = {', 'readings.back = { lent_by = "drying.dry" }\nreadings.wet = {'),
        'it is lent itself. Write lent_by = "shower.dry".',
        id="lent-twice",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("change", "why"), MISTAKES)
def test_what_cannot_be_lent_is_told(change: tuple[str, str], why: str) -> None:
    with pytest.raises(StudyError) as caught:
        study(change)
    assert why in str(caught.value)


def test_a_lent_reading_is_not_typed_again() -> None:
    wide = tables()
    wide["drying"] = [row | {"dry": "10"} for row in wide["drying"]]
    with pytest.raises(StudyError, match=r"column: 'dry': it is lent by shower\.dry\. Take the column out"):
        parse_readings(wide, study())
    long = [{"test": "drying", "product": "ostrel", "run": "1", "reading": "dry", "value": "10"}]
    with pytest.raises(StudyError, match=r"reading: 'dry': it is lent by shower\.dry\. Take the row out"):
        parse_readings({LONG: long}, study())


def test_what_another_value_stands_in_for_is_not_listed_as_lacking() -> None:
    """Of a loss and the weighings it can be computed from, a run needs one or the other."""
    given = study(
        ("readings.after = {", 'readings.given = { unit = "g" }\nreadings.after = {'),
        ('formula = "(after - dry) / dry"', 'formula = "first_of(after - dry, given) / dry"'),
    )
    both = tables()
    both["drying"] = [row | {"given": ""} for row in both["drying"]]
    assert not parse_readings(both, given).not_used
    both["drying"][0] |= {"after": "", "given": "0.98"}
    readings = parse_readings(both, given)
    assert left(given, readings)["ostrel", 1] == 10.0
    assert not readings.not_used
    both["drying"][0] |= {"given": ""}
    assert [n.reason for n in parse_readings(both, given).not_used] == ["not recorded"]
