"""What was done to deserve trust: each precaution taken, half taken or not, with its reason."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenbench.measure.wording import counted, listed, number
from evenbench.reduce import Outcomes, ranks
from evenbench.study.model import Study, Test


@dataclass(frozen=True, kw_only=True)
class Precaution:
    """taken is 1, 0.5 or 0; `because` says what was found."""

    name: str
    taken: float
    because: str


@dataclass(frozen=True, kw_only=True)
class Precautions:
    """All precautions of a result, or of the whole study.

    beside  what changed the procedure while it ran: told beside the precautions, and counted in none
    """

    items: tuple[Precaution, ...]
    beside: tuple[str, ...] = ()

    @property
    def taken(self) -> float:
        """How many were taken, halves counted."""
        return sum(item.taken for item in self.items)

    def __str__(self) -> str:
        return f"{self.taken:g} of {len(self.items)} taken"


def precautions_of(study: Study, outcomes: Outcomes, departures: tuple[str, ...] = ()) -> Precautions:
    """The precautions behind one result.

    departures  what was seen in its test that changed the procedure
    """
    test = study.test(outcomes.test)
    items = (_replicated(study, outcomes), _order(study, test, outcomes), _coded(study), _bought(study))
    return Precautions(items=items, beside=departures)


def precautions_of_study(per_result: Iterable[tuple[str, Precautions]]) -> Precautions:
    """For the whole study each precaution counts as little as in the result that took it least.

    per_result  title of the test, and the precautions of one result of it
    """
    rows = list(per_result)
    if not rows:
        return Precautions(items=())
    items = []
    for place, item in enumerate(rows[0][1].items):
        least = min(p.items[place].taken for _, p in rows)
        found: dict[str, list[str]] = {}
        for test, p in rows:
            if p.items[place].taken == least and p.items[place].because not in found.setdefault(test, []):
                found[test].append(p.items[place].because)
        reasons: dict[str, list[str]] = {}
        for test, whys in found.items():
            if whys:
                reasons.setdefault(", ".join(whys), []).append(test)
        tests = {test for test, _ in rows}
        said = [
            why if set(of) == tests else f"{listed([_quoted(test) for test in of])}: {why}"
            for why, of in reasons.items()
        ]
        items.append(Precaution(name=item.name, taken=least, because="; ".join(said)))
    beside = dict.fromkeys(f"{_quoted(test)}, {said}" for test, p in rows for said in p.beside)
    return Precautions(items=tuple(items), beside=tuple(beside))


def _quoted(title: str) -> str:
    return f'"{title}"'


def _replicated(study: Study, outcomes: Outcomes) -> Precaution:
    counts = {p: len(outcomes.of(p)) for p in outcomes.products}
    ran = {p: n for p, n in counts.items() if n}
    if not ran:
        return Precaution(name="replicated", taken=0, because="nothing was run")
    least = min(ran.values())
    taken = 1.0 if least >= 3 else 0.5 if least == 2 else 0.0
    few = [study.product(p).name for p, n in ran.items() if n == least]
    if len(few) <= 3 and len(few) < len(ran):
        return Precaution(name="replicated", taken=taken, because=f"only {counted(least, 'run')} of {listed(few)}")
    if least == 1:
        return Precaution(name="replicated", taken=taken, because=f"1 run of {counted(len(few), 'product')}")
    return Precaution(name="replicated", taken=taken, because=f"at least {least} runs of every product")


def _order(study: Study, test: Test, outcomes: Outcomes) -> Precaution:
    name = "order"
    known = np.isfinite(outcomes.order)
    complete = (
        len(outcomes.value) > 0
        and len(outcomes.blocks) > 1
        and all(
            set(outcomes.product[outcomes.block == b].tolist()) == set(outcomes.product.tolist())
            for b in range(len(outcomes.blocks))
        )
    )
    if known.any() and (what := _followed(study, outcomes, known)):
        return Precaution(name=name, taken=0, because=what)
    if complete and test.order != "as listed":
        return Precaution(name=name, taken=1, because=f"every product in every block ({test.blocks})")
    if test.order == "random":
        if known.all():
            return Precaution(name=name, taken=1, because="run in random order")
        return Precaution(name=name, taken=0.5, because="said to be random; the order run was not written down")
    said = "run in the order listed" if test.order == "as listed" else "nothing says how the order was chosen"
    return Precaution(name=name, taken=0, because=said)


def _followed(study: Study, outcomes: Outcomes, known: NDArray[np.bool_]) -> str:
    """Whether mean places in the order follow price, name or file order; "" where they do not."""
    ran = [k for k in range(len(outcomes.products)) if np.any(known & (outcomes.product == k))]
    place = [float(outcomes.order[known & (outcomes.product == k)].mean()) for k in ran]
    products = [study.product(outcomes.products[k]) for k in ran]
    attributes = {
        "price": [p.price.si if p.price else np.nan for p in products],
        "name": np.argsort(np.argsort([p.name.casefold() for p in products])).tolist(),
        "the order of the file": list(range(len(products))),
    }
    for what, values in attributes.items():
        rho = rank_correlation(np.array(place), np.array(values, dtype=np.float64))
        if abs(rho) > follows_beyond(int(np.isfinite(values).sum())):
            return f"the order run follows {what} (rank correlation {number(rho, 2)})"
    return ""


def follows_beyond(count: int) -> float:
    """The rank correlation that chance alone passes, either way, in one random order of 20.

    By Student's t, as any textbook has it; the exact point for 13 products is 0.5604.

    >>> round(follows_beyond(13), 2), round(follows_beyond(8), 2)
    (0.55, 0.71)
    """
    t = float(special.stdtrit(max(count - 2, 1), 0.975))
    return t / math.sqrt(count - 2 + t**2) if count > 2 else 1.0


def rank_correlation(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Spearman's rank correlation, ties averaged; 0 for fewer than six pairs, where it says nothing.

    >>> round(rank_correlation(np.arange(6.0), np.array([1.0, 2.0, 3.0, 4.0, 6.0, 5.0])), 4)
    0.9429
    """
    both = np.isfinite(x) & np.isfinite(y)
    a, b = ranks(x[both]), ranks(y[both])
    if len(a) < 6 or a.std() == 0 or b.std() == 0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _coded(study: Study) -> Precaution:
    taken = {"coded": 1.0, "decanted by another hand": 1.0, "coded at reading only": 0.5}.get(study.blinding, 0.0)
    said = "the tester knew which product was which" if study.blinding == "none" else study.blinding
    return Precaution(name="coded", taken=taken, because=said)


def _bought(study: Study) -> Precaution:
    candidates = [p for p in study.products if p.role == "candidate"]
    without = [p.name for p in candidates if not (p.bought and p.bought.shop and p.bought.lot)]
    if not candidates:
        return Precaution(name="bought at retail", taken=0, because="there are no candidates")
    if not without:
        return Precaution(name="bought at retail", taken=1, because="shop and lot written down for every candidate")
    who = listed(without) if len(without) <= 3 else f"{len(without)} of {counted(len(candidates), 'candidate')}"
    return Precaution(name="bought at retail", taken=0, because=f"shop or lot not written down for {who}")
