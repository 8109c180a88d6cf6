from __future__ import annotations

import pickle
import re
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbench.measure import units
from evenbench.measure.errors import Correctable, UnitError, suggest
from evenbench.measure.units import (
    PURE,
    Quantity,
    describe,
    parse_quantity,
    parse_unit,
    raised,
    same_dims,
    times,
)

REFERENCE = tomllib.loads((Path(__file__).parents[1] / "reference" / "units.toml").read_text("utf-8"))
CHECKS = {check["id"]: check for check in REFERENCE["check"]}

SPELLINGS = [*units._ATOMS, *units._SCALES]
RATIO = [spelling for spelling in SPELLINGS if parse_unit(spelling).scale == "ratio"]


# ------------------------------------------------------------------------------------- against published figures

# How the sources' names are spelled here; `mil` and a bare imperial `fl oz` are refused as having two meanings.
SPELLED = {"fl oz imp": "imp fl oz", "mil": "thou", "C": "A*s"}


@pytest.mark.parametrize("check", [c for c in CHECKS.values() if "from_unit" in c["inputs"]], ids=lambda c: c["id"])
def test_conversions_agree_with_published_definitions(check: dict[str, Any]) -> None:
    """One of each unit is as many of the other as the source printed beside it says (NIST SP 811, Handbook 44)."""
    given_unit, wanted = (SPELLED.get(u, u) for u in (check["inputs"]["from_unit"], check["inputs"]["to_unit"]))
    got = Quantity(check["inputs"]["value"], parse_unit(given_unit), "").to(parse_unit(wanted))
    assert got == pytest.approx(check["expected"]["value"], rel=0, abs=check["tolerance_abs"]["value"])


@pytest.mark.parametrize("id", ["UNI-T1", "UNI-T4", "UNI-T5", "UNI-T6"])
def test_temperatures_agree_with_published_figures(id: str) -> None:
    """A temperature in degF is the one in degC and K that NIST SP 811 (2008) B.8 gives."""
    check = CHECKS[id]
    reading = Quantity(check["inputs"]["degF"], parse_unit("degF"), "")
    for unit, expected in check["expected"].items():
        assert reading.to(parse_unit(unit)) == pytest.approx(expected, rel=0, abs=check["tolerance_abs"][unit])


@pytest.mark.parametrize("id", ["UNI-D1", "UNI-D2", "UNI-D3"])
def test_temperature_differences_have_no_offset(id: str) -> None:
    """A difference of 30 degF is one of 16.7 K, and not -1.1 degC (NIST SP 811 (2008) B.8, temperature interval)."""
    check = CHECKS[id]
    got = parse_unit("degF").difference_to_si(check["inputs"]["delta_degF"])
    assert got == pytest.approx(check["expected"]["delta_K"], rel=0, abs=check["tolerance_abs"]["delta_K"])


def test_an_uncertainty_converts_as_a_difference() -> None:
    """0.9 degF of uncertainty is 0.5 K, and its square the square (reference check UNI-U1, by definition)."""
    check = CHECKS["UNI-U1"]
    in_kelvin = parse_unit("degF").difference_to_si(check["inputs"]["u_degF"])
    assert in_kelvin == pytest.approx(check["expected"]["u_K"], rel=0, abs=check["tolerance_abs"]["u_K"])
    assert in_kelvin**2 == pytest.approx(check["expected"]["var_K2"], rel=0, abs=check["tolerance_abs"]["var_K2"])


