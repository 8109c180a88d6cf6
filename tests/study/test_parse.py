"""study.toml -> Study: what is understood, and the message that each mistake brings."""

from __future__ import annotations

import copy
import random
import tomllib
from collections.abc import Callable
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from evenbench.measure.units import parse_unit
from evenbench.study.mistakes import Mistake, StudyError
from evenbench.study.model import Margin
from evenbench.study.notes import dotted
from evenbench.study.parse import parse
from tests.strategies import STUDY, TODAY, at, damaged, example_study, paths, study_text, to_toml

MISTAKES = tomllib.loads(Path(__file__).with_name("mistakes.toml").read_text(encoding="utf-8"))
DEMO = (files("evenbench") / "demo" / "study.toml").read_text(encoding="utf-8")


def mistakes(text: str) -> tuple[Mistake, ...]:
    """The mistakes of a study; none where it is sound."""
    try:
        parse(text, today=TODAY)
    except StudyError as error:
        found = error.mistakes
    else:
        return ()
    assert found, "an error without a mistake tells nobody anything"
    return found


def said(text: str) -> list[str]:
    return [str(mistake) for mistake in mistakes(text)]


# ------------------------------------------------------------------------------------------------ what is understood


def test_products_are_read() -> None:
    """Roles, prices and what was bought are there as they were written."""
    study = example_study()
    roles = {p.id: p.role for p in study.products}
    assert roles == {
        "untreated": "control",
        "water": "placebo",
        "new": "reference",
        "ostrel": "candidate",
        "garvel": "candidate",
    }
    ostrel = study.product("ostrel")
    assert (ostrel.name, ostrel.also, ostrel.flash_point) == ("Ostrel Spray", ("the Ostrel",), "24 degC closed cup")
    assert ostrel.price is not None
    assert (ostrel.price.value, ostrel.price.text) == (14.0, "14.00 EUR")
    assert ostrel.pack is not None
    assert ostrel.pack.to(parse_unit("L")) == pytest.approx(0.3, rel=1e-15)
    assert ostrel.bought is not None
    assert (ostrel.bought.shop, ostrel.bought.on, ostrel.bought.lot) == ("Pellbrook Outdoor", date(2026, 8, 2), "B22")
    assert [claim.must for claim in ostrel.claims] == ["better than control", "no harm", "at most", "not testable"]
    assert study.product("garvel").claims == ()


def test_instruments_are_read() -> None:
    scale, clock = example_study().instruments
    assert scale.resolution is not None
    assert scale.range is not None
    assert (scale.resolution.text, scale.calibrated) == ("0.01 g", date(2026, 8, 1))
    assert scale.gain == pytest.approx(0.001, rel=1e-15)
    assert [end.text for end in scale.range] == ["0 g", "500 g"]
    assert (clock.offset, clock.gain, clock.range) == (None, 0.0, None)


def test_who_enters_a_test() -> None:
    """The control, placebos and candidates enter, less those left out; references only where they are named."""
    study = example_study()
    shower, vapour = study.tests
    assert shower.products == ("untreated", "water", "new", "ostrel", "garvel")
    assert (shower.placebos, shower.references, shower.left_out) == (("water",), ("new",), ())
    assert vapour.products == ("untreated", "ostrel", "garvel")
    assert (vapour.placebos, vapour.references, vapour.left_out) == ((), (), ("water",))
    assert {test.control for test in study.tests} == {"untreated"}
    assert [shower.planned(p) for p in ("untreated", "ostrel")] == [4, 2]
    assert vapour.planned("ostrel") is None


def test_a_test_names_its_control_where_there_are_several() -> None:
    study = example_study(
        ('role = "placebo"', 'role = "control"'),
        (', against = "water"', ""),
        ('blocks     = "day"', 'blocks     = "day"\ncontrol = "water"'),
        ('without = ["water"]', 'control = "untreated"'),
    )
    assert [test.control for test in study.tests] == ["water", "untreated"]
    assert "untreated" not in study.test("shower").products


