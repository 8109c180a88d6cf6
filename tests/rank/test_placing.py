"""Scores in worthwhile steps, must-haves, sureness, and the words for a buyer."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from scipy import special

from evenbench.analysis import Analysis, analyse
from evenbench.compare.simultaneous import constant
from evenbench.measure.seeds import seed_of
from evenbench.rank.placing import Placing
from evenbench.rank.scores import Part, Scores, add_up, reach, share_first
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings
from tests.engine import compared


def bench(
    tests: dict[str, dict[str, list[float]]],
    *,
    weights: dict[str, float],
    kinds: dict[str, str] | None = None,
    must: str = "",
    more: str = "",
    prices: dict[str, str] | None = None,
    drop: tuple[str, ...] = (),
    specimens: bool = False,
) -> Analysis:
    """A study of several tests, each with one result `y` = its reading, higher better, 1 g that matters."""
    ids = [p for p in next(iter(tests.values())) if p not in drop]
    text = 'format = 1\n[study]\nid = "bench"\ntitle = "Bench"\ncurrency = "EUR"\n'
    if prices is not None:
        text += '[price]\nformula = "product.price"\nper = "go"\nmatters = "1 EUR"\n'
    for id in ids:
        price = f'\nprice = "{prices[id]}"' if prices and id in prices else ""
        text += f'[products.{id}]\nname = "Product {id}"\nrole = "{"control" if id == "c" else "candidate"}"{price}\n'
    for test in tests:
        kind = (kinds or {}).get(test, "benefit")
        text += f'[tests.{test}]\ntitle = "{test}"\nreadings.x = {{ unit = "g" }}\n'
        text += f'results.y = {{ formula = "x", unit = "g", kind = "{kind}", better = "higher", matters = "1 g" }}\n'
    text += '[buyers.b]\ntitle = "Buyer"\n' + "".join(
        f"weights.{name if name == 'price' else name + '.y'} = {w}\n" for name, w in weights.items()
    )
    text += f"must = [{must}]\n{more}"
    study = parse(text, today=date(2026, 11, 25))
    tables = {
        test: [
            {"product": id, "run": str(n + 1), "x": repr(x), **({"specimen": f"{id}-{n}"} if specimens else {})}
            for id, values in data.items()
            if id not in drop
            for n, x in enumerate(values)
        ]
        for test, data in tests.items()
    }
    return analyse(study, parse_readings(tables, study))


def around(level: float) -> list[float]:
    return [level - 0.1, level, level + 0.1]


def placing(analysis: Analysis) -> Placing:
    return analysis.placings[0]


# Engine specification, section 11.3: orders A>C>D>B, B>A>C>D, B>A>C>D over three tests.
BELTON = {
    "one": {"c": around(0), "a": around(4), "b": around(1), "d": around(2), "e": around(3)},
    "two": {"c": around(0), "a": around(3), "b": around(4), "d": around(1), "e": around(2)},
    "three": {"c": around(0), "a": around(3), "b": around(4), "d": around(1), "e": around(2)},
}


def average_rank(tests: dict[str, dict[str, list[float]]], product: str, drop: tuple[str, ...]) -> float:
    """What a plain rank table says: the mean finishing place over the tests."""
    places = []
    for data in tests.values():
        levels = {id: np.mean(v) for id, v in data.items() if id not in (*drop, "c")}
        places.append(sorted(levels, key=lambda id: -levels[id]).index(product) + 1)
    return sum(places) / len(places)


def test_dropping_others_never_turns_the_order_of_two() -> None:
    """Belton & Gear (1983): average ranks A 5/3, B 6/3, then 5/3, 4/3 without the others. Scores do not move."""
    assert average_rank(BELTON, "a", ()) == pytest.approx(5 / 3)
    assert average_rank(BELTON, "b", ()) == pytest.approx(6 / 3)
    assert average_rank(BELTON, "a", ("d", "e")) == pytest.approx(5 / 3)
    assert average_rank(BELTON, "b", ("d", "e")) == pytest.approx(4 / 3)
    weights = {"one": 1.0, "two": 1.0, "three": 1.0}
    whole, fewer = (placing(bench(BELTON, weights=weights, drop=drop)) for drop in ((), ("d", "e")))
    for product in ("a", "b"):
        k, m = whole.products.index(product), fewer.products.index(product)
        assert whole.score[k] == pytest.approx(fewer.score[m], abs=1e-12)


def test_score_is_the_weighted_mean_of_steps() -> None:
    """Weights 3 and 1, steps 4 and 3 against the control: 3.75 steps."""
    found = placing(bench({k: BELTON[k] for k in ("one", "two")}, weights={"one": 3.0, "two": 1.0}))
    k = found.products.index("a")
    assert found.score[k] == pytest.approx((3 * 4 + 1 * 3) / 4, abs=1e-12)
    assert {name: steps[k] for name, steps in found.steps.items()} == pytest.approx({"one.y": 4, "two.y": 3})


def test_a_score_over_one_test_is_that_test() -> None:
    """With one result weighed, score and interval are its difference and interval in steps of 1 g."""
    analysis = bench({"one": BELTON["one"]}, weights={"one": 2.0})
    family = analysis.comparisons[0].families[0]
    found = placing(analysis)
    for k, product in enumerate(found.products):
        m = family.index(product)
        assert found.score[k] == pytest.approx(family.effect[m], abs=1e-12)
        assert (found.low[k], found.high[k]) == pytest.approx((family.low[m], family.high[m]), abs=1e-9)
    assert set(found.could_be_best or ()) == set(analysis.comparisons[0].best.names or ())


def test_two_tests_add_by_satterthwaite() -> None:
    """Equal parts of 6 df each make 12 df; unequal ones fall between the smaller and the sum."""
    cov = np.eye(2)
    equal = add_up([_part("one", cov, 6), _part("two", cov, 6)], np.zeros(2), ("a", "b"))
    assert equal.df(np.array([1.0, 0.0])) == pytest.approx(12.0)
    uneven = add_up([_part("one", 9 * cov, 6), _part("two", cov, 6)], np.zeros(2), ("a", "b"))
    # By hand: (9 + 1)^2 / (81/6 + 1/6).
    assert uneven.df(np.array([1.0, 0.0])) == pytest.approx(100 / (82 / 6))


def _part(test: str, covariance: np.ndarray, df: int, steps: tuple[float, ...] = (0.0, 0.0)) -> Part:
    products = ("a", "b", "d")[: len(steps)]
    return Part(test=test, products=products, steps=np.array(steps), covariance=covariance, df=df)


def test_a_test_of_few_degrees_of_freedom_bounds_its_own_part() -> None:
    """Below six degrees of freedom each test's part has its own constant (Banerjee 1960, from memory)."""
    b, row = np.array([0.5**0.5] * 2), np.array([1.0, 0.0])
    few = add_up([_part("one", 9 * np.eye(2), 2), _part("two", np.eye(2), 20)], np.zeros(2), ("a", "b"))
    by_hand = math.sqrt(9 * constant(b, 2, sides=2) ** 2 + constant(b, 20, sides=2) ** 2)
    assert reach(few, row, b, sides=2) == pytest.approx(by_hand, rel=1e-12)
    many = add_up([_part("one", 9 * np.eye(2), 8), _part("two", np.eye(2), 20)], np.zeros(2), ("a", "b"))
    # By hand: Satterthwaite (9 + 1)^2 / (81/8 + 1/20).
    satterthwaite = constant(b, 100 / (81 / 8 + 1 / 20), sides=2) * math.sqrt(10)
    assert reach(many, row, b, sides=2) == pytest.approx(satterthwaite, rel=1e-12)


