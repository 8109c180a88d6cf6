"""What a result should be near, and where more of it is no longer better."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from evenbench.measure.errors import suggest
from evenbench.measure.units import Unit
from evenbench.study.checks import POINTS, Checks
from evenbench.study.file import ResultTable
from evenbench.study.model import Target
from evenbench.study.notes import Path
from evenbench.study.typed import product_called

_REFERENCE = re.compile(r"reference *: *(?P<id>\S*)")
_WAYS = 'Write better = "higher" or better = "lower".'
_LIKE_ANOTHER = "a result that should be like another product"


@dataclass(frozen=True)
class Targets:
    """Reads the targets and caps of one test's results; what cannot stand is noted.

    references   ids that the test names as its references
    control      the test's control; None where it has none
    may_control  whether it has one, or a product that may be one once its role is mended
    """

    checks: Checks
    references: Sequence[str]
    control: str | None
    may_control: bool

    def target(self, at: Path, declared: ResultTable, unit: Unit) -> Target | None:
        """What the result should be near; None where nothing, or where what is written cannot stand."""
        notes, text = self.checks.notes, declared.target
        if declared.better != "nearest":
            if text is not None and not (declared.better is None and notes.typed(*at, "better")):
                why = "a target is for a result that should be near it."
                notes.add((*at, "target"), text, why, 'Write better = "nearest", or leave it out.')
            return None
        if declared.scale != "raw":
            why = "how far a value lies from a target is a difference, and no ratio."
            notes.add((*at, "scale"), declared.scale, why, 'Write scale = "raw", or leave it out.')
        if text is None:
            if not notes.typed(*at, "target"):
                write = 'Add target = "23 mm" (or yours), target = "control" or target = "reference: ID".'
                notes.add((*at, "better"), declared.better, "nothing says what it should be near.", write)
            return None
        if text == "control" or text.startswith("reference"):
            return self.like((*at, "target"), declared, text, unit)
        amount = self.checks.amount((*at, "target"), text, unit)
        return None if amount is None else Target(text=text, unit=unit, value=float(amount.to(unit)))

    def like(self, path: Path, declared: ResultTable, text: str, unit: Unit) -> Target | None:
        """The control or a reference as what the result should be like."""
        notes = self.checks.notes
        if declared.kind == "info":
            why = f"{_LIKE_ANOTHER} is judged, and an info result is not."
            notes.add(path, text, why, 'Write kind = "benefit" or kind = "risk", or a value as target.')
        if text == "control":
            if not self.may_control:
                none = self.checks.declared.tests[str(path[1])].control == "none"
                way = 'Take out control = "none"' if none else 'Give a product role = "control"'
                write = f"{way}, or write a value."
                notes.add(path, text, "the test has no control.", write)
            return Target(text=text, unit=unit, product=self.control) if self.control else None
        found = _REFERENCE.fullmatch(text)
        id = found["id"] if found else ""
        if id in self.references:
            return Target(text=text, unit=unit, product=id)
        meant = product_called(text.partition(":")[2], notes.table("products"))
        if meant in self.references:
            notes.add(path, text, "a product is named here by its id.", f'Write "reference: {meant}".')
        elif not id:
            example = self.references[0] if self.references else "ID"
            notes.add(path, text, "this names no reference.", f'Write "reference: {example}".')
        elif self.references or not notes.typed(*path[:2], "references"):
            write = suggest(id, self.references) if self.references else f'Add references = ["{id}"] to the test.'
            notes.add(path, text, f"the test has no reference {id!r}.", write)
        return None

    def cap(self, at: Path, declared: ResultTable, unit: Unit, target: Target | None) -> float | None:
        """Beyond which more brings a buyer nothing, in the result's unit; of a distance, how near is near enough."""
        text, path, notes = declared.capped_at, (*at, "capped_at"), self.checks.notes
        if text is None:
            return None
        if declared.kind == "info":
            notes.add(path, text, "an info result is not weighed, so nothing needs a cap.", "Leave it out.")
            return None
        if target is not None and target.product:
            notes.add(path, text, f"{_LIKE_ANOTHER} is not weighed, so nothing needs a cap.", "Leave it out.")
            return None
        near = declared.better == "nearest"
        if near and unit.text == "%":
            if points := POINTS.fullmatch(text):
                return float(points["n"])
            notes.add(path, text, "distances between percentages are in points.", 'Write "2 points" (or yours).')
            return None
        if near:
            away = self.checks.from_zero(path, text, "a distance", unit)
            return None if away is None else float(unit.difference_from_si(away.unit.difference_to_si(away.value)))
        amount = self.checks.amount(path, text, unit)
        if amount is None:
            return None
        most = 1.0 if declared.scale == "logit" else float("inf")
        if declared.scale != "raw" and not 0 < amount.si < most:
            within = "above 0" if declared.scale == "log" else "above 0 % and below 100 %"
            notes.add(path, text, f"on the {declared.scale} scale values are {within}.", "Correct it, or leave it out.")
            return None
        return float(amount.to(unit))

    def refused(self, at: Path, declared: ResultTable, what: str) -> None:
        """Note all of this where it means nothing: `what` cannot be near anything and is not weighed."""
        notes = self.checks.notes
        if declared.better == "nearest":
            notes.add((*at, "better"), declared.better, f"{what} is never near or far from anything.", _WAYS)
        given: Mapping[str, str | None] = {"target": declared.target, "capped_at": declared.capped_at}
        for key, text in given.items():
            if text is not None:
                notes.add((*at, key), text, f"{what} has no {key}.", "Leave it out.")


def of_distances(unit: Unit) -> Unit:
    """The unit for distances between values: one from a temperature counts degrees, and 0 is no distance."""
    return replace(unit, offset=0.0, scale="ratio")
