"""Writing study folders: a starter study, sheets ready to fill, a copy of the demo. Never over what is there."""

from __future__ import annotations

import csv
import io
from datetime import date
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from evenbench.record.folder import NoStudy, open_text
from evenbench.study.model import Test
from evenbench.study.parse import parse

STARTER = """\
# A study for Evenbench. Change everything here to your own; docs/study-format.md explains each key.
format = 1

[study]
id       = "my_study"                     # small letters, digits and _
title    = "Proofers for worn rain jackets"
currency = "EUR"
blinding = "none"                         # none | coded | decanted by another hand | coded at reading only
questions = [
  { asks = "Which proofer brings a worn jacket back?", answered_by = "shower.uptake" },
  { asks = "Does plain water do as well?", answered_by = "shower.uptake", against = "water" },
]

[price]                                   # what one use costs; lower is better
formula = "product.price / product.pack * product.dose"
per     = "jacket"
matters = "0.50 EUR"

[instruments]
scale = { resolution = "0.01 g" }         # what the display steps by

[products.untreated]
name = "Worn cloth, untreated"
role = "control"                          # what every product is compared with

[products.water]
name = "Plain water"
role = "placebo"                          # should do nothing
dose = "100 mL"

[products.first]
name   = "First product"
price  = "12.00 EUR"
pack   = "300 mL"
dose   = "100 mL"
bought = { shop = "where", lot = "what the pack says" }
claims = [{ says = "Restores water repellency", about = ["shower.uptake"], must = "better than control" }]

[products.second]
name  = "Second product"
price = "9.00 EUR"
pack  = "250 mL"
dose  = "50 mL"

[tests.shower]
title      = "Ten minutes under the shower head"
conditions = { water = "20 degC", time = "10 min" }
between    = ["shake ten times", "wipe the frame"]
replicates = 4                            # runs of each product
blocks     = "day"                        # every product once a day, say; leave out where there are none
order      = "random"
control_runs = 8                          # the control more often: the cheapest way to sharper answers
readings.dry   = { unit = "g", instrument = "scale" }
readings.wet   = { unit = "g", instrument = "scale" }
results.uptake = { formula = "(wet - dry) / dry", unit = "%", better = "lower", kind = "benefit", matters = "5 points" }

[buyers.daily]
title = "Commuter, rain twice a week"
weights.shower.uptake = 3
weights.price         = 1
"""


def start_folder(folder: Path) -> list[Path]:
    """Write what a study folder still lacks: study.toml, then a sheet for every test that has none.

    Returns what was written. Raises StudyError where a study.toml is there and cannot be read.
    """
    if folder.exists() and not folder.is_dir():
        raise NoStudy(folder, "this is a file, not a folder.", "Name a folder.")
    folder.mkdir(parents=True, exist_ok=True)
    written = [_write(folder / "study.toml", STARTER)] if not (folder / "study.toml").exists() else []
    study = parse(open_text(folder / "study.toml", "study.toml"), today=date.today())  # noqa: DTZ011 - the user's own day
    if (folder / "readings.csv").exists():
        return written
    (folder / "readings").mkdir(exist_ok=True)
    for test in study.tests:
        path = folder / "readings" / f"{test.id}.csv"
        if not path.exists():
            written.append(_write(path, ready_sheet(test)))
    return written


def ready_sheet(test: Test) -> str:
    """A wide sheet of one test, a row a planned run, the readings left to fill in.

    Runs are spread over the blocks, one of each product in each; more runs of the control go round the blocks.
    """
    columns = ["product", "run", *(["block"] if test.blocks else []), "order"]
    readings = [r.id if n == 1 else f"{r.id}.{n}" for r in test.readings for n in range(1, r.repeats + 1)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*columns, *readings, "note"])
    blocks = test.replicates or 1
    rows = [
        ((run - 1) % blocks + 1, product, run)
        for product in test.products
        for run in range(1, (test.planned(product) or 1) + 1)
    ]
    if test.blocks:
        rows.sort(key=lambda row: row[0])  # stable: products stay in study order within a block
    for block, product, run in rows:
        cells = [product, str(run), *([str(block)] if test.blocks else []), ""]
        writer.writerow([*cells, *([""] * len(readings)), ""])
    return out.getvalue()


def copy_demo(folder: Path) -> None:
    """Copy the embedded demo study into `folder`; files that are there are kept.

    Raises NoStudy where `folder` is a file, or holds a study of another id.
    """
    if folder.exists() and not folder.is_dir():
        raise NoStudy(folder, "this is a file, not a folder.", "Name another folder: evenbench demo FOLDER")
    source = files("evenbench") / "demo"
    if (folder / "study.toml").exists():
        there = open_text(folder / "study.toml", "study.toml")
        first = (source / "study.toml").read_text(encoding="utf-8").partition("\n[products")[0]
        if not there.startswith(first[:200]):
            raise NoStudy(folder, "another study is here already.", "Name another folder: evenbench demo FOLDER")
    _copy(source, folder)


def _copy(source: Traversable, to: Path) -> None:
    to.mkdir(parents=True, exist_ok=True)
    for item in source.iterdir():
        if item.is_dir():
            _copy(item, to / item.name)
        elif item.name.endswith((".toml", ".csv")) and not (to / item.name).exists():
            _write(to / item.name, item.read_text(encoding="utf-8"))


def _write(path: Path, text: str) -> Path:
    # "x": if something appeared meanwhile, fail rather than overwrite it.
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    return path
