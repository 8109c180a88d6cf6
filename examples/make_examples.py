"""Make the demonstration study, its hurried twin, and the truths that were planted in both.

    python examples/make_examples.py [ROOT]

writes, below ROOT (the checkout unless given), exactly the files that are committed: the study carried inside
the program, `examples/proofers_hurried` and `examples/planted_truths.toml`. Every product, shop and reading
is invented. The program that will judge these studies is not used here: what a study declares is read back
with tomllib, and everything else is written down below.

How a reading comes about: the true value of a product on a result, plus what the day adds for everything run
on it, plus what this one run adds, is turned into what the instruments would have shown, with their own
errors, and rounded to what they can show.
"""

from __future__ import annotations

import csv
import io
import sys
import tomllib
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np

# Each is the first number, from the date of the invented study up, at which every interval of the study holds the
# truth. The dates themselves, 20260316 and 20260228, were tried first and fell to chance: soap came out better than
# plain water, and three runs of the control agreed so closely that plain water came out better than nothing. One
# family of intervals in twenty may miss, and an opening example is no place for it. How often they miss is a
# question for many seeds, never for a chosen one.
SEEDS = {"proofers_2026": 20260320, "proofers_hurried": 20260229}

DEMO = Path("src/evenbench/demo")
HURRIED = Path("examples/proofers_hurried")
TRUTHS = Path("examples/planted_truths.toml")

# ----------------------------------------------------------------------------------------------- what is true

# Columns: shower.uptake in %, head.pressure cm, vapour.rate g/m2/d, wash.uptake %, bend.length mm,
# seam.peel N.
# None: the product does not go through that test.
TRUE_VALUES: dict[str, tuple[float | None, ...]] = {
    "untreated": (38.0, 62.0, 820.0, 40.0, 19.0, 12.0),
    "water": (38.0, 62.0, 820.0, 40.0, 19.0, 12.0),
    "new": (9.0, 148.0, 860.0, None, 18.2, None),
    "brindlow": (24.0, 66.0, 812.0, 29.0, 19.2, 11.9),
    "corvane": (12.0, 70.0, 786.0, 33.0, 19.6, 7.2),
    "dunmarl": (14.5, 122.0, 505.0, 28.0, 24.5, 12.0),
    "eskerin": (16.5, 74.0, 820.0, 17.5, 19.0, 12.0),
    "fellmote": (27.0, 92.0, 690.0, 35.0, 21.6, 11.6),
    "garvel": (38.0, 62.0, 828.0, 40.0, 18.8, 12.0),
    "hathrin": (21.0, 65.0, 800.0, 38.5, 19.3, 9.4),
    "lorrick": (35.5, 60.0, 790.0, 39.0, 20.3, 11.2),
    "morvash": (29.5, 68.0, 815.0, 31.5, 19.1, 11.9),
    "ostrel": (12.0, 88.0, 812.0, 26.5, 19.4, 11.9),
    "pellam": (17.0, 104.0, 610.0, 27.0, 23.2, 12.0),
    "vessin": (45.0, 57.0, 760.0, 43.5, 19.0, 11.7),
}

# What a product leaves on the cloth, g/m2: it makes the dry cloth heavier and changes no judged result.
LEFT_ON_CLOTH = {
    "brindlow": 3.0,
    "corvane": 4.0,
    "dunmarl": 22.0,
    "eskerin": 4.0,
    "fellmote": 9.0,
    "hathrin": 3.0,
    "lorrick": 5.0,
    "morvash": 3.0,
    "ostrel": 4.0,
    "pellam": 17.0,
    "vessin": 2.0,
}

CLOTH = 150.0  # g/m2, worn and dry
SHOWER_AREA = 0.0625  # m2, a piece of 25 cm by 25 cm
CUP_AREA = 0.0050  # m2, 50 cm2
DAY = 1440.0  # min
FIRST_DROP_BEFORE_THIRD = (4.0, 14.0)  # cm, evenly spread between these

# The balance reads heavy by SCALE_OFFSET and high by SCALE_GAIN, both within what the studies state of it.
SCALE_OFFSET = 0.01  # g
SCALE_GAIN = 0.0005


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How much outcomes of one result scatter, in its unit, as standard deviations.

    day      between days, shared by everything run on one day
    run      between runs of one product on one day
    reading  what reading errors and rounding add to one run's outcome in the careful study
    """

    day: float
    run: float
    reading: float

    @property
    def within(self) -> float:
        """Between outcomes of one product on one day, reading errors included."""
        return sqrt(self.run**2 + self.reading**2)


SPREADS = {
    # Dry and wet weighings, two each, on 9.4 g of cloth: 100/9.4 · √((0.006² + 0.02² + 2·0.01²/12)/2).
    "shower.uptake": Spread(day=1.5, run=1.45, reading=0.16),
    "head.pressure": Spread(day=3.0, run=5.0, reading=0.29),
    # Two weighings to 0.01 g, minutes to 1 min: 1/0.005 · √(2·(0.006² + 0.01²/12)) and 820/1440 · √(1/12).
    "vapour.rate": Spread(day=20.0, run=22.0, reading=1.9),
    "wash.uptake": Spread(day=1.5, run=2.0, reading=0.23),
    "bend.length": Spread(day=0.2, run=0.50, reading=0.17),
    "seam.peel": Spread(day=0.3, run=0.35, reading=0.23),
}


def dry_mass(product: str) -> float:
    """The mean mass of a dry piece for the showers, g."""
    return SHOWER_AREA * (CLOTH + LEFT_ON_CLOTH.get(product, 0.0))


def true_value(result: str, product: str) -> float | None:
    """What the product's outcomes would average to, over many days and runs; None where it has none."""
    test, _, name = result.partition(".")
    if result == "shower.held":
        uptake = true_value("shower.uptake", product)
        return None if uptake is None else uptake / 100 * dry_mass(product)
    if result == "head.first_drop":
        third = true_value("head.pressure", product)
        return None if third is None else third - sum(FIRST_DROP_BEFORE_THIRD) / 2
    if result == "vapour.loss":
        rate = true_value("vapour.rate", product)
        return None if rate is None else rate * CUP_AREA
    return TRUE_VALUES[product][list(SPREADS).index(f"{test}.{name}")]


# ---------------------------------------------------------------------------------------- the careful study

