"""A recorder's full scale from one tone and a meter at the same point."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

import numpy as np

from gainkit.advice import Checks, is_distorted
from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.analysis.clean import clips_in_part, is_disturbed
from gainkit.calculator.ranges import VOLTS, Range, refuse_outside
from gainkit.capture import Capture, read_capture
from gainkit.capture.calibration import Calibration
from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db
from gainkit.remarks import codes

METER_PERCENT = Range("%", 0, 20)
"""A meter's accuracy as its maker gives it."""

NOT_STEADY = frozenset({"level_drifts", "limiter", "supply_sag", "dropout"})
"""Remarks of a tone whose level the meter cannot have read as the recording has it; steps are
looked for here."""

MOST_NOISE_SHARE = 0.03
"""Hum and noise above this share of the whole [-]: meter and recorder need not have the same of it, and 30 dB
under the tone it is heard for what it is (our choice: where a line of hum is a fault)."""

LEAST_CYCLES, LEAST_BLOCKS = 5, 5
"""A block holds so many cycles at least, so that the window keeps hum and the tone's mirror image out, and so
many blocks tell a movement [-]."""

BLOCK_SECONDS = 0.1
"""The tone's level is followed in blocks of this length, of whole cycles [s]."""

QUIET_DB = 40.0
"""Blocks this far below the highest are silence before and after [dB]."""

EDGE_BLOCKS = 3
"""So many blocks at the beginning and at the end of what sounds may be on their way [-]: a tone starts and
stops within 0.3 s. Of a short recording a fifth at either end."""

MOST_MOVE_DB = 0.1
"""A level that moves by more was not what the meter read [dB]: 1.2 %, as much as a good meter is off."""

SURE_DEVIATIONS = 6.0
"""... if it is also so many standard deviations of a block's level [-]: the widest of a thousand blocks lie
seven apart, their means of three four."""


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
    noisy = (tone.noise_volts or 0.0) > MOST_NOISE_SHARE * tone.rms_volts
    if noisy or codes(tone.notes) & NOT_STEADY or is_disturbed(tone) or _moves(opened, tone):
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


def _moves(capture: Capture, tone: Measurement) -> bool:
    """Whether the tone's level moves somewhere in the recording: a step, a drift, a slow start."""
    turn = 2 * np.pi * (tone.frequency_hz or 0.0) / capture.sample_rate_hz
    cycles = max(math.ceil(BLOCK_SECONDS * (tone.frequency_hz or 0.0)), LEAST_CYCLES)
    size = round(cycles * 2 * np.pi / turn)
    carrier = np.exp(-1j * turn * np.arange(size)) * np.hanning(size)
    peaks = np.concatenate(
        [
            np.abs(block[: len(block) // size * size].reshape(-1, size) @ carrier)
            for block in capture.blocks(
                0, capture.frames, channel=tone.channel, minus=tone.minus, block_frames=64 * size
            )
        ]
    )
    heard = np.flatnonzero(peaks > peaks.max(initial=0.0) * ratio_from_db(-QUIET_DB))
    edge = min(EDGE_BLOCKS, len(heard) // 5)
    levels = db_from_ratio(peaks[heard][edge : len(heard) - edge])
    if len(levels) < LEAST_BLOCKS:
        return False
    # differences hold 2 times the variance of noise, third ones 20; a step is in few of the former, a level
    # that wanders hardly in the latter
    scatter = min(
        float(np.median(np.abs(np.diff(levels, order)))) / (0.6745 * math.sqrt(share))
        for order, share in ((1, 2), (3, 20))
    )
    means = np.convolve(levels, np.ones(3) / 3, "valid")
    return bool(np.ptp(means) > max(MOST_MOVE_DB, SURE_DEVIATIONS * scatter))


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
