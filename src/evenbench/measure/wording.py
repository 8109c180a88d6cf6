"""Numbers as they are printed: no more digits than the figure supports, and no fewer."""

from __future__ import annotations

import math


def decimals(spread: float) -> int:
    """Decimals that show two figures of an uncertainty or half-width, between 0 and 9.

    >>> decimals(2.71), decimals(0.034), decimals(180.0), decimals(0.0)
    (1, 3, 0, 2)
    """
    if not math.isfinite(spread) or spread <= 0:
        return 2
    return min(max(1 - math.floor(math.log10(spread)), 0), 9)


def number(value: float, places: int = 2) -> str:
    """A number with so many decimals, in plain figures where they stay readable, never as "-0.0".

    >>> number(-27.345, 1), number(-0.001, 2), number(12345678.9, 0), number(1.5e13, 0)
    ('-27.3', '0.00', '12345679', '1.5e+13')
    """
    if abs(value) >= 1e12 or (value != 0 and abs(value) < 1e-9):
        return f"{value:.3g}"
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0 else text


def telling(low: float, high: float, *marks: float) -> int:
    """Decimals for the ends of an interval: two figures of its width, or more if an end prints as a mark it misses.

    >>> telling(0.9, 4.957, 0.0, 5.0), telling(1.0, 4.0, 0.0, 5.0)
    (2, 1)
    """
    places = decimals((high - low) / 2)
    pairs = [(end, mark) for end in (low, high) for mark in marks if end != mark]
    while places < 6 and any(number(end, places) == number(mark, places) for end, mark in pairs):
        places += 1
    return places


def with_unit(text: str, unit: str) -> str:
    """A number and its unit.

    >>> with_unit("27.3", "points"), with_unit("3.0", "%"), with_unit("1.2", "")
    ('27.3 points', '3.0 %', '1.2')
    """
    return f"{text} {unit}".rstrip()


def listed(items: list[str] | tuple[str, ...], last: str = "and") -> str:
    """Names in a sentence.

    >>> listed(["A", "B", "C"]), listed(["A", "B"], last="or"), listed(["A"]), listed([])
    ('A, B and C', 'A or B', 'A', 'none')
    """
    if not items:
        return "none"
    return " ".join([", ".join(items[:-1]), last, items[-1]]) if len(items) > 1 else items[0]


def counted(count: int, noun: str, plural: str = "") -> str:
    """A count with its noun.

    >>> counted(1, "run"), counted(3, "run"), counted(2, "degree of freedom", "degrees of freedom")
    ('1 run', '3 runs', '2 degrees of freedom')
    """
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def bounded(low: float, high: float) -> str:
    """Bounds in words.

    >>> bounded(600.0, float("inf")), bounded(float("-inf"), 0.5), bounded(1.0, 2.0)
    ('over 600', 'under 0.5', '1 to 2')
    """
    if math.isinf(high):
        return "anything" if math.isinf(low) else f"over {low:.4g}"
    return f"under {high:.4g}" if math.isinf(low) else f"{low:.4g} to {high:.4g}"
