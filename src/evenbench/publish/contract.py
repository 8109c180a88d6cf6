"""The results contract: one JSON document, format 1, described by docs/results.schema.json.

Figures are in the result's unit at full precision. A figure that cannot be computed is null, and `why` beside
it gives the reason by key.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from evenbench.analysis import Analysis
from evenbench.compare.against import Family
from evenbench.compare.comparison import Comparison
from evenbench.compare.derived import Derived
from evenbench.compare.scale import measure, published
from evenbench.judge.precautions import Precautions
from evenbench.rank.placing import Placing
from evenbench.study.observations import Observation

LATER = "comes with a later version"


def contract(analysis: Analysis) -> dict[str, Any]:
    """Everything published, as plain lists, dicts, texts, numbers and None."""
    tests: dict[str, Any] = {}
    for comparison, precautions in zip(analysis.comparisons, analysis.precautions, strict=True):
        test = tests.setdefault(comparison.outcomes.test, {"control": comparison.outcomes.control, "results": {}})
        test["results"][comparison.result.id] = _result(comparison, precautions)
    behind = {c.result.name: p for c, p in zip(analysis.comparisons, analysis.precautions, strict=True)}
    for derived in analysis.derived:
        results = tests[derived.result.test]["results"]
        results[derived.result.id] = _derived(derived, behind[derived.of[0].result.name])
    return {
        "format": 1,
        "engine": analysis.engine,
        "study": {"id": analysis.study.id, "title": analysis.study.title},
        "tests": tests,
        "buyers": {placing.buyer: _buyer(placing) for placing in analysis.placings},
        "claims": [
            {"product": c.product, "says": c.claim.says, "verdict": c.verdict, "because": c.because}
            for c in analysis.claims
        ],
        "questions": [{"asks": a.question.asks, "answer": a.answer, "because": a.because} for a in analysis.answers],
        "price": _price(analysis),
        "plain_ranks": _plain(analysis),
        "precautions": _precautions(analysis.study_precautions),
        "observations": [_observation(o) for o in analysis.observations],
        "doubts": [{"at": str(d.at), "about": d.about, "because": d.because} for d in analysis.doubts],
        "not_used": [{"row": n.row, "reason": n.reason} for n in analysis.not_used],
    }


def _result(comparison: Comparison, precautions: Precautions) -> dict[str, Any]:
    result, fit = comparison.result, comparison.fit
    best = comparison.best.names
    close = [list(best)] if best is not None and len(best) > 1 else []
    return {
        "outcome": result.outcome,
        "unit": result.unit.text,
        "better": result.better,
        **({"target": _target(comparison)} if result.target else {}),
        "kind": result.kind,
        "scale": result.scale,
        "matters": _matters(comparison),
        **({"capped_at": result.capped_at} if result.capped_at is not None else {}),
        "primary": result.primary,
        "model": {
            "text": fit.text if fit else None,
            "df": fit.df if fit else None,
            "residual_sd": _figure(fit.sd) if fit else None,
            "notes": [*comparison.notes, *comparison.outcomes.notes],
            "flags": list(comparison.flags),
            "why": _no_model(comparison),
        },
        "products": {p: _product(comparison, k) for k, p in enumerate(comparison.products)},
        "level": comparison.level,
        "interim": False,
        "precautions": _precautions(precautions),
        "could_be_best": None if best is None else list(best),
        "too_close_to_call": close,
        "pairs": None,
        "why": {"pairs": LATER}
        | ({"could_be_best": comparison.best.why} if best is None else {})
        | ({"matters": _no_margin(comparison)} if comparison.matters is None else {}),
    }


def _target(comparison: Comparison) -> dict[str, Any]:
    """What the result should be near: a value, or the level of another product."""
    target = comparison.result.target
    if target is None:
        return {}
    value = {} if target.product else {"value": target.value}
    return {"text": target.text, **value, **({"product": target.product} if target.product else {})}


def _derived(derived: Derived, precautions: Precautions) -> dict[str, Any]:
    """A result derived from levels: the keys of every result, and nothing compared."""
    result = derived.result
    return {
        "outcome": result.outcome,
        "unit": result.unit.text,
        "better": result.better,
        "kind": result.kind,
        "scale": result.scale,
        "matters": None,
        "primary": result.primary,
        "model": {
            "text": derived.method,
            "df": derived.df,
            "residual_sd": None,
            "notes": list(derived.notes),
            "flags": [],
            "why": {"residual_sd": "a derived result has no runs of its own"},
        },
        "products": {p: _derived_product(derived, k) for k, p in enumerate(derived.products)},
        "level": derived.level,
        "interim": False,
        "precautions": _precautions(precautions),
        "could_be_best": None,
        "too_close_to_call": [],
        "pairs": None,
        "why": dict.fromkeys(("matters", "could_be_best", "pairs"), "a derived result is not judged"),
    }


def _derived_product(derived: Derived, k: int) -> dict[str, Any]:
    product = derived.products[k]
    estimate, low, high = (_figure(x[k]) for x in (derived.estimate, derived.low, derived.high))
    why = dict.fromkeys(("mean", "sd", "counts"), "a derived result is computed once per product")
    if estimate is None:
        why["estimate"] = derived.why[product]
    unbounded = bool(derived.open[k])
    if low is None and not unbounded:
        why["interval"] = derived.why[product]
    return {
        "n": int(derived.count[k]),
        "n_censored": 0,
        "mean": None,
        "sd": None,
        "estimate": estimate,
        "interval": [None, None] if unbounded else None if low is None else [low, high],
        "open": ["low", "high"] if unbounded else [],
        "counts": None,
        "vs": {},
        "why": why,
    }


def _matters(comparison: Comparison) -> float | None:
    """In the result's unit, or as a ratio."""
    if comparison.matters is None:
        return None
    return _figure(float(published(comparison.result, np.asarray(comparison.matters, dtype=np.float64))))


