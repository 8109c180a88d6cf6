"""What a plain rank table would say, and how it turns round."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pytest
from scipy import stats

from evenbench.analysis import Analysis, analyse
from evenbench.publish.contract import contract
from evenbench.publish.report import page
from evenbench.rank.plain import PlainTable, averages_of, places_of
from evenbench.study.mistakes import StudyError
from evenbench.study.model import PlainRanks, Study
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings

# Engine specification, section 11.3, after Belton and Gear (1983), Omega 11, 228-230: orders A>C>D>B, B>A>C>D,
# B>A>C>D. Average ranks A 5/3, B 6/3; without C and D A 5/3, B 4/3. "z" is the control.
BELTON: Mapping[str, Mapping[str, float]] = {
    "one": {"z": 0, "a": 4, "b": 1, "c": 3, "d": 2},
    "two": {"z": 0, "a": 3, "b": 4, "c": 2, "d": 1},
    "three": {"z": 0, "a": 3, "b": 4, "c": 2, "d": 1},
}


def declared(table: str, tests: Mapping[str, Mapping[str, float]] = BELTON, more: str = "") -> Study:
    """A study of one result a test, higher better, with a table of average finishes."""
    text = 'format = 1\n[study]\nid = "bench"\ntitle = "Bench"\n'
    for id in dict.fromkeys(p for levels in tests.values() for p in levels):
        role = {"z": "control", "w": "placebo"}.get(id, "candidate")
        text += f'[products.{id}]\nname = "Product {id}"\nrole = "{role}"\n'
    for test in tests:
        text += f'[tests.{test}]\ntitle = "{test}"\nreadings.x = {{ unit = "g" }}\n'
        text += 'results.y = { formula = "x", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }\n'
    text += f'{more}[buyers.b]\ntitle = "Buyer"\n' + "".join(f"weights.{test}.y = 1\n" for test in tests)
    return parse(f"{text}[plain_ranks]\n{table}\n", today=date(2026, 11, 25))


def analysed(table: str, tests: Mapping[str, Mapping[str, float]] = BELTON, more: str = "") -> Analysis:
    study = declared(table, tests, more)
    sheets = {
        test: [
            {"product": id, "run": str(n + 1), "x": repr(level + off)}
            for id, level in levels.items()
            for n, off in enumerate((-0.125, 0.125))
        ]
        for test, levels in tests.items()
    }
    return analyse(study, parse_readings(sheets, study))


def plain(table: str, tests: Mapping[str, Mapping[str, float]] = BELTON) -> PlainTable:
    found = analysed(table, tests).plain_table
    assert found is not None
    return found


def averages(table: PlainTable) -> dict[str, float | None]:
    return {row.product: row.average for row in table.rows}


def test_the_flip_of_belton_and_gear() -> None:
    """A leads B by 5/3 to 6/3; without C and D B leads A by 4/3 to 5/3, though neither has changed."""
    whole, part = plain(""), plain('include = ["a", "b"]')
    assert averages(whole) == pytest.approx({"a": 5 / 3, "b": 6 / 3, "c": 8 / 3, "d": 11 / 3})
    assert averages(part) == pytest.approx({"b": 4 / 3, "a": 5 / 3})
    assert (whole.first, part.first) == (("a",), ("b",))


def test_the_sentence_says_what_is_wrong_and_who_turns_it_round() -> None:
    assert plain("").wrong.endswith("without Product c and Product d, Product b would come first here.")
    assert "would come first" not in plain('include = ["a", "b"]').wrong


def test_the_sentence_names_the_buyers_whose_answer_is_another() -> None:
    """In worthwhile steps a has 10/3 and b 9/3, apart by a third of a step: the readings settle it for a."""
    analysis = analysed("")
    assert analysis.placings[0].winner == "a"
    assert analysis.plain_table is not None
    assert analysis.plain_table.says == (
        "A plain rank table would put Product a first (average place 1.67). That is also the answer for Buyer."
    )
    other = analysed('include = ["a", "b"]').plain_table
    assert other is not None
    assert other.says.endswith("The answer for Buyer is another: Product a.")


TIED = {"one": {"z": 0.0, "a": 5.0, "b": 5.0, "c": 3.0}}


def test_ties() -> None:
    assert averages(plain('ties = "average"', TIED)) == {"a": 1.5, "b": 1.5, "c": 3.0}
    assert averages(plain('ties = "lowest"', TIED)) == {"a": 1.0, "b": 1.0, "c": 3.0}


GAP = {"one": {"z": 0.0, "a": 5.0, "b": 4.0, "c": 3.0}, "two": {"z": 0.0, "b": 5.0, "c": 4.0}}


def test_gaps() -> None:
    assert averages(plain('gaps = "leave out"', GAP)) == {"a": 1.0, "b": 1.5, "c": 2.5}
    assert averages(plain('gaps = "last"', GAP)) == {"b": 1.5, "a": 2.0, "c": 2.5}
    row = next(r for r in plain("", GAP).rows if r.product == "a")
    assert (row.places["two.y"], row.why) == (None, {"two.y": "two: y was not measured on it"})


def test_who_is_included_and_where() -> None:
    tests = {"one": {"z": 0.0, "w": 1.0, "a": 5.0, "b": 4.0}, "two": {"z": 0.0, "w": 9.0, "a": 5.0, "b": 6.0}}
    assert averages(plain('include = ["candidate", "w"]\ntests = ["one"]', tests)) == {"a": 1.0, "b": 2.0, "w": 3.0}
    assert averages(plain('include = ["control", "a"]\ntests = ["two.y"]', tests)) == {"a": 1.0, "z": 2.0}


def test_places_are_ranks_as_scipy_gives_them() -> None:
    """SciPy's rankdata on other numbers, with repeats."""
    levels = np.random.Generator(np.random.PCG64(5)).integers(0, 5, (4, 9)).astype(float)
    rules = PlainRanks(results=("t.y",) * 4, products=tuple("abcdefghi"), ties="average", gaps="last")
    expected = np.apply_along_axis(stats.rankdata, 1, -levels)
    assert np.array_equal(places_of(levels, rules), expected)
    assert averages_of(expected) == pytest.approx(expected.mean(axis=0))


WRONG = [
    ('tests = ["four"]', "plain_ranks.tests[1]: no test of this study has this result."),
    ('tests = ["one", "one"]', "plain_ranks.tests[2]: this stands in the list already."),
    ('include = ["candidat"]', "plain_ranks.include[1]: this is neither a role nor a product."),
    ('ties = "worst"', "plain_ranks.ties: this cannot stand here."),
]


@pytest.mark.parametrize(("table", "why"), WRONG)
def test_tables_that_cannot_stand(table: str, why: str) -> None:
    with pytest.raises(StudyError) as error:
        declared(table)
    assert [f"{m.subject}: {m.why}" for m in error.value.mistakes] == [why]


def test_a_test_with_two_main_results_must_say_which() -> None:
    two = 'results.u = { formula = "x", unit = "g", kind = "benefit", better = "higher", matters = "1 g" }\n'
    with pytest.raises(StudyError, match=r"test three has 2 results that it could go by. Write in tests which one"):
        declared("", more=two)


def test_it_is_shown_last_everywhere() -> None:
    analysis = analysed("")
    made = contract(analysis)["plain_ranks"]
    assert [p["product"] for p in made["products"]] == ["a", "b", "c", "d"]
    assert made["first"] == ["a"]
    html = page(analysis)
    assert html.rindex('<section id="plain"') > html.rindex('<section id="readings"')
    assert "would come first here" in html
