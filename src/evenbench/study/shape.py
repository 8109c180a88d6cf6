"""What a study file says -> StudyFile. What has the wrong shape is noted and cut out, and the rest checked too."""

from __future__ import annotations

import re
from difflib import get_close_matches
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from evenbench.measure.errors import character_name, suggest
from evenbench.measure.wording import listed
from evenbench.study import file
from evenbench.study.mistakes import obeyed
from evenbench.study.notes import Notes, Path, dotted
from evenbench.study.typed import TypedFloat, days, product_called, write_days

_ROUNDS = 20  # each cuts something at least one step further up; tables are never nested deeper than this
_MOST_NOTED = 500
# Free texts that nothing depends on. Where one is missing the rest of its table is checked all the same.
_FREE = frozenset({"id", "title", "name", "per", "asks", "says", "why", "from"})
_LISTS_OF_TABLES = frozenset({"questions", "claims", "departs", "must"})


def shaped(raw: dict[str, Any], notes: Notes) -> file.StudyFile | None:
    """The file with everything in its place, or None where too little of it is sound to go on."""
    data = _shown_whole(raw, (), notes)
    if not _format_is_ours(data, notes):
        return None
    empty = [part for part in ("products", "tests") if data.get(part) == {}]
    for part in empty:
        notes.add((part,), "", f"the study has no {part}.", f"Add [{part}.ID].", at_key=True)
    for _ in range(_ROUNDS):
        try:
            whole = file.StudyFile.model_validate(data)
            return None if empty else whole
        except ValidationError as error:
            if not _mend(error.errors(include_url=False), data, notes):
                return None
    return None


def _shown_whole(value: Any, path: Path, notes: Notes) -> Any:
    """A copy, with a `?` for every character that a terminal would obey and not show."""
    if isinstance(value, dict):
        return {key: _shown_whole(part, (*path, key), notes) for key, part in value.items()}
    if isinstance(value, list):
        return [_shown_whole(part, (*path, place), notes) for place, part in enumerate(value)]
    if isinstance(value, str) and (character := obeyed(value)) is not None:
        notes.add(path, value, f"it holds {character_name(character)}, which cannot be shown.", "Take it out.")
        return "".join("?" if obeyed(c) else c for c in value)
    return value


def _format_is_ours(data: dict[str, Any], notes: Notes) -> bool:
    given = data.get("format")
    if "format" not in data:
        notes.add(("format",), "", "the file does not say its format.", "Write format = 1 in the first line.")
    elif type(given) is not int:
        notes.add(("format",), given, "the format is a whole number without quotes.", "Write format = 1.")
    elif given != 1:
        notes.add(("format",), given, "this version reads format 1 alone.", "Write format = 1, or update Evenbench.")
        return False
    data["format"] = 1
    return True


def _mend(errors: list[ErrorDetails], data: dict[str, Any], notes: Notes) -> bool:
    """Note errors of shape and take what they are about out of `data`; False where no study would be left."""
    by_path: dict[Path, list[ErrorDetails]] = {}
    for error in errors[:_MOST_NOTED]:
        by_path.setdefault(_real_path(error, data), []).append(error)
    # Of the members of a union, only the one that got furthest says what is wrong.
    within = {path[:n] for path in by_path for n in range(len(path))}
    cut: set[Path] = set()
    for path, there in by_path.items():
        if path not in within:
            cut |= _note(there, path, data, notes)
    # Deeper cuts first, and later members of a list before earlier ones, so that paths stay true.
    for path in sorted(cut, key=_deep_and_late, reverse=True):
        if not any(path[:n] in cut for n in range(1, len(path))):
            notes.cut(data, path)
    return len(errors) <= _MOST_NOTED and all(data.get(part) for part in ("products", "tests"))


def _deep_and_late(path: Path) -> tuple[int, list[int]]:
    return len(path), [step if isinstance(step, int) else -1 for step in path]


