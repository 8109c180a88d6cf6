"""Drift over the order: what a term for it costs, and orders that mix it up with the products."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from evenbench.compare.against import MIXED_UP
from evenbench.compare.comparison import Comparison
from evenbench.compare.drift import HOPELESS, Term, drift_term
from evenbench.compare.fit import fit_levels
from evenbench.compare.spread import NO_ORDER
from tests.engine import analysis_of, one_test, rows_of

Array = NDArray[np.float64]
NOTHING = np.zeros(0, dtype=np.int32)


def between() -> tuple[NDArray[np.int64], Array]:
    """13 products, three runs each, sorted, a control first, after every four runs and last: 50 runs, 11 controls."""
    runs = [1 + n // 3 for n in range(39)]
    row = [0]
    for start in range(0, 39, 4):
        row += [*runs[start : start + 4], 0]
    return np.array(row), np.arange(1.0, 51.0)


def first() -> tuple[NDArray[np.int64], Array]:
    """The same runs with six controls, all of them first."""
    return np.array([0] * 6 + [1 + n // 3 for n in range(39)]), np.arange(1.0, 46.0)


def inflation(row: NDArray[np.int64], columns: Array, contrasts: Array) -> Array:
    """How much larger the columns make the variance of each contrast of the products in `row`."""
    ids = tuple(f"p{k:02}" for k in range(int(row.max()) + 1))
    one_block = np.zeros(len(row), np.int32)
    term = Term(columns, "columns")
    return fit_levels(np.zeros(len(row)), row.astype(np.int32), ids, one_block, drift=term).inflation(contrasts)


CONTRASTS = np.hstack([-np.ones((13, 1)), np.eye(13)])


def powers(order: Array, degree: int) -> Array:
    """Columns of a polynomial, well conditioned."""
    x = (2 * order - order.min() - order.max()) / (order.max() - order.min())
    columns = [np.polynomial.Legendre.basis(d)(x) for d in range(1, degree + 1)]
    return np.column_stack([c - c.mean() for c in columns]) if columns else np.zeros((len(order), 0))


# The engine specification, section 2.4: mean over the products of the variance of product - control, in units of the
# run's variance; computed with independent code.
@pytest.mark.parametrize(
    ("degree", "variance"), [(0, 0.4242), (1, 0.4960), (2, 0.5574), (3, 0.6164), (4, 0.6767)]
)  # fmt: skip
def test_what_a_drift_term_costs(degree: int, variance: float) -> None:
    row, order = between()
    found = inflation(row, powers(order, degree), CONTRASTS) * (1 / 3 + 1 / 11)
    assert found.mean() == pytest.approx(variance, abs=5e-5)


def test_controls_first_and_products_sorted_is_hopeless() -> None:
    """The engine specification, section 2.4: inflation from 1.9 for the first product to 76.4 for the last."""
    row, order = first()
    term = drift_term("linear", order, np.zeros(45, np.int32), row == 0, random_order=False)
    found = inflation(row, term.columns, CONTRASTS)
    assert found[0] == pytest.approx(1.9, abs=0.05)
    assert found[-1] == pytest.approx(76.4, abs=0.05)
    assert found[-1] > HOPELESS


def test_a_random_order_costs_little() -> None:
    """The engine specification, section 2.4: of 45 runs the worst product has median 1.10, and 95 % below 1.27."""
    row, order = first()
    rng = np.random.default_rng(1)
    worst = []
    for _ in range(400):
        shuffled = rng.permutation(row)
        term = drift_term("linear", order, np.zeros(45, np.int32), shuffled == 0, random_order=True)
        worst.append(inflation(shuffled, term.columns, CONTRASTS).max())
    assert np.median(worst) == pytest.approx(1.10, abs=0.02)
    assert np.quantile(worst, 0.95) == pytest.approx(1.27, abs=0.04)


def test_a_bend_is_fitted_where_controls_can_show_it() -> None:
    row, order = between()
    block = np.zeros(50, np.int32)
    assert drift_term("linear", order, block, row == 0, random_order=False).columns.shape[1] == 2
    assert drift_term("linear", order, block, row == 0, random_order=True).columns.shape[1] == 1
    assert drift_term("linear", order, block, np.isin(order, [1, 2, 3, 4, 5]), random_order=False).columns.shape[1] == 1


def test_a_curve_has_as_many_columns_as_the_controls_allow() -> None:
    row, order = between()
    block = np.zeros(50, np.int32)
    assert drift_term("curve", order, block, row == 0, random_order=False).columns.shape[1] == 4
    assert (
        drift_term("curve", order, block, np.isin(order, [1, 20, 30, 40, 50]), random_order=False).columns.shape[1] == 3
    )
    assert drift_term("curve", order, block, np.isin(order, [1, 50]), random_order=False).columns.shape[1] == 1


def test_a_natural_spline_is_a_line_beyond_its_knots() -> None:
    """Second differences vanish outside the outermost places of the control."""
    order = np.arange(1.0, 101.0)
    term = drift_term("curve", order, np.zeros(100, np.int32), np.isin(order, [20, 35, 50, 65, 80]), random_order=False)
    bend = np.abs(np.diff(term.columns, 2, axis=0))
    assert bend[:17].max() < 1e-12
    assert bend[81:].max() < 1e-12
    assert bend.max() > 1e-4


def test_within_blocks_every_block_starts_anew() -> None:
    order = np.array([1.0, 2.0, 3.0, 11.0, 12.0, 13.0])
    block = np.array([0, 0, 0, 1, 1, 1], np.int32)
    term = drift_term("linear within block", order, block, order == 1, random_order=True)
    assert term.columns.ravel().tolist() == [-1.0, 0.0, 1.0, -1.0, 0.0, 1.0]


def test_a_place_that_is_not_known_is_told() -> None:
    with pytest.raises(ValueError, match="not known"):
        drift_term("linear", np.array([1.0, np.nan]), NOTHING, NOTHING == 0, random_order=True)


def test_a_drift_that_is_a_product_cannot_be_told_from_it() -> None:
    """Two products, one run after the other in two runs each: a step of drift between them is their difference."""
    step = np.array([[-1.0], [-1.0], [1.0], [1.0]])
    assert inflation(np.array([0, 0, 1, 1]), step, np.array([[1.0, -1.0]])).tolist() == [np.inf]


# ------------------------------------------------------------------------------------------------- in a whole study


def drifting(row: NDArray[np.int64], order: Array, change: float, *, test: str, seed: int = 1) -> Comparison:
    """A study whose rig drifts by `change` from the first run to the last, with scatter 1 and no real difference."""
    rng = np.random.default_rng(seed)
    ids = ["c", *(f"p{k:02}" for k in range(1, 14))]
    study = one_test({id: "control" if id == "c" else "candidate" for id in ids}, test=test)
    value = 20 + change * (order - 1) / (len(order) - 1) + rng.standard_normal(len(row))
    count = dict.fromkeys(ids, 0)
    rows = []
    for k, place, x in zip(row.tolist(), order.tolist(), value.tolist(), strict=True):
        count[ids[k]] += 1
        rows.append({"product": ids[k], "run": str(count[ids[k]]), "order": f"{place:g}", "x": repr(x)})
    return analysis_of(study, rows).comparisons[0]


def test_a_declared_drift_is_fitted_and_told() -> None:
    """With controls between the drift of 30 is found, no product is called better, and the words hang on the term."""
    found = drifting(*between(), 30.0, test='drift = "linear"\norder = "as listed"')
    assert set(found.families[0].verdict) <= {"not settled", "same"}
    assert found.fit is not None
    assert found.fit.drift is not None
    assert found.fit.drift.change == pytest.approx(30.0, abs=2.0)
    assert any(note.startswith("drift from the first run to the last: ") for note in found.notes)
    assert any(flag.startswith("without the drift term ") for flag in found.flags)
    assert "drift linear and quadratic in the order" in found.notes[0]


def test_a_hopeless_order_is_refused() -> None:
    """Controls first and products sorted: the last products cannot be told from the drift."""
    found = drifting(*first(), 6.0, test='drift = "linear"\norder = "as listed"')
    words = dict(zip(found.families[0].members, found.families[0].verdict, strict=True))
    assert words["p13"] == "cannot say"
    assert found.families[0].why[-1] == MIXED_UP
    assert words["p01"] != "cannot say"
    assert any("times the variance" in flag for flag in found.flags)


def test_a_drift_without_the_order_is_refused() -> None:
    study = one_test({"c": "control", "a": "candidate"}, test='drift = "linear"')
    found = analysis_of(study, rows_of({"c": [1.0, 2.0, 1.5], "a": [2.0, 2.5, 3.0]})).comparisons[0]
    assert found.families[0].verdict == ("cannot say",)
    assert found.families[0].why == (NO_ORDER,)


def test_with_a_drift_the_levels_are_those_of_least_squares() -> None:
    """Against numpy's own least squares on the same columns."""
    row, order = between()
    found = drifting(row, order, 3.0, test='drift = "linear"\norder = "as listed"')
    x = (2 * order - 51) / 49
    design = np.column_stack([np.eye(14)[row], x, x**2 - (x**2).mean()])
    o = found.outcomes
    value = np.empty(50)
    value[(o.order - 1).astype(int)] = o.value
    theta = np.linalg.lstsq(design, value, rcond=None)[0]
    assert found.estimate == pytest.approx(theta[:14], rel=1e-9)