def test_margins_are_differences_or_shares() -> None:
    """Points are differences of percentages; a share stays a share; another unit of the same sort is converted."""
    shower, vapour = example_study().tests
    assert shower.results[0].matters == Margin(amount=5.0, share_of_control=False, text="5 points")
    assert vapour.results[0].matters is None
    assert vapour.results[1].matters == Margin(amount=0.1, share_of_control=True, text="10 % of control")
    in_kg = example_study(("10 % of control", "0.2 kg/m2/d")).result("vapour.rate").matters
    assert in_kg is not None
    assert in_kg.amount == pytest.approx(200.0, rel=1e-12)


def test_a_margin_of_temperature_is_a_difference() -> None:
    """2 K are 3.6 Fahrenheit degrees apart, wherever their scales start."""
    study = example_study(
        ("results.loss ", "readings.warm = { unit = 'degF' }\nresults.loss "),
        (
            '"before - after", unit = "g", kind = "info"',
            "'warm', unit = 'degF', kind = 'risk', better = 'lower', matters = '2 K'",
        ),
        ("loss / (area", "before / (area"),
    )
    margin = study.result("vapour.loss").matters
    assert margin is not None
    assert margin.amount == pytest.approx(3.6, rel=1e-12)


def test_buyers_questions_and_price_are_read() -> None:
    study = example_study()
    (buyer,) = study.buyers
    assert dict(buyer.weights) == {"shower.uptake": 3.0, "price": 1.0}
    assert [(m.result, m.is_, m.every_run) for m in buyer.must] == [
        ("vapour.rate", "no harm", False),
        ("shower.uptake", "at most", True),
    ]
    assert (buyer.only_if, buyer.not_if) == (
        ("the seams are sound",),
        ("the coating is peeling: replace the jacket",),
    )
    assert [(q.answered_by, q.against) for q in study.questions] == [
        ("shower.uptake", None),
        ("shower.uptake", "water"),
    ]
    assert study.price is not None
    assert (study.price.per, study.price.matters, study.price.unit.text) == ("jacket", 0.5, "EUR")


def test_little_is_needed() -> None:
    """A study is a title, products and a test; everything else may be left out."""
    study = parse(
        """
        format = 1
        study = { id = "s", title = "Two sponges" }
        products = { sea = { name = "Sea" }, loofah = { name = "Loofah" } }
        tests.soak.title = "Soak"
        tests.soak.readings.wet.unit = "g"
        tests.soak.results.held = { formula = "wet", unit = "g", better = "higher", kind = "benefit", matters = "2 g" }
        """,
        today=TODAY,
    )
    (soak,) = study.tests
    assert (soak.control, soak.blocks, soak.replicates, soak.order) == (None, None, None, None)
    assert (study.currency, study.price, study.buyers, study.questions) == (None, None, (), ())


def test_the_text_is_kept() -> None:
    assert example_study().text == STUDY


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(("\n", "\r\n"), id="lines-of-windows"),
        pytest.param(('"Garvel Soap"', '"סבון גארבל"'), id="name-from-right-to-left"),
        pytest.param(('"Garvel Soap"', '"  Garvel Soap "'), id="spaces-around-a-name"),
        pytest.param(('"Garvel Soap"', '"""Garvel\nSoap"""'), id="name-in-two-lines"),
        pytest.param(("uptake = 3", "uptake = 3.5"), id="weight-with-decimals"),
        pytest.param(('value = "30 %"', 'value = "30 points"'), id="bound-in-points"),
        pytest.param(('value = "30 %"', 'value = "0.3"'), id="bound-as-a-share"),
        pytest.param(("2026-08-01", TODAY.isoformat()), id="calibrated-today"),
    ],
)
def test_what_may_vary(change: tuple[str, str]) -> None:
    old, new = change
    assert said(STUDY.replace(old, new)) == []


