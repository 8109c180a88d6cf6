"""Results combined for one buyer, in worthwhile steps.

A worthwhile step is a difference from the control divided by the smallest difference that matters, both on the
scale of comparison, turned so that more is better. A buyer's score is the weighted mean of the steps; the
control's is 0.

Two results of one test come from the same runs, so their errors go together. They are combined run by run
first, and the combination is fitted as if it were one result: its scatter then says what the score's scatter
is, whatever the correlation. Tests that share nothing add (Satterthwaite for the degrees of freedom).

Throughout: K products, G tests that carry weight.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.comparison import Comparison
from evenbench.compare.fit import Fit, fit_levels
from evenbench.compare.nearness import FOLDED_ONCE, uncancelled, with_errors
from evenbench.compare.scale import on_scale
from evenbench.compare.simultaneous import constant
from evenbench.compare.spread import errors_in_part, fitted
from evenbench.measure.frozen import Frozen
from evenbench.rank.capped import Levels, cap_of
from evenbench.reduce import Outcomes

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Part(Frozen):
    """One test's share of a score: K products in steps against the control, weights already divided by their sum.

    steps       float64[K] product - control
    covariance  float64[K, K] of `steps`
    df          degrees of freedom; 0 where nothing was run twice
    levels      where a result is capped, what `steps` are computed from; `covariance` is then of uncapped steps
    """

    test: str
    products: tuple[str, ...]
    steps: Array
    covariance: Array
    df: int
    levels: Levels | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Scores(Frozen):
    """K products scored for one buyer.

    value       float64[K] score in worthwhile steps, the price's part included
    covariance  float64[K, K]
    parts       G parts that `value` and `covariance` are the sums of
    price       float64[K] the price's part, known without noise
    """

    products: tuple[str, ...]
    value: Array
    covariance: Array
    parts: tuple[Part, ...]
    price: Array

    def only(self, kept: NDArray[np.intp]) -> Scores:
        """The same scores for some of the products, in the order given."""
        products = tuple(self.products[k] for k in kept)
        square = np.ix_(kept, kept)
        parts = tuple(
            replace(
                p,
                products=products,
                steps=p.steps[kept],
                covariance=p.covariance[square],
                levels=p.levels.only(kept) if p.levels else None,
            )
            for p in self.parts
        )
        return Scores(
            products=products,
            value=self.value[kept],
            covariance=self.covariance[square],
            parts=parts,
            price=self.price[kept],
        )

    @property
    def capped(self) -> bool:
        """Whether any result is capped, so that scores are no sums of levels."""
        return any(part.levels is not None for part in self.parts)

    def df(self, contrast: Array) -> float:
        """Degrees of freedom of one contrast of the scores, by Satterthwaite (1946), Biometrics Bull. 2, 110-114."""
        pieces = [float(contrast @ part.covariance @ contrast) for part in self.parts]
        total = sum(pieces)
        below = sum(v**2 / part.df for v, part in zip(pieces, self.parts, strict=True) if part.df and v > 0)
        return total**2 / below if below > 0 else 0.0


FEW = 6  # degrees of freedom below which Satterthwaite's approximation of a sum promises too much


def reach(scores: Scores, contrast: Array, b: Array, *, sides: Literal[1, 2], level: float = 0.95) -> float:
    """How far the interval of one contrast reaches, all contrasts of the family considered together.

    b  the factors of the family's correlations

    A sum over tests has Satterthwaite's degrees of freedom. Where a test has fewer than FEW, its own constant bounds
    its own part instead: sqrt(sum of c_t^2 v_t), which is never too short. Source: Banerjee (1960), Sankhya 22,
    cited from memory. Measured with 8 products, two tests, weights 3:1, by simulation: with 1 degree of freedom in
    the weightier test Satterthwaite's intervals held in 81-83 % of studies, these in 95 %; with 2, 91 % and 96 %.
    """
    pieces = [(float(contrast @ part.covariance @ contrast), part.df) for part in scores.parts]
    if len(pieces) > 1 and min(df for _, df in pieces) < FEW:
        return float(np.sqrt(sum(constant(b, df, sides=sides, level=level) ** 2 * v for v, df in pieces)))
    total = float(np.sqrt(sum(v for v, _ in pieces)))
    return constant(b, scores.df(contrast), sides=sides, level=level) * total


SO_FITTED = "a weighed result is fitted so"


@dataclass(frozen=True, kw_only=True, eq=False)
class Combined(Frozen):
    """One test's weighted results combined run by run, in weighted steps turned so that more is better.

    fit       of their sum, as if nothing were capped
    outcomes  J results: all that have no cap together, where there are any, then each that has one
    cap       float64[J] beyond which more counts nothing, in the same steps
    errors    float64[E, J, N] what errors shared by all runs do, where they do not cancel between products
    """

    fit: Fit
    outcomes: tuple[Outcomes, ...]
    cap: Array
    errors: Array

    @property
    def capped(self) -> bool:
        """Whether any of the results is capped."""
        return bool(np.isfinite(self.cap).any())


def combine(comparisons: list[Comparison], weights: Mapping[str, float]) -> Combined | None:
    """One test's weighted results combined run by run, and fitted; None where no run has them all.

    comparisons  the results of this test that carry weight
    weights      result name -> weight divided by the sum of all weights of the buyer

    Runs that lack one of the results cannot enter. Products known within bounds only are left out, as they are of
    each result's own fit. Where a result gives each product a spread of its own, so does their sum.
    """
    kept = [on_scale(c.outcomes.without(set(c.unfitted))) for c in comparisons]
    common = set.intersection(*(set(outcomes.run.tolist()) for outcomes in kept))
    if not common or any(c.matters is None for c in comparisons):
        return None
    by = [weights[c.result.name] / (c.matters or np.nan) for c in comparisons]
    caps = np.array([cap_of(c.result) * factor for c, factor in zip(comparisons, by, strict=True)])
    scaled = [
        _scaled(outcomes, common, factor * c.result.sign)
        for c, outcomes, factor in zip(comparisons, kept, by, strict=True)
    ]
    plain = [n for n, cap in enumerate(caps.tolist()) if np.isinf(cap)]
    columns = ([plain] if plain else []) + [[n] for n, cap in enumerate(caps.tolist()) if np.isfinite(cap)]
    pulls = [uncancelled(outcomes) for outcomes in scaled]
    names = dict.fromkeys(name for one in pulls for name in one)
    none = np.zeros(len(scaled[0].value))
    errors = [[sum((pulls[n].get(name, none) for n in column), none) for column in columns] for name in names]
    unequal = any(c.fit is not None and c.fit.spread == "unequal" for c in comparisons)
    fit = fitted(_summed(scaled), unequal_because=SO_FITTED if unequal else "")
    if fit.spread == "pooled" and any(FOLDED_ONCE in c.flags for c in comparisons):
        fit = _bounded(fit, sum(factor * c.fit.sd for c, factor in zip(comparisons, by, strict=True) if c.fit))
    return Combined(
        fit=with_errors(fit, (sum(one, none) for one in errors)),
        outcomes=tuple(_summed([scaled[n] for n in column]) for column in columns),
        cap=np.array([caps[column[0]] for column in columns]),
        errors=np.array(errors, dtype=np.float64).reshape(len(names), len(columns), len(none)),
    )


def _bounded(fit: Fit, sd: float) -> Fit:
    """The fit with a spread that is no less than this: that of a sum never exceeds the sum of its parts' spreads."""
    if not (fit.df and sd > fit.sd):
        return fit
    return replace(fit, sd=sd, variance=np.full(len(fit.products), sd**2))


