"""A table of text cells, column by column: what a sheet holds before anybody asks what it means."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenbench.study.columns import Rows, Texts
from evenbench.study.dialect import POINTS, Dialect


@dataclass(frozen=True, eq=False)
class Table:
    """A table of text cells as it stood in a file.

    cells    the columns in the order of the header, each of R texts
    line     int64[R] the line that each row starts on
    header   the line of the header
    dialect  how its numbers are written

    >>> table = Table.of([{"product": "ostrel", "wet": "61.2"}], "readings/shower.csv")
    >>> table.columns, table.rows
    (('product', 'wet'), ((2, {'product': 'ostrel', 'wet': '61.2'}),))
    """

    file: str
    cells: Mapping[str, Texts]
    line: NDArray[np.int64]
    header: int = 1
    dialect: Dialect = POINTS

    @classmethod
    def of(cls, rows: Sequence[Mapping[str, str]], file: str) -> Table:
        """A table from plain dicts, lines counted as in a sheet whose header is line 1."""
        return cls.of_rows(file, dict.fromkeys(column for row in rows for column in row), list(enumerate(rows, 2)))

    @classmethod
    def of_rows(
        cls,
        file: str,
        columns: Iterable[str],
        rows: Sequence[tuple[int, Mapping[str, str]]],
        *,
        header: int = 1,
        dialect: Dialect = POINTS,
    ) -> Table:
        """A table from (line, {column: cell}); a cell that a row lacks is empty."""
        cells = {c: Texts.of([(row.get(c) or "").strip() for _, row in rows]) for c in columns}
        return cls(file, cells, np.array([line for line, _ in rows], dtype=np.int64), header, dialect)

    @property
    def columns(self) -> tuple[str, ...]:
        """The names in the header."""
        return tuple(self.cells)

    @property
    def rows(self) -> tuple[tuple[int, dict[str, str]], ...]:
        """Every row as (line, {column: cell})."""
        names = self.columns
        rows: Any = zip(*self.cells.values(), strict=True) if names else ((),) * len(self)
        return tuple(
            (line, dict(zip(names, row, strict=True))) for line, row in zip(self.line.tolist(), rows, strict=True)
        )

    def column(self, name: str) -> Texts:
        """A column; an empty one where the table has none of this name."""
        return self.cells[name] if name in self.cells else Texts.alike("", len(self))

    def filled(self) -> Table:
        """The same table without the rows that hold nothing."""
        holds = np.zeros(len(self), dtype=np.bool_)
        for cells in self.cells.values():
            holds |= cells.filled
        return self if holds.all() else self.take(np.flatnonzero(holds))

    def take(self, rows: Rows) -> Table:
        """The same table with some of its rows."""
        cells = {name: column.take(rows) for name, column in self.cells.items()}
        return Table(self.file, cells, self.line[rows], self.header, self.dialect)

    def __len__(self) -> int:
        return len(self.line)
