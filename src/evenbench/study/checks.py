"""Checks of the single values of a study file: amounts, units, days, ids and formulas. What cannot stand is noted."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from evenbench.measure.errors import FormulaError, UnitError, suggest
from evenbench.measure.formula import Formula, Sort, dimension, names, parse_formula
from evenbench.measure.units import Quantity, Unit, parse_quantity, parse_unit
from evenbench.study.file import StudyFile
from evenbench.study.notes import Notes, Path
from evenbench.study.typed import product_called

FACTS = ("price", "pack", "dose")
"""What a formula may say of a product."""
POINTS = re.compile(r"(?P<n>[0-9]+(\.[0-9]+)?) *points?")
"""A difference between percentages, as written."""


@dataclass(frozen=True)
class Checks:
    """What every part of a study file is checked against. Each method returns None for what it noted.

    today  the date against which days are checked
    """

    declared: StudyFile
    notes: Notes
    today: date

    @property
    def currency(self) -> str | None:
        """The money of the study."""
        return self.declared.study.currency

    def has_currency(self) -> bool:
        """Whether the study says in which money it counts; noted unless it says so in a damaged way."""
        damaged = self.notes.typed("study", "currency") or not self.notes.ids(("study",))
        if self.currency is None and not damaged:
            write = 'Add currency = "EUR" (or yours).'
            self.notes.add(("study",), "", "there are prices, and no currency is stated.", write, at_key=True)
        return self.currency is not None

    def amount(self, path: Path, text: str | None, like: Unit | None = None) -> Quantity | None:
        """A quantity, of the dimension of `like` where given."""
        if text is None:
            return None
        try:
            quantity = parse_quantity(text, currency=self.currency)
            if like is not None:
                quantity.to(like)
        except UnitError as error:
            self.notes.add(path, text, error.why, error.write)
            return None
        return quantity

    def above_zero(self, path: Path, text: str | None, what: str, like: Unit | None = None) -> Quantity | None:
        """A quantity greater than 0."""
        quantity = self.amount(path, text, like)
        if quantity is not None and quantity.value <= 0:
            self.notes.add(path, text, f"{what} is above 0.", "Correct it, or leave it out.")
            return None
        return quantity

    def from_zero(self, path: Path, text: str | None, what: str, like: Unit | None = None) -> Quantity | None:
        """A quantity of 0 or more."""
        quantity = self.amount(path, text, like)
        if quantity is not None and quantity.value < 0:
            self.notes.add(path, text, f"{what} is 0 or more.", "Write it without the minus sign.")
            return None
        return quantity

    def unit(self, path: Path, text: str) -> Unit | None:
        """A unit."""
        try:
            return parse_unit(text, currency=self.currency)
        except UnitError as error:
            self.notes.add(path, text, error.why, error.write)
            return None

    def past(self, path: Path, day: date | None) -> date | None:
        """A day that has come."""
        if day is not None and day > self.today:
            self.notes.add(path, day, f"this day is still to come (today is {self.today}).", "Check the year.")
        return day

    def known(self, path: Path, given: str, table: str, allowed: Iterable[str], what: str) -> bool:
        """Whether the id `given` is one of `allowed`; noted, unless the file has it in a damaged state."""
        options = list(allowed)
        if given in options:
            return True
        if self.notes.doubtful(table) or self.notes.doubtful(table, given, "role"):
            return False
        if given in getattr(self.declared, table):
            self.notes.add(path, given, f"this is not {what} here.", suggest(given, options))
        elif table == "products" and (id := product_called(given, self.notes.table("products"))) in options:
            self.notes.add(path, given, "a product is named here by its id.", f'Write "{id}".')
        elif not self.notes.typed(table, given):
            near = suggest(given, options) or f"Add [{table}.{given}]."
            self.notes.add(path, given, f"the study has no {table[:-1]} with this id.", near)
        return False

    def once(self, path: Path, given: list[str]) -> None:
        """Every member of a list stands there once."""
        for place, member in enumerate(given):
            if member in given[:place]:
                self.notes.add((*path, place), member, "this stands in the list already.", "Take it out.")

    def formula(self, path: Path, text: str) -> Formula | None:
        """A formula that can be read."""
        try:
            return parse_formula(text)
        except FormulaError as error:
            self.formula_mistake(path, error)
            return None

    def sort(self, path: Path, formula: Formula, sorts: Mapping[str, Sort]) -> Sort | None:
        """What a formula amounts to, where it adds up."""
        for fact in (fact for fact in FACTS if f"product.{fact}" in names(formula) and f"product.{fact}" not in sorts):
            if not any(self.notes.typed("products", product, fact) for product in self.notes.ids(("products",))):
                write = f'Add {fact} = "…" to the products.'
                self.notes.add(path, formula.text, f"no product states its {fact}.", write)
            return None
        try:
            return dimension(formula, sorts)
        except FormulaError as error:
            self.formula_mistake(path, error)
            return None

    def formula_mistake(self, path: Path, error: FormulaError) -> None:
        """Note what is wrong with a formula, and under which character."""
        mark = f"at character {error.column + 1}: " if error.column else ""
        self.notes.add(path, error.formula, mark + error.why, error.write)
