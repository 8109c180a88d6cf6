"""study.toml -> Study. Every mistake is collected, so that one reading of the messages mends the whole file.

Three passes: the text (TOML), the shape (`file`), the meaning (here). What fails an earlier pass is cut out
before the next, and names that lead to something cut out are not reported again.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from evenbench.measure.errors import FormulaError, UnitError, suggest
from evenbench.measure.formula import FUNCTIONS, Formula, dimension, names, parse_formula
from evenbench.measure.units import Dims, Quantity, Unit, describe, parse_quantity, parse_unit
from evenbench.study import file as shape
from evenbench.study.mistakes import Mistake, Place, StudyError
from evenbench.study.model import (
    Buyer,
    Claim,
    DeclaredReading,
    Instrument,
    Margin,
    Must,
    Price,
    Product,
    Purchase,
    Question,
    Result,
    Study,
    Test,
)
from evenbench.study.positions import positions

Path = tuple[str | int, ...]
Sort = tuple[Dims, Literal["ratio", "interval"]]

LARGEST_TEXT = 1_000_000  # characters; a study of thirty products and ten tests is some 40,000
RUN_COLUMNS = ("test", "product", "code", "run", "specimen", "block", "round", "lane", "order", "note")
SHEET_COLUMNS = frozenset((*RUN_COLUMNS, "reading", "repeat", "value", "unit", "instrument", "at", "by"))
_FLASH = re.compile(r"-?\d+(\.\d+)? *deg[CF]\b")
_SHARE = re.compile(r"(?P<n>\d+(\.\d+)?) *% of control")
_POINTS = re.compile(r"(?P<n>\d+(\.\d+)?) *points?")
_BARE_PERCENT = re.compile(r"(?P<n>\d+(\.\d+)?) *%")


def parse(text: str, *, today: date, file: str = "study.toml") -> Study:
    """Read a study file into a Study, or raise StudyError with every mistake found.

    today  the date against which "bought on" and "calibrated" are checked; nothing else depends on it
    file   how the file is called in messages

    >>> from datetime import date
    >>> parse("format = 2", today=date(2026, 1, 1))
    Traceback (most recent call last):
    ...
    evenbench.study.mistakes.StudyError: study.toml:1:1: products: every study needs it. Add [products].
    study.toml:1:1: study: every study needs it. Add [study].
    study.toml:1:1: tests: every study needs it. Add [tests].
    study.toml:1:10: format: '2': this cannot stand here. Write 1.
    """
    if len(text) > LARGEST_TEXT:
        raise StudyError([Mistake(Place(file), "", "", f"the file is longer than {LARGEST_TEXT:,} characters.")])
    raw = _toml(text, file)
    notes = _Notes(raw)
    declared = _shape(raw, notes)
    study = _Meaning(declared, notes, today).study(text) if declared else None
    if notes.found or study is None:
        raise StudyError(notes.mistakes(text, file))
    return study


# ---------------------------------------------------------------------------------------------- collecting


@dataclass
class _Notes:
    """Mistakes by path, turned into places only if there are any: finding places costs a second parse."""

    raw: dict[str, Any]
    found: list[tuple[Path, bool, str, str, str]] = field(default_factory=list)
    kept: dict[Path, list[int]] = field(default_factory=dict)  # list in the file -> which of its members are left

    def add(self, path: Path, given: object, why: str, write: str = "", *, at_key: bool = False) -> None:
        self.found.append((self.in_file(path), at_key, _shown(given), why, write))

    def in_file(self, path: Path) -> Path:
        """A path after cuts, as it was before them: members of a list move up when one before them is cut."""
        out: Path = ()
        for step in path:
            out = (*out, self.kept[out][step] if isinstance(step, int) and out in self.kept else step)
        return out

    def cut(self, data: Any, path: Path) -> None:
        """Take out of `data` what cannot stand."""
        here = data
        for step in path[:-1]:
            here = here[step]
        if isinstance(here, list):
            self.kept.setdefault(self.in_file(path[:-1]), list(range(len(here)))).pop(int(path[-1]))
        del here[path[-1]]

    def typed(self, *path: str | int) -> bool:
        """Whether the file has something at this path, sound or not."""
        here: Any = self.raw
        for step in path:
            try:
                here = here[step]
            except (KeyError, IndexError, TypeError):
                return False
        return True

    def ids(self, *path: str) -> list[str]:
        here: Any = self.raw
        for step in path:
            here = here.get(step, {}) if isinstance(here, dict) else {}
        return list(here) if isinstance(here, dict) else []

    def mistakes(self, text: str, file: str) -> list[Mistake]:
        where = positions(text)
        out = []
        for path, at_key, given, why, write in self.found:
            line, column = where.key(path) if at_key else where.value(path)
            out.append(Mistake(Place(file, line, column), dotted(path), given, why, write))
        return out


def dotted(path: Path) -> str:
    """A path as a reader would say it.

    >>> dotted(("buyers", "daily", "must", 0, "result"))
    'buyers.daily.must[1].result'
    """
    out = ""
    for step in path:
        out += f"[{step + 1}]" if isinstance(step, int) else f".{step}"
    return out.removeprefix(".")


def _shown(given: object) -> str:
    if given is None or isinstance(given, dict | list):
        return ""
    return str(given).lower() if isinstance(given, bool) else str(given)


# ------------------------------------------------------------------------------------------- text and shape


def _toml(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        place = Place(file, int(found[1]), int(found[2])) if found else Place(file, text.count("\n") + 1)
        why = re.sub(r" *\(at [^)]*\)$", "", str(error))
        # tomllib speaks of declaring twice; a tester wrote two tables with one id.
        if "twice" in why or "overwrite" in why:
            why += ". Something with this name stands above it already"
        raise StudyError(
            [Mistake(place, "TOML", "", f"the file cannot be read on from here: {why}.", "Mend this first.")]
        ) from None
    except RecursionError:
        raise StudyError([Mistake(Place(file), "TOML", "", "lists or tables are nested too deeply.")]) from None


def _shape(raw: dict[str, Any], notes: _Notes) -> shape.StudyFile | None:
    """Validate the shape; what cannot stand is noted, cut out, and the rest validated again."""
    data = _copy(raw)
    for _ in range(20):  # each round cuts at least one thing; tables are never nested deeper than this
        try:
            return shape.StudyFile.model_validate(data)
        except ValidationError as error:
            cut: set[Path] = set()
            found = [(_real_path(e, data), e) for e in error.errors()]
            for path, one in found:
                # Of the members of a union, only the one that got furthest says what is wrong.
                if any(other[: len(path)] == path and other != path for other, _ in found):
                    continue
                _note_shape(one, path, notes)
                cut.add(path[:-1] if one["type"] == "missing" and len(path) > 1 else path)
            # Deeper cuts first, and later members of a list before earlier ones, so that paths stay true.
            for path in sorted(cut, key=lambda p: (len(p), [s if isinstance(s, int) else -1 for s in p]), reverse=True):
                if not any(path[:n] in cut for n in range(1, len(path))):
                    notes.cut(data, path)
            if not all(name in data for name in ("format", "study", "products", "tests")):
                return None
    return None


def _copy(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _copy(v) for k, v in value.items()}
    return [_copy(v) for v in value] if isinstance(value, list) else value


def _real_path(found: Any, data: Any) -> Path:
    """Pydantic's location without the steps that are not in the file (members of a union, "[key]")."""
    path: list[str | int] = []
    here = data
    for step in found["loc"]:
        there = (isinstance(here, dict) and step in here) or (isinstance(here, list) and step in range(len(here)))
        if there:
            here = here[step]
            path.append(step)
    return (*path, found["loc"][-1]) if found["type"] == "missing" else tuple(path)


