"""Products that scatter differently: when, and what stands in the place of one spread."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats

from evenbench.compare.against import against
from evenbench.compare.best import best_of
from evenbench.compare.comparison import Comparison
from evenbench.compare.fit import Fit, fit_levels
from evenbench.compare.simultaneous import constant
from evenbench.compare.spread import apart, differ, moderated, prior_of, with_own_spreads
from evenbench.study.model import Result
from evenbench.study.parse import parse
from tests.engine import analysis_of, compared, one_test, rows_of

Array = NDArray[np.float64]


def fit_of(groups: list[list[float]], block: list[int] | None = None) -> Fit:
    value = np.array([x for g in groups for x in g])
    product = np.repeat(np.arange(len(groups)), [len(g) for g in groups]).astype(np.int32)
    blocks = np.zeros(len(value), dtype=np.int32) if block is None else np.array(block, dtype=np.int32)
    return fit_levels(value, product, tuple(f"p{k}" for k in range(len(groups))), blocks)


def with_variance(variance: float, n: int, mean: float = 0.0) -> list[float]:
    """So many values of exactly this mean and variance."""
    raw = np.arange(n) - (n - 1) / 2
    return [float(x) for x in mean + raw * math.sqrt(variance / raw.var(ddof=1))]


def as_estimated(groups: list[list[float]]) -> Fit:
    """Every product's own variance and degrees of freedom, as they stand."""
    fit = fit_of(groups)
    return replace(fit, spread="unequal", guarded=True, variance=fit.own, freedom=fit.own_df)


def result_of(kind: str = "benefit", better: str = "higher") -> Result:
    study = one_test({"p0": "control", "p1": "candidate"}, kind=kind, better=better)
    return study.tests[0].results[0]


def unequal(data: dict[str, list[float]], control: str = "c", **declared: Any) -> Comparison:
    return compared(data, control=control, spread="unequal", **declared)


# ------------------------------------------------------------------------------------------- published and computed


def test_degrees_of_freedom_of_two_unlike_variances() -> None:
    """n 3, 5; s2 1, 4: 5.95876 (engine specification, section 2.7); by hand (1/3 + 4/5)^2 / (1/18 + 16/100)."""
    fit = as_estimated([with_variance(1, 3), with_variance(4, 5)])
    assert fit.df_of(np.array([1.0, -1.0])) == pytest.approx(5.95876, abs=5e-6)
    assert fit.df_of(np.array([1.0, -1.0])) == pytest.approx((1 / 3 + 4 / 5) ** 2 / (1 / 18 + 16 / 100))


def test_moderated_variances() -> None:
    """d0 2.32623, s0^2 0.281346, moderated .145408 to 1.39019 (engine specification, section 2.7)."""
    variance, df = np.array([0.04, 0.09, 0.25, 1.0, 2.25, 0.5]), np.full(6, 3.0)
    prior = prior_of(variance, df)
    assert prior.df == pytest.approx(2.32623, abs=5e-6)
    assert prior.variance == pytest.approx(0.281346, abs=5e-7)
    drawn = moderated(variance, df, prior)
    assert drawn[0] == pytest.approx(0.145408, abs=5e-7)
    assert drawn[4] == pytest.approx(1.39019, abs=5e-6)


def test_the_prior_solves_its_equations() -> None:
    """Smyth (2004), section 6.2: the two moments of log variances agree with the prior found."""
    variance, df = np.array([0.3, 5.0, 0.8, 2.0, 0.05]), np.array([2.0, 3.0, 5.0, 2.0, 4.0])
    prior = prior_of(variance, df)
    e = np.log(variance) - special.digamma(df / 2) + np.log(df / 2)
    beyond = e.var(ddof=1) - special.polygamma(1, df / 2).mean()
    assert float(special.polygamma(1, prior.df / 2)) == pytest.approx(beyond, rel=1e-12)
    mean = math.log(prior.variance) - float(special.digamma(prior.df / 2)) + math.log(prior.df / 2)
    assert mean == pytest.approx(e.mean(), rel=1e-12)


