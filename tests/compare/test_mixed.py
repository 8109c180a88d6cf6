"""Random blocks: published mixed-model results to the digits printed, exact strata, and a dense second computation."""

from __future__ import annotations

import csv
import math
import re
import subprocess
import sys
import tomllib
from itertools import product as every
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from evenbench.compare.fit import fit_levels
from evenbench.compare.mixed import CannotFit, Mixed, fit_mixed

Array = NDArray[np.float64]

REFERENCE = Path(__file__).parents[1] / "reference"
CHECKS = {c["id"]: c for c in tomllib.loads((REFERENCE / "mixed.toml").read_text())["check"]}


class Table:
    """A published data set: its columns as numbers, labels or indicators."""

    def __init__(self, id: str, without: tuple[int, ...] = ()) -> None:
        with (REFERENCE / CHECKS[id]["inputs"]["dataset"]).open() as file:
            self.rows = [row for n, row in enumerate(csv.DictReader(file), start=1) if n not in without]

    def numbers(self, name: str) -> Array:
        return np.array([float(row[name]) for row in self.rows])

    def labels(self, *names: str) -> NDArray[np.int64]:
        keys = [tuple(row[name] for name in names) for row in self.rows]
        order = list(dict.fromkeys(keys))
        return np.array([order.index(key) for key in keys])

    def levels(self, name: str) -> Array:
        return indicators(self.labels(name))

    def above_first(self, name: str) -> Array:
        """Indicators of all levels but the first: each coefficient is a difference from it."""
        return np.asarray(self.levels(name)[:, 1:])


def indicators(label: NDArray[np.int64]) -> Array:
    return np.asarray(label[:, None] == np.unique(label), dtype=np.float64)


def holds(id: str, **found: ArrayLike) -> None:
    """Each figure found is within the tolerance of the published one of its name."""
    check = CHECKS[id]
    for name, value in found.items():
        assert value == pytest.approx(check["expected"][name], rel=0, abs=check["tolerance_abs"][name]), name


def unit(place: int, length: int) -> Array:
    return np.asarray(np.eye(length)[place], dtype=np.float64)


def test_one_way_batches() -> None:
    """Davies and Goldsmith (1972), table 6.3 (CMP-M04)."""
    table = Table("CMP-M04")
    m = fit_mixed(table.numbers("Yield"), np.ones((30, 1)), [table.labels("Batch")], names=["batch"])
    between_batches = float(m.covariance[0, 0]) * 30
    holds(
        "CMP-M04",
        var_batch=m.variance[0],
        var_residual=m.variance[1],
        mean=m.estimate([1]),
        se_mean=m.standard_error([1]),
        MS_batch=between_batches,
        F=between_batches / m.variance[1],
        df=m.df([1]),
        reml_criterion=m.criterion,
    )


def test_crossed_factors() -> None:
    """Davies and Goldsmith (1972), table 6.6 (CMP-M06)."""
    table = Table("CMP-M06")
    factors = [table.labels("plate"), table.labels("sample")]
    m = fit_mixed(table.numbers("diameter"), np.ones((144, 1)), factors, names=["plate", "sample"])
    holds(
        "CMP-M06",
        var_plate=m.variance[0],
        var_sample=m.variance[1],
        var_residual=m.variance[2],
        mean=m.estimate([1]),
        se_mean=m.standard_error([1]),
        df_satterthwaite=m.df([1]),
        reml_criterion=m.criterion,
    )
    # The layout is complete, so mean squares give the maximum in closed form (any textbook, two-way random effects).
    cells = np.zeros((24, 6))
    cells[factors[0], factors[1]] = table.numbers("diameter")
    rows, columns = cells.mean(axis=1), cells.mean(axis=0)
    rest = float(np.sum((cells - rows[:, None] - columns + cells.mean()) ** 2)) / (23 * 5)
    plates, samples = 6 * rows.var(ddof=1), 24 * columns.var(ddof=1)
    assert m.variance == pytest.approx([(plates - rest) / 6, (samples - rest) / 24, rest], rel=1e-9)
    assert m.standard_error([1]) == pytest.approx(math.sqrt((plates + samples - rest) / 144), rel=1e-9)


