"""Readings -> one outcome per run and result, with its uncertainty taken apart.

Repeats of a reading are averaged before the formula: ten readings of one run are one piece of evidence.
An error of an instrument is carried per error, not per reading: an offset that sits in both terms of a
difference cancels by itself, as it does on the bench (JCGM 100:2008, 5.2.2 note 1).

Errors go along the slopes of the formula. Where a product was run once, nothing but the bench says how well its
value is known: there the errors together are drawn at random if the formula bends enough for it to show.

Throughout this module, for one result of one test:
    N  runs that have an outcome        E  shared errors (an instrument's offset, its gain, a constant)
    slope  change of the outcome per unit of a reading or constant, all in SI
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.formula import (
    Choice,
    Formula,
    calls,
    evaluate,
    for_one_run,
    names,
    needs,
    rests_on,
    size,
    slopes,
    written_out,
)
from evenbench.measure.frozen import Frozen
from evenbench.measure.seeds import seed_of
from evenbench.measure.uncertainty import (
    BENDS,
    DIRECTIONS,
    DRAWS,
    MOST_PAIRED,
    NEAR,
    Error,
    Propagated,
    departure,
    linear,
    propagate,
)
from evenbench.measure.units import Unit
from evenbench.measure.wording import listed
from evenbench.study.columns import Lists, Rows
from evenbench.study.model import BlocksAs, DeclaredReading, Drift, Product, Result, Study, Test
from evenbench.study.readings import NotUsed, Readings
from evenbench.study.sources import constants, instruments, repeats, roundings

Array = NDArray[np.float64]

# Stands for an open end while a formula is computed: its square is still a number, and readings end at 1e30.
_FAR = 1e100
# Outcomes are squared, and squares of squares are summed.
_GREATEST = 1e60


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
    drift         how the rig shifts over that order, as the study declares it
    random_order  whether the order was drawn
    blocks_as     whether each block has a level of its own, or all are a sample
    value         float64[N] in the result's unit
    own           float64[N] standard uncertainty from resolution, independent per run, in the result's unit.
                  Never added to the scatter between runs, which contains it already
    shared        float64[E, N] what one standard uncertainty of shared error e does to run n
    shared_names  E names: "scale offset", "area" for a constant, "dry of specimen A1"
    bench_low, bench_high  float64[N] of a product run once, between which its value lies at 95 % for all that the
                  errors of instruments and constants say; nan for other products. In the result's unit on any scale
    method        how errors were carried through the formula, for the method note
    run           int32[N] index into Readings.runs
    rows          N lists of indices into Readings: what each outcome was computed from
    beyond        runs of which only bounds are known
    missing       everything that has neither
    read          float64[N] of a result near a target, the values whose distances from it are the outcomes; else None
    baseline      float64[N] what each run stood at before, in the unit of the result that is its baseline; else None
    """

    test: str
    result: Result
    products: tuple[str, ...]
    control: str | None
    product: NDArray[np.int32]
    block: NDArray[np.int32]
    blocks: tuple[str, ...]
    order: Array
    drift: Drift
    random_order: bool
    blocks_as: BlocksAs
    value: Array
    own: Array
    shared: Array
    shared_names: tuple[str, ...]
    bench_low: Array
    bench_high: Array
    method: str
    run: NDArray[np.int32]
    rows: Lists
    beyond: tuple[Beyond, ...] = ()
    missing: tuple[Missing, ...] = ()
    read: Array | None = None
    baseline: Array | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """The method in words; nothing for outcomes that are no numbers."""
        return (self.method,) if self.method else ()

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
            bench_low=self.bench_low[kept],
            bench_high=self.bench_high[kept],
            run=self.run[kept],
            rows=self.rows.take(np.flatnonzero(kept)),
            read=None if self.read is None else self.read[kept],
            baseline=None if self.baseline is None else self.baseline[kept],
        )

    def of(self, product: str) -> NDArray[np.intp]:
        """Indices of one product's outcomes."""
        return np.flatnonzero(self.product == self.products.index(product))


def reduce(study: Study, readings: Readings, *, bench: bool = True) -> tuple[Outcomes, ...]:
    """The outcomes of every result, tests and results in study order.

    bench  whether to find what the bench alone says of products run once, which may need random draws
    """
    return tuple(outcomes for test in study.tests for outcomes in _test_outcomes(study, test, readings, bench=bench))


