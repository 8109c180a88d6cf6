"""How far chance alone carries the largest of several differences from one control: exact probabilities and constants.

Products compared with one control share its luck: if the control ran badly, every product looks good. Their t
statistics are then correlated as `b_i * b_j`, with one *factor* b per product, and every probability of the family is
a double integral of smooth functions that die off at both ends. There the plain trapezoid rule gains digits
geometrically as its step shrinks, so nothing here is random and nothing is looked up.

    tail               P(some |T| > c), or P(some T > c): the p-values of a family
    constant           the c that is passed with probability 1 - level: how far a family's intervals reach
    largest_one_sided  the same for one-sided bounds, whatever the direction of each product
    factors            the b of a correlation matrix, where it has them
    EachOwn            tails and constants of one family at many df, where every contrast has its own

Sources: Dunnett (1955), JASA 50, 1096-1121, and (1964), Biometrics 20, 482-491, for the family; Genz & Bretz (2009),
Computation of Multivariate Normal and t Probabilities, for correlations that factor; Trefethen & Weideman (2014),
SIAM Review 56, 385-458, for the trapezoid rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import product
from math import inf, isinf, log, prod
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

# Throughout this module, none with a unit:
#   k   how many contrasts             T   their t statistics: normal(0, 1) over s
#   b   a contrast's factor            r   sqrt(1 - b*b): the part of a contrast that is its own
#   df  degrees of freedom of s        s   estimated over true standard deviation; 1 when df is infinite
#   c   the limit that T is held to    z   the part that all contrasts share, normal(0, 1)
#   q   chance that one contrast passes c, given z and s

Array = NDArray[np.float64]
Sides = Literal[1, 2]

# Limits to what is asked. Within them every request tried settles; a grid must grow as 1/r and as 1/df.
STEEPEST = 0.9999  # |b| of a product with 5,000 runs for each run of the control
LEAST_DF = 0.5
PATTERNS = 200  # sign patterns worth going through; with more, the Bonferroni point stands in

NODES = 2**23  # points of the finest grid tried: about a second for each distinct factor
CHUNK = 2**16  # values worked on at once, so that they stay in the processor's cache
Z_REACH = 9.0  # a normal variable lies beyond with probability 2e-19
Z_STEP = 0.25  # of the first grid: 73 nodes from -9 to 9
LOG_STEP, S_NODES = 0.12, 48  # of the first grid for log s: at most this step, at least this many
SLIVER = 1e-17  # cut off each end of the distribution of s
ABSOLUTE, RELATIVE = 1e-12, 1e-9  # two grids in a row must agree to both
SAME_FACTOR = 1e-12  # factors closer than this are one
EACH_Z, EACH_STEP, EACH_REACH = 0.4, 0.12, (-14.0, 2.3)  # grids of EachOwn; the last for log(c * s)
NEAR_ZERO = 1e-13  # limits closer to 0 than this are 0: log(c) has to be finite


class NoAgreement(ArithmeticError):
    """The finest grid tried still disagreed with the one before it, so there is no figure to give.

    Fields: the distinct `factors`, the `df`, and the `gap` in probability between the last two grids (infinite where
    one grid alone was too many).
    """

    def __init__(self, *, factors: Sequence[float], df: float, gap: float) -> None:
        self.factors, self.df, self.gap = tuple(factors), df, gap
        super().__init__(
            f"a tail probability with df = {df:g} and factors from {min(factors):.6g} to {max(factors):.6g} "
            f"did not settle: the last change was {gap:.1e}. Use the Bonferroni t point for this family"
        )


@dataclass(frozen=True)
class _Families:
    """Families of contrasts over the same distinct factors; row i of powers says how often family i has each."""

    factors: tuple[float, ...]
    powers: Array
    sides: Sides

    @property
    def k(self) -> int:
        return int(self.powers[0].sum())


@dataclass(frozen=True)
class _Grid:
    """Nodes and weights for z, and a step for log(c * s): limits close to each other then share their nodes."""

    z: Array
    z_weight: Array
    log_step: float


def tail(c: ArrayLike, b: ArrayLike, df: float, *, sides: Sides) -> Array:
    """Chance that at least one product lands further from the control than c when none truly differs.

    c      limits on the t scale, any shape, which the answer takes. With c = |t| of a product (two sides) or its t
           (one side) the answer is that product's p-value, adjusted for the whole family.
    b      one factor per product: contrasts i and j correlate as b[i] * b[j]; signs may differ, |b| up to STEEPEST.
           In a one-way layout b = sqrt(n / (n + n0)), with n runs of the product and n0 of the control.
    df     degrees of freedom of the standard deviation: LEAST_DF or more, fractional or `math.inf` if need be. Where
           contrasts have df of their own, call once for each, with its df and all of b.
    sides  2 for |T|; 1 for T, upwards.

    Right to 1e-10, and where the answer is below 1e-6 to 1e-8 of itself; below 1e-290 only the size is sure. One
    product gets Student's t. Raises ValueError for what cannot be meant, and NoAgreement rather than give a figure
    less accurate than this.

    Source: Dunnett (1955, 1964), integrated over z and log s.

    >>> p = tail([2.65, 4.0], [0.5**0.5] * 4, 20, sides=2)  # four products, as many runs each as the control
    >>> [f"{value:.10f}" for value in p]
    ['0.0501062259', '0.0025308863']
    """
    limits = np.asarray(c, dtype=np.float64)
    if np.isnan(limits).any():
        raise ValueError(f"c holds NaN: {limits.tolist()}; leave out contrasts that have no t statistic")
    values = _checked(b, df, sides)
    if sides == 2:
        limits, values = np.maximum(limits, 0.0), np.abs(values)
    alone = _student_tail(limits, df, sides)
    # The answer lies between this and k times this: where it is 0 (underflow, or c infinite) no grid is needed.
    answer = np.array(alone)
    inside = np.isfinite(limits) & (alone > 0)
    if values.size > 1 and inside.any():
        distinct, counts = _grouped(values)
        family = _Families(distinct, np.array([counts], dtype=np.float64), sides)
        answer[inside] = _settled_tails(limits[inside], family, df)[0]
    return answer


def constant(b: ArrayLike, df: float, *, sides: Sides, level: float = 0.95) -> float:
    """How many standard errors each interval must reach for a whole family to hold together.

    Takes b, df and sides as `tail` does, and the level, between 0 and 1, at which the family holds: the answer is the
    c with `tail(c) = 1 - level`. It lies between the t point of one product alone and the Bonferroni t point.

    Right to 1e-10, or above 10 to 1e-11 of itself; raises as `tail` does. A request made before is answered from
    memory.

    Source: Dunnett (1964), Biometrics 20, 482-491, whose tables print two decimals.

    >>> round(constant([0.5**0.5] * 4, 20, sides=2), 10)
    2.6510295896
    """
    values = _checked(b, df, sides)
    distinct, counts = _grouped(np.abs(values) if sides == 2 else values)
    return _constant(_nearly(distinct), counts, float(f"{df:.14g}"), sides, 1 - _checked_level(level))


def largest_one_sided(b: ArrayLike, df: float, *, level: float = 0.95) -> tuple[float, Array | None]:
    """How many standard errors a one-sided bound must reach whichever way harm lies for each product.

    Takes b, df and level as `constant` does. Gives the largest `constant(signs * b, df, sides=1)` over every choice
    of one sign per product, and the signs (+1 or -1, in the order of b) that reach it. Turning all signs over changes
    nothing, so the first product with a factor other than 0 keeps +1; among products of equal |b| the later are turned.

    With more than PATTERNS patterns, a pattern and its mirror image counted once, the answer is the Bonferroni t
    point, which no pattern passes, with None.

    >>> c, signs = largest_one_sided([0.5**0.5] * 13, 28)
    >>> round(c, 4), signs.tolist().count(-1.0)
    (2.7584, 6)
    """
    values = _checked(b, df, 1)
    distinct, counts = _grouped(np.abs(values))
    c, turned = _largest(_nearly(distinct), counts, float(f"{df:.14g}"), 1 - _checked_level(level))
    return c, None if turned is None else _signs(values, turned)


class EachOwn:
    """One family asked at many degrees of freedom, as where every product has a spread of its own.

    b      one factor per product, as `tail` takes them, |b| up to 0.97
    most   the largest df that will be asked for
    sides  2 for |T|; 1 for T, upwards

    The chance of passing c * s with s known is worked out once, and only its average over s asked for at each df: a
    family of 13 takes a fiftieth of the time. For df of 1 or more constants are right to 1e-8 of themselves and
    chances to 1e-7, which a test holds them to.

    >>> family = EachOwn([0.5**0.5] * 4, 30.0, sides=2)
    >>> [round(family.constant(df), 7) for df in (20.0, 30.0)], round(float(family.tail(np.array([2.65]), 20.0)[0]), 7)
    ([2.6510296, 2.5780993], 0.0501062)
    """

    def __init__(self, b: ArrayLike, most: float, *, sides: Sides) -> None:
        values = _checked(b, most, sides)
        distinct, counts = _grouped(np.abs(values) if sides == 2 else values)
        self.families = _Families(distinct, np.array([counts], dtype=np.float64), sides)
        steepest = max(map(abs, distinct))
        z_step = EACH_Z * min(1.0, np.sqrt(1 - steepest**2) / max(steepest, 0.1))
        z = z_step * np.arange(0 if sides == 2 else -np.ceil(Z_REACH / z_step), np.ceil(Z_REACH / z_step) + 1)
        weight = np.exp(-z * z / 2)
        if sides == 2:  # the integrand is even in z
            weight[1:] *= 2
        # The density of log s is about 1 / sqrt(2 df) wide, and no step may skip it.
        self.step = min(EACH_STEP, 0.9 / np.sqrt(2 * most))
        self.nodes = np.arange(EACH_REACH[0], EACH_REACH[1] + self.step, self.step)
        grid = _Grid(z, weight / weight.sum(), self.step)
        self.passed = _passed(grid, np.exp(self.nodes), self.families)[0]
        self.at_zero = float(_passed(grid, np.zeros(1), self.families)[0, 0])

    def tail(self, c: Array, df: float) -> Array:
        """Chance that some contrast passes each c: for one side, c above 0 alone."""
        size = np.maximum(np.asarray(c, dtype=np.float64), 1e-6)
        log_s = self.nodes[:, None] - np.log(size)
        half = df / 2
        with np.errstate(over="ignore", under="ignore"):
            density = 2 * np.exp(half * np.log(half) - special.gammaln(half) + df * log_s - half * np.exp(2 * log_s))
            # What lies below the first node, where c * s is as good as 0.
            below = special.gammainc(half, half * np.exp(2 * (log_s[0] - self.step / 2)))
        return np.asarray(np.clip(self.step * (self.passed @ density) + self.at_zero * below, 0.0, 1.0))

    def constant(self, df: float, level: float = 0.95) -> float:
        """The c that is passed with probability 1 - level."""
        share = 1 - _checked_level(level)
        alone, most = (_student_point(share / self.families.sides / n, df) for n in (1, self.families.k))
        if self.families.k == 1:
            return alone
        return _root(lambda c: log(max(float(self.tail(np.array([c]), df)[0]), 1e-300) / share), alone, most)


def _nearly(distinct: tuple[float, ...]) -> tuple[float, ...]:
    """Factors to fourteen decimals: tests of one study ask for one constant many times, the last digit apart."""
    return tuple(round(b, 14) for b in distinct)


def factors(R: ArrayLike, tol: float = 1e-9) -> Array | None:
    """One factor per contrast with `R[i, j] = b[i] * b[j]` off the diagonal, or None where there are none.

    R    correlation matrix of the contrasts, k by k; its diagonal is not looked at
    tol  how far an entry of R may lie from the product

    None also where a factor would pass STEEPEST in size: `tail` could not use it. The first factor that is not 0 is
    positive. Any two contrasts have factors; three or more have them in one-way layouts, complete blocks, and wherever
    the products' covariance is a constant plus a diagonal.

    >>> factors([[1.0, 0.4, 0.4], [0.4, 1.0, 0.64], [0.4, 0.64, 1.0]]).round(12).tolist()
    [0.5, 0.8, 0.8]
    >>> factors([[1.0, 0.5, -0.5], [0.5, 1.0, 0.5], [-0.5, 0.5, 1.0]]) is None  # all pairs of three products
    True
    """
    off = np.array(R, dtype=np.float64)
    if off.ndim != 2 or off.shape[0] != off.shape[1] or off.size == 0:
        raise ValueError(f"R has shape {off.shape}; give the square correlation matrix of one or more contrasts")
    np.fill_diagonal(off, 0.0)
    b = _factored(off, tol)
    rest = off - np.outer(b, b)
    np.fill_diagonal(rest, 0.0)
    # Written so that NaN anywhere answers None.
    if not (np.abs(rest).max() < tol and np.abs(b).max() <= STEEPEST):
        return None
    lead = b[np.abs(b) > tol][:1]
    return np.asarray(-b if lead.size and lead[0] < 0 else b)


def _factored(off: Array, tol: float) -> Array:
    """Factors that fit the largest correlation and the strongest triple it is part of; the caller checks the rest."""
    size = np.abs(off)
    i, j = np.unravel_index(int(size.argmax()), size.shape)
    if not size[i, j] > 0:
        return np.zeros(len(off))
    third = np.minimum(size[i], size[j])
    m = int(third.argmax())
    # With no third contrast to tell how a pair divides its correlation, any division will do: halves stay smallest.
    square = off[i, j] * off[i, m] / off[j, m] if third[m] > tol else size[i, j]
    if not square > 0:
        return np.zeros(len(off))
    b = off[i] / np.sqrt(square)
    b[i] = np.sqrt(square)
    return np.asarray(b)


def _checked(b: ArrayLike, df: float, sides: int) -> Array:
    values = np.asarray(b, dtype=np.float64)
    if values.ndim != 1 or values.size == 0:
        raise ValueError(f"b has shape {values.shape}; give one factor for each of one or more contrasts")
    if not np.abs(values).max() <= STEEPEST:
        raise ValueError(f"b = {values.tolist()} must lie within -{STEEPEST} to {STEEPEST}")
    if not df >= LEAST_DF:
        raise ValueError(f"df = {df!r} must be {LEAST_DF} or more; without degrees of freedom there is no interval")
    if sides not in (1, 2):
        raise ValueError(f"sides = {sides!r} must be 1 or 2")
    return values


def _checked_level(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"level = {level!r} must lie between 0 and 1, as 0.95 does")
    return float(level)


def _grouped(values: Array) -> tuple[tuple[float, ...], tuple[int, ...]]:
    """Distinct factors in rising order, and how many contrasts share each: the order of products leaves no trace."""
    ranked = np.sort(values)
    # Near 1 a small step in b is a large one in r, so "equal" narrows with r squared.
    first = np.diff(ranked, prepend=-inf) > SAME_FACTOR * (1 - ranked**2)
    starts = np.flatnonzero(first)
    counts = np.diff(starts, append=ranked.size)
    return tuple(ranked[starts].tolist()), tuple(counts.tolist())


def _student_tail(c: Array, df: float, sides: Sides) -> Array:
    return np.asarray(sides * (special.ndtr(-c) if isinf(df) else special.stdtr(df, -c)))


def _student_point(p: float, df: float) -> float:
    """The limit that one T passes upwards with probability p."""
    return -float(special.ndtri(p) if isinf(df) else special.stdtrit(df, p))


def _settled_tails(c: Array, families: _Families, df: float) -> Array:
    """Chance that each family (row) passes each limit (column), from the first grid that agrees with the one before."""
    before, gap = np.full((len(families.powers), c.size), inf), inf
    for grid in _grids(families, df, farthest=float(np.abs(c).max())):
        now = _tails(grid, c, families, df)
        apart = np.abs(now - before)
        if (apart <= _slack(now)).all():
            return now
        before, gap = now, float(apart.max())
    raise NoAgreement(factors=families.factors, df=df, gap=gap)


@lru_cache(maxsize=4096)
def _constant(factors: tuple[float, ...], counts: tuple[int, ...], df: float, sides: Sides, share: float) -> float:
    return _crossing(_Families(factors, np.array([counts], dtype=np.float64), sides), df, share)[0]


@lru_cache(maxsize=4096)
def _largest(
    factors: tuple[float, ...], counts: tuple[int, ...], df: float, share: float
) -> tuple[float, tuple[int, ...] | None]:
    """The largest one-sided constant over sign patterns, and how many of each group of equal |b| it turns."""
    turned = _sign_counts(factors, counts)
    if turned is None:
        return _student_point(share / sum(counts), df), None
    powers = np.hstack([np.array(counts) - turned, turned]).astype(np.float64)
    c, tails = _crossing(_Families(factors + tuple(-factor for factor in factors), powers, 1), df, share)
    # The first of equals, so that rounding cannot choose another one on another machine.
    return c, tuple(turned[int(np.argmax(tails >= tails.max() - ABSOLUTE))].tolist())


def _crossing(families: _Families, df: float, share: float) -> tuple[float, Array]:
    """The smallest c that no family passes with more than the given probability, and every family's tail there."""
    alone, bonferroni = (_student_point(share / families.sides / n, df) for n in (1, families.k))
    if families.k == 1:
        return alone, np.full(len(families.powers), share)

    def tails(c: float, grid: _Grid) -> Array:
        return _tails(grid, np.array([c]), families, df)[:, 0]

    def excess(c: float, grid: _Grid) -> float:
        # In logarithms the tail is nearly a straight line in c, so few steps are needed.
        return log(tails(c, grid).max() / share)

    c, gap, before = 0.0, inf, None
    for grid in _grids(families, df, farthest=max(abs(alone), abs(bonferroni))):
        if before is not None:
            here = tails(c, grid)
            gap = abs(here.max() - share)
            if gap <= _slack(share):
                # The last step is Newton's, so that c is as good as the tail even where the tail is flat.
                step = 1e-5 * (1 + abs(c))
                slope = excess(c + step, before) / step
                return c - log(here.max() / share) / slope, here
        c, before = _root(partial(excess, grid=grid), alone, bonferroni), grid
    raise NoAgreement(factors=families.factors, df=df, gap=gap)


