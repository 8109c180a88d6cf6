"""The advice to one buyer, with its conditions, in the words a tester would use."""

from __future__ import annotations

from evenbench.measure.wording import listed, number, telling
from evenbench.rank.price import Prices
from evenbench.study.applied import share_said
from evenbench.study.model import Buyer, Study


def conditions(buyer: Buyer) -> str:
    """The conditions of the advice, to stand behind the product it names; "" where there are none."""
    said = [f"only if {c}" for c in buyer.only_if] + [f"not if {c}" for c in buyer.not_if]
    return f" ({'; '.join(said)})" if said else ""


def lead_of(score: float, low: float, high: float, scope: str) -> str:
    """How far the one that could be best is ahead of doing nothing.

    scope  among whom: "on this shelf", or fewer
    """
    if high < 0:
        return "Best of these, and worse than doing nothing."
    if not low > 0:  # unknown too
        return "Best of these, not shown better than doing nothing."
    places = telling(low, high, 0.0)
    return (
        f"Nothing else {scope} could be best: {number(score, places)} worthwhile steps over doing nothing "
        f"(between {number(low, places)} and {number(high, places)})."
    )


def name_winner(study: Study, buyer: Buyer, winner: str, lead: str) -> str:
    """One product could be best, and nothing it must have is open."""
    return f"{buyer.title}: {study.product(winner).name}{conditions(buyer)}. {lead}"


def name_unproven(study: Study, buyer: Buyer, product: str, open_: list[str]) -> str:
    """One product could be best, and a must-have of it is open."""
    name = study.product(product).name + conditions(buyer)
    return f"{buyer.title}: no winner. {name} scores best, and a must-have is unproven ({listed(open_)})."


def name_several(
    study: Study, buyer: Buyer, could: tuple[str, ...], unproven: list[str], cheapest: str | None, costs: Prices | None
) -> str:
    """Several could be best."""
    names = [study.product(p).name for p in could]
    text = f"{buyer.title}: {listed(names, last='or')}; this study cannot separate them{conditions(buyer)}."
    if unproven:
        text += f" Must-haves not proven for {listed([study.product(p).name for p in unproven])}."
    if cheapest is not None and costs is not None:
        text += f" Cheapest of these: {study.product(cheapest).name}, {costs.said(cheapest)}."
    return text


def doses(study: Study, buyer: Buyer) -> str:
    """What must be said of doses with the advice, where a weighed test applied another one than the label's."""
    weighed = {name.partition(".")[0] for name in buyer.weights if name != "price"}
    said = [text for test in study.tests if test.id in weighed and (text := share_said(test))]
    if not said:
        return ""
    price = "; the price is that of one dose by the label" if "price" in buyer.weights else ""
    return f" {listed(said)}{price}."


def name_nobody(buyer: Buyer, reason: str) -> str:
    """Nothing can be called best."""
    return f"{buyer.title}: cannot say which is best, because {reason}."
