"""Least squares with fixed blocks, against certified and published figures."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbench.compare.fit import Fit, fit_levels

REFERENCE = Path(__file__).parents[1] / "reference"
CHECKS = {c["id"]: c for c in tomllib.loads((REFERENCE / "least_squares.toml").read_text())["check"]}


def one_way(check: dict[str, Any]) -> tuple[list[float], list[int]]:
    """Outcomes and product numbers of a certified one-way data set, from its file or its rule."""
    given_ = check["inputs"]
    if "dataset" in given_:
        with (REFERENCE / given_["dataset"]).open() as file:
            rows = list(csv.DictReader(file))
        return [float(r["response"]) for r in rows], [int(r["treatment"]) - 1 for r in rows]
    value, product = [], []
    for k, c in enumerate(given_["c"]):
        steps = [0.0] + [-0.1, 0.1] * ((given_["replicates"] - 1) // 2)
        value += [given_["lead"] + c + step for step in steps]
        product += [k] * given_["replicates"]
    return value, product


def fitted(value: list[float], product: list[int], block: list[int] | None = None) -> Fit:
    names = tuple(f"p{k}" for k in range(max(product) + 1))
    blocks = np.array(block or [0] * len(value), dtype=np.int32)
    return fit_levels(np.array(value), np.array(product, dtype=np.int32), names, blocks)


@pytest.mark.parametrize("id", [id for id in CHECKS if id.startswith("CMP-N")])
def test_reproduces_certified_one_way_figures(id: str) -> None:
    """NIST/ITL Statistical Reference Datasets, analysis of variance: within sum of squares, its df, residual sd."""
    check = CHECKS[id]
    fit = fitted(*one_way(check))
    assert fit.df == check["expected"]["df_within"]
    for name, found in {"SS_within": fit.sd**2 * fit.df, "resid_sd": fit.sd}.items():
        assert found == pytest.approx(check["expected"][name], rel=0, abs=check["tolerance_abs"][name]), name


def test_blocks_are_taken_out_of_an_incomplete_layout() -> None:
    """Montgomery's catalyst example (7th ed., tables 4.22-4.23; CMP-B01, from memory, recomputed)."""
    check = CHECKS["CMP-B01"]
    cells = [
        (float(cell), p, b)
        for p, row in enumerate(check["inputs"]["rows_treatments_cols_blocks"])
        for b, cell in enumerate(row)
        if cell != "NA"
    ]
    value, product, block = (list(column) for column in zip(*cells, strict=True))
    fit = fitted(value, product, block)
    assert fit.df == check["expected"]["df_error"]
    assert fit.sd**2 * fit.df == pytest.approx(check["expected"]["SSE"], abs=check["tolerance_abs"]["SSE"])
    assert fit.theta - fit.theta.mean() == pytest.approx(check["expected"]["effects"], abs=1e-9)


def test_a_product_alone_in_its_block_cannot_be_told_from_the_block() -> None:
    """Products that share no block, directly or through others, have no difference to estimate."""
    fit = fit_levels(
        np.array([1.0, 2.0, 5.0, 6.0]),
        np.array([0, 0, 1, 1], dtype=np.int32),
        ("a", "b"),
        np.array([0, 0, 1, 1], dtype=np.int32),
    )
    assert not fit.can_estimate(fit.contrasts(("b",), "a"))[0]


def test_one_run_each_has_no_scatter() -> None:
    """With one run of each product there are no degrees of freedom, and no number is made up."""
    fit = fit_levels(np.array([1.0, 2.0]), np.array([0, 1], dtype=np.int32), ("a", "b"), np.zeros(2, dtype=np.int32))
    assert fit.df == 0
    assert np.isnan(fit.sd)
    assert fit.theta.tolist() == [1.0, 2.0]


def test_identical_readings_have_no_scatter_either() -> None:
    """Equal repeats give a scatter of exactly 0, not the rounding of the arithmetic."""
    value = np.array([0.1, 0.1, 0.1, 0.3, 0.3, 0.3])
    fit = fit_levels(value, np.array([0, 0, 0, 1, 1, 1], dtype=np.int32), ("a", "b"), np.zeros(6, dtype=np.int32))
    assert fit.sd == 0.0


@given(
    st.lists(st.integers(1, 4), min_size=2, max_size=6),
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.0, 1e6, -3e8]),
)
def test_one_way_agrees_with_means_and_pooled_variance(counts: list[int], seed: int, offset: float) -> None:
    """Without blocks the fit is group means and the pooled within-group variance, whatever the offset."""
    generator = np.random.default_rng(seed)
    product = np.repeat(np.arange(len(counts)), counts).astype(np.int32)
    noise = generator.normal(size=len(product))
    fit = fit_levels(
        noise + offset, product, tuple(f"p{k}" for k in range(len(counts))), np.zeros(len(product), np.int32)
    )
    means = np.array([noise[product == k].mean() for k in range(len(counts))])
    within = sum(float(((noise[product == k] - means[k]) ** 2).sum()) for k in range(len(counts)))
    assert fit.theta - offset == pytest.approx(means, abs=1e-6 if offset else 1e-12)
    if fit.df:
        assert fit.sd**2 * fit.df == pytest.approx(within, rel=1e-5, abs=1e-9)
        assert np.diag(fit.shape) == pytest.approx(1 / np.array(counts))


def test_reproduces_a_published_incomplete_block_analysis() -> None:
    """Plates washed by five detergents, ten blocks of three (Westfall et al. 1999; CMP-B02)."""
    check = CHECKS["CMP-B02"]
    cells = [
        (float(cell), p, b)
        for p, row in enumerate(check["inputs"].values())
        for b, cell in enumerate(row)
        if cell != "NA"
    ]
    value, product, block = (list(column) for column in zip(*cells, strict=True))
    fit = fitted(value, product, block)
    assert fit.df == check["expected"]["df_error"]
    assert fit.sd**2 * fit.df == pytest.approx(check["expected"]["SSE"], abs=1e-9)
    contrast = fit.contrasts(("p1",), "p0")[0]
    assert np.sqrt(contrast @ fit.covariance @ contrast) == pytest.approx(check["expected"]["se_diff"], abs=1e-8)
