"""Readings -> one outcome per run and result, with its uncertainty taken apart.

Repeats of a reading are averaged before the formula: ten readings of one run are one piece of evidence.
An error of an instrument is carried per error, not per reading: an offset that sits in both terms of a
difference cancels by itself, as it does on the bench (JCGM 100:2008, 5.2.2 note 1).

Throughout this module, for one result of one test:
    N  runs that have an outcome        E  shared errors (an instrument's offset, an instrument's gain)
    slope  change of the outcome per unit of a reading, all in SI
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.formula import evaluate, names, slopes
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import listed
from evenbench.study.model import DeclaredReading, Product, Result, Study, Test
from evenbench.study.readings import NotUsed, Readings

Array = NDArray[np.float64]

# Stands for an open end while a formula is computed: its square is still a number, and readings end at 1e30.
_FAR = 1e100


@dataclass(frozen=True, kw_only=True)
class Missing:
    """A run, or a product of a test, that has no outcome, and why.

    empty  the reason is cells left empty, which Readings.not_used lists already
    """

    where: str
    reason: str
    empty: bool = False


@dataclass(frozen=True, kw_only=True)
class Beyond:
    """A run known within bounds only: beyond the instrument, given up, or noted as more or less than something.

    low, high  in the result's unit, infinite at an open end
    rows       indices into Readings
    """

    product: str
    run: int
    low: float
    high: float
    rows: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcomes(Frozen):
    """One result: one entry per run.

    products      K ids that enter the test, in study order, with or without outcomes
    product       int32[N] index into `products`
    block         int32[N] index into `blocks`; all 0 where the test has no blocks
    order         float64[N] place in the order run; nan where not written down
    value         float64[N] in the result's unit
    own           float64[N] standard uncertainty from resolution, independent per run, in the result's unit.
                  Never added to the scatter between runs, which contains it already
    shared        float64[E, N] what one standard uncertainty of shared error e does to run n
    shared_names  E names: "scale offset"
    run           int32[N] index into Readings.runs
    rows          N tuples of indices into Readings: what each outcome was computed from
    beyond        runs of which only bounds are known
    missing       everything that has neither
    """

    test: str
    result: Result
    products: tuple[str, ...]
    control: str | None
    product: NDArray[np.int32]
    block: NDArray[np.int32]
    blocks: tuple[str, ...]
    order: Array
    value: Array
    own: Array
    shared: Array
    shared_names: tuple[str, ...]
    run: NDArray[np.int32]
    rows: tuple[tuple[int, ...], ...]
    beyond: tuple[Beyond, ...] = ()
    missing: tuple[Missing, ...] = ()

    @property
    def rounding(self) -> float:
        """A scatter of the outcomes too small to be the bench's: a millionth of the instruments' resolution."""
        return 1e-6 * float(np.median(self.own)) if len(self.own) else 0.0

    @property
    def shared_in_part(self) -> dict[str, float]:
        """Readings that some runs share and others do not, with the largest standard uncertainty they bring."""
        out: dict[str, float] = {}
        for name, pull in zip(self.shared_names, self.shared, strict=True):
            reading = name.partition(" of ")[0]
            if " of " in name and 1 < np.count_nonzero(pull) < len(pull):
                out[reading] = max(out.get(reading, 0.0), float(np.abs(pull).max()))
        return out

    def without(self, products: set[str]) -> Outcomes:
        """The same, as if these products had no outcomes."""
        kept = np.array([self.products[k] not in products for k in self.product], dtype=np.bool_)
        return replace(
            self,
            product=self.product[kept],
            block=self.block[kept],
            order=self.order[kept],
            value=self.value[kept],
            own=self.own[kept],
            shared=self.shared[:, kept],
            run=self.run[kept],
            rows=tuple(rows for rows, yes in zip(self.rows, kept, strict=True) if yes),
        )

    def of(self, product: str) -> NDArray[np.intp]:
        """Indices of one product's outcomes."""
        return np.flatnonzero(self.product == self.products.index(product))


