"""A recorder's full scale from one tone and a meter at the same point."""

from __future__ import annotations

import datetime
from pathlib import Path

from gainkit.advice import Checks, is_distorted
from gainkit.analysis import MeasureOptions, measure
from gainkit.calculator.ranges import VOLTS, refuse_outside
from gainkit.capture import Capture, read_capture
from gainkit.capture.calibration import Calibration
from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, db_from_ratio
from gainkit.remarks import remark


def calibrate_recorder(
    capture: Capture | Path | str, reading_volts: float, *, channel: int = 1, minus: int | None = None
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

    Returns
    -------
    Calibration
        `full_scale_volts` is the peak volts of digital 1.0 [V]; `as_toml()` is the text of its file.

    Raises
    ------
    GainkitError
        `outside_range` for a reading that means nothing; `calibrated_already`, `reference_overloaded` and
        `no_reference_tone` for a recording that cannot serve, and whatever `read_capture` and `measure` raise.

    References
    ----------
    AES17: a full-scale sine peaks at digital 1.0, so its rms is 1/sqrt(2) of full scale.

    Examples
    --------
    >>> import numpy as np
    >>> tone = 0.25 * np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000)
    >>> recording = Capture.from_array(tone, 48_000, calibrated=False)
    >>> round(calibrate_recorder(recording, 7.5).full_scale_volts, 2)
    42.43
    """
    refuse_outside("reading_volts", reading_volts, VOLTS, needed=True)
    opened = capture if isinstance(capture, Capture) else read_capture(capture)
    if opened.calibrated:
        raise GainkitError("calibrated_already", file=opened.file)
    tone = measure(opened, MeasureOptions(channel=channel, minus=minus))
    if tone.recorder_overload:
        raise GainkitError("reference_overloaded").within("file", opened.file)
    if not tone.steady_tone or tone.rms_volts <= 0:
        raise GainkitError("no_reference_tone").within("file", opened.file)
    notes = tone.notes
    if is_distorted(tone.thd_percent, Checks()):
        notes = (*notes, remark("reference_distorted", thd_percent=tone.thd_percent))
    return Calibration(
        full_scale_volts=reading_volts / tone.rms_volts,
        channel=channel,
        sample_rate_hz=opened.sample_rate_hz,
        date=datetime.date.today().isoformat(),
        how=f"{tone.frequency_hz:.6g} Hz tone, meter {reading_volts:.6g} V rms, {Path(opened.file).name}",
        tone_hz=tone.frequency_hz,
        tone_dbfs=db_from_ratio(tone.rms_volts * SINE_CREST),
        notes=notes,
    )
