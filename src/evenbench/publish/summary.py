"""The answer in the terminal: questions, buyers, results, precautions, and what was not used."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from evenbench.analysis import Analysis
from evenbench.compare.comparison import Comparison
from evenbench.compare.derived import ANYTHING, Derived
from evenbench.measure.wording import decimals, listed, number
from evenbench.publish.shown import (
    NO_LEVEL,
    as_read,
    clean,
    end_places,
    mean_places,
    plain_mean,
    unit_of,
    values_text,
    words,
)
from evenbench.rank.placing import Placing

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table


def show(analysis: Analysis, console: Console) -> None:
    """Print everything a tester asks first, in the order they ask it."""
    _heading(console, analysis.study.title)
    for answer in analysis.answers:
        console.print(answer.question.asks, markup=False)
        console.print(f"  {answer.answer or 'Open.'}", markup=False)
        console.print(f"  {answer.because}", markup=False, style="dim")
    left = [f'"{a.question.asks}"' for a in analysis.answers if a.answer is None]
    if left:
        console.print(f"Left open: {listed(left)}", markup=False)
    for placing in analysis.placings:
        _buyer(analysis, placing, console)
    for comparison in analysis.comparisons:
        _result(analysis, comparison, console)
    for derived in analysis.derived:
        _derived(analysis, derived, console)
    _claims(analysis, console)
    precautions = analysis.study_precautions
    _heading(console, f"Precautions: {precautions}")
    for item in precautions.items:
        mark = {1: "taken", 0.5: "half taken"}.get(item.taken, "not taken")
        console.print(f"  {item.name}: {mark} ({item.because})", markup=False)
    for said in precautions.beside:
        console.print(f"  Procedure changed: {said}", markup=False)
    if analysis.doubts:
        count = len(analysis.doubts)
        _heading(console, f"Look at {'this' if count == 1 else f'these {count}'} again; used as typed")
        for doubt in analysis.doubts:
            console.print(f"  {doubt}", markup=False)
    if analysis.not_used:
        _heading(console, "Not used")
        for note in analysis.not_used:
            console.print(f"  {note.row}: {note.reason}", markup=False)
    _plain_ranks(analysis, console)


def _plain_ranks(analysis: Analysis, console: Console) -> None:
    table = analysis.plain_table
    if table is None:
        return
    names = {p.id: p.name for p in analysis.study.products}
    _heading(console, "What a plain rank table would say")
    shown = _table(("", "left"), ("average place", "right"), *((name, "right") for name in table.results))
    for row in table.rows:
        places = ["" if p is None else f"{p:g}" for p in row.places.values()]
        shown.add_row(_plain(names[row.product]), "" if row.average is None else number(row.average), *places)
    console.print(shown)
    console.print(f"  {table.says} {table.wrong}", markup=False)


def _heading(console: Console, text: str) -> None:
    console.print()
    console.print(text, style="bold", markup=False)


def _table(*columns: tuple[str, str]) -> Table:
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for name, side in columns:
        table.add_column(name, justify="right" if side == "right" else "left", no_wrap=side == "right")
    return table


def _buyer(analysis: Analysis, placing: Placing, console: Console) -> None:
    names = {p.id: p.name for p in analysis.study.products}
    console.print()
    console.print(placing.says, style="bold", markup=False)
    if placing.products:
        table = _table(("", "left"), ("steps", "right"), ("between", "right"), ("comes first", "right"), ("", "left"))
        for k, product in enumerate(placing.products):
            low, high = float(placing.low[k]), float(placing.high[k])
            places = decimals((high - low) / 2) if high > low else 1
            unproven = [m.because for m in placing.must[k] if m.status == "open"]
            table.add_row(
                _plain(names[product]),
                number(float(placing.score[k]), places),
                f"{number(low, places)} to {number(high, places)}" if math.isfinite(low) else "",
                share(float(placing.share_first[k])),
                _plain("unproven: " + "; ".join(unproven)) if unproven else "",
            )
        console.print(table)
    for note in placing.notes:
        console.print(f"  {note}", markup=False)
    for product, reason in placing.left_out:
        console.print(f"  {names[product]} is not placed: {reason}", markup=False)


def share(value: float) -> str:
    """A sureness as printed: whole percent, since 20,000 draws support no more.

    >>> share(0.4567), share(0.0), share(0.9999), share(float("nan"))
    ('46 %', 'under 1 %', 'over 99 %', '')
    """
    if not math.isfinite(value):
        return ""
    if value < 0.01:
        return "under 1 %"
    return "over 99 %" if value > 0.99 else f"{100 * value:.0f} %"


def _result(analysis: Analysis, comparison: Comparison, console: Console) -> None:
    names = {p.id: p.name for p in analysis.study.products}
    result = comparison.result
    test = analysis.study.test(result.test)
    which = f", like {names[result.like]} is best" if result.like else f", {result.wanted}" if result.wanted else ""
    unit = f" in {unit_of(result)}" if result.outcome == "number" else ""
    kind = f"{result.kind}, yes or no, shown as counts" if result.is_yes_or_no else result.kind
    _heading(console, f"{test.title}: {words(result.id)}{unit} ({kind}{which})")
    for flag in comparison.flags:
        console.print(f"  {flag}", markup=False)
    control, other = comparison.outcomes.control, comparison.other
    compared = {"log": "ratio to the control", "logit": "odds, ratio to the control"}.get(
        result.scale, f"against {names[other]}" if other and other != control else "against the control"
    )
    if result.is_distance:
        compared = f"distance {compared}"
    level_is = "distance" if result.is_distance else "level"
    table = _table(("", "left"), ("runs", "right"), (level_is, "right"), (compared, "right"), ("", "left"))
    for k, product in enumerate(comparison.products):
        table.add_row(_plain(names[product]), str(comparison.runs_of(product)), *_figures(comparison, k))
    console.print(table)
    for k, product in enumerate(comparison.products):
        if values := values_text(comparison, k):
            console.print(f"  {names[product]}: values {values}", markup=False)
    if result.kind != "info" and not result.like:
        best = comparison.best.names
        if best is None:
            console.print(f"  Which could be best: cannot say ({comparison.best.why}).", markup=False)
        else:
            ending = "" if len(best) == 1 else "; too close to call between them"
            console.print(f"  Could be best: {', '.join(names[p] for p in best)}{ending}.", markup=False)


def _figures(comparison: Comparison, k: int) -> tuple[str, str, str]:
    """The level of one product, its difference from the other with its interval, and the word."""
    result, product = comparison.result, comparison.products[k]
    role = "control" if product == comparison.outcomes.control else "to be like" if product == result.like else ""
    if product in comparison.unfitted:
        return as_read(comparison, k), "", role or ("cannot say" if result.kind != "info" else "")
    half, mean = float(comparison.high[k] - comparison.low[k]) / 2, plain_mean(comparison, k)
    places = decimals(half) if math.isfinite(half) else mean_places(comparison, k) if math.isfinite(mean) else 2
    shown = mean if math.isfinite(mean) else clean(comparison, float(comparison.estimate[k]))
    level = number(shown, places) if math.isfinite(shown) else ""
    span, word = _against_other(comparison, product, places)
    told = [NO_LEVEL if math.isfinite(mean) else "", word or role]
    return level, span, "; ".join(part for part in told if part)


def _against_other(comparison: Comparison, product: str, places: int) -> tuple[str, str]:
    """The difference from the other with its interval, and the verdict; "" where there is none."""
    found = comparison.against(comparison.other, product) if comparison.other else None
    if found is None:
        return "", ""
    family, m = found
    word = f"{family.verdict[m] or ''}"
    if family.by_enough[m]:
        word += ", by enough to matter"
    low, high, effect = (clean(comparison, float(x[m])) for x in (family.low, family.high, family.effect))
    if math.isfinite(low):
        digits = end_places(comparison, low, high, decimals((high - low) / 2))
        return f"{number(effect, digits)} ({number(low, digits)} to {number(high, digits)})", word
    return number(effect, places) if math.isfinite(effect) else "", word


def _derived(analysis: Analysis, derived: Derived, console: Console) -> None:
    """A derived result: what it comes to for each product, each alone."""
    names = {p.id: p.name for p in analysis.study.products}
    _heading(console, f"{derived.label} in {derived.result.unit.text or 'no unit'} (derived, for information)")
    table = _table(("", "left"), ("level", "right"), ("between", "right"), ("", "left"))
    for k, product in enumerate(derived.products):
        level, span, why = derived_texts(derived, k)
        table.add_row(_plain(names[product]), level, span, _plain(why))
    console.print(table)
    for note in derived.notes:
        console.print(f"  {note}", markup=False)


def derived_texts(derived: Derived, k: int) -> tuple[str, str, str]:
    """The figure of one product, its interval, and why one of them is absent; "" where there is nothing to say."""
    places = derived.digits(k)
    estimate, low, high = float(derived.estimate[k]), float(derived.low[k]), float(derived.high[k])
    level = number(estimate, places) if math.isfinite(estimate) else ""
    span = f"{number(low, places)} to {number(high, places)}" if math.isfinite(low) else ""
    return level, ANYTHING if derived.open[k] else span, derived.why.get(derived.products[k], "")


def _claims(analysis: Analysis, console: Console) -> None:
    if not analysis.claims:
        return
    names = {p.id: p.name for p in analysis.study.products}
    _heading(console, "Claims")
    table = _table(("", "left"), ("", "left"), ("", "left"))
    for judged in analysis.claims:
        table.add_row(_plain(names[judged.product]), _plain(judged.claim.says), judged.verdict)
    console.print(table)


def _plain(text: str) -> str:
    """Text from the study, safe from being taken for markup."""
    from rich.markup import escape

    return escape(text)
