"""The rank stage: who each buyer should take, how far ahead it is, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.best import could_be_best
from evenbench.compare.comparison import Comparison
from evenbench.compare.scale import distance
from evenbench.compare.simultaneous import NoAgreement, factors
from evenbench.measure.frozen import Frozen
from evenbench.measure.seeds import seed_of
from evenbench.measure.wording import listed
from evenbench.rank.advice import doses, lead_of, name_nobody, name_several, name_unproven, name_winner
from evenbench.rank.capped import BATCHES, best_of_draws, capped_said, level_in, simultaneous, worth
from evenbench.rank.capped import DRAWS as DRAWS_OF_CAPPED
from evenbench.rank.must import MustMet, must_met
from evenbench.rank.price import Prices
from evenbench.rank.scores import Combined, Part, Scores, add_up, can_score, combine, drawn, part_of, reach, share_first
from evenbench.study.model import Buyer, Study
from evenbench.study.readings import Readings

Array = NDArray[np.float64]
DRAWS = 20_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Placing(Frozen):
    """One buyer; K placed candidates, best score first.

    score, low, high  float64[K] worthwhile steps against the control, with a simultaneous interval
    steps             result name (or "price") -> float64[K] that result's own steps, before weighting
    share_first       float64[K] sureness: share of joint draws in which the product comes first
    could_be_best     ids; None where there is no answer
    winner            the one id that could be best, with nothing it must have left open
    must              K tuples, one entry a must-have
    left_out          (product, reason) for candidates that are not placed
    says              the advice in a sentence or two
    cheapest          the cheapest of those that could be best, where prices are known
    notes             what must be known of how the scores were made
    seed              of the draws behind `share_first`
    why               what is absent -> reason
    """

    buyer: str
    products: tuple[str, ...]
    score: Array
    low: Array
    high: Array
    steps: dict[str, Array]
    share_first: Array
    could_be_best: tuple[str, ...] | None
    winner: str | None
    must: tuple[tuple[MustMet, ...], ...]
    left_out: tuple[tuple[str, str], ...]
    says: str
    cheapest: str | None
    notes: tuple[str, ...]
    seed: int
    why: dict[str, str]


def rank(
    study: Study, readings: Readings, comparisons: tuple[Comparison, ...], costs: Prices | None
) -> tuple[Placing, ...]:
    """A Placing for every buyer of the study."""
    by_name = {c.result.name: c for c in comparisons}
    return tuple(_Ranking(study, readings, by_name, costs, buyer).placing() for buyer in study.buyers)


@dataclass(frozen=True)
class _Ranking:
    """One buyer's ranking. Scored: every candidate with all that is weighed; placed: those that fail no must-have.

    All who are scored stay in the family that intervals hold for, placed or not: who fails a must-have is read
    from the same runs, and a family that shrank by its own data would promise too much.
    """

    study: Study
    readings: Readings
    by_name: Mapping[str, Comparison]
    costs: Prices | None
    buyer: Buyer

    def placing(self) -> Placing:
        must, absent = {}, {}
        for product in (p.id for p in self.study.products if p.role == "candidate"):
            must[product] = tuple(must_met(self.by_name[m.result], m, product) for m in self.buyer.must)
            absent[product] = self.absent(product)
        failed = {
            p: [f"fails a must-have: {m.because}" for m in met if m.status == "failed"] for p, met in must.items()
        }
        left_out = tuple((p, "; ".join(failed[p] or absent[p])) for p in must if failed[p] or absent[p])
        scored = tuple(p for p in must if not absent[p])
        eligible = np.array([not failed[p] for p in scored], dtype=np.bool_)
        why: dict[str, str] = {}
        if not eligible.any():
            why = dict.fromkeys(("placings", "could_be_best"), "no candidate can be placed")
        elif bounded := self.bounded():
            why["could_be_best"] = bounded
        scores = self.scores(scored, why)
        how: tuple[str, ...] = ()
        if scores.capped and "interval" not in why:
            low, high, best, how = self.from_draws(scores, eligible, why)
        else:
            low, high = _interval(scores, why)
            best = _best(scores, eligible, why)
        seed = seed_of(self.study.id, f"sureness {self.buyer.id}")
        order = sorted(np.flatnonzero(eligible).tolist(), key=lambda k: (-scores.value[k], k))
        products = tuple(scored[k] for k in order)
        shares = np.full(len(order), np.nan)
        if order and "share_first" not in why:
            shares = share_first(scores.only(np.array(order)), seed=seed, draws=DRAWS)
        could = tuple(p for p in products if p in best) if best is not None else None
        unproven = [p for p in products if any(m.status == "open" for m in must[p])]
        winner = could[0] if could and len(could) == 1 and could[0] not in unproven else None
        cheapest = _cheapest(could, self.costs)
        if could is None:
            says = name_nobody(self.buyer, why["could_be_best"])
        elif winner is not None:
            k = order[products.index(winner)]
            scope = "that could be scored" if any(absent[p] for p in must) else "on this shelf"
            lead = lead_of(float(scores.value[k]), float(low[k]), float(high[k]), scope)
            says = name_winner(self.study, self.buyer, winner, lead)
        elif len(could) == 1:
            says = name_unproven(
                self.study, self.buyer, could[0], [m.because for m in must[could[0]] if m.status == "open"]
            )
        else:
            open_ = [p for p in could if p in unproven]
            says = name_several(self.study, self.buyer, could, open_, cheapest, self.costs)
        return Placing(
            buyer=self.buyer.id,
            products=products,
            score=scores.value[order],
            low=low[order],
            high=high[order],
            steps=self.steps(products),
            share_first=shares,
            could_be_best=could,
            winner=winner,
            must=tuple(must[p] for p in products),
            left_out=left_out,
            says=says if could is None else says + doses(self.study, self.buyer),
            cheapest=cheapest,
            notes=self.notes(products) + self.caps() + how,
            seed=seed,
            why=why,
        )

    def from_draws(
        self, scores: Scores, eligible: NDArray[np.bool_], why: dict[str, str]
    ) -> tuple[Array, Array, tuple[str, ...] | None, tuple[str, ...]]:
        """Intervals, who could be best and how well both are known, where a cap bends the scores."""
        seed = seed_of(self.study.id, f"capped scores {self.buyer.id}")
        capped, uncapped = (drawn(scores, seed=seed, draws=DRAWS_OF_CAPPED, capped=c) for c in (True, False))
        low, high, error = simultaneous(capped, uncapped)
        best = best_of_draws(capped, uncapped, eligible)
        note = (
            f"intervals of scores with a cap come from {DRAWS_OF_CAPPED:,} joint draws (seed {seed}); drawing leaves a "
            f"standard error of at most {error:.1g} steps in their ends, by {BATCHES} batches"
        )
        names = tuple(p for p, could in zip(scores.products, best, strict=True) if could)
        return low, high, None if "could_be_best" in why else names, (note,)

    def caps(self) -> tuple[str, ...]:
        """What is capped, and where the control lies beyond the cap already."""
        weighed = (self.by_name[name] for name in self.weights if name != "price")
        return tuple(capped_said(comparison) for comparison in weighed if comparison.result.capped_at is not None)

    def bounded(self) -> str:
        """Why no best can be named where a candidate is known within bounds only; "" where none is."""
        candidates = {p.id for p in self.study.products if p.role == "candidate"}
        unfitted = [
            reason
            for name in self.buyer.weights
            if name != "price"
            for product, reason in self.by_name[name].unfitted.items()
            if product in candidates
        ]
        return unfitted[0] if unfitted else ""

    def absent(self, product: str) -> list[str]:
        """Why this buyer cannot score this product; empty where it can."""
        out = []
        for name in self.buyer.weights:
            if name == "price":
                if self.costs is None or self.costs.of.get(product) is None:
                    out.append(f"no price: {self.costs.why.get(product, 'none') if self.costs else 'none'}")
                continue
            comparison = self.by_name[name]
            control = comparison.outcomes.control
            found = comparison.against(control, product) if control else None
            if found is None or not math.isfinite(found[0].effect[found[1]]):
                lacks = "has no difference from the control" if comparison.runs_of(product) else "was not measured"
                out.append(f"{comparison.label} {lacks}")
            elif comparison.matters is None:
                text = comparison.result.matters.text if comparison.result.matters else ""
                out.append(
                    f"{comparison.label}: {text} cannot be computed, because the control has no level, or a level of 0"
                )
        if not out:
            for test, (control, combined) in self.fits.items():
                if not can_score(combined, control, product):
                    title = self.study.test(test).title
                    out.append(f"{title}: no run of it, or of the control, has every result that is weighed")
        return out

    def partly(self) -> tuple[str, ...]:
        """Tests of which some runs lack a weighed result, so that the score stands on fewer runs than the results."""
        return tuple(
            f"runs of {self.study.test(test).title} that lack one of the weighed results do not enter the score"
            for test in self.fits
            if len({tuple(c.outcomes.run.tolist()) for c in self.weighed(test)}) > 1
        )

    @cached_property
    def weights(self) -> dict[str, float]:
        """The buyer's weights, divided by their sum."""
        total = sum(self.buyer.weights.values())
        return {name: weight / total for name, weight in self.buyer.weights.items()}

    def weighed(self, test: str) -> list[Comparison]:
        """The results of one test that carry weight."""
        names = [name for name in self.weights if name != "price"]
        return [self.by_name[name] for name in names if self.by_name[name].outcomes.test == test]

    @cached_property
    def fits(self) -> dict[str, tuple[str, Combined | None]]:
        """Every test that carries weight: its control, and its results combined."""
        return {
            test.id: (test.control, combine(weighed, self.weights))
            for test in self.study.tests
            if (weighed := self.weighed(test.id)) and test.control is not None
        }

    def scores(self, scored: tuple[str, ...], why: dict[str, str]) -> Scores:
        """Every scored candidate; reasons for what the scores cannot give go into `why`."""
        parts = [
            part_of(combined, test, control, scored)
            for test, (control, combined) in self.fits.items()
            if scored and combined is not None
        ]
        if reason := _no_scatter(parts, self.readings, self.study):
            why |= dict.fromkeys(("interval", "could_be_best", "share_first"), reason)
        return add_up(parts, self.weights.get("price", 0.0) * self.price_steps(scored), scored)

    def price_steps(self, products: tuple[str, ...]) -> Array:
        """The price in worthwhile steps: dearer is worse, nothing costs nothing."""
        if "price" not in self.buyer.weights or self.costs is None or self.study.price is None:
            return np.zeros(len(products))
        return -np.array([self.costs.of[p] for p in products], dtype=np.float64) / self.study.price.matters

    def notes(self, products: tuple[str, ...]) -> tuple[str, ...]:
        """Prices that are a range, of which the score takes the middle."""
        costs = self.costs
        if costs is None or "price" not in self.buyer.weights:
            return self.partly()
        return self.partly() + tuple(
            f"{self.study.product(p).name} costs {costs.said(p)}, by the range of doses on its label; the score takes "
            "the middle"
            for p in products
            if p in costs.ranges
        )

    def steps(self, products: tuple[str, ...]) -> dict[str, Array]:
        """Each weighed result's own steps."""
        out: dict[str, Array] = {}
        for name in self.buyer.weights:
            if name == "price":
                out[name] = self.price_steps(products)
                continue
            comparison = self.by_name[name]
            family = next((f for f in comparison.families if f.other == comparison.outcomes.control), None)
            effect = np.array([family.effect[family.index(p)] for p in products if family], dtype=np.float64)
            along = comparison.result.sign * distance(comparison.result, effect)
            if comparison.result.capped_at is not None:
                of = [level_in(comparison, p) for p in (*products, comparison.outcomes.control or "")]
                value = worth(comparison.result, np.array(of, dtype=np.float64))
                along = value[:-1] - value[-1]
            out[name] = along / (comparison.matters or math.nan)
        return out


