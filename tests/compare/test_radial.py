"""Families without factors, against tables, exact values and plain simulation."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from evenbench.compare.fit import Fit, fit_levels
from evenbench.compare.radial import joint, nearest_factors
from evenbench.compare.simultaneous import constant, factors, tail

Array = NDArray[np.float64]


def all_pairs(count: int) -> Array:
    """Correlations of all pairs of so many products with as many runs each."""
    unit = np.eye(count)
    contrasts = np.array([unit[i] - unit[j] for i, j in combinations(range(count), 2)])
    return np.asarray(contrasts @ contrasts.T / 2, dtype=np.float64)


def lanes() -> tuple[Fit, Array]:
    """12 products, four runs each, in 16 heats of four with the control in each, and the family's correlations."""
    generator = np.random.default_rng(3)
    product: list[int] = []
    for _ in range(4):
        order = generator.permutation(12) + 1
        for heat in range(4):
            product += [*order[3 * heat : 3 * heat + 3].tolist(), 0]
    names = tuple(f"p{k}" for k in range(13))
    block = np.repeat(np.arange(16), 4).astype(np.int32)
    fit = fit_levels(generator.normal(size=64), np.array(product, dtype=np.int32), names, block)
    contrasts = fit.contrasts(names[1:], "p0")
    covariance = contrasts @ fit.shape @ contrasts.T
    scale = np.sqrt(np.diag(covariance))
    return fit, covariance / np.outer(scale, scale)


@pytest.mark.parametrize("df", [5.0, 20.0, float("inf")])
@pytest.mark.parametrize("sides", [1, 2])
def test_with_factors_it_is_the_exact_rule(df: float, sides: int) -> None:
    """Where there are factors the stand-in is the family itself, and nothing is left to the directions."""
    b = np.array([0.3, 0.5, 0.7, 0.9])
    R = np.outer(b, b)
    np.fill_diagonal(R, 1.0)
    family = joint(R, df, sides=sides)  # type: ignore[arg-type]
    chance, error = family.tail(3.0)
    assert chance == pytest.approx(float(tail(3.0, b, df, sides=sides)), abs=1e-9)  # type: ignore[arg-type]
    assert error < 1e-9
    assert family.constant(0.95)[0] == pytest.approx(constant(b, df, sides=sides), abs=1e-7)  # type: ignore[arg-type]


@pytest.mark.parametrize(("count", "df"), [(3, 10.0), (5, 20.0), (8, 28.0)])
def test_all_pairs_are_the_studentized_range(count: int, df: float) -> None:
    """The studentized range over root 2, by scipy.stats: within four standard errors, and 5e-4 in probability."""
    family = joint(all_pairs(count), df, sides=2)
    c, error_of_c = family.constant(0.95)
    q = float(stats.studentized_range.ppf(0.95, count, df)) / 2**0.5
    assert abs(c - q) < 4 * error_of_c
    chance, error = family.tail(q)
    assert abs(chance - 0.05) < min(4 * error, 5e-4)


@pytest.mark.slow
def test_all_pairs_of_fourteen() -> None:
    """14 means, 28 df: 5 % point 3.66040, P(> 3.5) .0714027 (engine specification, section 4.5)."""
    family = joint(all_pairs(14), 28.0, sides=2)
    c, error_of_c = family.constant(0.95)
    assert abs(c - 3.66040) < 4 * error_of_c
    chance, error = family.tail(3.5)
    assert abs(chance - 0.0714027) < min(4 * error, 5e-4)


@pytest.mark.parametrize("sides", [1, 2])
def test_heats_that_hold_a_few_products_each(sides: int) -> None:
    """A layout without factors, against a million plain draws of its joint t distribution, seed 9."""
    fit, R = lanes()
    assert fit.df == 36
    assert factors(R) is None
    generator = np.random.default_rng(9)
    passed, draws = 0, 1_000_000
    root = np.linalg.cholesky(R)
    for _ in range(10):
        normal = generator.standard_normal((draws // 10, 12)) @ root.T
        t = normal / np.sqrt(generator.chisquare(36, draws // 10) / 36)[:, None]
        passed += int(np.sum((np.abs(t) if sides == 2 else t).max(axis=1) > 3.0))
    chance, error = joint(R, 36.0, sides=sides).tail(3.0)  # type: ignore[arg-type]
    plain = passed / draws
    assert abs(chance - plain) < 4 * np.hypot(error, np.sqrt(plain / draws))
    assert error < 2e-4


def test_the_order_of_products_does_not_matter() -> None:
    """The same family in another order has the same constant to rounding."""
    _, R = lanes()
    order = np.random.default_rng(1).permutation(12)
    one, two = (joint(r, 36.0, sides=2).constant(0.95)[0] for r in (R, R[np.ix_(order, order)]))
    assert two == pytest.approx(one, rel=1e-9)


def test_the_constant_is_passed_with_its_probability() -> None:
    """Constant and tail are one curve, so that p and interval of one product agree."""
    _, R = lanes()
    family = joint(R, 36.0, sides=2)
    for level in (0.9, 0.95, 0.999):
        assert family.tail(family.constant(level)[0])[0] == pytest.approx(1 - level, rel=1e-8)


def test_nearest_factors_of_what_has_none() -> None:
    """No small step from the factors found brings their products nearer to R."""
    _, R = lanes()
    b = nearest_factors(R)

    def missed(b: Array) -> float:
        rest = R - np.outer(b, b)
        np.fill_diagonal(rest, 0.0)
        return float(np.sum(rest**2))

    generator = np.random.default_rng(6)
    for _ in range(50):
        assert missed(b + 1e-3 * generator.standard_normal(12)) > missed(b)