DEMO_STUDY = """\
# Proofers for worn rain jackets: the demonstration study.
# Every product, maker, shop and reading in it is invented. The readings were drawn by the project's
# examples/make_examples.py; what is true of each product stands in examples/planted_truths.toml.

format = 1

[study]
id       = "proofers_2026"
title    = "Proofers for worn rain jackets"
currency = "EUR"
blinding = "coded"                # a neighbour applied the products and wrote the codes on the cloth
questions = [
  { asks = "Which proofer brings a worn jacket back?", answered_by = "shower.uptake" },
  { asks = "Does plain water do as well?", answered_by = "shower.uptake", against = "water" },
  { asks = "Which one still works after five washes?", answered_by = "wash.uptake" },
  { asks = "Does any of them keep the sweat in?", answered_by = "vapour.rate" },
  { asks = "Does it last a whole season of rain?" },      # no test here can tell
]

[price]                           # one jacket, at the dose on the label
formula = "product.price / product.pack * product.dose"
per     = "jacket"
matters = "1.50 EUR"

[instruments]
scale = { resolution = "0.01 g", offset = "0.01 g", gain = "0.1 %", range = "0 g to 500 g", calibrated = 2026-02-20 }
tape  = { resolution = "1 cm", offset = "0.5 cm", range = "0 cm to 200 cm" }
rule  = { resolution = "1 mm", offset = "0.2 mm", range = "0 mm to 300 mm" }
gauge = { resolution = "0.1 N", gain = "0.5 %", range = "0 N to 50 N", calibrated = 2026-02-20 }
clock = { resolution = "1 min" }


# ---------------------------------------------------------------------------- what is compared

[products.untreated]
name = "Worn cloth, untreated"
role = "control"

[products.water]
name = "Plain water"
flash_point = "none"
role = "placebo"
dose = "100 mL"
facts = { kind = "tap water from a pump bottle, handled like the sprays" }

[products.new]
name = "New cloth"
role = "reference"
facts = { kind = "the same cloth from the roll, never worn" }

[products.brindlow]
name  = "Brindlow Wash-in"
price = "9.90 EUR"
pack  = "300 mL"
dose  = "100 mL"
flash_point = "none"
bought = { shop = "Pellbrook Outdoor", on = 2026-02-27, lot = "BW-0417" }
facts  = { kind = "wash-in", carrier = "water" }
claims = [
  { says = "Lasts wash after wash", about = ["wash.uptake"], must = "better than control" },
  { says = "Keeps the fabric breathing", about = ["vapour.rate"], must = "no harm" },
]

[products.corvane]
name  = "Corvane Spray"
also  = ["the Corvane"]
price = "24.50 EUR"
pack  = "275 mL"
dose  = "110 mL"
flash_point = "24 degC"
bought = { shop = "Pellbrook Outdoor", on = 2026-02-27, lot = "7C2210" }
facts  = { kind = "spray can", carrier = "solvent" }
claims = [
  { says = "Brings back the pearl effect", about = ["shower.uptake"], must = "better than control" },
  { says = "Safe for taped seams", about = ["seam.peel"], must = "no harm" },
  { says = "Trusted by mountain guides", must = "not testable" },
]

[products.dunmarl]
name  = "Dunmarl Wax"
also  = ["the tin"]
price = "8.50 EUR"
pack  = "120 mL"
dose  = "40 mL"
flash_point = "unknown"
bought = { shop = "Wexley market, stall 14", on = 2026-02-28, lot = "W 31/08" }
facts  = { kind = "soft wax in a tin", carrier = "none" }
claims = [
  { says = "Holds a metre of water", about = ["head.pressure"], must = "at least", value = "100 cm" },
  { says = "Lets the jacket breathe", about = ["vapour.rate"], must = "no harm" },
]

[products.eskerin]
name  = "Eskerin Wash-in"
price = "13.50 EUR"
pack  = "300 mL"
dose  = "100 mL"
flash_point = "none"
bought = { shop = "Nordle & Daughters", on = 2026-03-02, lot = "E26/031" }
facts  = { kind = "wash-in", carrier = "water" }
claims = [
  { says = "Five washes later, still under a quarter", about = ["wash.uptake"], must = "at most", value = "25 %" },
  { says = "Leaves no stiffness", about = ["bend.length"], must = "no harm" },
  { says = "Stands up to driven rain", about = ["head.pressure"], must = "better than control" },
]

[products.fellmote]
name  = "Fellmote Cream"
price = "16.00 EUR"
pack  = "200 mL"
dose  = "60 mL"
flash_point = "none"
bought = { shop = "Nordle & Daughters", on = 2026-03-02, lot = "F118" }
facts  = { kind = "rub-on cream", carrier = "water" }
claims = [
  { says = "Soft to the touch", about = ["bend.length"], must = "no harm" },
  { says = "Rain stays out", about = ["shower.uptake", "wash.uptake"], needs = "all", must = "better than control" },
]

[products.garvel]
name  = "Garvel Soap"
price = "3.20 EUR"
pack  = "1000 mL"
dose  = "80 mL"
flash_point = "none"
bought = { shop = "Wexley market, stall 3", on = 2026-02-28, lot = "GS 5521" }
facts  = { kind = "liquid soap", carrier = "water" }
claims = [
  { says = "Cleans and proofs", about = ["shower.uptake", "wash.uptake"], needs = "any", must = "better than control" },
  { says = "Will not clog the membrane", about = ["vapour.rate"], must = "no harm" },
]

[products.hathrin]
name  = "Hathrin Spray"
price = "6.90 EUR"
pack  = "400 mL"
dose  = "120 mL"
flash_point = "12 degC"
bought = { shop = "Wexley market, stall 3", on = 2026-02-28, lot = "H-88-02" }
facts  = { kind = "spray can", carrier = "solvent" }
claims = [
  { says = "One coat outlasts the wash", about = ["wash.uptake"], must = "better than control" },
  { says = "Kind to seams", about = ["seam.peel"], must = "no harm" },
]

[products.lorrick]
name  = "Lorrick Dip"
price = "18.00 EUR"
pack  = "500 mL"
dose  = "150 mL"
flash_point = "none"
bought = { shop = "Nordle & Daughters", on = 2026-03-03, lot = "LD 2025-40" }
facts  = { kind = "dip for a bucket", carrier = "water" }
claims = [
  { says = "Repels rain", about = ["shower.uptake"], must = "better than control" },
  { says = "Gentle on seam tape", about = ["seam.peel"], must = "no harm" },
  { says = "For people who mean it", must = "not testable" },
]

[products.morvash]
name  = "Morvash Wash-in"
price = "11.40 EUR"
pack  = "500 mL"
dose  = "150 mL"
flash_point = "none"
bought = { shop = "Pellbrook Outdoor", on = 2026-02-27, lot = "M5-119" }
facts  = { kind = "wash-in", carrier = "water" }
claims = [
  { says = "Takes up less than a quarter of its weight", about = ["shower.uptake"], must = "at most", value = "25 %" },
]

[products.ostrel]
name  = "Ostrel Spray"
also  = ["the Ostrel"]
price = "14.00 EUR"
pack  = "300 mL"
dose  = "100 mL"
flash_point = "none"
bought = { shop = "Nordle & Daughters", on = 2026-03-02, lot = "B22" }
facts  = { kind = "pump spray", carrier = "water" }
claims = [
  { says = "Restores repellency for good", about = ["shower.uptake", "wash.uptake"], must = "better than control" },
  { says = "Keeps cloth breathable", about = ["vapour.rate"], must = "no harm" },
  { says = "Holds three quarters of a metre", about = ["head.pressure"], must = "at least", value = "75 cm" },
]

[products.pellam]
name  = "Pellam Paste"
price = "12.50 EUR"
pack  = "100 mL"
dose  = "40 mL"
flash_point = "38 degC"
bought = { shop = "Nordle & Daughters", on = 2026-03-03, lot = "P0093" }
facts  = { kind = "wax paste in a tin", carrier = "solvent" }
claims = [
  { says = "Keeps its drape", about = ["bend.length"], must = "no harm" },
  { says = "Does not lift seam tape", about = ["seam.peel"], must = "no harm" },
]

[products.vessin]
name  = "Vessin Foam"
price = "7.95 EUR"
pack  = "250 mL"
dose  = "75 mL"
flash_point = "unknown"
bought = { shop = "Pellbrook Outdoor", on = 2026-02-27, lot = "V-6-14" }
facts  = { kind = "foam", carrier = "water" }
claims = [
  { says = "Restores water repellency", about = ["shower.uptake"], must = "better than control" },
  { says = "Smells of spring", must = "not testable" },
]


# ---------------------------------------------------------------------------- how it is tested

[tests.shower]
title      = "Ten minutes under the shower head"
applied    = { share_of_dose = 1 }
replicates = 5
control_runs = 10
blocks     = "day"
order      = "random"
drift      = "none"
references = ["new"]
limits     = "A shower is not a storm: no wind drives the water and nothing rubs the cloth."
conditions.cloth  = "25 cm × 25 cm from the backs of worn jackets of one make, washed clean before proofing"
conditions.curing = "two nights on a line indoors, then 20 min in a warm dryer, for every product"
conditions.water  = "19 degC to 21 degC, 6 L/min, from 40 cm above a frame at 45 degrees"
conditions.time   = "10 min"
between = [
  "shake the cloth ten times, then weigh it within a minute",
  "wipe the frame and the clips dry",
  "proofing was done in the open air, away from flames: three products carry solvent",
]
departs = [
  { from = "ISO 9865, the Bundesmann rain shower", why = "A shower head for the apparatus; no rubbing; not spun." },
]
readings.dry   = { unit = "g", instrument = "scale", repeats = 2 }
readings.wet   = { unit = "g", instrument = "scale", repeats = 2 }
results.uptake = { formula = "(wet - dry) / dry", unit = "%", better = "lower", kind = "benefit", matters = "5 points", primary = true }
results.held   = { formula = "wet - dry", unit = "g", better = "lower", kind = "info" }

[tests.head]
title      = "A rising column of water"
applied    = { share_of_dose = 1 }
replicates = 4
control_runs = 8
blocks     = "day"
order      = "random"
drift      = "none"
references = ["new"]
limits     = "Standing water that presses evenly; a rucksack strap or a knee presses harder, and in one place."
conditions.cloth  = "a fresh piece for every run, clamped under a tube, proofed side to the water"
conditions.water  = "19 degC to 21 degC"
conditions.rise   = "60 cm/min, by raising the can on its line"
between = ["dry the clamp and the seal", "empty and refill the can to the mark"]
departs = [
  { from = "ISO 811, hydrostatic head", why = "The column is raised by hand and read off a tape, so its rate wanders." },
]
readings.first     = { unit = "cm", instrument = "tape" }
readings.third     = { unit = "cm", instrument = "tape" }
results.pressure   = { formula = "third", unit = "cm", better = "higher", kind = "benefit", matters = "10 cm" }
results.first_drop = { formula = "first", unit = "cm", better = "higher", kind = "info" }

[tests.vapour]
title      = "A day over a cup of water"
applied    = { share_of_dose = 1 }
replicates = 4
control_runs = 8
blocks     = "day"
order      = "random"
drift      = "none"
references = ["new"]
limits     = "Still, warm air over still cloth. It ranks the products; a moving wearer loses far more."
conditions.cup     = "open area 50 cm2, water 20 mm below the cloth"
conditions.cupboard = "29 degC to 31 degC, a small fan, 35 % to 45 % humidity by the dial on the door"
between = ["wipe the rim", "turn the shelf by one place every six hours"]
departs = [
  { from = "ASTM E96, upright cup with water", why = "A cupboard with a fan in place of a climate chamber." },
]
constants.area   = "50 cm2"
readings.before  = { unit = "g", instrument = "scale" }
readings.after   = { unit = "g", instrument = "scale" }
readings.stood   = { unit = "min", instrument = "clock" }
results.rate     = { formula = "loss / (area * stood)", unit = "g/m2/d", better = "higher", kind = "risk", matters = "10 % of control" }
results.loss     = { formula = "before - after", unit = "g", better = "higher", kind = "info" }

[tests.wash]
title      = "The shower again, after five washes"
applied    = { share_of_dose = 1 }
replicates = 4
control_runs = 8
blocks     = "day"
order      = "random"
drift      = "none"
limits     = "Five washes in one machine with one powder. No rucksack has rubbed the shoulders meanwhile."
conditions.washing = "five short programmes at 30 degC with 15 g of unscented powder, line dried"
conditions.cloth   = "25 cm × 25 cm, proofed with those of the shower test and kept apart from them"
conditions.shower  = "as in the shower test"
between = ["an empty rinse between loads", "shake the cloth ten times, then weigh it within a minute"]
departs = [
  { from = "ISO 6330, domestic washing", why = "One household machine, no ballast, the powder that was in the house." },
]
readings.dry   = { unit = "g", instrument = "scale" }
readings.wet   = { unit = "g", instrument = "scale" }
results.uptake = { formula = "(wet - dry) / dry", unit = "%", better = "lower", kind = "benefit", matters = "6 points" }

[tests.bend]
title      = "How far a strip reaches before it bows"
applied    = { share_of_dose = 1 }
replicates = 4
control_runs = 8
blocks     = "day"
order      = "random"
drift      = "none"
references = ["new"]
limits     = "Stiffness at room temperature. Wax stiffens further in the cold, and that was not tried."
conditions.strip = "25 mm × 200 mm, cut along the roll, one night flat under a board"
conditions.room  = "20 degC to 22 degC"
conditions.angle = "41.5 degrees, drawn on the side of the shelf"
between = ["turn the strip over, then end for end: four readings", "wipe wax off the shelf"]
departs = [
  { from = "ASTM D1388, cantilever", why = "The strip is slid by hand, about 2 mm a second, under a steel rule." },
]
readings.overhang = { unit = "mm", instrument = "rule", repeats = 4 }
results.length    = { formula = "overhang / 2", unit = "mm", better = "lower", kind = "risk", matters = "2 mm" }

[tests.seam]
title      = "Peeling the seam tape"
applied    = { share_of_dose = 1 }
replicates = 3
control_runs = 6
blocks     = "day"
order      = "random"
drift      = "none"
limits     = "Tape of one make on one cloth, two weeks after proofing. Older glue may take it worse."
conditions.strip = "three strips, 22 mm wide, cut across one taped seam"
conditions.pull  = "100 mm in a minute, straight back, the steadiest figure of the last half"
between = ["wipe the clamp", "set the gauge to zero with the clamp hanging"]
departs = [
  { from = "common practice, no source", why = "No published method was at hand for tape inside a worn jacket." },
]
readings.pull = { unit = "N", instrument = "gauge", repeats = 3 }
results.peel  = { formula = "pull", unit = "N", better = "higher", kind = "risk", matters = "1.5 N" }


# ---------------------------------------------------------------------------- who asks

[buyers.commuter]
title = "Commuter, rain twice a week"
weights.shower.uptake = 3
weights.wash.uptake   = 2
weights.price         = 1
must = [
  { result = "vapour.rate", is = "no harm" },
  { result = "seam.peel",   is = "no harm" },
]
only_if = ["the jacket is washed clean first", "the seams are sound"]
not_if  = ["the coating is peeling: replace the jacket"]

[buyers.hillwalker]
title = "Hillwalker, long wet days"
weights.head.pressure = 3
weights.shower.uptake = 2
weights.vapour.rate   = 1
must = [
  { result = "vapour.rate",   is = "no harm" },
  { result = "seam.peel",     is = "no harm" },
  { result = "head.pressure", is = "at least", value = "65 cm" },
]
only_if = ["it is proofed again when drops stop rolling off"]

[buyers.thrifty]
title = "One jacket, washed often, every euro counts"
weights.wash.uptake   = 4
weights.shower.uptake = 1
weights.price         = 2
must = [
  { result = "wash.uptake",   is = "better" },
  { result = "bend.length",   is = "at most", value = "22 mm" },
  { result = "shower.uptake", is = "at most", value = "30 %", in = "every run" },
]
not_if = ["the jacket is waxed cotton: it wants wax"]
"""  # noqa: E501 - an inline table of TOML cannot be broken over lines

