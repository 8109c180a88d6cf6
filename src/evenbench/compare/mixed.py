"""Random blocks: levels of products when days, heats or batches are drawn from many, with the degrees of freedom due.

Throughout: N runs, p fixed terms, F random factors. The covariance of the runs is V = sum of variance_i * G_i, with
G_i = Z_i Z_i' of the i-th factor (Z_i says which level each run is in) and G = I last, for the scatter between runs.
All in the result's unit, squares where said. Everything is computed for residuals divided by their own size, so that
neither a unit nor an offset matters, and from singular values of Z_i with the fixed terms taken out, so that no N x N
matrix is ever inverted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from itertools import product as every

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenbench.measure.frozen import Frozen

Array = NDArray[np.float64]
Labels = NDArray[np.int64]

MOST_FACTORS = 5

# Below this share of its own size a term with others taken out is rounding: the others say all that it says.
_GONE = 1e-10
# A few units in the last place of the largest value: below that, scatter is the arithmetic's, not the bench's.
_ROUNDING = 4 * float(np.finfo(np.float64).eps)
# Scatter within levels below this share of all scatter is what taking the levels out leaves of the arithmetic.
_EVEN = 1e-12
# Quotients with a divisor this near 0 are left alone: the degrees of freedom are then 2 or 4, or past counting.
_FEW = 1e-8
# Log-likelihoods nearer than this are one maximum reached from two starts.
_NEARER = 1e-9


class CannotFit(ValueError):
    """What the runs are too few, too alike or too entangled to show; `reason` is for people."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


