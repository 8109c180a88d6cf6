"""The charts of the report: one row a product, every run's point, the interval, and what cannot be told apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenbench.analysis import Analysis
from evenbench.compare.against import Family
from evenbench.compare.comparison import Comparison
from evenbench.compare.scale import distance, measure, shifted
from evenbench.measure.wording import counted, listed
from evenbench.publish.axis import Axis, Tick, axis_of, lanes, percent
from evenbench.publish.shown import (
    Figure,
    Named,
    Word,
    anchor,
    as_read,
    clean,
    decimals_for,
    effect_unit,
    end_places,
    figure,
    label,
    level_places,
    matters_text,
    mean_places,
    named,
    outcome_figure,
    percentage,
    places_of,
    plain_mean,
    result_anchor,
    sentence,
    step_places,
    unit_of,
    values_text,
    word,
    words,
)
from evenbench.publish.summary import share
from evenbench.rank.must import MustMet
from evenbench.rank.placing import Placing
from evenbench.study.model import Buyer, Study

LANES = 3
LANE = 0.13  # of a row's height
APART = 0.018  # of a strip's length: two points closer than this would cover each other
CLOSE = "too close to call"


@dataclass(frozen=True, kw_only=True)
class Point:
    """One run: where it stands, how high above the bar, and the readings it links to."""

    x: str
    y: str
    link: str
    title: str


@dataclass(frozen=True, kw_only=True)
class Bar:
    """An interval from `start` to `end`; `cut` names the ends that lie off the chart."""

    start: str
    end: str
    cut: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Strip:
    """The drawn part of a row."""

    points: tuple[Point, ...] = ()
    dot: str | None = None
    bar: Bar | None = None


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What all rows of a chart share: the axis, the line everything is held against, the band round it."""

    axis: Axis
    line: str | None
    band: tuple[str, str] | None  # start and width


@dataclass(frozen=True, kw_only=True)
class Tie:
    """A row's part of the bracket that joins what cannot be told apart.

    part  "first", "inside", "last", "alone", "passed" (the bracket runs by) or ""
    """

    part: str = ""
    label: str = ""
    member: bool = False


@dataclass(frozen=True, kw_only=True)
class Row:
    """One product in the chart of one result."""

    product: Named
    id: str
    readings: str
    count: int
    level: Figure | None
    plain: Figure | None
    as_read: str
    own: tuple[Figure, Figure] | None
    mean: Figure | None
    sd: Figure | None
    effect: Figure | None
    interval: tuple[Figure, Figure] | None
    verdict: Word | None
    missing: str
    values: str
    strip: Strip
    tie: Tie


@dataclass(frozen=True, kw_only=True)
class Against:
    """One product against another, in figures and in words."""

    product: Named
    link: str
    effect: Figure | None
    interval: tuple[Figure, Figure] | None
    p: Figure | None
    verdict: Word | None
    said: str


@dataclass(frozen=True, kw_only=True)
class AgainstOther:
    """All products against one other."""

    other: Named
    rows: tuple[Against, ...]


@dataclass(frozen=True, kw_only=True)
class Chart:
    """Everything shown of one result."""

    id: str
    name: str
    title: str
    kind: str
    unit: str
    difference_unit: str
    measure: str
    better: str
    wanted: str
    matters: str
    formula: str
    what: str
    bounds: str
    control: Named | None
    against_whom: str
    order: str
    frame: Frame
    rows: tuple[Row, ...]
    against: tuple[AgainstOther, ...]
    said: str
    flags: tuple[str, ...]
    bar_means: str
    no_bar: str
    interval_means: str
    off_chart: bool
    level: str


def charts_of(analysis: Analysis, test: str) -> tuple[Chart, ...]:
    """The charts of one test, results in study order."""
    return tuple(_chart(analysis, c) for c in analysis.comparisons if c.outcomes.test == test)


# ------------------------------------------------------------------------------------------------- one result


