"""What one capture says of its noise, nothing judged yet."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.figures import level_unit
from gainkit.levels import power_db_from_ratio
from gainkit.noise.model import BandNoise, Family

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class NoiseReading:
    """One capture's noise, nothing judged yet.

    octave_spread_db : None for too few spectra. rounding_volts : what the recorder's steps add in the band [V].
    outside_volts : below 20 Hz and above 20 kHz [V]. flutter_db : as in `Moving`; 0 where nothing moves.
    """

    file: str
    calibrated: bool
    band_hz: tuple[float, float]
    rms_volts: float
    a_weighted_volts: float
    hiss_volts: float
    hiss_a_weighted_volts: float
    dc_volts: float
    peak_volts: float
    seconds: float
    still_seconds: float
    left_out_seconds: float
    overloaded: bool
    row_powers: Floats = field(repr=False)
    octave_spread_db: float | None
    rounding_volts: float
    families: tuple[Family, ...]
    bands: tuple[BandNoise, ...] = field(repr=False)
    outside_volts: tuple[float, float] = (0.0, 0.0)
    flutter_db: float = 0.0

    @property
    def row_spread_db(self) -> float:
        """How much the level varies: 10 % to 90 % of its steps [dB]; still ones left out."""
        powers = self.row_powers[self.row_powers > 0]
        if len(powers) < 8:
            return 0.0
        low, high = np.percentile(powers, [10, 90])
        return float(power_db_from_ratio(high / low))

    @property
    def unit(self) -> str:
        """What its levels are told in."""
        return level_unit(self.calibrated)

    def named(self, family: Family) -> dict[str, Any]:
        """What a sentence names of a family."""
        return {
            "fundamental_hz": family.fundamental_hz,
            "rms_volts": family.rms_volts,
            "unit": self.unit,
            "kind": family.kind,
        }
