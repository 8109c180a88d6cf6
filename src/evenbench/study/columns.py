"""Long columns that read like tuples: texts, places and lists, held as arrays so that a million of them are light.

A sheet says the same few words over and over: each distinct text is held once, with a number a row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from evenbench.study.mistakes import Place

Rows = NDArray[np.intp]


class Texts(Sequence[str]):
    """A column of texts: each distinct one once, and which of them stands in each row.

    distinct  the texts that occur, and perhaps some that no longer do
    code      int32[N] index into `distinct`

    >>> column = Texts.of(["dry", "wet", "dry"])
    >>> column.distinct, column.code.tolist(), column[2], column == ("dry", "wet", "dry")
    (('dry', 'wet'), [0, 1, 0], 'dry', True)
    """

    __slots__ = ("code", "distinct")

    def __init__(self, distinct: Sequence[str], code: NDArray[np.int32]) -> None:
        self.distinct = tuple(distinct)
        self.code = locked(code)

    @classmethod
    def of(cls, texts: Iterable[str]) -> Texts:
        """A column of these texts."""
        gathered = Gathered()
        gathered.add(list(texts))
        return gathered.texts()

    @classmethod
    def alike(cls, text: str, count: int) -> Texts:
        """A column that says one thing all the way down."""
        return cls((text,), np.zeros(count, dtype=np.int32))

    @classmethod
    def joined(cls, parts: Sequence[Texts]) -> Texts:
        """One column after another."""
        starts = np.cumsum([0, *(len(part.distinct) for part in parts)])
        codes = [part.code + np.int32(start) for part, start in zip(parts, starts, strict=False)]
        distinct = tuple(chain.from_iterable(part.distinct for part in parts))
        return cls(distinct, np.concatenate(codes) if codes else np.zeros(0, dtype=np.int32))

    def take(self, rows: Rows | NDArray[np.bool_]) -> Texts:
        """The same column with some of its rows."""
        return Texts(self.distinct, self.code[rows])

    def mapped(self, meaning: Callable[[str], Any], dtype: type) -> NDArray[Any]:
        """What each row means, found once for each distinct text that occurs."""
        found: NDArray[Any] = np.zeros(len(self.distinct), dtype=dtype)
        for code in self.used():
            found[code] = meaning(self.distinct[code])
        return np.asarray(found[self.code])

    def used(self) -> list[int]:
        """The codes that occur, in order of `distinct`."""
        occurs = np.zeros(len(self.distinct), dtype=np.bool_)
        occurs[self.code] = True
        return list(np.flatnonzero(occurs).tolist())

    @property
    def filled(self) -> NDArray[np.bool_]:
        """bool[N] where something stands."""
        return np.asarray(np.array([bool(text) for text in self.distinct], dtype=np.bool_)[self.code])

    def __len__(self) -> int:
        return len(self.code)

    @overload
    def __getitem__(self, at: int) -> str: ...
    @overload
    def __getitem__(self, at: slice) -> Texts: ...
    def __getitem__(self, at: int | slice) -> str | Texts:
        if isinstance(at, slice):
            return Texts(self.distinct, self.code[at])
        return self.distinct[int(self.code[at])]

    def __iter__(self) -> Iterator[str]:
        return map(self.distinct.__getitem__, self.code.tolist())

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Texts.of({list(self)!r})"


class Gathered:
    """Distinct texts in order of appearance, with the code of every text handed over so far."""

    def __init__(self) -> None:
        self.codes: dict[str, int] = {}
        self.parts: list[NDArray[np.int32]] = []

    def add(self, texts: Sequence[str]) -> None:
        """Take further rows."""
        codes = self.codes
        for text in dict.fromkeys(texts):
            codes.setdefault(text, len(codes))
        self.parts.append(np.fromiter(map(codes.__getitem__, texts), dtype=np.int32, count=len(texts)))

    def code(self, text: str) -> int:
        """The code of one text, which need not occur in any row."""
        return self.codes.setdefault(text, len(self.codes))

    def texts(self) -> Texts:
        """Everything handed over, as one column."""
        return Texts(tuple(self.codes), np.concatenate(self.parts) if self.parts else np.zeros(0, dtype=np.int32))


class Places(Sequence[Place]):
    """A column of places in files.

    >>> Places(Texts.alike("readings/shower.csv", 2), np.array([2, 3]))[1]
    Place(file='readings/shower.csv', line=3, column=0)
    """

    __slots__ = ("file", "line")

    def __init__(self, file: Texts, line: NDArray[np.int64]) -> None:
        self.file = file
        self.line = locked(line)

    def __len__(self) -> int:
        return len(self.line)

    @overload
    def __getitem__(self, at: int) -> Place: ...
    @overload
    def __getitem__(self, at: slice) -> Places: ...
    def __getitem__(self, at: int | slice) -> Place | Places:
        if isinstance(at, slice):
            return Places(self.file[at], self.line[at])
        return Place(self.file[at], int(self.line[at]))


class Lists(Sequence[tuple[int, ...]]):
    """A column of lists of whole numbers: those of row n are `member[start[n]:start[n + 1]]`.

    >>> column = Lists.of([(0, 1), (), (2,)])
    >>> column.start.tolist(), column.member.tolist(), column[0], column.owner.tolist()
    ([0, 2, 2, 3], [0, 1, 2], (0, 1), [0, 0, 2])
    """

    __slots__ = ("member", "start")

    def __init__(self, start: NDArray[np.int64], member: NDArray[np.int64]) -> None:
        self.start = locked(start)
        self.member = locked(member)

    @classmethod
    def of(cls, lists: Iterable[Sequence[int]]) -> Lists:
        """A column of these lists."""
        rows = list(lists)
        start = np.cumsum([0, *map(len, rows)], dtype=np.int64)
        return cls(start, np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=int(start[-1])))

    @classmethod
    def grouped(cls, member: NDArray[np.int64], owner: NDArray[np.int64], count: int) -> Lists:
        """Each member in the list of its owner, in the order given; `count` lists."""
        order = np.argsort(owner, kind="stable")
        start = np.concatenate(([0], np.cumsum(np.bincount(owner, minlength=count)))).astype(np.int64)
        return cls(start, member[order])

    @classmethod
    def joined(cls, parts: Sequence[Lists]) -> Lists:
        """One column after another."""
        length = np.concatenate([np.zeros(1, dtype=np.int64), *(part.length for part in parts)])
        return cls(np.cumsum(length), np.concatenate([part.member for part in parts]))

    @property
    def first(self) -> NDArray[np.int64]:
        """int64[N] the first of each list, none of which may be empty."""
        return np.asarray(self.member[self.start[:-1]])

    @property
    def length(self) -> NDArray[np.int64]:
        """int64[N] how long each list is."""
        return np.diff(self.start)

    @property
    def owner(self) -> NDArray[np.int64]:
        """int64[members] the row that each member stands in."""
        return np.repeat(np.arange(len(self)), self.length)

    def take(self, rows: Rows) -> Lists:
        """The lists of some rows, in the order asked for."""
        length = self.length[rows]
        start = np.concatenate(([0], np.cumsum(length))).astype(np.int64)
        within = np.arange(int(start[-1])) - np.repeat(start[:-1], length)
        return Lists(start, self.member[np.repeat(self.start[:-1][rows], length) + within])

    def __len__(self) -> int:
        return len(self.start) - 1

    @overload
    def __getitem__(self, at: int) -> tuple[int, ...]: ...
    @overload
    def __getitem__(self, at: slice) -> Lists: ...
    def __getitem__(self, at: int | slice) -> tuple[int, ...] | Lists:
        if isinstance(at, slice):
            return self.take(np.arange(len(self))[at])
        n = range(len(self))[at]  # which counts from the end, and stops there, as any sequence does
        return tuple(self.member[self.start[n] : self.start[n + 1]].tolist())

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Lists.of({list(self)!r})"


def locked(array: NDArray[Any]) -> NDArray[Any]:
    """The array itself, or a copy of what others could write to, that nobody can write to."""
    if array.flags.writeable:
        array = array.view() if array.base is None else array.copy()
        array.flags.writeable = False
    return array


def combined(*columns: NDArray[Any]) -> NDArray[np.int64]:
    """One whole number for each combination of some columns of whole numbers, in their order."""
    out = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        low = int(column.min(initial=0))
        out = out * (int(column.max(initial=0)) - low + 1) + (column.astype(np.int64) - low)
    return out
