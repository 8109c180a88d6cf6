"""All pairs, through fits of real layouts, against published examples, tables and plain simulation."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace
from itertools import combinations
from math import nan, sqrt
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from evenbench.compare.fit import NO_SCATTER, NO_SPREAD, Fit, fit_levels
from evenbench.compare.pairs import MOST, ONE_ALONE, TOO_MANY, Pairs, all_pairs, family_of
from evenbench.compare.spread import with_own_spreads
from evenbench.study.model import Result, Target
from tests.engine import one_test

Array = NDArray[np.float64]
REFERENCE = Path(__file__).parents[1] / "reference"
CHECKS = {c["id"]: c for c in tomllib.loads((REFERENCE / "all_pairs.toml").read_text(encoding="utf-8"))["check"]}


def result_of(**declared: object) -> Result:
    study = one_test({"c": "control", "a": "candidate"}, **declared)  # type: ignore[arg-type]
    return study.test("t").results[0]


def fit_of(groups: dict[str, list[float]], blocks: dict[str, list[str]] | None = None) -> Fit:
    names = tuple(groups)
    value = np.array([v for g in groups.values() for v in g], dtype=np.float64)
    product = np.repeat(np.arange(len(names)), [len(g) for g in groups.values()]).astype(np.int32)
    block = np.zeros(len(value), dtype=np.int32)
    if blocks:
        labels = [label for name in names for label in blocks[name]]
        block = np.array([sorted(set(labels)).index(label) for label in labels], dtype=np.int32)
    return fit_levels(value, product, names, block)


def pairs_of(groups: dict[str, list[float]], blocks: dict[str, list[str]] | None = None, **declared: object) -> Pairs:
    fit = fit_of(groups, blocks)
    return all_pairs(fit, result_of(**declared), fit.products, matters=1.0 if declared.get("matters") else None)


def data_of(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def layout(generator: np.random.Generator, count: int) -> Fit:
    """One way, two to eight runs each."""
    runs = generator.integers(2, 9, count).tolist()
    return fit_of({f"p{k}": generator.normal(10, 1, n).tolist() for k, n in enumerate(runs)})


def test_diets() -> None:
    """Westfall et al. (1999), pp. 47-50: five diets of ten, lower ends as printed, second - first (CMP-T03)."""
    found = CHECKS["CMP-T03"]
    groups = found["inputs"]
    fit = fit_of(groups)
    assert fit.sd == pytest.approx(found["expected"]["resid_sd"], abs=1e-7)
    pairs = pairs_of(groups)
    assert pairs.constants == pytest.approx(found["expected"]["crit_t_scale"], abs=0.001)
    assert -pairs.high == pytest.approx(found["expected"]["lower"], abs=0.001)


def test_cholesterol() -> None:
    """Five treatments of ten: p and intervals by quadrature, second - first (CMP-C02)."""
    found, groups = CHECKS["CMP-C02"], dict[str, list[float]]()
    for row in data_of("cholesterol.csv"):
        groups.setdefault(row["trt"], []).append(float(row["response"]))
    pairs = pairs_of(groups)
    assert pairs.p == pytest.approx(found["expected"]["p"], abs=1e-9)
    assert -pairs.high == pytest.approx(found["expected"]["lower"], abs=1e-9)
    assert -pairs.low == pytest.approx(found["expected"]["upper"], abs=1e-9)
    assert pairs.method.startswith("exact (the studentized range) for 10 pairs together, t on 45 degrees of freedom")


def test_warp_breaks_in_two_ways() -> None:
    """Tension with wool as blocks; M - H, L - H, L - M as printed by the help page of an open program (CMP-W01)."""
    found, groups, blocks = CHECKS["CMP-W01"], dict[str, list[float]](), dict[str, list[str]]()
    for row in data_of("warpbreaks.csv"):
        groups.setdefault(row["tension"], []).append(float(row["breaks"]))
        blocks.setdefault(row["tension"], []).append(row["wool"])
    pairs = pairs_of(groups, blocks)  # L - M, L - H, M - H
    order = [2, 1, 0]
    assert pairs.effect[order] == pytest.approx(found["expected"]["diff"], abs=6e-6)
    assert pairs.low[order] == pytest.approx(found["expected"]["lower"], abs=6e-6)
    assert pairs.high[order] == pytest.approx(found["expected"]["upper"], abs=6e-6)
    assert pairs.p[order] == pytest.approx(found["expected"]["p"], abs=6e-6)


def test_detergents_in_incomplete_blocks() -> None:
    """Westfall et al. (1999): ten blocks of three of five, every difference equally well known (CMP-B03)."""
    found = CHECKS["CMP-B03"]
    here = {k: [n for n, v in enumerate(plates) if v != "NA"] for k, plates in found["inputs"].items()}
    groups = {k: [float(found["inputs"][k][n]) for n in at] for k, at in here.items()}
    pairs = pairs_of(groups, {k: [str(n) for n in at] for k, at in here.items()})
    expected = found["expected"]
    # The check's pairs are second - first.
    assert -pairs.effect == pytest.approx(expected["diff"], abs=1e-8)
    assert pairs.p == pytest.approx(expected["p"], abs=1e-7)
    assert (pairs.high - pairs.low) / 2 == pytest.approx(np.full(10, expected["half_width"]), abs=1e-7)


def test_recovery_of_unequal_groups() -> None:
    """Westfall et al. (1999), pp. 68 and 76: 20, 3, 3 and 15 runs; printed from a random integration (CMP-TX3)."""
    found = CHECKS["CMP-TX3"]
    pairs = pairs_of(found["inputs"])  # b0-b1 b0-b2 b0-b3 b1-b2 b1-b3 b2-b3, the check's order
    assert pairs.p == pytest.approx(found["expected"]["p"], abs=found["tolerance_abs"]["p"])
    # The check's note: another integration, good to 1e-5.
    assert pairs.p == pytest.approx([0.53292, 0.00021, 0.23836, 0.06735, 0.99120, 0.00528], abs=5e-5)
    assert pairs.constants == pytest.approx(found["expected"]["crit"], abs=found["tolerance_abs"]["crit"])
    assert pairs.method.startswith("a sum over directions")


def test_three_unequal_groups_of_the_grid() -> None:
    """All pairs of three by another program, good to 1e-9 (tests/reference/multivariate_t_grid.csv)."""
    rows = [row for row in data_of("multivariate_t_grid.csv") if row["what"] == "allpairs3_pvalue"]
    assert len(rows) == 13
    for row in rows:
        family = family_of(np.diag([1 / int(n) for n in row["n"].split(";")]))
        t, df = float(row["t"]), float(row["df"])
        missed = abs(float(family.tail(t, df)) - float(row["value"]))
        assert missed < min(4 * family.error(t, df), 5e-4), row["id"]
        assert family.error(t, df) < 2e-5


@pytest.mark.parametrize(("count", "df"), [(5, 12.0), (12, 40.0)])
def test_unequal_runs_against_plain_draws(count: int, df: float) -> None:
    """A family without any structure: 4e5 draws of its levels, seed 12, within four standard errors of both."""
    generator = np.random.default_rng(12)
    mixed = generator.normal(size=(count, count + 2))
    covariance = mixed @ mixed.T / count
    family = family_of(covariance)
    c = float(family.constant(df, 0.95))
    draws, passed = 400_000, 0
    root = np.linalg.cholesky(covariance)
    first, second = np.triu_indices(count, 1)
    own = np.diag(covariance)
    error = np.sqrt(own[first] + own[second] - 2 * covariance[first, second])
    for _ in range(20):
        x = generator.standard_normal((draws // 20, count)) @ root.T
        s = np.sqrt(generator.chisquare(df, draws // 20) / df)
        t = np.abs(x[:, first] - x[:, second]) / error
        passed += int(np.sum(t.max(axis=1) > c * s))
    plain = passed / draws
    assert plain == pytest.approx(0.05, abs=4 * np.hypot(family.error(c, df), sqrt(plain / draws)))


def test_places_of_four_products() -> None:
    """Means 12, 11.4, 9, 8.5, n 3, s2 .36, 8 df: half-width 1.56883, places 1-2 and 3-4 (engine spec, 11.2)."""
    spread = sqrt(0.36)
    groups = {k: [m - spread, m, m + spread] for k, m in zip("abcd", (12.0, 11.4, 9.0, 8.5), strict=True)}
    pairs = pairs_of(groups)
    assert (pairs.high - pairs.low) / 2 == pytest.approx(np.full(6, 1.56883), abs=5e-6)
    assert pairs.places is not None
    assert pairs.places.tolist() == [[1, 2], [1, 2], [3, 4], [3, 4]]
    assert pairs.sets == pairs.close == (("a", "b"), ("c", "d"))


def test_the_grid_of_words() -> None:
    """Words by the rules of a benefit, turned so that the better product is the better one; and back for the other."""
    groups = {"a": [10.0, 10.1, 9.9], "b": [10.0, 10.2, 10.1], "c": [14.0, 14.1, 13.9], "d": [10.7, 11.0, 10.9]}
    fit = fit_of(groups)
    pairs = all_pairs(fit, result_of(better="lower"), fit.products, matters=0.6)
    assert pairs.word("a", "c") == "better"
    assert pairs.word("c", "a") == "worse"
    assert pairs.word("a", "b") == pairs.word("b", "a") == "same"
    assert pairs.word("b", "d") == "better"
    assert pairs.word("a", "a") is None
    with pytest.raises(ValueError, match="not in"):
        pairs.word("a", "nobody")


def test_a_difference_too_small_to_matter_is_the_same_and_still_told_apart() -> None:
    """The word is about what matters; the places are about what was shown."""
    generator = np.random.default_rng(3)
    groups = {"a": generator.normal(10.0, 0.01, 6).tolist(), "b": generator.normal(10.1, 0.01, 6).tolist()}
    fit = fit_of(groups)
    pairs = all_pairs(fit, result_of(), fit.products, matters=1.0)
    assert pairs.verdict == ("same",)
    assert pairs.places is not None
    assert pairs.places.tolist() == [[2, 2], [1, 1]]


def test_a_risk_has_the_words_of_a_benefit() -> None:
    groups = {"a": [1.0, 1.1, 1.2], "b": [5.0, 5.1, 5.2]}
    fit = fit_of(groups)
    pairs = all_pairs(fit, result_of(kind="risk", better="lower"), fit.products, matters=0.5)
    assert pairs.verdict == ("better",)


def test_ratios_are_published_as_ratios() -> None:
    """On the log scale the effect of a pair is a ratio, and its word does not change."""
    groups = {"a": [1.0, 1.1, 1.2], "b": [2.0, 2.1, 2.2]}
    fit = fit_of(groups)
    raw = all_pairs(fit, result_of(), fit.products, matters=0.5)
    ratio = all_pairs(fit, result_of(scale="log", matters="10 % of control"), fit.products, matters=0.5)
    assert ratio.effect == pytest.approx(np.exp(raw.effect))
    assert ratio.low == pytest.approx(np.exp(raw.low))
    assert (ratio.verdict, ratio.apart.tolist()) == (raw.verdict, raw.apart.tolist())


def test_info_results_have_no_words_and_no_order() -> None:
    groups = {"a": [1.0, 1.1, 1.2], "b": [5.0, 5.1, 5.2]}
    fit = fit_of(groups)
    info = replace(result_of(), kind="info", better=None, matters=None)
    pairs = all_pairs(fit, info, fit.products, matters=None)
    assert pairs.verdict == (None,)
    assert np.isfinite(pairs.low).all()
    assert pairs.unranked == "an info result is not judged"
    assert not pairs.beats.any()
    assert (pairs.sets, pairs.places) == ((), None)


def test_results_that_should_be_like_another_product_have_no_order() -> None:
    """Between two others nothing follows from which of them has more."""
    groups = {"c": [1.0, 1.1, 1.2], "a": [5.0, 5.1, 5.2], "b": [7.0, 7.2, 7.1]}
    fit = fit_of(groups)
    plain = result_of()
    like = replace(plain, target=Target(text="like c", unit=plain.unit, product="c"), better=None)
    pairs = all_pairs(fit, like, ("a", "b"), matters=0.5)
    assert (pairs.verdict, pairs.unranked) == ((None,), "nothing is better than being like c")
    assert pairs.high[0] < 0
    assert (pairs.sets, pairs.places) == ((), None)


def test_one_apart_from_all_is_a_set_and_not_too_close() -> None:
    """Where less is better the least comes first, whatever the order of products."""
    pairs = pairs_of({"a": [9.0, 9.2], "b": [5.0, 5.2], "c": [5.1, 5.3], "d": [1.0, 1.2]}, better="lower")
    assert pairs.sets == (("d",), ("b", "c"), ("a",))
    assert pairs.close == (("b", "c"),)
    assert pairs.places is not None
    assert pairs.places.tolist() == [[4, 4], [2, 3], [2, 3], [1, 1]]


def unequal(generator: np.random.Generator, runs: int) -> Fit:
    spread = [0.2, 0.5, 1.0, 2.0]
    groups = {f"p{k}": generator.normal(10, s, runs).tolist() for k, s in enumerate(spread)}
    fit = fit_of(groups)
    return with_own_spreads(fit, np.zeros(len(spread)), "the test says so")


def test_spreads_that_differ_and_six_runs() -> None:
    """The studentized range at each pair's own df, Games & Howell (1976); by scipy.stats from each pair's t and df."""
    fit = unequal(np.random.default_rng(21), 6)
    pairs = all_pairs(fit, result_of(), fit.products, matters=1.0)
    # By hand: the variance of each mean, and Welch's degrees of freedom.
    v, d = fit.variance / 6, fit.freedom
    for k, (i, j) in enumerate(combinations(range(4), 2)):
        df = min((v[i] + v[j]) ** 2 / (v[i] ** 2 / d[i] + v[j] ** 2 / d[j]), 20.0)
        error = sqrt(v[i] + v[j])
        q = float(stats.studentized_range.ppf(0.95, 4, df))
        assert pairs.constants[k] == pytest.approx(q / sqrt(2), rel=1e-6)
        t = abs(pairs.effect[k]) / error
        assert pairs.p[k] == pytest.approx(float(stats.studentized_range.sf(t * sqrt(2), 4, df)), abs=1e-7)
    assert "Games and Howell" in pairs.method


def test_spreads_that_differ_and_fewer_runs() -> None:
    """Šidák at each pair's own df: the t point at 1 - .95 ** (1/6), two-sided."""
    fit = unequal(np.random.default_rng(22), 5)
    pairs = all_pairs(fit, result_of(), fit.products, matters=1.0)
    v, d = fit.variance / 5, fit.freedom
    for k, (i, j) in enumerate(combinations(range(4), 2)):
        df = min((v[i] + v[j]) ** 2 / (v[i] ** 2 / d[i] + v[j] ** 2 / d[j]), 16.0)
        assert pairs.constants[k] == pytest.approx(float(stats.t.isf((1 - 0.95 ** (1 / 6)) / 2, df)), rel=1e-9)
    assert "Šidák" in pairs.method


