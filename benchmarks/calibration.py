"""How often the words are wrong: thousands of simulated studies with known truth, through the engine as it is.

    python benchmarks/calibration.py [studies each] [processes] [scenario ...]

Each scenario draws studies of twelve products and a control from a stated truth and counts, over all of them:

    coverage   studies in which every interval against the control holds the truth at once
    difference studies with a `better` or `worse` (or `harm`) of a product that is no different or lies the other way
    same       studies with a `same` or `no harm shown` of a product that differs by as much as matters, or more
    winner     studies in which one product alone could be best, and is not the best
    found      of the products that differ, the share found
    textbook   the same by the best valid procedure of a textbook on the same data: Welch's or Student's t against the
               control with Bonferroni's correction
    refused    studies of which no interval was given

Beside them what plain practice does with the same truth: the first single reading of each product ranked, unadjusted
t tests.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from evenbench.compare.comparison import Comparison, compare_one
from evenbench.reduce import Outcomes
from evenbench.study.columns import Lists
from evenbench.study.model import Study
from evenbench.study.parse import parse

Array = NDArray[np.float64]
PRODUCTS = 12
TODAY = date(2026, 11, 25)


def declared(*, kind: str = "benefit", test: str = "", result: str = "", matters: str = "2 g") -> Study:
    """A study of one test with one result in grams."""
    ids = ["control", *(f"p{n:02}" for n in range(1, PRODUCTS + 1))]
    products = "\n".join(
        f'[products.{id}]\nname = "{id.upper()}"' + '\nrole = "control"' * (id == "control") for id in ids
    )
    return parse(
        f"""
format = 1
[study]
id = "calibration"
title = "Calibration"
{products}
[tests.t]
title = "T"
{test}
readings.x = {{ unit = "g" }}
[tests.t.results.y]
formula = "x"
unit = "g"
kind = "{kind}"
better = "higher"
matters = "{matters}"
{result}
""",
        today=TODAY,
    )


@dataclass(frozen=True)
class Drawn:
    """One study's data: for each run its product (0 is the control), value, block and place in the order."""

    product: NDArray[np.int64]
    value: Array
    block: NDArray[np.int64]
    order: Array
    truth: Array  # float64[13] true level of the control and each product, less the control's
    own: float = 0.0


Draw = Callable[[np.random.Generator], Drawn]


@dataclass(frozen=True)
class Scenario:
    """What is drawn, how it is declared, and which assumptions hold.

    exact  whether the intervals claim 95 % here: the assumptions hold and nothing is conservative by construction
    """

    name: str
    says: str
    draw: Callable[[np.random.Generator], Drawn]
    study: Study
    exact: bool = True


def runs_of(each: int, control: int) -> NDArray[np.int64]:
    """The product of every run, the control first."""
    return np.concatenate([np.zeros(control, dtype=np.int64), np.repeat(np.arange(1, PRODUCTS + 1), each)])


def truth_of(*effects: float) -> Array:
    """Levels less the control's: the effects given, then nothing."""
    return np.concatenate([[0.0], effects, np.zeros(PRODUCTS - len(effects))])


def drawn(
    rng: np.random.Generator,
    product: NDArray[np.int64],
    truth: Array,
    *,
    noise: Callable[[np.random.Generator, NDArray[np.int64]], Array] = lambda rng, p: rng.standard_normal(len(p)),
    block: NDArray[np.int64] | None = None,
    block_sd: float = 0.0,
    drift: float = 0.0,
    shuffled: bool = True,
    step: float = 0.0,
    target: Array | None = None,
) -> Drawn:
    """A study: levels, blocks, a drift of so much from the first run to the last, scatter, and rounding to a step.

    target  the truth that intervals are held to, where that is not `truth`
    """
    n = len(product)
    block = np.zeros(n, dtype=np.int64) if block is None else block
    order = np.arange(n, dtype=np.float64)
    if shuffled:
        order = rng.permutation(n).astype(np.float64)
    shift = block_sd * rng.standard_normal(int(block.max()) + 1)
    value = 20 + truth[product] + shift[block] + drift * order / max(n - 1, 1) + noise(rng, product)
    if step:
        value = np.round(value / step) * step
    own = step / np.sqrt(12)
    return Drawn(product, value, block, order + 1, truth if target is None else target, own)