def reduce(study: Study, readings: Readings) -> tuple[Outcomes, ...]:
    """The outcomes of every result, tests and results in study order."""
    return tuple(outcomes for test in study.tests for outcomes in _test_outcomes(study, test, readings))


def without_outcome(outcomes: tuple[Outcomes, ...]) -> tuple[NotUsed, ...]:
    """Runs and products that have no outcome for a reason other than cells left empty, each once."""
    missing = dict.fromkeys(m for o in outcomes for m in o.missing if not m.empty)
    return tuple(NotUsed(row=m.where, reason=m.reason) for m in missing)


@dataclass(frozen=True)
class _Averages:
    """Per declared reading, over the runs of one test, in SI; nan where nothing was read.

    mean       what was read, repeats averaged; nan too where an end is open
    low, high  bounds of the mean; equal to it where no end is open
    count      how many repeats
    step       resolution
    rows       indices into Readings
    """

    mean: Mapping[str, Array]
    low: Mapping[str, Array]
    high: Mapping[str, Array]
    count: Mapping[str, Array]
    step: Mapping[str, Array]
    rows: Mapping[str, list[list[int]]]
    declared: Mapping[str, DeclaredReading]

    @classmethod
    def of(cls, test: Test, readings: Readings, runs: list[int]) -> _Averages:
        place = {run: n for n, run in enumerate(runs)}
        rows: dict[str, list[list[int]]] = {r.id: [[] for _ in runs] for r in test.readings}
        for k, served in enumerate(readings.serves):
            for run in served:
                if run in place:
                    rows[readings.reading[k]][place[run]].append(k)
        value = readings.value
        mean: dict[str, Array] = {}
        low: dict[str, Array] = {}
        high: dict[str, Array] = {}
        count: dict[str, Array] = {}
        step: dict[str, Array] = {}
        for reading in test.readings:
            behind = rows[reading.id]
            count[reading.id] = np.array([len(b) for b in behind], dtype=np.float64)
            # An interval with two ends is its middle, wide as its step; only open ends remain bounds.
            ends = [np.where(np.isfinite(value), value, end) for end in (readings.low, readings.high)]
            for into, column in ((mean, value), (low, ends[0]), (high, ends[1])):
                average = np.array([column[b].mean() if b else np.nan for b in behind], dtype=np.float64)
                into[reading.id] = np.asarray(reading.unit.to_si(average), dtype=np.float64)
            steps = np.array([readings.step[b].max() if b else np.nan for b in behind], dtype=np.float64)
            step[reading.id] = np.asarray(reading.unit.difference_to_si(steps), dtype=np.float64)
        return cls(mean, low, high, count, step, rows, {r.id: r for r in test.readings})

    def sharing(self, name: str) -> list[NDArray[np.bool_]]:
        """Groups of runs that share one reading, in the order of their first runs."""
        groups: dict[tuple[int, ...], list[int]] = {}
        for n, rows in enumerate(self.rows[name]):
            if rows:
                groups.setdefault(tuple(rows), []).append(n)
        return [np.isin(np.arange(len(self.rows[name])), group) for group in groups.values()]

    def open_ended(self, n: int) -> list[str]:
        """Readings of run `n` that are known within bounds only."""
        numbers = [name for name, reading in self.declared.items() if reading.is_number]
        return [name for name in numbers if self.count[name][n] and not np.isfinite(self.mean[name][n])]


def _test_outcomes(study: Study, test: Test, readings: Readings) -> list[Outcomes]:
    runs = readings.of_test(test.id)
    averages = _Averages.of(test, readings, runs)
    reduction = _Reduction(test, readings, runs, averages, _given(study, test, readings, runs, averages))
    return [reduction.outcomes(result) for result in test.results]


