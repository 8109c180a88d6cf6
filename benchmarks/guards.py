"""How often guards doubt a clean study, and which share of planted slips they find.

    python benchmarks/guards.py [clean studies] [plants of each sort]

Clean studies are those that examples/make_examples.py draws for other seeds: the demonstration, four to ten runs a
product, and the hurried study, mostly of one run each. Slips are planted in the sheets of the demonstration, one in
each copy, in any cell: many of them are smaller than the scatter of the bench, and nobody could find those.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from tests.study.planted_slips import PLANTS, doubts_of, share_found, sheets_of  # noqa: E402


def main(clean: int = 500, plants: int = 200) -> None:
    """Print both."""
    spec = importlib.util.spec_from_file_location("make_examples", ROOT / "examples" / "make_examples.py")
    assert spec is not None
    assert spec.loader is not None
    make = importlib.util.module_from_spec(spec)
    sys.modules["make_examples"] = make
    spec.loader.exec_module(make)
    for name, draw in (("demonstration", make.demo), ("hurried study", make.hurried)):
        alarms = 0
        for seed in range(6000, 6000 + clean):
            found = doubts_of(*sheets_of(draw(seed)))
            alarms += bool(found)
            for doubt in found:
                print(f"  seed {seed}: {doubt}")
        print(f"clean studies like the {name}: {alarms} of {clean} with a doubt")
    study, sheets = sheets_of(make.demo())
    print(f"the demonstration itself: {len(doubts_of(study, sheets))} doubts")
    for plant in PLANTS:
        found_, elsewhere = share_found(study, sheets, plant, plants, 1)
        print(f"{plant}: {found_} of {plants} found, {elsewhere} with a doubt elsewhere alone")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