def outcomes_of(study: Study, data: Drawn) -> Outcomes:
    """The study's data as the stage before would hand it over."""
    test = study.tests[0]
    n = len(data.value)
    return Outcomes(
        test=test.id,
        result=test.results[0],
        products=test.products,
        control=test.control,
        product=data.product.astype(np.int32),
        block=data.block.astype(np.int32),
        blocks=tuple(f"b{b}" for b in range(int(data.block.max()) + 1)),
        order=data.order,
        drift=test.drift,
        random_order=test.order == "random",
        blocks_as=test.blocks_as,
        value=data.value,
        own=np.full(n, data.own),
        shared=np.zeros((0, n)),
        shared_names=(),
        bench_low=np.full(n, np.nan),
        bench_high=np.full(n, np.nan),
        method="",
        run=np.arange(n, dtype=np.int32),
        rows=Lists.of([()] * n),
    )


@dataclass
class Count:
    """What was found in so many studies."""

    studies: int = 0
    given: int = 0
    covered: int = 0
    difference: int = 0
    same: int = 0
    winner: int = 0
    differ: int = 0
    found: int = 0
    textbook: int = 0
    width: float = 0.0
    first_reading: int = 0
    unadjusted: int = 0
    words: dict[str, int] = field(default_factory=dict)

    def add(self, other: Count) -> None:
        """Take in the counts of other studies."""
        for name in vars(self):
            if name == "words":
                for word, n in other.words.items():
                    self.words[word] = self.words.get(word, 0) + n
            else:
                setattr(self, name, getattr(self, name) + getattr(other, name))


def judged(comparison: Comparison, data: Drawn, count: Count) -> None:
    """Hold one study's words against the truth."""
    count.studies += 1
    families = [f for f in comparison.families if f.other == comparison.outcomes.control]
    known = families and np.isfinite(families[0].low).all()
    effects = data.truth[1:] - data.truth[0]
    if known:
        family = families[0]
        count.given += 1
        count.covered += bool(np.all((family.low <= effects) & (effects <= family.high)))
        count.width += float(np.mean(family.high - family.low))
    delta = comparison.matters or np.inf
    words = families[0].verdict if families else ()
    wrong_difference = wrong_same = False
    for word, effect in zip(words, effects.tolist(), strict=False):
        count.words[word or ""] = count.words.get(word or "", 0) + 1
        wrong_difference |= (word == "better" and effect <= 0) or (word in ("worse", "harm") and effect >= 0)
        wrong_same |= (word == "same" and abs(effect) >= delta - 1e-12) or (
            word == "no harm shown" and effect <= -delta + 1e-12
        )
        count.differ += effect != 0
        count.found += (word == "better" and effect > 0) or (word in ("worse", "harm") and effect < 0)
    count.difference += wrong_difference
    count.same += wrong_same
    best = comparison.best.names
    if best is not None and len(best) == 1:
        level = data.truth[1 + [p for p in comparison.products if p != "control"].index(best[0])]
        count.winner += level < data.truth[1:].max()
    _textbook(data, effects, count)


def _textbook(data: Drawn, effects: Array, count: Count) -> None:
    """Student's t against the control with Bonferroni's correction and without, and the first reading of each."""
    from scipy import stats

    groups = [data.value[data.product == k] for k in range(PRODUCTS + 1)]
    first = np.array([g[0] if len(g) else -np.inf for g in groups[1:]])
    count.first_reading += effects[int(first.argmax())] < effects.max()
    if any(len(g) < 2 for g in groups):
        return
    n = np.array([len(g) for g in groups])
    mean = np.array([g.mean() for g in groups])
    df = int(n.sum()) - len(n)
    spread = np.sqrt(sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / df)
    t = (mean[1:] - mean[0]) / (spread * np.sqrt(1 / n[1:] + 1 / n[0]))
    p = 2 * stats.t.sf(np.abs(t), df)
    count.textbook += int(np.sum((p * PRODUCTS < 0.05) & (effects != 0) & (np.sign(t) == np.sign(effects))))
    count.unadjusted += bool(np.any((p < 0.05) & (effects == 0)))


