"""Doses and the price of one use, worked out by hand; and the dose on the bench against the label."""

from __future__ import annotations

from datetime import date

import pytest

from evenbench.rank.price import Prices, prices
from evenbench.record.check import as_text, check
from evenbench.study.applied import said, shares, warnings
from evenbench.study.mistakes import StudyError
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings

HEAD = """
format = 1
[study]
id = "shelf"
title = "A shelf"
currency = "EUR"
[price]
formula = "product.price / product.pack * product.dose"
per = "jacket"
matters = "0.50 EUR"
[products.c]
name = "Untreated"
role = "control"
"""


def shelf(*facts: str, applied: str = "") -> Study:
    """A study of products p0, p1 … with these facts, and one test."""
    products = "".join(f'[products.p{n}]\nname = "Product {n}"\n{text}\n' for n, text in enumerate(facts))
    test = '[tests.t]\ntitle = "T"\nreadings.x = { unit = "g" }\n'
    test += 'results.y = { formula = "x", unit = "g", kind = "info" }\n'
    return parse(HEAD + products + test + applied, today=date(2026, 11, 25))


def costs(*facts: str) -> Prices:
    found = prices(shelf(*facts))
    assert found is not None
    return found


def mistakes(*facts: str, applied: str = "") -> list[str]:
    with pytest.raises(StudyError) as error:
        shelf(*facts, applied=applied)
    return [f"{m.subject}: {m.why} {m.write}" for m in error.value.mistakes]


SPRAY = 'price = "14 EUR"\npack = "300 mL"\ndose = "100 mL"'
CREAM = 'price = "16 EUR"\npack = "0.2 kg"\ndose = "50 g"'
SACHETS = 'price = "9 EUR"\npack = "6 count"\ndose = "2 count"'


def test_packs_in_millilitres_and_in_grams_stand_on_one_shelf() -> None:
    """14/300*100, 16/200*50 and 9/6*2, by hand."""
    assert costs(SPRAY, CREAM, SACHETS).of == pytest.approx({"c": 0.0, "p0": 14 / 3, "p1": 4.0, "p2": 3.0})


def test_a_missing_fact_is_a_reason_and_no_mistake() -> None:
    found = costs(SPRAY, 'price = "16 EUR"\npack = "200 g"')
    assert (found.of["p1"], found.why) == (None, {"p1": "no dose is stated"})


def test_pack_and_dose_that_do_not_match_are_a_mistake_at_their_line() -> None:
    wrong = 'price = "16 EUR"\npack = "200 g"\ndose = "50 mL"'
    assert mistakes(SPRAY, CREAM, wrong) == [
        (
            "products.p2.dose: the pack is a mass and the dose is a volume, so the price formula gives "
            "length^3 * money / mass. Write the dose as a mass, or correct the pack."
        )
    ]
    # One product alone: the formula is sound, so the fault is the product's all the same.
    assert [m.partition(":")[0] for m in mistakes(wrong)] == ["products.p0.dose"]


def test_the_fact_that_stands_alone_is_blamed() -> None:
    assert [m.partition(":")[0] for m in mistakes(SPRAY, SPRAY.replace("300 mL", "300 mm"))] == ["products.p1.pack"]


def test_a_range_of_uses_is_a_range_of_prices() -> None:
    """20 mL of 200 mL at 10 EUR: 1 EUR for one jacket, 0.50 for each of two; the middle is 0.75."""
    found = costs('price = "10 EUR"\npack = "200 mL"\ndose = { amount = "20 mL", per = "1..2 jacket" }')
    assert found.ranges == {"p0": pytest.approx((0.5, 1.0))}
    assert found.of["p0"] == pytest.approx(0.75)
    assert found.said("p0") == "0.50 to 1.00 EUR per jacket (0.75 in the middle)"


def test_a_dose_for_several_uses_is_shared_out() -> None:
    found = costs('price = "10 EUR"\npack = "200 mL"\ndose = { amount = "20 mL", per = "2 jackets" }')
    assert found.ranges == {}
    assert found.of["p0"] == pytest.approx(0.5)


DOSES = [
    ('{ amount = "20 mL", per = "some" }', "products.p0.dose.per: this is no number of uses."),
    ('{ amount = "20 mL", per = "2..1 jacket" }', "products.p0.dose.per: the first end is above the second."),
    ('{ amount = "20 mL", per = "0 jacket" }', "products.p0.dose.per: this is above 0."),
    ('{ amount = "20 mL", per = "2 boots" }', "products.p0.dose.per: one use is one jacket by [price]"),
    ('{ amount = "20 mL" }', "products.p0.dose: 'per' is missing."),
    ('{ amount = "20 g", per = "1..2 jacket" }', "products.p0.dose.amount: the pack is a volume"),
    ('{ amount = "20 mL", pr = "2 jacket" }', "products.p0.dose: 'per' is missing."),
    ("20", "products.p0.dose: an amount in quotes"),
]