# What the tester wrote beside a run: test, product, run.
DEMO_NOTES = {
    ("shower", "untreated", 3): "dark patch within the second minute",
    ("shower", "ostrel", 1): "drops stand up and roll off to the end",
    ("shower", "dunmarl", 2): "whitish along the fold, none of it in the tray",
    ("shower", "vessin", 2): "froth in the run-off",
    ("shower", "garvel", 4): "wetted at once, smells of soap",
    ("head", "corvane", 3): "clamp slipped at 20 cm; dried, clamped again and started afresh",
    ("head", "new", 1): "stopped after the third drop, the can was near the ceiling",
    ("vapour", "pellam", 2): "water beads under the cloth in the morning",
    ("wash", "hathrin", 1): "patchy: some places still bead",
    ("bend", "dunmarl", 1): "bloom cracks where it bows",
    ("seam", "corvane", 2): "tape lifted at one corner before the pull",
    ("seam", "lorrick", 1): "second strip cut a little narrow",
}

# ----------------------------------------------------------------------------------------- the hurried study

HURRIED_STUDY = """\
# The shelf of the demonstration study, tested in one weekend: one run of each, in the order of the price
# list, nothing coded, a kitchen scale. The products are as invented as there, and so are the readings: they
# were drawn by examples/make_examples.py from the same truths.

format = 1

[study]
id       = "proofers_hurried"
title    = "Proofers for worn rain jackets, in a weekend"
currency = "EUR"
blinding = "none"
questions = [
  { asks = "Which proofer brings a worn jacket back?", answered_by = "shower.uptake" },
  { asks = "Does plain water do as well?", answered_by = "shower.uptake", against = "water" },
  { asks = "Can the jacket still breathe?", answered_by = "vapour.rate" },
]

[price]
formula = "product.price / product.pack * product.dose"
per     = "jacket"
matters = "1.50 EUR"

[instruments]
kitchen_scale = { resolution = "0.1 g", range = "0 g to 5000 g" }

[products.untreated]
name = "Worn cloth, untreated"
role = "control"

[products.water]
name = "Plain water"
flash_point = "none"
role = "placebo"
dose = "100 mL"

[products.garvel]
name  = "Garvel Soap"
price = "3.20 EUR"
pack  = "1000 mL"
dose  = "80 mL"
bought = { shop = "Wexley market, stall 3" }

[products.hathrin]
name  = "Hathrin Spray"
price = "6.90 EUR"
pack  = "400 mL"
dose  = "120 mL"
flash_point = "12 degC"

[products.vessin]
name  = "Vessin Foam"
price = "7.95 EUR"
pack  = "250 mL"
dose  = "75 mL"
bought = { shop = "Pellbrook Outdoor", on = 2026-02-26 }

[products.dunmarl]
name  = "Dunmarl Wax"
price = "8.50 EUR"
pack  = "120 mL"
dose  = "40 mL"

[products.brindlow]
name  = "Brindlow Wash-in"
price = "9.90 EUR"
pack  = "300 mL"
dose  = "100 mL"
bought = { shop = "Pellbrook Outdoor", on = 2026-02-26, lot = "BW-0417" }
claims = [
  { says = "Keeps the fabric breathing", about = ["vapour.rate"], must = "no harm" },
]

[products.morvash]
name  = "Morvash Wash-in"
price = "11.40 EUR"
pack  = "500 mL"
dose  = "150 mL"
bought = { shop = "Pellbrook Outdoor", on = 2026-02-26 }

[products.pellam]
name  = "Pellam Paste"
price = "12.50 EUR"
pack  = "100 mL"
dose  = "40 mL"
flash_point = "38 degC"

[products.eskerin]
name  = "Eskerin Wash-in"
price = "13.50 EUR"
pack  = "300 mL"
dose  = "100 mL"
bought = { shop = "Nordle & Daughters", on = 2026-02-26, lot = "E26/031" }

[products.ostrel]
name  = "Ostrel Spray"
price = "14.00 EUR"
pack  = "300 mL"
dose  = "100 mL"
bought = { shop = "Nordle & Daughters", on = 2026-02-26, lot = "B22" }
claims = [
  { says = "Restores repellency for good", about = ["shower.uptake"], must = "better than control" },
  { says = "Holds three quarters of a metre", about = ["head.pressure"], must = "at least", value = "75 cm" },
]

[products.fellmote]
name  = "Fellmote Cream"
price = "16.00 EUR"
pack  = "200 mL"
dose  = "60 mL"

[products.lorrick]
name  = "Lorrick Dip"
price = "18.00 EUR"
pack  = "500 mL"
dose  = "150 mL"
bought = { shop = "sent by the maker" }

[products.corvane]
name  = "Corvane Spray"
price = "24.50 EUR"
pack  = "275 mL"
dose  = "110 mL"
flash_point = "24 degC"

[products.new]
name = "New cloth"
role = "reference"

[tests.shower]
title        = "Ten minutes under the shower head"
replicates   = 1
control_runs = 3
order        = "as listed"
references   = ["new"]
conditions   = { water = "from the tap", time = "10 min" }
readings.dry   = { unit = "g", instrument = "kitchen_scale" }
readings.wet   = { unit = "g", instrument = "kitchen_scale" }
results.uptake = { formula = "(wet - dry) / dry", unit = "%", better = "lower", kind = "benefit", matters = "5 points", primary = true }

[tests.head]
title        = "A rising column of water"
replicates   = 1
control_runs = 1
order        = "as listed"
readings.first     = { unit = "cm" }
readings.third     = { unit = "cm" }
results.pressure   = { formula = "third", unit = "cm", better = "higher", kind = "benefit", matters = "10 cm" }
results.first_drop = { formula = "first", unit = "cm", better = "higher", kind = "info" }

[tests.vapour]
title        = "A day over a cup of water"
replicates   = 1
control_runs = 1
order        = "as listed"
constants.area  = "50 cm2"
readings.before = { unit = "g", instrument = "kitchen_scale" }
readings.after  = { unit = "g", instrument = "kitchen_scale" }
readings.stood  = { unit = "min" }
results.rate    = { formula = "(before - after) / (area * stood)", unit = "g/m2/d", better = "higher", kind = "risk", matters = "10 % of control" }

[tests.bend]
title        = "How far a strip reaches before it bows"
replicates   = 1
control_runs = 1
order        = "as listed"
readings.overhang = { unit = "mm" }
results.length    = { formula = "overhang / 2", unit = "mm", better = "lower", kind = "risk", matters = "2 mm" }

[buyers.commuter]
title = "Commuter, rain twice a week"
weights.shower.uptake = 3
weights.head.pressure = 1
weights.price         = 1
must = [
  { result = "vapour.rate", is = "no harm" },
]
"""  # noqa: E501

