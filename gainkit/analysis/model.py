"""What a measurement is asked and what it says: frozen dataclasses whose field names carry their units."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from gainkit.analysis.thresholds import AUDIO_BAND_HZ, LIMIT_THD_PERCENT, stands_above
from gainkit.calculator.ranges import OHMS, VOLTS, Range, refuse_faults, within
from gainkit.errors import GainkitError
from gainkit.remarks import Remark
from gainkit.results import Result

State = Literal["clean", "at-onset", "clipped"]
Side = Literal["both", "positive", "negative"]
NoToneReason = Literal["silent", "out_of_band", "wanders", "glides", "second_tone", "noise"]
"""Why there is no steady tone: nothing is heard; rate and length of the recording leave nothing of the band;
level and phase wander; the level glides; another tone is as strong; noise outweighs the tone."""

SECONDS = Range("s", 0, 10_000_000, low_allowed=True)
LIMIT_PERCENT = Range("%", 0, 100)


@dataclass(frozen=True)
class Harmonic:
    """One harmonic relative to the fundamental.

    order : 2, 3, ... [-]; percent : amplitude over the fundamental's [%]; phase_degrees : of a cosine
    harmonic when time is shifted so that the fundamental is a cosine of phase zero [degrees].
    """

    order: int
    percent: float
    phase_degrees: float


@dataclass(frozen=True)
class Clipping:
    """The verdict on rails.

    state : None when it cannot be judged (no steady tone, the recorder itself was overloaded, the tone is too
        high for its harmonics to be in the recording, or hum or a filter may hide the rail).
    positive_rail_volts, negative_rail_volts : where the output is held [V peak], None when not seen.
    overdrive_db : 20 log10(peak of the underlying sine / rail) [dB], the larger side; 0 or less: not
        clipped; None when it cannot be told (a clean tone says nothing about where the rail lies).
    overdrive_interval_db : lowest and highest of the explanations that fit about as well [dB]; None where there
        is but one.
    """

    state: State | None
    side: Side | None
    positive_rail_volts: float | None
    negative_rail_volts: float | None
    overdrive_db: float | None
    overdrive_uncertainty_db: float | None = None
    overdrive_interval_db: tuple[float, float] | None = None


@dataclass(frozen=True)
class Stretch:
    """A part of the capture in which level and shape stand still.

    start_seconds, stop_seconds : from the recording's first frame [s]. rms_volts : in the band [V].
    overdrive_db, state : as in `Clipping`, judged on this part alone.
    """

    start_seconds: float
    stop_seconds: float
    rms_volts: float
    overdrive_db: float | None
    state: State | None


@dataclass(frozen=True)
class RailSag:
    """Rails that fall while the tone is on.

    volts_first, volts_last : the lower rail where it is first seen and at the end of what was recorded [V
    peak]. time_constant_seconds : of its exponential fall [s]; None where it falls too little or too straight
    to tell.
    """

    volts_first: float
    volts_last: float
    time_constant_seconds: float | None


@dataclass(frozen=True)
class TargetCheck:
    """How a tone stands to its target. Whether it is on target is judged elsewhere, by the car's tolerance.

    set_volts : what the meter should read [V rms]. change_db : what to turn, positive up [dB]; None where the
    recording does not tell it (no calibration, no steady tone, recorder overloaded), and where the output is
    distorted and would have to go up or stay.
    """

    set_volts: float
    change_db: float | None


@dataclass(frozen=True, repr=False, kw_only=True)
class Measurement(Result):
    """One steady tone in one capture. Volts are rms of the AC part unless named peak or dc.

    What needs a steady tone is None, or empty, where there is none.

    Parameters
    ----------
    file : str
        Name of the capture.
    channel, minus : int, int or None
        Which channel was measured, less which other.
    sample_rate_hz : float
        Of the capture [Hz].
    seconds, cycles : float, float or None
        Length of the part that the figures come from [s], [cycles].
    calibrated : bool
        True where volts are volts; False where they are parts of digital full scale.
    frequency_hz : float or None
        Of the tone, by the recorder's clock [Hz].
    rms_volts : float
        Of all that is in the band, distortion and noise included [V].
    fundamental_volts : float or None
        Rms of the tone alone [V].
    level_dbfs : float or None
        Level re a sine that touches full scale [dBFS] (AES17); None for text of an oscilloscope.
    peak_volts, dc_volts, crest_factor_db : float
        Highest of either sign [V], mean [V], peak over rms [dB].
    thd_percent, thd_r_percent : float or None
        Harmonics 2 to 20 in the band, over the fundamental and over fundamental and harmonics [%].
    thd_floor_percent : float or None
        What the noise of this recording alone would show as THD [%].
    thd_n_percent : float or None
        All but the fundamental over all in the band [%].
    noise_volts : float or None
        All in the band that is neither tone nor harmonic [V].
    interference_volts : float or None
        Of that, hum and other lines [V].
    harmonics : tuple of Harmonic
        Orders 2 to 20, as far as the band goes.
    clipping : Clipping
        Whether the output meets its rails, and how far beyond them its sine would go.
    recorder_overload : bool
        True where the recorder itself clipped: then nothing is said of the amplifier.
    steady_tone : bool
        Whether there is one.
    watts : float or None
        In the load that was given [W].
    target : TargetCheck or None
        How far to turn, where a target was given.
    notes : tuple of Remark
        What to know beside the figures.
    stretches : tuple of Stretch
        The parts in which level and shape stand still, in the order of time; the figures come from the last
        that is long enough, or a longer one like it.
    rail_sag : RailSag or None
        Where the supply gives way within the recording.
    rms_uncertainty_volts : float or None
        Standard uncertainty of rms_volts: noise, and where they are known the calibration's meter and reading,
        after JCGM 100 [V].
    thd_uncertainty_percent : float or None
        Standard uncertainty of thd_percent from noise; below thd_floor_percent nothing is seen [%].
    """

    file: str
    channel: int
    minus: int | None = None
    sample_rate_hz: float
    seconds: float
    cycles: float | None = None
    calibrated: bool
    frequency_hz: float | None = None
    rms_volts: float
    fundamental_volts: float | None = None
    level_dbfs: float | None = None
    peak_volts: float
    dc_volts: float
    crest_factor_db: float | None = None
    thd_percent: float | None = None
    thd_r_percent: float | None = None
    thd_floor_percent: float | None = None
    thd_n_percent: float | None = None
    noise_volts: float | None = None
    interference_volts: float | None = None
    harmonics: tuple[Harmonic, ...] = ()
    clipping: Clipping
    recorder_overload: bool
    steady_tone: bool
    watts: float | None = None
    target: TargetCheck | None = None
    notes: tuple[Remark, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    rail_sag: RailSag | None = None
    rms_uncertainty_volts: float | None = None
    thd_uncertainty_percent: float | None = None

    @property
    def tone_volts(self) -> float:
        """Rms without hum and other lines beside the tone [V]: what the gain sets."""
        others = min(self.interference_volts or 0.0, self.rms_volts)
        return math.sqrt(self.rms_volts**2 - others**2)

    @property
    def distortion_seen(self) -> bool:
        """Whether THD stands above what the noise of this recording alone would show."""
        if self.thd_percent is None or self.thd_floor_percent is None:
            return False
        return stands_above(self.thd_percent, self.thd_floor_percent)


@dataclass(frozen=True)
class MeasureOptions:
    """What is asked of a capture.

    Parameters
    ----------
    channel : int
        Channel to measure, counted from 1.
    minus : int or None
        Channel to take away from it: the other lead of a bridged or built-in output.
    start_seconds, stop_seconds : float or None
        Part to look at [s]; None for the recording's own start or end.
    band_hz : (float, float)
        Band of tone, harmonics and noise: its lower and upper edge [Hz].
    load_ohms : float or None
        Load on the output, for watts [ohm].
    target_volts : float or None
        What the meter should read [V rms].
    limit_thd_percent : float
        THD at which a rail that is seen counts as clipped [%].

    Raises
    ------
    GainkitError
        `outside_range` for a figure out of its range, `empty_band` for a band without width, `empty_part` for a
        part that stops before it starts.

    Examples
    --------
    >>> MeasureOptions(load_ohms=4.0, target_volts=14.1).limit_thd_percent
    1.0
    >>> MeasureOptions(load_ohms=-4.0)
    Traceback (most recent call last):
    gainkit.errors.GainkitError: load_ohms is -4. Give above 0 and at most 1000 ohm.
    """

    channel: int = 1
    minus: int | None = None
    start_seconds: float | None = within(SECONDS, default=None)
    stop_seconds: float | None = within(SECONDS, default=None)
    band_hz: tuple[float, float] = AUDIO_BAND_HZ
    load_ohms: float | None = within(OHMS, default=None)
    target_volts: float | None = within(VOLTS, default=None)
    limit_thd_percent: float = within(LIMIT_PERCENT, default=LIMIT_THD_PERCENT)

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """Rules between the fields, and of the band."""
        low_hz, high_hz = self.band_hz
        if not 0 < low_hz < high_hz < math.inf:
            yield GainkitError("empty_band", "band_hz", self.band_hz, low_hz=low_hz, high_hz=high_hz)
        start, stop = self.start_seconds or 0.0, self.stop_seconds
        if stop is not None and stop <= start:
            yield GainkitError("empty_part", "stop_seconds", stop, start_seconds=start, stop_seconds=stop)
