"""What a meter shows: true-rms and average-responding, on a sine, a clipped sine and band noise."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from gainkit.calculator import clipped, ranges
from gainkit.calculator.ranges import (
    DB_IN_HAND,
    FREQUENCY_HZ,
    VOLTS,
    one_of,
    refuse_faults,
    refuse_outside,
    within,
)
from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, FloatOrArray, db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, fault, remark
from gainkit.results import Result

SINE_FORM_FACTOR = math.pi / (2.0 * math.sqrt(2.0))
"""Rms over rectified mean of a sine [-]: what an average-responding meter multiplies by, and so its reading
over the true rms of a square wave, +11.07 %."""

GAUSSIAN_READING = math.sqrt(math.pi) / 2.0
"""Average-responding reading over true rms of Gaussian noise [-]: sqrt(2/pi) x pi / (2 sqrt 2)."""

SIMPLE_METER_HZ = (45.0, 400.0)
"""AC range of simple handheld meters [Hz] (common practice, no source; 40 to 500 Hz is also met)."""

BETTER_METER_HZ = (20.0, 1_000.0)
"""AC range of better handheld meters [Hz] (common practice, no source; many reach further)."""

METER_KINDS = ("true-rms", "average-responding")
"""What a meter makes of a wave that is no sine."""


@dataclass(frozen=True)
class MeterLimits:
    """What the meter's page says: accuracy, and the frequencies it is made for (None: not known).

    percent : share of the reading [%]; floor_volts : its fixed part [V]. tone_tolerance_db : how far the tone's
    own level may be off [dB]. guard_band : the uncertainty is taken off the target, so that the true volts stay
    below the limit whatever the meter shows. Raises GainkitError for what no page says.
    """

    kind: str = one_of(METER_KINDS, default="true-rms")
    percent: float = within(ranges.PERCENT, default=0.0)
    floor_volts: float = within(ranges.METER_FLOOR_VOLTS, default=0.0)
    tone_tolerance_db: float = within(ranges.TONE_TOLERANCE_DB, default=0.0)
    low_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    high_hz: float | None = within(ranges.FREQUENCY_HZ, default=None)
    guard_band: bool = False

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """Rules between the fields."""
        if self.low_hz is not None and self.high_hz is not None and self.low_hz >= self.high_hz:
            yield GainkitError(
                "wrong_order", "low_hz", self.low_hz, unit="Hz", other="high_hz", most=self.high_hz
            )


def average_error_percent(overdrive_db: FloatOrArray) -> FloatOrArray:
    """Error of an average-responding meter on a hard-clipped sine [%], against true rms."""
    ratio = clipped.average_reading_ratio(overdrive_db) / clipped.rms_ratio(overdrive_db)
    error: FloatOrArray = 100.0 * (ratio - 1.0)
    return error


def average_open_percent(thd_percent: FloatOrArray) -> FloatOrArray:
    """How far an average-responding meter may be off on a tone of that THD below clipping [%], either way.

    The rectified mean of sin x + h sin(n x + phi) changes by h cos(phi) / n for odd n and, to first order, not
    for even n: all of it in the third harmonic is the worst (derivation). A true-rms meter is off by h^2 / 2.
    """
    worst: FloatOrArray = thd_percent / 3.0
    return worst


@dataclass(frozen=True, repr=False)
class MeterReading(Result):
    """What two kinds of meter show on one wave.

    volts : rms of the sine that just touches the rails, or of the noise [V]. peak_volts, crest_factor_db :
    None for noise, whose peaks have no fixed size. thd_percent : of the clipped sine, all orders.
    simple_meter_fits, better_meter_fits : whether the frequency lies in such a meter's usual range; None
    without a frequency.
    """

    wave: Literal["sine", "clipped sine", "noise"]
    volts: float
    overdrive_db: float
    true_rms_volts: float
    average_responding_volts: float
    average_error_percent: float
    peak_volts: float | None
    crest_factor_db: float | None
    thd_percent: float | None
    frequency_hz: float | None
    simple_meter_fits: bool | None
    better_meter_fits: bool | None
    notes: tuple[Remark, ...]


def find_meter_reading(
    volts: float, overdrive_db: float = 0.0, noise: bool = False, frequency_hz: float | None = None
) -> MeterReading:
    """What a true-rms and an average-responding meter show on one wave.

    Parameters
    ----------
    volts : float
        Rms of the sine that just touches the rail, or of the noise [V].
    overdrive_db : float
        How far the sine is driven beyond the rail [dB].
    noise : bool
        Gaussian band noise instead of a sine.
    frequency_hz : float, optional
        Of the tone [Hz]: tells whether handheld meters are made for it.

    Returns
    -------
    MeterReading
        Volts are rms as each meter shows them [V], errors in percent of the true rms.

    Raises
    ------
    GainkitError
        `outside_range` or `missing` for a figure that cannot be; `not_both` for noise that is overdriven.

    References
    ----------
    Form factor of a sine, pi / (2 sqrt 2); rectified mean of Gaussian noise, sqrt(2 / pi); a clipped sine by
    direct integration (see `clipped`).

    Examples
    --------
    >>> reading = find_meter_reading(20, overdrive_db=3)
    >>> round(reading.true_rms_volts, 2), round(reading.average_error_percent, 1)
    (23.35, 2.7)
    """
    refuse_outside("volts", volts, VOLTS, needed=True)
    refuse_outside("overdrive_db", overdrive_db, DB_IN_HAND, needed=True)
    refuse_outside("frequency_hz", frequency_hz, FREQUENCY_HZ)
    if noise and overdrive_db:
        raise GainkitError("not_both", "overdrive_db", overdrive_db, other="noise")
    wave: Literal["sine", "clipped sine", "noise"]
    if noise:
        true_rms, average, peak, thd = volts, volts * GAUSSIAN_READING, None, None
        wave = "noise"
    else:
        true_rms = volts * clipped.rms_ratio(overdrive_db)
        average = volts * clipped.average_reading_ratio(overdrive_db)
        peak, thd = volts * SINE_CREST, clipped.thd_percent(overdrive_db)
        wave = "clipped sine" if overdrive_db > 0 else "sine"
    notes = [_wave_note(wave, volts, overdrive_db, true_rms)]
    simple = better = None
    if frequency_hz is not None:
        simple, better = _fits(frequency_hz, SIMPLE_METER_HZ), _fits(frequency_hz, BETTER_METER_HZ)
        notes.append(_frequency_note(frequency_hz, simple, better))
    return MeterReading(
        wave=wave,
        volts=volts,
        overdrive_db=overdrive_db,
        true_rms_volts=true_rms,
        average_responding_volts=average,
        average_error_percent=100.0 * (average / true_rms - 1.0),
        peak_volts=peak,
        crest_factor_db=None if peak is None else db_from_ratio(peak / true_rms),
        thd_percent=thd,
        frequency_hz=frequency_hz,
        simple_meter_fits=simple,
        better_meter_fits=better,
        notes=tuple(notes),
    )


def _fits(frequency_hz: float, range_hz: tuple[float, float]) -> bool:
    return range_hz[0] <= frequency_hz <= range_hz[1]


def _wave_note(wave: str, volts: float, overdrive_db: float, true_rms: float) -> Remark:
    """What such a wave means for who reads the meter."""
    if wave == "clipped sine":
        unclipped = volts * ratio_from_db(overdrive_db)
        return remark("clipping_not_shown_by_meter", unclipped_volts=unclipped, true_rms_volts=true_rms)
    return remark("both_meters_agree" if wave == "sine" else "noise_reading_wanders")


def _frequency_note(frequency_hz: float, simple: bool, better: bool) -> Remark:
    """Whether handheld meters are usually made for a frequency."""
    if simple:
        return remark("simple_meter_fits", frequency_hz=frequency_hz)
    if better:
        low, high = SIMPLE_METER_HZ
        return remark("better_meter_needed", frequency_hz=frequency_hz, low_hz=low, high_hz=high)
    return fault("no_handheld_meter_fits", frequency_hz=frequency_hz)
