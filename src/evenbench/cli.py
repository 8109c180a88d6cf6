"""The command line. Heavy imports live inside the commands, so that --help answers at once.

Exit status: 0 done, 1 the study or its data are wrong (the message says where and what to do), 2 wrong usage.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenbench import __version__
from evenbench.measure.errors import Correctable

if TYPE_CHECKING:
    from rich.console import Console

    from evenbench.analysis import Analysis

FOLDER = click.argument("folder", type=click.Path(path_type=Path))
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON for another program to read.")


class _Plain(click.Group):
    """A group that prints what a person can mend as a message, never as a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except Correctable as error:
            click.echo(str(error), err=True)
            ctx.exit(1)
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            click.echo(f"{where}{error.strerror or error}.", err=True)
            ctx.exit(1)


@click.group(cls=_Plain, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="evenbench")
def main() -> None:
    """Rival products on one bench: plan, measure, compare, and tell what may be said.

    FOLDER is a study folder: study.toml with readings/<test>.csv beside it.
    """
    # A console that cannot show a character gets a question mark, not a crash.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


@main.command()
@click.argument("folder", type=click.Path(path_type=Path), default=Path("proofers_demo"))
def demo(folder: Path) -> None:
    """Copy the demo study to FOLDER, compute it, and write its report.

    FOLDER is proofers_demo where not given. Files that are there already are kept as they are.
    """
    from evenbench.publish.report import write_report
    from evenbench.publish.summary import show
    from evenbench.record.sheets import copy_demo

    copy_demo(folder)
    analysis = _analyse(folder)
    show(analysis, _console())
    report = write_report(analysis, folder / "report.html")
    click.echo(f"\nThe study is in {folder}, the report in {report}. Open the report in a browser.")


@main.command()
@FOLDER
def start(folder: Path) -> None:
    """Make a new study in FOLDER, or the sheets that a study there still lacks.

    Writes study.toml where there is none, then a sheet ready to fill for every test. Overwrites nothing.
    """
    from evenbench.record.sheets import start_folder

    written = start_folder(folder)
    for path in written:
        click.echo(f"wrote {path}")
    if not written:
        click.echo(f"{folder} has its study and all its sheets already; nothing was written.")
    else:
        click.echo(f"Fill in study.toml and the sheets, then run: evenbench check {folder}")


@main.command()
@FOLDER
@AS_JSON
def check(folder: Path, as_json: bool) -> None:
    """Read FOLDER and report every mistake, with its place and what to write instead."""
    from evenbench.study.mistakes import StudyError

    try:
        analysis = _analyse(folder)
    except StudyError as error:
        if as_json:
            _print_json({"sound": False, "mistakes": [_mistake(m) for m in error.mistakes]})
            sys.exit(1)
        raise
    if as_json:
        not_used = [{"row": n.row, "reason": n.reason} for n in analysis.not_used]
        _print_json({"sound": True, "mistakes": [], "not_used": not_used})
        return
    from evenbench.publish.summary import checked

    checked(analysis, _console())


@main.command()
@FOLDER
@AS_JSON
def results(folder: Path, as_json: bool) -> None:
    """Compute FOLDER and print what was found."""
    analysis = _analyse(folder)
    if as_json:
        from evenbench.publish.contract import contract

        _print_json(contract(analysis))
        return
    from evenbench.publish.summary import show

    show(analysis, _console())


@main.command()
@FOLDER
@click.argument("result")
@click.argument("product")
@AS_JSON
def explain(folder: Path, result: str, product: str, as_json: bool) -> None:
    """Trace a figure of FOLDER: RESULT (as test.result) of PRODUCT to its formula, runs and reading rows."""
    from evenbench.publish.trace import as_text, trace

    found = trace(_analyse(folder), result, product)
    if as_json:
        _print_json(found)
    else:
        click.echo(as_text(found))


@main.command()
@FOLDER
@click.option("--to", type=click.Path(path_type=Path), help="The page to write; FOLDER/report.html where not given.")
def report(folder: Path, to: Path | None) -> None:
    """Write the report of FOLDER: one HTML page that needs no network."""
    from evenbench.publish.report import write_report

    click.echo(f"wrote {write_report(_analyse(folder), to or folder / 'report.html')}")


def _analyse(folder: Path) -> Analysis:
    from evenbench.analysis import analyse
    from evenbench.record.folder import open_study

    study, readings = open_study(folder)
    return analyse(study, readings)


def _console() -> Console:
    from rich.console import Console

    # A pipe has no width of its own; 110 keeps tables whole in a log.
    return Console(highlight=False, emoji=False, width=None if sys.stdout.isatty() else 110)


def _print_json(value: object) -> None:
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def _mistake(mistake: Any) -> dict[str, Any]:
    at = mistake.at
    return {
        "file": at.file,
        "line": at.line,
        "column": at.column,
        "subject": mistake.subject,
        "given": mistake.given,
        "why": mistake.why,
        "write": mistake.write,
    }
