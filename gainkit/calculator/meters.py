"""What a meter shows: true-rms and average-responding, on a sine, a clipped sine and band noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gainkit.calculator import clipped
from gainkit.levels import SINE_CREST, FloatOrArray, db_from_ratio, ratio_from_db

SINE_FORM_FACTOR = math.pi / (2.0 * math.sqrt(2.0))
"""Rms over rectified mean of a sine [-]: what an average-responding meter multiplies by."""

GAUSSIAN_READING = math.sqrt(math.pi) / 2.0
"""Average-responding reading over true rms of Gaussian noise [-]: sqrt(2/pi) x pi / (2 sqrt 2)."""

SIMPLE_METER_HZ = (45.0, 400.0)
"""AC range of simple handheld meters [Hz] (common practice, no source; 40 to 500 Hz is also met)."""

BETTER_METER_HZ = (20.0, 1_000.0)
"""AC range of better handheld meters [Hz] (common practice, no source; many reach further)."""


def square_reading_ratio() -> float:
    """Average-responding reading over true rms of a square wave [-]: the form factor itself, +11.07 %."""
    return SINE_FORM_FACTOR


def average_error_percent(overdrive_db: FloatOrArray) -> FloatOrArray:
    """Error of an average-responding meter on a hard-clipped sine [%], against true rms."""
    ratio = clipped.average_reading_ratio(overdrive_db) / clipped.rms_ratio(overdrive_db)
    error: FloatOrArray = 100.0 * (ratio - 1.0)
    return error


@dataclass(frozen=True)
class Reading:
    """What two kinds of meter show on one wave.

    volts : rms of the sine that just touches the rails, or of the noise [V]. peak_volts, crest_factor_db :
    None for noise, whose peaks have no fixed size. thd_percent : of the clipped sine, all orders.
    simple_meter_fits, better_meter_fits : whether the frequency lies in such a meter's usual range; None
    without a frequency.
    """

    wave: str
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
    notes: tuple[str, ...]


def find_reading(
    volts: float, overdrive_db: float = 0.0, noise: bool = False, frequency_hz: float | None = None
) -> Reading:
    """What the meters show. volts : see `Reading`; overdrive_db : how far the sine would pass the rail."""
    if noise:
        true_rms, average, peak, thd = volts, volts * GAUSSIAN_READING, None, None
        wave = "noise"
    else:
        true_rms = volts * clipped.rms_ratio(overdrive_db)
        average = volts * clipped.average_reading_ratio(overdrive_db)
        peak, thd = volts * SINE_CREST, clipped.thd_percent(overdrive_db)
        wave = "clipped sine" if overdrive_db > 0 else "sine"
    simple, better = _fits(frequency_hz, SIMPLE_METER_HZ), _fits(frequency_hz, BETTER_METER_HZ)
    return Reading(
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
        notes=tuple(_notes(volts, overdrive_db, wave, true_rms, frequency_hz, (simple, better))),
    )


def _fits(frequency_hz: float | None, range_hz: tuple[float, float]) -> bool | None:
    return None if frequency_hz is None else range_hz[0] <= frequency_hz <= range_hz[1]


def _notes(
    volts: float,
    overdrive_db: float,
    wave: str,
    true_rms: float,
    frequency_hz: float | None,
    fits: tuple[bool | None, bool | None],
) -> list[str]:
    notes = []
    if wave == "clipped sine":
        wanted = volts * ratio_from_db(overdrive_db)
        notes.append(
            f"An unclipped sine at this gain would read {wanted:.4g} V. The {true_rms:.4g} V shown does not "
            "tell that it is clipped: look at the wave, or measure a capture."
        )
    elif wave == "sine":
        notes.append("On a clean sine both kinds agree.")
    else:
        notes.append("Noise makes the figure wander: use a slow meter, or measure a capture.")
    if frequency_hz is not None:
        simple, better = fits
        low, high = SIMPLE_METER_HZ
        words = "out of the usual range of handheld meters: use a capture or an oscilloscope"
        if simple:
            words = "in the usual range of simple and of better meters"
        elif better:
            words = f"out of a simple meter's usual range ({low:g} to {high:g} Hz): believe a better one only"
        notes.append(f"{frequency_hz:g} Hz is {words} (common practice; the meter's own page decides).")
    return notes