def _scaled(outcomes: Outcomes, runs: set[int], by: float) -> Outcomes:
    """Outcomes of some runs, multiplied."""
    at = np.flatnonzero([run in runs for run in outcomes.run.tolist()])
    return replace(
        outcomes,
        product=outcomes.product[at],
        block=outcomes.block[at],
        order=outcomes.order[at],
        value=by * outcomes.value[at],
        own=abs(by) * outcomes.own[at],
        shared=by * outcomes.shared[:, at],
        bench_low=outcomes.bench_low[at],
        bench_high=outcomes.bench_high[at],
        run=outcomes.run[at],
        rows=outcomes.rows.take(at),
        read=None if outcomes.read is None else outcomes.read[at],
    )


def _summed(each: list[Outcomes]) -> Outcomes:
    """Outcomes of the same runs added up, run by run, with their errors."""
    first, shared = each[0], dict[str, Array]()
    order = [{run: n for n, run in enumerate(o.run.tolist())} for o in each]
    places = [np.array([at[run] for run in first.run.tolist()], dtype=np.intp) for at in order]
    for outcomes, at in zip(each, places, strict=True):
        for name, pull in zip(outcomes.shared_names, outcomes.shared, strict=True):
            shared[name] = shared.get(name, np.zeros(len(at))) + pull[at]
    return replace(
        first,
        value=np.asarray(sum(o.value[at] for o, at in zip(each, places, strict=True))),
        # Rounding of one run's results adds at most so much.
        own=np.asarray(sum(o.own[at] for o, at in zip(each, places, strict=True))),
        shared=np.array(list(shared.values()), dtype=np.float64).reshape(len(shared), len(first.run)),
        shared_names=tuple(shared),
    )