# Exact by definition: SI prefixes and accepted units (SI brochure, 9th ed. (2019), tables 7 and 8), the yard, pound and
# gallons (NIST Handbook 44, appendix C), standard gravity and the US fluid ounce (NIST SP 811 (2008), appendix B.8).
EXACT = {
    "mm": "1/1000", "cm": "1/100", "dm": "1/10", "km": "1000", "um": "1/1000000", "nm": "1/1000000000",
    "in": "0.0254", "ft": "0.3048", "yd": "0.9144", "mi": "1609.344", "thou": "0.0000254",
    "mg": "1/1000000", "g": "1/1000", "ug": "1/1000000000", "t": "1000", "lb": "0.45359237", "oz": "0.028349523125",
    "mL": "1/1000000", "L": "1/1000", "cL": "1/100000", "dL": "1/10000", "uL": "1/1000000000",
    "US gal": "0.003785411784", "US fl oz": "0.0000295735295625", "US pt": "0.000473176473",
    "imp gal": "0.00454609", "imp pt": "0.00056826125", "imp qt": "0.0011365225",
    "ms": "1/1000", "min": "60", "h": "3600", "d": "86400", "degF": "5/9",
    "gf": "0.00980665", "kgf": "9.80665", "kPa": "1000", "MPa": "1000000", "mPa": "1/1000", "bar": "100000",
    "mbar": "100", "hPa": "100", "Wh": "3600", "mAh": "3.6", "cSt": "1/1000000", "cP": "1/1000", "%": "1/100",
    "cm2": "1/10000", "mm3": "1/1000000000", "g/m2": "1/1000", "km/h": "1000/3600", "mPa s": "1/1000",
    "N*mm": "1/1000", "1/min": "1/60", "mm2/s": "1/1000000", "kg/L": "1000",
}  # fmt: skip


@pytest.mark.parametrize(("spelling", "size"), EXACT.items())
def test_factors_are_exact(spelling: str, size: str) -> None:
    """A factor is the float nearest to its definition, so that 300 mL are 0.3 L and not 0.30000000000000004."""
    assert parse_unit(spelling).factor == float(
        Fraction(size) if "/" not in size else Fraction(*map(int, size.split("/")))
    )


# ---------------------------------------------------------------------------------------------- what may be written

SAME = [
    ("cm2", "cm^2"), ("cm2", "cm²"), ("cm2", "cm**2"), ("m/s2", "m*s^-2"), ("um", "µm"), ("um", "μm"), ("kohm", "kΩ"),
    ("kohm", "k\N{OHM SIGN}"), ("N*mm", "N·mm"), ("N*mm", "N mm"), ("degC", "°C"), ("deg", "°"), ("mPa s", "mPa*s"),
    ("g/m2", "g / m2"), ("g/m2/d", "g/m^2/d"), ("mL", "ml"), ("mm2/s", "cSt"), ("N m", "J"), ("Pa", "N/m2"),
    ("rpm", "rad/s"), ("Hz", "1/s"), ("1", "g/g"), ("US fl oz", " US  fl oz "),
]  # fmt: skip


@pytest.mark.parametrize(("one", "other"), SAME)
def test_spellings_of_one_unit_measure_the_same(one: str, other: str) -> None:
    """Signs, spaces and notations that mean the same give the same dimension."""
    assert same_dims(parse_unit(one), parse_unit(other))


