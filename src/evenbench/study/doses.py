"""Doses and the price of one use: what the label says one use takes, and whether the price formula works out."""

from __future__ import annotations

import re
from collections.abc import Mapping

from evenbench.measure.errors import FormulaError
from evenbench.measure.formula import Formula, Sort, dimension, names
from evenbench.measure.units import Dims, Quantity, describe, parse_unit
from evenbench.measure.wording import listed
from evenbench.study.checks import FACTS, Checks
from evenbench.study.file import DoseTable, TestTable
from evenbench.study.model import Product
from evenbench.study.notes import Path

_NUMBER = r"[0-9]+(?:\.[0-9]+)?"
_RANGE = re.compile(rf"(?P<low>{_NUMBER})\.\.(?P<high>{_NUMBER})(?P<rest>.*)")
_GREATEST_SHARE = 1000.0

Dose = tuple[Quantity, tuple[Quantity, Quantity] | None]
"""What one use takes: the middle, and the two ends where the label gives a range."""


def dose(path: Path, table: str | DoseTable | None, checks: Checks) -> Dose | None:
    """What the label says one use takes, from an amount or from an amount for so many uses."""
    if not isinstance(table, DoseTable):
        amount = checks.above_zero(path, table, "a dose")
        return (amount, None) if amount else None
    amount = checks.above_zero((*path, "amount"), table.amount, "a dose")
    uses = _uses((*path, "per"), table.per, checks)
    if amount is None or uses is None:
        return None
    few, many = uses
    text = f"{amount.text} per {table.per}"
    ends = tuple(Quantity(amount.value / n, amount.unit, f"{amount.value / n:.4g} {amount.unit.text}") for n in uses)
    if few == many:
        return Quantity(amount.value / few, amount.unit, text), None
    middle = (amount.value / few + amount.value / many) / 2
    return Quantity(middle, amount.unit, text), (ends[1], ends[0])


def _uses(path: Path, text: str, checks: Checks) -> tuple[float, float] | None:
    """For how many uses a dose is: the fewest and the most."""
    found = re.fullmatch(rf"(?P<low>{_NUMBER})(?:\.\.(?P<high>{_NUMBER}))?(?: +(?P<what>[^0-9].*))?", text)
    if found is None:
        write = 'Write it as in "2 jacket" or "1..2 jacket".'
        checks.notes.add(path, text, "this is no number of uses.", write)
        return None
    low, high = float(found["low"]), float(found["high"] or found["low"])
    price, what = checks.declared.price, found["what"]
    if price is not None and what is not None and what not in (price.per, f"{price.per}s"):
        why = f"one use is one {price.per} by [price], and this counts something else."
        checks.notes.add(path, text, why, f'Write how many of "{price.per}" the dose is for.')
        return None
    return (low, high) if _in_order(path, text, low, high, checks) else None


def _in_order(path: Path, text: str, low: float, high: float, checks: Checks) -> bool:
    if low <= 0:
        checks.notes.add(path, text, "this is above 0.", "Correct it, or leave it out.")
    elif low > high:
        checks.notes.add(path, text, "the first end is above the second.", "Write the lower end first.")
    return 0 < low <= high


# ------------------------------------------------------------------------------------------- applied on the bench


def applied_dose(path: Path, table: TestTable, checks: Checks) -> tuple[Quantity, Quantity] | None:
    """What was applied in one use, where `applied` gives a dose: the least and the most."""
    given = table.applied.get("dose")
    at: Path = (*path, "applied", "dose")
    if given is None:
        return None
    if "share_of_dose" in table.applied:
        why = "the test gives its dose twice, as an amount and as a share of the label's."
        checks.notes.add(at, given, why, "Leave one of the two out.")
        return None
    if not isinstance(given, str):
        checks.notes.add(at, given, "a dose has a unit.", f'Write it as in "{given:g} mL".')
        return None
    if found := _RANGE.fullmatch(given):
        low = checks.above_zero(at, f"{found['low']}{found['rest']}", "a dose")
        high = checks.above_zero(at, f"{found['high']}{found['rest']}", "a dose") if low else None
        if low is None or high is None or not _in_order(at, given, low.value, high.value, checks):
            return None
        return low, high
    amount = checks.above_zero(at, given, "a dose")
    return (amount, amount) if amount else None


