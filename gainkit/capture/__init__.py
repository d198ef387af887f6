"""Recordings and oscilloscope text to volts, with calibration."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from gainkit.calculator.ranges import SECONDS_PER_SAMPLE, refuse_outside
from gainkit.capture.calibration import FULL_SCALE_VOLTS
from gainkit.capture.model import ArraySource, Capture, SampleSource
from gainkit.errors import GainkitError
from gainkit.remarks import remark

__all__ = ["ArraySource", "Capture", "SampleSource", "read_capture"]


def read_capture(
    path: Path | str,
    *,
    full_scale_volts: float | None = None,
    calibration: Path | str | None = None,
    interval_seconds: float | None = None,
) -> Capture:
    """Open a capture of any supported kind, told by its content: audio file or delimited oscilloscope text.

    Parameters
    ----------
    path : Path or str
        The recording, whatever its name ends in.
    full_scale_volts : float, optional
        Peak volts that digital 1.0 stands for [V].
    calibration : Path or str, optional
        The calibration file that holds it instead.
    interval_seconds : float, optional
        Sample interval of a text that tells none itself [s].

    Returns
    -------
    Capture
        `volts()` gives the samples of one channel as float64 (frames,), in volts [V] when calibrated, else in
        full-scale units [-]. Audio is read when it is asked for, in blocks.

    Raises
    ------
    GainkitError
        For what cannot be read, with the file's name; `not_both` when full_scale_volts and calibration are
        given.

    References
    ----------
    RIFF/WAVE, RF64 (EBU Tech 3306), Wave64, AIFF-C and CAF for the containers; AES17 for full scale.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> trace = pathlib.Path(folder.name, "trace.csv")
    >>> _ = trace.write_text("Time (ms),CH1 (V)\\n0,0\\n0.5,1.5\\n1,0\\n1.5,-1.5\\n")
    >>> capture = read_capture(trace)
    >>> float(capture.sample_rate_hz), capture.frames, capture.volts().tolist()
    (2000.0, 4, [0.0, 1.5, 0.0, -1.5])
    >>> folder.cleanup()
    """
    from gainkit.capture.sniff import is_audio, read_head, text_encoding

    path = Path(path)
    if full_scale_volts is not None and calibration is not None:
        raise GainkitError("not_both", "full_scale_volts", full_scale_volts, other="calibration")
    refuse_outside("full_scale_volts", full_scale_volts, FULL_SCALE_VOLTS)
    refuse_outside("interval_seconds", interval_seconds, SECONDS_PER_SAMPLE)
    head = read_head(path)
    encoding = None if is_audio(head) else text_encoding(head)
    if encoding is not None:
        from gainkit.capture.text import read_text

        capture = read_text(path, head, encoding, interval_seconds=interval_seconds)
        if full_scale_volts is not None or calibration is not None:
            capture = dataclasses.replace(capture, notes=(*capture.notes, remark("calibration_not_used")))
        return capture
    from gainkit.capture.audio import read_audio

    if calibration is None:
        return read_audio(path, head, full_scale_volts=full_scale_volts)
    from gainkit.capture.calibration import read_calibration

    known = read_calibration(Path(calibration))
    capture = read_audio(path, head, full_scale_volts=known.full_scale_volts)
    notes = capture.notes
    if known.sample_rate_hz and known.sample_rate_hz != capture.sample_rate_hz:
        other = remark(
            "calibrated_at_other_rate",
            calibration_rate_hz=known.sample_rate_hz, sample_rate_hz=capture.sample_rate_hz,
        )  # fmt: skip
        notes = (*notes, other)
    share = known.uncertainty_percent / 100 or None
    return dataclasses.replace(
        capture, notes=notes, calibrated_channel=known.channel, volts_uncertainty_share=share
    )