def test_p_and_interval_tell_one_story() -> None:
    """p below 5 % exactly where 0 lies outside the interval, whichever rule made them."""
    generator = np.random.default_rng(8)
    fits = [layout(generator, 9), unequal(generator, 5), unequal(generator, 7)]
    for fit in fits:
        pairs = all_pairs(fit, result_of(), fit.products, matters=None)
        assert ((pairs.p < 0.05) == (pairs.apart != 0)).all()
        edge = replace(fit, theta=np.zeros(len(fit.theta)))
        half = all_pairs(edge, result_of(), fit.products, matters=None).high[0]
        for by, apart in ((1.0001, True), (0.9999, False)):
            moved = replace(fit, theta=np.eye(len(fit.theta))[0] * half * by)
            found = all_pairs(moved, result_of(), fit.products, matters=None)
            assert (found.apart[0] != 0) == (found.p[0] < 0.05) == apart


@given(st.permutations(range(6)))
@settings(deadline=None, max_examples=10)
def test_the_order_of_products_does_not_matter(order: list[int]) -> None:
    fit = layout(np.random.default_rng(5), 6)
    straight = all_pairs(fit, result_of(), fit.products, matters=None)
    moved = all_pairs(fit, result_of(), tuple(fit.products[k] for k in order), matters=None)
    assert moved.constants[0] == pytest.approx(straight.constants[0], rel=1e-9)
    assert (moved.beats == straight.beats[np.ix_(order, order)]).all()


