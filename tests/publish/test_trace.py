"""What `explain` shows of a run's own uncertainty, and how errors were carried."""

from __future__ import annotations

from evenbench.publish.contract import contract
from evenbench.publish.trace import as_text, trace
from tests.engine import analysis_of, one_test, rows_of

ONCE = {"c": [10.0], "a": [12.0]}
TWICE = {"c": [10.0, 11.0], "a": [12.0, 13.0]}
ROLES = {"c": "control", "a": "candidate"}
LINEAR = "errors of readings and constants: linear, by the slopes of the formula"


def test_a_single_run_says_what_the_bench_leaves_open() -> None:
    """12.0 typed with one decimal: u = 0.1 / sqrt 12 = 0.0289 (JCGM 100:2008, F.2.2.1), times 1.96 to either side."""
    found = trace(analysis_of(one_test(ROLES), rows_of(ONCE)), "t.y", "a")
    [run] = found["runs"]
    assert [round(end, 4) for end in run["bench_interval"]] == [11.9434, 12.0566]
    assert "run 1: 12.0000 g, between 11.9434 and 12.0566 by the errors of the bench alone (95 %)" in as_text(found)
    assert LINEAR in found["model"]["notes"]


def test_runs_with_others_beside_them_do_not() -> None:
    """Their scatter says more than the bench does."""
    found = trace(analysis_of(one_test(ROLES), rows_of(TWICE)), "t.y", "a")
    assert [run["bench_interval"] for run in found["runs"]] == [None, None]
    assert "bench alone" not in as_text(found)


def test_the_method_is_among_the_notes_of_the_model() -> None:
    """As JSON, where a program reads it."""
    study = one_test(ROLES, formula="x / k", extra='constants.k = { value = "1", u = "20 %" }')
    notes = contract(analysis_of(study, rows_of(ONCE)))["tests"]["t"]["results"]["y"]["model"]["notes"]
    assert any(note.startswith("errors of products run once: Monte Carlo, 200,000 draws, seed ") for note in notes)


def test_a_constant_is_shown_with_what_is_known_of_it() -> None:
    """The amount, and its uncertainty as it was written."""
    study = one_test(ROLES, formula="x / k", extra='constants.k = { value = "1", within = "2 %" }')
    found = trace(analysis_of(study, rows_of(TWICE)), "t.y", "a")
    assert found["constants"] == {"k": "1, within = 2 %"}
    assert "  k = 1, within = 2 %" in as_text(found)
