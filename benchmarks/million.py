"""A million readings in one long sheet: read, checked and reduced, beside a plain pandas read of the same file.

    python benchmarks/million.py          (needs pandas: pip install pandas)

Two logs of a million rows: of few runs with a hundred repeats of each reading, as a logger writes them, and of very
many runs read once. Ours is everything that `evenbench check` does before it prints: the file taken in, every cell
held against the study, what is lacking listed, every outcome with its uncertainty computed, and figures to look at
again. Pandas reads the same text into columns and knows nothing of the study. Each is a process of its own, and both
run one after the other, so that memory is its own too.

Times vary with the machine; the ratios are what to compare.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
from pathlib import Path

TESTS, PRODUCTS = 10, 14
SHAPES = {"a hundred repeats": (24, 100), "very many runs": (2_381, 1)}

MEASURE = """
import resource, time
start = time.perf_counter()
{}
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(time.perf_counter() - start, peak)
"""
PANDAS = "import pandas; pandas.read_csv({path!r})"
READ = "from evenbench.record.folder import open_study; study, readings = open_study({folder!r})"
REDUCED = READ + "; from evenbench.reduce import reduce; reduce(study, readings)"
CHECKED = READ + "; from evenbench.record.check import check; check(study, readings)"


def write(folder: Path, runs: int, repeats: int) -> int:
    """A study of ten tests and its long sheet; how many rows that has."""
    products = ["untreated", *(f"p{n:02}" for n in range(1, PRODUCTS))]
    lines = ["format = 1", "[study]", 'id = "log"', 'title = "A logger"', "[instruments]"]
    lines += ['scale = { resolution = "0.01 g", offset = "0.02 g", gain = "0.1 %" }']
    for product in products:
        lines += [f"[products.{product}]", f'name = "{product.upper()}"']
        lines += ['role = "control"'] * (product == "untreated")
    for test in range(TESTS):
        lines += [f"[tests.t{test}]", f'title = "Test {test}"', 'blocks = "day"']
        lines += [
            f'readings.{id} = {{ unit = "g", instrument = "scale", repeats = {repeats} }}' for id in ("dry", "wet")
        ]
        lines += [f'readings.time = {{ unit = "s", repeats = {repeats} }}']
        uptake = 'formula = "(wet - dry) / dry", unit = "%", kind = "benefit", better = "lower", matters = "5 points"'
        lines += [f"results.uptake = {{ {uptake} }}"]
        lines += ['results.rate = { formula = "(wet - dry) / time", unit = "g/s", kind = "info" }']
    (folder / "study.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    draw, rows = random.Random(1), 0
    with (folder / "readings.csv").open("w", encoding="utf-8") as file:
        file.write("test,product,run,block,order,reading,repeat,value,unit\n")
        for test in range(TESTS):
            for product in products:
                for run in range(1, runs + 1):
                    for id, unit, least in (("dry", "g", 9.5), ("wet", "g", 11), ("time", "s", 600)):
                        for k in range(1, repeats + 1):
                            value = least + draw.random()
                            file.write(f"t{test},{product},{run},d{run % 4},{run},{id},{k},{value:.2f},{unit}\n")
                            rows += 1
    return rows


def measured(work: str, **names: str) -> tuple[float, float]:
    """Seconds and peak megabytes of a process that does `work`."""
    code = MEASURE.format(work.format(**names))
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    return float(out[0]), float(out[1])


def main() -> None:
    """Print both."""
    for shape, (runs, repeats) in SHAPES.items():
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            rows = write(folder, runs, repeats)
            megabytes = (folder / "readings.csv").stat().st_size / 1e6
            print(f"{shape}: {rows:,} rows, {megabytes:.0f} MB, {TESTS * PRODUCTS * runs:,} runs")
            plain, _ = measured(PANDAS, path=str(folder / "readings.csv"))
            print(f"  pandas.read_csv, with its import     {plain:5.1f} s")
            for label, work in (
                ("read and held against the study", READ),
                ("and reduced", REDUCED),
                ("and doubted", CHECKED),
            ):
                seconds, peak = measured(work, folder=str(folder))
                print(f"  {label:36} {seconds:5.1f} s   {seconds / plain:4.1f} times   {peak:4.0f} MB")


if __name__ == "__main__":
    main()