def test_units_and_direction_do_not_matter() -> None:
    """A thousand times the figures is the same finding; the other sign with the other direction too."""
    groups = {f"p{k}": v for k, v in enumerate([[1.0, 1.2], [1.1, 1.3, 1.2], [3.0, 3.1], [2.0, 2.2, 2.1, 2.3]])}
    one = pairs_of(groups)
    thousand = pairs_of({k: [1000 * x for x in v] for k, v in groups.items()})
    turned = pairs_of({k: [-x for x in v] for k, v in groups.items()}, better="lower")
    assert thousand.p == pytest.approx(one.p, rel=1e-6)
    assert (thousand.verdict, turned.verdict) == (one.verdict, one.verdict)
    assert turned.apart.tolist() == one.apart.tolist()


EDGES = [
    pytest.param({"a": [1.0], "b": [2.0], "c": [3.0]}, NO_SCATTER, id="one-run-each"),
    pytest.param({"a": [1.0, 1.0], "b": [2.0, 2.0]}, NO_SPREAD, id="all-alike"),
]


@pytest.mark.parametrize(("groups", "why"), EDGES)
def test_no_spread_to_judge_by(groups: dict[str, list[float]], why: str) -> None:
    """Effects without intervals, the reason for each, and nothing told apart."""
    pairs = pairs_of(groups)
    assert np.isfinite(pairs.effect).all()
    assert np.isnan(pairs.low).all()
    assert set(pairs.verdict) == {"cannot say"}
    assert set(pairs.why) == {why}
    assert pairs.unranked == why
    assert not pairs.beats.any()


