"""The command line answers at once: `--help` loads none of the heavy libraries."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = {"numpy", "scipy", "pint", "pydantic", "pydantic_core", "jinja2", "rich", "tree_sitter"}
LOADED = "import sys; print(*sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)"
CALLS = {
    "import": "import evenbench.cli",
    "--help": "from evenbench.cli import main; main(['--help'], standalone_mode=False)",
    "--version": "from evenbench.cli import main; main(['--version'], standalone_mode=False)",
}


def loaded_after(code: str) -> set[str]:
    """The top-level modules in memory after a new Python has run `code`."""
    done = subprocess.run([sys.executable, "-c", f"{code}\n{LOADED}"], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.mark.parametrize("call", CALLS)
def test_nothing_heavy_is_loaded(call: str) -> None:
    loaded = loaded_after(CALLS[call])
    assert "evenbench" in loaded
    assert not HEAVY & loaded


def test_the_probe_sees_a_heavy_library() -> None:
    assert "numpy" in loaded_after("import numpy")


def test_an_analysis_loads_no_more_than_it_needs() -> None:
    """Half a second of scipy.stats on every command is what a missing five lines would cost."""
    demo = "import evenbench.analysis as a, evenbench.record.folder as f, pathlib, evenbench"
    code = f"{demo}; a.analyse(*f.open_study(pathlib.Path(evenbench.__file__).parent / 'demo'))"
    probe = "import sys; print(*[n for n in ('scipy.stats', 'scipy.optimize', 'matplotlib') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", f"{code}\n{probe}"], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
