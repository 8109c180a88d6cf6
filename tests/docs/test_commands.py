"""The page on commands holds each command's help as the program prints it, and leaves none out."""

from __future__ import annotations

from pathlib import Path

import pytest

from evenbench.cli import main
from tests.docs import pages

SECTIONS = pages.sections(pages.DOCS / "commands.md")


@pytest.mark.parametrize("name", ["", *main.commands])
def test_the_help_is_that_of_the_program(name: str) -> None:
    call = f"evenbench {name}".strip()
    output, status = pages.run(f"{call} --help")
    assert status == 0
    first = next(iter(pages.blocks(SECTIONS[f"`{call}`"], "text")))
    assert first.text.strip() == output.strip()


def test_no_command_is_described_that_does_not_exist() -> None:
    named = {pages.said(title)[0] for title in SECTIONS if title.startswith("`evenbench")}
    assert named == {f"evenbench {name}".strip() for name in ["", *main.commands]}


@pytest.mark.parametrize(
    ("words", "status"),
    [
        pytest.param("evenbench check made", 0, id="done"),
        pytest.param("evenbench check nowhere", 1, id="no such study"),
        pytest.param("evenbench check spoilt", 1, id="a study with a mistake"),
        pytest.param("evenbench check", 2, id="no folder named"),
        pytest.param("evenbench chekc made", 2, id="no such command"),
    ],
)
def test_exit_statuses_are_those_of_the_page(
    words: str, status: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    pages.run("evenbench start made")
    (tmp_path / "spoilt").mkdir()
    (tmp_path / "spoilt" / "study.toml").write_text("format = 2\n", encoding="utf-8")
    assert pages.run(words)[1] == status
    rows = pages.table_rows(SECTIONS["Exit statuses"])
    assert str(status) in {row[0] for row in rows}
