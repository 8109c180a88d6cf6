"""The schema for editors is what its generator makes, and agrees with the program on which files have a sound shape."""

from __future__ import annotations

import json
import runpy
import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.docs import pages
from tests.strategies import STUDY

REPOSITORY = pages.DOCS.parent
SCHEMA = json.loads((pages.DOCS / "study.schema.json").read_text(encoding="utf-8"))
WHOLE = next(b.text for b in pages.blocks(pages.DOCS / "study-format.md", "toml") if "format = 1" in b.text)
STUDIES = [
    *(REPOSITORY / "examples").glob("*/study.toml"),
    REPOSITORY / "src" / "evenbench" / "demo" / "study.toml",
]


@cache
def generated() -> str:
    make: Callable[[], str] = runpy.run_path(str(pages.DOCS / "make_schema.py"))["as_text"]
    return make()


def errors(text: str) -> list[str]:
    """What an editor would mark: TOML's dates reach a schema as texts."""
    document: Any = json.loads(json.dumps(tomllib.loads(text), default=str))
    return [f"{error.json_path}: {error.message}" for error in Draft202012Validator(SCHEMA).iter_errors(document)]


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_the_file_is_what_the_generator_makes() -> None:
    """Run `python docs/make_schema.py` where this fails."""
    assert (pages.DOCS / "study.schema.json").read_text(encoding="utf-8") == generated()


def test_every_key_is_described() -> None:
    tables = [SCHEMA, *SCHEMA["$defs"].values()]
    assert len(tables) > 15
    for table in tables:
        assert table["additionalProperties"] is False
        for key, value in table["properties"].items():
            assert value["description"].endswith("."), key


@pytest.mark.parametrize("path", STUDIES, ids=lambda p: p.parent.name)
def test_sound_studies_keep_to_the_schema(path: Path) -> None:
    assert errors(path.read_text(encoding="utf-8")) == []


def test_the_example_of_the_page_keeps_to_the_schema() -> None:
    assert errors(WHOLE) == []


DAMAGE = [
    ('role = "control"', 'role = "controll"', "$.products.untreated.role"),
    ('name = "Plain water"', 'nam = "Plain water"', "$.products.water"),
    ("format = 1", "format = 2", "$.format"),
    ('title = "Commuter, rain twice a week"', "", "$.buyers.daily"),
    ("[products.water]", "[products.Water]", "$.products"),
]


@pytest.mark.parametrize(("old", "new", "path"), DAMAGE)
def test_damage_is_marked_where_it_is(old: str, new: str, path: str) -> None:
    text = STUDY if old in STUDY else WHOLE
    assert old in text
    assert any(error.startswith(f"{path}:") for error in errors(text.replace(old, new, 1)))
