from __future__ import annotations

import math
import pickle
import tomllib
import tracemalloc
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats

from evenbench.measure import uncertainty
from evenbench.measure.errors import FormulaError
from evenbench.measure.formula import parse_formula
from evenbench.measure.uncertainty import (
    BENDS,
    NEAR,
    STRAIGHT,
    Error,
    Propagated,
    departs,
    departure,
    linear,
    monte_carlo,
    propagate,
    rounding_bias,
    sheppard,
    widened,
)

Array = NDArray[np.float64]

REFERENCE = tomllib.loads((Path(__file__).parents[1] / "reference" / "uncertainty.toml").read_text("utf-8"))
CHECKS = {check["id"]: check for check in REFERENCE["check"]}
T_TABLE = ["UNC-13", "UNC-14", "UNC-15", "UNC-17", "UNC-20"]

LOSS = parse_formula("before - after")
RATIO = parse_formula("a / b")
TEN_BY_FIVE = {"a": 10.0, "b": 5.0}
OF_TEN_AND_FIVE = [Error.from_standard("a", "a", 0.5), Error.from_standard("b", "b", 0.2)]


def met(id: str, simulated: Propagated | None = None, **got: float) -> None:
    """Every figure is the published one, within the digits printed and four standard errors of its simulation."""
    check = CHECKS[id]
    for name, figure in got.items():
        own = 0.0 if simulated is None else 4 * float(simulated.monte_carlo_error[name.split("_")[0]])
        within = check["tolerance_abs"][name] + own
        assert figure == pytest.approx(check["expected"][name], rel=0, abs=within), f"{id} {name}"


def u_of(*errors: Error) -> float:
    """The standard uncertainty that errors of an input x give it."""
    return float(linear(parse_formula("x"), {"x": 100.0}, errors).u)


def test_every_published_check_that_is_kept_is_used() -> None:
    """A check in the reference file that nothing reads would vouch for nothing."""
    text = Path(__file__).read_text("utf-8")
    assert [id for id in CHECKS if f'"{id}"' not in text] == []


# ------------------------------------------------------------------------------------------------ sources of error


def test_limits_with_nothing_between_them_preferred_are_uniform() -> None:
    """JCGM 100:2008, 4.4.5: 96 to 104 is 100 with u = 2.3 (UNC-06, from memory)."""
    given_ = CHECKS["UNC-06"]["inputs"]
    error = Error.from_within("x", "x", (given_["upper"] - given_["lower"]) / 2)
    met("UNC-06", u=u_of(error))
    assert u_of(error) == pytest.approx(4 / math.sqrt(3), rel=1e-15)


def test_a_digital_step_is_uniform_over_its_width() -> None:
    """JCGM 100:2008, F.2.2.1: 0.29 of the least digit (UNC-08, from memory)."""
    met("UNC-08", u=u_of(Error.from_resolution("x", "x", CHECKS["UNC-08"]["inputs"]["resolution"])))


def test_two_uniform_errors_make_a_trapezoid() -> None:
    """JCGM 100:2008, equation (9a): a^2 (1 + beta^2) / 6, as the sum of two uniform ones (UNC-10, from memory)."""
    check = CHECKS["UNC-10"]
    for beta, expected in zip(check["inputs"]["beta"], check["expected"]["u2"], strict=True):
        halves = [check["inputs"]["a"] * (1 + sign * beta) / 2 for sign in (1, -1)]
        got = u_of(*(Error.from_within(f"{place}", "x", half) for place, half in enumerate(halves)))
        assert got**2 == pytest.approx(expected, rel=0, abs=check["tolerance_abs"]["u2"])
    # With beta = 0 the trapezoid is a triangle, which has a constructor of its own.
    triangle = u_of(Error.from_within("x", "x", check["inputs"]["a"], shape="triangular"))
    assert triangle**2 == pytest.approx(check["expected"]["u2"][0], rel=0, abs=check["tolerance_abs"]["u2"])


@pytest.mark.parametrize("id", T_TABLE)
def test_the_coverage_factor_is_that_of_the_t_table(id: str) -> None:
    """JCGM 100:2008, table G.2: how many u half an interval is, by its level and degrees of freedom (from memory)."""
    given_ = CHECKS[id]["inputs"]
    got = linear(
        parse_formula("x"), {"x": 0.0}, [Error.from_standard("x", "x", 1.0, df=given_["nu"])], level=given_["p"]
    )
    met(id, t=float(got.high))
    assert float(got.df) == pytest.approx(given_["nu"], rel=1e-15)


