"""The rank stage: who each buyer should take, how far ahead it is, and how sure that is."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.best import could_be_best
from evenbench.compare.comparison import Comparison
from evenbench.compare.simultaneous import NoAgreement, constant, factors
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import decimals, listed, number, with_unit
from evenbench.rank.price import Prices
from evenbench.rank.scores import Part, Scores, add_up, part_of, share_first
from evenbench.study.model import Buyer, Must, Study
from evenbench.study.readings import Readings

Array = NDArray[np.float64]
DRAWS = 20_000


@dataclass(frozen=True, kw_only=True)
class MustMet:
    """One must-have of one product: "passed", "open" or "failed", and why."""

    status: str
    because: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Placing(Frozen):
    """One buyer; K placed candidates, best score first.

    score, low, high  float64[K] worthwhile steps against the control, with a simultaneous interval
    steps             result name (or "price") -> float64[K] that result's own steps, before weighting
    share_first       float64[K] sureness: share of joint draws in which the product comes first
    could_be_best     ids; None where there is no answer
    must              K tuples, one entry a must-have
    left_out          (product, reason) for candidates that are not placed
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
    seed: int
    why: dict[str, str]


def seed_of(study: str, step: str) -> int:
    """The seed of one random step, from its name, so that it never depends on what ran before.

    >>> seed_of("proofers_2026", "sureness daily")
    15078413
    """
    return int.from_bytes(hashlib.sha256(f"{study}/{step}".encode()).digest()[:3], "big")


def rank(
    study: Study, readings: Readings, comparisons: tuple[Comparison, ...], costs: Prices | None
) -> tuple[Placing, ...]:
    """A Placing for every buyer of the study."""
    by_name = {c.result.name: c for c in comparisons}
    return tuple(_place(study, readings, by_name, costs, buyer) for buyer in study.buyers)


def _place(
    study: Study, readings: Readings, by_name: dict[str, Comparison], costs: Prices | None, buyer: Buyer
) -> Placing:
    candidates = [p.id for p in study.products if p.role == "candidate"]
    left_out: list[tuple[str, str]] = []
    placed: list[str] = []
    must: dict[str, tuple[MustMet, ...]] = {}
    for product in candidates:
        must[product] = tuple(must_met(by_name[m.result], m, product) for m in buyer.must)
        failed = [m.because for m in must[product] if m.status == "failed"]
        absent = _absent(by_name, costs, buyer, product)
        if failed or absent:
            left_out.append((product, "; ".join([f"fails a must-have: {f}" for f in failed] or absent)))
        else:
            placed.append(product)
    seed = seed_of(study.id, f"sureness {buyer.id}")
    why: dict[str, str] = {}
    scores = _scores(study, readings, by_name, costs, buyer, tuple(placed), why) if placed else None
    if scores is None:
        reason = "no candidate can be placed"
        why.setdefault("placings", reason)
        blank = np.zeros(0)
        return Placing(
            buyer=buyer.id, products=(), score=blank, low=blank, high=blank, steps={}, share_first=blank,
            could_be_best=None, winner=None, must=(), left_out=tuple(left_out),
            says=f"{buyer.title}: no answer, because {reason}.", cheapest=None, seed=seed, why=why,
        )  # fmt: skip
    low, high = _interval(scores, why)
    best = _best(scores, why)
    shares = share_first(scores, seed=seed, draws=DRAWS) if "share_first" not in why else np.full(len(placed), np.nan)
    order = sorted(range(len(placed)), key=lambda k: (-scores.value[k], k))
    products = tuple(placed[k] for k in order)
    could = tuple(p for p in products if p in best) if best is not None else None
    unproven = {p for p in products if any(m.status == "open" for m in must[p])}
    winner = could[0] if could and len(could) == 1 and could[0] not in unproven else None
    cheapest = _cheapest(could, costs)
    placing = Placing(
        buyer=buyer.id,
        products=products,
        score=scores.value[order],
        low=low[order],
        high=high[order],
        steps={name: steps[order] for name, steps in _steps(by_name, costs, study, buyer, tuple(placed)).items()},
        share_first=shares[order],
        could_be_best=could,
        winner=winner,
        must=tuple(must[p] for p in products),
        left_out=tuple(left_out),
        says="",
        cheapest=cheapest,
        seed=seed,
        why=why,
    )
    object.__setattr__(placing, "says", _says(study, buyer, placing, costs, unproven))
    return placing


# ------------------------------------------------------------------------------------------------- must-haves