def test_one_product_has_no_pair() -> None:
    pairs = pairs_of({"a": [1.0, 2.0]})
    assert (len(pairs.effect), pairs.unranked) == (0, ONE_ALONE)
    assert pairs.sets == (("a",),)
    assert pairs.places is not None
    assert pairs.places.tolist() == [[1, 1]]


def test_two_products_are_a_t_test() -> None:
    pairs = pairs_of({"a": [1.0, 2.0, 3.0], "b": [4.0, 5.5]})
    found = stats.ttest_ind([1.0, 2.0, 3.0], [4.0, 5.5])
    assert float(pairs.p[0]) == pytest.approx(float(found.pvalue), rel=1e-9)
    interval = found.confidence_interval(0.95)
    assert (pairs.low[0], pairs.high[0]) == pytest.approx((float(interval.low), float(interval.high)), rel=1e-9)


def test_blocks_that_share_no_product() -> None:
    """Pairs across unconnected blocks have no effect and say why; the others are a family of their own."""
    groups = {"a": [1.0, 1.1, 1.3], "b": [2.0, 2.3, 2.1], "c": [3.0, 3.1, 3.3], "d": [7.0, 7.1, 6.9], "e": [8.0, 8.2]}
    blocks = {"a": ["x"] * 3, "b": ["x"] * 3, "c": ["x"] * 3, "d": ["y"] * 3, "e": ["y"] * 2}
    pairs = pairs_of(groups, blocks)
    across = [k for k, (i, j) in enumerate(combinations("abcde", 2)) if (i in "de") != (j in "de")]
    inside = [k for k in range(10) if k not in across]
    assert np.isnan(pairs.effect[across]).all()
    assert {pairs.why[k] for k in across} == {"these two never ran in connected blocks"}
    assert {pairs.verdict[k] for k in across} == {"cannot say"}
    assert np.isfinite(pairs.p[inside]).all()
    assert "4 pairs together" in pairs.method
    # Between those of three alone and Šidák's for four, on 9 df; scipy.stats for both.
    least = float(stats.studentized_range.ppf(0.95, 3, 9)) / sqrt(2)
    assert least < pairs.constants[inside[0]] < float(stats.t.isf((1 - 0.95**0.25) / 2, 9))
    assert pairs.unranked == ""


