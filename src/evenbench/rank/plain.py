"""What a plain rank table would say: places in every test, averaged. Shown last, and never used.

Source of what is wrong with it: V. Belton and T. Gear, "On a short-coming of Saaty's method of analytic
hierarchies", Omega 11 (1983) 228-230: a score that depends on who else is in the table can turn round when one of
them is dropped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.comparison import Comparison
from evenbench.measure.wording import listed, number
from evenbench.rank.placing import Placing
from evenbench.reduce import ranks
from evenbench.study.model import PlainRanks, Study

Array = NDArray[np.float64]

WRONG = (
    "An average of places counts a hair's breadth as much as a mile, makes a whole place of a difference that chance "
    "alone may have made, and depends on which other products are in the table"
)
_MOST_TRIED = 30  # products; of more, none is dropped to see what happens


@dataclass(frozen=True, kw_only=True)
class PlainRank:
    """One product: its place by result, and the average of those it has; None with a reason in `why`."""

    product: str
    average: float | None
    places: Mapping[str, float | None]
    why: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class PlainTable:
    """Products by average place, first come first.

    first    who has the lowest average: one, or several that tie
    says     whom it would put first, and whether that is what the buyers are advised
    wrong    why it is not to be relied on, with whoever turns it round here
    """

    results: tuple[str, ...]
    rows: tuple[PlainRank, ...]
    first: tuple[str, ...]
    says: str
    wrong: str


def plain_table(study: Study, comparisons: tuple[Comparison, ...], placings: tuple[Placing, ...]) -> PlainTable | None:
    """The average finish of every product included; None where the study asks for no such table."""
    declared = study.plain_ranks
    if declared is None:
        return None
    by_name = {c.result.name: c for c in comparisons}
    levels = np.array([[_level(by_name[r], p) for p in declared.products] for r in declared.results])
    places = places_of(levels, declared)
    averages = averages_of(places)
    order = sorted(range(len(declared.products)), key=lambda k: (np.nan_to_num(averages[k], nan=np.inf), k))
    first = _first(averages, declared.products)
    return PlainTable(
        results=declared.results,
        rows=tuple(_row(declared, by_name, places, averages, k) for k in order),
        first=first,
        says=_says(study, first, averages, placings),
        wrong=WRONG + _turned_round(study, declared, levels, first) + ".",
    )


def places_of(levels: Array, declared: PlainRanks) -> Array:
    """The place of every product in every result; nan where it has none.

    levels  float64[results, products], more is better; nan where a product has no level

    >>> declared = PlainRanks(results=("a.x",), products=("p", "q", "r"), ties="average", gaps="last")
    >>> places_of(np.array([[5.0, 7.0, 5.0]]), declared)
    array([[2.5, 1. , 2.5]])
    >>> places_of(np.array([[5.0, np.nan, 7.0]]), declared)
    array([[2., 3., 1.]])
    """
    places = np.full(levels.shape, np.nan)
    for row, level in zip(places, levels, strict=True):
        known = np.isfinite(level)
        row[known] = ranks(-level[known], ties="average" if declared.ties == "average" else "lowest")
        if declared.gaps == "last" and not known.all():
            missing = int((~known).sum())
            row[~known] = int(known.sum()) + ((missing + 1) / 2 if declared.ties == "average" else 1)
    return places


def averages_of(places: Array) -> Array:
    """The average of the places that each product has; nan where it has none."""
    has = np.isfinite(places)
    counts = has.sum(axis=0)
    total = np.where(has, places, 0.0).sum(axis=0)
    # Rounded so that averages of the same places in another order tie.
    average = np.where(counts > 0, total / np.maximum(counts, 1), np.nan)
    return np.asarray(np.round(average, 9), dtype=np.float64)


def _level(comparison: Comparison, product: str) -> float:
    """What a plain table goes by: the mean of the runs, or the middle grade, turned so that more is better."""
    if product not in comparison.products:
        return float("nan")
    k = comparison.products.index(product)
    if comparison.beyond[k] or not comparison.count[k]:
        return float("nan")
    if comparison.result.levels:
        level = float(np.median(comparison.outcomes.value[comparison.outcomes.of(product)]))
    else:
        level = float(comparison.mean[k])
    # Twelve figures: equal means computed by other sums still tie.
    return comparison.result.sign * float(f"{level:.12g}")


def _first(averages: Array, products: tuple[str, ...]) -> tuple[str, ...]:
    if not np.isfinite(averages).any():
        return ()
    best = np.nanmin(averages)
    return tuple(p for p, average in zip(products, averages.tolist(), strict=True) if average == best)


def _row(declared: PlainRanks, by_name: Mapping[str, Comparison], places: Array, averages: Array, k: int) -> PlainRank:
    product = declared.products[k]
    mine = {r: float(p) if np.isfinite(p) else None for r, p in zip(declared.results, places[:, k], strict=True)}
    why = {r: _why(by_name[r], product) for r, place in mine.items() if place is None}
    if not np.isfinite(averages[k]):
        return PlainRank(product=product, average=None, places=mine, why=why | {"average": "it has no place"})
    return PlainRank(product=product, average=float(averages[k]), places=mine, why=why)


def _why(comparison: Comparison, product: str) -> str:
    if product not in comparison.products:
        return f"not in {comparison.label}"
    if comparison.beyond[comparison.products.index(product)]:
        return "a run of it went beyond what could be read, so it has no mean"
    return f"{comparison.label} was not measured on it"


def _says(study: Study, first: tuple[str, ...], averages: Array, placings: tuple[Placing, ...]) -> str:
    names = {p.id: p.name for p in study.products}
    if not first:
        return "A plain rank table would put nobody first: no product has a place."
    text = f"A plain rank table would put {listed([names[p] for p in first])} first"
    text += f" (average place {number(float(np.nanmin(averages)), 2)})."
    titles = {b.id: b.title for b in study.buyers}
    for placing in placings:
        advised = (placing.winner,) if placing.winner else placing.could_be_best
        if advised is None:
            text += f" For {titles[placing.buyer]} no product can be called best."
        elif set(advised) == set(first):
            text += f" That is also the answer for {titles[placing.buyer]}."
        else:
            answer = listed([names[p] for p in advised], last="or")
            text += f" The answer for {titles[placing.buyer]} is another: {answer}."
    return text


def _turned_round(study: Study, declared: PlainRanks, levels: Array, first: tuple[str, ...]) -> str:
    """The fewest products, one or two, without which another would come first though nothing else has changed."""
    products = declared.products
    if not first or len(products) > _MOST_TRIED:
        return ""
    others = [k for k, p in enumerate(products) if p not in first]
    for count in (1, 2):
        for dropped in combinations(others, count):
            kept = [k for k in range(len(products)) if k not in dropped]
            now = _first(averages_of(places_of(levels[:, kept], declared)), tuple(products[k] for k in kept))
            if not set(now) & set(first):
                names = {p.id: p.name for p in study.products}
                without = listed([names[products[k]] for k in dropped])
                return f": without {without}, {listed([names[p] for p in now])} would come first here"
    return ""
