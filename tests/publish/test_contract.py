"""The results contract: what its schema says, what is null and why, and that it repeats the analysis unchanged."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator

from evenbench.analysis import Analysis, analyse
from evenbench.compare.verdict import Verdict
from evenbench.judge.claims import ClaimVerdict
from evenbench.publish.contract import contract
from evenbench.record.folder import open_study
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings

REPOSITORY = Path(__file__).resolve().parents[2]
SCHEMA = json.loads((REPOSITORY / "docs" / "results.schema.json").read_text(encoding="utf-8"))
FOLDERS = {
    "demo": REPOSITORY / "src" / "evenbench" / "demo",
    **{path.parent.name: path.parent for path in sorted((REPOSITORY / "examples").glob("*/study.toml"))},
}

# Studies at the edges of what can be computed, and the rows of their one sheet: product, block, value.
HEAD = 'format = 1\n[study]\nid = "edge"\ntitle = "Edge"\ncurrency = "EUR"\n'
CONTROL = '[products.control]\nname = "Control"\nrole = "control"\n'
TWO = '[products.a]\nname = "A"\n[products.b]\nname = "B"\n'
TEST = """
[tests.t]
title = "T"
readings.x = { unit = "g" }
results.y = { formula = "x", unit = "g", better = "higher", kind = "benefit", matters = "10 % of control" }
results.z = { formula = "2 * x", unit = "g", better = "lower", kind = "risk", matters = "1 g" }
results.i = { formula = "1 / (x - 3 * u)", unit = "1/g", kind = "info" }
constants.u = "1 g"
"""
BUYER = '[buyers.one]\ntitle = "One"\nweights.t.y = 1\nmust = [{ result = "t.z", is = "no harm" }]\n'
BLOCKS = TEST + 'blocks = "day"\n'
NUMBERS = ("4", "5", "7", "8", "6", "9")
EDGES: dict[str, tuple[str, list[tuple[str, str, str]]]] = {
    "no readings at all": (HEAD + CONTROL + TWO + TEST + BUYER, []),
    "one run each": (HEAD + CONTROL + TWO + TEST + BUYER, [("control", "", "4"), ("a", "", "5"), ("b", "", "7")]),
    "a control that was not run": (HEAD + CONTROL + TWO + TEST + BUYER, [("a", "", n) for n in NUMBERS[:3]]),
    "a product that was not run": (
        HEAD + CONTROL + TWO + TEST + BUYER,
        [(p, "", n) for p in ("control", "a") for n in NUMBERS[:3]],
    ),
    "every reading alike": (
        HEAD + CONTROL + TWO + TEST + BUYER,
        [(p, "", "5") for p in ("control", "a", "b") for _ in range(3)],
    ),
    "an outcome that cannot be computed": (
        HEAD + CONTROL + TWO + TEST + BUYER,
        [(p, "", n) for p in ("control", "a", "b") for n in ("3", *NUMBERS[:2])],
    ),
    "no control": (HEAD + TWO + TEST.replace("10 % of control", "1 g"), [(p, "", n) for p in "ab" for n in NUMBERS]),
    "one candidate": (
        HEAD + CONTROL + '[products.a]\nname = "A"\n' + TEST + BUYER,
        [(p, "", n) for p in ("control", "a") for n in NUMBERS],
    ),
    "blocks that are not connected": (
        HEAD + CONTROL + TWO + BLOCKS + BUYER,
        [("control", "mon", "4"), ("control", "mon", "5"), ("a", "mon", "6"), ("a", "mon", "8"),
         ("b", "tue", "5"), ("b", "tue", "7")],
    ),
    "a product per block": (
        HEAD + CONTROL + TWO + BLOCKS + BUYER,
        [(p, f"day {p}", n) for p in ("control", "a", "b") for n in NUMBERS[:2]],
    ),
    "uneven blocks": (
        HEAD + CONTROL + TWO + '[products.c]\nname = "C"\n' + BLOCKS + BUYER,
        [("control", "mon", "4"), ("a", "mon", "6"), ("control", "tue", "5"), ("b", "tue", "8"),
         ("a", "wed", "7"), ("b", "wed", "9"), ("c", "wed", "5"), ("c", "tue", "4"), ("a", "thu", "5"),
         ("control", "thu", "7"), ("c", "mon", "9"), ("c", "mon", "8")],
    ),
    "a price that cannot be computed": (
        HEAD
        + CONTROL
        + TWO.replace('"A"\n', '"A"\nprice = "3 EUR"\n')
        + '[price]\nformula = "product.price"\nper = "use"\nmatters = "1 EUR"\n'
        + TEST
        + BUYER
        + "weights.price = 1\n",
        [(p, "", n) for p in ("control", "a", "b") for n in NUMBERS],
    ),
    "compared by ratios": (
        HEAD + CONTROL + TWO + TEST.replace('matters = "1 g"', 'matters = "20 % of control", scale = "log"') + BUYER,
        [(p, "", n) for p in ("control", "a", "b") for n in NUMBERS],
    ),
    "near a value": (
        HEAD + CONTROL + TWO
        + TEST.replace('better = "higher"', 'better = "nearest", target = "6 g", capped_at = "1 g"') + BUYER,
        [(p, "", n) for p in ("control", "a", "b") for n in NUMBERS[: 4 if p == "a" else 6]],
    ),
    "near a value, with a product that was not run": (
        HEAD + CONTROL + TWO
        + TEST.replace('better = "lower", kind = "risk"', 'better = "nearest", target = "6 g", kind = "risk"') + BUYER,
        [("a", "", "5"), *(("control", "", n) for n in NUMBERS)],
    ),
    "like the control": (
        HEAD + CONTROL + TWO
        + TEST.replace('better = "lower", kind = "risk"', 'better = "nearest", target = "control", kind = "benefit"'),
        [(p, "", n) for p in ("control", "a", "b") for n in NUMBERS],
    ),
    "derived from levels": (
        HEAD + CONTROL + TWO + TEST
        + 'results.d = { formula = "(y - control(y)) / (control(y) - u)", unit = "%", kind = "info" }\n'
        + 'results.e = { formula = "sqrt(y / control(y))", unit = "1", kind = "info" }\n'
        + 'results.f = { formula = "y / (y - control(y))", unit = "1", kind = "info" }\n' + BUYER,
        [(p, "", n) for p in ("control", "a", "b") for n in NUMBERS] + [("a", "", "0.5")],
    ),
    "a dose for a range of uses, and a plain rank table": (
        HEAD
        + CONTROL
        + TWO.replace('"A"\n', '"A"\nprice = "3 EUR"\npack = "9 mL"\ndose = { amount = "6 mL", per = "1..2" }\n')
        + '[price]\nformula = "product.price / product.pack * product.dose"\nper = "use"\nmatters = "1 EUR"\n'
        + TEST
        + BUYER
        + 'weights.price = 1\n[plain_ranks]\ntests = ["t.y"]\n',
        [(p, "", n) for p in ("control", "a") for n in NUMBERS],
    ),
}  # fmt: skip
CASES = [*FOLDERS, *EDGES]

# Null is itself the answer here, and says why beside it or in the study.
NO_FIGURES = {"control", "better", "price", "plain_ranks", "winner", "answer", "run"}


@cache
def analysed(case: str) -> Analysis:
    """The analysis of a study of the project, or of one at the edges."""
    if case in FOLDERS:
        study, readings = open_study(FOLDERS[case], today=date(2026, 12, 31))
        return analyse(study, readings)
    text, rows = EDGES[case]
    counts: dict[str, int] = {}
    sheet = []
    for product, block, value in rows:
        counts[product] = counts.get(product, 0) + 1
        run = {"product": product, "run": str(counts[product]), "x": value}
        sheet.append(run | ({"block": block} if block else {}))
    study = parse(text, today=date(2026, 12, 31))
    return analyse(study, parse_readings({"t": sheet} if sheet else {}, study))


def nulls(value: Any, why: dict[str, str], path: str = "") -> Iterator[tuple[str, str | None]]:
    """Every null with its reason. A mapping by id or result, which holds no `why`, is told of by the one around it."""
    if isinstance(value, dict):
        inner = value.get("why", why)
        for key, part in value.items():
            if part is None:
                yield f"{path}.{key}".lstrip("."), inner.get(key)
            elif key != "why":
                yield from nulls(part, inner, f"{path}.{key}")
    elif isinstance(value, list):
        for place, part in enumerate(value):
            yield from nulls(part, why, f"{path}[{place}]")


# --------------------------------------------------------------------------------------------------- the schema


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def parts(schema: Any) -> Iterator[dict[str, Any]]:
    """Every schema within a schema that describes an object with named keys."""
    if isinstance(schema, dict):
        if isinstance(schema.get("properties"), dict) and "additionalProperties" in schema:
            yield schema
        for part in schema.values():
            yield from parts(part)
    elif isinstance(schema, list):
        for part in schema:
            yield from parts(part)


def test_every_key_is_described_and_no_other_allowed() -> None:
    found = list(parts(SCHEMA))
    assert len(found) > 10
    for part in found:
        assert part["additionalProperties"] is False
        for key, of in part["properties"].items():
            assert of.get("description", "").endswith((".", '".')), key


def test_words_are_those_of_the_code() -> None:
    verdict = SCHEMA["$defs"]["versus"]["properties"]["verdict"]["enum"]
    assert set(verdict) == {*get_args(Verdict), None}
    claims = SCHEMA["properties"]["claims"]["items"]["properties"]["verdict"]["enum"]
    assert set(claims) == set(get_args(ClaimVerdict))


@pytest.mark.parametrize("case", CASES)
def test_the_contract_keeps_to_the_schema(case: str) -> None:
    errors = [
        f"{error.json_path}: {error.message}"
        for error in Draft202012Validator(SCHEMA).iter_errors(contract(analysed(case)))
    ]
    assert errors == []


@pytest.mark.parametrize("case", CASES)
def test_the_contract_is_plain_json(case: str) -> None:
    """What is printed reads back the same: no nan, no infinity, no key that is not a text."""
    made = contract(analysed(case))
    assert json.loads(json.dumps(made, allow_nan=False)) == made


# The shape that other programs rely on, object by object.
SHAPE = {
    "": "format engine study tests buyers claims questions price precautions not_used",
    "study": "id title",
    "test": "control results",
    "result": "outcome unit better kind scale matters primary model products level interim precautions "
    "could_be_best too_close_to_call pairs",
    "model": "text df residual_sd notes flags",
    "product": "n n_censored mean sd estimate interval counts vs",
    "versus": "measure effect interval p_adjusted verdict by_enough break_even_sd because",
    "buyer": "could_be_best placings winner says would_change",
    "placing": "product score interval place_interval share_first must",
    "claim": "product says verdict because",
    "question": "asks answer because",
    "price": "unit products",
    "unused": "row reason",
}


def objects(made: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every object of a contract with the name of its kind in SHAPE."""
    yield "", made
    yield "study", made["study"]
    for test in made["tests"].values():
        yield "test", test
        for result in test["results"].values():
            yield "result", result
            yield "model", result["model"]
            for product in result["products"].values():
                yield "product", product
                yield from (("versus", other) for other in product["vs"].values())
    for buyer in made["buyers"].values():
        yield "buyer", buyer
        yield from (("placing", placing) for placing in buyer["placings"])
    yield from (("claim", claim) for claim in made["claims"])
    yield from (("question", question) for question in made["questions"])
    yield from (("unused", row) for row in made["not_used"])
    if made["price"] is not None:
        yield "price", made["price"]


