"""Products against the control, through the whole engine, against published examples."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from evenbench.compare.against import against
from evenbench.compare.comparison import Comparison
from evenbench.compare.fit import NO_SPREAD, TOO_COARSE, fit_levels
from evenbench.compare.simultaneous import constant
from tests.engine import analysis_of, compared, one_test, rows_of

PUBLISHED = Path(__file__).parents[1] / "reference" / "many_to_one_published.toml"


def check(id: str) -> dict[str, Any]:
    return next(c for c in tomllib.loads(PUBLISHED.read_text())["check"] if c["id"] == id)


def family_of(found: Comparison) -> Any:
    return found.families[0]


def data_of(found: dict[str, Any], control: str) -> dict[str, list[float]]:
    """A check's groups as a study's products: ids in small letters."""
    groups = {k.lower(): v for k, v in found["inputs"].items() if isinstance(v, list)}
    return {control: groups.pop(control), **groups}


def test_blood_counts_of_unequal_groups() -> None:
    """Dunnett (1955), JASA 50, table 3 (data from memory); exact p and limits by quadrature (CMP-DX1b)."""
    found = check("CMP-DX1b")
    family = family_of(compared(data_of(found, "control"), control="control", matters="0.5 g"))
    assert family.p == pytest.approx(found["expected"]["p"], abs=1e-9)
    assert family.low == pytest.approx(found["expected"]["lower"], abs=1e-8)
    assert family.high == pytest.approx(found["expected"]["upper"], abs=1e-8)


def test_fabric_strength_of_three_processes() -> None:
    """Dunnett (1955), section 2: allowances of the worked example (from memory; CMP-DX2), exact p (CMP-DX2b)."""
    found, exact = check("CMP-DX2"), check("CMP-DX2b")
    comparison = compared(data_of(found, "standard"), control="standard", matters="5 g")
    family = family_of(comparison)
    assert comparison.fit is not None
    assert comparison.fit.sd**2 == pytest.approx(found["expected"]["s2"], abs=1e-9)
    assert family.effect == pytest.approx(found["expected"]["diff"], abs=1e-12)
    assert family.p == pytest.approx(exact["expected"]["p_two_sided"], abs=1e-9)
    # Printed to two decimals.
    assert family.constant == pytest.approx(found["expected"]["crit_two_sided"], abs=0.006)


def test_mucociliary_efficiency() -> None:
    """Thomson & Short (1969), table 1: statistics as published; p printed from a random integration (CMP-DX5)."""
    found = check("CMP-DX5")
    comparison = compared(data_of(found, "normal"), control="normal", matters="0.5 g")
    family = family_of(comparison)
    assert comparison.fit is not None
    contrasts = comparison.fit.contrasts(family.members, family.other)
    error = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, comparison.fit.covariance, contrasts))
    assert family.effect / error == pytest.approx(found["expected"]["t"], abs=6e-9)
    # Exact values from the check's note, for the printed ones carry their integration's error.
    assert family.p == pytest.approx([0.583172433, 0.998192507], abs=1e-9)


def test_one_product_alone_is_students_t() -> None:
    """With one product the family is a t test of two groups."""
    data = {"c": [10.1, 9.7, 10.4, 10.0], "p": [11.2, 10.9, 11.5]}
    comparison = compared(data, control="c", matters="0.3 g")
    family = family_of(comparison)
    # By hand: df 5, se = s sqrt(1/4 + 1/3), t(0.975, 5) = 2.570582 from tables to six decimals.
    assert comparison.fit is not None
    half = 2.570582 * comparison.fit.sd * math.sqrt(1 / 4 + 1 / 3)
    assert family.high[0] - family.effect[0] == pytest.approx(half, rel=2e-7)


def test_a_risk_has_the_widest_one_sided_bounds() -> None:
    """13 products, 28 df: 2.7584 in place of 2.9877 two-sided (engine specification, section 6)."""
    generator = np.random.default_rng(20261)
    data = {f"p{k}": generator.normal(10, 1, 3).tolist() for k in range(14)}
    family = family_of(compared(data, control="p0", kind="risk", matters="2 g"))
    assert family.constant == pytest.approx(2.7584, abs=5e-5)
    benefit = family_of(compared(data, control="p0", matters="2 g"))
    assert benefit.constant == pytest.approx(2.9877, abs=5e-5)


def test_p_of_a_risk_agrees_with_its_bound() -> None:
    """A product whose bound towards harm touches 0 has p of 5 % exactly: interval and p tell one story."""
    data = {"c": [10.0, 11.0, 12.0], "a": [9.0, 8.0, 8.5], "b": [10.5, 11.5, 9.5], "d": [12.0, 10.0, 11.0]}
    family = family_of(compared(data, control="c", kind="risk", matters="2 g"))
    harm = family.high < 0  # more is better here, so harm is a fall
    assert (family.p < 0.05).tolist() == harm.tolist()


def test_placebo_is_a_family_of_its_own() -> None:
    """Where there is a placebo every candidate is compared with it too, by the same rules."""
    data = {"c": [1.0, 2.0, 3.0], "w": [1.5, 2.5, 3.5], "a": [5.0, 6.0, 7.0], "b": [2.0, 2.0, 3.0]}
    study = one_test({"c": "control", "w": "placebo", "a": "candidate", "b": "candidate"})
    comparison = analysis_of(study, rows_of(data)).comparisons[0]
    treated, placebo = comparison.families
    assert (treated.other, treated.members) == ("c", ("w", "a", "b"))
    assert (placebo.other, placebo.members) == ("w", ("a", "b"))
    b = [math.sqrt(0.5)] * 2
    assert placebo.constant == pytest.approx(constant(b, 8, sides=2), abs=1e-9)


def test_reference_stands_alone() -> None:
    """A reference is its own family of one, so it does not widen the products' intervals."""
    data = {"c": [1.0, 2.0, 3.0], "n": [9.0, 8.0, 9.5], "a": [5.0, 6.0, 7.0]}
    study = one_test({"c": "control", "n": "reference", "a": "candidate"})
    comparison = analysis_of(study, rows_of(data)).comparisons[0]
    assert [f.members for f in comparison.families] == [("a",), ("n",)]
    assert comparison.families[1].constant == pytest.approx(float(special.stdtrit(6, 0.975)))


