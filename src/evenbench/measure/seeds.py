"""Seeds of random steps, so that every figure that was drawn can be had again."""

from __future__ import annotations

import hashlib


def seed_of(study: str, step: str) -> int:
    """The seed of one random step, from its name, so that it never depends on what ran before.

    >>> seed_of("proofers_2026", "sureness daily")
    7442500
    """
    return int.from_bytes(hashlib.sha256(f"{study}/{step}".encode()).digest()[:3], "big")
