"""The words follow from the interval and the margin alone (DESIGN of the engine; Schuirmann 1987)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbench.compare.verdict import benefit_verdict, by_enough, risk_verdict

BENEFIT = [
    # low, high, matters -> word, by enough. Turned so that more is better.
    pytest.param(0.5, 0.9, 0.5, "better", True, id="wholly-beyond-the-margin"),
    pytest.param(0.1, 0.9, 0.5, "better", False, id="above-zero-perhaps-less-than-matters"),
    pytest.param(0.1, 0.4, 0.5, "same", False, id="real-but-unimportant"),
    pytest.param(-0.4, -0.1, 0.5, "same", False, id="real-but-unimportant-loss"),
    pytest.param(-0.4, 0.4, 0.5, "same", False, id="inside-the-margin"),
    pytest.param(-0.5, 0.4, 0.5, "not settled", False, id="touches-the-margin"),
    pytest.param(-0.9, -0.1, 0.5, "worse", False, id="below-zero"),
    pytest.param(-0.9, -0.5, 0.5, "worse", True, id="below-the-margin"),
    pytest.param(0.0, 0.9, 0.5, "not settled", False, id="touches-zero"),
    pytest.param(-0.1, 0.1, None, "not settled", None, id="no-margin-never-same"),
    pytest.param(math.nan, math.nan, 0.5, "cannot say", None, id="no-interval"),
]
RISK = [
    pytest.param(-0.4, 0.9, 0.5, "no harm shown", False, id="above-the-margin"),
    pytest.param(-0.4, -0.1, 0.5, "no harm shown", False, id="real-but-unimportant-harm"),
    pytest.param(-0.5, -0.1, 0.5, "harm", False, id="harm-perhaps-unimportant"),
    pytest.param(-0.9, -0.6, 0.5, "harm", True, id="harm-by-enough"),
    pytest.param(-0.9, 0.1, 0.5, "not settled", False, id="could-be-harm"),
    pytest.param(0.1, 0.9, None, "not settled", None, id="no-margin-never-harmless"),
    pytest.param(math.nan, math.nan, 0.5, "cannot say", None, id="no-bounds"),
]


@pytest.mark.parametrize(("low", "high", "matters", "word", "enough"), BENEFIT)
def test_benefit_words(low: float, high: float, matters: float | None, word: str, enough: bool | None) -> None:
    """A benefit is better, worse, same or not settled by its interval."""
    found = benefit_verdict(low, high, matters)
    assert (found, by_enough(found, low, high, matters)) == (word, enough)


@pytest.mark.parametrize(("low", "high", "matters", "word", "enough"), RISK)
def test_risk_words(low: float, high: float, matters: float | None, word: str, enough: bool | None) -> None:
    """A risk is harmless only when its bounds exclude a loss that matters, never because nothing was seen."""
    found = risk_verdict(low, high, matters)
    assert (found, by_enough(found, low, high, matters)) == (word, enough)


@given(st.floats(-10, 10), st.floats(0, 10), st.floats(0.01, 5))
def test_a_wider_interval_never_says_more(low: float, width: float, matters: float) -> None:
    """Widening an interval can only take a word back, never change it to another one that commits."""
    narrow, wide = benefit_verdict(low, low + width, matters), benefit_verdict(low - 1, low + width + 1, matters)
    assert wide in ("not settled", narrow) or narrow == "same"


@given(st.floats(-10, 10), st.floats(0, 10), st.floats(0.01, 5))
def test_turning_the_direction_turns_the_word(low: float, width: float, matters: float) -> None:
    """The mirror image of an interval gets the mirror image of the word."""
    mirror = {"better": "worse", "worse": "better"}
    word = benefit_verdict(low, low + width, matters)
    assert benefit_verdict(-low - width, -low, matters) == mirror.get(word, word)