# ------------------------------------------------------------------------------------------------ one mistake each


def done_to_the_study(damage: dict[str, Any]) -> str:
    if "cut" in damage:
        start, end = (STUDY.index(mark) for mark in damage["cut"])
        return STUDY[:start] + str(damage.get("put", "")) + STUDY[end:]
    return study_text(*((old, new) for old, new in damage["change"]))


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told(name: str) -> None:
    """Where, what was given, why it cannot stand, what to write; and nothing that only follows from it."""
    assert said(done_to_the_study(MISTAKES[name])) == MISTAKES[name]["says"]


HUGE = [
    pytest.param(
        ("replicates = 2", f"replicates = {'9' * 4900}"),
        "study.toml: it holds a number of thousands of digits. Write a shorter one.",
        id="number",
    ),
    pytest.param(
        ("format = 1", "format = 1\n" + ".".join("a" * 100_000) + " = 1"),
        "study.toml:2: the line is longer than 5,000 characters. Part it into several.",
        id="line",
    ),
    pytest.param(
        ("format = 1", "format = 1\n" + ".".join("a" * 2000) + " = 1"),
        "study.toml: lists or tables are nested too deeply. Format 1 needs seven levels at most.",
        id="dots",
    ),
    pytest.param(
        ("format = 1", f"format = 1\nx = {'[' * 2000}"),
        "study.toml: lists or tables are nested too deeply. Format 1 needs seven levels at most.",
        id="brackets",
    ),
    pytest.param(
        ("format = 1", "format = 1\n" + "# nothing\n" * 100_000),
        "study.toml: the file is longer than 1,000,000 characters. A study is a few pages; readings stand in sheets.",
        id="file",
    ),
    pytest.param(
        ('"Garvel Soap"', f'"{"x" * 2001}"'),
        f"study.toml:50:9: products.garvel.name: '{'x' * 57}…': the text is longer than 2,000 characters. Shorten it.",
        id="text",
    ),
    pytest.param(
        ('["shake ten times", "wipe the frame"]', "[" + '"shake", ' * 101 + "]"),
        "study.toml:58:14: tests.shower.between: there are more than 100 here. Leave some out.",
        id="list",
    ),
]


@pytest.mark.parametrize(("change", "message"), HUGE)
def test_what_is_huge_is_refused(change: tuple[str, str], message: str) -> None:
    assert said(study_text(change)) == [message]


@pytest.mark.timeout(20)
def test_thousands_of_mistakes_take_seconds() -> None:
    """A file that is wrong from end to end is refused, its first mistakes spelled out and the rest counted."""
    text = study_text(("format = 1", "format = 1\n" + "".join(f"key_{n} = {n}\n" for n in range(20_000))))
    with pytest.raises(StudyError, match=r"… and \d+ more; mend these first\.$") as caught:
        parse(text, today=TODAY)
    assert str(caught.value).count("\n") == 200


# ------------------------------------------------------------------------------------------------ all mistakes at once


def test_mistakes_are_reported_together() -> None:
    """One reading of the messages mends the whole file, whatever pass each mistake fails in."""
    text = study_text(
        ('id       = "proofers"', 'id       = "The Proofers"'),
        ('"14.00 EUR"', "14.00"),
        ('"1000 mL"', '"1000 mm"'),
        ('instrument = "clock"', 'instrument = "watch"'),
        ("(wet - dry) / dry", "(wet - drie) / dry"),
        ('"10 % of control"', '"10 %"'),
        ("uptake = 3", "uptake = -3"),
    )
    assert [m.subject for m in mistakes(text)] == [
        "study.id",
        "products.ostrel.price",
        "products.garvel.pack",
        "tests.shower.results.uptake.formula",
        "tests.vapour.readings.stood.instrument",
        "tests.vapour.results.rate.matters",
        "buyers.daily.weights.shower.uptake",
    ]