def _real_path(error: ErrorDetails, data: Any) -> Path:
    """Pydantic's location without the steps that are not in the file (members of a union, "[key]")."""
    path: list[str | int] = []
    here = data
    for step in error["loc"]:
        there = (isinstance(here, dict) and step in here) or (isinstance(here, list) and step in range(len(here)))
        if there:
            here = here[step]
            path.append(step)
    return (*path, error["loc"][-1]) if error["type"] == "missing" else tuple(path)


def _note(errors: list[ErrorDetails], path: Path, data: dict[str, Any], notes: Notes) -> set[Path]:
    """Note what is wrong at one path; what is to be cut."""
    kinds = {error["type"] for error in errors}
    error = errors[0]
    if "missing" in kinds:
        return _note_missing(path, data, notes)
    if "extra_forbidden" in kinds:
        _note_stranger(path, notes)
    elif error["loc"][-1] == "[key]":
        write = "Write a small letter first, then small letters, digits and _, 60 characters at most."
        notes.add(path, path[-1], "this cannot be an id.", write, at_key=True)
    else:
        why, write = _why_amount(error["input"], kinds, path, data) or _why(error, kinds, path, data)
        notes.add(path, error["input"], why, write)
    return {path}


def _note_missing(path: Path, data: dict[str, Any], notes: Notes) -> set[Path]:
    table, key = path[:-1], str(path[-1])
    if not notes.typed(*notes.in_file(path)) and not _has_later(table, notes):
        if table:
            notes.add(table, "", f"{key!r} is missing.", f"Add {_example(table, key)}.", at_key=True)
        else:
            notes.add(path, "", "every study needs it.", f"Add [{key}{'.ID' if key in ('products', 'tests') else ''}].")
    if path == ("study",):
        data["study"] = {"id": "unnamed", "title": "unnamed"}
        return set()
    if key in _FREE:
        _table(data, table)[key] = "unnamed" if key == "id" else dotted(table)
        return set()
    return {table} if table else set()


def _example(table: Path, key: str) -> str:
    """How a missing key is written."""
    if key == "weights":
        return "weights.TEST.RESULT = 1"
    model = _model_at(table)
    fields = [f for n, f in model.model_fields.items() if (f.alias or n) == key] if model else []
    words = get_args(fields[0].annotation) if fields and get_origin(fields[0].annotation) is Literal else ("…",)
    return f"{key} = " + listed([f'"{word}"' for word in words], last="or")


def _has_later(table: Path, notes: Notes) -> bool:
    """Whether a table has keys that this version does not read: what else it would need is then unknown."""
    model = _model_at(table)
    return any((model, key) in file.LATER for key in notes.ids(notes.in_file(table)))


def _table(data: Any, path: Path) -> Any:
    for step in path:
        data = data[step]
    return data


def _note_stranger(path: Path, notes: Notes) -> None:
    key, model = str(path[-1]), _model_at(path[:-1])
    later = file.LATER.get((model, key)) if model else None
    if later:
        why = f"{key!r} belongs to format 1, but this version does not read {later} yet."
        notes.add(path, "", why, "Leave it out for now.", at_key=True)
    else:
        notes.add(path, key, "no such key here.", suggest(key, _keys(model)), at_key=True)
        notes.meant |= {(*notes.in_file(path[:-1]), near) for near in get_close_matches(key, _keys(model), n=1)}


_TYPES = {
    "int_type": "a whole number",
    "float_type": "a number",
    "string_type": "a text in quotes",
    "bool_type": "true or false without quotes",
    "date_type": "a date without quotes",
    "list_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
}
_PLAIN = {
    "string_too_short": ("the text is empty.", "Write a text."),
    "string_too_long": ("the text is longer than {max_length:,} characters.", "Shorten it."),
    "too_long": ("there are more than {max_length:,} here.", "Leave some out."),
    "greater_than_equal": ("the number must be {ge:,} or more.", ""),
    "less_than_equal": ("the number must be {le:,} or less.", ""),
    "finite_number": ("this is no number that can be computed with.", "Write another, or leave it out."),
}


_AMOUNTS = frozenset(
    {
        *("price", "pack", "dose", "amount", "matters", "resolution", "offset", "gain", "limit", "value"),
        *("u", "within", "target", "capped_at", "flash_point"),
    }
)


