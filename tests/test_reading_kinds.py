"""Readings that are not plain numbers: bounds, intervals, times, unfinished runs, grades, categories, places, texts."""

from __future__ import annotations

import json
import math
from datetime import date

import numpy as np
import pytest

from evenbench.analysis import Analysis, analyse
from evenbench.publish.contract import contract
from evenbench.publish.trace import as_text, trace
from evenbench.study.mistakes import StudyError
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings

HEAD = """
format = 1
[study]
id = "bench"
title = "Bench"
[instruments]
watch = { resolution = "0.1 s", range = "0 s to 600 s" }
[products.c]
name = "Control"
role = "control"
[products.a]
name = "A"
[products.b]
name = "B"
"""


def analysed(test: str, rows: list[dict[str, str]], buyers: str = "") -> Analysis:
    study = parse(f'{HEAD}\n[tests.t]\ntitle = "T"\n{test}\n{buyers}', today=date(2026, 11, 25))
    return analyse(study, parse_readings({"t": rows}, study))


def rows(**cells: list[str]) -> list[dict[str, str]]:
    """Rows of products c, a, b in turn: `rows(x=["1", "2", "3", …])`, runs counted on."""
    count = len(next(iter(cells.values())))
    return [
        {"product": "cab"[n % 3], "run": str(n // 3 + 1), **{column: values[n] for column, values in cells.items()}}
        for n in range(count)
    ]


MASS = (
    'readings.x = { unit = "g" }\n'
    'results.y = { formula = "2 * x", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }'
)


def test_an_interval_is_its_middle_as_wide_as_its_step() -> None:
    """570..580 is 575 with the resolution of ten: u = 10/sqrt(12), twice that after doubling."""
    outcomes = analysed(MASS, rows(x=["570..580", "1", "2"])).comparisons[0].outcomes
    assert outcomes.value[0] == 1150.0
    assert outcomes.own[0] == pytest.approx(20 / math.sqrt(12))


def test_about_is_within_one_of_its_last_digit() -> None:
    """~570 is from 560 to 580, ~0.5 from 0.4 to 0.6."""
    outcomes = analysed(MASS, rows(x=["~570", "~0.5", "2"])).comparisons[0].outcomes
    assert outcomes.value.tolist() == [1140.0, 1.0, 4.0]
    assert outcomes.own[:2] == pytest.approx([40 / math.sqrt(12), 0.4 / math.sqrt(12)])


@pytest.mark.parametrize(("unit", "value"), [("s", 125.0), ("min", 125 / 60), ("h", 125 / 3600), ("ms", 125_000.0)])
def test_a_clock_shows_seconds_whatever_the_unit(unit: str, value: float) -> None:
    test = (
        f'readings.x = {{ kind = "time", unit = "{unit}" }}\n'
        f'results.y = {{ formula = "x", unit = "{unit}", kind = "info" }}'
    )
    outcomes = analysed(test, rows(x=["2:05", "2:00", "1:59"])).comparisons[0].outcomes
    assert outcomes.value[0] == pytest.approx(value, rel=1e-12)
    assert outcomes.own[0] == pytest.approx(value / 125 / math.sqrt(12), rel=1e-12)


BEYOND = [
    pytest.param(">100", (200.0, math.inf), id="beyond-above"),
    pytest.param("<0.5", (-math.inf, 1.0), id="below"),
    pytest.param("..724", (-math.inf, 1448.0), id="at-most"),
    pytest.param("724..", (1448.0, math.inf), id="at-least"),
]


@pytest.mark.parametrize(("cell", "bounds"), BEYOND)
def test_a_bound_is_kept_and_not_guessed(cell: str, bounds: tuple[float, float]) -> None:
    """A run known within bounds only is shown with them; its product gets no level, no interval and no verdict."""
    analysis = analysed(MASS, rows(x=["1", cell, "3", "1.1", "2", "3.2", "0.9", "2.1", "2.9"]))
    comparison = analysis.comparisons[0]
    [found] = comparison.outcomes.beyond
    assert (found.product, (found.low, found.high)) == ("a", bounds)
    for family in comparison.families:
        for member, verdict in zip(family.members, family.verdict, strict=True):
            assert (verdict == "cannot say") == (member == "a")
    assert "1 of 3 runs of A went beyond" in comparison.best.why
    shown = contract(analysis)["tests"]["t"]["results"]["y"]["products"]["a"]
    assert (shown["n"], shown["n_censored"], shown["estimate"]) == (3, 1, None)
    assert json.dumps(shown, allow_nan=False)
    assert "known within bounds only" in as_text(trace(analysis, "t.y", "a"))


def test_a_control_beyond_reading_leaves_nothing_to_compare_with() -> None:
    """Where the control's level is unknown no product has a verdict, and the reason is the control's."""
    comparison = analysed(MASS, rows(x=[">100", "2", "3", "1.1", "2.2", "3.2"])).comparisons[0]
    assert {w for f in comparison.families for w in f.verdict} == {"cannot say"}
    assert all("Control went beyond" in why for f in comparison.families for why in f.why)
    # Which candidate is best does not need the control.
    assert comparison.best.why == ""


def test_bounds_go_through_a_falling_formula() -> None:
    """A time of more than 600 s is a rate under 1/600."""
    test = (
        'readings.time = { kind = "time", unit = "s", instrument = "watch" }\n'
        'results.y = { formula = "1 / time", unit = "1/min", kind = "info" }'
    )
    found = analysed(test, rows(time=["did not finish", "2:05", "90.5"])).comparisons[0].outcomes
    assert found.value == pytest.approx([60 / 125, 60 / 90.5])
    assert (found.beyond[0].low, found.beyond[0].high) == pytest.approx((0.0, 0.1))


def test_did_not_finish_needs_to_know_how_far_it_went() -> None:
    """A reading without a limit cannot say what an unfinished run stands for; a stated limit can."""
    with pytest.raises(
        StudyError, match=r"readings/t:2: x: 'did not finish': nothing says how far x went .* Add limit = \"600 g\""
    ):
        analysed(MASS, rows(x=["did not finish", "2", "3"]))
    limited = MASS.replace('unit = "g" }', 'unit = "g", limit = "50 g" }', 1)
    [found] = analysed(limited, rows(x=["Did not finish", "2", "3"])).comparisons[0].outcomes.beyond
    assert (found.low, found.high) == (100.0, math.inf)


def test_bounds_that_do_not_matter_leave_a_result_alone() -> None:
    """A result that does not name the open reading is computed as ever."""
    test = (
        'readings.x = { unit = "g" }\nreadings.z = { unit = "g" }\n'
        'results.y = { formula = "x", unit = "g", kind = "info" }\n'
        'results.w = { formula = "x + z", unit = "g", kind = "info" }'
    )
    first, second = analysed(test, rows(x=["1", "2", "3"], z=[">5", "1", "1"])).comparisons
    assert len(first.outcomes.value) == 3
    assert (second.outcomes.beyond[0].low, second.outcomes.beyond[0].high) == (6.0, math.inf)


def test_a_run_that_lacks_a_reading_too_is_missing() -> None:
    """Bounds do not stand in for a reading that was never taken."""
    test = (
        'readings.x = { unit = "g" }\nreadings.z = { unit = "g" }\n'
        'results.w = { formula = "x + z", unit = "g", kind = "info" }'
    )
    outcomes = analysed(test, rows(x=["", "2", "3"], z=[">5", "1", "1"])).comparisons[0].outcomes
    assert outcomes.beyond == ()
    assert outcomes.missing[0].reason == "no x"


GRADE = (
    'readings.grade = { levels = ["0", "50", "80", "100"] }\n'
    'results.rating = { formula = "grade", better = "higher", kind = "benefit" }'
)


def test_grades_are_counted_and_not_judged() -> None:
    """Levels have counts, no mean, no interval, and `cannot say` until the engine can judge them."""
    analysis = analysed(GRADE, rows(grade=["0", "80", "100", "50", "80", "80"]))
    shown = contract(analysis)["tests"]["t"]["results"]["rating"]
    assert shown["outcome"] == "grade"
    assert shown["products"]["a"]["counts"] == {"0": 0, "50": 0, "80": 2, "100": 0}
    assert shown["products"]["b"]["counts"] == {"0": 0, "50": 0, "80": 1, "100": 1}
    assert shown["products"]["a"]["vs"]["c"]["verdict"] == "cannot say"
    assert (shown["products"]["a"]["mean"], shown["could_be_best"]) == (None, None)
    assert "grades are shown as they were read" in shown["why"]["could_be_best"]
    assert "run 1: 80" in as_text(trace(analysis, "t.rating", "a"))


def test_a_level_that_is_none_is_told() -> None:
    """A typo in a level is told, with the levels there are."""
    with pytest.raises(
        StudyError, match=r"readings/t:2: grade: '8O': this is no level of grade. Known: 0, 50, 80, 100\."
    ):
        analysed(GRADE, rows(grade=["8O", "80", "100"]))


def test_categories_and_yes_or_no() -> None:
    """Categories have no order; a yes or no is a grade of two levels."""
    test = (
        'readings.look = { kind = "category", levels = ["clear", "cloudy"] }\n'
        'readings.leaks = { kind = "yes or no" }\n'
        'results.look_of_it = { formula = "look", kind = "info" }\n'
        'results.dry = { formula = "leaks", kind = "risk", better = "lower" }'
    )
    look, dry = analysed(test, rows(look=["Clear", "cloudy", "clear"], leaks=["no", "yes", "No"])).comparisons
    assert look.counts is not None
    assert dry.counts is not None
    assert (look.counts.tolist(), dry.counts.tolist()) == ([[1, 0], [0, 1], [1, 0]], [[1, 0], [0, 1], [1, 0]])
    assert look.result.outcome == "category"


def test_places_average_ties_and_put_the_unfinished_last() -> None:
    """Equal numbers share a place; a run that did not finish comes last in its block."""
    test = (
        'blocks = "heat"\nreadings.place = { kind = "place" }\n'
        'results.finish = { formula = "place", kind = "benefit", better = "lower" }'
    )
    table = [
        {**row, "block": row["run"]}
        for row in rows(place=["1", "1", "3", "did not finish", "2", "1", "3", "did not finish", "did not finish"])
    ]
    comparison = analysed(test, table).comparisons[0]
    assert [comparison.outcomes.value[comparison.outcomes.of(p)].tolist() for p in "cab"] == [
        [1.5, 3.0, 1.0],
        [1.5, 2.0, 2.5],
        [3.0, 1.0, 2.5],
    ]
    assert comparison.mean == pytest.approx([5.5 / 3, 2.0, 6.5 / 3])
    assert np.isnan(comparison.estimate).all()


def test_a_text_is_kept_and_shown_with_its_run() -> None:
    """What was seen in words stands with the run, and no formula may name it."""
    test = f'{MASS}\nreadings.seen = {{ kind = "text" }}'
    analysis = analysed(test, rows(x=["1", "2", "3"], seen=["a drip, left", "", "clear"]))
    assert analysis.readings.typed[1] == "a drip, left"
    with pytest.raises(StudyError, match="seen is a text, and a formula cannot compute with it"):
        analysed(test.replace('"2 * x"', '"seen"'), rows(x=["1", "2", "3"], seen=["", "", ""]))


REFUSED = [
    pytest.param('readings.x = { kind = "grade" }', "a grade needs its levels", id="no-levels"),
    pytest.param('readings.x = { kind = "place", unit = "s" }', "a place has no unit", id="unit"),
    pytest.param('readings.x = { kind = "time", unit = "g" }', "a time is not in this unit", id="time-in-grams"),
    pytest.param(
        'readings.x = { kind = "number", unit = "g", levels = ["a", "b"] }', "a number has no levels", id="levels"
    ),
    pytest.param("readings.x = { }", "'unit' is missing", id="no-unit"),
    pytest.param('readings.x = { levels = ["a", "A"] }', "this stands in the list already", id="twice"),
    pytest.param('readings.x = { levels = ["a", "b"], repeats = 2 }', "a grade is read once a run", id="repeats"),
]


@pytest.mark.parametrize(("declared", "why"), REFUSED)
def test_readings_that_cannot_stand(declared: str, why: str) -> None:
    """Each kind takes what belongs to it, and says what does not."""
    with pytest.raises(StudyError, match=why):
        analysed(
            f'{declared}\nreadings.z = {{ unit = "g" }}\nresults.y = {{ formula = "z", unit = "g", kind = "info" }}', []
        )


SHARED = (
    'readings.x = {{ unit = "g" }}\nreadings.z = {{ unit = "g", of = "{of}" }}\n'
    'results.w = {{ formula = "x / z", unit = "%", kind = "info" }}'
)


def test_one_reading_serves_every_run_of_its_product() -> None:
    """Typed once, or in every row alike: all runs of the product are computed with it, and nothing is missing."""
    once = rows(x=["1", "2", "3", "2", "3", "4"], z=["10", "20", "30", "", "", ""])
    alike = rows(x=["1", "2", "3", "2", "3", "4"], z=["10", "20", "30", "10", "20", "30"])
    for table in (once, alike):
        analysis = analysed(SHARED.format(of="product"), table)
        outcomes = analysis.comparisons[0].outcomes
        assert outcomes.value == pytest.approx([10.0, 20.0, 10.0, 15.0, 10.0, 100 * 4 / 30])
        assert analysis.not_used == ()


def test_the_error_of_a_shared_reading_is_shared() -> None:
    """Its rounding is one error for all the runs it serves, never averaged down, and said to be outside the scatter."""
    comparison = analysed(
        SHARED.format(of="product"), rows(x=["1", "2", "3"] * 2, z=["10", "20", "30"] + [""] * 3)
    ).comparisons[0]
    outcomes = comparison.outcomes
    # By hand: d(x/z) = x/z^2 * u(z), u(z) = 1/sqrt(12) from typing whole grams; in percent.
    assert outcomes.shared_names == ("z of product c", "z of product a", "z of product b")
    assert outcomes.shared[1] == pytest.approx(
        [0, 0, -100 * 2 / 400 / math.sqrt(12), -100 * 2 / 400 / math.sqrt(12), 0, 0]
    )
    assert outcomes.own == pytest.approx([100 / z / math.sqrt(12) for z in (10, 10, 20, 20, 30, 30)])
    assert any("z was read once for several runs" in flag for flag in comparison.flags)


def test_a_shared_reading_in_a_long_sheet_leaves_finer_columns_empty() -> None:
    """A reading of the whole test needs no product and no run."""
    study = parse(f'{HEAD}\n[tests.t]\ntitle = "T"\n{SHARED.format(of="test")}', today=date(2026, 11, 25))
    table = [
        {"test": "t", "product": p, "run": "1", "reading": "x", "value": v}
        for p, v in (("c", "1"), ("a", "2"), ("b", "3"))
    ]
    table.append({"test": "t", "product": "", "run": "", "reading": "z", "value": "10"})
    outcomes = analyse(study, parse_readings({"*": table}, study)).comparisons[0].outcomes
    assert outcomes.value == pytest.approx([10.0, 20.0, 30.0])
    # One error for every run cancels between products, so there is nothing to flag.
    assert outcomes.shared_in_part == {}


CONTRADICTED = [
    pytest.param("product", ["10", "20", "30", "11", "", ""], "line 2 has 10 for the same product", id="two-values"),
    pytest.param(
        "specimen", ["10", "", "", "", "", ""], "z is read of a specimen, and this row names none", id="unnamed"
    ),
]


@pytest.mark.parametrize(("of", "z", "why"), CONTRADICTED)
def test_a_shared_reading_that_cannot_stand(of: str, z: list[str], why: str) -> None:
    """Two values for one thing are told with both lines; a thing without a name cannot be shared."""
    with pytest.raises(StudyError, match=why):
        analysed(SHARED.format(of=of), rows(x=["1", "2", "3"] * 2, z=z))


RACE = (
    'blocks = "round"\nlanes = 3\nreadings.place = { place_in = "round" }\n'
    'readings.time = { kind = "time", unit = "s", limit = "60 s" }\n'
    'results.finish = { formula = "place", kind = "benefit", better = "lower" }\n'
    'results.pace = { formula = "1 / time", unit = "1/min", kind = "benefit", better = "higher", matters = "1 1/min" }'
)


def race(**changed: str) -> list[dict[str, str]]:
    """Two rounds of three lanes; `changed` goes into the last row."""
    table = rows(place=["3", "1", "2", "3", "2", "1"], time=["50", "20", "30", "50.1", "30.1", "20.1"])
    for n, row in enumerate(table):
        row |= {"round": str(n // 3 + 1), "lane": "123312"[n]}
    table[-1] |= changed
    return table


def test_rounds_are_blocks_and_lanes_are_kept() -> None:
    """A round is a block in which several run at once; lanes are shown with the runs."""
    analysis = analysed(RACE, race())
    finish, pace = analysis.comparisons
    assert finish.outcomes.blocks == ("1", "2")
    assert finish.mean == pytest.approx([3.0, 1.5, 1.5])
    assert pace.fit is not None
    assert pace.fit.text.endswith("fixed blocks")
    assert "cannot say" not in pace.families[0].verdict
    assert "block 1, lane 1" in as_text(trace(analysis, "t.pace", "c"))


WRONG_LANES = [
    pytest.param({"lane": "4"}, "lane: '4': test t has lanes 1 to 3", id="no-such-lane"),
    pytest.param({"lane": "1"}, r"line 6 has this lane of round 2 already", id="twice"),
    pytest.param({"round": "1", "lane": ""}, "round 1 has more runs than the 3 lanes", id="too-many"),
    pytest.param({"round": ""}, "Fill in the column `round`", id="no-round"),
]


@pytest.mark.parametrize(("changed", "why"), WRONG_LANES)
def test_rounds_and_lanes_that_cannot_be(changed: dict[str, str], why: str) -> None:
    """A round has no more runs than lanes, and a lane one run."""
    with pytest.raises(StudyError, match=why):
        analysed(RACE, race(**changed))
