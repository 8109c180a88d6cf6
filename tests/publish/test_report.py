"""The report repeats the analysis: every figure, word, link and reading, in one page that fetches nothing."""

from __future__ import annotations

import base64
import hashlib
import itertools
import math
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbench.publish import report
from evenbench.publish.axis import MOST_TICKS, axis_of, lanes
from evenbench.publish.contract import contract
from evenbench.publish.report import page, write_report
from tests.publish.report_cases import BREAKS_OUT, CASES, FOLDERS, HOSTILE, Element, analysed, at, read, rendered

# DESIGN's only lists of words.
VERDICTS = {"better", "worse", "same", "no harm shown", "harm", "not settled", "cannot say"}
CLAIMS = {"supported", "contradicted", "not settled", "not tested", "not testable"}


def results_of(case: str) -> list[tuple[str, str, dict[str, Any]]]:
    found = contract(analysed(case))
    return [(t, r, result) for t, test in found["tests"].items() for r, result in test["results"].items()]


def known(*values: float | None) -> list[float]:
    return [v for v in values if v is not None]


def same(shown: list[float], wanted: list[float]) -> bool:
    return len(shown) == len(wanted) and all(map(math.isclose, shown, wanted))


# --------------------------------------------------------------------------------------------------- figures


@pytest.mark.parametrize("case", CASES)
def test_levels_and_differences_are_those_of_the_contract(case: str) -> None:
    """Each row of each chart shows the level, the difference from the control, its interval and its verdict."""
    root, tests = read(case), contract(analysed(case))["tests"]
    for test, result, found in results_of(case):
        for product, figures in found["products"].items():
            row = at(root, f"at-{test}-{result}-{product}")
            versus = figures["vs"].get(tests[test]["control"], {"effect": None, "interval": None, "verdict": None})
            assert same(row.one("td", "c-level").figures, known(figures["estimate"]))
            assert same(row.one("td", "c-effect").figures, known(versus["effect"], *(versus["interval"] or ())))
            words = [b.text for cell in row.all("td", "c-verdict") for b in cell.all("b")]
            assert words == ([versus["verdict"]] if versus["verdict"] else [])
            assert set(words) <= VERDICTS
            assert ("by enough to matter" in row.text) == bool(versus.get("by_enough"))
            if figures["estimate"] is not None:
                assert f"{figures['n']} run" in row.one("td", "c-level").text


@pytest.mark.parametrize("case", CASES)
def test_all_figures_stand_in_the_folded_tables(case: str) -> None:
    """Mean, standard deviation, own interval; and for every other product the difference, bounds, p, sentence."""
    root = read(case)
    for test, result, found in results_of(case):
        tables = list(next(d for d in at(root, f"result-{test}-{result}").all("details", "more")).all("table"))
        names = {p.id: p.name for p in analysed(case).study.products}
        by_name = {names[id]: figures for id, figures in found["products"].items()}
        own = tables[0].one("tbody")
        for row in own.all("tr"):
            figures = by_name[row.one("bdi").text]
            wanted = known(figures["mean"], figures["sd"], figures["estimate"], *(figures["interval"] or ()))
            assert same(row.figures, wanted)
        shown = [
            (table.one("caption").one("bdi").text, row) for table in tables[1:] for row in table.one("tbody").all("tr")
        ]
        assert len(shown) == sum(len(figures["vs"]) for figures in by_name.values())
        for other, row in shown:
            other_id = next(id for id, name in names.items() if name == other)
            versus = by_name[row.one("bdi").text]["vs"][other_id]
            assert same(row.figures, known(versus["effect"], *(versus["interval"] or ()), versus["p_adjusted"]))
            assert versus["because"] in row.text


