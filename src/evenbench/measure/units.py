"""Units and amounts as people write them: a list of spellings, a tiny grammar, conversion to SI and back.

Nothing is guessed. A spelling that is not on the list is refused with the nearest ones that are, and one that
means two things, such as `fl oz`, is refused with both. pint knows the size and the dimension of each single
unit on the list; everything after that is plain arithmetic on SI numbers.
"""

# Throughout this module:
#   factor   how many SI units one of the unit is; with the offset: value in SI = value * factor + offset
#   dims     the dimension, as sorted pairs of a base and its exponent; () is a pure number
#   scale    "ratio" where zero is nothing and twice as much makes sense; "interval" where only differences do
#   atom     a unit that stands alone in the list, such as `mm`; `g/m2` is made of two

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeVar

from evenbench.measure.errors import UnitError, character_name, plain_sign

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Number = TypeVar("Number", float, NDArray[np.float64])

Dims = tuple[tuple[str, Fraction], ...]
Scale = Literal["ratio", "interval"]

LONGEST = 40
"""Characters that a unit or an amount may have."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as written, and what it takes to turn a value in it into SI: value * factor + offset.

    Every method works on a float and on an array of floats alike.

    >>> unit = parse_unit("degF")
    >>> round(unit.to_si(212.0), 6), round(unit.difference_to_si(9.0), 6)
    (373.15, 5.0)
    """

    text: str
    factor: float
    dims: Dims
    offset: float = 0.0
    scale: Scale = "ratio"

    def to_si(self, value: Number) -> Number:
        """A value in this unit, in SI units."""
        return value * self.factor + self.offset

    def from_si(self, value: Number) -> Number:
        """A value in SI units, in this unit."""
        return (value - self.offset) / self.factor

    def difference_to_si(self, value: Number) -> Number:
        """A difference in this unit, in SI units: where a scale starts is of no account to a difference."""
        return value * self.factor

    def difference_from_si(self, value: Number) -> Number:
        """A difference in SI units, in this unit."""
        return value / self.factor