@dataclass(frozen=True, kw_only=True)
class Together:
    """Several contrasts tested at once: the chance of so large an F where none truly differs from 0.

    f         the F statistic, scaled as Kenward and Roger ask
    contrasts how many independent contrasts: the first degrees of freedom
    df        the second degrees of freedom; need not be whole
    p         chance of an F this large or larger
    """

    f: float
    contrasts: int
    df: float
    p: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Mixed(Frozen):
    """Fixed terms of a mixed model, the variances behind them, and how well each contrast is known.

    coefficients   float64[p] one for each fixed term
    covariance     float64[p, p] were the variances known exactly: (X' V^-1 X)^-1
    adjusted       float64[p, p] after Kenward and Roger, for not knowing them: what standard errors are taken from
    names          the factors asked for
    variance       float64[F + 1] variance between levels of each factor, then between runs; 0 where estimated as 0
    zero           names of the factors whose variance was estimated as 0: no sign of differences between their levels
    kept_fixed     factors whose levels were fitted as fixed terms instead: those of `zero`, any of variance 0 beside
                   those, and any that fixed levels already say all of
    left_out       factors of variance 0 that could not be fixed, as then not every term could be estimated
    criterion      twice the negative restricted log-likelihood of the model asked for, at its best
    residuals      degrees of freedom of all residuals together
    weight         float64[p, N] coefficients = weight @ y: what each run contributes
    residual       float64[N] what is left of each run after fixed terms and predicted levels of the factors
    scatter        float64[c, c] covariance of the c variances that are not 0
    part           float64[c, p, p] what each of them, were it 1, would bring to the covariance
    """

    coefficients: Array
    covariance: Array
    adjusted: Array
    names: tuple[str, ...]
    variance: Array
    zero: tuple[str, ...]
    kept_fixed: tuple[str, ...]
    left_out: tuple[str, ...]
    criterion: float
    residuals: int
    weight: Array
    residual: Array
    scatter: Array
    part: Array

    @property
    def log_likelihood(self) -> float:
        """The restricted log-likelihood; to be compared only between models with the same fixed terms."""
        return -self.criterion / 2

    def estimate(self, contrast: ArrayLike) -> float:
        """One contrast of the coefficients, in the unit of the result."""
        return float(self._checked(contrast) @ self.coefficients)

    def standard_error(self, contrast: ArrayLike) -> float:
        """Standard error of one contrast, adjusted after Kenward and Roger, in the unit of the result."""
        c = self._checked(contrast)
        return float(np.sqrt(c @ self.adjusted @ c))

    def df(self, contrast: ArrayLike) -> float:
        """Degrees of freedom of one contrast; need not be whole, and differ from contrast to contrast.

        Sources: Satterthwaite (1946), Biometrics Bull. 2, 110-114; Kenward and Roger (1997), Biometrics 53, 983-997,
        whose own formula becomes this for a single contrast.
        """
        c = self._checked(contrast)
        share = self.part @ c @ c
        return float(2 * (c @ self.covariance @ c) ** 2 / (share @ self.scatter @ share))

    def test(self, contrasts: ArrayLike) -> Together:
        """Whether any of several contrasts differs from 0, by an F with Kenward and Roger's scale.

        contrasts  float64[l, p], one a row, none of them a sum of the others

        Where runs are so few that the F has no mean to be matched (2 degrees of freedom or fewer), the scale is 1 and
        the degrees of freedom are the least that any of its uncorrelated parts has.

        Raises ValueError where one is. Source: Kenward and Roger (1997), Biometrics 53, 983-997, section 3.
        """
        from scipy import special

        rows = np.atleast_2d(np.asarray(contrasts, dtype=np.float64))
        count = len(rows)
        for row in rows:
            self._checked(row)
        if np.linalg.matrix_rank(rows) < count:
            raise ValueError(f"one of the {count} contrasts is a sum of the others; leave it out")
        values = rows @ self.coefficients
        f = float(values @ np.linalg.solve(rows @ self.adjusted @ rows.T, values)) / count
        if count == 1:
            df, scale = self.df(rows[0]), 1.0
        else:
            inverse = np.linalg.inv(rows @ self.covariance @ rows.T)
            share = [inverse @ rows @ part @ rows.T for part in self.part]
            traces = np.array([np.trace(s) for s in share])
            a1 = float(traces @ self.scatter @ traces)
            a2 = float(sum(w * np.sum(share[i] * share[j].T) for (i, j), w in np.ndenumerate(self.scatter)))
            df, scale = _df_and_scale(count, a1, a2) or (self._least_df(rows), 1.0)
        return Together(f=f * scale, contrasts=count, df=df, p=float(special.fdtrc(count, df, f * scale)))

    def _least_df(self, rows: Array) -> float:
        """The least df among the uncorrelated contrasts that these are sums of."""
        _, axes = np.linalg.eigh(rows @ self.covariance @ rows.T)
        return min(self.df(axis @ rows) for axis in axes.T)

    def _checked(self, contrast: ArrayLike) -> Array:
        c = np.asarray(contrast, dtype=np.float64)
        if c.shape != self.coefficients.shape:
            raise ValueError(f"a contrast of shape {c.shape} for {len(self.coefficients)} coefficients; give one each")
        if not (np.isfinite(c).all() and c.any()):
            raise ValueError("a contrast needs finite numbers, not all 0")
        return c


