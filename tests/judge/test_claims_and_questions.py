"""Claims get one of five words, questions an answer or the word open."""

from __future__ import annotations

import pytest

from evenbench.analysis import Analysis
from tests.engine import analysis_of, one_test, rows_of

NEAR_CONTROL = {"c": [9.0, 10.0, 11.0, 10.0]}


def with_claim(claim: str, values: list[float], *, kind: str = "benefit", matters: str = "2 g") -> str:
    """The word for one claim of product a."""
    extra = f"[products.a]\nname = 'A'\nclaims = [{claim}]\n"
    study = one_test({"c": "control"}, kind=kind, matters=matters, extra=extra)
    data = {**NEAR_CONTROL, "a": values} if values else NEAR_CONTROL
    return analysis_of(study, rows_of(data)).claims[0].verdict


BETTER = '{ says = "Does more", about = ["t.y"], must = "better than control" }'
NO_HARM = '{ says = "Does no harm", about = ["t.y"], must = "no harm" }'
AT_LEAST = '{ says = "Holds 12 grams", about = ["t.y"], must = "at least", value = "12 g" }'
CLAIMS = [
    pytest.param(BETTER, [19.0, 20.0, 21.0], "benefit", "supported", id="better"),
    pytest.param(BETTER, [1.0, 2.0, 0.0], "benefit", "contradicted", id="worse"),
    pytest.param(BETTER, [10.1, 9.9, 11.4], "benefit", "not settled", id="unclear"),
    pytest.param(BETTER, [10.0] * 40 + [9.9, 10.1], "benefit", "contradicted", id="shown-the-same"),
    pytest.param(BETTER, [], "benefit", "not tested", id="never-run"),
    pytest.param(NO_HARM, [19.0, 20.0, 21.0], "risk", "supported", id="no-harm"),
    pytest.param(NO_HARM, [1.0, 2.0, 0.0], "risk", "contradicted", id="harm"),
    pytest.param(NO_HARM, [9.0, 8.0, 9.5], "risk", "not settled", id="harm-unclear"),
    pytest.param(AT_LEAST, [19.0, 20.0, 21.0], "benefit", "supported", id="above-the-bound"),
    pytest.param(AT_LEAST, [1.0, 2.0, 0.0], "benefit", "contradicted", id="below-the-bound"),
    pytest.param(AT_LEAST, [12.0, 13.0, 11.5], "benefit", "not settled", id="across-the-bound"),
    pytest.param('{ says = "Loved", must = "not testable" }', [1.0, 2.0], "benefit", "not testable", id="not-testable"),
]


@pytest.mark.parametrize(("claim", "values", "kind", "word"), CLAIMS)
def test_words_for_claims(claim: str, values: list[float], kind: str, word: str) -> None:
    """A claim is supported, contradicted, not settled, not tested or not testable."""
    assert with_claim(claim, values, kind=kind) == word


TOGETHER = [
    pytest.param("all", [19.0, 20.0, 21.0], "contradicted", id="all-with-one-against"),
    pytest.param("any", [19.0, 20.0, 21.0], "supported", id="any-with-one-for"),
    pytest.param("any", [1.0, 2.0, 0.0], "supported", id="any-with-the-other-for"),
]


@pytest.mark.parametrize(("needs", "values", "word"), TOGETHER)
def test_claims_about_two_results(needs: str, values: list[float], word: str) -> None:
    """A claim about several results needs all of them, or any, as declared."""
    claim = f'{{ says = "Both", about = ["t.y", "t.z"], must = "better than control", needs = "{needs}" }}'
    extra = (
        'results.z = { formula = "10 * x", unit = "g", kind = "benefit", better = "lower", matters = "20 g" }\n'
        f"[products.a]\nname = 'A'\nclaims = [{claim}]\n"
    )
    study = one_test({"c": "control"}, matters="2 g", extra=extra)
    assert analysis_of(study, rows_of({**NEAR_CONTROL, "a": values})).claims[0].verdict == word


def asked(question: str, data: dict[str, list[float]], *, kind: str = "benefit") -> tuple[str | None, str]:
    """The answer to one question, and its because."""
    roles = {id: {"c": "control", "w": "placebo", "n": "reference"}.get(id, "candidate") for id in data}
    text = one_test(roles, kind=kind, matters="2 g").text.replace(
        'title = "Bench"', f'title = "Bench"\nquestions = [{question}]', 1
    )
    from datetime import date

    from evenbench.study.parse import parse

    study = parse(text, today=date(2026, 11, 25))
    analysis: Analysis = analysis_of(study, rows_of(data))
    return analysis.answers[0].answer, analysis.answers[0].because


WHICH = '{ asks = "Which?", answered_by = "t.y" }'
AGAINST = '{ asks = "Better than water?", answered_by = "t.y", against = "w" }'
SHELF = {**NEAR_CONTROL, "w": [10.0, 9.0, 11.0], "a": [20.0, 21.0, 19.0], "b": [15.0, 14.0, 16.0]}


def test_one_product_ahead() -> None:
    """Where one product alone could be best it is the answer, with its sentence against the control."""
    answer, because = asked(WHICH, SHELF)
    assert answer == "Product a: nothing else tested could be best."
    assert because.startswith("Product a: 10.0 g higher than Product c (between")


BAD_SHELVES = [
    pytest.param([5.0, 6.0, 5.5], "and it is worse than Product c.", id="worse"),
    pytest.param([10.0, 9.9, 10.1, 10.0, 10.2], "and it is the same as Product c.", id="same"),
    pytest.param([10.0, 13.0, 11.5], "and it is not shown better than Product c.", id="not-settled"),
]


@pytest.mark.parametrize(("values", "ending"), BAD_SHELVES)
def test_best_of_a_bad_shelf(values: list[float], ending: str) -> None:
    """A best that is not shown better than the control is never announced without saying so."""
    answer, _ = asked(WHICH, {**NEAR_CONTROL, "a": values, "b": [0.0, 1.0, 0.5]})
    assert answer is not None
    assert answer.endswith(ending)


def test_too_close_to_call() -> None:
    """Where two could be best both are named, and that they cannot be parted."""
    answer, because = asked(WHICH, {**SHELF, "d": [20.0, 20.5, 19.0]})
    assert answer == "Product a or Product d: too close to call between them."
    assert because.startswith("Against Product c: better: Product a, Product b and Product d")


def test_against_the_placebo() -> None:
    """A question against the placebo is answered product by product."""
    answer, _ = asked(AGAINST, SHELF)
    assert answer == "Against Product w: better: Product a and Product b."


def test_a_question_about_a_risk_is_answered_by_who_harms() -> None:
    """Of a risk one asks who does harm, not who is best; references are no answer."""
    answer, _ = asked(WHICH, {**SHELF, "b": [1.0, 2.0, 0.0]}, kind="risk")
    assert answer is not None
    assert answer.startswith("Against Product c: no harm shown: Product w and Product a; harm: Product b")


def test_open_questions_are_named() -> None:
    """A question without a result, or without scatter to answer from, is open and says why."""
    assert asked('{ asks = "Forever?" }', SHELF) == (None, "no result of this study was declared to answer it.")
    answer, because = asked(WHICH, {"c": [1.0], "a": [2.0], "b": [3.0]})
    assert answer is None
    assert because.startswith("nothing was run twice")
    answer, because = asked(AGAINST, {"c": [1.0], "w": [2.0], "b": [3.0]})
    assert answer is None
    assert "cannot say: Product b" in because
