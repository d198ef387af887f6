"""A chain as data: filters on both sides and equaliser bands, and its level over frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.response.boosts import BoostBand
from gainkit.response.filters import Shape

Floats = NDArray[np.float64]
FilterSide = Literal["highpass", "lowpass"]


COST = 12.0
"""What a parameter costs [squared standard deviations]: three parameters of a band are worth six deviations."""


BENT_MOST = 0.4999
"""Nothing is bent beyond this part of a rate [-]."""


@dataclass(frozen=True)
class Levels:
    """What is fitted, (points,) each: frequency [Hz], level re the passband [dB], standard deviation [dB].
    rolls_off : sides that fall too little for a filter within the band, but perhaps by one beyond it.
    rough_db : how much the level bends from point to point, median of second differences [dB]."""

    frequency_hz: Floats
    level_db: Floats
    spread_db: Floats
    rolls_off: tuple[FilterSide, ...] = ()
    rough_db: float = 0.0


@dataclass(frozen=True)
class PlacedShape:
    """A filter shape and its corner [Hz]."""

    shape: Shape
    corner_hz: float


@dataclass(frozen=True)
class Chain:
    """What was found. rate_hz : of the digital filters, None for analogue ones. score : sum of squares over the
    spread, parameters' cost included. misfit_db : rms left over."""

    gain_db: float = 0.0
    highpass: PlacedShape | None = None
    lowpass: PlacedShape | None = None
    bands: tuple[BoostBand, ...] = ()
    rate_hz: float | None = None
    total: float = field(default=math.inf, compare=False)

    @property
    def cost(self) -> float:
        """What the parameters cost [squared standard deviations]."""
        filters = (self.highpass is not None) + (self.lowpass is not None)
        return COST * (2 * filters + 3 * len(self.bands))

    @property
    def sides(self) -> list[FilterSide]:
        """Where a filter stands."""
        wanted: tuple[FilterSide, ...] = ("highpass", "lowpass")
        return [side for side in wanted if getattr(self, side) is not None]

    @property
    def score(self) -> float:
        """Sum of squares and what the parameters cost [squared standard deviations]."""
        return self.total + self.cost

    def level_db(self, frequency_hz: Floats) -> Floats:
        """Level of all of it [dB], any shape."""
        bent = self.bent(frequency_hz)
        level = np.full(np.shape(frequency_hz), self.gain_db)
        if self.highpass is not None:
            level += self.highpass.shape.lowpass_db(self.bent_one(self.highpass.corner_hz) / bent)
        if self.lowpass is not None:
            level += self.lowpass.shape.lowpass_db(bent / self.bent_one(self.lowpass.corner_hz))
        for band in self.bands:
            level += replace(band, centre_hz=self.bent_one(band.centre_hz)).level_db(bent)
        return level

    def bent(self, frequency_hz: Floats) -> Floats:
        """Frequencies as a digital filter of `rate_hz` sees them, up to a factor."""
        if self.rate_hz is None:
            return frequency_hz
        return np.asarray(np.tan(math.pi * np.minimum(frequency_hz / self.rate_hz, BENT_MOST)))

    def bent_one(self, frequency_hz: float) -> float:
        """The same of one frequency."""
        if self.rate_hz is None:
            return frequency_hz
        return math.tan(math.pi * min(frequency_hz / self.rate_hz, BENT_MOST))


def with_filter(chain: Chain, side: FilterSide, placed: PlacedShape | None) -> Chain:
    """The chain with another filter on one side, or none."""
    return replace(chain, highpass=placed) if side == "highpass" else replace(chain, lowpass=placed)


def misfit_db(levels: Levels, chain: Chain) -> float:
    """Rms of what is left over, weighted as in the fit [dB]."""
    left = levels.level_db - chain.level_db(levels.frequency_hz)
    weight = levels.spread_db**-2
    return math.sqrt(float(np.sum(weight * left**2) / np.sum(weight)))
