"""The starter's own decisions, without a network: when an environment serves, what is rebuilt and said."""

from __future__ import annotations

import ast
import importlib.util
import os
import re
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import start

REPOSITORY = Path(__file__).resolve().parent.parent
posix_only = pytest.mark.skipif(os.name != "posix", reason="stands in for an environment with a symbolic link")


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project folder with requirement files and no environment yet."""
    (tmp_path / "requirements").mkdir()
    for name in ("requirements/run.txt", "requirements/dev.txt", "pyproject.toml"):
        (tmp_path / name).write_text(name)
    monkeypatch.setattr(start, "ROOT", tmp_path)
    monkeypatch.setattr(start, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(start, "STAMP", tmp_path / ".venv" / "stamp")
    return tmp_path


def make_environment(stamp: str, python: str = sys.executable) -> None:
    """Put an environment in place as an earlier call would have left it."""
    start.script("python").parent.mkdir(parents=True)
    start.script("python").symlink_to(python)
    start.STAMP.write_text(stamp)


class Recorder:
    """Stands in for `quietly`: keeps the commands, makes what `venv` would make, fails where asked to."""

    def __init__(self, fail_at: str = "nothing") -> None:
        self.commands: list[tuple[str, ...]] = []
        self.stamps: list[str] = []
        self.fail_at = fail_at

    def __call__(self, *command: str) -> None:
        self.commands.append(command)
        self.stamps.append(start.stamp())
        if self.fail_at in command:
            sys.exit("no")
        if "venv" in command and not start.script("python").exists():
            start.script("python").parent.mkdir(parents=True)
            start.script("python").symlink_to(sys.executable)

    def said(self, word: str) -> bool:
        return any(word in command for command in self.commands)


@pytest.fixture
def recorder(monkeypatch: pytest.MonkeyPatch) -> Recorder:
    """What an install by pip would run."""
    recorder = Recorder()
    monkeypatch.setattr(start, "quietly", recorder)
    monkeypatch.setattr(start, "find_uv", lambda: None)
    return recorder


@pytest.mark.parametrize("version", [(3, 11), (3, 11, 7), (3, 14), (4, 0)])
def test_a_new_enough_python_is_let_through(version: tuple[int, ...]) -> None:
    assert start.too_old(version) == ""


@pytest.mark.parametrize("version", [(3, 10), (3, 6, 15)])
def test_an_old_python_is_told_what_is_needed(version: tuple[int, ...]) -> None:
    said = start.too_old(version)
    assert "needs Python 3.11 or newer" in said
    assert f"this is Python 3.{version[1]}." in said


def test_an_old_python_can_read_the_file_at_all() -> None:
    tree = ast.parse((REPOSITORY / "start.py").read_text(encoding="utf-8"), feature_version=(3, 7))
    modules = {
        name.partition(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in ([node.module or ""] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names])
    }
    assert modules <= sys.stdlib_module_names


def test_the_oldest_python_is_the_one_the_project_states() -> None:
    stated = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert stated["requires-python"] == f">={start.NEEDS[0]}.{start.NEEDS[1]}"


def test_a_missing_venv_module_is_named_with_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    assert start.lacks_venv() == ""
    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "ensurepip" else real(name))
    said = start.lacks_venv()
    assert "apt install python3-venv" in said
    assert f"python{sys.version_info[0]}.{sys.version_info[1]}-venv" in said


def test_a_missing_venv_module_stops_pip_before_anything_is_made(
    project: Path, recorder: Recorder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(start, "lacks_venv", lambda: "python3-venv is missing")
    with pytest.raises(SystemExit, match="python3-venv is missing"):
        start.install("run")
    assert not (project / ".venv").exists()
    assert recorder.commands == []


@pytest.mark.parametrize(
    ("platform", "place"),
    [("posix", "bin/evenbench"), ("nt", "Scripts/evenbench.exe"), ("java", "bin/evenbench")],
)
def test_commands_lie_where_the_platform_puts_them(platform: str, place: str) -> None:
    assert start.script("evenbench", platform) == REPOSITORY / ".venv" / place


@posix_only
@pytest.mark.parametrize(
    ("made_as", "asked_for", "serves"),
    [("run", "run", True), ("dev", "dev", True), ("dev", "run", True), ("run", "dev", False)],
)
@pytest.mark.usefixtures("project")
def test_a_development_environment_serves_both(made_as: str, asked_for: str, serves: bool) -> None:
    make_environment(start.stamp_of(made_as))
    assert start.ready(asked_for) is serves


@posix_only
@pytest.mark.parametrize("changed", ["requirements/run.txt", "pyproject.toml"])
def test_a_changed_list_makes_the_environment_stale(project: Path, changed: str) -> None:
    make_environment(start.stamp_of("run"))
    assert start.ready("run")
    (project / changed).write_text("changed")
    assert not start.ready("run")


@posix_only
@pytest.mark.usefixtures("project")
def test_an_environment_whose_python_is_gone_is_not_ready_and_not_built_on() -> None:
    make_environment(start.stamp_of("run"), python="/nowhere/python3")
    assert not start.ready("run")
    assert not start.usable()


@posix_only
@pytest.mark.parametrize(("stamp", "usable"), [("", True), ("run 3.11 old", True), (start.UNFINISHED, False)])
@pytest.mark.usefixtures("project")
def test_only_an_unfinished_environment_is_thrown_away(stamp: str, usable: bool) -> None:
    make_environment(stamp)
    assert start.usable() is usable


@posix_only
@pytest.mark.usefixtures("project")
def test_an_install_is_hashed_and_stamped_when_done(recorder: Recorder, capsys: pytest.CaptureFixture[str]) -> None:
    start.install("run")
    packages, itself = (command for command in recorder.commands if "install" in command)
    assert packages[-3:] == ("--require-hashes", "-r", "requirements/run.txt")
    assert {"--no-deps", "--no-build-isolation", "-e"} < set(itself)
    assert set(recorder.stamps) == {start.UNFINISHED}
    assert start.ready("run")
    assert not start.ready("dev")
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1


@posix_only
@pytest.mark.usefixtures("project", "recorder")
def test_an_install_broken_off_is_started_afresh(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start, "quietly", Recorder(fail_at="-r"))
    with pytest.raises(SystemExit):
        start.install("run")
    assert start.stamp() == start.UNFINISHED
    half_written = start.VENV / "half-written"
    half_written.touch()
    monkeypatch.setattr(start, "quietly", Recorder())
    start.prepare("run")
    assert not half_written.exists()
    assert start.ready("run")


@posix_only
def test_a_stale_development_environment_stays_one(project: Path, recorder: Recorder) -> None:
    make_environment(start.stamp_of("dev"))
    kept = start.VENV / "kept"
    kept.touch()
    (project / "requirements/dev.txt").write_text("changed")
    start.prepare("run")
    assert recorder.said("requirements/dev.txt")
    assert not recorder.said("requirements/run.txt")
    assert start.stamp() == start.stamp_of("dev")
    assert kept.exists()


@posix_only
@pytest.mark.usefixtures("project")
def test_a_ready_environment_costs_nothing(recorder: Recorder) -> None:
    make_environment(start.stamp_of("run"))
    start.prepare("run")
    assert recorder.commands == []


@posix_only
@pytest.mark.usefixtures("project")
def test_uv_is_given_this_very_python(recorder: Recorder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start, "find_uv", lambda: "uv")
    start.install("run")
    made = recorder.commands[0]
    assert made[:2] == ("uv", "venv")
    assert made[made.index("--python") + 1] == sys.executable
    assert all("--compile-bytecode" in command for command in recorder.commands if "install" in command)


@posix_only
def test_a_uv_that_does_not_answer_is_passed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert start.find_uv() is None
    for answer, found in (("exit 127", None), ("exit 0", str(tmp_path / "uv"))):
        (tmp_path / "uv").write_text(f"#!/bin/sh\n{answer}\n")
        (tmp_path / "uv").chmod(0o755)
        assert start.find_uv() == found


PIP_OFFLINE = """\
WARNING: Retrying (Retry(total=4)) after connection broken by 'NewConnectionError(\
Failed to establish a new connection: [Errno -3] Temporary failure in name resolution)': /simple/click/
ERROR: No matching distribution found for click==8.5.1"""
UV_OFFLINE = """\
error: Failed to fetch `click`
  Caused by: error sending request for url
  Caused by: dns error"""


@pytest.mark.parametrize("noise", [PIP_OFFLINE, UV_OFFLINE])
def test_a_missing_network_is_said_plainly(noise: str) -> None:
    said = start.failure(("pip", "install"), noise)
    assert said.startswith("The packages that Evenbench needs could not be fetched")
    assert len(said.splitlines()) == 3
    assert said.endswith(noise.splitlines()[-1])


def test_any_other_failure_shows_what_the_command_said() -> None:
    said = start.failure(("pip", "install", "x"), "THESE PACKAGES DO NOT MATCH THE HASHES")
    assert said.startswith("THESE PACKAGES DO NOT MATCH THE HASHES\n")
    assert "stopped at: pip install x" in said


def test_a_command_of_the_set_up_speaks_only_when_it_fails(capfd: pytest.CaptureFixture[str]) -> None:
    start.quietly(sys.executable, "-c", "print('noise')")
    with pytest.raises(SystemExit, match="noise"):
        start.quietly(sys.executable, "-c", "print('noise'); raise SystemExit(3)")
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(("statuses", "status", "ran"), [((0, 0), 0, 2), ((5, 0), 5, 1), ((0, 7), 7, 2)])
def test_the_checks_stop_at_the_first_that_fails(
    statuses: tuple[int, ...], status: int, ran: int,
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    checks = tuple(("python", "-c", f"print('ran'); raise SystemExit({code})") for code in statuses)
    monkeypatch.setattr(start, "CHECKS", checks)
    monkeypatch.setattr(start, "script", lambda _: Path(sys.executable))
    assert start.check([]) == status
    assert capfd.readouterr().out.splitlines().count("ran") == ran


def test_no_words_show_the_help_and_are_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert start.main([]) == 2
    assert start.main(["--help"]) == 0
    assert "start.py demo" in capsys.readouterr().out


def pins(kind: str) -> dict[str, list[Requirement]]:
    """What a requirement file pins, by name; a name can stand twice, for different Pythons."""
    text = (REPOSITORY / "requirements" / f"{kind}.txt").read_text(encoding="utf-8")
    found: dict[str, list[Requirement]] = {}
    for line in re.findall(r"^[^\s#][^\\\n]*", text, flags=re.MULTILINE):
        requirement = Requirement(line.strip())
        found.setdefault(canonicalize_name(requirement.name), []).append(requirement)
    return found


def wanted(kind: str) -> list[Requirement]:
    """What pyproject.toml asks for and a requirement file must hold."""
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))
    groups = project["dependency-groups"]
    lines = project["project"]["dependencies"] + groups["build"] + (groups["dev"] if kind == "dev" else [])
    return [Requirement(line) for line in lines if isinstance(line, str)]


@pytest.mark.parametrize("kind", ["run", "dev"])
def test_the_locks_hold_what_the_project_asks_for(kind: str) -> None:
    pinned = pins(kind)
    for requirement in wanted(kind):
        for pin in pinned[canonicalize_name(requirement.name)]:
            (version,) = pin.specifier
            assert requirement.specifier.contains(version.version), f"run: python3 start.py lock ({pin})"


def test_both_locks_pin_the_same_versions() -> None:
    development = pins("dev")
    for name, pinned in pins("run").items():
        assert [str(pin) for pin in pinned] == [str(pin) for pin in development[name]]


@pytest.mark.parametrize("kind", ["run", "dev"])
def test_the_locks_are_hashed_and_name_no_host(kind: str) -> None:
    text = (REPOSITORY / "requirements" / f"{kind}.txt").read_text(encoding="utf-8")
    for block in re.split(r"\n(?=\S)", text.strip()):
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", block), block
    assert "://" not in text
    assert "index" not in text
