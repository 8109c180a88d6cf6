"""Any figure back to its formula, its runs, and the rows of the sheets it was typed in."""

from __future__ import annotations

import math
from typing import Any

from evenbench.analysis import Analysis
from evenbench.compare.comparison import Comparison
from evenbench.compare.derived import ANYTHING, Derived
from evenbench.measure.errors import Correctable, suggest
from evenbench.measure.formula import levels, names
from evenbench.measure.wording import bounded, counted, decimals, number, with_unit
from evenbench.publish.shown import values_text
from evenbench.study.model import Test
from evenbench.study.readings import Readings


class UnknownName(Correctable):
    """A result or product was asked for that the study does not have."""

    def __init__(self, what: str, given: str, known: list[str]) -> None:
        self.what, self.given, self.known = what, given, tuple(known)
        super().__init__(f"the study has no {what} {given!r}. {suggest(given, known)}")


def trace(analysis: Analysis, result: str, product: str) -> dict[str, Any]:
    """Where the figures of one product on one result come from, as plain values for a page, a terminal or JSON.

    Raises UnknownName where the study has no such result, or no such product in its test.
    """
    found = next((d for d in analysis.derived if d.result.name == result), None)
    if found is not None:
        return _derived(analysis, found, product)
    if result not in analysis.study.result_names:
        known = [*analysis.study.result_names, *(d.result.name for d in analysis.derived)]
        raise UnknownName("result", result, known)
    comparison = analysis.comparison(result)
    if product not in comparison.products:
        raise UnknownName("product in this test", product, list(comparison.products))
    test = analysis.study.test(comparison.outcomes.test)
    k = comparison.products.index(product)
    return {
        "result": result,
        "product": product,
        "formula": comparison.result.formula.text,
        "unit": comparison.result.unit.text,
        "constants": {name: q.text for name, q in test.constants.items()},
        "runs": _runs(comparison, analysis.readings, product),
        "beyond": _beyond(comparison, analysis.readings, product),
        "missing": [
            {"run": m.where, "reason": m.reason}
            for m in comparison.outcomes.missing
            if m.where == f"{test.id}, {product}" or m.where.startswith(f"{test.id}, {product} run ")
        ],
        "observations": _observations(analysis, test, product),
        "doubts": [
            {"at": str(d.at), "about": d.about, "because": d.because}
            for d in analysis.doubts
            if (run := analysis.readings.runs[d.run]).test == test.id and run.product == product
        ],
        "estimate": _figure(comparison.estimate[k]),
        "interval": _pair(comparison.low[k], comparison.high[k]),
        "target": comparison.result.target.text if comparison.result.target else None,
        "values": values_text(comparison, k) or None,
        "said": [comparison.sentence(f.other, product) for f in comparison.families if product in f.members],
        "model": {"notes": [*comparison.notes, *comparison.outcomes.notes], "flags": list(comparison.flags)},
        "readings": _declared(test),
    }


def _observations(analysis: Analysis, test: Test, product: str) -> list[dict[str, Any]]:
    """What was seen of a product in a test, or of the test as a whole."""
    runs = analysis.readings.runs
    return [
        {"about": o.about, "said": str(o), "changed": o.changed, "at": o.at, "by": o.by, "where": str(o.place)}
        for o in analysis.observations
        if o.test == test.id and (not o.about or any(runs[n].product == product for n in o.runs))
    ]


def _derived(analysis: Analysis, derived: Derived, product: str) -> dict[str, Any]:
    """Where a derived figure comes from: the formula, and the levels it names, each to be traced in its turn."""
    if product not in derived.products:
        raise UnknownName("product in this test", product, list(derived.products))
    k, result = derived.products.index(product), derived.result
    of = {c.result.id: c for c in derived.of}
    used = [(n, product, n) for n in names(result.formula) if n in of]
    used += [(x.key, x.of or (derived.control or ""), x.id) for x in levels(result.formula)]
    return {
        "result": result.name,
        "product": product,
        "formula": result.formula.text,
        "unit": result.unit.text,
        "constants": {name: q.text for name, q in analysis.study.test(result.test).constants.items()},
        "runs": [],
        "beyond": [],
        "missing": [],
        "observations": [],
        "doubts": [],
        "levels": [_level(of[id], name, whose) for name, whose, id in used],
        "estimate": _figure(derived.estimate[k]),
        "interval": _pair(derived.low[k], derived.high[k]),
        "open": bool(derived.open[k]),
        "said": [derived.why[product]] if product in derived.why else [],
        "model": {"notes": list(derived.notes), "flags": []},
        "readings": {},
    }


def _level(comparison: Comparison, name: str, product: str) -> dict[str, Any]:
    k = comparison.products.index(product) if product in comparison.products else None
    return {
        "name": name,
        "result": comparison.result.name,
        "product": product,
        "unit": comparison.result.unit.text,
        "estimate": None if k is None else _figure(comparison.estimate[k]),
        "n": 0 if k is None else int(comparison.count[k]),
    }