@pytest.mark.parametrize("case", CASES)
def test_every_promised_key_is_there(case: str) -> None:
    for kind, value in objects(contract(analysed(case))):
        assert set(SHAPE[kind].split()) <= set(value), kind


def test_the_demo_has_an_object_of_every_kind() -> None:
    """The test above says nothing of a kind that no case has; `unused` is in the hurried study alone."""
    made = [contract(analysed(case)) for case in CASES]
    assert {kind for one in made for kind, _ in objects(one)} == set(SHAPE)


# -------------------------------------------------------------------------------------------- what is missing


@pytest.mark.parametrize("case", CASES)
def test_every_null_figure_says_why(case: str) -> None:
    bare = [
        path
        for path, reason in nulls(contract(analysed(case)), {})
        if not reason and path.rpartition(".")[2] not in NO_FIGURES
    ]
    assert bare == []


@pytest.mark.parametrize("case", CASES)
def test_no_reason_is_given_for_what_is_there(case: str) -> None:
    """A reason beside a figure that is not null would be a lie."""
    for kind, value in objects(contract(analysed(case))):
        inside = value["products"] if kind == "price" else value
        for key in value.get("why", {}):
            # A buyer whom no product suits has an empty list of placings, with its reason.
            assert inside[key] is None or inside[key] == [], f"{kind}: {key}"


