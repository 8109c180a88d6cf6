"""The pages of the documentation as tests see them: sections, fenced blocks, and commands that can be run."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from evenbench.cli import main

REPOSITORY = Path(__file__).resolve().parents[2]
DOCS = REPOSITORY / "docs"
PAGES = (*sorted(DOCS.glob("*.md")), REPOSITORY / "README.md")

_FENCE = re.compile(r"^(?P<marks>```+)(?P<info>[^\n`]*)\n(?P<body>.*?)^(?P=marks)[ ]*$", re.MULTILINE | re.DOTALL)
_CAPTION = re.compile(r"\A:caption: (?P<caption>[^\n]+)\n\n?")
_HEADING = re.compile(r"^(?P<marks>#{1,4}) (?P<title>.+)$", re.MULTILINE)
# How the pages call the program: from a clone, with uv, and as the commands are named on their own page.
_CALLS = (["python3", "start.py"], ["uv", "run", "evenbench"], ["evenbench"])


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, the file it is said to be (its caption), its text and the line it opens on."""

    language: str
    caption: str
    text: str
    line: int


def blocks(page: Path | str, *languages: str) -> list[Block]:
    """The fenced blocks of a page in order; of the given languages only, where any are given."""
    text = page if isinstance(page, str) else page.read_text(encoding="utf-8")
    found = [_block(match, text) for match in _FENCE.finditer(text)]
    return [block for block in found if not languages or block.language in languages]


def _block(match: re.Match[str], text: str) -> Block:
    info, body = match["info"].strip(), match["body"]
    language = info.removeprefix("{code-block}").strip()
    caption = _CAPTION.match(body) if info.startswith("{code-block}") else None
    return Block(
        language=language,
        caption=caption["caption"] if caption else "",
        text=body[caption.end() :] if caption else body,
        line=text[: match.start()].count("\n") + 1,
    )


def sections(page: Path) -> dict[str, str]:
    """Heading -> the text under it, down to the next heading of any level."""
    text = page.read_text(encoding="utf-8")
    fenced = [match.span() for match in _FENCE.finditer(text)]
    heads = [h for h in _HEADING.finditer(text) if not any(a <= h.start() < b for a, b in fenced)]
    ends = [h.start() for h in heads[1:]] + [len(text)]
    return {h["title"].strip(): text[h.end() : end] for h, end in zip(heads, ends, strict=True)}


def table_rows(text: str) -> list[list[str]]:
    """The cells of every row of the tables in a text, without header and rule."""
    lines = [line.strip() for line in text.splitlines()]
    rows = []
    for before, line in zip(["", *lines], lines, strict=False):
        if line.startswith("|") and not set(line) <= set("|-: ") and before.startswith("|"):
            rows.append([cell.strip().replace(r"\|", "|") for cell in re.split(r"(?<!\\)\|", line.strip("|"))])
    return rows


def said(cell: str) -> list[str]:
    """What stands between backticks in a cell."""
    return re.findall(r"`([^`]+)`", cell)


# ------------------------------------------------------------------------------------------- running commands


@dataclass(frozen=True)
class Command:
    """A command of a console block and the output that the page says it has."""

    words: str
    output: str


def commands(block: Block) -> list[Command]:
    """The commands of a console block: lines that start with `$ `, each with what follows it."""
    before, *parts = re.split(r"^\$ ", block.text, flags=re.MULTILINE)
    assert not before.strip(), f"line {block.line}: a console block starts with a command"
    return [Command(words, output) for words, _, output in (part.partition("\n") for part in parts)]


def mismatch(expected: str, output: str) -> str:
    """Why an output is not the one expected; empty where it is.

    A line `…` stands for any lines, none included; elsewhere `…` stands for the rest of the line.
    """
    pattern = ""
    for line in _trimmed(expected):
        if line.strip() == "…":
            pattern += r"(?:[^\n]*\n)*?"
        else:
            pattern += ".*?".join(re.escape(part) for part in line.split("…")) + r"\n"
    got = "".join(f"{line}\n" for line in _trimmed(output))
    return "" if re.fullmatch(pattern, got) else f"the page says\n\n{expected}\nand the program says\n\n{got}"


def _trimmed(text: str) -> list[str]:
    return [line.rstrip() for line in text.strip("\n").splitlines()]


def run(words: str) -> tuple[str, int]:
    """What a command of the pages prints (both streams) and its exit status, in the current folder."""
    typed = shlex.split(words)
    call = next((call for call in _CALLS if typed[: len(call)] == call), None)
    assert call is not None, f"nothing here can run {words!r}"
    done = CliRunner(env={"COLUMNS": "80", "NO_COLOR": "1", "FORCE_COLOR": None}).invoke(
        main, typed[len(call) :], prog_name="evenbench"
    )
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.output, done.exit_code


def follow(page: Path, folder: Path) -> int:
    """Do what a page says, from top to bottom, in `folder`; how many commands that were.

    A `console` block is run and its output compared. A captioned `diff` block is an edit of that file, any other
    captioned block the whole of it. A command that fails must be followed by `echo $?`.
    """
    count, status = 0, 0
    for block in blocks(page):
        if block.language == "diff" and block.caption:
            edit(folder / block.caption, block.text)
        elif block.caption:
            (folder / block.caption).parent.mkdir(parents=True, exist_ok=True)
            (folder / block.caption).write_text(block.text, encoding="utf-8")
        elif block.language == "console":
            for command in commands(block):
                if command.words == "echo $?":
                    assert command.output.strip() == str(status), f"{page.name}:{block.line}: status is {status}"
                    status = 0
                    continue
                assert status == 0, f"{page.name}:{block.line}: the command before failed, and nothing says so"
                output, status = run(command.words)
                assert not (wrong := mismatch(command.output, output)), (
                    f"{page.name}:{block.line}: {command.words}: {wrong}"
                )
                count += 1
    assert status == 0, f"{page.name}: the last command failed, and nothing says so"
    return count


def edit(path: Path, change: str) -> None:
    """Make the change that a `diff` block shows: each `-` line stands once in the file and becomes the `+` line."""
    text = path.read_text(encoding="utf-8")
    lines = change.splitlines()
    for old, new in zip(lines[::2], lines[1::2], strict=True):
        assert old.startswith("-"), f"{path.name}: {old!r} should start with -"
        assert new.startswith("+"), f"{path.name}: {new!r} should start with +"
        assert text.splitlines().count(old[1:]) == 1, f"{path.name} should have one line {old[1:]!r}"
        text = text.replace(f"{old[1:]}\n", f"{new[1:]}\n")
    path.write_text(text, encoding="utf-8")