def fit_mixed(
    y: ArrayLike,
    fixed: ArrayLike,
    factors: Sequence[ArrayLike],
    *,
    names: Sequence[str],
    columns: Sequence[str] = (),
    rounding: float = 0.0,
) -> Mixed:
    """Fit fixed terms with one or several random factors, nested or crossed, by restricted maximum likelihood.

    y         float64[N] outcomes
    fixed     float64[N, p] fixed terms: a column of 0 and 1 for each product, drift, baseline
    factors   for each random factor whole numbers[N], any labels: runs with the same label share a level. A factor
              within another has labels of its own for each of the other's levels.
    names     what people call each factor: "day"
    columns   what people call each fixed term, for messages
    rounding  a standard deviation that is no scatter but arithmetic, in the unit of y

    A factor whose variance is estimated as 0 is named in `zero` and its levels are then fitted as fixed terms, which
    sum to 0: dropping it would credit the runs with an evenness that they did not show. Where that would leave a term
    that cannot be estimated, it is named in `left_out`.

    Raises CannotFit for what the runs cannot show, and ValueError for arrays that do not fit together.

    Sources: Patterson and Thompson (1971), Biometrika 58, 545-554; Kenward and Roger (1997), Biometrics 53, 983-997.

    >>> wear = [31.0, 33, 36, 38, 40, 42]  # three sheets of cloth, two runs on each
    >>> m = fit_mixed(wear, np.ones((6, 1)), [[1, 1, 2, 2, 3, 3]], names=["sheet"])
    >>> [round(float(v), 6) for v in m.variance], round(m.standard_error([1]), 6), round(m.df([1]), 6)
    ([19.333333, 2.0], 2.603417, 2.0)
    """
    values, terms, labels = _arrays(y, fixed, factors, names)
    levels = [_indicators(label, name) for label, name in zip(labels, names, strict=True)]
    _distinct(labels, names)
    asked = _Room(values, terms, np.zeros((len(values), 0)), columns)
    blank = [name for name, z in zip(names, levels, strict=True) if asked.explains(z)]
    if blank:
        raise CannotFit(f"{blank[0]} cannot be told from the fixed terms: they already say all that {blank[0]} could")
    at = asked.search(levels, names, rounding)
    criterion = asked.finish(levels, at).criterion
    zero = tuple(name for name, ratio in zip(names, at, strict=True) if ratio == 0)

    room, random, ratios = asked, list(range(len(names))), at
    kept_fixed: list[int] = []
    left_out: list[int] = []
    while any(r == 0 for r in ratios):
        first = random[[r == 0 for r in ratios].index(True)]
        narrower = room.with_fixed(_contrasts_of(levels[first]))
        if narrower is None:
            left_out.append(first)
        else:
            room = narrower
            kept_fixed.append(first)
        random.remove(first)
        within = [i for i in random if room.explains(levels[i])]
        kept_fixed += within
        random = [i for i in random if i not in within]
        ratios = room.search([levels[i] for i in random], [names[i] for i in random], rounding)

    done = room.finish([levels[i] for i in random], ratios)
    variance = np.zeros(len(names) + 1)
    variance[[*random, len(names)]] = done.variance
    return Mixed(
        coefficients=done.coefficients,
        covariance=done.covariance,
        adjusted=done.adjusted,
        names=tuple(names),
        variance=variance,
        zero=zero,
        kept_fixed=tuple(names[i] for i in sorted(kept_fixed)),
        left_out=tuple(names[i] for i in sorted(left_out)),
        criterion=criterion,
        residuals=room.freedom,
        weight=done.weight,
        residual=done.residual,
        scatter=done.scatter,
        part=done.part,
    )


@dataclass(frozen=True)
class _Finished:
    """All that is said of one set of ratios, in the unit of y."""

    coefficients: Array
    covariance: Array
    adjusted: Array
    variance: Array
    criterion: float
    weight: Array
    residual: Array
    scatter: Array
    part: Array