def _no_scatter(parts: list[Part], readings: Readings, study: Study) -> str:
    """Why scores have no interval; "" where they have."""
    single = [f'"{study.test(part.test).title}"' for part in parts if not part.df]
    if single:
        return f"nothing was run twice in {listed(single)}, so the score's scatter is unknown"
    seen: dict[str, str] = {}
    weighed = {part.test for part in parts}
    for run in readings.runs:
        if run.specimen and run.test in weighed:
            other = seen.setdefault(run.specimen, run.test)
            if other != run.test:
                # The same specimen in two tests: its own luck counts twice, and sums of variances would hide it.
                both = " and ".join(f'"{study.test(test).title}"' for test in (other, run.test))
                return f"specimens pass through both {both}; scores over both come with a later version"
    return ""


def _interval(scores: Scores, why: dict[str, str]) -> tuple[Array, Array]:
    blank = np.full(len(scores.products), np.nan)
    if "interval" in why or not scores.products:
        return blank, blank
    if not scores.parts:
        return scores.value, scores.value
    error = np.sqrt(np.diag(scores.covariance))
    b = factors(scores.covariance / np.outer(error, error))
    if b is None:
        why["interval"] = "the tests are laid out unevenly; exact intervals for that come with a later version"
        return blank, blank
    try:
        half = np.array([reach(scores, row, b, sides=2) for row in np.eye(len(scores.products))])
    except NoAgreement as problem:
        why["interval"] = f"the probability did not settle numerically ({problem})"
        return blank, blank
    return scores.value - half, scores.value + half


def _best(scores: Scores, eligible: NDArray[np.bool_], why: dict[str, str]) -> tuple[str, ...] | None:
    if "could_be_best" in why:
        return None
    if not scores.parts:
        top = scores.value[eligible].max()
        pairs = zip(scores.products, scores.value, eligible, strict=True)
        return tuple(p for p, value, may in pairs if may and value == top)

    def half(contrast: Array, b: Array) -> float:
        return reach(scores, contrast, b, sides=1)

    best = could_be_best(scores.products, scores.value, scores.covariance, half, eligible=eligible)
    if best.why:
        why["could_be_best"] = best.why
    return best.names


def _cheapest(could: tuple[str, ...] | None, costs: Prices | None) -> str | None:
    of = costs.of if costs else {}
    priced = [(price, n, p) for n, p in enumerate(could or ()) if (price := of.get(p)) is not None]
    return min(priced)[2] if priced else None
