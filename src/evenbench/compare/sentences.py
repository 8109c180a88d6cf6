"""What a tester would say aloud of one product against another, from one interval and its verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from evenbench.compare.against import Family
from evenbench.compare.fit import NO_SCATTER
from evenbench.measure.wording import decimals, number, telling, with_unit
from evenbench.study.model import Result


def finding(family: Family, k: int, result: Result, names: Mapping[str, str], matters: float | None) -> str:
    """One sentence, complete enough to stand alone, on member `k` of a family."""
    name, other = names[family.members[k]], names[family.other]
    effect, low, high = float(family.effect[k]), float(family.low[k]), float(family.high[k])
    verdict = family.verdict[k]
    if not math.isfinite(effect):
        return f"{name}: cannot say ({family.why[k]})."
    if result.scale != "raw":
        return _ratio(family, k, result, name, other, matters)
    marks = (0.0,) if matters is None else (0.0, matters, -matters)
    places = telling(low, high, *marks) if math.isfinite(low) else decimals(abs(effect) / 10)
    unit = result.difference_unit
    amount = with_unit(_plain(matters), unit) if matters is not None else ""
    ways = _ways(result)
    measured = f"{name}: {_turned(effect, places, unit, ways)} than {other}"
    if not math.isfinite(low):
        ending = f": cannot say ({family.why[k]})." if verdict else f" ({family.why[k]})."
        return measured + ending + _would_hold(family, k, unit)
    together = ", all products considered together" if len(family.members) > 1 else ""
    if result.kind == "risk" and not result.like:
        return f"{measured} ({_bounds(low, high, result, places)}{together}): {_words(family, k, amount)}."
    ending = _ending(family, k, amount, what="difference" if result.like else "loss")
    return f"{measured} ({_span(low, high, places, ways)}{together}){ending}"


def _would_hold(family: Family, k: int, unit: str) -> str:
    """How alike runs would have to be for a finding of single runs to stand: for a tester to judge by experience.

    Two runs of one product differ on average by 2 / sqrt(pi) of their standard deviation, where they are normal.
    """
    differ = 2 / math.sqrt(math.pi) * float(family.break_even[k])
    if family.why[k] != NO_SCATTER or not math.isfinite(differ) or not differ > 0:
        return ""
    amount = with_unit(number(differ, decimals(differ)), unit)
    return f" It would hold as long as two runs of one product typically differ by less than {amount}."


@dataclass(frozen=True)
class _Ways:
    """The two ways of a difference in words, and what they are told from.

    >>> _Ways("nearer", "farther", " to 65 Shore A", " from 65 Shore A").full(8.0)
    'farther from 65 Shore A'
    """

    less: str
    more: str
    to: str = ""
    away: str = ""

    def short(self, value: float) -> str:
        """The way alone: "lower"."""
        return self.less if value < 0 else self.more

    def full(self, value: float) -> str:
        """The way with what it is told from: "nearer to 65 Shore A"."""
        return self.short(value) + (self.to if value < 0 else self.away)


def _ways(result: Result) -> _Ways:
    """Lower and higher; of distances, nearer to the target and farther from it."""
    if not result.is_distance or result.target is None:
        return _Ways("lower", "higher")
    return _Ways("nearer", "farther", f" to {result.target.text}", f" from {result.target.text}")


def _ratio(family: Family, k: int, result: Result, name: str, other: str, matters: float | None) -> str:
    """The sentence where products are compared by ratios: in percent, or in times where a ratio is large."""
    effect, low, high = float(family.effect[k]), float(family.low[k]), float(family.high[k])
    odds = "odds " if result.scale == "logit" else ""
    amount = _share(family, k, result, matters) + (" of the odds" if odds else "") if matters is not None else ""
    known = [x for x in (effect, low, high) if math.isfinite(x)]
    ratio = _Ratio(in_times=max(known) >= 3, half=50 * (high - low) if math.isfinite(low) else math.inf)
    measured = f"{name}: {odds}{ratio.way(effect)} {ratio.than} {other}"
    if not math.isfinite(low):
        return measured + (f": cannot say ({family.why[k]})." if family.verdict[k] else f" ({family.why[k]}).")
    together = ", all products considered together" if len(family.members) > 1 else ""
    if result.kind == "risk":
        worst, best = (low, high) if result.sign > 0 else (high, low)
        span = f"at worst {ratio.way(worst)}, at best {ratio.way(best)}"
    else:
        span = ratio.span(low, high)
    return f"{measured} ({span}{together}){_ending(family, k, amount)}"


def _plain(matters: float) -> str:
    """A margin in plain figures.

    >>> _plain(5.0), _plain(1234.0), _plain(0.0125)
    ('5', '1234', '0.0125')
    """
    return f"{matters:.3g}" if 1e-4 < matters < 1000 else number(matters, 0)


def _share(family: Family, k: int, result: Result, matters: float) -> str:
    """A margin on the log scale in percent, on the side that is spoken of: 60 % up is 37.5 % down."""
    spoken_of_loss = family.verdict[k] in ("no harm shown", "harm")
    down = result.sign > 0 if spoken_of_loss else float(family.effect[k]) < 1
    return f"{100 * (-math.expm1(-matters) if down else math.expm1(matters)):.3g} %"


@dataclass(frozen=True)
class _Ratio:
    """How ratios to the control are said.

    half  half of the interval's width, in percent

    >>> _Ratio(in_times=False, half=9.0).way(0.90032), _Ratio(in_times=False, half=9.0).span(0.81465, 0.99501)
    ('10 % lower', 'between 0.5 % and 19 % lower')
    >>> _Ratio(in_times=True, half=100.0).way(4.23), _Ratio(in_times=True, half=100.0).span(3.11, 5.75)
    ('4.2 times', 'between 3.1 and 5.8 times')
    """

    in_times: bool
    half: float

    @property
    def than(self) -> str:
        return "the level of" if self.in_times else "than"

    def size(self, ratio: float) -> str:
        """A ratio in times, or its distance from 1 in percent."""
        value = ratio if self.in_times else 100 * abs(ratio - 1)
        half = self.half / 100 if self.in_times else self.half
        # Two figures of each end, and where the interval is narrow as many decimals as it supports.
        plain = half < value / 10 or value >= 100 or value < 1e-4
        text = number(value, decimals(half)) if plain else f"{value:.2g}"
        return text if self.in_times else f"{text} %"

    def way(self, ratio: float) -> str:
        """A ratio in words: "10 % lower"."""
        if self.in_times:
            return f"{self.size(ratio)} times"
        return f"{self.size(ratio)} {'lower' if ratio < 1 else 'higher'}"

    def span(self, low: float, high: float) -> str:
        """An interval in words, the end nearer to no change first."""
        if self.in_times:
            return f"between {self.size(low)} and {self.size(high)} times"
        if low < 1 < high:
            return f"anywhere from {self.way(low)} to {self.way(high)}"
        near, far = sorted((low, high), key=lambda ratio: abs(ratio - 1))
        return f"between {self.size(near)} and {self.way(far)}"


def _ending(family: Family, k: int, amount: str, what: str = "loss") -> str:
    return f": {_words(family, k, amount, what)}." if family.verdict[k] else "."


def _words(family: Family, k: int, amount: str, what: str = "loss") -> str:
    """The verdict, and what "by enough to matter" adds to it.

    what  that which harms: any loss, or any difference at all
    """
    verdict, enough = family.verdict[k], family.by_enough[k]
    if verdict in ("better", "worse", "harm"):
        if enough is None:
            return str(verdict)
        return (
            f"{verdict}, by enough to matter" if enough else f"{verdict}, perhaps by less than the {amount} that matter"
        )
    if verdict == "same":
        return f"same, to within the {amount} that matter"
    if verdict == "no harm shown":
        return f"no harm shown: any {what} is less than the {amount} that matter"
    return str(verdict)


def _turned(value: float, places: int, unit: str, ways: _Ways) -> str:
    """A signed difference in words: "27.3 points lower"."""
    return f"{with_unit(number(abs(value), places), unit)} {ways.full(value)}"


def _span(low: float, high: float, places: int, ways: _Ways) -> str:
    """An interval in words, the smaller size first."""
    if low < 0 < high:
        return f"anywhere from {number(-low, places)} {ways.less} to {number(high, places)} {ways.more}"
    near, far = sorted((abs(low), abs(high)))
    return f"between {number(near, places)} and {number(far, places)}"


def _bounds(low: float, high: float, result: Result, places: int) -> str:
    """The two one-sided bounds of a risk: how bad it could be, how good it could be."""
    worst, best = (low, high) if result.sign > 0 else (high, low)
    ways = _ways(result)
    worst_said, best_said = (f"{number(abs(end), places)} {ways.short(end)}" for end in (worst, best))
    return f"at worst {worst_said}, at best {best_said}"
