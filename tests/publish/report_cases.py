"""Studies for tests of the report, at the edges of what a page must hold, and a small reader of the page."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from evenbench.analysis import Analysis, analyse
from evenbench.publish.report import page
from evenbench.record.folder import open_study
from evenbench.study.parse import parse
from evenbench.study.readings import parse_readings
from tests.engine import TODAY

REPOSITORY = Path(__file__).resolve().parents[2]
DEMO = REPOSITORY / "src" / "evenbench" / "demo"
FOLDERS = {"demo": DEMO} | {
    path.parent.name: path.parent for path in sorted((REPOSITORY / "examples").glob("*/study.toml"))
}

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(2)>',
    "' onmouseover='alert(3)",
    "</style><script>alert(4)</script>",
    "{{ 7 * 7 }} {% raw %}",
    "مزيل الماء للسترات القديمة",
    "Ærøskøbing Imprægnering Żółć",
    "A" * 60,
    "Sixty characters of a name that has ordinary words in it, ok",
    "<b>bold</b> & co",
    "javascript:alert(5)",
)
BREAKS_OUT = "</td></table><script>alert(6)</script><img src='http://example.invalid/a.png'>"


def one_sheet(
    names: Sequence[str],
    value: Callable[[int, int], object],
    *,
    runs: Callable[[int], int] = lambda _: 3,
    matters: str = "5 g",
    control: bool = True,
    title: str = "Stress",
    head: str = "",
    tail: str = "",
    note: str = "",
) -> Analysis:
    """A study of one test with a benefit, a risk and an info result of one reading; `value` of product and run."""
    quoted = [json.dumps(name, ensure_ascii=False) for name in names]
    products = "".join(
        f"[products.p{k}]\nname = {name}\n" + ('role = "control"\n' if control and k == 0 else "")
        for k, name in enumerate(quoted)
    )
    results = "".join(
        f'results.{id} = {{ formula = "y", unit = "g", better = "lower", kind = "{kind}", matters = "{matters}" }}\n'
        for id, kind in (("r", "benefit"), ("k", "risk"))
    )
    text = (
        f'format = 1\n[study]\nid = "stress"\ntitle = {json.dumps(title)}\n{head}{products}'
        f'[tests.t]\ntitle = {json.dumps(title + " test")}\nreadings.y = {{ unit = "g" }}\n{results}'
        f'results.i = {{ formula = "2 * y", unit = "g", kind = "info" }}\n{tail}'
    )
    sheet = [
        {"product": f"p{k}", "run": str(n + 1), "y": str(value(k, n)), "note": note}
        for k in range(len(names))
        for n in range(runs(k))
    ]
    study = parse(text, today=TODAY)
    return analyse(study, parse_readings({"t": sheet} if sheet else {}, study))


def hostile() -> Analysis:
    """Every text of the study tries to be something else than text."""
    draw = random.Random(5)
    script = json.dumps(BREAKS_OUT)
    return one_sheet(
        ["control <i>", *HOSTILE],
        lambda k, _: round(20 + k + draw.gauss(0, 1), 2),
        title='<script>alert(0)</script> "title"',
        head=f'questions = [ {{ asks = {script}, answered_by = "t.r" }}, {{ asks = "open <b>?" }} ]\n',
        tail=(
            f"limits = {script}\nconditions.x = {script}\nbetween = [{script}]\ndeparts = [{{ from = {script}, "
            f"why = {script} }}]\n[buyers.b]\ntitle = {script}\nweights.t.r = 1\nonly_if = [{script}]\n"
            f'not_if = [{script}]\nmust = [{{ result = "t.k", is = "no harm" }}]\n'
        ),
        note=BREAKS_OUT,
    )


def _scattered(step: float, sd: float) -> Callable[[int, int], float]:
    draw = random.Random(7)
    return lambda k, _: round(40 - step * k + draw.gauss(0, sd), 2)


STRESS: dict[str, Callable[[], Analysis]] = {
    "hostile": hostile,
    "two products": lambda: one_sheet(["Control", "One"], _scattered(10, 2)),
    "thirty products": lambda: one_sheet([f"Product number {k}" for k in range(30)], _scattered(0.5, 2)),
    "huge": lambda: one_sheet(
        ["Control", "One", "Two"], lambda k, n: f"{(3 - k + n / 9) * 1e11:.4e}", matters="10000000000 g"
    ),
    "tiny": lambda: one_sheet(
        ["Control", "One", "Two"], lambda k, n: f"{(3 - k + n / 9) * 1e-6:.4e}", matters="0.0000001 g"
    ),
    "one outlier": lambda: one_sheet(
        ["Control", "One", "Two"], lambda k, n: 4000 if (k, n) == (2, 1) else round(40 - k + n / 7, 2)
    ),
    "all equal": lambda: one_sheet(["Control", "One", "Two"], lambda *_: 7),
    "one run each": lambda: one_sheet(["Control", "One", "Two"], lambda k, _: 7 + k, runs=lambda _: 1),
    "one degree of freedom": lambda: one_sheet(
        ["Control", "One", "Two"], _scattered(3, 0.3), runs=lambda k: 2 if k == 0 else 1, matters="0.5 g"
    ),
    "a product not run": lambda: one_sheet(["Control", "One", "Two"], _scattered(3, 1), runs=lambda k: 3 * (k < 2)),
    "no readings": lambda: one_sheet(["Control", "One"], lambda *_: 0, runs=lambda _: 0),
    "no control": lambda: one_sheet(["One", "Two", "Three"], _scattered(3, 0.3), control=False),
    "sixty runs": lambda: one_sheet(["Control", "One"], _scattered(3, 2), runs=lambda _: 60),
}
CASES = [*FOLDERS, *STRESS]


@cache
def analysed(case: str) -> Analysis:
    """The analysis of a study of the project, or of one that was made to be hard."""
    return analyse(*open_study(FOLDERS[case], today=TODAY)) if case in FOLDERS else STRESS[case]()


@cache
def rendered(case: str) -> str:
    """The page of a case."""
    return page(analysed(case))


# ------------------------------------------------------------------------------------------------ reading a page

VOID = {"meta", "br", "hr", "img", "input", "link"}


@dataclass
class Element:
    """One element of a page, with what stands in it."""

    tag: str
    attributes: dict[str, str]
    parts: list[Element | str] = field(default_factory=list)

    def all(self, tag: str = "", cls: str = "") -> Iterator[Element]:
        """Every element below, in document order, of a tag and a class where given."""
        for part in self.parts:
            if isinstance(part, Element):
                if (not tag or part.tag == tag) and (not cls or cls in part.attributes.get("class", "").split()):
                    yield part
                yield from part.all(tag, cls)

    def one(self, tag: str = "", cls: str = "") -> Element:
        """The first of them."""
        return next(self.all(tag, cls))

    @property
    def text(self) -> str:
        """All text below, as written."""
        return "".join(part if isinstance(part, str) else part.text for part in self.parts)

    @property
    def figures(self) -> list[float]:
        """Every number printed below, at the precision the page holds."""
        return [float(d.attributes["value"]) for d in self.all("data")]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        assert len(element.attributes) == len(attrs), f"{tag} has an attribute twice"
        self.open[-1].parts.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open[-1].parts.append(Element(tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        # The templates close whatever they open, so that nothing here needs a browser's forgiveness.
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].parts.append(data)


@cache
def read(case: str) -> Element:
    """The page of a case, as a tree."""
    reader = _Reader()
    reader.feed(rendered(case))
    reader.close()
    assert reader.open == [reader.root]
    return reader.root


def at(root: Element, id: str) -> Element:
    """The element with this id."""
    return next(e for e in root.all() if e.attributes.get("id") == id)
