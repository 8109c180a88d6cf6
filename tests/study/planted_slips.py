"""Slips of the hand planted in the sheets of the demonstration, one at a time, for tests and for the benchmark.

Each takes the rows of one sheet and random numbers, and changes one thing as a hand would; it gives the line that it
changed. Which readings belong together (`swapped`) is the bench's knowledge and stands here, not in the program.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Mapping
from datetime import date
from itertools import pairwise
from pathlib import Path

from evenbench.record.table import read_table
from evenbench.study.guards import Doubt, guards
from evenbench.study.model import Study
from evenbench.study.parse import parse
from evenbench.study.readings import LONG, parse_readings
from evenbench.study.table import Table

TODAY = date(2026, 12, 31)
FIXED = {"product", "run", "specimen", "block", "order", "note"}
Rows = list[dict[str, str]]


def sheets_of(files: Mapping[Path, str]) -> tuple[Study, dict[str, Rows]]:
    """The study and its sheets from the texts of a folder."""
    study = parse(next(text for path, text in files.items() if path.name == "study.toml"), today=TODAY)
    texts = {LONG if path.name == "readings.csv" else path.stem: text for path, text in files.items()}
    tables = {name: read_table(text, name) for name, text in texts.items() if name != "study"}
    return study, {name: [dict(row) for _, row in table.rows] for name, table in tables.items()}


def doubts_of(study: Study, sheets: Mapping[str, Rows]) -> tuple[Doubt, ...]:
    """The doubts about sheets, line 2 being their first row."""
    tables = {test: Table.of(rows, f"readings/{test}.csv") for test, rows in sheets.items()}
    return guards(study, parse_readings(tables, study))


def _cell(rows: Rows, draw: random.Random) -> tuple[int, str]:
    row = draw.randrange(len(rows))
    return row, draw.choice([column for column in rows[row] if column not in FIXED and rows[row][column]])


def point(rows: Rows, draw: random.Random) -> int | None:
    """The decimal point one or two places off."""
    row, column = _cell(rows, draw)
    typed = rows[row][column]
    decimals = len(typed.partition(".")[2])
    power = draw.choice([1, 2, -1, -2])
    rows[row][column] = f"{float(typed) * 10.0**power:.{max(0, decimals - power)}f}"
    return row


def transposed(rows: Rows, draw: random.Random) -> int | None:
    """Two digits beside each other exchanged."""
    row, column = _cell(rows, draw)
    typed = rows[row][column]
    digits = [n for n, c in enumerate(typed) if c.isdigit()]
    pairs = [(a, b) for a, b in pairwise(digits) if typed[a] != typed[b]]
    if not pairs:
        return None
    a, b = draw.choice(pairs)
    rows[row][column] = typed[:a] + typed[b] + typed[a + 1 : b] + typed[a] + typed[b + 1 :]
    return row


def digit(rows: Rows, draw: random.Random) -> int | None:
    """One digit another."""
    row, column = _cell(rows, draw)
    typed = rows[row][column]
    at = draw.choice([n for n, c in enumerate(typed) if c.isdigit()])
    rows[row][column] = typed[:at] + draw.choice([d for d in "0123456789" if d != typed[at]]) + typed[at + 1 :]
    return row


def left_out(rows: Rows, draw: random.Random) -> int | None:
    """One digit left out."""
    row, column = _cell(rows, draw)
    typed = rows[row][column]
    digits = [n for n, c in enumerate(typed) if c.isdigit()]
    if len(digits) < 2:
        return None
    at = draw.choice(digits)
    rows[row][column] = (typed[:at] + typed[at + 1 :]).strip(".")
    return row


PAIRS = (("before", "after"), ("dry", "wet"), ("first", "third"))


def swapped(rows: Rows, draw: random.Random) -> int | None:
    """Two readings of a run in each other's columns."""
    pair = next((p for p in PAIRS if set(p) <= set(rows[0])), None)
    if pair is None:
        return None
    row = draw.randrange(len(rows))
    for column, other in zip(*([c for c in rows[row] if c.partition(".")[0] == name] for name in pair), strict=True):
        rows[row][column], rows[row][other] = rows[row][other], rows[row][column]
    return row


def copied_cell(rows: Rows, draw: random.Random) -> int | None:
    """The figure of the row before typed again."""
    row, column = _cell(rows, draw)
    if row == 0 or rows[row][column] == rows[row - 1][column]:
        return None
    rows[row][column] = rows[row - 1][column]
    return row


def copied_row(rows: Rows, draw: random.Random) -> int | None:
    """Every figure of the row before typed again."""
    row = draw.randrange(1, len(rows))
    for column in rows[row]:
        if column not in FIXED:
            rows[row][column] = rows[row - 1][column]
    return row


PLANTS: dict[str, Callable[[Rows, random.Random], int | None]] = {
    "the decimal point off by one or two places": point,
    "two digits exchanged": transposed,
    "one digit wrong": digit,
    "one digit left out": left_out,
    "two readings in each other's columns": swapped,
    "one figure copied from the row before": copied_cell,
    "a whole row copied from the row before": copied_row,
}


def share_found(study: Study, sheets: Mapping[str, Rows], plant: str, count: int, seed: int) -> tuple[int, int]:
    """Of `count` plants, how many raised a doubt about the changed line; and how many a doubt about another alone.

    A copied row is also found where the doubt is about the row it was copied from.
    """
    draw = random.Random(f"{seed} {plant}")
    made = found = elsewhere = 0
    while made < count:
        test = draw.choice(list(sheets))
        changed = {**sheets, test: copy.deepcopy(sheets[test])}
        row = PLANTS[plant](changed[test], draw)
        if row is None or changed[test] == sheets[test]:
            continue
        made += 1
        lines = {doubt.at.line for doubt in doubts_of(study, changed) if doubt.at.file == f"readings/{test}.csv"}
        hit = row + 2 in lines or (plant.startswith("a whole row") and row + 1 in lines)
        found += hit
        elsewhere += bool(lines) and not hit
    return found, elsewhere
