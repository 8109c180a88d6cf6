"""Must-haves on levels and on products that no model holds, and what is said of doses with the advice."""

from __future__ import annotations

from datetime import date

import pytest

from evenbench.analysis import Analysis
from evenbench.study.mistakes import StudyError
from evenbench.study.parse import parse
from tests.engine import analysis_of, one_test, rows_of

TODAY = date(2026, 11, 25)
ROLES = {"c": "control", "w": "placebo", "a": "candidate", "b": "candidate"}
GRADE = (
    'readings.grade = { levels = ["0", "50", "80", "100"] }\n'
    'readings.off = { kind = "yes or no" }\n'
    'readings.look = { kind = "category", levels = ["clear", "cloudy"] }\n'
    'results.rating = { formula = "grade", better = "higher", kind = "benefit" }\n'
    'results.colour_off = { formula = "off", better = "lower", kind = "risk" }\n'
    'results.seen = { formula = "look", kind = "info" }\n'
)


def buyer(must: str, weights: str = "weights.t.y = 1") -> str:
    return f'[buyers.one]\ntitle = "One"\n{weights}\nmust = [{must}]\n'


def told(analysis: Analysis, product: str) -> str:
    """Why a product is left out, or what of it is open."""
    placing = analysis.placings[0]
    if product in dict(placing.left_out):
        return dict(placing.left_out)[product]
    met = placing.must[placing.products.index(product)]
    return "; ".join(f"{m.status}: {m.because}" for m in met)


def bounded(cells: list[str]) -> Analysis:
    """Product a with cells as typed, product b and the control with numbers."""
    must = '{ result = "t.y", is = "at most", value = "600 g" }'
    study = one_test(ROLES, better="lower", kind="risk", matters="100 g", extra=buyer(must))
    rows = rows_of({"c": [300.0, 310.0, 305.0], "b": [400.0, 410.0, 405.0]})
    rows += [{"product": "a", "run": str(n + 1), "x": cell} for n, cell in enumerate(cells)]
    return analysis_of(study, rows)


def test_a_product_beyond_the_instrument_fails_a_bound_that_all_its_runs_miss() -> None:
    assert told(bounded([">1000"]), "a") == "fails a must-have: T: y at most 600 g in 0 of 1 runs"
    assert told(bounded([">1000", "700"]), "a") == "fails a must-have: T: y at most 600 g in 0 of 2 runs"


@pytest.mark.parametrize("cells", [["<100"], [">1000", "300"], [">500"]], ids=["all-meet", "some-meet", "unknown"])
def test_a_product_beyond_the_instrument_stays_open_otherwise(cells: list[str]) -> None:
    analysis = bounded(cells)
    assert "fails" not in told(analysis, "a")
    from evenbench.rank.must import must_met

    met = must_met(analysis.comparisons[0], analysis.study.buyers[0].must[0], "a")
    counted = sum(cell in ("<100", "300") for cell in cells)
    assert met.status == "open"
    assert met.because.startswith(f"T: y at most 600 g in {counted} of {len(cells)} runs; ")


def graded(must: str, cells: dict[str, list[str]], column: str) -> Analysis:
    study = one_test(ROLES, extra=GRADE + buyer(must))
    rows = rows_of({id: [float(n) + (id == "a") for n in range(len(found))] for id, found in cells.items()})
    for row, cell in zip(rows, [cell for found in cells.values() for cell in found], strict=True):
        row |= {"grade": "", "off": "", "look": "", column: cell}
    return analysis_of(study, rows)


CELLS = {"c": ["0", "0", "0"], "a": ["80", "100", "80"], "b": ["80", "50", "80"]}


def test_a_level_is_asked_of_every_run() -> None:
    must = '{ result = "t.rating", is = "at least", value = "80", in = "every run" }'
    analysis = graded(must, CELLS, "grade")
    assert told(analysis, "a") == "passed: T: rating at least 80 in 3 of 3 runs"
    assert told(analysis, "b") == "fails a must-have: T: rating at least 80 in 2 of 3 runs"


