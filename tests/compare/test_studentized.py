"""The studentized range against tables, another program's figures and closed forms."""

from __future__ import annotations

import csv
import tomllib
from math import inf, pi, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats

from evenbench.compare.studentized import constant, tail

REFERENCE = Path(__file__).parents[1] / "reference"
TABLES = {c["id"]: c for c in tomllib.loads((REFERENCE / "all_pairs.toml").read_text(encoding="utf-8"))["check"]}


def grid(what: str) -> list[dict[str, str]]:
    """Figures of another program, good to 1e-9 absolute for p and 1e-9 relative for quantiles (multivariate_t_grid)."""
    with (REFERENCE / "multivariate_t_grid.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["what"] == what]


def test_quantiles_of_the_grid() -> None:
    rows = grid("studentized_range_quantile")
    assert len(rows) == 182
    for row in rows:
        q = sqrt(2) * float(constant((int(row["k"]),), float(row["df"]), 1 - float(row["alpha"])))
        assert q == pytest.approx(float(row["value"]), rel=1e-9), row["id"]


def test_p_values_of_the_grid() -> None:
    rows = grid("studentized_range_pvalue")
    assert len(rows) == 40
    for row in rows:
        p = float(tail(float(row["t"]) / sqrt(2), (int(row["k"]),), float(row["df"])))
        assert p == pytest.approx(float(row["value"]), abs=1e-9), row["id"]


@pytest.mark.parametrize("id", ["CMP-Q02", "CMP-Q04", "CMP-Q05"])
def test_table_of_harter(id: str) -> None:
    """Harter (1960), Ann. Math. Statist. 31, 1122-1147, upper 5 % points to two decimals (from memory)."""
    found: dict[str, Any] = TABLES[id]
    q = [sqrt(2) * float(constant((k,), float(found["inputs"]["df"]), 0.95)) for k in found["inputs"]["k"]]
    assert q == pytest.approx(found["expected"]["q"], abs=found["tolerance_abs"]["q"])


def test_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.4.7.1: q(.05; 5, 10) = 4.65 (CMP-T02)."""
    found = TABLES["CMP-T02"]
    q = sqrt(2) * float(constant((5,), 10.0, 0.95))
    assert q == pytest.approx(found["expected"]["q"], abs=found["tolerance_abs"]["q"])


def test_fourteen_means() -> None:
    """14 means, 28 df: 5 % point 3.66040, P(> 3.5) .0714027 (engine specification, section 4.5)."""
    assert float(constant((14,), 28.0, 0.95)) == pytest.approx(3.66040, abs=5e-6)
    assert float(tail(3.5, (14,), 28.0)) == pytest.approx(0.0714027, abs=5e-8)


@pytest.mark.parametrize("df", [0.7, 1.0, 3.5, 40.0, inf])
def test_two_products_are_students_t(df: float) -> None:
    """One pair is a t test, far into the tail."""
    c = np.array([0.3, 2.0, 6.0, 9.0])
    expected = 2 * (special.ndtr(-c) if df == inf else special.stdtr(df, -c))
    assert tail(c, (2,), df) == pytest.approx(expected, rel=1e-12)
    assert tail(constant((2,), df, 0.99), (2,), df) == pytest.approx(0.01, rel=1e-9)


def test_three_products_with_a_known_spread() -> None:
    """Chance that a range of three normals passes w: a quadrature of its density, McKay & Pearson (1933)."""
    w = 3.0
    at, weight = np.polynomial.legendre.leggauss(80)
    x = w + (at + 1) / 2 * (20 - w)
    density = 6 / sqrt(4 * pi) * np.exp(-(x**2) / 4) * special.erf(x / sqrt(12))
    assert float(tail(w / sqrt(2), (3,), inf)) == pytest.approx(float(density @ weight) * (20 - w) / 2, rel=1e-12)


@pytest.mark.parametrize(("k", "df"), [(3, 1.0), (4, 2.5), (30, 5.0), (30, 400.0), (100, 20.0)])
def test_another_integration(k: int, df: float) -> None:
    """scipy.stats integrates adaptively to about 1e-10."""
    q = float(stats.studentized_range.ppf(0.95, k, df))
    assert float(constant((k,), df, 0.95)) * sqrt(2) == pytest.approx(q, rel=1e-6)
    assert float(tail(q / sqrt(2), (k,), df)) == pytest.approx(0.05, abs=2e-8)


def test_groups_share_nothing_but_the_spread() -> None:
    """Groups of 3 and 4 with 9 df: 4e5 plain draws, seed 4, within four standard errors."""
    generator = np.random.default_rng(4)
    draws = 400_000
    x = generator.standard_normal((draws, 7))
    s = np.sqrt(generator.chisquare(9, draws) / 9)
    widest = np.maximum(np.ptp(x[:, :3], axis=1), np.ptp(x[:, 3:], axis=1)) / s / sqrt(2)
    plain = float(np.mean(widest > 3.0))
    assert float(tail(3.0, (3, 4), 9.0)) == pytest.approx(plain, abs=4 * sqrt(plain / draws))


def test_each_limit_may_have_its_own_df() -> None:
    """Asked together or one by one, the answers are the same."""
    df: NDArray[np.float64] = np.array([2.0, 7.3, 28.0, inf])
    c = constant((5,), df, 0.95)
    assert c == pytest.approx([float(constant((5,), each, 0.95)) for each in df.tolist()], rel=1e-10)
    assert tail(c, (5,), df) == pytest.approx(0.05, rel=1e-9)
    assert np.all(np.diff(c) < 0)


@given(st.floats(0, 1e6), st.integers(2, 60), st.one_of(st.floats(0.5, 1e4), st.just(inf)))
@settings(deadline=None, max_examples=60)
def test_a_chance_whatever_is_asked(c: float, k: int, df: float) -> None:
    """Between the chance of one pair alone and that of all pairs added up, to the accuracy promised."""
    p = float(tail(c, (k,), df))
    alone = float(2 * (special.ndtr(-c) if df == inf else special.stdtr(df, -c)))
    assert alone - 1e-6 <= p <= min(1.0, k * (k - 1) / 2 * alone + 1e-6)
