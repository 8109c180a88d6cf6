"""Results derived from levels: computed once per product from fitted levels and their covariance, never run by run.

    restored = (control(uptake) - uptake) / (control(uptake) - reference('new', uptake))

A ratio of two sums of levels of one result has Fieller's interval, which says honestly when the denominator is too
badly known: "could be anything". Any other formula is computed on joint draws of all levels it names.

Throughout: K products with outcomes, R results that the formula names, in the order it names them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenbench.compare.comparison import Comparison
from evenbench.compare.fit import NO_SCATTER, Fit, fit_levels
from evenbench.compare.scale import from_scale, on_scale
from evenbench.compare.spread import with_own_spreads
from evenbench.measure.formula import (
    Binary,
    Call,
    Formula,
    Level,
    Name,
    Node,
    Number,
    Unary,
    denominators,
    evaluate,
    levels,
    names,
)
from evenbench.measure.frozen import Frozen
from evenbench.measure.seeds import seed_of
from evenbench.measure.wording import decimals, listed
from evenbench.study.model import Product, Result, Study, Test

Array = NDArray[np.float64]
DRAWS = 100_000
ANYTHING = "could be anything"
FIELLER = "Fieller's interval for a ratio of two sums of levels"
JOINT = f"joint draws of the levels ({DRAWS:,})"


@dataclass(frozen=True, kw_only=True, eq=False)
class Derived(Frozen):
    """One derived result, with a figure for each product of the test.

    estimate, low, high  float64[K] in the result's unit, each interval for its product alone; nan where there is none
    open                 bool[K] whether the interval has no ends: the figure could be anything
    why                  product -> why it has no figure, or no interval
    places               decimals that the draws support; None where nothing was drawn
    error                largest Monte Carlo standard error of the ends, in the result's unit; 0 where nothing was drawn
    seed                 of the draws; None where nothing was drawn
    """

    result: Result
    label: str
    products: tuple[str, ...]
    control: str | None
    of: tuple[Comparison, ...]
    count: NDArray[np.int64]
    estimate: Array
    low: Array
    high: Array
    open: NDArray[np.bool_]
    why: dict[str, str]
    method: str
    notes: tuple[str, ...]
    df: int
    level: float
    places: int | None = None
    error: float = 0.0
    seed: int | None = None

    def digits(self, k: int) -> int:
        """Decimals to print product `k` with: two figures of the interval, and no more than the draws support."""
        half = float(self.high[k] - self.low[k]) / 2
        if not math.isfinite(half) or half <= 0:
            half = abs(float(self.estimate[k])) / 10
        wanted = decimals(half)
        return wanted if self.places is None else min(wanted, self.places)


def derive(study: Study, comparisons: tuple[Comparison, ...], *, level: float = 0.95) -> tuple[Derived, ...]:
    """Every derived result of the study, tests and results in file order."""
    by_name = {c.result.name: c for c in comparisons}
    return tuple(
        _Derivation.of(study, test, result, by_name, level).derived() for test in study.tests for result in test.derived
    )


def fieller(top: float, bottom: float, var_top: float, both: float, var_bottom: float, t: float) -> tuple[float, float]:
    """The values r for which top - r * bottom is not significantly different from 0; infinite where unbounded.

    var_top, both, var_bottom  variances of the two estimates, and their covariance
    t                          Student's t point for both sides

    Where the denominator is not significantly different from 0 the set has no ends of use: it is everything, or
    everything but a gap. Both are given as everything.

    Source: Fieller (1954), J. R. Statist. Soc. B 16, 175-185.

    >>> fieller(6.0, 3.0, 0.0, 0.0, 0.0, 2.0), fieller(1.0, 0.1, 1.0, 0.0, 1.0, 2.0)
    ((2.0, 2.0), (-inf, inf))
    """
    a = bottom**2 - t**2 * var_bottom
    b = top * bottom - t**2 * both
    c = top**2 - t**2 * var_top
    if a <= 0:
        return -math.inf, math.inf
    # Rounding can push a root of exactly 0 below it.
    root = math.sqrt(max(b * b - a * c, 0.0))
    return (b - root) / a, (b + root) / a


# --------------------------------------------------------------------------------------------------- one result


@dataclass(frozen=True)
class _Derivation:
    """The levels that one formula rests on, fitted on the runs that have an outcome of every result it names."""

    study: Study
    test: Test
    result: Result
    of_results: tuple[Comparison, ...]
    fits: tuple[Fit, ...]
    covariance: Array  # [R * K, R * K], on the scales of comparison
    unfitted: Mapping[str, str]
    level: float

    @classmethod
    def of(
        cls, study: Study, test: Test, result: Result, by_name: Mapping[str, Comparison], level: float
    ) -> _Derivation:
        ids = {r.id for r in test.results}
        used = [n for n in names(result.formula) if n in ids] + [x.id for x in levels(result.formula)]
        behind = tuple(by_name[f"{test.id}.{id}"] for id in dict.fromkeys(used))
        unfitted = {p: why for c in behind for p, why in c.unfitted.items()}
        fits, covariance = _joint_fit(behind, set(unfitted))
        return cls(study, test, result, behind, fits, covariance, unfitted, level)

    @property
    def present(self) -> tuple[str, ...]:
        return self.fits[0].products if self.fits else ()

    @property
    def df(self) -> int:
        # With a spread for each product a level may rest on fewer degrees of freedom than any difference does.
        fewest = (fit.df if fit.spread == "pooled" else int(fit.freedom.min() + 1e-9) for fit in self.fits)
        return min(fewest, default=0)

    def derived(self) -> Derived:
        """The result with an estimate and an interval for every product."""
        products = self.test.products
        estimate, low, high = (np.full(len(products), np.nan) for _ in range(3))
        open_ = np.zeros(len(products), dtype=np.bool_)
        why = self.absent()
        problem = self.no_scatter()
        method, places, error, seed = FIELLER, None, 0.0, None
        draws: Array | None = None
        for k, product in enumerate(products):
            if product in why:
                continue
            estimate[k] = self.value(product, np.concatenate([fit.theta for fit in self.fits]))[0]
            if not math.isfinite(estimate[k]):
                why[product] = "the formula has no value for these levels"
                continue
            if problem:
                why[product] = problem
                continue
            ratio = self.ratio(product)
            if ratio is not None:
                ends = self.by_fieller(ratio)
            else:
                method = JOINT
                seed = seed_of(self.study.id, f"derived {self.result.name}")
                draws = self.draws(seed) if draws is None else draws
                ends, here, reason = self.by_draws(product, draws)
                error = max(error, here)
                if reason:
                    why[product] = reason
                    continue
            low[k], high[k] = ends
            open_[k] = math.isinf(ends[0])
        low, high = np.where(open_, np.nan, low), np.where(open_, np.nan, high)
        if error > 0:
            # The last digit printed is worth more than twice the error of drawing.
            places = max(0, math.floor(-math.log10(2 * error)))
        counts = dict(zip(self.present, self.fits[0].count.tolist(), strict=True)) if self.fits else {}
        return Derived(
            result=self.result,
            label=f"{self.test.title}: {self.result.id}",
            products=products,
            control=self.test.control,
            of=self.of_results,
            count=np.array([counts.get(p, 0) for p in products], dtype=np.int64),
            estimate=estimate,
            low=low,
            high=high,
            open=open_,
            why=why,
            method=method,
            notes=self.notes(method, seed, error),
            df=self.df,
            level=self.level,
            places=places,
            error=error,
            seed=seed,
        )

    def notes(self, method: str, seed: int | None, error: float) -> tuple[str, ...]:
        named = " and ".join(c.result.id for c in self.of_results)
        out = [f"computed once per product from the levels of {named}: {method}"]
        if seed is not None:
            drawn = f"; drawing leaves the ends uncertain by at most {error:.2g} (one standard error)" if error else ""
            out.append(f"seed {seed}{drawn}")
        doubted = [n for n in names(self.result.formula) if n in self.test.constants and self.test.constants[n].said]
        if doubted:
            out.append(f"{listed(doubted)} as named in the formula is taken as exact")
        return tuple(out)

    def absent(self) -> dict[str, str]:
        """Products without a figure, and why; all of them where the control or a reference has no level."""
        out = {}
        known = self.fits[0].can_estimate(np.eye(len(self.present))) if self.fits else np.zeros(0, dtype=np.bool_)
        facts = [n.removeprefix("product.") for n in names(self.result.formula) if n.startswith("product.")]
        for product in self.test.products:
            if product in self.unfitted:
                out[product] = self.unfitted[product]
            elif product not in self.present:
                out[product] = "no run has an outcome"
            elif not known[self.present.index(product)]:
                out[product] = "the blocks are not connected, so a level cannot be told from a block"
        needed = dict.fromkeys(x.of or (self.test.control or "") for x in levels(self.result.formula))
        lacking = next((p for p in needed if p in out or p not in self.test.products), None)
        if lacking is not None:
            reason = f"{self.study.product(lacking).name} has no level" if lacking else "the test has no control"
            return dict.fromkeys(self.test.products, reason)
        for product in self.test.products:
            gone = [fact for fact in facts if getattr(self.study.product(product), fact) is None]
            if gone and product not in out:
                out[product] = f"no {gone[0]} is stated"
        return out

    def no_scatter(self) -> str:
        if self.df == 0:
            return NO_SCATTER
        return next((fit.problem for fit in self.fits if fit.problem), "")

    # -- values of the formula

    def place(self, result: str, product: str) -> int:
        """Where a level stands among all R * K."""
        row = next(r for r, c in enumerate(self.of_results) if c.result.id == result)
        return row * len(self.present) + self.present.index(product)

    def variables(self, product: str) -> dict[str, int]:
        """What the formula names that has an error: name -> place among the levels."""
        ids = [c.result.id for c in self.of_results]
        out = {name: self.place(name, product) for name in names(self.result.formula) if name in ids}
        for level in levels(self.result.formula):
            out[level.key] = self.place(level.id, level.of or (self.test.control or ""))
        return out

    def fixed(self, product: str) -> dict[str, float]:
        """What the formula names that has no error, in SI."""
        found = {name: q.si for name, q in self.test.constants.items()}
        found |= _facts(self.study.product(product))
        return {name: value for name, value in found.items() if name in names(self.result.formula)}

    def levels_in_si(self, product: str, theta: Array) -> dict[str, Array]:
        """Levels by name, in SI; `theta` holds all R * K on the scales of comparison, along its last axis."""
        out = {}
        for name, place in self.variables(product).items():
            result = self.of_results[place // len(self.present)].result
            out[name] = np.asarray(result.unit.to_si(from_scale(result, theta[..., place])), dtype=np.float64)
        return out

    def value(self, product: str, theta: Array, formula: Formula | None = None) -> Array:
        """The formula, in the result's unit (SI for a part of it), for one set of levels or for many."""
        given: dict[str, Array | float] = {**self.fixed(product), **self.levels_in_si(product, theta)}
        found = evaluate(formula or self.result.formula, given)
        return np.atleast_1d(found if formula else np.asarray(self.result.unit.from_si(found), dtype=np.float64))

    # -- Fieller

    def ratio(self, product: str) -> tuple[_Sum, _Sum] | None:
        """The formula as one sum of levels over another; None where it is not, or levels are not on a plain scale."""
        if len(self.of_results) != 1 or self.of_results[0].result.scale != "raw":
            return None
        return _ratio(self.result.formula.tree, self.variables(product), self.fixed(product))

    def by_fieller(self, ratio: tuple[_Sum, _Sum]) -> tuple[float, float]:
        unit, fit = self.of_results[0].result.unit, self.fits[0]
        theta = np.asarray(unit.to_si(fit.theta), dtype=np.float64)
        # A variance goes with the square of the unit.
        covariance = self.covariance * float(unit.difference_to_si(1.0)) ** 2
        (top, bottom) = (s.vector(len(theta)) for s in ratio)
        t = float(special.stdtrit(self.df, (1 + self.level) / 2))
        ends = fieller(
            float(top @ theta) + ratio[0].constant,
            float(bottom @ theta) + ratio[1].constant,
            float(top @ covariance @ top),
            float(top @ covariance @ bottom),
            float(bottom @ covariance @ bottom),
            t,
        )
        if math.isinf(ends[0]):
            return ends
        low, high = sorted(float(self.result.unit.from_si(end)) for end in ends)
        return low, high

    # -- joint draws

    def draws(self, seed: int) -> Array:
        """float64[draws, R * K] levels with the errors they have together: normal deviates over one chi-square."""
        generator = np.random.Generator(np.random.PCG64(seed))
        value, vector = np.linalg.eigh(self.covariance)
        vector = vector * np.where(vector[np.abs(vector).argmax(axis=0), range(len(value))] < 0, -1.0, 1.0)
        root = vector * np.sqrt(np.maximum(value, 0.0))
        scale = np.sqrt(self.df / generator.chisquare(self.df, DRAWS))
        centre = np.concatenate([fit.theta for fit in self.fits])
        return np.asarray(centre + (generator.standard_normal((DRAWS, len(centre))) @ root.T) * scale[:, None])

    def by_draws(self, product: str, draws: Array) -> tuple[tuple[float, float], float, str]:
        """The middle share of the drawn values, its Monte Carlo error, and why there is none."""
        tail = (1 - self.level) / 2
        for below in denominators(self.result.formula):
            low, high = np.quantile(self.value(product, draws, below), [tail, 1 - tail])
            if not (low > 0 or high < 0):
                return (-math.inf, math.inf), 0.0, ""
        drawn = self.value(product, draws)
        lost = 1 - float(np.isfinite(drawn).mean())
        if lost > 0:
            return (math.nan, math.nan), 0.0, f"the formula has no value for {100 * lost:.2g} % of the draws"
        # The rank of a quantile among n draws has standard deviation sqrt(n p (1 - p)).
        step = math.sqrt(tail * (1 - tail) / DRAWS)
        low, low_less, low_more, high, high_less, high_more = np.quantile(
            drawn, [tail, tail - step, tail + step, 1 - tail, 1 - tail - step, 1 - tail + step]
        ).tolist()
        return (low, high), max(low_more - low_less, high_more - high_less) / 2, ""


