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


# ------------------------------------------------------------------------- against placebos and references, buyers

NEW = {"n": [20.0, 19.0, 21.0, 20.0]}
WATER = {"w": [12.0, 13.0, 11.0, 12.0]}
ROLES = {"c": "control", "w": "placebo", "n": "reference", "o": "candidate"}
COMPARED = [
    pytest.param(
        "better than placebo", [19.0, 20.0, 21.0], "supported", "higher than Product w", id="above-the-placebo"
    ),
    pytest.param("better than w", [19.0, 20.0, 21.0], "supported", "", id="above-the-placebo-by-id"),
    pytest.param("better than placebo", [12.5, 13.5, 14.5], "not settled", "", id="near-the-placebo"),
    pytest.param("better than c", [19.0, 20.0, 21.0], "supported", "", id="above-the-control-by-id"),
    pytest.param("better than n", [29.0, 30.0, 31.0], "supported", "by themselves", id="above-the-reference"),
    pytest.param("better than n", [10.0, 11.0, 9.0], "contradicted", "by themselves", id="below-the-reference"),
    pytest.param("better than o", [29.0, 30.0, 31.0], "not settled", "a later version", id="another-candidate"),
    pytest.param("back to reference", [20.0, 19.5, 20.5], "supported", "So it is back to", id="back"),
    pytest.param("back to n", [29.0, 30.0, 31.0], "supported", "So it is back to", id="beyond"),
    pytest.param("back to reference", [15.0, 14.0, 16.0], "contradicted", "falls short", id="short"),
    pytest.param("back to reference", [18.0, 17.5, 18.5], "not settled", "may or may not", id="near-the-margin"),
]


def claimed(must: str, values: list[float], **data: list[float]) -> tuple[str, str]:
    """The word and the reason for one claim of product a, where all other products were run."""
    claim = f'{{ says = "So it says", about = ["t.y"], must = "{must}" }}'
    extra = f"[products.a]\nname = 'A'\nclaims = [{claim}]\n"
    study = one_test(ROLES, matters="2 g", extra=extra)
    runs = {**NEAR_CONTROL, **WATER, **NEW, "o": [15.0, 14.0, 16.0], "a": values, **data}
    judged = analysis_of(study, rows_of(runs)).claims[0]
    return judged.verdict, judged.because


@pytest.mark.parametrize(("must", "values", "word", "because"), COMPARED)
def test_claims_against_others(must: str, values: list[float], word: str, because: str) -> None:
    """Against a placebo the printed verdict decides, against a reference an interval of the pair alone."""
    verdict, said = claimed(must, values)
    assert verdict == word
    assert because in said


def test_back_to_a_reference_rests_on_the_t_interval_of_the_pair() -> None:
    """The interval of one difference of two means, pooled over all groups: textbook t, by SciPy's quantile."""
    import numpy as np
    from scipy import stats

    values = [18.0, 17.5, 18.5]
    groups = [NEAR_CONTROL["c"], WATER["w"], NEW["n"], [15.0, 14.0, 16.0], values]
    df = sum(len(g) - 1 for g in groups)
    pooled = sum((len(g) - 1) * np.var(g, ddof=1) for g in groups) / df
    half = stats.t.ppf(0.975, df) * np.sqrt(pooled * (1 / len(values) + 1 / len(NEW["n"])))
    near, far = sorted(abs(np.mean(values) - np.mean(NEW["n"]) + side * half) for side in (-1, 1))
    _, said = claimed("back to reference", values)
    assert f"between {near:.2f} and {far:.2f}" in said or f"between {near:.1f} and {far:.1f}" in said


def test_a_reference_that_was_not_measured_leaves_a_claim_untested() -> None:
    assert claimed("back to reference", [20.0, 19.0], n=[])[0] == "not tested"


def test_a_claim_on_runs_beyond_a_bound_is_tested_and_not_settled() -> None:
    """Runs of which only a bound is known were measured all the same."""
    claim = '{ says = "Holds", about = ["t.y"], must = "better than control" }'
    study = one_test({"c": "control"}, matters="2 g", extra=f"[products.a]\nname = 'A'\nclaims = [{claim}]\n")
    rows = [*rows_of(NEAR_CONTROL), *({"product": "a", "run": str(n), "x": ">90"} for n in (1, 2))]
    assert analysis_of(study, rows).claims[0].verdict == "not settled"


def test_a_question_against_a_reference() -> None:
    answer, because = asked(
        '{ asks = "As good as new?", answered_by = "t.y", against = "n" }',
        {**NEAR_CONTROL, **NEW, "a": [30.0, 31.0, 29.0], "b": [15.0, 14.0, 16.0]},
    )
    assert answer == "Against Product n: better: Product a; worse: Product b."
    assert because == "T: each product with Product n, all considered together."


BUYER = "[buyers.daily]\ntitle = 'Commuter'\nweights.t.y = 2\nonly_if = ['the seams hold']\nnot_if = ['it peels']\n"


def advised(data: dict[str, list[float]]) -> Analysis:
    """A study whose one question is answered by a buyer."""
    from datetime import date

    from evenbench.study.parse import parse

    roles = {id: "control" if id == "c" else "candidate" for id in data}
    text = one_test(roles, matters="2 g", extra=BUYER).text
    asks = 'title = "Bench"\nquestions = [{ asks = "Which for me?", answered_by = "buyers.daily" }]'
    return analysis_of(parse(text.replace('title = "Bench"', asks, 1), today=date(2026, 11, 25)), rows_of(data))