@pytest.mark.slow
def test_scores_hold_together_where_a_weighty_test_has_two_degrees_of_freedom() -> None:
    """1,500 simulated sums of two tests, weights 3:1, 2 and 21 df, seed 4: all intervals hold in 94 % or more."""
    generator = np.random.default_rng(4)
    count, held = 8, 0
    shape = (np.eye(count) + 1.0) / 3
    root, b = np.linalg.cholesky(shape), np.array([0.5**0.5] * count)
    for _ in range(1500):
        parts = []
        for test, weight, df in (("one", 0.75, 2), ("two", 0.25, 21)):
            error = weight * root @ generator.normal(size=count)
            scale = weight**2 * generator.chisquare(df) / df
            parts.append(Part(test=test, products=tuple("abdefghi"), steps=error, covariance=scale * shape, df=df))
        scores = add_up(parts, np.zeros(count), tuple("abdefghi"))
        half = np.array([reach(scores, row, b, sides=2) for row in np.eye(count)])
        held += bool(np.all(np.abs(scores.value) <= half))
    assert held / 1500 >= 0.94


def test_two_results_of_one_test_are_combined_run_by_run() -> None:
    """A result weighed twice under two names is as uncertain as once: errors of one run go together."""
    text = """
format = 1
study = { id = "bench", title = "Bench" }
[products.c]
name = "C"
role = "control"
[products.a]
name = "A"
[products.b]
name = "B"
[tests.one]
title = "One"
readings.x = { unit = "g" }
results.y = { formula = "x", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }
results.z = { formula = "2 * x", unit = "g", kind = "benefit", better = "higher", matters = "2 g" }
[buyers.once]
title = "Once"
weights.one.y = 1
[buyers.twice]
title = "Twice"
weights.one = { y = 1, z = 1 }
"""
    study = parse(text, today=date(2026, 11, 25))
    rows = [
        {"product": p, "run": str(n + 1), "x": str(x)}
        for p, level in {"c": 0.0, "a": 3.0, "b": 1.0}.items()
        for n, x in enumerate([level - 0.4, level, level + 0.5])
    ]
    once, twice = analyse(study, parse_readings({"one": rows}, study)).placings
    assert twice.score == pytest.approx(once.score)
    assert twice.low == pytest.approx(once.low)
    assert twice.high == pytest.approx(once.high)


