"""What one use of a product costs. Known, without noise; lower is better; doing nothing costs nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenbench.measure.formula import evaluate, names
from evenbench.measure.wording import listed
from evenbench.study.model import Study


@dataclass(frozen=True, kw_only=True)
class Prices:
    """Price of one use by product id, in `unit`; None with a reason in `why` where it cannot be computed."""

    unit: str
    per: str
    of: Mapping[str, float | None]
    why: Mapping[str, str]


def prices(study: Study) -> Prices | None:
    """Prices of candidates and placebos (0 for controls); None where the study has no [price]."""
    if study.price is None:
        return None
    needed = [name.removeprefix("product.") for name in names(study.price.formula)]
    of: dict[str, float | None] = {}
    why: dict[str, str] = {}
    for product in study.products:
        if product.role == "reference":
            continue
        if product.role == "control":
            of[product.id] = 0.0
            continue
        stated = {fact: getattr(product, fact) for fact in needed}
        missing = [fact for fact, value in stated.items() if value is None]
        of[product.id] = None
        if missing:
            why[product.id] = f"no {listed(missing, last='or')} is stated"
            continue
        value = float(np.asarray(evaluate(study.price.formula, {f"product.{k}": v.si for k, v in stated.items()})))
        if np.isfinite(value):
            of[product.id] = float(study.price.unit.from_si(value))
        else:
            why[product.id] = "the price formula has no value for it"
    return Prices(unit=study.price.unit.text, per=study.price.per, of=of, why=why)