def test_yes_or_no_is_asked_of_every_run() -> None:
    must = '{ result = "t.colour_off", is = "at most", value = "no", in = "every run" }'
    cells = {"c": ["no", "no", "no"], "a": ["no", "no", "no"], "b": ["no", "yes", "no"]}
    analysis = graded(must, cells, "off")
    assert told(analysis, "a") == "passed: T: colour off at most no in 3 of 3 runs"
    assert told(analysis, "b") == "fails a must-have: T: colour off at most no in 2 of 3 runs"


MISTAKES = [
    pytest.param(
        '{ result = "t.rating", is = "at least", value = "80" }',
        "'80': levels have no mean that could be held to '80'. Add in = \"every run\".",
        id="not-of-every-run",
    ),
    pytest.param(
        '{ result = "t.rating", is = "at least", value = "8O", in = "every run" }',
        "'8O': t.rating has no such level. Known: 0, 50, 80, 100.",
        id="no-such-level",
    ),
    pytest.param(
        '{ result = "t.seen", is = "at least", value = "clear", in = "every run" }',
        "'clear': t.seen has no levels that go from less to more. Name another result, or ask for something else.",
        id="category",
    ),
]


@pytest.mark.parametrize(("must", "message"), MISTAKES)
def test_what_cannot_be_asked_of_levels_is_told(must: str, message: str) -> None:
    with pytest.raises(StudyError) as caught:
        one_test(ROLES, extra=GRADE + buyer(must))
    assert str(caught.value).endswith(f"buyers.one.must[1].value: {message}")


def test_reasons_name_no_ids() -> None:
    """A question that a buyer answers tells what is weighed and needed in a reader's words."""
    must = '{ result = "t.colour_off", is = "no harm" }'
    text = one_test(ROLES, extra=GRADE + buyer(must)).text
    asks = 'title = "Bench"\nquestions = [{ asks = "Which?", answered_by = "buyers.one" }]'
    study = parse(text.replace('title = "Bench"', asks, 1), today=TODAY)
    data = {"c": [1.0, 2.0, 1.5], "a": [4.0, 5.0, 4.5]}
    rows = [row | {"grade": "", "off": "", "look": ""} for row in rows_of(data)]
    because = analysis_of(study, rows).answers[0].because
    assert because.endswith("One weighs 1 × T: y, and must have T: colour off, no harm.")


PRICED = (
    '[price]\nformula = "product.price / product.pack * product.dose"\nper = "go"\nmatters = "1 EUR"\n'
    '[products.d]\nname = "Product d"\nprice = "8 EUR"\npack = "400 mL"\ndose = "20 mL"\n'
)


def says(share: str, weights: str) -> str:
    source = one_test(ROLES, matters="1 g").text
    source = source.replace('title = "Bench"', 'title = "Bench"\ncurrency = "EUR"', 1)
    source = source.replace('title = "T"', f'title = "Soak"\napplied = {{ share_of_dose = "{share}" }}', 1)
    study = parse(source + PRICED + f'[buyers.one]\ntitle = "One"\n{weights}\n', today=TODAY)
    data = {"c": [1.0, 2.0, 1.5], "w": [1.0, 2.0, 1.5], "d": [8.0, 9.0, 8.5]}
    return analysis_of(study, rows_of(data)).placings[0].says


def test_advice_tells_of_another_dose_than_the_labels() -> None:
    """Who weighs the price must know that it is the price of less, or more, than was tested."""
    both = "weights.t.y = 1\nweights.price = 1"
    assert says("4..6", both).endswith(
        ' "Soak" was done at 4 to 6 times the label\'s dose; the price is that of one dose by the label.'
    )
    assert says("0.5", "weights.t.y = 1").endswith(' "Soak" was done at 0.5 times the label\'s dose.')
    assert "label" not in says("1", both)
