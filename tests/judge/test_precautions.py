"""Precautions: taken, half taken or not, each with what was found."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy import stats

from evenbench.judge.precautions import Precaution, Precautions, precautions_of_study, rank_correlation
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings
from tests.engine import analysis_of, one_test, rows_of


def item(name: str, data: dict[str, list[float]], **declared: object) -> Precaution:
    study = one_test({id: "control" if id == "c" else "candidate" for id in data}, **declared)  # type: ignore[arg-type]
    return next(i for i in analysis_of(study, rows_of(data)).precautions[0].items if i.name == name)


REPLICATED = [
    pytest.param({"c": [1.0, 2, 3], "a": [1.0, 2, 3]}, 1, "at least 3 runs of every product", id="three"),
    pytest.param({"c": [1.0, 2, 3], "a": [1.0, 2]}, 0.5, "only 2 runs of Product a", id="two"),
    pytest.param({"c": [1.0, 2, 3], "a": [1.0]}, 0, "only 1 run of Product a", id="one"),
    pytest.param({"c": [1.0], "a": [1.0]}, 0, "1 run of 2 products", id="one-each"),
]


@pytest.mark.parametrize(("data", "taken", "because"), REPLICATED)
def test_replicated(data: dict[str, list[float]], taken: float, because: str) -> None:
    """Three runs of each product count, two count half."""
    assert item("replicated", data) == Precaution(name="replicated", taken=taken, because=because)


def ordered(orders: list[int], *, said: str = "", priced: bool = False) -> Precaution:
    """The order precaution of eight products run in these places."""
    text = 'format = 1\nstudy = { id = "bench", title = "Bench", currency = "EUR" }\n'
    for n in range(len(orders)):
        price = f'price = "{n + 1} EUR"' if priced else ""
        # Names in another order than the file, so that only what is meant is followed.
        text += f'[products.p{n}]\nname = "{"dgbhaecf"[n]}"\nrole = "{"candidate" if n else "control"}"\n{price}\n'
    text += f'[tests.t]\ntitle = "T"\n{said}\nreadings.x = {{ unit = "g" }}\n'
    text += 'results.y = { formula = "x", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }\n'
    study = parse(text, today=date(2026, 11, 25))
    rows = [{"product": f"p{n}", "order": str(o), "x": str(n)} for n, o in enumerate(orders)]
    from evenbench.analysis import analyse

    found = analyse(study, parse_readings({"t": rows}, study)).precautions[0]
    return next(i for i in found.items if i.name == "order")


MIXED = [1, 4, 5, 8, 7, 6, 3, 2]  # follows neither the file nor the names (rank correlations under 0.05)
IN_ORDER = list(range(1, 9))


def test_a_random_order_that_is_one() -> None:
    """Declared random, written down, and following nothing: taken."""
    assert ordered(MIXED, said='order = "random"').taken == 1


def test_an_order_that_follows_the_file_is_not_random_whatever_was_said() -> None:
    """The order run decides, not the word."""
    found = ordered(IN_ORDER, said='order = "random"')
    assert (found.taken, "the order of the file (rank correlation 1.00)" in found.because) == (0, True)


def test_an_order_that_follows_price_is_named_for_it() -> None:
    """Running products in price order lets drift look like price."""
    assert "follows price" in ordered(IN_ORDER, priced=True).because


def test_an_order_nobody_wrote_down_counts_half() -> None:
    """Said to be random, not written down: half."""
    study = one_test({"c": "control", "a": "candidate"})
    text = study.text.replace('title = "T"', 'title = "T"\norder = "random"')
    found = analysis_of(parse(text, today=date(2026, 11, 25)), rows_of({"c": [1.0, 2], "a": [1.0, 3]})).precautions[0]
    assert next(i for i in found.items if i.name == "order").taken == 0.5


def test_complete_blocks_count_as_order() -> None:
    """Every product in every block guards against drift between blocks."""
    study = one_test({"c": "control", "a": "candidate"}, blocks=True)
    data, blocks = {"c": [1.0, 2], "a": [1.0, 3]}, {"c": ["1", "2"], "a": ["1", "2"]}
    found = analysis_of(study, rows_of(data, blocks)).precautions[0]
    assert next(i for i in found.items if i.name == "order").because == "every product in every block (day)"


@pytest.mark.parametrize("seed", range(5))
def test_rank_correlation_is_spearmans(seed: int) -> None:
    """The same figure as scipy's, ties included."""
    generator = np.random.default_rng(seed)
    x, y = generator.integers(0, 6, 13).astype(float), generator.normal(size=13)
    assert rank_correlation(x, y) == pytest.approx(stats.spearmanr(x, y).statistic, abs=1e-12)


def test_the_study_is_as_careful_as_its_least_careful_test() -> None:
    """A precaution counts for the study what it counts where it was taken least."""
    good = analysis_of(one_test({"c": "control", "a": "candidate"}), rows_of({"c": [1.0, 2, 3], "a": [1.0, 2, 3]}))
    poor = analysis_of(one_test({"c": "control", "a": "candidate"}), rows_of({"c": [1.0, 2, 3], "a": [1.0]}))
    found = precautions_of_study([("one", good.precautions[0]), ("two", poor.precautions[0])])
    assert found.items[0] == Precaution(name="replicated", taken=0, because='"two": only 1 run of Product a')
    assert str(found) == "0 of 4 taken"


def test_a_test_is_named_once() -> None:
    """Results of one test with reasons of their own stand together behind its title."""
    one, other, good = (
        Precautions(items=(Precaution(name="replicated", taken=taken, because=because),))
        for taken, because in ((0, "only 1 run of A"), (0, "only 1 run of B"), (1, "at least 3 runs"))
    )
    found = precautions_of_study([("Soak, shaken", one), ("Soak, shaken", other), ("Drag", good)])
    assert found.items[0].because == '"Soak, shaken": only 1 run of A, only 1 run of B'