def test_errors_that_only_some_runs_share() -> None:
    """Known errors enter every difference they do not cancel from, and Šidák's points hold whatever they do."""
    fit = fit_of({"a": [1.0, 1.1, 1.3], "b": [2.0, 2.3, 2.1], "c": [3.0, 3.1, 3.3]})
    shared = np.zeros((3, 1))
    shared[0, 0] = 2.0
    pairs = all_pairs(replace(fit, in_part=shared), result_of(), fit.products, matters=None)
    assert pairs.constants == pytest.approx(np.full(3, float(stats.t.isf((1 - 0.95 ** (1 / 3)) / 2, 6))), rel=1e-9)
    half = (pairs.high - pairs.low) / 2 / pairs.constants
    assert half[0] == pytest.approx(sqrt(fit.sd**2 * 2 / 3 + 4), rel=1e-9)
    assert half[2] == pytest.approx(sqrt(fit.sd**2 * 2 / 3), rel=1e-9)


def test_one_and_two_degrees_of_freedom() -> None:
    """Intervals, if very wide ones, with equal runs and without."""
    for groups in ({"a": [1.0, 1.5], "b": [4.0], "c": [5.0]}, {"a": [1.0, 1.5, 2.0], "b": [4.0], "c": [5.0]}):
        pairs = pairs_of(groups)
        assert np.isfinite(pairs.low).all()
        assert np.all((pairs.p > 0) & (pairs.p <= 1))


