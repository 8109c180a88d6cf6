"""The version, on its own: the engine states it with every result, and may import nothing above itself to do so."""

from __future__ import annotations

VERSION = "0.1.0"
