"""What the errors of readings and constants do to a result: by straight lines, or by random draws where it bends.

Errors are followed one by one and not reading by reading: an offset that sits in both weighings of a difference
is one error that pulls two inputs, and cancels by itself, as it does on the bench (JCGM 100:2008, 5.2.2 note 1).

    linear        u from the slopes of the formula: exact for a straight line, quick for any number of runs
    departs, departure   whether and how far the formula strays from a straight line
    monte_carlo   u and an interval from random draws, whatever the formula does
    propagate     the first, or the second where `departs` finds that the first would show in the printed figure
    rounding_bias, sheppard, widened   what a coarse instrument does to scatter and to an interval
"""

# Throughout this module, everything in SI:
#   u      standard uncertainty, in the unit of what it belongs to     df   how well u is known; inf is exactly
#   pull   what one standard uncertainty of an error does to an input; its sign says which way
#   N      runs computed at once; all arrays of N are of the shape that the given values have together
#   sd     scatter of single readings or runs     step   the instrument's resolution, same unit

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenbench.measure.formula import Binary, Call, Formula, Node, Unary, evaluate, names, slopes
from evenbench.measure.frozen import Frozen

Array = NDArray[np.float64]
Shape = Literal["normal", "uniform", "triangular"]

DRAWS = 200_000
"""Draws of a simulation: ten thousand times 1 / (1 - level) for a level of 95 % (JCGM 101:2008, 7.2)."""

_CHUNK = 50_000
# The end of a uniform error, and the outer point of the three that carry a normal one (Gauss-Hermite).
_REACH = math.sqrt(3)
_CLOSE = 3.0
# Up to so many errors each pair is looked at, beyond in so many random directions.
MOST_PAIRED, DIRECTIONS = 12, 32

NEAR = "within or near its errors the formula divides by 0 or has no value"
BENDS = "the formula bends within its errors by more than half a unit of the last digit"
STRAIGHT = "within its errors the formula stays within half a unit of the last digit of a straight line"
ZERO = "the denominator could be 0"
NO_VALUE = "the formula may have no value"


