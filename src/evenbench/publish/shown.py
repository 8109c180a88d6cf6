"""Figures, words and links as the report shows them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from evenbench.analysis import Analysis
from evenbench.compare.comparison import Comparison
from evenbench.measure.wording import bounded, counted, decimals, number, with_unit
from evenbench.publish.axis import power
from evenbench.study.model import Result, Study

LARGE, SMALL = 1e8, 1e-4  # beyond these a figure is printed with a power of ten
ROLES = {"control": "control", "placebo": "placebo", "reference": "reference", "candidate": ""}

# Each word has a mark of its own shape; the tone only repeats in colour what shape and word say.
TONES = {
    "better": "good",
    "supported": "good",
    "worse": "bad",
    "harm": "bad",
    "contradicted": "bad",
}


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A number at full precision and as printed."""

    value: float
    text: str


def figure(value: float | None, places: int, *, signed: bool = False) -> Figure | None:
    """A number for the page, with a true minus sign, and a power of ten where it would grow too long for a table.

    None where there is no number.

    >>> figure(-27.345, 1).text, figure(3.0, 1, signed=True).text, figure(float("nan"), 1)
    ('−27.3', '+3.0', None)
    >>> figure(280647500000.0, 0).text, figure(0.0000030124, 9).text
    ('2.806×10¹¹', '3.012×10⁻⁶')
    """
    if value is None or not math.isfinite(value):
        return None
    if abs(value) >= LARGE or (0 < abs(value) < SMALL and places > 5):
        text = power(float(value), min(max(places + math.floor(math.log10(abs(value))), 1), 3))
    else:
        text = number(float(value), places).replace("-", "−")
    if signed and value > 0 and any(digit in text for digit in "123456789"):
        text = f"+{text}"
    return Figure(value=float(value), text=text)


@dataclass(frozen=True, kw_only=True)
class Word:
    """A verdict with its mark and tone, and what "by enough to matter" adds."""

    text: str
    tone: str
    mark: str
    also: str = ""


def word(text: str, *, enough: bool | None = None) -> Word:
    """A verdict for the page.

    >>> word("no harm shown").mark, word("harm", enough=True).also
    ('no-harm-shown', 'by enough to matter')
    """
    also = ""
    if text in ("better", "worse", "harm") and enough is not None:
        also = "by enough to matter" if enough else "perhaps by too little to matter"
    return Word(text=text, tone=TONES.get(text, "plain"), mark=text.replace(" ", "-"), also=also)


@dataclass(frozen=True, kw_only=True)
class Named:
    """A product as it is named on the page: its role is "" for a candidate."""

    id: str
    name: str
    role: str


def named(study: Study, product: str) -> Named:
    """A product of the study, for the page."""
    found = study.product(product)
    return Named(id=product, name=found.name, role=ROLES[found.role])


def words(id: str) -> str:
    """An id as words.

    >>> words("first_drop")
    'first drop'
    """
    return id.replace("_", " ")


def label(study: Study, name: str) -> str:
    """A result, or the price, in words: its test's title and its own name."""
    if name == "price":
        return f"price per {study.price.per}" if study.price else "price"
    result = study.result(name)
    return f"{study.test(result.test).title}: {words(result.id)}"


def sentence(text: str) -> str:
    """A text with a capital letter, unless its first word is a name as the study spells it.

    >>> sentence("nothing was run twice."), sentence("shower.uptake: same")
    ('Nothing was run twice.', 'shower.uptake: same')
    """
    first = text.split(" ", 1)[0].rstrip(".,:;")
    return text if "." in first or "_" in first else text[:1].upper() + text[1:]


def anchor(*parts: str) -> str:
    """The id of a place on the page; study ids hold no hyphen, so that no two places share one.

    >>> anchor("at", "shower", "first_drop", "ostrel")
    'at-shower-first_drop-ostrel'
    """
    return "-".join(parts)


def result_anchor(result: Result) -> str:
    """Where a result stands on the page."""
    return anchor("result", result.test, result.id)


def unit_of(result: Result) -> str:
    """The unit in words, also where there is none."""
    words_ = {"grade": "yes or no" if result.is_yes_or_no else "grades", "category": "categories", "place": "places"}
    unit = result.difference_unit if result.is_distance else result.unit.text
    return words_.get(result.outcome) or unit or "no unit"


def values_text(comparison: Comparison, k: int) -> str:
    """Of a result near a value, where the values of one product lie: "24.1 mm on average, 1.1 mm above the target".

    "" where there are none.
    """
    near, target = comparison.near, comparison.result.target
    if near is None or target is None or near.side[k] is None:
        return ""
    places = step_places(comparison) + 1
    away, unit = abs(float(near.mean[k]) - near.target), comparison.result.difference_unit
    mean = with_unit(number(float(near.mean[k]), places), target.unit.text)
    if near.side[k] == "on it":
        return f"{mean} on average, on the target"
    runs = int(comparison.count[k])
    with_it = int(near.above[k] if near.side[k] == "above" else near.below[k])
    mixed = "" if with_it == runs else f" ({with_it} of {counted(runs, 'run')})"
    return f"{mean} on average, {with_unit(number(away, places), unit)} {near.side[k]} the target{mixed}"


def effect_unit(result: Result) -> str:
    """What effects are in: the unit of a difference, or a ratio."""
    return {"log": "ratio", "logit": "ratio of odds"}.get(result.scale, result.difference_unit)


def outcome_figure(comparison: Comparison, n: int, places: int) -> Figure | None:
    """One run's outcome: a number, or the name of its level."""
    value = float(comparison.outcomes.value[n])
    levels = comparison.result.levels
    if levels:
        return Figure(value=value, text=levels[int(value)])
    return figure(clean(comparison, value), places)