def near_target(outcomes: Outcomes) -> Outcomes:
    """Outcomes of a result that should be near a value, as distances from it; any other outcomes as they are.

    outcomes  values in the unit of the target

    An error that raises a value lengthens the distance of a run above the target, and shortens that of one below.
    """
    target = outcomes.result.target
    if target is None or target.product:
        return outcomes
    above = np.sign(outcomes.value - target.value)
    low, high = _folded(outcomes.bench_low, outcomes.bench_high, target.value)
    ends = [(float(end) for end in _folded(b.low, b.high, target.value)) for b in outcomes.beyond]
    return replace(
        outcomes,
        value=np.abs(outcomes.value - target.value),
        shared=outcomes.shared * above,
        bench_low=low,
        bench_high=high,
        beyond=tuple(replace(b, low=lo, high=hi) for b, (lo, hi) in zip(outcomes.beyond, ends, strict=True)),
        read=outcomes.value,
    )


def _folded(low: Array | float, high: Array | float, target: float) -> tuple[Array, Array]:
    """Between which distances from `target` a value between `low` and `high` lies.

    >>> [end.tolist() for end in _folded(np.array([1.0, 4.0]), np.array([2.0, 8.0]), 5.0)]
    [[3.0, 0.0], [4.0, 3.0]]
    """
    below, above = target - np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64) - target
    # nan, of a value that is not known, stays nan.
    nearest = np.maximum(-np.minimum(below, above), 0.0)
    return np.asarray(nearest, dtype=np.float64), np.asarray(np.maximum(below, above), dtype=np.float64)


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
    scatter    sample standard deviation of the repeats; nan for fewer than two
    step       resolution
    rows       indices into Readings
    """

    mean: Mapping[str, Array]
    low: Mapping[str, Array]
    high: Mapping[str, Array]
    count: Mapping[str, Array]
    scatter: Mapping[str, Array]
    step: Mapping[str, Array]
    rows: Mapping[str, Lists]
    declared: Mapping[str, DeclaredReading]

    @classmethod
    def of(cls, test: Test, readings: Readings, runs: Rows) -> _Averages:
        value = readings.value
        mean: dict[str, Array] = {}
        low: dict[str, Array] = {}
        high: dict[str, Array] = {}
        count: dict[str, Array] = {}
        scatter: dict[str, Array] = {}
        step: dict[str, Array] = {}
        rows = readings.behind(runs, [r.id for r in test.readings])
        for reading in test.readings:
            cells, owner = rows[reading.id].member, rows[reading.id].owner
            n = rows[reading.id].length.astype(np.float64)
            count[reading.id] = n
            read = value[cells]
            average = _over_runs(read, owner, n)
            with np.errstate(invalid="ignore"):
                square = _over_runs((read - average[owner]) ** 2, owner, n) * n
                spread = np.sqrt(np.where(n > 1, square / np.maximum(n - 1, 1), np.nan))
            ends = [np.where(np.isfinite(read), read, end[cells]) for end in (readings.low, readings.high)]
            for into, column in (
                (mean, average),
                (low, _over_runs(ends[0], owner, n)),
                (high, _over_runs(ends[1], owner, n)),
            ):
                into[reading.id] = np.asarray(reading.unit.to_si(column), dtype=np.float64)
            coarsest = np.full(len(runs), np.nan)
            np.fmax.at(coarsest, owner, readings.step[cells])
            for into, column in ((step, coarsest), (scatter, spread)):
                into[reading.id] = np.asarray(reading.unit.difference_to_si(column), dtype=np.float64)
        return cls(mean, low, high, count, scatter, step, rows, {r.id: r for r in test.readings})

    def sharing(self, name: str, runs: Rows) -> NDArray[np.intp]:
        """intp[runs] for each of `runs` a number that it has in common with those that share its reading; -1 alone."""
        if self.declared[name].of == "run":
            return np.full(len(runs), -1)
        lists = self.rows[name]
        first = np.append(lists.member, -1)[lists.start[:-1]]
        _, group, count = np.unique(first[runs], return_inverse=True, return_counts=True)
        return np.asarray(np.where((count[group] > 1) & (lists.length[runs] > 0), group, -1), dtype=np.intp)

    def at(self, runs: Rows) -> _Averages:
        """The same of some runs."""
        columns = (self.mean, self.low, self.high, self.count, self.scatter, self.step)
        mean, low, high, count, scatter, step = ({name: c[runs] for name, c in whole.items()} for whole in columns)
        rows = {name: lists.take(runs) for name, lists in self.rows.items()}
        return _Averages(mean, low, high, count, scatter, step, rows, self.declared)

    @property
    def open_ended(self) -> dict[int, list[str]]:
        """For each run that has any, the readings that are known within bounds only."""
        out: dict[int, list[str]] = {}
        for name, reading in self.declared.items():
            if reading.is_number:
                for n in np.flatnonzero((self.count[name] > 0) & ~np.isfinite(self.mean[name])).tolist():
                    out.setdefault(n, []).append(name)
        return out


def _over_runs(values: Array, owner: Rows, count: Array) -> Array:
    """The mean of each run's values; nan where it has none."""
    with np.errstate(invalid="ignore"):
        total = np.bincount(owner, weights=values, minlength=len(count))
        return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan), dtype=np.float64)


