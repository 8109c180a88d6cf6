"""Results derived from levels: Fieller's interval, joint draws, and what cannot stand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from evenbench.analysis import Analysis
from evenbench.compare.derived import ANYTHING, Derived, derive, fieller
from evenbench.publish.contract import contract
from evenbench.publish.report import page
from evenbench.publish.trace import as_text, trace
from evenbench.study.mistakes import StudyError
from evenbench.study.model import Study
from tests.engine import analysis_of, one_test, rows_of

ROLES = {"c": "control", "new": "reference", "a": "candidate", "b": "candidate"}
DATA = {
    "c": [41.0, 39.5, 40.2, 42.1],
    "new": [4.0, 5.5, 4.8, 6.1],
    "a": [12.0, 14.1, 13.2, 11.5],
    "b": [38.0, 41.5, 39.9, 40.7],
}
RESTORED = "(control(y) - y) / (control(y) - reference('new', y))"


def study_of(formula: str, unit: str = "%", **declared: Any) -> Study:
    kind = declared.pop("kind", "info")
    line = f'results.d = {{ formula = "{formula}", unit = "{unit}", kind = "{kind}"{declared.pop("more", "")} }}\n'
    return one_test(ROLES, extra=line + declared.pop("extra", ""), **declared)


def analysed(formula: str, data: dict[str, list[float]] | None = None, **declared: Any) -> Analysis:
    return analysis_of(study_of(formula, **declared), rows_of(data or DATA))


def derived_of(formula: str, data: dict[str, list[float]] | None = None, **declared: Any) -> Derived:
    return analysed(formula, data, **declared).derived[0]


# ------------------------------------------------------------------------------------------------------ Fieller


def inverted(analysis: Analysis, product: str, ratio: float) -> float:
    """|t| of the hypothesis that the derived ratio is `ratio`, from the levels of the plain result alone."""
    fit = analysis.comparisons[0].fit
    assert fit is not None
    of = {p: np.eye(len(fit.products))[fit.index(p)] for p in fit.products}
    contrast = (of["c"] - of[product]) - ratio * (of["c"] - of["new"])
    return abs(float(contrast @ fit.theta)) / math.sqrt(float(contrast @ fit.covariance @ contrast))


@pytest.mark.parametrize("product", ["a", "b"])
def test_restored_by_inverting_the_t_test(product: str) -> None:
    """A second derivation, not a published figure: at each end Student's t of numerator - ratio × denominator is
    exactly its 97.5 % point, which is how Fieller (1954) defines the interval."""
    analysis = analysed(RESTORED)
    found = analysis.derived[0]
    k = found.products.index(product)
    point = float(stats.t.ppf(0.975, found.df))
    assert found.df == 12
    mean = {p: float(np.mean(values)) for p, values in DATA.items()}
    assert found.estimate[k] == pytest.approx(100 * (mean["c"] - mean[product]) / (mean["c"] - mean["new"]), rel=1e-12)
    assert inverted(analysis, product, found.low[k] / 100) == pytest.approx(point, rel=1e-9)
    assert inverted(analysis, product, found.high[k] / 100) == pytest.approx(point, rel=1e-9)
    assert inverted(analysis, product, found.estimate[k] / 100) == pytest.approx(0, abs=1e-9)


def test_the_control_is_not_restored_and_the_reference_is_whole() -> None:
    found = derived_of(RESTORED)
    c, new = found.products.index("c"), found.products.index("new")
    assert (found.estimate[c], found.low[c], found.high[c]) == pytest.approx((0, 0, 0), abs=1e-9)
    assert (found.estimate[new], found.low[new], found.high[new]) == pytest.approx((100, 100, 100), abs=1e-5)


@pytest.mark.parametrize(
    ("top", "bottom", "shape"),
    [(10.0, 10.0, "bounded"), (10.0, 0.5, "all but a gap"), (0.1, 0.1, "everything")],
)
def test_the_three_shapes_by_counting(top: float, bottom: float, shape: str) -> None:
    """Which ratios the t test does not contradict, tried one by one over a wide grid: a second derivation."""
    t = 2.0
    ratios = np.linspace(-1000, 1000, 200_001)
    held = np.abs(top - ratios * bottom) <= t * np.sqrt(1 + ratios**2)
    low, high = fieller(top, bottom, 1.0, 0.0, 1.0, t)
    if shape == "bounded":
        assert (ratios[held].min(), ratios[held].max()) == pytest.approx((low, high), abs=0.011)
    else:
        assert held[0]
        assert held[-1]
        assert held.all() == (shape == "everything")
        assert (low, high) == (-math.inf, math.inf)


def test_a_ratio_that_could_be_anything() -> None:
    """The reference reads as the control does, so the divisor may be nothing."""
    analysis = analysed(RESTORED, {**DATA, "new": [40.0, 41.5, 39.2, 42.0]})
    found = analysis.derived[0]
    a = found.products.index("a")
    assert found.open[a]
    assert np.isnan(found.low[a])
    product = contract(analysis)["tests"]["t"]["results"]["d"]["products"]["a"]
    assert (product["interval"], product["open"], product["vs"]) == ([None, None], ["low", "high"], {})
    assert product["estimate"] is not None
    assert ANYTHING in as_text(trace(analysis, "t.d", "a"))
    assert ANYTHING in page(analysis)


def test_a_share_of_the_control_in_two_spellings() -> None:
    one, two = derived_of("1 - y / control(y)"), derived_of("(control(y) - y) / control(y)")
    assert one.low == pytest.approx(two.low, rel=1e-12)
    assert one.method == two.method
    assert one.seed is None


def test_a_fixed_divisor_gives_students_t() -> None:
    """Twice the level less the control's, over a constant: an interval of Student's t, by hand."""
    found = derived_of("(2 * y - control(y)) / u", unit="1", extra='constants.u = "2 g"\n')
    a = found.products.index("a")
    spread = math.sqrt(sum(np.var(v, ddof=1) for v in DATA.values()) / 4)
    half = float(stats.t.ppf(0.975, 12)) * spread * math.sqrt((4 + 1) / 4) / 2
    assert found.high[a] - found.estimate[a] == pytest.approx(half, rel=1e-9)


NOISY = DATA | {"b": [30.0, 48.5, 22.9, 55.7]}


def test_levels_of_unequal_spread_keep_their_own_variances() -> None:
    """Fieller's ends still invert the t test, now with each product's own variance and the fewest df of any level."""
    analysis = analysed(RESTORED, NOISY, spread="unequal")
    fit, found = analysis.comparisons[0].fit, analysis.derived[0]
    assert fit is not None
    assert fit.guarded
    assert found.df == 3
    a, b = found.products.index("a"), found.products.index("b")
    for end in (found.low[a], found.high[a]):
        assert inverted(analysis, "a", end / 100) == pytest.approx(float(stats.t.ppf(0.975, 3)), rel=1e-9)
    assert found.high[a] - found.low[a] < (found.high[b] - found.low[b]) / 3


def test_two_results_of_unequal_spread_keep_their_correlation() -> None:
    """z is y and a little more in every run, noisy product or not: the difference of levels is known almost exactly."""
    more = 'results.z = { formula = "x + u", unit = "g", kind = "info", spread = "unequal" }\nconstants.u = "3 g"\n'
    found = derived_of("exp((z - y) / u) + 0 * control(y) / u", NOISY, unit="1", extra=more, spread="unequal")
    for product in ("a", "b"):
        k = found.products.index(product)
        assert found.estimate[k] == pytest.approx(math.e, rel=1e-9)
        assert found.high[k] - found.low[k] < 1e-5


def test_no_spread_to_go_by_leaves_no_interval() -> None:
    """Declared unequal and one product alone run twice: an estimate, and the reason for no interval."""
    data = {p: v if p == "c" else v[:1] for p, v in DATA.items()}
    found = derived_of(RESTORED, data, spread="unequal")
    a = found.products.index("a")
    assert np.isfinite(found.estimate[a])
    assert np.isnan(found.low[a])
    assert "fewer than two were run more than once" in found.why["a"]


# -------------------------------------------------------------------------------------------------- joint draws


def test_draws_agree_with_fieller() -> None:
    """Half the ratio plus half of it again, by way of a root that only draws can follow."""
    exact = derived_of("y / control(y)", unit="1")
    drawn = derived_of("sqrt((y / control(y))^2)", unit="1")
    assert drawn.seed is not None
    assert exact.seed is None
    a = exact.products.index("a")
    assert drawn.estimate[a] == pytest.approx(exact.estimate[a], rel=1e-12)
    # The draws keep the levels' own tails, Fieller's those of the test: alike where the divisor is well known.
    assert drawn.low[a] == pytest.approx(exact.low[a], abs=0.003)
    assert drawn.high[a] == pytest.approx(exact.high[a], abs=0.003)


def test_draws_of_a_known_distribution() -> None:
    """exp of a level of known mean and scatter: the 2.5 % and 97.5 % points by Student's t, within 4 errors."""
    found = derived_of("exp((y - control(y)) / u)", unit="1", extra='constants.u = "100 g"\n')
    a = found.products.index("a")
    gap = float(np.mean(DATA["a"]) - np.mean(DATA["c"]))
    spread = math.sqrt(sum(np.var(v, ddof=1) for v in DATA.values()) / 4)
    half = float(stats.t.ppf(0.975, 12)) * spread * math.sqrt(2 / 4)
    assert abs(found.low[a] - math.exp((gap - half) / 100)) < 4 * found.error
    assert abs(found.high[a] - math.exp((gap + half) / 100)) < 4 * found.error
    assert found.error > 0
    assert found.places is not None
    assert 10.0**-found.places > 2 * found.error
    assert "seed" in found.notes[1]


