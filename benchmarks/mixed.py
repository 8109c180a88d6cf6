"""Five hundred runs in random blocks: how long a fit takes, beside a general library's where one is installed.

Times `evenbench.compare.mixed.fit_mixed` on invented outcomes of thirteen proofers, 500 runs: one random factor, and
two and three within and across one another. A fit brings Kenward and Roger's standard errors and the degrees of
freedom of every difference from the first product. Where statsmodels is installed, its `MixedLM` fits the same one
factor in the same run: it gives coefficients, standard errors and z tests, but no degrees of freedom at all, so the
ratio flatters it. The promise is 2 s.

    python benchmarks/mixed.py

The outcomes are invented: grams of water a worn jacket takes up in a shower.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.mixed import Mixed, fit_mixed

Array = NDArray[np.float64]
Labels = NDArray[np.int64]

SEED = 20260214
RUNS = 500
PRODUCTS = 13
SPREAD = 6.0  # g, of one run
PROMISE = 2.0  # s
RUN = np.arange(RUNS)
LAYOUTS: dict[str, tuple[list[Labels], list[float]]] = {
    "125 days of 4": ([RUN // 4], [5.0]),
    "125 days of 4, alike but by chance": ([RUN // 4], [0.0]),
    "250 heats of 2": ([RUN // 2], [5.0]),
    "25 weeks, 125 days in them": ([RUN // 20, RUN // 4], [4.0, 3.0]),
    "20 days across 25 places": ([RUN // 25, RUN % 25], [4.0, 3.0]),
    "10 lots, 50 sheets, 250 pieces": ([RUN // 50, RUN // 10, RUN // 2], [3.0, 3.0, 3.0]),
}


def outcomes(factors: list[Labels], spreads: list[float]) -> tuple[Array, Array]:
    """Water taken up, in g, and the products' indicators; products in random order."""
    chance = np.random.default_rng(SEED)
    product = chance.permutation(RUNS) % PRODUCTS
    water = 112.0 - product + chance.normal(0, SPREAD, RUNS)
    for label, spread in zip(factors, spreads, strict=True):
        water += chance.normal(0, spread, label.max() + 1)[label]
    return water, np.asarray(product[:, None] == np.arange(PRODUCTS), dtype=np.float64)


def all_against_first(water: Array, terms: Array, factors: list[Labels]) -> tuple[Mixed, list[float]]:
    """The fit, and df of every difference from the first product."""
    m = fit_mixed(water, terms, factors, names=[f"factor {k + 1}" for k in range(len(factors))])
    contrasts = np.eye(PRODUCTS)[1:] - np.eye(PRODUCTS)[0]
    for contrast in contrasts:
        m.standard_error(contrast)
    return m, [m.df(contrast) for contrast in contrasts]


def best_time(work: Callable[[], object], repeats: int = 5) -> float:
    """Seconds of the quickest of several goes."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def beside(water: Array, terms: Array, label: Labels) -> None:
    """The same one-factor fit by statsmodels, where it is installed."""
    try:
        from statsmodels.regression.mixed_linear_model import MixedLM
    except ImportError:
        print("statsmodels is not installed: no ratio")
        return
    theirs = MixedLM(water, terms, groups=label).fit(reml=True)
    ours, df = all_against_first(water, terms, [label])
    mine = best_time(lambda: all_against_first(water, terms, [label]))
    yours = best_time(lambda: MixedLM(water, terms, groups=label).fit(reml=True))
    between, within = float(np.asarray(theirs.cov_re)[0, 0]), float(theirs.scale)
    print(f"statsmodels {yours:.3f} s, ours {mine:.3f} s: {yours / mine:.1f} times as fast, with df")
    print(f"  variances {between:.4f}, {within:.4f} g²; ours {ours.variance[0]:.4f}, {ours.variance[1]:.4f} g²")
    print(f"  twice the negative log-likelihood {-2 * theirs.llf:.6f}; ours {ours.criterion:.6f}")
    print(f"  df of differences: none (z tests); ours {min(df):.2f} to {max(df):.2f}")


def main() -> None:
    """Print the times, and end with an error where one breaks the promise."""
    slowest = 0.0
    for name, (factors, spreads) in LAYOUTS.items():
        water, terms = outcomes(factors, spreads)
        m, df = all_against_first(water, terms, factors)
        seconds = best_time(lambda w=water, t=terms, f=factors: all_against_first(w, t, f))
        slowest = max(slowest, seconds)
        fixed = f"; kept fixed: {', '.join(m.kept_fixed)}" if m.kept_fixed else ""
        print(f"{name:36} {seconds:7.3f} s   df {min(df):.1f} to {max(df):.1f}{fixed}")
    print(f"slowest {slowest:.3f} s, promised {PROMISE} s")
    factors, spreads = LAYOUTS["125 days of 4"]
    beside(*outcomes(factors, spreads), factors[0])
    if slowest > PROMISE:
        raise SystemExit("slower than promised")


if __name__ == "__main__":
    main()