MUSTS = [
    # b is at 3 g against a control at 0, between about 2.8 and 3.2 g alone.
    pytest.param('{ result = "one.y", is = "at least", value = "2 g" }', "passed", id="at-least-inside"),
    pytest.param('{ result = "one.y", is = "at least", value = "3 g" }', "open", id="at-least-across"),
    pytest.param('{ result = "one.y", is = "at least", value = "4 g" }', "failed", id="at-least-outside"),
    pytest.param('{ result = "one.y", is = "at most", value = "4 g" }', "passed", id="at-most-inside"),
    pytest.param('{ result = "one.y", is = "at most", value = "2 g" }', "failed", id="at-most-outside"),
    pytest.param('{ result = "one.y", is = "at least", value = "2.9 g", in = "every run" }', "passed", id="every-run"),
    pytest.param(
        '{ result = "one.y", is = "at least", value = "2.95 g", in = "every run" }', "failed", id="one-run-short"
    ),
    pytest.param('{ result = "one.y", is = "better" }', "passed", id="better"),
    pytest.param('{ result = "two.y", is = "no harm" }', "failed", id="harm"),
]


@pytest.mark.parametrize(("must", "status"), MUSTS)
def test_must_haves(must: str, status: str) -> None:
    """Inside passes, outside fails and is not placed, across is open, placed, and cannot win."""
    tests = {"one": {"c": around(0), "b": around(3)}, "two": {"c": around(5), "b": around(0)}}
    found = placing(bench(tests, weights={"one": 1.0}, kinds={"two": "risk"}, must=must))
    if status == "failed":
        assert found.products == ()
        assert "fails a must-have" in dict(found.left_out)["b"]
    else:
        assert found.must[0][0].status == status
        assert (found.winner == "b") == (status == "passed")
        assert ("unproven" in found.says) == (status == "open")


