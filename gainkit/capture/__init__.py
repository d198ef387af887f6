"""Recordings and oscilloscope text to volts, with calibration."""

from __future__ import annotations

from pathlib import Path

from gainkit.capture.model import ArraySource, Capture, SampleSource

__all__ = ["ArraySource", "Capture", "SampleSource", "read_capture"]


def read_capture(
    path: Path | str,
    *,
    full_scale_volts: float | None = None,
    calibration: Path | str | None = None,
    interval_seconds: float | None = None,
) -> Capture:
    """Open a capture of any supported kind: audio file or delimited oscilloscope text."""
    from gainkit.capture.audio import read_audio

    return read_audio(Path(path), full_scale_volts=full_scale_volts)