def _test_outcomes(study: Study, test: Test, readings: Readings, *, bench: bool) -> list[Outcomes]:
    runs = np.array(readings.of_test(test.id), dtype=np.intp)
    averages = _Averages.of(test, readings, runs)
    reduction = _Reduction(study, test, readings, runs, averages, _given(study, test, readings, runs, averages))
    # A figure near the end of what a number can hold has errors beyond it: infinite, and no reason to warn.
    with np.errstate(over="ignore", invalid="ignore"):
        return [reduction.outcomes(result, bench=bench) for result in test.results]


def _given(study: Study, test: Test, readings: Readings, runs: Rows, averages: _Averages) -> dict[str, Array]:
    """What formulas may name that is no result: readings, constants, product facts; one figure a run, in SI."""
    facts = {p.id: _facts(p) for p in study.products}
    given = {name: averages.mean[name] for name, reading in averages.declared.items() if reading.is_number}
    given |= {name: np.full(len(runs), q.si) for name, q in test.constants.items()}
    for fact in ("price", "pack", "dose"):
        product = readings.runs.product.take(runs)
        given[f"product.{fact}"] = product.mapped(partial(_fact, facts, fact), np.float64)
    return given


def _fact(facts: Mapping[str, Mapping[str, float]], fact: str, product: str) -> float:
    return facts[product].get(fact, np.nan)


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


def _computed(formulas: Mapping[str, Formula], given: Mapping[str, Array]) -> dict[str, Array]:
    """Every result that is a number, in SI, from what formulas may name; each after those it names."""
    known = dict(given)
    for id, formula in formulas.items():
        value = evaluate(formula, {name: known[name] for name in names(formula)})
        known[id] = np.asarray(value, dtype=np.float64)
    return known


