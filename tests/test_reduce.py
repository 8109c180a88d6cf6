"""Readings to outcomes: repeats, shared errors, and what happens to what is missing."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest

from evenbench.reduce import Outcomes, reduce
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings


def study(readings: str, result: str, *, instruments: str = "", extra: str = "") -> Study:
    return parse(
        f"""
format = 1
study = {{ id = "bench", title = "Bench", currency = "EUR" }}
{instruments}
[products.c]
name = "Control"
role = "control"
[products.a]
name = "A"
dose = "50 mL"
[tests.t]
title = "T"
{readings}
{result}
{extra}
""",
        today=date(2026, 11, 25),
    )


def outcomes(declared: Study, rows: list[dict[str, str]], result: str = "y") -> Outcomes:
    found = reduce(declared, parse_readings({"t": rows}, declared))
    return next(o for o in found if o.result.id == result)


BALANCE = '[instruments]\nbalance = { resolution = "0.01 g", offset = "0.05 g", gain = "0.1 %" }'
TWO_WEIGHINGS = """
readings.before = { unit = "g", instrument = "balance" }
readings.after  = { unit = "g", instrument = "balance" }
"""
LOSS = 'results.y = { formula = "before - after", unit = "g", kind = "info" }'


def test_an_offset_cancels_in_a_difference() -> None:
    """Engine specification, section 1: 50.00 to 49.20 g, offset 0.05, gain 0.1 %, step 0.01: u = 0.00416013 g."""
    declared = study(TWO_WEIGHINGS, LOSS, instruments=BALANCE)
    found = outcomes(declared, [{"product": "a", "before": "50.00", "after": "49.20"}])
    shared = dict(zip(found.shared_names, found.shared[:, 0], strict=True))
    # JCGM 100:2008, 5.2.2 note 1: a fully shared error cancels in a difference (UNC-28).
    assert shared["balance offset"] == pytest.approx(0.0, abs=1e-15)
    assert shared["balance gain"] == pytest.approx(0.0008, rel=1e-9)
    total = math.hypot(found.own[0], *shared.values())
    assert total == pytest.approx(0.00416013, abs=5e-9)
    # Taken as independent, the two readings would have 17 times that: 0.0708329.
    apart = math.hypot(found.own[0], 0.05, 0.05, 0.05, 0.0492)
    assert apart > 17 * total


def test_a_shared_error_adds_in_a_sum() -> None:
    """JCGM 100:2008, equation (16): fully correlated uncertainties of 0.26 give 0.52 in a sum (UNC-28)."""
    balance = '[instruments]\nbalance = { resolution = "0.01 g", offset = "0.26 g" }'
    total = 'results.y = { formula = "before + after", unit = "g", kind = "info" }'
    found = outcomes(study(TWO_WEIGHINGS, total, instruments=balance), [{"product": "a", "before": "5", "after": "4"}])
    assert found.shared[0, 0] == pytest.approx(0.52, abs=1e-12)


def test_resolution_is_a_rectangle() -> None:
    """JCGM 100:2008, F.2.2.1 (UNC-08, from memory): a step gives u = 0.29 of the step, 1/sqrt(12) exactly."""
    found = outcomes(
        study('readings.x = { unit = "mm" }', 'results.y = { formula = "x", unit = "mm", kind = "info" }'),
        [{"product": "a", "x": "12.3"}],
    )
    assert found.own[0] == pytest.approx(0.1 / math.sqrt(12))
    assert round(found.own[0] / 0.1, 2) == 0.29


def test_repeats_are_not_replicates() -> None:
    """Five readings of one run are one outcome, their mean; more readings sharpen it, and never become runs."""
    declared = study(
        'readings.x = { unit = "g", repeats = 5 }', 'results.y = { formula = "x", unit = "g", kind = "info" }'
    )
    row = {"product": "a", "x": "1.0", "x.2": "2.0", "x.3": "3.0", "x.4": "4.0", "x.5": "5.0"}
    found = outcomes(declared, [row])
    assert found.value.tolist() == [3.0]
    assert found.own[0] == pytest.approx(0.1 / math.sqrt(12) / math.sqrt(5))
    assert len(found.rows[0]) == 5


def test_a_missing_repeat_is_averaged_over_and_listed() -> None:
    """The mean is of what was read; what was not is listed, with its place."""
    declared = study(
        'readings.x = { unit = "g", repeats = 2 }', 'results.y = { formula = "x", unit = "g", kind = "info" }'
    )
    readings = parse_readings({"t": [{"product": "a", "x": "1.0", "x.2": ""}]}, declared)
    assert reduce(declared, readings)[0].value.tolist() == [1.0]
    assert any("x.2 of t, a run 1" in n.row for n in readings.not_used)


MISSING = [
    pytest.param({"product": "a", "x": "", "z": "1", "note": "dropped"}, "no x (dropped)", id="reading"),
    pytest.param({"product": "a", "x": "1", "z": "0"}, "the formula has no value for these readings", id="division"),
    pytest.param({"product": "c", "x": "1", "z": "1"}, "no product.dose", id="fact"),
]


@pytest.mark.parametrize(("row", "reason"), MISSING)
def test_a_run_without_an_outcome_has_a_reason(row: dict[str, str], reason: str) -> None:
    """Nothing is dropped silently: each run without an outcome says why."""
    declared = study(
        'readings.x = { unit = "g" }\nreadings.z = { unit = "g" }',
        'results.y = { formula = "x / z * product.dose", unit = "mL", kind = "info" }',
    )
    found = outcomes(declared, [row])
    assert len(found.value) == 0
    assert next(m.reason for m in found.missing if "run 1" in m.where) == reason


def test_results_may_name_results() -> None:
    """A result built on another carries the uncertainty of the readings behind both."""
    declared = study(
        TWO_WEIGHINGS,
        'results.y = { formula = "loss / before", unit = "%", kind = "info" }',
        instruments=BALANCE,
        extra='results.loss = { formula = "before - after", unit = "g", kind = "info" }',
    )
    found = outcomes(declared, [{"product": "a", "before": "50.00", "after": "49.20"}])
    assert found.value[0] == pytest.approx(1.6)
    # By hand: d(loss/before) = d(before) * after / before^2 - d(after) / before.
    step = 0.01 / math.sqrt(12)
    by_hand = 100 * step * math.hypot(49.2 / 50**2, 1 / 50)
    assert found.own[0] == pytest.approx(by_hand, rel=1e-9)


def test_agrees_with_a_general_uncertainty_library() -> None:
    """The `uncertainties` library, told of the same shared errors, finds the same u for a nonlinear formula."""
    import uncertainties  # type: ignore[import-untyped]
    from uncertainties import umath

    declared = study(
        'readings.d = { unit = "mm", instrument = "caliper", repeats = 2 }\nreadings.m = { unit = "g" }',
        'results.y = { formula = "m / (sqrt(d) * d ^ 1.5)", unit = "g/mm2", kind = "info" }',
        instruments='[instruments]\ncaliper = { resolution = "0.02 mm", offset = "0.03 mm", gain = "0.2 %" }',
    )
    found = outcomes(declared, [{"product": "a", "d": "25.14", "d.2": "25.18", "m": "61.23"}])
    offset, gain = uncertainties.ufloat(0, 0.03), uncertainties.ufloat(0, 0.002)
    step = [uncertainties.ufloat(0, 0.02 / math.sqrt(12)) for _ in range(2)]
    read = [x + offset + gain * x + s for x, s in zip([25.14, 25.18], step, strict=True)]
    d = (read[0] + read[1]) / 2
    y = uncertainties.ufloat(61.23, 0.01 / math.sqrt(12)) / (umath.sqrt(d) * d**1.5)
    assert found.value[0] == pytest.approx(y.nominal_value, rel=1e-12)
    assert math.hypot(found.own[0], *found.shared[:, 0]) == pytest.approx(y.std_dev, rel=1e-9)


def test_temperature_differences_are_differences() -> None:
    """A rise from 20 to 30 degC is 10 degrees, not 10 degC above the freezing point of water."""
    declared = study(
        'readings.first = { unit = "degC" }\nreadings.last = { unit = "degC" }',
        'results.y = { formula = "last - first", unit = "degC", kind = "info" }',
        extra='results.level = { formula = "mean(first, last)", unit = "degC", kind = "info" }',
    )
    row = [{"product": "a", "first": "20", "last": "30"}]
    assert outcomes(declared, row).value[0] == pytest.approx(10.0)
    assert outcomes(declared, row, "level").value[0] == pytest.approx(25.0)


def test_columns_cannot_be_written_to() -> None:
    """An outcome that was computed stays as it was computed."""
    found = outcomes(study(TWO_WEIGHINGS, LOSS, instruments=BALANCE), [{"product": "a", "before": "2", "after": "1"}])
    with pytest.raises(ValueError, match="read-only"):
        found.value[0] = 0.0
    assert isinstance(found.value, np.ndarray)
