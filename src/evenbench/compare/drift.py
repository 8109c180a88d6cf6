"""Drift over the order of runs: columns of the model for it, and how far the order mixes it up with the products.

A rig that wears or warms up shifts later runs. Control runs in between are data for a term of the model; they are
not subtracted from their neighbours, which would double the noise and make neighbouring results share errors.

Throughout: N runs, K products, Q columns of drift; places in the order run count from 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.study.model import Drift

Array = NDArray[np.float64]

FINE, COSTLY, HOPELESS = 1.5, 3.0, 10.0
"""Inflation of a variance up to which the order is fine, costs precision, and warns; beyond it there is no verdict."""

_BENDS_FROM = 5  # places of the control, spread over at least this share of the order, from which a bend can be seen
_SPREAD = 0.8
_MOST_CURVE = 4  # columns of a declared curve


@dataclass(frozen=True)
class Term:
    """Columns of drift, float64[N, Q], each centred; Q is 0 where there is no drift to fit. `text` says what it is.

    first, last  the runs that were first and last; within a block where it starts anew in each
    """

    columns: Array
    text: str
    first: int = 0
    last: int = 0


def drift_term(
    drift: Drift, order: Array, block: NDArray[np.int32], control: NDArray[np.bool_], *, random_order: bool
) -> Term:
    """The columns that a declared drift adds to the model.

    order         float64[N] places in the order run
    block         int32[N] block of each run
    control       bool[N] which runs are of the control
    random_order  whether the order was drawn, and not sorted

    "linear" is a straight line over the order, with a bend where the order was not drawn and the control stands at
    five places or more over at least 80 % of it; "linear within block" one slope over the places within each block,
    for a rig renewed between blocks; "curve" a natural cubic spline, with two columns fewer than the control has
    places and four at most.

    Raises ValueError where a place is not known.

    >>> order = np.arange(1.0, 6.0)
    >>> drift_term("linear", order, np.zeros(5, np.int32), order == 1, random_order=True).columns.ravel().tolist()
    [-1.0, -0.5, 0.0, 0.5, 1.0]
    """
    if drift == "none" or len(order) == 0:
        return Term(np.zeros((len(order), 0)), "")
    if np.isnan(order).any():
        raise ValueError("the place in the order is not known of every run")
    if drift == "linear within block":
        within = _within(order, block)
        ends = int(within.argmin()), int(within.argmax())
        return Term(_scaled(within)[:, np.newaxis], "drift linear in the place within the block", *ends)
    line = _scaled(order)
    term = _over_all(drift, order, line, control, random_order=random_order)
    return Term(term.columns, term.text, int(order.argmin()), int(order.argmax()))


def _over_all(drift: Drift, order: Array, line: Array, control: NDArray[np.bool_], *, random_order: bool) -> Term:
    """The columns of a drift that goes on through all blocks."""
    places = np.unique(order[control])
    if drift == "curve":
        return _curve(line, np.unique(line[control]))
    bends = len(places) >= _BENDS_FROM and np.ptp(places) >= _SPREAD * np.ptp(order) and not random_order
    if not bends:
        return Term(line[:, np.newaxis], "drift linear in the order")
    square = line**2
    return Term(np.column_stack([line, square - square.mean()]), "drift linear and quadratic in the order")


def _scaled(places: Array) -> Array:
    """Places from -1 to 1; all 0 where there is one alone."""
    low, high = places.min(), places.max()
    return np.asarray((2 * places - low - high) / (high - low) if high > low else np.zeros(len(places)))


def _within(order: Array, block: NDArray[np.int32]) -> Array:
    """Each run's place within its block, from the middle of the block."""
    out = np.empty(len(order))
    for b in np.unique(block):
        here = np.flatnonzero(block == b)
        rank = np.searchsorted(np.sort(order[here]), order[here]).astype(np.float64)
        out[here] = rank - rank.mean()
    return out


def _curve(line: Array, places: Array) -> Term:
    """A natural cubic spline with knots at quantiles of the control's places."""
    count = min(len(places) - 2, _MOST_CURVE)
    if count < 2:
        return Term(
            line[:, np.newaxis], "drift linear in the order, the control standing at too few places for a curve"
        )
    knots = np.quantile(places, np.linspace(0, 1, count + 1))
    basis = [line, *(_natural(line, knots, k) for k in range(count - 1))]
    columns = np.column_stack(basis)
    return Term(columns - columns.mean(axis=0), f"drift a natural cubic spline of {count} columns in the order")


def _natural(x: Array, knots: Array, k: int) -> Array:
    """A column of the natural cubic spline basis. Source: Hastie, Tibshirani & Friedman (2009), equations 5.4, 5.5."""

    def d(j: int) -> Array:
        last = knots[-1]
        cubes = np.maximum(x - knots[j], 0) ** 3 - np.maximum(x - last, 0) ** 3
        return np.asarray(cubes / (last - knots[j]))

    return d(k) - d(len(knots) - 2)