def test_variances_alike_are_one() -> None:
    """No more difference than chance makes: an endless prior, which is the pooled variance."""
    prior = prior_of(np.array([1.0, 1.1, 0.9]), np.array([4.0, 4.0, 2.0]))
    assert prior.df == math.inf
    assert prior.variance == pytest.approx((4 + 4.4 + 1.8) / 10)
    assert moderated(np.array([1.0, 3.0]), np.full(2, 4.0), prior) == pytest.approx([1.02, 1.02])


def test_constants_of_the_guarded_rule() -> None:
    """n 6, 4, 4, s2 .25, 1, 4: df 4.01639, 3.25182; critical values 3.37416, 3.76569 (specification, section 2.7)."""
    fit = as_estimated([with_variance(0.25, 6), with_variance(1, 4), with_variance(4, 4)])
    df = [fit.df_of(c) for c in fit.contrasts(("p1", "p2"), "p0")]
    assert df == pytest.approx([4.01639, 3.25182], abs=5e-6)
    family = against(fit, result_of(), "p0", ("p1", "p2"), matters=1.0)
    assert family.constants == pytest.approx([3.37416, 3.76569], abs=5e-6)
    # b .377964, .2: the same constants from the exact rule, once for each df.
    b = [0.25**0.5 * (1 / 6 / (1 / 24 + v / 4)) ** 0.5 for v in (1, 4)]
    assert b == pytest.approx([0.377964, 0.2], abs=5e-7)
    assert family.constants == pytest.approx([constant(b, d, sides=2) for d in df], abs=1e-7)


def test_p_agrees_with_the_interval() -> None:
    """A product whose interval just touches 0 has p of 5 %, whichever rule its family has."""
    groups = [with_variance(0.25, 6), with_variance(1, 4, 3.0), with_variance(4, 4, 9.0), with_variance(0.09, 5, 0.4)]
    for fit in (as_estimated(groups), with_own_spreads(fit_of(groups), np.zeros(4), "so declared")):
        for kind in ("benefit", "risk"):
            family = against(fit, result_of(kind), "p0", ("p1", "p2", "p3"), matters=1.0)
            clear = (family.low > 0) | (family.high < 0) if kind == "benefit" else family.high < 0
            assert (family.p < 0.05).tolist() == clear.tolist()


def test_own_variances_in_complete_blocks() -> None:
    """Squared residuals over the sum of (1 - leverage), with runs less one as degrees of freedom, by hand."""
    generator = np.random.default_rng(4)
    value = generator.normal(size=(3, 5))
    fit = fit_of(value.tolist(), [0, 1, 2, 3, 4] * 3)
    residual = value - value.mean(axis=1, keepdims=True) - value.mean(axis=0) + value.mean()
    assert fit.own_df == pytest.approx([4, 4, 4])
    assert fit.own == pytest.approx((residual**2).sum(axis=1) / (5 * (1 - 1 / 3) * (1 - 1 / 5)))


# --------------------------------------------------------------------------------------------------------- choosing


def test_the_tests_of_spread_agree_with_a_general_library() -> None:
    """Brown-Forsythe and the F ratio against scipy.stats, which the commands do not load."""
    generator = np.random.default_rng(8)
    groups = [generator.normal(0, s, n).tolist() for s, n in ((1, 5), (2, 4), (0.5, 6), (1, 2))]
    fit = fit_of(groups)
    assert differ(fit) == pytest.approx(float(stats.levene(*groups[:3], center="median").pvalue), abs=1e-12)
    own = [float(np.var(g, ddof=1)) for g in groups]
    others = (own[1] * 3 + own[2] * 5 + own[3]) / 9
    ratio = own[0] / others
    two_sided = 2 * min(stats.f.cdf(ratio, 4, 9), stats.f.sf(ratio, 4, 9))
    assert apart(fit, 0, np.zeros(4)) == pytest.approx(float(two_sided), abs=1e-12)


CLEAR = {
    "c": [10.0, 10.1, 9.9, 10.05, 9.95, 10.0],
    "a": [12.0, 12.1, 11.9, 12.0, 12.1],
    "b": [15.0, 9.0, 12.0, 19.0, 5.0],
    "d": [11.0, 11.1, 10.9, 11.05, 11.0],
}