@pytest.mark.parametrize("sd", [0.0, 0.05, 0.1, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("repeats", [1, 2, 5])
def test_rounding_averages_out_only_as_far_as_repeats_scatter(sd: float, repeats: int) -> None:
    """The u of a mean of rounded repeats is the root mean square of its errors in 400,000 simulated ones."""
    random = np.random.default_rng(3)
    true = random.uniform(0, 1, (400_000, 1)) + sd * random.standard_normal((400_000, repeats))
    wrong = np.mean(np.round(true) - true, axis=1)
    got = Error.from_resolution("x", "x", 1.0, repeats, scatter=sd).pulls["x"]
    assert got == pytest.approx(math.sqrt(np.mean(wrong**2)), rel=0.005)


SHAPES = [
    # repeats, their scatter in steps, shape: the convolution of two equal uniforms is a triangle, of more near normal;
    # what all repeats share stays uniform.
    (1, None, "uniform"), (2, None, "triangular"), (5, None, "normal"), (1, 0.0, "uniform"), (1, math.nan, "uniform"),
    (5, 0.0, "uniform"), (2, 1.0, "triangular"), (5, 1.0, "normal"),
]  # fmt: skip


@pytest.mark.parametrize(("repeats", "scatter", "shape"), SHAPES)
def test_the_shape_of_a_rounding_follows_its_repeats(repeats: int, scatter: float | None, shape: str) -> None:
    """One reading is uniform, a mean of two triangular, of more normal, and of repeats that read the same uniform."""
    error = Error.from_resolution("x", "x", 0.1, repeats, scatter=scatter)
    assert error.shape == shape
    assert math.isfinite(error.pulls["x"])


def test_roundings_of_many_runs_are_made_at_once() -> None:
    """Steps and numbers of repeats may be one for each run; a run without readings does no harm."""
    got = Error.from_resolution("x", "x", np.array([0.1, 0.1, 1.0, np.nan]), np.array([1, 4, 4, 0]))
    assert got.pulls["x"] == pytest.approx(np.array([0.1, 0.05, 0.5, np.nan]) / math.sqrt(12), nan_ok=True)


def test_a_source_that_cannot_be_is_refused() -> None:
    """Degrees of freedom below 0, or for a uniform error, and two sources of one name, are slips of the caller."""
    with pytest.raises(ValueError, match="degrees of freedom are above 0, and 0 was given"):
        Error("x", {"x": 1.0}, df=0)
    with pytest.raises(ValueError, match="only a normal error has degrees of freedom, and this one is uniform"):
        Error("x", {"x": 1.0}, "uniform", 5)
    with pytest.raises(ValueError, match="two errors of one name"):
        linear(RATIO, TEN_BY_FIVE, [OF_TEN_AND_FIVE[0]] * 2)
    with pytest.raises(ValueError, match="a level lies between 0 and 1, and 95 was given"):
        linear(RATIO, TEN_BY_FIVE, [], level=95)
    with pytest.raises(ValueError, match=r"30 draws are too few for an interval at 0\.95"):
        monte_carlo(RATIO, TEN_BY_FIVE, [], seed=1, draws=30)
    with pytest.raises(FormulaError, match="nothing here is named 'b'"):
        propagate(RATIO, {"a": 1.0}, [], seed=1, half_unit=1.0)


# -------------------------------------------------------------------------------------------------- straight lines


def scale(shown: Mapping[str, Any], *, offset: float, gain: float, step: float) -> list[Error]:
    return [
        Error.from_offset("scale offset", shown, offset),
        Error.from_gain("scale gain", shown, gain),
        *(Error.from_resolution(f"{reading} rounding", reading, step) for reading in shown),
    ]


def test_an_offset_cancels_in_a_difference_and_a_gain_stays_with_it() -> None:
    """50.00 before and 49.20 after, offset 0.05, gain 0.1 %, step 0.01.

    By hand: 0.001 * 0.80 for the gain and 0.01 / sqrt 12 twice, 0.00416013 together; with the offset taken for two
    errors of two readings 0.05 twice more, 0.0708329: seventeen times as much.
    """
    shown = {"before": 50.00, "after": 49.20}
    errors = scale(shown, offset=0.05, gain=0.001, step=0.01)
    got = linear(LOSS, shown, errors)
    assert float(got.u) == pytest.approx(0.00416013, rel=0, abs=5e-9)
    assert float(got.contributions["scale offset"]) == 0.0
    assert float(got.contributions["scale gain"]) == pytest.approx(0.0008, rel=1e-9)
    assert float(got.contributions["after rounding"]) == pytest.approx(-0.01 / math.sqrt(12), rel=1e-12)
    apart = [Error.from_offset(f"{reading} offset", [reading], 0.05) for reading in shown]
    assert float(linear(LOSS, shown, [*apart, *errors[1:]]).u) == pytest.approx(0.0708329, rel=0, abs=5e-8)
    # Drawn at random the offset cancels too, and the four errors have the same u.
    drawn = monte_carlo(LOSS, shown, errors, seed=1)
    assert abs(drawn.u - got.u) < 4 * drawn.monte_carlo_error["u"]


def test_a_shared_error_adds_in_a_sum() -> None:
    """JCGM 100:2008, equation (16) and 5.2.2 note 1: 0.26 shared is 0 in a difference, 0.52 in a sum (UNC-28)."""
    given_ = CHECKS["UNC-28"]["inputs"]
    shared = [Error("scale offset", {"a": given_["u1"], "b": given_["u2"]})]
    values = {"a": 1.0, "b": 2.0}
    got = [float(linear(parse_formula(text), values, shared).u) for text in ("a - b", "a + b")]
    met("UNC-28", u_difference=got[0], u_sum=got[1])


def test_effective_degrees_of_freedom_are_those_of_welch_and_satterthwaite() -> None:
    """JCGM 100:2008, G.4.1: a product of three means of 10, 5 and 15 readings (UNC-12, from memory)."""
    given_ = CHECKS["UNC-12"]["inputs"]
    errors = [
        Error.from_standard(name, name, u / 100, df=n - 1)
        for name, u, n in zip("abc", given_["relative_u_percent"], given_["n"], strict=True)
    ]
    got = linear(parse_formula("a * b * c"), dict.fromkeys("abc", 1.0), errors)
    half = float(got.high - got.value)
    met("UNC-12", u_c_percent=100 * float(got.u), nu_eff=float(got.df), U95_percent=100 * half, k95=half / float(got.u))


def test_linear_u_of_a_ratio() -> None:
    """10 +- 0.5 by 5 +- 0.2: by hand 2 * sqrt(0.05^2 + 0.04^2) = 0.128062, interval 1.749 to 2.251."""
    got = linear(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE)
    assert float(got.u) == pytest.approx(0.128062, rel=0, abs=5e-7)
    assert (float(got.low), float(got.high)) == pytest.approx((1.749, 2.251), rel=0, abs=5e-4)


LEAVES = st.sampled_from(["a", "b", "c", "2", "0.5"])


def bigger(part: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(
        st.builds("({} {} {})".format, part, st.sampled_from("+-*/"), part),
        st.builds("({})^{}".format, part, st.sampled_from(["2", "-1", "0.5", "3"])),
        st.builds("{}({})".format, st.sampled_from(["sqrt", "ln", "log10", "exp"]), part),
        st.builds("mean({}, {})".format, part, part),
    )


FORMULAS = st.recursive(LEAVES, bigger, max_leaves=6)
POSITIVE = st.floats(0.5, 5)
PULLS = st.lists(
    st.dictionaries(st.sampled_from("abc"), st.floats(-0.1, 0.1).filter(lambda p: abs(p) > 1e-4), min_size=1),
    min_size=1,
    max_size=5,
)


@given(FORMULAS, st.lists(st.fixed_dictionaries(dict.fromkeys("abc", POSITIVE)), min_size=1, max_size=4), PULLS)
def test_linear_agrees_with_an_independent_library(
    text: str, runs: list[dict[str, float]], pulls: list[dict[str, float]]
) -> None:
    """Any formula of any inputs pulled by any shared errors has the u, and each part of it, of `uncertainties`."""
    from uncertainties import UFloat, ufloat, umath  # type: ignore[import-untyped]

    errors = [Error(f"{place}", pull) for place, pull in enumerate(pulls)]
    got = linear(parse_formula(text), {name: np.array([run[name] for run in runs]) for name in "abc"}, errors)
    functions = {"sqrt": umath.sqrt, "ln": umath.log, "log10": umath.log10, "exp": umath.exp}
    functions["mean"] = lambda one, other: (one + other) / 2
    for place, run in enumerate(runs):
        sources = [ufloat(0, 1) for _ in errors]
        inputs = {n: v + sum(p.get(n, 0.0) * s for p, s in zip(pulls, sources, strict=True)) for n, v in run.items()}
        try:
            expected = eval(text.replace("^", "**"), {"__builtins__": {}}, {**functions, **inputs})
            assume(isinstance(expected, UFloat) and not isinstance(expected.nominal_value, complex))
            u = expected.std_dev
        except (ValueError, ZeroDivisionError, OverflowError, TypeError):
            assume(False)
        assume(math.isfinite(u) and u < 1e9 and abs(expected.nominal_value) < 1e9)
        # Slopes are sums of terms of both signs: where these cancel, rounding is all that is left of them.
        size = sum(abs(d) for d in expected.derivatives.values())
        assert np.broadcast_to(got.u, len(runs))[place] == pytest.approx(u, rel=1e-8, abs=1e-9 * (1 + size))
        for error, source in zip(errors, sources, strict=True):
            part = np.broadcast_to(got.contributions[error.name], len(runs))[place]
            assert part == pytest.approx(expected.derivatives.get(source, 0.0), rel=1e-8, abs=1e-9 * (1 + size))


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """Of 40,000 planted weighings with an offset, a gain and steps, 95 % of the intervals hold the truth."""
    random = np.random.default_rng(11)
    n = 40_000
    dry = random.uniform(8, 12, n)
    truth = {"dry": dry, "wet": dry * random.uniform(1.1, 1.6, n)}
    off, gain = 0.05 * random.standard_normal(n), 0.002 * random.standard_normal(n)
    read = {name: np.round((true * (1 + gain) + off) / 0.02) * 0.02 for name, true in truth.items()}
    uptake = parse_formula("(wet - dry) / dry")
    got = linear(uptake, read, scale(read, offset=0.05, gain=0.002, step=0.02))
    real = truth["wet"] / dry - 1
    held = np.mean((got.low <= real) & (real <= got.high))
    assert held == pytest.approx(0.95, rel=0, abs=4 * math.sqrt(0.95 * 0.05 / n))


def test_values_and_pulls_may_be_one_for_all_or_one_for_each_run() -> None:
    """Arrays of one shape go with single numbers, and every figure has the shape they have together."""
    wet = np.array([[12.0, 13.0, 14.0], [15.0, 16.0, np.nan]])
    uptake = parse_formula("(wet - dry) / dry")
    values: dict[str, float | Array] = {"wet": wet, "dry": 10.0}
    errors = scale(values, offset=0.02, gain=0.001, step=0.01)
    got = linear(uptake, values, errors)
    for name in ("value", "mean", "u", "df", "low", "high", "simulated"):
        assert getattr(got, name).shape == wet.shape
    for place in np.ndindex(*wet.shape):
        one = {"wet": float(wet[place]), "dry": 10.0}
        alone = linear(uptake, one, scale(one, offset=0.02, gain=0.001, step=0.01))
        assert alone.u.shape == ()
        assert got.u[place] == pytest.approx(float(alone.u), rel=1e-14, nan_ok=True)
    spread = linear(uptake, {"wet": 12.0, "dry": 10.0}, [Error.from_standard("foil", "wet", np.array([0.1, 0.2]))])
    assert spread.u.tolist() == pytest.approx([0.01, 0.02], rel=1e-14)
    assert np.isnan(got.u[1, 2])
    assert np.isnan(got.low[1, 2])


def test_errors_of_what_the_formula_does_not_name_do_nothing() -> None:
    """An instrument may have read other things too; and without errors a result is as exact as its values."""
    elsewhere = Error.from_offset("calipers offset", ["width"], 0.1)
    got = linear(RATIO, TEN_BY_FIVE, [*OF_TEN_AND_FIVE, elsewhere])
    assert float(got.u) == float(linear(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE).u)
    assert float(got.contributions["calipers offset"]) == 0.0
    still = linear(parse_formula("sqrt(a) + b"), {"a": 0.0, "b": 1.0}, [Error("x", {"a": 0.0, "b": 0.1})])
    assert float(still.u) == 0.1  # the root has no slope at 0, and nothing moves it
    for exact in (linear(RATIO, TEN_BY_FIVE, []), monte_carlo(RATIO, TEN_BY_FIVE, [elsewhere], seed=1)):
        assert (float(exact.u), float(exact.low), float(exact.high), float(exact.df)) == (0.0, 2.0, 2.0, math.inf)


# ----------------------------------------------------------------------------------------------------- random draws


def close(drawn: Propagated, **exact: float) -> None:
    """Simulated figures are the exact ones within four of their own standard errors."""
    for name, figure in exact.items():
        assert float(getattr(drawn, name)) == pytest.approx(
            figure, rel=0, abs=4 * float(drawn.monte_carlo_error[name])
        ), name


def ratio_of_normals(a: float, ua: float, b: float, ub: float) -> dict[str, float]:
    """Mean, u and 95 % interval of a ratio whose denominator keeps clear of 0, by other ways than drawing.

    Ends: a / b < t where a - t b < 0, which is normal; its quantiles solve a quadratic (Geary 1930, Fieller 1954).
    Moments: integrals over b.
    """
    z2 = stats.norm.ppf(0.975) ** 2
    square, linear_, constant = b**2 - z2 * ub**2, -2 * a * b, a**2 - z2 * ua**2
    low, high = np.sort(np.roots([square, linear_, constant]))
    x = np.linspace(b - 12 * ub, b + 12 * ub, 200_001)
    weight = stats.norm.pdf(x, b, ub)
    weight /= weight.sum()
    mean = a * np.sum(weight / x)
    u = math.sqrt((a**2 + ua**2) * np.sum(weight / x**2) - mean**2)
    return {"mean": mean, "u": u, "low": low, "high": high}


def test_a_ratio_is_skewed() -> None:
    """10 +- 0.5 by 5 +- 0.2, by quadrature and the quadratic of Fieller: 2.00321, 0.12857, [1.7603, 2.2644].

    The figures of an independent simulation of 200,000 draws were 2.00340, 0.12860 and [1.7605, 2.2649].
    """
    exact = ratio_of_normals(10.0, 0.5, 5.0, 0.2)
    assert exact == pytest.approx({"mean": 2.00321, "u": 0.12857, "low": 1.7603, "high": 2.2644}, rel=0, abs=1e-4)
    got = propagate(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=1, half_unit=0.005)
    assert got.simulated
    assert got.why == BENDS
    close(got, **exact)
    theirs = {"mean": 2.00340, "u": 0.12860, "low": 1.7605, "high": 2.2649}
    for name, figure in theirs.items():  # two simulations of one size differ by sqrt 2 of the error of one
        assert float(getattr(got, name)) == pytest.approx(figure, rel=0, abs=6 * float(got.monte_carlo_error[name]))
    # Printed to one decimal the straight line is as good.
    assert not propagate(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=1, half_unit=0.05).simulated


def four(shape: Literal["normal", "uniform"]) -> tuple[dict[str, float], list[Error]]:
    names = ["x1", "x2", "x3", "x4"]
    return dict.fromkeys(names, 0.0), [Error(name, {name: 1.0}, shape) for name in names]


SUM = parse_formula("x1 + x2 + x3 + x4")


@pytest.mark.parametrize(("id", "shape"), [("UNC-22", "normal"), ("UNC-23", "uniform")])
def test_sums_agree_with_the_supplement(id: str, shape: Literal["normal", "uniform"]) -> None:
    """JCGM 101:2008, 9.2.2 and 9.2.3: four errors of u = 1, normal or uniform (UNC-22 and -23, from memory)."""
    got = monte_carlo(SUM, *four(shape), seed=1, draws=1_000_000)
    met(id, got, u=float(got.u), low=float(got.low), high=float(got.high))


def test_four_uniform_errors_reach_less_far_than_a_normal_one() -> None:
    """JCGM 101:2008, table 3: 3.88, and not the 3.92 that the normal approximation gives (UNC-23, from memory)."""
    check = CHECKS["UNC-23"]
    straight = linear(SUM, *four("uniform"))
    assert float(straight.high) == pytest.approx(check["inputs"]["gaussian_approximation_high"], rel=0, abs=0.005)
    drawn = monte_carlo(SUM, *four("uniform"), seed=1, draws=1_000_000)
    assert float(drawn.high) < 3.90 < float(straight.high)


def test_the_difference_of_two_rounded_readings_is_triangular() -> None:
    """95 % of a triangle of half width 1 lie within 1 - sqrt 0.05 = 0.776393; a normal of its u reaches 0.800152."""
    values = {"before": 3.0, "after": 2.0}
    errors = [Error.from_resolution(name, name, 1.0) for name in values]
    straight = linear(LOSS, values, errors)
    assert float(straight.high - straight.value) == pytest.approx(0.800152, rel=0, abs=5e-7)
    close(monte_carlo(LOSS, values, errors, seed=1), mean=1.0, u=1 / math.sqrt(6), low=1 - 0.776393, high=1.776393)


MASS = parse_formula("(weight + trim) * (1 + (air - 1.2) * (1 / own - 1 / other)) - 100000")
MASS_VALUES = {"weight": 100_000.0, "trim": 1.234, "air": 1.2, "own": 8000.0, "other": 8000.0}
MASS_ERRORS = [
    Error.from_standard("weight", "weight", 0.050),
    Error.from_standard("trim", "trim", 0.020),
    Error.from_within("air", "air", 0.1),
    Error.from_within("own", "own", 1000.0),
    Error.from_within("other", "other", 50.0),
]


def test_mass_calibration_agrees_with_the_supplement() -> None:
    """JCGM 101:2008, 9.3, table 6: slopes miss the air's buoyancy altogether (UNC-25, from memory).

    The published interval is the shortest one, which for a density as symmetric as this is the symmetric one. Alone,
    each error leaves the formula straight: only two together show that it bends.
    """
    met("UNC-25", gum1_u_mg=float(linear(MASS, MASS_VALUES, MASS_ERRORS).u))
    got = propagate(MASS, MASS_VALUES, MASS_ERRORS, seed=1, half_unit=0.0005, draws=1_000_000)
    assert got.simulated
    check, own = CHECKS["UNC-25"], got.monte_carlo_error
    for ours, theirs in (("mean", "y_mg"), ("u", "u_mg"), ("low", "low_mg"), ("high", "high_mg")):
        within = check["tolerance_abs"][theirs] + 4 * own[ours]
        assert float(getattr(got, ours)) == pytest.approx(check["expected"][theirs], rel=0, abs=within)
    for error in MASS_ERRORS:
        assert not departs(MASS, MASS_VALUES, [error], 0.0005)


def test_comparison_loss_agrees_with_the_supplement() -> None:
    """JCGM 101:2008, 9.4.2, table 8: x1^2 + x2^2 near 0 is exponential with mean 2 u^2 (UNC-26, from memory).

    The published interval is the shortest, from 0 to the 95 % point, which is the upper end of a symmetric one of 90 %.
    """
    given_ = CHECKS["UNC-26"]["inputs"]
    power, values = parse_formula("x1^2 + x2^2"), {"x1": given_["x1"], "x2": given_["x2"]}
    errors = [Error.from_standard(name, name, given_["u"]) for name in values]
    assert float(linear(power, values, errors).u) == 0.0
    assert departs(power, values, errors, 1e-6)
    got = monte_carlo(power, values, errors, seed=1, draws=1_000_000, level=0.90)
    check = CHECKS["UNC-26"]
    for ours, theirs in (("mean", "y"), ("u", "u"), ("high", "high")):
        within = check["tolerance_abs"][theirs] + 4 * got.monte_carlo_error[ours]
        assert float(getattr(got, ours)) == pytest.approx(check["expected"][theirs], rel=0, abs=within)
    mean = 2 * given_["u"] ** 2
    close(monte_carlo(power, values, errors, seed=2), low=-mean * math.log(0.975), high=-mean * math.log(0.025))


EXACT = [
    # Lognormal: mean exp(s^2 / 2), quantiles exp(+-1.959964 s), here s = 0.5.
    pytest.param(
        "exp(x)", 0.0, Error.from_standard("x", "x", 0.5),
        {"mean": math.exp(0.125), "u": math.sqrt(math.exp(0.5) - math.exp(0.25)), "low": math.exp(-0.979982),
         "high": math.exp(0.979982)}, id="exp of a normal"),
    # x uniform on 1 to 2: the mean of 1 / x is ln 2, of 1 / x^2 it is 1 / 2.
    pytest.param(
        "1 / x", 1.5, Error.from_within("x", "x", 0.5),
        {"mean": math.log(2), "u": math.sqrt(0.5 - math.log(2) ** 2), "low": 1 / 1.975, "high": 1 / 1.025},
        id="one by a uniform"),
    # A triangle from 0 to 2: P(x < q) = q^2 / 2 below the middle.
    pytest.param(
        "x", 1.0, Error.from_within("x", "x", 1.0, shape="triangular"),
        {"mean": 1.0, "u": 1 / math.sqrt(6), "low": math.sqrt(0.05), "high": 2 - math.sqrt(0.05)}, id="triangle"),
    # Student's t with 5 degrees of freedom: standard deviation sqrt(5 / 3), t(0.975) = 2.570582.
    pytest.param(
        "x", 0.0, Error.from_standard("x", "x", 1.0, df=5),
        {"mean": 0.0, "u": math.sqrt(5 / 3), "low": -2.570582, "high": 2.570582}, id="mean of six"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "at", "error", "exact"), EXACT)
def test_simulations_agree_with_exact_laws(text: str, at: float, error: Error, exact: dict[str, float]) -> None:
    """Where the law of the result is known, the draws follow it."""
    close(monte_carlo(parse_formula(text), {"x": at}, [error], seed=4), **exact)


def test_a_simulation_knows_its_own_error() -> None:
    """Over 300 seeds each figure scatters by the standard error that it states, within a tenth or two of that."""
    got = [monte_carlo(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=seed, draws=4000) for seed in range(300)]
    for name in ("mean", "u", "low", "high"):
        scatter = np.std([float(getattr(one, name)) for one in got], ddof=1)
        stated = np.mean([float(one.monte_carlo_error[name]) for one in got])
        assert scatter == pytest.approx(stated, rel=0.2)  # a standard deviation of 300 is good to 4 %


def test_an_error_known_from_few_readings_has_an_interval_and_no_u() -> None:
    """Student's t has no finite standard deviation up to df = 2 and no mean up to 1; its quantiles are in any table."""
    two, one = (
        monte_carlo(parse_formula("x"), {"x": 0.0}, [Error.from_standard("x", "x", 1.0, df=df)], seed=1)
        for df in (2, 1)
    )
    close(two, low=-4.302653, high=4.302653)
    close(one, low=-12.706205, high=12.706205)
    assert (float(two.u), float(one.u)) == (math.inf, math.inf)
    assert not np.isnan(two.mean)
    assert np.isnan(one.mean)
    assert one.why == "an error with 2 degrees of freedom or fewer: an interval, but no u"


STRAIGHT_ONES = ["a", "a + b", "a - b", "2 * a - b / 4 + 3", "mean(a, b)", "mean(a, b, 2) - (b - a)"]
SHAPES_ = st.sampled_from(["normal", "uniform", "triangular"])


@given(st.sampled_from(STRAIGHT_ONES), POSITIVE, POSITIVE, PULLS, SHAPES_, st.integers(0, 9))
@settings(max_examples=60)
def test_both_ways_agree_where_the_formula_is_straight(
    text: str, a: float, b: float, pulls: list[dict[str, float]], shape: Literal["normal", "uniform"], seed: int
) -> None:
    """Mean and u are the same by slopes and by draws, and the formula never departs."""
    errors = [Error(f"{place}", pull, shape) for place, pull in enumerate(pulls)]
    formula, values = parse_formula(text), {"a": a, "b": b}
    straight, drawn = linear(formula, values, errors), monte_carlo(formula, values, errors, seed=seed, draws=20_000)
    rounding = 1e-12
    assert abs(drawn.mean - straight.value) <= 5 * drawn.monte_carlo_error["mean"] + rounding
    assert abs(drawn.u - straight.u) <= 5 * drawn.monte_carlo_error["u"] + rounding
    if shape == "normal":
        assert abs(drawn.low - straight.low) <= 5 * drawn.monte_carlo_error["low"] + rounding
        assert abs(drawn.high - straight.high) <= 5 * drawn.monte_carlo_error["high"] + rounding
    assert not departs(formula, values, errors, 1e-9)


@given(POSITIVE, POSITIVE, PULLS, st.sampled_from([2.0**-20, 0.25, 8.0, 2.0**30]))
@settings(max_examples=30)
def test_a_change_of_unit_changes_nothing_but_the_unit(
    a: float, b: float, pulls: list[dict[str, float]], factor: float
) -> None:
    """In a unit a power of two times smaller every figure is that many times larger, to the last bit.

    The formula is of the first degree: a geometric mean and a share of it.
    """
    formula = parse_formula("sqrt(a * b) + a * a / b")
    errors = [Error(f"{place}", pull) for place, pull in enumerate(pulls)]
    scaled = [Error(e.name, {name: pull * factor for name, pull in e.pulls.items()}) for e in errors]
    one = {"a": a, "b": b}
    other = {name: value * factor for name, value in one.items()}
    for got, expected in (
        (linear(formula, other, scaled), linear(formula, one, errors)),
        (
            monte_carlo(formula, other, scaled, seed=1, draws=1000),
            monte_carlo(formula, one, errors, seed=1, draws=1000),
        ),
    ):
        for name in ("value", "mean", "u", "low", "high"):
            assert np.array_equal(getattr(got, name), getattr(expected, name) * factor, equal_nan=True)
        assert got.df == expected.df
    for half in (1e-4, 1e-3, 1e-2):
        assert departs(formula, other, scaled, half * factor) == departs(formula, one, errors, half)


# -------------------------------------------------------------------------------------- choosing between the two


DEPARTS = [
    # formula, errors of x and y, half a unit, departs: by hand from the values x = 4, y = 1
    pytest.param("x + y", 1.0, 1.0, 1e-9, False, id="straight"),
    pytest.param("x^2", 0.1, 0.0, 0.031, False, id="bends by 3 u^2 = 0.03, and less than that shows"),
    pytest.param("x^2", 0.1, 0.0, 0.029, True, id="bends by 3 u^2 = 0.03, and it shows"),
    pytest.param("x^2 - 8 * x", 0.1, 0.0, 0.029, True, id="flat at the values"),
    pytest.param("(x - 4) * (y - 1)", 0.1, 0.1, 0.014, True, id="two together by 1.5 u u = 0.015"),
    pytest.param("(x - 4) * (y - 1)", 0.1, 0.1, 0.016, False, id="two together, and it does not show"),
    pytest.param("(x - 4) * (y - 1)", 0.1, 0.0, 1e-9, False, id="one of the two alone"),
    pytest.param("(x - 4)^3", 0.1, 0.0, 0.005, True, id="the third power: (sqrt 3 u)^3 = 0.0052"),
    pytest.param("abs(x - 4)", 0.1, 0.0, 0.17, True, id="a corner at the values, by sqrt 3 u = 0.173"),
    pytest.param("max(x, 4)", 0.1, 0.0, 0.17, True, id="the greater of two equals"),
    pytest.param("sqrt(x - 4)", 0.1, 0.0, 100.0, True, id="no value to one side"),
    pytest.param("ln(y)", 0.0, 0.6, 100.0, True, id="no logarithm to one side"),
    pytest.param("x / y", 0.0, 0.34, 100.0, True, id="a denominator within three u of 0"),
    pytest.param("x / y", 0.0, 0.32, 100.0, False, id="a denominator beyond three u of 0"),
    pytest.param("x * y^-2", 0.0, 0.34, 100.0, True, id="a negative power"),
    pytest.param("x / (x * abs(y))", 0.0, 0.34, 100.0, True, id="a factor of a denominator, without its sign"),
    pytest.param("1 / (x / -y)", 1.4, 0.34, 100.0, True, id="a fraction within a denominator"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "of_x", "of_y", "half", "expected"), DEPARTS)
def test_a_formula_departs_where_its_bend_shows(
    text: str, of_x: float, of_y: float, half: float, expected: bool
) -> None:
    """Whether draws are needed follows from how far the formula strays within sqrt 3 u, set against the last digit."""
    errors = [Error.from_standard("x", "x", of_x), Error.from_standard("y", "y", of_y)]
    assert departs(parse_formula(text), {"x": 4.0, "y": 1.0}, errors, half) is expected


def test_many_small_bends_the_same_way_count_together() -> None:
    """Twenty squares that bend by 3 u^2 = 0.0003 each move the mean by 20 u^2 = 0.002 in all."""
    names = [f"x{place}" for place in range(20)]
    formula, values = parse_formula(" + ".join(f"{name}^2" for name in names)), dict.fromkeys(names, 1.0)
    errors = [Error.from_standard(name, name, 0.01) for name in names]
    assert not departs(formula, values, errors[:1], 0.0015)
    assert departs(formula, values, errors, 0.0015)
    assert not departs(formula, values, errors, 0.0025)


BENT = st.sampled_from(["a * b", "a / b", "a^2 - b", "sqrt(a * b)", "ln(a) * b", "exp(a / 5) / b", "a * b / (a + b)"])


@given(BENT, POSITIVE, POSITIVE, st.floats(0.001, 0.05), st.floats(0.001, 0.05), st.floats(0.1, 3))
@settings(max_examples=60)
def test_figures_that_do_not_depart_are_those_of_a_simulation(
    text: str, a: float, b: float, of_a: float, of_b: float, share: float
) -> None:
    """Where the check is content with slopes, the interval by draws has its ends within half a unit of theirs."""
    formula, values = parse_formula(text), {"a": a, "b": b}
    errors = [Error.from_standard("a", "a", of_a * a), Error.from_standard("b", "b", of_b * b)]
    straight = linear(formula, values, errors)
    half = float(share * straight.u / 10)
    assume(not departs(formula, values, errors, half))
    drawn = monte_carlo(formula, values, errors, seed=1, draws=100_000)
    # Three standard deviations out of sqrt 3 a bend is 1.96^2 / 3 = 1.28 of what the check sees.
    for end in ("low", "high"):
        gap = abs(float(getattr(drawn, end) - getattr(straight, end)))
        assert gap <= 1.3 * half + 5 * drawn.monte_carlo_error[end]


def test_runs_are_simulated_only_where_it_shows() -> None:
    """Each run is taken by slopes or by draws as it needs, and the text says how many of which."""
    values = {"a": np.array([10.0, 10.0, np.nan, 10.0]), "b": np.array([5.0, 500.0, 5.0, 0.1])}
    got = propagate(RATIO, values, OF_TEN_AND_FIVE, seed=1, half_unit=0.005)
    assert got.simulated.tolist() == [True, False, False, True]
    assert got.method == (
        "Monte Carlo, 200,000 draws, symmetric interval, in 2 of 4 runs; linear, interval of Student's t, in the others"
    )
    assert got.why == "in 1 of 4 runs the denominator could be 0: could be anything"
    straight, drawn = linear(RATIO, values, OF_TEN_AND_FIVE), monte_carlo(RATIO, values, OF_TEN_AND_FIVE, seed=1)
    for name in ("mean", "u", "df", "low", "high"):
        mixed = np.where(got.simulated, getattr(drawn, name), getattr(straight, name))
        assert np.array_equal(getattr(got, name), mixed, equal_nan=True)
    assert (got.draws, got.seed) == (200_000, 1)
    assert np.isnan(got.u).tolist() == [False, False, True, True]
    # Nothing was read in the third run, which is not the same as anything.
    for one in (got, drawn):
        assert np.isnan(one.low).tolist() == [False, False, True, False]
        assert not one.simulated[2]


def test_it_says_which_way_was_taken_and_why() -> None:
    """The method and its reason are sentences for the method note."""
    straight = propagate(LOSS, {"before": 2.0, "after": 1.0}, [], seed=1, half_unit=0.1)
    assert (straight.method, straight.why) == ("linear, interval of Student's t", STRAIGHT)
    assert (straight.draws, straight.seed, bool(straight.simulated)) == (0, None, False)
    near = propagate(RATIO, {"a": 0.0, "b": 1.0}, [Error.from_within("b", "b", 0.9)], seed=1, half_unit=0.1)
    assert (near.why, float(near.u)) == (NEAR, 0.0)


# ---------------------------------------------------------------------------------------------- dividing by nothing

ZERO = "the denominator could be 0: could be anything"
NOTHING = "the formula may have no value: could be anything"
BEYOND = [
    pytest.param("x / y", ZERO, id="a denominator"),
    pytest.param("x / abs(y)", ZERO, id="without its sign"),
    pytest.param("x / y^2", ZERO, id="squared"),
    pytest.param("y^-1", ZERO, id="a negative power"),
    pytest.param("x / (x - 2 * y - 2)", ZERO, id="a difference"),
    pytest.param("x / (2 * y)", ZERO, id="a product"),
    pytest.param("x / (x - 4)", ZERO, id="0 as it stands"),
    pytest.param("y / (x - 4)", ZERO, id="0 whatever the error"),
    pytest.param("sqrt(y)", NOTHING, id="a root"),
    pytest.param("ln(y)", NOTHING, id="a logarithm"),
    pytest.param("ln(y) / (y + 9)", NOTHING, id="a logarithm, and a denominator that keeps clear of 0"),
    pytest.param("exp(1000 * y)", NOTHING, id="too large to compute"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "why"), BEYOND)
def test_a_result_that_could_be_anything_is_given_no_figures(text: str, why: str) -> None:
    """No mean, no u and both ends open, where more than one draw in forty has passed a point without a value."""
    for got in (
        propagate(
            parse_formula(text), {"x": 4.0, "y": 1.0}, [Error.from_standard("y", "y", 0.8)], seed=1, half_unit=1e9
        ),
        monte_carlo(parse_formula(text), {"x": 4.0, "y": 1.0}, [Error.from_standard("y", "y", 0.8)], seed=1),
    ):
        assert got.why == why
        assert np.isnan([got.mean, got.u]).all()
        assert (float(got.low), float(got.high)) == (-math.inf, math.inf)
        assert all(np.isnan(error) for error in got.monte_carlo_error.values())


@pytest.mark.parametrize(("far", "bounded"), [(1.94, False), (1.98, True), (2.5, True), (6.0, True)])
def test_a_ratio_is_bounded_where_the_interval_of_its_denominator_keeps_clear_of_0(far: float, bounded: bool) -> None:
    """Fieller (1954): the 95 % set of a ratio is bounded if and only if the denominator is 1.96 u or more from 0."""
    got = monte_carlo(RATIO, {"a": 10.0, "b": far}, [Error.from_standard("b", "b", 1.0)], seed=1)
    assert np.isfinite(got.high) == bounded
    if bounded and far < 6:  # some draws have passed 0: the integral of the mean does not exist
        lost = round(200_000 * special.ndtr(-far))
        count = int(got.why.split(" in ")[1].split()[0].replace(",", ""))
        assert got.why == f"the denominator could be 0, in {count:,} of 200,000 draws: an interval, but no u"
        assert count == pytest.approx(lost, abs=4 * math.sqrt(lost))
        assert np.isnan(got.u)
        # A draw on the far side of 0 counts at both ends. The upper end is then 10 / b at the 2.5 % point of b, and the
        # lower at the point that leaves 2.5 % above it besides the lost ones.
        close(got, high=10 / (far + special.ndtri(0.025)), low=10 / (far + special.ndtri(0.975 + lost / 200_000)))
    if far == 6:
        assert got.why == ""
        assert np.isfinite(got.u)


def test_bounded_errors_reach_no_further_than_they_say() -> None:
    """A thickness of 1.0 within 0.9 is never 0, however close a normal error of the same u would come to it."""
    got = monte_carlo(RATIO, {"a": 1.0, "b": 1.0}, [Error.from_within("b", "b", 0.9)], seed=1)
    exact = {"mean": math.log(19) / 1.8, "low": 1 / 1.855, "high": 1 / 0.145}
    close(got, **exact)
    assert got.why == ""


# ------------------------------------------------------------------------------------------------------ determinism


def figures(got: Propagated) -> bytes:
    return b"".join(getattr(got, name).tobytes() for name in ("mean", "u", "low", "high"))


def test_the_same_seed_gives_the_same_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the order of the errors, the runs beside, nor the size of the chunks has a say; another seed has."""
    first = monte_carlo(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=1)
    assert figures(monte_carlo(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=1)) == figures(first)
    assert figures(monte_carlo(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE[::-1], seed=1)) == figures(first)
    assert figures(monte_carlo(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=2)) != figures(first)
    beside = monte_carlo(RATIO, {"a": np.array([1.0, 10.0]), "b": 5.0}, OF_TEN_AND_FIVE, seed=1)
    assert [float(beside.u[1]), float(beside.low[1])] == [float(first.u), float(first.low)]
    shapes: Sequence[Error] = [
        *OF_TEN_AND_FIVE,
        Error.from_within("foil", "a", 0.3),
        Error.from_within("blade", "b", 0.3, shape="triangular"),
        Error.from_standard("mean of five", "a", 0.1, df=4),
    ]
    whole = monte_carlo(RATIO, TEN_BY_FIVE, shapes, seed=1)
    monkeypatch.setattr(uncertainty, "_CHUNK", 777)
    assert figures(monte_carlo(RATIO, TEN_BY_FIVE, shapes, seed=1)) == figures(whole)


def test_a_shared_error_is_one_draw_in_every_result() -> None:
    """The offset of a scale takes the same values wherever it is drawn with the same seed: by name, not by place."""
    offset = Error.from_offset("scale offset", ["x", "y"], 0.1)
    one = monte_carlo(parse_formula("x"), {"x": 1.0}, [offset], seed=1)
    other = monte_carlo(parse_formula("y"), {"y": 1.0}, [Error.from_within("foil", "z", 1.0), offset], seed=1)
    assert figures(one) == figures(other)


def test_memory_stays_small() -> None:
    """Sixty errors of thirty inputs, a million draws: under 100 MB at any time."""
    names = [f"x{place}" for place in range(30)]
    formula = parse_formula(f"sqrt(mean({', '.join(names)}))")
    errors = [Error(f"{name} {place}", {name: 0.1}, "uniform") for name in names for place in range(2)]
    tracemalloc.start()
    try:
        monte_carlo(formula, dict.fromkeys(names, 4.0), errors, seed=1, draws=1_000_000)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 100e6


def test_what_was_found_cannot_be_changed_and_travels_between_processes() -> None:
    """Figures are read-only, and come back from a worker as they were."""
    got = propagate(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=1, half_unit=0.005, draws=1000)
    back = pickle.loads(pickle.dumps(got))
    for one in (got, back):
        assert not one.u.flags.writeable
    assert figures(back) == figures(got)
    assert pickle.loads(pickle.dumps(OF_TEN_AND_FIVE[0])).pulls == {"a": 0.5}


# ------------------------------------------------------------------------------------------------ coarse instruments


def bias_by_integration(r: float) -> float:
    """Root mean square over all places of the mean of rounded normals, less the true mean; step 1, scatter r.

    The second way: the mean from the chances of each step, and an average over 2,000 places within one.
    """
    places = (np.arange(2000) + 0.5) / 2000 - 0.5
    steps = np.arange(-40, 41)
    if r == 0:
        return float(np.sqrt(np.mean((np.round(places) - places) ** 2)))
    edges = special.ndtr((np.append(steps, 41)[np.newaxis] - 0.5 - places[:, np.newaxis]) / r)
    means = np.diff(edges, axis=1) @ steps
    return float(np.sqrt(np.mean((means - places) ** 2)))


# From the specification of the engine, computed there with high precision; the values in between by integration.
BIASES = [(0.0, 0.28868), (0.1, 0.19213), (0.25, 0.065551), (0.4, 0.0095656), (0.5, 0.0016187)]


@pytest.mark.parametrize(("r", "expected"), BIASES)
def test_rounding_bias_has_the_tabulated_values(r: float, expected: float) -> None:
    """B / h for scatters of 0 to half a step, and the limit h / sqrt 12."""
    digits = 5 if expected > 0.1 else 6 if expected > 0.01 else 7
    assert float(rounding_bias(r, 1.0)) == pytest.approx(expected, rel=0, abs=0.5 * 10**-digits)
    if r == 0:
        assert float(rounding_bias(r, 1.0)) == pytest.approx(1 / math.sqrt(12), rel=1e-15)


@pytest.mark.parametrize("r", [0.0, 0.02, 0.0699, 0.0701, 0.1, 0.2, 0.3, 0.4])
def test_rounding_bias_agrees_with_integration(r: float) -> None:
    """The series, and its reflection below 0.07, are the root mean square that they stand for."""
    assert float(rounding_bias(r, 1.0)) == pytest.approx(bias_by_integration(r), rel=2e-5)


@given(st.floats(0, 3), st.floats(1e-9, 1e9))
def test_rounding_bias_scales_with_the_step_and_falls_with_the_scatter(r: float, step: float) -> None:
    """In another unit it is the same share of a step; scatter never makes it larger; h / sqrt 12 is its limit."""
    got = float(rounding_bias(r * step, step))
    assert got == pytest.approx(step * float(rounding_bias(r, 1.0)), rel=1e-6)
    assert float(rounding_bias((r + 0.01) * step, step)) <= got <= step / math.sqrt(12) * (1 + 1e-12)


def test_an_instrument_without_steps_rounds_nothing() -> None:
    """A step of 0 has no bias and takes nothing from the scatter, for one value or many."""
    assert rounding_bias([0.0, 1.0], 0.0).tolist() == [0.0, 0.0]
    assert rounding_bias([[0.0, 0.25]], [[1.0, 1.0]]).shape == (1, 2)
    assert sheppard([0.0, 0.3], 0.0).tolist() == [0.0, 0.3]


@pytest.mark.parametrize("sd", [0.75, 1.0, 2.0])
def test_sheppard_takes_the_rounding_out_of_the_scatter(sd: float) -> None:
    """Sheppard (1898): 400,000 rounded normal readings give back the scatter they had, to a part in two hundred."""
    random = np.random.default_rng(5)
    rounded = np.round(0.3 + sd * random.standard_normal(400_000))
    assert float(sheppard(np.std(rounded), 1.0)) == pytest.approx(sd, rel=0.005)
    assert float(sheppard(0.28, 1.0)) == 0.0


WIDENED = [
    # By hand with h = 1, no scatter in a step: B = 0.288675, 2 B^2 = 1/6.
    pytest.param(0.0, 2.0, 0.288675, 1.0, 2 / math.sqrt(6), id="no scatter, narrow"),
    pytest.param(0.0, 3.0, 0.288675, 1.0, 1.0, id="no scatter, wide: one step at most"),
    pytest.param(0.1, 3.0, 0.288675, 1.0, 3 * math.sqrt(0.01 + 1 / 6), id="little scatter: sum of squares"),
    pytest.param(0.1, 12.706, 0.288675, 1.0, 2.2706, id="two readings: the usual half and a step"),
    pytest.param(1.0, 2.0, 0.0016187, 1.0, 2.0000052, id="much scatter: as if there were no steps"),
]  # fmt: skip


@pytest.mark.parametrize(("se", "c", "bias", "step", "expected"), WIDENED)
def test_an_interval_is_widened_by_what_rounding_may_have_done(
    se: float, c: float, bias: float, step: float, expected: float
) -> None:
    """The smaller of c sqrt(se^2 + 2 B^2) and c se + h."""
    assert float(widened(se, c=c, bias=bias, step=step)) == pytest.approx(expected, rel=1e-5)


def test_differences_of_many_products_are_widened_at_once() -> None:
    """One constant goes with a row of standard errors."""
    got = widened(np.array([0.0, 10.0]), c=2.0, bias=0.288675, step=1.0)
    assert got == pytest.approx([0.816496, 20.016660], rel=1e-6)


# ------------------------------------------------------------------------------------ how far a formula bends, by run


def test_the_departure_is_where_departs_turns() -> None:
    """Half a unit just above it is not reached, one just below is."""
    far = float(departure(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE))
    assert not departs(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, far * 1.0001)
    assert departs(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, far * 0.9999)


@pytest.mark.parametrize("text", ["mean({}) * mean({})", "mean({}) / mean({})", "exp(mean({}) - mean({}))"])
def test_many_errors_bend_along_random_directions_as_pair_by_pair(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of fourteen errors the mean square along random signs is that of all pairs, within what 32 directions scatter."""
    ones, others = [f"a{n}" for n in range(7)], [f"b{n}" for n in range(7)]
    formula = parse_formula(text.format(", ".join(ones), ", ".join(others)))
    values = dict.fromkeys(ones, 10.0) | dict.fromkeys(others, 5.0)
    errors = [Error.from_standard(name, name, 0.2) for name in values]
    by_directions = float(departure(formula, values, errors))
    monkeypatch.setattr(uncertainty, "MOST_PAIRED", len(errors))
    assert by_directions == pytest.approx(float(departure(formula, values, errors)), rel=0.5)


def test_many_errors_of_a_straight_line_do_not_bend_it() -> None:
    """A mean of ninety readings is as straight as a mean of two."""
    names_ = [f"c{n}" for n in range(90)]
    formula = parse_formula(f"mean({', '.join(names_)})")
    errors = [Error.from_standard(name, name, 0.2) for name in names_]
    assert float(departure(formula, dict.fromkeys(names_, 1.0), errors)) < 1e-12


def test_a_run_needs_no_value_that_first_of_passes_over() -> None:
    """A reading that is missing, and not needed, leaves the run its figures."""
    formula = parse_formula("first_of(a, c) / b")
    errors = [*OF_TEN_AND_FIVE, Error.from_standard("c", "c", 0.3)]
    got = monte_carlo(formula, {**TEN_BY_FIVE, "c": math.nan}, errors, seed=1)
    plain_ = monte_carlo(RATIO, TEN_BY_FIVE, OF_TEN_AND_FIVE, seed=1)
    assert (float(got.u), float(got.low), float(got.high)) == (float(plain_.u), float(plain_.low), float(plain_.high))


def test_a_missing_reading_does_not_change_the_shape_of_the_others() -> None:
    """Repeats that read the same leave a uniform error, whether or not another run lacks the reading."""
    step, scatter = np.array([0.01, math.nan]), np.array([0.0, math.nan])
    error = Error.from_resolution("x", "x", step, np.array([2.0, 0.0]), scatter=scatter)
    assert error.shape == "uniform"
