"""Ways to damage a study folder: bytes, lines, cells, columns, study.toml, and workbooks from the inside."""

from __future__ import annotations

import csv
import io
import random
import re
import tomllib
import zipfile
from collections.abc import Callable, Mapping
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from tests.strategies import damaged, paths, to_toml

ROOT = Path(__file__).parents[2]
Files = Mapping[str, bytes]
Table = list[list[str]]

# ------------------------------------------------------------------------------------------------------------- bases

KINDS_STUDY = """format = 1
[study]
id = "kinds"
title = "Every kind of reading"
[instruments]
scale = { resolution = "0.01 g", offset = "0.02 g", range = "0 g to 5000 g" }
watch = { resolution = "0.1 s", range = "0 s to 600 s" }
[products.untreated]
name = "Worn cloth"
role = "control"
[products.ostrel]
name = "Ostrel Spray"
[products.garvel]
name = "Garvel Soap"
[tests.race]
title  = "Four under one shower"
blocks = "round"
lanes  = 4
readings.finish = { place_in = "round" }
readings.grade  = { levels = ["0", "50", "70", "80", "90", "100"] }
readings.look   = { kind = "category", levels = ["clear", "patchy", "grey"] }
readings.runoff = { kind = "time", unit = "s", instrument = "watch" }
readings.soak   = { kind = "time", unit = "min", limit = "2 h" }
readings.leaked = { kind = "yes or no" }
readings.seen   = { kind = "text" }
results.rating  = { formula = "grade", better = "higher", kind = "benefit" }
results.order   = { formula = "finish", better = "lower", kind = "benefit" }
results.pace    = { formula = "1 / runoff", unit = "1/min", kind = "info" }
results.film    = { formula = "look", kind = "info" }
[tests.mass]
title  = "Weighed wet and dry"
blocks = "day"
readings.dry    = { unit = "g", instrument = "scale", of = "specimen", repeats = 2 }
readings.wet    = { unit = "g", instrument = "scale", repeats = 2 }
readings.share  = { unit = "%" }
readings.air    = { unit = "degC", of = "block" }
readings.tare   = { unit = "g", of = "test" }
readings.pack   = { unit = "g", of = "product" }
results.share_of = { formula = "share", unit = "%", kind = "info" }
[tests.mass.results.uptake]
formula = "(wet - dry) / (dry - tare)"
unit    = "%"
better  = "lower"
kind    = "benefit"
matters = "5 points"
"""
RACE = """product,run,round,lane,finish,grade,look,runoff,soak,leaked,seen
untreated,1,1,1,3,50,grey,2:05,62.1,yes,drips
ostrel,1,1,2,1,90,clear,61.4,45,no,"clear, at first"
garvel,1,1,3,2,80,patchy,>500,~40,no,
untreated,2,2,3,2,70,grey,118.2,61.5,yes,
ostrel,2,2,1,1,100,clear,did not finish,did not finish,no,pearls
garvel,2,2,2,3,70,Patchy,1:12.5,30..40,No,
untreated,3,3,2,did not finish,0,grey,99,62,yes,
ostrel,3,3,3,1,90,clear,55.0,44.5,no,
garvel,3,3,1,1,80,clear,,..50,no,
"""
MASS = """product,run,specimen,block,dry,dry.2,wet,wet.2,share,air,tare,pack
untreated,1,A1,monday,1009.61,1009.62,1513.42,1513.4,12.5,20.5,0.25,310.5
untreated,2,A1,monday,,,1513.31,1513.3,13.25,,,
ostrel,1,B1,monday,974.5,974.25,1090.9,1090.9,4.125,20.5,,250.5
ostrel,2,B2,tuesday,954.75,954.5,1100.5,1102.5,5.5,21.5,,
garvel,1,C1,monday,966.5,965.5,1302.5,1305.5,11.5,,0.25,410.25
garvel,2,C1,tuesday,,,1320.5,1319.5,10.75,21.5,,410.25
"""