UNSETTLED = [
    pytest.param({"c": [1.0], "a": [2.0], "b": [3.0]}, "nothing was run twice", id="one-run-each"),
]


@pytest.mark.parametrize(("data", "why"), UNSETTLED)
def test_cannot_say_without_scatter(data: dict[str, list[float]], why: str) -> None:
    """Without a valid estimate of scatter there is an effect, no interval, and the reason."""
    family = family_of(compared(data, control="c"))
    assert set(family.verdict) == {"cannot say"}
    assert np.isfinite(family.effect).all()
    assert np.isnan(family.low).all()
    assert np.isnan(family.p).all()
    assert why in family.why[0]


def test_runs_that_read_the_same_are_known_to_a_step() -> None:
    """Typed in steps of 0.1, identical runs have the spread of rounding and a bias of the same size on either side.

    Half the interval is t(.975; 2) sqrt(h^2 / 12 (1/2 + 1/2) + 2 h^2 / 12) = 4.302653 h / 2, h = 0.1.
    """
    comparison = compared({"c": [1.0, 1.0], "a": [2.0, 2.0]}, control="c")
    family = family_of(comparison)
    assert [float(x) for x in (family.low[0], family.high[0])] == pytest.approx(
        [1 - 0.21513265, 1 + 0.21513265], abs=1e-7
    )
    assert TOO_COARSE in comparison.flags


def test_without_scatter_and_without_a_step_there_is_nothing_to_judge_by() -> None:
    product, block = np.array([0, 0, 1, 1], np.int32), np.zeros(4, np.int32)
    fit = fit_levels(np.array([1.0, 1.0, 2.0, 2.0]), product, ("c", "a"), block)
    family = against(fit, compared({"c": [1.0], "a": [2.0]}, control="c").result, "c", ("a",), matters=0.5)
    assert (family.verdict, family.why) == (("cannot say",), (NO_SPREAD,))


# The engine specification, section 1: root mean square bias of a mean of rounded readings, B / h by sd / h.
@pytest.mark.parametrize(("sd", "bias"), [(0.0, 0.28868), (0.1, 0.19213), (0.25, 0.065551), (0.4, 0.0095656)])
def test_what_rounding_leaves_is_counted_in_every_difference(sd: float, bias: float) -> None:
    """The scatter of rounded runs, by Sheppard's correction, says how far rounding may leave a mean."""
    rounded = math.sqrt(sd**2 + 1 / 12)
    value = np.array([-1.0, 1.0, -1.0, 1.0]) * rounded / math.sqrt(2)
    fit = fit_levels(value, np.array([0, 0, 1, 1], np.int32), ("c", "a"), np.zeros(4, np.int32), step=1.0)
    assert fit.bias == pytest.approx([bias, bias], rel=1e-4)
    contrast = fit.contrasts(("a",), "c")[0]
    assert contrast @ fit.between @ contrast == pytest.approx(rounded**2 + 2 * bias**2, rel=1e-4)


