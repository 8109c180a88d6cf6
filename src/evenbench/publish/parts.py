"""The parts of the report beside its charts: tests and their method, verdicts side by side, products, readings."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from evenbench.analysis import Analysis
from evenbench.compare.comparison import Comparison
from evenbench.compare.derived import Derived
from evenbench.judge.precautions import Precaution
from evenbench.measure.wording import bounded, counted, decimals, listed
from evenbench.publish.chart import Chart, charts_of
from evenbench.publish.shown import (
    Figure,
    Named,
    Word,
    anchor,
    clean,
    effect_unit,
    figure,
    label,
    matters_text,
    named,
    outcome_figure,
    percentage,
    places_of,
    result_anchor,
    run_counts,
    sentence,
    step_places,
    unit_of,
    word,
    words,
)
from evenbench.publish.summary import derived_texts
from evenbench.study.applied import said, warnings
from evenbench.study.model import DeclaredReading, Instrument, Product, Result, Test
from evenbench.study.observations import Observation, departures
from evenbench.study.readings import Readings

# ------------------------------------------------------------------------------------------------- questions


@dataclass(frozen=True, kw_only=True)
class QuestionShown:
    """A question with its answer; "" where it is open."""

    asks: str
    answer: str
    because: str
    link: str
    about: str


def questions_of(analysis: Analysis) -> tuple[QuestionShown, ...]:
    """Every question, in study order, with the result it leads to."""
    study = analysis.study
    titles = {b.id: b.title for b in study.buyers}
    out = []
    for answer in analysis.answers:
        by, buyer = answer.question.answered_by, answer.question.buyer
        out.append(
            QuestionShown(
                asks=answer.question.asks,
                answer=answer.answer or "",
                because=sentence(answer.because),
                link=anchor("buyer", buyer) if buyer else result_anchor(study.result(by)) if by else "",
                about=titles[buyer] if buyer else label(study, by) if by else "",
            )
        )
    return tuple(out)


# ----------------------------------------------------------------------------------- benefit and harm together


@dataclass(frozen=True, kw_only=True)
class Column:
    """A judged result as a column."""

    link: str
    test: str
    result: str
    kind: str
    unit: str


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One verdict; `word` is None where a product has none, and `missing` says why."""

    link: str
    word: Word | None
    effect: Figure | None
    missing: str


@dataclass(frozen=True, kw_only=True)
class Line:
    """One product with its verdicts, in the order of the columns."""

    product: Named
    cells: tuple[Cell, ...]


@dataclass(frozen=True, kw_only=True)
class Group:
    """Products of one pattern of verdicts."""

    title: str
    bad: bool
    lines: tuple[Line, ...]


@dataclass(frozen=True, kw_only=True)
class SideBySide:
    """Benefit and harm in one table."""

    columns: tuple[Column, ...]
    benefits: int
    risks: int
    groups: tuple[Group, ...]


def side_by_side(analysis: Analysis) -> SideBySide:
    """Every product with every verdict, benefits first, grouped by what they come to together."""
    judged = [c for c in analysis.comparisons if c.result.kind != "info"]
    judged.sort(key=lambda c: c.result.kind == "risk")
    products = [p.id for p in analysis.study.products if p.role in ("candidate", "placebo")]
    lines: dict[str, list[Line]] = {}
    for product in products:
        line = Line(product=named(analysis.study, product), cells=tuple(_cell(c, product) for c in judged))
        lines.setdefault(_pattern(judged, line), []).append(line)
    order = [p for p in _PATTERNS if p in lines]
    return SideBySide(
        columns=tuple(_column(analysis, c) for c in judged),
        benefits=sum(1 for c in judged if c.result.kind == "benefit"),
        risks=sum(1 for c in judged if c.result.kind == "risk"),
        groups=tuple(Group(title=p, bad=p == _BOTH, lines=tuple(lines[p])) for p in order),
    )


_CLEAR = "Better on something, and no harm shown on every risk tested"
_UNPROVEN = "Better on something, with a risk not settled or not tested"
_BOTH = "Better on something, and harm as well"
_BENEFIT = "Better on something"
_NOTHING = "Not shown better on anything"
_PATTERNS = (_CLEAR, _UNPROVEN, _BENEFIT, _BOTH, _NOTHING)