class _Room:
    """What the fixed terms leave of the runs, and the search for variances in it.

    own       float64[p, N] the terms' coefficients by least squares
    nuisance  float64[N, m] orthonormal; more fixed terms, which nobody asks about
    freedom   degrees of freedom of what is left
    left      float64[N] what is left, divided by `size`, so that its mean square is 1
    """

    def __init__(self, y: Array, terms: Array, nuisance: Array, columns: Sequence[str]) -> None:
        self.y, self.terms, self.nuisance, self.columns = y, terms, nuisance, columns
        count, p = terms.shape
        self.freedom = count - p - nuisance.shape[1]
        if self.freedom < 1:
            raise CannotFit(
                f"{p + nuisance.shape[1]} terms to estimate from {count} runs: nothing is left to show how runs scatter"
            )
        # Columns of one size: an order that counts to 500 is no worse known than a product's 0 and 1.
        length = np.linalg.norm(terms, axis=0)
        alone = np.flatnonzero(length == 0)
        unit = terms / np.where(length == 0, 1, length)
        unit = unit - nuisance @ (nuisance.T @ unit)
        u, s, vt = np.linalg.svd(unit, full_matrices=False)
        if alone.size or s[-1] <= _GONE * math.sqrt(count):
            entangled = alone if alone.size else np.flatnonzero(np.abs(vt[-1]) > math.sqrt(_GONE))
            told = [columns[i] if i < len(columns) else f"term {i + 1}" for i in entangled.tolist()]
            raise CannotFit(f"these fixed terms cannot be told apart: {', '.join(told)}")
        self.basis: Array = np.hstack([u, nuisance])
        self.own: Array = ((vt.T / s) @ u.T) / length[:, None]
        self.log_det = 2 * float(np.sum(np.log(s)) + np.sum(np.log(length)))
        # A balance that reads a million grams more must not cost digits: take the middle out where the terms allow.
        level = self.own.sum(axis=1)
        even = bool(np.abs(terms @ level - 1).max() < 1e-12)
        centre = float(np.median(y)) if even else 0.0
        self.coefficients: Array = self.own @ (y - centre) + centre * level
        rest = self.without(y - centre)
        self.size = float(np.linalg.norm(rest)) / math.sqrt(self.freedom)
        self.smallest = _ROUNDING * float(np.abs(y).max())
        self.left: Array = rest / self.size if self.size > self.smallest else np.zeros(count)

    def without(self, columns: Array) -> Array:
        """Columns with the fixed terms taken out; twice, as once leaves rounding behind."""
        once = columns - self.basis @ (self.basis.T @ columns)
        return np.asarray(once - self.basis @ (self.basis.T @ once))

    def explains(self, z: Array) -> bool:
        """Whether the fixed terms say all that a factor's levels could."""
        return bool(np.linalg.norm(self.without(z)) <= math.sqrt(_GONE) * np.linalg.norm(z))

    def with_fixed(self, more: Array) -> _Room | None:
        """The same with more fixed terms; None where a term then could not be estimated."""
        u, s, _ = np.linalg.svd(np.hstack([self.nuisance, more]), full_matrices=False)
        nuisance = u[:, s > _GONE * s[0] * len(self.y)]
        try:
            return _Room(self.y, self.terms, nuisance, self.columns)
        except CannotFit:
            return None

    def search(self, levels: list[Array], names: Sequence[str], rounding: float) -> Array:
        """float64[F] each factor's variance over that between runs, where the restricted likelihood is greatest."""
        bare = [self.without(z) for z in levels]
        u, s, vt = np.linalg.svd(np.hstack([*bare, np.zeros((len(self.y), 1))]), full_matrices=False)
        keep = s > _GONE * max(float(s[0]), 1.0)
        pure = self.freedom - int(keep.sum())
        if pure < 1:
            raise CannotFit(f"no run is repeated within {_listed(names)}: nothing shows how runs scatter there")
        inside = u[:, keep].T @ self.left
        beyond = float(np.sum((self.left - u[:, keep] @ inside) ** 2))
        if math.sqrt(beyond / pure) * self.size <= max(self.smallest, _EVEN * self.size, rounding):
            within = f" within {_listed(names)}" if levels else ""
            raise CannotFit(f"all runs{within} read the same: too coarse to show how runs scatter")
        if not levels:
            return np.zeros(0)
        across = s[keep, None] * vt[keep, :-1]
        parts = np.split(across, np.cumsum([z.shape[1] for z in levels])[:-1], axis=1)
        _separable(parts, pure, names)
        if len(levels) == 1:
            return np.array([_one_ratio(s[keep] ** 2, inside**2, beyond, self.freedom)])
        return _several_ratios(parts, inside, beyond, self.freedom)

    def finish(self, levels: list[Array], ratios: Array) -> _Finished:
        """Coefficients, covariances and degrees of freedom at given ratios, Kenward and Roger's adjustment included.

        With H the inverse of I + sum of ratio_i B_i B_i' in the room that is left, B_i = Z_i without the fixed terms,
        and L the weights of the coefficients: each of Kenward and Roger's terms, between two Phi, is L G_i L' or
        L G_i M G_j L', with M = H / variance between runs. Written in singular values none of it subtracts.
        """
        some = [i for i, r in enumerate(ratios) if r > 0]
        scale = [math.sqrt(float(ratios[i])) for i in some]
        count, p = self.terms.shape
        width = [levels[i].shape[1] for i in some]
        scaled = np.hstack([*(levels[i] * r for i, r in zip(some, scale, strict=True)), np.zeros((count, 0))])
        tall = np.zeros((max(count, scaled.shape[1]), scaled.shape[1]))
        tall[:count] = self.without(scaled)
        u, s, vt = np.linalg.svd(tall, full_matrices=False)
        u, square = u[:count], s**2
        kept = 1 / (1 + square)
        inside = u.T @ self.left
        beyond = float(np.sum((self.left - u @ inside) ** 2))
        between_runs = (beyond + float(np.sum(kept * inside**2))) / self.freedom

        reach = self.own @ scaled @ vt.T
        weight = self.own - (reach * (s * kept)) @ u.T
        pulled = (reach * kept) @ vt  # what a factor's levels do to the coefficients, times the root of its ratio
        edges = np.cumsum([0, *width])
        blocks = [slice(a, b) for a, b in pairwise(edges)]
        pull = [pulled[:, b] for b in blocks]
        own_part = weight @ weight.T
        covariance = between_runs * (own_part + sum((f @ f.T for f in pull), np.zeros((p, p))))
        part = np.array([*(f @ f.T / r**2 for f, r in zip(pull, scale, strict=True)), own_part])

        size = len(some) + 1
        link, information = np.zeros((size, size, p, p)), np.zeros((size, size))
        middle, outer = (vt.T * (square * kept)) @ vt, (vt.T * (square * kept**2)) @ vt
        lean = (vt.T * (square * kept**2)) @ reach.T
        for i, (bi, ri) in enumerate(zip(blocks, scale, strict=True)):
            for j, (bj, rj) in enumerate(zip(blocks, scale, strict=True)):
                link[i, j] = pull[i] @ middle[bi, bj] @ pull[j].T / (ri * rj) ** 2
                information[i, j] = np.sum(middle[bi, bj] ** 2) / (ri * rj) ** 2
            link[i, -1] = -pull[i] @ lean[bi] / ri**2
            link[-1, i] = link[i, -1].T
            information[i, -1] = information[-1, i] = np.trace(outer[bi, bi]) / ri**2
        link[-1, -1] = (reach * (square * kept**3)) @ reach.T
        information[-1, -1] = self.freedom - float(np.sum(1 - kept**2))

        # Ratios may be far apart: bring each variance to the same size before the inverse.
        even = 1 / np.sqrt(np.diag(information))
        scatter = 2 * between_runs**2 * even[:, None] * np.linalg.inv(information * even[:, None] * even) * even
        adjusted = covariance + 2 * np.einsum("ij,ijkl->kl", scatter, link) / between_runs
        adjusted = (adjusted + adjusted.T) / 2
        unit = self.size**2
        shrunk = self.left - u @ ((1 - kept) * inside)
        found = np.zeros(len(levels) + 1)
        found[[*some, len(levels)]] = [*(r**2 * between_runs for r in scale), between_runs]
        return _Finished(
            coefficients=self.coefficients - (reach * (s * kept)) @ inside * self.size,
            covariance=covariance * unit,
            adjusted=adjusted * unit,
            variance=found * unit,
            criterion=self.freedom * (math.log(2 * math.pi) + 1 + math.log(between_runs) + 2 * math.log(self.size))
            + float(np.sum(np.log1p(square)))
            + self.log_det,
            weight=weight,
            residual=shrunk * self.size,
            scatter=scatter * unit**2,
            part=part,
        )


