"""Readings to outcomes: repeats, shared errors, and what happens to what is missing."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import special

from evenbench.compare.comparison import compare
from evenbench.measure.formula import names, parse_formula
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


# ------------------------------------------------------------------------------------------- what the bench alone says

Z = float(special.ndtri(0.975))


def total(found: Outcomes, n: int = 0) -> float:
    """The standard uncertainty that all errors of a run leave together, along the slopes."""
    return math.hypot(found.own[n], *found.shared[:, n])


def test_the_scale_check_of_the_engine_end_to_end() -> None:
    """Engine specification, section 1: u(difference) = 0.00416013, and so the interval of the one run."""
    declared = study(TWO_WEIGHINGS, LOSS, instruments=BALANCE)
    found = outcomes(declared, [{"product": "a", "before": "50.00", "after": "49.20"}])
    assert total(found) == pytest.approx(0.00416013, abs=5e-9)
    assert found.bench_high[0] - found.bench_low[0] == pytest.approx(2 * Z * 0.00416013, abs=5e-8)
    assert found.method == "errors of readings and constants: linear, by the slopes of the formula"


TEN_BY_FIVE = (
    'readings.x = { unit = "1" }\nconstants.a = { value = "10", u = "0.5" }\nconstants.b = { value = "5", u = "4 %" }',
    'results.y = { formula = "x * a / b", unit = "1", kind = "info" }',
)


def test_a_ratio_that_bends_is_drawn_from() -> None:
    """Engine specification, section 1: 10(0.5)/5(0.2), 95 % from 1.7605 to 2.2649 and not from 1.749 to 2.251."""
    found = outcomes(study(*TEN_BY_FIVE), [{"product": "a", "x": "1.000000"}])
    assert found.method.startswith("errors of products run once: Monte Carlo, 200,000 draws, seed ")
    # Four standard errors of an end among 200,000 draws: sqrt(.025 * .975 / 2e5) over the density there, 0.45.
    assert found.bench_low[0] == pytest.approx(1.7605, abs=0.0031)
    assert found.bench_high[0] == pytest.approx(2.2649, abs=0.0038)
    assert total(found) == pytest.approx(0.128062, abs=5e-7)  # along the slopes


def test_products_run_more_than_once_are_not_drawn_for() -> None:
    """Their scatter says more than the bench; that errors of all runs bend the formula is said."""
    rows = [{"product": "a", "run": str(n), "x": f"{1 + n / 10:.6f}"} for n in (1, 2)]
    found = outcomes(study(*TEN_BY_FIVE), rows)
    assert np.isnan(found.bench_low).all()
    assert found.method.endswith(
        "what all runs share bends the formula, and intervals of levels follow its slopes all the same"
    )


def test_the_draws_of_a_run_do_not_depend_on_the_runs_beside_it() -> None:
    """Nor on the order of the sheet: the seed is of study and result, the stream of the source of error."""
    alone = outcomes(study(*TEN_BY_FIVE), [{"product": "a", "x": "1.000000"}])
    both = [{"product": "c", "x": "1.300000"}, {"product": "a", "x": "1.000000"}]
    for rows in (both, both[::-1]):
        found = outcomes(study(*TEN_BY_FIVE), rows)
        [n] = found.of("a").tolist()
        assert (found.bench_low[n], found.bench_high[n]) == (alone.bench_low[0], alone.bench_high[0])


def test_a_change_of_units_changes_nothing_but_the_unit() -> None:
    """Grams or kilograms, milligrams or grams: value, uncertainty and drawn ends go with the unit."""
    rows = [{"product": "a", "m": "10.0", "v": "5"}]
    found = []
    for unit, factor in (("g/mL", 1.0), ("kg/mL", 1e-3)):
        declared = study(
            'readings.m = { unit = "g", instrument = "coarse" }\nreadings.v = { unit = "mL" }',
            f'results.y = {{ formula = "m / v", unit = "{unit}", kind = "info" }}',
            instruments='[instruments]\ncoarse = { resolution = "1 g", offset = "0.5 g", gain = "3 %" }',
        )
        made = outcomes(declared, rows)
        assert "Monte Carlo" in made.method
        found.append([x[0] / factor for x in (made.value, made.own, made.bench_low, made.bench_high, *made.shared)])
    assert found[0] == pytest.approx(found[1], rel=1e-9)


def test_too_many_runs_that_bend_are_not_drawn_for() -> None:
    """Nobody waits for a simulation of hundreds of runs; the note says so."""
    products = "".join(f'[products.p{n}]\nname = "P{n}"\n' for n in range(290))
    declared = study(*TEN_BY_FIVE, extra='results.z = { formula = "y * 2", unit = "1", kind = "info" }\n' + products)
    found = outcomes(declared, [{"product": f"p{n}", "x": "1.000000"} for n in range(290)])
    assert found.method.endswith("in too many runs to draw for each")
    assert found.bench_high[0] - found.bench_low[0] == pytest.approx(4 * Z * 0.0640312, abs=1e-5)


def test_a_denominator_that_could_be_nothing_could_be_anything() -> None:
    """JCGM 101:2008 has draws beyond a division by 0 on both sides: no end can be given."""
    declared = study(
        'readings.a = { unit = "g" }\nreadings.b = { unit = "g" }',
        'results.y = { formula = "a / b", unit = "1", kind = "info" }',
    )
    found = outcomes(declared, [{"product": "a", "a": "5", "b": "0.1"}, {"product": "c", "a": "5", "b": "80.0"}])
    by_product = {found.products[k]: n for n, k in enumerate(found.product.tolist())}
    assert np.isinf(found.bench_low[by_product["a"]]) or found.bench_high[by_product["a"]] > 70
    assert np.isfinite(found.bench_low[by_product["c"]])
    assert np.isfinite(found.own).all()


# ------------------------------------------------------------------------------------------------ rounding of repeats


def test_repeats_that_read_the_same_know_no_more_than_one() -> None:
    """Rounding is shared by all of them: u stays step / sqrt 12 (the limit of no scatter, engine specification, 1)."""
    declared = study(
        'readings.x = { unit = "g", repeats = 4 }', 'results.y = { formula = "x", unit = "g", kind = "info" }'
    )
    same = outcomes(declared, [{"product": "a", "x": "1.0", "x.2": "1.0", "x.3": "1.0", "x.4": "1.0"}])
    assert same.own[0] == pytest.approx(0.1 / math.sqrt(12), rel=1e-12)
    once = outcomes(declared, [{"product": "a", "x": "1.0", "x.2": "", "x.3": "", "x.4": ""}])
    assert once.own[0] == pytest.approx(0.1 / math.sqrt(12), rel=1e-12)


def test_repeats_that_scatter_widen_what_the_bench_says_of_one_run() -> None:
    """JCGM 100:2008, 4.2.3 and 4.2.4: the mean of n repeats has u = s / sqrt n, s pooled over the runs, t on its df."""
    declared = study(
        'readings.x = { unit = "g", repeats = 2 }', 'results.y = { formula = "x", unit = "g", kind = "info" }'
    )
    rows = [{"product": "a", "x": "11.0", "x.2": "17.0"}, {"product": "c", "x": "20.0", "x.2": "22.0"}]
    found = outcomes(declared, rows)
    # By hand: variances 18 and 2, pooled 10 on 2 df, less the rounding 0.01 / 12; u = sqrt(pooled / 2).
    u = math.sqrt((10 - 0.01 / 12) / 2)
    half = float(special.stdtrit(2, 0.975)) * u  # the rounding beside it is a 75th of that, and moves the third digit
    assert (found.bench_high - found.bench_low) / 2 == pytest.approx([half, half], rel=1e-3)
    assert found.own == pytest.approx(0.1 / math.sqrt(12) / math.sqrt(2), rel=1e-9)


def test_a_specimen_of_one_run_is_that_runs_own() -> None:
    """What no other run shares is independent between runs, and its rounding is in their scatter already."""
    declared = study(
        'readings.dry = { unit = "g", of = "specimen" }\nreadings.wet = { unit = "g" }',
        'results.y = { formula = "wet - dry", unit = "g", kind = "info" }',
    )
    rows = [
        {"product": "a", "run": "1", "specimen": "s1", "dry": "1.0", "wet": "2.0"},
        {"product": "a", "run": "2", "specimen": "s2", "dry": "1.0", "wet": "2.5"},
        {"product": "c", "run": "1", "specimen": "s3", "dry": "1.0", "wet": "2.5"},
        {"product": "c", "run": "2", "specimen": "s3", "dry": "", "wet": "2.5"},
    ]
    found = outcomes(declared, rows)
    step = 0.1 / math.sqrt(12)
    own = {(found.products[k], n): u for k, n, u in zip(found.product, range(4), found.own, strict=True)}
    assert found.shared_names == ("dry of specimen s3",)
    assert sorted(own.values()) == pytest.approx([step, step, step * math.sqrt(2), step * math.sqrt(2)])
    assert found.shared_in_part == pytest.approx({"dry": step})


# --------------------------------------------------------------------------------------------------------- constants

AREA = 'readings.x = { unit = "g" }\nconstants.area = '
PER_AREA = """
results.y = { formula = "x / area", unit = "g/cm2", kind = "benefit", better = "lower", matters = "0.01 g/cm2" }
"""
KNOWN = [
    pytest.param('"10 cm2"', 0.0, id="exact"),
    pytest.param('{ value = "10 cm2" }', 0.0, id="exact-table"),
    pytest.param('{ value = "10 cm2", u = "0.2 cm2" }', 0.02, id="u"),
    pytest.param('{ value = "10 cm2", u = "2 %" }', 0.02, id="u-percent"),
    pytest.param('{ value = "10 cm2", u = "20 mm2" }', 0.02, id="u-other-unit"),
    # JCGM 100:2008, 4.3.7: anywhere within a half width alike has u = half width / sqrt 3.
    pytest.param('{ value = "10 cm2", within = "0.2 cm2" }', 0.02 / math.sqrt(3), id="within"),
    pytest.param('{ value = "10 cm2", within = "2 %" }', 0.02 / math.sqrt(3), id="within-percent"),
]


@pytest.mark.parametrize(("area", "relative"), KNOWN)
def test_the_error_of_a_constant_is_shared_by_all_runs(area: str, relative: float) -> None:
    """Each run moves by the same share: x / area with area off by 2 % is off by 2 %, downwards."""
    rows = [{"product": p, "run": str(n), "x": x} for p, n, x in (("a", 1, "4.0"), ("a", 2, "5.0"), ("c", 1, "6.0"))]
    found = outcomes(study(AREA + area, PER_AREA), rows)
    if not relative:
        assert found.shared_names == ()
        return
    assert found.shared_names == ("area",)
    assert found.shared[0] == pytest.approx(-relative * found.value, rel=1e-9)
    assert found.own == pytest.approx(0.1 / math.sqrt(12) / 10, rel=1e-9)


def test_a_constant_widens_levels_and_no_difference() -> None:
    """Absolute statements carry it; a difference between products, and its word, do not."""
    rows = [
        {"product": p, "run": str(n), "x": x}
        for p, n, x in (("a", 1, "4.0"), ("a", 2, "5.0"), ("c", 1, "6.0"), ("c", 2, "6.5"))
    ]
    exact, doubted = (
        compare(declared, reduce(declared, parse_readings({"t": rows}, declared)))[0]
        for declared in (study(AREA + area, PER_AREA) for area in ('"10 cm2"', '{ value = "10 cm2", u = "20 %" }'))
    )
    assert np.array_equal(exact.families[0].low, doubted.families[0].low)
    assert np.array_equal(exact.families[0].high, doubted.families[0].high)
    assert np.all(doubted.high - doubted.low > exact.high - exact.low)


# ------------------------------------------------------------------------------ an independent library, end to end

_leaf = st.sampled_from(["a", "b", "c", "k", "2", "0.5"])


def _more(part: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(
        st.builds("({} {} {})".format, part, st.sampled_from("+-*/"), part),
        st.builds("{}({})".format, st.sampled_from(["sqrt", "ln", "exp"]), part),
        st.builds("({})^{}".format, part, st.sampled_from(["2", "-1", "0.5"])),
        st.builds("mean({}, {})".format, part, part),
    )


@settings(max_examples=150, deadline=None)
@given(st.recursive(_leaf, _more, max_leaves=7), st.tuples(*[st.integers(50, 900)] * 3))
def test_random_formulas_agree_with_a_general_uncertainty_library(text: str, digits: tuple[int, int, int]) -> None:
    """From study text and sheet to u: offset and gain of one instrument in two readings, a clock, a constant."""
    import uncertainties
    from uncertainties import UFloat, umath

    assume({"a", "b", "c"} & set(names(parse_formula(text))))  # else nothing that was read enters it
    declared = study(
        """