def _pattern(judged: Iterable[Comparison], line: Line) -> str:
    said = {"benefit": [], "risk": []}  # type: dict[str, list[str]]
    for comparison, cell in zip(judged, line.cells, strict=True):
        said[comparison.result.kind].append(cell.word.text if cell.word else "")
    if "better" not in said["benefit"]:
        return _NOTHING
    if "harm" in said["risk"]:
        return _BOTH
    if not said["risk"]:
        return _BENEFIT
    return _CLEAR if set(said["risk"]) == {"no harm shown"} else _UNPROVEN


def _column(analysis: Analysis, comparison: Comparison) -> Column:
    result = comparison.result
    like = f", like {analysis.study.product(result.like).name}" if result.like else ""
    return Column(
        link=result_anchor(result),
        test=analysis.study.test(result.test).title,
        result=words(result.id) + like,
        kind=result.kind,
        unit=effect_unit(result),
    )


def _cell(comparison: Comparison, product: str) -> Cell:
    result, control = comparison.result, comparison.other
    link = anchor("at", result.test, result.id, product) if product in comparison.products else ""
    found = comparison.against(control, product) if control else None
    if found is None:
        if product not in comparison.products:
            missing = "not in this test"
        elif comparison.count[comparison.products.index(product)] == 0:
            missing = "not measured"
        else:
            missing = "no control to compare with" if control is None else "not compared"
        return Cell(link=link, word=None, effect=None, missing=missing)
    family, m = found
    verdict = family.verdict[m]
    return Cell(
        link=link,
        word=word(verdict, enough=family.by_enough[m]) if verdict else None,
        effect=figure(clean(comparison, float(family.effect[m])), places_of(comparison), signed=result.scale == "raw"),
        missing="",
    )


# ------------------------------------------------------------------------------------------------------ tests


@dataclass(frozen=True, kw_only=True)
class TestShown:
    """One test: how it was done, and its results."""

    __test__ = False

    id: str
    title: str
    runs: str
    limits: str
    doses: tuple[str, ...]
    facts: tuple[tuple[str, tuple[str, ...]], ...]
    charts: tuple[Chart, ...]
    derived: tuple[DerivedShown, ...]
    readings: str


@dataclass(frozen=True, kw_only=True)
class DerivedShown:
    """A result computed once per product from levels: a line each of product, level, interval and what is absent."""

    id: str
    title: str
    unit: str
    formula: str
    lines: tuple[tuple[Named, Figure | None, str, str], ...]
    notes: tuple[str, ...]
    level: str


def _derived(analysis: Analysis, derived: Derived) -> DerivedShown:
    lines = []
    for k, product in enumerate(derived.products):
        _, span, why = derived_texts(derived, k)
        level = figure(float(derived.estimate[k]), derived.digits(k))
        lines.append((named(analysis.study, product), level, span.replace("-", "−"), why))
    return DerivedShown(
        id=result_anchor(derived.result),
        title=words(derived.result.id),
        unit=unit_of(derived.result),
        formula=f"{derived.result.id} = {derived.result.formula.text}",
        lines=tuple(lines),
        notes=derived.notes,
        level=percentage(derived.level),
    )


def tests_of(analysis: Analysis) -> tuple[TestShown, ...]:
    """Every test, in study order."""
    return tuple(
        TestShown(
            id=anchor("test", test.id),
            title=test.title,
            runs=_runs_said(analysis, test),
            limits=test.limits,
            doses=tuple(warnings(analysis.study, test)),
            facts=tuple((title, tuple(items)) for title, items in _facts(analysis, test) if items),
            charts=charts_of(analysis, test.id),
            derived=tuple(_derived(analysis, d) for d in analysis.derived if d.result.test == test.id),
            readings=anchor("readings", test.id),
        )
        for test in analysis.study.tests
    )


