"""The words. Each follows from one printed interval and the smallest difference that matters, from nothing else."""

from __future__ import annotations

from typing import Literal

Verdict = Literal["better", "worse", "same", "no harm shown", "harm", "not settled", "cannot say"]


def benefit_verdict(low: float, high: float, matters: float | None) -> Verdict:
    """What may be said of an effect turned so that more is better, known to lie in [low, high].

    matters  smallest difference that matters, above 0; without one, "same" is never said

    Source: the two one-sided tests of Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680, read from an
    interval that holds for all products together.

    >>> benefit_verdict(0.2, 0.9, 0.5), benefit_verdict(0.1, 0.4, 0.5), benefit_verdict(-0.6, 0.4, 0.5)
    ('better', 'same', 'not settled')
    """
    if not low <= high:  # nan on either side
        return "cannot say"
    if matters is not None and -matters < low and high < matters:
        return "same"
    if low > 0:
        return "better"
    return "worse" if high < 0 else "not settled"


def risk_verdict(low: float, high: float, matters: float | None) -> Verdict:
    """What may be said of a risk, the effect turned so that more is better (less harm).

    low, high  simultaneous one-sided bounds; "no harm shown" is never said without a margin

    >>> risk_verdict(-0.3, 0.2, 0.5), risk_verdict(-0.9, -0.1, 0.5), risk_verdict(-0.9, 0.1, 0.5)
    ('no harm shown', 'harm', 'not settled')
    >>> risk_verdict(-0.3, -0.1, 0.5)  # real, and too small to matter
    'no harm shown'
    """
    if not low <= high:
        return "cannot say"
    if matters is not None and low > -matters:
        return "no harm shown"
    return "harm" if high < 0 else "not settled"


def like_verdict(low: float, high: float, matters: float | None) -> Verdict:
    """What may be said of a product that should be like another, its difference from it known to lie in [low, high].

    Within the smallest difference that matters it is the same; wholly beyond it, on either side, it is worse.
    Nothing is better than being alike. matters is above 0; without one nothing is settled.

    >>> like_verdict(-0.4, 0.3, 0.5), like_verdict(0.6, 0.9, 0.5), like_verdict(-0.9, -0.5, 0.5)
    ('same', 'worse', 'worse')
    >>> like_verdict(0.2, 0.9, 0.5)  # real, and perhaps too small to matter
    'not settled'
    """
    if not low <= high:
        return "cannot say"
    if matters is None:
        return "not settled"
    if -matters < low and high < matters:
        return "same"
    return "worse" if low >= matters or high <= -matters else "not settled"


def like_risk_verdict(low: float, high: float, matters: float | None) -> Verdict:
    """What may be said of a risk that lies in any difference from another product, known to lie in [low, high].

    Within the smallest difference that matters no harm is shown; wholly on one side of none at all there is harm.

    low, high  simultaneous interval with two ends; "no harm shown" is never said without a margin

    >>> like_risk_verdict(-0.4, 0.3, 0.5), like_risk_verdict(0.1, 0.9, 0.5), like_risk_verdict(-0.9, -0.1, 0.5)
    ('no harm shown', 'harm', 'harm')
    >>> like_risk_verdict(-0.1, 0.9, 0.5), like_risk_verdict(0.1, 0.4, 0.5)
    ('not settled', 'no harm shown')
    """
    if not low <= high:
        return "cannot say"
    if matters is not None and -matters < low and high < matters:
        return "no harm shown"
    return "harm" if low > 0 or high < 0 else "not settled"


def by_enough(verdict: Verdict, low: float, high: float, matters: float | None) -> bool | None:
    """Whether the whole interval lies beyond the smallest difference that matters; None without a margin.

    >>> by_enough("better", 0.6, 0.9, 0.5), by_enough("better", 0.2, 0.9, 0.5), by_enough("worse", -1.0, -0.5, 0.5)
    (True, False, True)
    """
    if matters is None or verdict == "cannot say":
        return None
    if verdict == "better":
        return low >= matters
    if verdict in ("worse", "harm"):
        return high <= -matters
    return False