# The gaps: a product that never went through a test, and a reading that was missed.
NEVER_RUN = {
    ("vapour", "fellmote"): "only twelve cups, this one left out",
    ("vapour", "lorrick"): "only twelve cups, this one left out",
}
MISSED = {("head", "pellam", "first"): "answered the door, missed the first drop"}


# ------------------------------------------------------------------------------------------------------ draws


class Draws:
    """Random numbers for one purpose, from a seed and the purpose's name; other purposes change nothing here.

    Only the raw stream of numpy's PCG64 is used, which numpy promises to keep; its distributions it does not.
    """

    def __init__(self, seed: int, *purpose: object) -> None:
        key = zlib.crc32("/".join(map(str, purpose)).encode())
        self.bits = np.random.PCG64(np.random.SeedSequence([seed, key]))

    def between(self, low: float, high: float) -> float:
        """A number evenly spread between two ends, neither of them reached."""
        return low + (high - low) * ((int(self.bits.random_raw()) >> 11) + 0.5) * 2.0**-53

    def normal(self, sd: float) -> float:
        """A number from a normal distribution around 0."""
        return sd * NormalDist().inv_cdf(self.between(0.0, 1.0))

    def shuffled(self, items: Sequence[Any]) -> list[Any]:
        """The items in a random order."""
        keys = [int(self.bits.random_raw()) for _ in items]
        return [item for _, item in sorted(zip(keys, items, strict=True), key=lambda pair: pair[0])]


