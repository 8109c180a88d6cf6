"""Figures to look at again: what raises a doubt, what does not, and how often, with slips planted on purpose."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from evenbench.study.guards import Doubt, guards
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings
from evenbench.study.slips import among_runs, undone
from tests.study.planted_slips import PLANTS, TODAY, doubts_of, share_found, sheets_of

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "src" / "evenbench" / "demo"

HEAD = """
format = 1
[study]
id = "bench"
title = "Bench"
[instruments]
scale = { resolution = "0.01 g", range = "0 g to 500 g" }
spring = { resolution = "0.25 N" }
[products.c]
name = "Control"
role = "control"
[products.a]
name = "A"
[tests.t]
title = "T"
readings.before = { unit = "g", instrument = "scale" }
readings.after = { unit = "g", instrument = "scale" }
readings.pull = { unit = "N", instrument = "spring" }
results.loss = { formula = "before - after", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }
"""
# Losses between 3.9 g and 4.2 g of masses that differ by some grams, as cups of water do.
BEFORE = ["170.83", "166.31", "164.97", "173.26", "168.12", "171.74", "169.55", "167.08"]
AFTER = ["166.84", "162.19", "160.99", "169.20", "164.16", "167.65", "165.47", "163.13"]
CHANGE = dict[tuple[int, str], str]


def doubted(changes: CHANGE | None = None, *, pull: str = "3.25") -> tuple[Doubt, ...]:
    """The doubts about eight runs of two products, with cells (run counted from 0, column) changed."""
    rows = [
        {"product": "ca"[n % 2], "run": str(n // 2 + 1), "before": b, "after": a, "pull": pull}
        for n, (b, a) in enumerate(zip(BEFORE, AFTER, strict=True))
    ]
    for (n, column), text in (changes or {}).items():
        rows[n][column] = text
    study = parse(HEAD, today=TODAY)
    return guards(study, parse_readings({"t": rows}, study))


def test_sound_readings_raise_no_doubt() -> None:
    assert doubted() == ()


CASES = [
    pytest.param(
        {(2, "before"): "512.40", (2, "after"): "508.40"},
        "t, c run 2, before = 512.40 g",
        "the scale reads from 0 g to 500 g",
        id="beyond-the-range",
    ),
    pytest.param({(1, "before"): "166.314"}, "t, a run 1, before = 166.314 g", "steps of 0.01 g", id="off-the-steps"),
    pytest.param({(1, "pull"): "3.30"}, "t, a run 1, pull = 3.30 N", "steps of 0.25 N", id="off-quarter-steps"),
    pytest.param({(3, "before"): "1732.6"}, "t, a run 2, before = 1732.6 g", "As 173.26", id="point"),
    pytest.param(
        {(3, "before"): "137.26"},
        "t, a run 2, before = 137.26 g",
        "As 173.26 it would be in its place: look whether two digits are exchanged",
        id="two-digits",
    ),
    pytest.param(
        {(4, "after"): "194.16"},
        "t, c run 3, after = 194.16 g",
        "As 164.16 it would be in its place: look whether one digit is wrong",
        id="one-digit",
    ),
    pytest.param(
        {(5, "before"): AFTER[5], (5, "after"): BEFORE[5]},
        "t, a run 3, before = 167.65 g",
        "Look whether before and after are exchanged",
        id="exchanged",
    ),
    pytest.param(
        {(6, "before"): BEFORE[5]},
        "t, c run 4, before = 171.74 g",
        "It is the figure of the row beside it",
        id="copied-cell",
    ),
    pytest.param(
        {(5, "after"): "178.33"},
        "t, a run 3, before = 171.74 g",
        "loss is less than 0, and more than 0 in every other run",
        id="grew",
    ),
]


@pytest.mark.parametrize(("changes", "about", "because"), CASES)
def test_a_slip_is_doubted_at_its_place(changes: CHANGE, about: str, because: str) -> None:
    """Each doubt names the file and line, the figure as typed, and what to look at."""
    found = doubted(changes)
    assert any(d.about == about and because in d.because for d in found), "\n".join(map(str, found))
    assert {d.at.line for d in found} == {n + 2 for n, _ in changes}


def test_a_coarse_figure_is_on_the_steps() -> None:
    """A dropped trailing zero, or a quarter rounded to a tenth, is no slip."""
    assert doubted({(1, "before"): "166.3"}, pull="3.2") == ()


def test_bounds_beyond_the_range_are_no_slips() -> None:
    """A reading beyond the instrument says so itself."""
    assert not any("reads from" in d.because for d in doubted({(1, "before"): ">500"}))


def test_many_alike_are_told_once() -> None:
    """A whole column off its steps is three lines, the last of which counts the rest."""
    found = doubted(pull="3.30")
    assert len(found) == 3
    assert "The same is true of 5 more readings of this column." in found[-1].because


def test_scatter_of_its_own_is_no_slip() -> None:
    """A product that scatters widely is not doubted for it, nor one at another level."""
    draw = np.random.default_rng(4)
    value = np.concatenate([draw.normal(10, 0.1, 20), draw.normal(50, 8.0, 20)])
    judged = among_runs(value, np.repeat(np.array([0, 1], dtype=np.int32), 20), np.full(40, 0.01))
    assert np.nanmax(np.abs(judged.away)) < 7


def test_every_slip_can_be_undone() -> None:
    """The figure that was meant is among those offered, for each sort of slip."""
    slips = {(u.value, u.slip) for u in undone(94.6, "94.6")}
    assert {(9.46, "point"), (49.6, "transposed"), (94.8, "digit")} <= slips


# ------------------------------------------------------------------------------------------------- measured rates


@pytest.fixture(scope="module")
def examples() -> ModuleType:
    """The script that draws the examples."""
    spec = importlib.util.spec_from_file_location("make_examples_for_guards", ROOT / "examples" / "make_examples.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_clean_studies_raise_no_doubt(examples: ModuleType) -> None:
    """Thirty clean studies of each sort, drawn for other seeds; benchmarks/guards.py does three hundred."""
    for draw in (examples.demo, examples.hurried):
        assert [d for seed in range(30) for d in doubts_of(*sheets_of(draw(seed)))] == []


# Of 60 plants; docs/statistics-notes.md has the rates of the benchmark. Held about three standard errors below.
LEAST = {
    "the decimal point off by one or two places": 58,
    "two digits exchanged": 27,
    "one digit wrong": 13,
    "one digit left out": 30,
    "two readings in each other's columns": 34,
    "one figure copied from the row before": 8,
    "a whole row copied from the row before": 5,
}


@pytest.mark.parametrize("plant", PLANTS)
def test_planted_slips_are_found(plant: str) -> None:
    """A doubt stands at the line that was changed, and nowhere else alone."""
    files = {path: path.read_text(encoding="utf-8") for path in sorted(DEMO.rglob("*.*")) if path.is_file()}
    study, sheets = sheets_of(files)
    found, elsewhere = share_found(study, sheets, plant, 60, 7)
    assert found >= LEAST[plant]
    assert elsewhere == 0


# ------------------------------------------------------------------------- beyond doubt, with little to go by

FEW = """
format = 1
[study]
id = "bench"
title = "Bench"
[products.c]
name = "Control"
role = "control"
""" + "".join(f'[products.p{n}]\nname = "P{n}"\n' for n in range(9))
REPEATED = (
    FEW
    + """