class _Reduction:
    """One test: its runs, what was read in them, and every result computed from that."""

    def __init__(
        self, study: Study, test: Test, readings: Readings, runs: Rows, averages: _Averages, given: dict[str, Array]
    ) -> None:
        self.study, self.test, self.readings, self.runs = study, test, readings, runs
        self.averages, self.given = averages, given
        count = sum(result.outcome == "number" for one in study.tests for result in one.results)
        self.draws = _DRAWS_OF_STUDY // max(count, 1)
        self.numbers = [reading for reading in test.readings if reading.is_number]
        self.roundings = roundings(self.numbers, averages)
        self.common = [*instruments(self.numbers, averages), *constants(test.constants)]
        block = readings.runs.block.take(runs)
        self.blocks = tuple(dict.fromkeys(block)) or ("",)
        self.block = block.mapped(self.blocks.index, np.int32)
        self.product = readings.runs.product.take(runs).mapped(test.products.index, np.int32)
        self.values: dict[str, Array] = {}
        self.gradients: dict[str, dict[str, Array]] = {}
        self.written: dict[str, Formula | None] = {}
        self.rests: dict[str, dict[str, NDArray[np.bool_]]] = {}
        for result in _in_order(test.results):
            if result.outcome == "number":
                self.compute(result)
            else:
                self.values[result.id] = self.worded(result)
                self.gradients[result.id] = {}
        self.bounds = {n: self.within(n, names) for n, names in averages.open_ended.items()}

    def compute(self, result: Result) -> None:
        """Value and slopes with respect to readings and constants, through the other results the formula names."""
        known = self.given | self.values
        given = {name: known[name] for name in names(result.formula)}
        value, direct = slopes(result.formula, given)
        count = len(self.runs)
        total: dict[str, Array] = {}
        for name, slope in direct.items():
            if name in self.averages.declared or name in self.test.constants:
                total[name] = total.get(name, np.zeros(count)) + slope
            for reading, inner in self.gradients.get(name, {}).items():
                total[reading] = total.get(reading, np.zeros(count)) + _along(slope, inner)
        self.values[result.id] = np.broadcast_to(np.asarray(value, dtype=np.float64), (count,))
        self.gradients[result.id] = total
        self.written[result.id] = self.in_readings(result)
        if "first_of" in calls(result.formula) or any(name in self.rests for name in given):
            self.rests[result.id] = self.rested_on(result, given)

    def in_readings(self, result: Result) -> Formula | None:
        """The formula with those of the results that it names written out; None where it grows too long."""
        named = {name: self.written[name] for name in names(result.formula) if name in self.written}
        parts = {name: formula for name, formula in named.items() if formula is not None}
        return written_out(result.formula, parts) if len(parts) == len(named) else None

    def rested_on(self, result: Result, given: Mapping[str, Array]) -> dict[str, NDArray[np.bool_]]:
        """In which runs the value rests on each reading, and not on another that first_of took in its place."""
        out: dict[str, NDArray[np.bool_]] = {}
        for name, here in rests_on(result.formula, given).items():
            inner = self.rests.get(name) or dict.fromkeys(self.gradients.get(name, {name: here}), here)
            for reading, there in inner.items():
                out[reading] = out.get(reading, np.zeros(len(self.runs), dtype=np.bool_)) | (here & there)
        return out

    def worded(self, result: Result) -> Array:
        """A grade or category by its level; a place among the runs of its block, ties averaged, unfinished last."""
        [name] = names(result.formula)
        level = self.averages.low[name]
        if result.outcome != "place":
            return level
        out = np.full(len(self.runs), np.nan)
        block = self.block
        read = self.averages.count[name] > 0
        for b in range(len(self.blocks)):
            here = np.flatnonzero(read & (block == b))
            out[here] = ranks(level[here])
        return out

    def within(self, n: int, open_: list[str]) -> dict[str, tuple[float, float]]:
        """Bounds of every result of run `n`, of which the readings `open_` are known within bounds only.

        Every corner of the box of open readings is computed. That bounds a result that rises or falls steadily
        with each of them, as losses, rates and ratios do.
        """
        if len(open_) > 8:
            return {}
        ends = [(self.averages.low[name][n], self.averages.high[name][n]) for name in open_]
        corners = np.clip(np.array(list(product(*ends)), dtype=np.float64), -_FAR, _FAR)
        given = {name: np.full(len(corners), column[n]) for name, column in self.given.items()}
        given |= {name: corners[:, k] for k, name in enumerate(open_)}
        formulas = self.formulas_of(n)
        with np.errstate(all="ignore"):
            found = _computed(formulas, given)
        return {id: _span(found[id]) for id in formulas if not np.isnan(found[id]).all()}

    def formulas_of(self, n: int) -> dict[str, Formula]:
        """The formula of every result for run `n`, each after those it names: of a first_of, what serves the run."""
        formulas = {r.id: r.formula for r in _in_order(self.test.results) if r.outcome == "number"}
        if not self.rests:
            return formulas
        known = {name: float(column[n]) for name, column in self.given.items()}
        read = {name for name, count in self.averages.count.items() if count[n] > 0}
        has = read | {name for name, value in known.items() if np.isfinite(value)}
        for id, formula in formulas.items():
            formulas[id] = for_one_run(formula, known, has.__contains__)
            known[id] = float(self.values[id][n])
            has |= {id} if set(names(formulas[id])) <= has else set()
        return formulas

    def outcomes(self, result: Result, *, bench: bool) -> Outcomes:
        """Everything one result came to."""
        off_scale = _off_scale(result, self.values[result.id])
        value = np.where(off_scale | (np.abs(self.values[result.id]) > _GREATEST), np.nan, self.values[result.id])
        before = self.baseline(result)
        if before is not None:
            value = np.where(np.isfinite(before), value, np.nan)
        kept = np.flatnonzero(np.isfinite(value))
        own, shared, folded = self.pulled(result, kept)
        says = self.bench(result, kept, own, drawn=bench)
        unit = result.target.unit if result.target else result.unit
        in_unit = unit.difference_from_si
        # What is left of two equal figures after binary arithmetic is nothing.
        value[kept] = np.where(np.abs(value[kept]) < 1e-9 * own, 0.0, value[kept])
        order = self.readings.runs.order[self.runs]
        outcomes = Outcomes(
            test=self.test.id,
            result=result,
            products=self.test.products,
            control=self.test.control,
            product=self.product[kept],
            block=self.block[kept],
            blocks=self.blocks,
            order=order[kept],
            drift=self.test.drift,
            random_order=self.test.order == "random",
            blocks_as=self.test.blocks_as,
            value=np.asarray(unit.from_si(value[kept]), dtype=np.float64),
            own=np.asarray(in_unit(says.own), dtype=np.float64),
            shared=np.array([in_unit(p) for p in shared.values()], dtype=np.float64).reshape(len(shared), len(kept)),
            shared_names=tuple(shared),
            bench_low=np.asarray(unit.from_si(says.low), dtype=np.float64),
            bench_high=np.asarray(unit.from_si(says.high), dtype=np.float64),
            method=says.method + folded,
            run=self.runs[kept].astype(np.int32),
            rows=self.rows(result).take(kept),
            beyond=self.beyond(result, value),
            missing=self.missing(result, value, off_scale),
            baseline=None if before is None else before[kept],
        )
        return near_target(outcomes)

    def baseline(self, result: Result) -> Array | None:
        """What every run stood at before, in the unit of the result that says so; nan where its scale has no place."""
        if not result.baseline:
            return None
        before = next(r for r in self.test.results if r.id == result.baseline)
        value = self.values[before.id]
        off = _off_scale(replace(before, scale=result.scale), value)
        return np.asarray(before.unit.from_si(np.where(off, np.nan, value)), dtype=np.float64)

    # -- errors

    def pulled(self, result: Result, kept: Rows) -> tuple[Array, dict[str, Array], str]:
        """What errors do to the outcomes of the runs `kept`, in SI.

        First the standard uncertainty by rounding of each run alone; then one standard uncertainty of each error
        that runs share, by its name; then what to say of errors that are too many to be followed.
        """
        folded = ""
        gradient = {name: slope[kept] for name, slope in self.gradients[result.id].items()}
        own = np.zeros(len(kept))
        shared = {e.name: _pull(e, gradient, kept) for e in self.common if not gradient.keys().isdisjoint(e.pulls)}
        for error in self.roundings:
            [name] = error.pulls
            if name not in gradient:
                continue
            pull, group = _pull(error, gradient, kept), self.averages.sharing(name, kept)
            groups = np.unique(group[group >= 0])
            if len(groups) * len(kept) > _MOST_SHARED:
                group, groups, folded = np.full(len(kept), -1), groups[:0], _FOLDED
            own = np.hypot(own, np.where(group < 0, pull, 0.0))
            members = [(np.flatnonzero(group == g), g) for g in groups]
            for where, g in sorted(members, key=lambda found: int(found[0][0])):
                whose = f"{name} of {self.shared_by(name, int(kept[where[0]]))}"
                shared[whose] = np.where(group == g, pull, 0.0)
        return own, shared, folded

    def bench(self, result: Result, kept: Rows, own: Array, *, drawn: bool) -> _Bench:
        """What the bench alone says of products run once, and how errors were carried."""
        count = np.bincount(self.product[kept], minlength=1)[self.product[kept]]
        single, formula = np.flatnonzero(count == 1), self.written.get(result.id)
        nothing = np.full(len(kept), np.nan)
        if formula is None or not drawn:
            return _Bench(own, nothing, nothing.copy(), _STRAIGHT if result.outcome == "number" else "")
        bends = self.bends_in_common(formula, kept[np.flatnonzero(count > 1)])
        if not len(single):
            return _Bench(own, nothing, nothing.copy(), _STRAIGHT + bends)
        alone = _Alone(self, result, formula, kept[single])
        found, low, high = own.copy(), nothing, nothing.copy()
        found[single], low[single], high[single] = alone.own, alone.low, alone.high
        return _Bench(found, low, high, alone.method + bends)

    def bends_in_common(self, formula: Formula, runs: Rows) -> str:
        """What to say where errors that all runs share bend the formula by a twentieth of what they do to it.

        Looked at in one run of each product: `runs` are those of products run more than once.
        """
        _, first = np.unique(self.product[runs], return_index=True)
        at = runs[first]
        errors = [e for e in self.common if not set(names(formula)).isdisjoint(e.pulls)]
        if not errors or not len(at) or work(formula, len(errors)) > _MOST_WORK:
            return ""
        errors = [_where_read(_at(error, at)) for error in errors]
        values = self.values_of(formula, at)
        far, u = departure(formula, values, errors), linear(formula, values, errors).u
        return _BENT if np.any(far > u / 20) else ""

    def values_of(self, formula: Formula, runs: Rows) -> dict[str, Array]:
        """What a formula that names no result computes with, in SI."""
        return {name: self.given[name][runs] for name in names(formula)}

    def shared_by(self, name: str, n: int) -> str:
        """What run `n` shares a reading with others of: "block monday"."""
        run, what = self.readings.runs[int(self.runs[n])], self.averages.declared[name].of
        named = {"specimen": run.specimen, "block": run.block, "product": run.product}
        return f"{what} {named.get(what, run.test)}"

    def rows(self, result: Result) -> Lists:
        """The readings behind the outcome of each run."""
        named = [x for x in names(result.formula) if x in self.averages.rows]
        read = [name for name in sorted(self.gradients[result.id]) if name in self.averages.rows]
        members, owners = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
        for name in read or named:
            member, owner = self.averages.rows[name].member, self.averages.rows[name].owner
            if (rests := self.rests.get(result.id)) is not None:
                member, owner = member[rests[name][owner]], owner[rests[name][owner]]
            members.append(member)
            owners.append(owner)
        return Lists.grouped(np.concatenate(members), np.concatenate(owners), len(self.runs))

    def beyond(self, result: Result, value: Array) -> tuple[Beyond, ...]:
        """Runs of which only bounds are known."""
        out, rows = [], self.rows(result)
        for n, found in self.bounds.items():
            # Bounds stand in for an outcome only where nothing that the formula needs is absent.
            if np.isfinite(value[n]) or result.id not in found or self.absent(result, n):
                continue
            unit = result.target.unit if result.target else result.unit
            low, high = (float(unit.from_si(end)) for end in found[result.id])
            at = int(self.runs[n])
            product = self.readings.runs.product[at]
            out.append(Beyond(product=product, run=at, low=low, high=high, rows=rows[n]))
        return tuple(out)

    def missing(self, result: Result, value: Array, off_scale: NDArray[np.bool_]) -> tuple[Missing, ...]:
        """Runs and products without an outcome or bounds, and why."""
        bounded = {b.run for b in self.beyond(result, value)}
        out = []
        for n in np.flatnonzero(~np.isfinite(value)).tolist():
            if int(self.runs[n]) in bounded:
                continue
            run = self.readings.runs[int(self.runs[n])]
            absent = self.absent(result, n)
            note = f" ({run.note})" if run.note else ""
            reason = _without(absent) if absent else "the formula has no value for these readings"
            if result.baseline and not absent and np.isfinite(self.values[result.id][n]) and not off_scale[n]:
                reason = f"{result.baseline}, at which products are compared, has no value here"
            if off_scale[n]:
                reason = _WHY_OFF[result.scale].format(id=result.id)
            empty = bool(absent) and all(name in self.averages.count for lack in absent for name in _named(lack))
            out.append(Missing(where=str(run), reason=reason + note, empty=empty))
        ran = set(self.product.tolist())
        absent_ = [p for k, p in enumerate(self.test.products) if k not in ran]
        out += [Missing(where=f"{self.test.id}, {p}", reason="no runs") for p in absent_]
        return tuple(out)

    def absent(self, result: Result, n: int) -> list[_Lack]:
        """What a formula needed and did not get, followed through the results it names."""
        done: dict[str, list[_Lack]] = {}
        for r in _in_order(self.test.results):
            done[r.id] = self.lacking(needs(r.formula), n, done)
        before = done.get(result.baseline, [])
        return list(dict.fromkeys([*done[result.id], *before]))

    def lacking(self, needed: tuple[str | Choice, ...], n: int, done: Mapping[str, list[_Lack]]) -> list[_Lack]:
        """Which of some needs run `n` lacks; `done` says it of the results."""
        out: list[_Lack] = []
        for need in needed:
            if isinstance(need, Choice):
                each = tuple(tuple(self.lacking(one, n, done)) for one in need.of)
                out += [_Neither(each)] if all(each) else []
            elif need in done:
                out += done[need]
            elif need in self.averages.count:
                out += [need] if self.averages.count[need][n] == 0 else []
            elif not np.isfinite(self.given[need][n]):
                out.append(need)
        return list(dict.fromkeys(out))


