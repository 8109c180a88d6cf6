"""Least squares for one result: product levels, with blocks fixed where the test has them.

Throughout: N runs, K products that have outcomes, B blocks, E errors that some of the runs share. All in the
result's unit, squares where said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.drift import Term
from evenbench.measure.frozen import Frozen
from evenbench.measure.uncertainty import rounding_bias, sheppard
from evenbench.measure.wording import listed
from evenbench.study.model import SpreadOfResult

Array = NDArray[np.float64]

NO_SCATTER = "nothing was run twice, so there is no scatter to judge a difference by"
NO_SPREAD = "every repeated run read exactly the same: the instrument is too coarse to show how runs scatter"

TOO_COARSE = (
    "the instrument is too coarse for this test: runs of one product read the same, or nearly so, and what rounding "
    "alone does to them is taken for their scatter"
)

# A few units in the last place of the largest value: below that, scatter is the arithmetic's, not the bench's.
_ROUNDING = 4 * float(np.finfo(np.float64).eps)
# A product whose residuals have less room than this has none: its runs alone settle its level, or its block.
_NO_ROOM = 1e-9


@dataclass(frozen=True)
class Drifted:
    """What the rig did from the first run to the last, in the unit of the outcomes.

    variance  of `change`, divided by the variance of one run
    """

    change: float
    variance: float
    text: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit(Frozen):
    """Estimated product levels of one result and how well they are known.

    products  K ids with at least one outcome
    count     int64[K] runs behind each
    theta     float64[K] level of each product, averaged over the blocks
    shape     float64[K, K] covariance of theta divided by the variance of one run, were it the same for all products
    sd        standard deviation between runs of one product in one block, over all products; nan where df is 0
    df        degrees of freedom; 0 where nothing was run twice. With unequal spread the fewest that any difference
              between two products has, rounded down
    residuals degrees of freedom of all residuals together, whatever the spread
    weight    float64[K, N] theta = weight @ outcomes: what each run contributes
    reach     float64[K, K] projection onto what the layout can estimate, for contrasts of theta
    row       int64[N] which product each run is of, a place among `products`
    distance  float64[N] how far each run's residual lies from the median residual of its product
    in_part   float64[K, E] what one standard uncertainty of an error that some runs share does to theta
    own       float64[K] variance of a product's runs, from its own residuals alone; nan where `own_df` is 0
    own_df    float64[K] degrees of freedom of `own`
    spread    whether one spread serves all products
    variance  float64[K] variance of one run that the analysis goes by
    freedom   float64[K] degrees of freedom of `variance`
    guarded   with unequal spread: whether the larger of two variances stands for each product
    text      the model in words, for the method note
    told      what spread it is and why, in words, for the method note
    flags     what a reader must know beside the figures
    unjudged  why there is no spread to go by though something was run twice; else ""
    step      resolution of the outcomes: what they are known in steps of; 0 where that is not known
    drift     what the rig did over the order of runs, where the test declares a drift
    slope     change of the outcome for a change of 1 in the baseline, where levels are compared at one baseline
    """

    products: tuple[str, ...]
    count: NDArray[np.int64]
    theta: Array
    shape: Array
    sd: float
    df: int
    residuals: int
    weight: Array
    reach: Array
    row: NDArray[np.int64]
    distance: Array
    in_part: Array
    own: Array
    own_df: Array
    variance: Array
    freedom: Array
    text: str
    spread: SpreadOfResult = "pooled"
    guarded: bool = False
    told: str = "one spread for all products"
    flags: tuple[str, ...] = ()
    unjudged: str = ""
    step: float = 0.0
    drift: Drifted | None = None
    slope: float | None = None

    def index(self, product: str) -> int:
        """Row of a product.

        Raises ValueError where it has no outcome.
        """
        return self.products.index(product)

    def contrasts(self, members: tuple[str, ...], other: str) -> Array:
        """float64[m, K]: each member minus `other`."""
        out = np.zeros((len(members), len(self.products)))
        for row, member in enumerate(members):
            out[row, self.index(member)] += 1
            out[row, self.index(other)] -= 1
        return out

    def can_estimate(self, contrasts: Array) -> NDArray[np.bool_]:
        """Whether the layout can tell each contrast from block differences."""
        return np.asarray(np.abs(contrasts @ self.reach - contrasts).max(axis=-1) < 1e-8)

    def inflation(self, contrasts: Array) -> Array:
        """How many times larger blocks and drift make the variance of each contrast of theta than products alone.

        Infinite where the layout cannot make the contrast at all.

        >>> product, step = np.array([0, 0, 1, 1]), np.array([[-3.0], [-1.0], [1.0], [3.0]])
        >>> f = fit_levels(np.zeros(4), product, ("a", "b"), np.zeros(4, int), drift=Term(step, "a step a run"))
        >>> float(f.inflation(f.contrasts(("b",), "a"))[0].round(6))
        5.0
        """
        whole = np.einsum("ij,jk,ik->i", contrasts, self.shape, contrasts)
        alone = np.sum(contrasts**2 / self.count, axis=-1)
        return np.where(self.can_estimate(contrasts), whole / alone, np.inf)

    @property
    def one_df(self) -> bool:
        """Whether every difference has the same degrees of freedom."""
        return self.spread == "pooled"

    @property
    def each_alone(self) -> bool:
        """Whether each difference goes by a t point of its own."""
        return self.spread == "unequal" and not self.guarded

    @property
    def covariance(self) -> Array:
        """float64[K, K] of the scatter between runs, the result's unit squared; nan where there is none to judge by."""
        if self.spread == "pooled":
            return self.shape * self.sd**2
        return np.asarray((self.weight * self.variance[self.row]) @ self.weight.T, dtype=np.float64)

    @property
    def bias(self) -> Array:
        """float64[K] how far rounding may leave each level from where it was, however many runs are averaged.

        Source: Wilrich (2005), Vardeman (2005), by way of `rounding_bias`, from the scatter before rounding (Sheppard
        1898).
        """
        return rounding_bias(sheppard(np.sqrt(self.variance), self.step), np.full(len(self.products), self.step))

    @property
    def between(self) -> Array:
        """float64[K, K] for differences between products: scatter, what rounding leaves, and errors shared in part."""
        return self.covariance + np.diag(self.bias**2) + self.in_part @ self.in_part.T

    @property
    def problem(self) -> str:
        """Why no difference has an interval; "" where differences have."""
        return NO_SCATTER if self.df == 0 else NO_SPREAD if self.sd == 0 else self.unjudged

    def df_of(self, contrast: Array) -> float:
        """Degrees of freedom of the scatter of one contrast of theta, never more than all residuals have.

        Source: Satterthwaite (1946), Biometrics Bull. 2, 110-114.
        """
        if self.spread == "pooled":
            return float(self.df)
        part = np.bincount(self.row, (contrast @ self.weight) ** 2, minlength=len(self.products)) * self.variance
        if not part.max() > 0:
            return float(self.freedom.min())
        part = part / part.max()  # squares of tiny units would vanish
        return min(float(part.sum() ** 2 / np.sum(part**2 / self.freedom)), float(self.residuals))


