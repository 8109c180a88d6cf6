"""Scores in which a result is capped."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from evenbench.compare.simultaneous import constant
from evenbench.rank.capped import Levels, best_of_draws, simultaneous
from evenbench.rank.placing import Placing
from evenbench.rank.scores import Part, Scores, add_up, drawn, share_first
from evenbench.study.model import Study
from evenbench.study.parse import parse
from tests.engine import TODAY, analysis_of, rows_of

DATA = {"c": [9.0, 10.0, 11.0], "a": [19.0, 20.0, 21.0], "b": [19.5, 20.5, 21.5], "d": [13.0, 14.0, 15.0]}


def study(result: str, *, more: str = "", price: str = "") -> Study:
    roles = {"c": "control", **dict.fromkeys("abd", "candidate")}
    products = "".join(
        f'[products.{id}]\nname = "Product {id}"\nrole = "{role}"\n{price}' for id, role in roles.items()
    )
    return parse(
        f"""
format = 1
[study]
id = "bench"
title = "Bench"
currency = "EUR"
{products}
[tests.t]
title = "T"
readings.x = {{ unit = "g" }}
readings.u = {{ unit = "g" }}
results.y = {{ formula = "x", unit = "g", kind = "benefit", {result} }}
results.z = {{ formula = "u", unit = "g", kind = "benefit", better = "lower", matters = "2 g" }}
[buyers.one]
title = "One"
weights.t.y = 1
{more}
""",
        today=TODAY,
    )


def placed(result: str, *, more: str = "", data: dict[str, list[float]] = DATA) -> Placing:
    rows = [{**row, "u": f"{5 + 0.3 * n % 1.1:g}"} for n, row in enumerate(rows_of(data))]
    return analysis_of(study(result, more=more), rows).placings[0]


HIGHER = 'better = "higher", matters = "2 g"'


# --------------------------------------------------------------------------------------------- what a cap is worth


def test_beyond_the_cap_more_brings_no_further_steps() -> None:
    """Steps of 2 g from the control at 10 g: to a cap at 18 g there are 4."""
    found = placed(f'{HIGHER}, capped_at = "18 g"')
    steps = dict(zip(found.products, found.steps["t.y"].tolist(), strict=True))
    assert steps == {"a": pytest.approx(4), "b": pytest.approx(4), "d": pytest.approx(2)}
    assert found.score == pytest.approx(found.steps["t.y"])
    assert found.could_be_best == ("a", "b")
    assert found.winner is None
    assert "T: y above 18 g counts as 18 g" in found.notes


def test_lower_is_capped_from_below() -> None:
    found = placed('better = "lower", matters = "2 g", capped_at = "5 g"', data={**DATA, "a": [1.0, 2.0, 3.0]})
    assert found.steps["t.y"][found.products.index("a")] == pytest.approx((10 - 5) / 2)


def test_steps_are_counted_on_the_scale_of_comparison() -> None:
    result = 'better = "higher", matters = "10 % of control", scale = "log", capped_at = "18 g"'
    found = placed(result)
    control = float(np.exp(np.mean(np.log(DATA["c"]))))
    assert found.steps["t.y"][0] == pytest.approx(math.log(18 / control) / math.log(1.1))


def test_near_enough_to_a_target_is_near_enough() -> None:
    found = placed('better = "nearest", target = "20 g", matters = "2 g", capped_at = "3 g"')
    steps = dict(zip(found.products, found.steps["t.y"].tolist(), strict=True))
    assert steps == {"a": pytest.approx(3.5), "b": pytest.approx(3.5), "d": pytest.approx(2)}


def test_a_control_beyond_the_cap_leaves_nothing_to_gain() -> None:
    found = placed(f'{HIGHER}, capped_at = "5 g"')
    assert found.score == pytest.approx(0, abs=1e-12)
    assert found.could_be_best == ("a", "b", "d")
    assert any("no product can gain a step" in note for note in found.notes)


def test_the_verdicts_do_not_know_of_the_cap() -> None:
    rows = [{**row, "u": "5"} for row in rows_of(DATA)]
    plain, capped = (analysis_of(study(f"{HIGHER}{cap}"), rows) for cap in ("", ', capped_at = "18 g"'))
    one, other = plain.comparisons[0], capped.comparisons[0]
    assert one.families[0].verdict == other.families[0].verdict
    assert one.best.names == other.best.names


# --------------------------------------------------------------------------------- draws against what is known exactly


def test_an_idle_cap_changes_nothing_but_by_the_errors_of_drawing() -> None:
    """A cap that nothing reaches leaves the exact intervals, with one result and with two of the same runs."""
    for more in ("", "weights.t.z = 2"):
        exact, capped = (placed(f"{HIGHER}{cap}", more=more) for cap in ("", ', capped_at = "1000 g"'))
        assert capped.products == exact.products
        assert capped.score == pytest.approx(exact.score, rel=1e-12)
        half = (exact.high - exact.low) / 2
        assert np.abs(capped.low - exact.low).max() < 0.03 * half.min()
        assert np.abs(capped.high - exact.high).max() < 0.03 * half.min()
        assert capped.could_be_best == exact.could_be_best
        assert capped.share_first == pytest.approx(exact.share_first, abs=0.02)


@pytest.mark.parametrize("more", ["", "weights.t.z = 2"], ids=["one result", "two of the same runs"])
def test_an_idle_cap_narrows_nothing_where_products_scatter_differently(more: str) -> None:
    """Two results go together by one correlation for all products, which may widen an interval; never shorten it."""
    data = {**DATA, "a": [15.0, 20.0, 25.0, 20.0], "b": [20.4, 20.5, 20.6, 20.5]}
    declared = f'{HIGHER}, spread = "unequal"'
    exact, capped = (placed(f"{declared}{cap}", more=more, data=data) for cap in ("", ', capped_at = "1000 g"'))
    assert capped.score == pytest.approx(exact.score, rel=1e-12)
    wider = (capped.high - capped.low) / (exact.high - exact.low)
    assert wider.min() > 0.97
    assert wider.max() < (1.1 if not more else 2.0)


def levels(value: list[float], sd: list[float], cap: float) -> Levels:
    """One column of independent levels, the control last."""
    return Levels(value=np.array([value]), cap=np.array([cap]), covariance=np.diag(np.square(sd)))


def both(of: Scores, *, seed: int, draws: int) -> tuple[np.ndarray, np.ndarray]:
    """Draws with their caps, and the same ones without."""
    return drawn(of, seed=seed, draws=draws), drawn(of, seed=seed, draws=draws, capped=False)


def scores(of: Levels, df: int) -> Scores:
    count = of.value.shape[1] - 1
    names = tuple("abcdefgh"[:count])
    steps = of.steps(np.zeros((1, of.value.size)))[0]
    part = Part(test="t", products=names, steps=steps, covariance=np.eye(count), df=df, levels=of)
    return replace(add_up([part], np.zeros(count), names))


@pytest.mark.parametrize("cap", [-2.0, 0.0, 0.7, 3.0])
@pytest.mark.parametrize("df", [3, 12])
def test_the_mean_of_a_capped_t_is_met(cap: float, df: int) -> None:
    """E min(T, c) = c F(-c) - (df + c^2) / (df - 1) f(c), with the density f and distribution F of Student's t.

    Source: the integral of t f(t) is -(df + t^2) / (df - 1) f(t), by differentiating it.
    """
    draws = drawn(scores(levels([0.0, -50.0], [1.0, 0.0], cap), df), seed=11, draws=200_000)[:, 0] - 50
    expected = cap * stats.t.sf(cap, df) - (df + cap**2) / (df - 1) * stats.t.pdf(cap, df)
    assert draws.mean() == pytest.approx(expected, abs=5 * draws.std() / math.sqrt(len(draws)))


def test_the_mean_of_a_capped_normal_is_met() -> None:
    """E min(X, c) = m Phi(z) + c (1 - Phi(z)) - s phi(z), z = (c - m) / s: a censored normal mean.

    Source: Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 1, 13.10 (from memory).
    """
    m, s, cap = 2.0, 0.8, 2.3
    z = (cap - m) / s
    draws = drawn(scores(levels([m, 0.0], [s, 0.0], cap), 10_000_000), seed=12, draws=200_000)[:, 0]
    expected = m * stats.norm.cdf(z) + cap * stats.norm.sf(z) - s * stats.norm.pdf(z)
    assert draws.mean() == pytest.approx(expected, abs=5 * draws.std() / math.sqrt(len(draws)))


def test_one_capped_score_against_a_known_control_ends_at_the_quantiles_of_t() -> None:
    """A cap that rises with the level turns the ends of an interval, and does nothing else to them."""
    for cap in (1.0, 10.0):
        capped, uncapped = both(scores(levels([0.0, -20.0], [1.0, 0.0], cap), 8), seed=13, draws=200_000)
        low, high, error = simultaneous(capped - 20, uncapped - 20)
        t = float(stats.t.ppf(0.975, 8))
        assert low[0] == pytest.approx(-t, abs=5 * error)
        assert high[0] == pytest.approx(min(t, cap), abs=5 * error)


def test_ends_of_several_are_those_of_comparisons_with_one_control() -> None:
    """Five levels and a control of one variance: correlations 0.5, the constants of Dunnett (1964)."""
    low, high, error = simultaneous(*both(scores(levels([0.0] * 6, [1.0] * 6, math.inf), 20), seed=14, draws=200_000))
    exact = constant(np.full(5, math.sqrt(0.5)), 20, sides=2, level=0.95) * math.sqrt(2)
    assert exact / math.sqrt(2) == pytest.approx(2.73, abs=0.01)  # Dunnett (1964), table II, df 20, five treatments
    assert high == pytest.approx(np.full(5, exact), abs=5 * error)
    assert low == pytest.approx(np.full(5, -exact), abs=5 * error)


def test_the_stated_error_is_that_of_drawing() -> None:
    """Ends of many sets of draws scatter by about as much as one set says."""
    of = scores(levels([0.0, 0.5, 0.0], [1.0, 1.0, 0.5], 0.4), 10)
    found = [simultaneous(*both(of, seed=seed, draws=8_000)) for seed in range(30)]
    scatter = np.std([[*low, *high] for low, high, _ in found], axis=0, ddof=1).max()
    assert 0.4 < float(np.mean([error for _, _, error in found])) / scatter < 2.5


# ------------------------------------------------------------------------------------------------ who could be best


def test_could_be_best_without_a_cap_is_that_of_comparisons_with_the_best() -> None:
    """Four levels, 12, 11.4, 9 and 8.5, variance 0.12 on 8 df: a and b by Hsu (1984), as in compare/best.py."""
    value = [12.0, 11.4, 9.0, 8.5, 0.0]
    of = scores(levels(value, [math.sqrt(0.12)] * 4 + [0.0], math.inf), 8)
    draws = both(of, seed=15, draws=40_000)
    assert best_of_draws(*draws, np.ones(4, dtype=bool)).tolist() == [True, True, False, False]
    assert best_of_draws(*draws, np.array([False, True, True, True])).tolist() == [False, True, False, False]


def test_products_that_all_reach_the_cap_are_alike() -> None:
    of = scores(levels([50.0, 40.0, 1.0, 0.0], [0.1] * 4, 30.0), 8)
    draws = both(of, seed=16, draws=8_000)
    assert best_of_draws(*draws, np.ones(3, dtype=bool)).tolist() == [True, True, False]
    assert share_first(of, seed=17) == pytest.approx([0.5, 0.5, 0.0])


def test_levels_of_one_run_are_drawn_together() -> None:
    """Two results of the same runs that move together: their joint covariance is that of the runs."""
    generator = np.random.Generator(np.random.PCG64(4))
    x = {p: [v + e for e in generator.standard_normal(30)] for p, v in {"c": 10, "a": 20, "b": 18, "d": 14}.items()}
    rows = [{**row, "u": repr(100 - 2 * float(row["x"]))} for row in rows_of(x)]
    one = study(f'{HIGHER}, capped_at = "1000 g"', more="weights.t.z = 1")
    found = analysis_of(one, rows).placings[0]
    # Both results say the same of every run, z twice over, so that the score is (x / 2 + 2 x / 2) / 2.
    alone = analysis_of(study(HIGHER.replace("2 g", "1 g")), rows).placings[0]
    scale = 0.75 / 1
    assert found.score == pytest.approx(scale * alone.score, rel=1e-9)
    assert found.high - found.low == pytest.approx(scale * (alone.high - alone.low), rel=0.02)


# ------------------------------------------------------------------------------------- how it is told


def test_the_note_tells_seed_draws_and_error() -> None:
    found = placed(f'{HIGHER}, capped_at = "18 g"')
    [note] = [note for note in found.notes if "joint draws" in note]
    assert "40,000 joint draws (seed " in note
    assert "standard error of at most 0.0" in note


def test_the_same_study_gives_the_same_ends() -> None:
    one, other = (placed(f'{HIGHER}, capped_at = "18 g"') for _ in range(2))
    assert one.low.tolist() == other.low.tolist()
    assert one.notes == other.notes


def test_nothing_run_twice_leaves_capped_scores_without_intervals() -> None:
    found = placed(f'{HIGHER}, capped_at = "18 g"', data={p: values[:1] for p, values in DATA.items()})
    assert np.isfinite(found.score).all()
    assert np.isnan(found.low).all()
    assert "nothing was run twice" in found.why["interval"]
    assert found.could_be_best is None