def test_more_products_than_are_listed() -> None:
    generator = np.random.default_rng(1)
    pairs = pairs_of({f"p{k}": generator.normal(0, 1, 2).tolist() for k in range(MOST + 1)})
    assert set(pairs.why) == {TOO_MANY}
    assert pairs.unranked == TOO_MANY


def test_thirty_products_of_unequal_runs() -> None:
    """All 435 pairs by the general rule; well under a second even on a busy machine."""
    fit = layout(np.random.default_rng(2), MOST)
    start = perf_counter()
    pairs = all_pairs(fit, result_of(), fit.products, matters=None)
    assert perf_counter() - start < 3
    assert np.isfinite(pairs.p).all()
    df = fit.df
    # Never wider than the studentized range for unequal runs (Hayter 1984), nor than it has to be.
    assert pairs.constants[0] < float(stats.studentized_range.ppf(0.95, MOST, df)) / sqrt(2)


def test_each_contrast_at_its_own_degrees_of_freedom() -> None:
    """One family asked at many df, as scores are: each constant is passed with its probability."""
    family = family_of(np.diag([1.0, 2.0, 3.0, 4.0]))
    df = np.array([1.0, 2.7, 11.0, 300.0, np.inf])
    c = family.constant(df, 0.95)
    assert family.tail(c, df) == pytest.approx(np.full(5, 0.05), rel=1e-8)
    assert np.all(np.diff(c) < 0)
    even = family_of(np.eye(4))
    assert even.error(3.0, 11.0) == 0  # exact: nothing is left to directions
    assert even.tail(even.constant(df, 0.95), df) == pytest.approx(np.full(5, 0.05), rel=1e-8)


def test_the_method_says_how_many_degrees_of_freedom() -> None:
    """Two products, each with its own spread: one pair on Welch's degrees of freedom."""
    fit = fit_of({"a": [1.0, 2.0, 3.0, 2.5], "b": [4.0, 9.0, 2.0]})
    fit = with_own_spreads(fit, np.zeros(2), "the test says so")
    pairs = all_pairs(fit, result_of(), fit.products, matters=None)
    assert (
        pairs.method
        == f"Šidák's t points for 1 pair together, t on {fit.df_of(np.array([1.0, -1.0])):.3g} degrees of freedom"
    )


def test_nothing_known_is_not_a_number() -> None:
    """A Pairs of nothing holds nan in every place of a figure, never a figure."""
    pairs = pairs_of({"a": [1.0], "b": [2.0]})
    figures: list[Any] = [pairs.low[0], pairs.high[0], pairs.p[0], pairs.constants[0]]
    assert figures == pytest.approx([nan] * 4, nan_ok=True)


@pytest.mark.parametrize("seed", range(60))
def test_any_layout_has_figures_or_reasons(seed: int) -> None:
    """One to eight products and runs, up to four blocks, offsets of a million, coarse readings: and no warnings."""
    generator = np.random.default_rng(seed)
    names = [f"p{k}" for k in range(int(generator.integers(1, 9)))]
    unit = 10.0 ** generator.integers(-12, 12)
    groups: dict[str, list[float]] = {}
    blocks: dict[str, list[str]] = {}
    some = int(generator.integers(1, 5))
    for k, name in enumerate(names):
        values = generator.normal(k, 1, int(generator.integers(1, 9)))
        values = np.round(values) if seed % 3 == 0 else values
        groups[name] = (unit * (values + (1e6 if seed % 2 else 0))).tolist()
        blocks[name] = [str(label) for label in generator.integers(0, some, len(values))]
    fit = fit_of(groups, blocks)
    fit = with_own_spreads(fit, np.zeros(len(names)), "the test says so") if seed % 4 == 0 else fit
    pairs = all_pairs(fit, result_of(), fit.products, matters=0.5 * unit)
    for k, why in enumerate(pairs.why):
        known = np.isfinite([pairs.low[k], pairs.high[k], pairs.p[k], pairs.constants[k]])
        assert known.all() if not why else not known.any()
        assert (pairs.verdict[k] == "cannot say") == bool(why)
    held = {product for members in pairs.sets for product in members}
    assert held == (set(fit.products) if pairs.places is not None else set())