def _why_amount(given: Any, kinds: set[str], path: Path, data: dict[str, Any]) -> tuple[str, str] | None:
    """Why a bare number is no amount, and how the amount is written, its digits as typed; None for other values."""
    constant = len(path) == 4 and path[2] == "constants"
    numeric = isinstance(given, int | float) and not isinstance(given, bool)
    if not numeric or "string_type" not in kinds or not (path[-1] in _AMOUNTS or constant):
        return None
    typed = given.typed if isinstance(given, TypedFloat) else str(given)
    why = "an amount in quotes is needed, with its unit."
    if constant:
        return why, f'Write "{typed} g" (or your unit), or "{typed}" for a plain number.'
    unit, sure = _unit_of(path, data)
    example = f'"{typed} {unit}"' if unit else f'"{typed}"'
    return why, f"Write {example}{'' if sure else ' (or your unit)'}."


def _unit_of(path: Path, data: dict[str, Any]) -> tuple[str, bool]:
    """The unit that an amount at a path is likely in, and whether it can be no other."""
    key, beside = path[-1], _table(data, path[:-1])
    if path[:1] == ("price",) or (path[0] == "products" and key == "price"):
        study = data.get("study")
        currency = study.get("currency") if isinstance(study, dict) else None
        return (currency, True) if isinstance(currency, str) else ("EUR", False)
    if key in ("u", "within") and isinstance(beside.get("value"), str):
        return beside["value"].lstrip("+-0123456789.eE "), False
    if key in ("limit", "matters", "target", "capped_at") and isinstance(beside.get("unit"), str):
        unit = beside["unit"]
        points = unit == "%" and (key == "matters" or (key == "capped_at" and beside.get("better") == "nearest"))
        return ("points", True) if points else ("" if unit == "1" else unit, True)
    if path[0] == "buyers" or "claims" in path:
        return _unit_of_result(beside, data), False
    usual = {"pack": "mL", "dose": "mL", "gain": "%", "flash_point": "degC", "limit": "s"}
    return usual.get(str(key), "g"), False


def _unit_of_result(table: dict[str, Any], data: dict[str, Any]) -> str:
    """The unit of the result that a claim or a need is about."""
    about = table.get("about")
    name = about[0] if isinstance(about, list) and about else table.get("result")
    test, _, id = str(name).partition(".")
    try:
        unit = data["tests"][test]["results"][id]["unit"]
    except (KeyError, TypeError):
        return "g"
    return unit if isinstance(unit, str) else "g"


def _why(error: ErrorDetails, kinds: set[str], path: Path, data: dict[str, Any]) -> tuple[str, str]:
    """Why a value cannot stand, and what to write."""
    given, context = error["input"], error.get("ctx", {})
    kind = "finite_number" if "finite_number" in kinds else error["type"]
    if kinds <= set(_TYPES):
        return _why_type(given, kinds, path[-1])
    if kind == "literal_error":
        options = re.findall(r"'([^']*)'", context["expected"])
        if meant := _meant(str(given), path, options) or _claim_meant(str(given), path, data):
            return "this cannot stand here.", meant
        near = f'Write "{options[0]}".' if len(options) == 1 else suggest(str(given), options)
        return "this cannot stand here.", near
    if kind == "string_pattern_mismatch" and path[-1] == "currency":
        return "this is not a currency.", 'Write three capital letters, as in "EUR".'
    if kind == "string_pattern_mismatch" and (id := _product_meant(str(given), path, data)) is not None:
        why = "a product is named here by its id." if id != "none" else "a test without a control says so in one word."
        return why, f'Write "{id}".'
    if kind == "string_pattern_mismatch":
        return "this cannot be an id.", "Write a small letter first, then small letters, digits and _."
    why, write = _PLAIN.get(kind, ("", ""))
    return (why.format(**context), write) if why else (f"{error['msg']}.", "")


_KINDS = {
    word: kind
    for kind, words in {
        "yes or no": "bool boolean yes/no yes-no yesno y/n true/false binary pass/fail",
        "number": "float int integer numeric numerical decimal real",
        "text": "string str free words",
        "time": "duration stopwatch seconds",
        "grade": "ordinal rating score scale",
        "category": "nominal choice class",
        "place": "rank ranking position",
    }.items()
    for word in words.split()
}


