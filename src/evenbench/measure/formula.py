"""The formula language: how a result is computed from readings, constants, product facts and other results.

    (wet - dry) / dry            product.price / product.pack * product.dose            max(left, right)

Numbers, names, + - * / ^ (or **), parentheses and nine functions, and nothing else: a formula in a study
from a stranger can do no harm. A formula that names the level of the control or of a reference, as in
control(uptake) and reference('new', uptake), is computed once per product and not run by run. A formula is read
once, checked for dimensions before any number is computed,
and evaluated on arrays of SI values.
"""

# Throughout this module:
#   at       the column of a part of the formula, counted from 0
#   sort     what a value is: its dimension, and whether its scale has a zero ("ratio") or not ("interval")
#   slope    how much the value of the formula changes for a change of one in the value of a name

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from evenbench.measure.errors import FormulaError, character_name, plain_sign, suggest
from evenbench.measure.units import Dims, Scale, describe, raised, times

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

Sort = tuple[Dims, Scale]

LONGEST = 500
"""Characters that a formula may have."""
DEEPEST = 40
"""Steps from the outside of a formula to its innermost part."""
GREATEST_EXPONENT = 9

FUNCTIONS: Mapping[str, str] = {
    "sqrt": "square root",
    "abs": "size without sign",
    "ln": "natural logarithm",
    "log10": "logarithm to base 10",
    "exp": "e to the power of",
    "mean": "average of one or more values",
    "min": "least of one or more values",
    "max": "greatest of one or more values",
    "first_of": "the first of two or more values that a run has",
}
_OF_SEVERAL = ("mean", "min", "max", "first_of")
_OF_PURE = ("ln", "log10", "exp")
_TOO_DEEP = (f"this is more than {DEEPEST} steps deep.", "Use mean(…), or split it into two results.")
_GREATEST_DIMENSION = 30


# ------------------------------------------------------------------------------------------------- the tree


@dataclass(frozen=True, slots=True)
class Number:
    """A number as typed, without a unit."""

    text: str
    at: int

    @property
    def value(self) -> float:
        """The number in figures."""
        return float(self.text)


@dataclass(frozen=True, slots=True)
class Name:
    """A reading, constant, product fact or other result of the same test."""

    id: str
    at: int


@dataclass(frozen=True, slots=True)
class Unary:
    """A sign before a value: + or -."""

    sign: str
    value: Node
    at: int


@dataclass(frozen=True, slots=True)
class Binary:
    """Two values and what is between them: + - * / ^."""

    sign: str
    left: Node
    right: Node
    at: int


@dataclass(frozen=True, slots=True)
class Call:
    """A function of one or more values."""

    function: str
    values: tuple[Node, ...]
    at: int


@dataclass(frozen=True, slots=True)
class Level:
    """What a result comes to for the control, or for a reference: `of` is its id, "" for the control.

    of_at, id_at  the columns of the two names
    """

    of: str
    id: str
    at: int
    of_at: int = 0
    id_at: int = 0

    @property
    def key(self) -> str:
        """The name under which `evaluate` finds its value.

        >>> Level("", "uptake", 0).key, Level("new", "uptake", 0).key
        ('control(uptake)', "reference('new', uptake)")
        """
        return f"reference({self.of!r}, {self.id})" if self.of else f"control({self.id})"


