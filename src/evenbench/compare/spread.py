"""Whether one spread serves all products, and what stands in its place where it does not.

The rule is fixed before anything is measured: products get spreads of their own where the study declares it, or
where their scatter differs by more than chance explains; never because the answer is nicer.

Throughout: K products, N runs; variances in the square of the result's unit, on the scale of comparison.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import floor, inf, isinf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenbench.compare.blocks import with_random_blocks
from evenbench.compare.drift import Term, drift_term
from evenbench.compare.fit import Fit, fit_levels
from evenbench.measure.wording import counted
from evenbench.reduce import Outcomes
from evenbench.study.model import SpreadOfResult

Array = NDArray[np.float64]

CERTAIN = 0.01  # spreads that differ with a smaller probability by chance are taken to differ
ENOUGH = 8.0  # prior degrees of freedom from which products are alike enough to lean on each other's spread
DECLARED = "the study declares that they scatter differently"
NO_ORDER = (
    "the test declares a drift, and the place in the order is not written down for every run: nothing tells drift from "
    "a difference"
)
ENOUGH_FOR_A_SLOPE = 10  # degrees of freedom that must be left once the slope of a baseline is fitted
TOO_FEW_FOR_A_SLOPE = (
    f"too few runs to adjust for the baseline (fewer than {ENOUGH_FOR_A_SLOPE} degrees of freedom would be left): "
    "products are compared as read"
)
UNLIKE = 0.05
UNEQUAL_BEFORE = (
    "products differ before anything was done to them, and a baseline measured with error adjusts for too little: "
    "a before/after difference is safer"
)
ONE_ALONE = (
    "products are not taken to scatter alike, and fewer than two were run more than once: how much each scatters is "
    "not known"
)


@dataclass(frozen=True)
class Prior:
    """What the variances of all products say of the variance of any one of them.

    df        the degrees of freedom that is worth: 0 for nothing, infinite where they differ no more than by chance
    variance  the variance they point to
    """

    df: float
    variance: float


def fitted(outcomes: Outcomes, *, unequal_because: str = "") -> Fit:
    """Fit one result with the spread that is right for it: one for all products, or one for each.

    outcomes         on the scale of comparison
    unequal_because  a reason from outside to give each product its own spread: "distances fold near the target"
    """
    shared = list(errors_in_part(outcomes).values())
    try:
        drift = drift_of(outcomes)
    except ValueError:
        drift = None
    before, unadjusted = baseline_of(outcomes, drift)
    fit = fit_levels(
        outcomes.value,
        outcomes.product,
        outcomes.products,
        outcomes.block,
        rounding=outcomes.rounding,
        step=step_of(outcomes),
        drift=drift,
        before=before,
        in_part=np.array(shared, dtype=np.float64).reshape(len(shared), len(outcomes.value)),
    )
    if drift is None:
        return replace(fit, unjudged=NO_ORDER)
    if unadjusted:
        fit = replace(fit, flags=(*fit.flags, unadjusted))
    elif before is not None and (p := differ_before(outcomes.product, before)) < UNLIKE:
        fit = replace(fit, flags=(*fit.flags, f"{UNEQUAL_BEFORE} (F test, p = {p:.1g})"))
    spread, why = ("unequal", unequal_because) if unequal_because else spread_of(outcomes, fit)
    if spread == "pooled" and outcomes.blocks_as == "random":
        return with_random_blocks(fit, outcomes, drift)
    return fit if spread == "pooled" else with_own_spreads(fit, least_variances(outcomes, fit), why)


def baseline_of(outcomes: Outcomes, drift: Term | None) -> tuple[Array | None, str]:
    """What each run stood at before, where enough runs are left to fit its slope; else why it is not used."""
    if outcomes.baseline is None:
        return None, ""
    terms = len(np.unique(outcomes.product)) + len(np.unique(outcomes.block)) - 1
    terms += (drift.columns.shape[1] if drift else 0) + 1
    if len(outcomes.value) - terms < ENOUGH_FOR_A_SLOPE:
        return None, TOO_FEW_FOR_A_SLOPE
    if np.ptp(outcomes.baseline) == 0:
        return None, "every run stood at the same before: there is nothing to adjust for"
    return outcomes.baseline, ""


def differ_before(product: NDArray[np.int32], before: Array) -> float:
    """Chance of products that differ so much before anything was done to them; 1 where it cannot be told.

    Source: one-way analysis of variance, any textbook.
    """
    groups = [before[product == k] for k in np.unique(product)]
    df = len(before) - len(groups)
    if df < 1 or len(groups) < 2:
        return 1.0
    within = float(sum(np.sum((g - g.mean()) ** 2) for g in groups))
    between = float(np.sum((before - before.mean()) ** 2)) - within
    if within <= 0:
        return 0.0 if between > 0 else 1.0
    return float(special.fdtrc(len(groups) - 1, df, between / (len(groups) - 1) / (within / df)))


def drift_of(outcomes: Outcomes) -> Term:
    """The columns of the drift that the test declares; ValueError where the order of runs is not known."""
    control = np.array([outcomes.products[k] == outcomes.control for k in outcomes.product], dtype=np.bool_)
    return drift_term(outcomes.drift, outcomes.order, outcomes.block, control, random_order=outcomes.random_order)


def errors_in_part(outcomes: Outcomes) -> dict[str, Array]:
    """Errors of readings that some runs share and others do not: name -> float64[N], one standard uncertainty.

    A reading taken once for a product, a specimen or a block brings its error into every run it serves. The scatter
    between those runs does not show it, and against runs it does not serve it does not cancel. What all runs share
    is no matter of differences: it widens a product's own interval alone.
    """
    readings = outcomes.shared_in_part
    return {
        name: pull
        for name, pull in zip(outcomes.shared_names, outcomes.shared, strict=True)
        if " of " in name and name.partition(" of ")[0] in readings
    }


def step_of(outcomes: Outcomes) -> float:
    """The resolution of a typical outcome: the step of which its standard uncertainty by rounding is 1/sqrt(12)."""
    return float(np.median(outcomes.own)) * sqrt(12) if len(outcomes.own) else 0.0


def least_variances(outcomes: Outcomes, fit: Fit) -> Array:
    """float64[K] the least variance that each product's runs can be known to have: that of their resolution.

    Runs that all read the same lie within one step of the display, and nothing says that they are more alike.
    """
    return np.array([float(np.median(outcomes.own[fit.row == k])) ** 2 for k in range(len(fit.products))])


def spread_of(outcomes: Outcomes, fit: Fit) -> tuple[SpreadOfResult, str]:
    """Whether one spread serves all products of a result, and if not, why not.

    Unequal where declared; where residuals scatter differently; where the control scatters unlike the products.
    """
    if fit.df == 0 or fit.sd == 0:
        return "pooled", ""
    if outcomes.result.spread == "unequal":
        return "unequal", DECLARED
    p = differ(fit)
    if p < CERTAIN:
        return "unequal", f"their scatter differs by more than chance (Brown-Forsythe on residuals, p = {p:.1g})"
    if outcomes.control in fit.products:
        p = apart(fit, fit.index(outcomes.control), least_variances(outcomes, fit))
        if p < CERTAIN:
            return "unequal", f"the control scatters unlike the products (F ratio, p = {p:.1g})"
    return "pooled", ""


def differ(fit: Fit) -> float:
    """Chance of residuals that scatter so differently where products scatter alike; 1 where it cannot be told.

    Products with fewer than three runs are left out: two residuals are always equally far from their median.

    Source: Brown & Forsythe (1974), J. Am. Statist. Assoc. 69, 364-367.
    """
    groups = [fit.distance[fit.row == k] for k in range(len(fit.products)) if fit.count[k] > 2 and fit.own_df[k] > 0]
    if len(groups) < 2:
        return 1.0
    everything = np.concatenate(groups)
    within = float(sum(np.sum((g - g.mean()) ** 2) for g in groups))
    between = float(np.sum((everything - everything.mean()) ** 2)) - within
    if between <= 1e-9 * float(np.sum(everything**2)):
        return 1.0
    df = len(everything) - len(groups)
    ratio = between / (len(groups) - 1) / (within / df) if within > 0 else inf
    return float(special.fdtrc(len(groups) - 1, df, ratio))


def apart(fit: Fit, control: int, least: Array) -> float:
    """Chance that the control's variance lies so far from the products', up or down, where all scatter alike.

    control  place among the products
    least    float64[K] as `least_variances` gives it

    Gives 1 where the control, or every product, was run once. Source: ratio of two variances, any textbook.
    """
    known = fit.own_df > 0
    others = known & (np.arange(len(fit.products)) != control)
    if not (known[control] and others.any()):
        return 1.0
    variance = np.maximum(fit.own, least)
    products = float(np.average(variance[others], weights=fit.own_df[others]))
    if products == 0:
        return 0.0 if variance[control] > 0 else 1.0
    ratio = float(variance[control]) / products
    df = float(fit.own_df[control]), min(float(fit.own_df[others].sum()), float(fit.residuals))
    return min(1.0, 2 * float(min(special.fdtr(*df, ratio), special.fdtrc(*df, ratio))))


def prior_of(variance: Array, df: Array) -> Prior:
    """What the variances of several products say together of any one.

    variance  float64[G], with `df` degrees of freedom above 0 each, G of two or more

    Where one of them is 0 they say nothing: its logarithm has no end.

    Source: Smyth (2004), Stat. Appl. Genet. Mol. Biol. 3, article 3, section 6.2.

    >>> prior = prior_of(np.array([0.04, 0.09, 0.25, 1.0, 2.25, 0.5]), np.full(6, 3.0))
    >>> round(prior.df, 5), round(prior.variance, 6)
    (2.32623, 0.281346)
    """
    if not np.all(variance > 0):
        return Prior(0.0, 0.0)
    e = np.log(variance) - special.digamma(df / 2) + np.log(df / 2)
    beyond_chance = float(np.var(e, ddof=1) - np.mean(special.polygamma(1, df / 2)))
    if beyond_chance <= 0:
        return Prior(inf, float(np.average(variance, weights=df)))
    half = _trigamma_inverse(beyond_chance)
    return Prior(2 * half, float(np.exp(np.mean(e) + special.digamma(half) - np.log(half))))


def moderated(variance: Array, df: Array, prior: Prior) -> Array:
    """Variances drawn towards the one they all point to, as far as the prior's degrees of freedom outweigh their own.

    >>> s2 = np.array([0.04, 0.09, 0.25, 1.0, 2.25, 0.5])
    >>> [float(x) for x in moderated(s2, np.full(6, 3.0), prior_of(s2, np.full(6, 3.0))).round(6)[[0, 4]]]
    [0.145408, 1.390191]
    """
    if isinf(prior.df):
        return np.full(len(variance), prior.variance)
    return np.asarray((prior.df * prior.variance + df * variance) / (prior.df + df), dtype=np.float64)


def with_own_spreads(fit: Fit, least: Array, why: str) -> Fit:
    """The same fit with a spread for each product.

    least  float64[K] as `least_variances` gives it
    why    the reason, for the method note: "the study declares that they scatter differently"

    With a prior of ENOUGH degrees of freedom each product has its moderated variance. With less the products differ
    too much to lean on each other, and each has the larger of its own variance and the moderated one, with its own
    degrees of freedom. A product that was run once has no variance of its own: with a strong prior it has the
    prior's, with a weak one the larger of the prior's and the pooled one, on the prior's degrees of freedom.

    Source: moderated variances, Smyth (2004); the choice between the two, measured by simulation.
    """
    if fit.df == 0 or fit.sd == 0:
        return fit
    several = fit.own_df > 0
    if several.sum() < 2:
        return replace(fit, spread="unequal", unjudged=ONE_ALONE, told=f"no spread to go by: {ONE_ALONE}")
    own, df = np.maximum(fit.own, least)[several], fit.own_df[several]
    prior = prior_of(own, df)
    guarded = prior.df < ENOUGH
    drawn = moderated(own, df, prior)
    variance, freedom = np.empty(len(several)), np.empty(len(several))
    variance[several] = np.maximum(own, drawn) if guarded else drawn
    freedom[several] = df if guarded else np.minimum(prior.df + df, fit.residuals)
    variance[~several] = max(prior.variance, fit.sd**2) if guarded else prior.variance
    # Below one degree of freedom an interval would be boundless for every practical purpose.
    freedom[~several] = np.clip(prior.df, 1.0, fit.residuals)
    out = replace(
        fit,
        spread="unequal",
        guarded=guarded,
        variance=variance,
        freedom=freedom,
        told=_told(prior, guarded, why),
        flags=(*fit.flags, *_flags(fit, several, guarded)),
    )
    return replace(out, df=_fewest(out))


def _told(prior: Prior, guarded: bool, why: str) -> str:
    worth = f"{prior.df:.3g} degrees of freedom" if prior.df > 0 else "nothing"
    if isinf(prior.df):
        how = "the variances differ no more than by chance, so that the same stands for each"
    elif guarded:
        how = f"the larger of its own variance and of the one drawn towards the others' (which are worth {worth})"
    else:
        how = f"its own variance drawn towards the others' (which are worth {worth})"
    return f"a spread for each product, because {why}: {how}"


def _flags(fit: Fit, several: NDArray[np.bool_], guarded: bool) -> list[str]:
    out = []
    if guarded:
        least, most = int(fit.count[several].min()), int(fit.count[several].max())
        runs = counted(most, "run") if least == most else f"{least} to {most} runs"
        out.append(f"products differ in how variable they are; with {runs} each the intervals must be wide")
    if once := int(np.sum(~several)):
        out.append(f"{counted(once, 'product')} without a spread of its own: it is taken from the others")
    return out


def _fewest(fit: Fit) -> int:
    """The fewest degrees of freedom of any difference that the layout can tell, rounded down."""
    count = len(fit.products)
    pairs = np.array([np.eye(count)[i] - np.eye(count)[j] for i in range(count) for j in range(i)]).reshape(-1, count)
    known = pairs[fit.can_estimate(pairs)] if len(pairs) else pairs
    fewest = min((fit.df_of(pair) for pair in known), default=float(fit.freedom.min()))
    return floor(fewest + 1e-9)


def _trigamma_inverse(value: float) -> float:
    """Where the trigamma function has a value above 0, by Newton's steps, which rise to it from below.

    Source: Smyth (2004), appendix.

    >>> round(float(special.polygamma(1, _trigamma_inverse(0.3))), 12)
    0.3
    """
    x = 0.5 + 1 / value
    for _ in range(60):
        here = float(special.polygamma(1, x))
        step = here * (1 - here / value) / float(special.polygamma(2, x))
        x += step
        if abs(step) <= 1e-14 * x:
            break
    return x
