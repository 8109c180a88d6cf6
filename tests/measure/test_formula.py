from __future__ import annotations

import math
import pickle
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from evenbench.measure.errors import Correctable, FormulaError
from evenbench.measure.formula import (
    DEEPEST,
    FUNCTIONS,
    LONGEST,
    Formula,
    Sort,
    calls,
    dimension,
    evaluate,
    for_one_run,
    names,
    parse_formula,
    rests_on,
    slopes,
    written_out,
)
from evenbench.measure.units import parse_unit, raised, times

MASS: Sort = (parse_unit("g").dims, "ratio")
LENGTH: Sort = (parse_unit("mm").dims, "ratio")
PURE: Sort = ((), "ratio")
CELSIUS: Sort = (parse_unit("degC").dims, "interval")
DEGREES: Sort = (parse_unit("degC").dims, "ratio")
MONEY: Sort = (parse_unit("EUR", currency="EUR").dims, "ratio")

KNOWN: dict[str, Sort] = {
    "wet": MASS,
    "dry": MASS,
    "width": LENGTH,
    "height": LENGTH,
    "share": PURE,
    "before": CELSIUS,
    "after": CELSIUS,
    "rise": DEGREES,
    "product.price": MONEY,
}


# -------------------------------------------------------------------------------------------------------- reading


def plain(formula: str, values: Mapping[str, float]) -> float:
    """The value of a formula by Python's own grammar and arithmetic, nan where Python refuses to compute it.

    The second implementation: Python's signs bind as a formula's do, with ** for ^.
    """

    def real(value: Any) -> float:
        if isinstance(value, complex):
            raise ValueError  # a power of a negative number, which a formula does not have
        return float(value)

    functions = {
        "sqrt": lambda a: math.sqrt(real(a)),
        "abs": lambda a: abs(real(a)),
        "ln": lambda a: math.log(real(a)),
        "log10": lambda a: math.log10(real(a)),
        "exp": lambda a: math.exp(real(a)),
        "mean": lambda *several: math.fsum(map(real, several)) / len(several),
        "min": lambda *several: min(map(real, several)),
        "max": lambda *several: max(map(real, several)),
    }
    try:
        return real(eval(formula.replace("^", "**"), {"__builtins__": {}}, {**functions, **values}))
    except (ValueError, ZeroDivisionError, OverflowError):
        return math.nan


def number(formula: str, **values: float) -> float:
    return float(evaluate(parse_formula(formula), values))


PRECEDENCE = [
    "1 + 2 * 3", "(1 + 2) * 3", "8 - 3 - 2", "8 / 4 / 2", "8 / 4 * 2", "2 ^ a ^ b", "2 ** 3", "-2 ^ 2", "(-2) ^ 2",
    "2 ^ -1", "2 ^ -a ^ b", "2 * -3", "2 - -3", "--2", "+2", "-2 * 3", "1e3 / 2.5E-1", ".5 + 5.", "1 - 2 ^ 2 * 3 / 4",
    "max(1, 2) - min(3, 4, 5) * mean(1, 2, 6)", "sqrt(abs(-16)) + ln(exp(2)) - log10(1000)", "2 ^ 0.5", "4 ^ (1 / 2)",
]  # fmt: skip


@pytest.mark.parametrize("formula", PRECEDENCE)
def test_signs_bind_as_on_paper(formula: str) -> None:
    """Powers first and from the right, then signs, then * and /, then + and -, as in Python's own arithmetic."""
    values = {"a": 3.0, "b": 2.0}
    assert number(formula, **values) == pytest.approx(plain(formula, values), rel=1e-15)


def test_names_and_calls_are_listed_in_order_of_first_use() -> None:
    """A formula says what it needs, product facts with their dot, each once."""
    formula = parse_formula("max(product.price, b_2) / mean(a, b_2) + sqrt(a)")
    assert names(formula) == ("product.price", "b_2", "a")
    assert calls(formula) == ("max", "mean", "sqrt")
    assert str(formula) == formula.text


def test_equal_texts_are_equal_formulas_and_travel_between_processes() -> None:
    """A formula is a value: it compares, hashes and pickles."""
    one, other = parse_formula("(wet - dry) / dry"), parse_formula("(wet - dry) / dry")
    assert one == other
    assert hash(one) == hash(other)
    assert pickle.loads(pickle.dumps(one)) == one


