"""Was it the recorder that clipped? Flat tops at digital full scale are its own, not the amplifier's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.tone import ToneFit
from gainkit.capture.model import Capture

Floats = NDArray[np.float64]

LEAST_RUN = 3
"""Samples in a row at full scale, at least: two may be a crest [samples]."""


def longest_stretch(mask: NDArray[np.bool_]) -> int:
    """Length of the longest stretch of True [samples]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def overloaded(capture: Capture, raw: Floats, tone: ToneFit | None) -> bool:
    """True when samples stand at digital full scale longer than a sine that just reaches it would.

    raw : (frames,) [V] of the chosen channel. A sine of full scale stays within one step of its peak for
    2 arccos(1 - step) / w samples; a stretch twice as long plus two is an overload. Files that can hold
    more than full scale (floating point) count only when they stand exactly there.
    """
    if not capture.has_full_scale:
        return False
    step = capture.step_units or 2.0**-23
    top = capture.volts_per_unit * (1 - 1.5 * step)
    high, low = raw >= top, raw <= -top
    if not (high.any() or low.any()):
        return False
    if not capture.hard_full_scale and np.abs(raw).max() > capture.volts_per_unit * (1 + 1e-6):
        return False
    run = max(longest_stretch(high), longest_stretch(low))
    angular = 2 * np.pi * tone.frequency_hz / capture.sample_rate_hz if tone is not None else np.pi
    allowed = 2 * np.arccos(1 - 2 * step) / angular
    return bool(run >= max(LEAST_RUN, 2 * allowed + 2))
