"""Every command that a page shows is run, in order, in an empty folder, and prints what the page says."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.docs import pages

WITH_COMMANDS = [page for page in pages.PAGES if pages.blocks(page, "console")]


def test_the_tutorial_is_among_them() -> None:
    assert {"tutorial.md", "commands.md", "README.md"} <= {page.name for page in WITH_COMMANDS}


@pytest.mark.parametrize("page", WITH_COMMANDS, ids=lambda page: page.name)
def test_the_program_does_what_the_page_says(page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert pages.follow(page, tmp_path) > 0


@pytest.mark.parametrize(
    ("expected", "output", "alike"),
    [
        pytest.param("a\nb\n", "a  \nb\n", True, id="spaces at the ends of lines do not count"),
        pytest.param("a\nb\n", "a\nb\nc\n", False, id="more than the page says"),
        pytest.param("a\n…\n", "a\nb\nc\n", True, id="the rest left out"),
        pytest.param("a\n…\nc\n", "a\nb\nd\n", False, id="the line after what is left out is missing"),
        pytest.param("a … c\n", "a b b c\n", True, id="the middle of a line left out"),
        pytest.param("a …\n", "a b\nc\n", False, id="a dot within a line does not reach the next"),
        pytest.param("1.5\n", "1x5\n", False, id="a point is a point"),
    ],
)
def test_outputs_are_compared_line_by_line(expected: str, output: str, alike: bool) -> None:
    """The comparison that the tests above rest on can fail."""
    assert (pages.mismatch(expected, output) == "") is alike
