"""A capture to a measurement: level, distortion, clipping."""

from __future__ import annotations

from gainkit.analysis.model import Clipping, Harmonic, Measurement, MeasureOptions, TargetCheck
from gainkit.capture.model import Capture

__all__ = ["Clipping", "Harmonic", "MeasureOptions", "Measurement", "TargetCheck", "measure"]


def measure(capture: Capture, options: MeasureOptions | None = None) -> Measurement:
    """Measure the steady tone in a capture."""
    raise NotImplementedError
