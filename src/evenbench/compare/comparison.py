"""The compare stage: outcomes of every result -> one Comparison each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenbench.compare.against import Family, unsaid
from evenbench.compare.best import Best, best_of
from evenbench.compare.fit import Fit
from evenbench.compare.nearness import (
    Nearness,
    both_sides_said,
    fit_near,
    nearness,
    uncancelled,
    versus,
    with_errors,
)
from evenbench.compare.overtime import drift_said, hangs_on_the_term, inflated
from evenbench.compare.scale import from_scale, on_scale
from evenbench.compare.sentences import finding
from evenbench.measure.frozen import Frozen
from evenbench.measure.wording import counted, listed
from evenbench.reduce import Outcomes
from evenbench.study.model import Result, Study

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison(Frozen):
    """One result with everything that was found of it.

    label               the result as a reader knows it: "Peeling the seam tape: peel"
    products            K ids that enter the test, in study order
    estimate, low, high float64[K] level of each product, with a pointwise interval widened by shared errors
    count               int64[K] runs with an outcome behind each
    beyond              int64[K] runs known within bounds only; a product with any of them is not fitted
    counts              int64[K, L] how often each of the result's L levels; None where it has none
    unfitted            product -> why its outcomes are shown and not fitted
    mean, sd            float64[K] plain mean and standard deviation of a product's runs
    matters             smallest difference that matters, on the scale of comparison; None for an info result
    families            against the control first, then against each placebo, then each reference with the control;
                        where it should be like another product, against that one
    near                of a result near a value, where the values themselves lie; else None
    because             per family, one sentence a member
    best                which candidates could be best
    flags               what a reader must know beside the figures
    notes               the method in words
    """

    outcomes: Outcomes
    label: str
    fit: Fit | None
    products: tuple[str, ...]
    estimate: Array
    low: Array
    high: Array
    count: NDArray[np.int64]
    beyond: NDArray[np.int64]
    counts: NDArray[np.int64] | None
    unfitted: dict[str, str]
    mean: Array
    sd: Array
    matters: float | None
    families: tuple[Family, ...]
    because: tuple[tuple[str, ...], ...]
    best: Best
    flags: tuple[str, ...]
    notes: tuple[str, ...]
    level: float
    near: Nearness | None = None

    @property
    def other(self) -> str | None:
        """The product that verdicts are read against: the control, or the one that it should be like."""
        return self.result.like or self.outcomes.control

    @property
    def result(self) -> Result:
        """The result compared."""
        return self.outcomes.result

    def runs_of(self, product: str) -> int:
        """How many runs of a product say anything of the result, bounds included; 0 where it did not enter the test."""
        if product not in self.products:
            return 0
        k = self.products.index(product)
        return int(self.count[k] + self.beyond[k])

    def against(self, other: str, member: str) -> tuple[Family, int] | None:
        """The family and place where `member` is compared with `other`; None where it is not."""
        for family in self.families:
            if family.other == other and member in family.members:
                return family, family.index(member)
        return None

    def sentence(self, other: str, member: str) -> str:
        """What may be said of `member` against `other`; "" where they are not compared."""
        for family, sentences in zip(self.families, self.because, strict=True):
            if family.other == other and member in family.members:
                return sentences[family.index(member)]
        return ""


def compare(study: Study, outcomes: tuple[Outcomes, ...], *, level: float = 0.95) -> tuple[Comparison, ...]:
    """One Comparison per result, in the order given."""
    return tuple(compare_one(study, o, level=level) for o in outcomes)


def compare_one(study: Study, outcomes: Outcomes, *, level: float = 0.95) -> Comparison:
    """Fit one result and say of every product what may be said."""
    unfitted = _unfitted(study, outcomes)
    o = on_scale(outcomes.without(set(unfitted)))
    fit, folded = fit_near(o) if len(o.value) else (None, "")
    errors = uncancelled(o)
    fit = with_errors(fit, errors.values()) if fit else None
    estimate, low, high = _levels(o, fit, level)
    matters = _matters(outcomes, estimate)
    families = _families(study, outcomes, fit, matters, level) if fit else ()
    names = {p.id: p.name for p in study.products}
    order = _ordered(study, outcomes, o, fit, families, matters, level) if fit else ((), ())
    families += _unsaid(study, outcomes, unfitted, level)
    by_product = [outcomes.value[outcomes.of(p)] for p in outcomes.products]
    return Comparison(
        outcomes=outcomes,
        label=f"{study.test(outcomes.test).title}: {outcomes.result.id.replace('_', ' ')}",
        fit=fit,
        products=outcomes.products,
        estimate=estimate,
        low=low,
        high=high,
        count=np.array([len(v) for v in by_product], dtype=np.int64),
        beyond=np.array([sum(b.product == p for b in outcomes.beyond) for p in outcomes.products], dtype=np.int64),
        counts=_counts(outcomes, by_product),
        unfitted=unfitted,
        mean=np.array([v.mean() if len(v) and averages(outcomes.result) else np.nan for v in by_product]),
        sd=np.array([v.std(ddof=1) if len(v) > 1 and averages(outcomes.result) else np.nan for v in by_product]),
        matters=matters,
        families=families,
        because=tuple(
            tuple(finding(f, k, outcomes.result, names, matters) for k in range(len(f.members))) for f in families
        ),
        best=_best(study, o, fit, level, unfitted),
        flags=_flags(outcomes, fit, names)
        + order[1]
        + ((folded,) if folded else ())
        + ((both_sides_said(errors),) if errors else ()),
        notes=_notes(outcomes, fit, families, matters, study.test(outcomes.test).references, names) + order[0],
        level=level,
        near=nearness(outcomes),
    )


def _ordered(
    study: Study,
    outcomes: Outcomes,
    on_its_scale: Outcomes,
    fit: Fit,
    families: tuple[Family, ...],
    matters: float | None,
    level: float,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Notes and flags on the order of runs: the drift found, and which words hang on its term."""
    names = {p.id: p.name for p in study.products}
    flags = inflated(fit, families, names)
    if fit.drift is None:
        return (), flags
    plain, _ = fit_near(replace(on_its_scale, drift="none"))
    without = _families(study, outcomes, plain, matters, level)
    return (drift_said(fit, outcomes.result, level),), (*flags, *hangs_on_the_term(families, without, names))