# ----------------------------------------------------------------------------------- from outcome to readings

Row = dict[str, str]
Reader = Callable[[float, str, Draws, float], Row]  # outcome, product, draws, the balance's step -> cells


def shown(value: float, step: float) -> str:
    """A value as an instrument with this step shows it."""
    decimals = max(0, len(f"{step:g}".partition(".")[2]))
    return f"{round(value / step) * step:.{decimals}f}"


def weighed(grams: float, noise: float, draws: Draws, step: float) -> str:
    """A mass as the balance shows it: a little heavy, a little high, never twice the same."""
    return shown(grams * (1 + SCALE_GAIN) + SCALE_OFFSET + draws.normal(noise), step)


def soaked(repeats: int) -> Reader:
    """Readings of a dry and a wet cloth, whose uptake is given in %."""

    def read(uptake: float, product: str, draws: Draws, step: float) -> Row:
        dry = dry_mass(product) + draws.normal(0.12)
        wet = dry * (1 + uptake / 100)
        cells = {repeat("dry", n): weighed(dry, 0.006, draws, step) for n in range(repeats)}
        return cells | {repeat("wet", n): weighed(wet, 0.02, draws, step) for n in range(repeats)}

    return read


def column(third: float, _product: str, draws: Draws, _step: float) -> Row:
    """Where the first and the third drop came through, cm."""
    first = third - draws.between(*FIRST_DROP_BEFORE_THIRD)
    return {"first": shown(first, 1), "third": shown(third, 1)}


