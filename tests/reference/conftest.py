"""The scripts that made reference values are run by hand, with libraries that the tests do without."""

from __future__ import annotations

collect_ignore_glob = ["make_*.py"]
