"""Writing study folders: a starter study, sheets ready to fill, a copy of the demo. Never over what is there."""

from __future__ import annotations

import csv
import io
import os
import re
from datetime import date
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from evenbench.record.folder import NoStudy, open_text, read_study
from evenbench.study.model import Study, Test
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


def start_folder(folder: Path) -> tuple[Study, list[Path]]:
    """Write what a study folder still lacks: study.toml, then a sheet for every test that has none.

    Returns the study and what was written. Raises StudyError where a study.toml is there and cannot be read, NoStudy
    where the folder cannot hold a study, OSError where it cannot be written to.
    """
    root = _folder_to_be(folder, "Name a folder: evenbench start FOLDER")
    new = not os.path.lexists(root / "study.toml")
    if new and _has_sheets(root):
        raise NoStudy(root, "there are readings here, and no study.toml.", "Name another folder.")
    study = parse(STARTER, today=date.max) if new else read_study(root)
    root.mkdir(parents=True, exist_ok=True)
    written = [_write(root / "study.toml", STARTER)] if new else []
    if os.path.lexists(root / "readings.csv"):
        return study, written
    (root / "readings").mkdir(exist_ok=True)
    missing = [test for test in study.tests if not os.path.lexists(root / "readings" / f"{test.id}.csv")]
    written += [_write(root / "readings" / f"{test.id}.csv", ready_sheet(test)) for test in missing]
    return study, written


def ready_sheet(test: Test) -> str:
    """A wide sheet of one test, a row a planned run, the readings left to fill in.

    Runs are spread over the blocks, one of each product in each; more runs of the control go round the blocks. The
    column `order` is there to be filled: rows stand in the order of the study, and runs should not.
    """
    of_run = [*([test.block_column] if test.blocks else []), *(["lane"] if test.lanes else []), "order"]
    typed = [r for r in test.readings if not r.lent_by]
    readings = [r.id if n == 1 else f"{r.id}.{n}" for r in typed for n in range(1, r.repeats + 1)]
    if any(r.of == "specimen" for r in test.readings):
        of_run.insert(0, "specimen")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    header = ["product", "run", *of_run, *readings, "note"]
    writer.writerow(header)
    for block, product, run in _planned(test):
        # Who runs in which round and lane is drawn, not counted off.
        known = str(block) if test.blocks and not test.lanes else ""
        cells = {"product": product, "run": str(run), test.block_column: known}
        writer.writerow([cells.get(column, "") for column in header])
    return out.getvalue()


def _planned(test: Test) -> list[tuple[int, str, int]]:
    """Every planned run as block, product, number; with blocks, those of one block stand together."""
    blocks = test.replicates or 1
    rows = [
        ((run - 1) % blocks + 1, product, run)
        for product in test.products
        for run in range(1, (test.planned(product) or 1) + 1)
    ]
    # A sort that keeps the order of equals: products stay in study order within a block.
    return sorted(rows, key=lambda row: row[0]) if test.blocks and not test.lanes else rows


def copy_demo(folder: Path) -> None:
    """Copy the embedded demo study into `folder`; files that are there are kept.

    Raises NoStudy where `folder` is a file, or holds a study or readings of its own.
    """
    write = "Name another folder: evenbench demo FOLDER"
    root = _folder_to_be(folder, write)
    source = files("evenbench") / "demo"
    if not os.path.lexists(root / "study.toml") and _has_sheets(root):
        raise NoStudy(root, "there are readings of another study here.", write)
    if os.path.lexists(root / "study.toml"):
        there = open_text(root / "study.toml", "study.toml")
        if _id(there) != _id((source / "study.toml").read_text(encoding="utf-8")):
            raise NoStudy(root, "another study is here already.", write)
    _copy(source, root)


def _folder_to_be(path: Path, write: str) -> Path:
    """The folder that a path names, there or not."""
    if path.name == "study.toml" and path.is_file():
        return path.parent
    if os.path.lexists(path) and not path.is_dir():
        raise NoStudy(path, "this is not a folder.", write)
    return path


def _has_sheets(root: Path) -> bool:
    readings = root / "readings"
    return os.path.lexists(root / "readings.csv") or (readings.is_dir() and any(readings.iterdir()))


def _id(text: str) -> str:
    """The id that a study says it has, read without judging the rest of it."""
    found = re.search(r"""^ *id *= *["']([a-z0-9_]+)["']""", text, re.MULTILINE)
    return found[1] if found else ""


def _copy(source: Traversable, to: Path) -> None:
    to.mkdir(parents=True, exist_ok=True)
    for item in source.iterdir():
        if item.is_dir():
            _copy(item, to / item.name)
        elif item.name.endswith((".toml", ".csv")) and not os.path.lexists(to / item.name):
            _write(to / item.name, item.read_text(encoding="utf-8"))


def _write(path: Path, text: str) -> Path:
    # "x": if something appeared meanwhile, fail rather than overwrite it.
    with path.open("x", encoding="utf-8", newline="\n") as file:
        try:
            file.write(text)
            file.flush()
        except OSError as error:
            # Half a file would be kept as if it were the user's own.
            path.unlink()
            raise OSError(error.errno, error.strerror, str(path)) from None
    return path