def cup(rate: float, _product: str, draws: Draws, step: float) -> Row:
    """A cup before and after about a day, and the minutes between."""
    before = 168.0 + draws.normal(5.0)
    stood = DAY + draws.between(-35.0, 55.0)
    loss = rate * CUP_AREA * stood / DAY
    return {
        "before": weighed(before, 0.006, draws, step),
        "after": weighed(before - loss, 0.006, draws, step),
        "stood": shown(stood, 1),
    }


def strip(repeats: int) -> Reader:
    """How far a strip reached, mm, whose bending length is given."""

    def read(length: float, _product: str, draws: Draws, _step: float) -> Row:
        return {repeat("overhang", n): shown(2 * length + draws.normal(0.6), 1) for n in range(repeats)}

    return read


def peeled(force: float, _product: str, draws: Draws, _step: float) -> Row:
    """The pull on three strips of one seam, N."""
    return {repeat("pull", n): shown(force + draws.normal(0.4), 0.1) for n in range(3)}


def repeat(name: str, n: int) -> str:
    """The column of the n-th repeat of a reading, counted from 0."""
    return name if n == 0 else f"{name}.{n + 1}"


# -------------------------------------------------------------------------------------------- the two studies


def demo(seed: int = SEEDS["proofers_2026"]) -> dict[Path, str]:
    """The careful study as files: every product in every block, the control twice, order drawn."""
    study = tomllib.loads(DEMO_STUDY)
    readers: dict[str, tuple[str, Reader]] = {
        "shower": ("uptake", soaked(2)),
        "head": ("pressure", column),
        "vapour": ("rate", cup),
        "wash": ("uptake", soaked(1)),
        "bend": ("length", strip(4)),
        "seam": ("peel", peeled),
    }
    all_codes = [f"{letter}{n:02d}" for letter in "ACDEFHJKLMNPRTVWXY" for n in range(100)]
    codes = iter(Draws(seed, "codes").shuffled(all_codes))
    files = {DEMO / "study.toml": DEMO_STUDY}
    for test, (result, read) in readers.items():
        rows = list(blocked_runs(study, test, f"{test}.{result}", read, codes=codes, seed=seed))
        files[DEMO / "readings" / f"{test}.csv"] = table(rows)
    return files


def blocked_runs(
    study: Mapping[str, Any], test: str, result: str, read: Reader, *, codes: Iterator[str], seed: int
) -> Iterator[Row]:
    """The runs of one test in the order they were made, block after block."""
    declared, spread = study["tests"][test], SPREADS[result]
    enters = entrants(study, test)
    per_block = [p for p in enters for _ in range(2 if study["products"][p].get("role") == "control" else 1)]
    prices = {p: price_of_use(study, p) for p in enters if "price" in study["products"][p]}
    runs = dict.fromkeys(enters, 0)
    order = 0
    for block, places in enumerate(drawn_order(per_block, declared["replicates"], prices, seed, test), 1):
        day = Draws(seed, test, "day", block).normal(spread.day)
        for product in places:
            order += 1
            runs[product] += 1
            draws = Draws(seed, test, product, runs[product])
            outcome = known(result, product) + day + draws.normal(spread.run)
            yield {
                "product": product,
                "run": str(runs[product]),
                "specimen": next(codes),
                "block": f"day {block}",
                "order": str(order),
                "note": DEMO_NOTES.get((test, product, runs[product]), ""),
            } | read(outcome, product, draws, 0.01)


def drawn_order(
    per_block: Sequence[str], blocks: int, prices: Mapping[str, float], seed: int, test: str
) -> list[list[str]]:
    """An order for each block, drawn again while mean places go with price or with name: |ρ| above 0.5."""
    by_price, by_name = sorted(prices, key=lambda p: prices[p]), sorted(prices)
    attempt = 0
    while True:
        attempt += 1
        orders = [Draws(seed, test, "order", attempt, n).shuffled(per_block) for n in range(blocks)]
        place = {p: sum(order.index(p) for order in orders) for p in prices}
        by_place = sorted(prices, key=lambda p: place[p])
        if all(abs(rank_correlation(by_place, other)) <= 0.5 for other in (by_price, by_name)):
            return orders


def rank_correlation(these: Sequence[str], those: Sequence[str]) -> float:
    """Spearman's ρ of two orders of the same things, no ties.

    >>> rank_correlation("abcd", "abcd"), rank_correlation("abcd", "dcba")
    (1.0, -1.0)
    """
    n = len(these)
    return 1 - 6 * sum((these.index(x) - those.index(x)) ** 2 for x in these) / (n * (n * n - 1))


def hurried(seed: int = SEEDS["proofers_hurried"]) -> dict[Path, str]:
    """The hurried study as files: each product once, in the order of the price list, in one long sheet."""
    study = tomllib.loads(HURRIED_STUDY)
    readers: dict[str, tuple[str, Reader]] = {
        "shower": ("uptake", soaked(1)),
        "head": ("pressure", column),
        "vapour": ("rate", cup),
        "bend": ("length", strip(1)),
    }
    rows = [
        row
        for test, (result, read) in readers.items()
        for row in listed_runs(study, test, f"{test}.{result}", read, seed)
    ]
    return {HURRIED / "study.toml": HURRIED_STUDY, HURRIED / "readings.csv": table(rows)}


def listed_runs(study: Mapping[str, Any], test: str, result: str, read: Reader, seed: int) -> Iterator[Row]:
    """The readings of one test in the order of the study file, one row each, the gaps with their notes."""
    declared, spread = study["tests"][test], SPREADS[result]
    day = Draws(seed, test, "day").normal(spread.day)
    order = 0
    for product in entrants(study, test):
        control = study["products"][product].get("role") == "control"
        never = NEVER_RUN.get((test, product))
        for run in range(1, (declared["control_runs"] if control else 1) + 1):
            order += never is None
            draws = Draws(seed, test, product, run)
            outcome = known(result, product) + day + draws.normal(spread.run)
            for reading, value in read(outcome, product, draws, 0.1).items():
                note = never or MISSED.get((test, product, reading))
                yield {
                    "test": test,
                    "product": product,
                    "run": str(run),
                    "order": "" if never else str(order),
                    "reading": reading,
                    "value": "" if note else value,
                    "unit": declared["readings"][reading]["unit"],
                    "note": note or "",
                }


