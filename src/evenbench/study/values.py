"""What the cells of a declared reading say: bounds on a number, a level, a place, or why nothing and what to write."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.errors import suggest
from evenbench.study.cells import DID_NOT_FINISH, Span, advice, span
from evenbench.study.columns import Texts
from evenbench.study.dialect import Dialect, Refusal, plain_number, split_unit
from evenbench.study.model import DeclaredReading

Floats = NDArray[np.float64]

_SIMPLE = re.compile(r"[+-]?[0-9]{1,15}(?:\.([0-9]{1,15}))?")


@dataclass(frozen=True)
class PlainNumbers:
    """Of each distinct text, the number it simply is, and its last place; nan where it is more than a plain number."""

    value: Floats
    step: Floats


def plain_numbers(column: Texts, dialect: Dialect) -> PlainNumbers:
    """The plain numbers of a column, as its dialect writes them."""
    value = np.full(len(column.distinct), np.nan)
    places = np.zeros(len(column.distinct), dtype=np.int64)
    if dialect.mark == ".":
        match = _SIMPLE.fullmatch
        for code in column.used():
            found = match(column.distinct[code])
            # Thirty figures at most: nothing here is too large or too small to compute with.
            if found is not None:
                value[code] = float(found[0])
                places[code] = found.end(1) - found.start(1) if found[1] else 0
    steps = np.array([float(f"1e-{n}") for n in range(16)])
    return PlainNumbers(value, steps[places])


def understood(
    typed: str, declared: DeclaredReading, dialect: Dialect, same_unit: Callable[[str, DeclaredReading], bool]
) -> Span | tuple[str, str]:
    """What a cell says, or why it says nothing and what to write."""
    if declared.is_number:
        return _number_cell(typed, declared, dialect, same_unit)
    if declared.kind == "text":
        return Span(np.nan, np.nan, 0.0)
    if declared.kind == "place":
        if typed.casefold() == DID_NOT_FINISH:
            return Span(np.inf, np.inf, 1.0)
        if re.fullmatch(r"[1-9][0-9]{0,3}", typed):
            return Span(float(typed), float(typed), 1.0)
        return (
            "a place is a whole number, 1 for the first.",
            f"Equal places are equal numbers; or write {DID_NOT_FINISH}.",
        )
    levels = [level.casefold() for level in declared.levels]
    if typed.casefold() in levels:
        place = float(levels.index(typed.casefold()))
        return Span(place, place, 1.0)
    return f"this is no level of {declared.id}.", suggest(typed, list(declared.levels))


def _number_cell(
    typed: str, declared: DeclaredReading, dialect: Dialect, same_unit: Callable[[str, DeclaredReading], bool]
) -> Span | tuple[str, str]:
    if typed.casefold() == DID_NOT_FINISH:
        if declared.limit is None:
            why = f"nothing says how far {declared.id} went before it was given up."
            return why, f'Add limit = "600 {declared.unit.text}" (or yours) to the reading in the study.'
        return Span(declared.limit, np.inf, 1.0)
    figures, unit = split_unit(typed)
    if unit and not same_unit(unit, declared):
        return advice(typed, declared.unit.text)
    plain = plain_number(figures, dialect)
    if isinstance(plain, Refusal):
        return plain.why, plain.write
    found = span(plain, clock=declared.kind == "time")
    if found is None:
        return advice(typed, declared.unit.text)
    if ":" not in plain:
        return found
    # A clock shows seconds, whatever the unit of the reading.
    low, high, step = (float(declared.unit.difference_from_si(x)) for x in (found.low, found.high, found.step))
    return Span(low, high, step)