@dataclass(frozen=True, eq=False)
class Error:
    """One source of error, and what it does to every input that it touches.

    name   of the source, such as "scale offset". In one computation each name stands for one source, and random
           draws follow the name: a shared error takes the same value wherever it is drawn with the same seed
    pulls  what one standard uncertainty of it adds to each named input, in SI; a number, or one for each run
    shape  how its possible values are spread
    df     degrees of freedom of the standard uncertainty; finite only for a normal error

    >>> offset = Error.from_offset("scale offset", ["wet", "dry"], 0.02)
    >>> offset.pulls, offset.shape
    ({'wet': 0.02, 'dry': 0.02}, 'normal')
    """

    name: str
    pulls: Mapping[str, float | Array]
    shape: Shape = "normal"
    df: float = math.inf

    def __post_init__(self) -> None:
        if not self.df > 0:
            raise ValueError(f"{self.name}: degrees of freedom are above 0, and {self.df} was given")
        if self.shape != "normal" and math.isfinite(self.df):
            raise ValueError(f"{self.name}: only a normal error has degrees of freedom, and this one is {self.shape}")

    @classmethod
    def from_resolution(
        cls,
        name: str,
        reading: str,
        step: float | Array,
        repeats: float | Array = 1,
        *,
        scatter: float | Array | None = None,
    ) -> Self:
        """The rounding of one reading, or of the mean of its repeats, to the steps of the instrument.

        step     the resolution: the reading may lie half of it to either side
        repeats  readings behind the mean
        scatter  standard deviation of the repeats themselves. Rounding averages out only as far as they scatter: three
                 repeats that read the same know no more than one. None takes each rounding for independent, as it
                 is where repeats differ by more than half a step

        Source: JCGM 100:2008, F.2.2.1 for one reading; `rounding_bias` for the part that repeats leave.

        >>> one = Error.from_resolution("dry rounding", "dry", 0.01)
        >>> round(one.pulls["dry"], 7), one.shape
        (0.0028868, 'uniform')
        >>> same = Error.from_resolution("dry rounding", "dry", 0.01, 4, scatter=0.0)
        >>> round(same.pulls["dry"], 7), same.shape
        (0.0028868, 'uniform')
        """
        whole = np.asarray(step, dtype=np.float64) ** 2 / 12
        count = np.maximum(np.asarray(repeats, dtype=np.float64), 1)
        # One reading has no scatter to average by, and where nothing scatters nothing averages out.
        left = (
            np.zeros_like(whole) if scatter is None else np.where(count > 1, rounding_bias(scatter, step) ** 2, whole)
        )
        variance = left + (whole - left) / count
        # A mean of two is exactly triangular and of more nearly normal; a part that all repeats share is uniform.
        most = np.max(count, initial=1)
        if most == 1 or (scatter is not None and np.all((left > variance / 2) | np.isnan(variance))):
            return cls(name, {reading: _plain(np.sqrt(variance))}, "uniform")
        return cls(name, {reading: _plain(np.sqrt(variance))}, "triangular" if most == 2 else "normal")

    @classmethod
    def from_offset(cls, name: str, readings: Iterable[str], u: float | Array) -> Self:
        """An instrument that may read too high or too low by the same amount, whatever it reads.

        readings  every input read with it
        """
        return cls(name, dict.fromkeys(readings, u))

    @classmethod
    def from_gain(cls, name: str, shown: Mapping[str, float | Array], u: float) -> Self:
        """An instrument that may read too high or too low by a share of what it shows.

        shown  for every input read with it, how far it stands above its own zero, in SI: 25 for 25 degC
        u      as a fraction of that

        >>> Error.from_gain("scale gain", {"before": 50.0, "after": 49.2}, 0.001).pulls
        {'before': 0.05, 'after': 0.0492}
        """
        return cls(name, {reading: value * u for reading, value in shown.items()})

    @classmethod
    def from_within(
        cls, name: str, input: str, half_width: float | Array, *, shape: Literal["uniform", "triangular"] = "uniform"
    ) -> Self:
        """An input known only to lie within so much to either side: anywhere alike, or rather in the middle.

        Source: JCGM 100:2008, 4.3.7 (uniform, half width / sqrt 3) and 4.3.9 (triangular, half width / sqrt 6).

        >>> round(Error.from_within("foil thickness", "foil", 4.0).pulls["foil"], 6)
        2.309401
        """
        return cls(name, {input: half_width / math.sqrt(3 if shape == "uniform" else 6)}, shape)

    @classmethod
    def from_standard(cls, name: str, input: str, u: float | Array, *, df: float = math.inf) -> Self:
        """An input with a standard uncertainty of its own: from a certificate, or of a mean of df + 1 readings."""
        return cls(name, {input: u}, "normal", df)


@dataclass(frozen=True, kw_only=True, eq=False)
class Propagated(Frozen):
    """A result with its uncertainty. Arrays are of the shape of the values given, `()` for single numbers.

    value          the formula at the values given
    mean           what it is on average over its errors; `value` where linear
    u              standard uncertainty of the result; nan where there is none, inf where a df of 2 or less leaves none
    df             effective degrees of freedom of u by Welch-Satterthwaite; inf where simulated
    low, high      ends of the interval at `level`; -inf and inf where the result could be anything
    contributions  for each error, what one standard uncertainty of it does to the result along the slopes, with
                   its sign; where linear, their squares add up to that of u
    simulated      bool, where the figures come from random draws and not from slopes
    method, why    how the figures were found, and why so or what is amiss; "" where there is nothing to say
    draws, seed    of the simulation; 0 and None where there was none
    monte_carlo_error  standard error that the draws leave in "mean", "u", "low" and "high"; 0 where linear
    """

    value: Array
    mean: Array
    u: Array
    df: Array
    low: Array
    high: Array
    level: float
    contributions: Mapping[str, Array]
    simulated: NDArray[np.bool_]
    method: str
    why: str = ""
    draws: int = 0
    seed: int | None = None
    monte_carlo_error: Mapping[str, Array]


# ----------------------------------------------------------------------------------------------- straight lines