def _note_shape(found: Any, path: Path, notes: _Notes) -> None:
    kind, given, context = found["type"], found["input"], found.get("ctx", {})
    if kind == "extra_forbidden":
        model = _model_at(path[:-1])
        later = shape.LATER.get((model, str(path[-1]))) if model else None
        if later:
            why = f"{path[-1]!r} belongs to format 1, but this version does not read {later} yet."
            notes.add(path, "", why, "Leave it out for now.", at_key=True)
        else:
            notes.add(path, path[-1], "no such key here.", suggest(str(path[-1]), _keys(model)), at_key=True)
    elif kind == "missing" and len(path) == 1:
        write = "Write format = 1 in the first line." if path[0] == "format" else f"Add [{path[0]}]."
        notes.add(path, "", "every study needs it.", write, at_key=True)
    elif kind == "missing":
        notes.add(path[:-1], "", f"{path[-1]!r} is missing.", f"Add {path[-1]} = …", at_key=True)
    elif kind == "string_pattern_mismatch" and "a-z" in context.get("pattern", ""):
        write = "Write a small letter first, then small letters, digits and _."
        at_key = found["loc"][-1] == "[key]"
        notes.add(path, path[-1] if at_key else given, "this cannot be an id.", write, at_key=at_key)
    elif kind == "string_pattern_mismatch":
        notes.add(path, given, "this is not a currency.", 'Write three capital letters, as in "EUR".')
    elif kind == "literal_error":
        options = re.findall(r"'([^']*)'", context["expected"]) or [context["expected"]]
        later = " Other choices come with a later version." if path[-1] in {"scale", "spread", "drift"} else ""
        near = f"Write {options[0]}." if len(options) == 1 else suggest(str(given), options)
        notes.add(path, given, "this cannot stand here.", near + later)
    elif kind == "string_type":
        notes.add(path, given, "a text in quotes is needed.", f'Write "{_shown(given) or "…"}".')
    else:
        notes.add(path, given, _PLAIN.get(kind, found["msg"] + ".").format(**context))


