"""Sound studies made from the format itself: hypothesis draws study.toml and sheets, and plants what they say."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from tests.damage.independent import Bounds, Key
from tests.damage.mutations import Table, workbook, written

Draw = Callable[[st.SearchStrategy[Any]], Any]


@dataclass
class Made:
    """A study folder, and what every reading in it is: the third witness beside program and independent reader."""

    files: dict[str, bytes]
    values: dict[Key, Bounds] = field(default_factory=dict)


@dataclass(frozen=True)
class Reading:
    """A declared reading, with the line that declares it."""

    id: str
    kind: str
    unit: str = ""
    levels: tuple[str, ...] = ()
    limit: int | None = None
    repeats: int = 1
    of: str = "run"

    @property
    def line(self) -> str:
        """Its line in study.toml."""
        keys = [f'unit = "{self.unit}"'] if self.unit else []
        if self.kind == "place":
            keys.append('place_in = "round"')
        elif self.kind != "number" and not (self.kind == "grade" and self.id.endswith("0")):
            keys.append(f'kind = "{self.kind}"')
        if self.levels:
            keys.append(f"levels = {json.dumps(self.levels, ensure_ascii=False)}")
        if self.limit is not None:
            keys.append(f'limit = "{self.limit} {self.unit}"')
        if self.repeats > 1:
            keys.append(f"repeats = {self.repeats}")
        if self.of != "run":
            keys.append(f'of = "{self.of}"')
        return f"readings.{self.id} = {{ {', '.join(keys)} }}"


@dataclass(frozen=True)
class Manner:
    """How the sheets of a study are written."""

    layout: str  # "wide", "long" or "book"
    separator: str
    mark: str
    end: str = "\n"
    bom: bool = False
    header_units: str = ""
    cell_units: str = ""
    thousands: str = ""


PRODUCTS = ("untreated", "water", "ostrel", "garvel", "a1", "b_2")
UNITS = ("g", "kg", "mm", "%", "count", "degC", "N", "g/m2")
LEVELS = (("0", "50", "70", "100"), ("poor", "fair", "good"), ("clear", "Patchy wet", "grey"), ("keine", "größer"))
SECONDS = {"s": 1, "min": 60, "h": 3600}
NARROW = "\u202f"

manners = st.one_of(
    st.builds(
        Manner,
        layout=st.sampled_from(["wide", "wide", "long"]),
        separator=st.just(","),
        mark=st.just("."),
        end=st.sampled_from(["\n", "\r\n", "\r"]),
        bom=st.booleans(),
        header_units=st.sampled_from(["", "", " ({})", " [{}]", ", {}"]),
        cell_units=st.sampled_from(["", "", " "]),
    ),
    st.builds(
        Manner,
        layout=st.sampled_from(["wide", "wide", "long"]),
        separator=st.sampled_from([";", "\t"]),
        mark=st.sampled_from([",", "."]),
        end=st.sampled_from(["\n", "\r\n"]),
        bom=st.booleans(),
        header_units=st.sampled_from(["", "", " ({})", " [{}]", ", {}"]),
        cell_units=st.sampled_from(["", "", " "]),
        thousands=st.sampled_from(["", "", NARROW, "'"]),
    ),
    st.just(Manner("book", ",", ".")),
)


@st.composite
def readings(draw: Draw, test: int, lanes: bool, blocks: bool) -> list[Reading]:
    """One to five readings of a test; the first is one of each run that results can name."""
    kinds = ["number", "number", "number", "time", "grade", "category", "yes or no", "text"] + ["place"] * lanes
    found: list[Reading] = []
    for n in range(draw(st.integers(1, 5))):
        kind = draw(st.sampled_from(kinds)) if n else draw(st.sampled_from(kinds[:7]))
        id = f"r{test}_{n}"
        if kind == "place" and any(reading.kind == "place" for reading in found):
            continue
        if kind == "number":
            of = "run"
            if n:
                shared = ["run", "run", "specimen", "product", "test", *(["block"] if blocks else [])]
                of = draw(st.sampled_from(shared))
            repeats = draw(st.integers(1, 3))
            found.append(Reading(id, kind, draw(st.sampled_from(UNITS)), repeats=repeats, of=of))
        elif kind == "time":
            limit = draw(st.sampled_from([None, 600, 90]))
            found.append(Reading(id, kind, draw(st.sampled_from(sorted(SECONDS))), limit=limit))
        elif kind in ("grade", "category"):
            found.append(Reading(id, kind, levels=draw(st.sampled_from(LEVELS))))
        else:
            found.append(Reading(id, kind))
    return found


def result(reading: Reading) -> str:
    """A result that names one reading, as study.toml has it; none of a text or of what runs share."""
    id = reading.id
    if reading.kind == "text" or reading.of != "run":
        return ""
    if reading.kind in ("grade", "place", "yes or no"):
        better = "lower" if reading.kind == "place" else "higher"
        return f'results.y{id} = {{ formula = "{id}", kind = "benefit", better = "{better}" }}'
    if reading.kind == "category":
        return f'results.y{id} = {{ formula = "{id}", kind = "info" }}'
    if reading.unit in ("degC", "count"):
        return f'results.y{id} = {{ formula = "{id}", unit = "{reading.unit}", kind = "info" }}'
    matters = "5 points" if reading.unit == "%" else f"2 {reading.unit}"
    rest = f'kind = "benefit", better = "lower", matters = "{matters}"'
    return f'results.y{id} = {{ formula = "{id}", unit = "{reading.unit}", {rest} }}'


# ------------------------------------------------------------------------------------------------------------ one cell


@st.composite
def numbers(draw: Draw, manner: Manner, plain: bool = False) -> tuple[str, Decimal]:
    """A number as its sheet writes it, and the number. No lone mark before three digits but where it is clear."""
    settled = manner.separator == "," or (manner.separator, manner.mark) == (";", ",")
    decimals = draw(st.sampled_from([0, 1, 2, 3, 4] if settled else [0, 1, 2, 4]))
    whole = (
        draw(st.integers(1, 9_999_999 if manner.thousands and decimals else 99_999))
        if not plain
        else draw(st.integers(1, 999))
    )
    rest = "".join(str(draw(st.integers(0, 9))) for _ in range(decimals))
    value = Decimal(f"{whole}.{rest}" if rest else str(whole))
    text = f"{whole:,}".replace(",", manner.thousands) if manner.thousands and rest and not plain else str(whole)
    return text + (manner.mark + rest if rest else ""), value


@st.composite
def number_cells(draw: Draw, manner: Manner, unit: str) -> tuple[str, Bounds]:
    """A cell of a number, and what it says."""
    text, value = draw(numbers(manner))
    behind = manner.cell_units + unit if manner.cell_units and unit else ""
    way = draw(st.sampled_from(["plain"] * 6 + ["below", "above", "between", "at most", "at least", "about", "minus"]))
    near = float(value)
    if way == "plain":
        return text + behind, (near, near)
    if way == "minus":
        return draw(st.sampled_from(["-", "\u2212"])) + text, (-near, -near)
    if way == "below":
        return draw(st.sampled_from(["<", "< "])) + text, (-math.inf, near)
    if way == "above":
        return ">" + text, (near, math.inf)
    if way == "at most":
        return f"..{text}", (-math.inf, near)
    if way == "at least":
        return f"{text}..", (near, math.inf)
    if way == "between":
        more, other = draw(numbers(manner).filter(lambda found: found[1] != value))
        ends = sorted([(value, text), (other, more)])
        return draw(st.sampled_from(["{}..{}", "{} .. {}"])).format(ends[0][1], ends[1][1]), (
            float(ends[0][0]),
            float(ends[1][0]),
        )
    return f"~{text}", (float(value - _step(value)), float(value + _step(value)))


def _step(value: Decimal) -> Decimal:
    """One of the last digit that is not a zero."""
    return Decimal(1).scaleb(int(value.normalize().as_tuple().exponent))


@st.composite
def time_cells(draw: Draw, manner: Manner, reading: Reading) -> tuple[str, Bounds]:
    """A cell of a time: a number, a clock, or that it did not finish."""
    way = draw(st.sampled_from(["number", "number", "clock", "hours", *(["unfinished"] if reading.limit else [])]))
    if way == "unfinished":
        assert reading.limit
        return "did not finish", (float(reading.limit), math.inf)
    if way == "number":
        text, value = draw(numbers(manner))
        return text, (float(value), float(value))
    hours = draw(st.integers(1, 9)) if way == "hours" else 0
    minutes, seconds, tenths = draw(st.integers(0, 59)), draw(st.integers(0, 59)), draw(st.integers(0, 9))
    text = f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
    if tenths:
        text += f"{manner.mark}{tenths}"
    value = (Decimal(hours * 3600 + minutes * 60 + seconds) + Decimal(tenths) / 10) / SECONDS[reading.unit]
    return text, (float(value), float(value))


@st.composite
def cells(draw: Draw, manner: Manner, reading: Reading) -> tuple[str, Bounds]:
    """A cell of any reading but a place."""
    if reading.kind == "number":
        found: tuple[str, Bounds] = draw(number_cells(manner, reading.unit))
        return found
    if reading.kind == "time":
        time: tuple[str, Bounds] = draw(time_cells(manner, reading))
        return time
    if reading.kind == "text":
        words: str = draw(st.text("ab,;\" '12.", min_size=1, max_size=8).filter(str.strip))
        return words, (math.nan, math.nan)
    levels = ("no", "yes") if reading.kind == "yes or no" else reading.levels
    index = draw(st.integers(0, len(levels) - 1))
    spelling = draw(st.sampled_from([str, str.upper, str.capitalize]))
    text: str = spelling(levels[index])
    return (text if text.casefold() == levels[index].casefold() else levels[index]), (float(index), float(index))


# ------------------------------------------------------------------------------------------------------------ one test

Line = dict[str, str]  # what places a run: product, run, block, and so on


@st.composite
def tests(draw: Draw, n: int, products: list[str], manner: Manner) -> tuple[str, list[Reading], list[Line], Any, Any]:
    """A test: its table in study.toml, readings, runs, what each cell holds, and what is planted."""
    arrangement = draw(st.sampled_from(["", "block", "round"]))
    declared = draw(readings(n, arrangement == "round", bool(arrangement)))
    count = draw(st.integers(1, 3))
    lines: list[Line] = []
    for run in range(1, count + 1):
        here = draw(st.permutations(products))
        for lane, product in enumerate(here, 1):
            line = {"product": product, "run": str(run), "specimen": f"S{draw(st.integers(1, 4))}"}
            if arrangement:
                line[arrangement] = str(run) if arrangement == "round" else f"day {run}"
            if arrangement == "round":
                line["lane"] = str(lane)
            lines.append(line)
    head = [f"[tests.t{n}]", f'title = "Test {n}"']
    head += ['blocks = "day"'] if arrangement else []
    head += [f"lanes = {max(2, len(products))}"] if arrangement == "round" else []
    head += [r.line for r in declared] + [result(r) for r in declared]
    said: dict[tuple[int, str, int], str] = {}
    planted: dict[Key, Bounds] = {}
    for reading in declared:
        for repeat in range(1, reading.repeats + 1):
            _plant(draw, manner, f"t{n}", reading, repeat, lines, arrangement or "block", said, planted)
    return "\n".join(filter(None, head)), declared, lines, said, planted


def _plant(
    draw: Draw,
    manner: Manner,
    test: str,
    reading: Reading,
    repeat: int,
    lines: list[Line],
    block: str,
    said: Any,
    planted: Any,
) -> None:
    """Draw the cells of one column."""
    things: dict[str, list[int]] = {}
    for at, line in enumerate(lines):
        of = {"run": str(at), "test": "", "block": line.get(block, ""), "product": line["product"]}
        things.setdefault(of.get(reading.of, line["specimen"]), []).append(at)
    for members in things.values():
        if reading.kind == "place":
            at = members[0]
            text, bounds = draw(
                st.sampled_from([(lines[at]["lane"], None), (lines[at]["lane"], None), ("did not finish", math.inf)])
            )
            value = float(text) if bounds is None else bounds
            found = (text, (value, value))
        else:
            found = draw(cells(manner, reading))
            if draw(st.integers(0, 11)) == 11:
                continue
        rows = members if manner.layout != "long" and draw(st.booleans()) else members[:1]
        for at in rows:
            said[at, reading.id, repeat] = found[0]
        for at in members:
            planted[test, lines[at]["product"], int(lines[at]["run"]), reading.id, repeat] = found[1]


# ---------------------------------------------------------------------------------------------------------- the folder

PLACES = ("product", "run", "specimen", "block", "round", "lane")


@st.composite
def studies(draw: Draw) -> Made:
    """A whole study folder that is sound."""
    manner = draw(manners)
    products = list(PRODUCTS[: draw(st.integers(3, 5))])
    roles = {"untreated": 'role = "control"\n', "water": draw(st.sampled_from(["", 'role = "placebo"\n']))}
    text = 'format = 1\n[study]\nid = "made"\ntitle = "Made from the format"\n'
    text += "".join(f'[products.{p}]\nname = "The {p}"\n{roles.get(p, "")}' for p in products)
    made = Made({})
    wide: dict[str, Table] = {}
    long: Table = [["test", *PLACES, "reading", "repeat", "value", "unit"]]
    for n in range(draw(st.integers(1, 2))):
        head, declared, lines, said, planted = draw(tests(n, products, manner))
        text += head + "\n"
        made.values |= planted
        wide[f"t{n}"] = _wide(declared, lines, said, manner)
        rows = _long(f"t{n}", declared, lines, said)
        long += rows
        if manner.layout == "long":  # a run without a row of its own is not there
            there = {(row[1], row[2]) for row in rows if row[2]}
            for key in [k for k in planted if k[0] == f"t{n}" and (k[1], str(k[2])) not in there]:
                del made.values[key]
    made.files["study.toml"] = text.encode()
    if manner.layout == "book":
        made.files["readings.xlsx"] = workbook(wide)
    elif manner.layout == "long":
        made.files["readings.csv"] = _file(long, manner)
    else:
        made.files |= {f"readings/{test}.csv": _file(table, manner) for test, table in wide.items()}
    return made


def _file(table: Table, manner: Manner) -> bytes:
    return (b"\xef\xbb\xbf" if manner.bom else b"") + written(table, manner.separator, manner.end)


def _wide(declared: list[Reading], lines: list[Line], said: Any, manner: Manner) -> Table:
    places = [place for place in PLACES if any(place in line for line in lines)]
    columns = [(r, n) for r in declared for n in range(1, r.repeats + 1)]
    header = [*places]
    for reading, n in columns:
        name = reading.id if n == 1 else f"{reading.id}.{n}"
        unit = manner.header_units.format(reading.unit) if reading.unit and manner.layout == "wide" else ""
        header.append(name + unit)
    rows = [
        [*(line.get(place, "") for place in places), *(said.get((at, r.id, n), "") for r, n in columns)]
        for at, line in enumerate(lines)
    ]
    return [header, *rows]


def _long(test: str, declared: list[Reading], lines: list[Line], said: Any) -> Table:
    """A row a reading; of what runs share the finer columns stay empty."""
    by_id = {reading.id: reading for reading in declared}
    found = []
    for (at, id, repeat), text in said.items():
        of = by_id[id].of
        finest = {"run": PLACES, "block": ("block", "round")}.get(of, (of,))
        places = [lines[at].get(place, "") if place in finest else "" for place in PLACES]
        found.append([test, *places, id, str(repeat), text, by_id[id].unit])
    return found