def linear(
    formula: Formula, values: Mapping[str, ArrayLike], errors: Sequence[Error], *, level: float = 0.95
) -> Propagated:
    """The uncertainty of a result by the slopes of its formula: right as far as the formula is a straight line.

    values  a number, or one for each run, for every name in the formula, in SI
    errors  independent of each other; what they have in common is an error of its own

    The interval is that of Student's t: on the wide side where one uniform error outweighs all others, whose
    95 % end is 1.645 u and not 1.960 u.

    Source: JCGM 100:2008, equation (10), taken per error; effective degrees of freedom, equation (G.2b).

    >>> from evenbench.measure.formula import parse_formula
    >>> loss, given = parse_formula("before - after"), {"before": 50.00, "after": 49.20}
    >>> scale = [
    ...     Error.from_offset("scale offset", ["before", "after"], 0.05),
    ...     Error.from_gain("scale gain", given, 0.001),
    ...     Error.from_resolution("before rounding", "before", 0.01),
    ...     Error.from_resolution("after rounding", "after", 0.01),
    ... ]
    >>> float(linear(loss, given, scale).u.round(8))
    0.00416013
    """
    return _linear(_Problem.of(formula, values, errors), _checked(level))


def departs(formula: Formula, values: Mapping[str, ArrayLike], errors: Sequence[Error], half_unit: ArrayLike) -> bool:
    """Whether the formula bends enough, within its errors, to move the figure that will be printed.

    half_unit  half a unit of the last printed digit, above 0, in SI; a number, or one for each run

    The formula is computed sqrt 3 standard uncertainties to either side of the values, along each error and along
    each pair of errors (of more than a dozen errors, along random directions), and set against its slopes. True where
    any run departs, where the formula has no value at one of these points, and where something that it divides by lies
    within three standard uncertainties of 0.

    >>> from evenbench.measure.formula import parse_formula
    >>> given = {"a": 10.0, "b": 5.0}
    >>> errors = [Error.from_standard("a", "a", 0.5), Error.from_standard("b", "b", 0.2)]
    >>> [departs(parse_formula("a / b"), given, errors, half) for half in (0.05, 0.005)]
    [False, True]
    """
    problem = _Problem.of(formula, values, errors)
    return bool(np.any(_departure(problem) > _flat(half_unit, problem.shape)))


def departure(formula: Formula, values: Mapping[str, ArrayLike], errors: Sequence[Error]) -> Array:
    """How far the formula strays from its slopes within its errors, for each run, in SI; found as `departs` says.

    inf where it may divide by 0 or has no value nearby, nan where a run has no value

    >>> from evenbench.measure.formula import parse_formula
    >>> errors = [Error.from_standard("a", "a", 0.5), Error.from_standard("b", "b", 0.2)]
    >>> departure(parse_formula("a / b"), {"a": [10.0, 10.0], "b": [5.0, 0.5]}, errors).round(4)
    array([0.0119,    inf])
    """
    problem = _Problem.of(formula, values, errors)
    return _departure(problem).reshape(problem.shape)


