"""Folders made to do harm: a message or success, in two seconds of work and 300 MB, with nothing left running."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="forks, pipes and links")

MOST_SECONDS = 2.0
MOST_MEMORY = 300_000_000
ROOT = Path(__file__).parents[2]


def names() -> list[str]:
    """The cases, where the system has what they are made with."""
    if sys.platform == "win32":
        return []
    from tests.damage.nasty import CASES

    return list(CASES)


@pytest.fixture(scope="module")
def tried() -> dict[str, dict[str, Any]]:
    """What became of each case, by name. They run one after the other in a process of their own."""
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    ran = subprocess.run(
        [sys.executable, "-m", "tests.damage.nasty"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": path, "PYTHONIOENCODING": "utf-8"},
    )
    assert ran.returncode == 0, ran.stderr
    return {found["name"]: found for found in map(json.loads, ran.stdout.splitlines())}


@pytest.mark.slow
@pytest.mark.parametrize("name", names())
def test_what_is_made_to_do_harm_does_none(tried: dict[str, dict[str, Any]], name: str) -> None:
    found = tried[name]
    assert "Traceback" not in found["said"]
    assert found["exit"] in (0, 1), found
    assert found["seconds"] < MOST_SECONDS
    assert found["memory"] < MOST_MEMORY
    if found["exit"]:
        for line in found["said"].splitlines():
            assert (
                re.match(r"(study\.toml|readings|observations\.csv|[^ ]*study:)", line) or line[0] in "0123456789…"
            ), line
            assert line.isprintable()


def test_there_are_many() -> None:
    assert len(names()) > 100
