"""What a label promises, held against the results it is about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenbench.compare.comparison import Comparison
from evenbench.rank.must import must_met
from evenbench.study.model import Claim, Must, Study

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
    return tuple(_judge(by_name, p.id, claim) for p in study.products for claim in p.claims)


def _judge(by_name: dict[str, Comparison], product: str, claim: Claim) -> ClaimJudged:
    if claim.must == "not testable":
        because = "nothing that was measured could bear it out or refute it"
        return ClaimJudged(product=product, claim=claim, verdict="not testable", because=because)
    found = [_one(by_name[name], product, claim) for name in claim.about]
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


def _one(comparison: Comparison, product: str, claim: Claim) -> tuple[ClaimVerdict, str]:
    name, control = comparison.result.name, comparison.outcomes.control
    measured = product in comparison.products and comparison.count[comparison.products.index(product)] > 0
    if not measured:
        return "not tested", f"{comparison.label} was not measured on it."
    if claim.value is not None:
        met = must_met(comparison, Must(result=name, is_=claim.must, value=claim.value), product)
        words: dict[str, ClaimVerdict] = {"passed": "supported", "failed": "contradicted", "open": "not settled"}
        return words[met.status], met.because + "."
    found = comparison.against(control, product) if control else None
    verdict = found[0].verdict[found[1]] if found else "cannot say"
    sentence = (
        comparison.sentence(control, product)
        if control and found
        else f"{comparison.label} has no control to compare with."
    )
    if verdict in ("better", "no harm shown"):
        return "supported", sentence
    if verdict in ("worse", "same", "harm"):
        return "contradicted", sentence
    return "not settled", sentence