def percentage(level: float) -> str:
    """A level of confidence.

    >>> percentage(0.95), percentage(0.975)
    ('95 %', '97.5 %')
    """
    return f"{round(100 * level, 6):g} %"


def as_read(comparison: Comparison, k: int) -> str:
    """Outcomes of one product that no model holds, as they were read: counts, a mean place, bounds.

    Counts stand in the order of the levels: "80: 3, 90: 1".
    """
    if comparison.counts is not None:
        pairs = zip(comparison.result.levels, comparison.counts[k], strict=True)
        return ", ".join(f"{level}: {n}" for level, n in pairs if n)
    if comparison.result.outcome == "place":
        return f"mean place {number(float(comparison.mean[k]), 1)}" if comparison.count[k] else ""
    product = comparison.products[k]
    bounds = [bounded(b.low, b.high) for b in comparison.outcomes.beyond if b.product == product]
    values = [f"{v:.4g}" for v in comparison.outcomes.value[comparison.outcomes.of(product)]]
    times = Counter(values + bounds)
    return ", ".join(text if n == 1 else f"{text} ({n} runs)" for text, n in times.items())


def places_of(comparison: Comparison) -> int:
    """Decimals for one result's table, the same in every row.

    Two figures of the narrowest interval against the control; without intervals, no finer than the instrument.
    """
    halves = [
        float(high - low) / 2
        for family in comparison.families
        if family.other == comparison.other
        for low, high in zip(family.low, family.high, strict=True)
    ]
    if not any(math.isfinite(half) for half in halves):
        halves = [float(high - low) / 2 for low, high in zip(comparison.low, comparison.high, strict=True)]
    known = [half for half in halves if math.isfinite(half) and half > 0]
    if known:
        return decimals(min(known))
    return step_places(comparison)


def end_places(comparison: Comparison, low: float, high: float, places: int) -> int:
    """Decimals for the ends of a difference or ratio: more where an end would print as a mark that it misses.

    The marks are no difference and the smallest difference that matters, which verdicts are read from.
    """
    if not math.isfinite(low):
        return places
    matters, by_ratio = comparison.matters, comparison.result.scale != "raw"
    marks = [1.0 if by_ratio else 0.0]
    if matters is not None:
        marks += [math.exp(matters), math.exp(-matters)] if by_ratio else [matters, -matters]
    pairs = [(end, mark) for end in (low, high) for mark in marks if end != mark]
    while places < 6 and any(number(end, places) == number(mark, places) for end, mark in pairs):
        places += 1
    return places


def clean(comparison: Comparison, value: float) -> float:
    """A figure of a result, and 0 where it is less than a millionth of what its readings can tell apart.

    Sums of readings that cancel leave 1e-15 or so, which is no figure.
    """
    own = [float(u) for u in comparison.outcomes.own if math.isfinite(u) and u > 0]
    values = comparison.outcomes.value
    least = min(own) * math.sqrt(12) if own else 1e-6 * float(abs(values).max()) if len(values) else 0.0
    return 0.0 if abs(value) < 1e-6 * least else value


def plain_mean(comparison: Comparison, k: int) -> float:
    """The mean of a product's runs where it has no level and is not shown as read; nan anywhere else."""
    if comparison.products[k] in comparison.unfitted or math.isfinite(comparison.estimate[k]):
        return math.nan
    return clean(comparison, float(comparison.mean[k]))


def mean_places(comparison: Comparison, k: int) -> int:
    """Decimals for a plain mean: those of a single run, and one more for several."""
    return step_places(comparison) + int(comparison.count[k] > 1)


NO_LEVEL = "mean of its runs, no level"


def level_places(comparison: Comparison) -> int:
    """Decimals for levels: those of the differences from the control, unless these are ratios."""
    if comparison.result.scale == "raw":
        return places_of(comparison)
    halves = [float(high - low) / 2 for low, high in zip(comparison.low, comparison.high, strict=True)]
    return decimals_for(halves, step_places(comparison))


def step_places(comparison: Comparison) -> int:
    """Decimals that the instrument's finest step comes to in the result: single runs are printed with them."""
    own = [float(u) for u in comparison.outcomes.own if math.isfinite(u) and u > 0]
    if not own:
        values = comparison.outcomes.value
        return decimals(float(values.max() - values.min()) / 10) if len(values) > 1 else 2
    # `own` is a step divided by the square root of 12.
    return min(max(math.ceil(-math.log10(min(own) * math.sqrt(12)) - 1e-9), 0), 9)


def decimals_for(halves: Iterable[float], otherwise: int) -> int:
    """Decimals that show two figures of the narrowest of some half-widths."""
    known = [half for half in halves if math.isfinite(half) and half > 0]
    return decimals(min(known)) if known else otherwise


def matters_text(comparison: Comparison) -> str:
    """The smallest difference that matters, as declared, and what it comes to where it is a share."""
    margin = comparison.result.matters
    if margin is None:
        return ""
    if not margin.share_of_control or comparison.result.scale == "log":
        return margin.text
    if comparison.result.scale == "logit":
        return f"{margin.text}, of the odds"
    unit = comparison.result.difference_unit
    if comparison.matters is None:
        return f"{margin.text}, which has no value here"
    return f"{margin.text}: {number(comparison.matters, decimals(comparison.matters))} {unit}".rstrip()


def run_counts(analysis: Analysis, test: str) -> dict[str, int]:
    """Runs written down for each product of a test, in study order."""
    counts = dict.fromkeys(analysis.study.test(test).products, 0)
    for n in analysis.readings.of_test(test):
        counts[analysis.readings.runs[n].product] += 1
    return counts
