"""P-values adjusted for many results, and for many products in steps."""

from __future__ import annotations

import csv
import tomllib
from itertools import combinations
from math import inf
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from evenbench.compare.across import across, holm, sharper, step_up
from evenbench.compare.simultaneous import tail

REFERENCE = Path(__file__).parents[1] / "reference"
P = st.lists(st.floats(0, 1), min_size=1, max_size=12)


def test_holm_and_step_up() -> None:
    """Engine specification, section 7; Holm (1979), Benjamini & Hochberg (1995)."""
    p = [0.004, 0.011, 0.02, 0.04, 0.2, 0.6]
    assert holm(p) == pytest.approx([0.024, 0.055, 0.08, 0.12, 0.4, 0.6], abs=1e-12)
    assert step_up(p) == pytest.approx([0.024, 0.033, 0.04, 0.06, 0.24, 0.6], abs=1e-12)


def test_holm_of_ten_t_tests() -> None:
    """Westfall et al. (1999), pp. 153 and 171, cholesterol: plain p by t tests, Holm's column re-run (CMP-C01)."""
    checks = tomllib.loads((REFERENCE / "all_pairs.toml").read_text(encoding="utf-8"))["check"]
    found = next(c for c in checks if c["id"] == "CMP-C01")
    with (REFERENCE / "cholesterol.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    groups: dict[str, list[float]] = {}
    for row in rows:
        groups.setdefault(row["trt"], []).append(float(row["response"]))
    # The check goes through the groups from the last of the file to the first.
    means = [float(np.mean(g)) for g in reversed(groups.values())]
    df = len(rows) - len(groups)
    s2 = sum(float(np.sum((np.array(g) - np.mean(g)) ** 2)) for g in groups.values()) / df
    error = (s2 * 2 / 10) ** 0.5
    assert error == pytest.approx(found["expected"]["se"], abs=5e-4)  # printed to three decimals
    p = [2 * float(stats.t.sf(abs(a - b) / error, df)) for a, b in combinations(means, 2)]
    assert p == pytest.approx(found["expected"]["p_raw"], abs=found["tolerance_abs"]["p_raw"])
    assert holm(p) == pytest.approx(found["expected"]["p_holm"], abs=found["tolerance_abs"]["p_holm"])


@given(P)
def test_step_up_is_that_of_scipy(p: list[float]) -> None:
    assert step_up(p) == pytest.approx(stats.false_discovery_control(p), abs=1e-12)


@given(P, st.floats(0.01, 0.2))
def test_holm_is_its_own_stepping(p: list[float], share: float) -> None:
    """A p-value is a finding where the smallest of those left passes share / how many are left, step by step."""
    left, findings = sorted(range(len(p)), key=lambda k: p[k]), set[int]()
    while left and p[left[0]] * len(left) <= share:
        findings.add(left.pop(0))
    adjusted = holm(p)
    by_p = {k for k in range(len(p)) if adjusted[k] <= share}
    # Equals stand or fall together, whichever comes first.
    assert {p[k] for k in by_p} == {p[k] for k in findings}


@given(P)
def test_a_finding_by_holm_is_one_by_the_false_discovery_rate(p: list[float]) -> None:
    assert np.all(step_up(p) <= holm(p) + 1e-15)
    assert np.all(holm(p) >= p)


@pytest.mark.parametrize("p", [[0.5, float("nan")], [1.2], [[0.1]]])
def test_no_probabilities(p: list[float]) -> None:
    with pytest.raises(ValueError, match="give a list of probabilities"):
        holm(p)


def test_results_without_a_p_count_all_the_same() -> None:
    """Whether a result could be judged is known after the readings, so that leaving it out would be a choice."""
    found = across({"a.x": 0.02, "a.y": float("nan"), "b.x": 0.004})
    assert found.holm == pytest.approx([0.04, float("nan"), 0.012], nan_ok=True)
    assert found.found == ("a.x", "b.x")
    assert np.isnan(found.step_up[1])


def test_nothing_primary() -> None:
    found = across({})
    assert (found.found, found.expect, len(found.holm)) == ((), "", 0)


def test_recovery_in_steps() -> None:
    """Recovery data, groups of 20, 3, 3, 15; 37 df: .000121569, .127287, .191599 (engine specification, 4.4)."""
    n = np.array([3, 3, 15])
    b = np.sqrt(n / (n + 20))
    p = sharper([-1.33019, -4.65565, -1.88372], np.outer(b, b), 37)
    assert p == pytest.approx([0.191599, 0.000121569, 0.127287], rel=2e-5)


@given(
    st.lists(st.floats(-6, 6), min_size=1, max_size=6),
    st.floats(0.1, 0.95),
    st.sampled_from([3.0, 28.0, inf]),
)
@settings(deadline=None, max_examples=40)
def test_sharper_never_says_less(t: list[float], b: float, df: float) -> None:
    """Never above the family's own p, equal to it for the largest |t|, and in the order of |t|."""
    R = np.full((len(t), len(t)), b * b)
    np.fill_diagonal(R, 1.0)
    p = sharper(t, R, df)
    own = tail(np.abs(t), [b] * len(t), df, sides=2)
    assert np.all(p <= own + 1e-9)
    k = int(np.argmax(np.abs(t)))
    assert p[k] == pytest.approx(own[k], abs=1e-9)
    order = np.argsort(-np.abs(t), kind="stable")
    assert np.all(np.diff(p[order]) >= 0)


def test_steps_without_factors() -> None:
    """Three differences that correlate .5, .5, -.5 have no factors: each step from its own directions."""
    R = np.array([[1.0, 0.5, -0.5], [0.5, 1.0, 0.5], [-0.5, 0.5, 1.0]])
    p = sharper([4.0, 2.5, 1.0], R, 10.0)
    # The first from the studentized range of three, the last from Student's t; scipy.stats for both.
    assert p[0] == pytest.approx(float(stats.studentized_range.sf(4.0 * 2**0.5, 3, 10)), abs=1e-4)
    assert p[2] == pytest.approx(2 * float(stats.t.sf(1.0, 10)), abs=1e-9)
    assert p[0] < p[1] < p[2]


def test_a_comparison_without_t_is_refused() -> None:
    with pytest.raises(ValueError, match="leave out comparisons that have no t"):
        sharper([1.0, float("nan")], np.eye(2), 5.0)
