"""The errors that a person can put right.

    Correctable
    ├── UnitError      an amount or a unit that cannot be read, or is of the wrong sort
    └── FormulaError   a formula that cannot be read, or does not add up

Later stages add their own under `Correctable`, so that the command line has one thing to catch. Each error
keeps its parts as fields: what was given, why it cannot stand, what to write instead. `why` and `write` are
whole sentences.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable

_LONGEST_SHOWN = 40
_LONGEST_LIST = 12
_TYPED = {
    "−": "-",
    "–": "-",
    "—": "-",
    "×": "*",
    "·": "*",
    "÷": "/",
    "⁄": "/",
    "∕": "/",
    "²": "^2",
    "³": "^3",
}


class Correctable(Exception):
    """What a person can put right: the base of every error that a user may see."""


class UnitError(Correctable):
    """An amount or a unit that cannot be read, or is of the wrong sort.

    >>> print(UnitError("1,5 g", "a number is written with a decimal point.", "Write 1.5 g."))
    '1,5 g': a number is written with a decimal point. Write 1.5 g.
    """

    def __init__(self, given: str, why: str, write: str) -> None:
        self.given, self.why, self.write = given, why, write
        super().__init__(given, why, write)  # the same three, so that the error survives pickling

    def __str__(self) -> str:
        return f"{shortened(self.given)!r}: {self.why} {self.write}".rstrip()


class FormulaError(Correctable):
    """A formula that cannot be read, or does not add up.

    column  the character at fault, counted from 0

    >>> print(FormulaError("(wet - dry", 0, "this parenthesis is never closed.", "Add ')'."))
    this parenthesis is never closed. Add ')'.
        (wet - dry
        ^
    """

    def __init__(self, formula: str, column: int, why: str, write: str) -> None:
        self.formula, self.column, self.why, self.write = formula, column, why, write
        super().__init__(formula, column, why, write)

    def __str__(self) -> str:
        start = max(0, self.column - 60)
        before = ("…" if start else "") + self.formula[start : self.column]
        after = self.formula[self.column : self.column + 40]
        after += "…" if len(self.formula) > self.column + 40 else ""
        message = f"{self.why} {self.write}".rstrip()
        return f"{message}\n    {_one_line(before + after)}\n    {' ' * len(before)}^"


def suggest(name: str, known: Iterable[str]) -> str:
    """A sentence or two that lead from a name nobody knows to the ones that exist; "" where none do.

    >>> suggest("uptke", ["uptake", "mass"])
    "Did you mean 'uptake'? Known: uptake, mass."
    >>> suggest("zzz", ["uptake"])
    'Known: uptake.'
    >>> suggest("uptke", [])
    ''
    """
    names = list(dict.fromkeys(known))
    if not names:
        return ""
    folded = {candidate.casefold(): candidate for candidate in reversed(names)}
    near = difflib.get_close_matches(name.casefold()[:100], folded, n=1)
    question = f"Did you mean {folded[near[0]]!r}? " if near else ""
    shown = ", ".join(names[:_LONGEST_LIST])
    more = f" … and {len(names) - _LONGEST_LIST} more" if len(names) > _LONGEST_LIST else ""
    return f"{question}Known: {shown}{more}."


def shortened(text: str) -> str:
    """At most 40 characters of a text, for a message about it.

    >>> shortened("9" * 50)
    '9999999999999999999999999999999999999999…'
    """
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "…"


def character_name(character: str) -> str:
    """A character as it looks and as it is called, for one that may look like another.

    >>> character_name("×")
    "'×' (multiplication sign)"
    """
    name = unicodedata.name(character, "").lower()
    return f"{character!r} ({name})" if name else repr(character)


def plain_sign(character: str) -> str:
    """What to type instead of a character that no amount, unit or formula has.

    >>> plain_sign("−"), plain_sign("５"), plain_sign("ж")
    ("Type '-' instead.", "Type '5' instead.", 'Use plain letters, digits and signs.')
    """
    plain = _TYPED.get(character) or unicodedata.normalize("NFKC", character)
    if plain != character and plain.isascii() and plain.isprintable():
        return "Type a plain space instead." if plain == " " else f"Type {plain!r} instead."
    return "Use plain letters, digits and signs."


def _one_line(text: str) -> str:
    # One character for one, so that the caret below stays under its own.
    return "".join(character if character.isprintable() else "·" for character in text)