def test_spread_from_the_control_alone_is_labelled() -> None:
    """One run per product and a replicated control: computed, and said."""
    comparison = compared({"c": [1.0, 2.0, 1.5, 1.2], "a": [5.0], "b": [1.1]}, control="c")
    assert "spread taken from Product c, run more than once" in comparison.flags[0]
    # 13 products, 6 controls, df 5: 4.4733 (engine specification, section 3); here 2 products, 4 controls, df 3.
    b = [math.sqrt(1 / (1 + 4))] * 2
    assert family_of(comparison).constant == pytest.approx(constant(b, 3, sides=2), abs=1e-9)


def test_six_controls_and_thirteen_single_runs() -> None:
    """Critical value 4.4733 on 5 df (engine specification, section 3)."""
    generator = np.random.default_rng(3)
    data = {"c": generator.normal(0, 1, 6).tolist(), **{f"p{k}": [float(k)] for k in range(13)}}
    assert family_of(compared(data, control="c")).constant == pytest.approx(4.4733, abs=5e-5)


def test_uneven_blocks() -> None:
    """A layout whose correlations do not factor: a sum over directions for a benefit, Bonferroni for a risk."""
    # Three contrasts nearly always factor; it takes four to be sure that they do not.
    data = {"c": [1.0, 2.0, 3.0], "a": [2.0, 3.5], "b": [4.0, 5.2, 6.0], "d": [1.0, 2.6], "e": [3.0]}
    blocks = {"c": ["1", "2", "3"], "a": ["1", "2"], "b": ["1", "2", "3"], "d": ["2", "3"], "e": ["1"]}
    roles = {id: "control" if id == "c" else "candidate" for id in data}
    comparison = analysis_of(one_test(roles, blocks=True), rows_of(data, blocks)).comparisons[0]
    family = family_of(comparison)
    assert "a sum over directions" in family.method
    # Between one comparison alone and Bonferroni, on 4 df.
    assert float(-special.stdtrit(4, 0.025)) < family.constant < float(-special.stdtrit(4, 0.025 / 4))
    assert ((family.p < 0.05) == ((family.low > 0) | (family.high < 0))).all()
    assert comparison.best.names is not None
    risk = one_test(roles, blocks=True, kind="risk", matters="2 g")
    bounds = family_of(analysis_of(risk, rows_of(data, blocks)).comparisons[0])
    assert "Bonferroni" in bounds.method
    assert bounds.constant == pytest.approx(float(-special.stdtrit(4, 0.05 / 4)))


def test_confounded_with_blocks() -> None:
    """A product that ran alone in its own block gets no verdict: the block could be the whole difference."""
    data = {"c": [1.0, 2.0], "a": [1.5, 2.5], "b": [9.0, 9.5]}
    blocks = {"c": ["1", "1"], "a": ["1", "1"], "b": ["2", "2"]}
    study = one_test({"c": "control", "a": "candidate", "b": "candidate"}, blocks=True)
    comparison = analysis_of(study, rows_of(data, blocks)).comparisons[0]
    family = family_of(comparison)
    assert family.verdict[family.index("b")] == "cannot say"
    assert "never ran in connected blocks" in family.why[family.index("b")]
    assert family.verdict[family.index("a")] != "cannot say"
    assert np.isnan(comparison.estimate[comparison.products.index("b")])


# As a balance shows them: to a milligram.
MILLIGRAMS = st.integers(-50_000, 50_000).map(lambda n: n / 1000)
NOISY = st.lists(st.lists(MILLIGRAMS, min_size=2, max_size=5), min_size=2, max_size=6)


def _distinct(groups: list[list[float]]) -> bool:
    """Scatter well above rounding, so that a change of unit cannot move a word by its last digit."""
    return sum(float(np.var(g)) for g in groups) > 1e-3