def must_met(comparison: Comparison, must: Must, product: str) -> MustMet:
    """Whether a product meets a must-have; open where the data do not settle it."""
    result, control = comparison.result, comparison.outcomes.control
    if product not in comparison.products or comparison.count[comparison.products.index(product)] == 0:
        return MustMet(status="open", because=f"{result.name} was not measured")
    if must.value is None:
        found = comparison.against(control, product) if control else None
        verdict = found[0].verdict[found[1]] if found else "cannot say"
        passed, failed = {"no harm": (("no harm shown",), ("harm",)), "better": (("better",), ("worse", "same"))}[
            must.is_
        ]
        status = "passed" if verdict in passed else "failed" if verdict in failed else "open"
        return MustMet(status=status, because=f"{result.name}: {verdict}")
    bound = float(must.value.to(result.unit))
    wanted = f"{must.is_} {must.value.text}"
    at_least = must.is_ == "at least"
    if must.every_run:
        values = comparison.outcomes.value[comparison.outcomes.of(product)]
        met = values >= bound if at_least else values <= bound
        text = f"{result.name} {wanted} in {int(met.sum())} of {len(met)} runs"
        return MustMet(status="passed" if met.all() else "failed", because=text)
    k = comparison.products.index(product)
    low, high = float(comparison.low[k]), float(comparison.high[k])
    if not math.isfinite(low):
        return MustMet(status="open", because=f"{result.name} {wanted}: no interval to hold it to")
    inside = low >= bound if at_least else high <= bound
    outside = high < bound if at_least else low > bound
    places = decimals((high - low) / 2)
    text = (
        f"{result.name} {wanted}: between {number(low, places)} and {with_unit(number(high, places), result.unit.text)}"
    )
    return MustMet(status="passed" if inside else "failed" if outside else "open", because=text)


def _telling(bound: float, *ends: float) -> int:
    """Decimals enough that no end of an interval prints as the bound it is held to."""
    places = decimals((ends[-1] - ends[0]) / 2)
    while places < 6 and any(number(end, places) == number(bound, places) for end in ends if end != bound):
        places += 1
    return places


# ----------------------------------------------------------------------------------------------------- scores


def _absent(by_name: dict[str, Comparison], costs: Prices | None, buyer: Buyer, product: str) -> list[str]:
    """Why this buyer cannot score this product; empty where it can."""
    out = []
    for name in buyer.weights:
        if name == "price":
            if costs is None or costs.of.get(product) is None:
                out.append(f"no price: {costs.why.get(product, 'none') if costs else 'none'}")
            continue
        comparison = by_name[name]
        control = comparison.outcomes.control
        found = comparison.against(control, product) if control else None
        if found is None or not math.isfinite(found[0].effect[found[1]]):
            out.append(f"{name} has no difference from the control")
        elif comparison.matters is None:
            out.append(f"{name} has no smallest difference that matters")
    return out


def _scores(
    study: Study,
    readings: Readings,
    by_name: dict[str, Comparison],
    costs: Prices | None,
    buyer: Buyer,
    placed: tuple[str, ...],
    why: dict[str, str],
) -> Scores:
    total = sum(buyer.weights.values())
    weights = {name: weight / total for name, weight in buyer.weights.items()}
    parts: list[Part] = []
    for test in study.tests:
        weighed = [by_name[name] for name in weights if name != "price" and by_name[name].outcomes.test == test.id]
        if weighed and test.control is not None:
            parts.append(part_of(weighed, weights, test.control, placed))
    price = np.zeros(len(placed))
    if "price" in weights and costs is not None and study.price is not None:
        cost = np.array([costs.of[p] for p in placed], dtype=np.float64)
        price = -weights["price"] * cost / study.price.matters
    reason = _not_judged(parts, readings)
    if reason:
        why |= dict.fromkeys(("interval", "could_be_best", "share_first"), reason)
    return add_up(parts, price, placed)


def _not_judged(parts: list[Part], readings: Readings) -> str:
    """Why scores have no interval; "" where they do."""
    single = [part.test for part in parts if not part.df]
    if single:
        return f"nothing was run twice in {listed(single)}, so the score's scatter is unknown"
    seen: dict[str, str] = {}
    weighed = {part.test for part in parts}
    for run in readings.runs:
        if run.specimen and run.test in weighed:
            other = seen.setdefault(run.specimen, run.test)
            if other != run.test:
                # The same specimen in two tests: its own luck counts twice, and sums of variances would hide it.
                return f"specimens pass through both {other} and {run.test}; scores over both come with a later version"
    return ""