def test_the_same_bytes_every_time() -> None:
    one, two = derived_of("exp(y / control(y))", unit="1"), derived_of("exp(y / control(y))", unit="1")
    assert one.low.tolist() == two.low.tolist()
    assert one.seed == two.seed


def test_two_results_keep_their_correlation() -> None:
    """z is y and a little more in every run: the difference of their levels, by draws, is known almost exactly."""
    more = 'results.z = { formula = "x + u", unit = "g", kind = "info" }\nconstants.u = "3 g"\n'
    found = derived_of("exp((z - y) / u) + 0 * control(y) / u", unit="1", extra=more)
    a = found.products.index("a")
    assert found.estimate[a] == pytest.approx(math.e, rel=1e-9)
    assert found.high[a] - found.low[a] < 1e-5


def test_a_divisor_drawn_through_nothing_could_be_anything() -> None:
    """The logarithm of the ratio to the control is near 0 for b, which reads as the control does, and not for a."""
    found = derived_of("1 / ln(y / control(y))", unit="1")
    a, b = found.products.index("a"), found.products.index("b")
    assert not found.open[a]
    assert found.low[a] < found.estimate[a] < found.high[a]
    assert found.open[b]
    assert np.isfinite(found.estimate[b])
    assert np.isnan(found.estimate[found.products.index("c")])


