"""Damaged study folders: exit 1 with the place, or exit 0 with the values that an independent reader takes.

Nothing else may happen: no traceback, no hang, no memory that grows out of proportion. `-m slow` runs the whole.
"""

from __future__ import annotations

import io
import random
import re
import tracemalloc
import zipfile
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.damage.conftest import NAME
from tests.damage.generated import Made, studies
from tests.damage.harness import Outcome, Tally, lay_out, same_bounds, tried
from tests.damage.independent import Bounds, Key
from tests.damage.mutations import OFTEN, SELDOM, Files, bases, mutated, zipped

MORE_MEMORY = 20_000_000  # bytes beyond what the sound folder takes
MOST_TOLD = 5  # kinds of failure, each made small
MOST_TRIES = 150  # to make one small
CHUNKS = 40  # of the slow run
PER_CHUNK = 420
MADE_PER_CHUNK = 64  # each whole and damaged twice

Record = Callable[[str, object], None]


@pytest.fixture(autouse=True, scope="module")
def warm(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Imports are not counted against the first file."""
    tried(lay_out(tmp_path_factory.mktemp("warm") / "study", bases()["small"]))


@pytest.mark.parametrize("name", sorted(bases()))
def test_what_is_not_damaged_is_read_alike(tmp_path: Path, name: str) -> None:
    """Both readers agree in every cell of the sound studies, and the independent one is sure of all."""
    outcome = tried(lay_out(tmp_path / "study", bases()[name]))
    assert (outcome.word, outcome.why) == ("equal", "")
    assert outcome.cells[0] > 20


# --------------------------------------------------------------------------------------------------------- mutations


def damaged_files(number: int) -> tuple[str, dict[str, bytes]]:
    """The damaged folder of this number, and what it was made from; the same at every run."""
    random_ = random.Random(number)
    name = "demo" if number % 50 == 0 else random_.choice(OFTEN + OFTEN + SELDOM)
    return name, mutated(bases()[name], random_)


def hold(folder: Path, numbers: range, record: Record) -> Tally:
    """Try many damaged folders, count what becomes of them, and fail with the smallest that shows each failure."""
    tally = Tally(Counter())
    failed: list[tuple[str, Files, Files, str]] = []
    for number in numbers:
        name, files = damaged_files(number)
        outcome = tried(lay_out(folder / "study", files), "check" if number % 3 else "results")
        tally.add(outcome)
        if outcome.why:
            failed.append((f"seed-{number}-{name}", files, bases()[name], outcome.why))
    record(NAME, tally.counts())
    say(folder, failed, tally)
    return tally


def say(folder: Path, failed: list[tuple[str, Files, Files, str]], tally: Tally) -> None:
    """Fail with one small folder for each kind of failure; nothing where there is none."""
    kinds = {kind_of(why): (seed_, files, base, why) for seed_, files, base, why in reversed(failed)}
    lines = []
    for seed_, files, base, why in list(kinds.values())[:MOST_TOLD]:
        left = lay_out(folder / f"failed-{seed_}", smallest(folder / "less", files, base, why))
        lines.append(f"{seed_}: {why}\n    the smallest folder that shows it: {left}")
    assert not failed, f"{len(failed)} of {tally.words.total()} folders failed\n" + "\n".join(lines)


def kind_of(why: str) -> str:
    """What failures of one kind have in common: their words without numbers and names."""
    return re.sub(r"\(.*?\)|'[^']*'|[0-9]+", "", why)[:40]


def smallest(folder: Path, files: Files, base: Files, why: str) -> dict[str, bytes]:
    """The files with everything left out that the failure does not need."""

    tries = 0

    def still(candidate: Files) -> bool:
        nonlocal tries
        tries += 1
        if tries > MOST_TRIES:
            return False
        outcome = tried(lay_out(folder, candidate))
        return outcome.word == "failed" and kind_of(outcome.why) == kind_of(why)

    found = dict(files)
    for name in sorted(files):
        for candidate in ({**found, name: base.get(name, b"")}, {k: v for k, v in found.items() if k != name}):
            if candidate != found and still(candidate):
                found = candidate
                break
    for name in sorted(found):
        if name.endswith((".csv", ".toml")):
            lines = found[name].split(b"\n")
            size = max(1, len(lines) // 2)
            while size:
                at = 0
                while at < len(lines):
                    fewer = lines[:at] + lines[at + size :]
                    if still({**found, name: b"\n".join(fewer)}):
                        lines = fewer
                    else:
                        at += size
                size //= 2
            found[name] = b"\n".join(lines)
    return found


def test_damage_is_told_or_harmless(tmp_path: Path, record_property: Record) -> None:
    """A sample of the slow run; both ends are seen."""
    tally = hold(tmp_path, range(1, 231), record_property)
    assert tally.words["refused"] > 80
    assert tally.words["equal"] > 40
    assert tally.unsure < 0.1 * tally.compared


@pytest.mark.slow
@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_damage_anywhere_is_told_or_harmless(tmp_path: Path, chunk: int, record_property: Record) -> None:
    tally = hold(tmp_path, range(1_000_000 + chunk * PER_CHUNK, 1_000_000 + (chunk + 1) * PER_CHUNK), record_property)
    assert tally.words["equal"] > 0.15 * PER_CHUNK
    assert tally.unsure < 0.1 * tally.compared


@pytest.mark.parametrize(
    "numbers",
    [pytest.param(range(501, 515), id="some"), pytest.param(range(2000, 2110), id="more", marks=pytest.mark.slow)],
)
def test_damage_takes_no_memory(tmp_path: Path, numbers: range) -> None:
    """A damaged folder takes little more than the sound one it was made from."""
    sound: dict[str, int] = {}
    for number in numbers:
        name, files = damaged_files(number)
        if name not in sound:
            sound[name] = peak(lay_out(tmp_path / "study", bases()[name]))
        assert peak(lay_out(tmp_path / "study", files)) < sound[name] + MORE_MEMORY, f"seed {number}, from {name}"


def peak(folder: Path) -> int:
    """The most that one run of the command takes at once, in bytes of Python and numpy."""
    tracemalloc.start()
    try:
        tried(folder)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


# ------------------------------------------------------------------------------------------------ made from the format


def made_files(folder: Path, many: int, chunk: int, record: Record) -> None:
    """Studies that hypothesis makes: accepted, with the values planted; and damaged, told or harmless."""
    tally = Tally(Counter())
    failed: list[tuple[Files, str]] = []

    def count(files: Files, planted: Mapping[Key, Bounds] | None) -> None:
        outcome = tried(lay_out(folder / "study", files), "check" if tally.words.total() % 5 else "results")
        tally.add(outcome)
        why = outcome.why or ("" if planted is None else not_as_planted(outcome, planted, folder / "study"))
        if why:
            failed.append((files, why))

    @seed(chunk)
    @settings(
        max_examples=many,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.generate],
    )
    @given(studies(), st.integers(0, 2**32))
    def try_one(made: Made, number: int) -> None:
        count(made.files, made.values)
        for more in range(2):
            count(mutated(made.files, random.Random(number + more)), None)

    try_one()
    record(NAME, tally.counts())
    say(folder, [(f"made-{chunk}-{n}", files, {}, why) for n, (files, why) in enumerate(failed)], tally)


def not_as_planted(outcome: Outcome, planted: Mapping[Key, Bounds], folder: Path) -> str:
    """What a sound study is refused for, or a value that is not the one planted."""
    if outcome.word == "refused":
        return f"a sound study is refused: {told(folder)}"
    if set(outcome.used) != set(planted):
        return f"readings lost or added: {set(outcome.used) ^ set(planted)}"
    wrong = [key for key, bounds in planted.items() if not same_bounds(outcome.used[key], bounds)]
    return f"{wrong[0]}: used {outcome.used[wrong[0]]}, planted {planted[wrong[0]]}" if wrong else ""


def told(folder: Path) -> str:
    """The first mistake of a folder that should be sound."""
    from evenbench.measure.errors import Correctable
    from evenbench.record.folder import open_study

    with pytest.raises(Correctable) as caught:
        open_study(folder)
    return str(caught.value).split("\n")[0]


def test_made_studies_are_read_as_planted(tmp_path: Path, record_property: Record) -> None:
    made_files(tmp_path, 25, 0, record_property)


@pytest.mark.slow
@pytest.mark.parametrize("chunk", range(1, CHUNKS + 1))
def test_many_made_studies_are_read_as_planted(tmp_path: Path, chunk: int, record_property: Record) -> None:
    made_files(tmp_path, MADE_PER_CHUNK, chunk, record_property)


# ------------------------------------------------------------------------------------------------------ found by these


CLOCK = b"""format = 1
[study]
id = "s"
title = "S"
[products.c]
name = "C"
role = "control"
[products.a]
name = "A"
[tests.t]
title = "T"
readings.x = { kind = "time", unit = "UNIT" }
readings.seen = { kind = "text" }
results.y = { formula = "x", unit = "UNIT", kind = "info" }
"""


@pytest.mark.parametrize(("unit", "value"), [("s", 125.0), ("min", 125 / 60), ("h", 125 / 3600), ("ms", 125_000.0)])
def test_a_clock_is_minutes_and_seconds_in_any_unit(tmp_path: Path, unit: str, value: float) -> None:
    """`2:05` is two minutes and five seconds, also where the reading is declared in minutes."""
    files = {
        "study.toml": CLOCK.replace(b"UNIT", unit.encode()),
        "readings/t.csv": b"product,x,seen\nc,2:05,\na,2:05,\n",
    }
    outcome = tried(lay_out(tmp_path / "study", files))
    assert outcome.word == "equal", outcome.why
    assert outcome.used["t", "a", 1, "x", 1] == pytest.approx((value, value), rel=1e-14)


def test_texts_say_nothing_of_the_decimal_mark(tmp_path: Path) -> None:
    """A comma in what was seen does not make the numbers of a long sheet ambiguous."""
    sheet = b"test;product;reading;value\nt;c;x;12.5\nt;a;x;13.5\nt;a;seen;after 0,5 L\n"
    files = {"study.toml": CLOCK.replace(b"UNIT", b"s"), "readings.csv": sheet}
    assert tried(lay_out(tmp_path / "study", files)).word == "equal"


TEXT_NOT_THERE = [pytest.param("5000", id="beyond-the-last"), pytest.param("99999999999999999999", id="beyond-64-bits")]


@pytest.mark.parametrize("index", TEXT_NOT_THERE)
def test_a_text_that_is_not_in_the_workbook_is_no_text(tmp_path: Path, index: str) -> None:
    """A cell that names a text by a number too large must not show another one."""
    with zipfile.ZipFile(io.BytesIO(bases()["small_book"]["readings.xlsx"])) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    part = "xl/worksheets/sheet1.xml"
    parts[part] = parts[part].replace(b"<v>0</v>", f"<v>{index}</v>".encode(), 1)
    files = bases()["small"] | {"readings.xlsx": zipped(parts)}
    files = {name: data for name, data in files.items() if not name.endswith(".csv")}
    assert tried(lay_out(tmp_path / "study", files)).word == "refused"


def test_these_tests_can_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that used another figure than the sheet's, or a sheet that must be refused, would be seen."""
    files = {"study.toml": CLOCK.replace(b"UNIT", b"s"), "readings/t.csv": b"product,x,seen\nc,12.5,\na,13.5,\n"}
    folder = lay_out(tmp_path / "study", files)
    assert tried(folder).word == "equal"
    monkeypatch.setattr("tests.damage.independent.plain", lambda *_: 1)
    assert tried(folder).why.startswith("('t', ")
    monkeypatch.undo()
    monkeypatch.setattr("evenbench.analysis.reduce", lambda *_: 1 // 0)
    assert tried(folder).why.startswith("ZeroDivisionError")
