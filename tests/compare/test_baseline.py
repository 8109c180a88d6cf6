"""Products compared at one baseline: along one slope for all, and only where enough runs are left to fit it."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from evenbench.analysis import Analysis
from evenbench.compare.fit import Fit, fit_levels
from evenbench.compare.simultaneous import constant, factors
from evenbench.compare.spread import TOO_FEW_FOR_A_SLOPE, UNEQUAL_BEFORE, differ_before
from evenbench.study.mistakes import StudyError
from tests.engine import analysis_of, one_test

REFERENCE = Path(__file__).parents[1] / "reference"


def adjusted(product: list[int], before: list[float], after: list[float], count: int) -> Fit:
    ids = tuple("cab"[:count])
    blocks = np.zeros(len(product), np.int32)
    return fit_levels(np.array(after), np.array(product, np.int32), ids, blocks, before=np.array(before))


def test_three_products_of_three_runs() -> None:
    """The engine specification, section 2.5, computed with independent code: slope, variance, differences.

    The constant is by quadrature of the bivariate t with this correlation, apart from this project: 3.0493047 (the
    specification has 3.04933).
    """
    fit = adjusted(
        [0, 0, 0, 1, 1, 1, 2, 2, 2],
        [10, 12, 11, 9, 13, 10, 12, 14, 11],
        [8.1, 9.6, 9.0, 6.2, 9.1, 6.9, 9.9, 11.7, 8.8],
        3,
    )
    assert fit.slope == pytest.approx(0.8, abs=1e-9)
    assert fit.sd**2 == pytest.approx(0.0386667, abs=5e-8)
    assert fit.df == 5
    contrasts = fit.contrasts(("a", "b"), "c")
    assert contrasts @ fit.theta == pytest.approx([-1.23333, 0.166667], abs=5e-6)
    spread = contrasts @ fit.covariance @ contrasts.T
    assert np.sqrt(np.diag(spread)) == pytest.approx([0.161425, 0.173957], abs=5e-7)
    correlation = spread[0, 1] / np.sqrt(spread[0, 0] * spread[1, 1])
    assert correlation == pytest.approx(0.419079, abs=5e-7)
    b = factors(np.array([[1.0, correlation], [correlation, 1.0]]))
    assert b is not None
    assert constant(b, 5, sides=2) == pytest.approx(3.0493047, abs=5e-7)


def test_weights_before_and_after() -> None:
    """Venables & Ripley, Modern Applied Statistics with S, anorexia: published coefficients and standard errors."""
    with (REFERENCE / "anorexia.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    groups = ["CBT", "Cont", "FT"]
    fit = adjusted(
        [groups.index(row["Treat"]) for row in rows],
        [float(row["Prewt"]) for row in rows],
        [float(row["Postwt"]) for row in rows],
        3,
    )
    assert fit.slope == pytest.approx(0.4344612, abs=6e-8)
    contrasts = fit.contrasts(("a", "b"), "c")
    assert contrasts @ fit.theta == pytest.approx([-4.0970655, 4.5630627], abs=6e-8)
    errors = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, fit.covariance, contrasts))
    assert errors == pytest.approx([1.8934926, 2.1333359], abs=6e-8)
    assert fit.sd**2 == pytest.approx(48.69504, abs=6e-6)


def bench(
    runs: int, *, apart: float = 0.0, scale: str = "raw", seed: int = 3
) -> tuple[Analysis, NDArray[np.float64], NDArray[np.float64]]:
    """A study of three products whose outcome follows what stood before with a slope of 0.5."""
    extra = '[tests.t.results.z]\nformula = "w"\nunit = "g"\nkind = "info"'
    reading = "g"
    study = one_test(
        {"c": "control", "a": "candidate", "b": "candidate"},
        scale=scale,
        matters="10 % of control" if scale == "log" else "1 g",
        reading=reading,
        baseline="z",
        extra=f'readings.w = {{ unit = "g" }}\n{extra}',
    )
    rng = np.random.default_rng(seed)
    rows, before, after = [], [], []
    for k, id in enumerate("cab"):
        for n in range(runs):
            w = 30 + apart * k + 3 * rng.standard_normal()
            x = 10 + 0.5 * w + 0.1 * rng.standard_normal()
            rows.append({"product": id, "run": str(n + 1), "w": repr(w), "x": repr(x)})
            before.append(w)
            after.append(x)
    return analysis_of(study, rows), np.array(before), np.array(after)


def test_a_declared_baseline_is_adjusted_for() -> None:
    """Against numpy's least squares; the interval is far narrower than without."""
    analysis, before, after = bench(6)
    comparison = analysis.comparison("t.y")
    design = np.column_stack([np.repeat(np.eye(3), 6, axis=0), before - before.mean()])
    theta = np.linalg.lstsq(design, after, rcond=None)[0]
    assert comparison.fit is not None
    assert comparison.fit.slope == pytest.approx(theta[3], rel=1e-9)
    assert comparison.estimate == pytest.approx(theta[:3], rel=1e-9)
    assert "the baseline, one slope" in comparison.notes[0]
    assert float(comparison.families[0].high[0] - comparison.families[0].low[0]) < 0.5


def test_on_the_log_scale_before_and_after_are_logarithms() -> None:
    analysis, before, after = bench(6, scale="log")
    fit = analysis.comparison("t.y").fit
    design = np.column_stack([np.repeat(np.eye(3), 6, axis=0), np.log(before) - np.log(before).mean()])
    assert fit is not None
    assert fit.slope == pytest.approx(np.linalg.lstsq(design, np.log(after), rcond=None)[0][3], rel=1e-9)


def test_too_few_runs_are_compared_as_read() -> None:
    comparison = bench(4)[0].comparison("t.y")
    assert comparison.fit is not None
    assert comparison.fit.slope is None
    assert TOO_FEW_FOR_A_SLOPE in comparison.flags


def test_products_that_differed_before_are_flagged() -> None:
    assert any(flag.startswith(UNEQUAL_BEFORE) for flag in bench(6, apart=6.0)[0].comparison("t.y").flags)
    assert not any(flag.startswith(UNEQUAL_BEFORE) for flag in bench(6)[0].comparison("t.y").flags)


def test_the_test_of_before_is_the_one_way_analysis_of_variance() -> None:
    from scipy import stats

    rng = np.random.default_rng(1)
    product, before = np.repeat(np.arange(3), 5), rng.standard_normal(15)
    expected = stats.f_oneway(*(before[product == k] for k in range(3))).pvalue
    assert differ_before(product.astype(np.int32), before) == pytest.approx(expected, rel=1e-9)


MISTAKES = [
    pytest.param("y", "this is the result itself.", id="itself"),
    pytest.param("w", "this is a reading, and a baseline is a result.", id="reading"),
    pytest.param("zz", "the test has no result with this id. Did you mean 'z'?", id="unknown"),
]


@pytest.mark.parametrize(("name", "why"), MISTAKES)
def test_a_baseline_that_cannot_be_is_told(name: str, why: str) -> None:
    extra = 'readings.w = { unit = "g" }\n[tests.t.results.z]\nformula = "w"\nunit = "g"\nkind = "info"'
    with pytest.raises(StudyError) as caught:
        one_test({"c": "control", "a": "candidate"}, baseline=name, extra=extra)
    assert why in str(caught.value)