@pytest.mark.parametrize("case", CASES)
def test_every_run_has_a_point_and_its_readings(case: str) -> None:
    """Each run's point leads to a row with what was typed, where, and what it came to."""
    root, analysis = read(case), analysed(case)
    for comparison in analysis.comparisons:
        outcomes = comparison.outcomes
        place = [c.result.id for c in analysis.comparisons if c.outcomes.test == outcomes.test].index(
            outcomes.result.id
        )
        for product in outcomes.products:
            row = at(root, f"at-{outcomes.test}-{outcomes.result.id}-{product}")
            links = [a.attributes["href"] for a in row.one("td", "c-strip").all("a")]
            assert links == [f"#run-{int(outcomes.run[n])}" for n in outcomes.of(product)]
        for n, run in enumerate(outcomes.run.tolist()):
            shown = list(at(root, f"run-{run}").all("td", "outcome"))[place]
            assert same(shown.figures, [float(outcomes.value[n])])
    for n, run in enumerate(analysis.readings.runs):
        row = at(root, f"run-{n}")
        rows = [k for k, of in enumerate(analysis.readings.run.tolist()) if of == n]
        for k in rows:
            assert analysis.readings.typed[k] in row.text
        where = row.one("td", "at").text
        assert run.at.file in where
        assert all(str(analysis.readings.at[k].line) in where or "–" in where for k in rows)
        assert run.note in row.text


@pytest.mark.parametrize("case", CASES)
def test_buyers_are_those_of_the_contract(case: str) -> None:
    """Scores, intervals, sureness, price and the advice."""
    root, found = read(case), contract(analysed(case))
    names = {p.id: p.name for p in analysed(case).study.products}
    for buyer, wanted in found["buyers"].items():
        article = at(root, f"buyer-{buyer}")
        title = next(b.title for b in analysed(case).study.buyers if b.id == buyer)
        advice = wanted["says"].removeprefix(f"{title}: ")
        assert article.one("p", "says").text.casefold() == advice.casefold()
        tables = list(article.all("table", "scores"))
        assert bool(tables) == bool(wanted["placings"])
        for reason in (left["reason"] for left in wanted["left_out"]):
            for part in reason.split("; "):
                assert part.casefold() in article.text.casefold()
        if not tables:
            continue
        rows = [row for row in tables[0].one("tbody").all("tr") if "candidate" in row.attributes["class"]]
        assert [row.one("bdi").text for row in rows] == [names[p["product"]] for p in wanted["placings"]]
        for row, placing in zip(rows, wanted["placings"], strict=True):
            assert same(row.one("td", "c-level").figures, known(placing["score"], *(placing["interval"] or ())))
            sure = [f for cell in row.all("td", "c-first") for f in cell.figures]
            assert same(sure, known(placing["share_first"]))
            price = [f for cell in row.all("td", "c-price") for f in cell.figures]
            assert same(price, known((found["price"] or {"products": {}})["products"].get(placing["product"])))
            assert ("unproven" in row.text) == any(m["status"] == "open" for m in placing["must"])
        nothing = next(row for row in tables[0].one("tbody").all("tr") if "control" in row.attributes["class"])
        assert nothing.one("td", "c-level").figures == [0.0]
        assert str(wanted["seed"]) in at(root, "technical").text


@pytest.mark.parametrize("case", CASES)
def test_questions_claims_prices_and_precautions(case: str) -> None:
    """Everything else the contract holds stands on the page too."""
    root, found = read(case), contract(analysed(case))
    for question in found["questions"]:
        text = at(root, "questions").text
        assert question["asks"] in text
        assert (question["answer"] or "Open.") in text
        assert question["because"].casefold() in text.casefold()
    claims = list(at(root, "claims").one("tbody").all("tr")) if found["claims"] else []
    assert [row.one("q").text for row in claims] == [c["says"] for c in found["claims"]]
    assert [row.one("span", "word").text for row in claims] == [c["verdict"] for c in found["claims"]]
    assert {c["verdict"] for c in found["claims"]} <= CLAIMS
    for row, claim in zip(claims, found["claims"], strict=True):
        assert claim["because"].casefold() in row.text.casefold()
    if found["price"]:
        shown = sorted(f for row in at(root, "prices").one("tbody").all("tr") for f in row.figures)
        assert same(shown, sorted(known(*found["price"]["products"].values())))
        for why in found["price"]["why"].values():
            assert why in at(root, "prices").text
    precautions = found["precautions"]
    assert f"{precautions['taken']:g} of {precautions['of']} taken" in at(root, "precautions").one("h2").text
    for item in precautions["items"]:
        assert item["because"] in at(root, "precautions").text
    for note in found["not_used"]:
        assert note["row"] in at(root, "not-used").text
        assert note["reason"] in at(root, "not-used").text


