"""Thirteen proofers and an untreated control, five runs each: exact p-values and interval against sampled ones.

Times `evenbench.compare.simultaneous` beside `scipy.stats.dunnett`, which integrates by randomised sampling, on the
same outcomes in the same run, and measures how far each is from the truth. The truth is known two ways: tail
probabilities to 20 digits from `tests/reference/many_to_one.json`, made by another method in 40-digit arithmetic, and
our own quadrature on a grid eight times finer.

    python benchmarks/many_to_one.py

The outcomes are invented: grams of water a worn jacket takes up in a shower. They are drawn from a fixed seed by
means whose stream Python does not change between versions.
"""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable
from pathlib import Path
from statistics import NormalDist
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from evenbench.compare import simultaneous

Array = NDArray[np.float64]

REFERENCE = Path(__file__).parents[1] / "tests" / "reference" / "many_to_one.json"
SEED = 20260214
RUNS = 5
SPREAD = 6.0  # g, of one run
UNTREATED = 112.0  # g
EFFECTS = (0.0, -1.0, 1.5, -3.0, -4.0, -6.0, -7.5, -9.0, -10.0, -11.0, -12.5, -14.0, -21.0)  # g, product - untreated
LEVEL = 0.95


def outcomes() -> Array:
    """Water taken up, in g to 0.1: a row for the control, then one per product."""
    chance, normal = random.Random(SEED), NormalDist(0.0, SPREAD)
    rows = [[UNTREATED + effect + normal.inv_cdf(chance.random()) for _ in range(RUNS)] for effect in (0.0, *EFFECTS)]
    return np.asarray(np.round(rows, 1))


def t_statistics(values: Array) -> tuple[Array, Array, int]:
    """Each product's t against the control, its standard error in g, and the degrees of freedom."""
    df = values.size - len(values)
    variance = values.var(axis=1, ddof=1).mean()
    error = np.full(len(values) - 1, np.sqrt(variance * 2 / RUNS))
    return np.asarray((values[1:] - values[0]).mean(axis=1) / error), error, df


def best_time(work: Callable[[], object], repeats: int) -> float:
    """Seconds of the quickest of several goes."""
    times = []
    for _ in range(repeats):
        simultaneous._constant.cache_clear()
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def sampled(values: Array, seed: int) -> tuple[Array, Array]:
    """p-values and half-widths in g from scipy, for one seed."""
    found = stats.dunnett(*values[1:], control=values[0], rng=np.random.default_rng(seed))
    interval = found.confidence_interval(LEVEL)
    return np.asarray(found.pvalue), np.asarray((interval.high - interval.low) / 2)


def main() -> None:
    """Print the figures of both and how long each took."""
    values = outcomes()
    t, error, df = t_statistics(values)
    b = np.full(t.size, np.sqrt(RUNS / (RUNS + RUNS)))

    def p_values() -> Array:
        return simultaneous.tail(np.abs(t), b, df, sides=2)

    def multiplier() -> float:
        return simultaneous.constant(b, df, sides=2, level=LEVEL)

    p, c = p_values(), multiplier()
    with patch.multiple(simultaneous, Z_STEP=simultaneous.Z_STEP / 8, LOG_STEP=simultaneous.LOG_STEP / 8, S_NODES=400):
        simultaneous._constant.cache_clear()
        fine_p, fine_c = p_values(), multiplier()

    known = {row["what"]: row for row in json.loads(REFERENCE.read_text(encoding="utf-8"))}
    truth = [known[f"benchmark {i}"] for i in range(1, t.size + 1)]
    if not np.allclose(np.abs(t), [float(row["c"]) for row in truth], rtol=1e-14, atol=0):
        raise SystemExit("the t statistics are not those of the reference file; make it again")
    exact_p = np.array([float(row["p"]) for row in truth])
    # The reference holds the tail at our constant; the slope there turns its distance from 5 % into one in c.
    at_c = known["benchmark constant"]
    slope = np.diff(simultaneous.tail([c - 1e-4, c + 1e-4], b, df, sides=2))[0] / 2e-4
    exact_c = float(at_c["c"]) - (float(at_c["p"]) - (1 - LEVEL)) / slope

    seeds = [sampled(values, seed) for seed in range(5)]
    their_p, their_c = np.array([s[0] for s in seeds]), np.array([(s[1] / error)[0] for s in seeds])
    their_error = np.abs(their_p - exact_p).max(axis=0)

    print(f"{t.size} products against a control, {RUNS} runs each, {df} df, seed {SEED}\n")
    print(f"{'product':>8} {'t':>8} {'exact p':>13} {'our error':>10} {'finer grid':>10} {'sampled, worst of 5':>20}")
    for i in range(t.size):
        print(
            f"{i + 1:>8} {t[i]:>8.3f} {exact_p[i]:>13.6e} {abs(p[i] - exact_p[i]):>10.1e} "
            f"{abs(p[i] - fine_p[i]):>10.1e} {their_error[i]:>20.1e}"
        )
    print(
        f"\nconstant {exact_c:.10f}: our error {abs(c - exact_c):.1e}, finer grid {abs(c - fine_c):.1e}, "
        f"sampled {np.abs(their_c - exact_c).max():.1e} (worst of 5 seeds)"
    )
    print(f"half-width {exact_c * error[0]:.5f} g; sampled {', '.join(f'{x * error[0]:.5f}' for x in their_c)}\n")

    control, *products = values
    rng = np.random.default_rng(0)
    ours = best_time(p_values, 30), best_time(lambda: (p_values(), multiplier()), 30)
    theirs = (
        best_time(lambda: stats.dunnett(*products, control=control, rng=rng), 3),
        best_time(lambda: sampled(values, 0), 3),
    )
    print(f"{'time':>24} {'ours':>10} {'sampled':>10} {'ratio':>8}")
    for what, a, z in zip(("p-values", "p-values and interval"), ours, theirs, strict=True):
        print(f"{what:>24} {1e3 * a:>7.2f} ms {1e3 * z:>7.1f} ms {z / a:>8.0f}")


if __name__ == "__main__":
    main()