readings.a = { unit = "1", instrument = "gauge" }
readings.b = { unit = "1", instrument = "gauge" }
readings.c = { unit = "1" }
constants.k = { value = "3", u = "2 %" }
""",
        f'results.y = {{ formula = "{text}", unit = "1", kind = "info" }}',
        instruments='[instruments]\ngauge = { resolution = "0.02", offset = "0.03", gain = "0.5 %" }',
    )
    typed = {name: f"{number / 100:.2f}" for name, number in zip("abc", digits, strict=True)}
    u = uncertainties.ufloat
    offset, gain = u(0, 0.03), u(0, 0.005)
    exact = {name: float(text_) for name, text_ in typed.items()}
    read = {
        "a": exact["a"] + offset + gain * exact["a"] + u(0, 0.02 / math.sqrt(12)),
        "b": exact["b"] + offset + gain * exact["b"] + u(0, 0.02 / math.sqrt(12)),
        "c": exact["c"] + u(0, 0.01 / math.sqrt(12)),
        "k": u(3, 0.06),
    }
    functions = {"sqrt": umath.sqrt, "ln": umath.log, "exp": umath.exp, "mean": lambda one, other: (one + other) / 2}
    try:
        expected = eval(text.replace("^", "**"), {"__builtins__": {}}, {**functions, **read})
    except (ValueError, ZeroDivisionError, OverflowError, TypeError):
        assume(False)
    assume(isinstance(expected, UFloat))
    assume(1e-9 < expected.std_dev < 1e9 and abs(expected.nominal_value) < 1e9)
    found = outcomes(declared, [{"product": "a", "run": "1", **typed}, {"product": "a", "run": "2", **typed}])
    assert found.value[0] == pytest.approx(expected.nominal_value, rel=1e-9, abs=1e-9)
    assert total(found) == pytest.approx(expected.std_dev, rel=1e-7)


# ------------------------------------------------------------------------------------- a difference known, parts lost

WAYS = TWO_WEIGHINGS + 'readings.given = { unit = "g" }\nreadings.dry = { unit = "g" }'
EITHER = 'results.y = { formula = "first_of(before - after, given) / dry", unit = "1", kind = "info" }'
ABSENT = [
    pytest.param({"dry": "2"}, "neither before and after nor given", id="all"),
    pytest.param({"dry": "2", "before": "5"}, "neither after nor given", id="one-part"),
    pytest.param({"before": "5"}, "no dry, and neither after nor given", id="and-more"),
    pytest.param({"given": "5"}, "no dry", id="not-of-it"),
    pytest.param({"dry": "0", "given": "5"}, "the formula has no value for these readings", id="no-value"),
]


@pytest.mark.parametrize(("cells", "reason"), ABSENT)
def test_a_run_lacks_a_value_only_where_every_way_to_it_does(cells: dict[str, str], reason: str) -> None:
    """In plain words: what each of them would have needed."""
    row = {"product": "a", **dict.fromkeys(("before", "after", "given", "dry"), ""), **cells}
    found = outcomes(study(WAYS, EITHER, instruments=BALANCE), [row])
    assert len(found.value) == 0
    assert next(m.reason for m in found.missing if "run 1" in m.where) == reason


def test_the_first_way_that_a_run_has_is_taken_with_its_own_errors() -> None:
    """A loss by difference has the errors of the balance, one that was noted those of its own decimals."""
    rows = [
        {"product": "a", "run": "1", "before": "50.00", "after": "49.20", "given": "", "dry": "1"},
        {"product": "a", "run": "2", "before": "50.00", "after": "", "given": "0.9", "dry": "1"},
        {"product": "a", "run": "3", "before": "50.00", "after": "49.20", "given": "0.8", "dry": "1"},
    ]
    difference = 'results.y = { formula = "first_of(before - after, given)", unit = "g", kind = "info" }'
    found = outcomes(study(WAYS, difference, instruments=BALANCE), rows)
    assert found.value == pytest.approx([0.8, 0.9, 0.8])
    by_difference, noted = 0.01 / math.sqrt(6), 0.1 / math.sqrt(12)
    assert found.own == pytest.approx([by_difference, noted, by_difference])
    gain = dict(zip(found.shared_names, found.shared, strict=True))["balance gain"]
    assert gain == pytest.approx([0.0008, 0.0, 0.0008])
    assert [len(rows) for rows in found.rows] == [2, 1, 2]


def test_ways_through_other_results_are_followed() -> None:
    """A result that names one with a first_of in it has its value, errors and readings."""
    declared = study(
        WAYS,
        'results.y = { formula = "loss * 2", unit = "g", kind = "info" }',
        instruments=BALANCE,
        extra='results.loss = { formula = "first_of(before - after, given)", unit = "g", kind = "info" }',
    )
    row = {"product": "a", "before": "50.00", "after": "", "given": "0.9", "dry": "1"}
    found = outcomes(declared, [row])
    assert found.value == pytest.approx([1.8])
    assert found.own == pytest.approx([0.2 / math.sqrt(12)])
    assert [len(rows) for rows in found.rows] == [1]
    lost = outcomes(declared, [row | {"given": ""}])
    assert lost.missing[0].reason == "neither after nor given"


BOUNDED = [
    # Only the difference is there, and open: at least 50.00 - 49.00.
    pytest.param({"after": "<49.00"}, (1.0, math.inf), id="first"),
    # The difference cannot be had, and what was noted is open.
    pytest.param({"given": ">0.8"}, (0.8, math.inf), id="second"),
    # A division by an open reading that reaches 0 does not fall back on what was noted, which is lost anyway.
    pytest.param({"after": ">49.00", "given": ""}, (-math.inf, 1.0), id="other-side"),
]


@pytest.mark.parametrize(("cells", "bounds"), BOUNDED)
def test_bounds_are_those_of_the_way_that_serves(cells: dict[str, str], bounds: tuple[float, float]) -> None:
    """Open ends are followed through the value that the run has, and through no other."""
    row = {"product": "a", "before": "50.00", "after": "", "given": "", "dry": "1", **cells}
    difference = 'results.y = { formula = "first_of(before - after, given)", unit = "g", kind = "info" }'
    found = outcomes(study(WAYS, difference, instruments=BALANCE), [row])
    assert len(found.value) == 0
    assert [(b.low, b.high) for b in found.beyond] == [pytest.approx(bounds)]


def test_a_known_way_serves_before_an_open_one() -> None:
    """Also for the bounds of a result that is open for another reason."""
    declared = study(
        WAYS,
        'results.y = { formula = "loss / dry", unit = "1", kind = "info" }',
        instruments=BALANCE,
        extra='results.loss = { formula = "first_of(before - after, given)", unit = "g", kind = "info" }',
    )
    row = {"product": "a", "before": "50.00", "after": "<49.00", "given": "0.8", "dry": ">2.0"}
    assert outcomes(declared, [row], "loss").value == pytest.approx([0.8])
    [beyond] = outcomes(declared, [row]).beyond
    assert (beyond.low, beyond.high) == pytest.approx((0.0, 0.4))


def test_a_ladder_of_results_is_climbed_once() -> None:
    """Forty results that each name the two before: what is missing is found without going every way down."""
    steps = [f'results.r{n} = {{ formula = "r{n - 1} + r{n - 2}", unit = "g", kind = "info" }}' for n in range(2, 60)]
    declared = study(
        'readings.x = { unit = "g" }\nreadings.z = { unit = "g" }',
        'results.r0 = { formula = "x", unit = "g", kind = "info" }\n'
        'results.r1 = { formula = "x + z", unit = "g", kind = "info" }',
        extra="\n".join(steps),
    )
    found = outcomes(declared, [{"product": "a", "x": "", "z": "1"}, {"product": "c", "x": "1", "z": "1"}], "r59")
    assert found.missing[0].reason == "no x"
    assert found.value[0] == pytest.approx(1_548_008_755_920 + 956_722_026_041)  # Fibonacci numbers 60 and 59


def test_a_check_of_the_sheets_waits_for_no_draws() -> None:
    """Without the bench's say the outcomes are the same, and nothing is simulated."""
    declared = study(*TEN_BY_FIVE)
    readings = parse_readings({"t": [{"product": "a", "x": "1.000000"}]}, declared)
    [quick], [whole] = reduce(declared, readings, bench=False), reduce(declared, readings)
    assert np.isnan(quick.bench_low).all()
    assert "Monte Carlo" not in quick.method
    assert quick.value == pytest.approx(whole.value, rel=0, abs=0)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["first_of(before - after, given) / dry", "dry * first_of(given, before - after)"]),
    st.fixed_dictionaries(
        {
            "before": st.sampled_from(["5.00", ">5.00", "<5.00"]),
            "after": st.sampled_from(["3.00", "<3.00", ""]),
            "given": st.sampled_from(["", "2.00", ">2.00", "<2.00"]),
            "dry": st.sampled_from(["1.00", ">1.00"]),
        }
    ),
    st.integers(0, 10_000),
)
def test_bounds_hold_whatever_an_open_reading_was(text: str, cells: dict[str, str], seed: int) -> None:
    """Any figures that open readings may have stood for give a value within the bounds, by the way that serves."""
    ratio = "/" in text
    declared = study(
        WAYS if ratio else WAYS.replace('readings.dry = { unit = "g" }', 'readings.dry = { unit = "1" }'),
        f'results.y = {{ formula = "{text}", unit = "{"1" if ratio else "g"}", kind = "info" }}',
        instruments=BALANCE,
    )
    found = outcomes(declared, [{"product": "a", **cells}])
    assume(found.beyond)
    random = np.random.default_rng(seed)
    meant = {
        name: float(cell.lstrip("<>")) + random.exponential(3.0) * {"<": -1, ">": 1}.get(cell[:1], 0)
        for name, cell in cells.items()
        if cell
    }
    difference = [meant["before"] - meant["after"]] if cells["after"] else []
    given_ = [meant["given"]] if cells["given"] else []
    known = [not cells[name].startswith(("<", ">")) for name in ("before", "after", "given")]
    ways = [(difference, known[0] and known[1]), (given_, known[2])]
    ways = ways if text.startswith("first_of") else ways[::-1]
    there = [(way[0], sure) for way, sure in ways if way]
    loss = next((value for value, sure in there if sure), there[0][0])
    value = loss / meant["dry"] if ratio else loss * meant["dry"]
    [beyond] = found.beyond
    assert beyond.low - 1e-9 <= value <= beyond.high + 1e-9
