"""A base for measured and computed values: keyword-only, immutable, arrays read-only."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np


@dataclass(frozen=True, kw_only=True, eq=False)
class Frozen:
    """A value whose numpy arrays cannot be written to, so that it can be shared and trusted.

    >>> @dataclass(frozen=True, kw_only=True, eq=False)
    ... class Masses(Frozen):
    ...     grams: np.ndarray
    >>> Masses(grams=np.array([1.0, 2.0])).grams.flags.writeable
    False
    """

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray) and value.flags.writeable:
                own = value.copy()
                own.flags.writeable = False
                object.__setattr__(self, field.name, own)

    def __setstate__(self, state: dict[str, Any]) -> None:
        # Pickle, which carries values to worker processes, forgets that an array was read-only.
        self.__dict__.update(state)
        self.__post_init__()