def test_a_product_without_a_price_is_left_out_by_who_weighs_it() -> None:
    """The price's part is known; a candidate without one has no score for this buyer, and the reason is given."""
    tests = {"one": {"c": around(0), "a": around(3), "b": around(3)}}
    found = placing(bench(tests, weights={"one": 1.0, "price": 1.0}, prices={"a": "2 EUR"}))
    assert found.products == ("a",)
    assert "no price" in dict(found.left_out)["b"]
    assert found.score[0] == pytest.approx((3 - 2) / 2)


def test_cheapest_that_could_be_best() -> None:
    """Among products too close to call the cheapest is named."""
    tests = {"one": {"c": [0.0, 1.0, 2.0], "a": [3.0, 4.0, 5.0], "b": [3.1, 4.1, 5.1]}}
    found = placing(bench(tests, weights={"one": 1.0}, prices={"a": "2 EUR", "b": "5 EUR"}))
    assert set(found.could_be_best or ()) == {"a", "b"}
    assert (found.winner, found.cheapest) == (None, "a")
    assert "cannot separate them" in found.says
    assert "Cheapest of these: Product a, 2.00 EUR per go." in found.says


def test_best_of_a_bad_shelf_is_called_that() -> None:
    """A winner whose score is not above doing nothing is said to be just that."""
    tests = {"one": {"c": around(5), "a": around(4.9), "b": around(0)}}
    found = placing(bench(tests, weights={"one": 1.0}))
    assert found.winner == "a"
    assert "not shown better than doing nothing" in found.says


def test_conditions_travel_with_the_advice() -> None:
    """Who should not follow the advice is told in the same sentence."""
    tests = {"one": {"c": around(0), "a": around(3), "b": around(1)}}
    more = 'only_if = ["the seams are sound"]\nnot_if = ["the coating peels"]\n'
    says = placing(bench(tests, weights={"one": 1.0}, more=more)).says
    assert says.startswith("Buyer: Product a (only if the seams are sound; not if the coating peels).")


def test_single_runs_have_scores_and_no_intervals() -> None:
    """One run each: steps are shown, nothing is called best, and the reason is given."""
    found = placing(bench({"one": {"c": [0.0], "a": [3.0], "b": [1.0]}}, weights={"one": 1.0}))
    assert found.score.tolist() == [3.0, 1.0]
    assert np.isnan(found.low).all()
    assert found.could_be_best is None
    assert "nothing was run twice" in found.why["interval"]


def test_specimens_shared_by_two_tests_are_not_counted_twice() -> None:
    """One specimen in two weighed tests brings its own luck twice: no interval is pretended."""
    tests = {k: BELTON[k] for k in ("one", "two")}
    found = placing(bench(tests, weights={"one": 1.0, "two": 1.0}, specimens=True))
    assert "specimens pass through both" in found.why["interval"]
    alone = placing(bench(tests, weights={"one": 1.0}, specimens=True))
    assert np.isfinite(alone.low).all()


def test_sureness_of_two_is_students_t() -> None:
    """Two products a gap apart: first in T(gap / se) of the draws, to the error of 20,000 draws."""
    covariance = np.array([[0.5, 0.2], [0.2, 0.5]])
    scores = add_up([_part("one", covariance, 7, (1.0, 0.3))], np.zeros(2), ("a", "b"))
    exact = float(special.stdtr(7, 0.7 / math.sqrt(0.6)))
    shares = share_first(scores, seed=1)
    assert shares.sum() == pytest.approx(1.0)
    # Engine specification, section 11.1: 20,000 draws give probabilities to 0.0035; three such.
    assert shares[0] == pytest.approx(exact, abs=0.0105)


def test_sureness_of_equals_is_shared() -> None:
    """Three products alike come first a third of the time each; exact ties share the place."""
    scores = add_up([_part("one", np.eye(3), 9, (0.0, 0.0, 0.0))], np.zeros(3), ("a", "b", "d"))
    assert share_first(scores, seed=2) == pytest.approx([1 / 3] * 3, abs=0.0105)
    still = Scores(products=("a", "b"), value=np.ones(2), covariance=np.zeros((2, 2)), parts=(), price=np.ones(2))
    assert share_first(still, seed=2).tolist() == [0.5, 0.5]