def can_score(combined: Combined | None, control: str, product: str) -> bool:
    """Whether a combination can tell a product from the control; with a cap, the level of either from the blocks."""
    fit = combined.fit if combined else None
    if combined is None or fit is None or control not in fit.products or product not in fit.products:
        return False
    if combined.capped:
        rows = np.eye(len(fit.products))[[fit.index(product), fit.index(control)]]
        return bool(fit.can_estimate(rows).all())
    return bool(fit.can_estimate(fit.contrasts((product,), control))[0])


def part_of(combined: Combined, test: str, control: str, products: tuple[str, ...]) -> Part:
    """A combination taken against the control; every product must be one that it `can_score`."""
    fit = combined.fit
    contrasts = fit.contrasts(products, control)
    levels = _levels(combined, (*products, control)) if combined.capped else None
    return Part(
        test=test,
        products=products,
        steps=contrasts @ fit.theta if levels is None else levels.steps(np.zeros((1, levels.value.size)))[0],
        covariance=np.asarray(contrasts @ fit.between @ contrasts.T, dtype=np.float64),
        df=0 if fit.problem else fit.df,
        levels=levels,
    )


def _levels(combined: Combined, products: tuple[str, ...]) -> Levels:
    """Levels of every column with their joint covariance: errors of one run's results go together.

    The covariance of two columns comes from the variances of their sum and difference, over all products.
    """
    fit, columns = combined.fit, combined.outcomes
    because = SO_FITTED if fit.spread == "unequal" else ""
    each = [_like(fit, outcomes, because) for outcomes in columns]
    correlation = np.eye(len(columns))
    for a in range(len(columns)):
        for b in range(a):
            ends = [_turned(columns[b], turn) for turn in (1.0, -1.0)]
            plus, minus = (fit_levels_of(_summed([columns[a], end])).sd ** 2 for end in ends)
            own = [fit_levels_of(columns[n]).sd for n in (a, b)]
            both = own[0] * own[1]
            correlation[a, b] = correlation[b, a] = (plus - minus) / 4 / both if both > 0 else 0.0
    rows = [fit.index(product) for product in products]
    spreads = np.sqrt(np.array([one.variance for one in each]))
    total = np.einsum("ak,ab,bk->k", spreads, correlation, spreads)
    # With spreads of their own, columns put together must scatter no less than their sum is seen to.
    short = np.divide(fit.variance, total, out=np.ones_like(total), where=total > 0)
    scatter = (spreads * np.sqrt(np.maximum(short, 1.0)))[:, fit.row]
    size = len(rows)
    covariance = np.zeros((len(columns) * size, len(columns) * size))
    for a in range(len(columns)):
        for b in range(len(columns)):
            joint = (each[a].weight[rows] * scatter[a] * scatter[b]) @ each[a].weight[rows].T * correlation[a, b]
            covariance[a * size : (a + 1) * size, b * size : (b + 1) * size] = joint
    for name in errors_in_part(_summed(list(columns))):
        pulls = [dict(zip(o.shared_names, o.shared, strict=True)).get(name) for o in columns]
        along = [np.zeros(size) if p is None else each[0].weight[rows] @ p for p in pulls]
        covariance += np.outer(np.concatenate(along), np.concatenate(along))
    for error in combined.errors:
        pull = np.concatenate([each[0].weight[rows] @ column for column in error])
        covariance += np.outer(pull, pull)
    value = np.array([one.theta[rows] for one in each])
    return Levels(value=value, cap=combined.cap, covariance=covariance)