@dataclass(frozen=True)
class _Problem:
    """A formula with its values and errors laid out flat, one element a run."""

    formula: Formula
    shape: tuple[int, ...]
    values: Mapping[str, Array]
    errors: tuple[tuple[Error, Mapping[str, Array]], ...]
    passive: tuple[str, ...]

    @classmethod
    def of(cls, formula: Formula, values: Mapping[str, ArrayLike], errors: Sequence[Error]) -> Self:
        if len({error.name for error in errors}) < len(errors):
            raise ValueError("two errors of one name: each source of error needs a name of its own")
        needed = names(formula)
        given = {name: np.asarray(values[name], dtype=np.float64) for name in needed if name in values}
        evaluate(formula, given)  # which says so where a name has no value
        felt = [(e, {name: pull for name, pull in e.pulls.items() if name in given}) for e in errors]
        sizes = [value.shape for value in given.values()]
        sizes += [np.shape(pull) for _, pulls in felt for pull in pulls.values()]
        shape = np.broadcast_shapes(*sizes)
        return cls(
            formula,
            shape,
            {name: _flat(value, shape) for name, value in given.items()},
            tuple((e, {n: _flat(pull, shape) for n, pull in pulls.items()}) for e, pulls in felt if pulls),
            tuple(e.name for e, pulls in felt if not pulls),
        )

    @property
    def size(self) -> int:
        return math.prod(self.shape)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where every value and every pull is a number; a value that the formula can do without may be lacking."""
        pulls = [pull for _, pulls in self.errors for pull in pulls.values()]
        given = np.all([np.ones(self.size, dtype=bool), *map(np.isfinite, self.values.values())], axis=0)
        enough = given | np.isfinite(evaluate(self.formula, self.values))
        known: NDArray[np.bool_] = np.all([enough, *map(np.isfinite, pulls)], axis=0)
        return known

    @property
    def touched(self) -> frozenset[str]:
        """Names that an error pulls."""
        return frozenset(name for _, pulls in self.errors for name in pulls)

    def tangent(self, part: Formula) -> tuple[Array, list[Array]]:
        """The value of a part of the formula, and what one standard uncertainty of each error does to it."""
        value, slope = slopes(part, self.values)
        pulled = []
        for _, pulls in self.errors:
            along = [np.where(pull == 0, 0.0, slope[n] * pull) for n, pull in pulls.items() if n in slope]
            pulled.append(np.sum([np.zeros(self.size), *along], axis=0))
        return _flat(value, (self.size,)), pulled

    def at(self, steps: Mapping[int, float]) -> Array:
        """The value of the formula where some errors, by their place, are so many standard uncertainties off."""
        moved = dict(self.values)
        for place, step in steps.items():
            for name, pull in self.errors[place][1].items():
                moved[name] = moved[name] + step * pull
        return _flat(evaluate(self.formula, moved), (self.size,))

    def divisors(self) -> tuple[Formula, ...]:
        """What the formula divides by, taken apart into factors: those that an error can move, or that are 0."""
        parts = (Formula(self.formula.text, node) for node in _divisors(self.formula, self.values))
        return tuple(p for p in parts if self.touched & set(names(p)) or np.any(evaluate(p, self.values) == 0))


def _linear(problem: _Problem, level: float) -> Propagated:
    value, pulled = problem.tangent(problem.formula)
    u = np.sqrt(np.sum([np.where(np.isfinite(value), 0.0, np.nan), *np.square(pulled)], axis=0))
    df = _effective_df(u, pulled, [error.df for error, _ in problem.errors])
    half = _coverage(df, level) * u
    shaped = {error.name: c.reshape(problem.shape) for c, (error, _) in zip(pulled, problem.errors, strict=True)}
    return Propagated(
        value=value.reshape(problem.shape),
        mean=value.reshape(problem.shape),
        u=u.reshape(problem.shape),
        df=df.reshape(problem.shape),
        low=(value - half).reshape(problem.shape),
        high=(value + half).reshape(problem.shape),
        level=level,
        contributions=shaped | {name: np.zeros(problem.shape) for name in problem.passive},
        simulated=np.zeros(problem.shape, dtype=bool),
        method="linear, interval of Student's t",
        monte_carlo_error={figure: np.zeros(problem.shape) for figure in _FIGURES},
    )


_FIGURES = ("mean", "u", "low", "high")


def _coverage(df: Array, level: float) -> Array:
    """How many standard uncertainties half an interval is: Student's t, which is normal where df is inf."""
    if np.all(np.isinf(df) | np.isnan(df)):
        # A check of the sheets needs no more than this, and should not wait for scipy to be loaded.
        return np.where(np.isnan(df), np.nan, NormalDist().inv_cdf((1 + level) / 2))
    from scipy import special

    return np.asarray(special.stdtrit(df, (1 + level) / 2), dtype=np.float64)


def _effective_df(u: Array, pulled: Sequence[Array], dfs: Sequence[float]) -> Array:
    """Welch-Satterthwaite, in shares of u so that no fourth power is lost among very small numbers."""
    with np.errstate(divide="ignore", invalid="ignore"):
        doubts = [np.where(u > 0, (pull / u) ** 4 / df, 0.0) for pull, df in zip(pulled, dfs, strict=True)]
        df: Array = 1 / np.sum([np.zeros_like(u), *doubts], axis=0)
    return df


def _departure(problem: _Problem) -> Array:
    """How far the formula strays from its slopes within its errors, in its unit; inf where it has no value there.

    Alone, an error bends the formula by its second and higher derivatives, and moves the mean by them. Two errors
    together also bend it where each alone does not: (a - 1.2) * (b - 8) near a = 1.2, b = 8.
    """
    value, pulled = problem.tangent(problem.formula)
    count = len(pulled)
    shift, square = np.zeros(problem.size), np.zeros(problem.size)
    for i, pull in enumerate(pulled):
        above, below = problem.at({i: _REACH}), problem.at({i: -_REACH})
        shift += (above + below - 2 * value) / (2 * _REACH**2)
        square += np.maximum(np.abs(above - value - _REACH * pull), np.abs(below - value + _REACH * pull)) ** 2
    reach = _REACH / math.sqrt(2)  # a pair goes as far from the values as one error alone
    if count > MOST_PAIRED:
        square += _bend_of_pairs(problem, value, shift, reach)
    for i in range(count if count <= MOST_PAIRED else 0):
        for j in range(i):
            alike = problem.at({i: reach, j: reach}) + problem.at({i: -reach, j: -reach})
            unlike = problem.at({i: reach, j: -reach}) + problem.at({i: -reach, j: reach})
            square += ((alike - unlike) / 4) ** 2
    far = np.maximum(np.abs(shift), np.sqrt(square))
    for divisor in problem.divisors():
        least, moves = problem.tangent(divisor)
        far[np.abs(least) <= _CLOSE * np.sqrt(np.sum(np.square(moves), axis=0))] = np.inf
    return np.where(problem.known, np.where(np.isnan(far), np.inf, far), np.nan)