def _given(study: Study, test: Test, readings: Readings, runs: list[int], averages: _Averages) -> dict[str, Array]:
    """What formulas may name that is no result: readings, constants, product facts; one figure a run, in SI."""
    facts = {p.id: _facts(p) for p in study.products}
    given = {name: averages.mean[name] for name, reading in averages.declared.items() if reading.is_number}
    given |= {name: np.full(len(runs), q.si) for name, q in test.constants.items()}
    for fact in ("price", "pack", "dose"):
        column = [facts[readings.runs[n].product].get(fact, np.nan) for n in runs]
        given[f"product.{fact}"] = np.array(column, dtype=np.float64)
    return given


def _facts(product: Product) -> dict[str, float]:
    amounts = {"price": product.price, "pack": product.pack, "dose": product.dose}
    return {name: q.si for name, q in amounts.items() if q is not None}


def _in_order(results: tuple[Result, ...]) -> list[Result]:
    """Results so that each stands after those its formula names; `parse` has refused circles."""
    ids = {r.id for r in results}
    done: list[Result] = []
    while len(done) < len(results):
        have = {r.id for r in done}
        done += [r for r in results if r.id not in have and set(names(r.formula)) & ids <= have]
    return done


def _computed(test: Test, given: Mapping[str, Array]) -> dict[str, Array]:
    """Every result that is a number, in SI, from what formulas may name."""
    known = dict(given)
    for result in _in_order(test.results):
        if result.outcome == "number":
            value = evaluate(result.formula, {name: known[name] for name in names(result.formula)})
            known[result.id] = np.asarray(value, dtype=np.float64)
    return known


