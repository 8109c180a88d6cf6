"""Folders that tests share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.strategies import SHEETS, STUDY


@pytest.fixture
def make_folder(tmp_path: Path) -> Callable[..., Path]:
    """A function that writes a study folder: `files` by name, over the small study and its sheets."""

    def make(**files: str | bytes | None) -> Path:
        folder = tmp_path / "study"
        (folder / "readings").mkdir(parents=True)
        given: dict[str, str | bytes | None] = {"study.toml": STUDY}
        given |= {f"readings/{test}.csv": sheet for test, sheet in SHEETS.items()}
        for name, text in (given | files).items():
            if text is not None:
                data = text if isinstance(text, bytes) else text.encode()
                (folder / name).write_bytes(data)
        return folder

    return make


@pytest.fixture
def folder(make_folder: Callable[..., Path]) -> Path:
    """The small study with its sheets, in a folder."""
    return make_folder()