def fit_levels(
    value: Array,
    product: NDArray[np.int32],
    products: tuple[str, ...],
    block: NDArray[np.int32],
    *,
    rounding: float = 0.0,
    step: float = 0.0,
    drift: Term | None = None,
    before: Array | None = None,
    in_part: Array | None = None,
) -> Fit:
    """Fit levels of products, with fixed block effects where `block` holds more than one block.

    value    float64[N] outcomes
    product  int32[N] index into `products`
    block    int32[N] any labels; their effects sum to zero, so a level is an average over the blocks
    rounding a standard deviation that is no scatter but arithmetic, in the result's unit
    step     resolution of the outcomes: scatter below what rounding to it alone makes is not believed
    drift    columns of drift over the order of runs, fitted beside products and blocks
    before   float64[N] what each run stood at before: levels are those at its mean, along one slope for all products
    in_part  float64[E, N] what one standard uncertainty of each error does to each run, for errors that some of the
             runs share and others do not

    Source: ordinary least squares, any textbook. The singular value decomposition is used in place of a
    pivoted QR, because the same factors say which contrasts the layout cannot estimate.

    >>> f = fit_levels(np.array([1.0, 3.0, 6.0, 8.0]), np.array([0, 0, 1, 1]), ("a", "b"), np.zeros(4, int))
    >>> [float(x) for x in f.theta.round(9)], round(f.sd, 6), f.df
    ([2.0, 7.0], 1.414214, 2)
    """
    present = [k for k in range(len(products)) if np.any(product == k)]
    levels, blocks = len(present), np.unique(block)
    term = drift or Term(np.zeros((len(value), 0)), "")
    at = levels + len(blocks) - 1
    baseline = np.zeros((len(value), 0)) if before is None else _centred(before)[:, np.newaxis]
    beside = np.hstack([term.columns, baseline])
    design = np.zeros((len(value), at + beside.shape[1]))
    design[:, at:] = beside
    for column, k in enumerate(present):
        design[product == k, column] = 1
    for column, label in enumerate(blocks[:-1], start=levels):
        design[block == label, column] = 1
        design[block == blocks[-1], column] = -1
    # A balance that reads a million grams more must not cost digits: take the middle out first.
    centre = float(np.median(value)) if len(value) else 0.0
    inverse: Array = np.asarray(np.linalg.pinv(design, rcond=1e-10), dtype=np.float64)
    coefficient = inverse @ (value - centre)
    rank = int(np.linalg.matrix_rank(design, tol=1e-10 * max(design.shape, default=1))) if len(value) else 0
    residual = value - centre - design @ coefficient
    df = len(value) - rank
    nothing = max(_ROUNDING * float(np.abs(value).max(initial=0.0)), rounding) ** 2
    variance = float(residual @ residual) / df if df else np.nan
    if variance <= nothing:
        variance = 0.0
    coarse = bool(df and variance <= step**2 / 12)
    if coarse:
        variance = step**2 / 12
    shape = inverse @ inverse.T
    row = np.searchsorted(np.array(present, dtype=np.int64), product).astype(np.int64)
    own, own_df = _own_variances(residual, row, np.eye(len(value)) - design @ inverse, levels)
    weight = inverse[:levels]
    return Fit(
        products=tuple(products[k] for k in present),
        count=np.array([int(np.sum(product == k)) for k in present], dtype=np.int64),
        theta=coefficient[:levels] + centre,
        shape=shape[:levels, :levels],
        sd=float(np.sqrt(variance)),
        df=df,
        residuals=df,
        weight=weight,
        reach=(inverse @ design)[:levels, :levels],
        row=row,
        distance=_distances(residual, row, levels),
        in_part=weight @ in_part.T if in_part is not None else np.zeros((levels, 0)),
        own=np.where(own <= nothing, 0.0, own),
        own_df=own_df,
        variance=np.full(levels, variance),
        freedom=np.full(levels, float(df)),
        text=_text(len(blocks) > 1, term.text, "the baseline, one slope" if before is not None else ""),
        drift=_drifted(term, coefficient[at : at + term.columns.shape[1]], inverse[at : at + term.columns.shape[1]]),
        slope=float(coefficient[-1]) if before is not None else None,
        flags=(TOO_COARSE,) if coarse and step else (),
        step=step,
    )


