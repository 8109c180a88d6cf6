"""Make `many_to_one.json`: tail probabilities of several differences from one control, to about 20 digits.

A second way to the figures of `evenbench.compare.simultaneous`, sharing none of its code and little of its method:

                     here                                      there
    arithmetic       mpmath, 40 digits                         doubles
    integral over s  in t with s = t**4                        in log s
    rule             Gauss-Legendre on panels                  trapezoid on the whole line
    small tails      1 - product of (1 - q), at 40 digits      log1p and expm1
    where it looks   wherever the integrand is within          fixed ends, moved for far limits
                     e**-75 of its largest value

Each value is computed twice, on different panels; the file keeps how far the two were apart, relative to the value.

    pip install mpmath gmpy2 numpy scipy
    python tests/reference/make_many_to_one.py
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import mpmath as mp  # type: ignore[import-not-found,import-untyped,unused-ignore]
import numpy as np
from scipy import special

mp.mp.dps = 40
ORDER = 30  # Gauss-Legendre nodes on a panel
KEPT = 75.0  # e**-75 is 3e-33


def legendre(order: int, x: mp.mpf) -> tuple[mp.mpf, mp.mpf]:
    """The Legendre polynomial and its slope."""
    before, now = mp.mpf(1), x
    for n in range(2, order + 1):
        before, now = now, ((2 * n - 1) * x * now - (n - 1) * before) / n
    return now, order * (x * now - before) / (x * x - 1)


def gauss_legendre(order: int) -> list[tuple[mp.mpf, mp.mpf]]:
    """Nodes and weights on -1 to 1, by Newton's steps."""
    rule = []
    for i in range(order):
        x = mp.cos(mp.pi * (i + mp.mpf(3) / 4) / (order + mp.mpf(1) / 2))
        for _ in range(8):
            value, slope = legendre(order, x)
            x -= value / slope
        rule.append((x, 2 / ((1 - x * x) * legendre(order, x)[1] ** 2)))
    return rule


RULE = gauss_legendre(ORDER)


def integral(f: Callable[[mp.mpf], mp.mpf], low: float, high: float, panels: int) -> mp.mpf:
    width = (mp.mpf(high) - mp.mpf(low)) / panels
    total = mp.mpf(0)
    for p in range(panels):
        centre = mp.mpf(low) + width * (p + mp.mpf(1) / 2)
        total += mp.fsum(w * f(centre + width / 2 * x) for x, w in RULE)
    return total * width / 2


def kept(where: np.ndarray, log_size: np.ndarray) -> tuple[float, float]:
    """The ends of the stretch where a function is not negligible, one step further out."""
    inside = np.flatnonzero(log_size > log_size.max() - KEPT)
    return float(where[max(inside[0] - 1, 0)]), float(where[min(inside[-1] + 1, where.size - 1)])


def passed(x: mp.mpf, family: Counter[mp.mpf], sides: int, panels: int) -> mp.mpf:
    """Chance that some contrast passes x when s = 1."""
    z = np.linspace(-45, 45, 9001)
    log_q = np.full(z.size, -np.inf)
    for b, n in family.items():
        for turn in (1, -1)[:sides]:
            at = (turn * float(b) * z - float(x)) / np.sqrt(1 - float(b) ** 2)
            log_q = np.logaddexp(log_q, np.log(n) + special.log_ndtr(at))
    low, high = kept(z, -z * z / 2 + np.minimum(log_q, 0))
    parts = [(b, mp.sqrt(2 * (1 - b * b)), n) for b, n in family.items()]

    def integrand(z: mp.mpf) -> mp.mpf:
        within = mp.mpf(1)
        for b, scale, n in parts:
            q = mp.erfc((x - b * z) / scale) / 2
            if sides == 2:
                q += mp.erfc((x + b * z) / scale) / 2
            within *= (1 - q) ** n
        return mp.exp(-z * z / 2) * (1 - within)

    return integral(integrand, low, high, panels) / mp.sqrt(2 * mp.pi)


def tail(c: mp.mpf, b: list[mp.mpf], df: mp.mpf, sides: int, panels: tuple[int, int]) -> mp.mpf:
    """Chance that some contrast passes c."""
    family = Counter(b)
    if mp.isinf(df):
        with mp.workdps(80):  # one integral is cheap, and 1 - product loses 32 digits in the far tail
            return passed(c, family, sides, panels[0])
    t = np.linspace(1e-6, 4, 400001)
    s = t**4
    nu = float(df)
    log_size = (4 * nu - 1) * np.log(t) - nu * s * s / 2
    if c > 0:
        log_size += np.minimum(special.log_ndtr(-float(c) * s), 0)
    low, high = kept(t, log_size)
    if low < 1e-3:
        low = 0.0
    front = 8 * (df / 2) ** (df / 2) / mp.gamma(df / 2)

    def integrand(t: mp.mpf) -> mp.mpf:
        s = t**4
        return front * t ** (4 * df - 1) * mp.exp(-df * s * s / 2) * passed(c * s, family, sides, panels[0])

    return integral(integrand, low, high, panels[1])


