"""What a measured chain makes of one tone: how much its filters take off it, and which tones come through."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from gainkit.calculator.tones import nearest_tone_hz
from gainkit.response.model import Response

WHOLE_DB = 0.25
"""A tone this near the passband counts as left alone [dB] (our choice: half the tolerance of a level)."""


@dataclass(frozen=True)
class ToneLoss:
    """loss_db : by how much the tone lies under the passband, positive; negative where a boost lifts it [dB].
    low_hz, high_hz : the widest stretch of tones that come through whole, and other_hz the usual tone there
    that is nearest [Hz]; None where there is none."""

    tone_hz: float
    loss_db: float
    low_hz: float | None
    high_hz: float | None
    other_hz: float | None


def tone_loss(result: Response, tone_hz: float) -> ToneLoss | None:
    """What the chain takes off a tone; None where the response does not tell."""
    if result.passband_db is None or not result.points or result.reference_file is not None:
        return None
    hertz = np.array([point.frequency_hz for point in result.points])
    level = np.array([point.level_db for point in result.points])
    if not hertz[0] <= tone_hz <= hertz[-1]:
        return None
    loss = result.passband_db - float(np.interp(math.log(tone_hz), np.log(hertz), level))
    whole = np.flatnonzero(np.abs(level - result.passband_db) <= WHOLE_DB)
    if not len(whole):
        return ToneLoss(tone_hz, loss, None, None, None)
    runs = np.split(whole, np.flatnonzero(np.diff(whole) > 1) + 1)
    widest = max(runs, key=len)
    low, high = float(hertz[widest[0]]), float(hertz[widest[-1]])
    return ToneLoss(tone_hz, loss, low, high, nearest_tone_hz(low, high, tone_hz))