def machines(*factors: tuple[str, ...]) -> Mixed:
    table = Table("CMP-M08")
    terms = np.hstack([np.ones((54, 1)), table.above_first("Machine")])
    labels = [table.labels(*names) for names in factors]
    return fit_mixed(table.numbers("score"), terms, labels, names=[" ".join(names) for names in factors])


def test_nested_factors() -> None:
    """Pinheiro and Bates (2000), section 1.3 (CMP-M08)."""
    m = machines(("Worker",), ("Worker", "Machine"))
    sd = np.sqrt(m.variance)
    assert m.criterion < machines(("Worker",)).criterion
    holds(
        "CMP-M08",
        sd_worker=sd[0],
        sd_interaction=sd[1],
        sd_residual=sd[2],
        b_B=m.estimate([0, 1, 0]),
        b_C=m.estimate([0, 0, 1]),
        se_diff=m.standard_error([0, 1, 0]),
        df_kenward_roger=m.df([0, -1, 1]),
        reml_criterion=m.criterion,
        reml_criterion_no_interaction=machines(("Worker",)).criterion,
    )


def test_several_contrasts_of_a_balanced_layout_give_the_exact_f() -> None:
    """Mean square of machines over that of machines by workers, 2 and 10 degrees of freedom (the data of CMP-M08)."""
    m = machines(("Worker",), ("Worker", "Machine"))
    table = Table("CMP-M08")
    cells = np.zeros((6, 3))
    np.add.at(cells, (table.labels("Worker"), table.labels("Machine")), table.numbers("score") / 3)
    rows, columns = cells.mean(axis=1, keepdims=True), cells.mean(axis=0)
    between = 3 * 6 * columns.var(ddof=1)
    within = 3 * float(np.sum((cells - rows - columns + cells.mean()) ** 2)) / 10
    for contrasts in ([[0, 1, 0], [0, 0, 1]], [[0, 2, -1], [0, 5, 5]]):
        found = m.test(contrasts)
        assert found.contrasts == 2
        assert (found.f, found.df) == pytest.approx((between / within, 10))


def oats(without: tuple[int, ...] = ()) -> tuple[Table, list[NDArray[np.int64]]]:
    table = Table("CMP-M09", without)
    return table, [table.labels("Block"), table.labels("Block", "Variety")]


def test_split_plot() -> None:
    """Pinheiro and Bates (2000), section 1.6 (CMP-M09)."""
    table, factors = oats()
    terms = np.column_stack([np.ones(72), table.numbers("nitro")])
    m = fit_mixed(table.numbers("yield"), terms, factors, names=["block", "plot"])
    sd = np.sqrt(m.variance)
    holds(
        "CMP-M09",
        sd_block=sd[0],
        sd_variety_in_block=sd[1],
        sd_residual=sd[2],
        b_intercept=m.estimate([1, 0]),
        se_intercept=m.standard_error([1, 0]),
        b_nitro=m.estimate([0, 1]),
        se_nitro=m.standard_error([0, 1]),
        df_nitro=m.df([0, 1]),
        reml_criterion=m.criterion,
    )


def test_split_plot_with_plots_missing() -> None:
    """Vignettes of the emmeans package (MIX-OATS): standard errors and df to every digit printed."""
    check = CHECKS["MIX-OATS"]
    table, factors = oats(tuple(check["inputs"]["rows_left_out"]))
    nitro = np.array([table.numbers("nitro") == x for x in (0.0, 0.2, 0.4, 0.6)], dtype=np.float64).T
    variety = table.levels("Variety")
    terms = np.hstack([nitro, variety[:, :-1] - variety[:, -1:]])  # the varieties sum to 0: means over them
    m = fit_mixed(table.numbers("yield"), terms, factors, names=["block", "plot"])
    contrasts = np.eye(6)[:4]
    df = [m.df(c) for c in contrasts]
    holds(
        "MIX-OATS",
        mean=[m.estimate(c) for c in contrasts],
        se=[m.standard_error(c) for c in contrasts],
        df_printed=df,
        df=df,
        variance=m.variance,
    )