def _runs(comparison: Comparison, readings: Readings, product: str) -> list[dict[str, Any]]:
    outcomes = comparison.outcomes
    out = []
    for n in outcomes.of(product):
        run = readings.runs[int(outcomes.run[n])]
        out.append(
            {
                "run": run.number,
                "block": run.block or None,
                "lane": run.lane or None,
                "order": run.order,
                "specimen": run.specimen or None,
                "note": run.note or None,
                "outcome": float(outcomes.value[n]),
                "level": outcomes.result.levels[int(outcomes.value[n])] if outcomes.result.levels else None,
                "read": None if outcomes.read is None else float(outcomes.read[n]),
                "own_uncertainty": _figure(outcomes.own[n]),
                "bench_interval": _pair(outcomes.bench_low[n], outcomes.bench_high[n]),
                "readings": _rows(readings, outcomes.rows[n]),
            }
        )
    return out


def _rows(readings: Readings, rows: tuple[int, ...]) -> list[dict[str, Any]]:
    return [
        {
            "reading": readings.reading[row],
            "repeat": int(readings.repeat[row]),
            "typed": readings.typed[row],
            "at": str(readings.at[row]),
        }
        for row in rows
    ]


def _beyond(comparison: Comparison, readings: Readings, product: str) -> list[dict[str, Any]]:
    """Runs known within bounds only; an open end is None."""
    return [
        {
            "run": readings.runs[b.run].number,
            "low": _figure(b.low),
            "high": _figure(b.high),
            "readings": _rows(readings, b.rows),
        }
        for b in comparison.outcomes.beyond
        if b.product == product
    ]


def _declared(test: Test) -> dict[str, Any]:
    return {
        r.id: {
            "unit": r.unit.text,
            "instrument": r.instrument.id if r.instrument else None,
            "resolution": r.instrument.resolution.text if r.instrument and r.instrument.resolution else None,
            "repeats": r.repeats,
        }
        for r in test.readings
    }


def as_text(found: dict[str, Any]) -> str:
    """A trace as lines for a terminal."""
    places = decimals(_spread(found))
    unit = found["unit"]
    lines = [f"{found['result']} of {found['product']} = {found['formula']}, in {unit or 'no unit'}"]
    lines += [f"  {name} = {text}" for name, text in found["constants"].items()]
    lines.append("")
    for run in found["runs"]:
        about = [f"{what} {run[what]}" if run[what] else "" for what in ("block", "lane")]
        about += [f"order {run['order']:g}" if run["order"] else ""]
        where = f" ({', '.join(a for a in about if a)})" if any(about) else ""
        outcome = run["level"] or with_unit(number(run["outcome"], places + 1), unit)
        if run["read"] is not None:
            outcome += f" from {found['target']} (value {number(run['read'], places + 1)})"
        bench = ""
        if run["bench_interval"]:
            low, high = (number(x, places + 1) for x in run["bench_interval"])
            bench = f", between {low} and {high} by the errors of the bench alone (95 %)"
        lines.append(f"  run {run['run']}{where}: {outcome}{bench}")
        lines += _typed(found, run)
        if run["note"]:
            lines.append(f"      note: {run['note']}")
    for run in found["beyond"]:
        ends = (-math.inf if run["low"] is None else run["low"], math.inf if run["high"] is None else run["high"])
        lines.append(f"  run {run['run']}: {with_unit(bounded(*ends), unit)}, known within bounds only")
        lines += _typed(found, run)
    for level in found.get("levels", []):
        value = "none" if level["estimate"] is None else with_unit(f"{level['estimate']:.5g}", level["unit"])
        source = f"{level['result']} of {level['product']}, {counted(level['n'], 'run')}"
        lines.append(f"  {level['name']} = {value}   ({source})")
    lines += [f"  {m['run']}: no outcome, {m['reason']}" for m in found["missing"]]
    lines += [f"  {_seen(o)}   {o['where']}" for o in found["observations"]]
    lines += [f"  look again: {d['at']}: {d['about']}: {d['because']}" for d in found["doubts"]]
    lines.append("")
    if found["estimate"] is None:
        lines.append("no estimate")
    else:
        behind = "levels" if "levels" in found else counted(len(found["runs"]), "run")
        what = (
            f"mean distance from {found['target']}" if any(r["read"] is not None for r in found["runs"]) else "estimate"
        )
        text = f"{what} {with_unit(number(found['estimate'], places), unit)} from {behind}"
        if found["interval"]:
            low, high = (number(x, places) for x in found["interval"])
            text += f", between {low} and {high} (95 % for this product alone)"
        if found.get("open"):
            text += f", and it {ANYTHING}"
        lines.append(text)
        if found.get("values"):
            lines.append(f"values: {found['values']}")
    lines += found["said"]
    lines += [f"note: {note}" for note in (*found["model"]["flags"], *found["model"]["notes"])]
    return "\n".join(lines)


def _seen(observation: dict[str, Any]) -> str:
    about = f" ({observation['about']})" if observation["about"] else ""
    changed = "; the procedure was changed" if observation["changed"] else ""
    return f"seen{about}: {observation['said']}{changed}"


def _typed(found: dict[str, Any], run: dict[str, Any]) -> list[str]:
    lines = []
    for r in run["readings"]:
        name = r["reading"] if r["repeat"] == 1 else f"{r['reading']}.{r['repeat']}"
        lines.append(f"      {name} = {with_unit(r['typed'], found['readings'][r['reading']]['unit'])}   {r['at']}")
    return lines


def _spread(found: dict[str, Any]) -> float:
    if found["interval"]:
        return float(found["interval"][1] - found["interval"][0]) / 2
    return max([r["own_uncertainty"] or 0.0 for r in found["runs"]], default=0.0)


def _figure(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _pair(low: float, high: float) -> list[float] | None:
    return [float(low), float(high)] if math.isfinite(low) else None
