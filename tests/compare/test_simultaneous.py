"""The exact many-to-one distribution against tables, published examples, another method and closed forms."""

from __future__ import annotations

import csv
import json
import tomllib
from itertools import product
from math import asin, atan, inf, pi, sqrt
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evenbench.compare import simultaneous
from evenbench.compare.simultaneous import (
    PATTERNS,
    STEEPEST,
    EachOwn,
    NoAgreement,
    Sides,
    constant,
    factors,
    largest_one_sided,
    tail,
)

Array = NDArray[np.float64]
REFERENCE = Path(__file__).parents[1] / "reference"
SPECIFIED = tomllib.loads((REFERENCE / "many_to_one.toml").read_text(encoding="utf-8"))
PUBLISHED = {
    check["id"]: check
    for check in tomllib.loads((REFERENCE / "many_to_one_published.toml").read_text(encoding="utf-8"))["check"]
}
FINE = json.loads((REFERENCE / "many_to_one.json").read_text(encoding="utf-8"))
SIDES: tuple[Sides, ...] = get_args(Sides)
EVEN = sqrt(0.5)  # the factor of a product with as many runs as the control


def one_way(n: list[int], n0: int) -> Array:
    runs = np.asarray(n, dtype=float)
    return np.asarray(np.sqrt(runs / (runs + n0)))


def by_id(rows: list[dict[str, Any]]) -> list[Any]:
    return [pytest.param(row, id=row["id"]) for row in rows]


# Figures computed beforehand, with 30 digits or another program: tests/reference/many_to_one.toml.


@pytest.mark.parametrize("row", by_id(SPECIFIED["tail"]))
def test_tail_meets_the_thirty_digit_values(row: dict[str, Any]) -> None:
    p = tail(row["c"], one_way(row["n"], row["n0"]), row["df"], sides=row["sides"])
    assert float(p) == pytest.approx(row["p"], rel=0, abs=row["tolerance"])


@pytest.mark.parametrize("row", by_id(SPECIFIED["constant"]))
def test_constant_meets_the_specified_points(row: dict[str, Any]) -> None:
    c = constant(one_way(row["n"], row["n0"]), row["df"], sides=row["sides"])
    assert c == pytest.approx(row["c"], rel=0, abs=0.5001 * 10.0 ** -row["digits"])


@pytest.mark.parametrize("row", by_id(SPECIFIED["signs"]))
def test_largest_one_sided_constant_by_signs_turned(row: dict[str, Any]) -> None:
    b, half = np.full(row["k"], EVEN), 0.5001 * 10.0 ** -row["digits"]
    for turned, c in row["c"].items():
        signs = np.where(np.arange(row["k"]) < row["k"] - int(turned), 1.0, -1.0)
        assert constant(signs * b, row["df"], sides=1) == pytest.approx(c, rel=0, abs=half)
    largest, found = largest_one_sided(b, row["df"])
    assert found is not None
    assert (found < 0).sum() == row["largest"]
    assert largest == pytest.approx(row["c"][str(row["largest"])], rel=0, abs=half)


@pytest.mark.parametrize("row", by_id(SPECIFIED["planning"]))
def test_constants_of_the_planning_table(row: dict[str, Any]) -> None:
    k = row["k"]
    found = [
        constant(one_way([n] * k, n0), k * (n - 1) + n0 - 1, sides=2) for n, n0 in zip(row["n"], row["n0"], strict=True)
    ]
    np.testing.assert_allclose(found, row["c"], rtol=0, atol=0.5001 * 10.0 ** -row["digits"])


@pytest.mark.parametrize("row", by_id(SPECIFIED["break_even"]))
def test_break_even_scatter_of_one_run_each(row: dict[str, Any]) -> None:
    c = constant([EVEN] * row["k"], inf, sides=2)
    assert row["d"] / (c * sqrt(2)) == pytest.approx(row["sd"], rel=0, abs=0.5001 * 10.0 ** -row["digits"])


# tests/reference/multivariate_t_grid.csv: 739 figures by another program, printed to 12 digits, "good to 1e-9 absolute
# (quantiles: relative 1e-10)". The other rows are of distributions that are not computed here.