def test_nulls_are_found_wherever_they_are() -> None:
    """The walker that the tests above rest on sees lists, mappings and reasons."""
    made = {"a": [{"b": None, "why": {"b": "no b"}}], "c": {"products": {"x": None}, "why": {"x": "no x"}}, "d": None}
    assert dict(nulls(made, {})) == {"a[0].b": "no b", "c.products.x": "no x", "d": None}


def test_an_open_question_says_why() -> None:
    for case in CASES:
        for question in contract(analysed(case))["questions"]:
            assert question["because"], question["asks"]


# ------------------------------------------------------------------------------------- agreement with the analysis


def same(given: float | None, value: float | None) -> bool:
    """A figure of the contract and of the analysis: the very same number, or null and not finite."""
    if value is None or not math.isfinite(value):
        return given is None
    return given == float(value)


@pytest.mark.parametrize("case", CASES)
def test_results_are_those_of_the_analysis(case: str) -> None:
    analysis = analysed(case)
    made = contract(analysis)
    wanted = [r.name for t in analysis.study.tests for r in (*t.results, *t.derived)]
    assert [f"{t}.{r}" for t, test in made["tests"].items() for r in test["results"]] == wanted
    for derived in analysis.derived:
        row = made["tests"][derived.result.test]["results"][derived.result.id]["products"]
        for k, product in enumerate(derived.products):
            assert same(row[product]["estimate"], float(derived.estimate[k]))
            assert (row[product]["open"] == ["low", "high"]) == bool(derived.open[k])
    for comparison in analysis.comparisons:
        test, result = comparison.outcomes.test, comparison.result
        found = made["tests"][test]["results"][result.id]
        assert (found["unit"], found["kind"], found["better"]) == (result.unit.text, result.kind, result.better)
        ratio = comparison.result.scale != "raw" and comparison.matters is not None
        assert same(found["matters"], math.exp(comparison.matters or 0) if ratio else comparison.matters)
        assert found["could_be_best"] == (list(comparison.best.names) if comparison.best.names is not None else None)
        assert found["too_close_to_call"] == [s for s in [found["could_be_best"] or []] if len(s) > 1]
        assert list(found["products"]) == list(comparison.products)
        for k, product in enumerate(comparison.products):
            row = found["products"][product]
            assert row["n"] == int(comparison.count[k])
            for key in ("mean", "sd", "estimate"):
                assert same(row[key], float(getattr(comparison, key)[k])), key
            ends = row["interval"] or [None, None]
            assert same(ends[0], float(comparison.low[k]))
            assert same(ends[1], float(comparison.high[k]))