def test_clear_differences_of_spread_are_found() -> None:
    """One product that scatters fifty times as much: a spread for each, and the note says why."""
    comparison = compared(CLEAR, control="c")
    assert comparison.fit is not None
    assert comparison.fit.spread == "unequal"
    assert "Brown-Forsythe on residuals, p = " in comparison.notes[0]
    assert any("differ in how variable they are; with 5 to 6 runs each" in flag for flag in comparison.flags)
    # One spread for all would have put b's noise on a: 12.02 against 10.0, each known to 0.1.
    assert comparison.families[0].verdict[0] == "better"


def test_a_control_unlike_the_products_is_found() -> None:
    """The F ratio sees a control with a scatter of its own where few runs of each hide it from the other test."""
    data = {"c": [10.0, 30.0, 1.0], **{f"p{k}": [5.0 + k, 5.2 + k, 4.9 + k] for k in range(6)}}
    comparison = compared(data, control="c")
    assert comparison.fit is not None
    assert comparison.fit.spread == "unequal"
    assert "F ratio" in comparison.notes[0]


def test_products_alike_have_one_spread() -> None:
    """Of 200 studies of five equal spreads about 2 in 100 turn to unequal, one for each test at 1 %."""
    generator = np.random.default_rng(77)
    turned = 0
    for _ in range(200):
        found = compared({id: generator.normal(0, 1, 4).round(3).tolist() for id in "cabde"}, control="c")
        turned += found.fit is not None and found.fit.spread == "unequal"
    assert turned <= 10  # 4 expected; more than 10 once in 350 seeds


def test_declared() -> None:
    """Declared before the readings: unequal whatever they look like, and the note says that it was declared."""
    data = {"c": [1.0, 2.0, 3.0], "a": [4.0, 5.0, 6.5], "b": [2.0, 2.5, 3.5]}
    comparison = unequal(data)
    assert comparison.fit is not None
    assert comparison.fit.spread == "unequal"
    assert "because the study declares that they scatter differently" in comparison.notes[0]
    assert "Šidák" in comparison.notes[1]
    # Variances that differ no more than by chance: the pooled one, on all degrees of freedom, for two comparisons.
    family = comparison.families[0]
    assert family.constants == pytest.approx(-special.stdtrit(6, (1 - 0.95**0.5) / 2))


# ------------------------------------------------------------------------------------------------------- edge cases


def test_a_product_run_once_has_the_spread_of_the_others() -> None:
    """With a weak prior: the larger of the prior's variance and the pooled one, on the prior's degrees of freedom."""
    fit = with_own_spreads(fit_of([*CLEAR.values(), [3.0]]), np.zeros(5), "so declared")
    prior = prior_of(fit.own[:4], fit.own_df[:4])
    assert fit.guarded
    assert fit.variance[4] == max(prior.variance, fit.sd**2)
    assert fit.freedom[4] == max(prior.df, 1.0)
    assert any("1 product without a spread of its own" in flag for flag in fit.flags)
    assert np.isfinite(against(fit, result_of(), "p0", ("p1", "p4"), matters=None).low).all()


def test_declared_with_one_product_run_twice() -> None:
    """Nothing says how much the others scatter, so nothing is said of differences."""
    comparison = unequal({"c": [1.0, 2.0, 1.5], "a": [5.0], "b": [4.0]})
    assert set(comparison.families[0].verdict) == {"cannot say"}
    assert "fewer than two were run more than once" in comparison.families[0].why[0]
    assert np.isnan(comparison.low).all()
    assert "fewer than two" in comparison.best.why


def test_runs_that_all_read_the_same_lie_within_one_step() -> None:
    """A product without any scatter has the variance of its resolution: 0.1 / root 12, squared."""
    comparison = unequal({"c": [1.0, 1.0, 1.0], "a": [2.0, 2.0, 2.0], "b": [4.0, 9.0, 6.0]})
    fit = comparison.fit
    assert fit is not None
    assert fit.variance[fit.index("c")] >= 0.1**2 / 12 * (1 - 1e-12)
    assert np.isfinite(comparison.families[0].low).all()


def test_no_scatter_and_no_resolution_in_two_products() -> None:
    """Where even the step is unknown, two products without scatter cannot be compared; others can."""
    fit = with_own_spreads(fit_of([[1.0, 1.0], [2.0, 2.0], [4.0, 9.0]]), np.zeros(3), "so declared")
    family = against(fit, result_of(), "p0", ("p1", "p2"), matters=None)
    assert family.verdict[0] == "cannot say"
    assert "read exactly the same" in family.why[0]
    assert np.isfinite(family.low[1])


