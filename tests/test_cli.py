"""The command line: exit statuses, what is printed where, and that nothing ends in a traceback."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from evenbench.cli import main
from tests.strategies import study_text

Make = Callable[..., Path]
posix_only = pytest.mark.skipif(os.name != "posix", reason="shells and signals of POSIX")


def run(*words: str | Path) -> Result:
    """A command and what came of it; a traceback fails the test."""
    done = CliRunner().invoke(main, [str(word) for word in words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def process(*words: str | Path, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The same in a process of its own."""
    command = [sys.executable, "-c", "from evenbench.cli import main; main()", *map(str, words)]
    return subprocess.run(command, capture_output=True, check=False, timeout=60, env=os.environ | environment)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo study, copied and computed once."""
    folder = tmp_path_factory.mktemp("somewhere") / "the [red]demo[/] of 2026"
    done = run("demo", folder)
    assert done.exit_code == 0
    assert f"The study is in {folder}, the report in {folder / 'report.html'}." in done.output
    return folder


@pytest.fixture
def damaged(make_folder: Make) -> Path:
    """A study folder with two mistakes, one of them in a sheet."""
    return make_folder(**{"study.toml": study_text(("uptake = 3", "uptake = -3")), "readings/vapour.csv": "a,a\n"})


# ---------------------------------------------------------------------------------------------------- all goes well


def test_the_demo_leaves_a_study_and_a_report(demo: Path) -> None:
    assert {path.name for path in demo.iterdir()} == {"study.toml", "readings", "report.html"}
    assert (demo / "report.html").read_text(encoding="utf-8").lower().startswith("<!doctype html>")


def test_the_demo_twice(demo: Path) -> None:
    """The same answer, the same report, and nothing else touched."""
    before = {path: path.read_bytes() for path in demo.rglob("*") if path.is_file()}
    assert run("demo", demo).exit_code == 0
    assert {path: path.read_bytes() for path in demo.rglob("*") if path.is_file()} == before


def test_check_says_that_all_is_well(demo: Path) -> None:
    done = run("check", demo)
    assert (done.exit_code, done.output.splitlines()[-1]) == (0, "Everything in the sheets is used.")


def test_check_in_json(demo: Path) -> None:
    done = run("check", demo, "--json")
    assert done.exit_code == 0
    assert json.loads(done.output) == {"sound": True, "mistakes": [], "not_used": [], "doubts": []}


def test_results(demo: Path) -> None:
    assert "Which proofer brings a worn jacket back?" in run("results", demo).output
    found = json.loads(run("results", demo, "--json").output)
    assert (found["format"], found["study"]["id"]) == (1, "proofers_2026")


def test_explain(demo: Path) -> None:
    text = run("explain", demo, "seam.peel", "corvane").output
    assert "readings/seam.csv:" in text
    assert json.loads(run("explain", demo, "seam.peel", "corvane", "--json").output)["product"] == "corvane"


def test_report_elsewhere(demo: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert run("report", demo / "study.toml", "--to", page).output == f"wrote {page}\n"
    assert page.read_bytes() == (demo / "report.html").read_bytes()


def test_start_then_check(tmp_path: Path) -> None:
    """A started study can be checked, and says how to run it."""
    folder = tmp_path / "mine"
    assert run("start", folder).output.splitlines() == [
        f"wrote {folder / 'study.toml'}",
        f"wrote {folder / 'readings' / 'shower.csv'}",
        "Run each test in random order, not from the top of its sheet, and write the order down in the sheet.",
        f"Fill in study.toml and the sheets, then run: evenbench check {folder}",
    ]
    done = run("check", folder)
    assert done.exit_code == 0
    assert "all 20 runs of shower: nothing is recorded yet" in done.output
    again = run("start", folder)
    assert (again.exit_code, again.output) == (
        0,
        f"{folder} has its study and all its sheets already; nothing was written.\n",
    )
    assert run("results", folder).exit_code == 0


def test_start_says_nothing_of_order_where_it_is_as_listed(tmp_path: Path) -> None:
    text = study_text(
        ('order      = "random"', 'order      = "as listed"'), ("without =", 'order = "as listed"\nwithout =')
    )
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    assert "random" not in run("start", tmp_path).output


# --------------------------------------------------------------------------------------------------------- mistakes


@pytest.mark.parametrize("command", ["check", "results", "report", "start"])
def test_mistakes_end_with_status_1(damaged: Path, command: str) -> None:
    done = run(command, damaged)
    assert done.exit_code == 1
    assert "study.toml:80:25: buyers.daily.weights.shower.uptake: '-3': a weight is above 0" in done.output
    assert ("two columns have this name" in done.output) == (command != "start")
    assert not (damaged / "report.html").exists()


def test_explain_ends_with_status_1(damaged: Path, demo: Path) -> None:
    assert run("explain", damaged, "shower.uptake", "ostrel").exit_code == 1
    assert "Did you mean 'seam.peel'?" in run("explain", demo, "seam.pel", "corvane").output
    unknown = run("explain", demo, "seam.peel", "corvan", "--json")
    assert (unknown.exit_code, "Did you mean 'corvane'?" in unknown.output) == (1, True)


def test_check_tells_mistakes_in_json(damaged: Path) -> None:
    done = run("check", damaged, "--json")
    found = json.loads(done.output)
    assert (done.exit_code, found["sound"]) == (1, False)
    assert [(m["file"], m["line"], m["given"]) for m in found["mistakes"]] == [
        ("readings/vapour.csv", 1, "a"),
        ("study.toml", 80, "-3"),
    ]
    assert all(set(m) == {"file", "line", "column", "subject", "given", "why", "write"} for m in found["mistakes"])


def test_check_tells_in_json_that_there_is_no_study(tmp_path: Path) -> None:
    done = run("check", tmp_path / "nowhere", "--json")
    found = json.loads(done.output)
    assert (done.exit_code, found["sound"]) == (1, False)
    assert [m["why"] for m in found["mistakes"]] == ["there is no such folder."]


def test_the_demo_refuses_the_folder_of_another_study(folder: Path) -> None:
    done = run("demo", folder)
    assert done.exit_code == 1
    assert "another study is here already. Name another folder: evenbench demo FOLDER" in done.output


@pytest.mark.parametrize("command", ["check", "results", "report", "explain"])
def test_where_there_is_no_study(tmp_path: Path, command: str) -> None:
    more = ("shower.uptake", "ostrel") if command == "explain" else ()
    done = run(command, tmp_path / "nowhere", *more)
    assert done.exit_code == 1
    assert "there is no such folder. Name a study folder, or make one with: evenbench start FOLDER" in done.output


WRONG_USAGE = [
    pytest.param(["frobnicate"], "No such command 'frobnicate'", id="no-such-command"),
    pytest.param(["check"], "Missing argument 'FOLDER'", id="no-folder"),
    pytest.param(["check", "a", "b"], "unexpected extra argument", id="one-too-many"),
    pytest.param(["results", "a", "--jsn"], "No such option", id="no-such-option"),
    pytest.param(["report", "a", "--to", "study.toml"], "study.toml is no name for an HTML page", id="not-a-page"),
    pytest.param(["report", "a", "--to", "no/where.html"], "there is no folder no", id="no-such-folder"),
]


@pytest.mark.parametrize(("words", "message"), WRONG_USAGE)
def test_wrong_usage_ends_with_status_2(words: list[str], message: str) -> None:
    done = run(*words)
    assert done.exit_code == 2
    assert message in done.output


def test_a_page_that_is_a_folder(demo: Path, tmp_path: Path) -> None:
    (tmp_path / "page.html").mkdir()
    done = run("report", demo, "--to", tmp_path / "page.html")
    assert (done.exit_code, "is a folder" in done.output) == (2, True)


def test_a_file_that_cannot_be_written_is_named(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> Path:
        raise OSError(errno.ENOSPC, "No space left on device", "/some/other.part")

    monkeypatch.setattr("evenbench.publish.report.write_report", full)
    done = run("report", demo, "--to", tmp_path / "page.html")
    assert (done.exit_code, done.output) == (1, f"{tmp_path / 'page.html'}: No space left on device.\n")


# -------------------------------------------------------------------------------------------------- what is printed


def test_nothing_that_a_terminal_obeys_is_printed(make_folder: Make) -> None:
    """A study from a stranger cannot clear the screen, whatever it is called."""
    names = {"study.toml": study_text(('"Garvel Soap"', '"\\u001b[2J"'))}
    if os.name == "posix":
        names |= {"readings/\x1b[2J.csv": "x\n", "\x1b[2J.xlsx": "x"}
    folder = make_folder(**names)
    for done in (run("check", folder), run("check", folder, "--json"), run("results", str(folder) + "\x1b[2J")):
        assert done.exit_code == 1
        assert "\x1b" not in done.output


def test_json_has_standard_output_to_itself(damaged: Path) -> None:
    done = process("results", damaged, "--json")
    assert (done.returncode, done.stdout) == (1, b"")
    assert b"a weight is above 0" in done.stderr


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_any_terminal_will_do(make_folder: Make, encoding: str) -> None:
    """What a terminal cannot show is escaped, and JSON stays whole."""
    title = "Jacken, süß & 防水"
    folder = make_folder(**{"study.toml": study_text(("Proofers for worn rain jackets", title))})
    text = process("check", folder, PYTHONIOENCODING=encoding).stdout.decode(encoding)
    assert text.startswith(title.encode(encoding, errors="backslashreplace").decode(encoding))
    answer = process("explain", folder, "shower.uptake", "ostrel", "--json", PYTHONIOENCODING=encoding)
    assert answer.returncode == 0
    json.loads(answer.stdout.decode(encoding))


def shell(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """A line of shell in which $E is the command and $F a folder."""
    call = f"{sys.executable} -c 'from evenbench.cli import main; main()'"
    script = f'E() {{ {call} "$@"; }}; F={str(folder)!r}; {line}'
    return subprocess.run(["/bin/sh", "-c", script], capture_output=True, text=True, check=False, timeout=60)


QUIET = [
    pytest.param('E results "$F" | head -n 1 >/dev/null', 0, id="reader-gone"),
    pytest.param('E check "$F" --json | true', 0, id="no-reader"),
    pytest.param('E check "$F" >&-', 0, id="no-output"),
    pytest.param('E results "$F" >&-', 0, id="no-output-of-results"),
    pytest.param('E check "$F/nowhere" 2>&-', 1, id="no-messages"),
]


@posix_only
@pytest.mark.parametrize(("line", "status"), QUIET)
def test_an_output_that_ends_is_no_mistake(demo: Path, line: str, status: int) -> None:
    done = shell(line, demo)
    assert (done.returncode, done.stderr) == (status, "")


@posix_only
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("command", ["check", "results", "results --json"])
def test_a_full_disk_is_told(demo: Path, command: str) -> None:
    word, *option = command.split()
    done = shell(f'E {word} "$F" {" ".join(option)} >/dev/full', demo)
    assert (done.returncode, done.stderr) == (1, "No space left on device.\n")


@posix_only
def test_stopped_from_the_keyboard(demo: Path) -> None:
    """Ctrl-C ends with a word and the status that shells expect, not with a traceback."""
    waiting = (
        "import evenbench.record.folder as f, os, signal, sys\n"
        # A job in the background is started with the signal ignored.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "f.open_study = lambda *_: os.kill(os.getpid(), signal.SIGINT)\n"
        "from evenbench.cli import main; main()"
    )
    command = [sys.executable, "-c", waiting, "check", str(demo)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (128 + signal.SIGINT, "", "Stopped.\n")


# ------------------------------------------------------------------------------------------------------- cold start


def test_check_loads_nothing_that_it_does_not_need(demo: Path) -> None:
    """`check` is asked between two runs: it computes outcomes, and waits for no statistics and no pictures."""
    code = "from evenbench.cli import main; import sys; main(sys.argv[1:], standalone_mode=False); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code, "check", demo], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "numpy" in loaded
    assert not loaded & {"scipy.special", "rich.console", "jinja2", "tree_sitter"}