def averages(result: Result) -> bool:
    """Whether a mean of its outcomes means anything: of numbers and places, not of levels."""
    return not result.levels


def _counts(outcomes: Outcomes, by_product: list[Array]) -> NDArray[np.int64] | None:
    if not outcomes.result.levels:
        return None
    levels = range(len(outcomes.result.levels))
    return np.array([[int(np.sum(v == level)) for level in levels] for v in by_product], dtype=np.int64)


def _unfitted(study: Study, outcomes: Outcomes) -> dict[str, str]:
    """Products whose outcomes no model of this version can hold, and why."""
    if outcomes.result.outcome != "number":
        kind = {"grade": "grades", "category": "categories", "place": "places"}[outcomes.result.outcome]
        how = f"{kind} are shown as they were read"
        if outcomes.result.is_yes_or_no:
            how = "yes or no is shown as counts"
        return dict.fromkeys(outcomes.products, f"{how}; a later version judges them")
    out = {}
    for product in outcomes.products:
        beyond = sum(b.product == product for b in outcomes.beyond)
        if beyond:
            runs = counted(beyond + len(outcomes.of(product)), "run")
            name = study.product(product).name
            out[product] = (
                f"{beyond} of {runs} of {name} went beyond what could be read; a later version judges such runs"
            )
    return out


def _unsaid(study: Study, outcomes: Outcomes, unfitted: dict[str, str], level: float) -> tuple[Family, ...]:
    """What cannot be said against the control: of unfitted products, or of all where the control is unfitted."""
    control = outcomes.result.like or study.test(outcomes.test).control
    if control is None or not unfitted:
        return ()
    roles = {p.id: p.role for p in study.products}
    ran = {outcomes.products[k] for k in outcomes.product} | {b.product for b in outcomes.beyond}
    treated = [p for p in outcomes.products if p in ran and roles[p] in ("candidate", "placebo")]
    members = tuple(p for p in treated if control in unfitted or p in unfitted)
    if not members or control not in ran:
        return ()
    return (
        unsaid(
            outcomes.result, control, members, tuple(unfitted.get(p, unfitted.get(control, "")) for p in members), level
        ),
    )


