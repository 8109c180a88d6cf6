"""What may be off in the figures of a test: one `Error` for each source, with what it does to every reading.

    roundings     the step of each display                    repeats       repeats of one run that read apart
    instruments   an instrument's offset and its gain         constants     constants that are not known exactly

Everything in SI, one element a run: `mean` of the repeats of a reading, `count` of them, their `scatter` (sample
standard deviation, nan for fewer than two) and the `step` of the display. nan where nothing was read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from evenbench.measure.uncertainty import Error, sheppard
from evenbench.study.model import Constant, DeclaredReading

Array = NDArray[np.float64]


class Read(Protocol):
    """What was read of each reading of a test."""

    @property
    def mean(self) -> Mapping[str, Array]:
        """Repeats averaged."""

    @property
    def count(self) -> Mapping[str, Array]:
        """How many repeats."""

    @property
    def scatter(self) -> Mapping[str, Array]:
        """Sample standard deviation of the repeats."""

    @property
    def step(self) -> Mapping[str, Array]:
        """What the display steps by."""


def roundings(readings: Iterable[DeclaredReading], read: Read) -> list[Error]:
    """The rounding of each reading, by itself in every run.

    Repeats average it out only as far as they scatter: the scatter that they had before rounding is what theirs is
    without the part that rounding adds (Sheppard 1898).
    """
    out = []
    for reading in readings:
        step, count = read.step[reading.id], read.count[reading.id]
        several = bool(np.any(count > 1))
        before = sheppard(read.scatter[reading.id], step) if several else None
        out.append(Error.from_resolution(f"{reading.id} rounding", reading.id, step, count, scatter=before))
    return out


def repeats(readings: Iterable[DeclaredReading], read: Read, all_: Read) -> list[Error]:
    """How far the mean of repeats may be off because they read apart, where there are any.

    all_  the whole test: one scatter is taken from the repeats of all its runs (JCGM 100:2008, 4.2.4)
    """
    out = []
    for reading in readings:
        count, scatter = all_.count[reading.id], all_.scatter[reading.id]
        several = (count > 1) & np.isfinite(scatter)
        df = float(np.sum(count[several] - 1))
        if df == 0:
            continue
        pooled = math.sqrt(float(np.sum((count[several] - 1) * scatter[several] ** 2)) / df)
        sd = float(sheppard(pooled, float(np.median(all_.step[reading.id][several]))))
        if sd > 0:
            u = sd / np.sqrt(np.maximum(read.count[reading.id], 1))
            out.append(Error.from_standard(f"{reading.id} repeats", reading.id, u, df=df))
    return out


def instruments(readings: Iterable[DeclaredReading], read: Read) -> list[Error]:
    """Offset and gain of each instrument that states them: one error each for all that is read with it."""
    with_: dict[str, list[DeclaredReading]] = {}
    for reading in readings:
        if reading.instrument is not None:
            with_.setdefault(reading.instrument.id, []).append(reading)
    out = []
    for id, here in with_.items():
        instrument = here[0].instrument
        if instrument is not None and instrument.offset is not None:
            u = float(instrument.offset.unit.difference_to_si(instrument.offset.value))
            out.append(Error.from_offset(f"{id} offset", [reading.id for reading in here], u))
        if instrument is not None and instrument.gain:
            shown = {reading.id: shown_by(reading, read.mean[reading.id]) for reading in here}
            out.append(Error.from_gain(f"{id} gain", shown, instrument.gain))
    return out


def shown_by(reading: DeclaredReading, mean: Array) -> Array:
    """How far a reading stands above the zero of its own unit, in SI: a gain is a share of what is shown."""
    return np.asarray(reading.unit.difference_to_si(reading.unit.from_si(mean)), dtype=np.float64)


def constants(declared: Mapping[str, Constant]) -> list[Error]:
    """Each constant that is not known exactly: normal with a standard uncertainty, or anywhere within its limits.

    Source: JCGM 100:2008, 4.3.7 for limits with nothing between them preferred.

    >>> from evenbench.measure.units import parse_quantity
    >>> [error] = constants({"area": Constant(value=parse_quantity("10 cm2"), within=2e-5)})
    >>> error.name, error.shape, round(error.pulls["area"], 9)
    ('area', 'uniform', 1.1547e-05)
    """
    out = []
    for id, constant in declared.items():
        if constant.u:
            out.append(Error.from_standard(id, id, constant.u))
        elif constant.within:
            out.append(Error.from_within(id, id, constant.within))
    return out
