"""The scale on which a result is compared: as it stands, by ratios (log), or by ratios of odds (logit).

Fits, intervals and verdicts live on the scale of comparison; what is published is turned back. Every scale here
rises with the outcome, so that an interval turned back is an interval, and no verdict changes on the way.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenbench.reduce import Outcomes
from evenbench.study.model import Result

Array = NDArray[np.float64]
Measure = Literal["difference", "ratio"]


def measure(result: Result) -> Measure:
    """What an effect on this result is: a difference, or a ratio (of odds, for a share on the logit scale)."""
    return "difference" if result.scale == "raw" else "ratio"


def on_scale(outcomes: Outcomes) -> Outcomes:
    """The same outcomes with values and uncertainties on the scale of comparison.

    Uncertainties are multiplied by the slope of the scale at each value (JCGM 100:2008, 5.1.2).
    """
    result, value = outcomes.result, outcomes.value
    if result.scale == "raw":
        return outcomes
    share = np.asarray(result.unit.to_si(value), dtype=np.float64)
    slope = 1 / value if result.scale == "log" else share / value / (share * (1 - share))
    before = outcomes.baseline
    return replace(
        outcomes,
        value=to_scale(result, value),
        own=outcomes.own * slope,
        shared=outcomes.shared * slope[None, :],
        baseline=None if before is None else to_scale(result, before),
    )


def to_scale(result: Result, value: Array) -> Array:
    """Values in the result's unit, on the scale of comparison."""
    if result.scale == "log":
        return np.asarray(np.log(value), dtype=np.float64)
    if result.scale == "logit":
        share = np.asarray(result.unit.to_si(value), dtype=np.float64)
        return np.asarray(np.log(share) - np.log1p(-share), dtype=np.float64)
    return value


def from_scale(result: Result, value: Array) -> Array:
    """Levels on the scale of comparison, in the result's unit: on the log scale they are geometric means."""
    if result.scale == "log":
        return np.asarray(np.exp(value), dtype=np.float64)
    if result.scale == "logit":
        return np.asarray(result.unit.from_si(1 / (1 + np.exp(-value))), dtype=np.float64)
    return value


def published(result: Result, distance: Array) -> Array:
    """Distances on the scale of comparison as they are published: a difference, or a ratio.

    Source of the figures: "10 % less wear, between 0.5 % and 19 % less", exp(-0.105 ± 2.5 × 0.04).

    >>> [round(float(x), 5) for x in np.exp(np.array([-0.105, -0.105 - 2.5 * 0.04, -0.105 + 2.5 * 0.04]))]
    [0.90032, 0.81465, 0.99501]
    """
    return distance if result.scale == "raw" else np.asarray(np.exp(distance), dtype=np.float64)


def distance(result: Result, effect: Array) -> Array:
    """Published effects as distances on the scale of comparison: what a worthwhile step is counted in."""
    return effect if result.scale == "raw" else np.asarray(np.log(effect), dtype=np.float64)


def shifted(result: Result, level: float, by: float) -> float:
    """A level in the result's unit, moved by a distance on the scale of comparison.

    nan where either is unknown.
    """
    return float(from_scale(result, to_scale(result, np.asarray(level, dtype=np.float64)) + by))