def test_levels_on_a_log_scale_are_drawn() -> None:
    found = derived_of(RESTORED, scale="log", matters="10 % of control")
    a = found.products.index("a")
    geometric = {p: float(stats.gmean(v)) for p, v in DATA.items()}
    wanted = 100 * (geometric["c"] - geometric["a"]) / (geometric["c"] - geometric["new"])
    assert found.estimate[a] == pytest.approx(wanted, rel=1e-12)
    assert found.low[a] < wanted < found.high[a]
    assert found.seed is not None


# ------------------------------------------------------------------------------------------------- what is absent


def test_without_the_reference_nothing_is_computed() -> None:
    found = derived_of(RESTORED, {p: v for p, v in DATA.items() if p != "new"})
    assert np.isnan(found.estimate).all()
    assert set(found.why.values()) == {"Product new has no level"}


def test_without_scatter_there_is_an_estimate_alone() -> None:
    found = derived_of(RESTORED, {p: v[:1] for p, v in DATA.items()})
    assert np.isfinite(found.estimate).all()
    assert np.isnan(found.low).all()
    assert all("nothing was run twice" in why for why in found.why.values())


def test_derive_is_a_function_of_the_comparisons() -> None:
    study = study_of(RESTORED)
    analysis = analysis_of(study, rows_of(DATA))
    again = derive(study, analysis.comparisons)[0]
    assert again.low.tolist() == analysis.derived[0].low.tolist()


def test_a_figure_is_traced_to_its_levels() -> None:
    text = as_text(trace(analysed(RESTORED), "t.d", "a"))
    assert "control(y) = 40.7 g   (t.y of c, 4 runs)" in text
    assert "reference('new', y) = 5.1 g   (t.y of new, 4 runs)" in text
    assert "Fieller" in text


REFUSED = [
    (RESTORED, {"kind": "benefit", "more": ', better = "higher"'}, "for information", 'kind = "info"'),
    (RESTORED, {"unit": "g"}, "the formula gives", "unit or the formula"),
    ("y - reference('old', y)", {"unit": "g"}, "at character 15: the test has no reference 'old'", "references: new"),
    ("x / control(y)", {"unit": "1"}, "x is read run by run", "Name a result"),
    ("1 - control(x)", {"unit": "1"}, "at character 13: x is read run by run", "Name a result"),
    ("y + control(z)", {"unit": "g"}, "at character 13: nothing here is named 'z'", ""),
    ("y / control(y) + control(y)", {"unit": "1"}, "at character 16: this adds", "the same"),
    ("d / control(y)", {"unit": "1"}, "computed once per product", "run by run"),
    ("y / control(y)", {"unit": "1", "more": ', scale = "log"'}, "not compared", "Leave it out"),
    ("y / control(y)", {"unit": "1", "more": ', matters = "1 g"'}, "not judged", "Leave it out"),
]  # fmt: skip


@pytest.mark.parametrize(("formula", "declared", "why", "write"), REFUSED)
def test_a_derived_result_that_cannot_stand(formula: str, declared: dict[str, Any], why: str, write: str) -> None:
    with pytest.raises(StudyError) as caught:
        study_of(formula, **declared)
    [mistake] = [m for m in caught.value.mistakes if why in m.why]
    assert write in mistake.write


def test_a_result_of_runs_cannot_name_a_derived_one() -> None:
    extra = 'results.e = { formula = "d * 2", unit = "%", kind = "info" }\n'
    with pytest.raises(StudyError) as caught:
        study_of(RESTORED, extra=extra)
    assert "d is computed once per product" in caught.value.mistakes[0].why


@pytest.mark.parametrize(
    "extra",
    [
        '[buyers.one]\ntitle = "One"\nweights.t.d = 1\n',
        '[buyers.one]\ntitle = "One"\nweights.t.y = 1\nmust = [{ result = "t.d", is = "at least", value = "1 %" }]\n',
    ],
    ids=["weighed", "must-have"],
)
def test_nothing_is_judged_by_a_derived_result(extra: str) -> None:
    with pytest.raises(StudyError) as caught:
        study_of(RESTORED, extra=extra)
    assert len(caught.value.mistakes) == 1
    assert caught.value.mistakes[0].given