@pytest.mark.parametrize("case", CASES)
def test_the_bracket_joins_what_could_be_best(case: str) -> None:
    """Members of the bracket are exactly the products the data cannot rule out."""
    root = read(case)
    for test, result, found in results_of(case):
        could = set(found["could_be_best"] or ())
        tied = set()
        for product in found["products"]:
            parts = [cell.attributes["class"] for cell in at(root, f"at-{test}-{result}-{product}").all("td", "tie")]
            tied |= {product for part in parts if set(part.split()) & {"first", "inside", "last", "alone"}}
        assert tied == could
        said = "too close to call" in at(root, f"result-{test}-{result}").text.casefold()
        assert said == (len(could) > 1)


def test_benefit_and_harm_stand_side_by_side() -> None:
    """Every product is in one group; the one for "better, and harm" holds exactly those with both."""
    found, table = contract(analysed("demo")), at(read("demo"), "together").one("table")
    names = {p.id: p.name for p in analysed("demo").study.products}
    judged = [(t, r, f) for t, r, f in results_of("demo") if f["kind"] != "info"]
    both = set()
    for product, name in names.items():
        words = {(f["kind"], f["products"][product]["vs"].get(found["tests"][t]["control"], {}).get("verdict"))
                 for t, _, f in judged if product in f["products"]}  # fmt: skip
        if {("benefit", "better"), ("risk", "harm")} <= words:
            both.add(name)
    groups = {g.one("tr", "group").text.strip(): g for g in table.all("tbody")}
    shown = {b.text for b in groups["Better on something, and harm as well"].all("bdi")}
    assert shown == both
    assert both, "the demo has products that work and do harm"
    rows = [row for g in table.all("tbody") for row in g.all("tr") if "group" not in row.attributes.get("class", "")]
    listed = [row.one("bdi").text for row in rows]
    assert sorted(listed) == sorted(
        p.name for p in analysed("demo").study.products if p.role in ("candidate", "placebo")
    )


def test_published_limits_are_printed_as_published() -> None:
    """Simultaneous 95 % limits of b2 against b0, in the source -7.4667 (-11.4581 to -3.4753).

    CMP-DX3: Westfall, Tobias, Rom, Wolfinger & Hochberg (1999), Multiple Comparisons and Multiple Tests, p. 78-79.
    """
    cell = at(read("many_to_one"), "at-recovery-time-b2").one("td", "c-effect")
    assert cell.text.replace("Against the control ", "") == "−7.5 (−11.5 to −3.5)"


def test_what_is_missing_says_why() -> None:
    """A product without a figure is shown, with the reason and without a number."""
    rows = [r for r in read("proofers_hurried").all("tr") if r.attributes.get("id", "").startswith("at-vapour-rate-")]
    without = [r for r in rows if "no level" in r.text]
    assert without
    assert all(r.one("span", "under").text and not r.figures for r in without)
    assert "One specimen each" in at(read("proofers_hurried"), "test-head").text
    assert "no runs" in at(read("a product not run"), "at-t-r-p2").text


def test_fire_is_not_left_to_guessing() -> None:
    """Unknown and unstated flash points are named, and treated as danger."""
    text = at(read("demo"), "cautions").text
    for product in analysed("demo").study.products:
        if product.role == "candidate":
            assert product.name in text
    assert "Flash point unknown: Dunmarl Wax, Vessin Foam" in text
    assert "safety data sheet" in text
    assert "not stated" in at(read("two products"), "cautions").text


# ------------------------------------------------------------------------------------------------ links, order


@pytest.mark.parametrize("case", CASES)
def test_every_link_leads_somewhere_on_the_page(case: str) -> None:
    root = read(case)
    ids = [e.attributes["id"] for e in root.all() if "id" in e.attributes]
    assert len(ids) == len(set(ids))
    links = [e.attributes["href"] for e in root.all() if "href" in e.attributes]
    assert links
    assert [link for link in links if not link.startswith("#") or link[1:] not in ids] == []