def blocked(each: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Complete blocks: every product and the control once in each."""
    product = np.tile(np.arange(PRODUCTS + 1), each)
    return product, np.repeat(np.arange(each), PRODUCTS + 1)


def lanes(rng: np.random.Generator, each: int = 4, of: int = 4) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rounds of four lanes with the control in each, products dealt out anew in every replicate."""
    product, block, b = [], [], 0
    for _ in range(each):
        deal = rng.permutation(PRODUCTS) + 1
        for start in range(0, PRODUCTS, of - 1):
            here = [0, *deal[start : start + of - 1]]
            product += here
            block += [b] * len(here)
            b += 1
    return np.array(product), np.array(block)


def uneven(rng: np.random.Generator, product: NDArray[np.int64]) -> Array:
    """Scatter that differs ninefold in variance from the least product to the most."""
    sd = np.linspace(1.0, 3.0, PRODUCTS + 1)
    return np.asarray(sd[product] / sd.mean() * rng.standard_normal(len(product)))


def heavy(rng: np.random.Generator, product: NDArray[np.int64]) -> Array:
    """Specimens with long tails: Student's t on 4 degrees of freedom, scaled to a standard deviation of 1."""
    return np.asarray(rng.standard_t(4, len(product)) / np.sqrt(2))


def repeats(rng: np.random.Generator, product: NDArray[np.int64]) -> Array:
    """Two runs of three repeats each, entered as six runs: repeats of one run scatter far less than runs."""
    between = np.repeat(rng.standard_normal(len(product) // 3), 3)
    return np.asarray(between + 0.3 * rng.standard_normal(len(product)))


def sorted_between(each: int = 3, every: int = 4) -> NDArray[np.int64]:
    """Sorted products with the control first, after every four runs and last."""
    runs = np.repeat(np.arange(1, PRODUCTS + 1), each)
    out: list[int] = [0]
    for start in range(0, len(runs), every):
        out += [*runs[start : start + every].tolist(), 0]
    return np.array(out)


def scenarios() -> list[Scenario]:
    """Every scenario, by name."""
    plain, risk = declared(), declared(kind="risk")
    days = declared(test='blocks = "day"')
    rounds = declared(test='blocks = "round"\nlanes = 4')
    spread = declared(result='spread = "unequal"')
    drifts = declared(test='drift = "linear"\norder = "as listed"')
    drifts_random = declared(test='drift = "linear"\norder = "random"')
    few = truth_of(2, 2, -2, 4)
    made: list[Scenario] = []

    def scenario(name: str, says: str, study: Study, draw: Draw, **more: bool) -> None:
        made.append(Scenario(name, says, draw, study, **more))

    scenario(
        "null",
        "no product does anything, 4 runs each, 8 of the control",
        plain,
        lambda rng: drawn(rng, runs_of(4, 8), truth_of()),
    )
    scenario(
        "some differ", "four products differ by 2 to 4 scatters", plain, lambda rng: drawn(rng, runs_of(4, 8), few)
    )
    for n in (1, 2, 3, 5):
        control = {1: 6, 2: 4, 3: 6, 5: 10}[n]
        scenario(
            f"{n} run{'s' * (n > 1)}",
            f"{n} run{'s' * (n > 1)} each, {control} of the control",
            plain,
            lambda rng, n=n, control=control: drawn(rng, runs_of(n, control), few),
        )  # type: ignore[misc]
    scenario(
        "margin, exactly",
        "every product lies exactly at the smallest difference that matters",
        plain,
        lambda rng: drawn(rng, runs_of(8, 16), truth_of(*[2.0] * PRODUCTS)),
    )
    scenario(
        "harm only",
        "a risk: four products harm, one by exactly as much as matters",
        risk,
        lambda rng: drawn(rng, runs_of(5, 10), truth_of(-2, -4, -4, -1)),
        exact=False,
    )
    scenario(
        "harm, all at the margin",
        "a risk: every product harms by exactly as much as matters",
        risk,
        lambda rng: drawn(rng, runs_of(5, 10), truth_of(*[-2.0] * PRODUCTS)),
        exact=False,
    )
    scenario(
        "blocks",
        "days that differ by twice the scatter, every product in each",
        days,
        lambda rng: drawn(rng, blocked(4)[0], few, block=blocked(4)[1], block_sd=2),
    )

    def in_lanes(rng: np.random.Generator) -> Drawn:
        product, block = lanes(rng)
        return drawn(rng, product, few, block=block, block_sd=2)

    scenario("rounds of lanes", "rounds of four with the control in each, products dealt at random", rounds, in_lanes)

    def lost(rng: np.random.Generator) -> Drawn:
        product, block = blocked(4)
        kept = np.sort(rng.permutation(len(product))[:-4])
        return drawn(rng, product[kept], few, block=block[kept], block_sd=2)

    scenario("missing runs", "complete blocks with four runs lost", days, lost)
    scenario(
        "unequal spread, declared",
        "variances ninefold apart, 4 runs, declared unequal",
        spread,
        lambda rng: drawn(rng, runs_of(4, 8), few, noise=uneven),
    )
    scenario(
        "unequal spread, left to the rule",
        "the same, not declared",
        plain,
        lambda rng: drawn(rng, runs_of(4, 8), few, noise=uneven),
        exact=False,
    )
    scenario(
        "unequal declared, equal in truth",
        "declared unequal where it is equal, 4 runs",
        spread,
        lambda rng: drawn(rng, runs_of(4, 8), few),
        exact=False,
    )
    scenario(
        "coarse",
        "the instrument steps by twice the scatter",
        plain,
        lambda rng: drawn(rng, runs_of(4, 8), few, step=2),
        exact=False,
    )
    scenario(
        "somewhat coarse",
        "the instrument steps by the scatter",
        plain,
        lambda rng: drawn(rng, runs_of(4, 8), few, step=1),
        exact=False,
    )
    scenario(
        "heavy tails",
        "specimens with long tails, 3 runs",
        plain,
        lambda rng: drawn(rng, runs_of(3, 6), few, noise=heavy),
        exact=False,
    )
    scenario("one big winner", "one product far ahead", plain, lambda rng: drawn(rng, runs_of(3, 6), truth_of(6)))
    scenario(
        "a close race",
        "two products ahead, as good as tied",
        plain,
        lambda rng: drawn(rng, runs_of(3, 6), truth_of(4, 3.9)),
    )
    scenario(
        "drift, controls between",
        "sorted by price, a drift of 4 scatters, controls between, declared",
        drifts,
        lambda rng: drawn(rng, sorted_between(), few, drift=4, shuffled=False),
    )
    scenario(
        "drift, controls first",
        "the same with all controls first: must be refused",
        drifts,
        lambda rng: drawn(rng, runs_of(3, 11), few, drift=4, shuffled=False),
    )
    scenario(
        "drift, random order",
        "the drift in a random order, declared linear",
        drifts_random,
        lambda rng: drawn(rng, runs_of(3, 6), few, drift=4),
    )
    scenario(
        "drift, not declared, sorted",
        "sorted, controls first, nothing declared: what plain practice does",
        plain,
        lambda rng: drawn(rng, runs_of(3, 6), truth_of(), drift=4, shuffled=False),
        exact=False,
    )
    scenario(
        "repeats taken for runs",
        "three repeats of two runs entered as six runs",
        plain,
        lambda rng: drawn(rng, runs_of(6, 6), truth_of(), noise=repeats),
        exact=False,
    )
    return made


def simulate(name: str, studies: int, seed: int) -> Count:
    """So many studies of one scenario."""
    scenario = next(s for s in scenarios() if s.name == name)
    count = Count()
    for k in range(studies):
        data = scenario.draw(np.random.default_rng([seed, k]))
        # Runs stand in the order of products, as a sheet's do.
        sort = np.argsort(data.product, kind="stable")
        data = replace(
            data, product=data.product[sort], value=data.value[sort], block=data.block[sort], order=data.order[sort]
        )
        judged(compare_one(scenario.study, outcomes_of(scenario.study, data)), data, count)
    return count


def share(hits: int, of: int) -> str:
    """A percentage with its Monte Carlo error."""
    if not of:
        return "-"
    p = hits / of
    return f"{100 * p:.1f} ± {100 * np.sqrt(p * (1 - p) / of):.1f}"


COLUMNS = ("scenario", "coverage", "difference", "same", "winner", "found", "textbook", "refused", "width")


def row_of(scenario: Scenario, count: Count) -> tuple[str, ...]:
    """One row of the page, in percent."""
    return (
        scenario.name,
        share(count.covered, count.given),
        share(count.difference, count.studies),
        share(count.same, count.studies),
        share(count.winner, count.studies),
        share(count.found, count.differ) if count.differ else "-",
        share(count.textbook, count.differ) if count.differ and count.textbook else "-",
        share(count.studies - count.given, count.studies),
        f"{count.width / count.given:.2f}" if count.given else "-",
    )


def main(words: list[str]) -> None:
    """Print a row for each scenario."""
    studies = int(words[0]) if words else 1_000
    processes = int(words[1]) if len(words) > 1 else 2
    wanted = words[2:]
    chosen = [s for s in scenarios() if not wanted or s.name in wanted]
    chunk = max(1, min(500, studies // processes))
    print(" | ".join(COLUMNS))
    with ProcessPoolExecutor(processes) as pool:
        jobs = {
            s.name: [
                pool.submit(simulate, s.name, min(chunk, studies - start), start) for start in range(0, studies, chunk)
            ]
            for s in chosen
        }
        for scenario in chosen:
            count = Count()
            for job in jobs[scenario.name]:
                count.add(job.result())
            line = row_of(scenario, count)
            print(" | ".join(line), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