# Each with the column at fault, counted from 0.
UNREADABLE = [
    ("", 0, "the formula is empty. Write it as in (wet - dry) / dry."),
    ("   ", 0, "the formula is empty. Write it as in (wet - dry) / dry."),
    ("(wet - dry", 0, "this parenthesis is never closed. Add ')'."),
    ("wet - (dry * (a + b)", 6, "this parenthesis is never closed. Add ')'."),
    ("wet - dry)", 9, "this parenthesis closes nothing. Take it out, or add '(' before."),
    ("wet -", 4, "the formula breaks off here. Write what comes next."),
    ("wet * / dry", 6, "a value is needed before '/'. Write a number, a name or '('."),
    ("()", 1, "a value is needed before ')'. Write a number, a name or '('."),
    ("mean()", 5, "a value is needed before ')'. Write a number, a name or '('."),
    ("wet dry", 4, "nothing says how this goes together with what is before it. Put + - * / or ^ between them."),
    ("2 wet", 2, ("nothing says how 2 and wet go together. "
     "Write 2 * wet; an amount with a unit goes into the test's constants.")),
    ("wet / 25 cm2", 9, ("nothing says how 25 and cm2 go together. "
     "Write 25 * cm2; an amount with a unit goes into the test's constants.")),
    ("2,5 * wet", 1, "a number is written with a decimal point. Write 2.5."),
    ("wet, dry", 3, "a comma stands only between the values of a function. Take it out."),
    ("sqrt(wet, dry)", 8, "sqrt takes one value. Close the parenthesis before the comma."),
    ("sqr(wet)", 0, ("there is no function 'sqr'. Did you mean 'sqrt'? "
     "Known: sqrt, abs, ln, log10, exp, mean, min, max, first_of.")),
    ("wet + mean", 6, "mean is a function. Write mean(…)."),
    ("wet / dry %", 10, 'a formula computes shares as plain numbers. Take it out; unit = "%" turns 0.4 into 40 %.'),
    ("wet + 'dry", 6, ("quotes stand only round the id of a reference, as in reference('new', uptake). "
     "Name a reading, constant, product fact or result.")),
    ("[wet]", 0, "'[' has no meaning in a formula. Group with ( and )."),
    ("wet × dry", 4, "'×' (multiplication sign) has no meaning in a formula. Type '*' instead."),
    ("wet − dry", 4, "'−' (minus sign) has no meaning in a formula. Type '-' instead."),
    ("wet²", 3, "'²' (superscript two) has no meaning in a formula. Type '^2' instead."),
    ("wеt + dry", 1, ("'е' (cyrillic small letter ie) has no meaning in a formula. "
     "Use plain letters, digits and signs.")),
    ("wet\0", 3, "'\\x00' has no meaning in a formula. Use plain letters, digits and signs."),
    ("wet.", 3, "'.' (full stop) has no meaning in a formula. Use plain letters, digits and signs."),
    ("__import__('os').system('x')", 0, ("there is no function '__import__'. "
     "Known: sqrt, abs, ln, log10, exp, mean, min, max, first_of.")),
    ("1e999 * wet", 0, "this number is too large to compute with. Write a smaller one."),
    ("wet ^ 10", 6, "an exponent is a plain number from -9 to 9. Write it as in a^2 or a^(1/2)."),
    ("9^9^9", 2, "an exponent is a plain number from -9 to 9. Write it as in a^2 or a^(1/2)."),
    ("2 ^ (3 * 4)", 5, "an exponent is a plain number from -9 to 9. Write it as in a^2 or a^(1/2)."),
    ("2 ^ (1 / 0)", 5, "an exponent is a plain number from -9 to 9. Write it as in a^2 or a^(1/2)."),
    ("wet - 'new'", 6, ("quotes stand only round the id of a reference, as in reference('new', uptake). "
     "Name a reading, constant, product fact or result.")),
    ("max('new', wet)", 4, ("quotes stand only round the id of a reference, as in reference('new', uptake). "
     "Name a reading, constant, product fact or result.")),
    ("control('new', uptake)", 8, ("quotes stand only round the id of a reference, as in reference('new', uptake). "
     "Name a reading, constant, product fact or result.")),
    ("1 - reference(new, uptake)", 14, ("the first value of reference is the id of a reference, in quotes. "
     "Write it as in reference('new', uptake).")),
    ("reference('new')", 15, ("reference takes two values: the id of a reference, and a result. "
     "Write it as in reference('new', uptake).")),
    ("reference('new', 3)", 17, ("reference takes the name of a result of this test, alone. "
     "Write it as in reference('new', uptake).")),
    ("2 * control(uptake + 1)", 12, ("control takes the name of a result of this test, alone. "
     "Write it as in control(uptake).")),
    ("control(ln(uptake))", 8, ("control takes the name of a result of this test, alone. "
     "Write it as in control(uptake).")),
    ("control(uptake", 7, "this parenthesis is never closed. Add ')'."),
    ("2 * first_of(loss)", 4, ("first_of takes two values or more, the first before the others. "
     "Write it as in first_of(before - after, loss_given).")),
]  # fmt: skip