PURE = Unit(text="", factor=1.0, dims=())
"""The unit of a pure number."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """An amount: a value with its unit, as typed."""

    value: float
    unit: Unit
    text: str

    @property
    def si(self) -> float:
        """The amount in SI units."""
        return self.unit.to_si(self.value)

    def to(self, unit: Unit) -> float:
        """The value of this amount in another unit.

        Raises UnitError where the two measure different things.

        >>> parse_quantity("2.5 kg").to(parse_unit("g"))
        2500.0
        """
        if not same_dims(self.unit, unit):
            why = f"this is {describe(self.unit.dims)}, and {describe(unit.dims)} is needed here."
            raise UnitError(self.text, why, f"Write an amount in {unit.text or 'no unit'}.")
        same = (self.unit.factor, self.unit.offset) == (unit.factor, unit.offset)
        return self.value if same else unit.from_si(self.si)


# ------------------------------------------------------------------------------------- what may be written

# Spelling -> pint's name for it. Never the spelling itself: to pint `mil` is an angle, and `fl oz` is a
# femtolitre times an ounce.
_LENGTHS = {
    "nm": "nanometer", "um": "micrometer", "mm": "millimeter", "cm": "centimeter", "dm": "decimeter",
    "m": "meter", "km": "kilometer", "thou": "thou", "in": "inch", "ft": "foot", "yd": "yard", "mi": "mile",
}  # fmt: skip
_TIMES = {"us": "microsecond", "ms": "millisecond", "s": "second", "min": "minute", "h": "hour", "d": "day"}
_ATOMS = {
    **_LENGTHS,
    **_TIMES,
    # mass; `g` is never a force and `kgf` never a mass
    "ug": "microgram", "mg": "milligram", "g": "gram", "kg": "kilogram", "t": "metric_ton",
    "oz": "ounce", "lb": "pound",
    # volume
    "uL": "microliter", "ul": "microliter", "mL": "milliliter", "ml": "milliliter", "cL": "centiliter",
    "cl": "centiliter", "dL": "deciliter", "dl": "deciliter", "L": "liter", "l": "liter",
    "US fl oz": "fluid_ounce", "US pt": "pint", "US qt": "quart", "US gal": "gallon",
    "imp fl oz": "imperial_fluid_ounce", "imp pt": "imperial_pint", "imp qt": "imperial_quart",
    "imp gal": "imperial_gallon",
    # temperature
    "K": "kelvin", "degC": "degree_Celsius", "degF": "degree_Fahrenheit",
    # force and pressure
    "mN": "millinewton", "N": "newton", "kN": "kilonewton",
    "gf": "gram_force", "kgf": "kilogram_force", "ozf": "ounce_force", "lbf": "pound_force",
    "mPa": "millipascal", "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal", "MPa": "megapascal",
    "GPa": "gigapascal", "mbar": "millibar", "bar": "bar", "psi": "psi", "atm": "standard_atmosphere",
    "Torr": "torr",
    # energy, power, electricity
    "mJ": "millijoule", "J": "joule", "kJ": "kilojoule", "MJ": "megajoule", "cal_th": "calorie",
    "Wh": "watt_hour", "kWh": "kilowatt_hour",
    "mW": "milliwatt", "W": "watt", "kW": "kilowatt", "hp": "horsepower",
    "uV": "microvolt", "mV": "millivolt", "V": "volt", "kV": "kilovolt",
    "uA": "microampere", "mA": "milliampere", "A": "ampere", "mAh": "milliampere_hour", "Ah": "ampere_hour",
    "mohm": "milliohm", "ohm": "ohm", "kohm": "kiloohm", "Mohm": "megaohm",
    "uS": "microsiemens", "mS": "millisiemens",
    # viscosity, speed, turning, light
    "cP": "centipoise", "cSt": "centistokes", "mph": "mile_per_hour", "rpm": "revolutions_per_minute",
    "Hz": "hertz", "kHz": "kilohertz", "MHz": "megahertz", "rad": "radian", "deg": "degree",
    "lm": "lumen", "lx": "lux",
    # shares and numbers
    "%": "percent", "ppm": "ppm", "count": "count",
}  # fmt: skip

# Scales that convert to nothing else and have no zero to take a share of: each is a dimension of its own.
_SCALES = ("Shore A", "Shore D", "IRHD", "dB", "pH")

# An angle is a dimension here, unlike in SI: a turn a second is 1 Hz and 2 pi rad/s, and were angles pure
# numbers, the one would pass for the other without a word.
_ANGLES = ("rad", "deg", "rpm")

# Signs that people type or paste for a spelling on the list. Other look-alikes are refused by name.
_SIGNS = {
    "\N{MICRO SIGN}": "u", "\N{GREEK SMALL LETTER MU}": "u", "\N{OHM SIGN}": "ohm",
    "\N{GREEK CAPITAL LETTER OMEGA}": "ohm", "°C": "degC", "°F": "degF", "°": "deg",
    "²": "2", "³": "3", "·": "*", "**": "^",
}  # fmt: skip

# Words that people use -> the spelling to use instead, where likeness alone would not lead there.
_WORDS = {
    word: spelling
    for spelling, words in {
        "g": "gram grams gm gms gr", "kg": "kilo kilos kgs kilogram kilograms", "oz": "ounce ounces",
        "lb": "lbs pound pounds", "t": "tonne tonnes", "g/m2": "gsm",
        "mm": "millimetre millimetres millimeter millimeters",
        "cm": "centimetre centimetres centimeter centimeters",
        "m": "metre metres meter meters", "um": "micron microns", "in": "inch inches", "ft": "foot feet",
        "L": "litre litres liter liters ltr", "mL": "millilitre millilitres milliliter milliliters cc ccm",
        "s": "sec secs second seconds", "min": "mins minute minutes", "h": "hr hrs hour hours",
        "d": "day days",
        "km/h": "kph kmh", "N": "newton newtons", "N m": "Nm", "mPa s": "mPas", "A": "amp amps",
        "%": "percent pct", "degC": "celsius degc", "degF": "fahrenheit degf", "deg": "degree degrees",
        "count": "pcs piece pieces",
    }.items()
    for word in words.split()
}  # fmt: skip
_TWO_MEANINGS = {
    word: answer
    for words, answer in {
        ("fl oz", "floz", "US floz", "imp floz"):
            ("a fluid ounce is 29.6 mL in the US and 28.4 mL in the UK.", "Write US fl oz or imp fl oz."),
        ("gal", "gallon", "gallons"):
            ("a gallon is 3.79 L in the US and 4.55 L in the UK.", "Write US gal or imp gal."),
        ("pt", "pint", "pints"):
            ("a pint is 473 mL in the US and 568 mL in the UK.", "Write US pt or imp pt."),
        ("qt", "quart", "quarts"):
            ("a quart is 946 mL in the US and 1137 mL in the UK.", "Write US qt or imp qt."),
        ("mil", "mils"):
            ("to some this is a thousandth of an inch, to others a millimetre or a millilitre.",
             "Write thou, mm or mL."),
        ("ton", "tons"): ("a ton is 1000 kg, 1016 kg or 907 kg, by country.", "Write t for 1000 kg, or kg."),
        ("cal", "calorie", "calories"): ("there are several calories.", "Write cal_th for 4.184 J, or J."),
        ("C",): ("this could be a temperature or an electric charge.", "Write degC or A*s."),
        ("F",): ("this could be a temperature or an electric capacity.", "Write degF."),
        ("M",): ("this could be metres, minutes or millions.", "Write m or min."),
    }.items()
    for word in words
}  # fmt: skip

# The dimension of money: each study has one currency, and rates of exchange are none of its business.
MONEY: Dims = (("[money]", Fraction(1)),)
ANGLE: Dims = (("[angle]", Fraction(1)),)


# --------------------------------------------------------------------------------------------- reading them


@lru_cache(maxsize=4096)
def parse_unit(text: str, *, currency: str | None = None) -> Unit:
    """The unit that a text spells: `g`, `g/m2`, `N*mm`, `1/s`, `mPa s`, or `1` for a pure number.

    currency  the code of the study's money, three capital letters, which then is a unit too

    Raises UnitError where the text is no spelling on the list, or could mean two things.

    >>> parse_unit("g/m2").factor
    0.001
    >>> parse_unit("US fl oz").factor
    2.95735295625e-05
    """
    _check_characters(text)
    shown = " ".join(text.split())
    factors = _factors(_spelled_out(text), text, currency)
    if len(factors) == 1 and factors[0].power == 1:
        atom = factors[0].atom
        return Unit(shown, float(atom.factor), atom.dims, atom.offset, atom.scale)
    # In a unit made of several, a temperature can only be a difference: degC/min is how fast it changes.
    factor, dims = Fraction(1), PURE.dims
    for atom, power in factors:
        factor, dims = factor * atom.factor**power, times(dims, raised(atom.dims, power))
    return Unit(shown, float(factor), dims)


EITHER_WAY = re.compile("±|\\+ ?/? ?[-\N{EN DASH}\N{MINUS SIGN}]")
"""The sign that says "to either side", as people type it."""
_CLOCK = re.compile(r"(?P<first>[0-9]{1,4}):(?:(?P<middle>[0-9]{2}):)?(?P<last>[0-9]{2}(?:\.[0-9]+)?)")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


@lru_cache(maxsize=4096)
def parse_quantity(text: str, *, currency: str | None = None) -> Quantity:
    """The amount that a text states: a number, and a unit unless it is a pure number.

    Raises UnitError where the number or the unit cannot be read.

    >>> parse_quantity("300 mL").si, parse_quantity("-1.5e3").si
    (0.0003, -1500.0)
    >>> parse_quantity("14.00 EUR", currency="EUR").value
    14.0
    """
    if found := EITHER_WAY.search(text):
        before, after = text[: found.start()].strip(), text[found.end() :].strip()
        raise UnitError(text, *_why_no_sign(before, after, found[0]))
    _check_characters(text)
    written = text.strip()
    number = _NUMBER.match(written)
    rest = written[number.end() :].lstrip() if number else ""
    if number is None or rest.startswith((",", "/", ".", ":")) or (rest[:1].isdigit() and not rest.startswith("1/")):
        raise UnitError(text, *_why_no_amount(written, starts=number is not None))
    value = float(number[0])
    unit = parse_unit(rest, currency=currency) if rest else PURE
    if not math.isfinite(unit.to_si(value)):
        raise UnitError(text, "this number is too large to compute with.", "Write a smaller one.")
    return Quantity(value, unit, written)


def _why_no_amount(written: str, *, starts: bool) -> tuple[str, str]:
    """Why a text is not one number followed by a unit; `starts` where it does start with a number."""
    if clock := _CLOCK.fullmatch(written):
        return _why_no_clock(clock)
    if ".." in written:
        return "this is a range, and one amount is needed here.", "Write one number and its unit."
    if "," in written:
        return _why_no_comma(written)
    if starts and (found := re.match(r"([^/]*?) ?(/ ?[A-Za-z].*)", written)):
        return "the number and the unit run together.", f"Write {found[1]} 1{found[2]}."
    if starts and "/" in written:
        return "a fraction is not read as an amount.", "Write it with decimals, as in 0.5 L."
    if re.match(r"[+-]?[0-9]+( [0-9]{3})+(?![0-9])", written):
        return "a space stands within the number.", f"Write {re.sub(r'(?<=[0-9]) (?=[0-9])', '', written)}."
    why = "the number cannot be read." if starts else "it does not start with a number."
    return why, "Write a number and its unit, as in 12.5 g."


def _why_no_clock(clock: re.Match[str]) -> tuple[str, str]:
    """A time as a clock shows it: the last figures are seconds, as in a sheet."""
    first, middle, last = clock["first"], clock["middle"], clock["last"]
    seconds = 60 * int(first) if middle is None else 3600 * int(first) + 60 * int(middle)
    whole, point, decimals = last.partition(".")
    together = "minutes and seconds" if middle is None else "hours, minutes and seconds"
    return f"{together} stand together.", f"Write {seconds + int(whole)}{point}{decimals} s."


def _why_no_sign(before: str, after: str, sign: str) -> tuple[str, str]:
    """An amount with ± in it: one that reaches to both sides already, or two amounts in one."""
    if before and after:
        unit = re.sub(r"^[-+0-9.eE ]+", "", after)
        write = f"Write {before}{' ' + unit if unit and before[-1:].isdigit() else ''}."
        return f"this is two amounts, with {sign} between them.", write
    why = f"{sign} does not belong to an amount." if before else "an amount that reaches to both sides has no sign."
    return why, f"Write {before or after}." if before or after else "Write a number and its unit, as in 12.5 g."


def _why_no_comma(written: str) -> tuple[str, str]:
    point = written.replace(",", ".", 1)
    if re.match(r"[+-]?[0-9]{1,3}(,[0-9]{3})+(?![0-9])", written):
        return (
            "a comma could part the thousands or the decimals.",
            f"Write {written.replace(',', '')} or {point}.",
        )
    return "a number is written with a decimal point.", f"Write {point}."


def _check_characters(text: str) -> None:
    """Refuse what is too long, or looks like something it is not."""
    if len(text) > LONGEST:
        raise UnitError(text, f"this is longer than {LONGEST} characters.", "Write it as in 12.5 g.")
    for character in text:
        if character in "$€£¥":
            why = f"the sign {character} stands for the money of several countries."
            raise UnitError(text, why, "Write the amount and the code, as in 14.00 EUR.")
        if not (character.isascii() and character.isprintable()) and character not in "".join(_SIGNS):
            raise UnitError(text, f"it holds {character_name(character)}.", plain_sign(character))


def _spelled_out(text: str) -> str:
    """A unit with its signs turned into spellings of the list, and single spaces."""
    for sign, spelling in _SIGNS.items():
        text = text.replace(sign, spelling)
    return " ".join(text.split())


class _Atom(NamedTuple):
    factor: Fraction
    dims: Dims
    offset: float = 0.0
    scale: Scale = "ratio"


class _Factor(NamedTuple):
    atom: _Atom
    power: int


def _factors(written: str, given: str, currency: str | None) -> list[_Factor]:
    """The units that a unit is the product of, each with its exponent."""
    over, *under = (part.strip() for part in written.split("/"))
    if any("" in _parts(part) for part in (over, *under)):
        raise UnitError(given, "something is missing here.", "Write a unit as in g, g/m2 or 1/min.")
    for part in under:
        if len(_parts(part)) > 1:
            why = "after '/' it is not plain how far the division reaches."
            raise UnitError(given, why, f"Give each its own '/': {'/'.join([over, *_parts(part)])}.")
    out = [] if over == "1" else [_factor(part, given, currency) for part in _parts(over)]
    for part in under:
        atom, power = _factor(part, given, currency)
        out.append(_Factor(atom, -power))
    return out


def _parts(product: str) -> list[str]:
    """`mPa s` is two units, `US fl oz` one."""
    if product.casefold() in _folded():
        return [product]
    for spaced in (name for names in _folded().values() for name in names if " " in name):
        product = product.replace(spaced, spaced.replace(" ", "\0"))
    return [part.replace("\0", " ") for part in re.split(r" ?\* ?| ", product)]


def _factor(written: str, given: str, currency: str | None) -> _Factor:
    if found := re.fullmatch(r"([^^]+)\^(-?[1-9])", written):
        return _Factor(_find(found[1], given, currency), int(found[2]))
    if "^" in written:
        raise UnitError(given, "an exponent is a whole number from -9 to 9.", "Write it as in m^2.")
    found = re.fullmatch(r"([A-Za-z]+)([2-9])", written)
    if found and (found[1] in _LENGTHS or found[1] in _TIMES):
        return _Factor(_atom(found[1]), int(found[2]))
    if found and found[1] in _ATOMS:
        raise UnitError(given, "only lengths and times take an exponent without '^'.", f"Write {found[1]}^{found[2]}.")
    return _Factor(_find(written, given, currency), 1)


def _find(name: str, given: str, currency: str | None) -> _Atom:
    if name in _ATOMS or name in _SCALES:
        return _atom(name)
    if name == currency:
        return _Atom(Fraction(1), MONEY)
    raise UnitError(given, *_why_unknown(name, "this" if name == given.strip() else repr(name), currency))


def _why_unknown(name: str, it: str, currency: str | None) -> tuple[str, str]:
    """Why a name is not read as a unit, and what to write."""
    if name in _TWO_MEANINGS:
        return _TWO_MEANINGS[name]
    if word := _WORDS.get(name, _WORDS.get(name.casefold())):
        return f"{it} is not how the unit is spelled here.", f"Write {word}."
    if spellings := _folded().get(name.casefold()):
        return (
            f"{it} is no unit: capital and small letters mean different things.",
            f"Write {' or '.join(spellings)}.",
        )
    if currency and re.fullmatch("[A-Z]{3}", name.upper()) and (name.isupper() or name.upper() == currency):
        return f"{it} is neither a unit nor the study's currency.", f"Write money in {currency}."
    if re.fullmatch("[A-Z]{3}", name):
        return (
            f"{it} is no unit, and the study states no currency.",
            'For money add currency = "EUR" to [study].',
        )
    near = difflib.get_close_matches(name, [*_ATOMS, *_SCALES], n=3, cutoff=0.6)
    write = f"Did you mean {' or '.join(near)}?" if near else "Write one such as g, mm, mL, s, N, kPa, %, degC or g/m2."
    return f"{it} is not a unit on the list.", write


@lru_cache(maxsize=1)
def _folded() -> dict[str, list[str]]:
    """Every name that may have spaces or capitals in it, by its form in small letters."""
    out: dict[str, list[str]] = {}
    for spelling in (*_ATOMS, *_SCALES, *(name for name in _TWO_MEANINGS if " " in name)):
        out.setdefault(spelling.casefold(), []).append(spelling)
    return out


# -------------------------------------------------------------------------------------------- what pint knows


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    # Without its cache folder: that would save 0.1 s a start, by reading pickled objects from the disk.
    return pint.UnitRegistry()


@lru_cache(maxsize=256)
def _atom(spelling: str) -> _Atom:
    """Size and dimension of a single unit on the list."""
    if spelling in _SCALES:
        return _Atom(Fraction(1), ((f"[{spelling}]", Fraction(1)),), scale="interval")
    registry, name = _registry(), _ATOMS[spelling]
    factor, _ = registry.get_base_units(name)
    dims = tuple(sorted((base, Fraction(power)) for base, power in registry.get_dimensionality(name).items()))
    if spelling in ("degC", "degF"):
        offset = float(registry.Quantity(0.0, name).to("kelvin").magnitude)
        return _Atom(_exact(float(factor)), dims, offset, "interval")
    if spelling in _ANGLES:
        dims = times(dims, ANGLE)
    return _Atom(_exact(float(factor)), dims)


def _exact(factor: float) -> Fraction:
    """The exact number that a factor computed in floats stands for, so that products of factors stay exact.

    pint multiplies floats and arrives at 0.0010000000000000002 for the litre. Most units are defined by a short
    fraction (5/9) or by a decimal (0.45359237). A factor that is neither, to within the last bits of a float,
    stays as it is: those with pi, and the psi.
    """
    short = Fraction(factor).limit_denominator(10_000)
    if float(short) == factor:
        return short
    decimal = Fraction(f"{factor:.13e}")
    return decimal if abs(decimal - Fraction(factor)) <= 4 * Fraction(math.ulp(factor)) else Fraction(factor)


# ------------------------------------------------------------------------------------------------- dimensions


def times(a: Dims, b: Dims) -> Dims:
    """The dimension of a product.

    >>> times(parse_unit("g").dims, parse_unit("1/g").dims)
    ()
    """
    powers = dict(a)
    for base, power in b:
        powers[base] = powers.get(base, Fraction(0)) + power
    return tuple(sorted((base, power) for base, power in powers.items() if power))


def raised(dims: Dims, power: Fraction | int) -> Dims:
    """The dimension of a power.

    >>> raised(parse_unit("m2").dims, Fraction(1, 2)) == parse_unit("mm").dims
    True
    """
    return tuple((base, exponent * power) for base, exponent in dims) if power else ()


def same_dims(a: Unit | Dims, b: Unit | Dims) -> bool:
    """Whether two units, or two dimensions, measure the same sort of thing.

    >>> same_dims(parse_unit("g"), parse_unit("lb")), same_dims(parse_unit("g"), parse_unit("gf"))
    (True, False)
    """
    return (a.dims if isinstance(a, Unit) else a) == (b.dims if isinstance(b, Unit) else b)


def _dims(**powers: int) -> Dims:
    return tuple(sorted((f"[{base}]", Fraction(power)) for base, power in powers.items()))


_PLAIN_WORDS = {
    PURE.dims: "a pure number",
    MONEY: "an amount of money",
    ANGLE: "an angle",
    _dims(mass=1): "a mass",
    _dims(length=1): "a length",
    _dims(length=2): "an area",
    _dims(length=3): "a volume",
    _dims(time=1): "a time",
    _dims(time=-1): "a rate (1 / time)",
    _dims(temperature=1): "a temperature",
    _dims(length=1, time=-1): "a speed",
    _dims(mass=1, length=-2): "a mass per area",
    _dims(mass=1, length=-3): "a density",
    _dims(mass=1, length=1, time=-2): "a force",
    _dims(mass=1, length=-1, time=-2): "a pressure",
    _dims(mass=1, length=2, time=-2): "an energy or a torque",
    _dims(mass=1, length=2, time=-3): "a power",
    _dims(mass=1, length=-1, time=-1): "a viscosity",
    _dims(length=2, time=-1): "a kinematic viscosity",
    _dims(current=1): "an electric current",
    _dims(current=1, time=1): "an electric charge",
    _dims(mass=1, length=2, time=-3, current=-1): "a voltage",
    _dims(mass=1, length=2, time=-3, current=-2): "an electric resistance",
}


def describe(dims: Dims) -> str:
    """A dimension in plain words, or as a product of plain words.

    >>> describe(parse_unit("g/m2").dims), describe(parse_unit("EUR/L", currency="EUR").dims)
    ('a mass per area', 'money / length^3')
    """
    if dims in _PLAIN_WORDS:
        return _PLAIN_WORDS[dims]
    over = [_powered(base, power) for base, power in dims if power > 0]
    under = [_powered(base, -power) for base, power in dims if power < 0]
    return " / ".join([" * ".join(over) or "1", *under])


def _powered(base: str, power: Fraction) -> str:
    name = base.strip("[]")
    if power == 1:
        return name
    return f"{name}^{power}" if power.denominator == 1 else f"{name}^({power})"