Node = Number | Name | Unary | Binary | Call | Level


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula as typed, and the tree that was read from it."""

    text: str
    tree: Node = field(repr=False)

    def __str__(self) -> str:
        return self.text


_Made = TypeVar("_Made", Unary, Binary, Call)


def _within(node: Node) -> tuple[Node, ...]:
    """The parts that a part is made of, from left to right."""
    match node:
        case Unary():
            return (node.value,)
        case Binary():
            return (node.left, node.right)
        case Call():
            return node.values
    return ()


def _walk(node: Node) -> Iterator[Node]:
    yield node
    for part in _within(node):
        yield from _walk(part)


def names(formula: Formula) -> tuple[str, ...]:
    """The names that a formula uses, in order of first use.

    >>> names(parse_formula("(wet - dry) / dry"))
    ('wet', 'dry')
    """
    return tuple(dict.fromkeys(node.id for node in _walk(formula.tree) if isinstance(node, Name)))


def columns(formula: Formula) -> dict[str, int]:
    """Each name that a formula uses, and the column where it first stands.

    >>> columns(parse_formula("(wet - dry) / dry"))
    {'wet': 1, 'dry': 7}
    """
    found: dict[str, int] = {}
    for node in _walk(formula.tree):
        if isinstance(node, Name):
            found.setdefault(node.id, node.at)
    return found


def levels(formula: Formula) -> tuple[Level, ...]:
    """The levels of the control and of references that a formula uses, in order of first use.

    >>> [level.key for level in levels(parse_formula("1 - uptake / control(uptake)"))]
    ['control(uptake)']
    """
    found = {node.key: node for node in reversed(list(_walk(formula.tree))) if isinstance(node, Level)}
    return tuple(reversed(found.values()))


def denominators(formula: Formula) -> tuple[Formula, ...]:
    """What a formula divides by, in order.

    >>> [str(f) for f in denominators(parse_formula("a / (b - c)"))]
    ['a / (b - c)']
    """
    found = [node.right for node in _walk(formula.tree) if isinstance(node, Binary) and node.sign == "/"]
    return tuple(Formula(text=formula.text, tree=node) for node in found)


def calls(formula: Formula) -> tuple[str, ...]:
    """The functions that a formula calls, in order of first use.

    >>> calls(parse_formula("max(a, sqrt(b), sqrt(c))"))
    ('max', 'sqrt')
    """
    return tuple(dict.fromkeys(node.function for node in _walk(formula.tree) if isinstance(node, Call)))


# --------------------------------------------------------------------------------------------- first_of, run by run


@dataclass(frozen=True, slots=True)
class Choice:
    """Of these, one is enough: for each value of a first_of, what it needs."""

    of: tuple[tuple[str | Choice, ...], ...]


def needs(formula: Formula) -> tuple[str | Choice, ...]:
    """What must be there for a formula to have a value: names, and for every first_of a choice.

    >>> needs(parse_formula("first_of(before - after, loss_given) / area"))
    (Choice(of=(('before', 'after'), ('loss_given',))), 'area')
    """
    return tuple(dict.fromkeys(_needs(formula.tree)))


def _needs(node: Node) -> Iterator[str | Choice]:
    match node:
        case Name():
            yield node.id
        case Call(function="first_of"):
            yield Choice(tuple(tuple(dict.fromkeys(_needs(value))) for value in node.values))
        case _:
            for part in _within(node):
                yield from _needs(part)


@dataclass(frozen=True, slots=True)
class Taken:
    """A formula with one of its first_of replaced by one of the values: the whole of it, and the value alone."""

    whole: Formula
    value: Formula


def choices(formula: Formula) -> tuple[tuple[Taken, ...], ...]:
    """For every first_of in a formula, in order, the formula with each of its values in its place.

    >>> [[names(taken.whole) for taken in one] for one in choices(parse_formula("first_of(a, b) / c"))]
    [[('a', 'c'), ('b', 'c')]]
    """
    text = formula.text
    found = [node for node in _walk(formula.tree) if isinstance(node, Call) and node.function == "first_of"]
    return tuple(
        tuple(Taken(Formula(text, _taking(formula.tree, node, v)), Formula(text, v)) for v in node.values)
        for node in found
    )


def _taking(node: Node, place: Node, value: Node) -> Node:
    return value if node is place else _rebuilt(node, [_taking(part, place, value) for part in _within(node)])


def less(one: Formula, other: Formula) -> Formula:
    """One formula minus another.

    >>> evaluate(less(parse_formula("a"), parse_formula("b / 2")), {"a": 5.0, "b": 4.0})
    array(3.)
    """
    return Formula(f"{one.text} - ({other.text})", Binary("-", one.tree, other.tree, 0))


def for_one_run(formula: Formula, values: Mapping[str, float], has: Callable[[str], bool]) -> Formula:
    """The formula as it is for one run: in place of each first_of, the value that serves the run.

    values  a number for each name, nan where it has none
    has     whether there is anything of a name, bounds included

    A value that is known serves before one of which only bounds are; where there is neither, the first_of stays.

    >>> loss = parse_formula("first_of(before - after, given) / 2")
    >>> known = {"before": 5.0, "after": float("nan"), "given": 0.7}
    >>> names(for_one_run(loss, known, lambda name: name != "after"))
    ('given',)
    >>> names(for_one_run(loss, known | {"given": float("nan")}, lambda name: name != "given"))
    ('before', 'after')
    """
    return Formula(formula.text, _for_one_run(formula.tree, formula.text, values, has))


def _for_one_run(node: Node, text: str, values: Mapping[str, float], has: Callable[[str], bool]) -> Node:
    import numpy as np

    made = _rebuilt(node, [_for_one_run(part, text, values, has) for part in _within(node)])
    if not isinstance(made, Call) or made.function != "first_of":
        return made
    known = [value for value in made.values if np.isfinite(evaluate(Formula(text, value), values))]
    there = [value for value in made.values if all(has(name) for name in names(Formula(text, value)))]
    return next(iter([*known, *there]), made)


def _rebuilt(node: Node, parts: Sequence[Node]) -> Node:
    """The same part of a formula, made of other parts."""
    match node:
        case Unary():
            return replace(node, value=parts[0])
        case Binary():
            return replace(node, left=parts[0], right=parts[1])
        case Call():
            return replace(node, values=tuple(parts))
    return node


def rests_on(formula: Formula, values: Mapping[str, ArrayLike]) -> dict[str, NDArray[np.bool_]]:
    """For each name, in which runs the value rests on it: not where first_of took another value.

    Where a first_of has no value to take, the want of one rests on all.

    values  as for `evaluate`, arrays of one shape

    >>> found = rests_on(parse_formula("first_of(a, b)"), {"a": [1.0, float("nan")], "b": [2.0, 3.0]})
    >>> {name: where.tolist() for name, where in found.items()}
    {'a': [True, False], 'b': [False, True]}
    """
    import numpy as np

    out: dict[str, NDArray[np.bool_]] = {}
    everywhere = np.ones(np.broadcast_shapes(*(np.shape(values[name]) for name in names(formula))), dtype=np.bool_)
    _rest(formula.tree, formula.text, values, everywhere, out)
    return out


def _rest(
    node: Node,
    text: str,
    values: Mapping[str, ArrayLike],
    here: NDArray[np.bool_],
    out: dict[str, NDArray[np.bool_]],
) -> None:
    import numpy as np

    if isinstance(node, Name):
        out[node.id] = out.get(node.id, np.zeros_like(here)) | here
    parts = _within(node)
    if isinstance(node, Call) and node.function == "first_of":
        known = [np.isfinite(evaluate(Formula(text, part), values)) for part in parts]
        nowhere = here & ~np.any(np.broadcast_arrays(*known), axis=0)
        for place, part in enumerate(parts):
            before = [here & ~earlier for earlier in known[:place]]
            first = np.all([here, *before], axis=0) & known[place]
            _rest(part, text, values, first | nowhere, out)
        return
    for part in parts:
        _rest(part, text, values, here, out)


_MOST_PARTS, _DEEPEST_PARTS = 1_000, 120


def size(formula: Formula) -> int:
    """How many parts a formula has: numbers, names, signs and calls.

    >>> size(parse_formula("(wet - dry) / dry"))
    5
    """
    return sum(1 for _ in _walk(formula.tree))


def written_out(formula: Formula, results: Mapping[str, Formula]) -> Formula | None:
    """A formula with the formulas of the results that it names in their places; None where that grows too long.

    results  by id; each written out itself

    >>> loss = parse_formula("before - after")
    >>> names(written_out(parse_formula("loss / area"), {"loss": loss}))
    ('before', 'after', 'area')
    """
    sizes = {name: size(part) for name, part in results.items() if name in names(formula)}
    used = [node.id for node in _walk(formula.tree) if isinstance(node, Name)]
    deep = _depth(formula.tree) + max((_depth(results[name].tree) for name in sizes), default=0)
    if sum(sizes.get(name, 0) for name in used) > _MOST_PARTS or deep > _DEEPEST_PARTS:
        return None
    return Formula(formula.text, _written_out(formula.tree, results))


def _written_out(node: Node, results: Mapping[str, Formula]) -> Node:
    if isinstance(node, Name):
        return results[node.id].tree if node.id in results else node
    return _rebuilt(node, [_written_out(part, results) for part in _within(node)])


# -------------------------------------------------------------------------------------------------- reading


def parse_formula(text: str) -> Formula:
    """Read a formula.

    Powers bind first and group to the right, then signs, then * and /, then + and -: as on paper, -a^2 is
    -(a^2).

    Raises FormulaError, with the column at fault, where the text is no formula or exceeds a limit: 500
    characters, 40 steps deep, exponents from -9 to 9.

    >>> parse_formula("(wet - dry) / dry")
    Formula(text='(wet - dry) / dry')
    >>> parse_formula("(wet - dry) / dry)")
    Traceback (most recent call last):
    ...
    evenbench.measure.errors.FormulaError: this parenthesis closes nothing. Take it out, or add '(' before.
        (wet - dry) / dry)
                         ^
    """
    if len(text) > LONGEST:
        why = f"a formula has at most {LONGEST} characters."
        raise FormulaError(text, LONGEST, why, "Split it into two results, the second naming the first.")
    return Formula(text=text, tree=_Parser(text).whole())


class _Token(NamedTuple):
    kind: str  # "number", "name", "text", "sign", "end", or "other" for a character that has no meaning here
    text: str
    at: int


_TOKEN = re.compile(
    r"(?P<number>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
    r"|(?P<name>[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*)"
    r"|(?P<text>'[^'\"]*'|\"[^'\"]*\")"
    r"|(?P<sign>\*\*|[-+*/^(),])"
)


def _tokens(text: str) -> list[_Token]:
    out, at = [], 0
    while at < len(text):
        if text[at] == " ":
            at += 1
            continue
        found = _TOKEN.match(text, at)
        if found is None:
            out.append(_Token("other", text[at], at))
            break
        kind = found.lastgroup or ""
        sign = "^" if found[0] == "**" else found[0]
        if kind == "number" and float(sign) == float("inf"):
            raise FormulaError(text, at, "this number is too large to compute with.", "Write a smaller one.")
        out.append(_Token(kind, sign, at))
        at = found.end()
    return [*out, _Token("end", "", len(text))]


def _why_no_token(character: str, before: str) -> tuple[str, str]:
    if character == "%":
        return "a formula computes shares as plain numbers.", 'Take it out; unit = "%" turns 0.4 into 40 %.'
    if character in "\"'":
        write = "Name a reading, constant, product fact or result."
        return "quotes stand only round the id of a reference, as in reference('new', uptake).", write
    if character in "<>=!?&|":
        write = f'A result that is a grade or category names its reading alone, as in formula = "{before}".'
        return "a formula computes numbers, and compares nothing.", write
    if character in "[]{}":
        return f"{character!r} has no meaning in a formula.", "Group with ( and )."
    return f"{character_name(character)} has no meaning in a formula.", plain_sign(character)


def hundredfold(formula: Formula) -> int | None:
    """The column of a 100 that multiplies the whole of a formula; None where there is none.

    >>> hundredfold(parse_formula("(wet - dry) / dry * 100")), hundredfold(parse_formula("100 * wet / 100"))
    (20, None)
    """
    over, under = _multiplied(formula.tree)
    found = [node.at for node in over if isinstance(node, Number) and node.value == 100]
    return found[0] if found and not any(isinstance(node, Number) and node.value >= 10 for node in under) else None


def _multiplied(node: Node) -> tuple[list[Node], list[Node]]:
    """What a part is the product of, and what it is divided by."""
    if isinstance(node, Unary):
        return _multiplied(node.value)
    if not isinstance(node, Binary) or node.sign not in ("*", "/"):
        return [node], []
    (over, under), (by, per) = _multiplied(node.left), _multiplied(node.right)
    return (over + by, under + per) if node.sign == "*" else (over + per, under + by)


# How tightly a sign holds what is on its sides; a sign before a value stands between * and ^.
_HOLD = {"+": 1, "-": 1, "*": 2, "/": 2, "^": 4}
_HOLD_OF_SIGN = 3


class _Parser:
    """Reads by precedence (V. Pratt, "Top down operator precedence", 1973), one token ahead."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = _tokens(text)
        self.next = 0
        self.depth = 0
        self.quotes = False  # whether a text in quotes may come next

    @property
    def token(self) -> _Token:
        token = self.tokens[self.next]
        if token.kind == "other" or (token.kind == "text" and not self.quotes):
            before = self.tokens[self.next - 1] if self.next else token
            raise self.error(token.at, *_why_no_token(token.text[:1], before.text if before.kind == "name" else "look"))
        return token

    def take(self) -> _Token:
        token = self.token
        self.next += 1
        return token

    def error(self, at: int, why: str, write: str) -> FormulaError:
        return FormulaError(self.text, at, why, write)

    def whole(self) -> Node:
        if self.token.kind == "end":
            raise self.error(0, "the formula is empty.", "Write it as in (wet - dry) / dry.")
        tree = self.value(0)
        if self.token.kind != "end":
            raise self.error(self.token.at, *self.why_not_over())
        return tree

    def why_not_over(self) -> tuple[str, str]:
        token = self.token
        if token.text == ")":
            return "this parenthesis closes nothing.", "Take it out, or add '(' before."
        if token.text == ",":
            before, after = self.tokens[self.next - 1], self.tokens[self.next + 1]
            if before.kind == after.kind == "number":
                return "a number is written with a decimal point.", f"Write {before.text}.{after.text}."
            return "a comma stands only between the values of a function.", "Take it out."
        before = self.tokens[self.next - 1]
        if before.kind == "number" and token.kind == "name":
            write = f"Write {before.text} * {token.text}; an amount with a unit goes into the test's constants."
            return f"nothing says how {before.text} and {token.text} go together.", write
        return "nothing says how this goes together with what is before it.", "Put + - * / or ^ between them."

    def value(self, hold: int) -> Node:
        """A value and every sign after it that holds more tightly than `hold`."""
        self.depth += 1
        if self.depth > DEEPEST:
            raise self.error(self.token.at, *_TOO_DEEP)
        left = self.start()
        while self.token.kind == "sign" and _HOLD.get(self.token.text, 0) > hold:
            sign = self.take()
            # Powers group to the right: the exponent takes every further power with it.
            right = self.value(_HOLD[sign.text] - (sign.text == "^"))
            if sign.text == "^":
                self.check_exponent(right)
            left = self.checked(Binary(sign.text, left, right, sign.at))
        self.depth -= 1
        return left

    def start(self) -> Node:
        """A number, a name, a call, a parenthesis, or any of these after a sign."""
        token = self.take()
        if token.kind == "number":
            return Number(token.text, token.at)
        if token.kind == "name" and self.token.text == "(":
            return self.call(token)
        if token.text in FUNCTIONS:
            raise self.error(token.at, f"{token.text} is a function.", f"Write {token.text}(…).")
        if token.kind == "name":
            return Name(token.text, token.at)
        if token.text in ("+", "-"):
            return self.checked(Unary(token.text, self.value(_HOLD_OF_SIGN), token.at))
        if token.text == "(":
            inner = self.value(0)
            self.close(token)
            return inner
        if token.kind == "end":
            raise self.error(max(0, token.at - 1), "the formula breaks off here.", "Write what comes next.")
        raise self.error(token.at, f"a value is needed before {token.text!r}.", "Write a number, a name or '('.")

    def call(self, name: _Token) -> Call | Level:
        if name.text in ("control", "reference"):
            return self.level(name)
        if name.text not in FUNCTIONS:
            raise self.error(name.at, f"there is no function {name.text!r}.", suggest(name.text, FUNCTIONS))
        opening = self.take()
        values = [self.value(0)]
        while self.token.text == ",":
            comma = self.take()
            if name.text not in _OF_SEVERAL:
                write = "Close the parenthesis before the comma."
                raise self.error(comma.at, f"{name.text} takes one value.", write)
            values.append(self.value(0))
        self.close(opening)
        if name.text == "first_of" and len(values) == 1:
            write = "Write it as in first_of(before - after, loss_given)."
            raise self.error(name.at, "first_of takes two values or more, the first before the others.", write)
        return self.checked(Call(name.text, tuple(values), name.at))

    def level(self, name: _Token) -> Level:
        """The control's or a reference's level of a result."""
        opening, of, of_at = self.take(), "", name.at
        example = "control(uptake)" if name.text == "control" else "reference('new', uptake)"
        if name.text == "reference":
            self.quotes = True
            token = self.take()
            if token.kind != "text" or not token.text[1:-1].strip():
                why = "the first value of reference is the id of a reference, in quotes."
                raise self.error(min(token.at, len(self.text) - 1), why, f"Write it as in {example}.")
            self.quotes, of, of_at = False, token.text[1:-1].strip(), token.at
            comma = self.take()
            if comma.text != ",":
                why = "reference takes two values: the id of a reference, and a result."
                raise self.error(min(comma.at, len(self.text) - 1), why, f"Write it as in {example}.")
        token = self.take()
        if token.kind != "name" or "." in token.text or token.text in FUNCTIONS or self.token.text not in (")", ""):
            why = f"{name.text} takes the name of a result of this test, alone."
            raise self.error(min(token.at, len(self.text) - 1), why, f"Write it as in {example}.")
        self.close(opening)
        return Level(of, token.text, name.at, of_at, token.at)

    def close(self, opening: _Token) -> None:
        if self.token.text == ")":
            self.take()
        elif self.token.kind == "end":
            raise self.error(opening.at, "this parenthesis is never closed.", "Add ')'.")
        else:
            raise self.error(self.token.at, *self.why_not_over())

    def checked(self, node: _Made) -> _Made:
        if _depth(node) > DEEPEST:
            raise self.error(node.at, *_TOO_DEEP)
        return node

    def check_exponent(self, exponent: Node) -> None:
        """Refuse 9^9^9 and its like; an exponent with a name in it is up to the values."""
        if any(isinstance(node, Name | Level) for node in _walk(exponent)):
            return
        power = _constant(exponent)
        if power is None or abs(power) > GREATEST_EXPONENT:
            why = f"an exponent is a plain number from -{GREATEST_EXPONENT} to {GREATEST_EXPONENT}."
            raise self.error(_start(exponent), why, "Write it as in a^2 or a^(1/2).")


