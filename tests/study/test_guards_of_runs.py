"""Doubts about runs: places in a round, limits, specimens, what is lent, and the order. Sentences as they are read."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from evenbench.study.guards import Doubt, guards
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings
from tests.study.planted_slips import TODAY

HEAD = """
format = 1
[study]
id = "bench"
title = "Bench"
[products.c]
name = "Control"
role = "control"
[products.a]
name = "A"
[products.b]
name = "B"
[products.d]
name = "D"
"""
RACE = (
    HEAD
    + """
[tests.t]
title = "Runoff"
blocks = "round"
lanes = 4
readings.finish = { place_in = "round" }
readings.time = { kind = "time", unit = "s", limit = "180 s" }
results.runoff = { formula = "time", unit = "s", kind = "benefit", better = "lower", matters = "5 s" }
"""
)
TIMES = ("41.2", "44.0", "52.6", "0:58")
PRODUCTS = "cabd"


def told(found: Sequence[Doubt]) -> list[str]:
    return [str(doubt) for doubt in found]


def race(*rounds: Sequence[str], times: dict[tuple[int, int], str] | None = None) -> list[str]:
    """The doubts about rounds of four lanes: the places, and the times in the order of the lanes."""
    rows = []
    for number, places in enumerate(rounds, 1):
        for lane, (product, place) in enumerate(zip(PRODUCTS, places, strict=False)):
            time = (times or {}).get((number, lane + 1), TIMES[lane])
            row = {"product": product, "run": str(number), "round": str(number), "lane": str(lane + 1)}
            note = "" if place and time else "not seen"
            rows.append({**row, "order": str(number), "finish": place, "time": time, "note": note})
    study = parse(RACE, today=TODAY)
    return told(guards(study, parse_readings({"t": rows}, study)))


SOUND = [
    pytest.param([("1", "2", "3", "4")], {}, id="plain"),
    pytest.param([("1", "2", "2", "3")], {}, id="a-tie-and-the-next-number"),
    pytest.param([("1", "2", "2", "4")], {}, id="a-tie-and-a-number-left-out"),
    pytest.param([("1", "1", "3", "3")], {}, id="two-ties"),
    pytest.param([("1", "2", "3", "did not finish")], {(1, 4): "did not finish"}, id="did-not-finish"),
    pytest.param([("1", "", "3", "4")], {}, id="a-place-not-seen"),
    pytest.param([("1", "2", "3", "4")], {(1, 1): "44.1"}, id="one-step-is-a-thumb"),
    pytest.param([("4", "3", "2", "1"), ("4", "3", "2", "1")], {}, id="the-longest-time-wins"),
    pytest.param([("2", "4", "1", "3"), ("3", "1", "4", "2")], {}, id="places-of-something-else"),
]


@pytest.mark.parametrize(("rounds", "times"), SOUND)
def test_sound_places_are_left_alone(rounds: list[Sequence[str]], times: dict[tuple[int, int], str]) -> None:
    assert race(*rounds, times=times) == []


def test_a_round_in_which_nobody_is_first() -> None:
    assert race(("2", "2", "3", "4")) == [
        "readings/t:2: t, c run 1, finish = 2: no run of round 1 is 1st. Look which place it had."
    ]


def test_a_place_beyond_the_runs_of_its_round() -> None:
    """The one mistake, and not the gap that it leaves as well."""
    assert race(("1", "2", "3", "4"), ("1", "2", "7", "4")) == [
        "readings/t:8: t, b run 2, finish = 7: only 4 runs of round 2 were placed. Look which place it had."
    ]


def test_a_gap() -> None:
    """1, 1, 4 of three finishers that the fourth did not join."""
    assert race(("1", "2", "4", "did not finish"), times={(1, 4): "did not finish"}) == [
        "readings/t:4: t, b run 1, finish = 4: only 3 runs of round 1 were placed. Look which place it had."
    ]
    assert race(("1", "2", "4", "4")) == [
        "readings/t:4: t, b run 1, finish = 4: no run of round 1 is 3rd. Look which place it had."
    ]


def test_a_place_against_its_time() -> None:
    """One pair of twelve lies the other way."""
    assert race(("1", "2", "3", "4"), ("2", "1", "3", "4")) == [
        (
            "readings/t:6: t, c run 2, finish = 2: its time is 41.2 s, and that of a run 2, whose place is 1, is "
            "44.0 s. Look which of them is wrong."
        )
    ]


def test_the_first_that_did_not_finish() -> None:
    assert race(("1", "2", "3", "4"), times={(1, 1): "did not finish"}) == [
        (
            'readings/t:2: t, c run 1, finish = 1: its time is "did not finish", and that of a run 1, whose place is '
            "2, is 44.0 s. Look which of them is wrong."
        )
    ]


def test_a_time_beyond_the_limit() -> None:
    """A clock is shown as it was typed, without a unit; what did not finish says so itself."""
    assert race(("1", "2", "3", "4"), times={(1, 4): "3:20"}) == [
        (
            "readings/t:5: t, d run 1, time = 3:20: the limit of time is 180 s, and what goes on longer did not "
            "finish. Look which is wrong."
        )
    ]
    assert race(("1", "2", "3", "4"), times={(1, 4): "3:00"}) == []


# -------------------------------------------------------------------------------------------- specimens and lending

LENT = (
    HEAD
    + """
