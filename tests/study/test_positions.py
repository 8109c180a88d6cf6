from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from evenbench.study.positions import DEEPEST, Path, positions

# ------------------------------------------------------------------------------------------------ a study by hand

STUDY = """\
format = 1   # the first

[study]
id    = "proofers_2026"
questions = [
  { asks = "Was hält dicht?", answered_by = "shower.uptake" },   # ä is one column wide
  { asks = "Does plain water do as well?",
    # not an element
    against = "water" },
]

[products.ostrel]
"flash point" = "24 degC"
bought.shop = 'Corner'
bought.lot  = "B22"

[[products.ostrel.claims]]
says = \"\"\"
Restores
"quite" a bit\"\"\"

[[products.ostrel.claims]]
says = "Two" ; about = []
[products.ostrel.claims.because]
x = [[1, 2], [3]]
""".replace(" ; about", "\nabout")

WHERE: dict[Path, tuple[tuple[int, int], tuple[int, int]]] = {
    ("format",): ((1, 1), (1, 10)),
    ("study",): ((3, 2), (3, 1)),
    ("study", "id"): ((4, 1), (4, 9)),
    ("study", "questions"): ((5, 1), (5, 13)),
    ("study", "questions", 0): ((6, 3), (6, 3)),
    ("study", "questions", 0, "answered_by"): ((6, 31), (6, 45)),
    ("study", "questions", 1, "against"): ((9, 5), (9, 15)),
    ("products",): ((12, 2), (12, 2)),
    ("products", "ostrel"): ((12, 11), (12, 1)),
    ("products", "ostrel", "flash point"): ((13, 1), (13, 17)),
    ("products", "ostrel", "bought"): ((14, 1), (14, 1)),
    ("products", "ostrel", "bought", "lot"): ((15, 8), (15, 15)),
    ("products", "ostrel", "claims"): ((17, 19), (17, 1)),
    ("products", "ostrel", "claims", 0): ((17, 19), (17, 1)),
    ("products", "ostrel", "claims", 0, "says"): ((18, 1), (18, 8)),
    ("products", "ostrel", "claims", 1): ((22, 19), (22, 1)),
    ("products", "ostrel", "claims", 1, "about"): ((24, 1), (24, 9)),
    ("products", "ostrel", "claims", 1, "because"): ((25, 25), (25, 1)),
    ("products", "ostrel", "claims", 1, "because", "x", 1, 0): ((26, 15), (26, 15)),
}


@pytest.mark.parametrize(("path", "spots"), WHERE.items())
def test_keys_and_values_stand_where_an_editor_shows_them(
    path: Path, spots: tuple[tuple[int, int], tuple[int, int]]
) -> None:
    """Line and column of every sort of key and value, counted by hand in an editor."""
    found = positions(STUDY)
    assert (found.key(path), found.value(path)) == spots


FALLBACKS: list[tuple[Path, tuple[int, int]]] = [
    (("study", "currency"), (3, 2)),
    (("products", "ostrel", "bought", "on"), (14, 1)),
    (("study", "questions", 7, "asks"), (5, 1)),
    (("study", "id", "deeper"), (4, 1)),
    (("buyers", "daily"), (1, 1)),
    ((), (1, 1)),
]


@pytest.mark.parametrize(("path", "spot"), FALLBACKS)
def test_what_is_not_in_the_file_is_shown_at_what_is_around_it(path: Path, spot: tuple[int, int]) -> None:
    """A missing key points at its table, and at the top where there is not even that."""
    assert positions(STUDY).key(path) == spot


def test_a_table_is_shown_at_its_own_header_whatever_comes_first() -> None:
    """`[a.b]` before `[a]` only mentions `a` in passing."""
    found = positions("[a.b]\nx = 1\n[a]\ny = 2\n")
    assert found.key(("a",)) == (3, 2)
    assert found.value(("a",)) == (3, 1)


def test_lines_count_alike_with_windows_line_ends() -> None:
    """A file written on Windows has the same lines and columns."""
    one, other = positions(STUDY), positions(STUDY.replace("\n", "\r\n"))
    assert (one.keys, one.values) == (other.keys, other.values)