def _bend_of_pairs(problem: _Problem, value: Array, shift: Array, reach: float) -> Array:
    """The sum of the squares that all pairs of many errors add, without going through them one by one.

    With signs drawn at random, f(x + d) + f(x - d) - 2 f(x) is the bend of each error alone plus that of every pair
    with a sign of its own: what is left without the first has the wanted sum as its mean square (M. F. Hutchinson,
    1989, Communications in Statistics 18, 1059-1076).
    """
    count = len(problem.errors)
    signs = np.random.default_rng(count).choice([-1.0, 1.0], (DIRECTIONS, count))
    near = reach / math.sqrt(count)
    total = np.zeros(problem.size)
    for direction in signs:
        step = dict(enumerate((near * direction).tolist()))
        both = problem.at(step) + problem.at({place: -by for place, by in step.items()}) - 2 * value
        total += ((both / near**2 - 2 * shift) / 2 * reach**2) ** 2
    return total / DIRECTIONS


def _divisors(formula: Formula, values: Mapping[str, Array]) -> Iterator[Node]:
    """Every part that takes the formula out of bounds where it is 0."""
    for node in _parts(formula.tree):
        if not isinstance(node, Binary):
            continue
        if node.sign == "/":
            yield from _factors(node.right)
        elif node.sign == "^" and np.any(evaluate(Formula(formula.text, node.right), values) < 0):
            yield from _factors(node.left)


def _factors(node: Node) -> Iterator[Node]:
    """The parts of a product of which one must be 0 for the whole to be: of abs(b) ^ 2 / c it is b."""
    match node:
        case Unary():
            yield from _factors(node.value)
        case Binary(sign="*"):
            yield from _factors(node.left)
            yield from _factors(node.right)
        case Binary(sign="/" | "^"):
            yield from _factors(node.left)
        case Call(function="abs" | "sqrt"):
            yield from _factors(node.values[0])
        case _:
            yield node


def _parts(node: Node) -> Iterator[Node]:
    yield node
    match node:
        case Unary():
            yield from _parts(node.value)
        case Binary():
            yield from _parts(node.left)
            yield from _parts(node.right)
        case Call():
            for value in node.values:
                yield from _parts(value)


# ------------------------------------------------------------------------------------------------- random draws


def monte_carlo(
    formula: Formula,
    values: Mapping[str, ArrayLike],
    errors: Sequence[Error],
    *,
    seed: int,
    draws: int = DRAWS,
    level: float = 0.95,
) -> Propagated:
    """The uncertainty of a result from random draws of its errors, however the formula bends.

    Each draw gives every error one value, which goes into all inputs that it pulls. The interval is
    the probabilistically symmetric one: as many draws fall below it as above. A normal error with few degrees of
    freedom is drawn from Student's t, whose spread is wider than u. A draw for which the formula has no value,
    or has passed a division by 0, may stand for anything: it counts as lying beyond both ends. One such draw, and
    the result has no mean and no u; a share of (1 - level) / 2, and no interval.

    The figures of a run depend on its own values, the errors and the seed: not on the runs beside it.

    Source: JCGM 101:2008, 7.3 to 7.7; t for a mean of few readings, 6.4.9.

    >>> from evenbench.measure.formula import parse_formula
    >>> errors = [Error.from_standard("a", "a", 0.5), Error.from_standard("b", "b", 0.2)]
    >>> got = monte_carlo(parse_formula("a / b"), {"a": 10.0, "b": 5.0}, errors, seed=1)
    >>> [round(float(figure), 2) for figure in (got.mean, got.u, got.low, got.high)]
    [2.0, 0.13, 1.76, 2.26]
    >>> could_be_nothing = monte_carlo(parse_formula("a / b"), {"a": 10.0, "b": 0.2}, errors, seed=1)
    >>> could_be_nothing.why
    'the denominator could be 0: could be anything'
    """
    problem = _Problem.of(formula, values, errors)
    everywhere = np.ones(problem.size, dtype=bool)
    return _simulated(problem, _linear(problem, _checked(level)), everywhere, seed=seed, draws=draws)