def _runs_said(analysis: Analysis, test: Test) -> str:
    """How much was run: "15 products; 5 runs of each, 10 of Worn cloth; in 5 blocks (day); in random order."."""
    counts = run_counts(analysis, test.id)
    names = {p: analysis.study.product(p).name for p in counts}
    usual = Counter(counts.values()).most_common(1)[0][0] if counts else 0
    others = {p: n for p, n in counts.items() if n != usual}
    if len(others) <= 3:
        runs = f"{counted(usual, 'run')} of each" + "".join(f", {n} of {names[p]}" for p, n in others.items())
    else:
        runs = f"{min(counts.values())} to {max(counts.values())} runs of each"
    said = [counted(len(counts), "product"), runs]
    blocks = {run.block for run in analysis.readings.runs if run.test == test.id and run.block}
    if len(blocks) > 1:
        said.append(f"in {len(blocks)} blocks ({test.blocks})")
    orders = {
        "random": "in random order",
        "as listed": "in the order listed",
        None: "how the order was chosen is not said",
    }
    said.append(orders[test.order])
    return "; ".join(said) + "."


def _facts(analysis: Analysis, test: Test) -> list[tuple[str, list[str]]]:
    study = analysis.study
    instruments = list(dict.fromkeys(r.instrument for r in test.readings if r.instrument is not None))
    return [
        ("Conditions", [f"{words(name)}: {text}" for name, text in test.conditions.items()]),
        ("Care between runs", list(test.between)),
        ("Departs from", [f"{method}. {why}" for method, why in test.departs]),
        ("Changed while it ran", list(departures(analysis.observations, test.id))),
        (
            "Seen",
            [_seen(o) for o in analysis.observations if o.test == test.id and not o.changed and not _with_runs(o)],
        ),
        ("Applied", [_applied(name, text) for name, text in test.applied.items()]),
        ("Dose against the label", said(study, test)),
        ("Readings", [_reading(r) for r in test.readings]),
        ("Instruments", [_instrument(i) for i in instruments]),
        ("Constants", [f"{name} = {q.text}" for name, q in test.constants.items()]),
        ("Not in this test", [study.product(p).name for p in test.left_out]),
    ]


def _applied(name: str, text: str) -> str:
    times = text.replace("..", " to ")
    return f"{times} × the dose on the label" if name == "share_of_dose" else f"{words(name)}: {text}"


def _reading(reading: DeclaredReading) -> str:
    with_what = f", by the {words(reading.instrument.id)}" if reading.instrument else ", instrument not stated"
    times = f", read {reading.repeats} times a run" if reading.repeats > 1 else ""
    if not reading.is_number:
        return f"{reading.id}, a {reading.kind}" + (f": {', '.join(reading.levels)}" if reading.levels else "")
    return f"{reading.id} in {reading.unit.text or 'no unit'}{with_what}{times}"


def _instrument(instrument: Instrument) -> str:
    reads = f"reads to {instrument.resolution.text}" if instrument.resolution else "resolution not stated"
    parts = [reads]
    if instrument.range:
        parts.append(f"range {instrument.range[0].text} to {instrument.range[1].text}")
    if instrument.offset:
        parts.append(f"may be off by {instrument.offset.text} throughout")
    if instrument.gain:
        parts.append(f"may be off by {100 * instrument.gain:g} % of what it shows")
    parts.append(f"calibrated {instrument.calibrated}" if instrument.calibrated else "calibration not stated")
    return f"{words(instrument.id)}: {', '.join(parts)}"


# ----------------------------------------------------------------------------------------------------- prices


@dataclass(frozen=True, kw_only=True)
class PriceShown:
    """What one use of a product costs, or why that is not known."""

    product: Named
    price: Figure | None
    ends: tuple[Figure, Figure] | None
    bottle: str
    pack: str
    dose: str
    why: str


def prices_of(analysis: Analysis) -> tuple[PriceShown, ...]:
    """Products by the price of one use, cheapest first; unknown prices last."""
    costs = analysis.prices
    if costs is None:
        return ()
    order = sorted(costs.of, key=lambda p: (costs.of[p] is None, costs.of[p] or 0.0))
    return tuple(
        PriceShown(
            product=named(analysis.study, p),
            price=figure(costs.of[p], 2),
            ends=_ends(costs.ranges.get(p)),
            bottle=_amount(analysis.study.product(p).price),
            pack=_amount(analysis.study.product(p).pack),
            dose=_amount(analysis.study.product(p).dose),
            why=costs.why.get(p, "the usual state: nothing is bought" if costs.of[p] == 0.0 else ""),
        )
        for p in order
    )


def _ends(pair: tuple[float, float] | None) -> tuple[Figure, Figure] | None:
    low, high = (figure(end, 2) for end in pair) if pair else (None, None)
    return (low, high) if low and high else None