AMOUNTS = [
    ("300 mL", 0.0003), ("300mL", 0.0003), ("  300   mL ", 0.0003), ("-4 g", -0.004), ("+4 g", 0.004), (".5 m", 0.5),
    ("5. m", 5.0), ("1.5e3 g", 1.5), ("2E-3 m", 0.002), ("5 %", 0.05), ("5%", 0.05), ("12 1/min", 0.2), ("7", 7.0),
    ("20 degC", 293.15), ("20 °C", 293.15), ("60 Shore A", 60.0), ("3 US fl oz", 3 * 2.95735295625e-05), ("0 g", 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("text", "si"), AMOUNTS)
def test_amounts_are_read_as_written(text: str, si: float) -> None:
    """A number, a space or none, and a unit make an amount."""
    quantity = parse_quantity(text)
    assert quantity.si == pytest.approx(si, rel=1e-15)
    assert quantity.text == text.strip()


def test_a_bare_number_is_a_pure_number() -> None:
    """Only a text without a unit has no unit."""
    assert parse_quantity("0.25").unit == PURE
    assert parse_unit("1").dims == ()


def test_mass_is_not_force() -> None:
    """`g` and `kg` are masses, `gf` and `kgf` forces."""
    assert not same_dims(parse_unit("g"), parse_unit("gf"))
    assert describe(parse_unit("kgf").dims) == "a force"


def test_turns_are_not_cycles() -> None:
    """An amount in Hz does not pass for one in rpm, which would be wrong by 2 pi."""
    with pytest.raises(UnitError, match="this is a rate"):
        parse_quantity("50 Hz").to(parse_unit("rpm"))


def test_temperature_within_a_unit_is_a_difference() -> None:
    """degC/min says how fast a temperature changes: no offset, and a scale with a zero."""
    unit = parse_unit("degF/min")
    assert (unit.offset, unit.scale) == (0.0, "ratio")
    assert unit.to_si(9.0) == pytest.approx(5.0 / 60.0, rel=1e-15)


def test_grades_of_hardness_are_an_interval_scale_of_their_own() -> None:
    """Shore A converts to nothing else, and 60 is not twice 30."""
    assert parse_unit("Shore A").scale == "interval"
    assert not same_dims(parse_unit("Shore A"), parse_unit("Shore D"))


def test_money_is_in_the_currency_of_the_study() -> None:
    """The study's code is a unit of its own, alone or within another unit."""
    assert parse_quantity("14.00 EUR", currency="EUR").value == 14.0
    assert describe(parse_unit("EUR/L", currency="EUR").dims) == "money / length^3"
    assert parse_quantity("2 EUR/L", currency="EUR").to(parse_unit("EUR/mL", currency="EUR")) == pytest.approx(0.002)


# --------------------------------------------------------------------------------------------------- what may not

UNITS_REFUSED = {
    "fl oz": "'fl oz': a fluid ounce is 29.6 mL in the US and 28.4 mL in the UK. Write US fl oz or imp fl oz.",
    "gal": "'gal': a gallon is 3.79 L in the US and 4.55 L in the UK. Write US gal or imp gal.",
    "mil": "'mil': to some this is a thousandth of an inch, to others a millimetre or a millilitre. "
    "Write thou, mm or mL.",
    "KG": "'KG': this is no unit: capital and small letters mean different things. Write kg.",
    "Mpa": "'Mpa': this is no unit: capital and small letters mean different things. Write mPa or MPa.",
    "M": "'M': this could be metres, minutes or millions. Write m or min.",
    "grams": "'grams': this is not how the unit is spelled here. Write g.",
    "gsm": "'gsm': this is not how the unit is spelled here. Write g/m2.",
    "Nm": "'Nm': this is not how the unit is spelled here. Write N m.",
    "kPaa": "'kPaa': this is not a unit on the list. Did you mean kPa or Pa?",
    "furlong/h": "'furlong/h': 'furlong' is not a unit on the list. "
    "Write one such as g, mm, mL, s, N, kPa, %, degC or g/m2.",
    "g2": "'g2': only lengths and times take an exponent without '^'. Write g^2.",
    "m^20": "'m^20': an exponent is a whole number from -9 to 9. Write it as in m^2.",
    "kg/m s": "'kg/m s': after '/' it is not plain how far the division reaches. Give each its own '/': kg/m/s.",
    "g/": "'g/': something is missing here. Write a unit as in g, g/m2 or 1/min.",
    "": "'': something is missing here. Write a unit as in g, g/m2 or 1/min.",
    "USD": "'USD': this is neither a unit nor the study's currency. Write money in EUR.",
    "eur": "'eur': this is neither a unit nor the study's currency. Write money in EUR.",
    "€": "'€': the sign € stands for the money of several countries. Write the amount and the code, as in 14.00 EUR.",
    "g\0": "'g\\x00': it holds '\\x00'. Use plain letters, digits and signs.",
    "ｇ": "'ｇ': it holds 'ｇ' (fullwidth latin small letter g). Type 'g' instead.",
    "а": "'а': it holds 'а' (cyrillic small letter a). Use plain letters, digits and signs.",
    "g" * 50: "'gggggggggggggggggggggggggggggggggggggggg…': this is longer than 40 characters. Write it as in 12.5 g.",
}  # fmt: skip


@pytest.mark.parametrize(("text", "message"), UNITS_REFUSED.items())
def test_units_are_refused_with_what_to_write(text: str, message: str) -> None:
    """Whatever is not on the list is refused in a sentence that says what to write."""
    with pytest.raises(UnitError) as error:
        parse_unit(text, currency="EUR")
    assert str(error.value) == message


AMOUNTS_REFUSED = {
    "1,5 g": "'1,5 g': a number is written with a decimal point. Write 1.5 g.",
    "1,000 g": "'1,000 g': a comma could part the thousands or the decimals. Write 1000 g or 1.000 g.",
    "1 000 g": "'1 000 g': a space stands within the number. Write 1000 g.",
    "570..580": "'570..580': this is a range, and one amount is needed here. Write one number and its unit.",
    "1/2 L": "'1/2 L': a fraction is not read as an amount. Write it with decimals, as in 0.5 L.",
    "3/min": "'3/min': the number and the unit run together. Write 3 1/min.",
    "five g": "'five g': it does not start with a number. Write a number and its unit, as in 12.5 g.",
    "nan g": "'nan g': it does not start with a number. Write a number and its unit, as in 12.5 g.",
    "inf": "'inf': it does not start with a number. Write a number and its unit, as in 12.5 g.",
    "<0.5 g": "'<0.5 g': it does not start with a number. Write a number and its unit, as in 12.5 g.",
    "": "'': it does not start with a number. Write a number and its unit, as in 12.5 g.",
    "1.2.3 g": "'1.2.3 g': the number cannot be read. Write a number and its unit, as in 12.5 g.",
    "1e999 g": "'1e999 g': this number is too large to compute with. Write a smaller one.",
    "1e308 km": "'1e308 km': this number is too large to compute with. Write a smaller one.",
    "−5 g": "'−5 g': it holds '−' (minus sign). Type '-' instead.",
    "٣ g": "'٣ g': it holds '٣' (arabic-indic digit three). Use plain letters, digits and signs.",
    "5\xa0g": "'5\\xa0g': it holds '\\xa0' (no-break space). Type a plain space instead.",
    "5² g": "'5² g': the number cannot be read. Write a number and its unit, as in 12.5 g.",
    "5 fl oz": "'fl oz': a fluid ounce is 29.6 mL in the US and 28.4 mL in the UK. Write US fl oz or imp fl oz.",
    "14 EUR": "'EUR': this is no unit, and the study states no currency. For money add currency = \"EUR\" to [study].",
}


@pytest.mark.parametrize(("text", "message"), AMOUNTS_REFUSED.items())
def test_amounts_are_refused_with_what_to_write(text: str, message: str) -> None:
    """Whatever is not one number and a known unit is refused in a sentence that says what to write."""
    with pytest.raises(UnitError) as error:
        parse_quantity(text)
    assert str(error.value) == message


def test_an_amount_of_another_sort_is_refused_in_plain_words() -> None:
    """A mass where a length is needed is named as what it is."""
    with pytest.raises(UnitError) as error:
        parse_quantity("4 g").to(parse_unit("mm"))
    assert str(error.value) == "'4 g': this is a mass, and a length is needed here. Write an amount in mm."


@pytest.mark.parametrize("word", [*units._WORDS.values(), *(w for _, w in units._TWO_MEANINGS.values())])
def test_what_an_error_says_to_write_can_be_written(word: str) -> None:
    """Advice to write a unit names one that is read."""
    advice = re.sub(r" for (the temperature|[0-9.]+ [A-Za-z]+)", "", word.removeprefix("Write ").rstrip("."))
    for spelling in re.split(r",? or |, ", advice):
        assert parse_unit(spelling).factor > 0


def test_errors_of_every_kind_can_be_caught_as_one_and_sent_to_another_process() -> None:
    """A UnitError is Correctable, keeps its fields, and survives pickling."""
    error = pickle.loads(pickle.dumps(UnitError("1,5 g", "why.", "Write 1.5 g.")))
    assert issubclass(UnitError, Correctable)
    assert isinstance(error, UnitError)
    assert (error.given, error.why, error.write) == ("1,5 g", "why.", "Write 1.5 g.")


def test_long_lists_of_names_are_cut() -> None:
    """A suggestion shows at most twelve names and says how many more there are."""
    text = suggest("reading_21", [f"reading_{n}" for n in range(40)])
    assert text.startswith("Did you mean 'reading_21'? Known: reading_0, reading_1, ")
    assert text.endswith("reading_11 … and 28 more.")


# ------------------------------------------------------------------------------------------------------ properties

finite = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12)