def propagate(
    formula: Formula,
    values: Mapping[str, ArrayLike],
    errors: Sequence[Error],
    *,
    seed: int,
    half_unit: ArrayLike,
    draws: int = DRAWS,
    level: float = 0.95,
) -> Propagated:
    """The uncertainty of a result: linear, and from random draws for the runs where that would show in print.

    half_unit  half a unit of the last printed digit, above 0, in SI; see `departs`

    >>> from evenbench.measure.formula import parse_formula
    >>> errors = [Error.from_standard("a", "a", 0.5), Error.from_standard("b", "b", 0.2)]
    >>> got = propagate(parse_formula("a / b"), {"a": 10.0, "b": 5.0}, errors, seed=1, half_unit=0.005)
    >>> got.method
    'Monte Carlo, 200,000 draws, symmetric interval'
    >>> got.why
    'the formula bends within its errors by more than half a unit of the last digit'
    """
    problem = _Problem.of(formula, values, errors)
    straight = _linear(problem, _checked(level))
    far = _departure(problem)
    bends = far > _flat(half_unit, problem.shape)
    if not bends.any():
        return replace(straight, why=STRAIGHT)
    drawn = _simulated(problem, straight, bends, seed=seed, draws=draws)
    return replace(drawn, why=drawn.why or (BENDS if np.isfinite(far[bends]).any() else NEAR))


@dataclass(frozen=True, kw_only=True)
class _Drawn:
    """What the draws of one run come to.

    wobble   standard errors that the draws leave in mean, u, low and high
    lost     draws that may stand for anything
    divided  whether some were lost to a division by 0
    """

    mean: float
    u: float
    low: float
    high: float
    wobble: tuple[float, float, float, float]
    lost: int
    divided: bool

    @property
    def open(self) -> bool:
        return math.isinf(self.high)


def _simulated(
    problem: _Problem, straight: Propagated, where: NDArray[np.bool_], *, seed: int, draws: int
) -> Propagated:
    """The linear figures, those of the runs in `where` replaced by figures from random draws."""
    if draws * (1 - straight.level) < 2:
        raise ValueError(f"{draws} draws are too few for an interval at {straight.level}")
    where = where & problem.known
    figures = {name: getattr(straight, name).reshape(-1).copy() for name in (*_FIGURES, "df")}
    wobble = {name: np.zeros(problem.size) for name in _FIGURES}
    divisors = problem.divisors()
    # One set of columns for all chunks of all runs: what a formula was last given may outlive its evaluation.
    room = {name: np.empty(min(draws, _CHUNK)) for name in problem.touched}
    found = {}
    for run in np.flatnonzero(where):
        sample, divided = _sample(problem, int(run), divisors, room, seed=seed, draws=draws)
        found[run] = drawn = _summary(sample, straight.level, _least_df(problem, int(run)), divided=divided)
        for name, error in zip(_FIGURES, drawn.wobble, strict=True):
            figures[name][run], wobble[name][run] = getattr(drawn, name), error
        figures["df"][run] = np.inf
    method = f"Monte Carlo, {draws:,} draws, symmetric interval"
    if len(found) < problem.size:
        method += f", in {len(found)} of {problem.size} runs; linear, interval of Student's t, in the others"
    return replace(
        straight,
        **{name: figure.reshape(problem.shape) for name, figure in figures.items()},
        simulated=where.reshape(problem.shape),
        method=method,
        why=_amiss(list(found.values()), of=problem.size, draws=draws),
        draws=draws,
        seed=seed,
        monte_carlo_error={name: error.reshape(problem.shape) for name, error in wobble.items()},
    )