def _arrays(
    y: ArrayLike, fixed: ArrayLike, factors: Sequence[ArrayLike], names: Sequence[str]
) -> tuple[Array, Array, list[Labels]]:
    values, terms = np.asarray(y, dtype=np.float64), np.asarray(fixed, dtype=np.float64)
    labels = [np.asarray(f) for f in factors]
    if values.ndim != 1 or terms.ndim != 2 or len(terms) != len(values) or not terms.size:
        raise ValueError(f"outcomes of shape {values.shape} and fixed terms of shape {terms.shape}; give (N,), (N, p)")
    if not 1 <= len(labels) <= MOST_FACTORS or len(names) != len(labels):
        raise ValueError(f"{len(labels)} factors with {len(names)} names; give a name each, 1 to {MOST_FACTORS}")
    for name, label in zip(names, labels, strict=True):
        if label.shape != values.shape:
            raise ValueError(f"{name} has labels of shape {label.shape} for {len(values)} outcomes; give one each")
    if not (np.isfinite(values).all() and np.isfinite(terms).all()):
        raise ValueError("an outcome or a fixed term is not a finite number; leave its run out")
    return values, terms, [np.unique(label, return_inverse=True)[1].astype(np.int64) for label in labels]


def _indicators(label: Labels, name: str) -> Array:
    """float64[N, levels] 1 where a run is in a level."""
    levels = int(label.max()) + 1
    if levels == 1:
        raise CannotFit(f"all runs are in one {name}: nothing shows how one {name} differs from another")
    if levels == len(label):
        raise CannotFit(f"every run is a {name} of its own: {name} cannot be told from the scatter between runs")
    return np.asarray(label[:, None] == np.arange(levels), dtype=np.float64)