@dataclass(frozen=True)
class _Neither:
    """What each value of a first_of lacks, where all lack something."""

    of: tuple[tuple[_Lack, ...], ...]


_Lack = str | _Neither


def _named(lack: _Lack) -> list[str]:
    """The names in what is lacking."""
    return [lack] if isinstance(lack, str) else [name for one in lack.of for part in one for name in _named(part)]


def _without(absent: list[_Lack]) -> str:
    """What a run lacks, in words.

    >>> _without(["dry", _Neither((("before", "after"), ("loss_given",)))])
    'no dry, and neither before and after nor loss_given'
    """
    plain = [lack for lack in absent if isinstance(lack, str)]
    parts = [f"no {listed(plain, last='or')}"] if plain else []
    for lack in absent:
        if isinstance(lack, _Neither):
            each = [listed([listed(_named(part), last="or") for part in one]) for one in lack.of]
            parts.append(f"neither {' nor '.join(each)}")
    return ", and ".join(parts)


# ------------------------------------------------------------------------------------------- what the bench alone says

_STRAIGHT = "errors of readings and constants: linear, by the slopes of the formula"
_BENT = "; what all runs share bends the formula, and intervals of levels follow its slopes all the same"
_FOLDED = "; readings that few of very many runs share are taken as each run's own"
_MOST_SHARED = 5_000_000  # figures of errors that some runs share


