"""Targets and caps as they are understood; mistakes in them are in mistakes.toml."""

from __future__ import annotations

import pytest

from evenbench.study.mistakes import StudyError
from evenbench.study.model import Result
from evenbench.study.parse import parse
from tests.engine import TODAY


def read(result: str, unit: str = "mm") -> Result:
    return parse(
        f"""
format = 1
[study]
id = "bench"
title = "Bench"
[products.old]
name = "Old"
role = "control"
[products.new]
name = "New"
role = "reference"
[products.a]
name = "A"
[tests.t]
title = "T"
references = ["new"]
readings.x = {{ unit = "{unit}" }}
results.y = {{ formula = "x", unit = "{unit}", kind = "benefit", {result} }}
""",
        today=TODAY,
    ).result("t.y")


def test_a_value_is_read_in_the_unit_of_the_result() -> None:
    result = read('better = "nearest", target = "2.3 cm", matters = "1 mm"')
    assert result.target is not None
    assert result.target.value == pytest.approx(23)
    assert (result.is_distance, result.like, result.sign) == (True, "", -1)
    assert result.wanted == "nearest to 2.3 cm is best"


@pytest.mark.parametrize(("target", "like"), [("control", "old"), ("reference: new", "new"), ("reference:new", "new")])
def test_a_product_is_named(target: str, like: str) -> None:
    result = read(f'better = "nearest", target = "{target}", matters = "1 mm"')
    assert (result.is_distance, result.like) == (False, like)


def test_distances_from_a_temperature_start_at_nothing() -> None:
    """Ten degrees from 30 degC are a difference, in the unit of the values or in another."""
    result = read('better = "nearest", target = "86 degF", matters = "9 degF", capped_at = "1.8 degF"', "degC")
    assert result.target is not None
    assert result.target.value == pytest.approx(30)
    assert result.matters is not None
    assert result.matters.amount == pytest.approx(5)
    assert result.capped_at == pytest.approx(1)
    assert (result.unit.text, result.unit.scale, result.unit.offset) == ("degC", "ratio", 0.0)


def test_a_cap_is_a_value_or_of_a_distance_a_difference() -> None:
    assert read('better = "higher", matters = "1 mm", capped_at = "2 cm"').capped_at == pytest.approx(20)
    capped = read('better = "nearest", target = "40 %", matters = "5 points", capped_at = "2 points"', "%")
    assert capped.capped_at == pytest.approx(2)
    assert read('better = "higher", matters = "1 mm"').capped_at is None


def test_a_result_near_a_value_needs_a_margin_as_any_other_does() -> None:
    with pytest.raises(StudyError, match="smallest difference that matters"):
        read('better = "nearest", target = "23 mm"')
