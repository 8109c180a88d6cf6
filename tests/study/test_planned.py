"""plan.csv: codes stand for planned runs, the plan fills in what a sheet leaves out, and both are held together."""

from __future__ import annotations

import pytest

from evenbench.study.guards import guards
from evenbench.study.mistakes import StudyError
from evenbench.study.readings import LONG, PLAN, Readings, parse_readings
from tests.strategies import SHEETS, example_study, rows
from tests.study.test_readings import figures, long_rows

STUDY = example_study()
Rows = list[dict[str, str]]


def plan_of_sheets(*, by: str) -> Rows:
    """A plan that has every run of the small study, with a code for each run or for each product."""
    out = []
    for test, sheet in SHEETS.items():
        for n, row in enumerate(rows(sheet)):
            code = f"K{n}" if by == "run" else f"P{[p.id for p in STUDY.products].index(row['product'])}"
            planned = {c: row.get(c, "") for c in ("product", "run", "specimen", "block", "order")}
            out.append({"test": test, "code": code} | planned | {"run": row.get("run", "1")})
    return out


def coded_sheets(plan: Rows, *, keep: tuple[str, ...] = ()) -> dict[str, Rows]:
    """The sheets of the small study with codes in place of products, and without what the plan says, but for `keep`."""
    out = {}
    for test, sheet in SHEETS.items():
        of_test = [row for row in plan if row["test"] == test]
        hidden = {"product", "run", "specimen", "block", "order"} - set(keep)
        out[test] = [
            {"code": planned["code"]} | {c: cell for c, cell in row.items() if c not in hidden}
            for planned, row in zip(of_test, rows(sheet), strict=True)
        ]
    return out


def as_if_plain() -> Readings:
    return parse_readings({test: rows(sheet) for test, sheet in SHEETS.items()}, STUDY)


def test_codes_of_runs_stand_for_everything_the_plan_says() -> None:
    plan = plan_of_sheets(by="run")
    coded = parse_readings({PLAN: plan, **coded_sheets(plan)}, STUDY)
    assert figures(coded) == figures(as_if_plain())
    assert coded.unplanned == ()
    assert coded.not_used == ()


def test_codes_of_products_need_the_number_of_the_run() -> None:
    plan = plan_of_sheets(by="product")
    coded = parse_readings({PLAN: plan, **coded_sheets(plan, keep=("run",))}, STUDY)
    assert figures(coded) == figures(as_if_plain())


def test_a_long_sheet_may_be_coded() -> None:
    plan = plan_of_sheets(by="run")
    code = {(row["test"], row["product"], row["run"]): row["code"] for row in plan}
    table = [
        {c: cell for c, cell in row.items() if c not in ("product", "run", "block", "order")}
        | {"code": code[row["test"], row["product"], row.get("run", "1")]}
        for row in long_rows()
    ]
    assert figures(parse_readings({LONG: table, PLAN: plan}, STUDY)) == figures(as_if_plain())


def test_what_was_done_wins_over_what_was_planned() -> None:
    plan = plan_of_sheets(by="run")
    sheets = coded_sheets(plan, keep=("order",))
    sheets["shower"][0]["order"] = "99"
    assert 99.0 in [run.order for run in parse_readings({PLAN: plan, **sheets}, STUDY).runs]


def test_planned_and_not_run_is_listed_and_run_and_not_planned_doubted() -> None:
    plan = plan_of_sheets(by="run")
    sheets = {test: rows(sheet) for test, sheet in SHEETS.items()}
    lost = sheets["shower"].pop(0)
    [extra] = [row for row in plan if row["test"] == "vapour"][-1:]
    plan.remove(extra)
    readings = parse_readings({PLAN: plan, **sheets}, STUDY)
    assert [note.reason for note in readings.not_used] == ["planned, and not in the sheets"]
    assert f"shower, {lost['product']} run {lost['run']}" in readings.not_used[0].row
    [run] = [readings.runs[n] for n in readings.unplanned]
    assert (run.test, run.product) == ("vapour", extra["product"])
    assert "the plan has no such run." in [doubt.because for doubt in guards(STUDY, readings)]


