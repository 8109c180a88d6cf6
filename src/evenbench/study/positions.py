"""Where each key and value of a TOML document stands, so that an error can name its line and column.

`tomllib` says what a document means and forgets where it was said. This module reads the same text with
tree-sitter's TOML grammar and puts every key path together again from the tree; it never judges the document.
A property test holds its paths equal to those of `tomllib`.
"""

# Throughout this module:
#   path     keys from the top of the document, and places in arrays: ("products", "ostrel", "claims", 0)
#   start    a place in the text, as the number of characters before it
#   spot     a line and a column as people count them, both from 1

from __future__ import annotations

import tomllib
from bisect import bisect_left, bisect_right
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tree_sitter import Node

Path = tuple[str | int, ...]
Spot = tuple[int, int]

TOP: Spot = (1, 1)

DEEPEST = 64
"""Paths of more steps are left to their surroundings. A path repeats every step above it, so one key with ten
thousand dots would otherwise fill the memory."""


@dataclass(frozen=True, slots=True)
class Positions:
    """The line and column of every key and value of one TOML document, both from 1, columns in characters.

    A table written under a header has the `[` of that header as its value; a table that only a longer key
    implies has that key. An element of an array has its value as its key.
    """

    keys: dict[Path, Spot] = field(repr=False)
    values: dict[Path, Spot] = field(repr=False)

    @property
    def paths(self) -> frozenset[Path]:
        """Every path that has a position; the document itself, (), is not one of them."""
        return frozenset(self.keys)

    def key(self, path: Path) -> Spot:
        """Line and column of the key at `path`, or of the nearest table or array around it, or else (1, 1).

        >>> found = positions("ostrel = { price = 14 }")
        >>> found.key(("ostrel", "price")), found.key(("ostrel", "name"))
        ((1, 12), (1, 1))
        """
        return _nearest(self.keys, path)

    def value(self, path: Path) -> Spot:
        """Line and column where the value at `path` starts, or those of the nearest table or array around it.

        >>> found = positions("ostrel = { price = 14 }")
        >>> found.value(("ostrel", "price")), found.value(("ostrel", "name"))
        ((1, 20), (1, 10))
        """
        return _nearest(self.values, path)


def positions(text: str) -> Positions:
    """The position of every key and value in a TOML document.

    Never raises on a document that `tomllib` accepts. On one that it refuses the result may be partial: what
    the grammar could still read is there, the rest falls back to its surroundings.
    """
    import tree_sitter
    import tree_sitter_toml

    # A lone surrogate has no UTF-8 form; one character in its place keeps every offset true.
    data = text.encode("utf-8", errors="replace")
    tree = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language())).parse(data)
    source, spot = _Source(text, _characters(text, data)), _spots(text)
    keys: dict[Path, Spot] = {}
    values: dict[Path, Spot] = {}
    for entry in _document(tree.root_node, source):
        if entry.path not in keys or not entry.in_passing:
            keys[entry.path], values[entry.path] = spot(entry.key), spot(entry.value)
    return Positions(keys=keys, values=values)


def _nearest(spots: dict[Path, Spot], path: Path) -> Spot:
    return next((spots[path[:n]] for n in range(len(path), 0, -1) if path[:n] in spots), TOP)


def _spots(text: str) -> Callable[[int], Spot]:
    """A function from a place in the text to its line and column."""
    lines = [0, *(at + 1 for at, character in enumerate(text) if character == "\n")]

    def spot(start: int) -> Spot:
        line = bisect_right(lines, start)
        return line, start - lines[line - 1] + 1

    return spot


def _characters(text: str, data: bytes) -> Callable[[int], int]:
    """A function from an offset in bytes, which is what the grammar counts, to one in characters."""
    if len(data) == len(text):
        return lambda byte: byte
    # In UTF-8 a byte of the form 10xxxxxx continues a character, and every other byte starts one.
    firsts = [at for at, byte in enumerate(data) if byte & 0xC0 != 0x80]
    return lambda byte: bisect_left(firsts, byte)


