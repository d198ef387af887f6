"""What a reading of a chain's noise says."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from gainkit.remarks import Remark
from gainkit.results import Result

Kind = Literal["mains", "alternator", "digital", "unknown"]
NoiseVerdict = Literal["quiet", "hum", "whine", "hiss", "not known"]


@dataclass(frozen=True)
class Family:
    """Lines that stand at multiples of one frequency, or a single line.

    fundamental_hz : [Hz]; the line itself may be missing (see orders). rms_volts : root of the summed powers of
    its lines [V]. orders : the multiples seen. kind : what such families come from: the mains' 50 or 60 Hz (or
    100 or 120 Hz behind a rectifier); the alternator (or another machine whose speed changes); a fixed clock.
    moves : True when the fundamental changes within the capture, or against the other one; False when it
    stands where it stood in the other; None where one capture alone cannot tell.
    a_weighted_volts : the same weighted [V]. frequency_deviation_hz : standard deviation of the fundamental
    from noise [Hz]; for a moving one, of its course. line_volts : rms of each order [V].
    """

    fundamental_hz: float
    rms_volts: float
    orders: tuple[int, ...]
    kind: Kind
    moves: bool | None
    a_weighted_volts: float
    frequency_deviation_hz: float
    lowest_hz: float
    highest_hz: float
    line_volts: tuple[float, ...]


@dataclass(frozen=True)
class BandNoise:
    """A third-octave band: nominal centre [Hz], rms [V], and of that what no line explains [V]."""

    center_hz: float
    rms_volts: float
    hiss_volts: float


@dataclass(frozen=True, repr=False)
class NoiseResult(Result):
    """The noise of a chain. Volts are rms in the band; full-scale units where not calibrated.

    below_target_db : A-weighted noise below the target [dB]; None without a target or calibration.
    dc_volts : mean of the whole capture [V]. hiss_volts : what no line explains [V]. recorder_limited : True
    when half of the A-weighted power or more is the recorder's own; None where that cannot be told.
    changed_db : A-weighted, this capture over the other [dB]; None without one. verdict : the loudest part,
    A-weighted; "quiet" when it is far below the target, "not known" when this is no silence or not the chain.
    band_hz : as far as it was read [Hz].
    """

    rms_volts: float
    a_weighted_volts: float
    below_target_db: float | None
    dc_volts: float
    hiss_volts: float
    families: tuple[Family, ...]
    recorder_limited: bool | None
    changed_db: float | None
    verdict: NoiseVerdict
    notes: tuple[Remark, ...]
    file: str
    channel: int
    minus: int | None
    seconds: float
    sample_rate_hz: float
    calibrated: bool
    band_hz: tuple[float, float]
    hiss_a_weighted_volts: float
    bands: tuple[BandNoise, ...] = field(repr=False)