def test_a_question_answered_by_a_buyer_carries_the_conditions() -> None:
    answer = advised({**NEAR_CONTROL, "a": [20.0, 21.0, 19.0], "b": [15.0, 14.0, 16.0]}).answers[0]
    assert answer.answer is not None
    assert answer.answer.startswith("Commuter: Product a (only if the seams hold; not if it peels). Nothing else")
    assert answer.because == "Commuter weighs 2 × T: y."


def test_a_question_whose_buyer_has_no_advice_is_open() -> None:
    answer = advised({"c": [1.0], "a": [2.0], "b": [3.0]}).answers[0]
    assert answer.answer is None
    assert answer.because.startswith("Commuter: cannot say which is best, because nothing was run twice")


def test_the_summary_names_what_is_left_open() -> None:
    from io import StringIO

    from rich.console import Console

    from evenbench.publish.summary import show

    console = Console(file=StringIO(), width=200)
    show(advised({"c": [1.0], "a": [2.0], "b": [3.0]}), console)
    assert 'Left open: "Which for me?"' in console.file.getvalue()  # type: ignore[attr-defined]


# ---------------------------------------------------------------------- who was not measured, what is too small


def test_who_was_not_measured_stands_behind_an_answer() -> None:
    """Candidates without a run are named, whether one is best, several are, or a risk is asked about."""
    assert asked(WHICH, {**SHELF, "d": [], "e": []})[0] == (
        "Product a: nothing else tested could be best. Not measured: Product d, Product e."
    )
    close, _ = asked(WHICH, {**SHELF, "d": [20.0, 20.5, 19.0], "e": []})
    assert close == "Product a or Product d: too close to call between them. Not measured: Product e."
    risk, _ = asked(WHICH, {**SHELF, "b": [1.0, 2.0, 0.0], "e": []}, kind="risk")
    assert risk is not None
    assert risk.endswith("harm: Product b. Not measured: Product e.")


def because_of(claim: str, data: dict[str, list[float]]) -> tuple[str, str]:
    study = one_test({"c": "control"}, matters="2 g", extra=f"[products.a]\nname = 'A'\nclaims = [{claim}]\n")
    found = analysis_of(study, rows_of(data)).claims[0]
    return found.verdict, found.because


def test_better_by_less_than_matters_neither_bears_a_claim_out_nor_refutes_it() -> None:
    """The verdict is `same`, and the whole interval lies above 0: the maker is right, and it does not matter."""
    word, because = because_of(BETTER, {"c": [10.0, 10.1, 9.9, 10.0], "a": [10.9, 11.0, 11.1, 11.0]})
    assert word == "not settled"
    assert because.startswith("Better, but by less than matters: A: 1.00 g higher than Product c (between 0.8")
    assert because.endswith("same, to within the 2 g that matter.")


def test_the_same_with_no_difference_within_reach_contradicts_better() -> None:
    word, because = because_of(BETTER, {"c": [10.0, 10.1, 9.9, 10.0], "a": [10.0, 10.05, 9.95, 10.0]})
    assert word == "contradicted"
    assert because.startswith("A: 0.00 g higher than Product c (anywhere from")


LEVELS = (
    'readings.grade = { levels = ["0", "50", "80", "100"] }\n'
    'readings.leaks = { kind = "yes or no" }\n'
    'results.rating = { formula = "grade", better = "higher", kind = "benefit" }\n'
    'results.wet = { formula = "leaks", better = "lower", kind = "risk" }\n'
)
HELD = [
    pytest.param("at least", "80", "t.rating", ["80", "100", "80"], "supported", "3 of 3", id="all-meet"),
    pytest.param("at least", "80", "t.rating", ["0", "50", "50"], "contradicted", "0 of 3", id="all-miss"),
    pytest.param("at least", "80", "t.rating", ["80", "50", "100"], "not settled", "2 of 3", id="some"),
    pytest.param("at most", "no", "t.wet", ["no", "no", "no"], "supported", "3 of 3", id="never"),
    pytest.param("at most", "no", "t.wet", ["yes", "yes", "yes"], "contradicted", "0 of 3", id="always"),
]


@pytest.mark.parametrize(("must", "level", "about", "cells", "word", "runs"), HELD)
def test_a_claim_on_levels_is_judged_by_every_run(
    must: str, level: str, about: str, cells: list[str], word: str, runs: str
) -> None:
    claim = f'{{ says = "Holds", about = ["{about}"], must = "{must}", value = "{level}" }}'
    study = one_test({"c": "control"}, extra=f"{LEVELS}[products.a]\nname = 'A'\nclaims = [{claim}]\n")
    column = "grade" if about == "t.rating" else "leaks"
    blank = {"product": "a", "x": "1", "grade": "", "leaks": ""}
    rows = [blank | {"run": str(n + 1), column: cell} for n, cell in enumerate(cells)]
    found = analysis_of(study, rows).claims[0]
    assert found.verdict == word
    assert found.because == f"T: {about.removeprefix('t.')} {must} {level} in {runs} runs."
