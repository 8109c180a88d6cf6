"""The dose on the bench against the dose on the label, test by test."""

from __future__ import annotations

from dataclasses import dataclass

from evenbench.measure.units import describe
from evenbench.measure.wording import listed
from evenbench.study.model import Product, Study, Test

MUCH, LITTLE = 1.5, 0.67
"""Beyond these multiples of the label's dose readers are warned."""


@dataclass(frozen=True, kw_only=True)
class Share:
    """How much of one product went on, as multiples of its label's dose; None with a reason where unknown."""

    product: str
    low: float | None
    high: float | None
    why: str = ""

    @property
    def text(self) -> str:
        """The share in words.

        >>> Share(product="a", low=1.0, high=1.0).text, Share(product="a", low=4.0, high=6.0).text
        ('1.0 × the label', '4 to 6 times the label')
        """
        if self.low is None or self.high is None:
            return f"not known against the label: {self.why}"
        low, high = f"{self.low:.2g}", f"{self.high:.2g}"
        if low != high:
            return f"{low} to {high} times the label"
        return f"{float(low):.1f} × the label" if 0.095 <= self.low < 99.5 else f"{low} × the label"


def shares(study: Study, test: Test) -> tuple[Share, ...]:
    """Every candidate and placebo of a test, where the test says how much of it was applied."""
    if test.applied_dose is None and test.applied_share is None:
        return ()
    products = [study.product(p) for p in test.products]
    used = [p for p in products if p.role == "candidate" or (p.role == "placebo" and _has_share(test, p))]
    return tuple(_share(test, p) for p in used)


def _has_share(test: Test, placebo: Product) -> bool:
    """Whether a placebo has a label whose dose could be multiplied: water has none."""
    return test.applied_share is None or placebo.dose is not None


def _share(test: Test, product: Product) -> Share:
    if test.applied_share is not None:
        low, high = test.applied_share
        return Share(product=product.id, low=low, high=high)
    assert test.applied_dose is not None
    if product.dose is None:
        return Share(product=product.id, low=None, high=None, why="its label's dose is not stated")
    least, most = product.dose_range or (product.dose, product.dose)
    on, label = test.applied_dose[0].unit, least.unit
    if on.dims != label.dims:
        why = f"the label's dose is {describe(label.dims)}, and {describe(on.dims)} was applied"
        return Share(product=product.id, low=None, high=None, why=why)
    return Share(product=product.id, low=test.applied_dose[0].si / most.si, high=test.applied_dose[1].si / least.si)


def said(study: Study, test: Test) -> list[str]:
    """The shares of a test in words, products of one share together: "1.0 × the label: A and B".

    Where more than three products all had the same, they are not named one by one.
    """
    groups: dict[str, list[str]] = {}
    for share in shares(study, test):
        groups.setdefault(share.text, []).append(study.product(share.product).name)
    if len(groups) == 1:
        return [f"{text}: {_all_or(names)}" for text, names in groups.items()]
    return [f"{text}: {listed(names)}" for text, names in groups.items()]


def _all_or(names: list[str]) -> str:
    return f"all {len(names)} products" if len(names) > 3 else listed(names)


def share_said(test: Test) -> str:
    """How a test's share of the label's dose is told beside advice; "" where it is one dose, or no share is stated.

    >>> print(share_said(Test(id="t", title="Soak", products=(), control=None, applied_share=(4.0, 6.0))))
    "Soak" was done at 4 to 6 times the label's dose
    """
    if test.applied_share is None or test.applied_share == (1.0, 1.0):
        return ""
    low, high = (f"{end:.3g}" for end in test.applied_share)
    times = low if low == high else f"{low} to {high}"
    return f'"{test.title}" was done at {times} times the label\'s dose'


def warnings(study: Study, test: Test) -> list[str]:
    """What readers must know where the bench took much more or much less than the label says.

    More than 1.5 times, or less than 0.67 times, at either end of a range.
    """
    found = shares(study, test)
    much = [study.product(s.product).name for s in found if s.high is not None and s.high > MUCH]
    little = [study.product(s.product).name for s in found if s.low is not None and s.low < LITTLE]
    out = []
    if much:
        out.append(
            f"more than the label's dose was applied of {listed(much)}: people who follow the label will see less "
            "of whatever it does"
        )
    if little:
        out.append(
            f"less than the label's dose was applied of {listed(little)}: people who follow the label may see more "
            "of whatever it does"
        )
    return out
