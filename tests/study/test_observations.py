"""What was seen, in words: with its runs, as a departure, and when it names what is not there."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from evenbench import analyse, open_observations, open_study
from evenbench.cli import main
from evenbench.publish.contract import contract
from evenbench.publish.report import page
from evenbench.publish.trace import as_text, trace
from evenbench.study.mistakes import StudyError
from evenbench.study.observations import Observation, parse_observations
from evenbench.study.readings import parse_readings
from tests.engine import one_test
from tests.publish.report_cases import HOSTILE

ROOT = Path(__file__).resolve().parents[2]
WIDE_SHEET = [
    {"product": p, "run": str(n), "x": f"{12 + 0.1 * (3 * k + 7 * n) % 1:.1f}"}
    for k, p in enumerate("cbdefgh")
    for n in (1, 2, 3)
]
STUDY = one_test({"c": "control", "ostrel": "candidate", "garvel": "candidate"}, blocks=True)
SHEET = [
    {"product": p, "run": str(n), "block": b, "specimen": f"{p[0]}{n}", "x": f"{10 * k + n}.{n + k}"}
    for k, p in enumerate(["c", "ostrel", "garvel"])
    for n, b in ((1, "mon"), (2, "tue"))
]
READINGS = parse_readings({"t": SHEET}, STUDY)


def seen(**cells: str) -> Observation:
    """One observation of test `t`."""
    return parse_observations([{"test": "t", "words": "steams", **cells}], STUDY, READINGS)[0]


ABOUT = [
    pytest.param({}, 6, "", id="the-test"),
    pytest.param({"product": "ostrel"}, 2, "ostrel", id="a-product"),
    pytest.param({"product": "ostrel", "run": "2"}, 1, "ostrel run 2", id="a-run"),
    pytest.param({"specimen": "g1"}, 1, "specimen g1", id="a-specimen"),
    pytest.param({"block": "tue"}, 3, "block tue", id="a-block"),
]


@pytest.mark.parametrize(("cells", "runs", "about"), ABOUT)
def test_an_observation_knows_its_runs(cells: dict[str, str], runs: int, about: str) -> None:
    """What is left empty is about all of its kind."""
    found = seen(**cells)
    assert (len(found.runs), found.about) == (runs, about)


WRONG = [
    pytest.param({"test": "tt"}, "test: 'tt': the study has no such test. Did you mean 't'?", id="test"),
    pytest.param({"product": "ostrl"}, "no such product. Did you mean 'ostrel'?", id="product"),
    pytest.param({"product": "c", "run": "3"}, "test t has no such run of c. It has 1, 2.", id="run"),
    pytest.param({"product": "c", "run": "one"}, "a run is a whole number, from 1.", id="run-in-words"),
    pytest.param({"run": "1"}, "none is named. Name the product.", id="run-of-nothing"),
    pytest.param({"specimen": "g3"}, "no run of test t has this specimen. Known: c1", id="specimen"),
    pytest.param({"block": "wed"}, "no run of test t has this block.", id="block"),
    pytest.param({"product": "c", "specimen": "g1"}, "no run of t is all of this.", id="together"),
    pytest.param({"changed": "maybe"}, "Write yes or no", id="changed"),
    pytest.param({"words": ""}, "words: the cell is empty. Say what was seen.", id="no-words"),
    pytest.param({"words": "a" * 2001}, "more than 2,000 characters. Shorten it.", id="long"),
    pytest.param({"tags": "x"}, "observations have no such column. Did you mean 'tag'?", id="column"),
    pytest.param({"code": "K7"}, "Name products by id in a column `product`.", id="code"),
]


@pytest.mark.parametrize(("cells", "said"), WRONG)
def test_what_is_not_there_is_a_mistake_at_its_place(cells: dict[str, str], said: str) -> None:
    """Each says where, what was given and what to write."""
    with pytest.raises(StudyError) as caught:
        seen(**cells)
    assert said in str(caught.value)
    assert str(caught.value).startswith("observations.csv:")


def test_a_change_of_procedure_is_told_beside_the_precautions() -> None:
    """It is a departure of its test, and takes no precaution away."""
    found = analyse(STUDY, READINGS, [seen(product="ostrel", run="2", words="rinsed twice", changed="yes")])
    assert found.precautions[0].beside == ("ostrel run 2: rinsed twice",)
    assert found.study_precautions.beside == ('"T", ostrel run 2: rinsed twice',)
    assert found.study_precautions.taken == analyse(STUDY, READINGS).study_precautions.taken
    shown = page(found)
    assert shown.count("ostrel run 2: rinsed twice") == 2  # in the method of the test, and beside the precautions
    assert "rinsed twice; the procedure was changed" in shown  # with its run


def test_an_observation_is_shown_with_its_run() -> None:
    """In the trace of its product alone, and in the JSON with all it says."""
    one = seen(product="ostrel", run="1", tag="steam", clip="media/a.mp4", at="14:20", by="M")
    found = analyse(STUDY, READINGS, [one])
    assert "seen (ostrel run 1): steam: steams (media/a.mp4)   observations.csv:2" in as_text(
        trace(found, "t.y", "ostrel")
    )
    assert trace(found, "t.y", "garvel")["observations"] == []
    assert contract(found)["observations"] == [
        {
            "where": "observations.csv:2",
            "test": "t",
            "product": "ostrel",
            "run": 1,
            "specimen": "",
            "block": "",
            "tag": "steam",
            "words": "steams",
            "clip": "media/a.mp4",
            "changed": False,
            "at": "14:20",
            "by": "M",
        }
    ]


@pytest.mark.parametrize("text", HOSTILE)
def test_an_observation_can_do_nothing_to_the_page(text: str) -> None:
    """Every text of it is escaped wherever it stands."""
    cells = dict.fromkeys(("words", "tag", "clip", "at", "by"), text)
    rows = [cells, cells | {"changed": "yes"}, cells | {"product": "ostrel", "run": "1"}]
    shown = page(analyse(STUDY, READINGS, [seen(**row) for row in rows]))
    plain = page(analyse(STUDY, READINGS))
    for mark in ("<script", "<img", "<b>bold", "</style"):
        assert shown.count(mark) == plain.count(mark)


def test_the_file_is_read_from_the_folder(make_folder: Callable[..., Path]) -> None:
    """check counts it, results use it, and it is no stranger any more."""
    head = "test,product,run,words,changed\n"
    folder = make_folder(**{"observations.csv": head + "shower,ostrel,1,a drip,yes\n"})
    study, readings = open_study(folder)
    assert [o.words for o in open_observations(folder, study, readings)] == ["a drip"]
    assert not any("observations" in n.row for n in readings.not_used)
    run = CliRunner().invoke
    assert "  1 observation\n" in run(main, ["check", str(folder)]).output
    assert '"Ten minutes under the shower head", ostrel run 1: a drip' in run(main, ["results", str(folder)]).output
    assert json.loads(run(main, ["results", str(folder), "--json"]).output)["observations"][0]["changed"] is True


def test_the_json_keeps_to_its_schema() -> None:
    """With an observation of a run, one of a test, and a figure to look at again."""
    schema = json.loads((ROOT / "docs" / "results.schema.json").read_text(encoding="utf-8"))
    sheet = [row | {"x": "1230" if n == 3 else row["x"]} for n, row in enumerate(WIDE_SHEET)]
    study = one_test(dict.fromkeys("bdefgh", "candidate") | {"c": "control"})
    readings = parse_readings({"t": sheet}, study)
    rows = [{"test": "t", "words": "steams", "changed": "yes"}, {"test": "t", "product": "c", "run": "1", "words": "x"}]
    found = analyse(study, readings, parse_observations(rows, study, readings))
    made = contract(found)
    assert (len(made["doubts"]), len(made["observations"])) == (1, 2)
    assert not list(Draft202012Validator(schema).iter_errors(made))
    link = f'<a href="#run-{found.doubts[0].run}"><bdi>readings/t:5</bdi></a>'
    assert link in page(found)
    assert f'id="run-{found.doubts[0].run}"' in page(found)


def test_a_mistake_in_the_file_stops_with_its_place(make_folder: Callable[..., Path]) -> None:
    folder = make_folder(**{"observations.csv": "test,product,words\nshower,ostrl,a drip\n"})
    done = CliRunner().invoke(main, ["check", str(folder)])
    assert done.exit_code == 1
    assert "observations.csv:2: product: 'ostrl'" in done.output


def test_a_folder_without_the_file_has_none(folder: Path) -> None:
    study, readings = open_study(folder)
    assert open_observations(folder, study, readings) == ()