def _chart(analysis: Analysis, comparison: Comparison) -> Chart:
    study, result = analysis.study, comparison.result
    other = comparison.other
    places = places_of(comparison)
    order = _order(comparison)
    could = comparison.best.names or ()
    ties = dict(zip(order, ties_of(order, could), strict=True))
    frame = _frame(comparison)
    rows = tuple(_row(analysis, comparison, p, frame, places, ties[p]) for p in order)
    return Chart(
        id=result_anchor(result),
        name=result.name,
        title=words(result.id),
        kind=result.kind,
        unit=unit_of(result),
        difference_unit=effect_unit(result) or ("no unit" if result.outcome == "number" else ""),
        measure=measure(result),
        better="lower" if result.is_distance else "" if result.like else result.better or "",
        wanted=f"like {study.product(result.like).name} is best" if result.like else result.wanted,
        matters=matters_text(comparison),
        formula=f"{result.id} = {result.formula.text}",
        what="Distance" if result.is_distance else "Level",
        bounds="Bounds" if result.kind == "risk" and not result.like else "Interval",
        control=named(study, other) if other else None,
        against_whom=study.product(result.like).name if result.like else "the control",
        order=f"Best first: {result.wanted}." if result.better and not result.like else "Highest first.",
        frame=frame,
        rows=rows,
        against=tuple(_against(study, comparison, f, k, places) for k, f in enumerate(comparison.families)),
        said=_said(study, comparison),
        flags=comparison.flags,
        bar_means=_bar_means(study, comparison) if any(r.strip.bar for r in rows) else "",
        no_bar=next((reason for f in comparison.families for reason in f.why if reason), comparison.best.why),
        interval_means=_interval_means(comparison),
        off_chart=any(r.strip.bar and r.strip.bar.cut for r in rows),
        level=percentage(comparison.level),
    )


def _order(comparison: Comparison) -> list[str]:
    """Products by level, best first; those without a level last, in study order."""
    turn = 1 if comparison.result.better is None else comparison.result.sign
    level = dict(zip(comparison.products, (turn * comparison.estimate).tolist(), strict=True))
    return sorted(comparison.products, key=lambda p: -level[p] if math.isfinite(level[p]) else math.inf)


def _family(comparison: Comparison, product: str) -> tuple[Family, int] | None:
    return comparison.against(comparison.other, product) if comparison.other else None


def _control_level(comparison: Comparison) -> float:
    control = comparison.other
    if control is None or control not in comparison.products:
        return math.nan
    return float(comparison.estimate[comparison.products.index(control)])


def _interval(comparison: Comparison, product: str) -> tuple[float, float]:
    """What the bar spans: the interval of the difference or ratio, laid off from the control's level.

    The verdict follows from that interval, so a picture of it can't say otherwise. Where there is no control
    the product's own interval is drawn; the control itself has no bar.
    """
    if comparison.other is None:
        k = comparison.products.index(product)
        return float(comparison.low[k]), float(comparison.high[k])
    found, level = _family(comparison, product), _control_level(comparison)
    if found is None:
        return math.nan, math.nan
    result, family, m = comparison.result, *found
    low, high = distance(result, np.array([family.low[m], family.high[m]])).tolist()
    return shifted(result, level, low), shifted(result, level, high)


def _frame(comparison: Comparison) -> Frame:
    level, matters = _control_level(comparison), comparison.matters
    shown = [*comparison.outcomes.value.tolist(), *comparison.estimate.tolist(), level]
    if matters is not None:
        shown += [shifted(comparison.result, level, -matters), shifted(comparison.result, level, matters)]
    ends = [end for p in comparison.products for end in _interval(comparison, p)]
    axis = axis_of(shown, ends)
    if levels := comparison.result.levels:
        axis = Axis(low=-0.5, high=len(levels) - 0.5)
        ticks = tuple(Tick(value=float(k), text=name, at=axis.at(k)) for k, name in enumerate(levels))
        axis = replace(axis, ticks=ticks)
    if not math.isfinite(level):
        return Frame(axis=axis, line=None, band=None)
    band = None
    if matters is not None:
        left, right = (axis.share(shifted(comparison.result, level, by)) for by in (-matters, matters))
        band = (percent(left), percent(right - left))
    return Frame(axis=axis, line=axis.at(level), band=band)