def _steps(
    by_name: dict[str, Comparison], costs: Prices | None, study: Study, buyer: Buyer, placed: tuple[str, ...]
) -> dict[str, Array]:
    out: dict[str, Array] = {}
    for name in buyer.weights:
        if name == "price":
            if costs is not None and study.price is not None:
                out[name] = -np.array([costs.of[p] for p in placed], dtype=np.float64) / study.price.matters
            continue
        comparison = by_name[name]
        family = next(f for f in comparison.families if f.other == comparison.outcomes.control)
        effect = np.array([family.effect[family.index(p)] for p in placed])
        out[name] = comparison.result.sign * effect / (comparison.matters or math.nan)
    return out


def _interval(scores: Scores, why: dict[str, str]) -> tuple[Array, Array]:
    blank = np.full(len(scores.products), np.nan)
    if "interval" in why:
        return blank, blank
    if not scores.parts:
        return scores.value, scores.value
    error = np.sqrt(np.diag(scores.covariance))
    b = factors(scores.covariance / np.outer(error, error))
    if b is None:
        why["interval"] = "the tests are laid out unevenly; exact intervals for that come with a later version"
        return blank, blank
    try:
        reach = [constant(b, scores.df(row), sides=2) for row in np.eye(len(scores.products))]
    except NoAgreement as problem:
        why["interval"] = f"the probability did not settle numerically ({problem})"
        return blank, blank
    return scores.value - np.array(reach) * error, scores.value + np.array(reach) * error


def _best(scores: Scores, why: dict[str, str]) -> tuple[str, ...] | None:
    if "could_be_best" in why:
        return None
    count = len(scores.products)
    if not scores.parts:
        top = scores.value.max()
        return tuple(p for p, v in zip(scores.products, scores.value, strict=True) if v == top)
    one = np.eye(count)
    df = np.array([[scores.df(one[i] - one[j]) if i != j else 1.0 for j in range(count)] for i in range(count)])
    best = could_be_best(scores.products, scores.value, scores.covariance, df)
    if best.why:
        why["could_be_best"] = best.why
    return best.names


def _cheapest(could: tuple[str, ...] | None, costs: Prices | None) -> str | None:
    of = costs.of if costs else {}
    priced = [(price, n, p) for n, p in enumerate(could or ()) if (price := of.get(p)) is not None]
    return min(priced)[2] if priced else None


# -------------------------------------------------------------------------------------------------- sentences


def _says(study: Study, buyer: Buyer, placing: Placing, costs: Prices | None, unproven: set[str]) -> str:
    """The advice, with its conditions, in the words a tester would use."""
    names = {p.id: p.name for p in study.products}
    conditions = [f"only if {c}" for c in buyer.only_if] + [f"not if {c}" for c in buyer.not_if]
    ending = f" ({'; '.join(conditions)})" if conditions else ""
    could = placing.could_be_best
    if could is None:
        return f"{buyer.title}: cannot say which is best, because {placing.why['could_be_best']}."
    if placing.winner is not None:
        lead = _lead(placing)
        return f"{buyer.title}: {names[placing.winner]}{ending}. {lead}"
    if len(could) == 1:
        open_ = listed([m.because for m in placing.must[placing.products.index(could[0])] if m.status == "open"])
        return f"{buyer.title}: no winner. {names[could[0]]} scores best, and a must-have is unproven ({open_})."
    text = f"{buyer.title}: {listed([names[p] for p in could], last='or')}; this study cannot separate them{ending}."
    some = [names[p] for p in could if p in unproven]
    if some:
        text += f" Must-haves not proven for {listed(some)}."
    if placing.cheapest and costs is not None:
        cost = with_unit(number(costs.of[placing.cheapest] or 0.0), costs.unit)
        text += f" Cheapest of these: {names[placing.cheapest]}, {cost} per {costs.per}."
    return text


def _lead(placing: Placing) -> str:
    k = placing.products.index(placing.winner or "")
    low, high = float(placing.low[k]), float(placing.high[k])
    if not math.isfinite(low):
        return "Nothing else on this shelf could be best."
    if low <= 0:
        return "Best of these, not shown better than doing nothing."
    places = decimals((high - low) / 2)
    score = number(float(placing.score[k]), places)
    return (
        f"Nothing else on this shelf could be best: {score} worthwhile steps over doing nothing "
        f"(between {number(low, places)} and {number(high, places)})."
    )