def test_parts_stand_in_the_order_a_reader_asks() -> None:
    parts = [e.attributes["id"] for e in read("demo").all("section")]
    assert parts == [
        "questions", "buyers", "together", "tests", "prices", "claims", "precautions", "not-used", "products",
        "technical", "readings",
    ]  # fmt: skip
    assert [
        a.attributes["href"][1:] for a in read("demo").one("nav").all("a") if "test-" not in a.attributes["href"]
    ] == parts


def test_rows_stand_best_first() -> None:
    for case in FOLDERS:
        for test, result, found in results_of(case):
            turn = -1 if found["better"] == "lower" else 1
            there = at(read(case), f"result-{test}-{result}").all("tr")
            rows = [e.attributes["id"].rsplit("-", 1)[1] for e in there if "id" in e.attributes]
            levels = [found["products"][p]["estimate"] for p in rows]
            turned = [turn * v for v in levels if v is not None]
            assert turned == sorted(turned, reverse=True)
            assert levels[: len(turned)] == [v for v in levels if v is not None]


# --------------------------------------------------------------------------------------------- one inert page


@pytest.mark.parametrize("case", CASES)
def test_the_page_fetches_nothing_and_runs_only_its_own(case: str) -> None:
    """No address, no source, no handler; the policy names the two texts that may act by their digests."""
    root, text = read(case), rendered(case)
    attributes = [(e.tag, name) for e in root.all() for name in e.attributes]
    assert not [
        a for a in attributes if a[1] in ("src", "srcset", "action", "formaction", "style", "background", "ping")
    ]
    assert not [a for a in attributes if a[1].startswith("on")]
    assert not [e for e in root.all() if e.tag in ("img", "iframe", "object", "embed", "link", "base", "form", "audio")]
    style, script = (re.findall(f"<{tag}>(.*?)</{tag}>", text, re.DOTALL) for tag in ("style", "script"))
    assert (len(style), len(script)) == (1, 1)
    assert len(list(root.all("script"))) == len(list(root.all("style"))) == 1
    assert "url(" not in style[0]
    assert "@import" not in style[0]
    equivalents = {
        m.attributes.get("http-equiv"): m.attributes["content"] for m in root.all("meta") if "content" in m.attributes
    }
    policy = equivalents["Content-Security-Policy"]
    digests = [base64.b64encode(hashlib.sha256(t.encode()).digest()).decode() for t in (style[0], script[0])]
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digests[0]}'; script-src 'sha256-{digests[1]}'; "
        "base-uri 'none'; form-action 'none'"
    )
    # A policy guards only what comes after it.
    assert text.index("Content-Security-Policy") < text.index("<style>")


def test_hostile_text_stays_text() -> None:
    text = read("hostile").text
    assert all(name in text for name in (*HOSTILE, BREAKS_OUT))
    assert "<script>alert" not in rendered("hostile")


def test_no_address_stands_in_the_demo() -> None:
    assert "://" not in rendered("demo")


@pytest.mark.parametrize("case", CASES)
def test_the_page_names_itself(case: str) -> None:
    root = read(case)
    assert root.one("html").attributes["lang"] == "en"
    assert root.one("title").text == root.one("h1").text == analysed(case).study.title
    assert rendered(case).startswith("<!DOCTYPE html>\n<html")
    schemes = [m.attributes["content"] for m in root.all("meta") if m.attributes.get("name") == "color-scheme"]
    assert schemes == ["light"]


def test_words_have_marks_of_their_own_shape() -> None:
    """Colour never speaks alone: each word's mark is drawn, and no two marks of verdicts are drawn alike."""
    marks = {s.attributes["id"]: s for s in read("demo").all("symbol")}
    shapes = set()
    for word in VERDICTS:
        mark = marks[f"mark-{word.replace(' ', '-')}"]
        shapes.add(tuple(e.attributes.get("d", e.attributes.get("r", "")) for e in mark.all()))
    assert len(shapes) == len(VERDICTS)
    for word in CLAIMS | {"taken", "half taken", "not taken"}:
        assert f"mark-{word.replace(' ', '-')}" in marks


def test_the_same_study_gives_the_same_bytes() -> None:
    assert page(analysed("demo")) == rendered("demo")


def test_the_page_is_small() -> None:
    assert len(rendered("demo").encode()) < 3_000_000
    assert len(rendered("thirty products").encode()) < 3_000_000