_PLAIN = {
    "int_type": "a whole number is needed.",
    "float_type": "a number is needed.",
    "bool_type": "true or false is needed, without quotes.",
    "date_type": "a date is needed, as in 2026-08-01, without quotes.",
    "list_type": "a list in square brackets is needed.",
    "dict_type": "a table is needed.",
    "model_type": "a table is needed.",
    "string_too_short": "the text is empty.",
    "string_too_long": "the text is longer than {max_length} characters.",
    "greater_than_equal": "the number must be {ge} or more.",
    "less_than_equal": "the number must be {le} or less.",
}


def _model_at(path: Path) -> type[BaseModel] | None:
    """The table of `file` that describes the table at `path`; None where there is none."""
    here: Any = shape.StudyFile
    for step in path:
        here = _without_none(here)
        if get_origin(here) in (dict, list):
            here = get_args(here)[-1]
        elif isinstance(here, type) and issubclass(here, BaseModel):
            found = [f for n, f in here.model_fields.items() if (f.alias or n) == step]
            here = found[0].annotation if found else None
        else:
            return None
    here = _without_none(here)
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _without_none(annotation: Any) -> Any:
    if get_origin(annotation) in (Union, UnionType):
        return next(a for a in get_args(annotation) if a is not type(None))
    return annotation


def _keys(model: type[BaseModel] | None) -> list[str]:
    return [f.alias or n for n, f in model.model_fields.items()] if model else []


# -------------------------------------------------------------------------------------------------- meaning