def _facts(product: Product) -> dict[str, float]:
    amounts = {"price": product.price, "pack": product.pack, "dose": product.dose}
    return {f"product.{name}": q.si for name, q in amounts.items() if q is not None}


def _joint_fit(comparisons: tuple[Comparison, ...], left_out: set[str]) -> tuple[tuple[Fit, ...], Array]:
    """One fit per result on the runs they have in common, and the covariance of all levels."""
    outcomes = [on_scale(c.outcomes.without(left_out)) for c in comparisons]
    common = sorted(set.intersection(*(set(o.run.tolist()) for o in outcomes)))
    if not common:
        return (), np.zeros((0, 0))
    first = outcomes[0]
    at = [[{run: n for n, run in enumerate(o.run.tolist())}[run] for run in common] for o in outcomes]
    product, block = first.product[at[0]], first.block[at[0]]
    values = [o.value[rows] for o, rows in zip(outcomes, at, strict=True)]
    fits = tuple(
        _as_compared(c, fit_levels(v, product, first.products, block, rounding=o.rounding), o.own[rows])
        for c, v, o, rows in zip(comparisons, values, outcomes, at, strict=True)
    )
    size, count = len(fits[0].products), len(fits)
    covariance = np.zeros((count * size, count * size))
    # An error of an instrument moves all levels that rest on it together.
    errors = list(dict.fromkeys(name for o in outcomes for name in o.shared_names))
    pulls = np.zeros((count * size, len(errors)))
    for i, (fit, o, rows) in enumerate(zip(fits, outcomes, at, strict=True)):
        here = slice(i * size, (i + 1) * size)
        for j in range(count):
            scatter = _scatter(i, j, fits, values, product, block)
            covariance[here, j * size : (j + 1) * size] = _spread_over(fit, fits[j], scatter)
        for name, pull in zip(o.shared_names, o.shared, strict=True):
            pulls[here, errors.index(name)] += fit.weight @ pull[rows]
    return fits, covariance + pulls @ pulls.T


