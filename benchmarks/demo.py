"""How long the demo analysis takes: warm, as a cold process, and against what a user would pick instead.

    python benchmarks/demo.py

Warm: every figure of the demo (9 results, 3 buyers) from study and readings already read. Beside it, in the
same run, the p-values and intervals against the control alone, by scipy's own many-to-one function on the same
outcomes: what a careful tester would otherwise type into a notebook, and a small part of what the demo shows.
Cold: whole processes, from start to exit, beside an interpreter that only imports numpy and scipy.special.

Times vary with the machine; the ratios are what to compare.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from importlib.resources import files
from pathlib import Path

RUNS = 7


def median_ms(work: Callable[[], object], runs: int = RUNS) -> float:
    """Median of several timings, in milliseconds, after one that is not counted."""
    work()
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1000)
    return statistics.median(times)


def warm(folder: Path) -> tuple[float, float]:
    """Medians: our whole analysis, and scipy's comparison with the control alone."""
    from scipy import stats

    from evenbench.analysis import analyse
    from evenbench.compare import simultaneous
    from evenbench.record.folder import open_study

    study, readings = open_study(folder, today=date(2026, 11, 25))
    analysis = analyse(study, readings)

    def ours() -> None:
        # A study read for the first time has no constants in memory.
        simultaneous._constant.cache_clear()
        analyse(study, readings)

    def theirs() -> None:
        for comparison in analysis.comparisons:
            outcomes = comparison.outcomes
            if outcomes.control is None:
                continue
            treated = [outcomes.value[outcomes.of(p)] for p in comparison.families[0].members]
            found = stats.dunnett(*treated, control=outcomes.value[outcomes.of(outcomes.control)], rng=1)
            found.confidence_interval(0.95)

    return median_ms(ours), median_ms(theirs, runs=3)


def cold(*words: str) -> float:
    """Median of whole processes, in milliseconds."""
    return median_ms(lambda: subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL))


def main() -> None:
    """Measure and print."""
    folder = Path(str(files("evenbench") / "demo"))
    ours, theirs = warm(folder)
    print(f"demo analysis, warm                            {ours:8.0f} ms")
    print(f"scipy's comparison with the control, 9 results {theirs:8.0f} ms   ratio {theirs / ours:.1f}")
    base = cold("-c", "import numpy, scipy.special")
    print(f"cold process: numpy and scipy.special alone    {base:8.0f} ms")
    for words in (["check"], ["results", "--json"]):
        took = cold("-m", "evenbench", *words, str(folder))
        print(f"cold process: evenbench {' '.join(words):22s} {took:8.0f} ms   ratio {took / base:.1f}")


if __name__ == "__main__":
    main()