def _levels(outcomes: Outcomes, fit: Fit | None, level: float) -> tuple[Array, Array, Array]:
    """Level of each product with its own interval: t for the scatter, widened by errors that runs share.

    outcomes  on the scale of comparison; levels are in the result's unit
    """
    estimate, low, high = (np.full(len(outcomes.products), np.nan) for _ in range(3))
    if fit is None:
        return estimate, low, high
    known = fit.can_estimate(np.eye(len(fit.products)))
    pulls = fit.weight @ outcomes.shared.T
    for row, product in enumerate(fit.products):
        if not known[row]:
            continue
        place = outcomes.products.index(product)
        estimate[place] = fit.theta[row]
        scatter, shared = float(fit.covariance[row, row]), float(pulls[row] @ pulls[row])
        scatter += float(fit.bias[row]) ** 2
        if fit.problem or scatter == 0:
            continue
        total = scatter + shared
        df = fit.df_of(np.eye(len(fit.products))[row])
        # Welch-Satterthwaite with the shared part taken as exactly known (JCGM 100:2008, G.4.1).
        half = float(special.stdtrit(df * (total / scatter) ** 2, (1 + level) / 2)) * np.sqrt(total)
        low[place], high[place] = estimate[place] - half, estimate[place] + half
    result = outcomes.result
    if result.is_distance:
        low = np.maximum(low, 0.0)  # no distance is less
    return from_scale(result, estimate), from_scale(result, low), from_scale(result, high)


def _matters(outcomes: Outcomes, estimate: Array) -> float | None:
    margin = outcomes.result.matters
    if margin is None or not margin.share_of_control:
        return margin.amount if margin else None
    if outcomes.result.scale != "raw":
        return float(np.log1p(margin.amount))
    if outcomes.control not in outcomes.products:
        return None
    control = abs(float(estimate[outcomes.products.index(outcomes.control)]))
    # A control at 0 but for the arithmetic has no share that could matter.
    nothing = max(outcomes.rounding, 1e-12 * float(np.abs(outcomes.value).max(initial=0.0)))
    return margin.amount * control if np.isfinite(control) and control > nothing else None


def _families(study: Study, outcomes: Outcomes, fit: Fit, matters: float | None, level: float) -> tuple[Family, ...]:
    test = study.test(outcomes.test)
    roles = {p.id: p.role for p in study.products}
    present = fit.products
    candidates = tuple(p for p in present if roles[p] == "candidate")
    placebos = tuple(p for p in present if roles[p] == "placebo")
    result, families = outcomes.result, []
    other = result.like or test.control
    if other in present:
        treated = tuple(p for p in present if p in candidates or p in placebos)
        alone = [p for p in present if p != other and (roles[p] == "reference" or p == test.control)]
        groups = [treated, *[(p,) for p in alone]]
        families += [versus(fit, result, other, group, matters=matters, level=level) for group in groups if group]
    if candidates and not result.like:
        families += [versus(fit, result, p, candidates, matters=matters, level=level) for p in placebos]
    return tuple(families)