@dataclass(frozen=True)
class _Bench:
    """In SI, one element an outcome: `own`, `low` and `high` as in Outcomes, and the method."""

    own: Array
    low: Array
    high: Array
    method: str


class _Alone:
    """Products run once: what all errors together leave of their values, in SI."""

    def __init__(self, whole: _Reduction, result: Result, formula: Formula, runs: Rows) -> None:
        self.whole, self.formula, self.runs, self.unit = whole, formula, runs, result.unit
        self.seed = seed_of(whole.study.id, f"uncertainty {result.name}")
        self.values = whole.values_of(formula, runs)
        straight = linear(formula, self.values, self.errors(runs))
        alone = linear(formula, self.values, self.errors(runs, shared=False))
        self.own, self.low, self.high = alone.u.copy(), straight.low.copy(), straight.high.copy()
        self.method = _STRAIGHT
        if work(formula, len(self.errors(runs))) > _MOST_WORK:
            return
        bent, bent_alone = self.bent(straight.u, shared=True), self.bent(alone.u, shared=False)
        # What takes long is the formula: one of twenty parts is computed as fast as its errors are drawn.
        draws = draws_for((len(bent) + len(bent_alone)) * math.ceil(size(formula) / 20), whole.draws)
        self.method = f"{_STRAIGHT}{_TOO_MANY}" if bent and not draws else _STRAIGHT
        if draws:
            for k in bent_alone:
                u = float(self.drawn(k, alone.u, draws, shared=False).u[0])
                self.own[k] = u if np.isfinite(u) else self.own[k]
            drawn = {k: self.drawn(k, straight.u, draws, shared=True) for k in bent}
            for k, found in drawn.items():
                self.low[k], self.high[k] = found.low[0], found.high[0]
            self.method = self.said(tuple(found for found in drawn.values() if found.draws), draws)

    def said(self, drawn: tuple[Propagated, ...], draws: int) -> str:
        """The method in words."""
        if not drawn:
            return _STRAIGHT
        where = "" if len(drawn) == len(self.runs) else f" in {len(drawn)} of {len(self.runs)}; linear in the others"
        how = f"errors of products run once: Monte Carlo, {draws:,} draws, seed {self.seed}{where}"
        return "; ".join(dict.fromkeys([how, *(found.why for found in drawn if found.why not in (BENDS, NEAR))]))

    def errors(self, runs: Rows, *, shared: bool = True) -> list[Error]:
        """Errors of some runs; without those that runs share, rounding alone."""
        averages, numbers = self.whole.averages, [r for r in self.whole.numbers if r.id in self.values]
        here = averages.at(runs)
        rounded = roundings(numbers, here)
        if shared:
            common = [_at(error, runs) for error in self.whole.common]
            return [_where_read(error) for error in (*rounded, *repeats(numbers, here, averages), *common)]
        rounded = [_where_read(error) for error in rounded]
        return [
            replace(error, pulls={name: np.where(averages.sharing(name, self.runs)[self.within(runs)] < 0, pull, 0.0)})
            for error in rounded
            for name, pull in error.pulls.items()
        ]

    def within(self, runs: Rows) -> Rows:
        """Where some of the runs stand among all."""
        return np.searchsorted(self.runs, runs)

    def bent(self, u: Array, *, shared: bool) -> list[int]:
        """Runs whose figures would show that the formula is no straight line within its errors."""
        far = departure(self.formula, self.values, self.errors(self.runs, shared=shared))
        return list(np.flatnonzero(~(far <= half_unit(u, self.unit))).tolist())

    def drawn(self, k: int, u: Array, draws: int, *, shared: bool) -> Propagated:
        """The figures of one run, by the value of each first_of that serves it."""
        values = {name: float(column[k]) for name, column in self.values.items()}
        formula = for_one_run(self.formula, values, lambda name: bool(np.isfinite(values[name])))
        half = float(half_unit(u, self.unit)[k])
        return propagate(
            formula,
            {name: [value] for name, value in values.items()},
            self.errors(self.runs[[k]], shared=shared),
            seed=self.seed,
            half_unit=half if half > 0 else _NONE,
            draws=draws,
        )