def entrants(study: Mapping[str, Any], test: str) -> list[str]:
    """Who goes through a test, in the order of the study file; references only where it names them."""
    named = study["tests"][test].get("references", [])
    return [p for p, about in study["products"].items() if about.get("role") != "reference" or p in named]


def known(result: str, product: str) -> float:
    """The true value of a product that goes through the test."""
    value = true_value(result, product)
    if value is None:
        raise ValueError(f"{product} has no true value on {result}")
    return value


def table(rows: Sequence[Row]) -> str:
    """Rows as the text of a CSV file."""
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


# ----------------------------------------------------------------------------------------- the planted truths

TRUTHS_HEAD = """\
# What is true of the invented products in src/evenbench/demo and examples/proofers_hurried.
# Written by examples/make_examples.py from the constants that the readings were drawn from.
#
# [words]                each word, and the verdicts that would be true of it. "not settled" and "cannot say"
#                        are never false. Any other verdict is a false word; the intervals of one result hold
#                        together in 95 % of studies, so that one study in twenty may hold one on a result.
# by_enough              may be true only of "better by enough", "worse by enough" and "harmful".
# [results.TEST.RESULT]  day_sd, run_sd  scatter between days, and between runs of one product on one day
#                        within_sd       run_sd with what the careful study's readings add to it
#                        margin          `matters` in the result's unit; a share of the control is one of its
#                                        true value
#                        best            the candidates truly best; more than one is an exact tie
#                        best_alone      true where the careful study should name one, 99 times in 100
# products.ID            value           what outcomes would average to, over many days and runs
#                        difference      from the untreated control: product − control, not turned
#                        word            against the untreated control. Plain water is equal to it on every
#                                        result, so that the word against water is the same
#                        must_find       the verdict the careful study should reach 999 times in 1000
# [[claims]]             true, false, or "less than matters": then either way of putting it is true
# [buyers.ID]            scores          in worthwhile steps, of those who truly meet every must-have
#                        fails           who does not, and in what
#                        lead, lead_se   of the best over the next; its standard error in the careful study

"""

WORDS: dict[str, tuple[str, ...]] = {
    "better by enough": ("better",),
    "better, less than matters": ("better", "same"),
    "equal": ("same",),
    "worse, less than matters": ("worse", "same"),
    "worse by enough": ("worse",),
    "no harm": ("no harm shown",),
    "a little harm, less than matters": ("no harm shown", "harm"),
    "harmful": ("harm",),
}

# Upper bounds for the simultaneous constants of 13 products at 29 or more degrees of freedom: 3.1 for a
# benefit, 2.85 for a risk, 2.7 for the best of 12. (Dunnett's 5 % points for 12 products and 26 degrees of
# freedom are 2.98 two-sided and 2.65 one-sided; a risk's largest over sign patterns is 2.76.) Each plus the
# normal point of the share of studies that find it.
FIND_BENEFIT = 3.1 + 3.09
FIND_RISK = 2.85 + 3.09
FIND_BEST = 2.7 + 2.33


def margin(declared: Mapping[str, Any], control: float) -> float:
    """`matters` as a number in the result's unit."""
    number, _, rest = str(declared["matters"]).partition(" ")
    return float(number) / 100 * control if rest == "% of control" else float(number)


def word(kind: str, gain: float, delta: float) -> str:
    """The word that is true of a difference, turned so that more is better.

    >>> word("benefit", 6.0, 5.0), word("benefit", -1.0, 5.0), word("risk", -1.0, 5.0)
    ('better by enough', 'worse, less than matters', 'a little harm, less than matters')
    """
    if kind == "risk":
        return "no harm" if gain >= 0 else "harmful" if gain <= -delta else "a little harm, less than matters"
    if gain == 0:
        return "equal"
    size = " by enough" if abs(gain) >= delta else ", less than matters"
    return ("better" if gain > 0 else "worse") + size


def must_find(kind: str, gain: float, delta: float, se: float) -> str | None:
    """The verdict a careful study should practically always reach, or None where it may honestly miss."""
    if kind == "risk":
        if gain >= FIND_RISK * se - delta:
            return "no harm shown"
        return "harm" if gain <= -FIND_RISK * se else None
    if abs(gain) <= delta - FIND_BENEFIT * se:
        return "same"
    if abs(gain) >= FIND_BENEFIT * se:
        return "better" if gain > 0 else "worse"
    return None


@dataclass(frozen=True, kw_only=True)
class Plant:
    """One judged result with everything that is true of it."""

    name: str
    unit: str
    kind: str
    sign: int
    delta: float
    within: float
    runs: int
    values: dict[str, float]

    def gain(self, product: str) -> float:
        """How much better than the untreated control, in the result's unit."""
        return round(self.sign * (self.values[product] - self.values["untreated"]), 9)

    @property
    def candidates(self) -> list[str]:
        """The products that compete."""
        return [p for p in self.values if p not in ("untreated", "water", "new")]

    @property
    def best(self) -> list[str]:
        """The candidates truly best."""
        top = max(self.gain(p) for p in self.candidates)
        return [p for p in self.candidates if self.gain(p) == top]

    @property
    def best_alone(self) -> bool:
        """Whether the careful study should name one best."""
        first, second = sorted((self.gain(p) for p in self.candidates), reverse=True)[:2]
        return first - second >= FIND_BEST * self.within * sqrt(2 / self.runs)


def plants() -> dict[str, Plant]:
    """Every judged result of the careful study, in its order."""
    study = tomllib.loads(DEMO_STUDY)
    out = {}
    for test, declared in study["tests"].items():
        for result, about in declared["results"].items():
            name = f"{test}.{result}"
            if about["kind"] == "info":
                continue
            values = {p: known(name, p) for p in entrants(study, test)}
            out[name] = Plant(
                name=name,
                unit=about["unit"],
                kind=about["kind"],
                sign=-1 if about["better"] == "lower" else 1,
                delta=round(margin(about, values["untreated"]), 9),
                within=SPREADS[name].within,
                runs=declared["replicates"],
                values=values,
            )
    return out


