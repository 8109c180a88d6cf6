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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.formula import names, slopes
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import listed
from evenbench.study.model import DeclaredReading, Product, Result, Study, Test
from evenbench.study.readings import NotUsed, Readings

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Missing:
    """A run, or a product of a test, that has no outcome, and why.

    empty  the reason is cells left empty, which Readings.not_used lists already
    """

    where: str
    reason: str
    empty: bool = False


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
    missing       everything that has no outcome
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
    missing: tuple[Missing, ...] = ()

    @property
    def rounding(self) -> float:
        """A scatter of the outcomes too small to be the bench's: a millionth of the instruments' resolution."""
        return 1e-6 * float(np.median(self.own)) if len(self.own) else 0.0

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


def _test_outcomes(study: Study, test: Test, readings: Readings) -> list[Outcomes]:
    runs = readings.of_test(test.id)
    averages = _Averages.of(test, readings, runs)
    facts = {p.id: _facts(p) for p in study.products}
    given = {name: averages.mean[name] for name in averages.mean}
    given |= {name: np.full(len(runs), q.si) for name, q in test.constants.items()}
    for fact in ("price", "pack", "dose"):
        column = [facts[readings.runs[n].product].get(fact, np.nan) for n in runs]
        given[f"product.{fact}"] = np.array(column, dtype=np.float64)
    values: dict[str, Array] = {}
    gradients: dict[str, dict[str, Array]] = {}
    for result in _in_order(test.results):
        needs = names(result.formula)
        value, direct = slopes(result.formula, {name: (given | values)[name] for name in needs})
        values[result.id] = np.broadcast_to(np.asarray(value, dtype=np.float64), (len(runs),))
        gradients[result.id] = _chain(direct, gradients, averages, len(runs))
    return [
        _outcomes(test, result, values[result.id], gradients[result.id], averages, readings, runs, given | values)
        for result in test.results
    ]


@dataclass(frozen=True)
class _Averages:
    """Per declared reading, over the runs of one test: mean in SI, how many repeats, step in SI, rows behind."""

    mean: Mapping[str, Array]
    count: Mapping[str, Array]
    step: Mapping[str, Array]
    rows: Mapping[str, list[list[int]]]
    declared: Mapping[str, DeclaredReading]

    @classmethod
    def of(cls, test: Test, readings: Readings, runs: list[int]) -> _Averages:
        place = {run: n for n, run in enumerate(runs)}
        rows: dict[str, list[list[int]]] = {r.id: [[] for _ in runs] for r in test.readings}
        for k, run in enumerate(readings.run):
            if int(run) in place:
                rows[readings.reading[k]][place[int(run)]].append(k)
        mean, count, step = {}, {}, {}
        for reading in test.readings:
            behind = rows[reading.id]
            count[reading.id] = np.array([len(b) for b in behind], dtype=np.float64)
            average = np.array([readings.value[b].mean() if b else np.nan for b in behind], dtype=np.float64)
            mean[reading.id] = np.asarray(reading.unit.to_si(average), dtype=np.float64)
            steps = np.array([readings.step[b].max() if b else np.nan for b in behind], dtype=np.float64)
            step[reading.id] = np.asarray(reading.unit.difference_to_si(steps), dtype=np.float64)
        return cls(mean, count, step, rows, {r.id: r for r in test.readings})


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


def _chain(
    direct: Mapping[str, Array], gradients: Mapping[str, dict[str, Array]], averages: _Averages, count: int
) -> dict[str, Array]:
    """Slopes with respect to readings, through the other results a formula names."""
    total: dict[str, Array] = {}
    for name, slope in direct.items():
        if name in averages.declared:
            total[name] = total.get(name, np.zeros(count)) + slope
        for reading, inner in gradients.get(name, {}).items():
            total[reading] = total.get(reading, np.zeros(count)) + slope * inner
    return total


def _outcomes(
    test: Test,
    result: Result,
    value: Array,
    gradient: Mapping[str, Array],
    averages: _Averages,
    readings: Readings,
    runs: list[int],
    given: Mapping[str, Array],
) -> Outcomes:
    kept = np.flatnonzero(np.isfinite(value))
    blocks = tuple(dict.fromkeys(readings.runs[n].block for n in runs)) or ("",)
    own = np.zeros(len(runs))
    for name, slope in gradient.items():
        # Rectangular over one step: u = step / sqrt(12) (JCGM 100:2008, F.2.2.1); repeats average it.
        own += (slope * averages.step[name]) ** 2 / 12 / np.maximum(averages.count[name], 1)
    shared_names, shared = _shared(gradient, averages)
    in_unit = result.unit.difference_from_si
    return Outcomes(
        test=test.id,
        result=result,
        products=test.products,
        control=test.control,
        product=np.array([test.products.index(readings.runs[runs[n]].product) for n in kept], dtype=np.int32),
        block=np.array([blocks.index(readings.runs[runs[n]].block) for n in kept], dtype=np.int32),
        blocks=blocks,
        order=np.array([_order(readings.runs[runs[n]].order) for n in kept], dtype=np.float64),
        value=np.asarray(result.unit.from_si(value[kept]), dtype=np.float64),
        own=np.asarray(in_unit(np.sqrt(own[kept])), dtype=np.float64),
        shared=np.array([in_unit(pull[kept]) for pull in shared], dtype=np.float64).reshape(len(shared), len(kept)),
        shared_names=shared_names,
        run=np.array([runs[n] for n in kept], dtype=np.int32),
        rows=tuple(tuple(k for name in sorted(gradient) for k in averages.rows[name][n]) for n in kept),
        missing=_missing(test, result, value, averages, readings, runs, given),
    )


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


def _missing(
    test: Test,
    result: Result,
    value: Array,
    averages: _Averages,
    readings: Readings,
    runs: list[int],
    given: Mapping[str, Array],
) -> tuple[Missing, ...]:
    out = []
    for n in np.flatnonzero(~np.isfinite(value)):
        run = readings.runs[runs[n]]
        absent = _absent(result, test, averages, given, int(n))
        note = f" ({run.note})" if run.note else ""
        reason = f"no {listed(absent, last='or')}" if absent else "the formula has no value for these readings"
        empty = bool(absent) and all(name in averages.count for name in absent)
        out.append(Missing(where=str(run), reason=reason + note, empty=empty))
    ran = {readings.runs[n].product for n in runs}
    out += [Missing(where=f"{test.id}, {p}", reason="no runs") for p in test.products if p not in ran]
    return tuple(out)


def _absent(result: Result, test: Test, averages: _Averages, given: Mapping[str, Array], n: int) -> list[str]:
    """What a formula needed and did not get, followed through the results it names."""
    out: list[str] = []
    formulas = {r.id: r.formula for r in test.results}
    for name in names(result.formula):
        if name in formulas and not np.isfinite(given[name][n]):
            inner = next(r for r in test.results if r.id == name)
            out += _absent(inner, test, averages, given, n)
        elif not np.isfinite(given[name][n]) or (name in averages.count and averages.count[name][n] == 0):
            out.append(name)
    return list(dict.fromkeys(out))
