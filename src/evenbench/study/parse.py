"""study.toml -> Study. Every mistake is collected, so that one reading of the messages mends the whole file.

Three passes: the text (`toml`), the shape (`shape`), the meaning (here and in `parse_tests`). What fails an earlier
pass is cut out before the next, and names that lead to something cut out are not reported again.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from evenbench.measure.errors import suggest
from evenbench.measure.units import Quantity, describe, parse_unit
from evenbench.study import file as shape
from evenbench.study.checks import FACTS, POINTS, Checks
from evenbench.study.doses import check_price, dose
from evenbench.study.mistakes import StudyError
from evenbench.study.model import (
    Buyer,
    Claim,
    Instrument,
    Level,
    Must,
    PlainRanks,
    Price,
    Product,
    Purchase,
    Question,
    Result,
    Study,
    Test,
)
from evenbench.study.notes import Notes, Path
from evenbench.study.parse_tests import NO_CONTROL, read_test, sorts_of_facts, unit_of
from evenbench.study.shape import shaped
from evenbench.study.targets import of_distances
from evenbench.study.toml import LARGEST_TEXT, read_toml
from evenbench.study.typed import product_called

__all__ = ["LARGEST_TEXT", "parse"]

_FLASH = re.compile(r"-?[0-9]+(\.[0-9]+)? *deg[CF]\b")
_GREATEST_WEIGHT = 1e6
_AGAINST_CONTROL = ("better", "better than control", "no harm")
_ROLE_WORDS = ("control", "placebo", "reference")


def _why_no_control(test: str, why: str) -> tuple[str, str]:
    """Why a result of a test that says it has no control cannot serve, and what to write."""
    return f"test {test} has no control, and {why}.", "Name a result of a test with a control, or leave it out."


def parse(text: str, *, today: date, file: str = "study.toml") -> Study:
    r"""Read a study file into a Study, or raise StudyError with every mistake found.

    today  the date against which "bought on" and "calibrated" are checked; nothing else depends on it
    file   how the file is called in messages

    >>> from datetime import date
    >>> parse("format = 1\n[study]\ntitle = 'Mine'\ncurrency = 'euro'", today=date(2026, 1, 1))
    Traceback (most recent call last):
    ...
    evenbench.study.mistakes.StudyError: study.toml:1:1: products: every study needs it. Add [products.ID].
    study.toml:1:1: tests: every study needs it. Add [tests.ID].
    study.toml:2:2: study: 'id' is missing. Add id = "…".
    study.toml:4:12: study.currency: 'euro': this is not a currency. Write three capital letters, as in "EUR".
    """
    raw = read_toml(text, file)
    notes = Notes(raw)
    declared = shaped(raw, notes)
    study = _Meaning(Checks(declared, notes, today)).study(text) if declared else None
    if notes.found or study is None:
        raise StudyError(notes.mistakes(text, file))
    return study


class _Meaning:
    """Resolves a study file of sound shape. Methods follow the file from top to bottom."""

    def __init__(self, checks: Checks) -> None:
        self.checks, self.declared, self.notes = checks, checks.declared, checks.notes
        self.products: dict[str, Product] = {}
        self.results: dict[str, Result] = {}
        self.derived: set[str] = set()

    def study(self, text: str) -> Study:
        """Resolve everything; whatever cannot stand is in the notes."""
        declared = self.declared
        instruments = {id: self.instrument(id, table) for id, table in declared.instruments.items()}
        self.products = {id: self.product(id, table) for id, table in declared.products.items()}
        self.distinct_names()
        self.facts_of_one_sort()
        tests = tuple(self.test(id, table, instruments) for id, table in declared.tests.items())
        self.results = {r.name: r for t in tests for r in t.results}
        self.derived = {r.name for t in tests for r in t.derived}
        return Study(
            id=declared.study.id,
            title=declared.study.title,
            currency=self.checks.currency,
            blinding=declared.study.blinding,
            questions=tuple(self.question(n, q, tests) for n, q in enumerate(declared.study.questions)),
            price=self.price(declared.price) if declared.price else None,
            instruments=tuple(instruments.values()),
            products=tuple(replace(p, claims=self.claims(id, tests)) for id, p in self.products.items()),
            tests=tests,
            buyers=tuple(self.buyer(id, table) for id, table in declared.buyers.items()),
            plain_ranks=self.plain_ranks(declared.plain_ranks, tests) if declared.plain_ranks else None,
            text=text,
        )

    # -- instruments and products

    def instrument(self, id: str, table: shape.InstrumentTable) -> Instrument:
        path: Path = ("instruments", id)
        resolution = self.checks.above_zero((*path, "resolution"), table.resolution, "a resolution")
        like = resolution.unit if resolution else None
        offset = self.checks.from_zero((*path, "offset"), table.offset, "an offset, a distance either way,", like)
        range_ = self.range((*path, "range"), table.range)
        instrument = Instrument(
            id=id,
            resolution=resolution,
            offset=offset,
            gain=self.gain((*path, "gain"), table.gain),
            range=range_,
            calibrated=self.checks.past((*path, "calibrated"), table.calibrated),
        )
        reads = unit_of(instrument)
        if range_ is not None and reads is not None and range_[0].unit.dims != reads.dims:
            why = f"the rest of this instrument is in {reads.text}, {describe(reads.dims)}."
            self.notes.add((*path, "range"), table.range, why, f"Write the range in {reads.text}.")
        return instrument

    def gain(self, path: Path, text: str | None) -> float:
        gain = self.checks.from_zero(path, text, "a gain, a share either way,")
        if gain is not None and gain.unit.dims:
            self.notes.add(path, text, "a gain is a share of the reading.", 'Write it as "0.1 %".')
        return gain.si if gain else 0.0

    def range(self, path: Path, text: str | None) -> tuple[Quantity, Quantity] | None:
        if text is None:
            return None
        low, to, high = text.partition(" to ")
        if not to:
            self.notes.add(path, text, "a range has two ends.", 'Write it as "0 g to 500 g".')
            return None
        first = self.checks.amount(path, low)
        second = self.checks.amount(path, high, first.unit) if first else None
        if first is None or second is None:
            return None
        if first.si >= second.si:
            self.notes.add(path, text, "the first end is not below the second.", "Write the lower end first.")
        return first, second

    def product(self, id: str, table: shape.ProductTable) -> Product:
        path: Path = ("products", id)
        if table.flash_point not in (None, "none", "unknown") and not _FLASH.match(table.flash_point):
            write = 'Write it as "24 degC", "24 degC closed cup", "none" or "unknown".'
            self.notes.add((*path, "flash_point"), table.flash_point, "this is no temperature.", write)
        if id == NO_CONTROL:
            self.notes.add(path, id, "tests without a control say this word.", "Choose another id.", at_key=True)
        takes, ends = dose((*path, "dose"), table.dose, self.checks) or (None, None)
        return Product(
            id=id,
            name=table.name,
            role=table.role,
            also=tuple(table.also),
            price=self.paid((*path, "price"), table.price),
            pack=self.checks.above_zero((*path, "pack"), table.pack, "what a pack holds"),
            dose=takes,
            dose_range=ends,
            flash_point=table.flash_point,
            bought=self.bought((*path, "bought"), table.bought) if table.bought else None,
            facts=dict(table.facts),
        )

    def paid(self, path: Path, text: str | None) -> Quantity | None:
        if text is None or not self.checks.has_currency():
            return None
        money = parse_unit(self.checks.currency or "", currency=self.checks.currency)
        return self.checks.from_zero(path, text, "a price", money)

    def bought(self, path: Path, table: shape.BoughtTable) -> Purchase:
        day = self.checks.past((*path, "on"), table.on)
        return Purchase(shop=table.shop, on=day, lot=table.lot, receipt=table.receipt)

    def distinct_names(self) -> None:
        """No two products share a name, however it is spaced or capitalised."""
        seen: dict[str, str] = {}
        for product in self.products.values():
            path: Path = ("products", product.id)
            named = [((*path, "name"), product.name), *(((*path, "also", n), a) for n, a in enumerate(product.also))]
            for at, name in named:
                same = " ".join(unicodedata.normalize("NFKC", name).casefold().split())
                other = seen.setdefault(same, product.id)
                if other != product.id:
                    self.notes.add(at, name, f"{other} is called this too.", "Give each product a name of its own.")

    def facts_of_one_sort(self) -> None:
        """A fact that a result's formula names is of one sort for all products: they are compared in one unit."""
        sorts = sorts_of_facts(self.products)
        for fact in FACTS:
            if not self.in_a_formula(f"product.{fact}"):
                continue
            for product in self.products.values():
                stated: Quantity | None = getattr(product, fact)
                if stated is not None and stated.unit.dims != sorts[f"product.{fact}"][0]:
                    usual = describe(sorts[f"product.{fact}"][0])
                    why = f"for other products the {fact} is {usual}, and a result's formula needs all of one sort."
                    self.notes.add(("products", product.id, fact), stated.text, why, f"Write {usual}.")

    def in_a_formula(self, name: str) -> bool:
        return any(name in r.formula for t in self.declared.tests.values() for r in t.results.values())

    # -- tests and price

    def test(self, id: str, table: shape.TestTable, instruments: Mapping[str, Instrument]) -> Test:
        if id == "buyers":
            write = "Choose another id for the test."
            self.notes.add(("tests", id), id, "questions name buyers by this word.", write, at_key=True)
        if id == "price":
            write = "Choose another id for the test."
            self.notes.add(("tests", id), id, "buyers weigh the price by this name.", write, at_key=True)
        return read_test(id, table, self.checks, instruments, self.products)

    def price(self, table: shape.PriceTable) -> Price | None:
        if not self.checks.has_currency():
            return None
        unit = parse_unit(self.checks.currency or "", currency=self.checks.currency)
        formula = self.checks.formula(("price", "formula"), table.formula)
        what = "the smallest difference that matters"
        matters = self.checks.above_zero(("price", "matters"), table.matters, what, unit)
        if formula is None:
            return None
        check_price(("price", "formula"), formula, unit.dims, self.products, self.checks)
        return Price(formula=formula, unit=unit, per=table.per, matters=float(matters.to(unit))) if matters else None

    # -- buyers, claims, questions

    def named_result(self, path: Path, name: str, *, at_key: bool = False) -> Result | None:
        """The result of this name; noted where there is none, unless the file has it in a damaged state."""
        found = self.results.get(name)
        test, _, id = name.partition(".")
        damaged = self.notes.typed("tests", test, "results", id) or self.damaged_test(test)
        if name in self.derived:
            why = "this result is derived from levels, for information, and nothing is judged by it."
            self.notes.add(path, name, why, "Name the result that it is derived from.", at_key=at_key)
        elif found is None and not damaged:
            near = suggest(name, list(self.results)) or "The tests have no sound result."
            self.notes.add(path, name, "no test of this study has this result.", near, at_key=at_key)
        return found

    def damaged_test(self, id: str) -> bool:
        return self.notes.typed("tests", id) and not self.notes.ids(("tests", id, "results"))

    def bound(
        self, path: Path, text: str | None, about: list[Result], must: str, *, every_run: bool = True
    ) -> Quantity | Level | None:
        """The bound of an `at least` or `at most`, in the unit of the results it is about, or a level of theirs.

        every_run  whether every run is held to it, as a level must be
        """
        needed = must in ("at least", "at most")
        if needed and text is None and not self.notes.typed(*self.notes.in_file(path)):
            self.notes.add(path[:-1], "", f"{must!r} needs a value.", 'Add value = "…" with its unit.', at_key=True)
        elif not needed and text is not None:
            self.notes.add(path, text, f"{must!r} takes no value.", "Leave it out.")
        elif text is not None and any(result.levels for result in about):
            return self.level(path, text, about, every_run=every_run)
        elif text is not None:
            found = [self.amount_of(path, text, result) for result in about]
            return next((quantity for quantity in found if quantity is not None), None)
        return None

    def level(self, path: Path, text: str, about: list[Result], *, every_run: bool) -> Level | None:
        """A level that every run is held to; None where it is none, or where a mean would have to be."""
        for result in about:
            levels = list(result.levels)
            if result.outcome != "grade":
                why = f"{result.name} has no levels that go from less to more."
                self.notes.add(path, text, why, "Name another result, or ask for something else.")
                return None
            if text not in levels:
                self.notes.add(path, text, f"{result.name} has no such level.", suggest(text, levels))
                return None
            if not every_run:
                why = f"levels have no mean that could be held to {text!r}."
                self.notes.add(path, text, why, 'Add in = "every run".')
                return None
        return Level(text)

    def amount_of(self, path: Path, text: str, result: Result) -> Quantity | None:
        """An amount of what a result is in, or a distance; a result in % may also be told in points."""
        if result.is_distance and result.unit.text != "%":
            away = self.checks.from_zero(path, text, "a distance", result.unit)
            return None if away is None else Quantity(away.value, of_distances(away.unit), away.text)
        if result.unit.text == "%" and (points := POINTS.fullmatch(text)):
            text = f"{points['n']} %"
        return self.checks.amount(path, text, result.unit)

    def fits(self, path: Path, must: str, result: Result) -> None:
        """`no harm` is said of risks only, `better` of benefits only."""
        if result.is_distance and must == "at least":
            why = f"{result.name} is how far a value lies from {result.target.text if result.target else ''}."
            self.notes.add(path, must, why, 'Write "at most", with how far it may lie.')
        if result.like and must.startswith(("better", "back to")):
            why = f"{result.name} should be like {result.like}, and nothing is better than that."
            self.notes.add(path, must, why, "Name another result, or ask for something else.")
            return
        if self.without_control(result.test) and must in _AGAINST_CONTROL:
            self.notes.add(path, must, *_why_no_control(result.test, "this is held against one"))
            return
        needs = "risk" if must == "no harm" else "benefit" if must.startswith("better") else None
        if must.startswith("back to") and result.kind == "info":
            write = "Name a benefit or a risk, or ask for something else."
            self.notes.add(path, must, f"{result.name} is an info, which is not judged.", write)
        if needs is not None and result.kind != needs:
            write = f"Name a {needs}, or ask for something else."
            self.notes.add(path, must, f"{result.name} is a {result.kind}, and this is said of a {needs}.", write)

    def without_control(self, test: str) -> bool:
        """Whether a test says that it has no control."""
        return test in self.declared.tests and self.declared.tests[test].control == NO_CONTROL

    def claims(self, product: str, tests: tuple[Test, ...]) -> tuple[Claim, ...]:
        declared = self.declared.products[product].claims
        return tuple(self.claim(("products", product, "claims", n), claim, tests) for n, claim in enumerate(declared))

    def claim(self, path: Path, claim: shape.ClaimTable, tests: tuple[Test, ...]) -> Claim:
        named = [self.named_result((*path, "about", n), name) for n, name in enumerate(claim.about)]
        about = [result for result in named if result is not None]
        self.checks.once((*path, "about"), claim.about)
        if claim.must == "not testable" and claim.about:
            why = "a claim that cannot be tested is about no result."
            self.notes.add((*path, "about"), "", why, "Leave it out.")
        if claim.must != "not testable" and not self.notes.typed(*self.notes.in_file((*path, "about")), 0):
            write = 'Add about = ["test.result"], or write must = "not testable".'
            self.notes.add(path, "", "the claim names no result.", write)
        for result in about:
            self.fits((*path, "must"), claim.must, result)
        value = self.bound((*path, "value"), claim.value, about, claim.must)
        other = claim.must.rpartition(" ")[2] if claim.must.startswith(("better than ", "back to ")) else ""
        if not other:
            return Claim(says=claim.says, must=claim.must, about=tuple(claim.about), needs=claim.needs, value=value)
        if other not in _ROLE_WORDS and not self.compares((*path, "must"), path, claim.must, other):
            return Claim(says=claim.says, must=claim.must, about=tuple(claim.about), needs=claim.needs)
        than = tuple(self.compared((*path, "must"), claim.must, other, result, tests) for result in about)
        return Claim(says=claim.says, must=claim.must, than=than, about=tuple(claim.about), needs=claim.needs)

    def compares(self, at: Path, path: Path, must: str, other: str) -> bool:
        """Whether the product that a claim names can be what its own product is compared with."""
        own = str(path[1])
        products = self.products
        allowed = [p.id for p in products.values() if p.id != own and (p.role == "reference" or " than " in must)]
        what = "a reference" if " to " in must else "another product"
        if other in allowed:
            return True
        if other in products and other != own:
            self.notes.add(at, must, f"{other} is not {what}.", suggest(other, allowed))
        elif other == own:
            self.notes.add(at, must, "this compares the product with itself.", suggest(other, allowed))
        elif not self.notes.typed("products", other):
            near = suggest(other, [*_ROLE_WORDS, *allowed])
            self.notes.add(at, must, f"the study has no product {other!r}.", near)
        return False

    def compared(self, at: Path, must: str, other: str, result: Result, tests: tuple[Test, ...]) -> str:
        """The product that a claim about `result` compares with; "" where there is none, or none alone."""
        test = next(t for t in tests if t.id == result.test)
        if other not in _ROLE_WORDS:
            if other not in test.products:
                self.notes.add(
                    at, must, f"{other} does not go through test {test.id}.", f"Known: {', '.join(test.products)}."
                )
            return other
        of = {
            "control": (test.control,) if test.control else (),
            "placebo": test.placebos,
            "reference": test.references,
        }
        if len(of[other]) > 1:
            why = f"test {test.id} has {len(of[other])} {other}s ({', '.join(of[other])})."
            write = f'Name the one meant, as in "{must.replace(other, of[other][0])}".'
            self.notes.add(at, must, why, write)
        elif not of[other] and other != "control":
            self.notes.add(at, must, f"no {other} goes through test {test.id}.", "Name another result or product.")
        return of[other][0] if of[other] else ""

    def question(self, n: int, question: shape.QuestionTable, tests: tuple[Test, ...]) -> Question:
        path: Path = ("study", "questions", n)
        asked = question.answered_by
        if asked is not None and asked.startswith("buyers."):
            return self.question_to_buyer(path, question, asked)
        result = self.named_result((*path, "answered_by"), asked) if asked is not None else None
        if question.against is not None:
            allowed = [p.id for p in self.products.values() if p.role in _ROLE_WORDS]
            what = "a control, placebo or reference"
            known = self.checks.known((*path, "against"), question.against, "products", allowed, what)
            self.against_in_test((*path, "against"), question.against, result if known else None, tests)
            if asked is None:
                write = 'Add answered_by = "test.result".'
                self.notes.add((*path, "against"), question.against, "nothing says by which result.", write)
        return Question(asks=question.asks, answered_by=asked, against=question.against)

    def question_to_buyer(self, path: Path, question: shape.QuestionTable, asked: str) -> Question:
        """A question that the advice to a buyer answers."""
        buyer = asked.removeprefix("buyers.")
        self.checks.known((*path, "answered_by"), buyer, "buyers", self.declared.buyers, "a buyer")
        if question.against is not None:
            why = "a buyer's advice is about all products, not about one against another."
            self.notes.add((*path, "against"), question.against, why, "Leave it out.")
        return Question(asks=question.asks, answered_by=asked)

    def against_in_test(self, path: Path, other: str, result: Result | None, tests: tuple[Test, ...]) -> None:
        test = next((t for t in tests if result is not None and t.id == result.test), None)
        if test is not None and other not in test.products:
            near = suggest(other, [p for p in (test.control, *test.placebos, *test.references) if p is not None])
            self.notes.add(path, other, f"it does not go through test {test.id}.", near)

    # -- average finishes

    def plain_ranks(self, table: shape.PlainRanksTable, tests: tuple[Test, ...]) -> PlainRanks:
        path: Path = ("plain_ranks",)
        self.checks.once((*path, "tests"), table.tests)
        self.checks.once((*path, "include"), table.include)
        if table.tests:
            found = [self.ranked((*path, "tests", n), name, tests) for n, name in enumerate(table.tests)]
        else:
            judged = [t for t in tests if any(r.kind != "info" for r in t.results)]
            found = [self.ranked_of(path, t.id, t, at_key=True) for t in judged]
        roles = ("candidate", *_ROLE_WORDS)
        for n, word in enumerate(table.include):
            if word not in roles and (id := product_called(word, self.notes.table("products"))) not in (None, word):
                self.notes.add((*path, "include", n), word, "a product is named here by its id.", f'Write "{id}".')
            elif word not in roles and word not in self.products and not self.notes.typed("products", word):
                near = suggest(word, [*roles, *self.products])
                self.notes.add((*path, "include", n), word, "this is neither a role nor a product.", near)
        included = [p.id for p in self.products.values() if p.role in table.include or p.id in table.include]
        results = tuple(dict.fromkeys(r.name for r in found if r is not None))
        return PlainRanks(results=results, products=tuple(included), ties=table.ties, gaps=table.gaps)

    def ranked(self, path: Path, name: str, tests: tuple[Test, ...]) -> Result | None:
        """The result that a plain rank table goes by: named itself, or that of a test."""
        test = next((t for t in tests if t.id == name), None)
        if test is not None:
            return self.ranked_of(path, name, test)
        result = self.named_result(path, name)
        if result is not None and self.notes.damaged("tests", result.test, "results", result.id):
            return None
        if result is not None and (result.better is None or result.outcome == "category" or result.like):
            why = "no way of it is better, so nobody comes first in it."
            self.notes.add(path, name, why, "Name another result, or give this one better.")
            return None
        return result

    def ranked_of(self, path: Path, given: str, test: Test, *, at_key: bool = False) -> Result | None:
        """The main result of a test, or its only one that is judged."""
        judged = [
            r
            for r in test.results
            if r.kind != "info" and r.outcome != "category" and r.better is not None and not r.like
        ]
        main = [r for r in judged if r.primary] or judged
        if len(main) == 1:
            return main[0]
        if not self.damaged_test(test.id) and not self.notes.damaged("tests", test.id):
            why = f"test {test.id} has {len(main) or 'no'} results that it could go by."
            write = "Write in tests which one, as in " + (f'"{main[0].name}".' if main else '"test.result".')
            self.notes.add(path, given, why, write, at_key=at_key)
        return None

    def buyer(self, id: str, table: shape.BuyerTable) -> Buyer:
        path: Path = ("buyers", id)
        return Buyer(
            id=id,
            title=table.title,
            weights=self.weights((*path, "weights"), table),
            must=tuple(self.must((*path, "must", n), need) for n, need in enumerate(table.must)),
            only_if=tuple(table.only_if),
            not_if=tuple(table.not_if),
        )

    def must(self, path: Path, need: shape.MustTable) -> Must:
        result = self.named_result((*path, "result"), need.result)
        if result is not None:
            self.fits((*path, "is"), need.is_, result)
        if need.in_ and need.is_ not in ("at least", "at most"):
            why = f"this goes with 'at least' or 'at most', not with {need.is_!r}."
            self.notes.add((*path, "in"), need.in_, why, "Leave it out.")
        every = need.in_ is not None
        value = self.bound((*path, "value"), need.value, [result] if result else [], need.is_, every_run=every)
        return Must(result=need.result, is_=need.is_, value=value, every_run=need.in_ is not None)

    def weights(self, path: Path, table: shape.BuyerTable) -> dict[str, float]:
        out: dict[str, float] = {}
        for key, value in table.weights.items():
            if not isinstance(value, dict):
                self.weighs_price((*path, key), key)
                out |= self.weight((*path, key), key, value)
                continue
            for id, weight in value.items():
                self.weighs_result((*path, key, id), f"{key}.{id}")
                out |= self.weight((*path, key, id), f"{key}.{id}", weight)
        if not out and not self.notes.ids(path):
            self.notes.add(path, "", "a buyer must weigh something.", "Add weights.TEST.RESULT = 1.")
        return out

    def weight(self, path: Path, name: str, weight: float) -> dict[str, float]:
        if not 0 < weight < _GREATEST_WEIGHT:
            why = f"a weight is above 0 and below {_GREATEST_WEIGHT:,.0f}."
            self.notes.add(path, f"{weight:g}", why, "Leave out what does not count.")
        return {name: weight}

    def weighs_result(self, path: Path, name: str) -> None:
        result = self.named_result(path, name, at_key=True)
        if result is not None and result.kind == "info":
            why = "an info result is not judged, so it cannot be weighed."
            self.notes.add(path, name, why, "Leave it out, or make the result a benefit or a risk.", at_key=True)
        elif result is not None and self.without_control(result.test):
            self.notes.add(path, name, *_why_no_control(result.test, "a score counts steps from one"), at_key=True)
        elif result is not None and result.like:
            why = f"nothing is better than being like {result.like}, so no step of it can be counted."
            self.notes.add(path, name, why, "Leave it out, or give the result a value as target.", at_key=True)

    def weighs_price(self, path: Path, key: str) -> None:
        """A weight without a result is the price's."""
        if key == "price" and self.declared.price is None and not self.notes.typed("price"):
            self.notes.add(path, key, "the study has no [price].", "Add one, or leave this weight out.", at_key=True)
        elif key != "price" and key in self.declared.tests:
            judged = [r.id for r in self.results.values() if r.test == key and r.kind != "info"]
            near = f"Write weights.{key}.{judged[0]} = …" if judged else ""
            self.notes.add(path, key, "a weight is for a result of a test, not for the test.", near, at_key=True)
        elif key != "price" and not self.notes.typed("tests", key):
            options = ["price", *(r.name for r in self.results.values() if r.kind != "info")]
            self.notes.add(path, key, "a weight is for a result or the price.", suggest(key, options), at_key=True)