def _as_compared(comparison: Comparison, fit: Fit, own: Array) -> Fit:
    """A fit with the spread that the result itself was compared with.

    own  float64[N] standard uncertainty of each run from resolution
    """
    if comparison.fit is None or comparison.fit.spread == "pooled":
        return fit
    least = np.array([float(np.median(own[fit.row == k])) ** 2 for k in range(len(fit.products))])
    return with_own_spreads(fit, least, "as in the comparison")


def _spread_over(one: Fit, two: Fit, scatter: float) -> Array:
    """float64[K, K] covariance of the levels of two results, from the covariance of their scatter within a run."""
    if one.spread == "pooled" and two.spread == "pooled":
        return one.shape * scatter
    if not scatter:
        return np.zeros_like(one.shape)
    # The same correlation within a run for every product, and each product's own spreads.
    each = np.sqrt(one.variance * two.variance)[one.row] * (scatter / (one.sd * two.sd))
    return np.asarray((one.weight * each) @ two.weight.T, dtype=np.float64)


def _scatter(
    i: int, j: int, fits: tuple[Fit, ...], values: list[Array], product: NDArray[np.int32], block: NDArray[np.int32]
) -> float:
    """Covariance of the scatter of two results within a run, from the scatter of their sum."""
    if i == j or not (fits[i].sd > 0 and fits[j].sd > 0):
        return fits[i].sd ** 2 if i == j else 0.0
    both = values[i] / fits[i].sd + values[j] / fits[j].sd
    labels = tuple(str(k) for k in range(int(product.max()) + 1))
    return (fit_levels(both, product, labels, block).sd ** 2 - 2) / 2 * fits[i].sd * fits[j].sd