def _distinct(labels: list[Labels], names: Sequence[str]) -> None:
    for i, one in enumerate(labels):
        for j in range(i):
            pairs = len(np.unique(np.stack([one, labels[j]]), axis=1).T)
            if pairs == one.max() + 1 == labels[j].max() + 1:
                raise CannotFit(f"{names[j]} and {names[i]} put the runs into the same groups: keep one of them")


def _contrasts_of(z: Array) -> Array:
    """Levels as fixed terms that sum to 0, so that the other terms stay averages over them."""
    return z[:, :-1] - z[:, -1:]


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _separable(parts: list[Array], pure: int, names: Sequence[str]) -> None:
    """Refuse factors whose covariances, with the fixed terms taken out, are sums of one another's."""
    rank = len(parts[0])
    squares = [part @ part.T for part in parts] + [np.eye(rank)]
    table = np.array([[np.sum(a * b) for b in squares] for a in squares])
    table[-1, -1] += pure
    size = np.sqrt(np.diag(table))
    if np.linalg.eigvalsh(table / size / size[:, None])[0] < 1e-12:
        raise CannotFit(f"the variances of {_listed(names)} and of runs cannot be told apart in this layout")


def _one_ratio(square: Array, inside: Array, beyond: float, freedom: int) -> float:
    """The ratio of variances that minimises freedom * log(sum u^2 / (1 + r w)) + sum log(1 + r w), over r >= 0.

    square  float64[r] eigenvalues w of the factor's covariance, the fixed terms taken out
    inside  float64[r] squares u^2 of what is left of the runs along the eigenvectors
    beyond  the sum of squares along all other directions, where w = 0
    """

    def criterion(ratio: float) -> float:
        kept = 1 / (1 + ratio * square)
        return freedom * math.log(beyond + float(inside @ kept)) - float(np.sum(np.log(kept)))

    def slope(ratio: Array) -> Array:
        kept = 1 / (1 + ratio[:, None] * square)
        explained = (kept**2 @ (inside * square)) / (beyond + kept @ inside)
        return np.asarray((kept * square).sum(axis=1) - freedom * explained)

    # No slope is 0 beyond this: what is explained falls at least as fast as 1/r^2, the price of it only as 1/r.
    least = float(square.min())
    bound = freedom * float(inside.sum()) / (least * beyond * len(square))
    last = 2 * max(bound + math.sqrt(bound / least), 1 / least)
    grid = np.concatenate([[0.0], np.geomspace(1e-9 / float(square.max()), last, 300)])
    at = slope(grid)
    if abs(at[0]) < 1e-9 * float(square.sum()):
        at[0] = 0.0
    best, lowest = 0.0, criterion(0.0)
    for k in np.flatnonzero((at[:-1] < 0) & (at[1:] >= 0)):
        low, high = float(grid[k]), float(grid[k + 1])
        for _ in range(200):
            middle = (low + high) / 2
            if not low < middle < high:
                break
            low, high = (middle, high) if slope(np.array([middle]))[0] < 0 else (low, middle)
        if criterion(high) < lowest:
            best, lowest = high, criterion(high)
    return best