def _amount(quantity: object) -> str:
    return str(getattr(quantity, "text", "")) if quantity is not None else ""


# ----------------------------------------------------------------------------------------------- plain rank table


@dataclass(frozen=True, kw_only=True)
class PlainRow:
    """One product's places in a plain rank table."""

    product: Named
    average: Figure | None
    places: tuple[Figure | None, ...]


@dataclass(frozen=True, kw_only=True)
class PlainShown:
    """What a plain rank table would say, and what is wrong with it."""

    results: tuple[tuple[str, str], ...]
    rows: tuple[PlainRow, ...]
    says: str
    wrong: str


def plain_of(analysis: Analysis) -> PlainShown | None:
    """The average finishes; None where the study asks for none."""
    table, study = analysis.plain_table, analysis.study
    if table is None:
        return None
    rows = (
        PlainRow(
            product=named(study, r.product),
            average=figure(r.average, 2),
            places=tuple(None if p is None else Figure(value=p, text=f"{p:g}") for p in r.places.values()),
        )
        for r in table.rows
    )
    columns = ((result_anchor(study.result(name)), label(study, name)) for name in table.results)
    return PlainShown(results=tuple(columns), rows=tuple(rows), says=table.says, wrong=table.wrong)


# ----------------------------------------------------------------------------------------------------- claims


@dataclass(frozen=True, kw_only=True)
class ClaimShown:
    """A claim with its verdict, what it rests on, and the results it is about."""

    product: Named
    says: str
    word: Word
    because: str
    about: tuple[tuple[str, str], ...]


def claims_of(analysis: Analysis) -> tuple[ClaimShown, ...]:
    """Every claim, in study order."""
    study = analysis.study
    return tuple(
        ClaimShown(
            product=named(study, c.product),
            says=c.claim.says,
            word=word(c.verdict),
            because=sentence(c.because),
            about=tuple((_about(study.result(r), c.product), label(study, r)) for r in c.claim.about),
        )
        for c in analysis.claims
    )


def _about(result: Result, product: str) -> str:
    return anchor("at", result.test, result.id, product)


# ----------------------------------------------------------------------------------- doubts and observations


@dataclass(frozen=True, kw_only=True)
class DoubtShown:
    """A figure to look at again, with the row of the readings it leads to."""

    at: str
    about: str
    because: str
    link: str


def doubts_of(analysis: Analysis) -> tuple[DoubtShown, ...]:
    """In the order of the sheets."""
    return tuple(
        DoubtShown(at=str(d.at), about=d.about, because=sentence(d.because), link=f"run-{d.run}")
        for d in analysis.doubts
    )


def _with_runs(observation: Observation) -> bool:
    """Whether it stands in the rows of its runs; one of very many runs stands with its test."""
    return observation.run is not None or (bool(observation.specimen) and len(observation.runs) <= 20)


def _seen(observation: Observation, *, short: bool = False) -> str:
    """An observation as a reader is told; `short` where it stands with its run."""
    o = observation
    about = f"{o.about}: " if o.about and not short else ""
    changed = "; the procedure was changed" if o.changed else ""
    who = ", ".join(part for part in (o.at, o.by) if part)
    return f"{about}{o}{changed}" + (f" [{who}]" if who else "")


# ------------------------------------------------------------------------------------------------ precautions


@dataclass(frozen=True, kw_only=True)
class PrecautionsOfResult:
    """The precautions behind one result."""

    label: str
    link: str
    taken: str
    items: tuple[Precaution, ...]


def precautions_of_results(analysis: Analysis) -> tuple[PrecautionsOfResult, ...]:
    """Per result, in study order."""
    return tuple(
        PrecautionsOfResult(
            label=label(analysis.study, c.result.name), link=result_anchor(c.result), taken=str(p), items=p.items
        )
        for c, p in zip(analysis.comparisons, analysis.precautions, strict=True)
    )


# --------------------------------------------------------------------------------------------------- products


@dataclass(frozen=True, kw_only=True)
class ProductShown:
    """A product as declared."""

    product: Named
    id: str
    also: tuple[str, ...]
    price: str
    pack: str
    dose: str
    bought: str
    flash_point: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Cautions:
    """What is known, and not known, of how easily the products catch fire."""

    stated: tuple[tuple[Named, str], ...]
    unknown: tuple[Named, ...]
    not_stated: tuple[Named, ...]
    none: tuple[Named, ...]


