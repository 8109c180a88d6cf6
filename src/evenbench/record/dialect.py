"""How a sheet writes its numbers, by a rule that is stated and never guessed from one cell.

The rule. A line of column names holds a tab, else a semicolon, else commas: that parts the cells. Parted by commas,
decimals stand after a point. Parted by semicolons, they stand after a comma; parted by tabs, after either; in both,
a column may use points instead, if no cell of it uses a comma. One mark and exactly three digits after it, as in
1.234, could also part the thousands: such a cell is refused with both readings, unless the separator of the sheet or
another cell of the column (0.234, 12.4) has settled the mark. Thousands may be parted where nothing else can be
meant: 1 234,5 and 1'234 and 1,234.5, but not 1 234, which could be two numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from evenbench.study.cells import advice, number

Mark = Literal[".", ",", ""]

_LONGEST = 80  # characters of a cell that are looked at; no number is longer
_NAMES = {".": "a point", ",": "a comma"}
_SEPARATOR_LINE = re.compile(r"sep=([,;\t])", re.IGNORECASE)
_QUOTED = re.compile(r'"(?:[^"]|"")*("|$)')

# Spaces that somebody chose on purpose to hold a number together: no-break, thin, narrow no-break.
_BINDING = "\u00a0\u2009\u202f"
_APOSTROPHES = "'\u2019"
_PLAIN = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]+)?")
_GROUPED = re.compile(
    rf"[+-]?(0|[1-9][0-9]{{0,2}})(?P<part>[.,' {_APOSTROPHES}{_BINDING}])[0-9]{{3}}((?P=part)[0-9]{{3}})*"
    r"(?P<end>[.,][0-9]+)?"
)
_DATE = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(T[0-9:.]+)?"
    r"|[0-9]{1,2}([./-])[0-9]{1,2}\2([0-9]{2}|[0-9]{4})"
    r"|[0-9]{1,2}[-. ]{1,2}[^\W\d_]{3,9}\.?([- ][0-9]{2,4})?"
    r"|(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)-[0-9]{2}",
    re.IGNORECASE,
)