def test_f_of_a_treatment_of_whole_plots() -> None:
    """Sugar beets (pbkrtest documentation; CMP-M10), where chi-square would say p = 0.0003."""
    table = Table("CMP-M10")
    parts = [table.above_first(name) for name in ("block", "sow", "harvest")]
    terms = np.hstack([np.ones((30, 1)), *parts])
    m = fit_mixed(table.numbers("sugpct"), terms, [table.labels("block", "harvest")], names=["plot"])
    found = m.test([unit(7, 8)])
    holds("CMP-M10", F=found.f, ddf=found.df, p=found.p)


def of_mean_squares(shapes: list[Array], squares: list[tuple[float, int]]) -> Array:
    """Outcomes whose strata, spanned by `shapes`, have the mean squares and degrees of freedom given."""
    parts = (s * math.sqrt(mean * df) / np.linalg.norm(s) for s, (mean, df) in zip(shapes, squares, strict=True))
    return np.asarray(sum(parts), dtype=np.float64)


def test_df_follow_from_the_variances_alone_with_a_slope() -> None:
    """Documented output of the lmerTest package (MIX-SLOPE); outcomes are made to have its variances."""
    given_ = CHECKS["MIX-SLOPE"]["inputs"]
    groups, x = given_["groups"], np.array(given_["x"], dtype=np.float64)
    label, along = np.repeat(np.arange(groups), len(x)), np.tile(x, groups)
    chance = np.random.default_rng(1)
    between = chance.normal(size=groups)
    between = (between - between.mean())[label]
    design = np.hstack([indicators(label), along[:, None]])
    within = chance.normal(size=len(label))
    within -= design @ np.linalg.lstsq(design, within)[0]
    squares = [(given_["var_residual"] + len(x) * given_["var_group"], groups - 1), (given_["var_residual"], 161)]
    y = of_mean_squares([between, within], squares)
    m = fit_mixed(y, np.column_stack([np.ones(len(y)), along]), [label], names=["group"])
    assert m.variance == pytest.approx([given_["var_group"], given_["var_residual"]], rel=1e-9)
    df = m.df([1, 0])
    holds("MIX-SLOPE", df_intercept=df, df_intercept_from_rounded=df, df_slope=m.df([0, 1]))


def test_df_follow_from_the_variances_alone_in_chambers() -> None:
    """Documented output of the lmerTest package (MIX-CHAMBERS); outcomes are made to have its variances."""
    given_ = CHECKS["MIX-CHAMBERS"]["inputs"]
    chamber, plot = (np.array(column) for column in zip(*every(range(4), range(6)), strict=True))
    cell = (chamber % 2) * 6 + plot
    terms = indicators(cell)
    chance = np.random.default_rng(1)
    between = chance.normal(size=4)
    between = (between - np.array([between[::2].mean(), between[1::2].mean()])[np.arange(4) % 2])[chamber]
    design = np.hstack([terms, indicators(chamber)])
    within = chance.normal(size=24)
    within -= design @ np.linalg.lstsq(design, within)[0]
    squares = [(given_["var_residual"] + 6 * given_["var_chamber"], 2), (given_["var_residual"], 10)]
    m = fit_mixed(of_mean_squares([between, within], squares), terms, [chamber], names=["chamber"])
    assert m.variance == pytest.approx([given_["var_chamber"], given_["var_residual"]], rel=1e-9)
    holds("MIX-CHAMBERS", df_between=m.df(unit(6, 12) - unit(0, 12)), df_within=m.df(unit(1, 12) - unit(0, 12)))