class _Meaning:
    """Resolves a study file of sound shape. Methods follow the file from top to bottom."""

    def __init__(self, declared: shape.StudyFile, notes: _Notes, today: date) -> None:
        self.declared, self.notes, self.today = declared, notes, today
        self.currency = declared.study.currency
        self.instruments: dict[str, Instrument] = {}
        self.products: dict[str, Product] = {}
        self.results: dict[str, Result] = {}

    def study(self, text: str) -> Study:
        """Resolve everything; whatever cannot stand is in the notes."""
        declared = self.declared
        self.instruments = {id: self.instrument(id, table) for id, table in declared.instruments.items()}
        self.products = {id: self.product(id, table) for id, table in declared.products.items()}
        self.distinct_names()
        tests = tuple(self.test(id, table) for id, table in declared.tests.items())
        self.results = {r.name: r for t in tests for r in t.results}
        price = self.price(declared.price) if declared.price else None
        for id, product in self.products.items():
            self.products[id] = replace(product, claims=self.claims(id))
        return Study(
            id=declared.study.id,
            title=declared.study.title,
            currency=self.currency,
            blinding=declared.study.blinding,
            questions=tuple(self.question(n, q) for n, q in enumerate(declared.study.questions)),
            price=price,
            instruments=tuple(self.instruments.values()),
            products=tuple(self.products.values()),
            tests=tests,
            buyers=tuple(self.buyer(id, table) for id, table in declared.buyers.items()),
            text=text,
        )

    # -- amounts

    def amount(self, path: Path, text: str | None, like: Unit | None = None) -> Quantity | None:
        """A quantity, of the dimension of `like` where given; None where absent or noted."""
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

    def unit(self, path: Path, text: str) -> Unit | None:
        try:
            return parse_unit(text, currency=self.currency)
        except UnitError as error:
            self.notes.add(path, text, error.why, error.write)
            return None

    def past(self, path: Path, day: date | None) -> date | None:
        if day is not None and day > self.today:
            self.notes.add(path, day, f"this day is still to come (today is {self.today}).", "Check the year.")
        return day

    def known(self, path: Path, given: str, table: str, allowed: Iterable[str], what: str) -> bool:
        """Whether `given` is one of `allowed`; noted unless the file has it in a damaged state."""
        options = list(allowed)
        if given in options:
            return True
        if not self.notes.typed(table, given):
            self.notes.add(path, given, f"there is no {what} with this id.", suggest(given, options))
        elif given in getattr(self.declared, table):
            self.notes.add(path, given, f"this is not {what} here.", suggest(given, options))
        return False

    # -- instruments and products

    def instrument(self, id: str, table: shape.InstrumentTable) -> Instrument:
        path: Path = ("instruments", id)
        resolution = self.amount((*path, "resolution"), table.resolution)
        if resolution is not None and resolution.value <= 0:
            self.notes.add((*path, "resolution"), table.resolution, "a resolution is above 0.")
        gain = self.amount((*path, "gain"), table.gain)
        if gain is not None and gain.unit.dims:
            self.notes.add((*path, "gain"), table.gain, "a gain is a share of the reading.", 'Write it as "0.1 %".')
        return Instrument(
            id=id,
            resolution=resolution,
            offset=self.amount((*path, "offset"), table.offset, resolution.unit if resolution else None),
            gain=abs(gain.si) if gain else 0.0,
            range=self.range((*path, "range"), table.range),
            calibrated=self.past((*path, "calibrated"), table.calibrated),
        )

    def range(self, path: Path, text: str | None) -> tuple[Quantity, Quantity] | None:
        if text is None:
            return None
        low, to, high = text.partition(" to ")
        if not to:
            self.notes.add(path, text, "a range has two ends.", 'Write it as "0 g to 500 g".')
            return None
        first = self.amount(path, low)
        second = self.amount(path, high, first.unit if first else None)
        if first is None or second is None:
            return None
        if first.si >= second.si:
            self.notes.add(path, text, "the first end is not below the second.")
        return first, second

    def product(self, id: str, table: shape.ProductTable) -> Product:
        path: Path = ("products", id)
        price = None
        if table.price is not None and self.currency is None:
            self.notes.add(
                (*path, "price"),
                table.price,
                "the study states no currency.",
                'Add currency = "EUR" (or yours) to [study].',
            )
        elif table.price is not None:
            price = self.amount((*path, "price"), table.price, parse_unit(self.currency or "", currency=self.currency))
            if price is not None and price.value < 0:
                self.notes.add((*path, "price"), table.price, "a price is 0 or more.")
        if table.flash_point not in (None, "none", "unknown") and not _FLASH.match(table.flash_point):
            write = 'Write it as "24 degC", "24 degC closed cup", "none" or "unknown".'
            self.notes.add((*path, "flash_point"), table.flash_point, "this is no temperature.", write)
        bought = table.bought
        return Product(
            id=id,
            name=table.name,
            role=table.role,
            also=tuple(table.also),
            price=price,
            pack=self.above_zero((*path, "pack"), table.pack),
            dose=self.above_zero((*path, "dose"), table.dose),
            flash_point=table.flash_point,
            bought=Purchase(
                shop=bought.shop,
                on=self.past((*path, "bought", "on"), bought.on),
                lot=bought.lot,
                receipt=bought.receipt,
            )
            if bought
            else None,
            facts=dict(table.facts),
        )

    def above_zero(self, path: Path, text: str | None) -> Quantity | None:
        quantity = self.amount(path, text)
        if quantity is not None and quantity.value <= 0:
            self.notes.add(path, text, "this must be above 0.")
            return None
        return quantity

    def distinct_names(self) -> None:
        seen: dict[str, str] = {}
        for product in self.products.values():
            for name in (product.name, *product.also):
                other = seen.setdefault(name.casefold(), product.id)
                if other != product.id:
                    path = ("products", product.id, "name" if name == product.name else "also")
                    self.notes.add(path, name, f"{other} is called this too.", "Give each product a name of its own.")

    # -- tests

    def test(self, id: str, table: shape.TestTable) -> Test:
        path: Path = ("tests", id)
        control = self.control(path, table)
        roles = {p.id: p.role for p in self.products.values()}
        left_out = [
            p
            for n, p in enumerate(table.without)
            if self.known(
                (*path, "without", n),
                p,
                "products",
                [q for q, r in roles.items() if r in ("candidate", "placebo")],
                "a candidate or placebo",
            )
        ]
        references = [
            p
            for n, p in enumerate(table.references)
            if self.known(
                (*path, "references", n),
                p,
                "products",
                [q for q, r in roles.items() if r == "reference"],
                "a reference",
            )
        ]
        enters = [
            p
            for p, role in roles.items()
            if p == control or (role in ("candidate", "placebo") and p not in left_out) or p in references
        ]
        readings = self.readings(path, table)
        constants = self.constants(path, table)
        results = self.test_results(id, table, readings, constants)
        for what in ("readings", "results"):
            if not self.notes.typed(*path, what):
                self.notes.add(path, "", f"a test needs {what}.", f"Add {what}.ID = {{ … }}", at_key=True)
        return Test(
            id=id,
            title=table.title,
            products=tuple(enters),
            control=control,
            placebos=tuple(p for p in enters if roles[p] == "placebo"),
            references=tuple(p for p in enters if roles[p] == "reference"),
            left_out=tuple(left_out),
            readings=tuple(readings.values()),
            constants=constants,
            results=tuple(results),
            blocks=table.blocks,
            replicates=table.replicates,
            control_runs=table.control_runs,
            order=table.order,
            applied={k: str(v) for k, v in table.applied.items()},
            conditions=dict(table.conditions),
            between=tuple(table.between),
            departs=tuple((d.from_, d.why) for d in table.departs),
            limits=table.limits or "",
        )

    def control(self, path: Path, table: shape.TestTable) -> str | None:
        controls = [p.id for p in self.products.values() if p.role == "control"]
        if table.control is not None:
            known = self.known((*path, "control"), table.control, "products", controls, "a control")
            return table.control if known else None
        if len(controls) > 1:
            why = (
                f"the study has {len(controls)} controls ({', '.join(controls)}), and the test must say which it uses."
            )
            self.notes.add(path, "", why, f'Add control = "{controls[0]}".', at_key=True)
        return controls[0] if len(controls) == 1 else None

    def readings(self, path: Path, table: shape.TestTable) -> dict[str, DeclaredReading]:
        out = {}
        for id, reading in table.readings.items():
            at: Path = (*path, "readings", id)
            if id in SHEET_COLUMNS or id in FUNCTIONS:
                self.notes.add(at, id, "sheets or formulas use this word already.", "Choose another id.", at_key=True)
            unit = self.unit((*at, "unit"), reading.unit)
            instrument = None
            if reading.instrument is not None:
                self.known((*at, "instrument"), reading.instrument, "instruments", self.instruments, "instrument")
                instrument = self.instruments.get(reading.instrument)
            if unit and instrument and instrument.resolution and instrument.resolution.unit.dims != unit.dims:
                reads = instrument.resolution.unit.text
                why = f"{reading.instrument} reads {reads}, and this reading is in {unit.text}."
                self.notes.add((*at, "instrument"), reading.instrument, why, "Name the instrument that reads it.")
            if unit:
                out[id] = DeclaredReading(id=id, unit=unit, instrument=instrument, repeats=reading.repeats)
        return out

    def constants(self, path: Path, table: shape.TestTable) -> dict[str, Quantity]:
        out = {}
        for id, text in table.constants.items():
            at: Path = (*path, "constants", id)
            if id in table.readings or id in FUNCTIONS:
                self.notes.add(at, id, "a reading or function has this name.", "Choose another id.", at_key=True)
            value = self.amount(at, text)
            if value is not None:
                out[id] = value
        return out

    def test_results(
        self,
        id: str,
        table: shape.TestTable,
        readings: Mapping[str, DeclaredReading],
        constants: Mapping[str, Quantity],
    ) -> list[Result]:
        """The results of one test, each formula checked once those it names are."""
        sorts: dict[str, Sort] = {r.id: (r.unit.dims, r.unit.scale) for r in readings.values()}
        sorts |= {name: (q.unit.dims, q.unit.scale) for name, q in constants.items()}
        sorts |= self.facts(list(self.products.values()))
        formulas: dict[str, Formula] = {}
        for name, declared in table.results.items():
            at: Path = ("tests", id, "results", name)
            if name in table.readings or name in table.constants or name in FUNCTIONS:
                self.notes.add(
                    at,
                    name,
                    "a reading, constant or function of this test has this name.",
                    "Choose another id.",
                    at_key=True,
                )
            formula = self.formula((*at, "formula"), declared.formula)
            if formula is not None:
                formulas[name] = formula
        done: dict[str, Result] = {}
        waiting = dict(formulas)
        while waiting:
            ready = [n for n, f in waiting.items() if not set(names(f)) & set(waiting)]
            if not ready:
                for name in waiting:
                    why = "these results wait for each other: " + ", ".join(waiting) + "."
                    self.notes.add(("tests", id, "results", name, "formula"), formulas[name].text, why)
                break
            for name in ready:
                result = self.result(id, name, table.results[name], waiting.pop(name), sorts)
                if result is not None:
                    done[name] = result
                    sorts[name] = (result.unit.dims, result.unit.scale)
        return [done[name] for name in table.results if name in done]

    def facts(self, products: list[Product]) -> dict[str, Sort]:
        """The product facts a formula may name, where at least one product states them."""
        out: dict[str, Sort] = {}
        for key in ("price", "pack", "dose"):
            first: Quantity | None = None
            for product in products:
                value: Quantity | None = getattr(product, key)
                if value is None:
                    continue
                first = first or value
                if value.unit.dims != first.unit.dims:
                    why = f"other products state a {key} like {first.text}, and a formula needs all of one sort."
                    if self.formula_names(f"product.{key}"):
                        self.notes.add(("products", product.id, key), value.text, why)
            if first is not None:
                out[f"product.{key}"] = (first.unit.dims, first.unit.scale)
        return out

    def formula_names(self, name: str) -> bool:
        prices = [self.declared.price.formula] if self.declared.price else []
        return any(
            name in f for f in (*prices, *(r.formula for t in self.declared.tests.values() for r in t.results.values()))
        )

    def formula(self, path: Path, text: str) -> Formula | None:
        try:
            return parse_formula(text)
        except FormulaError as error:
            self.formula_mistake(path, error)
            return None

    def formula_mistake(self, path: Path, error: FormulaError) -> None:
        mark = f"at character {error.column + 1}: " if error.column else ""
        self.notes.add(path, error.formula, mark + error.why, error.write)

    def sort(self, path: Path, formula: Formula, sorts: Mapping[str, Sort]) -> Sort | None:
        try:
            return dimension(formula, sorts)
        except FormulaError as error:
            self.formula_mistake(path, error)
            return None

    def result(
        self,
        test: str,
        id: str,
        declared: shape.ResultTable,
        formula: Formula,
        sorts: Mapping[str, Sort],
    ) -> Result | None:
        at: Path = ("tests", test, "results", id)
        unit = self.unit((*at, "unit"), declared.unit)
        damaged = [n for n in names(formula) if n not in sorts and self.named_somewhere(test, n)]
        sort = None if damaged else self.sort((*at, "formula"), formula, sorts)
        if declared.kind != "info" and declared.better is None:
            write = 'Add better = "higher" or better = "lower".'
            self.notes.add(at, "", f"a {declared.kind} must say which way is better.", write, at_key=True)
        if unit is None:
            return None
        if sort is not None and sort[0] != unit.dims:
            why = f"the formula gives {describe(sort[0])}, and the unit {unit.text!r} is {describe(unit.dims)}."
            self.notes.add((*at, "unit"), declared.unit, why, "Correct the unit or the formula.")
        if sort is not None and sort[1] == "ratio" and unit.scale == "interval":
            # A difference of two temperatures, say: the unit counts degrees, and its zero is no difference.
            unit = replace(unit, offset=0.0, scale="ratio")
        return Result(
            id=id,
            test=test,
            formula=formula,
            unit=unit,
            kind=declared.kind,
            better=declared.better,
            matters=self.margin((*at, "matters"), declared, unit),
            primary=declared.primary,
        )

    def named_somewhere(self, test: str, name: str) -> bool:
        """Whether a name is in the file but damaged, so that it has been noted already."""
        if name.startswith("product."):
            fact = name.removeprefix("product.")
            return any(self.notes.typed("products", p, fact) for p in self.notes.ids("products"))
        return any(self.notes.typed("tests", test, part, name) for part in ("readings", "constants", "results"))

    def margin(self, path: Path, declared: shape.ResultTable, unit: Unit) -> Margin | None:
        text = declared.matters
        if declared.kind == "info":
            if text is not None:
                why = "an info result is not judged, so nothing is too small to matter."
                self.notes.add(path, text, why, "Leave it out.")
            return None
        if text is None:
            why = f"a {declared.kind} must say the smallest difference that matters."
            example = '"5 points"' if unit.text == "%" else f'"1 {unit.text}" or "10 % of control"'
            self.notes.add(path[:-1], "", why, f"Add matters = {example}, decided before measuring.", at_key=True)
            return None
        if share := _SHARE.fullmatch(text):
            return self.positive(path, Margin(amount=float(share["n"]) / 100, share_of_control=True, text=text))
        if (points := _POINTS.fullmatch(text)) and unit.text == "%":
            return self.positive(path, Margin(amount=float(points["n"]), share_of_control=False, text=text))
        if bare := _BARE_PERCENT.fullmatch(text):
            n, points_too = bare["n"], unit.text == "%"
            why = "this can be read two ways." if points_too else "percent of what?"
            other = (
                f'"{n} points" (say, from 40 % to {40 + float(n):g} %)' if points_too else f"an amount in {unit.text}"
            )
            self.notes.add(path, text, why, f'Write {other} or "{n} % of control".')
            return None
        return self.plain_margin(path, text, unit)

    def plain_margin(self, path: Path, text: str, unit: Unit) -> Margin | None:
        if unit.text == "%":
            self.notes.add(path, text, "the result is in %.", 'Write "5 points" or "10 % of control".')
            return None
        quantity = self.amount(path, text, unit)
        if quantity is None:
            return None
        amount = float(unit.difference_from_si(quantity.unit.difference_to_si(quantity.value)))
        return self.positive(path, Margin(amount=amount, share_of_control=False, text=text))

    def positive(self, path: Path, margin: Margin) -> Margin | None:
        if margin.amount > 0:
            return margin
        self.notes.add(path, margin.text, "the smallest difference that matters is above 0.")
        return None

    # -- price, buyers, claims, questions

    def price(self, table: shape.PriceTable) -> Price | None:
        if self.currency is None:
            self.notes.add(
                ("price",),
                "",
                "the study states no currency.",
                'Add currency = "EUR" (or yours) to [study].',
                at_key=True,
            )
            return None
        unit = parse_unit(self.currency, currency=self.currency)
        formula = self.formula(("price", "formula"), table.formula)
        matters = self.amount(("price", "matters"), table.matters, unit)
        if matters is not None and matters.value <= 0:
            self.notes.add(("price", "matters"), table.matters, "the smallest difference that matters is above 0.")
        if formula is None or matters is None:
            return None
        sort = self.sort(("price", "formula"), formula, self.facts(list(self.products.values())))
        if sort is not None and sort[0] != unit.dims:
            why = f"the formula gives {describe(sort[0])}, and a price is in {self.currency}."
            self.notes.add(("price", "formula"), table.formula, why)
        return Price(formula=formula, unit=unit, per=table.per, matters=float(matters.to(unit)))

    def named_result(self, path: Path, name: str, *, at_key: bool = False) -> Result | None:
        found = self.results.get(name)
        test, _, id = name.partition(".")
        if found is None and not self.notes.typed("tests", test, "results", id):
            near = suggest(name, list(self.results))
            self.notes.add(path, name, "no test of this study has this result.", near, at_key=at_key)
        return found

    def value(self, path: Path, text: str | None, result: Result | None, must: str) -> Quantity | None:
        """The bound of an `at least` or `at most`, in the unit of its result."""
        bound = must in ("at least", "at most")
        if bound and text is None:
            self.notes.add(path[:-1], "", f"{must!r} needs a value.", 'Add value = "…" with its unit.', at_key=True)
        elif not bound and text is not None:
            self.notes.add(path, text, f"{must!r} takes no value.", "Leave it out.")
        elif text is not None and result is not None:
            if result.unit.text == "%" and (points := _POINTS.fullmatch(text)):
                text = f"{points['n']} %"
            return self.amount(path, text, result.unit)
        return None

    def fits(self, path: Path, must: str, result: Result | None) -> None:
        """`no harm` is said of risks only, `better` of benefits only."""
        needs = {"no harm": "risk", "better": "benefit", "better than control": "benefit"}.get(must)
        if result is not None and needs is not None and result.kind != needs:
            self.notes.add(path, must, f"{result.name} is a {result.kind}, and this is said of a {needs}.")

    def claims(self, product: str) -> tuple[Claim, ...]:
        out = []
        for n, claim in enumerate(self.declared.products[product].claims):
            path: Path = ("products", product, "claims", n)
            about = [self.named_result((*path, "about", k), name) for k, name in enumerate(claim.about)]
            if claim.must == "not testable" and claim.about:
                self.notes.add(
                    (*path, "about"),
                    "",
                    "a claim that cannot be tested is about no result.",
                    "Leave about out.",
                )
            if claim.must != "not testable" and not claim.about:
                self.notes.add(path, "", "the claim names no result.", 'Add about = ["test.result"].')
            for result in about:
                self.fits((*path, "must"), claim.must, result)
            value = self.value((*path, "value"), claim.value, about[0] if about else None, claim.must)
            out.append(
                Claim(says=claim.says, must=claim.must, about=tuple(claim.about), needs=claim.needs, value=value)
            )
        return tuple(out)

    def question(self, n: int, question: shape.QuestionTable) -> Question:
        path: Path = ("study", "questions", n)
        if question.answered_by is not None:
            self.named_result((*path, "answered_by"), question.answered_by)
        if question.against is not None:
            allowed = [p.id for p in self.products.values() if p.role in ("control", "placebo")]
            self.known((*path, "against"), question.against, "products", allowed, "a control or placebo")
            if question.answered_by is None:
                self.notes.add(
                    (*path, "against"), question.against, "nothing says by which result.", "Add answered_by."
                )
        return Question(asks=question.asks, answered_by=question.answered_by, against=question.against)

    def buyer(self, id: str, table: shape.BuyerTable) -> Buyer:
        path: Path = ("buyers", id)
        must = []
        for n, need in enumerate(table.must):
            at: Path = (*path, "must", n)
            result = self.named_result((*at, "result"), need.result)
            self.fits((*at, "is"), need.is_, result)
            value = self.value((*at, "value"), need.value, result, need.is_)
            if need.in_ and need.is_ not in ("at least", "at most"):
                self.notes.add((*at, "in"), need.in_, f"this goes with 'at least' or 'at most', not with {need.is_!r}.")
            must.append(Must(result=need.result, is_=need.is_, value=value, every_run=need.in_ is not None))
        return Buyer(
            id=id,
            title=table.title,
            weights=self.weights(path, table),
            must=tuple(must),
            only_if=tuple(table.only_if),
            not_if=tuple(table.not_if),
        )

    def weights(self, path: Path, table: shape.BuyerTable) -> dict[str, float]:
        out: dict[str, float] = {}
        for key, value in table.weights.items():
            at: Path = (*path, "weights", key)
            if isinstance(value, float):
                out[key] = value
                if key != "price":
                    options = ["price", *self.results]
                    self.notes.add(
                        at, key, "a weight is for a result or the price.", suggest(key, options), at_key=True
                    )
                elif self.declared.price is None and not self.notes.typed("price"):
                    self.notes.add(
                        at,
                        key,
                        "the study has no [price].",
                        "Add one, or leave this weight out.",
                        at_key=True,
                    )
                continue
            for id, weight in value.items():
                result = self.named_result((*at, id), f"{key}.{id}", at_key=True)
                if result is not None and result.kind == "info":
                    self.notes.add(
                        (*at, id),
                        result.name,
                        "an info result is not judged, so it cannot be weighed.",
                        at_key=True,
                    )
                out[f"{key}.{id}"] = weight
        for name, weight in out.items():
            if not 0 < weight < 1e6:
                self.notes.add((*path, "weights", *name.split(".")), weight, "a weight is above 0 and below a million.")
        if not out:
            self.notes.add((*path, "weights"), "", "a buyer must weigh something.", "Add weights.TEST.RESULT = 1.")
        return out