[tests.t]
title = "T"
readings.bend = { unit = "mm", repeats = 3 }
results.stiff = { formula = "bend", unit = "mm", kind = "benefit", better = "higher", matters = "1 mm" }
"""
)
ONCE = (
    FEW
    + """
[tests.t]
title = "T"
readings.gross = { unit = "g" }
readings.net = { unit = "g" }
results.loss = { formula = "gross - net", unit = "g", kind = "benefit", better = "lower", matters = "0.1 g" }
"""
)
TIMED = (
    FEW
    + """
[tests.t]
title = "T"
readings.time = { kind = "time", unit = "UNIT" }
results.off = { formula = "time", unit = "s", kind = "benefit", better = "lower", matters = "5 s" }
"""
)


def lines(text: str, rows: list[dict[str, str]]) -> list[str]:
    """The doubts about one sheet, as they are read."""
    study = parse(text, today=TODAY)
    return [str(doubt) for doubt in guards(study, parse_readings({"t": rows}, study))]


def repeated(*runs: str) -> list[str]:
    """The doubts about runs of three repeats, of c, p0, p1 … in turn."""
    names = ("bend", "bend.2", "bend.3")
    products = ["c", *(f"p{n}" for n in range(9))]
    rows = [
        {"product": products[n], "run": "1", **dict(zip(names, cells.split(), strict=True))}
        for n, cells in enumerate(runs)
    ]
    return lines(REPEATED, rows)


def test_a_digit_left_out_among_three_repeats() -> None:
    """By hand: the other two differ by 1, s pools (2 + 2 + 0.5) / 5, and 6 lies 61 / (0.95 sqrt 1.5) = 52 of t off."""
    assert repeated("64 65 66", "70 72 71", "68 6 67") == [
        (
            "readings/t:4: t, p1 run 1, bend.2 = 6 mm: the other repeats of this run read about 68 mm, and repeats "
            "usually scatter by 1.0 mm. With a digit more it would be in its place: look whether one was left out."
        )
    ]


def test_repeats_that_no_slip_explains_are_told_only_beyond_doubt() -> None:
    """Three degrees of freedom tell a 6, which a slip explains, and not a 120; nine runs tell the 120 as well."""
    assert len(repeated("64 65 66", "68 6 67")) == 1
    assert repeated("64 65 66", "68 120 67") == []
    sound = ("64 65 66", "70 72 71", "69 68 68", "66 67 66", "71 70 72", "65 65 64", "69 70 71", "67 68 66")
    assert repeated(*sound) == []
    assert repeated(*sound, "68 120 67") == [
        (
            "readings/t:10: t, p7 run 1, bend.2 = 120 mm: the other repeats of this run read about 68 mm, and repeats "
            "usually scatter by 1.0 mm. Look whether it was typed as it was read."
        )
    ]


def test_repeats_that_all_scatter_are_left_alone() -> None:
    assert repeated("64 85 46", "70 42 91", "68 40 67") == []


GROSS = ["40.12", "38.77", "41.50", "39.31", "42.06", "40.93", "37.88", "41.17", "39.02", "40.44"]
NET = ["39.31", "38.42", "41.08", "38.95", "41.75", "40.51", "37.57", "40.78", "38.69", "40.01"]


def once(changes: CHANGE) -> list[str]:
    """The doubts about ten products run once, the control first, with cells changed."""
    rows = [
        {"product": "c" if n == 0 else f"p{n - 1}", "run": "1", "gross": gross, "net": net}
        for n, (gross, net) in enumerate(zip(GROSS, NET, strict=True))
    ]
    for (n, column), text in changes.items():
        rows[n][column] = text
    return lines(ONCE, rows)


def test_a_product_run_once_far_from_all_others() -> None:
    """It lies 51 g beyond others that range over 4 g."""
    assert once({(3, "gross"): "93.56", (3, "net"): "93.20"})[0] == (
        "readings/t:5: t, p2 run 1, gross = 93.56 g: every other product reads 37.88 g to 42.06 g, and this one lies "
        "far from them all. As 39.56 it would be in its place: look whether two digits are exchanged."
    )


def test_a_mass_that_is_one_gram_more_is_seen_by_its_loss() -> None:
    """A loss of 1.36 g where candidates lose 0.31 g to 0.43 g and the control 0.81 g; the row is told, not the cell."""
    [found] = once({(3, "gross"): "40.31"})
    assert found.startswith("readings/t:5: t, p2 run 1, ")
    assert "with it, loss is 1.360 g, and with every other product 0.310 g to 0.810 g." in found


def test_products_that_merely_differ_are_left_alone() -> None:
    """Sound figures; a candidate as bad as the control; a control far from all."""
    assert once({}) == []
    assert once({(3, "gross"): "39.79"}) == []
    assert once({(0, "gross"): "43.97"}) == []


def timed(*times: str, unit: str = "s") -> list[str]:
    """The doubts about times of c, p0 and p1 in turn."""
    rows = [{"product": ("c", "p0", "p1")[n % 3], "run": str(n // 3 + 1), "time": t} for n, t in enumerate(times)]
    return lines(TIMED.replace("UNIT", unit), rows)


CLOCKS = ("0:42", "0:44", "0:47", "0:41", "0:45", "0:48", "0:43", "0:44", "0:46")
UNDONE = [
    pytest.param("7:00", "As 0:42 it would be in its place: look whether it is ten times off.", id="ten-times"),
    pytest.param(
        "43:00",
        "As 0:43 it would be in its place: look whether minutes stand for seconds, or seconds for minutes.",
        id="minutes-for-seconds",
    ),
    pytest.param("0:14", "As 0:41 it would be in its place: look whether two digits are exchanged.", id="two-digits"),
]


@pytest.mark.parametrize("unit", ["s", "min"])
@pytest.mark.parametrize(("typed", "why"), UNDONE)
def test_a_clock_is_shown_and_undone_as_a_clock(typed: str, why: str, unit: str) -> None:
    """Without the unit of the reading, whichever that is."""
    [found] = timed(*CLOCKS[:3], typed, *CLOCKS[4:], unit=unit)
    assert found.startswith(f"readings/t:5: t, c run 2, time = {typed}: the other runs of Control read about ")
    assert found.endswith(why)
    assert timed(*CLOCKS, unit=unit) == []


# ------------------------------------------------------------------------------------------- two ways to a result

WAYS = HEAD.replace(
    'results.loss = { formula = "before - after"',
    'readings.given = { unit = "g" }\nresults.loss = { formula = "first_of(before - after, given)"',
)


def contradictions(given: dict[int, str], study: str = WAYS, **cells: str) -> list[Doubt]:
    """The doubts about two ways to a loss, with a loss noted by hand in some of the eight runs."""
    rows = [
        {"product": "ca"[n % 2], "run": str(n // 2 + 1), "before": b, "after": a, "pull": "3.25", **cells}
        for n, (b, a) in enumerate(zip(BEFORE, AFTER, strict=True))
    ]
    for n, row in enumerate(rows):
        row["given"] = given.get(n, "")
    declared = parse(study, today=TODAY)
    return [doubt for doubt in guards(declared, parse_readings({"t": rows}, declared)) if "by it" in doubt.because]


# 170.83 - 166.84 = 3.99. Three steps of 0.01: u = 0.01 sqrt(3 / 12) = 0.005, so 3 u and three half steps make 0.03.
AGREEING = [pytest.param("3.99", id="the-same"), pytest.param("4.01", id="two-steps"), pytest.param("3.96", id="three")]
APART = [pytest.param("4.03", id="four-steps"), pytest.param("3.94", id="below"), pytest.param("39.90", id="slipped")]


@pytest.mark.parametrize("given", AGREEING)
def test_two_ways_that_agree_within_their_errors_raise_no_doubt(given: str) -> None:
    """Three standard uncertainties of rounding and half a step for each reading: by hand, three steps."""
    assert contradictions({0: given}) == []


@pytest.mark.parametrize("given", APART)
def test_two_ways_that_cannot_both_be_right_are_told(given: str) -> None:
    """With the place of what was noted, both values, and which is used."""
    [doubt] = contradictions({0: given})
    assert doubt.at.line == 2
    assert doubt.about == f"t, c run 1, given = {given} g"
    assert f"by it, loss is {float(given):.3f} g, and by before and after 3.990 g, which is used." in doubt.because
    assert "Both should agree within 0.030 g" in doubt.because


def test_what_an_instrument_may_be_off_is_allowed_for() -> None:
    """A gain of 1 % moves a loss of 3.99 g by 0.04 g, and three times that is no contradiction."""
    loose = WAYS.replace('resolution = "0.01 g"', 'resolution = "0.01 g", gain = "1 %"')
    assert contradictions({0: "4.10"}) != []
    assert contradictions({0: "4.10"}, loose) == []
    assert contradictions({0: "4.20"}, loose) != []


def test_a_run_with_one_way_has_nothing_to_contradict() -> None:
    """A difference that is lost, and a loss that was noted in its place."""
    assert contradictions(dict.fromkeys(range(8), "9.99"), after="") == []


def test_many_contradictions_are_counted() -> None:
    """The first three by themselves, and how many more."""
    found = contradictions(dict.fromkeys(range(8), "9.99"))
    assert len(found) == 3
    assert found[-1].because.endswith("The same is true of 5 more readings of this column.")


def test_results_that_name_each_other_in_a_ladder_are_read_once() -> None:
    """Sixty results that each name the two before: no guard goes down every way."""
    steps = "\n".join(
        f'results.r{n} = {{ formula = "r{n - 1} + r{n - 2}", unit = "g", kind = "info" }}' for n in range(2, 60)
    )
    first = 'results.r0 = { formula = "before", unit = "g", kind = "info" }\n'
    second = 'results.r1 = { formula = "after", unit = "g", kind = "info" }\n'
    assert contradictions({}, WAYS + first + second + steps) == []
