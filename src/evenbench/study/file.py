"""The shape of study.toml as a person writes it: which keys stand where, and of which sort.

Only shape is held here. What the strings mean (units, formulas, names of other parts) is `parse`'s work, so
that a mistake of shape in one table does not hide a mistake of meaning in another.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Id = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=2000, strip_whitespace=True)]
Amount = Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
Compared = Annotated[str, StringConstraints(pattern=r"^(better than|back to) [a-z][a-z0-9_]{0,59}$")]
Count = Annotated[int, Field(ge=1, le=1000)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
# No bench has as many; a file that has would keep the reader waiting, not the bench.
Many = Field(max_length=300)
Some = Field(max_length=100)


class Declared(BaseModel):
    """A table of the file: frozen, no unknown keys, no silent conversion (an unquoted 5 is not a text)."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class QuestionTable(Declared):
    """`[study] questions`."""

    asks: Text
    answered_by: Amount | None = None
    against: Id | None = None


class StudyTable(Declared):
    """`[study]`."""

    id: Id
    title: Text
    currency: Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$")] | None = None
    blinding: Literal["none", "coded", "decanted by another hand", "coded at reading only"] = "none"
    questions: Annotated[list[QuestionTable], Some] = []


class PriceTable(Declared):
    """`[price]`."""

    formula: Text
    per: Text
    matters: Amount


class InstrumentTable(Declared):
    """`[instruments.ID]`."""

    resolution: Amount | None = None
    offset: Amount | None = None
    gain: Amount | None = None
    range: Amount | None = None
    calibrated: date | None = None


class BoughtTable(Declared):
    """`[products.ID] bought`."""

    shop: Text | None = None
    on: date | None = None
    lot: Text | None = None
    receipt: Text | None = None


class ClaimTable(Declared):
    """`[products.ID] claims`."""

    says: Text
    must: (
        Literal[
            "better than control",
            "better than placebo",
            "back to reference",
            "no harm",
            "at least",
            "at most",
            "not testable",
        ]
        | Compared
    )
    about: Annotated[list[Amount], Some] = []
    needs: Literal["all", "any"] = "all"
    value: Amount | None = None


class DoseTable(Declared):
    """`[products.ID] dose`."""

    amount: Amount
    per: Amount


class ProductTable(Declared):
    """`[products.ID]`."""

    name: Text
    role: Literal["candidate", "control", "placebo", "reference"] = "candidate"
    also: Annotated[list[Text], Some] = []
    price: Amount | None = None
    pack: Amount | None = None
    dose: Amount | DoseTable | None = None
    flash_point: Amount | None = None
    bought: BoughtTable | None = None
    facts: Annotated[dict[Id, Text], Some] = {}
    claims: Annotated[list[ClaimTable], Some] = []


class ReadingTable(Declared):
    """`[tests.ID] readings.ID`."""

    kind: Literal["number", "time", "grade", "category", "place", "yes or no", "text"] | None = None
    unit: Amount | None = None
    instrument: Id | None = None
    repeats: Annotated[int, Field(ge=1, le=100)] = 1
    levels: Annotated[list[Text], Field(min_length=2, max_length=50)] | None = None
    limit: Amount | None = None
    place_in: Literal["round"] | None = None
    of: Literal["run", "specimen", "block", "product", "test"] = "run"
    lent_by: Amount | None = None


class ConstantTable(Declared):
    """`[tests.ID] constants.ID`."""

    value: Amount
    u: Amount | None = None
    within: Amount | None = None


class ResultTable(Declared):
    """`[tests.ID] results.ID`."""

    formula: Text
    unit: Amount | None = None
    kind: Literal["benefit", "risk", "info"]
    better: Literal["higher", "lower", "nearest"] | None = None
    target: Amount | None = None
    matters: Amount | None = None
    capped_at: Amount | None = None
    baseline: Id | None = None
    primary: bool = False
    scale: Literal["raw", "log", "logit"] = "raw"
    spread: Literal["pooled", "unequal"] = "pooled"


class DepartureTable(Declared):
    """`[tests.ID] departs`."""

    from_: Text = Field(alias="from")
    why: Text


class TestTable(Declared):
    """`[tests.ID]`."""

    __test__ = False

    title: Text
    control: Id | None = None
    references: Annotated[list[Id], Many] = []
    without: Annotated[list[Id], Many] = []
    readings: Annotated[dict[Id, ReadingTable], Some] = {}
    constants: Annotated[dict[Id, Amount | ConstantTable], Some] = {}
    results: Annotated[dict[Id, ResultTable], Some] = {}
    blocks: Text | None = None
    lanes: Annotated[int, Field(ge=2, le=1000)] | None = None
    replicates: Count | None = None
    control_runs: Count | None = None
    order: Literal["random", "as listed"] | None = None
    blocks_as: Literal["fixed", "random"] = "fixed"
    drift: Literal["none", "linear", "linear within block", "curve"] = "none"
    applied: Annotated[dict[Id, Text | int | Finite], Some] = {}
    conditions: Annotated[dict[Id, Text], Some] = {}
    between: Annotated[list[Text], Some] = []
    departs: Annotated[list[DepartureTable], Some] = []
    limits: Text | None = None


class MustTable(Declared):
    """`[buyers.ID] must`."""

    result: Amount
    is_: Literal["no harm", "better", "at least", "at most"] = Field(alias="is")
    value: Amount | None = None
    in_: Literal["every run"] | None = Field(default=None, alias="in")


class BuyerTable(Declared):
    """`[buyers.ID]`; weights nest as `weights.TEST.RESULT`, and `weights.price`."""

    title: Text
    weights: dict[str, float | dict[str, float]]
    must: Annotated[list[MustTable], Some] = []
    only_if: Annotated[list[Text], Some] = []
    not_if: Annotated[list[Text], Some] = []


class PlainRanksTable(Declared):
    """`[plain_ranks]`."""

    tests: Annotated[list[Amount], Some] = []
    ties: Literal["average", "lowest"] = "average"
    include: Annotated[list[Amount], Many] = ["candidate"]
    gaps: Literal["leave out", "last"] = "leave out"


class StudyFile(Declared):
    """The whole file."""

    format: Literal[1]
    study: StudyTable
    price: PriceTable | None = None
    instruments: Annotated[dict[Id, InstrumentTable], Many] = {}
    products: Annotated[dict[Id, ProductTable], Many]
    tests: Annotated[dict[Id, TestTable], Some]
    buyers: Annotated[dict[Id, BuyerTable], Some] = {}
    plain_ranks: PlainRanksTable | None = None


# Format 1 has these too, but this version does not read them. Refused by name, so that nobody believes that a
# key was honoured when it was passed over.
LATER = {
    (StudyTable, "looks"): "planned looks",
    (TestTable, "method"): "ready-made methods",
}