def truths() -> str:
    """The text of planted_truths.toml."""
    study, planted = tomllib.loads(DEMO_STUDY), plants()
    lines = [TRUTHS_HEAD, "format = 1", "[seeds]", *(f"{k} = {v}" for k, v in SEEDS.items()), "", "[words]"]
    lines += [f'"{name}" = {toml(list(verdicts))}' for name, verdicts in WORDS.items()]
    for plant in planted.values():
        lines += ["", *result_lines(plant)]
    for test, declared in study["tests"].items():
        for result, about in declared["results"].items():
            if about["kind"] == "info":
                lines += ["", *info_lines(study, test, result, about["unit"])]
    for product, declared in study["products"].items():
        for claim in declared.get("claims", []):
            lines += ["", "[[claims]]", f"product = {toml(product)}", f"says = {toml(claim['says'])}"]
            lines.append(f"true = {toml(claim_truth(claim, product, planted))}")
    for buyer, declared in study["buyers"].items():
        lines += ["", *buyer_lines(buyer, declared, study, planted)]
    return "\n".join(lines) + "\n"


def result_lines(plant: Plant) -> list[str]:
    """The block of one judged result."""
    spread = SPREADS[plant.name]
    se = plant.within * sqrt(1 / plant.runs + 1 / (2 * plant.runs))
    lines = [
        f"[results.{plant.name}]",
        f"unit = {toml(plant.unit)}",
        f"kind = {toml(plant.kind)}",
        f"better = {toml('lower' if plant.sign < 0 else 'higher')}",
        f"margin = {toml(plant.delta)}",
        f"day_sd = {toml(spread.day)}",
        f"run_sd = {toml(spread.run)}",
        f"within_sd = {toml(round(plant.within, 3))}",
        f"best = {toml(plant.best)}",
        f"best_alone = {toml(plant.best_alone)}",
    ]
    for product, value in plant.values.items():
        truth: dict[str, object] = {"value": value}
        if product != "untreated":
            gain = plant.gain(product)
            truth["difference"] = round(plant.sign * gain, 9) + 0.0
            truth["word"] = word(plant.kind, gain, plant.delta)
            # A reference stands in a family of its own, with a smaller constant: the bound holds for it too.
            found = must_find(plant.kind, gain, plant.delta, se)
            if found is not None:
                truth["must_find"] = found
        lines.append(f"products.{product} = {toml(truth)}")
    return lines


def info_lines(study: Mapping[str, Any], test: str, result: str, unit: str) -> list[str]:
    """The block of a result that is shown and not judged."""
    name = f"{test}.{result}"
    values = {p: {"value": round(known(name, p), 6)} for p in entrants(study, test)}
    lines = [f"[results.{name}]", f"unit = {toml(unit)}", 'kind = "info"']
    return lines + [f"products.{p} = {toml(v)}" for p, v in values.items()]


def claim_truth(claim: Mapping[str, Any], product: str, planted: Mapping[str, Plant]) -> bool | str:
    """Whether what a label says is true of its product."""
    if claim["must"] == "not testable":
        return "not testable"
    said = [meets(claim["must"], claim.get("value"), planted[name], product) for name in claim["about"]]
    pick = max if claim.get("needs", "all") == "any" else min
    return pick(said, key=[False, "less than matters", True].index)


def meets(must: str, value: str | None, plant: Plant, product: str) -> bool | str:
    """Whether a product truly is what a claim or a must-have asks; too small a difference is both."""
    gain = plant.gain(product)
    if must in ("at least", "at most"):
        bound, actual = float(str(value).split(" ")[0]), plant.values[product]
        return actual >= bound if must == "at least" else actual <= bound
    if must == "no harm":
        return "less than matters" if -plant.delta < gain < 0 else gain >= 0
    return "less than matters" if 0 < gain < plant.delta else gain > 0


def price_of_use(study: Mapping[str, Any], product: str) -> float:
    """What one jacket costs, in the study's currency."""
    about = study["products"][product]
    price, pack, dose = (float(about[key].split(" ")[0]) for key in ("price", "pack", "dose"))
    return price / pack * dose


def buyer_lines(
    buyer: str, declared: Mapping[str, Any], study: Mapping[str, Any], planted: Mapping[str, Plant]
) -> list[str]:
    """The block of one buyer: true scores, who fails, and how far the best is ahead."""
    weights = {
        (key if key == "price" else f"{key}.{result}"): w
        for key, value in declared["weights"].items()
        for result, w in (value.items() if isinstance(value, dict) else [("", value)])
    }
    total = sum(weights.values())
    step = float(study["price"]["matters"].split(" ")[0])
    scores, fails = {}, {}
    for product in next(iter(planted.values())).candidates:
        failed = [
            f"{m['result']} {m['is']}" + (f" {m['value']}" if "value" in m else "")
            for m in declared["must"]
            if meets(m["is"], m.get("value"), planted[m["result"]], product) is False
        ]
        if failed:
            fails[product] = failed
            continue
        steps = {r: planted[r].gain(product) / planted[r].delta for r in weights if r != "price"}
        steps |= {"price": -price_of_use(study, product) / step} if "price" in weights else {}
        scores[product] = round(sum(w * steps[r] for r, w in weights.items()) / total, 4)
    ordered = sorted(scores, key=lambda p: -scores[p])
    measured = [(w, planted[r]) for r, w in weights.items() if r != "price"]
    se = sqrt(sum((w / total * p.within / p.delta) ** 2 * 2 / p.runs for w, p in measured))
    lead = scores[ordered[0]] - scores[ordered[1]]
    return [
        f"[buyers.{buyer}]",
        f"best = {toml(ordered[0])}",
        f"next = {toml(ordered[1])}",
        f"lead = {toml(round(lead, 4))}",
        f"lead_se = {toml(round(se, 4))}",
        f"best_alone = {toml(lead >= FIND_BEST * se)}",
        f"scores = {toml({p: scores[p] for p in ordered})}",
        *(f"fails.{p} = {toml(why)}" for p, why in fails.items()),
    ]


def toml(value: object) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + " }"
    return repr(value)


# ---------------------------------------------------------------------------------------------------- writing


def all_files() -> dict[Path, str]:
    """Every file this program makes, by its path below the checkout."""
    return demo() | hurried() | {TRUTHS: truths()}


def main(arguments: Sequence[str]) -> None:
    """Write the files and print the seeds."""
    root = Path(arguments[0]) if arguments else Path(__file__).resolve().parent.parent
    for study, seed in SEEDS.items():
        print(f"{study}: seed {seed}")
    for path, text in all_files().items():
        target = root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(text.encode())
        print(f"wrote {path.as_posix()}")


if __name__ == "__main__":
    main(sys.argv[1:])