# --------------------------------------------------------------------------------------------------- the file


def test_the_file_is_written_whole(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    assert write_report(analysed("two products"), path) == path
    assert path.read_bytes() == rendered("two products").encode()
    assert list(tmp_path.iterdir()) == [path]


def test_a_report_that_fails_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "report.html"
    path.write_text("the last one", encoding="utf-8")

    def fails(_: object) -> str:
        raise RuntimeError("half way")

    monkeypatch.setattr(report, "page", fails)
    with pytest.raises(RuntimeError, match="half way"):
        write_report(analysed("two products"), path)
    assert path.read_text(encoding="utf-8") == "the last one"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_an_error_of_the_system(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="nowhere"):
        write_report(analysed("two products"), tmp_path / "nowhere" / "report.html")


# --------------------------------------------------------------------------------------------------- the axis

FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(st.lists(FINITE, min_size=1, max_size=12), st.lists(FINITE, max_size=6))
def test_everything_that_must_be_seen_has_a_place(shown: list[float], ends: list[float]) -> None:
    axis = axis_of(shown, ends)
    assert all(axis.low <= v <= axis.high for v in shown)
    places = [axis.share(v) for v in sorted(shown)]
    assert places == sorted(places)
    assert all(0 <= p <= 1 for p in places)
    assert len(axis.ticks) <= MOST_TICKS + 1
    assert [t.value for t in axis.ticks] == sorted(t.value for t in axis.ticks)


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5))
def test_tick_labels_say_where_they_stand(low: float, span: float) -> None:
    """A label read as a number is its tick, to the digits printed, and ticks are evenly spaced."""
    axis = axis_of([low, low + span])
    assert axis.ticks
    step = axis.ticks[-1].value - axis.ticks[-2].value if len(axis.ticks) > 1 else span
    for tick in axis.ticks:
        text = tick.text.replace("−", "-")
        assert math.isclose(float(text), tick.value, abs_tol=step * 1e-3), tick
        assert math.isclose(float(tick.at.rstrip("%")) / 100, axis.share(tick.value), abs_tol=1e-5)


def test_wide_intervals_do_not_hide_the_points() -> None:
    """An interval far longer than the points' spread runs off the chart, and the points keep a third of it."""
    axis = axis_of([10.0, 11.0], [-500.0, 500.0])
    assert axis.share(11.0) - axis.share(10.0) > 1 / 3
    assert not axis.holds(500.0)


@given(st.lists(st.floats(0, 1), max_size=40))
def test_points_in_one_lane_do_not_cover_each_other(places: list[float]) -> None:
    lane = lanes(places, apart=0.02, most=100)
    for k in set(lane):
        mine = sorted(p for p, n in zip(places, lane, strict=True) if n == k)
        assert all(b - a >= 0.02 for a, b in itertools.pairwise(mine))


def circles(row: Element) -> list[Element]:
    """The points of one strip."""
    return list(row.one("td", "c-strip").all("circle", "run"))


def test_the_picture_says_what_the_verdict_says() -> None:
    """Bar against line and band: better and worse leave the line, same stays in the band, on the right side.

    The places drawn are read back from the page; the rules are those of DESIGN for a benefit.
    """
    for test, result, found in results_of("demo"):
        if found["kind"] != "benefit":
            continue
        for product, figures in found["products"].items():
            row = at(read("demo"), f"at-{test}-{result}-{product}")
            bars = list(row.all("line", "bar"))
            if not bars:
                continue
            start, end = (float(bars[0].attributes[x].rstrip("%")) for x in ("x1", "x2"))
            line = float(row.one("line", "line").attributes["x1"].rstrip("%"))
            band = row.one("rect", "band").attributes
            left = float(band["x"].rstrip("%"))
            right = left + float(band["width"].rstrip("%"))
            verdict = next(v["verdict"] for other, v in figures["vs"].items() if other == "untreated")
            low_is_good = found["better"] == "lower"
            if verdict == "same":
                assert left <= start <= end <= right
            elif verdict == "not settled":
                assert start <= line <= end
            else:
                assert (end < line) == (low_is_good == (verdict == "better"))
            assert len(circles(row)) == figures["n"]
