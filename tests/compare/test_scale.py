"""Results compared by ratios, and shares compared by ratios of odds: through the whole engine."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbench.compare.scale import distance, from_scale, on_scale, published, shifted, to_scale
from evenbench.measure.formula import parse_formula
from evenbench.measure.units import parse_unit
from evenbench.publish.contract import contract
from evenbench.study.mistakes import StudyError
from evenbench.study.model import Result
from tests.engine import analysis_of, compared, one_test, rows_of

DATA = {"c": [10.0, 12.0, 11.0, 9.5], "a": [14.0, 17.0, 15.5], "b": [10.5, 9.9, 12.1]}
SHARES = {"c": [40.0, 46.0, 43.0, 38.0], "a": [70.0, 77.0, 66.0], "b": [44.0, 37.0, 45.0]}


def result(scale: Any, unit: str = "g") -> Result:
    return Result(id="y", test="t", formula=parse_formula("x"), unit=parse_unit(unit), kind="benefit", scale=scale)


def test_a_log_interval_is_published_as_a_ratio() -> None:
    """Engine specification, 2.6: exp(-0.105 ± 2.5 × 0.04) = 0.90032 [0.81465, 0.99501]."""
    found = published(result("log"), np.array([-0.105, -0.105 - 2.5 * 0.04, -0.105 + 2.5 * 0.04]))
    assert found == pytest.approx([0.90032, 0.81465, 0.99501], abs=5e-6)


def test_log_is_the_plain_analysis_of_logarithms() -> None:
    """What the log scale says is what the raw scale says of readings whose logarithms were typed in."""
    by_ratio = compared(DATA, control="c", scale="log", matters="20 % of control")
    logged = {p: [math.log(x) for x in values] for p, values in DATA.items()}
    plain = compared(logged, control="c", matters=f"{math.log(1.2)!r} g")
    family, other = by_ratio.families[0], plain.families[0]
    assert np.log(family.effect) == pytest.approx(other.effect, abs=1e-12)
    assert np.log(family.low) == pytest.approx(other.low, abs=1e-12)
    assert np.log(family.high) == pytest.approx(other.high, abs=1e-12)
    assert family.p == pytest.approx(other.p, abs=1e-12)
    assert (family.verdict, family.by_enough) == (other.verdict, other.by_enough)
    assert by_ratio.best.could_be.tolist() == plain.best.could_be.tolist()
    assert by_ratio.matters == pytest.approx(math.log(1.2), abs=1e-15)


def test_levels_are_geometric_means() -> None:
    comparison = compared(DATA, control="c", scale="log", matters="20 % of control")
    for k, product in enumerate(comparison.products):
        wanted = math.prod(DATA[product]) ** (1 / len(DATA[product]))
        assert comparison.estimate[k] == pytest.approx(wanted, rel=1e-12)
        assert comparison.low[k] < wanted < comparison.high[k]
        assert wanted / comparison.low[k] == pytest.approx(comparison.high[k] / wanted, rel=1e-9)
    assert comparison.mean[0] == pytest.approx(np.mean(DATA["c"]))


@given(st.floats(min_value=1e-3, max_value=1e3))
def test_another_unit_leaves_ratios_alone(factor: float) -> None:
    family = compared(DATA, control="c", scale="log", matters="20 % of control").families[0]
    scaled = {p: [x * factor for x in values] for p, values in DATA.items()}
    other = compared(scaled, control="c", scale="log", matters="20 % of control").families[0]
    assert other.effect == pytest.approx(family.effect, rel=1e-9)
    assert other.low == pytest.approx(family.low, rel=1e-9)
    assert other.verdict == family.verdict


@given(st.floats(min_value=1e-6, max_value=1 - 1e-6), st.floats(min_value=-3, max_value=3))
def test_scales_turn_back(share: float, by: float) -> None:
    for found, value in ((result("logit", "%"), 100 * share), (result("log"), share), (result("raw"), share)):
        there = to_scale(found, np.array([value]))
        assert from_scale(found, there) == pytest.approx([value], rel=1e-9)
        assert distance(found, published(found, np.array([by]))) == pytest.approx([by], abs=1e-12)
        assert to_scale(found, np.array([shifted(found, value, by)])) == pytest.approx(there + by, abs=1e-6)


def test_a_run_of_nothing_has_no_outcome_on_the_log_scale() -> None:
    study = one_test({"c": "control", "a": "candidate"}, scale="log", matters="10 % of control")
    rows = rows_of({"c": [10.0, 11.0, 12.0], "a": [0.0, 5.0, 6.0, -1.0]})
    analysis = analysis_of(study, rows)
    assert analysis.comparisons[0].count.tolist() == [3, 2]
    assert [n.reason for n in analysis.not_used] == ["y is 0 or less, which has no place on the log scale"] * 2


def test_odds() -> None:
    """The odds of 3 in 4 are 3, of 1 in 2 are 1: a ratio of 3, by hand. Without scatter there is no interval."""
    study = one_test(
        {"c": "control", "a": "candidate"}, scale="logit", unit="%", reading="%", matters="10 % of control"
    )
    family = analysis_of(study, rows_of({"c": [50.0], "a": [75.0]})).comparisons[0].families[0]
    assert family.effect == pytest.approx([3.0], rel=1e-12)
    assert family.verdict == ("cannot say",)


def test_shares_are_compared_by_odds() -> None:
    study = one_test(
        {"c": "control", "a": "candidate", "b": "candidate"},
        scale="logit", unit="%", reading="%", matters="20 % of control",
    )  # fmt: skip
    comparison = analysis_of(study, rows_of(SHARES)).comparisons[0]
    logits = {p: [math.log(x / (100 - x)) for x in values] for p, values in SHARES.items()}
    plain = compared(logits, control="c", matters=f"{math.log(1.2)!r} g")
    assert np.log(comparison.families[0].low) == pytest.approx(plain.families[0].low, abs=1e-12)
    assert comparison.estimate == pytest.approx(100 / (1 + np.exp(-plain.estimate)), rel=1e-12)
    assert (comparison.low > 0).all()
    assert (comparison.high < 100).all()
    assert "odds" in comparison.because[0][0]


@pytest.mark.parametrize("edge", [0.0, 100.0, 120.0])
def test_a_share_of_nothing_or_all_has_no_odds(edge: float) -> None:
    study = one_test(
        {"c": "control", "a": "candidate"}, scale="logit", unit="%", reading="%", matters="10 % of control"
    )
    analysis = analysis_of(study, rows_of({"c": [10.0, 11.0], "a": [edge, 5.0]}))
    assert analysis.comparisons[0].count.tolist() == [2, 1]
    assert "no place on the logit scale" in analysis.not_used[0].reason


def test_uncertainty_goes_along() -> None:
    """One percent of any value is 0.01 on the log scale."""
    study = one_test({"c": "control", "a": "candidate"}, scale="log", matters="10 % of control")
    outcomes = analysis_of(study, rows_of({"c": [10.0, 20.0], "a": [40.0]})).comparisons[0].outcomes
    own = on_scale(outcomes).own
    assert own == pytest.approx(outcomes.own / [10.0, 20.0, 40.0], rel=1e-12)


def test_the_shared_gain_of_a_scale_is_the_same_everywhere_in_ratio() -> None:
    """A scale that reads 1 % heavy makes every level 1 % heavier: 0.01 on the log scale, whatever was weighed."""
    study = one_test(
        {"c": "control", "a": "candidate"}, scale="log", matters="10 % of control",
        reading='g", instrument = "scale', extra='[instruments.scale]\ngain = "1 %"\n',
    )  # fmt: skip
    pulls = on_scale(analysis_of(study, rows_of({"c": [10.0, 20.0], "a": [40.0]})).comparisons[0].outcomes).shared
    assert pulls == pytest.approx(np.full((1, 3), 0.01), rel=1e-12)


SAID = [
    ({"c": [10.0, 10.2, 9.8], "a": [9.0, 9.2, 8.8]}, "10 % lower than Product c (between 5.6 % and 14 % lower): worse"),
    ({"c": [10.0, 10.2, 9.8], "a": [50.0, 52.0, 48.0]}, " times the level of Product c (between "),
    ({"c": [10.0, 14.0, 8.0], "a": [9.0, 14.2, 8.8]}, "anywhere from "),
]


@pytest.mark.parametrize(("data", "said"), SAID)
def test_ratios_in_words(data: dict[str, list[float]], said: str) -> None:
    assert said in compared(data, control="c", scale="log", matters="10 % of control").because[0][0]


def test_steps_are_steps_of_ratio() -> None:
    """A product at 1.21 times the control with a margin of 10 % stands two worthwhile steps above it."""
    buyer = '[buyers.b]\ntitle = "B"\nweights.t.y = 1\n'
    study = one_test({"c": "control", "a": "candidate"}, scale="log", matters="10 % of control", extra=buyer)
    analysis = analysis_of(study, rows_of({"c": [9.0, 10.0, 100 / 9], "a": [12.1 * 0.9, 12.1, 12.1 / 0.9]}))
    placing = analysis.placings[0]
    assert placing.score == pytest.approx([2.0], rel=1e-12)
    assert placing.steps["t.y"] == pytest.approx([2.0], rel=1e-12)


def test_the_document_says_ratio() -> None:
    study = one_test({"c": "control", "a": "candidate"}, scale="log", matters="25 % of control")
    found = contract(analysis_of(study, rows_of({"c": [10.0, 11.0, 12.0], "a": [20.0, 21.0, 25.0]})))
    y = found["tests"]["t"]["results"]["y"]
    assert (y["scale"], y["matters"]) == ("log", pytest.approx(1.25))
    versus = y["products"]["a"]["vs"]["c"]
    assert versus["measure"] == "ratio"
    assert versus["effect"] == pytest.approx((20 * 21 * 25 / (10 * 11 * 12)) ** (1 / 3))


REFUSED = [
    ({"scale": "log", "matters": "1 g"}, "compared by ratios", "% of control"),
    ({"scale": "logit", "unit": "%", "reading": "%", "matters": "5 points"}, "ratios of odds", "% of control"),
    ({"scale": "logit", "matters": "5 % of control"}, "for shares", 'scale = "raw"'),
    ({"scale": "log", "unit": "degC", "reading": "degC", "matters": "1 degC"}, "no true zero", 'scale = "raw"'),
]


@pytest.mark.parametrize(("declared", "why", "write"), REFUSED)
def test_a_scale_that_cannot_stand(declared: dict[str, Any], why: str, write: str) -> None:
    with pytest.raises(StudyError) as caught:
        one_test({"c": "control", "a": "candidate"}, **declared)
    [mistake] = [m for m in caught.value.mistakes if why in m.why]
    assert write in mistake.write
