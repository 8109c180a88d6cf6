"""What one use of a product costs. Known, without noise; lower is better; doing nothing costs nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from evenbench.measure.formula import evaluate, names
from evenbench.measure.units import Quantity
from evenbench.measure.wording import listed, number, with_unit
from evenbench.study.model import Price, Product, Study

MIDDLE = "where a label gives a range of doses, scores use the middle: the average of the prices at its two ends"


@dataclass(frozen=True, kw_only=True)
class Prices:
    """Price of one use by product id, in `unit`; None with a reason in `why` where it cannot be computed.

    of      for a label that gives a range of doses, the middle: the average of the prices at its two ends
    ranges  the prices at those two ends, the lower first, for such labels alone
    """

    unit: str
    per: str
    of: Mapping[str, float | None]
    why: Mapping[str, str]
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def said(self, product: str) -> str:
        """The price of one use in words.

        >>> prices = Prices(unit="EUR", per="go", of={"a": 3.5}, why={}, ranges={"a": (2.0, 5.0)})
        >>> prices.said("a")
        '2.00 to 5.00 EUR per go (3.50 in the middle)'
        """
        middle = number(self.of[product] or 0.0)
        if product not in self.ranges:
            return f"{with_unit(middle, self.unit)} per {self.per}"
        low, high = (number(end) for end in self.ranges[product])
        return f"{low} to {with_unit(high, self.unit)} per {self.per} ({middle} in the middle)"


def prices(study: Study) -> Prices | None:
    """Prices of candidates and placebos (0 for controls); None where the study has no [price]."""
    if study.price is None:
        return None
    needed = [name.removeprefix("product.") for name in names(study.price.formula)]
    of: dict[str, float | None] = {}
    why: dict[str, str] = {}
    ranges: dict[str, tuple[float, float]] = {}
    for product in study.products:
        if product.role == "reference":
            continue
        if product.role == "control":
            of[product.id] = 0.0
            continue
        missing = [fact for fact in needed if getattr(product, fact) is None]
        of[product.id] = None
        if missing:
            why[product.id] = f"no {listed(missing, last='or')} is stated"
            continue
        doses = product.dose_range if product.dose_range and "dose" in needed else (product.dose,)
        ends = [_at(study.price, product, needed, dose) for dose in doses]
        if not np.isfinite(ends).all():
            why[product.id] = "the price formula has no value for it"
            continue
        of[product.id] = sum(ends) / len(ends)
        if len(ends) > 1:
            ranges[product.id] = (min(ends), max(ends))
    return Prices(unit=study.price.unit.text, per=study.price.per, of=of, why=why, ranges=ranges)


def _at(price: Price, product: Product, needed: list[str], dose: Quantity | None) -> float:
    """The price of one use at one dose; nan where the formula has no value."""
    stated = {"price": product.price, "pack": product.pack, "dose": dose}
    given = {f"product.{fact}": q.si for fact, q in stated.items() if fact in needed and q is not None}
    value = float(np.asarray(evaluate(price.formula, given)))
    return float(price.unit.from_si(value))