def _best(study: Study, outcomes: Outcomes, fit: Fit | None, level: float, unfitted: dict[str, str]) -> Best:
    roles = {p.id: p.role for p in study.products}
    candidates = tuple(p for p in (fit.products if fit else ()) if roles[p] == "candidate")
    nothing = np.full(len(candidates), np.nan)
    blank = Best(products=candidates, low=nothing, high=nothing, could_be=np.zeros(len(candidates), dtype=bool))
    why = ""
    unknown = [reason for product, reason in unfitted.items() if roles[product] == "candidate"]
    if outcomes.result.kind == "info":
        why = "an info result is not judged"
    elif like := outcomes.result.like:
        why = f"nothing is better than being like {study.product(like).name}"
    elif unknown:
        why = unknown[0]
    elif fit is None or not candidates:
        why = "no candidate has an outcome"
    elif fit.problem:
        why = fit.problem
    else:
        rows = [fit.index(p) for p in candidates]
        pairs = np.array([[np.eye(len(fit.products))[i] - np.eye(len(fit.products))[j] for j in rows] for i in rows])
        if fit.can_estimate(pairs).all():
            return best_of(fit, candidates, outcomes.result.sign, level=level)
        why = "some products never ran in connected blocks"
    return Best(products=candidates, low=blank.low, high=blank.high, could_be=blank.could_be, why=why)


def _flags(outcomes: Outcomes, fit: Fit | None, names: dict[str, str]) -> tuple[str, ...]:
    if fit is None:
        return () if len(outcomes.value) or outcomes.beyond else ("no outcomes",)
    flags = []
    several = [p for p, n in zip(fit.products, fit.count, strict=True) if n > 1]
    once = [p for p, n in zip(fit.products, fit.count, strict=True) if n == 1]
    if not several:
        flags.append("one specimen each: a difference between two specimens, not yet between two products")
    elif once and fit.spread == "pooled":
        source = listed([names[p] for p in several]) if len(several) <= 3 else counted(len(several), "product")
        flags.append(f"spread taken from {source}, run more than once; it is assumed that the others vary as much")
    if 1 <= fit.df <= 2 and fit.spread == "pooled":
        flags.append(f"{counted(fit.df, 'degree of freedom', 'degrees of freedom')}: the intervals are very wide")
    for reading, u in outcomes.shared_in_part.items():
        amount = f"{u:.2g} {outcomes.result.difference_unit}".rstrip()
        flags.append(
            f"{reading} was read once for several runs: its uncertainty of {amount} is not in their scatter; "
            "it is counted in the differences between products"
        )
    flags += fit.flags
    if outcomes.result.kind == "info":
        flags.append("for information: not judged")
    return tuple(flags)


_SCALES = {
    "log": "compared by ratios: fitted on natural logarithms, and levels are geometric means",
    "logit": "compared by ratios of odds: fitted on the logarithms of share / (1 - share)",
}


def _notes(
    outcomes: Outcomes,
    fit: Fit | None,
    families: tuple[Family, ...],
    matters: float | None,
    references: tuple[str, ...],
    names: dict[str, str],
) -> tuple[str, ...]:
    notes = []
    if fit is not None and fit.df:
        notes.append(f"{fit.text}, {fit.told}")
    if note := _SCALES.get(outcomes.result.scale):
        notes.append(note)
    target = outcomes.result.target
    if target is not None and target.product and outcomes.result.kind == "risk":
        notes.append(
            f"any difference from {names[target.product]} may harm: no harm is shown where the whole interval lies "
            "within the smallest difference that matters, and there is harm where the whole of it lies on one side of 0"
        )
    elif target is not None and target.product:
        notes.append(
            f"judged by how like {names[target.product]} a product is: the same where its whole interval lies within "
            "the smallest difference that matters, worse where the whole of it lies beyond, on either side"
        )
    elif target is not None:
        notes.append(f"the outcome of a run is its distance from {target.text}, and a level is the mean distance")
    for family in families:
        first = family.members[0]
        who = names[first] if first in references or first == outcomes.control else "products"
        if family.method:
            notes.append(f"{who} with {names[family.other]}: {family.method}")
    margin = outcomes.result.matters
    if margin is not None and outcomes.result.scale != "raw":
        factor = 1 + margin.amount
        of = "odds" if outcomes.result.scale == "logit" else "control"
        notes.append(f"{margin.text} is a factor of {factor:.4g} on the {of}, up or down ({1 / factor:.4g})")
    elif margin is not None and margin.share_of_control and matters is not None:
        notes.append(f"{margin.text} is {matters:.4g} {outcomes.result.difference_unit} here, and is treated as fixed")
    return tuple(notes)