@pytest.mark.parametrize(("text", "column", "message"), UNREADABLE)
def test_what_is_no_formula_is_refused_at_its_character(text: str, column: int, message: str) -> None:
    """The message says what is wrong and what to write, and the caret stands under the character at fault."""
    with pytest.raises(FormulaError) as error:
        parse_formula(text)
    said, shown, caret = str(error.value).split("\n")
    assert said == message
    assert (error.value.column, caret.index("^") - 4) == (column, column)
    assert shown[4:].replace("·", "\0") == text.replace("·", "\0")


def test_the_caret_of_a_long_formula_is_still_under_its_character() -> None:
    """Only the surroundings of a mistake are shown, so that the caret does not wrap around the screen."""
    text = "mean(" + "wet + dry, " * 30 + "wet $ dry)"
    with pytest.raises(FormulaError) as error:
        parse_formula(text)
    _, shown, caret = str(error.value).split("\n")
    assert shown[caret.index("^")] == "$"
    assert len(shown) < 110


def test_formula_errors_are_correctable_and_survive_pickling() -> None:
    """A FormulaError keeps the formula, the column and both sentences when it comes from another process."""
    error = pickle.loads(pickle.dumps(FormulaError("a +", 2, "why.", "Write.")))
    assert issubclass(FormulaError, Correctable)
    assert isinstance(error, FormulaError)
    assert (error.formula, error.column, error.why, error.write) == ("a +", 2, "why.", "Write.")