def _row(analysis: Analysis, comparison: Comparison, product: str, frame: Frame, places: int, tie: Tie) -> Row:
    result, k = comparison.result, comparison.products.index(product)
    found = _family(comparison, product)
    family, m = found or (None, 0)
    verdict = family.verdict[m] if family else None
    low, high = _interval(comparison, product)
    by_ratio, level = result.scale != "raw", level_places(comparison)
    return Row(
        product=named(analysis.study, product),
        id=anchor("at", result.test, result.id, product),
        readings=anchor("rows", result.test, product),
        count=int(comparison.count[k]),
        level=figure(clean(comparison, float(comparison.estimate[k])), level),
        plain=figure(plain_mean(comparison, k), mean_places(comparison, k)),
        as_read=as_read(comparison, k) if product in comparison.unfitted else "",
        own=_pair(clean(comparison, float(comparison.low[k])), clean(comparison, float(comparison.high[k])), level),
        mean=figure(clean(comparison, float(comparison.mean[k])), level + 1),
        sd=figure(clean(comparison, float(comparison.sd[k])), level + 1),
        effect=figure(clean(comparison, float(family.effect[m])), places, signed=not by_ratio) if family else None,
        interval=_ends(comparison, family, m, places) if family else None,
        verdict=word(verdict, enough=family.by_enough[m]) if family and verdict else None,
        missing=_missing(comparison, product),
        values=values_text(comparison, k),
        strip=Strip(
            points=_points(analysis, comparison, product, frame.axis, step_places(comparison)),
            dot=frame.axis.at(float(comparison.estimate[k])) if math.isfinite(comparison.estimate[k]) else None,
            bar=_bar(frame.axis, low, high),
        ),
        tie=tie,
    )


def _pair(low: float, high: float, places: int, *, signed: bool = False) -> tuple[Figure, Figure] | None:
    a, b = figure(low, places, signed=signed), figure(high, places, signed=signed)
    return (a, b) if a and b else None


def _ends(comparison: Comparison, family: Family, m: int, places: int) -> tuple[Figure, Figure] | None:
    """The interval of one member, with digits enough that no end contradicts the word."""
    low, high = (clean(comparison, float(x[m])) for x in (family.low, family.high))
    digits = end_places(comparison, low, high, places)
    return _pair(low, high, digits, signed=comparison.result.scale == "raw")


def _bar(axis: Axis, low: float, high: float) -> Bar | None:
    if not (math.isfinite(low) and math.isfinite(high)):
        return None
    cut = tuple(side for side, end in (("low", low), ("high", high)) if not axis.holds(end))
    return Bar(start=axis.at(low), end=axis.at(high), cut=cut)


def _points(analysis: Analysis, comparison: Comparison, product: str, axis: Axis, places: int) -> tuple[Point, ...]:
    outcomes, runs = comparison.outcomes, analysis.readings.runs
    of = outcomes.of(product).tolist()
    along = [axis.share(float(outcomes.value[n])) for n in of]
    name = analysis.study.product(product).name
    out = []
    for n, x, lane in zip(of, along, lanes(along, apart=APART, most=LANES), strict=True):
        run = runs[int(outcomes.run[n])]
        block = f", {run.block}" if run.block else ""
        found = outcome_figure(comparison, n, places)
        shown = found.text if found else ""
        title = f"{name}, run {run.number}{block}: {shown} {comparison.result.unit.text}".rstrip()
        out.append(Point(x=percent(x), y=percent(0.4 - LANE * lane), link=f"run-{int(outcomes.run[n])}", title=title))
    return tuple(out)


def _missing(comparison: Comparison, product: str) -> str:
    """Why a product has no level, or which of its runs have no outcome."""
    test = comparison.outcomes.test
    found: dict[str, list[str]] = {}
    for gone in comparison.outcomes.missing:
        if gone.where == f"{test}, {product}":
            found.setdefault(gone.reason, [])
        elif gone.where.startswith(f"{test}, {product} run "):
            found.setdefault(gone.reason, []).append(gone.where.rsplit(" ", 1)[1])
    return "; ".join(
        f"{'run' if len(runs) == 1 else 'runs'} {listed(runs)}: {reason}" if runs else reason
        for reason, runs in found.items()
    )