@pytest.mark.parametrize("case", CASES)
def test_differences_are_those_of_the_analysis(case: str) -> None:
    analysis = analysed(case)
    made = contract(analysis)
    for comparison in analysis.comparisons:
        products = made["tests"][comparison.outcomes.test]["results"][comparison.result.id]["products"]
        assert sum(len(row["vs"]) for row in products.values()) == sum(len(f.members) for f in comparison.families)
        for family in comparison.families:
            for m, member in enumerate(family.members):
                row = products[member]["vs"][family.other]
                assert same(row["effect"], float(family.effect[m]))
                assert same(row["p_adjusted"], float(family.p[m]))
                ends = row["interval"] or [None, None]
                assert same(ends[0], float(family.low[m]))
                assert same(ends[1], float(family.high[m]))
                assert (row["verdict"], row["by_enough"]) == (family.verdict[m], family.by_enough[m])
                assert row["because"] == comparison.sentence(family.other, member)


@pytest.mark.parametrize("case", CASES)
def test_placings_are_those_of_the_analysis(case: str) -> None:
    analysis = analysed(case)
    made = contract(analysis)
    candidates = {p.id for p in analysis.study.products if p.role == "candidate"}
    for placing in analysis.placings:
        found = made["buyers"][placing.buyer]
        assert [p["product"] for p in found["placings"]] == list(placing.products)
        assert {*placing.products, *(p["product"] for p in found["left_out"])} == candidates
        assert (found["winner"], found["says"]) == (placing.winner, placing.says)
        for k, row in enumerate(found["placings"]):
            assert same(row["score"], float(placing.score[k]))
            assert same(row["share_first"], float(placing.share_first[k]))
            ends = row["interval"] or [None, None]
            assert same(ends[0], float(placing.low[k]))
            assert same(ends[1], float(placing.high[k]))
    prices = analysis.prices
    assert (made["price"] is None) == (prices is None)
    if prices is not None:
        assert made["price"]["products"] == dict(prices.of)