def products_of(analysis: Analysis) -> tuple[ProductShown, ...]:
    """Every product, in study order."""
    return tuple(
        ProductShown(
            product=named(analysis.study, p.id),
            id=anchor("product", p.id),
            also=p.also,
            price=_amount(p.price),
            pack=_amount(p.pack),
            dose=_amount(p.dose),
            bought=_bought(p),
            flash_point=p.flash_point or "",
            facts=tuple((words(k), v) for k, v in p.facts.items()),
        )
        for p in analysis.study.products
    )


def _bought(product: Product) -> str:
    bought = product.bought
    if bought is None:
        return ""
    parts = [bought.shop or "", str(bought.on) if bought.on else "", f"lot {bought.lot}" if bought.lot else ""]
    return ", ".join(part for part in parts if part)


def cautions_of(analysis: Analysis) -> Cautions:
    """Flash points of candidates and placebos, sorted by how much is known. Missing data is no all-clear."""
    used = [p for p in analysis.study.products if p.role in ("candidate", "placebo")]
    known = {p.id: (p.flash_point or "").strip().casefold() for p in used}

    def those(*texts: str) -> tuple[Named, ...]:
        return tuple(named(analysis.study, p.id) for p in used if known[p.id] in texts)

    return Cautions(
        stated=tuple(
            (named(analysis.study, p.id), p.flash_point or "")
            for p in used
            if known[p.id] not in ("", "none", "unknown")
        ),
        unknown=those("unknown"),
        not_stated=those(""),
        none=those("none"),
    )


# --------------------------------------------------------------------------------------------- technical note


@dataclass(frozen=True, kw_only=True)
class ModelNote:
    """How one result was computed."""

    label: str
    link: str
    name: str
    formula: str
    unit: str
    matters: str
    model: str
    df: int | None
    sd: Figure | None
    sd_unit: str
    level: str
    shared: tuple[str, ...]
    notes: tuple[str, ...]
    flags: tuple[str, ...]


def model_notes(analysis: Analysis) -> tuple[ModelNote, ...]:
    """Per result, in study order."""
    return tuple(_model_note(analysis, c) for c in analysis.comparisons)


def _model_note(analysis: Analysis, comparison: Comparison) -> ModelNote:
    result, fit = comparison.result, comparison.fit
    return ModelNote(
        label=label(analysis.study, result.name),
        link=result_anchor(result),
        name=result.name,
        formula=result.formula.text,
        unit=unit_of(result),
        matters=matters_text(comparison),
        model=fit.text if fit else "nothing to fit",
        df=fit.df if fit else None,
        sd=figure(fit.sd, decimals(fit.sd) + 1) if fit and fit.df else None,
        sd_unit=unit_of(result) if result.scale == "raw" else f"on the {result.scale} scale",
        level=percentage(comparison.level),
        shared=comparison.outcomes.shared_names,
        notes=comparison.notes + comparison.outcomes.notes,
        flags=comparison.flags,
    )


# --------------------------------------------------------------------------------------------------- readings


@dataclass(frozen=True, kw_only=True)
class RunShown:
    """One run: its cells are readings as typed, "" where not recorded; one outcome a result."""

    id: str
    run: int
    specimen: str
    block: str
    order: str
    cells: tuple[str, ...]
    outcomes: tuple[Figure | None, ...]
    why: str
    at: str
    note: str
    seen: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class RunsOfProduct:
    """The runs of one product in one test; `missing` says why there are none."""

    product: Named
    id: str
    runs: tuple[RunShown, ...]
    missing: str


@dataclass(frozen=True, kw_only=True)
class ReadingsOfTest:
    """Everything written down for one test, and what each run came to."""

    id: str
    title: str
    test: str
    readings: tuple[tuple[str, str], ...]
    results: tuple[tuple[str, str, str], ...]
    specimens: bool
    blocks: str
    orders: bool
    notes: bool
    products: tuple[RunsOfProduct, ...]


def readings_of(analysis: Analysis) -> tuple[ReadingsOfTest, ...]:
    """Per test, in study order."""
    return tuple(_readings(analysis, test) for test in analysis.study.tests)