TENTHS = st.integers(-500, 500).map(lambda n: n / 10)
GROUPS = st.lists(st.lists(TENTHS, min_size=1, max_size=8), min_size=2, max_size=7)


@settings(max_examples=60, deadline=None)
@given(GROUPS, st.sampled_from(["benefit", "risk", "info"]))
def test_nothing_is_ever_nan_without_a_reason(groups: list[list[float]], kind: str) -> None:
    """Any number of runs, any scatter: an interval or a reason, a known word, and no warning."""
    data = {f"p{k}": g for k, g in enumerate(groups)}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        comparison = unequal(data, "p0", kind=kind, matters=None if kind == "info" else "1 g")
    family = comparison.families[0]
    for low, high, p, why in zip(family.low, family.high, family.p, family.why, strict=True):
        assert why or (low <= high and 0 <= p <= 1)
    assert comparison.best.why or comparison.best.names


@settings(max_examples=30, deadline=None)
@given(GROUPS, st.randoms(use_true_random=False))
def test_order_and_direction_do_not_matter(groups: list[list[float]], random: Any) -> None:
    """Shuffled rows give the same bytes; minus the reading with the other direction the same answer."""
    data = {f"p{k}": g for k, g in enumerate(groups)}
    roles = {id: "control" if id == "p0" else "candidate" for id in data}
    study = one_test(roles, spread="unequal", matters="2 g")
    rows = [row | {"x": f"{float(row['x']):.1f}"} for row in rows_of(data)]
    one = analysis_of(study, rows).comparisons[0].families[0]
    random.shuffle(rows)
    two = analysis_of(study, rows).comparisons[0].families[0]
    assert (one.low.tobytes(), one.p.tobytes()) == (two.low.tobytes(), two.p.tobytes())
    turned = [row | {"x": f"{-float(row['x']):.1f}"} for row in rows]
    other = one_test(roles, spread="unequal", matters="2 g", better="lower")
    three = analysis_of(other, turned).comparisons[0].families[0]
    assert three.verdict == one.verdict
    assert -three.high == pytest.approx(one.low, rel=1e-7, abs=1e-9, nan_ok=True)


def test_units_do_not_matter() -> None:
    """Variances in other units: the same choices, and figures in proportion."""
    generator = np.random.default_rng(3)
    groups = [generator.normal(0, s, n) for s, n in ((1, 6), (4, 3), (0.2, 4), (1, 1))]
    one, two = (
        with_own_spreads(fit_of([(g * by + 5).tolist() for g in groups]), np.zeros(4), "so declared")
        for by in (1.0, 1e-6)
    )
    assert two.variance * 1e12 == pytest.approx(one.variance, rel=1e-6)
    assert two.df == one.df
    families = [against(f, result_of(), "p0", ("p1", "p2", "p3"), matters=None) for f in (one, two)]
    assert families[1].constants == pytest.approx(families[0].constants, rel=1e-6)


def test_could_be_best_goes_by_each_difference() -> None:
    """A noisy leader does not shut out a quiet second; a quiet third far behind is out."""
    groups = [with_variance(1, 6), with_variance(9, 6, 20), with_variance(0.04, 6, 19), with_variance(0.04, 6, 12)]
    fit = with_own_spreads(fit_of(groups), np.zeros(4), "so declared")
    best = best_of(fit, ("p1", "p2", "p3"), 1)
    assert best.names == ("p1", "p2")
    # Between p2 and p3, which scatter little, the interval is short.
    turned = best_of(fit, ("p2", "p3"), 1)
    assert turned.low[0] == 0
    assert turned.high[1] == 0
    assert turned.high[0] < 7.5


# ------------------------------------------------------------------------------------------ errors that some runs share

SHARED = """
format = 1
[study]
id = "bench"
title = "Bench"
[products]
c = { name = "C", role = "control" }
a = { name = "A" }
b = { name = "B" }
[tests.t]
title = "T"
readings.x = { unit = "g" }
readings.z = { unit = "g", of = "product" }
results.y = { formula = "x - z", unit = "g", better = "higher", kind = "benefit", matters = "1 g" }
"""