def _no_margin(comparison: Comparison) -> str:
    margin = comparison.result.matters
    if margin is None:
        return "an info result is not judged"
    return f"{margin.text} cannot be computed: the control has no level, or a level of 0"


def _no_model(comparison: Comparison) -> dict[str, str]:
    if comparison.fit is None:
        return dict.fromkeys(("text", "df", "residual_sd"), "no run has an outcome")
    return {} if comparison.fit.df else {"residual_sd": "nothing was run twice"}


def _product(comparison: Comparison, k: int) -> dict[str, Any]:
    product = comparison.products[k]
    estimate, low, high = (_figure(x[k]) for x in (comparison.estimate, comparison.low, comparison.high))
    why: dict[str, str] = {}
    if comparison.counts is None:
        why["counts"] = f"the outcome is a {comparison.result.outcome}"
    if comparison.count[k] == 0:
        why |= dict.fromkeys(("mean", "estimate", "interval"), "no run has an outcome")
    elif product in comparison.unfitted:
        why |= dict.fromkeys(("estimate", "interval"), comparison.unfitted[product])
    elif low is None:
        why["interval"] = _no_interval(comparison)
        if estimate is None:
            why["estimate"] = "the blocks are not connected, so a level cannot be told from a block"
    if comparison.result.levels:
        why |= dict.fromkeys(("mean", "sd"), f"levels of a {_kind(comparison)} have no mean")
    elif comparison.count[k] < 2:
        why["sd"] = "fewer than two runs"
    vs = {
        family.other: _versus(comparison, family, family.index(product))
        for family in comparison.families
        if product in family.members
    }
    return {
        "n": comparison.runs_of(product),
        "n_censored": int(comparison.beyond[k]),
        "mean": _figure(comparison.mean[k]),
        "sd": _figure(comparison.sd[k]),
        "estimate": estimate,
        "interval": None if low is None else [low, high],
        "counts": _counts(comparison, k),
        **_values(comparison, k),
        "vs": vs,
        "why": why,
    }


def _kind(comparison: Comparison) -> str:
    return "yes or no" if comparison.result.is_yes_or_no else comparison.result.outcome


def _values(comparison: Comparison, k: int) -> dict[str, Any]:
    """Of a result near a value, where the values lie of which the outcomes are distances."""
    near = comparison.near
    if near is None or near.side[k] is None:
        return {}
    above, below = int(near.above[k]), int(near.below[k])
    return {"values": {"mean": _figure(near.mean[k]), "side": near.side[k], "above": above, "below": below}}


def _counts(comparison: Comparison, k: int) -> dict[str, int] | None:
    if comparison.counts is None:
        return None
    return {level: int(n) for level, n in zip(comparison.result.levels, comparison.counts[k], strict=True)}