def _like(fit: Fit, outcomes: Outcomes, because: str) -> Fit:
    """A column fitted with the kind of spread that the whole has."""
    return fitted(outcomes, unequal_because=because) if fit.spread == "unequal" else fit_levels_of(outcomes)


def fit_levels_of(outcomes: Outcomes) -> Fit:
    """Outcomes fitted with one spread for all products."""
    o = outcomes
    return fit_levels(o.value, o.product, o.products, o.block, rounding=o.rounding)


def _turned(outcomes: Outcomes, by: float) -> Outcomes:
    return replace(outcomes, value=by * outcomes.value, shared=by * outcomes.shared)


def add_up(parts: list[Part], price: Array, products: tuple[str, ...]) -> Scores:
    """Sum the parts; a test run without repetition leaves the covariance unknown (nan)."""
    covariance = np.zeros((len(products), len(products)))
    for part in parts:
        covariance = covariance + (part.covariance if part.df else np.nan)
    return Scores(
        products=products,
        value=np.asarray(sum((part.steps for part in parts), np.zeros(len(products))) + price),
        covariance=covariance,
        parts=tuple(parts),
        price=price,
    )


def share_first(scores: Scores, *, seed: int, draws: int = 20_000) -> Array:
    """Share of joint draws in which each product's score is the highest; equal highest scores share the place.

    Each test's errors are drawn together: normal deviates with the part's covariance, over one common
    chi-square per test, which is the joint t distribution of its contrasts.

    seed   names the stream of random numbers, so that the figure can be had again
    draws  20,000 give shares to about 0.0035
    """
    total = drawn(scores, seed=seed, draws=draws)
    first = total == total.max(axis=1, keepdims=True)
    return np.asarray((first / first.sum(axis=1, keepdims=True)).mean(axis=0), dtype=np.float64)


def drawn(scores: Scores, *, seed: int, draws: int, capped: bool = True) -> Array:
    """float64[draws, K] joint draws of the scores, each capped where results are; or the same draws without caps."""
    generator = np.random.Generator(np.random.PCG64(seed))
    total = np.broadcast_to(scores.value, (draws, len(scores.products))).copy()
    for part in scores.parts:
        root = _root(part.covariance if part.levels is None else part.levels.covariance)
        normal = generator.standard_normal((draws, root.shape[1]))
        scale = np.sqrt(part.df / generator.chisquare(part.df, draws))
        away = (normal @ root.T) * scale[:, None]
        total += away if part.levels is None else part.levels.steps(away, capped=capped) - part.steps
    return total


def _root(covariance: Array) -> Array:
    """A matrix whose product with its transpose is `covariance`, singular or not; signs fixed for repeatability."""
    value, vector = np.linalg.eigh(covariance)
    vector = vector * np.where(vector[np.abs(vector).argmax(axis=0), range(len(value))] < 0, -1.0, 1.0)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)), dtype=np.float64)
