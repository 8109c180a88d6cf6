"""What the audience was to be told: each question ends answered, or is named as open."""

from __future__ import annotations

from dataclasses import dataclass

from evenbench.compare.against import Family
from evenbench.compare.comparison import Comparison
from evenbench.judge.references import family_with
from evenbench.measure.wording import listed
from evenbench.rank.placing import Placing
from evenbench.study.model import Must, Question, Study


@dataclass(frozen=True, kw_only=True)
class Answer:
    """One question with its answer (None: open) and what it rests on, or why it is open."""

    question: Question
    answer: str | None
    because: str


def answer_questions(
    study: Study, comparisons: tuple[Comparison, ...], placings: tuple[Placing, ...] = ()
) -> tuple[Answer, ...]:
    """Every question of the study, in file order."""
    by_name = {c.result.name: c for c in comparisons}
    by_buyer = {p.buyer: p for p in placings}
    return tuple(
        _advice(study, by_buyer[q.buyer], q) if q.buyer else _answer(study, by_name, q) for q in study.questions
    )


def _advice(study: Study, placing: Placing, question: Question) -> Answer:
    """What is advised to the buyer whom the question is about, with its conditions."""
    buyer = next(b for b in study.buyers if b.id == placing.buyer)
    weighs = listed([f"{weight:g} × {_named(study, name)}" for name, weight in buyer.weights.items()])
    must = [f"{_named(study, m.result)}, {_needed(m)}" for m in buyer.must]
    because = f"{buyer.title} weighs {weighs}" + (f", and must have {listed(must)}." if must else ".")
    if placing.could_be_best is None:
        return Answer(question=question, answer=None, because=f"{placing.says} {because}")
    return Answer(question=question, answer=placing.says, because=because)


def _named(study: Study, name: str) -> str:
    """A result, or the price, in a reader's words."""
    if name == "price":
        return f"the price per {study.price.per}" if study.price else "the price"
    result = study.result(name)
    return f"{study.test(result.test).title}: {result.id.replace('_', ' ')}"


def _needed(must: Must) -> str:
    value = [must.value.text] if must.value else []
    return " ".join([must.is_, *value, *(["in every run"] if must.every_run else [])])


def _not_measured(study: Study, comparison: Comparison) -> str:
    """Candidates that say nothing of a result, to stand behind an answer; "" where all of them do."""
    names = [p.name for p in study.products if p.role == "candidate" and not comparison.runs_of(p.id)]
    return f" Not measured: {', '.join(names)}." if names else ""


def _answer(study: Study, by_name: dict[str, Comparison], question: Question) -> Answer:
    if question.answered_by is None:
        return Answer(question=question, answer=None, because="no result of this study was declared to answer it.")
    comparison = by_name[question.answered_by]
    names = {p.id: p.name for p in study.products}
    if question.against is not None:
        return _against(study, comparison, question, question.against)
    if comparison.result.like:
        return _against(study, comparison, question, comparison.result.like)
    if comparison.result.kind == "risk" and comparison.outcomes.control is not None:
        return _against(study, comparison, question, comparison.outcomes.control)
    best = comparison.best.names
    if best is None:
        return Answer(question=question, answer=None, because=f"{comparison.best.why}.")
    control = comparison.outcomes.control
    if len(best) == 1:
        because = comparison.sentence(control, best[0]) if control else "There is no control to compare with."
        only = "the only one tested" if len(comparison.best.products) == 1 else "nothing else tested could be best"
        answer = f"{names[best[0]]}: {only}{_but(comparison, control, best[0], names)}."
        return Answer(question=question, answer=answer + _not_measured(study, comparison), because=because)
    answer = f"{listed([names[p] for p in best], last='or')}: too close to call between them."
    answer += _not_measured(study, comparison)
    return Answer(question=question, answer=answer, because=_standing(study, comparison, control))


def _but(comparison: Comparison, control: str | None, product: str, names: dict[str, str]) -> str:
    """What must be said with "best" where the best is not shown better than the control."""
    found = comparison.against(control, product) if control else None
    verdict = found[0].verdict[found[1]] if found else None
    if control is None or verdict == "better":
        return ""
    return {
        "worse": f", and it is worse than {names[control]}",
        "same": f", and it is the same as {names[control]}",
    }.get(str(verdict), f", and it is not shown better than {names[control]}")


def _standing(study: Study, comparison: Comparison, control: str | None) -> str:
    if control is None:
        return "There is no control to compare with."
    text = _groups(study, comparison, control)
    return f"Against {study.product(control).name}: {text}." if text else "There are no figures against the control."


def _against(study: Study, comparison: Comparison, question: Question, other: str) -> Answer:
    name = study.product(other).name
    text = _groups(study, comparison, other)
    if not text:
        return Answer(question=question, answer=None, because=f"nothing was compared with {name}.")
    families = _families(study, comparison, other)
    roles = {p.id: p.role for p in study.products}
    pairs = [pair for f in families for pair in zip(f.members, f.verdict, strict=True)]
    said = {word for member, word in pairs if roles[member] != "reference" or member == other}
    if said <= {"cannot say", "not settled", None}:
        because = f"against {name}: {text}."
        return Answer(question=question, answer=None, because=because)
    return Answer(
        question=question,
        answer=f"Against {name}: {text}.{_not_measured(study, comparison)}",
        because=f"{study.test(comparison.result.test).title}: each product with {name}, all considered together.",
    )


def _families(study: Study, comparison: Comparison, other: str) -> list[Family]:
    """Everything compared with `other`; against a reference, all candidates and placebos as a family of their own."""
    if study.product(other).role != "reference":
        return [f for f in comparison.families if f.other == other]
    treated = tuple(p.id for p in study.products if p.role in ("candidate", "placebo"))
    family = family_with(comparison, other, treated)
    return [family] if family else []


def _groups(study: Study, comparison: Comparison, other: str) -> str:
    """Products by verdict: "better: A and B; not settled: C". References are no answer to a question."""
    groups: dict[str, list[str]] = {}
    products = {p.id: p for p in study.products}
    for family in _families(study, comparison, other):
        for member, verdict in zip(family.members, family.verdict, strict=True):
            if products[member].role != "reference":
                groups.setdefault(verdict or "not judged", []).append(products[member].name)
    order = ("better", "no harm shown", "same", "worse", "harm", "not settled", "cannot say", "not judged")
    return "; ".join(f"{word}: {listed(groups[word])}" for word in order if word in groups)
