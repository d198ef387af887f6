"""Whether a noise recording's level stood still: a gain that was turned, automatic gain, noise suppression."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.levels import power_db_from_ratio

Floats = NDArray[np.float64]

LEAST_MOVE_DB = 0.3
"""Less is not worth a word [dB]."""

SURE_DEVIATIONS = 5.0
"""A move counts from so many standard deviations on [-]: the best of some hundred places reaches 3.5 by
chance."""

LEAST_BLOCKS = 5
"""Blocks on either side of a move [-]."""


@dataclass(frozen=True)
class Move:
    """change_db : from the level before at_seconds (of the recording) to that after it [dB]."""

    change_db: float
    at_seconds: float


def level_move(powers: Floats, block_seconds: float, start_seconds: float) -> Move | None:
    """The place that parts a recording into two levels best, where they differ for sure; None where it stood.

    powers : (blocks,) of equal blocks. A level that drifts is parted too, somewhere in its middle.
    """
    count = len(powers)
    if count < 2 * LEAST_BLOCKS or not np.all(powers > 0):
        return None
    levels = 10 * np.log10(powers)
    scatter = float(np.median(np.abs(np.diff(levels)))) / (0.6745 * math.sqrt(2))  # moves do not count in it
    total = np.cumsum(levels)
    at = np.arange(LEAST_BLOCKS, count - LEAST_BLOCKS + 1)
    before, after = total[at - 1] / at, (total[-1] - total[at - 1]) / (count - at)
    deviation = np.maximum(scatter, 1e-9) * np.sqrt(1 / at + 1 / (count - at))
    best = int(np.argmax(np.abs(after - before) / deviation))
    change = power_db_from_ratio(float(np.mean(powers[at[best] :]) / np.mean(powers[: at[best]])))
    if abs(change) < LEAST_MOVE_DB or abs(after[best] - before[best]) < SURE_DEVIATIONS * deviation[best]:
        return None
    return Move(change, start_seconds + float(at[best]) * block_seconds)
