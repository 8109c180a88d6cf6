"""One test of a study file -> Test: who enters it, what is read, what is computed, what difference matters."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from evenbench.measure.errors import FormulaError, suggest
from evenbench.measure.formula import FUNCTIONS, Formula, Name, Sort, choices, columns, hundredfold, levels, names
from evenbench.measure.units import EITHER_WAY, PURE, Quantity, Unit, describe, parse_unit
from evenbench.measure.wording import listed
from evenbench.study.checks import FACTS, POINTS, Checks
from evenbench.study.doses import applied_dose, applied_share
from evenbench.study.file import ConstantTable, ReadingTable, ResultTable, TestTable
from evenbench.study.model import (
    Constant,
    DeclaredReading,
    Instrument,
    Margin,
    OutcomeKind,
    Product,
    ReadingKind,
    Result,
    Test,
)
from evenbench.study.notes import Path
from evenbench.study.targets import Targets, of_distances
from evenbench.study.typed import product_called

NO_CONTROL = "none"
"""What a test says in place of a control where it has none."""
RUN_COLUMNS = ("test", "product", "code", "run", "specimen", "block", "round", "lane", "order", "note")
SHEET_COLUMNS = frozenset((*RUN_COLUMNS, "reading", "repeat", "value", "unit", "instrument", "at", "by"))
_SHARE = re.compile(r"(?P<n>[0-9]+(\.[0-9]+)?) *% of control")
_GROUP = r"\((?:[^()]|\([^()]*\))*\)(?: */ *[\w.]+)?"
_HUNDRED = re.compile(
    rf"100(?:\.0*)? *\* *(?P<after>{_GROUP}|[\w.]+(?: */ *[\w.]+)?)"
    rf"|(?P<before>{_GROUP}|[\w.]+(?: */ *[\w.]+)?) *\* *100(?:\.0*)?"
)
_BARE_PERCENT = re.compile(r"(?P<n>[0-9]+(\.[0-9]+)?) *%")


def read_test(
    id: str, table: TestTable, checks: Checks, instruments: Mapping[str, Instrument], products: Mapping[str, Product]
) -> Test:
    """One test with every name and unit resolved; what cannot stand is in the notes of `checks`."""
    path: Path = ("tests", id)
    enters = _Entrants.of(path, table, checks, products)
    readings = dict(_readings(path, table, checks, instruments))
    constants = dict(_constants(path, table, checks))
    found = _Results(id, table, checks, readings, constants, products, enters.control)
    results, derived = found.all()
    if table.lanes is not None and table.blocks is None and not checks.notes.typed(*path, "blocks"):
        checks.notes.add((*path, "lanes"), table.lanes, "lanes belong to rounds.", 'Add blocks = "round".')
    if table.blocks_as == "random" and table.blocks is None and not checks.notes.typed(*path, "blocks"):
        write = 'Add blocks = "day" (or what a block is), or leave this out.'
        checks.notes.add((*path, "blocks_as"), table.blocks_as, "the test has no blocks.", write)
    if table.drift == "linear within block" and table.blocks is None and not checks.notes.typed(*path, "blocks"):
        write = 'Add blocks = "day" (or what a block is), or write drift = "linear".'
        checks.notes.add((*path, "drift"), table.drift, "the test has no blocks.", write)
    for what in ("readings", "results"):
        if not checks.notes.typed(*path, what):
            checks.notes.add(path, "", f"a test needs {what}.", f"Add {what}.ID = {{ … }}", at_key=True)
        elif not checks.notes.ids((*path, what)) and not checks.notes.doubtful(*path, what):
            checks.notes.add((*path, what), "", f"there are no {what} here.", f"Add {what}.ID = {{ … }}", at_key=True)
    return Test(
        id=id,
        title=table.title,
        products=enters.all,
        control=enters.control,
        placebos=tuple(p for p in enters.all if products[p].role == "placebo"),
        references=tuple(p for p in enters.all if products[p].role == "reference"),
        left_out=enters.left_out,
        readings=tuple(readings.values()),
        constants=constants,
        results=tuple(results),
        derived=tuple(derived),
        blocks=table.blocks,
        lanes=table.lanes,
        replicates=table.replicates,
        control_runs=table.control_runs,
        order=table.order,
        drift=table.drift,
        blocks_as=table.blocks_as,
        applied={key: str(value) for key, value in table.applied.items()},
        applied_dose=applied_dose(path, table, checks),
        applied_share=applied_share(path, table, checks),
        conditions=dict(table.conditions),
        between=tuple(table.between),
        departs=tuple((d.from_, d.why) for d in table.departs),
        limits=table.limits or "",
    )


# -------------------------------------------------------------------------------------------- who enters a test


@dataclass(frozen=True)
class _Entrants:
    control: str | None
    left_out: tuple[str, ...]
    all: tuple[str, ...]

    @classmethod
    def of(cls, path: Path, table: TestTable, checks: Checks, products: Mapping[str, Product]) -> _Entrants:
        control = _control(path, table, checks, products)
        compared = [p.id for p in products.values() if p.role in ("candidate", "placebo")]
        references = [p.id for p in products.values() if p.role == "reference"]
        out = _named((*path, "without"), table.without, checks, compared, "a candidate or placebo")
        named = _named((*path, "references"), table.references, checks, references, "a reference")
        enters = tuple(p for p in products if p == control or (p in compared and p not in out) or p in named)
        whole = set(checks.notes.ids(("products",))) == set(products)
        if whole and not any(products[p].role == "candidate" for p in enters):
            write = "Take one out of `without`." if out else "Add a product that is a candidate."
            checks.notes.add(path, "", "no candidate goes through this test.", write, at_key=True)
        return cls(control, tuple(out), enters)


def _named(path: Path, given: list[str], checks: Checks, allowed: list[str], what: str) -> list[str]:
    checks.once(path, given)
    return [id for n, id in enumerate(given) if checks.known((*path, n), id, "products", allowed, what)]


def _control(path: Path, table: TestTable, checks: Checks, products: Mapping[str, Product]) -> str | None:
    controls = [p.id for p in products.values() if p.role == "control"]
    if table.control == NO_CONTROL:
        return None
    if table.control is not None:
        known = checks.known((*path, "control"), table.control, "products", controls, "a control")
        return table.control if known else None
    if len(controls) > 1 and not checks.notes.typed(*path, "control"):
        named = ", ".join(controls)
        why = f"the study has {len(controls)} controls ({named}), and the test must say which it uses."
        write = f'Add control = "{controls[0]}", or control = "{NO_CONTROL}" if it has none.'
        checks.notes.add(path, "", why, write, at_key=True)
    return controls[0] if len(controls) == 1 else None


# --------------------------------------------------------------------------------------- readings and constants


def _readings(
    path: Path, table: TestTable, checks: Checks, instruments: Mapping[str, Instrument]
) -> Iterator[tuple[str, DeclaredReading]]:
    for id, reading in table.readings.items():
        at: Path = (*path, "readings", id)
        if id in SHEET_COLUMNS or id in FUNCTIONS:
            checks.notes.add(at, id, "sheets or formulas use this word already.", "Choose another id.", at_key=True)
        if reading.lent_by is not None:
            lent = _lent(id, at, reading.lent_by, checks, instruments)
            if lent is not None:
                yield id, lent
            continue
        if reading.kind is None and checks.notes.doubtful(*at, "kind"):
            continue  # without its kind, nothing is known of what else it needs
        kind = reading.kind or ("place" if reading.place_in else "grade" if reading.levels else "number")
        if reading.place_in is not None and (kind != "place" or table.lanes is None):
            why = "only a place has this." if kind != "place" else "the test has no rounds."
            write = "Leave it out." if kind != "place" else 'Add blocks = "round" and lanes = 4 (or yours) to the test.'
            checks.notes.add((*at, "place_in"), reading.place_in, why, write)
        if kind in ("number", "time"):
            declared = _number(id, at, reading, checks, instruments)
        else:
            declared = _worded(id, at, reading, kind, checks)
        if reading.of == "block" and table.blocks is None:
            write = 'Add blocks = "day" (or what a block is) to the test.'
            checks.notes.add((*at, "of"), reading.of, "the test has no blocks.", write)
        if declared is not None:
            yield id, declared


def _lent(
    id: str, at: Path, named: str, checks: Checks, instruments: Mapping[str, Instrument]
) -> DeclaredReading | None:
    """A reading of another test that stands for one of this."""
    notes, path = checks.notes, (*at, "lent_by")
    for key in notes.ids(at):
        if key != "lent_by":
            notes.add(
                (*at, key), "", "a reading that is lent is declared where it is read.", "Leave it out.", at_key=True
            )
    test, _, lender = named.partition(".")
    tests = checks.declared.tests
    known = [f"{t}.{r}" for t, table in tests.items() if t != at[1] for r in table.readings]
    if named not in known:
        damaged = notes.doubtful("tests", test) or notes.typed("tests", test, "readings", lender)
        if test == at[1]:
            notes.add(path, named, "this is a reading of the same test.", "Name it in the formula itself.")
        elif not damaged:
            notes.add(
                path, named, "no other test has this reading.", suggest(named, known) or 'Write it as "test.reading".'
            )
        return None
    table = tests[test].readings[lender]
    if table.lent_by is not None:
        notes.add(path, named, "it is lent itself.", f'Write lent_by = "{table.lent_by}".')
        return None
    # Whatever is wrong with it is noted in its own test.
    elsewhere = replace(checks, notes=replace(notes, found=[]))
    found = dict(_readings(("tests", test), tests[test], elsewhere, instruments)).get(lender)
    if found is None:
        return None
    if found.of == "block" or found.kind == "place":
        why = "blocks are those of one test." if found.of == "block" else "a place is among the runs of its own round."
        notes.add(path, named, why, "Leave it out.")
        return None
    return replace(found, id=id, of=found.of if found.of in ("product", "test") else "specimen", lent_by=named)


def _number(
    id: str, at: Path, reading: ReadingTable, checks: Checks, instruments: Mapping[str, Instrument]
) -> DeclaredReading | None:
    """A reading that formulas compute with."""
    kind: Literal["number", "time"] = "time" if reading.kind == "time" else "number"
    if reading.levels is not None:
        why = f"a {kind} has no levels."
        checks.notes.add((*at, "levels"), "", why, 'Leave them out, or write kind = "grade" or "category".')
    if reading.unit is None and not checks.notes.typed(*at, "unit"):
        checks.notes.add(at, "", "'unit' is missing.", 'Add unit = "g" (or yours).', at_key=True)
    unit = checks.unit((*at, "unit"), reading.unit) if reading.unit is not None else None
    if unit is not None and kind == "time" and unit.dims != parse_unit("s").dims:
        checks.notes.add((*at, "unit"), reading.unit, "a time is not in this unit.", 'Write "s", "min" or "h".')
        return None
    instrument = _instrument((*at, "instrument"), reading, unit, checks, instruments)
    limit = checks.amount((*at, "limit"), reading.limit, unit)
    if unit is None:
        return None
    return DeclaredReading(
        id=id,
        unit=unit,
        kind=kind,
        instrument=instrument,
        repeats=reading.repeats,
        limit=limit.to(unit) if limit is not None else _range_end(kind, unit, instrument),
        of=reading.of,
    )


def _range_end(kind: str, unit: Unit, instrument: Instrument | None) -> float | None:
    """For a time, what its clock can show stands for a limit that is not stated."""
    if kind != "time" or instrument is None or instrument.range is None:
        return None
    return instrument.range[1].to(unit)


def _worded(id: str, at: Path, reading: ReadingTable, kind: ReadingKind, checks: Checks) -> DeclaredReading | None:
    """A reading in words: a grade, a category, a place, a yes or no, a text."""
    notes = checks.notes
    for key, given in {"unit": reading.unit, "instrument": reading.instrument, "limit": reading.limit}.items():
        if given is not None:
            notes.add((*at, key), given, f"a {kind} has no {key}.", "Leave it out.")
    if reading.repeats > 1:
        why = f"a {kind} is read once a run; several cannot be averaged."
        notes.add((*at, "repeats"), reading.repeats, why, "Give each a reading of its own.")
    levels = tuple(reading.levels or ())
    if kind in ("grade", "category"):
        if not levels and not notes.typed(*at, "levels"):
            write = 'Add levels = ["clear", "cloudy"] (or yours), a grade from one end to the other.'
            notes.add(at, "", f"a {kind} needs its levels.", write, at_key=True)
        checks.once((*at, "levels"), [level.casefold() for level in levels])
    elif levels:
        notes.add((*at, "levels"), "", f"a {kind} has no levels.", "Leave them out.")
    if kind == "yes or no":
        levels = ("no", "yes")
    if reading.of != "run":
        why = f"a {kind} is read of each run."
        notes.add((*at, "of"), reading.of, why, "Leave it out.")
    return DeclaredReading(id=id, unit=PURE, kind=kind, levels=levels)


def _instrument(
    path: Path, reading: ReadingTable, unit: Unit | None, checks: Checks, instruments: Mapping[str, Instrument]
) -> Instrument | None:
    id = reading.instrument
    if id is None or not checks.known(path, id, "instruments", instruments, "an instrument"):
        return None
    reads = unit_of(instruments[id])
    if unit is not None and reads is not None and reads.dims != unit.dims:
        why = f"{id} reads {describe(reads.dims)}, and this reading is {describe(unit.dims)}."
        checks.notes.add(path, id, why, "Name the instrument that reads it.")
        return None
    return instruments[id]


def unit_of(instrument: Instrument) -> Unit | None:
    """A unit of what an instrument reads, where anything of it is stated."""
    stated = [instrument.resolution, instrument.offset, *(instrument.range or ())]
    return next((amount.unit for amount in stated if amount is not None), None)


def _constants(path: Path, table: TestTable, checks: Checks) -> Iterator[tuple[str, Constant]]:
    for id, declared in table.constants.items():
        at: Path = (*path, "constants", id)
        if id in table.readings or id in FUNCTIONS:
            checks.notes.add(at, id, "a reading or function has this name.", "Choose another id.", at_key=True)
        constant = _constant(at, declared, checks)
        if constant is not None:
            yield id, constant


def _constant(at: Path, declared: str | ConstantTable, checks: Checks) -> Constant | None:
    """A constant with its uncertainty; one that cannot stand is noted and left out."""
    if isinstance(declared, str):
        exact = checks.amount(at, declared)
        return None if exact is None else Constant(value=exact)
    value = checks.amount((*at, "value"), declared.value)
    if value is None:
        return None
    if declared.u is not None and declared.within is not None:
        write = "Keep u, a standard deviation, or within, a limit to either side."
        checks.notes.add((*at, "within"), declared.within, "u says already how well it is known.", write)
    stated = {"u": declared.u, "within": declared.within}
    return Constant(
        value=value,
        u=_away((*at, "u"), declared.u, "a standard uncertainty", value, checks),
        within=_away((*at, "within"), declared.within, "a limit", value, checks),
        said=", ".join(f"{key} = {text}" for key, text in stated.items() if text is not None),
    )


def _away(path: Path, text: str | None, what: str, value: Quantity, checks: Checks) -> float:
    """How far a constant may be off, in SI, from a difference in a unit like its own or a percentage of it."""
    unit = value.unit
    if text is None:
        return 0.0
    if bare := _BARE_PERCENT.fullmatch(text):
        n = float(bare["n"])
        if unit.scale == "interval":
            why = f"{unit.text} starts at no true zero, so a share of it means nothing."
            checks.notes.add(path, text, why, f"Write it as a difference, as in {_example(unit)}.")
        elif unit.text == "%":
            share = f'"{abs(value.value) * n / 100:g} points" (that share of {value.text})'
            checks.notes.add(path, text, "this can be read two ways.", f'Write "{n:g} points" or {share}.')
        return abs(value.si) * n / 100
    if unit.text == "%" and (points := POINTS.fullmatch(text)):
        return unit.difference_to_si(float(points["n"]))
    away = checks.from_zero(path, text, what, unit)
    return 0.0 if away is None else float(away.unit.difference_to_si(away.value))


# ------------------------------------------------------------------------------------------------------ results


@dataclass
class _Results:
    """The results of one test, each formula checked once those it names are."""

    test: str
    table: TestTable
    checks: Checks
    readings: Mapping[str, DeclaredReading]
    constants: Mapping[str, Constant]
    products: Mapping[str, Product]
    control: str | None

    @property
    def targets(self) -> Targets:
        """What reads targets and caps."""
        return Targets(self.checks, self.table.references, self.control, self.may_have_control())

    def all(self) -> tuple[list[Result], list[Result]]:
        """Every result that can stand, in file order: those of single runs, and those derived from levels."""
        formulas = dict(self.formulas())
        derived = {name: formulas.pop(name) for name in list(formulas) if levels(formulas[name])}
        for name in [name for name, formula in formulas.items() if set(names(formula)) & set(derived)]:
            self.names_derived(name, formulas.pop(name), derived)
        waits = {name: set(names(formula)) & set(formulas) for name, formula in formulas.items()}
        for name in _in_circles(waits):
            why = f"it is computed from itself, by way of {' and '.join(sorted(waits[name]))}."
            if waits[name] == {name}:
                why = "it is computed from itself."
            at = ("tests", self.test, "results", name, "formula")
            self.checks.notes.add(at, formulas.pop(name).text, why, "Name what was read, not the result.")
        sorts = self.sorts()
        done: dict[str, Result] = {}
        rests = set(self.readings)  # names that stand for something read in the run
        while ready := [n for n in formulas if not set(names(formulas[n])) & set(formulas)]:
            for name in ready:
                formula = formulas.pop(name)
                result, sort = self.result(name, formula, sorts, rests)
                rests |= {name} if set(names(formula)) & rests else set()
                if result is not None:
                    done[name] = result
                    sorts[name] = sort or (result.unit.dims, result.unit.scale)
        for result in done.values():
            self.check_baseline(result, done)
        found = [done[name] for name in self.table.results if name in done]
        return found, [r for name, formula in derived.items() if (r := self.derived(name, formula, done, derived))]

    def check_baseline(self, result: Result, done: Mapping[str, Result]) -> None:
        """Note a baseline that no run can be compared at."""
        path: Path = ("tests", self.test, "results", result.id, "baseline")
        given, notes = result.baseline, self.checks.notes
        if not given or (given not in done and self.named_somewhere(given) and given not in self.readings):
            return
        others = [r.id for r in done.values() if r.id != result.id and r.outcome == "number"]
        if given == result.id or given not in done:
            why = "this is the result itself." if given == result.id else "the test has no result with this id."
            if given in self.readings:
                why = "this is a reading, and a baseline is a result."
            notes.add(path, given, why, suggest(given, others) or "Add a result that says what stood before.")
        elif result.target is not None:
            notes.add(path, given, "a result near a target is not compared at a baseline.", "Leave it out.")
        elif done[given].outcome != "number":
            notes.add(path, given, f"{given} is a {done[given].outcome}, and a baseline is a number.", "Leave it out.")
        elif result.scale != "raw" and done[given].unit.dims != result.unit.dims:
            why = f"on the {result.scale} scale before and after are of one sort."
            notes.add(path, given, why, 'Name one in the same unit, or write scale = "raw".')

    def names_derived(self, id: str, formula: Formula, derived: Mapping[str, Formula]) -> None:
        """Note that a formula names a result that has no value for one run."""
        name = next(n for n in names(formula) if n in derived)
        why = f"{name} is computed once per product, from levels of the control or a reference."
        write = "Name results that are computed run by run."
        self.checks.notes.add(("tests", self.test, "results", id, "formula"), formula.text, why, write)

    def derived(
        self, id: str, formula: Formula, done: Mapping[str, Result], derived: Mapping[str, Formula]
    ) -> Result | None:
        """A result computed once per product from levels of other results."""
        declared, notes = self.table.results[id], self.checks.notes
        at: Path = ("tests", self.test, "results", id)
        if set(names(formula)) & set(derived):
            self.names_derived(id, formula, derived)
            return None
        try:
            self.check_levels(formula, derived)
        except FormulaError as error:
            self.checks.formula_mistake((*at, "formula"), error)
            return None
        if declared.kind != "info":
            why = "a result derived from levels of the control or a reference is for information."
            notes.add((*at, "kind"), declared.kind, why, 'Write kind = "info"; to compare ratios, scale = "log".')
            return None
        if declared.scale != "raw":
            why = "a result derived from levels is not compared, on any scale."
            notes.add((*at, "scale"), declared.scale, why, "Leave it out.")
        if declared.spread != "pooled":
            why = "a result derived from levels has the spread of the results it names."
            notes.add((*at, "spread"), declared.spread, why, "Leave it out, and write it on those.")
        self.targets.refused(at, declared, "a result derived from levels")
        self.margin((*at, "matters"), declared, PURE)
        unit = self.checks.unit((*at, "unit"), declared.unit) if declared.unit is not None else None
        if declared.unit is None and not notes.typed(*at, "unit"):
            notes.add(at, "", "'unit' is missing.", 'Add unit = "%" (or yours).', at_key=True)
        sorts = {r.id: (r.unit.dims, r.unit.scale) for r in done.values() if r.outcome == "number"}
        held = {name: (q.unit.dims, q.unit.scale) for name, q in self.constants.items()}
        sorts |= held | sorts_of_facts(self.products)
        used = [*names(formula), *(level.id for level in levels(formula))]
        if any(n not in sorts and n not in done and self.named_somewhere(n) for n in used):
            return None  # what it names has a mistake of its own
        sort = self.checks.sort((*at, "formula"), formula, sorts)
        if sort is None or unit is None:
            return None
        self.no_hundred(at, formula, unit, sort)
        if sort[0] != unit.dims:
            why = f"the formula gives {describe(sort[0])}, and the unit {unit.text!r} is {describe(unit.dims)}."
            notes.add((*at, "unit"), declared.unit, why, "Correct the unit or the formula.")
        if sort[1] == "ratio" and unit.scale == "interval":
            unit = replace(unit, offset=0.0, scale="ratio")
        return Result(
            id=id,
            test=self.test,
            formula=formula,
            unit=unit,
            kind="info",
            better=None if declared.better == "nearest" else declared.better,
            primary=declared.primary,
        )

    def check_levels(self, formula: Formula, derived: Mapping[str, Formula]) -> None:
        """Refuse what a formula that is computed once per product cannot name.

        Raises FormulaError, with the column of the name at fault.
        """
        text = formula.text
        for level in levels(formula):
            if not level.of and self.control is None and not self.may_have_control():
                raise FormulaError(text, level.at, "the test has no control.", f"{self.how_to_have_one()}.")
            meant = product_called(level.of, self.checks.notes.table("products")) if level.of else None
            if meant is not None and meant != level.of:
                why = "a product is named here by its id."
                raise FormulaError(text, level.of_at, why, f"Write reference('{meant}', {level.id}).")
            if level.of and level.of not in self.table.references:
                known = ", ".join(self.table.references)
                write = f"Its references: {known}." if known else f'Add references = ["{level.of}"] to the test.'
                raise FormulaError(text, level.of_at, f"the test has no reference {level.of!r}.", write)
        inner = {level.id: level.id_at for level in levels(formula)}
        for name, at in {**columns(formula), **inner}.items():
            if name in self.readings:
                why = f"{name} is read run by run, and a formula with a level in it is computed once per product."
                raise FormulaError(text, at, why, "Name a result.")
            if name in inner and (name in self.constants or name in derived):
                what = "a constant" if name in self.constants else "derived from levels itself"
                raise FormulaError(text, at, f"{name} is {what}.", "Name a result that is computed run by run.")

    def formulas(self) -> Iterator[tuple[str, Formula]]:
        """The formula of every result that has one that can be read."""
        for name, declared in self.table.results.items():
            at: Path = ("tests", self.test, "results", name)
            if name in self.table.readings or name in self.table.constants or name in FUNCTIONS:
                why = "a reading, constant or function of this test has this name."
                self.checks.notes.add(at, name, why, "Choose another id.", at_key=True)
                continue
            formula = self.checks.formula((*at, "formula"), declared.formula)
            if formula is not None:
                yield name, formula

    def sorts(self) -> dict[str, Sort]:
        """What each name amounts to that is no result."""
        read = {r.id: (r.unit.dims, r.unit.scale) for r in self.readings.values() if r.is_number}
        held = {name: (q.unit.dims, q.unit.scale) for name, q in self.constants.items()}
        return {**held, **read, **sorts_of_facts(self.products)}

    def result(
        self, id: str, formula: Formula, sorts: Mapping[str, Sort], rests: set[str]
    ) -> tuple[Result | None, Sort | None]:
        """One result, and what its formula gives where that is not what its unit says."""
        declared, notes = self.table.results[id], self.checks.notes
        at: Path = ("tests", self.test, "results", id)
        if worded := [
            self.readings[n] for n in names(formula) if n in self.readings and not self.readings[n].is_number
        ]:
            return self.worded(at, formula, declared, worded[0]), None
        if any(notes.doubtful("tests", self.test, "readings", n, "kind") for n in names(formula)):
            return None, None  # whether it has a unit and a margin is up to the kind of the reading
        if declared.unit is None and not notes.typed(*at, "unit"):
            notes.add(at, "", "'unit' is missing.", 'Add unit = "g" (or yours).', at_key=True)
        unit = self.checks.unit((*at, "unit"), declared.unit) if declared.unit is not None else None
        damaged = [n for n in names(formula) if n not in sorts and self.named_somewhere(n)]
        sort = None if damaged else self.checks.sort((*at, "formula"), formula, sorts)
        if sort is not None and not set(names(formula)) & rests:
            write = "Name a reading of the run in it."
            notes.add((*at, "formula"), formula.text, "nothing that was read enters this formula.", write)
        elif sort is not None and any(not set(names(t.value)) & rests for one in choices(formula) for t in one):
            why = "a value of first_of names nothing that was read: it would stand in for what was lost."
            notes.add((*at, "formula"), formula.text, why, "Name a reading in each of its values.")
        if declared.kind != "info" and declared.better is None and not notes.typed(*at, "better"):
            write = 'Add better = "higher" or better = "lower".'
            notes.add(at, "", f"a {declared.kind} must say which way is better.", write, at_key=True)
        if unit is None:
            return None, None
        values = (unit.dims, unit.scale)
        mismatch = sort is not None and sort[0] != unit.dims
        self.no_hundred(at, formula, unit, sort)
        if sort is not None and mismatch:
            why = f"the formula gives {describe(sort[0])}, and the unit {unit.text!r} is {describe(unit.dims)}."
            notes.add((*at, "unit"), declared.unit, why, "Correct the unit or the formula.")
        if sort is not None and sort[1] == "ratio" and unit.scale == "interval":
            # A difference of two temperatures, say: the unit counts degrees, and its zero is no difference.
            unit = replace(unit, offset=0.0, scale="ratio")
            values = (unit.dims, unit.scale)
        target = self.targets.target(at, declared, unit)
        if target is not None and not target.product:
            unit = of_distances(unit)
        result = Result(
            id=id,
            test=self.test,
            formula=formula,
            unit=unit,
            kind=declared.kind,
            better=declared.better,
            matters=self.margin((*at, "matters"), declared, unit),
            primary=declared.primary,
            scale=declared.scale if self.may_scale((*at, "scale"), declared, unit) else "raw",
            spread=declared.spread,
            target=target,
            capped_at=self.targets.cap(at, declared, unit, target),
            baseline=declared.baseline or "",
        )
        # A formula that names a result near a target computes with its values, not with their distances.
        return result, sort if mismatch else values

    def no_hundred(self, at: Path, formula: Formula, unit: Unit, sort: Sort | None) -> None:
        """Refuse a share that is turned into percent twice: by its formula and by its unit."""
        column = hundredfold(formula)
        if unit.text == "%" and column is not None and (sort is None or not sort[0]):
            why = "the unit turns 0.4 into 40 % by itself, and the formula multiplies by 100 once more."
            found = _HUNDRED.fullmatch(formula.text.strip())
            bare = (found["after"] or found["before"]) if found else ""
            write = f'Write formula = "{bare}".' if bare else "Write the formula without the 100."
            self.checks.notes.add((*at, "formula"), formula.text, why, write)

    def worded(self, at: Path, formula: Formula, declared: ResultTable, reading: DeclaredReading) -> Result | None:
        """A result that is a grade, a category, a place or a yes or no, as it was read."""
        notes = self.checks.notes
        if reading.kind == "text" or not isinstance(formula.tree, Name):
            why = f"{reading.id} is a {reading.kind}, and a formula cannot compute with it."
            write = "Leave it to the notes." if reading.kind == "text" else f'Write formula = "{reading.id}", alone.'
            notes.add((*at, "formula"), formula.text, why, write)
            return None
        scale = None if declared.scale == "raw" else declared.scale
        spread = None if declared.spread == "pooled" else declared.spread
        spoken = {"unit": declared.unit, "matters": declared.matters, "scale": scale, "spread": spread}
        for key, given in spoken.items():
            if given is not None:
                notes.add((*at, key), given, f"a {reading.kind} has no {key}.", "Leave it out.")
        self.targets.refused(at, declared, f"a {reading.kind}")
        if declared.kind != "info" and declared.better is None and not notes.typed(*at, "better"):
            ends = f": higher is towards {reading.levels[-1]!r}" if reading.levels else ""
            write = f'Add better = "higher" or better = "lower"{ends}.'
            notes.add(at, "", f"a {declared.kind} must say which way is better.", write, at_key=True)
        return Result(
            id=at[-1] if isinstance(at[-1], str) else "",
            test=self.test,
            formula=formula,
            unit=PURE,
            kind=declared.kind,
            better=None if declared.better == "nearest" else declared.better,
            primary=declared.primary,
            outcome=_OUTCOMES[reading.kind],
            levels=reading.levels,
        )

    def named_somewhere(self, name: str) -> bool:
        """Whether a name is in the file but damaged, so that it has been noted already."""
        notes, test = self.checks.notes, self.test
        parts = ("readings", "constants", "results")
        if not notes.ids(("tests", test, "readings")):
            return True
        return any(notes.typed("tests", test, p, name) or notes.doubtful("tests", test, p) for p in parts)

    def may_scale(self, path: Path, declared: ResultTable, unit: Unit) -> bool:
        """Whether the result's unit has the scale that the result asks for."""
        if declared.better == "nearest":
            return False
        if declared.scale != "raw" and unit.scale == "interval":
            why = f"{unit.text} starts at no true zero, so a ratio of two values means nothing."
        elif declared.scale == "logit" and unit.dims:
            why = f"the logit scale is for shares, and {unit.text} is {describe(unit.dims)}."
        else:
            return True
        write = 'Write scale = "raw"' + (' or "log".' if unit.scale == "ratio" else ".")
        self.checks.notes.add(path, declared.scale, why, write)
        return False

    # -- the smallest difference that matters

    def margin(self, path: Path, declared: ResultTable, unit: Unit) -> Margin | None:
        text, notes = declared.matters, self.checks.notes
        if text is None:
            if declared.kind != "info" and not notes.typed(*path):
                why = f"a {declared.kind} must say the smallest difference that matters."
                either = "" if declared.scale != "raw" else _example(unit)
                of_control = '"10 % of control"' if self.may_have_control() or not either else ""
                ways = listed([way for way in (either, of_control) if way], last="or")
                write = f"Add matters = {ways}, decided before measuring."
                notes.add(path[:-1], "", why, write, at_key=True)
            return None
        if declared.kind == "info":
            why = "an info result is not judged, so nothing is too small to matter."
            notes.add(path, text, why, "Leave it out.")
            return None
        if share := _SHARE.fullmatch(text):
            margin = Margin(amount=float(share["n"]) / 100, share_of_control=True, text=text)
            return self.positive(path, margin) if self.has_share(path, text, unit) else None
        if declared.scale != "raw" and declared.better != "nearest" and unit.scale == "ratio":
            what = "ratios" if declared.scale == "log" else "ratios of odds"
            why = f"on the {declared.scale} scale products are compared by {what}, which have no unit."
            notes.add(path, text, why, 'Write "10 % of control" (or your share).')
            return None
        if (points := POINTS.fullmatch(text)) and unit.text == "%":
            return self.positive(path, Margin(amount=float(points["n"]), share_of_control=False, text=text))
        return self.plain_margin(path, text, unit)

    def has_share(self, path: Path, text: str, unit: Unit) -> bool:
        """Whether a share of the control means something for this result."""
        if unit.scale == "interval":
            why = f"{unit.text} starts at no true zero, so a share of it means nothing."
            self.checks.notes.add(path, text, why, f"Write it as a difference, as in {_example(unit)}.")
        elif not self.may_have_control():
            write = f"{self.how_to_have_one()}, or write an amount as in {_example(unit)}."
            self.checks.notes.add(path, text, "the test has no control.", write)
        else:
            return True
        return False

    def how_to_have_one(self) -> str:
        """What to write so that the test has a control."""
        stated = self.table.control == NO_CONTROL
        return 'Take out control = "none"' if stated else 'Give a product role = "control"'

    def may_have_control(self) -> bool:
        """Whether the test has a control, or the study a product that may be one once its role is mended."""
        if self.table.control == NO_CONTROL:
            return False
        doubtful = self.checks.notes.doubtful
        return any(p.role == "control" or doubtful("products", p.id, "role") for p in self.products.values())

    def plain_margin(self, path: Path, text: str, unit: Unit) -> Margin | None:
        notes = self.checks.notes
        if EITHER_WAY.search(text):
            self.checks.amount(path, text)
            return None
        if bare := _BARE_PERCENT.fullmatch(text):
            n, points_too = bare["n"], unit.text == "%"
            why = "this can be read two ways." if points_too else "percent of what?"
            grown = f"{40 + float(n):g}"
            other = f'"{n} points" (say, from 40 % to {grown} %)' if points_too else f"an amount in {unit.text}"
            notes.add(path, text, why, f'Write {other} or "{n} % of control".')
            return None
        if unit.text == "%":
            notes.add(path, text, "the result is in %.", 'Write "5 points" or "10 % of control".')
            return None
        if POINTS.fullmatch(text):
            notes.add(path, text, "points are for a result in %.", f"Write an amount as in {_example(unit)}.")
            return None
        quantity = self.checks.amount(path, text, unit)
        if quantity is None:
            return None
        amount = float(unit.difference_from_si(quantity.unit.difference_to_si(quantity.value)))
        return self.positive(path, Margin(amount=amount, share_of_control=False, text=text))

    def positive(self, path: Path, margin: Margin) -> Margin | None:
        if margin.amount > 0:
            return margin
        why = "the smallest difference that matters is above 0."
        self.checks.notes.add(path, margin.text, why, "Write what would make a reader choose otherwise.")
        return None


_OUTCOMES: Mapping[ReadingKind, OutcomeKind] = {
    "grade": "grade",
    "category": "category",
    "place": "place",
    "yes or no": "grade",
}


def _example(unit: Unit) -> str:
    if unit.text == "%":
        return '"5 points"'
    return '"0.1"' if unit.text in ("", "1") else f'"1 {unit.text}"'


def _in_circles(waits: Mapping[str, set[str]]) -> list[str]:
    """The names that lead back to themselves."""
    reached = {name: set(direct) for name, direct in waits.items()}
    for _ in range(len(waits).bit_length()):  # every round doubles how far is seen
        for near in reached.values():
            near |= {far for name in near for far in reached[name]}
    return [name for name, near in reached.items() if name in near]


def sorts_of_facts(products: Mapping[str, Product]) -> dict[str, Sort]:
    """What the product facts amount to that a formula may name, where at least one product states them."""
    out: dict[str, Sort] = {}
    for fact in FACTS:
        stated: list[Quantity | None] = [getattr(product, fact) for product in products.values()]
        first = next((quantity for quantity in stated if quantity is not None), None)
        if first is not None:
            out[f"product.{fact}"] = (first.unit.dims, first.unit.scale)
    return out
