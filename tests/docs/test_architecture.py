"""The map shows the rooms that are there, in the order that the import contract holds them to."""

from __future__ import annotations

import re
import tomllib

from tests.docs import pages

PAGE = (pages.DOCS / "architecture.md").read_text(encoding="utf-8")
SOURCE = pages.REPOSITORY / "src" / "evenbench"


def there() -> set[str]:
    """The rooms and modules right under the package."""
    rooms = {path.name for path in SOURCE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    return rooms | {path.stem for path in SOURCE.glob("*.py")} - {"__init__", "__main__"}


def test_every_room_has_a_row() -> None:
    rows = pages.table_rows(pages.sections(pages.DOCS / "architecture.md")["Rooms"])
    assert {re.sub(r"(/|\.py)$", "", pages.said(row[0])[0]) for row in rows} == there()


def test_the_order_of_imports_is_that_of_the_contract() -> None:
    contracts = tomllib.loads((pages.REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]
    layers = [re.findall(r"\w+", layer) for layer in contracts["contracts"][0]["layers"]]
    line = next(line for line in PAGE.splitlines() if line.startswith("`cli` >"))
    shown = [re.findall(r"\w+", part) for part in line.split(">")]
    built = [[room for room in layer if room in there()] for layer in layers]
    assert shown == [layer for layer in built if layer]
    for room in {room for layer in layers for room in layer} - there():
        assert f"`{room}`" in PAGE, f"{room} has its place kept, and the page does not say so"


def test_the_page_is_short() -> None:
    """Two printed pages: some 120 lines."""
    assert len(PAGE.splitlines()) <= 120
