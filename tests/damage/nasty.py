"""Folders made to do harm. Run as a program, it tries each in a process of its own and prints what it took.

Nobody's bench makes these; whoever sends somebody else a study may.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import resource
import signal
import socket
import sys
import tempfile
import time
import traceback
import zipfile
from collections.abc import Callable
from pathlib import Path

from tests.damage.mutations import bases, workbook, zipped

Fill = Callable[[Path], None]
CASES: dict[str, Fill] = {}
LONG = 40.0  # seconds after which a case is stopped that does nothing
WORK = 6  # seconds of work after which a case is stopped
ROOM = 3_000_000_000  # bytes
KIB = 1 if sys.platform == "darwin" else 1024  # in what the system counts memory

SHEET = b"product,run,dry,dry.2,wet,block\n"
SMALL_BOOK = bases()["small_book"]["readings.xlsx"]


def sound(folder: Path) -> None:
    """The small study, whole."""
    for name, data in bases()["small"].items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)


def case(name: str, fill: Fill) -> None:
    """Add a case: the small study, then what `fill` does to it."""
    assert name not in CASES
    CASES[name] = fill


def sheet(name: str, data: Callable[[], bytes], to: str = "readings/shower.csv") -> None:
    """A case that replaces one file."""
    case(name, lambda folder: put(folder / to, data()))


def put(path: Path, data: bytes) -> None:
    """Write a file in place of whatever is there."""
    path.write_bytes(data)


def cell(name: str, text: Callable[[], str]) -> None:
    """A case with one cell in the place of a number."""
    sheet(name, lambda: SHEET + f'untreated,1,"{text()}",9.6,13.4,monday\n'.encode("utf-8", errors="surrogatepass"))


def study(name: str, text: Callable[[], str]) -> None:
    """A case that adds to study.toml."""
    case(
        name, lambda folder: put(folder / "study.toml", (folder / "study.toml").read_bytes() + b"\n" + text().encode())
    )


def keyed(name: str, old: str, new: Callable[[], str]) -> None:
    """A case that changes a part of study.toml."""

    def fill(folder: Path) -> None:
        text = (folder / "study.toml").read_text(encoding="utf-8")
        assert old in text
        put(folder / "study.toml", text.replace(old, new(), 1).encode())

    case(name, fill)


def book(name: str, change: Callable[[dict[str, bytes]], None]) -> None:
    """A case with a workbook whose parts are changed."""

    def fill(folder: Path) -> None:
        with zipfile.ZipFile(io.BytesIO(SMALL_BOOK)) as whole:
            parts = {part: whole.read(part) for part in whole.namelist()}
        change(parts)
        as_book(folder, zipped(parts))

    case(name, fill)


def as_book(folder: Path, data: bytes) -> None:
    """A workbook in place of the sheets."""
    for path in (folder / "readings").iterdir():
        path.unlink()
    put(folder / "readings.xlsx", data)


def replaced(part: str, old: bytes, new: Callable[[], bytes]) -> Callable[[dict[str, bytes]], None]:
    """A change of some bytes in one part."""

    def change(parts: dict[str, bytes]) -> None:
        assert old in parts[part]
        parts[part] = parts[part].replace(old, new(), 1)

    return change


ONE = "xl/worksheets/sheet1.xml"
TEXTS = "xl/sharedStrings.xml"
MANY = 100_000

# ------------------------------------------------------------------------------------------------------------ workbooks

book("zip bomb", lambda parts: parts.update({ONE: b"<worksheet>" + b" " * 200_000_000}))
book("zip bomb in a part nobody asks for", lambda parts: parts.update({"xl/media/x.bin": b"\0" * 200_000_000}))
book("zip bomb of one text", replaced(TEXTS, b"<si>", lambda: b"<si><t>" + b"x" * 100_000_000 + b"</t></si><si>"))
book("many parts", lambda parts: parts.update({f"xl/x{n}.xml": b"" for n in range(20_000)}))
book(
    "entity from a file",
    replaced(TEXTS, b"?>", lambda: b'?><!DOCTYPE s [<!ENTITY x SYSTEM "file:///etc/hostname">]>'),
)
book(
    "entities a billion deep",
    replaced(
        TEXTS,
        b"?>",
        lambda: (
            b'?><!DOCTYPE s [<!ENTITY a0 "ha">'
            + b"".join(b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 11))
            + b"]>"
        ),
    ),
)
book("entity used", replaced(TEXTS, b"product", lambda: b"&a10;"))
book("sheet name that leaves the folder", replaced("xl/workbook.xml", b'"shower"', lambda: b'"../../etc/shower"'))
book("part that leaves the folder", lambda parts: parts.update({"../../../../tmp/x.xml": b"x"}))
book(
    "link that leaves the workbook",
    replaced("xl/_rels/workbook.xml.rels", b"worksheets/sheet1.xml", lambda: b"../../../../etc/passwd"),
)
book(
    "link to a network",
    replaced(
        "xl/_rels/workbook.xml.rels",
        b'Target="worksheets/sheet1.xml"',
        lambda: b'TargetMode="External" Target="http://192.0.2.1/x.xml"',
    ),
)
book("cell in the last corner", replaced(ONE, b'r="A2"', lambda: b'r="XFD1048576"'))
book("row beyond the last", replaced(ONE, b'<row r="2"', lambda: b'<row r="99999999999999999999"'))
book("column beyond the last", replaced(ONE, b'r="A2"', lambda: b'r="ZZZZZZZZZZZZ2"'))
book("text that is not there", replaced(ONE, b"<v>0</v>", lambda: b"<v>99999999999999999999</v>"))
book("text before the first", replaced(ONE, b"<v>0</v>", lambda: b"<v>-1</v>"))
book("a million empty rows", replaced(ONE, b"</sheetData>", lambda: b"<row/>" * 1_000_000 + b"</sheetData>"))
book("elements without end", replaced(ONE, b"<sheetData>", lambda: b"<a>" * 300_000))
book("elements deep", replaced(ONE, b"<sheetData>", lambda: b"<a>" * MANY + b"</a>" * MANY + b"<sheetData>"))
book("formula that calls a program", replaced(ONE, b"<v>", lambda: b"<f>cmd|' /C calc'!A0</f><v>"))
book(
    "many attributes", replaced(ONE, b"<row ", lambda: b"<row " + b" ".join(b'a%d="1"' % n for n in range(MANY)) + b" ")
)
case("a zip in the zip", lambda folder: as_book(folder, zipped({"a.zip": SMALL_BOOK})))
case(
    "a workbook said to be locked",
    lambda folder: as_book(folder, SMALL_BOOK.replace(b"PK\x03\x04\x14\0\0\0", b"PK\x03\x04\x14\0\1\0")),
)
case("a workbook cut short", lambda folder: as_book(folder, SMALL_BOOK[: len(SMALL_BOOK) // 2]))
case("a workbook of wide sheets", lambda folder: as_book(folder, workbook({"shower": [["product"] * 15_000]})))

# ----------------------------------------------------------------------------------------------------------- CSV sheets

sheet("a million columns", lambda: b"product," * 1_000_000)
sheet("a million empty rows of a sheet", lambda: SHEET + b",,,,,\n" * 1_000_000)
sheet("a million blank lines", lambda: SHEET + b"\n" * 1_000_000)
sheet("a row of a million cells", lambda: SHEET + b"1," * 1_000_000)
sheet("a quote never closed", lambda: SHEET + b'untreated,1,"' + b"9,\n" * 1_000_000)
sheet("a million quotes", lambda: SHEET + b'"' * 1_000_001)
sheet("rows of nobody", lambda: SHEET + b"x,1,2,3,4,monday\n" * 190_000)
sheet("rows of one run", lambda: SHEET + b"untreated,1,2,3,4,monday\n" * 190_000)
sheet("nothing but NUL", lambda: b"\0" * 5_000_000)
sheet("bytes of no encoding", lambda: bytes(range(256)) * 10_000)
sheet("more bytes than are read", lambda: SHEET + b"x" * 20_000_001)
sheet("observations without end", lambda: b"test,words\n" + b"shower,x\n" * 200_000, "observations.csv")
cell("a cell of a megabyte", lambda: "x" * 1_000_000)
cell("a number of many digits", lambda: "9" * MANY)
cell("a fraction of many digits", lambda: "0." + "3" * MANY)
cell("zeros before the point", lambda: "0" * MANY + "9.6")
cell("an exponent beyond all", lambda: "1e999999999")
cell("an exponent below all", lambda: "~1e-999999999")
cell("about many digits", lambda: "~" + "9" * MANY)
cell("an interval of exponents", lambda: "1e-99999999..1e99999999")
cell("a clock of many hours", lambda: "9" * MANY + ":00:00")
cell("points without end", lambda: "." * 1_000_000)
cell("groups without end", lambda: "1" + ",234" * MANY)
cell("groups that fail at the end", lambda: "1" + "'234" * MANY + "x")
cell("spaces without end", lambda: "9" + " " * 1_000_000 + "6")
cell("signs without end", lambda: "<" * MANY + "5")
cell("units without end", lambda: "5 " + "g/" * MANY)
cell("a formula that calls a program", lambda: "=cmd|' /C calc'!A0")
cell("text of both directions", lambda: "\u202e9.6\u2066abc\u2069\u202c")
cell("marks upon marks", lambda: "9" + "\u0301" * MANY)
cell("what a terminal obeys", lambda: "\x1b]0;x\x07\x1b[2J9.6")

# ----------------------------------------------------------------------------------------------------------- study.toml

study("arrays in arrays", lambda: "x = " + "[" * MANY + "]" * MANY)
study("arrays never closed", lambda: "x = " + "[" * MANY)
study("tables in tables", lambda: "x = " + "{a=" * 1_500 + "1" + "}" * 1_500)
study("keys within keys", lambda: "a" + ".a" * 2_000 + " = 1")
study("headers within headers", lambda: "[a" + ".a" * 2_000 + "]")
study("many keys", lambda: "\n".join(f"k{n} = 1" for n in range(60_000)))
study("many tables", lambda: "\n".join(f"[tests.k{n}]" for n in range(40_000)))
study("many products", lambda: "\n".join(f'[products.k{n}]\nname = "K{n}"' for n in range(20_000)))
study("many tables of one name", lambda: "[[x]]\n" * 100_000)
study("one long line", lambda: 'x = "' + "y" * 900_000 + '"')
study("a whole number of many digits", lambda: "x = " + "9" * 4_900)
study("a day that is none", lambda: "x = 9999-99-99")
study("a text never closed", lambda: 'x = """' + "y\n" * 100_000)
study("escapes without end", lambda: 'x = "' + "\\u0041" * 800 + '"')
study("backslashes", lambda: ("x = '''" + "\\" * 4_000 + "\n") * 100)
sheet("a study of nothing but brackets", lambda: b"[" * 990_000, "study.toml")
sheet("a study of a gigabyte's promise", lambda: b"x" * 1_000_001, "study.toml")
keyed("repeats beyond counting", "repeats = 2", lambda: "repeats = 999999999")
keyed("runs beyond counting", "replicates = 2", lambda: "replicates = 999999999999")
keyed("lanes beyond counting", 'blocks     = "day"', lambda: 'blocks = "day"\nlanes = 999999999')
keyed("a formula in a formula", "(wet - dry) / dry", lambda: "(" * 240 + "wet" + ")" * 240)
keyed("powers of powers", "(wet - dry) / dry", lambda: "wet^9^9^9^9^9^9 / wet")
keyed("signs of signs", "(wet - dry) / dry", lambda: "-" * 490 + "wet")
keyed("a name of both directions", "Ostrel Spray", lambda: "\u202eyarpS lertsO\u2066")
keyed("a unit that never ends", 'matters = "5 points"', lambda: 'matters = "5 ' + "g/" * 2_000 + '"')
keyed("an amount beyond all", '"300 mL"', lambda: '"1e999999999 mL"')
keyed("levels without end", "readings.wet   = {", lambda: "readings.wet = { levels = [" + '"a",' * 900 + "],")


