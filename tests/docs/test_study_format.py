"""The page on study format 1 says what the code reads: every key, unit, function and limit, and nothing else."""

from __future__ import annotations

import inspect
import re
import tomllib
from datetime import date
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from evenbench.measure import formula, units
from evenbench.measure.errors import UnitError
from evenbench.record import folder, table, xlsx
from evenbench.record.folder import open_study
from evenbench.study import cells, observations, planned, reader, sheet, toml
from evenbench.study import file as shape
from evenbench.study.parse import parse
from tests.docs import pages

PAGE = pages.DOCS / "study-format.md"
SECTIONS = pages.sections(PAGE)
TODAY = date(2026, 12, 31)
TABLES = [
    model
    for _, model in inspect.getmembers(shape, inspect.isclass)
    if issubclass(model, shape.Declared) and model is not shape.Declared
]
COMPLETE = [block for block in pages.blocks(PAGE, "toml") if "format = 1" in block.text]


def heading(model: type[BaseModel]) -> str:
    """The heading under which a table of the file is described; its docstring begins with it."""
    first = (model.__doc__ or "").strip()
    name = re.match(r"`([^`]+)`", first)
    return f"`{name[1]}`" if name else first.rstrip(".")


def keys(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def choices(annotation: Any) -> list[str]:
    """The words that a key may hold, where it holds one of some words."""
    if get_origin(annotation) is Literal:
        return [word for word in get_args(annotation) if isinstance(word, str)]
    if get_origin(annotation) in (Union, UnionType):
        return [word for part in get_args(annotation) for word in choices(part)]
    return []


def described(model: type[BaseModel]) -> dict[str, list[str]]:
    """key -> the row of the page's table on it."""
    rows = pages.table_rows(SECTIONS[heading(model)])
    return {pages.said(row[0])[0]: row for row in rows}


@pytest.mark.parametrize("model", TABLES, ids=heading)
def test_each_key_has_a_row_and_each_row_a_key(model: type[BaseModel]) -> None:
    later = {key for table, key in shape.LATER if table is model}
    assert set(described(model)) == set(keys(model)) | later


@pytest.mark.parametrize("model", TABLES, ids=heading)
def test_a_row_says_whether_the_key_is_required(model: type[BaseModel]) -> None:
    rows = described(model)
    # A test without readings or results is refused by parse, not by its shape.
    by_parse = {"readings", "results"} if model is shape.TestTable else set()
    for key, field in keys(model).items():
        said = rows[key][4] == "required"
        assert said == (field.is_required() or key in by_parse), key


@pytest.mark.parametrize("model", TABLES, ids=heading)
def test_a_row_names_every_word_the_key_may_hold(model: type[BaseModel]) -> None:
    rows = described(model)
    for key, field in keys(model).items():
        for word in choices(field.annotation):
            assert f'"{word}"' in rows[key][2], f"{key} may be {word!r}"
        if isinstance(field.default, str | bool | int) and field.default != "":
            assert rows[key][4] == "`" + str(_toml(field.default)) + "`", key


def _toml(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


@pytest.mark.parametrize(("model", "key"), shape.LATER, ids=lambda part: str(getattr(part, "__name__", part)))
def test_what_is_not_read_yet_is_marked(model: type[BaseModel], key: str) -> None:
    assert described(model)[key][4] == "**not yet**"


def test_words_that_are_not_read_yet_are_marked() -> None:
    """Keys that hold one word for now say so."""
    for model in TABLES:
        for key, field in keys(model).items():
            words = choices(field.annotation)
            if len(words) == 1 and key not in ("in", "place_in"):
                assert "**not yet**" in described(model)[key][1], key


def test_the_examples_parse() -> None:
    assert COMPLETE
    for block in COMPLETE:
        parse(block.text, today=TODAY)


def test_the_fragments_are_toml() -> None:
    for block in pages.blocks(PAGE, "toml"):
        tomllib.loads(block.text)


@pytest.mark.parametrize("model", TABLES, ids=heading)
def test_each_key_is_in_a_whole_example(model: type[BaseModel]) -> None:
    """An example that parses is the best description of a key."""
    used = set().union(*(_keys_used(tomllib.loads(block.text), shape.StudyFile, model) for block in COMPLETE))
    assert used >= set(keys(model))


def _keys_used(value: Any, model: type[BaseModel], wanted: type[BaseModel]) -> set[str]:
    out = set(value) if model is wanted else set()
    for key, part in value.items():
        out |= _in(part, keys(model)[key].annotation, wanted)
    return out


def _in(value: Any, annotation: Any, wanted: type[BaseModel]) -> set[str]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return _keys_used(value, annotation, wanted)
    inner = get_args(annotation)
    if get_origin(annotation) is dict:
        return set().union(*(_in(part, inner[1], wanted) for part in value.values()), set())
    if get_origin(annotation) is list:
        return set().union(*(_in(part, inner[0], wanted) for part in value), set())
    if get_origin(annotation) in (Union, UnionType):
        tables = [a for a in inner if isinstance(a, type) and issubclass(a, BaseModel)]
        return _in(value, tables[0], wanted) if tables and isinstance(value, dict) else set()
    return set()


# ------------------------------------------------------------------------------------------ units and formulas


def test_every_unit_of_the_list_is_in_the_page_and_no_other() -> None:
    rows = pages.table_rows(SECTIONS["Units"])
    spelled = [spelling for row in rows for spelling in pages.said(row[1])]
    assert sorted(spelled) == sorted([*units._ATOMS, *units._SCALES])


def test_the_units_of_a_row_measure_one_thing() -> None:
    rows = [pages.said(row[1]) for row in pages.table_rows(SECTIONS["Units"])]
    measures = [{units.parse_unit(spelling).dims for spelling in row} for row in rows]
    assert all(len(dims) == 1 for dims in measures)
    assert len(set.union(*measures)) == len(rows)


def test_the_made_up_units_in_the_text_are_read() -> None:
    """What the page shows as units made of several can be written so."""
    first = SECTIONS["Units"].split("\n|", maxsplit=1)[0]
    for spelling in pages.said(first):
        if spelling != "^":
            units.parse_unit(spelling)


def test_words_with_two_meanings_are_refused_as_the_page_says() -> None:
    line = next(line for line in SECTIONS["Units"].splitlines() if line.startswith("A word that means two"))
    named = pages.said(line)
    assert named
    for word in named:
        with pytest.raises(UnitError):
            units.parse_unit(word)
    # Spellings in one group (`gal`, `gallon`) share an answer; the page names one of each.
    answers = {units._TWO_MEANINGS[word] for word in named}
    assert answers == set(units._TWO_MEANINGS.values())


def test_every_function_is_in_the_page_and_no_other() -> None:
    rows = pages.table_rows(SECTIONS["Formulas"])
    assert {pages.said(row[0])[0] for row in rows} == set(formula.FUNCTIONS)


# ----------------------------------------------------------------------------------------------------- sheets


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """The page's study in a folder, without its sheets."""
    (tmp_path / "study.toml").write_text(COMPLETE[0].text, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(("caption", "count"), [("readings/shower.csv", 28), ("readings.csv", 8)], ids=["wide", "long"])
def test_the_sheets_of_the_page_are_read_whole(written: Path, caption: str, count: int) -> None:
    sheet = next(block for block in pages.blocks(PAGE) if block.caption == caption)
    path = written / caption
    path.parent.mkdir(exist_ok=True)
    path.write_text(sheet.text, encoding="utf-8")
    _, readings = open_study(written, today=TODAY)
    assert len(readings.value) == count
    assert not readings.not_used


@pytest.mark.parametrize(
    ("section", "columns"),
    [
        ("One sheet per test: `readings/TEST.csv`", {*sheet.RUN_COLUMNS, "code"}),
        ("One long sheet: `readings.csv`", {*reader._LONG_COLUMNS, "code"}),
        ("What was planned: `plan.csv`", {*planned.COLUMNS}),
        ("What was seen: `observations.csv`", {*observations.COLUMNS}),
    ],
)
def test_every_column_has_a_row(section: str, columns: set[str]) -> None:
    rows = pages.table_rows(SECTIONS[section])
    assert {name for row in rows for name in pages.said(row[0])} == columns


def test_limits_are_those_of_the_code() -> None:
    rows = {row[0].strip("`"): row[1] for row in pages.table_rows(SECTIONS["Limits"])}
    assert rows == {
        "study.toml": f"{toml.LARGEST_TEXT:,} characters, {toml.LONGEST_LINE:,} in a line, tables {toml.DEEPEST} deep",
        "a file": f"{folder.LARGEST_FILE:,} bytes; a CSV sheet {folder.LARGEST_SHEET:,}",
        "observations": f"{observations.MOST_OBSERVATIONS:,}",
        "rows of a sheet": f"{table.MOST_ROWS:,}, of {table.MOST_COLUMNS} columns; of a workbook {xlsx.MOST_ROWS:,}",
        "a number": f"from {cells.SMALLEST:g} to {cells.GREATEST:.0e} in size, or 0".replace("+", ""),
        "mistakes told at once": f"{sheet.MOST_MISTAKES:,} of a sheet",
        "a text": f"{_longest(shape.Text):,} characters",
        "an amount or a unit": f"{units.LONGEST} characters",
    }
    assert f"{formula.LONGEST} characters and {formula.DEEPEST} steps" in SECTIONS["Formulas"]


def _longest(annotated: Any) -> int:
    return next(int(part.max_length) for part in get_args(annotated)[1:])
