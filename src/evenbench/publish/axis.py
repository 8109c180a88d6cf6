"""Where a value stands on a chart, and which numbers stand along its edge. Nothing is estimated here."""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MOST_TICKS = 6
ROOM = 46  # characters of tick labels that fit side by side on the narrowest strip, a phone's
STRETCH = 4.0  # an interval may make the chart this many times as long as its points alone need
EDGE = 0.04  # share of the length left free at each end, so that no point is cut in half
TINY = 1e-280  # smaller lengths than this have no round numbers in floating point
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True, kw_only=True)
class Tick:
    """A labelled place along an axis."""

    value: float
    text: str
    at: str


@dataclass(frozen=True, kw_only=True)
class Axis:
    """A straight scale from `low` to `high`, in the unit of what is drawn."""

    low: float
    high: float
    ticks: tuple[Tick, ...] = ()

    def share(self, value: float) -> float:
        """Where a value stands: 0 at the left end, 1 at the right, held to the ends.

        >>> Axis(low=10.0, high=30.0).share(15.0), Axis(low=10.0, high=30.0).share(99.0)
        (0.25, 1.0)
        """
        # Halves, so that a chart from -1e308 to 1e308 does not overflow.
        along = (value / 2 - self.low / 2) / (self.high / 2 - self.low / 2)
        return min(max(along, 0.0), 1.0)

    def at(self, value: float) -> str:
        """The place as a percentage for an SVG attribute.

        >>> Axis(low=10.0, high=30.0).at(15.0)
        '25%'
        """
        return percent(self.share(value))

    def holds(self, value: float) -> bool:
        """Whether a value lies on the chart."""
        return self.low <= value <= self.high


def percent(share: float) -> str:
    """A share as a percentage with three decimals at most.

    >>> percent(0.5), percent(1 / 3), percent(0.0)
    ('50%', '33.333%', '0%')
    """
    return f"{100 * share:.3f}".rstrip("0").rstrip(".") + "%"


def axis_of(shown: Iterable[float], intervals: Iterable[float] = ()) -> Axis:
    """An axis on which everything in `shown` has a place, and the ends of intervals too where they leave room.

    shown      values that must be seen: points, levels, the control, the difference that matters
    intervals  ends of intervals; those that would squeeze the points together run off the chart

    >>> a = axis_of([8.0, 12.0, 41.0])
    >>> [t.text for t in a.ticks]
    ['10', '20', '30', '40']
    """
    core = [v for v in shown if math.isfinite(v)] or [0.0]
    low, high = min(core), max(core)
    reach = [v for v in intervals if math.isfinite(v)]
    if reach:
        low, high = _stretched(low, high, min(reach), max(reach))
    if high - low <= max(1e-12 * max(abs(low), abs(high)), TINY):
        middle, room = low / 2 + high / 2, abs(low) / 20 if abs(low) > TINY else 1.0
        low, high = middle - room, middle + room
    margin = EDGE * (high / 2 - low / 2) * 2
    low, high = max(low - margin, -sys.float_info.max), min(high + margin, sys.float_info.max)
    bare = Axis(low=low, high=high)
    return Axis(low=low, high=high, ticks=tuple(_ticks(bare)))


def _stretched(low: float, high: float, least: float, most: float) -> tuple[float, float]:
    span = high - low
    longest = max(high, most) - min(low, least)
    if span <= 0 or longest <= STRETCH * span:
        return min(low, least), max(high, most)
    return max(min(low, least), low - 0.75 * span), min(max(high, most), high + 0.75 * span)


def _ticks(axis: Axis) -> list[Tick]:
    """As many round numbers as fit, two at least where the axis is long enough to hold them."""
    found: list[Tick] = []
    for wanted in range(MOST_TICKS, 0, -1):
        values = round_values(axis.low, axis.high, wanted)
        texts = labels(values)
        found = [Tick(value=v, text=t, at=axis.at(v)) for v, t in zip(values, texts, strict=True)]
        if len(found) <= MOST_TICKS and sum(len(t) + 2 for t in texts) <= ROOM:
            break
    return found


def round_values(low: float, high: float, wanted: int) -> list[float]:
    """Multiples of 1, 2 or 5 times a power of ten between two values, about `wanted` of them.

    >>> round_values(0.0, 43.0, 5), round_values(-0.031, 0.052, 4)
    ([0.0, 10.0, 20.0, 30.0, 40.0], [-0.02, 0.0, 0.02, 0.04])
    """
    rough = (high / 2 - low / 2) / wanted * 2
    power = math.floor(math.log10(rough))
    step = next((m for m, up_to in ((1.0, 1.5), (2.0, 3.5), (5.0, 7.5)) if rough / 10.0**power < up_to), 10.0)
    if step == 10.0:
        step, power = 1.0, power + 1
    first, last = math.ceil(low / step / 10.0**power), math.floor(high / step / 10.0**power)
    # A multiple divided by a power of ten is rounder than one multiplied by 0.1.
    return [n * step * 10.0**power if power >= 0 else n * step / 10.0**-power for n in range(first, last + 1)]


def labels(values: Sequence[float]) -> list[str]:
    """Tick values as text, all with the same number of decimals; powers of ten where figures would grow long.

    >>> labels([0.0, 0.5, 1.0]), labels([-20.0, 0.0]), labels([1e7, 2e7])
    (['0.0', '0.5', '1.0'], ['−20', '0'], ['1×10⁷', '2×10⁷'])
    """
    if not values:
        return []
    largest = max(abs(v) for v in values)
    step = min((b - a for a, b in itertools.pairwise(values)), default=largest) or 1.0
    fine = -math.floor(math.log10(step) + 1e-9)
    if largest >= 1e6 or fine > 4:
        return [power(v, max(0, min(math.floor(math.log10(largest)) + fine, 9)) if largest else 0) for v in values]
    return [f"{v:.{max(fine, 0)}f}".replace("-", "−") for v in values]


def power(value: float, places: int) -> str:
    """A number with a power of ten, `places` decimals before it.

    >>> power(-1234567.0, 2), power(0.0, 2)
    ('−1.23×10⁶', '0')
    """
    if value == 0:
        return "0"
    mantissa, exponent = f"{value:.{places}e}".split("e")
    return f"{mantissa}×10{str(int(exponent)).translate(_SUPERSCRIPT)}".replace("-", "−")


def lanes(places: Sequence[float], *, apart: float, most: int) -> list[int]:
    """A lane for each point, so that points closer than `apart` do not cover each other.

    >>> lanes([0.1, 0.105, 0.5], apart=0.02, most=4)
    [0, 1, 0]
    """
    taken: list[float] = []
    out = [0] * len(places)
    for n in sorted(range(len(places)), key=lambda k: (places[k], k)):
        free = next((lane for lane, last in enumerate(taken) if places[n] - last >= apart), None)
        if free is None and len(taken) < most:
            taken.append(places[n])
            out[n] = len(taken) - 1
        else:
            # More points than lanes: the lane whose last point is farthest back.
            out[n] = free if free is not None else min(range(len(taken)), key=lambda lane: taken[lane])
            taken[out[n]] = places[n]
    return out