def test_columns_count_characters() -> None:
    """Neither bytes nor UTF-16 units: what stands before on the line is counted as people count."""
    found = positions("a = { é.'ä' = 1 }".replace("é", '"é😀"'))
    assert found.key(("a", "é😀", "ä")) == (1, 12)
    assert found.value(("a", "é😀", "ä")) == (1, 18)


DAMAGED = [
    "a = 1\nb = \nc = 3\n", "[a\nb = 1\n", "[]\n", "[[]]\nx = 1\n", "= 1\n", "a = [1, 2\n", "a = { b = 1\n",
    '"\\q" = 1\n', "a = 1\n[a.b]\nc = 2\n", "a.b. = 1\n", "\0", "\ud800 = 1\n", "a = '\ud800'\nb = 1\n", '"""\n',
    "[a]]\n", "\ufeffa = 1\n",
]  # fmt: skip


@pytest.mark.parametrize("text", DAMAGED)
def test_a_damaged_file_still_has_positions(text: str) -> None:
    """Where tomllib gives up the map is partial, and asking it anything still gives a place in the file."""
    line, column = positions(text).key(("a", "b"))
    assert 1 <= line <= text.count("\n") + 1
    assert column >= 1


@given(st.text() | st.text("ab.='\"[]{}#,\n\r\t \\é1", max_size=60))
def test_no_text_breaks_the_map(text: str) -> None:
    """Any text has positions, and those of a text that tomllib accepts are of the same paths."""
    found = positions(text)
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return
    assert found.paths == set(paths(document))


def test_depth_is_bounded_and_harmless() -> None:
    """A key of ten thousand parts and brackets as deep as tomllib bears are left to their surroundings."""
    dotted = ".".join("a" * 10_000)
    for text, first in [(f"{dotted} = 1\n", 1), (f"[{dotted}]\nb.c = 1\n", 2), (f"[[{dotted}]]\nb.c = 1\n", 3)]:
        assert positions(text).value(("a",) * (DEEPEST - 1)) == (1, first + 2 * (DEEPEST - 2))
        assert len(positions(text).paths) <= DEEPEST + 2
    nested = "a = " + "[" * 150 + "]" * 150 + "\n"
    assert tomllib.loads(nested)
    assert positions(nested).value(("a", *([0] * 150))) == (1, 4 + DEEPEST)
    assert positions("a = " + "[" * 50_000).key(("a",)) == (1, 1)


# ------------------------------------------------------------------------------------------- documents at random


def paths(value: Any, at: Path = ()) -> Iterator[Path]:
    """Every path of a parsed document: what the map is held against."""
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in parts:
        yield (*at, key)
        yield from paths(part, (*at, key))


BARE = "abcxyzABC019_-"
printable = st.characters(exclude_categories=["Cs", "Cc"])
key_names = st.text(BARE, min_size=1, max_size=4) | st.text(printable, max_size=4)