HOSTILE = {
    "ten thousand parentheses": "(" * 10_000 + "1" + ")" * 10_000,
    "as many parentheses as fit": "(" * 249 + "1" + ")" * 249,
    "as many signs as fit": "-" * 499 + "1",
    "as many terms as fit": "1" + "+1" * 249,
    "as many powers as fit": "1" + "^1" * 249,
    "a chain of calls": "sqrt(" * 90 + "1" + ")" * 45,
    "a tower of powers": "9^9^9^9^9",
    "an endless exponent": "2^1e-99999999999999999999",
    "an endless number": "1" * 499 + "^2",
    "a great exponent": "2 ^ 1e300",
    "digits of another script": "٣ + ٤",
    "nothing but zeros": "\0" * 100,
    "lone surrogates": "\ud800 + \udfff",
    "a direction override": "a \u202e+ b",
    "a line break": "a\n+ b",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_formulas_are_refused_or_harmless(text: str) -> None:
    """Nothing that anyone can write exhausts the memory, the stack or the clock."""
    try:
        formula = parse_formula(text)
    except FormulaError as error:
        assert len(str(error)) < 1000  # noqa: PT017, some are harmless and read
    else:
        assert evaluate(formula, {}).shape == ()


@given(st.text() | st.text("ab1.9e+-*/^(), \0", max_size=80))
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text does anything but give a formula or raise FormulaError."""
    try:
        formula = parse_formula(text)
    except FormulaError as error:
        assert 0 <= error.column <= len(text)  # noqa: PT017, no text is expected to fail
    else:
        assert evaluate(formula, dict.fromkeys(names(formula), 2.0)).shape == ()


@pytest.mark.parametrize("depth", [DEEPEST - 1, DEEPEST])
def test_depth_is_limited_where_the_docs_say(depth: int) -> None:
    """One step more than the limit is refused at the character that makes it."""
    text = "(" * depth + "1" + ")" * depth
    if depth < DEEPEST:
        assert number(text) == 1.0
    else:
        with pytest.raises(FormulaError, match="more than 40 steps deep") as error:
            parse_formula(text)
        assert error.value.column == DEEPEST


def test_length_is_limited_where_the_docs_say() -> None:
    """A formula may have 500 characters and no more."""
    assert number("1" + " " * (LONGEST - 1)) == 1.0
    with pytest.raises(FormulaError, match="a formula has at most 500 characters"):
        parse_formula("1" + " " * LONGEST)


# ------------------------------------------------------------------------------------------------------ dimensions

SORTS = [
    ("(wet - dry) / dry", PURE),
    ("wet / (width * height)", (parse_unit("g/m2").dims, "ratio")),
    ("product.price * share", MONEY),
    ("sqrt(width * height)", LENGTH),
    ("(width ^ 3) ^ (1 / 3)", LENGTH),
    ("width ^ -2", (parse_unit("1/m2").dims, "ratio")),
    ("width ^ 0", PURE),
    ("abs(wet - dry)", MASS),
    ("-wet", MASS),
    ("max(wet, dry) - min(wet, dry) + mean(wet, dry)", MASS),
    ("exp(wet / dry) + ln(width / height) + log10(2) + share ^ (wet / dry)", PURE),
    ("after - before", DEGREES),
    ("before + rise", CELSIUS),
    ("rise + before", CELSIUS),
    ("before - rise", CELSIUS),
    ("mean(before, after)", CELSIUS),
    ("max(before, after) - min(before, after)", DEGREES),
    ("(after - before) / rise", PURE),
    ("+before", CELSIUS),
    ("2", PURE),
]


@pytest.mark.parametrize(("text", "sort"), SORTS)
def test_dimensions_follow_from_the_formula(text: str, sort: Sort) -> None:
    """What a formula gives is known before any number is."""
    assert dimension(parse_formula(text), KNOWN) == sort


IMPOSSIBLE = [
    ("wet + width", 4, "this adds a length to a mass. Both sides must measure the same."),
    ("share * (wet - width)", 13, "this takes a length from a mass. Both sides must measure the same."),
    ("wet + 5", 4, ("this adds a pure number to a mass. Both sides must measure the same. "
     "A number with a unit goes into the test's constants.")),
    ("before + after", 7, ("this adds two points, on a scale where only differences mean something. "
     "Use mean(…) for an average, or subtract one from the other.")),
    ("rise - before", 5, ("this takes a point from a difference, on a scale where only differences mean something. "
     "Use mean(…) for an average, or subtract one from the other.")),
    ("before * 2", 7, ("this is a temperature on a scale where only differences mean something; "
     "it cannot be multiplied or divided. Subtract another of its kind first.")),
    ("wet / before", 4, ("this is a temperature on a scale where only differences mean something; "
     "it cannot be multiplied or divided. Subtract another of its kind first.")),
    ("-before", 0, ("this is a temperature on a scale where only differences mean something; "
     "it cannot be turned round. Subtract another of its kind first.")),
    ("before ^ 2", 7, ("this is a temperature on a scale where only differences mean something; "
     "it cannot be raised to a power. Subtract another of its kind first.")),
    ("1 + abs(before)", 8, ("this is a temperature on a scale where only differences mean something; "
     "it cannot be given to abs. Subtract another of its kind first.")),
    ("ln(wet)", 3, "ln takes a pure number, and this is a mass. Divide it by something of the same sort first."),
    ("exp(share * wet)", 4, ("exp takes a pure number, and this is a mass. "
     "Divide it by something of the same sort first.")),
    ("max(wet, dry, width)", 14, ("max takes values of one sort: a length cannot join a mass. "
     "A number with a unit goes into the test's constants.")),
    ("max(wet - dry, 0)", 15, ("max takes values of one sort: a pure number cannot join a mass. "
     "A number with a unit goes into the test's constants.")),
    ("mean(before, rise)", 13, "mean is given both a point on a scale and a difference. Give it one or the other."),
    ("share ^ wet", 8, ("an exponent is a pure number, and this is a mass. "
     "Divide it by something of the same sort first.")),
    ("wet ^ share", 4, ("this raises a mass to a power that is not a number as typed. "
     "Write the exponent as a number, or make the base a pure number.")),
    ("((wet ^ 9) ^ 9) ^ 9", 11, "nothing measured has a dimension this high. Check the exponents."),
    ("(wett - dry) / dry", 1, ("nothing here is named 'wett'. Did you mean 'wet'? "
     "Known: wet, dry, width, height, share, before, after, rise, product.price.")),
]  # fmt: skip


@pytest.mark.parametrize(("text", "column", "message"), IMPOSSIBLE)
def test_what_does_not_add_up_is_refused_at_its_sign_or_name(text: str, column: int, message: str) -> None:
    """A mass plus a length is no number to compute; the message says so under the sign at fault."""
    with pytest.raises(FormulaError) as error:
        dimension(parse_formula(text), KNOWN)
    said, _, caret = str(error.value).split("\n")
    assert said == message
    assert (error.value.column, caret.index("^") - 4) == (column, column)


def test_a_name_is_unknown_also_where_nothing_is_known() -> None:
    """Without any name to suggest, the message says where names come from."""
    with pytest.raises(FormulaError, match="Declare it among the test's readings, constants or results"):
        dimension(parse_formula("wet"), {})
    with pytest.raises(FormulaError, match="nothing here is named 'wet'"):
        evaluate(parse_formula("2 * wet"), {"dry": 1.0})


# Formulas that add up, built from their dimensions: `mass` gives a mass, `pure` a pure number.
pure_leaf = st.sampled_from(["share", "2", "0.5", "(wet / dry)", "(width / height)"])
mass_leaf = st.sampled_from(["wet", "dry"])


def grow(pure: st.SearchStrategy[str], mass: st.SearchStrategy[str]) -> tuple[st.SearchStrategy[str], ...]:
    signs = st.sampled_from("+-")
    more_mass = st.one_of(
        mass,
        st.builds("({} {} {})".format, mass, signs, mass),
        st.builds("({}) * ({})".format, pure, mass),
        st.builds("({}) / ({})".format, mass, pure),
        st.builds("(({}) * ({})) ^ 0.5".format, mass, mass),
        st.builds("sqrt(({}) * ({}))".format, mass, mass),
        st.builds("max({}, {}, {})".format, mass, mass, mass),
        st.builds("mean({}, {})".format, mass, mass),
        st.builds("-abs({})".format, mass),
    )
    more_pure = st.one_of(
        pure,
        st.builds("({} {} {})".format, pure, signs, pure),
        st.builds("({}) / ({})".format, mass, mass),
        st.builds("exp({}) * ln(3)".format, pure),
        st.builds("({}) ^ 2".format, pure),
        st.builds("min({}, {})".format, pure, pure),
    )
    return more_pure, more_mass


some_pure, some_mass = grow(*grow(*grow(pure_leaf, mass_leaf)))
scales = st.floats(0.01, 100)


@given(some_mass, some_pure, st.integers(-2, 2), scales, scales)
def test_a_change_of_units_changes_the_result_by_its_dimension(
    mass: str, pure: str, power: int, k: float, j: float
) -> None:
    """Masses in units k times smaller and lengths j times smaller scale a result by the powers of its dimension."""
    formula = parse_formula(f"({mass}) ^ {power} * width / ({pure})")
    dims, scale = dimension(formula, KNOWN)
    assert dims == times(raised(MASS[0], power), LENGTH[0])
    assert scale == "ratio"
    values = {"wet": 1.7, "dry": 1.1, "width": 0.9, "height": 1.3, "share": 0.3}
    sizes = {"wet": k, "dry": k, "width": j, "height": j, "share": 1.0}
    before = evaluate(formula, {name: values[name] for name in names(formula)})
    after = evaluate(formula, {name: values[name] * sizes[name] for name in names(formula)})
    assume(np.isfinite(before) and 1e-6 < abs(before) < 1e6)  # near 0 and infinity only rounding is left to compare
    assert after == pytest.approx(before * k**power * j, rel=1e-6)


point_leaf = st.sampled_from(["before", "after"])
more_points = st.one_of(
    point_leaf,
    st.builds("mean({}, {})".format, point_leaf, point_leaf),
    st.builds("max({}, {})".format, point_leaf, point_leaf),
    st.builds("({} + rise)".format, point_leaf),
    st.builds("({} - 2 * rise)".format, point_leaf),
    st.builds("({} + ({} - {}))".format, point_leaf, point_leaf, point_leaf),
)


@given(more_points, more_points, st.floats(-500, 500))
def test_where_a_scale_starts_makes_no_difference_to_differences(one: str, other: str, shift: float) -> None:
    """Moving the zero of a temperature scale moves a temperature with it and leaves a difference as it is."""
    values = {"before": 20.0, "after": 23.5, "rise": 1.5}
    moved = {"before": 20.0 + shift, "after": 23.5 + shift, "rise": 1.5}
    for text, sort, moves in [(one, CELSIUS, shift), (f"{one} - {other}", DEGREES, 0.0)]:
        formula = parse_formula(text)
        assert dimension(formula, KNOWN) == sort
        assert evaluate(formula, moved) == pytest.approx(float(evaluate(formula, values)) + moves, abs=1e-9)


# ------------------------------------------------------------------------------------------------------- computing

# Text without more parentheses than needed, so that what is compared includes how signs bind.
leaves = st.sampled_from(["a", "b", "c", "2", "0.5", "1e-1", "3"])


def bigger(part: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    space = st.sampled_from(["", " "])
    return st.one_of(
        st.builds("{}{}{}{}{}".format, part, space, st.sampled_from("+-*/"), space, part),
        st.builds("({})".format, part),
        st.builds("-{}".format, part),
        st.builds("{}^{}".format, leaves, st.sampled_from(["2", "-1", "0.5", "3", "-2", "b", "(1/2)"])),
        st.builds("({})^{}".format, part, st.sampled_from(["2", "-1", "0.5", "3", "0"])),
        st.builds("{}({})".format, st.sampled_from(["sqrt", "abs", "ln", "log10", "exp"]), part),
        st.builds("{}({},{}{})".format, st.sampled_from(["mean", "min", "max"]), part, space, part),
    )


formulas = st.recursive(leaves, bigger, max_leaves=8)
positive = st.floats(0.1, 10)
triples = st.fixed_dictionaries({"a": positive, "b": positive, "c": positive})


@given(formulas, triples)
def test_values_agree_with_plain_arithmetic(text: str, values: dict[str, float]) -> None:
    """Any formula has the value that Python's own arithmetic gives, and none where that has none."""
    expected = plain(text, values)
    got = number(text, **values)
    if math.isnan(expected) or abs(expected) > 1e100:
        assert math.isnan(got) or abs(got) > 1e100
    else:
        assert got == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(formulas, st.lists(triples, min_size=1, max_size=4))
def test_arrays_are_computed_element_by_element(text: str, rows: list[dict[str, float]]) -> None:
    """An array of runs gives what each run gives alone, slopes included; one that fails spoils no other."""
    formula = parse_formula(text)
    columns = {name: [row[name] for row in rows] for name in "abc"}
    value, slope = slopes(formula, columns)
    assert np.array_equal(value, evaluate(formula, columns), equal_nan=True)
    for place, row in enumerate(rows):
        alone, alone_slope = slopes(formula, row)
        assert np.array_equal(np.broadcast_to(value, len(rows))[place], alone, equal_nan=True)
        for name in names(formula):
            assert np.array_equal(slope[name][place], alone_slope[name], equal_nan=True)


def kinks(text: str) -> bool:
    return any(function in text for function in ("min", "max", "abs"))


@given(formulas, triples)
def test_slopes_agree_with_central_differences(text: str, values: dict[str, float]) -> None:
    """A slope is what a small step in either direction shows."""
    formula = parse_formula(text)
    value, slope = slopes(formula, values)
    for name in names(formula):
        step = 1e-5 * values[name]
        around = values[name] + step * np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
        y = evaluate(formula, {**values, name: around}) * np.ones(5)
        assume(np.all(np.isfinite(y)) and np.max(np.abs(y)) < 1e6)
        one, two = (y[3] - y[1]) / (2 * step), (y[4] - y[0]) / (4 * step)
        # Where steps of two sizes disagree the formula bends too sharply, or has a kink, for either to be right.
        assume(abs(one - two) <= 1e-6 * (1 + abs(one)))
        assume(not kinks(text) or abs((y[4] - y[2]) - (y[2] - y[0])) <= 1e-6 * (1 + abs(y[4] - y[0])) * step)
        if np.isnan(slope[name]):  # a root of nothing has no slope, even where the nothing stays nothing: sqrt(a-a)
            assert any(root in text for root in ("sqrt", "^0.5", "^(1/2)", "^b"))
            continue
        assert slope[name] == pytest.approx(one, rel=1e-5, abs=1e-5 * (1 + abs(float(value))))


@given(formulas, triples)
def test_slopes_agree_with_an_independent_library(text: str, values: dict[str, float]) -> None:
    """Derivatives and values are those of the `uncertainties` library, to rounding."""
    from uncertainties import UFloat, ufloat, umath  # type: ignore[import-untyped]

    assume(not kinks(text))  # its own min and max compare means only
    exact = {name: ufloat(value, 1e-3) for name, value in values.items()}
    functions = {"sqrt": umath.sqrt, "ln": umath.log, "log10": umath.log10, "exp": umath.exp}
    functions["mean"] = lambda one, other: (one + other) / 2
    try:
        expected = eval(text.replace("^", "**"), {"__builtins__": {}}, {**functions, **exact})
    except (ValueError, ZeroDivisionError, OverflowError, TypeError):
        assume(False)
    assume(isinstance(expected, UFloat))
    derivatives = {name: expected.derivatives.get(exact[name], 0.0) for name in values}
    assume(all(math.isfinite(d) and abs(d) < 1e12 for d in [expected.nominal_value, *derivatives.values()]))
    value, slope = slopes(parse_formula(text), values)
    assert value == pytest.approx(expected.nominal_value, rel=1e-9, abs=1e-9)
    for name, got in slope.items():
        assert got == pytest.approx(derivatives[name], rel=1e-9, abs=1e-9)


FAILING = [
    ("1 / a", 0.0), ("ln(a)", 0.0), ("ln(a)", -1.0), ("log10(a)", 0.0), ("sqrt(a)", -1.0), ("a ^ 0.5", -1.0),
    ("a ^ -1", 0.0), ("exp(a)", 1e4), ("1 / (1 / a)", 0.0), ("a", math.nan), ("a ^ 0", math.nan), ("1 ^ a", math.nan),
    ("0 * a", math.nan), ("a", math.inf), ("1 / a", math.inf), ("max(a, 1)", math.nan), ("min(1, a)", math.nan),
    ("mean(a, 1)", math.nan), ("abs(a)", math.nan), ("a - a", math.inf),
]  # fmt: skip


@pytest.mark.parametrize(("text", "value"), FAILING)
def test_what_cannot_be_computed_is_nan_for_its_run_alone(text: str, value: float) -> None:
    """A division by zero, a logarithm of nothing or a missing reading gives no number, without a warning."""
    got = evaluate(parse_formula(text), {"a": [2.0, value, 0.5]})
    found, slope = slopes(parse_formula(text), {"a": [2.0, value, 0.5]})
    for array in (np.broadcast_to(got, 3), np.broadcast_to(found, 3), slope["a"]):
        assert np.isnan(array).tolist() == [False, True, False]


SLOPES = [
    # At a kink one side has to be chosen, and the docs say which.
    ("abs(a)", 0.0, 0.0), ("abs(a)", -2.0, -1.0), ("max(a, 1)", 1.0, 1.0), ("max(1, a)", 1.0, 0.0),
    ("min(a, 1)", 2.0, 0.0), ("min(a, sqrt(a - 2))", 2.0, math.nan), ("max(a, sqrt(a - 2))", 2.0, 1.0),
    ("sqrt(a)", 0.0, math.nan), ("a ^ 2", 0.0, 0.0), ("a ^ 1", 0.0, 1.0), ("a ^ 0", 0.0, 0.0), ("a ^ a", 1.0, 1.0),
    ("5 + 0 * a", 3.0, 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("text", "at", "slope"), SLOPES)
def test_slopes_at_corners_are_as_documented(text: str, at: float, slope: float) -> None:
    """Slopes at kinks, at zero and where there is none."""
    assert slopes(parse_formula(text), {"a": at})[1]["a"] == pytest.approx(slope, nan_ok=True)


def test_values_may_be_numbers_lists_or_arrays() -> None:
    """One value for all runs goes with an array of runs, and a formula without names has one value."""
    uptake = parse_formula("(wet - dry) / dry")
    assert evaluate(uptake, {"wet": np.array([12, 15]), "dry": 10}).tolist() == [0.2, 0.5]
    assert evaluate(parse_formula("1 + 1"), {}) == 2.0
    value, slope = slopes(uptake, {"wet": [12.0, 15.0], "dry": 10.0})
    assert (value.shape, slope["wet"].shape, slope["dry"].shape) == ((2,), (2,), (2,))
    assert slope["dry"] == pytest.approx([-0.12, -0.15])


def test_every_function_is_read_checked_and_computed() -> None:
    """The list of functions is the list of those that work."""
    for function in FUNCTIONS:
        formula = parse_formula(f"{function}(share, share)" if function == "first_of" else f"{function}(share)")
        assert dimension(formula, KNOWN) == PURE
        assert np.isfinite(evaluate(formula, {"share": 0.5}))


# ------------------------------------------------------------------------------------------ the first that is there

NAN = math.nan
FIRST = [
    # formula, a in four runs, b in four runs, values: by hand from "the first that has a value in this run"
    ("first_of(a, b)", [1.0, NAN, 3.0, NAN], [5.0, 6.0, NAN, NAN], [1.0, 6.0, 3.0, NAN]),
    ("first_of(b, a)", [1.0, NAN, 3.0, NAN], [5.0, 6.0, NAN, NAN], [5.0, 6.0, 3.0, NAN]),
    ("first_of(a - b, b) * 2", [1.0, NAN, 3.0, NAN], [5.0, 6.0, NAN, NAN], [-8.0, 12.0, NAN, NAN]),
    ("first_of(1 / a, ln(b), b)", [2.0, 0.0, 0.0, NAN], [5.0, 1.0, -2.0, NAN], [0.5, 0.0, -2.0, NAN]),
    ("first_of(a, first_of(b, a + 7))", [1.0, NAN, NAN, 4.0], [5.0, 6.0, NAN, NAN], [1.0, 6.0, NAN, 4.0]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "a", "b", "value"), FIRST)
def test_the_first_that_has_a_value_in_its_run_stands(
    text: str, a: list[float], b: list[float], value: list[float]
) -> None:
    """One run at a time, and with nothing said of a value that was passed over."""
    got = evaluate(parse_formula(text), {"a": a, "b": b})
    assert np.array_equal(got, value, equal_nan=True)


def test_what_first_of_passed_over_has_no_slope_and_is_not_rested_on() -> None:
    """A missing reading in an alternative that was not needed spoils neither the slope nor the trace."""
    formula, given_ = parse_formula("first_of(a - b, c)"), {"a": [5.0, NAN], "b": [3.0, 3.0], "c": [NAN, 2.0]}
    value, slope = slopes(formula, given_)
    assert value.tolist() == [2.0, 2.0]
    assert {name: column.tolist() for name, column in slope.items()} == {"a": [1, 0], "b": [-1, 0], "c": [0, 1]}
    rests = rests_on(formula, given_)
    assert {name: column.tolist() for name, column in rests.items()} == {
        "a": [True, False],
        "b": [True, False],
        "c": [False, True],
    }


def test_a_known_value_serves_before_one_of_which_only_bounds_are() -> None:
    """The formula of one run has no first_of left where anything can serve it."""
    formula = parse_formula("first_of(a, b, c) + first_of(b, c)")
    values = {"a": NAN, "b": NAN, "c": 2.0}
    assert names(for_one_run(formula, values, lambda name: name != "b")) == ("c",)
    values = {"a": NAN, "b": NAN, "c": NAN}
    assert names(for_one_run(formula, values, lambda name: name != "a")) == ("b",)
    assert calls(for_one_run(formula, values, lambda _: False)) == ("first_of",)


@given(formulas, formulas, triples, st.booleans())
def test_first_of_is_one_of_its_values(one: str, other: str, values: dict[str, float], lost: bool) -> None:
    """Whatever the alternatives are: the first, unless it has no value; then the second."""
    if lost:
        values = {**values, "a": math.nan}
    first, second = number(one, **values), number(other, **values)
    got = number(f"first_of({one}, {other})", **values)
    assert got == pytest.approx(second if math.isnan(first) else first, nan_ok=True, rel=0, abs=0)


def test_a_formula_written_out_has_the_same_value_and_stays_bounded() -> None:
    """Results in the places of their names; what would grow without end is not written out."""
    loss, rate = parse_formula("a - b"), parse_formula("(loss + 1) / loss ^ 2")
    whole = written_out(rate, {"loss": loss})
    assert whole is not None
    given_ = {"a": 5.0, "b": 3.0}
    assert evaluate(whole, given_) == evaluate(rate, {"loss": evaluate(loss, given_)})
    doubled: Formula | None = parse_formula("a + a")
    for _ in range(20):
        doubled = doubled and written_out(parse_formula("y + y"), {"y": doubled})
    assert doubled is None


def test_computing_leaves_nothing_for_the_garbage_collector() -> None:
    """The columns of a formula are freed with it, and not when a collection happens to run."""
    import gc
    import weakref

    gc.collect()
    gc.disable()
    try:
        column = np.arange(1000.0)
        gone = weakref.ref(column)
        slopes(parse_formula("sqrt(a) / (a + 1)"), {"a": column})
        del column
        assert gone() is None
    finally:
        gc.enable()


def test_exponents_are_exact_fractions() -> None:
    """The cube root of a volume is a length, though 1/3 is no float."""
    sort = dimension(parse_formula("(width ^ 3) ^ (1/3)"), KNOWN)
    assert sort == LENGTH
    assert all(isinstance(power, Fraction) for _, power in sort[0])
    assert isinstance(parse_formula("1"), Formula)