def _sample(
    problem: _Problem, run: int, divisors: Sequence[Formula], room: Mapping[str, Array], *, seed: int, draws: int
) -> tuple[Array, bool]:
    """The result of one run in every draw, nan for a lost one, and whether any was lost to a division by 0.

    Lost is a draw for which the formula has no value, or a divisor is not on the side of 0 where the values put it.
    """
    values = {name: float(value[run]) for name, value in problem.values.items()}
    streams = [_stream(seed, error.name) for error, _ in problem.errors]
    sides = [np.sign(evaluate(divisor, values)) for divisor in divisors]
    out, divided = np.empty(draws), False
    for start in range(0, draws, _CHUNK):
        chunk = out[start : start + _CHUNK]
        moved = {name: column[: len(chunk)] for name, column in room.items()}
        given: dict[str, float | Array] = {**values, **moved}
        for name, column in moved.items():
            column[:] = values[name]
        for (error, pulls), stream in zip(problem.errors, streams, strict=True):
            drawn = _standard(error, stream, len(chunk))
            for name, pull in pulls.items():
                moved[name] += pull[run] * drawn
        chunk[:] = evaluate(problem.formula, given)
        for divisor, side in zip(divisors, sides, strict=True):
            passed = ~(evaluate(divisor, given) * side > 0)
            chunk[passed] = np.nan
            divided = divided or bool(np.any(passed))
    return out, divided


def _stream(seed: int, name: str) -> np.random.Generator:
    """Random numbers that depend on the seed and the error's name, and not on what else is drawn."""
    digest = int.from_bytes(hashlib.sha256(name.encode()).digest()[:16], "big")
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, digest])))


def _standard(error: Error, stream: np.random.Generator, count: int) -> Array:
    """Draws of an error in units of its standard uncertainty."""
    if error.shape == "uniform":
        return stream.uniform(-math.sqrt(3), math.sqrt(3), count)
    if error.shape == "triangular":
        return stream.triangular(-math.sqrt(6), 0.0, math.sqrt(6), count)
    return stream.standard_normal(count) if math.isinf(error.df) else stream.standard_t(error.df, count)


def _least_df(problem: _Problem, run: int) -> float:
    felt = [error.df for error, pulls in problem.errors if any(pull[run] != 0 for pull in pulls.values())]
    return min(felt, default=math.inf)


def _summary(sample: Array, level: float, least_df: float, *, divided: bool) -> _Drawn:
    draws = len(sample)
    kept = np.sort(sample[np.isfinite(sample)])
    lost = draws - len(kept)
    # JCGM 101:2008, 7.7.2, with ranks from 0. A lost draw lies below the low end and above the high end at once.
    inside = int(level * draws + 0.5)
    below = (draws - inside + 1) // 2
    first, last = below - lost - 1, below + inside - 1
    if first < 0 or last >= len(kept):
        nothing = (math.nan,) * 4
        return _Drawn(
            mean=math.nan, u=math.nan, low=-math.inf, high=math.inf, wobble=nothing, lost=lost, divided=divided
        )
    mean, u, mean_error, u_error = _moments(kept, least_df, lost)
    # The rank of an end scatters by its binomial standard deviation, and so the end from value to value.
    by = round(math.sqrt(draws * (1 - level) / 2 * (1 + level) / 2))
    low_error, high_error = _around(kept, first, by), _around(kept, last, by)
    wobble = (mean_error, u_error, low_error, high_error)
    return _Drawn(mean=mean, u=u, low=kept[first], high=kept[last], wobble=wobble, lost=lost, divided=divided)


def _moments(kept: Array, least_df: float, lost: int) -> tuple[float, float, float, float]:
    """Mean and standard deviation of the draws and their standard errors, where they exist at all.

    Student's t has no mean up to df = 1 and no finite standard deviation up to 2; what has been close to a
    division by 0 has neither.
    """
    if lost or least_df <= 2:
        mean = math.nan if lost or least_df <= 1 else float(np.mean(kept))
        return mean, math.nan if lost else math.inf, math.nan, math.nan
    mean, u = float(np.mean(kept)), float(np.std(kept, ddof=1))
    if u == 0:
        return mean, 0.0, 0.0, 0.0
    kurtosis = float(np.mean(((kept - mean) / u) ** 4))
    draws = len(kept)
    return mean, u, u / math.sqrt(draws), u * math.sqrt(max(kurtosis - 1, 0.0) / draws) / 2


def _around(ordered: Array, rank: int, by: int) -> float:
    near, far = max(rank - by, 0), min(rank + by, len(ordered) - 1)
    return float(ordered[far] - ordered[near]) / 2