_NONE = 1e-300  # stands for half a unit of a figure that has none


def half_unit(u: Array, unit: Unit) -> Array:
    """Half a unit of the second figure of a standard uncertainty, both in SI: what a printed figure can show of it.

    unit  in which it is printed

    inf where there is no uncertainty, nan where it is not known

    >>> from evenbench.measure.units import PURE
    >>> half_unit(np.array([0.128062, 27.0, 0.0]), PURE)
    array([0.005, 0.5  ,   inf])
    """
    with np.errstate(divide="ignore"):
        half = unit.difference_to_si(0.5 * 10.0 ** (np.floor(np.log10(unit.difference_from_si(u))) - 1))
    return np.asarray(np.where(u > 0, half, np.where(u == 0, np.inf, np.nan)), dtype=np.float64)


def work(formula: Formula, errors: int) -> int:
    """How many parts are computed to see whether a formula bends within so many errors."""
    return size(formula) * (2 * errors**2 if errors <= MOST_PAIRED else 2 * errors + 2 * DIRECTIONS)


_MOST_WORK = 20_000  # a fifth of a second


def draws_for(runs: int, most: int) -> int:
    """Draws for each of so many runs, `most` together, so that nobody waits; 0 where they would be too few for each.

    >>> [draws_for(runs, 4_000_000) for runs in (1, 13, 50, 300, 1000, 0)]
    [200000, 200000, 50000, 10000, 0, 0]
    """
    return next((draws for draws in (DRAWS, 100_000, 50_000, 20_000, 10_000) if 0 < runs * draws <= most), 0)


_DRAWS_OF_STUDY = 4_000_000  # about a second
_TOO_MANY = "; it bends within them, in too many runs to draw for each"


def _along(slope: Array, pull: Array) -> Array:
    """A slope times what moves along it; 0 where the slope is, whatever is missing there."""
    return np.asarray(np.where(slope == 0, 0.0, slope * pull), dtype=np.float64)


def _pull(error: Error, gradient: Mapping[str, Array], kept: Rows) -> Array:
    """What one standard uncertainty of an error does to each outcome."""
    out = np.zeros(len(kept))
    for name, pull in error.pulls.items():
        if name in gradient:
            out += _along(gradient[name], pull[kept] if isinstance(pull, np.ndarray) else np.asarray(pull))
    return out


def _where_read(error: Error) -> Error:
    """The error without what it would do to readings that a run does without."""
    return replace(error, pulls={name: np.nan_to_num(pull, nan=0.0) for name, pull in error.pulls.items()})


def _at(error: Error, runs: Rows) -> Error:
    """The error as some of the runs have it."""
    return replace(error, pulls={name: p[runs] if isinstance(p, np.ndarray) else p for name, p in error.pulls.items()})


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