def _text(blocks: bool, drift: str, baseline: str) -> str:
    parts = ["products", *(["fixed blocks"] if blocks else []), *([drift] if drift else [])]
    return f"least squares on {listed([*parts, *([baseline] if baseline else [])])}"


def _centred(values: Array) -> Array:
    return np.asarray(values - values.mean() if len(values) else values)


def _drifted(term: Term, coefficient: Array, weight: Array) -> Drifted | None:
    """The drift from the first run to the last, and its variance in units of that of one run."""
    if not term.columns.shape[1]:
        return None
    first, last = term.columns[term.first], term.columns[term.last]
    over = (last - first) @ weight
    return Drifted(change=float((last - first) @ coefficient), variance=float(over @ over), text=term.text)


def _own_variances(residual: Array, row: NDArray[np.int64], maker: Array, levels: int) -> tuple[Array, Array]:
    """Each product's own variance, squared residuals over the sum of (1 - leverage), and its degrees of freedom.

    maker  float64[N, N] turns outcomes into residuals

    Degrees of freedom by Satterthwaite: runs less one without blocks and in complete blocks.
    """
    own, own_df = np.full(levels, np.nan), np.zeros(levels)
    for k in range(levels):
        here = np.flatnonzero(row == k)
        square = maker[np.ix_(here, here)]
        room = float(np.trace(square))
        if room > _NO_ROOM:
            own[k] = float(residual[here] @ residual[here]) / room
            own_df[k] = room**2 / float(np.sum(square**2))
    return own, own_df


def _distances(residual: Array, row: NDArray[np.int64], levels: int) -> Array:
    out = np.zeros(len(residual))
    for k in range(levels):
        here = row == k
        out[here] = np.abs(residual[here] - np.median(residual[here]))
    return out