def _against(study: Study, comparison: Comparison, family: Family, place: int, places: int) -> AgainstOther:
    result = comparison.result
    signed = result.scale == "raw"
    rows = []
    for k, member in enumerate(family.members):
        verdict = family.verdict[k]
        rows.append(
            Against(
                product=named(study, member),
                link=anchor("rows", result.test, member),
                effect=figure(clean(comparison, float(family.effect[k])), places, signed=signed),
                interval=_ends(comparison, family, k, places),
                p=figure(float(family.p[k]), 4),
                verdict=word(verdict, enough=family.by_enough[k]) if verdict else None,
                said=comparison.because[place][k],
            )
        )
    return AgainstOther(other=named(study, family.other), rows=tuple(rows))


def _said(study: Study, comparison: Comparison) -> str:
    """One sentence on which products could be best."""
    if comparison.result.kind == "info" or comparison.result.like:
        return ""
    best = comparison.best.names
    if best is None:
        return f"Which product could be best: cannot say ({comparison.best.why})."
    names = [study.product(p).name for p in best]
    if not names:
        return ""
    if len(names) == 1:
        return f"{names[0]} is the only one that could be best."
    if len(names) == len(comparison.best.products):
        return f"{CLOSE.capitalize()}: any of the {counted(len(names), 'product')} could be best."
    return f"{CLOSE.capitalize()}: {listed(names)} could each be best; these data cannot part them."


def _interval_means(comparison: Comparison) -> str:
    level = percentage(comparison.level)
    if comparison.result.kind == "risk" and not comparison.result.like:
        return f"each end a one-sided {level} bound, all products considered together"
    return f"{level} interval, all products considered together"


def _bar_means(study: Study, comparison: Comparison) -> str:
    control = comparison.other
    if control is None:
        return f"where the level lies ({percentage(comparison.level)} interval for each product alone)"
    drawn = f"drawn from the level of {study.product(control).name}"
    what = "difference" if comparison.result.scale == "raw" else "ratio"
    return f"where the {what} lies, {drawn} ({_interval_means(comparison)})"


# -------------------------------------------------------------------------------------------------- brackets


def ties_of(order: Sequence[str], could: Sequence[str]) -> list[Tie]:
    """The bracket down the side of a chart, one part a row.

    >>> [t.part for t in ties_of(["a", "b", "c", "d"], ["a", "c"])]
    ['first', 'passed', 'last', '']
    >>> ties_of(["a", "b"], ["b"])[1].label
    'only this could be best'
    """
    places = [n for n, product in enumerate(order) if product in could]
    out = []
    for n in range(len(order)):
        if not places or not places[0] <= n <= places[-1]:
            out.append(Tie())
        elif len(places) == 1:
            out.append(Tie(part="alone", label="only this could be best", member=True))
        elif n not in places:
            out.append(Tie(part="passed"))
        elif n == places[0]:
            out.append(Tie(part="first", label=CLOSE, member=True))
        else:
            out.append(Tie(part="last" if n == places[-1] else "inside", member=True))
    return out


# ---------------------------------------------------------------------------------------------------- buyers


@dataclass(frozen=True, kw_only=True)
class Weight:
    """What a buyer weighs, and the parts of the whole it gets."""

    label: str
    link: str
    weight: str


@dataclass(frozen=True, kw_only=True)
class Placed:
    """One product in a buyer's chart; `product` is None for doing nothing."""

    product: Named | None
    score: Figure
    interval: tuple[Figure, Figure] | None
    first: str
    share: Figure | None
    price: Figure | None
    must: tuple[MustMet, ...]
    cheapest: bool
    steps: tuple[Figure | None, ...]
    strip: Strip
    tie: Tie

    @property
    def unproven(self) -> tuple[str, ...]:
        """Must-haves that the data leave open."""
        return tuple(m.because for m in self.must if m.status == "open")


@dataclass(frozen=True, kw_only=True)
class BuyerShown:
    """One buyer with the answer, the profile and the chart."""

    id: str
    title: str
    says: str
    weights: tuple[Weight, ...]
    musts: tuple[str, ...]
    only_if: tuple[str, ...]
    not_if: tuple[str, ...]
    frame: Frame
    rows: tuple[Placed, ...]
    left_out: tuple[tuple[Named, tuple[str, ...]], ...]
    why: tuple[str, ...]
    barred: bool
    drawn: bool
    price_unit: str
    seed: int
    notes: tuple[str, ...]