def _start(node: Node) -> int:
    """The column of the first character of a part, but for parentheses around it."""
    return min(part.at for part in _walk(node))


def _depth(node: Node) -> int:
    return 1 + max((_depth(part) for part in _within(node)), default=0)


_EXACT = {"+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv}


def _constant(node: Node) -> Fraction | None:
    """The exact value of a part made of numbers and + - * / alone; None for any other."""
    match node:
        case Number():
            # By way of the float, whose exponent is bounded: the fraction 1e-999999999 would fill the memory.
            return Fraction(repr(node.value))
        case Unary():
            value = _constant(node.value)
            return -value if value is not None and node.sign == "-" else value
        case Binary():
            left, right = _constant(node.left), _constant(node.right)
            if left is None or right is None or node.sign not in _EXACT or (node.sign == "/" and not right):
                return None
            return Fraction(_EXACT[node.sign](left, right))
    return None


# ---------------------------------------------------------------------------------------- checking dimensions


def dimension(formula: Formula, names: Mapping[str, Sort]) -> Sort:
    """What the formula gives: its dimension, and whether its scale is "ratio" or "interval".

    names  the dimension and scale of everything that the formula may name

    On an interval scale, such as degC or Shore A, only differences mean something: one may be subtracted from
    another, a difference added to one, and several averaged; nothing else.

    Raises FormulaError, with the column of the sign or name at fault, where the formula does not add up.

    >>> from evenbench.measure.units import parse_unit
    >>> mass, length = (parse_unit("g").dims, "ratio"), (parse_unit("mm").dims, "ratio")
    >>> dimension(parse_formula("(wet - dry) / dry"), {"wet": mass, "dry": mass})
    ((), 'ratio')
    >>> dimension(parse_formula("wet - width"), {"wet": mass, "width": length})
    Traceback (most recent call last):
    ...
    evenbench.measure.errors.FormulaError: this takes a length from a mass. Both sides must measure the same.
        wet - width
            ^
    """
    return _Check(formula.text, names).sort(formula.tree)


_SCALE_OF_SUM: dict[tuple[Scale, str, Scale], Scale] = {
    ("ratio", "+", "ratio"): "ratio",
    ("ratio", "-", "ratio"): "ratio",
    ("interval", "-", "interval"): "ratio",
    ("interval", "+", "ratio"): "interval",
    ("ratio", "+", "interval"): "interval",
    ("interval", "-", "ratio"): "interval",
}


class _Check:
    """Finds the sort of a part from the sorts of its own parts."""

    def __init__(self, text: str, known: Mapping[str, Sort]) -> None:
        self.text, self.known = text, known

    def error(self, at: int, why: str, write: str) -> FormulaError:
        return FormulaError(self.text, at, why, write)

    def sort(self, node: Node) -> Sort:
        match node:
            case Number():
                return (), "ratio"
            case Name() | Level():
                if node.id not in self.known:
                    raise _unknown(self.text, node, self.known)
                return self.known[node.id]
            case Unary():
                sort = self.sort(node.value)
                return self.with_zero(sort, node.at, "turned round") if node.sign == "-" else sort
            case Call():
                return self.call(node)
        of = {"+": self.sum, "-": self.sum, "*": self.product, "/": self.product, "^": self.power}
        return of[node.sign](node)

    def sum(self, node: Binary) -> Sort:
        (left, left_scale), (right, right_scale) = self.sort(node.left), self.sort(node.right)
        if left != right:
            adds = f"adds {describe(right)} to" if node.sign == "+" else f"takes {describe(right)} from"
            write = "Both sides must measure the same."
            if isinstance(node.left, Number) or isinstance(node.right, Number):
                write += " A number with a unit goes into the test's constants."
            raise self.error(node.at, f"this {adds} {describe(left)}.", write)
        scale = _SCALE_OF_SUM.get((left_scale, node.sign, right_scale))
        if scale is None:
            does = "adds two points" if node.sign == "+" else "takes a point from a difference"
            why = f"this {does}, on a scale where only differences mean something."
            raise self.error(node.at, why, "Use mean(…) for an average, or subtract one from the other.")
        return left, scale

    def product(self, node: Binary) -> Sort:
        left, _ = self.with_zero(self.sort(node.left), node.at, "multiplied or divided")
        right, _ = self.with_zero(self.sort(node.right), node.at, "multiplied or divided")
        return times(left, right if node.sign == "*" else raised(right, -1)), "ratio"

    def power(self, node: Binary) -> Sort:
        base, _ = self.with_zero(self.sort(node.left), node.at, "raised to a power")
        self.pure(self.sort(node.right), node.right, "an exponent is")
        power = _constant(node.right)
        if not base:
            return (), "ratio"
        if power is None:
            why = f"this raises {describe(base)} to a power that is not a number as typed."
            raise self.error(node.at, why, "Write the exponent as a number, or make the base a pure number.")
        dims = raised(base, power)
        if any(abs(exponent) > _GREATEST_DIMENSION for _, exponent in dims):
            raise self.error(node.at, "nothing measured has a dimension this high.", "Check the exponents.")
        return dims, "ratio"

    def call(self, node: Call) -> Sort:
        first, *others = (self.sort(value) for value in node.values)
        start = _start(node.values[0])
        if node.function in _OF_SEVERAL:
            for value, other in zip(node.values[1:], others, strict=True):
                self.alike(node.function, first, other, _start(value))
            return first
        if node.function in _OF_PURE:
            return self.pure(first, node.values[0], f"{node.function} takes")
        dims, _ = self.with_zero(first, start, f"given to {node.function}")
        return (raised(dims, Fraction(1, 2)) if node.function == "sqrt" else dims), "ratio"

    def with_zero(self, sort: Sort, at: int, done: str) -> Sort:
        """The sort itself, unless its scale lacks the zero that being `done` so needs."""
        dims, scale = sort
        if scale == "interval":
            why = f"this is {describe(dims)} on a scale where only differences mean something"
            raise self.error(at, f"{why}; it cannot be {done}.", "Subtract another of its kind first.")
        return sort

    def alike(self, function: str, first: Sort, other: Sort, at: int) -> None:
        if first[0] != other[0]:
            why = f"{function} takes values of one sort: {describe(other[0])} cannot join {describe(first[0])}."
            raise self.error(at, why, "A number with a unit goes into the test's constants.")
        if first[1] != other[1]:
            why = f"{function} is given both a point on a scale and a difference."
            raise self.error(at, why, "Give it one or the other.")

    def pure(self, sort: Sort, node: Node, what: str) -> Sort:
        if sort != ((), "ratio"):
            why = f"{what} a pure number, and this is {describe(sort[0])}."
            raise self.error(_start(node), why, "Divide it by something of the same sort first.")
        return sort


def _unknown(text: str, name: Name | Level, known: Mapping[str, object]) -> FormulaError:
    write = suggest(name.id, known) or "Declare it among the test's readings, constants or results."
    at = name.id_at if isinstance(name, Level) else name.at
    return FormulaError(text, at, f"nothing here is named {name.id!r}.", write)


# ------------------------------------------------------------------------------------------------- computing


def evaluate(formula: Formula, values: Mapping[str, ArrayLike]) -> Array:
    """The value of the formula, in SI units, for each element of the arrays it names.

    values  a number or an array of numbers for each name, in SI units; arrays must be of one shape

    An element that cannot be computed (a division by zero, the logarithm or root of a negative number, a
    value that is missing or not finite) is nan.

    >>> evaluate(parse_formula("(wet - dry) / dry"), {"wet": [0.012, 0.015], "dry": [0.010, 0.0]})
    array([0.2, nan])
    """
    import numpy as np

    with np.errstate(all="ignore"):
        return _compute(formula, values, ()).value


def slopes(formula: Formula, values: Mapping[str, ArrayLike]) -> tuple[Array, dict[str, Array]]:
    """The value of the formula, and how much it changes with each name: its exact first derivatives.

    The slope for a name has the unit of the formula's value over that of the name, and the shape of the
    value. It is nan where the value is, and where it has no bound, as for sqrt(a) at 0. Where two values of
    min or max tie, the first of them is taken; the slope of abs(a) at 0 is 0. A value that first_of passed over
    has the slope 0.

    Source: forward accumulation, A. Griewank and A. Walther, "Evaluating Derivatives", 2nd ed. (2008), ch. 3.

    >>> value, slope = slopes(parse_formula("a^2 * b"), {"a": 3.0, "b": [1.0, 2.0]})
    >>> value, slope["a"], slope["b"]
    (array([ 9., 18.]), array([ 6., 12.]), array([9., 9.]))
    """
    import numpy as np

    with np.errstate(all="ignore"):
        found = _compute(formula, values, names(formula))
        known = np.isfinite(found.value)
        out = {}
        for name in names(formula):
            slope = np.where(known, found.slope.get(name, 0.0), np.nan)
            out[name] = np.where(np.isfinite(slope), slope, np.nan)
    return found.value, out


class _Dual(NamedTuple):
    """A value and its slopes for the names that it depends on."""

    value: Array
    slope: dict[str, Array]


def _compute(formula: Formula, values: Mapping[str, ArrayLike], wanted: Sequence[str]) -> _Dual:
    """The value of a formula and its slopes for the `wanted` names."""
    return _dual(formula.tree, formula.text, values, wanted)


def _dual(node: Node, text: str, values: Mapping[str, ArrayLike], wanted: Sequence[str]) -> _Dual:
    import numpy as np

    match node:
        case Number():
            return _Dual(np.asarray(node.value), {})
        case Name():
            if node.id not in values:
                raise _unknown(text, node, values)
            value = _finite(np.asarray(values[node.id], dtype=np.float64))
            return _Dual(value, {node.id: np.asarray(1.0)} if node.id in wanted else {})
        case Level():
            if node.key not in values:
                raise _unknown(text, node, values)
            return _Dual(_finite(np.asarray(values[node.key], dtype=np.float64)), {})
    parts = [_dual(part, text, values, wanted) for part in _within(node)]
    sign = node.function if isinstance(node, Call) else node.sign
    return _chain(parts, *_rules()[sign](*(part.value for part in parts)))


def _chain(parts: Sequence[_Dual], value: Array, partials: Sequence[float | Array]) -> _Dual:
    """A value, with its slopes by the chain rule from its partial derivative for each of its parts."""
    import numpy as np

    out: dict[str, Array] = {}
    for part, partial in zip(parts, partials, strict=True):
        for name, slope in part.slope.items():
            # A truth says whether the part is the one that min, max or first_of took. Multiplied by it, a slope
            # without bound in the part not taken would come out as nan and not as 0.
            taken = isinstance(partial, np.ndarray) and partial.dtype == np.bool_
            step = np.where(partial, slope, 0.0) if taken else partial * slope
            out[name] = out[name] + step if name in out else step
    return _Dual(_finite(value), out)


def _finite(value: Array) -> Array:
    import numpy as np

    return np.where(np.isfinite(value), value, np.nan)


_Rule = Callable[..., tuple["Array", Sequence["float | Array"]]]


@lru_cache(maxsize=1)
def _rules() -> dict[str, _Rule]:
    """For each sign and function: its value, and its partial derivative for each of its values."""
    import numpy as np

    return {
        "+": lambda a, b=None: (a, [1.0]) if b is None else (a + b, [1.0, 1.0]),
        "-": lambda a, b=None: (-a, [-1.0]) if b is None else (a - b, [1.0, -1.0]),
        "*": lambda a, b: (a * b, [b, a]),
        "/": lambda a, b: (a / b, [1 / b, -a / b / b]),
        "^": _power,
        "sqrt": lambda a: (np.sqrt(a), [0.5 / np.sqrt(a)]),
        "abs": lambda a: (np.abs(a), [np.sign(a)]),
        "ln": lambda a: (np.log(a), [1 / a]),
        "log10": lambda a: (np.log10(a), [1 / (a * np.log(10.0))]),
        "exp": lambda a: (np.exp(a), [np.exp(a)]),
        "mean": lambda *several: (sum(several) / len(several), [1 / len(several)] * len(several)),
        "min": lambda *several: _pick(several, np.argmin),
        "max": lambda *several: _pick(several, np.argmax),
        "first_of": lambda *several: _pick(several, _first_known),
    }


def _power(base: Array, exponent: Array) -> tuple[Array, Sequence[Array]]:
    import numpy as np

    value = _raise(base, exponent)
    by_base = np.where(exponent == 0, 0.0, exponent * _raise(base, exponent - 1))
    return value, [by_base, value * np.log(base)]


def _raise(base: Array, exponent: Array) -> Array:
    import numpy as np

    # To numpy nan^0 and 1^nan are 1; here a missing reading has no power.
    return np.where(np.isnan(base) | np.isnan(exponent), np.nan, np.power(base, exponent))


def _pick(several: Sequence[Array], choose: Callable[..., Any]) -> tuple[Array, Sequence[Any]]:
    """The one of several values that `choose` points at; argmin and argmax point at a nan first."""
    import numpy as np

    values = np.stack(np.broadcast_arrays(*several))
    chosen = choose(values, axis=0)
    value = np.take_along_axis(values, chosen[np.newaxis], axis=0)[0]
    return value, [np.asarray(chosen == place) for place in range(len(several))]


def _first_known(values: Array, axis: int) -> NDArray[np.intp]:
    import numpy as np

    return np.asarray(np.argmax(np.isfinite(values), axis=axis))
