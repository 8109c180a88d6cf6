"""Starter studies, sheets ready to fill, and the demo: written whole, never over what is there."""

from __future__ import annotations

import csv
import errno
import io
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from evenbench.record import sheets
from evenbench.record.folder import NoStudy, open_study
from evenbench.record.sheets import copy_demo, ready_sheet, start_folder
from evenbench.study.mistakes import StudyError
from evenbench.study.parse import parse
from tests.strategies import STUDY, TODAY, example_study


def everything(folder: Path) -> dict[str, bytes]:
    """Every file of a folder by name."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def cells(sheet: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(sheet)))


# ---------------------------------------------------------------------------------------------------- the ready sheet


def test_a_sheet_has_the_columns_of_its_test() -> None:
    shower, vapour = example_study().tests
    assert ready_sheet(shower).splitlines()[0] == "product,run,block,order,dry,dry.2,wet,note"
    assert ready_sheet(vapour).splitlines()[0] == "product,run,order,before,after,stood,note"


def test_a_sheet_has_the_planned_runs() -> None:
    """Every product as often as the study says, the control more often; once each where it does not say."""
    shower, vapour = example_study().tests
    runs = Counter(row["product"] for row in cells(ready_sheet(shower)))
    assert runs == {"untreated": 4, "water": 2, "new": 2, "ostrel": 2, "garvel": 2}
    assert Counter(row["product"] for row in cells(ready_sheet(vapour))) == {"untreated": 1, "ostrel": 1, "garvel": 1}


def test_runs_are_spread_over_the_blocks() -> None:
    """Every product runs in every block, and the control's further runs go round the blocks."""
    shower = example_study().test("shower")
    spread = Counter((row["block"], row["product"]) for row in cells(ready_sheet(shower)))
    assert {block for block, _ in spread} == {"1", "2"}
    assert spread["1", "untreated"] == spread["2", "untreated"] == 2
    assert {count for (_, product), count in spread.items() if product != "untreated"} == {1}


def test_the_order_is_left_to_be_written_down() -> None:
    """Rows stand in the order of the study; nothing in them says that runs should."""
    for test in example_study().tests:
        assert {row["order"] for row in cells(ready_sheet(test))} == {""}


# ------------------------------------------------------------------------------------------------------------- start


def test_start_makes_a_sound_study(tmp_path: Path) -> None:
    """What it writes can be read at once, and waits for readings alone."""
    folder = tmp_path / "a [new] study" / "of 2026"
    study, written = start_folder(folder)
    assert [path.relative_to(folder).as_posix() for path in written] == ["study.toml", "readings/shower.csv"]
    read, readings = open_study(folder, today=TODAY)
    assert read == study
    assert len(readings.runs) == 20
    assert [note.reason for note in readings.not_used] == ["nothing is recorded yet"]


def test_start_writes_nothing_twice(tmp_path: Path) -> None:
    start_folder(tmp_path)
    (tmp_path / "readings" / "shower.csv").write_text("mine")
    before = everything(tmp_path)
    assert start_folder(tmp_path)[1] == []
    assert everything(tmp_path) == before