def test_seeds_come_from_names_and_draws_repeat() -> None:
    """The same study and step give the same bytes; another step another stream."""
    one, two = (placing(bench(BELTON, weights={"one": 1.0, "two": 1.0})) for _ in range(2))
    assert one.seed == two.seed == seed_of("bench", "sureness b")
    assert one.share_first.tobytes() == two.share_first.tobytes()
    assert seed_of("bench", "sureness other") != one.seed


TWO_RESULTS = """
format = 1
study = { id = "bench", title = "Bench" }
[products.c]
name = "C"
role = "control"
[products.a]
name = "A"
[products.b]
name = "B"
[tests.one]
title = "One"
readings.x = { unit = "g" }
readings.z = { unit = "g" }
results.y = { formula = "x", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }
results.w = { formula = "z", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }
[buyers.both]
title = "Both"
weights.one = { y = 1, w = 1 }
"""


def two_results(lost: dict[tuple[str, str], str]) -> Placing:
    """Two results weighed, two runs each; `lost` names cells left empty, as (product run, column)."""
    study = parse(TWO_RESULTS, today=date(2026, 11, 25))
    rows = [
        {"product": p, "run": str(n + 1), "x": str(level + n / 10), "z": str(level + n / 5)}
        for p, level in {"c": 0.0, "a": 3.0, "b": 1.0}.items()
        for n in range(3)
    ]
    for row in rows:
        for column in ("x", "z"):
            if (f"{row['product']}{row['run']}", column) in lost:
                row[column] = ""
    return analyse(study, parse_readings({"one": rows}, study)).placings[0]


def test_a_product_without_a_run_that_has_every_weighed_result_is_left_out() -> None:
    """Its results are known, their sum is not; found by an independent check that made the engine fall over."""
    found = two_results({("b1", "x"): "", ("b2", "x"): "", ("b3", "z"): ""})
    assert found.products == ("a",)
    assert "no run of it, or of the control, has every result that is weighed" in dict(found.left_out)["b"]


def test_a_control_without_such_a_run_leaves_nothing_to_score() -> None:
    """Without the control's combined runs there is no zero to count steps from."""
    found = two_results({("c1", "x"): "", ("c2", "x"): "", ("c3", "z"): ""})
    assert found.products == ()
    assert "no candidate can be placed" in found.says


def test_a_score_on_fewer_runs_than_its_results_says_so() -> None:
    """A run that lacks one weighed result enters that result's row, and not the score."""
    found = two_results({("b1", "x"): ""})
    assert any("do not enter the score" in note for note in found.notes)


def test_a_product_beyond_reading_may_be_the_best() -> None:
    """Where one candidate is known within bounds only no best is named, and it meets no bound in every run."""
    tests = {"one": {"c": around(0), "a": around(3), "b": around(1)}}
    must = '{ result = "one.y", is = "at least", value = "50 g", in = "every run" }'
    text = bench(tests, weights={"one": 1.0}, must=must).study.text
    study = parse(text, today=date(2026, 11, 25))
    rows = [
        {"product": p, "run": str(n + 1), "x": x} for p, x in (("c", "0"), ("a", ">60"), ("b", "<5")) for n in range(3)
    ]
    rows[1]["x"] = "0.2"
    found = analyse(study, parse_readings({"one": rows}, study)).placings[0]
    assert found.could_be_best is None
    assert "fails a must-have" in dict(found.left_out)["b"]
    assert "fails" not in dict(found.left_out)["a"]


def test_a_share_of_nothing_does_not_matter() -> None:
    """A control at 0 but for rounding gives no margin, so no score of a million million steps."""
    comparison = compared({"c": [-0.1, -0.2, 0.3], "a": [1.0, 1.1, 1.2]}, control="c", matters="10 % of control")
    assert comparison.matters is None
