"""The results contract: one JSON document, format 1, described by docs/results.schema.json.

Figures are in the result's unit at full precision. A figure that cannot be computed is null, and `why` beside
it gives the reason by key.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from evenbench.analysis import Analysis
from evenbench.compare.against import Family
from evenbench.compare.comparison import Comparison
from evenbench.judge.precautions import Precautions
from evenbench.rank.placing import Placing

LATER = "comes with a later version"


def contract(analysis: Analysis) -> dict[str, Any]:
    """Everything published, as plain lists, dicts, texts, numbers and None."""
    tests: dict[str, Any] = {}
    for comparison, precautions in zip(analysis.comparisons, analysis.precautions, strict=True):
        test = tests.setdefault(comparison.outcomes.test, {"control": comparison.outcomes.control, "results": {}})
        test["results"][comparison.result.id] = _result(comparison, precautions)
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
        "precautions": _precautions(analysis.study_precautions),
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
        "kind": result.kind,
        "scale": "raw",
        "matters": _figure(comparison.matters),
        "primary": result.primary,
        "model": {
            "text": fit.text if fit else None,
            "df": fit.df if fit else None,
            "residual_sd": _figure(fit.sd) if fit else None,
            "notes": list(comparison.notes),
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
        why |= dict.fromkeys(("mean", "sd"), f"levels of a {comparison.result.outcome} have no mean")
    elif comparison.count[k] < 2:
        why["sd"] = "fewer than two runs"
    vs = {
        family.other: _versus(comparison, family, family.index(product))
        for family in comparison.families
        if product in family.members
    }
    return {
        "n": int(comparison.count[k] + comparison.beyond[k]),
        "n_censored": int(comparison.beyond[k]),
        "mean": _figure(comparison.mean[k]),
        "sd": _figure(comparison.sd[k]),
        "estimate": estimate,
        "interval": None if low is None else [low, high],
        "counts": _counts(comparison, k),
        "vs": vs,
        "why": why,
    }


def _counts(comparison: Comparison, k: int) -> dict[str, int] | None:
    if comparison.counts is None:
        return None
    return {level: int(n) for level, n in zip(comparison.result.levels, comparison.counts[k], strict=True)}


def _no_interval(comparison: Comparison) -> str:
    reasons = [reason for family in comparison.families for reason in family.why if reason]
    return reasons[0] if reasons else comparison.best.why or "there is no scatter to judge by"


def _versus(comparison: Comparison, family: Family, m: int) -> dict[str, Any]:
    low, high = _figure(family.low[m]), _figure(family.high[m])
    why: dict[str, str] = {"break_even_sd": LATER}
    if family.why[m]:
        why |= dict.fromkeys(("interval", "p_adjusted"), family.why[m])
        if not math.isfinite(family.effect[m]):
            why["effect"] = family.why[m]
    if family.verdict[m] is None:
        why |= dict.fromkeys(("verdict", "by_enough"), "an info result is not judged")
    elif family.by_enough[m] is None:
        why["by_enough"] = family.why[m] or "there is no smallest difference that matters"
    return {
        "measure": "difference",
        "effect": _figure(family.effect[m]),
        "interval": None if low is None else [low, high],
        "p_adjusted": _figure(family.p[m]),
        "verdict": family.verdict[m],
        "by_enough": family.by_enough[m],
        "break_even_sd": None,
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
    return {"unit": costs.unit, "per": costs.per, "products": dict(costs.of), "why": dict(costs.why)}


def _precautions(precautions: Precautions) -> dict[str, Any]:
    return {
        "taken": precautions.taken,
        "of": len(precautions.items),
        "items": [{"name": i.name, "taken": i.taken, "because": i.because} for i in precautions.items],
    }


def _figure(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