@pytest.mark.parametrize(("dose", "why"), DOSES)
def test_doses_that_cannot_stand(dose: str, why: str) -> None:
    found = mistakes(f'price = "10 EUR"\npack = "200 mL"\ndose = {dose}')
    assert any(m.startswith(why) for m in found), found


def test_a_misspelt_key_of_a_dose_is_told_with_the_right_one() -> None:
    found = mistakes('price = "10 EUR"\npack = "200 mL"\ndose = { amount = "20 mL", per = "2 jacket", x = 1 }')
    assert found == ["products.p0.dose.x: no such key here. Known: amount, per."]


# --------------------------------------------------------------------------------------------- on the bench

APPLIED = [
    ('{ dose = "100 mL" }', SPRAY, "1.0 × the label"),
    ('{ dose = "0.2 L" }', SPRAY, "2.0 × the label"),
    ('{ dose = "90..120 mL" }', SPRAY, "0.9 to 1.2 times the label"),
    ("{ share_of_dose = 4 }", SPRAY, "4.0 × the label"),
    ('{ share_of_dose = "4..6" }', "", "4 to 6 times the label"),
    ('{ dose = "20 mL" }', 'dose = { amount = "20 mL", per = "1..2 jacket" }', "1 to 2 times the label"),
    ('{ dose = "100 mL" }', CREAM, "not known against the label: the label's dose is a mass, and a volume was applied"),
    ('{ dose = "100 mL" }', "", "not known against the label: its label's dose is not stated"),
]


@pytest.mark.parametrize(("applied", "facts", "text"), APPLIED)
def test_the_dose_on_the_bench_against_the_label(applied: str, facts: str, text: str) -> None:
    study = shelf(facts, SPRAY, applied=f"applied = {applied}\n")
    assert shares(study, study.test("t"))[0].text == text


def test_products_of_one_share_are_told_together() -> None:
    study = shelf(SPRAY, SPRAY, CREAM, applied='applied = { dose = "100 mL", with = "a brush" }\n')
    assert said(study, study.test("t"))[0] == "1.0 × the label: Product 0 and Product 1"


def test_a_whole_shelf_of_one_share_is_not_named_one_by_one() -> None:
    study = shelf(SPRAY, SPRAY, SPRAY, SPRAY, applied='applied = { dose = "100 mL" }\n')
    assert said(study, study.test("t")) == ["1.0 × the label: all 4 products"]


WARNED = [("1.5", 0), ("1.51", 1), ("0.67", 0), ("0.66", 1), ('"0.5..2"', 2), ("1", 0)]


@pytest.mark.parametrize(("share", "count"), WARNED)
def test_readers_are_warned_of_other_doses_than_the_label_says(share: str, count: int) -> None:
    study = shelf(SPRAY, applied=f"applied = {{ share_of_dose = {share} }}\n")
    assert len(warnings(study, study.test("t"))) == count


def test_check_shows_the_dose_and_the_warning() -> None:
    study = shelf(SPRAY, applied="applied = { share_of_dose = 4 }\n")
    text = as_text(check(study, parse_readings({}, study)))
    assert "t: 4.0 × the label: Product 0" in text
    assert "people who follow the label will see less" in text


NOT_APPLIED = [
    ('{ dose = "100 mL", share_of_dose = 1 }', "tests.t.applied.dose: the test gives its dose twice"),
    ("{ dose = 100 }", "tests.t.applied.dose: a dose has a unit."),
    ('{ dose = "0 mL" }', "tests.t.applied.dose: a dose is above 0."),
    ('{ dose = "9..3 mL" }', "tests.t.applied.dose: the first end is above the second."),
    ('{ share_of_dose = "twice" }', "tests.t.applied.share_of_dose: this is no multiple"),
    ("{ share_of_dose = 0 }", "tests.t.applied.share_of_dose: this is above 0."),
    ("{ share_of_dose = 5000 }", "tests.t.applied.share_of_dose: this is more than 1,000 times"),
]


@pytest.mark.parametrize(("applied", "why"), NOT_APPLIED)
def test_doses_on_the_bench_that_cannot_stand(applied: str, why: str) -> None:
    found = mistakes(SPRAY, applied=f"applied = {applied}\n")
    assert len(found) == 1
    assert found[0].startswith(why)