def _readings(analysis: Analysis, test: Test) -> ReadingsOfTest:
    readings = analysis.readings
    comparisons = [c for c in analysis.comparisons if c.outcomes.test == test.id]
    typed: dict[int, dict[str, list[int]]] = {n: {} for n in readings.of_test(test.id)}
    for row, run in enumerate(readings.run.tolist()):
        if run in typed:
            typed[run].setdefault(readings.reading[row], []).append(row)
    runs = [readings.runs[n] for n in typed]
    return ReadingsOfTest(
        id=anchor("readings", test.id),
        title=test.title,
        test=anchor("test", test.id),
        readings=tuple((r.id, r.unit.text) for r in test.readings),
        results=tuple(
            (words(r.id), unit_of(r) if r.is_distance else r.unit.text, result_anchor(r)) for r in test.results
        ),
        specimens=any(run.specimen for run in runs),
        blocks=(test.blocks or "block") if any(run.block for run in runs) else "",
        orders=any(run.order is not None for run in runs),
        notes=any(run.note for run in runs) or any(_with_runs(o) for o in analysis.observations if o.test == test.id),
        products=tuple(_runs_of(analysis, test, p, typed, comparisons) for p in test.products),
    )


def _runs_of(
    analysis: Analysis, test: Test, product: str, typed: dict[int, dict[str, list[int]]], comparisons: list[Comparison]
) -> RunsOfProduct:
    readings = analysis.readings
    own = [n for n in typed if readings.runs[n].product == product]
    gone = {m.where: m.reason for c in comparisons for m in c.outcomes.missing}
    seen: dict[int, list[str]] = {}
    for o in analysis.observations:
        if o.test == test.id and o.product in ("", product) and _with_runs(o):
            for n in o.runs:
                seen.setdefault(n, []).append(_seen(o, short=o.run is not None))
    runs = []
    for n in own:
        run = readings.runs[n]
        rows = [row for found in typed[n].values() for row in found]
        outcomes = tuple(_outcome(c, n) for c in comparisons)
        runs.append(
            RunShown(
                id=f"run-{n}",
                run=run.number,
                specimen=run.specimen,
                block=run.block,
                order="" if run.order is None else f"{run.order:g}",
                cells=tuple("; ".join(readings.typed[row] for row in typed[n].get(r.id, [])) for r in test.readings),
                outcomes=outcomes,
                why=gone.get(str(run), "") if None in outcomes else "",
                at=_places(readings, rows) or str(run.at),
                note=run.note,
                seen=tuple(seen.get(n, ())),
            )
        )
    return RunsOfProduct(
        product=named(analysis.study, product),
        id=anchor("rows", test.id, product),
        runs=tuple(runs),
        missing="" if runs else gone.get(f"{test.id}, {product}", "no runs"),
    )


def _outcome(comparison: Comparison, run: int) -> Figure | None:
    found = [n for n, r in enumerate(comparison.outcomes.run.tolist()) if r == run]
    if found:
        return outcome_figure(comparison, found[0], step_places(comparison))
    bounds = [b for b in comparison.outcomes.beyond if b.run == run]
    return Figure(value=math.nan, text=bounded(bounds[0].low, bounds[0].high)) if bounds else None


def _places(readings: Readings, rows: list[int]) -> str:
    """Where the readings of a run were typed: "readings.csv:4, 5, 9", or one line of a wide sheet."""
    lines: dict[str, list[int]] = {}
    for row in rows:
        at = readings.at[row]
        lines.setdefault(at.file, []).append(at.line)
    out = []
    for file, found in lines.items():
        known = sorted({n for n in found if n})
        if len(known) > 2 and known == list(range(known[0], known[-1] + 1)):
            out.append(f"{file}:{known[0]}–{known[-1]}")
        else:
            out.append(f"{file}:{', '.join(map(str, known))}" if known else file)
    return "; ".join(out)


def measured(analysis: Analysis) -> str:
    """What was measured, for the head of the page: "12 candidates, 6 tests and 411 runs"."""
    candidates = sum(1 for p in analysis.study.products if p.role == "candidate")
    tests, runs = len(analysis.study.tests), len(analysis.readings.runs)
    return listed([counted(candidates, "candidate"), counted(tests, "test"), counted(runs, "run")])