def _amiss(found: Sequence[_Drawn], *, of: int, draws: int) -> str:
    """What is wrong with the figures, if anything: runs that could be anything before runs that only lack a u."""
    cause = ZERO if any(drawn.divided for drawn in found) else NO_VALUE
    opened = sum(drawn.open for drawn in found)
    partly = [drawn.lost for drawn in found if drawn.lost and not drawn.open]
    says = []
    if opened:
        says.append(f"{_in(opened, of)}{cause}: could be anything")
    if partly:
        most = f"up to {max(partly):,}" if len(partly) > 1 else f"{partly[0]:,}"
        says.append(f"{_in(len(partly), of)}{cause}, in {most} of {draws:,} draws: an interval, but no u")
    if any(math.isinf(drawn.u) for drawn in found):
        says.append("an error with 2 degrees of freedom or fewer: an interval, but no u")
    return "; ".join(says)


def _in(some: int, of: int) -> str:
    return "" if of == 1 else f"in {some} of {of} runs "


# ------------------------------------------------------------------------------------------- coarse instruments


def rounding_bias(sd: ArrayLike, step: ArrayLike) -> Array:
    """How far the mean of many rounded readings typically lies from the mean of the readings themselves.

    sd    scatter of the readings before rounding
    step  the resolution, same unit

    It does not shrink with more readings, and depends on where the true mean falls within a step; this is the root
    mean square over all places. From half a step of scatter on it can be ignored; without scatter it is step / sqrt 12.

    Source: B^2 = h^2 / (2 pi^2) * sum over k of exp(-4 pi^2 k^2 sd^2 / h^2) / k^2; see Wilrich (2005) and
    Vardeman (2005). Below sd = 0.07 h by the reflected series (Poisson's summation), h^2 (1/12 - r / sqrt pi + r^2)
    with r = sd / h, whose next term is under 1e-20.

    >>> rounding_bias([0.0, 0.1, 0.25, 0.5], 1.0).round(5)
    array([0.28868, 0.19213, 0.06555, 0.00162])
    """
    step = np.asarray(step, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        r = np.where(step > 0, np.asarray(sd, dtype=np.float64) / step, np.inf)
    k = np.arange(1, 15)
    series = np.sum(np.exp(-((2 * math.pi * k * r[..., np.newaxis]) ** 2)) / k**2, axis=-1) / (2 * math.pi**2)
    with np.errstate(invalid="ignore"):
        reflected = 1 / 12 - r / math.sqrt(math.pi) + r**2
    bias: Array = step * np.sqrt(np.where(r < 0.07, reflected, series))
    return bias


def sheppard(sd: ArrayLike, step: ArrayLike) -> Array:
    """The scatter of readings before they were rounded, from that of the rounded ones; never below 0.

    Source: Sheppard (1898): s^2 less step^2 / 12.

    >>> float(sheppard(0.5, 1.0).round(6)), float(sheppard(0.2, 1.0))
    (0.408248, 0.0)
    """
    rounding = np.asarray(step, dtype=np.float64) ** 2 / 12
    before: Array = np.sqrt(np.maximum(np.asarray(sd, dtype=np.float64) ** 2 - rounding, 0.0))
    return before


def widened(se: ArrayLike, *, c: ArrayLike, bias: ArrayLike, step: ArrayLike) -> Array:
    """Half an interval of a difference of two means, with what rounding may have done to both; at most a step more.

    se    standard error of the difference, from the scatter
    c     how many standard errors half the interval is
    bias  `rounding_bias` of one mean
    step  the resolution: two means cannot be off against each other by more

    >>> [float(widened(se, c=2.0, bias=0.28868, step=1.0).round(4)) for se in (0.0, 1.0, 10.0)]
    [0.8165, 2.1603, 20.0167]
    """
    se, c, step = (np.asarray(given, dtype=np.float64) for given in (se, c, step))
    half: Array = np.minimum(c * np.sqrt(se**2 + 2 * np.asarray(bias, dtype=np.float64) ** 2), c * se + step)
    return half


# ------------------------------------------------------------------------------------------------------ helpers


def _flat(value: ArrayLike, shape: tuple[int, ...]) -> Array:
    flat: Array = np.broadcast_to(np.asarray(value, dtype=np.float64), shape).reshape(-1)
    return flat


def _plain(value: Array) -> float | Array:
    return float(value) if np.ndim(value) == 0 else value


def _checked(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, and {level} was given")
    return level