def test_start_adds_the_sheets_that_a_study_lacks(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    (tmp_path / "readings").mkdir()
    (tmp_path / "readings" / "shower.csv").write_text("mine")
    assert [path.name for path in start_folder(tmp_path)[1]] == ["vapour.csv"]
    assert (tmp_path / "readings" / "shower.csv").read_text() == "mine"


def test_start_leaves_a_long_sheet_alone(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    (tmp_path / "readings.csv").write_text("mine")
    assert start_folder(tmp_path)[1] == []
    assert set(everything(tmp_path)) == {"study.toml", "readings.csv"}


def test_start_adds_nothing_to_a_damaged_study(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("format = 2")
    with pytest.raises(StudyError, match="this version reads format 1 alone"):
        start_folder(tmp_path)
    assert everything(tmp_path) == {"study.toml": b"format = 2"}


@pytest.mark.parametrize(
    ("name", "why"),
    [
        pytest.param("there", "this is not a folder.", id="file"),
        pytest.param("there/readings.csv", "there are readings here, and no study.toml.", id="readings"),
        pytest.param("there/readings/a.csv", "there are readings here, and no study.toml.", id="sheets"),
    ],
)
def test_start_stays_out_of_what_is_not_its_own(tmp_path: Path, name: str, why: str) -> None:
    (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / name).write_text("mine")
    with pytest.raises(NoStudy) as caught:
        start_folder(tmp_path / "there")
    assert caught.value.why == why
    assert everything(tmp_path) == {name: b"mine"}


# -------------------------------------------------------------------------------------------------------------- demo


def test_the_demo_is_copied_whole(tmp_path: Path) -> None:
    copy_demo(tmp_path / "demo")
    study, readings = open_study(tmp_path / "demo", today=TODAY)
    assert set(everything(tmp_path / "demo")) == {"study.toml", *(f"readings/{test.id}.csv" for test in study.tests)}
    assert len(readings.runs) > 0
    assert readings.not_used == ()


def test_the_demo_twice_keeps_what_is_there(tmp_path: Path) -> None:
    """A reading that somebody changed stays changed; a sheet that somebody lost comes back."""
    copy_demo(tmp_path)
    head = tmp_path / "readings" / "head.csv"
    head.write_text(head.read_text(encoding="utf-8").replace("59,67", "60,67"), encoding="utf-8")
    before = everything(tmp_path)
    (tmp_path / "readings" / "seam.csv").unlink()
    copy_demo(tmp_path)
    assert everything(tmp_path) == before


def test_the_demo_with_other_notes_is_still_the_demo(tmp_path: Path) -> None:
    copy_demo(tmp_path)
    study = tmp_path / "study.toml"
    study.write_text("# mine\n" + study.read_text(encoding="utf-8"), encoding="utf-8")
    copy_demo(tmp_path)
    assert study.read_text(encoding="utf-8").startswith("# mine")


@pytest.mark.parametrize(
    ("files", "why"),
    [
        pytest.param({"study.toml": STUDY}, "another study is here already.", id="study"),
        pytest.param({"study.toml": "format = 1"}, "another study is here already.", id="study-without-an-id"),
        pytest.param({"readings.csv": "x"}, "there are readings of another study here.", id="readings"),
        pytest.param({"readings/a.csv": "x"}, "there are readings of another study here.", id="sheets"),
    ],
)
def test_the_demo_stays_out_of_other_studies(tmp_path: Path, files: dict[str, str], why: str) -> None:
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    before = everything(tmp_path)
    with pytest.raises(NoStudy) as caught:
        copy_demo(tmp_path)
    assert str(caught.value) == f"{tmp_path}: {why} Name another folder: evenbench demo FOLDER"
    assert everything(tmp_path) == before


# ------------------------------------------------------------------------------------------------------ a full disk


class FullDisk(io.TextIOWrapper):
    """A file on a disk that has no room left: it can be made, and nothing can be written to it."""

    def write(self, _: str) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("make", [start_folder, copy_demo])
def test_no_half_file_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: Callable[[Path], object]) -> None:
    """Half a study would be kept by the next call as if it were the user's own."""
    opened = Path.open

    def open_on_a_full_disk(path: Path, mode: str = "r", **more: Any) -> Any:
        return FullDisk(opened(path, "xb")) if mode == "x" else opened(path, mode, **more)

    monkeypatch.setattr(Path, "open", open_on_a_full_disk)
    with pytest.raises(OSError, match="No space left on device") as caught:
        make(tmp_path / "new")
    assert str(caught.value.filename).startswith(str(tmp_path / "new"))
    assert everything(tmp_path) == {}


def test_what_appears_meanwhile_is_not_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "_has_sheets", lambda _: (tmp_path / "study.toml").write_text("theirs") and False)
    with pytest.raises(FileExistsError):
        start_folder(tmp_path)
    assert everything(tmp_path) == {"study.toml": b"theirs"}


def test_the_starter_is_sound() -> None:
    study = parse(sheets.STARTER, today=TODAY)
    assert {p.role for p in study.products} == {"control", "placebo", "candidate"}