class Dense:
    """The formulas as Kenward and Roger print them, with whole matrices and none of the engine's shortcuts."""

    def __init__(self, y: Array, x: Array, factors: list[NDArray[np.int64]], variance: Array) -> None:
        self.x, self.y = x, y
        self.squares = [z @ z.T for z in map(indicators, factors)] + [np.eye(len(y))]
        v = sum(s * g for s, g in zip(variance, self.squares, strict=True))
        inverse = np.linalg.inv(v)
        self.phi = np.linalg.inv(x.T @ inverse @ x)
        self.beta = self.phi @ x.T @ inverse @ y
        m = inverse - inverse @ x @ self.phi @ x.T @ inverse
        rest = y - x @ self.beta
        self.residual = variance[-1] * inverse @ rest
        self.criterion = (
            (len(y) - x.shape[1]) * math.log(2 * math.pi)
            + np.linalg.slogdet(v)[1]
            + np.linalg.slogdet(x.T @ inverse @ x)[1]
            + rest @ inverse @ rest
        )
        kept = [g for g, s in zip(self.squares, variance, strict=True) if s > 0]
        self.p = [-x.T @ inverse @ g @ inverse @ x for g in kept]
        self.w = np.linalg.inv([[np.trace(m @ g @ m @ h) / 2 for h in kept] for g in kept])
        self.adjusted = (
            self.phi
            + 2
            * self.phi
            @ sum(
                self.w[i, j] * (x.T @ inverse @ g @ inverse @ h @ inverse @ x - self.p[i] @ self.phi @ self.p[j])
                for (i, g), (j, h) in every(enumerate(kept), enumerate(kept))
            )
            @ self.phi
        )

    def df(self, c: Array) -> float:
        g = np.array([-c @ self.phi @ p @ self.phi @ c for p in self.p])
        return float(2 * (c @ self.phi @ c) ** 2 / (g @ self.w @ g))

    def test(self, rows: Array) -> tuple[float, float]:
        """F and its second degrees of freedom, in the order of the paper's section 3."""
        count = len(rows)
        theta = rows.T @ np.linalg.inv(rows @ self.phi @ rows.T) @ rows
        terms = [theta @ self.phi @ p @ self.phi for p in self.p]
        pairs = list(every(range(len(terms)), repeat=2))
        a1 = sum(self.w[i, j] * np.trace(terms[i]) * np.trace(terms[j]) for i, j in pairs)
        a2 = sum(self.w[i, j] * np.trace(terms[i] @ terms[j]) for i, j in pairs)
        b = (a1 + 6 * a2) / (2 * count)
        g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
        c1, c2, c3 = (part / (3 * count + 2 * (1 - g)) for part in (g, count - g, count + 2 - g))
        mean = 1 / (1 - a2 / count)
        spread = 2 / count * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = spread / (2 * mean**2)
        df = 4 + (count + 2) / (count * rho - 1)
        values = rows @ self.beta
        f = values @ np.linalg.inv(rows @ self.adjusted @ rows.T) @ values / count
        return df / (mean * (df - 2)) * f, df


