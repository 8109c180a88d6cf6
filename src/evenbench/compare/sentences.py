"""What a tester would say aloud of one product against another, from one interval and its verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping

from evenbench.compare.against import Family
from evenbench.measure.wording import decimals, number, with_unit
from evenbench.study.model import Result


def finding(family: Family, k: int, result: Result, names: Mapping[str, str], matters: float | None) -> str:
    """One sentence, complete enough to stand alone, on member `k` of a family."""
    name, other = names[family.members[k]], names[family.other]
    effect, low, high = float(family.effect[k]), float(family.low[k]), float(family.high[k])
    verdict = family.verdict[k]
    if not math.isfinite(effect):
        return f"{name}: cannot say ({family.why[k]})."
    places = decimals((high - low) / 2 if math.isfinite(low) else abs(effect) / 10)
    unit = result.difference_unit
    measured = f"{name}: {_turned(effect, places, unit)} than {other}"
    if not math.isfinite(low):
        ending = f": cannot say ({family.why[k]})." if verdict else f" ({family.why[k]})."
        return measured + ending
    together = ", all products considered together" if len(family.members) > 1 else ""
    if result.kind == "risk":
        return f"{measured} ({_bounds(low, high, result, places)}{together}): {_words(family, k, matters, unit)}."
    return f"{measured} ({_span(low, high, places)}{together}){_ending(family, k, matters, unit)}"


def _ending(family: Family, k: int, matters: float | None, unit: str) -> str:
    return f": {_words(family, k, matters, unit)}." if family.verdict[k] else "."


def _words(family: Family, k: int, matters: float | None, unit: str) -> str:
    """The verdict, and what "by enough to matter" adds to it."""
    verdict, enough = family.verdict[k], family.by_enough[k]
    amount = with_unit(f"{matters:.3g}", unit) if matters is not None else ""
    if verdict in ("better", "worse", "harm"):
        if enough is None:
            return str(verdict)
        return (
            f"{verdict}, by enough to matter" if enough else f"{verdict}, perhaps by less than the {amount} that matter"
        )
    if verdict == "same":
        return f"same, to within the {amount} that matter"
    if verdict == "no harm shown":
        return f"no harm shown: any loss is less than the {amount} that matter"
    return str(verdict)


def _turned(value: float, places: int, unit: str) -> str:
    """A signed difference in words: "27.3 points lower"."""
    return f"{with_unit(number(abs(value), places), unit)} {'lower' if value < 0 else 'higher'}"


def _span(low: float, high: float, places: int) -> str:
    """An interval in words, the smaller size first."""
    if low < 0 < high:
        return f"anywhere from {number(-low, places)} lower to {number(high, places)} higher"
    near, far = sorted((abs(low), abs(high)))
    return f"between {number(near, places)} and {number(far, places)}"


def _bounds(low: float, high: float, result: Result, places: int) -> str:
    """The two one-sided bounds of a risk: how bad it could be, how good it could be."""
    worst, best = (low, high) if result.sign > 0 else (high, low)
    return f"at worst {_way(worst, places)}, at best {_way(best, places)}"


def _way(value: float, places: int) -> str:
    return f"{number(abs(value), places)} {'lower' if value < 0 else 'higher'}"