def _root(excess: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function crosses 0, by false position; an end that stays twice has its height halved.

    Ours because a general root finder would load all of scipy.optimize, 0.13 s or more each time the program starts.
    The Illinois rule: Dowell & Jarratt (1971), BIT 11, 168-174.
    """
    at_low, at_high = excess(low), excess(high)
    if at_low <= 0 or at_high >= 0:  # the root is an end, to the accuracy of this grid
        return low if at_low <= 0 else high
    moved = 0
    while True:
        middle = high - at_high * (high - low) / (at_high - at_low)
        at_middle = excess(middle)
        if abs(at_middle) < 1e-13 or not low < middle < high:
            return middle
        if at_middle > 0:
            low, at_low, at_high = middle, at_middle, at_high / 2 if moved == 1 else at_high
            moved = 1
        else:
            high, at_high, at_low = middle, at_middle, at_low / 2 if moved == -1 else at_low
            moved = -1


def _slack(p: ArrayLike) -> Array:
    # The floor is for answers so small that their last digits are lost to underflow.
    return np.maximum(np.minimum(ABSOLUTE, RELATIVE * np.asarray(p)), 1e-300)


def _grids(families: _Families, df: float, *, farthest: float) -> Iterator[_Grid]:
    """Ever finer grids, each with half the steps of the last, for limits up to the farthest from 0."""
    steepest = max(map(abs, families.factors))
    reach = Z_REACH + steepest * farthest * _shrink(farthest, df)
    # A contrast turns from q = 0 to q = 1 over a width r/b in z: no step may skip it.
    z_step = Z_STEP * min(1.0, np.sqrt(1 - steepest**2) / max(steepest, 0.1))
    z_n = int(np.ceil(reach / z_step)) if steepest > 0 else 0
    log_low, log_high = _log_s_ends(df)
    s_n = 1 if isinf(df) else max(S_NODES, int(np.ceil((log_high - log_low) / LOG_STEP)))
    while (z_n + 1) * s_n <= NODES:
        z = z_step * np.arange(0 if families.sides == 2 else -z_n, z_n + 1)
        weight = np.exp(-z * z / 2)
        if families.sides == 2:  # the integrand is even in z
            weight[1:] *= 2
        yield _Grid(z, weight / weight.sum(), (log_high - log_low) / s_n)
        z_step, z_n = z_step / 2, z_n * 2
        s_n *= 1 if isinf(df) else 2


def _shrink(c: ArrayLike, df: float) -> Array:
    """How s is scaled, about, given that T passes a large c: s squared is then like chi-squared over df + c*c."""
    return np.asarray(1 / np.hypot(1, np.asarray(c) / np.sqrt(df)))


def _log_s_ends(df: float) -> tuple[float, float]:
    """The ends of log s: beyond each lies a SLIVER of probability."""
    if isinf(df):
        return 0.0, 0.0
    low, high = special.gammaincinv(df / 2, SLIVER), special.gammainccinv(df / 2, SLIVER)
    return 0.5 * log(2 * low / df), 0.5 * log(2 * high / df)


def _tails(grid: _Grid, c: Array, families: _Families, df: float) -> Array:
    """Chance that each family (row) passes each limit (column), on one grid."""
    if isinf(df):
        return _passed(grid, c, families)
    answer = np.empty((len(families.powers), c.size))
    at_zero = np.abs(c) < NEAR_ZERO
    if at_zero.any():
        answer[:, at_zero] = _passed(grid, np.zeros(1), families)
    for sign in (1.0, -1.0):
        here = ~at_zero & (sign * c > 0)
        if here.any():
            log_c = np.log(np.abs(c[here]))
            nodes = _log_nodes(log_c, grid.log_step, df)
            answer[:, here] = _passed(grid, sign * np.exp(nodes), families) @ _log_s_weight(nodes[:, None] - log_c, df)
    return answer


def _log_nodes(log_c: Array, step: float, df: float) -> Array:
    """Whole multiples of the step that cover log(c * s) for every c, and not the gaps between."""
    log_low, log_high = _log_s_ends(df)
    first = np.floor((log_c + log_low + np.log(_shrink(np.exp(log_c), df))) / step).astype(int)
    last = np.ceil((log_c + log_high) / step).astype(int)
    return step * np.unique(np.concatenate([np.arange(i, j + 1) for i, j in zip(first, last, strict=True)]))


def _log_s_weight(log_s: Array, df: float) -> Array:
    """Probability at equally spaced nodes (rows) of u = log s, whose density goes as exp(df * (u - exp(2u)/2))."""
    with np.errstate(over="ignore"):  # far above 1 the density is 0
        density = np.exp(df * (log_s - np.expm1(2 * log_s) / 2))
    return np.asarray(density / density.sum(axis=0))


def _passed(grid: _Grid, limits: Array, families: _Families) -> Array:
    """Chance that each family (row) passes each limit (column) when s = 1."""
    parts = max(1, limits.size * grid.z.size * max(families.powers.shape) // CHUNK)
    return np.hstack([_passed_at_once(grid, part, families) for part in np.array_split(limits, parts)])


def _passed_at_once(grid: _Grid, limits: Array, families: _Families) -> Array:
    logs = np.stack([_log_within(limits[:, None], grid.z, factor, families.sides) for factor in families.factors])
    # Sums of log1p and then expm1, never 1 - product: small tails keep all their digits.
    passed = -np.expm1(families.powers @ logs.reshape(len(families.factors), -1))
    return np.asarray(passed.reshape(-1, limits.size, grid.z.size) @ grid.z_weight)


def _log_within(limit: Array, z: Array, factor: float, sides: Sides) -> Array:
    """Logarithm of the chance that one contrast stays within the limit, at each limit (rows) and z (columns)."""
    r = np.sqrt((1 - factor) * (1 + factor))
    shared = factor * z
    q = special.ndtr((shared - limit) / r)
    if sides == 2:
        q += special.ndtr((-shared - limit) / r)
    # At the last double below 1 the logarithm is finite, and its power is 0 to the accuracy of a double.
    return np.asarray(np.log1p(-np.minimum(q, 1 - 2**-53)))


def _sign_counts(factors: tuple[float, ...], counts: tuple[int, ...]) -> NDArray[np.int64] | None:
    """How many of each equal-|b| group are turned, a row per pattern; of a pattern and its mirror image, the first."""
    choices = [0 if factor == 0 else count for factor, count in zip(factors, counts, strict=True)]
    everything = prod(n + 1 for n in choices)
    its_own_mirror = all(n % 2 == 0 for n in choices)
    if (everything + its_own_mirror) // 2 > PATTERNS:
        return None
    turned = product(*(range(n + 1) for n in choices))
    return np.array([row for row in turned if row <= tuple(n - j for n, j in zip(choices, row, strict=True))])


def _signs(b: Array, turned: tuple[int, ...]) -> Array:
    """A sign per contrast that makes signs * b negative for the last `turned` of each group of equal |b|."""
    _, counts = _grouped(np.abs(b))
    signs = np.where(b < 0, -1.0, 1.0)
    order = np.argsort(np.abs(b), kind="stable")
    for end, n in zip(np.cumsum(counts), turned, strict=True):
        signs[order[end - n : end]] *= -1
    signs *= signs[np.argmax(b != 0)]
    return np.where(b == 0, 1.0, signs)
