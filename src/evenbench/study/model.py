"""The study as understood: every unit, formula and cross-reference resolved. Frozen; holds no reading.

Amounts are `Quantity` (a value with its unit, as typed). A result is named "test.result" wherever it is
named from outside its test.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal, NoReturn

from evenbench.measure.formula import Formula
from evenbench.measure.units import Quantity, Unit

Role = Literal["candidate", "control", "placebo", "reference"]
Kind = Literal["benefit", "risk", "info"]
Better = Literal["higher", "lower", "nearest"]
ScaleOfResult = Literal["raw", "log", "logit"]
BlocksAs = Literal["fixed", "random"]
Drift = Literal["none", "linear", "linear within block", "curve"]
SpreadOfResult = Literal["pooled", "unequal"]


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """What a reading is taken with. `offset` and `gain` are standard uncertainties shared by all it reads.

    resolution, offset  in a unit of their own; None where not stated
    gain                as a fraction of the reading; 0 where not stated
    """

    id: str
    resolution: Quantity | None = None
    offset: Quantity | None = None
    gain: float = 0.0
    range: tuple[Quantity, Quantity] | None = None
    calibrated: date | None = None


@dataclass(frozen=True, kw_only=True)
class Purchase:
    """How a product came to the bench."""

    shop: str | None = None
    on: date | None = None
    lot: str | None = None
    receipt: str | None = None


@dataclass(frozen=True)
class Level:
    """A level of a grade, or "yes" or "no", that every run is held to."""

    text: str


@dataclass(frozen=True, kw_only=True)
class Claim:
    """What a label or an advertisement promises, and the results that would bear it out.

    must  as written: "better than …", "back to …", "no harm", "at least", "at most" or "not testable"
    than  per result of `about`, the product that a "better than …" or "back to …" compares it with
    """

    says: str
    must: str
    than: tuple[str, ...] = ()
    about: tuple[str, ...] = ()
    needs: Literal["all", "any"] = "all"
    value: Quantity | Level | None = None


@dataclass(frozen=True, kw_only=True)
class Product:
    """Something compared, in one of four roles.

    dose        what one use takes by the label; the middle where the label gives a range
    dose_range  the least and the most that one use takes, where the label gives a range
    """

    id: str
    name: str
    role: Role = "candidate"
    also: tuple[str, ...] = ()
    price: Quantity | None = None
    pack: Quantity | None = None
    dose: Quantity | None = None
    dose_range: tuple[Quantity, Quantity] | None = None
    flash_point: str | None = None
    bought: Purchase | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    claims: tuple[Claim, ...] = ()


ReadingKind = Literal["number", "time", "grade", "category", "place", "yes or no", "text"]
ReadingOf = Literal["run", "specimen", "block", "product", "test"]
OutcomeKind = Literal["number", "grade", "category", "place"]


@dataclass(frozen=True, kw_only=True)
class DeclaredReading:
    """A column of a test's sheet: what is read, in which unit, with what, how many times a run.

    unit    of a number or time; a pure number for the other kinds
    levels  of a grade, from the worst or least on as listed, and of a category; ("no", "yes") of a yes or no
    limit   in `unit`: what "did not finish" stands for, which is more than this
    of      what is read: each run, or a specimen, block, product or the test, whose runs then share the reading
    lent_by the reading of another test that stands for it, as "test.reading"; "" where it is read in its own test
    """

    id: str
    unit: Unit
    kind: ReadingKind = "number"
    instrument: Instrument | None = None
    repeats: int = 1
    levels: tuple[str, ...] = ()
    limit: float | None = None
    of: ReadingOf = "run"
    lent_by: str = ""

    @property
    def is_number(self) -> bool:
        """Whether formulas can compute with it."""
        return self.kind in ("number", "time")


@dataclass(frozen=True, kw_only=True)
class Constant:
    """An amount that formulas name, and how well it is known. Its error is one for all runs of the test.

    u, within  in SI, as differences: its standard uncertainty, or how far it may lie to either side; 0 where not stated
    said       how well it is known, as written
    """

    value: Quantity
    u: float = 0.0
    within: float = 0.0
    said: str = ""

    @property
    def si(self) -> float:
        """The amount in SI units."""
        return self.value.si

    @property
    def unit(self) -> Unit:
        """The unit of the amount."""
        return self.value.unit

    @property
    def text(self) -> str:
        """As a reader sees it: "10 cm2, u = 0.1 cm2"."""
        return f"{self.value.text}, {self.said}" if self.said else self.value.text


@dataclass(frozen=True, kw_only=True)
class Margin:
    """The smallest difference that matters: in the result's unit, or as a share of the control.

    >>> from evenbench.measure.units import parse_unit
    >>> Margin(amount=0.1, share_of_control=True, text="10 % of control").amount
    0.1
    """

    amount: float
    share_of_control: bool
    text: str


@dataclass(frozen=True, kw_only=True)
class Target:
    """What a result should be near: a value, or the level of another product of its test.

    text     as written
    value    in `unit`; nan where it is a product's level
    unit     of the values, where the result itself is in distances from one
    product  the control or reference whose level it is; "" for a value
    """

    text: str
    unit: Unit
    value: float = float("nan")
    product: str = ""


@dataclass(frozen=True, kw_only=True)
class Result:
    """What is computed from one run's readings and judged.

    scale      on which products are compared: as it stands, by ratios, or by ratios of the odds of a share
    spread     whether the study says that products scatter alike, or each in its own way
    target     what it should be near, where nearest is better; outcomes are then distances from a value, and
               `unit` is theirs
    baseline   another result of the test, of the same runs, that products are compared at the same value of; ""
    capped_at  beyond which more brings a buyer nothing, in `unit`
    """

    id: str
    test: str
    formula: Formula
    unit: Unit
    kind: Kind
    better: Better | None = None
    matters: Margin | None = None
    primary: bool = False
    outcome: OutcomeKind = "number"
    levels: tuple[str, ...] = ()
    scale: ScaleOfResult = "raw"
    spread: SpreadOfResult = "pooled"
    target: Target | None = None
    capped_at: float | None = None
    baseline: str = ""

    @property
    def name(self) -> str:
        """The result as named from outside its test: "shower.uptake"."""
        return f"{self.test}.{self.id}"

    @property
    def sign(self) -> int:
        """+1 where more is better, -1 where less is: turns a difference so that more is better."""
        return -1 if self.better == "lower" or self.is_distance else 1

    @property
    def is_distance(self) -> bool:
        """Whether its outcomes are distances from a value."""
        return self.target is not None and not self.target.product

    @property
    def like(self) -> str:
        """The product it should be like, so that nothing is better than that; "" where there is none."""
        return self.target.product if self.target else ""

    @property
    def wanted(self) -> str:
        """Which way is better, in words: "lower is better"; "" where none is."""
        if self.target is None:
            return f"{self.better} is better" if self.better else ""
        return f"like {self.like} is best" if self.like else f"nearest to {self.target.text} is best"

    @property
    def is_yes_or_no(self) -> bool:
        """Whether each outcome is yes or no."""
        return self.levels == ("no", "yes")

    @property
    def difference_unit(self) -> str:
        """The unit of a difference of two outcomes: percent differ by points."""
        return "points" if self.unit.text == "%" else self.unit.text


@dataclass(frozen=True, kw_only=True)
class Test:
    """A procedure, the products that go through it, what is read and what is judged.

    applied        how the products were applied, as written
    applied_dose   the least and the most applied in one use, where `applied` gives a dose
    applied_share  the same as multiples of each label's dose, where `applied` gives a share of it
    blocks_as      whether each block has a level of its own, or all of them are a sample of such
    drift          how the rig shifts over the order of runs, as declared
    derived        results computed once per product from the levels of others; for information, never judged
    """

    __test__ = False  # the name is the trade's; this keeps pytest from collecting it

    id: str
    title: str
    products: tuple[str, ...]
    control: str | None
    placebos: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    readings: tuple[DeclaredReading, ...] = ()
    constants: Mapping[str, Constant] = field(default_factory=dict)
    results: tuple[Result, ...] = ()
    derived: tuple[Result, ...] = ()
    blocks: str | None = None
    lanes: int | None = None
    replicates: int | None = None
    control_runs: int | None = None
    order: Literal["random", "as listed"] | None = None
    drift: Drift = "none"
    blocks_as: BlocksAs = "fixed"
    applied: Mapping[str, str] = field(default_factory=dict)
    applied_dose: tuple[Quantity, Quantity] | None = None
    applied_share: tuple[float, float] | None = None
    conditions: Mapping[str, str] = field(default_factory=dict)
    between: tuple[str, ...] = ()
    departs: tuple[tuple[str, str], ...] = ()
    limits: str = ""

    @property
    def block_column(self) -> str:
        """The column of a sheet that holds a run's block: its round where rounds have lanes."""
        return "round" if self.lanes else "block"

    def planned(self, product: str) -> int | None:
        """How many runs of `product` the study asks for; None where it does not say."""
        if product == self.control and self.control_runs is not None:
            return self.control_runs
        return self.replicates