def basic(text: str) -> str:
    """A text as a TOML string in double quotes."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


scalars = st.one_of(
    st.integers(-(10**6), 10**6).map(str),
    st.sampled_from(["0.5", "-1e3", "true", "false", "2026-08-01", "07:32:00", "1979-05-27T07:32:00Z", "0x1F", "nan"]),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=6).map(basic),
    st.text(printable, max_size=6).filter(lambda s: "'" not in s).map("'{}'".format),
    st.text(printable | st.just("\n"), max_size=8)
    .map(lambda s: '"""' + s.replace("\\", "\\\\").replace('"', '\\"') + '"""'),
    st.text(printable | st.just("\n"), max_size=8).filter(lambda s: "'" not in s).map("'''{}'''".format),
)  # fmt: skip
trees = st.recursive(
    scalars,
    lambda part: st.lists(part, max_size=3) | st.dictionaries(key_names, part, max_size=3),
    max_leaves=12,
)
documents = st.dictionaries(key_names, trees, max_size=5)


class Writer:
    """Writes a tree as TOML, choosing among the forms that TOML allows, and keeps how each value was written."""

    def __init__(self, choose: Callable[[list[str]], str]) -> None:
        self.choose = choose
        self.lines: list[str] = []
        self.written: dict[Path, str] = {}
        self.keys: dict[Path, str] = {}

    def key(self, path: Path) -> str:
        name = str(path[-1])
        forms = [basic(name)]
        if name and all(character in BARE for character in name):
            forms.append(name)
        if "'" not in name:
            forms.append(f"'{name}'")
        self.keys[path] = self.choose(forms)
        return self.keys[path]

    def space(self) -> str:
        return self.choose(["", " ", "\t "])

    def inline(self, value: Any, path: Path) -> str:
        """A value on the right of an equals sign."""
        if isinstance(value, dict):
            pairs = [self.pair(part, (*path, key)) for key, part in value.items()]
            text = "{" + ",".join(self.space() + pair + self.space() for pair in pairs) + "}"
        elif isinstance(value, list):
            between = self.choose([",", " , ", ",\n  ", ", # [1, {a=2}]\n"])
            end = self.choose(["", ","]) if value else ""
            parts = [self.inline(part, (*path, place)) for place, part in enumerate(value)]
            text = "[" + self.choose(["", "\n# é\n"]) + between.join(parts) + end + "]"
        else:
            text = value
        self.written[path] = text
        return text

    def pair(self, value: Any, path: Path) -> str:
        """`key = value`, or `a.b = value` for a table of a single key."""
        dotted = [self.key(path)]
        while isinstance(value, dict) and len(value) == 1 and self.choose(["inline", "dotted"]) == "dotted":
            [(name, value)] = value.items()
            path = (*path, name)
            dotted.append(self.key(path))
        key = (self.space() + "." + self.space()).join(dotted)
        return f"{key}{self.space()}={self.space()}{self.inline(value, path)}"

    def end(self) -> str:
        return self.choose(["", " ", " # a comment = [1]", "\n", "\n\n# é"])

    def table(self, value: dict[str, Any], path: Path, header: list[str]) -> None:
        """The lines under a header; tables within come last, under headers of their own."""
        later = []
        for name, part in value.items():
            tables = isinstance(part, list) and part != [] and all(isinstance(element, dict) for element in part)
            if (isinstance(part, dict) or tables) and self.choose(["inline", "header"]) == "header":
                later.append((name, part))
            else:
                self.lines.append(self.space() + self.pair(part, (*path, name)) + self.end())
        for name, part in later:
            within: Path = (*path, name)
            keys = [*header, self.key(within)]
            dotted = (self.space() + "." + self.space()).join(keys)
            if isinstance(part, dict):
                self.written[within] = "["
                self.lines.append(f"{self.space()}[{self.space()}{dotted}{self.space()}]{self.end()}")
                self.table(part, within, keys)
            else:
                self.written[within] = "[["
                for place, element in enumerate(part):
                    self.written[(*within, place)] = "[["
                    self.lines.append(f"{self.space()}[[{dotted}]]{self.end()}")
                    self.table(element, (*within, place), keys)


@st.composite
def written(draw: st.DrawFn) -> tuple[str, Writer]:
    writer = Writer(lambda forms: draw(st.sampled_from(forms)))
    writer.table(draw(documents), (), [])
    return "\n".join(writer.lines), writer


def start(text: str, spot: tuple[int, int]) -> int:
    """The place in the text of a line and column: the other way round from the module, and the plain way."""
    line, column = spot
    return sum(len(part) + 1 for part in text.split("\n")[: line - 1]) + column - 1


@given(written())
@example(("", Writer(min)))
def test_paths_are_those_of_tomllib_and_positions_lead_to_what_was_written(given: tuple[str, Writer]) -> None:
    """Every path of the document is in the map and no other, each where its key and its value were written."""
    text, writer = given
    found = positions(text)
    assert found.paths == set(paths(tomllib.loads(text)))
    for path, value in writer.written.items():
        assert text.startswith(value, start(text, found.value(path)))
    for path, key in writer.keys.items():
        assert text.startswith(key, start(text, found.key(path)))
