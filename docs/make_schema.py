"""Write docs/study.schema.json: what study.toml may hold, for editors that complete and check TOML.

The keys, words and limits come from the program's own model of the file, the descriptions from the tables of
docs/study-format.md. Run it after a change of either: python docs/make_schema.py
"""

from __future__ import annotations

import inspect
import json
import re
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from evenbench.study import file

DOCS = Path(__file__).resolve().parent
TARGET = DOCS / "study.schema.json"


def schema() -> dict[str, Any]:
    """The schema of study.toml, JSON Schema 2020-12."""
    made = _as_toml(file.StudyFile.model_json_schema(by_alias=True))
    tables = {made["title"]: made, **made["$defs"]}
    described = _described((DOCS / "study-format.md").read_text(encoding="utf-8"))
    for name, model in inspect.getmembers(file, inspect.isclass):
        if name in tables:
            _describe(tables[name], model, described)
    made["title"] = "study.toml of Evenbench, format 1"
    made["description"] = "A study: what is compared, how, and what counts as better."
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def _as_toml(part: Any) -> Any:
    """A schema without null, which TOML does not have, and with every id held to its pattern."""
    if isinstance(part, list):
        return [_as_toml(one) for one in part]
    if not isinstance(part, dict):
        return part
    out = {key: _as_toml(value) for key, value in part.items() if not (key == "default" and value is None)}
    members = [one for one in out.get("anyOf", []) if one != {"type": "null"}]
    if len(members) == 1:
        del out["anyOf"]
        out = {**members[0], **out}
    elif members:
        out["anyOf"] = members
    return {**out, "additionalProperties": False} if "patternProperties" in out else out


def _describe(table: dict[str, Any], model: type[BaseModel], described: dict[str, dict[str, str]]) -> None:
    """Say of a table and its keys what the page says, and drop the titles that repeat the names of the code."""
    heading = (model.__doc__ or "").strip().partition(";")[0].strip(" .`")
    table.pop("title", None)
    table["description"] = f"{heading}."
    for key, value in table["properties"].items():
        value.pop("title", None)
        value["description"] = described[heading][key]


def _described(page: str) -> dict[str, dict[str, str]]:
    """Heading -> key -> what the page's table says of it, as plain text."""
    out: dict[str, dict[str, str]] = {}
    for part in re.split(r"^#+ ", page, flags=re.MULTILINE)[1:]:
        heading, _, text = part.partition("\n")
        rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", text, flags=re.MULTILINE)
        out[heading.strip("` ")] = {key: _plain(says) for key, says in rows}
    return out


def _plain(text: str) -> str:
    text = re.sub(r"\[([^\]]+)\]\([^)]+\)", r"\1", text)
    text = re.sub(r"[`*]", "", text).strip()
    return f"{text[:1].upper()}{text[1:]}."


def as_text() -> str:
    """The file's text."""
    return json.dumps(schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    TARGET.write_text(as_text(), encoding="utf-8")
