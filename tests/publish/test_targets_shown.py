"""What the terminal, the page and `explain` show of results near a target, and of caps."""

from __future__ import annotations

from io import StringIO

import pytest
from rich.console import Console

from evenbench.analysis import Analysis
from evenbench.publish.report import page
from evenbench.publish.summary import show
from evenbench.publish.trace import as_text, trace
from evenbench.study.parse import parse
from tests.engine import TODAY, analysis_of, rows_of

DATA = {"c": [18.0, 18.4, 17.6], "r": [23.0, 23.4, 22.6], "a": [24.5, 24.1, 22.6], "b": [20.0, 20.4, 19.6]}
ROLES = {"c": "control", "r": "reference", "a": "candidate", "b": "candidate"}


def analysed(result: str, more: str = "") -> Analysis:
    products = "".join(f'[products.{id}]\nname = "Product {id}"\nrole = "{role}"\n' for id, role in ROLES.items())
    text = (
        f'format = 1\n[study]\nid = "bench"\ntitle = "Bench"\n{products}[tests.t]\ntitle = "Hem"\nreferences = ["r"]\n'
        f'readings.x = {{ unit = "mm" }}\n'
        f'results.y = {{ formula = "x", unit = "mm", kind = "benefit", {result} }}\n{more}'
    )
    return analysis_of(parse(text, today=TODAY), rows_of(DATA))


def terminal(analysis: Analysis) -> str:
    console = Console(file=StringIO(), width=200)
    show(analysis, console)
    assert isinstance(console.file, StringIO)
    return console.file.getvalue()


NEAR = 'better = "nearest", target = "23 mm", matters = "1 mm"'
# Product a: runs of 24.5, 24.1 and 22.6 mm have a mean of 23.733 mm, 0.733 mm above the target, two of them above it.
SAID = "23.73 mm on average, 0.73 mm above the target (2 of 3 runs)"


def test_the_terminal_says_where_the_values_lie() -> None:
    text = terminal(analysed(NEAR))
    assert "Hem: y in mm (benefit, nearest to 23 mm is best)" in text
    assert f"Product a: values {SAID}" in text
    assert "Product b: values 20.00 mm on average, 3.00 mm below the target\n" in text


def test_the_page_says_where_the_values_lie() -> None:
    text = page(analysed(NEAR))
    assert "nearest to 23 mm is best" in text
    assert f"values {SAID}" in text
    assert "every run, by its distance" in text


def test_explain_shows_value_and_distance() -> None:
    text = as_text(trace(analysed(NEAR), "t.y", "a"))
    assert "from 23 mm (value 24.5" in text
    assert f"values: {SAID}" in text


@pytest.mark.parametrize(("target", "named"), [("control", "Product c"), ("reference: r", "Product r")])
def test_what_it_should_be_like_is_named(target: str, named: str) -> None:
    analysis = analysed(f'better = "nearest", target = "{target}", matters = "1 mm"')
    text, shown = terminal(analysis), page(analysis)
    assert f"like {named} is best" in text
    assert f"like {named} is best" in shown
    assert ("against Product r" in text) == (target != "control")
    assert "on average" not in text
    assert "ould be best" not in text
    assert "nothing is better than" not in shown
    assert "better →" not in shown
    assert "← better" not in shown


def test_a_cap_is_among_the_notes_of_the_buyer() -> None:
    more = '[buyers.one]\ntitle = "One"\nweights.t.y = 1\n'
    analysis = analysed('better = "higher", matters = "1 mm", capped_at = "22 mm"', more)
    for told in (terminal(analysis), page(analysis)):
        assert "Hem: y above 22 mm counts as 22 mm" in told
        assert "40,000 joint draws (seed" in told