# ----------------------------------------------------------------------------------------------------------- the folder


def instead(path: str, make: Callable[[Path], object]) -> Fill:
    """Something else in the place of a file."""

    def fill(folder: Path) -> None:
        if path == "readings.xlsx":
            as_book(folder, b"")
        (folder / path).unlink(missing_ok=True)
        make(folder / path)

    return fill


def a_socket(path: Path) -> None:
    """A socket with a short way to it."""
    here = Path.cwd()
    os.chdir(path.parent)
    try:
        with socket.socket(socket.AF_UNIX) as one:
            one.bind(path.name)
    finally:
        os.chdir(here)


def sparse(path: Path) -> None:
    """A file of ten gigabytes that holds nothing."""
    with path.open("wb") as file:
        file.truncate(10**10)


def crowd(folder: Path) -> None:
    """Very many sheets."""
    for n in range(5_000):
        put(folder / "readings" / f"x{n}.csv", b"product\n")


CSV = "readings/shower.csv"
case("a pipe for a sheet", instead(CSV, os.mkfifo))
case("a pipe for the study", instead("study.toml", os.mkfifo))
case("a pipe for a workbook", instead("readings.xlsx", os.mkfifo))
case("a pipe for observations", instead("observations.csv", os.mkfifo))
case("a socket for a sheet", instead(CSV, a_socket))
case("zeros without end", instead(CSV, lambda path: path.symlink_to("/dev/zero")))
case("a study of zeros without end", instead("study.toml", lambda path: path.symlink_to("/dev/zero")))
case("a sheet that is nothing", instead(CSV, lambda path: path.symlink_to("/dev/null")))
case("a link to itself", instead(CSV, lambda path: path.symlink_to(path.name)))
case("a link to nothing", instead(CSV, lambda path: path.symlink_to("nowhere")))
case("a link to what is not a sheet", instead(CSV, lambda path: path.symlink_to("/etc/passwd")))
case("a folder for a sheet", instead(CSV, Path.mkdir))
case("a folder for the study", instead("study.toml", Path.mkdir))
case("a folder for a workbook", instead("readings.xlsx", Path.mkdir))
case("a folder in itself", instead("readings/readings", lambda path: path.symlink_to("..")))
case("a sparse sheet", instead(CSV, sparse))
case("a sparse study", instead("study.toml", sparse))
case("a sparse workbook", instead("readings.xlsx", sparse))
case("a crowd of sheets", crowd)
case("a name that a terminal obeys", lambda folder: put(folder / "readings" / "\x1b[2J\n.csv", SHEET))
case(
    "a name of no encoding",
    lambda folder: put(Path(os.fsdecode(os.fsencode(folder / "readings") + b"/\xff\xfe.csv")), SHEET),
)
case("a name of both directions for a sheet", lambda folder: put(folder / "readings" / "\u202evsc.csv", SHEET))