def buyers_of(analysis: Analysis) -> tuple[BuyerShown, ...]:
    """Every buyer of the study, in study order."""
    buyers = {b.id: b for b in analysis.study.buyers}
    return tuple(_buyer(analysis, buyers[p.buyer], p) for p in analysis.placings)


def _buyer(analysis: Analysis, buyer: Buyer, placing: Placing) -> BuyerShown:
    study, costs = analysis.study, analysis.prices
    ends = [*placing.low.tolist(), *placing.high.tolist()]
    axis = axis_of([0.0, *placing.score.tolist(), *ends])
    halves = ((placing.high - placing.low) / 2).tolist()
    places = decimals_for(halves, 1)
    return BuyerShown(
        id=anchor("buyer", buyer.id),
        title=buyer.title,
        says=_without_title(placing.says, buyer.title),
        weights=tuple(_weight(study, name, weight) for name, weight in buyer.weights.items()),
        musts=tuple(_must(study, m.result, m.is_, m.value.text if m.value else "", m.every_run) for m in buyer.must),
        only_if=buyer.only_if,
        not_if=buyer.not_if,
        frame=Frame(axis=axis, line=axis.at(0.0), band=None),
        rows=_placed(analysis, placing, axis, places) if placing.products else (),
        left_out=tuple((named(study, p), tuple(reason.split("; "))) for p, reason in placing.left_out),
        why=tuple(dict.fromkeys(reason for reason in placing.why.values() if reason not in placing.says)),
        barred=any(math.isfinite(x) for x in placing.low.tolist()),
        drawn=any(math.isfinite(x) for x in placing.share_first.tolist()),
        price_unit=f"{costs.unit} per {costs.per}" if costs else "",
        seed=placing.seed,
        notes=placing.notes,
    )


def _without_title(says: str, title: str) -> str:
    """The advice without the buyer's name, which stands above it."""
    text = says.removeprefix(f"{title}: ")
    return sentence(text)


def _weight(study: Study, name: str, weight: float) -> Weight:
    link = "prices" if name == "price" else result_anchor(study.result(name))
    return Weight(label=label(study, name), link=link, weight=f"{weight:g}")


def _must(study: Study, result: str, is_: str, value: str, every_run: bool) -> str:
    wanted = " ".join(part for part in (is_, value, "in every run" if every_run else "") if part)
    return f"{label(study, result)}, {wanted}"


def _placed(analysis: Analysis, placing: Placing, axis: Axis, places: int) -> tuple[Placed, ...]:
    """The placed products, best score first, with "do nothing" where its score of 0 puts it."""
    costs = analysis.prices
    nothing = next((n for n, s in enumerate(placing.score.tolist()) if s < 0), len(placing.products))
    order = [*placing.products[:nothing], "", *placing.products[nothing:]]
    ties = ties_of(order, placing.could_be_best or ())
    out = []
    for product, tie in zip(order, ties, strict=True):
        if not product:
            out.append(_nothing(axis, places, len(placing.steps), costs is not None, tie))
            continue
        k = placing.products.index(product)
        low, high, score = float(placing.low[k]), float(placing.high[k]), float(placing.score[k])
        price = costs.of.get(product) if costs else None
        out.append(
            Placed(
                product=named(analysis.study, product),
                score=figure(score, places) or Figure(value=score, text="–"),
                interval=_pair(low, high, places),
                first=share(float(placing.share_first[k])).replace(" %", "\u00a0%"),
                share=figure(float(placing.share_first[k]), 2),
                price=figure(price, 2),
                must=placing.must[k],
                cheapest=product == placing.cheapest and len(placing.could_be_best or ()) > 1,
                steps=tuple(figure(float(s[k]), 2, signed=True) for s in placing.steps.values()),
                strip=Strip(dot=axis.at(score), bar=_bar(axis, low, high)),
                tie=tie,
            )
        )
    return tuple(out)


def _nothing(axis: Axis, places: int, steps: int, priced: bool, tie: Tie) -> Placed:
    return Placed(
        product=None,
        score=figure(0.0, places) or Figure(value=0.0, text="0"),
        interval=None,
        first="",
        share=None,
        price=figure(0.0, 2) if priced else None,
        must=(),
        cheapest=False,
        steps=tuple(figure(0.0, 2) for _ in range(steps)),
        strip=Strip(dot=axis.at(0.0)),
        tie=tie,
    )