@settings(max_examples=40, deadline=None)
@given(NOISY.filter(_distinct), st.randoms(use_true_random=False))
def test_order_of_rows_and_names_do_not_matter(groups: list[list[float]], random: Any) -> None:
    """Shuffled rows give the same bytes; renamed products give the same figures under their new names."""
    data = {f"p{k}": g for k, g in enumerate(groups)}
    study = one_test({id: "control" if id == "p0" else "candidate" for id in data})
    rows = rows_of(data)
    shuffled = list(rows)
    random.shuffle(shuffled)
    one, two = (family_of(analysis_of(study, r).comparisons[0]) for r in (rows, shuffled))
    for name in ("effect", "low", "high", "p"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes()
    renamed = {f"q{9 - k}": g for k, g in enumerate(groups)}
    other = family_of(compared(renamed, control="q9"))
    assert other.verdict == one.verdict
    assert other.low == pytest.approx(one.low, rel=1e-9, abs=1e-9)


def typed(data: dict[str, list[float]], matters: str, *, places: int) -> Comparison:
    """The comparison with p0 of values written down with so many decimals."""
    study = one_test({id: "control" if id == "p0" else "candidate" for id in data}, matters=matters)
    rows = [row | {"x": f"{float(row['x']):.{places}f}"} for row in rows_of(data)]
    return analysis_of(study, rows).comparisons[0]


@settings(max_examples=40, deadline=None)
@given(NOISY.filter(_distinct), st.sampled_from([0.001, 1000.0]), st.sampled_from([0.0, 17.0, -2000.0]))
def test_units_and_offsets_do_not_matter(groups: list[list[float]], scale: float, shift: float) -> None:
    """Grams, milligrams or a balance that reads heavy: the same words, and the same figures once converted."""
    data = {f"p{k}": g for k, g in enumerate(groups)}
    moved = {id: [(x + shift) * scale for x in g] for id, g in data.items()}
    # As many decimals as the balance shows: the least spread that a product can have follows from them.
    one = family_of(typed(data, "2 g", places=3))
    two = family_of(typed(moved, f"{2 * scale} g", places=6 if scale < 1 else 0))
    # A word can turn on the last digit only where an end lies on a limit; hypothesis does not stay clear of it.
    ends = np.concatenate([one.low, one.high])
    near = np.min(np.abs(ends[:, None] - np.array([-2.0, 0.0, 2.0])))
    if near > 1e-6:
        assert two.verdict == one.verdict
    assert two.low / scale == pytest.approx(one.low, rel=1e-6, abs=1e-6)
    assert two.p == pytest.approx(one.p, rel=1e-5, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(NOISY.filter(_distinct), st.sampled_from(["benefit", "risk"]))
def test_turning_readings_and_direction_changes_nothing(groups: list[list[float]], kind: str) -> None:
    """Minus the reading with lower better is the same study as the reading with higher better."""
    data = {f"p{k}": g for k, g in enumerate(groups)}
    one = family_of(compared(data, control="p0", matters="2 g", kind=kind))
    turned = {id: [-x for x in g] for id, g in data.items()}
    two = family_of(compared(turned, control="p0", matters="2 g", kind=kind, better="lower"))
    assert two.verdict == one.verdict
    assert two.by_enough == one.by_enough
    assert -two.effect == pytest.approx(one.effect, abs=1e-9)
    assert two.p == pytest.approx(one.p, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(NOISY.filter(_distinct))
def test_a_higher_level_never_narrows(groups: list[list[float]]) -> None:
    """Intervals at 99 % contain those at 95 %."""
    data = {f"p{k}": g for k, g in enumerate(groups)}
    one, two = (family_of(compared(data, control="p0", level=level)) for level in (0.95, 0.99))
    assert (two.low <= one.low).all()
    assert (two.high >= one.high).all()


def simulated(studies: int, *, seed: int) -> tuple[float, float]:
    """Share of simulated studies whose 12 intervals all hold the truth, and share with a false difference."""
    generator = np.random.default_rng(seed)
    truth = {"c": 0.0, **{f"p{k}": 0.0 if k < 6 else 1.5 for k in range(12)}}
    covered = false = 0
    for _ in range(studies):
        data = {id: generator.normal(mean, 1.0, 6 if id == "c" else 3).tolist() for id, mean in truth.items()}
        family = family_of(compared(data, control="c", matters="1 g"))
        true = np.array([truth[m] for m in family.members])
        covered += bool(np.all((family.low <= true) & (true <= family.high)))
        false += any(word in ("better", "worse") for word, t in zip(family.verdict, true, strict=True) if t == 0)
    return covered / studies, false / studies


def test_intervals_hold_together_in_simulated_studies() -> None:
    """400 studies of known truth, seed 11: simultaneous coverage and false differences near 95 % and 5 %."""
    coverage, false = simulated(400, seed=11)
    # Three standard errors of 400 studies are 3.3 points; the slow run holds 94 % and 6 %.
    assert coverage >= 0.917
    assert false <= 0.083


@pytest.mark.slow
def test_intervals_hold_together_in_many_simulated_studies() -> None:
    """5,000 studies of known truth, seed 12: coverage at least 94 %, false differences at most 6 %."""
    coverage, false = simulated(5000, seed=12)
    assert coverage >= 0.94
    assert false <= 0.06