class _Surface:
    """The restricted likelihood of several variances, those of the factors and then that between runs."""

    def __init__(self, parts: list[Array], inside: Array, beyond: float, freedom: int) -> None:
        self.parts, self.inside, self.beyond, self.freedom = parts, inside, beyond, freedom
        self.squares = [part @ part.T for part in parts]
        self.rank = len(inside)

    def _root(self, variance: Array) -> Array:
        whole = variance[-1] * np.eye(self.rank)
        for v, square in zip(variance, self.squares, strict=False):
            if v > 0:
                whole = whole + v * square
        return np.asarray(np.linalg.cholesky(whole))

    def value(self, variance: Array) -> float:
        """Twice the negative restricted log-likelihood, less what no variance changes; infinite out of reach."""
        try:
            root, runs = self._root(variance), float(variance[-1])
        except np.linalg.LinAlgError:  # one variance so far above another that the digits run out
            return math.inf
        return (
            2 * float(np.sum(np.log(np.diag(root))))
            + (self.freedom - self.rank) * math.log(runs)
            + float(np.sum(np.linalg.solve(root, self.inside) ** 2))
            + self.beyond / runs
        )

    def scaled(self, ratios: Array) -> Array:
        """Variances at given ratios, the one between runs as is best for them."""
        explained = np.linalg.solve(self._root(np.append(ratios, 1.0)), self.inside)
        return np.append(ratios, 1.0) * (float(np.sum(explained**2)) + self.beyond) / self.freedom

    def shape(self, variance: Array) -> tuple[Array, Array, Array]:
        """Slope, curvature and expected curvature."""
        half = np.linalg.inv(self._root(variance))
        inverse = half.T @ half
        runs, extra = float(variance[-1]), self.freedom - self.rank
        along = inverse @ self.inside
        size = len(variance)
        solved = [inverse @ part for part in self.parts]
        push = [part @ (part.T @ along) for part in self.parts] + [along]
        answer = [inverse @ h for h in push]
        slope, bend, expected = np.zeros(size), np.zeros((size, size)), np.zeros((size, size))
        for i in range(size):
            last = i == size - 1
            trace = float(np.trace(inverse)) if last else float(np.sum(self.parts[i] * solved[i]))
            slope[i] = trace - float(along @ push[i])
            for j in range(i + 1):
                if last and j == i:
                    pair = float(np.sum(inverse**2))
                elif last:
                    pair = float(np.sum(solved[j] ** 2))
                else:
                    pair = float(np.sum((self.parts[i].T @ solved[j]) ** 2))
                expected[i, j] = expected[j, i] = pair
                bend[i, j] = bend[j, i] = 2 * float(push[i] @ answer[j]) - pair
        slope[-1] += extra / runs - self.beyond / runs**2
        expected[-1, -1] += extra / runs**2
        bend[-1, -1] += 2 * self.beyond / runs**3 - extra / runs**2
        return slope, bend, expected