@dataclass(frozen=True, kw_only=True)
class Question:
    """What the audience is to be told, and the result, or the buyer ("buyers.daily"), that answers it."""

    asks: str
    answered_by: str | None = None
    against: str | None = None

    @property
    def buyer(self) -> str | None:
        """The buyer whose advice answers it; None where a result does, or nothing."""
        asked = self.answered_by or ""
        return asked.removeprefix("buyers.") if asked.startswith("buyers.") else None


@dataclass(frozen=True, kw_only=True)
class Price:
    """What one use costs: the formula, the unit, what one use is, and the difference that matters."""

    formula: Formula
    unit: Unit
    per: str
    matters: float


@dataclass(frozen=True, kw_only=True)
class Must:
    """What a buyer will not do without."""

    result: str
    is_: str
    value: Quantity | Level | None = None
    every_run: bool = False


@dataclass(frozen=True, kw_only=True)
class Buyer:
    """One kind of user: weights over results and price, must-haves, and the conditions of the advice."""

    id: str
    title: str
    weights: Mapping[str, float]
    must: tuple[Must, ...] = ()
    only_if: tuple[str, ...] = ()
    not_if: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class PlainRanks:
    """A table of average finishes: over which results and products, and what becomes of ties and gaps.

    ties  "average": who tie share the average of their places; "lowest": they share the best of them
    gaps  what becomes of a product without a level: "leave out" of its average, or "last" place
    """

    results: tuple[str, ...]
    products: tuple[str, ...]
    ties: Literal["average", "lowest"]
    gaps: Literal["leave out", "last"]