class _Reduction:
    """One test: its runs, what was read in them, and every result computed from that."""

    def __init__(
        self, test: Test, readings: Readings, runs: list[int], averages: _Averages, given: dict[str, Array]
    ) -> None:
        self.test, self.readings, self.runs, self.averages, self.given = test, readings, runs, averages, given
        self.blocks = tuple(dict.fromkeys(readings.runs[n].block for n in runs)) or ("",)
        self.values: dict[str, Array] = {}
        self.gradients: dict[str, dict[str, Array]] = {}
        for result in _in_order(test.results):
            if result.outcome == "number":
                self.compute(result)
            else:
                self.values[result.id] = self.worded(result)
                self.gradients[result.id] = {}
        self.bounds = {n: self.within(n) for n in range(len(runs)) if averages.open_ended(n)}

    def compute(self, result: Result) -> None:
        """Value and slopes with respect to readings, through the other results the formula names."""
        known = self.given | self.values
        value, direct = slopes(result.formula, {name: known[name] for name in names(result.formula)})
        count = len(self.runs)
        total: dict[str, Array] = {}
        for name, slope in direct.items():
            if name in self.averages.declared:
                total[name] = total.get(name, np.zeros(count)) + slope
            for reading, inner in self.gradients.get(name, {}).items():
                total[reading] = total.get(reading, np.zeros(count)) + slope * inner
        self.values[result.id] = np.broadcast_to(np.asarray(value, dtype=np.float64), (count,))
        self.gradients[result.id] = total

    def worded(self, result: Result) -> Array:
        """A grade or category by its level; a place among the runs of its block, ties averaged, unfinished last."""
        [name] = names(result.formula)
        level = self.averages.low[name]
        if result.outcome != "place":
            return level
        out = np.full(len(self.runs), np.nan)
        block = np.array([self.blocks.index(self.readings.runs[n].block) for n in self.runs])
        read = self.averages.count[name] > 0
        for b in range(len(self.blocks)):
            here = np.flatnonzero(read & (block == b))
            out[here] = ranks(level[here])
        return out

    def within(self, n: int) -> dict[str, tuple[float, float]]:
        """Bounds of every result of run `n`, where readings are known within bounds only.

        Every corner of the box of open readings is computed. That bounds a result that rises or falls steadily
        with each of them, as losses, rates and ratios do.
        """
        open_ = self.averages.open_ended(n)
        if len(open_) > 8:
            return {}
        ends = [(self.averages.low[name][n], self.averages.high[name][n]) for name in open_]
        corners = np.clip(np.array(list(product(*ends)), dtype=np.float64), -_FAR, _FAR)
        given = {name: np.full(len(corners), column[n]) for name, column in self.given.items()}
        given |= {name: corners[:, k] for k, name in enumerate(open_)}
        with np.errstate(all="ignore"):
            found = _computed(self.test, given)
        numbers = {r.id: found[r.id] for r in self.test.results if r.outcome == "number"}
        return {id: _span(values) for id, values in numbers.items() if not np.isnan(values).all()}

    def outcomes(self, result: Result) -> Outcomes:
        """Everything one result came to."""
        gradient = self.gradients[result.id]
        off_scale = _off_scale(result, self.values[result.id])
        value = np.where(off_scale, np.nan, self.values[result.id])
        kept = np.flatnonzero(np.isfinite(value))
        own = np.zeros(len(self.runs))
        shared_names, shared = _shared(gradient, self.averages)
        for name, slope in gradient.items():
            # Rectangular over one step: u = step / sqrt(12) (JCGM 100:2008, F.2.2.1); repeats average it.
            pull = slope * self.averages.step[name] / np.sqrt(12 * np.maximum(self.averages.count[name], 1))
            if self.averages.declared[name].of == "run":
                own += pull**2
                continue
            for group in self.averages.sharing(name):
                shared_names += (f"{name} of {self.shared_by(name, int(np.flatnonzero(group)[0]))}",)
                shared.append(np.where(group, pull, 0.0))
        in_unit = result.unit.difference_from_si
        runs = [self.readings.runs[n] for n in self.runs]
        return Outcomes(
            test=self.test.id,
            result=result,
            products=self.test.products,
            control=self.test.control,
            product=np.array([self.test.products.index(runs[n].product) for n in kept], dtype=np.int32),
            block=np.array([self.blocks.index(runs[n].block) for n in kept], dtype=np.int32),
            blocks=self.blocks,
            order=np.array([_order(runs[n].order) for n in kept], dtype=np.float64),
            value=np.asarray(result.unit.from_si(value[kept]), dtype=np.float64),
            own=np.asarray(in_unit(np.sqrt(own[kept])), dtype=np.float64),
            shared=np.array([in_unit(pull[kept]) for pull in shared], dtype=np.float64).reshape(len(shared), len(kept)),
            shared_names=shared_names,
            run=np.array([self.runs[n] for n in kept], dtype=np.int32),
            rows=tuple(self.rows(result, n) for n in kept.tolist()),
            beyond=self.beyond(result, value),
            missing=self.missing(result, value, off_scale),
        )

    def shared_by(self, name: str, n: int) -> str:
        """What run `n` shares a reading with others of: "block monday"."""
        run, what = self.readings.runs[self.runs[n]], self.averages.declared[name].of
        named = {"specimen": run.specimen, "block": run.block, "product": run.product}
        return f"{what} {named.get(what, run.test)}"

    def rows(self, result: Result, n: int) -> tuple[int, ...]:
        """The readings behind one outcome."""
        behind = sorted(self.gradients[result.id]) or [x for x in names(result.formula) if x in self.averages.rows]
        return tuple(k for name in behind for k in self.averages.rows[name][n])

    def beyond(self, result: Result, value: Array) -> tuple[Beyond, ...]:
        """Runs of which only bounds are known."""
        out = []
        for n, found in self.bounds.items():
            # Bounds stand in for an outcome only where nothing that the formula needs is absent.
            if np.isfinite(value[n]) or result.id not in found or self.absent(result, n):
                continue
            low, high = (float(result.unit.from_si(end)) for end in found[result.id])
            run = self.readings.runs[self.runs[n]]
            out.append(Beyond(product=run.product, run=self.runs[n], low=low, high=high, rows=self.rows(result, n)))
        return tuple(out)

    def missing(self, result: Result, value: Array, off_scale: NDArray[np.bool_]) -> tuple[Missing, ...]:
        """Runs and products without an outcome or bounds, and why."""
        bounded = {b.run for b in self.beyond(result, value)}
        out = []
        for n in np.flatnonzero(~np.isfinite(value)).tolist():
            if self.runs[n] in bounded:
                continue
            run = self.readings.runs[self.runs[n]]
            absent = self.absent(result, n)
            note = f" ({run.note})" if run.note else ""
            reason = f"no {listed(absent, last='or')}" if absent else "the formula has no value for these readings"
            if off_scale[n]:
                reason = _WHY_OFF[result.scale].format(id=result.id)
            empty = bool(absent) and all(name in self.averages.count for name in absent)
            out.append(Missing(where=str(run), reason=reason + note, empty=empty))
        ran = {self.readings.runs[n].product for n in self.runs}
        out += [Missing(where=f"{self.test.id}, {p}", reason="no runs") for p in self.test.products if p not in ran]
        return tuple(out)

    def absent(self, result: Result, n: int) -> list[str]:
        """What a formula needed and did not get, followed through the results it names."""
        out: list[str] = []
        results = {r.id: r for r in self.test.results}
        for name in names(result.formula):
            if name in results:
                out += self.absent(results[name], n)
            elif name in self.averages.count:
                out += [name] if self.averages.count[name][n] == 0 else []
            elif not np.isfinite(self.given[name][n]):
                out.append(name)
        return list(dict.fromkeys(out))