@given(st.text() | st.text("0123456789.,eE+-/*^ %gmLs²µ°\0", max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text does anything but give a finite amount or raise UnitError."""
    try:
        quantity = parse_quantity(text, currency="EUR")
    except UnitError as error:
        message = str(error)
        assert message.endswith(error.write)  # noqa: PT017, no text is expected to fail
    else:
        assert np.isfinite(quantity.si)


@given(finite, st.sampled_from(SPELLINGS))
def test_an_amount_written_and_read_back_is_the_same(value: float, spelling: str) -> None:
    """Every number with every unit on the list is read as typed."""
    quantity = parse_quantity(f"{value!r} {spelling}")
    assert quantity.value == value
    assert quantity.unit == parse_unit(spelling)
    assert quantity.to(parse_unit(spelling)) == value


@given(st.lists(finite, min_size=1, max_size=5), st.sampled_from(SPELLINGS))
def test_arrays_convert_as_their_elements_do_and_back(values: list[float], spelling: str) -> None:
    """Conversion to SI and back returns what went in, one by one or all together."""
    unit = parse_unit(spelling)
    array = np.array(values)
    assert unit.to_si(array).tolist() == [unit.to_si(value) for value in values]
    scale = 1 + abs(unit.offset) / unit.factor + np.abs(array)
    assert np.all(np.abs(unit.from_si(unit.to_si(array)) - array) <= 1e-15 * 4 * scale)
    assert np.allclose(unit.difference_from_si(unit.difference_to_si(array)), array, rtol=1e-15, atol=1e-300)


@given(finite, finite, st.sampled_from(SPELLINGS))
def test_a_difference_does_not_depend_on_where_the_scale_starts(a: float, b: float, spelling: str) -> None:
    """The difference of two values in SI is their difference, converted as one."""
    unit = parse_unit(spelling)
    scale = unit.factor * (abs(a) + abs(b)) + abs(unit.offset)
    assert unit.to_si(a) - unit.to_si(b) == pytest.approx(unit.difference_to_si(a - b), rel=0, abs=1e-15 * 4 * scale)


@given(st.sampled_from(RATIO), st.sampled_from(RATIO), st.sampled_from("/*"))
def test_units_combine_as_their_factors_do(one: str, other: str, sign: str) -> None:
    """The size and dimension of a/b and a*b follow from those of a and b."""
    a, b, both = parse_unit(one), parse_unit(other), parse_unit(f"{one}{sign}{other}")
    power = -1 if sign == "/" else 1
    assert both.factor == pytest.approx(a.factor * b.factor**power, rel=1e-15)
    assert both.dims == times(a.dims, raised(b.dims, power))
