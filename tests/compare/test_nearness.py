"""Results that should be near a value, or like another product."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenbench.analysis import Analysis
from evenbench.compare.comparison import Comparison, compare_one
from evenbench.compare.nearness import FOLDED, FOLDED_ONCE, folds
from evenbench.reduce import reduce
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings
from tests.engine import TODAY, analysis_of, rows_of

ROLES = {"c": "control", "r": "reference", "w": "placebo", "a": "candidate", "b": "candidate", "d": "candidate"}
Data = Mapping[str, Sequence[float]]


def bench(
    result: str,
    *,
    roles: Mapping[str, str] = ROLES,
    offset: str = "",
    more: str = "",
    unit: str = "mm",
    blocks: bool = False,
) -> Study:
    """A study of one test `t` with one result `y`, the reading `x` of an instrument that may be off."""
    products = "".join(f'[products.{id}]\nname = "Product {id}"\nrole = "{role}"\n' for id, role in roles.items())
    references = [id for id, role in roles.items() if role == "reference"]
    rule = f'[instruments]\nrule = {{ resolution = "0.001 {unit}", offset = "{offset}" }}\n' if offset else ""
    return parse(
        f"""
format = 1
[study]
id = "bench"
title = "Bench"
{rule}{products}
[tests.t]
title = "T"
references = {references}
{'blocks = "day"' if blocks else ""}
readings.x = {{ unit = "{unit}"{', instrument = "rule"' if offset else ""} }}
results.y = {{ formula = "x", unit = "{unit}", {result} }}
{more}
""",
        today=TODAY,
    )


def compared(study: Study, data: Data) -> Comparison:
    return analysis_of(study, rows_of(data)).comparisons[0]


def near(target: str, matters: str = "1 mm", kind: str = "benefit") -> str:
    return f'kind = "{kind}", better = "nearest", target = "{target}", matters = "{matters}"'


def drawn(levels: Mapping[str, float], *, runs: int = 4, sd: float = 0.5, seed: int = 1) -> dict[str, list[float]]:
    generator = np.random.Generator(np.random.PCG64(seed))
    return {p: np.round(level + sd * generator.standard_normal(runs), 3).tolist() for p, level in levels.items()}


LEVELS = {"c": 18.0, "r": 23.1, "w": 19.0, "a": 22.8, "b": 25.0, "d": 20.0}
DATA = drawn(LEVELS)


# ------------------------------------------------------------------------------------------------ near a value


def test_the_outcome_is_the_distance_and_the_values_are_kept() -> None:
    found = compared(bench(near("23 mm")), DATA)
    outcomes, read = found.outcomes, found.outcomes.read
    assert read is not None
    assert sorted(read) == sorted(x for values in DATA.values() for x in values)
    assert outcomes.value == pytest.approx(np.abs(read - 23), abs=1e-12)
    for product, values in DATA.items():
        k = found.products.index(product)
        assert found.estimate[k] == pytest.approx(np.mean(np.abs(np.array(values) - 23)), rel=1e-12)


def test_the_side_of_the_target_is_said() -> None:
    found = compared(bench(near("23 mm")), {**DATA, "a": [22.0, 24.0, 22.5, 23.5], "b": [25.0, 24.0, 22.9, 23.0]})
    assert found.near is not None
    at = {p: k for k, p in enumerate(found.products)}
    assert [found.near.side[at[p]] for p in ("c", "a", "b")] == ["below", "on it", "above"]
    assert (found.near.above[at["b"]], found.near.below[at["b"]]) == (2, 1)
    assert found.near.mean[at["b"]] == pytest.approx(23.725)


def test_other_results_have_no_side() -> None:
    assert compared(bench('kind = "benefit", better = "lower", matters = "1 mm"'), DATA).near is None


def same(one: Comparison, other: Comparison, turn: float = 1.0) -> None:
    """Everything that is judged is the same, differences turned by `turn`."""
    assert [f.other for f in one.families] == [f.other for f in other.families]
    for f, g in zip(one.families, other.families, strict=True):
        ends = (g.low, g.high) if turn > 0 else (-g.high, -g.low)
        assert f.effect == pytest.approx(turn * g.effect, rel=1e-9, abs=1e-9)
        assert f.low == pytest.approx(ends[0], rel=1e-9, abs=1e-9)
        assert f.high == pytest.approx(ends[1], rel=1e-9, abs=1e-9)
        assert f.p == pytest.approx(g.p, rel=1e-6, abs=1e-12)
        assert (f.verdict, f.by_enough) == (g.verdict, g.by_enough)
    assert one.best.names == other.best.names


levels = st.lists(st.integers(0, 4000).map(lambda n: n / 100), min_size=6, max_size=6)


@settings(deadline=None, max_examples=25)
@given(levels, st.integers(1, 10_000), st.sampled_from(["benefit", "risk"]))
def test_a_target_beyond_all_values_is_judged_as_higher_or_lower(found: list[float], seed: int, kind: str) -> None:
    """|value - target| is target - value or value - target then: nothing but the sign may change."""
    data = drawn(dict(zip(ROLES, found, strict=True)), seed=seed)
    for target, better in (("500 mm", "higher"), ("-500 mm", "lower")):
        plain = compared(bench(f'kind = "{kind}", better = "{better}", matters = "1 mm"'), data)
        same(compared(bench(near(target, kind=kind)), data), plain, -1.0 if better == "higher" else 1.0)


@settings(deadline=None, max_examples=25)
@given(levels, st.integers(1, 10_000), st.integers(-20, 20))
def test_target_and_values_may_move_together(found: list[float], seed: int, shift: int) -> None:
    data = drawn(dict(zip(ROLES, found, strict=True)), seed=seed)
    moved = {p: [round(x + shift, 3) for x in values] for p, values in data.items()}
    here, there = compared(bench(near("20 mm")), data), compared(bench(near(f"{20 + shift} mm")), moved)
    same(here, there)
    assert here.near is not None
    assert there.near is not None
    assert here.near.side == there.near.side
    assert here.estimate == pytest.approx(there.estimate, abs=1e-9)


def test_values_and_target_may_be_mirrored() -> None:
    same(
        compared(bench(near("23 mm")), DATA),
        compared(bench(near("-23 mm")), {p: [-x for x in values] for p, values in DATA.items()}),
    )


def test_distances_that_fold_get_a_spread_for_each_product() -> None:
    found = compared(bench(near("23 mm")), DATA)
    assert found.fit is not None
    assert found.fit.spread == "unequal"
    assert FOLDED in found.flags
    assert any("distances fold near the target" in note for note in found.notes)


@pytest.mark.parametrize(("away", "folded"), [(1.99, True), (2.01, False)])
def test_distances_fold_within_two_standard_deviations(away: float, folded: bool) -> None:
    """Runs at -1, 0 and 1 about every level: the pooled standard deviation of the values is 1."""
    level = dict.fromkeys(ROLES, 100.0) | {"a": 23 + away}
    study = bench(near("23 mm"))
    data = {p: [x - 1, x, x + 1] for p, x in level.items()}
    [outcomes] = reduce(study, parse_readings({"t": rows_of(data)}, study))
    assert folds(outcomes) is folded


def test_an_offset_cancels_on_one_side_and_counts_on_both() -> None:
    """Above and below the target an offset u moves two distances apart by 2 u; on one side it cancels."""
    data = {"c": [10.0, 10.2, 9.8], "a": [36.0, 36.2, 35.8], "b": [12.0, 12.2, 11.8]}
    roles = {"c": "control", "a": "candidate", "b": "candidate"}
    exact, off = (compared(bench(near("23 mm"), roles=roles, offset=o), data) for o in ("0 mm", "0.3 mm"))
    assert exact.fit is not None
    assert off.fit is not None
    gain = off.fit.between - exact.fit.between
    at = {p: k for k, p in enumerate(off.fit.products)}
    across, along = (np.zeros(3) for _ in range(2))
    across[at["a"]], across[at["c"]] = 1, -1
    along[at["b"]], along[at["c"]] = 1, -1
    assert across @ gain @ across == pytest.approx((2 * 0.3) ** 2, rel=1e-9)
    assert along @ gain @ along == pytest.approx(0, abs=1e-12)
    assert any("both sides of the target" in flag for flag in off.flags)
    one_side = compared(bench(near("60 mm"), roles=roles, offset="0.3 mm"), data)
    assert not any("both sides" in flag for flag in one_side.flags)


def test_no_distance_is_below_nothing() -> None:
    found = compared(bench(near("23 mm")), {**DATA, "a": [22.0, 24.0, 23.1, 22.9]})
    assert np.nanmin(found.low) >= 0


def test_a_distance_between_temperatures_is_a_difference() -> None:
    """40 degC is 10 degC from 30 degC, and 50 degF is not: 50 degF is 10 degC, which is 20 degC from it."""
    result = near("86 degF", "1 degC")
    found = compared(bench(result, unit="degC"), {**DATA, "a": [40.0, 41.0, 39.0]})
    assert found.estimate[found.products.index("a")] == pytest.approx(10)
    assert found.near is not None
    assert found.near.target == pytest.approx(30)


def test_distances_between_percentages_are_in_points() -> None:
    study = bench(near("40 %", "2 points"), unit="%")
    assert study.result("t.y").difference_unit == "points"
    assert compared(study, {**DATA, "a": [45.0, 46.0, 44.0]}).estimate[3] == pytest.approx(5)


def test_another_formula_takes_the_value_and_not_its_distance() -> None:
    more = 'results.z = { formula = "2 * y", unit = "mm", kind = "info" }'
    analysis = analysis_of(bench(near("23 mm"), more=more), rows_of(DATA))
    k = analysis.comparisons[1].products.index("b")
    assert analysis.comparisons[1].estimate[k] == pytest.approx(2 * np.mean(DATA["b"]))


def test_a_run_known_within_bounds_lies_within_bounds_of_the_target() -> None:
    study = bench(near("23 mm"))
    rows = [*rows_of(DATA), *({"product": "a", "run": str(n), "x": x} for n, x in enumerate(("<20", ">30", ">20"), 5))]
    outcomes = analysis_of(study, rows).comparisons[0].outcomes
    ends = np.array([(b.low, b.high) for b in outcomes.beyond])
    assert ends == pytest.approx(np.array([(3, math.inf), (7, math.inf), (0, math.inf)]), abs=1e-12)


def test_one_run_each_has_distances_and_no_interval() -> None:
    found = compared(bench(near("23 mm")), {p: values[:1] for p, values in DATA.items()})
    assert np.isfinite(found.estimate).all()
    assert set(found.families[0].verdict) == {"cannot say"}
    assert found.near is not None


@pytest.mark.slow
@pytest.mark.parametrize(("runs", "least"), [(3, 0.93), (8, 0.93)])
def test_intervals_of_folded_distances_hold_as_often_as_they_say(runs: int, least: float) -> None:
    """Truth is the mean distance, of a normal value: sd sqrt(2/pi) exp(-m^2 / 2 sd^2) + m erf(m / sd sqrt 2).

    Source: the folded normal distribution (Leone, Nelson & Nottingham 1961, Technometrics 3, 543-550).
    """
    level = {"c": 28.0, "r": 40.0, "a": 23.0, "b": 23.5, "d": 25.0, "e": 21.0}
    study = bench(near("23 mm"), roles={"c": "control", "r": "reference", **dict.fromkeys("abde", "candidate")})
    truth = {
        p: math.sqrt(2 / math.pi) * math.exp(-((x - 23) ** 2) / 2) + abs(x - 23) * math.erf(abs(x - 23) / math.sqrt(2))
        for p, x in level.items()
    }
    held = 0
    for seed in range(300):
        [outcomes] = reduce(study, parse_readings({"t": rows_of(drawn(level, runs=runs, sd=1, seed=seed))}, study))
        family = compare_one(study, outcomes).families[0]
        ends = zip(family.members, family.low.tolist(), family.high.tolist(), strict=True)
        held += all(low <= truth[p] - truth["c"] <= high for p, low, high in ends)
    assert held / 300 >= least  # 0.95 less 1.6 standard errors


# -------------------------------------------------------------------------------------------- like another product


def of(analysis: Analysis, other: str) -> dict[str, tuple[str | None, bool | None]]:
    families = [f for f in analysis.comparisons[0].families if f.other == other]
    return {m: (v, e) for f in families for m, v, e in zip(f.members, f.verdict, f.by_enough, strict=True)}


ALIKE = {"c": 18.0, "r": 23.0, "w": 18.1, "a": 18.0, "b": 25.0, "d": 11.0}


def test_like_the_control_is_same_or_worse_on_either_side() -> None:
    study = bench(near("control"))
    words = of(analysis_of(study, rows_of(drawn(ALIKE, sd=0.2))), "c")
    assert words == {
        "w": ("same", False), "a": ("same", False), "b": ("worse", True), "d": ("worse", True), "r": ("worse", True)
    }  # fmt: skip


@settings(deadline=None, max_examples=30)
@given(levels, st.integers(1, 10_000), st.sampled_from(["control", "reference: r"]))
def test_the_word_follows_from_the_printed_interval(found: list[float], seed: int, target: str) -> None:
    """Same within the margin, worse wholly beyond it on one side, else not settled; never better."""
    comparison = compared(bench(near(target)), drawn(dict(zip(ROLES, found, strict=True)), sd=1, seed=seed))
    assert {f.other for f in comparison.families} == {"c" if target == "control" else "r"}
    for family in comparison.families:
        for low, high, word in zip(family.low.tolist(), family.high.tolist(), family.verdict, strict=True):
            inside, beyond = low > -1 and high < 1, low >= 1 or high <= -1
            assert word == ("same" if inside else "worse" if beyond else "not settled")


def test_the_interval_is_the_two_sided_one_of_the_difference() -> None:
    plain = compared(bench('kind = "benefit", better = "higher", matters = "1 mm"'), DATA)
    like = compared(bench(near("control")), DATA)
    assert like.families[0].low == pytest.approx(plain.families[0].low, rel=1e-12)
    assert like.families[0].high == pytest.approx(plain.families[0].high, rel=1e-12)


def test_like_a_reference_is_held_against_that_reference() -> None:
    analysis = analysis_of(bench(near("reference: r")), rows_of(drawn({**ALIKE, "a": 23.0}, sd=0.2)))
    words = of(analysis, "r")
    assert words["a"] == ("same", False)
    assert words["c"] == ("worse", True)
    assert set(words) == {"c", "w", "a", "b", "d"}
    assert analysis.comparisons[0].other == "r"


def test_nothing_is_best_at_being_alike() -> None:
    comparison = compared(bench(near("control")), DATA)
    assert comparison.best.names is None
    assert comparison.best.why == "nothing is better than being like Product c"


def test_without_a_margin_nothing_is_settled() -> None:
    """A share of a control that reads 0 has no value."""
    data = {**DATA, "c": [-0.1, 0.1, 0.0]}
    comparison = compared(bench(near("control", "10 % of control")), data)
    assert comparison.matters is None
    assert set(comparison.families[0].verdict) == {"not settled"}
    assert set(comparison.families[0].by_enough) == {None}


def test_a_question_against_a_reference_gets_no_better() -> None:
    """A family made for a question speaks the words of the result."""
    text = '[study]\nid = "bench"'
    asked = text + '\nquestions = [{ asks = "As new?", answered_by = "t.y", against = "r" }]'
    study_text = bench_text(near("control")).replace(text, asked)
    study = parse(study_text, today=TODAY)
    [answer] = analysis_of(study, rows_of(drawn(ALIKE, sd=0.2))).answers
    assert "better" not in f"{answer.answer} {answer.because}"


def test_a_question_is_answered_by_who_is_alike() -> None:
    text = '[study]\nid = "bench"'
    asked = text + '\nquestions = [{ asks = "Does it keep its shape?", answered_by = "t.y" }]'
    study = parse(bench_text(near("control")).replace(text, asked), today=TODAY)
    [answer] = analysis_of(study, rows_of(drawn(ALIKE, sd=0.2))).answers
    assert answer.answer == "Against Product c: same: Product w and Product a; worse: Product b and Product d."


def bench_text(result: str) -> str:
    products = "".join(f'[products.{id}]\nname = "Product {id}"\nrole = "{role}"\n' for id, role in ROLES.items())
    return (
        f'format = 1\n[study]\nid = "bench"\ntitle = "Bench"\n{products}[tests.t]\ntitle = "T"\nreferences = ["r"]\n'
        f'readings.x = {{ unit = "mm" }}\nresults.y = {{ formula = "x", unit = "mm", {result} }}\n'
    )


# -------------------------------------------------------------------------------------------- in words, and few runs

APART = {"c": [57.0, 57.5, 56.5], "a": [65.0, 65.5, 64.5], "b": [49.0, 49.5, 48.5]}
SHORE = {id: ROLES[id] for id in APART}


@pytest.mark.parametrize("kind", ["benefit", "risk"])
def test_a_distance_is_told_as_nearer_or_farther(kind: str) -> None:
    """The figures are distances from the target, and never "higher" or "lower"."""
    found = compared(bench(near("65 mm", kind=kind), roles=SHORE), APART)
    nearer, farther = (found.sentence("c", product) for product in ("a", "b"))
    some = "0" if kind == "risk" else ""
    assert nearer.startswith(f"Product a: 7.{'67' if some else '7'} mm nearer to 65 mm than Product c (")
    assert farther.startswith(f"Product b: 8.0{some} mm farther from 65 mm than Product c (")
    assert not any(word in nearer + farther for word in ("higher", "lower"))
    if kind == "risk":
        assert ("at worst 6." in nearer, " nearer, at best " in nearer) == (True, True)
        assert ("at worst 8.8" in farther, " farther, at best " in farther) == (True, True)


def test_an_interval_across_no_difference_says_both_ways() -> None:
    found = compared(bench(near("65 mm"), roles=SHORE), {**APART, "a": [57.4, 57.0, 56.7]})
    assert "(anywhere from" in found.sentence("c", "a")
    assert " nearer to " in found.sentence("c", "a").split("(")[1]


LIKE_RISK = near("control", "3 mm", "risk")
HURT = [
    pytest.param([18.1, 18.0, 17.9], "no harm shown", False, id="alike"),
    pytest.param([28.0, 28.1, 27.9], "harm", True, id="above"),
    pytest.param([8.0, 8.1, 7.9], "harm", True, id="below"),
    pytest.param([21.0, 21.1, 20.9], "harm", False, id="above-and-perhaps-too-little"),
    pytest.param([19.0, 19.1, 18.9], "no harm shown", False, id="real-and-too-little"),
    pytest.param([22.0, 15.0, 19.0], "not settled", False, id="unclear"),
]


@pytest.mark.parametrize(("values", "word", "enough"), HURT)
def test_a_risk_either_way(values: list[float], word: str, enough: bool) -> None:
    """Hardening and softening both harm; the interval has two ends."""
    found = compared(bench(LIKE_RISK, roles={"c": "control", "a": "candidate"}), {"c": [18.0, 18.1, 17.9], "a": values})
    family = found.families[0]
    assert (family.verdict[0], family.by_enough[0]) == (word, enough)
    assert "at worst" not in found.because[0][0]
    assert any(note.startswith("any difference from Product c may harm") for note in found.notes)


def test_a_risk_either_way_has_the_interval_of_a_benefit() -> None:
    """Two-sided and simultaneous, where other risks have two one-sided bounds."""
    roles = {"c": "control", "a": "candidate", "b": "candidate"}
    data = {"c": [18.0, 18.4, 17.7], "a": [19.0, 18.1, 18.9], "b": [21.0, 21.1, 20.4]}
    risk, benefit = (
        compared(bench(near("control", "3 mm", kind), roles=roles), data).families[0] for kind in ("risk", "benefit")
    )
    assert risk.low.tolist() == benefit.low.tolist()
    assert risk.high.tolist() == benefit.high.tolist()


def test_no_harm_in_words() -> None:
    found = compared(
        bench(LIKE_RISK, roles={"c": "control", "a": "candidate"}), {"c": [18.0, 18.1, 17.9], "a": [18.1, 18.0, 17.9]}
    )
    assert found.because[0][0].endswith(": no harm shown: any difference is less than the 3 mm that matter.")


@pytest.mark.parametrize(("values", "word"), [([18.1, 18.0, 17.9], "supported"), ([8.0, 8.1, 7.9], "contradicted")])
@pytest.mark.parametrize("target", ["control", "reference: r"])
def test_claims_of_no_harm_either_way(values: list[float], word: str, target: str) -> None:
    claim = 'claims = [{ says = "Safe", about = ["t.y"], must = "no harm" }]\n'
    buyer = '[buyers.one]\ntitle = "One"\nweights.t.z = 1\nmust = [{ result = "t.y", is = "no harm" }]\n'
    other = 'results.z = { formula = "x", unit = "mm", kind = "benefit", better = "higher", matters = "1 mm" }\n'
    study = bench(
        near(target, "3 mm", "risk"),
        roles={"c": "control", "r": "reference"},
        more=f'{other}[products.a]\nname = "A"\n{claim}{buyer}',
    )
    found = analysis_of(study, rows_of({"c": [18.0, 18.1, 17.9], "r": [18.0, 18.2, 17.8], "a": values}))
    assert found.claims[0].verdict == word
    assert (dict(found.placings[0].left_out).get("a") or "").startswith("fails" if word == "contradicted" else "")
    assert ("a" in found.placings[0].products) == (word == "supported")


ONCE = {"c": [18.4, 17.8, 18.1, 17.9], "a": [18.2], "b": [21.0], "d": [26.0]}


def test_a_single_run_near_the_target_keeps_its_finding() -> None:
    """The pooled scatter of the values stands for that of distances, and the report says so."""
    roles = {id: ROLES[id] for id in ONCE}
    found = compared(bench(near("18 mm", kind="risk"), roles=roles), ONCE)
    assert found.fit is not None
    sd = float(np.std(ONCE["c"], ddof=1))
    assert found.fit.spread == "pooled"
    assert found.fit.sd == pytest.approx(sd, rel=1e-9)
    assert found.fit.df == 3
    assert FOLDED_ONCE in found.flags
    assert FOLDED not in found.flags
    assert dict(zip(found.families[0].members, found.families[0].verdict, strict=True))["d"] == "harm"
    assert any("the pooled scatter of the values" in note for note in found.notes)


def test_no_distance_scatters_more_than_its_value() -> None:
    """What the rule rests on, for normal values at every distance from the target: var |X| = var X + m^2 - (E|X|)^2.

    Source: the mean of a folded normal, Leone, Nelson & Nottingham (1961), Technometrics 3, 543-550 (from memory).
    """
    from scipy import stats

    for m in np.linspace(0, 4, 41).tolist():
        mean = math.sqrt(2 / math.pi) * math.exp(-(m**2) / 2) + m * (1 - 2 * float(stats.norm.cdf(-m)))
        assert float(stats.foldnorm.mean(m)) == pytest.approx(mean, rel=1e-9)
        assert 1 + m**2 - mean**2 <= 1 + 1e-12


def test_intervals_of_single_runs_near_the_target_hold() -> None:
    """With one run each and four of the control, all intervals of a study hold together in 95 % of studies or more."""
    generator = np.random.Generator(np.random.PCG64(20261125))
    roles = {"c": "control", "a": "candidate", "b": "candidate"}
    study, truth = bench(near("18 mm", kind="benefit"), roles=roles), {"c": 18.3, "a": 18.0, "b": 20.0}
    from scipy import stats

    mean = {p: float(stats.foldnorm.mean(abs(level - 18) / 0.5, scale=0.5)) for p, level in truth.items()}
    held = 0
    for _ in range(150):
        data = {
            p: (level + 0.5 * generator.standard_normal(4 if p == "c" else 1)).tolist() for p, level in truth.items()
        }
        family = compared(study, data).families[0]
        true = np.array([mean[p] - mean["c"] for p in family.members])
        held += bool(np.all((family.low <= true) & (true <= family.high)))
    assert held >= 0.93 * 150