def root_half(k: int) -> list[str]:
    return ["sqrt(1/2)"] * k


def one_way(n: list[int], n0: int) -> list[str]:
    return [f"sqrt({i}/{i + n0})" for i in n]


# The t statistics of benchmarks/many_to_one.py, every digit: 13 products and a control, five runs each.
BENCHMARK = [
    "0.5259789800125776",
    "1.2305012835156601",
    "1.9012451204124339",
    "0.009650990458945127",
    "1.4814270354482657",
    "0.6321398750609849",
    "1.8722921490355922",
    "1.5200309972840509",
    "2.3644926624418576",
    "3.6528998887111963",
    "3.1896523466817714",
    "3.0979679373217808",
    "5.457635104534166",
]

# b as text, so that the file says exactly which number is meant.
CASES = [
    # The same requests as the specification's own check values, a third computation of them.
    ("four even groups", root_half(4), "20", "2.65", 2),
    ("twelve products, far out", root_half(12), "26", "7.5", 2),
    ("thirty products, 3 df", root_half(30), "3", "6.27", 2),
    ("one side", root_half(5), "8", "2.5", 1),
    ("uneven groups", one_way([1, 2, 3, 3, 3, 3], 4), "12", "3", 2),
    # Two rows of multivariate_t_grid.csv that are too small for its 1e-9.
    ("G0042", one_way([5] * 12, 15), "62", "6", 1),
    ("G0053", one_way([10, 20, 30], 30), "86", "6", 2),
    # Corners.
    ("signs differ", ["7/10", "7/10", "-7/10", "-2/5", "9/10"], "10", "2.5", 1),
    ("one degree of freedom", root_half(3), "1", "20", 2),
    ("one degree of freedom, near", root_half(3), "1", "0.125", 2),
    ("fractional df", ["3/10"] * 3 + ["4/5"] * 3, "2.5", "4", 2),
    ("many degrees of freedom", ["19/20"] * 20, "1000", "3", 2),
    ("normal, far out", root_half(13), "inf", "12", 2),
    ("very far out", root_half(12), "26", "60", 2),
    ("scarce control, far out", ["49/50"] * 60, "inf", "9", 1),
    ("steep and mixed, far out", ["19/20", "9/10", "-9/10"], "60", "15", 1),
    ("below zero", root_half(4), "5", "-1", 1),
    ("almost no control", ["999/1000"] * 6, "14", "2.75", 2),
    ("hardly correlated", ["1/1000"] * 13, "28", "3", 2),
    *((f"benchmark {i}", root_half(13), "56", c, 2) for i, c in enumerate(BENCHMARK, 1)),
    ("benchmark constant", root_half(13), "56", "2.886210512856886", 2),
]


def number(text: str) -> mp.mpf:
    if text == "inf":
        return mp.inf
    if text.startswith("sqrt("):
        return mp.sqrt(number(text[5:-1]))
    above, _, below = text.partition("/")
    return mp.mpf(above) / mp.mpf(below or 1)


def panels(b: list[mp.mpf], df: mp.mpf) -> tuple[tuple[int, int], tuple[int, int]]:
    """How many panels for z and for t, the first time and the second: more where a contrast turns sharply."""
    steep = max(map(abs, b))
    sharp = 1 + int((2 if steep < 0.8 else 4) * steep / mp.sqrt(1 - steep**2))
    often = 3 if mp.isinf(df) else 1  # a single integral is cheap
    return (often * (7 + sharp), 7), (often * (9 + sharp), 9)


def main() -> None:
    """Write the file beside this script; about half an hour."""
    rows = []
    for what, b, df, c, sides in CASES:
        factors = [number(x) for x in b]
        once, again = (tail(number(c), factors, number(df), sides, n) for n in panels(factors, number(df)))
        apart = mp.nstr(abs(once / again - 1), 2)
        rows.append({"what": what, "b": b, "df": df, "c": c, "sides": sides, "p": mp.nstr(again, 22), "apart": apart})
    text = "[\n" + ",\n".join("  " + json.dumps(row) for row in rows) + "\n]\n"
    Path(__file__).with_name("many_to_one.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