def test_a_plan_before_anything_was_run_is_one_line_a_test() -> None:
    readings = parse_readings({PLAN: plan_of_sheets(by="run")}, STUDY)
    assert [(note.row, note.reason) for note in readings.not_used] == [
        ("plan.csv: all 6 planned runs of shower", "not in the sheets yet"),
        ("plan.csv: all 3 planned runs of vapour", "not in the sheets yet"),
    ]


def said(tables: dict[str, Rows]) -> list[str]:
    with pytest.raises(StudyError) as caught:
        parse_readings(tables, STUDY)
    return [str(mistake) for mistake in caught.value.mistakes]


def planned(**cells: str) -> dict[str, str]:
    return {"test": "shower", "product": "ostrel", "run": "1", "code": "K1", "block": "mon"} | cells


PLANS = [
    pytest.param(
        [{"product": "ostrel"}],
        [
            "plan.csv:1: header: column 'run' is missing. Add a column run.",
            "plan.csv:1: header: column 'test' is missing. Add a column test.",
        ],
        id="columns",
    ),
    pytest.param(
        [planned(test="showr")],
        ["plan.csv:2: test: 'showr': the study has no such test. Did you mean 'shower'? Known: shower, vapour."],
        id="test",
    ),
    pytest.param(
        [planned(product="ostrl")],
        [
            (
                "plan.csv:2: product: 'ostrl': the study has no such product. "
                "Did you mean 'ostrel'? Known: untreated, water, new, ostrel, garvel."
            )
        ],
        id="product",
    ),
    pytest.param(
        [planned(run="one")],
        ["plan.csv:2: run: 'one': a whole number is needed, 1 or more. Number the runs of a product 1, 2, 3 …"],
        id="run",
    ),
    pytest.param(
        [planned(), planned(code="K2")],
        ["plan.csv:3: run: '1': line 2 plans run 1 of ostrel already. Number the runs of a product 1, 2, 3 …"],
        id="run-twice",
    ),
    pytest.param(
        [planned(), planned(product="garvel")],
        ["plan.csv:3: code: 'K1': line 2 gives this code to another product. Give each product codes of its own."],
        id="code-of-two",
    ),
]


@pytest.mark.parametrize(("plan", "messages"), PLANS)
def test_a_mistake_in_a_plan_is_told(plan: Rows, messages: list[str]) -> None:
    assert said({PLAN: plan}) == messages


CODED = {"code": "K1", "dry": "9.6", "dry.2": "9.6", "wet": "11"}
SHEETS_WRONG = [
    pytest.param(
        [CODED | {"code": "K7"}],
        ["readings/shower:2: code: 'K7': the plan has no such code for test shower. Known: K1."],
        id="code-unknown",
    ),
    pytest.param(
        [CODED | {"product": "garvel"}],
        ["readings/shower:2: code: 'K1': by the plan this is a code of another product than garvel."],
        id="code-of-another",
    ),
]


@pytest.mark.parametrize(("sheet", "messages"), SHEETS_WRONG)
def test_a_code_that_cannot_stand_is_told(sheet: Rows, messages: list[str]) -> None:
    assert said({PLAN: [planned()], "shower": sheet}) == messages


def test_a_code_of_several_runs_needs_the_run() -> None:
    assert said({PLAN: [planned(), planned(run="2")], "shower": [CODED]}) == [
        "readings/shower:2: run: the run has no number. Number the runs of a product 1, 2, 3 …"
    ]


def test_a_code_without_a_plan_is_told() -> None:
    (message,) = said({"shower": [CODED]})
    assert message == (
        "readings/shower:1: column: 'code': nothing says which product a code stands for. "
        "Put the plan beside the sheets as plan.csv, or name products in a column `product`."
    )