@dataclass(frozen=True, kw_only=True)
class Study:
    """What was declared. `text` is the file as typed; nothing here was measured."""

    id: str
    title: str
    currency: str | None
    blinding: str
    questions: tuple[Question, ...]
    price: Price | None
    instruments: tuple[Instrument, ...]
    products: tuple[Product, ...]
    tests: tuple[Test, ...]
    buyers: tuple[Buyer, ...]
    plain_ranks: PlainRanks | None = None
    text: str = field(default="", repr=False)

    def product(self, id: str) -> Product:
        """The product with this id.

        Raises KeyError where there is none.
        """
        return next((p for p in self.products if p.id == id), None) or _absent(id)

    def test(self, id: str) -> Test:
        """The test with this id.

        Raises KeyError where there is none.
        """
        return next((t for t in self.tests if t.id == id), None) or _absent(id)

    def result(self, name: str) -> Result:
        """The result named "test.result".

        Raises KeyError where there is none.
        """
        found = next((r for t in self.tests for r in t.results if r.name == name), None)
        return found or _absent(name)

    @property
    def result_names(self) -> tuple[str, ...]:
        """Every result, as "test.result", in file order."""
        return tuple(r.name for t in self.tests for r in t.results)


def _absent(name: str) -> NoReturn:
    raise KeyError(name)
