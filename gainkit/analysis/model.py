"""What a measurement says: frozen results whose field names carry their units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gainkit.analysis.thresholds import SEEN_OVER_FLOOR

State = Literal["clean", "at-onset", "clipped"]
Side = Literal["both", "positive", "negative"]


@dataclass(frozen=True)
class Harmonic:
    """One harmonic relative to the fundamental.

    order : 2, 3, ... [-]; percent : amplitude over the fundamental's [%]; phase_degrees : of a cosine
    harmonic when time is shifted so that the fundamental is a cosine of phase zero [degrees].
    """

    order: int
    percent: float
    phase_degrees: float


ON_TARGET_DB = 0.1
"""A level within this of its target needs no turning [dB]."""

LARGEST_OVERDRIVE_DB = 60.0
"""The search for the sine behind a clipped wave ends here: what lies there may lie beyond [dB]."""


def overdrive_words(overdrive_db: float) -> str:
    """How far beyond the rail, for a person; overdrive_db above 0."""
    if overdrive_db >= LARGEST_OVERDRIVE_DB - 0.1:
        return f"{LARGEST_OVERDRIVE_DB:g} dB or more"
    return f"{overdrive_db:.2f} dB"


@dataclass(frozen=True)
class Clipping:
    """The verdict on rails.

    state : None when it cannot be judged (no steady tone, or the recorder itself was overloaded).
    positive_rail_volts, negative_rail_volts : where the output is held [V peak], None when not seen.
    overdrive_db : 20 log10(peak of the underlying sine / rail) [dB], the larger side; 0 or less: not
        clipped; None when it cannot be told (a clean tone says nothing about where the rail lies).
    """

    state: State | None
    side: Side | None
    positive_rail_volts: float | None
    negative_rail_volts: float | None
    overdrive_db: float | None
    overdrive_uncertainty_db: float | None = None


@dataclass(frozen=True)
class TargetCheck:
    """set_volts : what the meter shall show [V rms]. change_db : what to turn, positive up [dB]; None where the
    recording does not tell it (no calibration, no steady tone, recorder overloaded), and where the output is
    distorted and would have to go up or stay."""

    set_volts: float
    change_db: float | None


@dataclass(frozen=True)
class Measurement:
    """One steady tone in one capture. Volts are rms of the AC part unless named peak or dc."""

    file: str
    channel: int
    minus: int | None
    sample_rate_hz: float
    seconds: float
    cycles: float | None
    calibrated: bool
    frequency_hz: float | None
    rms_volts: float
    fundamental_volts: float | None
    level_dbfs: float | None
    peak_volts: float
    dc_volts: float
    crest_factor_db: float | None
    thd_percent: float | None
    thd_r_percent: float | None
    thd_floor_percent: float | None
    thd_n_percent: float | None
    noise_volts: float | None
    harmonics: tuple[Harmonic, ...]
    clipping: Clipping
    recorder_overload: bool
    steady_tone: bool
    watts: float | None
    target: TargetCheck | None
    notes: tuple[str, ...]

    @property
    def distortion_seen(self) -> bool:
        """Whether the THD stands above what this recording's noise would show by itself."""
        if self.thd_percent is None or self.thd_floor_percent is None:
            return False
        return self.thd_percent >= SEEN_OVER_FLOOR * self.thd_floor_percent


@dataclass(frozen=True)
class MeasureOptions:
    """What is asked of a capture.

    start_seconds, stop_seconds : part to look at [s], None for the whole.
    band_hz : band of noise and harmonics, (low, high) [Hz].
    load_ohms : for watts [ohm]. target_volts : what the meter shall show [V rms].
    limit_thd_percent : THD at which a rail that is seen counts as clipped [%].
    """

    channel: int = 1
    minus: int | None = None
    start_seconds: float | None = None
    stop_seconds: float | None = None
    band_hz: tuple[float, float] = (10.0, 20_000.0)
    load_ohms: float | None = None
    target_volts: float | None = None
    limit_thd_percent: float = 1.0