@cache
def bases() -> dict[str, dict[str, bytes]]:
    """The undamaged studies, by name, each as its files."""
    kinds = {"study.toml": KINDS_STUDY.encode(), "readings/race.csv": RACE.encode(), "readings/mass.csv": MASS.encode()}
    small = folder_files(ROOT / "tests" / "example")
    found = {
        "small": small,
        "blocks": folder_files(ROOT / "examples" / "blocks"),
        "many_to_one": folder_files(ROOT / "examples" / "many_to_one"),
        "hurried": folder_files(ROOT / "examples" / "proofers_hurried"),
        "kinds": kinds,
        "kinds_semicolons": _in_dialect(kinds, ";", ","),
        "kinds_tabs": _in_dialect(kinds, "\t", ","),
        "small_long": _as_long(small),
        "kinds_long": _as_long(kinds),
        "small_book": _as_book(small),
        "kinds_book": _as_book(kinds),
        "small_long_book": _as_book(_as_long(small)),
        "demo": folder_files(ROOT / "src" / "evenbench" / "demo"),
    }
    found["observed"] = small | {
        "observations.csv": b"test,product,run,specimen,block,tag,words,clip,changed,at,by\n"
        b'shower,garvel,1,,,drip,"a drip, lower edge",media/a.mp4,no,2026-03-09,M\nshower,,,,,,descaled,,yes,,\n'
    }
    return found


OFTEN = ("small", "kinds", "kinds_semicolons", "small_long", "blocks", "many_to_one")
SELDOM = ("kinds_tabs", "kinds_long", "small_book", "kinds_book", "small_long_book", "observed", "hurried")


def folder_files(folder: Path) -> dict[str, bytes]:
    """The study and its sheets, by path within the folder."""
    names = [folder / "study.toml", folder / "readings.csv", *sorted((folder / "readings").glob("*.csv"))]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in names if path.exists()}


def table_of(data: bytes) -> tuple[Table, str]:
    """A sound sheet as cells, and what parts them."""
    text = data.decode("utf-8-sig")
    first = text.partition("\n")[0]
    separator = "\t" if "\t" in first else ";" if ";" in first else ","
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator)), separator


def written(table: Table, separator: str, end: str = "\n", quoting: int = csv.QUOTE_MINIMAL) -> bytes:
    """Cells as a CSV file."""
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=separator, lineterminator=end, quoting=quoting).writerows(table)  # type: ignore[arg-type]
    return out.getvalue().encode("utf-8", errors="surrogatepass")


NUMBER = re.compile(r"[0-9]+\.[0-9]+")


def _in_dialect(files: Files, separator: str, mark: str) -> dict[str, bytes]:
    found = dict(files)
    for name in _sheets(files):
        table, _ = table_of(files[name])
        header, *rows = table
        rows = [[_marked(cell, mark) for cell in row] for row in rows]
        found[name] = written([header, *rows], separator)
    return found


def _marked(cell: str, mark: str) -> str:
    return NUMBER.sub(lambda number: number[0].replace(".", mark), cell) if ".." not in cell else cell


def _sheets(files: Files) -> list[str]:
    return [name for name in files if name.endswith(".csv") and not name.startswith("observations")]


PLACES = ("product", "run", "specimen", "block", "round", "lane", "order", "note")


def _as_long(files: Files) -> dict[str, bytes]:
    study = tomllib.loads(files["study.toml"].decode())
    lines = [["test", *PLACES, "reading", "repeat", "value", "unit"]]
    for name in _sheets(files):
        test = Path(name).stem
        (header, *rows), _ = table_of(files[name])
        for row in rows:
            cells = dict(zip(header, row, strict=False))
            for column, cell in cells.items():
                reading, _, repeat = column.partition(".")
                if reading in study["tests"][test]["readings"] and cell:
                    given = study["tests"][test]["readings"][reading]
                    shared = given.get("of", "run")
                    of = PLACES if shared == "run" else (shared,)
                    places = [cells.get(place, "") if place in of else "" for place in PLACES]
                    line = [test, *places, reading, repeat or "1", cell, given.get("unit", "")]
                    if line not in lines:
                        lines.append(line)
    return {"study.toml": files["study.toml"], "readings.csv": written(lines, ",")}


# --------------------------------------------------------------------------------------------------------- workbooks

HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
STYLES = (
    f'{HEAD}<styleSheet xmlns="{MAIN}"><numFmts count="1"><numFmt numFmtId="164" formatCode="0.00%"/></numFmts>'
    '<fonts count="1"><font/></fonts><fills count="1"><fill/></fills><borders count="1"><border/></borders>'
    '<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="5"><xf numFmtId="0"/><xf numFmtId="164"/>'
    '<xf numFmtId="14"/><xf numFmtId="2"/><xf numFmtId="49"/></cellXfs></styleSheet>'
)


