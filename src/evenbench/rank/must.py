"""What a buyer will not do without: passed, failed, or open where the data do not settle it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from evenbench.compare.comparison import Comparison
from evenbench.measure.wording import number, telling, with_unit
from evenbench.study.model import Level, Must

# Verdicts that pass a must-have and verdicts that fail it; any other leaves it open.
_SETTLED = {"no harm": (("no harm shown",), ("harm",)), "better": (("better",), ("worse", "same"))}


@dataclass(frozen=True, kw_only=True)
class MustMet:
    """One must-have of one product, and what it was read from."""

    status: Literal["passed", "open", "failed"]
    because: str


def must_met(comparison: Comparison, must: Must, product: str) -> MustMet:
    """Whether a product meets a must-have.

    "no harm" and "better" are read from the verdict against the control, or what the result should be like; a bound
    from the product's own interval, wholly inside or wholly outside, or from every run. A product that no model holds
    fails a bound that every run of it misses.
    """
    if not comparison.runs_of(product):
        return MustMet(status="open", because=f"{comparison.label} was not measured")
    if must.value is None:
        if product in comparison.unfitted:
            return MustMet(status="open", because=f"{comparison.label}: {comparison.unfitted[product]}")
        return _by_verdict(comparison, must, product)
    if isinstance(must.value, Level):
        return _by_runs(comparison, must, product, float(comparison.result.levels.index(must.value.text)))
    bound = float(must.value.to(comparison.result.unit))
    if product in comparison.unfitted and not must.every_run:
        return _unfitted(comparison, must, product, bound)
    return (_by_runs if must.every_run else _by_interval)(comparison, must, product, bound)


def _by_verdict(comparison: Comparison, must: Must, product: str) -> MustMet:
    other = comparison.other
    found = comparison.against(other, product) if other else None
    verdict = found[0].verdict[found[1]] if found else "cannot say"
    passed, failed = _SETTLED[must.is_]
    status: Literal["passed", "open", "failed"] = "open"
    if verdict in passed:
        status = "passed"
    elif verdict in failed:
        status = "failed"
    return MustMet(status=status, because=f"{comparison.label}, {verdict}")


def _run_by_run(comparison: Comparison, must: Must, product: str, bound: float) -> tuple[list[bool], list[bool]]:
    """Which runs meet the bound for certain, and which miss it for certain."""
    at_least = must.is_ == "at least"
    values = [(float(v), float(v)) for v in comparison.outcomes.value[comparison.outcomes.of(product)]]
    values += [(b.low, b.high) for b in comparison.outcomes.beyond if b.product == product]
    met = [low >= bound if at_least else high <= bound for low, high in values]
    missed = [high < bound if at_least else low > bound for low, high in values]
    return met, missed


def _unfitted(comparison: Comparison, must: Must, product: str, bound: float) -> MustMet:
    """A product that no model holds: failed where every run of it misses the bound, and open otherwise."""
    met, missed = _run_by_run(comparison, must, product, bound)
    because = f"{_wanted(comparison, must)} in {sum(met)} of {len(met)} runs"
    if all(missed):
        return MustMet(status="failed", because=because)
    return MustMet(status="open", because=f"{because}; {comparison.unfitted[product]}")


def _by_runs(comparison: Comparison, must: Must, product: str, bound: float) -> MustMet:
    met, missed = _run_by_run(comparison, must, product, bound)
    status: Literal["passed", "open", "failed"] = "failed" if any(missed) else "passed" if all(met) else "open"
    return MustMet(status=status, because=f"{_wanted(comparison, must)} in {sum(met)} of {len(met)} runs")


def _by_interval(comparison: Comparison, must: Must, product: str, bound: float) -> MustMet:
    k = comparison.products.index(product)
    low, high = float(comparison.low[k]), float(comparison.high[k])
    if not math.isfinite(low):
        return MustMet(status="open", because=f"{_wanted(comparison, must)}: no interval to hold it to")
    at_least = must.is_ == "at least"
    inside = low >= bound if at_least else high <= bound
    outside = high < bound if at_least else low > bound
    places = telling(low, high, bound)
    span = f"between {number(low, places)} and {with_unit(number(high, places), comparison.result.unit.text)}"
    status: Literal["passed", "open", "failed"] = "passed" if inside else "failed" if outside else "open"
    return MustMet(status=status, because=f"{_wanted(comparison, must)}: {span}")


def _wanted(comparison: Comparison, must: Must) -> str:
    value, target = must.value.text if must.value else "", comparison.result.target
    if target is not None and comparison.result.is_distance:
        return f"{comparison.label} {must.is_} {value} from {target.text}"
    return f"{comparison.label} {must.is_} {value}"