[tests.shower]
title = "Shower"
readings.dry = { unit = "g" OF }
readings.wet = { unit = "g" }
results.uptake = { formula = "wet - dry", unit = "g", kind = "benefit", better = "lower", matters = "1 g" }
[tests.drying]
title = "Drying"
readings.dry = { lent_by = "shower.dry" }
readings.after = { unit = "g" }
results.left = { formula = "after - dry", unit = "g", kind = "benefit", better = "lower", matters = "1 g" }
"""
)
SPECIMENS = {"c": ("C11", "C22"), "a": ("A13", "A24"), "b": ("B15", "B26"), "d": ("D17", "D28")}


def lending(shower: dict[str, str] | None = None, drying: dict[str, str] | None = None, of: str = "") -> list[str]:
    """The doubts about two tests of eight specimens, of which some bear another name or product in one of them."""
    sheets: dict[str, list[dict[str, str]]] = {"shower": [], "drying": []}
    for k, (product, names) in enumerate(SPECIMENS.items()):
        for run, name in enumerate(names):
            for test, changed in (("shower", shower or {}), ("drying", drying or {})):
                row = {"product": changed.get(f"{name} of", product), "run": "", "specimen": changed.get(name, name)}
                figures = {"dry": f"{9 + k / 7 + run / 9:.2f}", "wet": f"{13 + k / 5 + run / 8:.2f}"}
                after = {"after": f"{10 + k / 6 + run / 7:.2f}"}
                sheets[test].append({**row, **(figures if test == "shower" else after)})
    for rows in sheets.values():
        counted = dict.fromkeys(PRODUCTS, 0)
        for row in rows:
            counted[row["product"]] += 1
            row["run"] = str(counted[row["product"]])
    study = parse(LENT.replace("OF", of), today=TODAY)
    return told(guards(study, parse_readings(sheets, study)))


BY_SPECIMEN = ', of = "specimen"'


@pytest.mark.parametrize("of", ["", BY_SPECIMEN])
def test_what_is_lent_to_its_own_specimen_is_left_alone(of: str) -> None:
    assert lending(of=of) == []


@pytest.mark.parametrize("of", ["", BY_SPECIMEN])
def test_a_reading_lent_by_another_product(of: str) -> None:
    """B15 stands in the second sheet as a specimen of product a."""
    assert lending(drying={"B15 of": "a"}, of=of) == [
        (
            "readings/drying:6: drying, a run 3: dry is lent by shower, b run 1 (readings/shower:6), which is another "
            "product. Look which product specimen B15 is of."
        )
    ]


def test_a_specimen_that_the_lender_does_not_have() -> None:
    """The nearest name that is not taken; A24 is nearer to A25 than to any other."""
    assert lending(drying={"A24": "A25"}) == [
        (
            "readings/drying:5: drying, a run 2: shower, which lends dry, has no specimen A25. "
            "Look whether it is A24, which drying does not have."
        )
    ]
    assert lending(drying={"A24": "Z99"}) == [
        "readings/drying:5: drying, a run 2: shower, which lends dry, has no specimen Z99. Look at its name."
    ]


def test_a_specimen_of_two_products() -> None:
    found = lending(drying={"D17": "C11"})
    assert found[0] == (
        "readings/drying:8: drying, d run 1: dry is lent by shower, c run 1 (readings/shower:2), which is another "
        "product. Look which product specimen C11 is of."
    )
    assert found[1] == (
        "readings/drying:8: drying, d run 1: specimen C11 is also that of c run 1 (readings/drying:2). "
        "Look which of them had it."
    )


def test_specimens_numbered_within_each_product_are_no_slip() -> None:
    numbered = {name: str(run) for names in SPECIMENS.values() for run, name in enumerate(names, 1)}
    assert not any("is also that of" in text for text in lending(shower=numbered))


# ----------------------------------------------------------------------------------------------------------- order

ORDER = (
    HEAD
    + """
[tests.t]
title = "T"
BLOCKS
readings.pull = { unit = "N" }
results.force = { formula = "pull", unit = "N", kind = "benefit", better = "higher", matters = "1 N" }
"""
)


def ordered(orders: Sequence[str], blocks: Sequence[str] = (), declared: str = "") -> list[str]:
    """The doubts about runs of c, a, b and d in turn."""
    rows = []
    for n, order in enumerate(orders):
        row = {"product": PRODUCTS[n % 4], "run": str(n // 4 + 1), "order": order, "pull": f"{20 + (n * 7) % 5}.{n}"}
        rows.append({**row, **({"round" if "lanes" in declared else "block": blocks[n]} if blocks else {})})
    study = parse(ORDER.replace("BLOCKS", declared), today=TODAY)
    return told(guards(study, parse_readings({"t": rows}, study)))


def test_one_place_in_the_order_for_two_runs() -> None:
    assert ordered("12345178") == [
        (
            "readings/t:7: t, a run 2, order = 1: c run 1 (readings/t:2) has this place in the order as well. "
            "No run has 6. Look when it was run."
        )
    ]


def test_runs_of_one_round_share_their_order() -> None:
    rounds = {"blocks": "11112222", "declared": 'blocks = "round"\nlanes = 4'}
    assert ordered("11112222", **rounds) == []
    assert ordered("11112221", **rounds)[0].startswith(
        "readings/t:9: t, d run 2, order = 1: c run 1 (readings/t:2) has this place in the order as well, "
        "and they are not of one round."
    )


def test_an_order_that_begins_anew_each_day_is_no_slip() -> None:
    assert ordered("12341234", "11112222", 'blocks = "day"') == []


def test_an_order_of_its_own_for_each_run_is_left_alone() -> None:
    assert ordered("12345678") == []
