"""Tables that never contradict the word beside them: ends, plain means, noise of the arithmetic, yes or no."""

from __future__ import annotations

from collections.abc import Sequence
from io import StringIO

import pytest
from rich.console import Console

from evenbench.analysis import Analysis
from evenbench.publish.chart import charts_of
from evenbench.publish.report import page
from evenbench.publish.shown import end_places
from evenbench.publish.summary import show
from evenbench.publish.trace import as_text, trace
from evenbench.study.parse import parse
from tests.engine import TODAY, analysis_of, compared, one_test, rows_of


def terminal(analysis: Analysis) -> str:
    console = Console(file=StringIO(), width=200)
    show(analysis, console)
    assert isinstance(console.file, StringIO)
    return console.file.getvalue()


ENDS = [
    pytest.param(0.4, 190.2, 0, 1, id="no-zero-where-it-misses-zero"),
    pytest.param(-190.0, -0.04, 0, 2, id="nor-below"),
    pytest.param(5.0, 99.7, 0, 1, id="nor-the-margin"),
    pytest.param(0.0, 190.2, 0, 0, id="zero-itself"),
    pytest.param(12.0, 190.2, 0, 0, id="far-from-all"),
    pytest.param(float("nan"), float("nan"), 2, 2, id="none"),
]


@pytest.mark.parametrize(("low", "high", "places", "wanted"), ENDS)
def test_ends_are_printed_so_that_they_miss_what_they_miss(low: float, high: float, places: int, wanted: int) -> None:
    """The margin of this result is 100 g."""
    comparison = compared({"c": [1.0, 2.0], "a": [2.0, 3.0]}, control="c", matters="100 g")
    assert end_places(comparison, low, high, places) == wanted


def test_no_harm_word_stands_beside_an_end_of_0() -> None:
    """Levels 95 g apart, an interval of 0.04 to 190: it prints with digits that show it above 0."""
    generator = [330.0, 300.0, 360.0, 345.0, 315.0]
    study = one_test({"c": "control", "a": "candidate"}, kind="risk", better="lower", matters="100 g")
    every = (analysis_of(study, rows_of({"c": generator, "a": [380.0 + 0.05 * step]})) for step in range(2000))
    analysis = next(found for found in every if found.comparisons[0].families[0].verdict[0] == "harm")
    low = float(analysis.comparisons[0].families[0].low[0])
    assert 0 < low < 0.5
    line = next(line for line in terminal(analysis).splitlines() if line.startswith("Product a"))
    ends = line.split("(")[1].split(")")[0].split(" to ")
    assert float(ends[0]) > 0
    shown = next(row for row in charts_of(analysis, "t")[0].rows if row.product.id == "a").interval
    assert shown is not None
    assert float(shown[0].text.lstrip("+")) > 0


def blocked() -> Analysis:
    """Blocks that nothing connects: product a in one, the control in the other."""
    study = one_test({"c": "control", "a": "candidate", "b": "candidate"}, blocks=True)
    data = {"c": [1.0, 2.0], "b": [5.0, 6.0], "a": [40.0, 41.0]}
    return analysis_of(study, rows_of(data, {"c": ["x", "x"], "b": ["x", "x"], "a": ["y", "y"]}))


def test_a_product_without_a_level_shows_the_mean_of_its_runs() -> None:
    line = next(line for line in terminal(blocked()).splitlines() if line.startswith("Product a"))
    assert line.split()[:4] == ["Product", "a", "2", "40.50"]
    assert "mean of its runs, no level; cannot say" in line
    html = page(blocked())
    assert html.count("mean of its runs, no level") == 3
    assert ">no level<" not in html


def test_what_the_arithmetic_leaves_is_no_figure() -> None:
    """0.1 + 0.2 - 0.3 is 5.6e-17: readings to 0.1 g cannot show it."""
    study = parse(
        one_test(
            {"c": "control", "a": "candidate"},
            formula="x + plus - minus",
            test='constants = { plus = "0.2 g", minus = "0.3 g" }',
        ).text,
        today=TODAY,
    )
    analysis = analysis_of(study, rows_of({"c": [0.1, 0.1, 0.1], "a": [0.1, 0.3, 0.2]}))
    for text in (terminal(analysis), page(analysis).split("<main")[1]):
        assert "e-1" not in text.replace("e-100", "")
        assert "×10⁻¹" not in text


YES = (
    'readings.peeled = { kind = "yes or no" }\n'
    'results.colour_off = { formula = "peeled", better = "lower", kind = "risk" }\n'
)


def peeled(cells: Sequence[str]) -> Analysis:
    rows = [row | {"peeled": cell} for row, cell in zip(rows_of({"c": [1.0, 2], "a": [1.0, 2]}), cells, strict=True)]
    return analysis_of(one_test({"c": "control", "a": "candidate"}, extra=YES), rows)


def test_yes_or_no_is_not_called_grades() -> None:
    analysis = peeled(["no", "no", "yes", "no"])
    for text in (terminal(analysis), page(analysis), as_text(trace(analysis, "t.colour_off", "a"))):
        assert "grades" not in text
        assert "yes or no" in text
    assert "T: colour off (risk, yes or no, shown as counts, lower is better)" in terminal(analysis)
    assert '<span class="range">yes or no, shown as counts</span>' in page(analysis)
