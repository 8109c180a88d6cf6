"""A link to a file of the project leads to one, and a link within the pages to a heading that is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.docs import pages

# [text](target) and ![text](target), but not what stands in a fenced block.
LINK = re.compile(r"\]\((?P<target>[^)\s]+)\)")


def slug(title: str) -> str:
    """A heading as links name it."""
    return re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-")


@pytest.mark.parametrize("page", pages.PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    prose = pages._FENCE.sub("", page.read_text(encoding="utf-8"))
    for target in (match["target"] for match in LINK.finditer(prose)):
        if "://" in target:
            continue
        name, _, anchor = target.partition("#")
        file = (page.parent / name).resolve() if name else page
        assert file.exists(), f"{page.name} links to {target}, which is not there"
        if anchor:
            assert anchor in {slug(title) for title in pages.sections(file)}, f"{page.name} links to {target}"


@pytest.mark.parametrize("page", pages.PAGES, ids=lambda page: page.name)
def test_pages_speak_of_no_place_but_the_project(page: Path) -> None:
    """A page is for whoever has the project: it names no path of one machine."""
    assert not re.search(r"(?<![\w.])/(home|tmp|work|root)/", page.read_text(encoding="utf-8"))