def grid_rows(what: str, side: str) -> list[dict[str, str]]:
    with (REFERENCE / "multivariate_t_grid.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["what"] == what and row["side"] == side]


def grid_factors(row: dict[str, str]) -> Array:
    if row["n0"]:
        return one_way([int(n) for n in row["n"].split(";")], int(row["n0"]))
    return np.full(int(row["k"]), sqrt(float(row["rho"])))


@pytest.mark.parametrize(
    ("what", "side", "count"),
    [("dunnett_quantile", "one", 207), ("dunnett_quantile", "two", 202), ("max_modulus_quantile", "two", 11)],
)
def test_quantiles_of_the_grid(what: str, side: str, count: int) -> None:
    rows = grid_rows(what, side)
    assert len(rows) == count
    found = [
        constant(grid_factors(row), float(row["df"]), sides=1 if side == "one" else 2, level=1 - float(row["alpha"]))
        for row in rows
    ]
    np.testing.assert_allclose(found, [float(row["value"]) for row in rows], rtol=1e-10, atol=0)


@pytest.mark.parametrize(("side", "count"), [("one", 37), ("two", 47)])
def test_p_values_of_the_grid(side: str, count: int) -> None:
    rows = grid_rows("dunnett_pvalue", side)
    assert len(rows) == count
    found = [
        float(tail(float(row["t"]), grid_factors(row), float(row["df"]), sides=1 if side == "one" else 2))
        for row in rows
    ]
    np.testing.assert_allclose(found, [float(row["value"]) for row in rows], rtol=0, atol=1e-12)


# Published tables and examples: tests/reference/many_to_one_published.toml.


@pytest.mark.parametrize("name", ["CMP-D01", "CMP-D02", "CMP-D05", "CMP-D06", "CMP-D09"])
def test_tables_of_1955_and_1964(name: str) -> None:
    """Dunnett's own tables: two decimals, recalled from memory as their file says."""
    check = PUBLISHED[name]
    asked, expected = check["inputs"], check["expected"]["t"]
    found = [
        constant(
            np.full(k, sqrt(asked["rho"])),
            float(asked["df"]),
            sides=1 if asked["side"] == "one" else 2,
            level=1 - asked["alpha"],
        )
        for k in asked["k"]
    ]
    np.testing.assert_allclose(found, expected, rtol=0, atol=check["tolerance_abs"]["t"])


def examples() -> list[Any]:
    return [pytest.param(name, id=name) for name in PUBLISHED if name.startswith("CMP-DX")]


@pytest.mark.parametrize("name", examples())
def test_published_examples(name: str) -> None:
    """From the raw outcomes of each example to its p-values, constants and limits."""
    check = PUBLISHED[name]
    control, *products = (np.asarray(group, dtype=float) for group in check["inputs"].values())
    groups = [control, *products]
    df = sum(group.size - 1 for group in groups)
    s2 = sum(((group - group.mean()) ** 2).sum() for group in groups) / df
    difference = np.array([group.mean() - control.mean() for group in products])
    error = np.sqrt(s2 * np.array([1 / group.size + 1 / control.size for group in products]))
    t = difference / error
    b = one_way([group.size for group in products], control.size)
    two, one = constant(b, df, sides=2), constant(b, df, sides=1)
    figures: dict[str, Any] = {
        "t": t,
        "s2": s2,
        "diff": difference,
        "se": error,
        "p": tail(np.abs(t), b, df, sides=2),
        "p_two_sided": tail(np.abs(t), b, df, sides=2),
        "p_greater": tail(t, b, df, sides=1),
        "p_one_sided_greater": tail(t, b, df, sides=1),
        "p_one_sided_less": tail(-t, b, df, sides=1),
        "crit": two,
        "crit_two_sided": two,
        "crit_one_sided": one,
        "crit_one_sided_10pct": constant(b, df, sides=1, level=0.9),
        "lower": difference - two * error,
        "upper": difference + two * error,
        "allowance_one_sided": one * error[0],
        "allowance_two_sided": two * error[0],
    }
    for figure, expected in check["expected"].items():
        np.testing.assert_allclose(
            figures[figure], expected, rtol=0, atol=check["tolerance_abs"][figure], err_msg=figure
        )


# Another method in 40-digit arithmetic: tests/reference/make_many_to_one.py and the file it makes.


def exact(text: str) -> float:
    """A factor as the file writes it: "7/10" or "sqrt(1/2)"."""
    if text.startswith("sqrt("):
        return sqrt(exact(text[5:-1]))
    above, _, below = text.partition("/")
    return float(above) / float(below or 1)


@pytest.mark.parametrize("row", [pytest.param(row, id=row["what"]) for row in FINE])
def test_agrees_with_another_method(row: dict[str, Any]) -> None:
    p = float(tail(float(row["c"]), [exact(b) for b in row["b"]], float(row["df"]), sides=row["sides"]))
    assert float(row["apart"]) < 1e-18
    assert p == pytest.approx(float(row["p"]), rel=1e-9, abs=0)
    assert p == pytest.approx(float(row["p"]), rel=0, abs=1e-12)


@pytest.mark.parametrize("row", [pytest.param(row, id=row["what"]) for row in FINE if float(row["p"]) < 1e-20])
def test_a_coarse_start_costs_time_and_no_digits(row: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """Two coarse grids agree absolutely on any tiny figure; they must also agree relative to it."""
    for step in ("Z_STEP", "LOG_STEP"):
        monkeypatch.setattr(simultaneous, step, 1.5)
    monkeypatch.setattr(simultaneous, "S_NODES", 2)
    p = float(tail(float(row["c"]), [exact(b) for b in row["b"]], float(row["df"]), sides=row["sides"]))
    assert p == pytest.approx(float(row["p"]), rel=1e-9, abs=0)


# Closed forms.


@pytest.mark.parametrize("df", [0.5, 1, 2, 7.3, 40, 1000, inf])
@pytest.mark.parametrize("k", [2, 3, 13, 60])
def test_the_control_is_as_likely_as_any_product_to_be_the_largest(k: int, df: float) -> None:
    """With even runs, no product beats the control exactly when the control is the best of k + 1."""
    assert float(tail(0.0, [EVEN] * k, df, sides=1)) == pytest.approx(1 - 1 / (k + 1), abs=1e-12)


# Probability that two or three normal variables are all below 0 (Sheppard 1899; Kendall & Stuart, Advanced Theory of
# Statistics I, section 15.7). A common scale s changes no sign, so it holds for any df.
ORTHANTS = [
    pytest.param([0.6, 0.5], id="two"),
    pytest.param([0.9, -0.8], id="two, opposed"),
    pytest.param([0.3, 0.7, 0.95], id="three"),
    pytest.param([0.3, -0.7, 0.95], id="three, one opposed"),
    pytest.param([0.0, -0.7, STEEPEST], id="three, extreme"),
    pytest.param([0.7, 0.7, 0.7005], id="three, two of them equal"),
]


@pytest.mark.parametrize("df", [1, 4, 26, inf])
@pytest.mark.parametrize("b", ORTHANTS)
def test_orthants(b: list[float], df: float) -> None:
    arcs = sum(asin(b[i] * b[j]) for i in range(len(b)) for j in range(i))
    none_above = 1 / 4 + arcs / (2 * pi) if len(b) == 2 else 1 / 8 + arcs / (4 * pi)
    assert float(tail(0.0, b, df, sides=1)) == pytest.approx(1 - none_above, abs=1e-12)


@pytest.mark.parametrize("k", [1, 2, 13, 60])
def test_independent_with_known_spread_is_sidak(k: int) -> None:
    """The constant at which each of k independent intervals holds with the k-th root of the level (Šidák 1967)."""
    # Normal upper 2.5 % point to 16 digits: Abramowitz & Stegun, table 26.5, and any later table.
    each = 0.95
    assert constant([0.0] * k, inf, sides=2, level=each**k) == pytest.approx(1.959963984540054, abs=1e-12)
    assert float(tail(1.959963984540054, [0.0] * k, inf, sides=2)) == pytest.approx(1 - each**k, abs=1e-13)


# Upper tails of Student's t in closed form, for 1 and 2 degrees of freedom (Johnson, Kotz & Balakrishnan, Continuous
# Univariate Distributions 2, chapter 28).
STUDENT = [
    pytest.param(1, lambda c: atan(1 / c) / pi, id="1 df"),
    pytest.param(2, lambda c: 1 / (2 + c * c + c * sqrt(2 + c * c)), id="2 df"),
]


@pytest.mark.parametrize("b", [0.0, EVEN, -0.99])
@pytest.mark.parametrize(("df", "upper"), STUDENT)
def test_one_product_is_student(df: float, upper: Any, b: float) -> None:
    c = np.array([0.5, 2.0, 12.7, 60.0])
    expected = np.array([upper(value) for value in c])
    np.testing.assert_allclose(tail(c, [b], df, sides=1), expected, rtol=1e-13)
    np.testing.assert_allclose(tail(c, [b], df, sides=2), 2 * expected, rtol=1e-13)
    for at, p in zip(c, expected, strict=True):
        assert constant([b], df, sides=1, level=1 - p) == pytest.approx(at, rel=1e-10)


def test_one_product_on_28_degrees_of_freedom() -> None:
    # t(0.975, 28) = 2.048407: any table to six decimals.
    assert constant([EVEN], 28, sides=2) == pytest.approx(2.048407, abs=5.1e-7)
    assert largest_one_sided([EVEN], 28)[1] == pytest.approx([1.0])


def test_almost_no_degrees_of_freedom_lost_is_normal() -> None:
    for sides in SIDES:
        known = constant([EVEN] * 13, inf, sides=sides)
        assert constant([EVEN] * 13, 1e12, sides=sides) == pytest.approx(known, abs=1e-10)
        assert constant([EVEN] * 13, 1e6, sides=sides) == pytest.approx(known, abs=1e-5)


# Corners: every family here must give figures, and figures within their bounds.

CORNERS = [
    pytest.param([1e-9, 1e-9], [0.5, 1, 2, 26, 1000, 1e10, inf], id="hardly any correlation"),
    pytest.param([0.0, 0.5], [0.5, 1, 2, 26, 1000, 1e10, inf], id="one independent"),
    pytest.param([0.5, -0.5, 0.9], [0.5, 1, 2, 26, 1000, 1e10, inf], id="signs differ"),
    pytest.param([EVEN] * 60, [0.5, 1, 2, 26, 1000, 1e10, inf], id="sixty even"),
    pytest.param([0.0] * 60, [0.5, 1, 2, 26, 1000, 1e10, inf], id="sixty independent"),
    pytest.param(list(np.linspace(-0.9, 0.9, 8)), [1, 26, inf], id="eight different"),
    pytest.param([0.999] * 60, [1, 26, inf], id="sixty, scarce control"),
    pytest.param([STEEPEST] * 5, [2, inf], id="steepest"),
]
LIMITS = np.array([0.0, 1e-14, 1e-3, 0.7, 2.2, 3.0, 6.0, 15.0, 60.0])


@pytest.mark.parametrize(("b", "dfs"), CORNERS)
def test_corners(b: list[float], dfs: list[float]) -> None:
    for df, sides in product(dfs, SIDES):
        p, alone = tail(LIMITS, b, df, sides=sides), tail(LIMITS, b[:1], df, sides=sides)
        room = 1e-300 + 1e-9 * p  # the size of what two grids may differ by
        assert (alone <= p + room).all()
        assert (p <= np.minimum(1.0 + 1e-12, len(b) * alone + room)).all()
        assert (np.diff(p) <= np.minimum(1e-12, room[1:])).all()
        c = constant(b, df, sides=sides)
        assert float(tail(c, b, df, sides=sides)) == pytest.approx(0.05, abs=2e-12)


def test_limits_of_any_shape_and_size() -> None:
    b = [EVEN] * 3
    assert tail(2.0, b, 5, sides=2).shape == ()
    assert tail(np.zeros((2, 3)), b, 5, sides=2).tolist() == [[1.0] * 3] * 2
    assert tail([], b, 5, sides=2).shape == (0,)
    assert tail([-inf, inf, 1e300], b, 1e5, sides=1).tolist() == [1.0, 0.0, 0.0]
    assert tail([-3.0, -inf], b, 5, sides=2).tolist() == [1.0, 1.0]


def test_limits_far_apart_keep_their_own_accuracy() -> None:
    """Limits asked for together share a grid, and must not lose by it."""
    b, c = [0.5, 0.9, -0.7], [-20.0, -1.0, 1e-5, 0.3, 2.0, 45.0]
    for df in (1.0, 14.0, 1e7):
        together = tail(c, b, df, sides=1)
        alone = [float(tail(one, b, df, sides=1)) for one in c]
        np.testing.assert_allclose(together, alone, rtol=1e-10, atol=0)


# Properties.

factor_lists = st.lists(st.floats(-0.95, 0.95).map(lambda b: round(b, 3)), min_size=1, max_size=6)
dfs = st.one_of(st.floats(1, 200).map(lambda df: round(df, 2)), st.just(inf))
limits = st.floats(0, 12)
sides_of = st.sampled_from(SIDES)


@settings(deadline=None, max_examples=40)
@given(factor_lists, dfs, limits, sides_of, st.randoms(use_true_random=False))
def test_the_order_of_products_does_not_matter(b: list[float], df: float, c: float, sides: Sides, chance: Any) -> None:
    shuffled = list(b)
    chance.shuffle(shuffled)
    assert tail(c, b, df, sides=sides) == tail(c, shuffled, df, sides=sides)


@settings(deadline=None, max_examples=40)
@given(factor_lists, dfs, limits, st.data())
def test_signs_matter_to_one_side_only(b: list[float], df: float, c: float, data: Any) -> None:
    signs = np.array(data.draw(st.lists(st.sampled_from([-1, 1]), min_size=len(b), max_size=len(b))))
    assert tail(c, signs * b, df, sides=2) == tail(c, b, df, sides=2)
    np.testing.assert_allclose(tail(c, -np.array(b), df, sides=1), tail(c, b, df, sides=1), rtol=1e-11, atol=0)


@settings(deadline=None, max_examples=40)
@given(factor_lists, dfs, st.floats(0.5, 0.999), sides_of)
def test_constant_undoes_tail(b: list[float], df: float, level: float, sides: Sides) -> None:
    c = constant(b, df, sides=sides, level=level)
    assert float(tail(c, b, df, sides=sides)) == pytest.approx(1 - level, abs=1e-11)
    assert constant(b, df, sides=sides, level=(1 + level) / 2) > c


@settings(deadline=None, max_examples=30)
@given(factor_lists, dfs, limits, sides_of)
def test_one_more_product_never_makes_chance_smaller(b: list[float], df: float, c: float, sides: Sides) -> None:
    assert float(tail(c, [*b, 0.4], df, sides=sides)) >= float(tail(c, b, df, sides=sides)) - 1e-12


# The largest one-sided constant.

PATTERNED = [
    pytest.param([0.5, 0.5, 0.8, -0.8, 0.9], 12.0, id="two pairs and one"),
    pytest.param([0.3, 0.0, -0.6, 0.0, 0.6], 5.0, id="with independent ones"),
    pytest.param([-0.7, -0.7], inf, id="a pair"),
    pytest.param([0.0, 0.0, 0.0], 9.0, id="all independent"),
    pytest.param([-0.2, 0.95, 0.6, 0.6], 3.5, id="four"),
]


@pytest.mark.parametrize(("b", "df"), PATTERNED)
def test_largest_one_sided_against_every_sign_pattern(b: list[float], df: float) -> None:
    c, signs = largest_one_sided(b, df)
    every = [constant(np.array(pattern) * b, df, sides=1) for pattern in product([1.0, -1.0], repeat=len(b))]
    assert c == pytest.approx(max(every), abs=1e-10)
    assert signs is not None
    assert constant(signs * b, df, sides=1) == pytest.approx(max(every), abs=1e-10)
    assert signs[np.flatnonzero(b)[:1]].tolist() in ([1.0], [])
    assert (np.abs(signs) == 1).all()


def test_largest_one_sided_forgets_the_signs_it_is_given() -> None:
    b, turn = np.array([0.5, 0.5, 0.8, 0.8, 0.9]), np.array([1, -1, -1, 1, 1])
    (c, signs), (again, turned) = largest_one_sided(b, 12), largest_one_sided(turn * b, 12)
    assert c == again
    assert signs is not None
    assert turned is not None
    # The same five products are held to the same bounds, up to turning all of them over.
    assert sorted(signs * b) in (sorted(turned * turn * b), sorted(-turned * turn * b))


def test_with_too_many_patterns_the_bonferroni_point_stands_in() -> None:
    at_most = [0.3] * 9 + [0.6] * 9 + [0.8] * 3  # 10 * 10 * 4 patterns: with mirror images counted once, 200
    c, signs = largest_one_sided(at_most, 40)
    assert PATTERNS == 200
    assert signs is not None
    assert c == pytest.approx(constant(signs * at_most, 40, sides=1), abs=1e-10)
    too_many = [*at_most[:-3], 0.8, 0.8, 0.8, 0.8]
    bonferroni, none = largest_one_sided(too_many, 40)
    assert none is None
    assert float(tail(bonferroni, [0.0], 40, sides=1)) == pytest.approx(0.05 / 22, rel=1e-12)
    assert bonferroni > constant(too_many, 40, sides=1)


# Factors.


def matrix(*above: float) -> list[list[float]]:
    """A correlation matrix of three from the entries above its diagonal: 12, 13, 23."""
    return [[1, above[0], above[1]], [above[0], 1, above[2]], [above[1], above[2], 1]]


def even_but_one(last: float) -> Array:
    """Four products with even runs, but for the correlation of the last two."""
    correlation = np.full((4, 4), 0.5)
    correlation[2, 3] = correlation[3, 2] = last
    return correlation


FACTORED = [
    pytest.param([[1.0]], [0.0], id="one"),
    pytest.param([[1.0, 0.49], [0.49, 1.0]], [0.7, 0.7], id="two"),
    pytest.param([[1.0, -0.49], [-0.49, 1.0]], [0.7, -0.7], id="two, opposed"),
    pytest.param(np.eye(2), [0.0, 0.0], id="two, independent"),
    pytest.param(np.eye(5), [0.0] * 5, id="independent"),
    pytest.param(matrix(0.12, 0.15, 0.2), [0.3, 0.4, 0.5], id="three"),
    pytest.param(matrix(-0.12, -0.15, 0.2), [0.3, -0.4, -0.5], id="the first opposed"),
    pytest.param(matrix(0.36, 0.0, 0.0), [0.6, 0.6, 0.0], id="a pair and one independent"),
    pytest.param(matrix(0.0, 0.0, -0.36), [0.0, 0.6, -0.6], id="a pair behind"),
    pytest.param(matrix(0.36, 1e-17, -1e-17), [0.6, 0.6, 0.0], id="a pair, and rounding"),
    pytest.param(even_but_one(0.5 + 5e-10), [EVEN] * 4, id="within the tolerance"),
]
NOT_FACTORED = [
    pytest.param(matrix(0.5, -0.5, 0.5), id="all pairs of three"),
    pytest.param(matrix(0.5, 0.5, 0.0), id="two that share only a third"),
    pytest.param(matrix(0.8, 0.8, 0.3), id="a factor above 1"),
    pytest.param(even_but_one(0.5 + 3e-9), id="beyond the tolerance"),
    pytest.param(matrix(1.0, 0.5, 0.5), id="two the same"),
    pytest.param([[1.0, 1.0], [1.0, 1.0]], id="two, the same"),
    pytest.param([[1, 0.5, 0, 0], [0.5, 1, 0, 0], [0, 0, 1, 0.5], [0, 0, 0.5, 1]], id="two blocks that share nothing"),
    pytest.param(matrix(0.5, float("nan"), 0.5), id="nan"),
]


@pytest.mark.parametrize(("correlation", "b"), FACTORED)
def test_factors_found(correlation: Any, b: list[float]) -> None:
    found = factors(correlation)
    assert found is not None
    np.testing.assert_allclose(found, b, rtol=0, atol=2e-9)


@pytest.mark.parametrize("correlation", NOT_FACTORED)
def test_factors_refused(correlation: Any) -> None:
    assert factors(correlation) is None


@settings(deadline=None)
@given(st.lists(st.floats(-0.99, 0.99), min_size=1, max_size=14))
def test_factors_of_what_has_them(b: list[float]) -> None:
    correlation = np.outer(b, b)
    np.fill_diagonal(correlation, 1.0)
    found = factors(correlation)
    # Two contrasts, or one pair among independent ones, do not say how their correlation divides: it has to be
    # the products that come back.
    if found is None:
        # Division by a correlation of the size of the tolerance may ask for more than STEEPEST.
        assert np.sort(np.abs(b))[:-2].max(initial=0.0) < 1e-4
    else:
        rest = np.outer(found, found) - correlation
        np.fill_diagonal(rest, 0.0)
        assert np.abs(rest).max() < 1e-9


def test_factors_of_unequal_runs_and_of_complete_blocks() -> None:
    """Covariance of products minus control: 1/n0 throughout, and 1/n more on the diagonal."""
    n, n0 = np.array([1, 2, 3, 3, 8]), 4
    covariance = np.full((5, 5), 1 / n0) + np.diag(1 / n)
    scale = np.sqrt(np.diag(covariance))
    found = factors(covariance / np.outer(scale, scale))
    np.testing.assert_allclose(found if found is not None else [], one_way(n.tolist(), n0), rtol=1e-12)


# Errors.

REFUSED = [
    pytest.param(lambda: tail(2.0, [], 5, sides=2), r"b has shape \(0,\); give one factor", id="no contrast"),
    pytest.param(lambda: tail(2.0, [1.0, 0.5], 5, sides=2), r"b = \[1.0, 0.5\] must lie within", id="steep"),
    pytest.param(lambda: tail(2.0, [float("nan")], 5, sides=2), r"b = \[nan\] must lie within", id="nan factor"),
    pytest.param(lambda: tail(2.0, [0.5], 0, sides=2), r"df = 0 must be 0.5 or more", id="no df"),
    pytest.param(lambda: tail(2.0, [0.5], float("nan"), sides=2), r"df = nan must be 0.5 or more", id="nan df"),
    pytest.param(lambda: tail(float("nan"), [0.5], 5, sides=2), r"c holds NaN: nan; leave out", id="nan limit"),
    pytest.param(lambda: constant([0.5], 5, sides=3), r"sides = 3 must be 1 or 2", id="sides"),  # type: ignore[arg-type]
    pytest.param(lambda: constant([0.5], 5, sides=2, level=95), r"level = 95 must lie between 0 and 1", id="level"),
    pytest.param(lambda: largest_one_sided([0.5], 5, level=1), r"level = 1 must lie between", id="level, one-sided"),
    pytest.param(lambda: factors([0.5, 0.5]), r"R has shape \(2,\); give the square", id="not a matrix"),
]


@pytest.mark.parametrize(("call", "message"), REFUSED)
def test_what_cannot_be_meant_is_refused(call: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize("nodes", [100, 6000])
def test_no_figure_is_given_where_grids_disagree(monkeypatch: pytest.MonkeyPatch, nodes: int) -> None:
    """With room for one grid, or for two that are too coarse, there is an error and never a rough answer."""
    monkeypatch.setattr(simultaneous, "NODES", nodes)
    monkeypatch.setattr(simultaneous, "LOG_STEP", 1.0)
    for call in (
        lambda: tail(3.0, [0.5, 0.91], 1.25, sides=2),
        lambda: constant([0.5, 0.91], 1.25, sides=2),
        lambda: largest_one_sided([0.5, 0.91], 1.25),
    ):
        with pytest.raises(NoAgreement, match=r"df = 1.25 .* did not settle: .* Use the Bonferroni t point") as error:
            call()
        assert error.value.df == 1.25
        assert error.value.factors[-2:] in ((0.5, 0.91), (-0.5, -0.91))
        assert error.value.gap > 1e-12


@pytest.mark.parametrize("sides", [1, 2])
def test_one_family_at_many_degrees_of_freedom(sides: Sides) -> None:
    """`EachOwn` against the exact rule at each df: constants to 1e-8 of themselves, chances to 1e-7."""
    generator = np.random.default_rng(51)
    for k, df in [(1, [1.0, 7.0]), (2, [1.0, 1.3, 4.0]), (5, [2.0, 6.5, 40.0]), (13, [3.0, 28.0])]:
        b = generator.uniform(0.02, 0.97, k) * (generator.choice([-1, 1], k) if sides == 1 else 1)
        b[0] = 0.97
        family = EachOwn(b, max(df), sides=sides)
        limits = np.array([0.01, 0.5, 2.0, 5.0, 30.0, 1e4])
        for each in df:
            assert family.constant(each) == pytest.approx(constant(b, each, sides=sides), rel=1e-8)
            assert family.tail(limits, each) == pytest.approx(tail(limits, b, each, sides=sides), abs=1e-7)