def shared_comparison(z: tuple[str, str, str]) -> Comparison:
    x = {"c": ["1.0", "1.2", "0.9"], "a": ["3.0", "3.3", "3.1"], "b": ["2.0", "2.1", "1.8"]}
    rows = [
        {"product": id, "run": str(n + 1), "x": value, "z": z["cab".index(id)] if n == 0 else ""}
        for id, values in x.items()
        for n, value in enumerate(values)
    ]
    return analysis_of(parse(SHARED, today=date(2026, 11, 25)), rows).comparisons[0]


def test_an_error_shared_by_some_runs_widens_their_differences() -> None:
    """A tare taken once a product, read to whole grams, by hand: each difference gains 2 / 12 of variance."""
    comparison = shared_comparison(("0", "0", "0"))
    fit, family = comparison.fit, comparison.families[0]
    assert fit is not None
    scatter = fit.sd**2 * 2 / 3
    error = math.sqrt(scatter + 2 / 12)
    assert (family.high - family.low) / 2 == pytest.approx(family.constants * error)
    # Both parts are a constant plus a diagonal, so the correlation is still 1/2 and the constant exact.
    assert family.constants == pytest.approx(constant([0.5**0.5] * 2, 6, sides=2))
    assert any("it is counted in the differences between products" in flag for flag in comparison.flags)
    assert (comparison.best.high - comparison.best.low).min() > 0


def test_shared_errors_without_a_simple_structure() -> None:
    """Errors that pull groups of products in turn leave no factors: Bonferroni, and the method says so."""
    generator = np.random.default_rng(2)
    value, product = generator.normal(size=15), np.repeat(np.arange(5), 3).astype(np.int32)
    pairs = np.array([np.isin(product, pair) for pair in ((1, 2), (3, 4), (2, 3))], dtype=float)
    fit = fit_levels(value, product, tuple("cabde"), np.zeros(15, dtype=np.int32), in_part=pairs)
    family = against(fit, result_of(), "c", ("a", "b", "d", "e"), matters=None)
    assert "Bonferroni" in family.method
    assert family.constants == pytest.approx(-special.stdtrit(10, 0.05 / 8))
    # By hand: two products that share one error and have one each of their own differ by the latter alone.
    contrast = fit.contrasts(("b",), "a")[0]
    assert contrast @ fit.between @ contrast == pytest.approx(fit.sd**2 * 2 / 3 + 1)


# ------------------------------------------------------------------------------------------------------- simulation


def held_together(n: int, spreads: Array, studies: int, seed: int) -> float:
    """Share of studies whose 13 intervals all hold the truth; dealt spreads, the control run twice as often."""
    generator = np.random.default_rng(seed)
    product = np.repeat(np.arange(14), [2 * n] + [n] * 13).astype(np.int32)
    names, block, result = tuple(f"p{k}" for k in range(14)), np.zeros(len(product), dtype=np.int32), result_of()
    held = 0
    for _ in range(studies):
        value = generator.normal(size=len(product)) * generator.permutation(spreads)[product]
        fit = with_own_spreads(fit_levels(value, product, names, block), np.zeros(14), "so declared")
        family = against(fit, result, "p0", names[1:], matters=None)
        held += bool(np.all((family.low <= 0) & (family.high >= 0)))
    return held / studies


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "spreads", "stated"),
    [
        pytest.param(4, np.geomspace(1 / 3, 3, 14), 0.947, id="ninefold"),
        pytest.param(3, np.ones(14), 0.967, id="equal-three-runs"),
        pytest.param(5, np.ones(14), 0.947, id="equal-five-runs"),
    ],
)
def test_coverage_is_what_was_measured(n: int, spreads: Array, stated: float) -> None:
    """Engine specification, section 2.7, row "unequal as specified", whose figures are good to 0.01.

    The layout is not stated there; the widths stated fit spreads dealt at random and a control run twice as often.
    Over 17,500 studies the ninefold row holds in 93.5 %: less than 95 %, as docs/statistics-notes.md says.
    """
    studies = 3000
    coverage = held_together(n, spreads, studies, seed=27)
    error = math.hypot(0.01, math.sqrt(0.05 * 0.95 / studies))
    assert abs(coverage - stated) < 3 * error
    if spreads[0] == spreads[-1]:
        assert coverage > 0.94 - 2 * math.sqrt(0.05 * 0.95 / studies)