def _no_interval(comparison: Comparison) -> str:
    reasons = [reason for family in comparison.families for reason in family.why if reason]
    return reasons[0] if reasons else comparison.best.why or "there is no scatter to judge by"


def _versus(comparison: Comparison, family: Family, m: int) -> dict[str, Any]:
    low, high = _figure(family.low[m]), _figure(family.high[m])
    why: dict[str, str] = {}
    if not math.isfinite(family.break_even[m]):
        why["break_even_sd"] = family.why[m] or "there is no effect to hold against scatter"
    if family.why[m]:
        why |= dict.fromkeys(("interval", "p_adjusted"), family.why[m])
        if not math.isfinite(family.effect[m]):
            why["effect"] = family.why[m]
    if family.verdict[m] is None:
        why |= dict.fromkeys(("verdict", "by_enough"), "an info result is not judged")
    elif family.by_enough[m] is None:
        why["by_enough"] = family.why[m] or "there is no smallest difference that matters"
    return {
        "measure": measure(comparison.result),
        "effect": _figure(family.effect[m]),
        "interval": None if low is None else [low, high],
        "p_adjusted": _figure(family.p[m]),
        "verdict": family.verdict[m],
        "by_enough": family.by_enough[m],
        "break_even_sd": _figure(family.break_even[m]),
        "because": comparison.sentence(family.other, family.members[m]),
        "why": why,
    }


def _buyer(placing: Placing) -> dict[str, Any]:
    absent = {k: v for k, v in placing.why.items() if k != "placings"}
    return {
        "could_be_best": None if placing.could_be_best is None else list(placing.could_be_best),
        "placings": [_placing(placing, k, absent) for k in range(len(placing.products))],
        "left_out": [{"product": p, "reason": reason} for p, reason in placing.left_out],
        "winner": placing.winner,
        "says": placing.says,
        "would_change": None,
        "notes": list(placing.notes),
        "seed": placing.seed,
        "why": {"would_change": LATER} | {k: v for k, v in placing.why.items() if k in ("could_be_best", "placings")},
    }


def _placing(placing: Placing, k: int, absent: Mapping[str, str]) -> dict[str, Any]:
    low, high = _figure(placing.low[k]), _figure(placing.high[k])
    return {
        "product": placing.products[k],
        "score": _figure(placing.score[k]),
        "interval": None if low is None else [low, high],
        "place_interval": None,
        "share_first": _figure(placing.share_first[k]),
        "steps": {name: _figure(steps[k]) for name, steps in placing.steps.items()},
        "must": [{"status": m.status, "because": m.because} for m in placing.must[k]],
        "why": {"place_interval": LATER} | {n: r for n, r in absent.items() if n in ("interval", "share_first")},
    }


def _price(analysis: Analysis) -> dict[str, Any] | None:
    costs = analysis.prices
    if costs is None:
        return None
    ranges = {product: list(ends) for product, ends in costs.ranges.items()}
    return {"unit": costs.unit, "per": costs.per, "products": dict(costs.of), "ranges": ranges, "why": dict(costs.why)}


def _plain(analysis: Analysis) -> dict[str, Any] | None:
    table = analysis.plain_table
    if table is None:
        return None
    rows = [
        {"product": r.product, "average": r.average, "places": dict(r.places), "why": dict(r.why)} for r in table.rows
    ]
    return {"first": list(table.first), "products": rows, "says": table.says, "wrong": table.wrong}


def _precautions(precautions: Precautions) -> dict[str, Any]:
    return {
        "taken": precautions.taken,
        "of": len(precautions.items),
        "items": [{"name": i.name, "taken": i.taken, "because": i.because} for i in precautions.items],
        "beside": list(precautions.beside),
    }


def _observation(o: Observation) -> dict[str, Any]:
    """Texts are as written, "" where nothing was; `run` is null where it is about more than one."""
    return {
        "where": str(o.place),
        "test": o.test,
        "product": o.product,
        "run": o.run,
        "specimen": o.specimen,
        "block": o.block,
        "tag": o.tag,
        "words": o.words,
        "clip": o.clip,
        "changed": o.changed,
        "at": o.at,
        "by": o.by,
    }


def _figure(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