# -------------------------------------------------------------------------------------------------------- trying them


def tried_alone(folder: Path) -> dict[str, object]:
    """Run the command in a forked process: its exit status, what it printed, its seconds of work and its memory."""
    said = folder.parent / "said"
    sys.stdout.flush()
    child = os.fork()
    if not child:
        _child(folder, said)
    began = time.monotonic()
    done, status, used = os.wait4(child, os.WNOHANG)
    while not done:
        if time.monotonic() - began > LONG:  # it waits for something: a pipe, say
            os.kill(child, signal.SIGKILL)
        time.sleep(0.002)
        done, status, used = os.wait4(child, os.WNOHANG)
    text = said.read_text(encoding="utf-8", errors="replace") if said.exists() else ""
    seconds = used.ru_utime + used.ru_stime
    return {"exit": os.waitstatus_to_exitcode(status), "said": text, "seconds": seconds, "memory": used.ru_maxrss * KIB}


def _child(folder: Path, said: Path) -> None:
    status = 99
    try:
        out = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1)
        os.dup2(out, 2)
        resource.setrlimit(resource.RLIMIT_AS, (ROOM, ROOM))
        resource.setrlimit(resource.RLIMIT_CPU, (WORK, WORK))
        from evenbench.cli import main

        sys.stdout = io.TextIOWrapper(os.fdopen(1, "wb", 0), encoding="utf-8", write_through=True)
        sys.stderr = sys.stdout
        try:
            main(["check", str(folder)], prog_name="evenbench")
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 0
    except BaseException:  # noqa: BLE001 - whatever comes is what the test asks for
        traceback.print_exc()
    finally:
        os._exit(status)


def run() -> None:
    """Try all cases and print them as JSON, a line each."""
    import evenbench.analysis  # noqa: F401 - imports are not the cases'
    from evenbench.cli import main

    with tempfile.TemporaryDirectory() as top:
        warm = Path(top) / "warm"
        warm.mkdir()
        sound(warm)
        with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
            main(["results", str(warm)])
        wanted = sys.argv[1:] or list(CASES)
        for n, name in enumerate(wanted):
            folder = Path(top) / str(n) / "study"
            folder.mkdir(parents=True)
            sound(folder)
            CASES[name](folder)
            found = {"name": name} | tried_alone(folder)
            found["said"] = str(found["said"])[:3_000]
            print(json.dumps(found), flush=True)  # noqa: T201


if __name__ == "__main__":
    run()
