"""Families whose correlations have no simple structure: a sum over directions instead of an exact integral.

Where rounds do not hold every product, or every pair is asked for, the t statistics of a family correlate in no simple
way. A joint t vector is a direction times a length, independent of each other; for each direction the chance of a
length that carries the farthest contrast past a limit is known exactly, so only directions are summed over. The
nearest structure that has exact answers goes through the same directions, and only the difference between the two is
taken from them.

    joint            one family, ready to be asked
    Radial.tail      P(some |T| > c), or P(some T > c)
    Radial.constant  the c that is passed with probability 1 - level

Directions come from a lattice, shifted at random eight times by one fixed seed: the same question has the same
answer, and the eight say how good it is.

Sources: Deák (1980), Numer. Math. 35, 369-380; Somerville (1998), J. Comput. Graph. Stat. 7, 529-544; Genz & Bretz
(2009), Computation of Multivariate Normal and t Probabilities; the lattice after Richtmyer (1951), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import isinf, log

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenbench.compare.simultaneous import Sides, constant, tail
from evenbench.measure.frozen import Frozen

Array = NDArray[np.float64]

SHIFTS, POINTS = 8, 2**12
SEED = 20121
STEEP = 0.99  # factors of the stand-in stay below, where its exact answers are quick


@dataclass(frozen=True, kw_only=True, eq=False)
class Radial(Frozen):
    """One family of k contrasts.

    b     float64[k] factors of the stand-in, whose answers are exact
    far   float64[SHIFTS, POINTS] where the farthest contrast lies in each direction, per unit of length
    near  the same for the stand-in
    """

    b: Array
    df: float
    sides: Sides
    far: Array
    near: Array

    def tail(self, c: float) -> tuple[float, float]:
        """Chance that some contrast passes c, 0 or more, and the standard error of that figure."""
        exact = float(tail(c, self.b, self.df, sides=self.sides))
        shifts = (self._passed(c, self.far) - self._passed(c, self.near)).mean(axis=1)
        error = float(shifts.std(ddof=1)) / SHIFTS**0.5
        return min(max(exact + float(shifts.mean()), 0.0), 1.0), error

    def constant(self, level: float) -> tuple[float, float]:
        """The c that is passed with probability 1 - level, and the standard error of c."""
        share = 1 - level

        def height(c: float) -> tuple[float, float]:
            chance, error = self.tail(c)
            # In logarithms the tail is nearly a straight line in c.
            return log(max(chance, 1e-12) / share), error / share

        at = constant(self.b, self.df, sides=self.sides, level=level)
        high, error = height(at)
        step = 1e-3 * at
        slope = (height(at + step)[0] - high) / step
        for _ in range(8):
            if abs(high) < 1e-10:
                break
            at -= high / slope
            high, error = height(at)
        return at, error / abs(slope)

    def _passed(self, c: float, far: Array) -> Array:
        """Chance that the length carries each direction's farthest contrast past c."""
        k = len(self.b)
        square = (c / np.maximum(far, 1e-150)) ** 2
        if isinf(self.df):
            return np.asarray(special.gammaincc(k / 2, square / 2), dtype=np.float64)
        return np.asarray(special.betainc(self.df / 2, k / 2, self.df / (self.df + square)), dtype=np.float64)


def joint(R: Array, df: float, *, sides: Sides) -> Radial:
    """A family ready to be asked.

    R      float64[k, k] correlations of its contrasts, singular or not; k of two or more
    df     degrees of freedom of the standard deviation, or `math.inf`
    sides  2 for |T|; 1 for T, upwards

    >>> pairs = np.array([[1.0, 0.5, -0.5], [0.5, 1.0, 0.5], [-0.5, 0.5, 1.0]])  # all pairs of three products
    >>> c, error = joint(pairs, 10.0, sides=2).constant(0.95)
    >>> round(c * 2**0.5, 2), error < 1e-3  # the studentized range of three on 10 df: 3.877 in tables
    (3.88, True)
    """
    b = nearest_factors(R)
    # An order that belongs to the family and not to the study file: figures then do not hang on the order of products.
    order = np.lexsort((R.sum(axis=1).round(9), b.round(9)))
    R, b = R[np.ix_(order, order)], b[order]
    like = np.outer(b, b)
    np.fill_diagonal(like, 1.0)
    u = _directions(len(R))
    far, near = u @ _root(R), u @ _root(like)
    if sides == 2:
        far, near = np.abs(far), np.abs(near)
    return Radial(b=b, df=float(df), sides=sides, far=far.max(axis=-1), near=near.max(axis=-1))


def nearest_factors(R: Array) -> Array:
    """Factors b whose products b[i] * b[j] come nearest to R off the diagonal, by least squares.

    >>> nearest_factors(np.array([[1.0, 0.4, 0.4], [0.4, 1.0, 0.64], [0.4, 0.64, 1.0]])).round(6).tolist()
    [0.5, 0.8, 0.8]
    """
    off = np.array(R, dtype=np.float64)
    np.fill_diagonal(off, 0.0)
    # The same start whatever the order of contrasts.
    b = np.sqrt(np.abs(off).mean(axis=1)) * np.where(off.sum(axis=1) < 0, -1.0, 1.0)
    for _ in range(300):
        before = b
        square = np.maximum(b @ b - b**2, 1e-12)
        # Half steps: whole ones, all at once, can swing to and fro for ever.
        b = np.clip((b + (off @ b) / square) / 2, -STEEP, STEEP)
        if np.abs(b - before).max() < 1e-10:
            break
    return np.asarray(b, dtype=np.float64)


def _root(R: Array) -> Array:
    """The symmetric square root, which does not hang on the order or the signs of eigenvectors."""
    value, vector = np.linalg.eigh(R)
    return np.asarray((vector * np.sqrt(np.maximum(value, 0.0))) @ vector.T, dtype=np.float64)


@lru_cache(maxsize=8)
def _directions(k: int) -> Array:
    """float64[SHIFTS, POINTS, k] unit vectors, evenly spread."""
    steps = np.sqrt(np.array(_primes(k), dtype=np.float64)) % 1.0
    shifts = np.random.Generator(np.random.PCG64(SEED)).random((SHIFTS, 1, k))
    lattice = (np.arange(1, POINTS + 1)[None, :, None] * steps + shifts) % 1.0
    normal = special.ndtri(np.clip(lattice, 1e-15, 1 - 1e-15))
    return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True), dtype=np.float64)


def _primes(count: int) -> list[int]:
    """The first so many primes.

    >>> _primes(5)
    [2, 3, 5, 7, 11]
    """
    out: list[int] = []
    n = 2
    while len(out) < count:
        if all(n % p for p in out):
            out.append(n)
        n += 1
    return out