def test_places_stay_true_when_members_of_a_list_are_wrong() -> None:
    """The third claim is the third claim, though the first could not be read."""
    text = study_text(('{ says = "Restores water repellency"', "{ says = 5"), ('must = "at most"', 'must = "at moist"'))
    assert [m.subject for m in mistakes(text)] == ["products.ostrel.claims[1].says", "products.ostrel.claims[3].must"]
    text = study_text(('must = "better than control"', 'must = "best"'), ('value = "25 %"', 'value = "25 g"'))
    assert [m.subject for m in mistakes(text)] == ["products.ostrel.claims[1].must", "products.ostrel.claims[3].value"]


# ---------------------------------------------------------------------------------------------- every key of a study

DOCUMENT = tomllib.loads(STUDY)
EVERY = list(paths(DOCUMENT))
OTHERS: tuple[Any, ...] = (True, -1, float("nan"), "zz", {})
MORE: tuple[Any, ...] = (7, 3.5, float("inf"), "", [], [1], {"a": 1}, date(2031, 1, 1), 10**30)
IDS = (
    "facts",
    "conditions",
    "applied",
    "constants",
    "readings",
    "results",
    "products",
    "tests",
    "buyers",
    "instruments",
)


def changed(change: Callable[[Any, str | int], None], path: tuple[str | int, ...]) -> tuple[Mistake, ...]:
    """The mistakes of the small study after `change` of the table or list that holds `path`."""
    document = copy.deepcopy(DOCUMENT)
    change(at(document, path[:-1]), path[-1])
    return mistakes(to_toml(document))


def told_in_place(path: tuple[str | int, ...], others: tuple[Any, ...]) -> bool:
    """Whether each of `others` in the place of a value is told as a mistake of that place, or is as good."""
    for other in others:
        found = changed(lambda table, key, other=other: table.__setitem__(key, other), path)  # type: ignore[misc]
        emptied = other == {} and path[-1] in IDS  # then those who name what was there are wrong
        near = any(dotted(path).startswith(m.subject) or m.subject.startswith(dotted(path)) for m in found)
        if found and not near and not emptied:
            return False
    return True


@pytest.mark.parametrize("path", EVERY, ids=dotted)
def test_a_value_of_the_wrong_sort_is_told_where_it_stands(path: tuple[str | int, ...]) -> None:
    assert told_in_place(path, OTHERS)


@pytest.mark.slow
@pytest.mark.parametrize("path", EVERY, ids=dotted)
def test_a_value_of_any_wrong_sort_is_told_where_it_stands(path: tuple[str | int, ...]) -> None:
    assert told_in_place(path, MORE)


@pytest.mark.parametrize("path", EVERY, ids=dotted)
def test_a_lost_key_never_surprises(path: tuple[str | int, ...]) -> None:
    changed(lambda table, key: table.pop(key), path)


@pytest.mark.parametrize(
    "path", [p for p in EVERY if isinstance(p[-1], str) and p[-2:-1] not in {(i,) for i in IDS}], ids=dotted
)
def test_a_misspelt_key_is_told_with_the_right_one(path: tuple[str | int, ...]) -> None:
    def misspell(table: dict[str, Any], key: str | int) -> None:
        table[f"{key}x"] = table.pop(str(key))

    assert any(str(path[-1]) in m.write for m in changed(misspell, path))


# ------------------------------------------------------------------------------------------------------ slips of hand


@pytest.mark.parametrize("seed", range(12))
def test_a_slip_is_understood_or_told(seed: int) -> None:
    """A damaged study is read or refused with its mistakes; nothing else happens."""
    random_ = random.Random(seed)
    for _ in range(25):
        mistakes(damaged(STUDY, random_))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 140))
def test_a_slip_in_a_long_study_is_understood_or_told(seed: int) -> None:
    random_ = random.Random(seed)
    for _ in range(250):
        mistakes(damaged(DEMO, random_))


def test_the_demo_study_is_sound() -> None:
    assert said(DEMO) == []