# ------------------------------------------------------------------------------------------------------ the page


def test_where_the_values_lie_is_told_beside_their_distances() -> None:
    """Runs of 4, 5, 7 and 8 g are 2, 1, 1 and 2 g from 6 g, and their mean is on it."""
    result = contract(analysed("near a value"))["tests"]["t"]["results"]["y"]
    assert result["target"] == {"text": "6 g", "value": 6.0}
    assert result["capped_at"] == 1.0
    assert result["products"]["a"]["mean"] == 1.5
    assert result["products"]["a"]["values"] == {"mean": 6.0, "side": "on it", "above": 2, "below": 2}
    assert result["products"]["b"]["values"]["side"] == "above"
    unrun = contract(analysed("near a value, with a product that was not run"))["tests"]["t"]["results"]["z"]
    assert "values" not in unrun["products"]["b"]


def test_the_product_to_be_like_is_told() -> None:
    made = contract(analysed("like the control"))["tests"]["t"]["results"]
    assert made["z"]["target"] == {"text": "control", "product": "control"}
    assert "target" not in made["y"]
    assert "capped_at" not in made["y"]
    assert "values" not in made["z"]["products"]["a"]


def test_the_page_names_every_key_and_word() -> None:
    page = (REPOSITORY / "docs" / "results.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([^`\n]+)`", page))
    for part in parts(SCHEMA):
        assert set(part["properties"]) - named == set()
        for of in part["properties"].values():
            assert {word for word in of.get("enum", []) if isinstance(word, str)} - named <= {"higher", "lower"}


def test_the_page_names_what_is_null_without_a_reason() -> None:
    page = (REPOSITORY / "docs" / "results.md").read_text(encoding="utf-8")
    table = page.partition("because null is the answer:")[2].partition("\n## ")[0]
    assert set(re.findall(r"^\| `(\w+)`", table, re.MULTILINE)) == NO_FIGURES
