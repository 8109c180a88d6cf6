"""What a label promises, held against the results it is about."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenbench.compare.against import Family
from evenbench.compare.comparison import Comparison
from evenbench.compare.sentences import finding
from evenbench.judge.references import family_with, turned
from evenbench.rank.must import must_met
from evenbench.study.model import Claim, Level, Must, Study

ClaimVerdict = Literal["supported", "contradicted", "not settled", "not tested", "not testable"]


@dataclass(frozen=True, kw_only=True)
class ClaimJudged:
    """One claim, the word for it, and the sentence or figures it rests on."""

    product: str
    claim: Claim
    verdict: ClaimVerdict
    because: str


def judge_claims(study: Study, comparisons: tuple[Comparison, ...]) -> tuple[ClaimJudged, ...]:
    """Every claim of every product, in file order."""
    by_name = {c.result.name: c for c in comparisons}
    return tuple(_judge(study, by_name, p.id, claim) for p in study.products for claim in p.claims)


def _judge(study: Study, by_name: dict[str, Comparison], product: str, claim: Claim) -> ClaimJudged:
    if claim.must == "not testable":
        because = "nothing that was measured could bear it out or refute it"
        return ClaimJudged(product=product, claim=claim, verdict="not testable", because=because)
    others = claim.than or ("",) * len(claim.about)
    pairs = zip(claim.about, others, strict=True)
    found = [_one(study, by_name[name], product, claim, other) for name, other in pairs]
    verdicts = [verdict for verdict, _ in found]
    return ClaimJudged(
        product=product, claim=claim, verdict=_together(verdicts, claim), because=" ".join(b for _, b in found)
    )


def _together(verdicts: list[ClaimVerdict], claim: Claim) -> ClaimVerdict:
    """One word for a claim about several results, which needs all or any of them."""
    if claim.needs == "all":
        order: tuple[ClaimVerdict, ...] = ("contradicted", "not tested", "not settled", "supported")
    else:
        order = ("supported", "not settled", "not tested", "contradicted")
    return next(word for word in order if word in verdicts)


Found = tuple[ClaimVerdict, str]


def _one(study: Study, comparison: Comparison, product: str, claim: Claim, other: str) -> Found:
    """The word for a claim on one result, and why."""
    if not comparison.runs_of(product):
        return "not tested", f"{comparison.label} was not measured on it."
    if isinstance(claim.value, Level):
        return _by_level(comparison, product, claim, claim.value)
    if claim.value is not None:
        met = must_met(comparison, Must(result=comparison.result.name, is_=claim.must, value=claim.value), product)
        words: dict[str, ClaimVerdict] = {"passed": "supported", "failed": "contradicted", "open": "not settled"}
        return words[met.status], met.because + "."
    other = other or comparison.other or ""
    if not other:
        return "not settled", f"{comparison.label} has no control to compare with."
    if not comparison.runs_of(other):
        return "not tested", f"{comparison.label} was not measured on {study.product(other).name}."
    role = study.product(other).role
    found = comparison.against(other, product)
    if claim.must == "no harm" and found is not None:
        return _word(found[0].verdict[found[1]]), comparison.sentence(other, product)
    if role == "candidate":
        why = "each product is compared with the control; every product with every other comes with a later version"
        return "not settled", f"{comparison.label}, against {study.product(other).name}: {why}."
    if role == "reference":
        return _with_reference(study, comparison, product, claim, other)
    if found is None:
        return "not settled", f"{comparison.label}: it was not compared with {study.product(other).name}."
    return _better(comparison, *found, comparison.sentence(other, product))


def _by_level(comparison: Comparison, product: str, claim: Claim, level: Level) -> Found:
    """At least or at most a level: supported where every run meets it, contradicted where every run misses it."""
    outcomes = comparison.outcomes
    bound = comparison.result.levels.index(level.text)
    values = outcomes.value[outcomes.of(product)]
    met = int(np.sum(values >= bound if claim.must == "at least" else values <= bound))
    because = f"{comparison.label} {claim.must} {level.text} in {met} of {len(values)} runs."
    return ("supported" if met == len(values) else "not settled" if met else "contradicted"), because


def _better(comparison: Comparison, family: Family, k: int, sentence: str) -> Found:
    """Better than another.

    A difference that is real, the right way and too small to matter neither bears the claim out nor refutes it: the
    maker is right that the product is better, and the reader that it is nothing to go by.
    """
    low, _ = turned(comparison, family, k)
    if family.verdict[k] == "same" and low > 0:
        return "not settled", f"Better, but by less than matters: {sentence}"
    return _word(family.verdict[k]), sentence


def _word(verdict: str | None) -> ClaimVerdict:
    if verdict in ("better", "no harm shown"):
        return "supported"
    return "contradicted" if verdict in ("worse", "same", "harm") else "not settled"


def _with_reference(study: Study, comparison: Comparison, product: str, claim: Claim, reference: str) -> Found:
    """Better than a reference, or back to it: no worse by as much as matters, by an interval of this pair alone."""
    names = {p.id: p.name for p in study.products}
    family = family_with(comparison, reference, (product,))
    if family is None:
        why = comparison.unfitted.get(product) or comparison.unfitted.get(reference) or "it was not compared"
        return "not settled", f"{comparison.label}, against {names[reference]}: {why}."
    sentence = finding(family, 0, comparison.result, names, comparison.matters)
    alone = f"This product and {names[reference]} are compared here by themselves."
    if claim.must.startswith("better"):
        return _better(comparison, family, 0, f"{sentence} {alone}")
    low, high = turned(comparison, family, 0)
    matters = comparison.matters
    if matters is None or not math.isfinite(low):
        return "not settled", f"{sentence} {alone}"
    if low > -matters:
        return "supported", f"{sentence} So it is back to {names[reference]}: no worse by as much as matters. {alone}"
    if high < -matters:
        return "contradicted", f"{sentence} So it falls short of {names[reference]} by more than matters. {alone}"
    return "not settled", f"{sentence} It may or may not fall short by as much as matters. {alone}"
