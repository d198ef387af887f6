"""A recorder's full scale from one tone and a meter at the same point."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

from gainkit.advice import Checks, is_distorted
from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.analysis.clean import clips_in_part
from gainkit.calculator.ranges import VOLTS, Range, refuse_outside
from gainkit.capture import Capture, read_capture
from gainkit.capture.calibration import Calibration
from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, db_from_ratio
from gainkit.remarks import codes

METER_PERCENT = Range("%", 0, 20)
"""A meter's accuracy as its maker gives it."""

NOT_STEADY = frozenset({"level_rose", "level_fell", "level_drifts", "limiter", "supply_sag", "dropout"})
"""Remarks of a tone whose level the meter cannot have read as the recording has it."""

MOST_NOISE_SHARE = 0.1
"""Hum and noise above this share of the whole [-]: a meter that reads another band is off by half a percent and
more (0.1 squared, halved)."""


def calibrate_recorder(
    capture: Capture | Path | str,
    reading_volts: float,
    *,
    channel: int = 1,
    minus: int | None = None,
    meter_accuracy_percent: float | None = None,
    reading_step_volts: float | None = None,
) -> Calibration:
    """What a recorder's full scale stands for; its gain must stay where it is afterwards.

    Parameters
    ----------
    capture : Capture, Path or str
        Recording of a steady tone, not calibrated yet.
    reading_volts : float
        Rms volts that the meter showed at the same point [V].
    channel : int
        Counted from 1 [-].
    minus : int, optional
        Channel to subtract, where the meter read between the two leads of a balanced output [-].
    meter_accuracy_percent : float, optional
        What the meter's maker promises at this frequency, plus or minus [%].
    reading_step_volts : float, optional
        One step of the last digit that was read [V].

    Returns
    -------
    Calibration
        `full_scale_volts` is the peak volts of digital 1.0 [V]; `as_toml()` is the text of its file. With the
        meter's accuracy it holds its own standard uncertainty.

    Raises
    ------
    GainkitError
        `outside_range` for a reading that means nothing; `calibrated_already`, `reference_overloaded`,
        `no_reference_tone`, `reference_distorted`, `reference_clips_in_part` and `reference_not_steady` for a
        recording that cannot serve, and whatever `read_capture` and `measure` raise.

    References
    ----------
    AES17: a full-scale sine peaks at digital 1.0, so its rms is 1/sqrt(2) of full scale. JCGM 100:2008, 4.3.7:
    a value that may lie anywhere within plus or minus a has the standard uncertainty a / sqrt(3).

    Examples
    --------
    >>> import numpy as np
    >>> tone = 0.25 * np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000)
    >>> recording = Capture.from_array(tone, 48_000, calibrated=False)
    >>> round(calibrate_recorder(recording, 7.5).full_scale_volts, 2)
    42.43
    """
    refuse_outside("reading_volts", reading_volts, VOLTS, needed=True)
    refuse_outside("meter_accuracy_percent", meter_accuracy_percent, METER_PERCENT)
    refuse_outside("reading_step_volts", reading_step_volts, VOLTS)
    opened = capture if isinstance(capture, Capture) else read_capture(capture)
    if opened.calibrated:
        raise GainkitError("calibrated_already", file=opened.file)
    tone = measure(opened, MeasureOptions(channel=channel, minus=minus))
    if tone.recorder_overload:
        raise GainkitError("reference_overloaded").within("file", opened.file)
    if not tone.steady_tone or tone.rms_volts <= 0:
        raise GainkitError("no_reference_tone").within("file", opened.file)
    if clips_in_part(tone):
        raise GainkitError("reference_clips_in_part").within("file", opened.file)
    if codes(tone.notes) & NOT_STEADY or (tone.noise_volts or 0.0) > MOST_NOISE_SHARE * tone.rms_volts:
        raise GainkitError("reference_not_steady").within("file", opened.file)
    if is_distorted(tone.thd_percent, Checks()) or tone.clipping.state == "clipped":
        raise GainkitError("reference_distorted", thd_percent=tone.thd_percent).within("file", opened.file)
    return Calibration(
        full_scale_volts=reading_volts / tone.rms_volts,
        channel=channel,
        sample_rate_hz=opened.sample_rate_hz,
        date=datetime.date.today().isoformat(),
        how=f"{tone.frequency_hz:.6g} Hz tone, meter {reading_volts:.6g} V rms, {Path(opened.file).name}",
        tone_hz=tone.frequency_hz,
        tone_dbfs=db_from_ratio(tone.rms_volts * SINE_CREST),
        notes=tone.notes,
        uncertainty_percent=_uncertainty_percent(
            tone, reading_volts, meter_accuracy_percent, reading_step_volts
        ),
    )


def _uncertainty_percent(
    tone: Measurement, reading_volts: float, accuracy_percent: float | None, step_volts: float | None
) -> float:
    """Standard uncertainty of a full scale [%]: meter, its last digit, the recording's noise; 0 without a
    meter's."""
    if accuracy_percent is None:
        return 0.0
    parts = (
        accuracy_percent / math.sqrt(3),
        100 * (step_volts or 0.0) / 2 / math.sqrt(3) / reading_volts,
        100 * (tone.rms_uncertainty_volts or 0.0) / tone.rms_volts,
    )
    return math.hypot(*parts)