def layout(kind: str, seed: int) -> tuple[Array, Array, list[NDArray[np.int64]]]:
    """Invented outcomes of four products and a drift: unbalanced, with runs missing."""
    chance = np.random.default_rng(seed)
    count = 60
    keep = np.sort(chance.permutation(count)[:47])
    i = np.arange(count)
    factors = {
        "one": [i // 4],
        "nested": [i // 12, i // 3],
        "crossed": [i // 10, i % 10],
        "three": [i // 20, i // 5, i % 6],
    }[kind]
    made = chance.permutation(count) % 4
    x = np.hstack([indicators(made), ((i - 30) / 7.0)[:, None]])
    y = 112 + made + 0.3 * x[:, -1] + chance.normal(size=count)
    for scale, factor in zip((1.5, 1.0, 1.2), factors, strict=False):
        y += scale * chance.normal(size=factor.max() + 1)[factor]
    return y[keep], x[keep], [factor[keep] for factor in factors]


KINDS = ("one", "nested", "crossed", "three")


@pytest.mark.parametrize("seed", [2, 4, 5])
@pytest.mark.parametrize("kind", KINDS)
def test_agrees_with_the_formulas_in_whole_matrices(kind: str, seed: int) -> None:
    """Coefficients, both covariances, df, F and the likelihood, in unbalanced layouts."""
    y, x, factors = layout(kind, seed)
    m = fit_mixed(y, x, factors, names=["a", "b", "c"][: len(factors)])
    assert m.zero == ()
    d = Dense(y, x, factors, m.variance)
    assert m.coefficients == pytest.approx(d.beta, rel=1e-9)
    assert m.weight @ y == pytest.approx(d.beta, rel=1e-9)
    assert m.covariance == pytest.approx(d.phi, rel=1e-8, abs=1e-12)
    assert m.adjusted == pytest.approx(d.adjusted, rel=1e-8, abs=1e-12)
    assert m.residual == pytest.approx(d.residual, abs=1e-9)
    assert m.criterion == pytest.approx(d.criterion, rel=1e-11)
    for c in [*np.eye(5), unit(1, 5) - unit(0, 5)]:
        assert m.df(c) == pytest.approx(d.df(c), rel=1e-7)
    for rows in (np.eye(5)[1:4] - np.eye(5)[0], np.eye(5)[3:]):
        found = m.test(rows)
        assert (found.f, found.df) == pytest.approx(d.test(rows), rel=1e-7)


@pytest.mark.parametrize("seed", [2, 4, 5])
@pytest.mark.parametrize("kind", KINDS)
def test_no_other_variances_are_likelier(kind: str, seed: int) -> None:
    """Neither near the ones found nor far from them, by the dense likelihood."""
    y, x, factors = layout(kind, seed)
    m = fit_mixed(y, x, factors, names=["a", "b", "c"][: len(factors)])
    near = [m.variance * np.array(f) for f in every((0.999, 1.0, 1.001), repeat=len(m.variance))]
    far = [np.array([*v, 1.0]) * m.variance[-1] for v in every((0.0, 0.03, 0.5, 2.0, 20.0), repeat=len(factors))]
    assert min(Dense(y, x, factors, v).criterion for v in near + far) > m.criterion - 1e-9


def test_complete_blocks_give_the_fixed_answer_for_every_difference() -> None:
    """Every product once in every block: differences, their errors and df do not care whether blocks are random."""
    chance = np.random.default_rng(5)
    block, product = (np.array(column) for column in zip(*every(range(10), range(4)), strict=True))
    y = product + 3 * chance.normal(size=10)[block] + chance.normal(size=40)
    m = fit_mixed(y, indicators(product), [block], names=["day"])
    fixed = fit_levels(y, product.astype(np.int32), ("a", "b", "c", "d"), block.astype(np.int32))
    assert m.zero == ()
    for k in range(1, 4):
        c = unit(k, 4) - unit(0, 4)
        assert m.estimate(c) == pytest.approx(c @ fixed.theta, rel=1e-10)
        assert m.standard_error(c) == pytest.approx(fixed.sd * math.sqrt(c @ fixed.shape @ c), rel=1e-9)
        assert m.df(c) == pytest.approx(27, rel=1e-9)


def test_blocks_far_apart_give_the_intrablock_figures() -> None:
    """Plates washed by five detergents (CMP-B02): with blocks a thousand apart, nothing is left between them."""
    check = CHECKS["CMP-B02"]
    cells = [
        (float(cell) + 1000 * b, k, b)
        for k in range(5)
        for b, cell in enumerate(check["inputs"][f"d{k + 1}"])
        if cell != "NA"
    ]
    y, product, block = (np.array(column) for column in zip(*cells, strict=True))
    m = fit_mixed(y, indicators(product), [block], names=["basin"])
    c = unit(1, 5) - unit(0, 5)
    # The distance to the fixed analysis is of the order of the ratio of the variances, here below 1e-6.
    assert m.variance[1] * 16 == pytest.approx(check["expected"]["SSE"], rel=2e-5)
    assert m.df(c) == pytest.approx(check["expected"]["df_error"], rel=1e-5)
    assert m.standard_error(c) == pytest.approx(check["expected"]["se_diff"], rel=1e-5)


def no_block_differences() -> tuple[Array, NDArray[np.int64], NDArray[np.int64]]:
    """Incomplete blocks more alike than chance would have them: variance between them 0."""
    chance = np.random.default_rng(8)
    block = np.arange(48) // 3
    product = np.array([(b + k) % 4 for b in range(16) for k in range(3)])
    noise = chance.normal(size=48)
    noise -= np.array([noise[block == b].mean() for b in range(16)])[block]
    return 5 + product + noise, product, block


def test_a_variance_of_0_is_named_and_keeps_blocks_fixed() -> None:
    """No sign of block differences: the answer is the one of fixed blocks."""
    y, product, block = no_block_differences()
    m = fit_mixed(y, indicators(product), [block], names=["day"])
    fixed = fit_levels(y, product.astype(np.int32), ("a", "b", "c", "d"), block.astype(np.int32))
    assert (m.zero, m.kept_fixed, m.left_out) == (("day",), ("day",), ())
    assert m.variance == pytest.approx([0, fixed.sd**2])
    assert m.coefficients == pytest.approx(fixed.theta)
    assert m.adjusted == pytest.approx(fixed.shape * fixed.sd**2)
    assert m.residuals == fixed.df
    assert [m.df(c) for c in np.eye(4)] == pytest.approx([fixed.df] * 4)
    assert m.test(np.eye(4)[1:] - np.eye(4)[0]).df == pytest.approx(fixed.df)


def test_a_variance_of_0_that_cannot_be_fixed_is_left_out() -> None:
    """Sheets that each hold one product: fixed, they would leave no product to estimate."""
    y = np.array([1.0, 2.0, 2.0, 1.0, 5.0, 4.0, 4.0, 5.0])
    product, sheet = np.repeat([0, 1], 4), np.repeat([0, 1, 2, 3], 2)
    m = fit_mixed(y, indicators(product), [sheet], names=["sheet"])
    assert (m.zero, m.kept_fixed, m.left_out) == (("sheet",), (), ("sheet",))
    c = unit(1, 2) - unit(0, 2)
    assert m.standard_error(c) == pytest.approx(math.sqrt(2 / 6 / 2))  # by hand: 6 df, squares sum to 2
    assert m.df(c) == pytest.approx(6)


def test_one_variance_of_two_at_0() -> None:
    """The days' variance is 0, that of the benches is not: days become fixed, benches stay random."""
    y, product, block = no_block_differences()
    bench = np.arange(48) % 5
    y = y + 10 * np.array([-1.0, 2.0, 0.5, -2.0, 1.0])[bench]
    m = fit_mixed(y, indicators(product), [block, bench], names=["day", "bench"])
    assert (m.zero, m.kept_fixed) == (("day",), ("day",))
    assert m.variance[0] == 0
    again = fit_mixed(
        y, np.hstack([indicators(product), indicators(block)[:, :-1] - indicators(block)[:, -1:]]), [bench], names=["b"]
    )
    assert m.variance[1:] == pytest.approx(again.variance)
    assert m.adjusted == pytest.approx(again.adjusted[:4, :4])
    assert m.df(unit(0, 4) - unit(1, 4)) == pytest.approx(again.df(unit(0, 19) - unit(1, 19)))


def told(m: Mixed, *, scale: float = 1.0) -> list[float]:
    """What is said of products' differences, in the unit of the first telling."""
    contrasts = [unit(k, 5) - unit(0, 5) for k in range(1, 4)]
    spread = [x for c in contrasts for x in (m.estimate(c) / scale, m.standard_error(c) / scale, m.df(c))]
    return [*spread, *(m.variance / scale**2), m.test(np.array(contrasts)).f]


@pytest.mark.parametrize("kind", KINDS)
def test_order_offset_unit_and_labels_change_nothing(kind: str) -> None:
    """Rows shuffled, a million added, another unit, the sign turned, levels renamed: the same answer."""
    y, x, factors = layout(kind, 2)
    names = ["a", "b", "c"][: len(factors)]
    first = told(fit_mixed(y, x, factors, names=names))
    row = np.random.default_rng(3).permutation(len(y))
    shuffled = fit_mixed(y[row], x[row], [f[row] for f in factors], names=names)
    assert told(shuffled) == pytest.approx(first, rel=1e-6)
    assert told(fit_mixed(y + 1e6, x, factors, names=names)) == pytest.approx(first, rel=1e-5)
    for scale in (1e-9, 1e9, -1.0):
        assert told(fit_mixed(y * scale, x, factors, names=names), scale=scale)[:2] == pytest.approx(
            [first[0], first[1] * np.sign(scale)], rel=1e-6
        )
    renamed = [7 - 3 * f for f in factors]
    assert told(fit_mixed(y, x, renamed, names=names)) == pytest.approx(first, rel=1e-6)
    swapped = fit_mixed(y, x, factors[::-1], names=names[::-1])
    assert told(swapped)[:9] == pytest.approx(first[:9], rel=1e-5)


@pytest.mark.parametrize("blocks", [2, 3, 4, 6])
def test_an_f_on_few_degrees_of_freedom_is_the_textbook_one(blocks: int) -> None:
    """Three products once in each block: mean squares on 2 and 2, 4, 6, 10 degrees of freedom.

    On 2 and 4 an F has no mean or no variance for Kenward and Roger's scale to match.
    """
    chance = np.random.default_rng(4)
    cells = 9 * np.arange(blocks)[:, None] + np.arange(3) + chance.normal(size=(blocks, 3))
    block, product = (np.array(column) for column in zip(*every(range(blocks), range(3)), strict=True))
    found = fit_mixed(cells.ravel(), indicators(product), [block], names=["day"]).test([[-1, 1, 0], [-1, 0, 1]])
    rest = cells - cells.mean(axis=0) - cells.mean(axis=1, keepdims=True) + cells.mean()
    df = 2 * (blocks - 1)
    f = blocks * cells.mean(axis=0).var(ddof=1) / (float(np.sum(rest**2)) / df)
    assert (found.f, found.df) == pytest.approx((f, df))


def test_any_small_layout_gives_figures_or_a_reason() -> None:
    """Layouts at random, hopeless ones among them; a warning would fail the test too."""
    chance = np.random.default_rng(7)
    fitted = refused = 0
    for attempt in range(150):
        count, products, factors = (int(chance.integers(*ends)) for ends in ((3, 16), (2, 4), (1, 4)))
        x = np.asarray(chance.integers(0, products, count)[:, None] == np.arange(products), dtype=np.float64)
        labels = [chance.integers(0, chance.integers(2, 7), count) for _ in range(factors)]
        y = chance.normal(size=count)
        y = y.round() if attempt % 2 else y + 1000 * chance.normal(size=7)[labels[0]]
        try:
            m = fit_mixed(y, x, labels, names=["a", "b", "c"][:factors])
        except CannotFit:
            refused += 1
            continue
        fitted += 1
        together = m.test(np.eye(products)[1:] - np.eye(products)[0])
        sure = [*map(m.df, np.eye(products)), *map(m.standard_error, np.eye(products)), together.df]
        assert np.isfinite([*sure, together.f, *m.variance]).all()
        assert min(sure) > 0
        assert 0 <= together.p <= 1
    assert fitted > 50
    assert refused > 20


EIGHT = np.array([3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0])
PAIRS = np.arange(8) // 2
ONES = np.ones((8, 1))
HALVES = indicators(np.arange(8) % 2)

HOPELESS: dict[str, tuple[dict[str, Any], str]] = {
    "one level": (
        {"factors": [np.zeros(8)]},
        "all runs are in one day: nothing shows how one day differs from another",
    ),
    "a level for each run": (
        {"factors": [np.arange(8)]},
        "every run is a day of its own: day cannot be told from the scatter between runs",
    ),
    "the same groups twice": (
        {"factors": [PAIRS, PAIRS + 5], "names": ["day", "sheet"]},
        "day and sheet put the runs into the same groups: keep one of them",
    ),
    "product and block are one": (
        {"fixed": indicators(PAIRS)},
        "day cannot be told from the fixed terms: they already say all that day could",
    ),
    "more terms than runs": (
        {"fixed": np.ones((8, 9))},
        "9 terms to estimate from 8 runs: nothing is left to show how runs scatter",
    ),
    "terms alike": (
        {"fixed": np.hstack([HALVES, HALVES[:, :1] * 2, np.arange(8.0)[:, None]]), "columns": ["a", "b", "drift"]},
        "these fixed terms cannot be told apart: a, drift",
    ),
    "a product without runs": (
        {"fixed": np.hstack([ONES, 0 * ONES])},
        "these fixed terms cannot be told apart: term 2",
    ),
    "all equal": (
        {"y": np.full(8, 0.1)},
        "all runs within day read the same: too coarse to show how runs scatter",
    ),
    "all equal within": (
        {"y": PAIRS**2 / 10},
        "all runs within day read the same: too coarse to show how runs scatter",
    ),
    "within rounding": (
        {"y": PAIRS**2 / 10 + np.arange(8) % 2 * 0.001, "rounding": 0.01},
        "all runs within day read the same: too coarse to show how runs scatter",
    ),
    "nothing repeated": (
        {
            "y": EIGHT[:4],
            "fixed": indicators(np.array([0, 1, 0, 1])),
            "factors": [np.array([0, 0, 1, 2])],
        },
        "no run is repeated within day: nothing shows how runs scatter there",
    ),
    # Pairs 0 and 1, pairs 2 and 3, both, and each pair: the first two covariances sum to the last two.
    "variances alike": (
        {
            "factors": [np.array(level)[PAIRS] for level in ([0, 0, 1, 2], [0, 1, 2, 2], [0, 0, 1, 1], [0, 1, 2, 3])],
            "names": ["a", "b", "c", "d"],
        },
        "the variances of a, b, c and d and of runs cannot be told apart in this layout",
    ),
}


@pytest.mark.parametrize("name", HOPELESS)
def test_what_the_runs_cannot_show_is_said(name: str) -> None:
    """A reason in words: never a NaN, a warning or a failure in the arithmetic."""
    change, text = HOPELESS[name]
    arguments: dict[str, Any] = {"y": EIGHT, "fixed": ONES, "factors": [PAIRS], "names": ["day"]} | change
    with pytest.raises(CannotFit, match=f"^{re.escape(text)}$") as caught:
        fit_mixed(arguments.pop("y"), arguments.pop("fixed"), arguments.pop("factors"), **arguments)
    assert caught.value.reason == text


MISTAKEN: dict[str, tuple[dict[str, Any], str]] = {
    "lengths": (
        {"fixed": np.ones((7, 1))},
        "outcomes of shape (8,) and fixed terms of shape (7, 1); give (N,), (N, p)",
    ),
    "no terms": (
        {"fixed": np.ones((8, 0))},
        "outcomes of shape (8,) and fixed terms of shape (8, 0); give (N,), (N, p)",
    ),
    "no runs": (
        {"y": EIGHT[:0], "fixed": ONES[:0], "factors": [PAIRS[:0]]},
        "outcomes of shape (0,) and fixed terms of shape (0, 1); give (N,), (N, p)",
    ),
    "no factors": ({"factors": [], "names": []}, "0 factors with 0 names; give a name each, 1 to 5"),
    "names": ({"names": ["day", "sheet"]}, "1 factors with 2 names; give a name each, 1 to 5"),
    "labels": ({"factors": [PAIRS[1:]]}, "day has labels of shape (7,) for 8 outcomes; give one each"),
    "not finite": (
        {"y": np.where(PAIRS == 1, np.nan, EIGHT)},
        "an outcome or a fixed term is not a finite number; leave its run out",
    ),
}


@pytest.mark.parametrize("name", MISTAKEN)
def test_arrays_that_do_not_fit_are_refused(name: str) -> None:
    change, text = MISTAKEN[name]
    arguments: dict[str, Any] = {"y": EIGHT, "fixed": ONES, "factors": [PAIRS], "names": ["day"]} | change
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        fit_mixed(arguments.pop("y"), arguments.pop("fixed"), arguments.pop("factors"), **arguments)


@pytest.mark.parametrize(
    ("contrast", "text"),
    [
        ([1.0], "a contrast of shape (1,) for 2 coefficients; give one each"),
        ([0.0, 0.0], "a contrast needs finite numbers, not all 0"),
        ([math.nan, 1.0], "a contrast needs finite numbers, not all 0"),
    ],
)
def test_contrasts_that_mean_nothing_are_refused(contrast: list[float], text: str) -> None:
    m = fit_mixed(EIGHT, HALVES, [PAIRS], names=["day"])
    for ask in (m.df, m.standard_error, m.estimate, lambda c: m.test([c])):
        with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
            ask(contrast)
    with pytest.raises(ValueError, match=r"^one of the 2 contrasts is a sum of the others; leave it out$"):
        m.test([[1, 0], [2, 0]])


def test_what_was_found_cannot_be_changed() -> None:
    m = fit_mixed(EIGHT, HALVES, [PAIRS], names=["day"])
    assert not m.adjusted.flags.writeable
    assert m.log_likelihood == -m.criterion / 2


def test_it_loads_no_optimiser() -> None:
    """Half a second of scipy on every command is what a missing search would cost."""
    probe = "import sys, evenbench.compare.mixed; print(*[n for n in sys.modules if n.startswith('scipy')])"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
