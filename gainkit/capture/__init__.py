"""Recordings and oscilloscope text to volts, with calibration."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from gainkit.capture.model import ArraySource, Capture, SampleSource
from gainkit.errors import GainkitError

__all__ = ["ArraySource", "Capture", "SampleSource", "read_capture"]


def read_capture(
    path: Path | str,
    *,
    full_scale_volts: float | None = None,
    calibration: Path | str | None = None,
    interval_seconds: float | None = None,
) -> Capture:
    """Open a capture of any supported kind, told by its content: audio file or delimited oscilloscope text.

    full_scale_volts : peak volts that digital 1.0 stands for [V]. calibration : file that holds it instead.
    interval_seconds : sample interval of a text without a time column [s]. Raises GainkitError for what cannot
    be read, and when both ways of calibrating are given.
    """
    from gainkit.capture.sniff import is_audio, read_head, text_encoding

    path = Path(path)
    if full_scale_volts is not None and calibration is not None:
        raise GainkitError(
            "--full-scale-volts and --calibration are both given.", "Give one: each says what full scale is."
        )
    head = read_head(path)
    encoding = None if is_audio(head) else text_encoding(head)
    if encoding is not None:
        from gainkit.capture.text import read_text

        capture = read_text(path, head, encoding, interval_seconds=interval_seconds)
        if full_scale_volts is not None or calibration is not None:
            note = "The text is in volts already; the recorder's calibration was not used."
            capture = dataclasses.replace(capture, notes=(*capture.notes, note))
        return capture
    from gainkit.capture.audio import check_volts, read_audio

    check_volts("--full-scale-volts", full_scale_volts)
    if calibration is None:
        return read_audio(path, head, full_scale_volts=full_scale_volts)
    from gainkit.capture.calibration import read_calibration

    known = read_calibration(Path(calibration))
    capture = read_audio(path, head, full_scale_volts=known.full_scale_volts)
    notes = capture.notes
    if known.sample_rate_hz and known.sample_rate_hz != capture.sample_rate_hz:
        notes = (
            *notes,
            f"Calibrated at {known.sample_rate_hz:g} Hz, recorded at {capture.sample_rate_hz:g} Hz: check "
            "that the recorder's gain is the same at both.",
        )
    return dataclasses.replace(capture, notes=notes, calibrated_channel=known.channel)