class _Entry(NamedTuple):
    path: Path
    key: int
    value: int
    in_passing: bool = False  # as `a` is said by `a.b = 1`: an earlier or a plainer mention is the one to show


class _Source(NamedTuple):
    text: str
    character: Callable[[int], int]

    def start(self, node: Node) -> int:
        return self.character(node.start_byte)

    def names(self, key: Node) -> list[tuple[str, int]]:
        """The names that the dots of a key part, each with its place."""
        leaves = []
        while key.type == "dotted_key" and len(key.named_children) > 1:
            leaves.append(key.named_children[-1])
            key = key.named_children[0]
        leaves.append(key)
        return [(self._name(leaf), self.start(leaf)) for leaf in reversed(leaves)]

    def _name(self, leaf: Node) -> str:
        written = self.text[self.start(leaf) : self.character(leaf.end_byte)]
        if leaf.type != "quoted_key":
            return written
        try:
            return next(iter(tomllib.loads(f"{written}=0")))
        except tomllib.TOMLDecodeError:  # an escape that means nothing, so the document is refused elsewhere
            return written


_KEYS = ("bare_key", "quoted_key", "dotted_key")


def _document(root: Node, source: _Source) -> Iterator[_Entry]:
    """Every entry of a document in the order written."""
    made: Counter[Path] = Counter()  # how many elements each array of tables has so far
    for node in root.named_children:
        if node.type == "pair":
            yield from _pair(node, (), source)
        elif node.type in ("table", "table_array_element"):
            children = node.named_children
            if not children or children[0].type not in _KEYS:
                continue
            header = list(_header(node, made, source))
            yield from header
            for child in children[1:]:
                if child.type == "pair":
                    yield from _pair(child, header[-1].path, source)


def _header(table: Node, made: Counter[Path], source: _Source) -> Iterator[_Entry]:
    """The entries of `[a.b]` or `[[a.b]]`; the last is the table that the lines below it fill."""
    *above, (name, key) = source.names(table.named_children[0])
    path: Path = ()
    for part, at in above[:DEEPEST]:
        path = (*path, part)
        yield _Entry(path, at, at, in_passing=True)
        if made[path]:  # to a header, the name of an array of tables means the element last begun
            path = (*path, made[path] - 1)
            yield _Entry(path, at, at, in_passing=True)
    if len(path) >= DEEPEST:
        return
    path, start = (*path, name), source.start(table)
    if table.type == "table_array_element":
        yield _Entry(path, key, start, in_passing=made[path] > 0)
        made[path] += 1
        path = (*path, made[path] - 1)
    yield _Entry(path, key, start)


def _pair(pair: Node, prefix: Path, source: _Source) -> Iterator[_Entry]:
    """The entries of `key = value`, and of everything within the value."""
    # A list of what waits and not recursion, so that no depth of brackets exhausts the interpreter's.
    waiting = [(pair, prefix)]
    while waiting:
        node, path = waiting.pop()
        children = [child for child in node.named_children if child.type != "comment"]
        if len(path) >= DEEPEST:
            continue
        if node.type == "pair" and len(children) > 1 and children[0].type in _KEYS:
            *above, (name, key) = source.names(children[0])
            for part, at in above[: DEEPEST - len(path)]:
                path = (*path, part)
                yield _Entry(path, at, at, in_passing=True)
            if len(path) < DEEPEST:
                path = (*path, name)
                yield _Entry(path, key, source.start(children[1]))
                waiting.append((children[1], path))
        elif node.type == "inline_table":
            waiting.extend((child, path) for child in children)
        elif node.type == "array":
            for place, child in enumerate(children):
                at = source.start(child)
                yield _Entry((*path, place), at, at)
                waiting.append((child, (*path, place)))
