"""Blocks as a sample: used where many small blocks are worth it, else kept fixed, with the reason."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from evenbench.compare.blocks import MixedFit
from evenbench.compare.comparison import Comparison
from evenbench.compare.mixed import fit_mixed
from tests.engine import analysis_of, one_test

IDS = ("c", *(f"p{k:02}" for k in range(1, 13)))


def lanes(seed: int, each: int = 4) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rounds of four with the control in each, twelve products dealt out anew in every replicate."""
    rng = np.random.default_rng(seed)
    product, block = [], []
    for replicate in range(each):
        deal = rng.permutation(12) + 1
        for r in range(4):
            product += [0, *deal[3 * r : 3 * r + 3]]
            block += [4 * replicate + r] * 4
    return np.array(product), np.array(block)


def compared(
    product: NDArray[np.int64], block: NDArray[np.int64], *, block_sd: float, as_: str, seed: int = 5
) -> Comparison:
    rng = np.random.default_rng(seed)
    shift = block_sd * rng.standard_normal(int(block.max()) + 1)
    value = 20 + shift[block] + rng.standard_normal(len(product))
    study = one_test(
        {id: "control" if id == "c" else "candidate" for id in IDS}, blocks=True, test=f'blocks_as = "{as_}"'
    )
    count = dict.fromkeys(IDS, 0)
    rows = []
    for k, b, x in zip(product.tolist(), block.tolist(), value.tolist(), strict=True):
        count[IDS[k]] += 1
        rows.append({"product": IDS[k], "run": str(count[IDS[k]]), "block": f"b{b:02}", "x": repr(x)})
    return analysis_of(study, rows).comparisons[0]


def test_random_blocks_are_those_of_the_mixed_model() -> None:
    """Effects and standard errors are the mixed model's, whose own checks are published split plots."""
    found = compared(*lanes(1), block_sd=1.0, as_="random")
    o = found.outcomes
    assert isinstance(found.fit, MixedFit)
    m = fit_mixed(o.value, np.eye(13)[o.product], [o.block], names=["day"])
    family = found.families[0]
    assert family.effect == pytest.approx(m.coefficients[1:] - m.coefficients[0], rel=1e-9)
    contrast = np.zeros(13)
    contrast[[1, 0]] = 1, -1
    half = (family.high[0] - family.low[0]) / 2
    assert half / family.constants[0] == pytest.approx(m.standard_error(contrast), rel=1e-6)
    assert "random blocks" in found.notes[0]
    assert any("sd between blocks" in note for note in found.notes)


def test_random_blocks_are_narrower_where_blocks_hardly_differ() -> None:
    """The engine specification, section 2.2 has 3.47 against 3.68 at a block sd of 0.5."""
    widths = {}
    for as_ in ("fixed", "random"):
        family = compared(*lanes(2), block_sd=0.5, as_=as_, seed=8).families[0]
        widths[as_] = float(np.mean(family.high - family.low))
    assert widths["random"] < widths["fixed"]


def complete() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return np.tile(np.arange(13), 12), np.repeat(np.arange(12), 13)


def few() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    product, block = lanes(3, each=2)
    return product, block


KEPT = [
    pytest.param(complete(), 1.0, "every product stands in every block", id="complete"),
    pytest.param(few(), 1.0, "8 blocks are too few to take for a sample", id="few"),
    pytest.param(lanes(4), 0.0, "there is no sign of block differences", id="no-difference"),
]


@pytest.mark.parametrize(("layout", "block_sd", "why"), KEPT)
def test_blocks_are_kept_fixed_with_the_reason(
    layout: tuple[NDArray[np.int64], NDArray[np.int64]], block_sd: float, why: str
) -> None:
    fixed, random = (compared(*layout, block_sd=block_sd, as_=as_, seed=4) for as_ in ("fixed", "random"))
    assert not isinstance(random.fit, MixedFit)
    assert random.families[0].low == pytest.approx(fixed.families[0].low, rel=1e-12)
    assert any(f"kept as fixed blocks: {why}" in note for note in random.notes)