def _several_ratios(parts: list[Array], inside: Array, beyond: float, freedom: int) -> Array:
    """Ratios of variances at the greatest restricted likelihood, found from several starts by Newton's steps."""
    surface = _Surface(parts, inside, beyond, freedom)
    one = np.array([np.linalg.matrix_rank(part) / np.sum(part**2) for part in parts])
    starts = [0 * one, one, 100 * one]
    starts += [np.where(np.arange(len(one)) == i, 10 * one, one / 10) for i in range(len(one))]
    best, lowest = np.zeros(len(one) + 1), math.inf
    for start in starts:
        found = _descend(surface, surface.scaled(start), beyond / freedom)
        value = surface.value(found)
        if value < lowest - _NEARER:
            best, lowest = found, value
    # A trace of variance that changes no likelihood is a 0 that the steps did not quite reach.
    for i in range(len(one)):
        trial = np.where(np.arange(len(best)) == i, 0.0, best)
        if 0 < best[i] < 1e-6 * best[-1] * one[i] and surface.value(trial) <= lowest + _NEARER:
            best = trial
    return np.asarray(best[:-1] / best[-1])


def _descend(surface: _Surface, variance: Array, least: float) -> Array:
    """Downhill from one start; every step solves the quadratic model exactly within the bounds, so none leaves them.

    least  what the variance between runs cannot be below
    """
    low = np.append(np.zeros(len(variance) - 1), least)
    value = surface.value(variance)
    polished = 0
    for _ in range(200):
        slope, bend, expected = surface.shape(variance)
        # Far from the top the likelihood may bend the other way; the expected curvature never does.
        goal = _lowest(variance, slope, bend if _bends_up(bend) else expected, low)
        step = goal - variance
        gain = -float(slope @ step)
        if gain < 1e-20 or polished == 3:
            break
        if gain < 1e-8 and surface.value(goal) < value + 1e-8:
            variance, value = goal, surface.value(goal)
            polished += 1
            continue
        trial, there, share = goal, surface.value(goal), 1.0
        while there > value - 1e-4 * share * gain and share > 1e-12:
            share /= 2
            trial = np.maximum(variance + share * step, low)
            there = surface.value(trial)
        if there >= value:
            break
        variance, value = trial, there
    return variance


def _bends_up(bend: Array) -> bool:
    size = np.sqrt(np.abs(np.diag(bend)))
    return bool(size.all()) and bool(np.linalg.eigvalsh(bend / size / size[:, None])[0] > 1e-6)


def _lowest(variance: Array, slope: Array, bend: Array, low: Array) -> Array:
    """Where slope'd + d'bend d / 2 is lowest with variance + d no lower than `low`: each choice of bounds is tried."""
    best, lowest = variance, 0.0
    size = 1 / np.sqrt(np.diag(bend))
    for bound in every((False, True), repeat=len(variance)):
        tied = np.array(bound)
        free = ~tied
        step = np.where(tied, low - variance, 0.0)
        if free.any():
            pull = (slope + bend @ step)[free] * size[free]
            table = bend[np.ix_(free, free)] * size[free] * size[free][:, None]
            step[free] = -np.linalg.solve(table, pull) * size[free]
        goal = np.where(tied, low, variance + step)
        worth = float(slope @ step + step @ bend @ step / 2)
        if (goal >= low).all() and worth < lowest:
            best, lowest = goal, worth
    return best


def _df_and_scale(count: int, a1: float, a2: float) -> tuple[float, float] | None:
    """Second degrees of freedom and scale of an F of several contrasts; None where its mean is infinite.

    Source: Kenward and Roger (1997), Biometrics 53, 983-997, section 3. Between 2 and 4 degrees of freedom, where an F
    has no variance, their quotients still hold for balanced layouts, and are used.
    """
    b = (a1 + 6 * a2) / (2 * count)
    g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
    whole = 3 * count + 2 * (1 - g)
    mean, last, cross = 1 - a2 / count, whole - (count + 2 - g) * b, whole - (count - g) * b
    if mean < _FEW or min(abs(last), abs(cross)) < _FEW:
        return None
    excess = (whole + g * b) / last * (mean * whole / cross) ** 2 - 1
    if abs(excess) < _FEW:
        return None
    df = 4 + (count + 2) / excess
    return (df, df * mean / (df - 2)) if df > 2 + _FEW else None