_WHY_OFF = {
    "log": "{id} is 0 or less, which has no place on the log scale",
    "logit": "{id} is not between 0 and 100 %, both left out, and so has no place on the logit scale",
}


def _off_scale(result: Result, value: Array) -> NDArray[np.bool_]:
    """Outcomes, in SI, that the result's scale has no place for."""
    if result.scale == "raw":
        return np.zeros(len(value), dtype=np.bool_)
    outside = value <= 0 if result.scale == "log" else (value <= 0) | (value >= 1)
    return np.asarray(outside & np.isfinite(value), dtype=np.bool_)


def _span(values: Array) -> tuple[float, float]:
    """The least and greatest of the corners; open both ways where a corner has no value."""
    if np.isnan(values).any():
        return -np.inf, np.inf
    ends = np.array([values.min(), values.max()])
    ends = np.where(np.abs(ends) > _FAR**0.5, np.copysign(np.inf, ends), ends)
    low, high = np.where(np.abs(ends) < _FAR**-0.5, 0.0, ends).tolist()
    return low, high


def ranks(values: Array, *, ties: Literal["average", "lowest"] = "average") -> Array:
    """Places of values, the least first; equal values share the average of their places, or the lowest.

    Our own five lines, because scipy.stats would add half a second to every command.

    >>> ranks(np.array([2.0, 1.0, 2.0, np.inf])).tolist()
    [2.5, 1.0, 2.5, 4.0]
    >>> ranks(np.array([2.0, 1.0, 2.0, np.inf]), ties="lowest").tolist()
    [2.0, 1.0, 2.0, 4.0]
    """
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    places = last - (counts - 1) / 2 if ties == "average" else last - counts + 1
    return np.asarray(places[inverse], dtype=np.float64)


def _order(order: float | None) -> float:
    return np.nan if order is None else order


def _shared(gradient: Mapping[str, Array], averages: _Averages) -> tuple[tuple[str, ...], list[Array]]:
    """Pulls of each instrument's offset and gain, summed over all readings taken with that instrument."""
    pulls: dict[str, Array] = {}
    for name, slope in gradient.items():
        reading = averages.declared[name]
        instrument = reading.instrument
        if instrument is None:
            continue
        if instrument.offset is not None:
            one = instrument.offset.unit.difference_to_si(instrument.offset.value)
            key = f"{instrument.id} offset"
            pulls[key] = pulls.get(key, np.zeros_like(slope)) + slope * one
        if instrument.gain:
            # A gain is a share of what the instrument shows, so it is taken in the unit of the reading.
            shown = reading.unit.from_si(averages.mean[name])
            one_gain = np.asarray(reading.unit.difference_to_si(shown * instrument.gain))
            key = f"{instrument.id} gain"
            pulls[key] = pulls.get(key, np.zeros_like(slope)) + slope * one_gain
    return tuple(pulls), list(pulls.values())
