"""The report: one HTML page that holds everything published, and fetches nothing."""

from __future__ import annotations

import base64
import hashlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from evenbench.analysis import Analysis
from evenbench.publish.chart import buyers_of
from evenbench.publish.parts import (
    cautions_of,
    claims_of,
    doubts_of,
    measured,
    model_notes,
    plain_of,
    precautions_of_results,
    prices_of,
    products_of,
    questions_of,
    readings_of,
    side_by_side,
    tests_of,
)
from evenbench.publish.shown import NO_LEVEL, sentence
from evenbench.rank.placing import DRAWS
from evenbench.rank.price import MIDDLE

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"


def write_report(analysis: Analysis, path: Path) -> Path:
    """Write the report of an analysis to `path`, and return that path.

    The file is written beside its place first and moved there when whole: a report that is open in a browser,
    or being copied, is never found half written.

    Raises OSError where it cannot be written.
    """
    path = Path(path)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(page(analysis))
        # A temporary file is private; a report has the rights of any other new file.
        part.chmod(0o666 & ~_umask())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return path


def page(analysis: Analysis) -> str:
    """The report as HTML. The same analysis gives the same bytes.

    Text of the study is escaped wherever it stands, and a policy in the page lets a browser run and style only
    what the page itself brought, so that a product's name can do nothing.
    """
    from markupsafe import Markup

    style, script = _text("report.css"), _text("report.js")
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            study=analysis.study,
            engine=analysis.engine,
            # The two texts are the project's own; everything else is escaped.
            style=Markup(style),
            script=Markup(script),
            policy=policy(style, script),
            measured=measured(analysis),
            questions=questions_of(analysis),
            buyers=buyers_of(analysis),
            together=side_by_side(analysis),
            tests=tests_of(analysis),
            costs=analysis.prices,
            prices=prices_of(analysis),
            middle=MIDDLE,
            no_level=NO_LEVEL,
            claims=claims_of(analysis),
            precautions=analysis.study_precautions,
            precautions_of_results=precautions_of_results(analysis),
            doubts=doubts_of(analysis),
            not_used=analysis.not_used,
            products=products_of(analysis),
            cautions=cautions_of(analysis),
            models=model_notes(analysis),
            readings=readings_of(analysis),
            plain=plain_of(analysis),
            draws=f"{DRAWS:,}",
        )
    )


def policy(style: str, script: str) -> str:
    """What a browser may do with the page: use this style and this script, and nothing else.

    Source: W3C, Content Security Policy Level 3, sections 6.1 and 6.7.3 (hashes of inline content).

    >>> policy("", "").split("; ")[0]
    "default-src 'none'"
    """
    rules = ("default-src 'none'", f"style-src {_hash(style)}", f"script-src {_hash(script)}")
    return "; ".join((*rules, "base-uri 'none'", "form-action 'none'"))


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _text(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["sentence"] = sentence
    return environment


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