def applied_share(path: Path, table: TestTable, checks: Checks) -> tuple[float, float] | None:
    """What was applied as multiples of each label's dose, where `applied` gives a share of it."""
    given = table.applied.get("share_of_dose")
    at: Path = (*path, "applied", "share_of_dose")
    if given is None:
        return None
    found = re.fullmatch(rf"(?P<low>{_NUMBER})(?:\.\.(?P<high>{_NUMBER}))?", str(given))
    if found is None:
        why = "this is no multiple of the label's dose."
        checks.notes.add(at, given, why, 'Write a number, as in 4, or a range, as in "4..6".')
        return None
    low, high = float(found["low"]), float(found["high"] or found["low"])
    if high > _GREATEST_SHARE:
        why = f"this is more than {_GREATEST_SHARE:,.0f} times the label's dose."
        checks.notes.add(at, given, why, "Correct it, or leave it out.")
        return None
    return (low, high) if _in_order(at, str(given), low, high, checks) else None


# ------------------------------------------------------------------------------------------------ price of one use


def check_price(path: Path, formula: Formula, money: Dims, products: Mapping[str, Product], checks: Checks) -> None:
    """Note each product whose price, pack and dose do not come to money, or the formula where none could.

    Packs in mL and packs in g may stand on one shelf: the formula is checked with each product's own facts. A
    product that lacks one of them has no price, and that is no mistake.
    """
    needed = [fact for fact in FACTS if f"product.{fact}" in names(formula)]
    whole = [p for p in products.values() if p.role in ("candidate", "placebo") and not _lacks(p, needed)]
    amounts = {p.id: _amounts_to(formula, _sorts(p)) for p in whole}
    wrong = [p for p in whole if amounts[p.id] != (money, "ratio")]
    if whole and (len(wrong) < len(whole) or _works_alike(formula, money, needed)):
        for product in wrong:
            _note_product(product, needed, amounts[product.id], products, checks)
        return
    stated = {name: sort for p in reversed(list(products.values())) for name, sort in _sorts(p).items()}
    sort = checks.sort(path, formula, stated | (_sorts(whole[0]) if whole else {}))
    if sort is not None and sort[0] != money:
        why = f"the formula gives {describe(sort[0])}, and a price is in {checks.currency}."
        write = 'Write it as in "product.price / product.pack * product.dose".'
        checks.notes.add(path, formula.text, why, write)


def _lacks(product: Product, needed: list[str]) -> bool:
    return any(getattr(product, fact) is None for fact in needed)


def _sorts(product: Product) -> dict[str, Sort]:
    stated: dict[str, Quantity | None] = {fact: getattr(product, fact) for fact in FACTS}
    return {f"product.{fact}": (q.unit.dims, q.unit.scale) for fact, q in stated.items() if q is not None}


def _amounts_to(formula: Formula, sorts: Mapping[str, Sort]) -> Sort | None:
    try:
        return dimension(formula, sorts)
    except FormulaError:
        return None


def _works_alike(formula: Formula, money: Dims, needed: list[str]) -> bool:
    """Whether the formula would come to money if pack and dose were of one sort, whichever it is."""
    some = parse_unit("g").dims
    sorts: dict[str, Sort] = {f"product.{fact}": (some, "ratio") for fact in needed}
    return _amounts_to(formula, sorts | {"product.price": (money, "ratio")}) == (money, "ratio")


def _note_product(
    product: Product, needed: list[str], amounts: Sort | None, products: Mapping[str, Product], checks: Checks
) -> None:
    """Note a product whose facts do not fit together, at the one that no other product states in its sort."""
    others = [_sorts(p) for p in products.values() if p.id != product.id]
    mine = _sorts(product)
    facts = [fact for fact in ("dose", "pack") if fact in needed]
    alone = [f for f in facts if all(o.get(f"product.{f}") != mine[f"product.{f}"] for o in others)]
    fact = (alone or facts)[0]
    is_ = [f"the {f} is {describe(mine[f'product.{f}'][0])}" for f in reversed(facts)]
    comes = f"the price formula gives {describe(amounts[0])}" if amounts else "the price formula does not add up"
    like = next((f for f in facts if f != fact and mine[f"product.{f}"] != mine[f"product.{fact}"]), None)
    if like is None:
        write = f"Correct the {fact}, or the formula of [price]."
    else:
        write = f"Write the {fact} as {describe(mine[f'product.{like}'][0])}, or correct the {like}."
    path: Path = ("products", product.id, fact)
    if fact == "dose" and isinstance(checks.declared.products[product.id].dose, DoseTable):
        path = (*path, "amount")
    given: Quantity = getattr(product, fact)
    checks.notes.add(path, given.text, f"{listed(is_)}, so {comes}.", write)