def workbook(sheets: Mapping[str, Table], random_: random.Random | None = None) -> bytes:
    """A small workbook, written part by part, in some of the ways in which spreadsheets do."""
    shared: list[str] = []
    parts = {
        "[Content_Types].xml": f'{HEAD}<Types xmlns="{PACKAGE}/content-types"><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" '
        'ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.'
        'openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
        "_rels/.rels": f'{HEAD}<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="rId1" '
        f'Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/styles.xml": STYLES,
    }
    names = "".join(f'<sheet name={quoteattr(n)} sheetId="{i}" r:id="rId{i}"/>' for i, n in enumerate(sheets, 1))
    parts["xl/workbook.xml"] = f'{HEAD}<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets>{names}</sheets></workbook>'
    links = [(f"rId{i}", "worksheet", f"worksheets/sheet{i}.xml") for i in range(1, len(sheets) + 1)]
    links += [("rId98", "styles", "styles.xml"), ("rId99", "sharedStrings", "sharedStrings.xml")]
    parts["xl/_rels/workbook.xml.rels"] = (
        f'{HEAD}<Relationships xmlns="{PACKAGE}/relationships">'
        + "".join(f'<Relationship Id="{i}" Type="{OFFICE}/{t}" Target="{target}"/>' for i, t, target in links)
        + "</Relationships>"
    )
    for i, table in enumerate(sheets.values(), 1):
        rows = "".join(
            f'<row r="{r}">{"".join(_xml_cell(r, c, cell, shared, random_) for c, cell in enumerate(row))}</row>'
            for r, row in enumerate(table, 1)
        )
        parts[f"xl/worksheets/sheet{i}.xml"] = (
            f'{HEAD}<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData></worksheet>'
        )
    texts = "".join(f'<si><t xml:space="preserve">{escape(_allowed(text))}</t></si>' for text in shared)
    parts["xl/sharedStrings.xml"] = f'{HEAD}<sst xmlns="{MAIN}" count="{len(shared)}">{texts}</sst>'
    return zipped({name: text.encode("utf-8", errors="replace") for name, text in parts.items()})


def _allowed(text: str) -> str:
    return re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]", "\ufffd", text)