def _meant(given: str, path: Path, options: list[str]) -> str:
    """What to write for a word that a tester may well use for one of the `options`; "" for any other."""
    folded = given.casefold().replace(" ", "")
    if path[-1] == "kind" and (kind := _KINDS.get(folded)) in options:
        return f"Did you mean {kind!r}? {suggest('', options)}"
    if path[-1] == "better" and re.match(r"[-+]?[0-9.]", given):
        return f'Write better = "nearest", target = "{given}".'
    return ""


_OF_PRODUCTS = frozenset({"control", "references", "without", "against", "include"})


def _product_meant(given: str, path: Path, data: dict[str, Any]) -> str | None:
    """The id of the product that is called so, where an id of a product is expected."""
    if path[-1] == "control" and given.strip().casefold() in ("none", "no control", "no", "without"):
        return "none"
    products = data.get("products")
    keys = {step for step in path[1:] if isinstance(step, str)}
    return product_called(given, products) if keys & _OF_PRODUCTS and isinstance(products, dict) else None


def _claim_meant(given: str, path: Path, data: dict[str, Any]) -> str:
    """A claim that names a product by its name."""
    products, found = data.get("products"), re.fullmatch(r"(better than|back to) (.+)", given.strip())
    if path[-1] != "must" or found is None or not isinstance(products, dict):
        return ""
    id = product_called(found[2], products)
    return "" if id is None else f'A product is named here by its id: write "{found[1]} {id}".'


def _why_type(given: Any, kinds: set[str], key: str | int) -> tuple[str, str]:
    needed = " or ".join(_TYPES[kind] for kind in sorted(kinds, reverse=True) if kind != "int_type" or len(kinds) == 1)
    return f"{needed} is needed.", _write(given, kinds, key)


def _write(given: Any, kinds: set[str], key: str | int) -> str:
    """What to write where the value is right and its sort is wrong."""
    if kinds == {"date_type"} and (found := days(str(given))):
        return write_days(found)
    if kinds == {"date_type"}:
        return "Write it as in 2026-08-01."
    if isinstance(given, str):
        return _write_without_quotes(given, kinds, key)
    if kinds == {"int_type"} and isinstance(given, float) and given.is_integer():
        return f"Write {given:.0f}."
    if "string_type" in kinds and isinstance(given, int | float) and not isinstance(given, bool):
        return f'Write "{given.typed if isinstance(given, TypedFloat) else given}".'
    return ""


def _write_without_quotes(given: str, kinds: set[str], key: str | int) -> str:
    if kinds == {"list_type"} and key not in _LISTS_OF_TABLES:
        return f'Write ["{given}"].'
    numeric = kinds <= {"int_type", "float_type"} and re.fullmatch(r"[0-9]+(\.[0-9]+)?", given)
    if numeric or (kinds == {"bool_type"} and given in ("true", "false")):
        return f"Write {given} without quotes."
    return ""


# ------------------------------------------------------------------------------------------ the tables of `file`


def _model_at(path: Path) -> type[BaseModel] | None:
    """The table of `file` that describes the table at `path`; None where there is none."""
    here: Any = file.StudyFile
    for step in path:
        if get_origin(here) in (dict, list):
            here = _without_none(get_args(here)[-1])
        elif isinstance(here, type) and issubclass(here, BaseModel):
            found = [f for n, f in here.model_fields.items() if (f.alias or n) == step]
            here = _without_none(found[0].annotation) if found else None
        else:
            return None
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _without_none(annotation: Any) -> Any:
    if get_origin(annotation) in (Union, UnionType):
        members = [a for a in get_args(annotation) if a is not type(None)]
        # Where a text or a table may stand, the keys are the table's.
        return next((a for a in members if isinstance(a, type) and issubclass(a, BaseModel)), members[0])
    return annotation


def _keys(model: type[BaseModel] | None) -> list[str]:
    return [f.alias or n for n, f in model.model_fields.items()] if model else []