# -------------------------------------------------------------------------------------- formulas that are ratios


@dataclass(frozen=True)
class _Sum:
    """A number plus levels, each times a number; levels by their place."""

    constant: float = 0.0
    times: Mapping[int, float] = field(default_factory=dict)

    def plus(self, other: _Sum, sign: float = 1.0) -> _Sum:
        keys = dict.fromkeys([*self.times, *other.times])
        return _Sum(
            self.constant + sign * other.constant,
            {key: self.times.get(key, 0.0) + sign * other.times.get(key, 0.0) for key in keys},
        )

    def scaled(self, factor: float) -> _Sum:
        return _Sum(self.constant * factor, {key: value * factor for key, value in self.times.items()})

    def product(self, other: _Sum) -> _Sum | None:
        """The product, where it is a sum again."""
        if not other.times:
            return self.scaled(other.constant)
        return None if self.times else other.scaled(self.constant)

    def vector(self, size: int) -> Array:
        out = np.zeros(size)
        for place, value in self.times.items():
            out[place] += value
        return out


_ONE = _Sum(1.0)


def _ratio(node: Node, variables: Mapping[str, int], fixed: Mapping[str, float]) -> tuple[_Sum, _Sum] | None:
    """A formula as one sum of levels over another, where it is one."""
    match node:
        case Number():
            return _Sum(node.value), _ONE
        case Name():
            return (_Sum(0.0, {variables[node.id]: 1.0}) if node.id in variables else _Sum(fixed[node.id])), _ONE
        case Level():
            return _Sum(0.0, {variables[node.key]: 1.0}), _ONE
        case Unary():
            inner = _ratio(node.value, variables, fixed)
            return inner and (inner[0].scaled(-1.0 if node.sign == "-" else 1.0), inner[1])
        case Call():
            return None
    left, right = _ratio(node.left, variables, fixed), _ratio(node.right, variables, fixed)
    return _joined(node, left, right) if left and right else None


def _joined(node: Binary, left: tuple[_Sum, _Sum], right: tuple[_Sum, _Sum]) -> tuple[_Sum, _Sum] | None:
    (a, b), (c, d) = left, right
    if node.sign in ("+", "-"):
        sign = 1.0 if node.sign == "+" else -1.0
        if b == d:
            return a.plus(c, sign), b
        first, second, bottom = a.product(d), c.product(b), b.product(d)
        return (first.plus(second, sign), bottom) if first and second and bottom else None
    if node.sign == "^":
        return None
    if node.sign == "/":
        c, d = d, c
    top, bottom = a.product(c), b.product(d)
    return (top, bottom) if top and bottom else None