def zipped(parts: Mapping[str, bytes]) -> bytes:
    """Parts as a zip file, with times that never change."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        for name, data in parts.items():
            book.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _xml_cell(row: int, column: int, cell: str, shared: list[str], random_: random.Random | None) -> str:
    if not cell:
        return ""
    at = f'r="{_letters(column)}{row}"'
    way = random_.random() if random_ else 0.5
    if re.fullmatch(r"-?[0-9]{1,12}(\.[0-9]{1,8})?", cell):
        if way < 0.02:
            return f'<c {at} s="1"><v>{float(cell) / 100!r}</v></c>'
        if way < 0.03:
            return f'<c {at} s="2"><v>{cell}</v></c>'
        if way < 0.08:
            return f"<c {at}><f>A1+1</f><v>{cell}</v></c>"
        if way < 0.1:
            return f'<c {at} t="str"><f>"{cell}"</f><v>{cell}</v></c>'
        if way < 0.11:
            return f'<c {at} t="e"><v>#DIV/0!</v></c>'
        if way < 0.12:
            return f'<c {at} t="b"><v>1</v></c>'
        if way < 0.13:
            return f"<c {at}><f>A1</f></c>"
        if way < 0.93:
            return f'<c {at} s="{3 if way > 0.7 else 0}"><v>{cell}</v></c>'
    if way < 0.6:
        shared.append(cell)
        return f'<c {at} t="s"><v>{len(shared) - 1}</v></c>'
    return f'<c {at} t="inlineStr"><is><t xml:space="preserve">{escape(_allowed(cell))}</t></is></c>'


def _letters(column: int) -> str:
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def _as_book(files: Files, random_: random.Random | None = None) -> dict[str, bytes]:
    sheets = {Path(name).stem: table_of(files[name])[0] for name in _sheets(files)}
    return {"study.toml": files["study.toml"], "readings.xlsx": workbook(sheets, random_)}


# ------------------------------------------------------------------------------------------------------------- bytes

BYTES = (
    *(b"\0", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\xc3", b"\xe2\x80\xae", b"\xed\xa0\x80", b"\x1a", b"\x1b[2J"),
    *(b"\r", b"\n", b"\r\n", b'"', b'""', b"'", b",", b";", b"\t", b"=", b"#", b"\\", b"\x0b", b"\x0c", b"\xc2\x85"),
    *(b"\xe2\x80\xa8", b"\xc2\xa0", b"0", b"9" * 40, b".", b"-", b"1e5", b" ", b"\xc2\xad", b"\xe2\x80\x8b"),
)


def _bytes(data: bytes, random_: random.Random) -> bytes:
    if not data:
        return random_.choice(BYTES)
    at = random_.randrange(len(data))
    to = min(len(data), at + random_.choice((1, 1, 2, 5, 40)))
    way = random_.randrange(9)
    if way == 0:
        return data[:at] + bytes([data[at] ^ 1 << random_.randrange(8)]) + data[at + 1 :]
    if way == 1:
        return data[:at] + bytes([random_.randrange(256)]) + data[at + 1 :]
    if way == 2:
        return data[:at] + data[to:]
    if way == 3:
        return data[:at] + random_.choice(BYTES) + data[at:]
    if way == 4:
        return data[:at] + data[at:to] * random_.choice((2, 2, 3, 50)) + data[to:]
    if way == 5:
        return data[:at]
    if way == 6:
        return data[:at] + b"\0" * (to - at) + data[to:]
    if way == 7:
        other = random_.randrange(len(data))
        return data[:at] + data[other : other + to - at] + data[to:]
    return data[: at + 1] + data[at : at + 1] + data[at + 1 :]


def _saved(data: bytes, random_: random.Random) -> bytes:
    """Saved in another way: line ends, marks of byte order, encodings, spaces."""
    text = data.decode("utf-8", errors="replace")
    return random_.choice(
        (
            lambda: b"\xef\xbb\xbf" + data,
            lambda: b"\xef\xbb\xbf" * 2 + data,
            lambda: text.replace("\n", "\r\n").encode(),
            lambda: text.replace("\n", "\r").encode(),
            lambda: text.replace("\n", "\n\n").encode(),
            lambda: text.replace("\n", "\r\r\n").encode(),
            lambda: text.replace("\n", "\u2028").encode(),
            lambda: text.replace("\n", " \n").encode(),
            lambda: text.replace("\n", ",\n").encode(),
            lambda: text.replace(",", " , ").encode(),
            lambda: text.encode("utf-16"),
            lambda: text.encode("utf-16-le"),
            lambda: text.encode("latin-1", errors="replace"),
            lambda: text.rstrip("\n").encode(),
            ("\n\n" + text).encode,
            (text + "\x1a").encode,
            (text + "\n" * 50).encode,
            ("sep=" + random_.choice(",;\t|") + "\n" + text).encode,
            ("\ufeffsep=;\r\n" + text.replace(",", ";")).encode,
            lambda: text.replace(",", ";").encode(),
            lambda: text.replace(",", "\t").encode(),
            lambda: text.replace(",", "|").encode(),
            lambda: text.upper().encode(),
            lambda: b"",
        )
    )()


# ------------------------------------------------------------------------------------------------------------- cells

CELLS = (
    *("", " ", "\u00a0", "-", "--", "n/a", "NA", "nan", "NaN", "inf", "-inf", "Infinity", "1e999", "1e-400", "1e31"),
    *("1e30", "1e-30", "-0", "0", "+5", "-5", "\u22125", "–5", "- 5", "(5)", "5-", "1_000", "0x10", "1e5", "1E5"),
    *("12,4", "1,234", "1.234", "1,234.5", "1.234,5", "1 234", "1 234,5", "1'234", "1’234.5", "1\u202f234,5", "1.2.3"),
    *(
        "1,2,3",
        "1,,2",
        ".5",
        "5.",
        ",5",
        "5,",
        "0,234",
        "0.234",
        "00.5",
        "1,234,567",
        "1.234.567",
        "12,3456",
        "1234,567",
    ),
    *("<0.5", ">100", "<0,5", "< 5", "~570", "~5.60", "~1200", "~", "<", ">", "570..580", "580..570", "..724", "724.."),
    *("570 .. 580", "1...2", "..", "5..5", "-5..5", "1,5..2,5", "<1..2", "<<5", "~<5", "≤5", "≥5", "±5", "5±1", "≈5"),
    *("2:05", "1:02:05.5", "2:75", "0:00", "-1:00", "1:2", "99:59:59", "1:02,5", "12:30 PM", "::", "1:", ":5", "<2:05"),
    *("did not finish", "Did Not Finish", "DNF", "did not  finish", "yes", "NO", "y", "true", "ja", "1.0", "2.0", "01"),
    *("12.4 g", "12.4g", "12.4 kg", "12,4 g", "12.4 %", "12.4 s", "5 min", "$5", "5 EUR", "12.4 g g", "5e g", "5 e3"),
    *("=1+1", "=SUM(A1:A9)", "@x", "+1+1", "=cmd|' /C x'!A0", "#REF!", "#DIV/0!", "2026-05-03", "3-May", "03. Mai"),
    *("１２", "١٢", "१२", "1²", "½", "Ⅻ", "①", "5\u200b", "\u202e5", "5\u0301", "5\u00ad", "\ufeff5", "5\ud800", "1٫5"),
    *("9" * 25, "9" * 400, "0." + "0" * 500 + "1", "0" * 300 + "5", "x" * 3000, "1" + "0" * 30, "1" + "0" * 31),
    *("Total", "mean", "untreated", "ostrel", "A1", "monday", "clear", "Clear", "CLEAR ", "patchy", "grey", "50", "4"),
    *("a\nb", "a\r\nb", '"', '""', '"5"', "'5", "5\t", "\x1b[31m5", "\x00", "5;6", "5|6", "[5]", "{{5}}", "<b>5</b>"),
)


def _cell(table: Table, random_: random.Random) -> Table:
    row = random_.choice(table[1:] or table)
    if row:
        row[random_.randrange(len(row))] = random_.choice(CELLS)
    return table


def _digits(table: Table, random_: random.Random) -> Table:
    """Another number in a cell, or its mark moved, lost or doubled."""
    numbers = [(r, c) for r, row in enumerate(table[1:], 1) for c, cell in enumerate(row) if re.search("[0-9]", cell)]
    if not numbers:
        return table
    r, c = random_.choice(numbers)
    cell = table[r][c]
    at = random_.randrange(len(cell) + 1)
    table[r][c] = random_.choice(
        (
            cell[:at] + random_.choice("0123456789.,:-eE <>~'+%g\u00a0\u202f") + cell[at:],
            cell[:at] + cell[at + 1 :],
            cell.replace(".", ","),
            cell.replace(",", "."),
            cell + random_.choice((" g", "g", " s", " %", " kg", " degC", " min", "0", "00", ".", ",")),
            random_.choice(("<", ">", "~", "..", "-", "+", "\u2212", "=")) + cell,
            f"{cell}..{cell}9",
            f"{cell[:1]} {cell[1:]}",
            f"{random_.uniform(0, 3000):.{random_.randrange(5)}f}",
            f"{random_.uniform(0, 3000):.{random_.randrange(4)}f}".replace(".", ","),
            f"{random_.uniform(1000, 3e6):,.{random_.randrange(4)}f}",
            f"{random_.uniform(1000, 3e6):,.2f}".replace(",", "\u202f").replace(".", ","),
        )
    )
    return table


def _rows(table: Table, random_: random.Random) -> Table:  # noqa: PLR0912 - one branch for each damage
    """Rows lost, doubled, swapped, shifted, summed up or cut short."""
    header, rows = table[0], table[1:]
    if not rows:
        return table
    at, to = random_.randrange(len(rows)), random_.randrange(len(rows))
    way = random_.randrange(13)
    if way == 0:
        del rows[at]
    elif way == 1:
        rows.insert(to, list(rows[at]))
    elif way == 2:
        rows[at], rows[to] = rows[to], rows[at]
    elif way == 3:
        rows.append(["Total", *(["99.5"] * (len(header) - 1))])
    elif way == 4:
        rows.append(["", *(["99.5"] * (len(header) - 1))])
    elif way == 5:
        rows.insert(at, [])
    elif way == 6:
        rows.insert(at, [""] * len(header))
    elif way == 7:
        rows[at] = ["", *rows[at]]
    elif way == 8:
        rows[at] = rows[at][: random_.randrange(len(rows[at]) + 1)]
    elif way == 9:
        rows[at] = [*rows[at], *random_.choice((["", ""], ["x"], ["5", "6"]))]
    elif way == 10:
        rows.insert(random_.randrange(2), list(header))
    elif way == 11:
        random_.shuffle(rows)
    else:
        return [["Shower, March"], *table]
    return [header, *rows]


def _columns(table: Table, random_: random.Random) -> Table:  # noqa: PLR0912 - one branch for each damage
    """Columns lost, doubled, swapped, renamed, with units in their headers, or headers merged."""
    width = len(table[0])
    if width < 2:
        return table
    at, to = random_.randrange(width), random_.randrange(width)
    way = random_.randrange(11)
    full = [row + [""] * (width - len(row)) for row in table]
    if way == 0:
        return [row[:at] + row[at + 1 :] for row in full]
    if way == 1:
        return [[*row[:to], row[at], *row[to:]] for row in full]
    if way == 2:
        for row in full:
            row[at], row[to] = row[to], row[at]
    elif way == 3:
        full[0][at], full[0][to] = full[0][to], full[0][at]
    elif way == 4:
        unit = random_.choice(("g", "g", "g", "s", "min", "%", "kg", "degC", "", "G", "count"))
        full[0][at] += random_.choice((f" ({unit})", f" [{unit}]", f", {unit}", f" {unit}", f"({unit})"))
    elif way == 5:
        full[0][at] = random_.choice(("", full[0][at].upper(), full[0][at].title(), full[0][at] + "s", "x", "note"))
    elif way == 6:
        full[0][at] += random_.choice((".1", ".2", ".3", ".0", ".02", ".99", " 2", ".-1", "."))
    elif way == 7:
        return [[*row[:at], random_.choice(CELLS), *row[at:]] for row in full]
    elif way == 8:
        for row in full[1:]:
            row[at] = _marked(row[at], ",")
    elif way == 9:
        for row in full[1:]:
            row[at] = random_.choice(CELLS) if random_.random() < 0.3 else row[at]
    else:
        return [list(row) for row in zip(*full, strict=False)]
    return full


def _dialect(table: Table, random_: random.Random) -> Table:
    """All numbers with commas, or with thousands parted."""
    way = random_.randrange(3)

    def other(cell: str) -> str:
        if not re.fullmatch(r"[0-9]+(\.[0-9]+)?", cell):
            return _marked(cell, ",") if way != 1 else cell
        if way == 0:
            return cell.replace(".", ",")
        parted = f"{float(cell):,.{len(cell.partition('.')[2])}f}" if len(cell) < 15 else cell
        return parted if way == 1 else parted.translate(str.maketrans(",.", ".,"))

    return [table[0], *([other(cell) for cell in row] for row in table[1:])]


TABLE_WAYS = (_cell, _cell, _digits, _digits, _digits, _rows, _columns, _dialect)


def _rewritten(files: Files, random_: random.Random) -> dict[str, bytes]:
    """The same figures in another manner, as another country's spreadsheet saves them."""
    study = tomllib.loads(files["study.toml"].decode("utf-8-sig"))
    separator, mark = random_.choice(((",", "."), (";", ","), (";", ","), ("\t", ","), ("\t", "."), (";", ".")))
    parted = random_.choice(("", "", "\u202f", "'", "." if mark == "," else ",")) if separator != "," else ""
    found = dict(files)
    for name in _sheets(files):
        (header, *rows), _ = table_of(files[name])
        units = {}
        for test in (Path(name).stem, *study["tests"]) if name == "readings.csv" else (Path(name).stem,):
            for id, given in study["tests"].get(test, {}).get("readings", {}).items():
                for column in (id, *(f"{id}.{n}" for n in range(2, given.get("repeats", 1) + 1))):
                    units[column] = given.get("unit", "") if given.get("kind") in (None, "number") else ""
        rows = [[_manner(cell, mark, parted) for cell in row] for row in rows]
        for at, column in enumerate(header):
            if not units.get(column):
                continue
            unit = units[column]
            if random_.random() < 0.3:
                header[at] += random_.choice((" ({})", " [{}]", ", {}", "({})")).format(unit)
            if random_.random() < 0.2:
                for row in rows:
                    if at < len(row) and re.fullmatch("[0-9.,]+", row[at]):
                        row[at] += random_.choice((" ", "", "\u00a0")) + unit
        order = random_.sample(range(len(header)), len(header)) if random_.random() < 0.3 else list(range(len(header)))
        table = [[row[n] if n < len(row) else "" for n in order] for row in [header, *rows]]
        if random_.random() < 0.2:
            table = [table[0], *random_.sample(table[1:], len(table) - 1)]
        if random_.random() < 0.2:
            table = [
                [random_.choice((" ", "", "\u00a0")) + cell + random_.choice(("  ", "")) for cell in row]
                for row in table
            ]
        end = random_.choice(("\n", "\n", "\r\n", "\r"))
        quoting = random_.choice((csv.QUOTE_MINIMAL, csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
        head = random_.choice((b"", b"\xef\xbb\xbf", f"sep={separator}{end}".encode()))
        found[name] = head + written(table, separator, end, quoting)
    return found


def _manner(cell: str, mark: str, parted: str) -> str:
    whole, _, rest = cell.partition(".")
    if parted and rest and re.fullmatch(r"[0-9]{4,9}\.[0-9]{1,4}", cell):
        return f"{int(whole):,}".replace(",", parted) + mark + rest
    return _marked(cell, mark) if mark != "." else cell


def _sheet(data: bytes, random_: random.Random) -> bytes:
    table, separator = table_of(data)
    for _ in range(random_.choice((1, 1, 1, 2, 4))):
        table = random_.choice(TABLE_WAYS)(table, random_) or [[]]
    if random_.random() < 0.3:
        separator = random_.choice(",;\t;\t|")
    end = random_.choice(("\n", "\n", "\n", "\r\n", "\r"))
    quoting = random_.choice((csv.QUOTE_MINIMAL, csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC))
    return written(table, separator, end, quoting)


# --------------------------------------------------------------------------------------------------------- study.toml

VALUES: tuple[Any, ...] = (
    *(
        0,
        1,
        -1,
        2,
        10**9,
        10**30,
        1.5,
        float("inf"),
        float("nan"),
        True,
        False,
        "",
        " ",
        "x",
        [],
        {},
        [[]],
        [{}],
        [1, "a"],
    ),
    *(
        "g",
        "kg",
        "s",
        "%",
        "1",
        "run",
        "specimen",
        "block",
        "test",
        "product",
        "time",
        "grade",
        "text",
        "place",
        "number",
    ),
    *("5 points", "0.3 g", "10 % of control", "1e999 g", "600 s", "10 min", "0 s to 5 s", "wet", "dry / 0", "(" * 45),
    *("control", "reference", "untreated", "ostrel", "shower.uptake", "mass.uptake", "\u202e", "\x1b[2J", "x" * 2500),
    *({"a": {"b": {"c": {"d": 1}}}}, ["a", "b"], ["a", "a"], ["A", "a"], ["1,5", "2"], ["did not finish", "x"]),
)


def _study(data: bytes, random_: random.Random) -> bytes:
    if random_.random() < 0.4:
        return damaged(data.decode(), random_).encode("utf-8", errors="surrogatepass")
    document = tomllib.loads(data.decode())
    for _ in range(random_.choice((1, 1, 2))):
        _change(document, random_)
    try:
        return to_toml(document).encode("utf-8", errors="surrogatepass")
    except (AttributeError, ValueError):  # no longer of a shape that is written easily
        return damaged(data.decode(), random_).encode("utf-8", errors="surrogatepass")


def _change(document: dict[str, Any], random_: random.Random) -> None:
    all_paths = [path for path in paths(document) if path != ("format",)]
    path = random_.choice(all_paths)
    at: Any = document
    for step in path[:-1]:
        at = at[step]
    step, way = path[-1], random_.randrange(6)
    if way == 0:
        del at[step]
    elif way in (1, 2):
        at[step] = deepcopy(random_.choice(VALUES))
    elif way == 3:
        other: Any = document
        for part in random_.choice(all_paths):
            other = other[part]
        at[step] = deepcopy(other)
    elif way == 4 and isinstance(at, dict):
        at[random_.choice(("unit", "kind", "levels", "limit", "repeats", "of", "x", "title", "name", "scale"))] = (
            deepcopy(random_.choice(VALUES))
        )
    elif isinstance(at, dict):
        at[str(step) + random_.choice("sx_1")] = at.pop(step)
    else:
        at.append(at[step])


# ------------------------------------------------------------------------------------------- a workbook from the inside


def _book(files: Files, random_: random.Random) -> dict[str, bytes]:
    data = files["readings.xlsx"]
    way = random_.random()
    if way < 0.15:
        return dict(files) | {"readings.xlsx": _bytes(data, random_)}
    book = zipfile.ZipFile(io.BytesIO(data))
    parts = {name: book.read(name) for name in book.namelist()}
    name = random_.choice(sorted(parts))
    if way < 0.25:
        del parts[name]
    elif way < 0.5:
        parts[name] = _bytes(parts[name], random_)
    else:
        parts[name] = _xml(parts[name].decode(), random_).encode("utf-8", errors="replace")
    return dict(files) | {"readings.xlsx": zipped(parts)}


SWAPS = (
    *(
        (r' t="s"', ' t="n"'),
        (r' t="s"', ' t="str"'),
        (r"<v>[^<]*</v>", "<v>999999</v>"),
        (r"<v>[^<]*</v>", "<v>nan</v>"),
    ),
    *(
        (r"<v>[^<]*</v>", "<v/>"),
        (r"<v>[^<]*</v>", "<v>-1</v>"),
        (r"<v>[^<]*</v>", "<v>1e400</v>"),
        (r's="\d"', 's="77"'),
    ),
    *(
        (r' r="[A-Z]+\d+"', ""),
        (r' r="[A-Z]+\d+"', ' r="XFD1048576"'),
        (r' r="[A-Z]+\d+"', ' r="A1"'),
        (r' r="\d+"', ""),
    ),
    *((r"<row", '<row hidden="1"'), (r"</sheetData>", '</sheetData><mergeCells><mergeCell ref="A2:B9"/></mergeCells>')),
    *((r'name="\w+"', 'name="SHOWER"'), (r'name="\w+"', 'name="../x"'), (r"<sheet ", '<sheet state="veryHidden" ')),
    *(
        (r"<t[^>]*>", "<t>"),
        (r"numFmtId=\"\d+\"", 'numFmtId="20"'),
        (r'0\.00%"', '[h]:mm"'),
        (r"\?>", "?><!DOCTYPE x []>"),
    ),
    *(
        (r"<v>", "<v> "),
        (r"<is>", "<is><rPh><t>9</t></rPh>"),
        (r"<f>[^<]*</f>", '<f t="shared" si="0"/>'),
        (r"<c ", "<x "),
    ),
)


def _xml(text: str, random_: random.Random) -> str:
    for pattern, to in random_.sample(SWAPS, len(SWAPS)):
        found = list(re.finditer(pattern, text))
        if found:
            one = random_.choice(found)
            return text[: one.start()] + to + text[one.end() :]
    return text


# --------------------------------------------------------------------------------------------------------------- whole


def mutated(files: Files, random_: random.Random) -> dict[str, bytes]:
    """A study folder with some damage: mostly in one sheet, some in study.toml, some in which files there are."""
    found = dict(files)
    way = random_.random()
    if way < 0.2:
        found["study.toml"] = _study(found["study.toml"], random_)
        return found
    if "readings.xlsx" in found:
        return _book(files, random_) if way < 0.7 else found | {"readings.xlsx": _other_book(files, random_)}
    names = [name for name in found if name.endswith(".csv")]
    if way > 0.75:
        found = _rewritten(found, random_)
        if way > 0.85:
            return found
    name = random_.choice(names)
    if way < 0.24:
        return _moved(found, name, random_)
    damage: Callable[[bytes, random.Random], bytes] = _bytes if way < 0.34 else _saved if way < 0.4 else _sheet
    found[name] = damage(found[name], random_)
    return found


def _other_book(files: Files, random_: random.Random) -> bytes:
    from tests.damage.independent import workbook_sheets

    sheets = {sheet.name: [sheet.header, *sheet.rows] for sheet in workbook_sheets(files["readings.xlsx"])}
    name = random_.choice(sorted(sheets))
    sheets[name] = random_.choice(TABLE_WAYS)([list(row) for row in sheets[name]], random_) or [[]]
    return workbook(sheets, random_)


def _moved(found: dict[str, bytes], name: str, random_: random.Random) -> dict[str, bytes]:
    to = random_.choice(
        ("readings.csv", "readings/x.csv", "readings/SHOWER.csv", "readings/shower.CSV", "readings.xlsx", "shower.csv")
    )
    way = random_.randrange(3)
    data = found[name]
    if way == 0:
        del found[name]
    elif way == 1:
        found[name] = b""
    if to.partition("/")[0] not in {other.partition("/")[0] for other in found} or "/" in to:
        found[to] = data
    return found
