"""The example studies: what was planted is found, what is published is reproduced."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evenbench.analysis import Analysis, analyse
from evenbench.publish.contract import contract
from evenbench.record.folder import open_study
from examples import make_examples

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "src" / "evenbench" / "demo"
EXAMPLES = ROOT / "examples"
FOLDERS = {
    "demo": DEMO,
    **{n: EXAMPLES / n for n in ("proofers_hurried", "many_to_one", "blocks")},
}
TRUTHS = tomllib.loads((EXAMPLES / "planted_truths.toml").read_text(encoding="utf-8"))


@cache
def analysed(name: str) -> Analysis:
    study, readings = open_study(FOLDERS[name], today=date(2026, 11, 25))
    return analyse(study, readings)


# ------------------------------------------------------------------------------------------ the planted demo

PLANTED = [
    (f"{test}.{result}", product, plant)
    for test, results in TRUTHS["results"].items()
    for result, found in results.items()
    for product, plant in found["products"].items()
    if "word" in plant
]


def verdict(name: str, result: str, other: str, product: str) -> tuple[str | None, bool | None]:
    found = analysed(name).comparison(result).against(other, product)
    if found is None:
        return "cannot say", None
    family, k = found
    return family.verdict[k], family.by_enough[k]


@pytest.mark.parametrize(("result", "product", "plant"), PLANTED)
def test_no_verdict_contradicts_a_planted_truth(result: str, product: str, plant: dict[str, Any]) -> None:
    """Whatever is said of a product against the control or plain water is true of it as planted."""
    allowed = [*TRUTHS["words"][plant["word"]], "not settled", "cannot say"]
    for name in ("demo", "proofers_hurried"):
        if result not in analysed(name).study.result_names:
            continue
        for other in ("untreated", "water"):
            word, enough = verdict(name, result, other, product)
            assert word in allowed, (name, other)
            if enough:
                assert plant["word"].endswith("by enough") or plant["word"] == "harmful", (name, other)


MUST_FIND = [(r, p, plant["must_find"]) for r, p, plant in PLANTED if "must_find" in plant]


@pytest.mark.parametrize(("result", "product", "word"), MUST_FIND)
def test_large_plants_are_found(result: str, product: str, word: str) -> None:
    """What the careful study would find 999 times in 1000 it does find."""
    assert verdict("demo", result, "untreated", product)[0] == word


def test_truly_best_products_are_never_ruled_out() -> None:
    """Every product planted as best is among those that could be; a planted outright winner stands alone."""
    for test, results in TRUTHS["results"].items():
        for result, plant in results.items():
            if "best" not in plant or plant["kind"] == "info":
                continue
            names = analysed("demo").comparison(f"{test}.{result}").best.names
            assert names is not None
            assert set(plant["best"]) <= set(names), result
            if plant["best_alone"]:
                assert names == tuple(plant["best"]), result


BUYERS = {placing.buyer for placing in analysed("demo").placings}


@pytest.mark.parametrize("buyer", sorted(BUYERS))
def test_buyers_are_not_sent_wrong(buyer: str) -> None:
    """A named winner is the planted best; where the plant is too close, none is named; failures are true failures."""
    plant = TRUTHS["buyers"][buyer]
    placing = next(p for p in analysed("demo").placings if p.buyer == buyer)
    assert placing.could_be_best is not None
    assert plant["best"] in placing.could_be_best
    assert placing.winner in ((plant["best"],) if plant["best_alone"] else (plant["best"], None))
    for product, low, high in zip(placing.products, placing.low, placing.high, strict=True):
        if product in plant["scores"]:
            assert low <= plant["scores"][product] <= high, product


CLAIMS = [(c["product"], c["says"], c["true"]) for c in TRUTHS["claims"]]


@pytest.mark.parametrize(("product", "says", "truth"), CLAIMS)
def test_claims_are_judged_as_planted(product: str, says: str, truth: object) -> None:
    """A true claim is never contradicted, a false one never supported."""
    found = next(c for c in analysed("demo").claims if (c.product, c.claim.says) == (product, says))
    forbidden = {True: "contradicted", False: "supported"}
    if isinstance(truth, bool):
        assert found.verdict != forbidden[truth]
    elif truth == "not testable":
        assert found.verdict == "not testable"


def test_the_demo_uses_every_word() -> None:
    """The face of the project shows every verdict and every word for claims that it can."""
    analysis = analysed("demo")
    verdicts = {w for c in analysis.comparisons for f in c.families for w in f.verdict if w}
    assert verdicts == {"better", "worse", "same", "no harm shown", "harm", "not settled"}
    assert {c.verdict for c in analysis.claims} == {"supported", "contradicted", "not settled", "not testable"}


def test_the_hurried_study_is_told_what_it_cannot_say() -> None:
    """One run each: no verdict where nothing was run twice, a label where the control alone was."""
    analysis = analysed("proofers_hurried")
    alone = [c for c in analysis.comparisons if c.fit is not None and c.fit.df == 0 and c.result.kind != "info"]
    assert alone
    for comparison in alone:
        assert comparison.flags[0].startswith("one specimen each")
        assert {w for f in comparison.families for w in f.verdict} == {"cannot say"}
    assert "spread taken from" in analysis.comparison("shower.uptake").flags[0]
    assert analysis.study_precautions.taken == 0
    assert {n.row for n in analysis.not_used if "not recorded" in n.reason}
    assert all(p.winner is None for p in analysis.placings)


@pytest.mark.slow
def test_error_rates_over_many_seeds() -> None:
    """The committed seeds were chosen; over 300 others of the same bench a family holds as often as it says."""
    from evenbench.study.parse import parse
    from evenbench.study.readings import parse_readings

    wrong = dict.fromkeys(("shower.uptake", "head.pressure", "wash.uptake"), 0)
    for seed in range(300):
        files = make_examples.demo(seed)
        study = parse(_text(files, "study.toml"), today=date(2026, 11, 25))
        tables = {t.id: make_rows(_text(files, f"readings/{t.id}.csv")) for t in study.tests}
        analysis = analyse(study, parse_readings(tables, study))
        for name in wrong:
            test, result = name.split(".")
            plants = TRUTHS["results"][test][result]["products"]
            family = analysis.comparison(name).families[0]
            truth = np.array([plants[m]["difference"] for m in family.members])
            wrong[name] += not np.all((family.low <= truth) & (truth <= family.high))
    # Three standard errors of 300 studies at 5 % are 3.8 points.
    assert all(count / 300 <= 0.088 for count in wrong.values()), wrong


def _text(files: Any, ending: str) -> str:
    return next(str(text) for path, text in files.items() if str(path).endswith(ending))


def make_rows(text: str) -> Any:
    from evenbench.record.folder import read_table

    return read_table(text, "sheet")


# ------------------------------------------------------------------------------------------ published data


def published(name: str) -> dict[str, Any]:
    return tomllib.loads((EXAMPLES / name / "published.toml").read_text(encoding="utf-8"))


CHECKS = [(name, c["id"]) for name in ("many_to_one", "blocks") for c in published(name)["check"]]


@pytest.mark.parametrize(("name", "id"), CHECKS)
def test_published_figures_are_reproduced(name: str, id: str) -> None:
    """The sources named in published.toml, to the digits they print."""
    about = published(name)
    check = next(c for c in about["check"] if c["id"] == id)
    found = figures(name, about)
    compared = 0
    for figure, expected in check["expected"].items():
        if figure in found:
            assert found[figure] == pytest.approx(expected, rel=0, abs=check["tolerance_abs"][figure]), figure
            compared += 1
    # All pairs and one-sided constants at 10 % are not computed by this version; everything else is.
    later = {"pairs_p_adjusted", "pairs_constant", "pairs_low", "pairs_high", "constant_one_sided_10_percent"}
    assert compared or set(check["expected"]) <= later


def figures(name: str, about: dict[str, Any]) -> dict[str, Any]:
    """What the program finds, under the names published.toml uses."""
    from evenbench.compare.simultaneous import factors, tail

    comparison = analysed(name).comparison(about["result"])
    family, fit = comparison.families[0], comparison.fit
    assert fit is not None
    assert (family.other, list(family.members)) == (about["control"], about["products"])
    assert {p: int(n) for p, n in zip(comparison.products, comparison.count, strict=True)} == about["runs"]
    contrasts = fit.contrasts(family.members, family.other)
    spread = contrasts @ fit.covariance @ contrasts.T
    error = np.sqrt(np.diag(spread))
    b = factors(spread / np.outer(error, error))
    assert b is not None
    pairs = [fit.contrasts((a,), other) for a, other in next((c["pairs"] for c in about["check"] if "pairs" in c), [])]
    return {
        "effect": family.effect.tolist(),
        "standard_error": error.tolist(),
        "t": (family.effect / error).tolist(),
        "p_adjusted": family.p.tolist(),
        "p_adjusted_one_sided_less": tail(-family.effect / error, b, fit.df, sides=1).tolist(),
        "constant": family.constant,
        "low": family.low.tolist(),
        "high": family.high.tolist(),
        "residual_mean_square": fit.sd**2,
        "residual_sd": fit.sd,
        "df": fit.df,
        "pairs_effect": [float((c @ fit.theta)[0]) for c in pairs],
    }


# ------------------------------------------------------------------------------------------ all of them


@pytest.mark.parametrize("name", FOLDERS)
def test_same_input_same_bytes(name: str) -> None:
    """Computed twice from the files, an analysis gives the same JSON to the byte."""
    again, readings = open_study(FOLDERS[name], today=date(2026, 11, 25))
    one = json.dumps(contract(analysed(name)))
    assert json.dumps(contract(analyse(again, readings))) == one
