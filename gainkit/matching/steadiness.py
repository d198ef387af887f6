"""Whether a noise recording's level stood still: a gain that was turned, automatic gain, noise suppression."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_MOVE_DB = 0.3
"""Less is not worth a word [dB]."""

SURE_DEVIATIONS = 7.0
"""A move counts from so many standard deviations on [-]: five of 720 recordings whose level stood reached 5.1
to 6.3 by chance, in low frequencies alone."""

MIDDLE_DB, SURE_MIDDLE, AGREE_DEVIATIONS = 0.8, 8.0, 2.0
"""A move of the middle frequencies counts from so much [dB] and so many standard deviations on, where all of it
moves the same way by the last number of its own [-]."""

LEAST_BLOCKS = 5
"""Blocks on either side of a move [-]."""


@dataclass(frozen=True)
class Move:
    """change_db : from the level before at_seconds (of the recording) to that after it [dB]."""

    change_db: float
    at_seconds: float


def level_move(powers: Floats, block_seconds: float, start_seconds: float, middles: Floats) -> Move | None:
    """The place that parts a recording into two levels best, where they differ for sure; None where it stood.

    powers : (blocks,) of equal blocks. middles : of their middle frequencies, which scatter less, being wider
    noise. Surroundings may move in them alone: all must move the same way. A level that drifts is parted too,
    somewhere in its middle.
    """
    count = len(powers)
    if count < 2 * LEAST_BLOCKS or not (np.all(powers > 0) and np.all(middles > 0)):
        return None
    whole, middle = _steps(powers), _steps(middles)
    best = int(np.argmax(whole.sureness))
    if whole.sureness[best] < SURE_DEVIATIONS or abs(whole.changes[best]) < LEAST_MOVE_DB:
        best = int(np.argmax(middle.sureness))
        agreeing = float(whole.steps[best] / whole.deviations[best] * np.sign(middle.steps[best]))
        worth_it = abs(whole.changes[best]) >= LEAST_MOVE_DB and abs(middle.changes[best]) >= MIDDLE_DB
        if not (worth_it and middle.sureness[best] >= SURE_MIDDLE and agreeing > AGREE_DEVIATIONS):
            return None
    return Move(float(whole.changes[best]), start_seconds + float(whole.at[best]) * block_seconds)


@dataclass(frozen=True, eq=False)
class _Steps:
    """By place: the step of the mean levels [dB], its standard deviation, and that of the mean powers [dB]."""

    at: NDArray[np.int64]
    steps: Floats
    deviations: Floats
    changes: Floats

    @property
    def sureness(self) -> Floats:
        """Steps in standard deviations [-]."""
        return np.abs(self.steps) / self.deviations


def _steps(powers: Floats) -> _Steps:
    """Every place with `LEAST_BLOCKS` on either side."""
    count = len(powers)
    levels = 10 * np.log10(powers)
    scatter = float(np.median(np.abs(np.diff(levels)))) / (0.6745 * math.sqrt(2))  # moves do not count in it
    at = np.arange(LEAST_BLOCKS, count - LEAST_BLOCKS + 1)
    deviations = max(scatter, 1e-9) * np.sqrt(1 / at + 1 / (count - at))
    (before, after), (low, high) = (_means(each, at) for each in (levels, powers))
    return _Steps(at, after - before, deviations, 10 * np.log10(high / low))


def _means(values: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Of what lies before each place, and of what lies after it."""
    total = np.cumsum(values)
    return total[at - 1] / at, (total[-1] - total[at - 1]) / (len(values) - at)
