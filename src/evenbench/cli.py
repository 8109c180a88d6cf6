"""The command line. Heavy imports live inside the commands, so that --help answers at once.

Exit status: 0 done, 1 the study or its data are wrong (the message says where and what to do), 2 wrong usage.
"""

from __future__ import annotations

import errno
import io
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenbench import __version__
from evenbench.measure.errors import Correctable

if TYPE_CHECKING:
    from rich.console import Console

    from evenbench.analysis import Analysis
    from evenbench.study.mistakes import Mistake
    from evenbench.study.model import Study
    from evenbench.study.readings import Readings

FOLDER = click.argument("folder", type=click.Path(readable=False, path_type=Path))
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON for another program to read.")
STOPPED = 130  # what shells report of a program stopped from the keyboard


class _Plain(click.Group):
    """A group that prints what a person can mend as a message, never as a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except Correctable as error:
            _say(str(error), err=True)
            ctx.exit(1)
        except OSError as error:
            if error.errno == errno.EPIPE:  # whoever read the answer has read enough: click ends quietly
                raise
            _say(_why_not_done(error), err=True)
            _forget_output()
            ctx.exit(1)
        except KeyboardInterrupt:
            _say("Stopped.", err=True)
            ctx.exit(STOPPED)


@click.group(cls=_Plain, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="evenbench")
def main() -> None:
    """Rival products on one bench: plan, measure, compare, and tell what may be said.

    FOLDER is a study folder: study.toml with readings/<test>.csv beside it.
    """
    # A console that cannot show a character gets its escape, not a crash.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


@main.command()
@click.argument("folder", type=click.Path(readable=False, path_type=Path), default=Path("proofers_demo"))
def demo(folder: Path) -> None:
    """Copy the demo study to FOLDER, compute it, and write its report.

    FOLDER is proofers_demo where not given. Files that are there already are kept as they are.
    """
    from evenbench.publish.summary import show
    from evenbench.record.folder import study_folder
    from evenbench.record.sheets import copy_demo

    copy_demo(folder)
    analysis = _analyse(folder)
    report = _write_report(analysis, study_folder(folder) / "report.html")
    show(analysis, _console())
    _say(f"\nThe study is in {folder}, the report in {report}. Open the report in a browser.")


@main.command()
@FOLDER
def start(folder: Path) -> None:
    """Make a new study in FOLDER, or the sheets that a study there still lacks.

    Writes study.toml where there is none, then a sheet ready to fill for every test. Overwrites nothing.
    """
    from evenbench.record.sheets import start_folder

    study, written = start_folder(folder)
    for path in written:
        _say(f"wrote {path}")
    if not written:
        _say(f"{folder} has its study and all its sheets already; nothing was written.")
        return
    if any(test.order != "as listed" for test in study.tests):
        _say("Run each test in random order, not from the top of its sheet, and write the order down in the sheet.")
    _say(f"Fill in study.toml and the sheets, then run: evenbench check {folder}")


@main.command()
@FOLDER
@AS_JSON
def check(folder: Path, as_json: bool) -> None:
    """Read FOLDER and report every mistake, with its place and what to write instead."""
    from evenbench.record import check as checking
    from evenbench.record.observations import open_observations

    try:
        study, readings = _open(folder)
        checked = checking.check(study, readings, open_observations(folder, study, readings))
    except Correctable as error:
        if not as_json:
            raise
        _print_json({"sound": False, "mistakes": _mistakes(error), "not_used": [], "doubts": []})
        sys.exit(1)
    if as_json:
        _print_json(checking.as_json(checked))
    else:
        _say(checking.as_text(checked))


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
        _say(as_text(found))


@main.command()
@FOLDER
@click.option("--to", type=click.Path(path_type=Path), help="The page to write; FOLDER/report.html where not given.")
def report(folder: Path, to: Path | None) -> None:
    """Write the report of FOLDER: one HTML page that needs no network."""
    from evenbench.record.folder import study_folder
    from evenbench.study.mistakes import visible

    if to is not None and (wrong := _why_no_page(to)):
        raise click.BadParameter(visible(wrong), param_hint="--to")
    page = to or study_folder(folder) / "report.html"
    _say(f"wrote {_write_report(_analyse(folder), page)}")


def _write_report(analysis: Analysis, page: Path) -> Path:
    from evenbench.publish.report import write_report

    try:
        return write_report(analysis, page)
    except OSError as error:  # it names the file that was to become the page
        raise OSError(error.errno, error.strerror, str(page)) from None


def _why_no_page(path: Path) -> str:
    if path.suffix.lower() not in (".html", ".htm"):  # a study.toml named by mistake would be written over
        return f"{path} is no name for an HTML page, as report.html is."
    if not path.parent.is_dir():
        return f"there is no folder {path.parent}."
    return f"{path} is a folder." if path.is_dir() else ""


def _open(folder: Path) -> tuple[Study, Readings]:
    from evenbench.record.folder import open_study

    return open_study(folder)


def _analyse(folder: Path) -> Analysis:
    from evenbench.record.observations import open_observations

    study, readings = _open(folder)
    observations = open_observations(folder, study, readings)
    from evenbench.analysis import analyse  # after the study: scipy is not loaded to say that it cannot stand

    return analyse(study, readings, observations)


def _console() -> Console:
    from rich.console import Console

    # A pipe has no width of its own; 110 keeps tables whole in a log.
    width = None if sys.stdout is not None and sys.stdout.isatty() else 110
    return Console(file=sys.stdout or io.StringIO(), highlight=False, emoji=False, width=width)


def _say(text: str, *, err: bool = False) -> None:
    """Print a text whose names come from files: what a terminal would obey is shown as its escape."""
    from evenbench.study.mistakes import visible

    # The stream is named, because click would write UTF-8 to one that says it takes ASCII alone.
    click.echo("\n".join(visible(line) for line in text.split("\n")), file=sys.stderr if err else sys.stdout)


def _print_json(value: object) -> None:
    encoding = (getattr(sys.stdout, "encoding", None) or "utf-8").lower().replace("-", "")
    text = json.dumps(value, indent=2, ensure_ascii=encoding != "utf8", allow_nan=False)
    click.echo(text, file=sys.stdout)


def _mistakes(error: Correctable) -> list[dict[str, Any]]:
    from evenbench.record.folder import NoStudy
    from evenbench.study.mistakes import Mistake, Place, StudyError

    if isinstance(error, StudyError):
        return [_mistake(mistake) for mistake in error.mistakes]
    if isinstance(error, NoStudy):
        return [_mistake(Mistake(Place(str(error.folder)), "", "", error.why, error.write))]
    return [_mistake(Mistake(Place(""), "", "", str(error)))]


def _mistake(mistake: Mistake) -> dict[str, Any]:
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


def _why_not_done(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror or error}."


def _forget_output() -> None:
    """Let nothing be written any more: on a full disk Python would try again at its end, and complain."""
    if sys.stdout is sys.__stdout__ and sys.stdout is not None:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
