"""Whether a stretch in which a tone seems to stand still is but a moment of a sweep, music or other tones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.middle import median
from gainkit.analysis.movement import runs_of
from gainkit.analysis.steady import Blocks, SteadyPart

Floats = NDArray[np.float64]

BENT_RADIANS = 0.25
"""A phase that bends by so much over the part that was chosen is that of a frequency that moves [rad]: clocks
drift by a hundred-thousandth of that, and a rail that sags turns the phase by a few hundredths."""

BENT_SIGMAS = 8.0
"""... if it also is so many standard deviations of what noise bends [-]."""

LEAST_SHARE = 2e-4
"""... and the frequency differs by this share between the ends of the part [-]: no clock drifts so fast."""

LEAST_BLOCKS = 8
"""Blocks from which a bend is told from noise [-]."""

AS_LOUD = 0.25
"""A block with this share of the part's power is as loud as it [-]."""

TONE_SHARE = 0.5
"""A block of which the tone makes up less than this share of the power holds something else [-]."""

MOST_OTHER = 1.0
"""Something else as loud may last this many times as long as the part itself [-]: more, and the part is but a
moment of it."""


def wanders(samples: Floats, blocks: Blocks | None, steady: SteadyPart, angular: float) -> bool:
    """Whether the frequency moves around a steady part, or most of what is as loud around it is no such tone.

    samples : (frames,) of the window [V]; blocks : theirs, demodulated at angular [rad/frame].
    """
    if blocks is None:
        return False
    part = steady.start // blocks.frames, steady.stop // blocks.frames
    runs = [part, *runs_of(blocks.same_phase() & blocks.loud_pairs)]
    longest = max(runs, key=lambda run: run[1] - run[0])
    bends = any(_bends(blocks.phasors[slice(*run)], blocks.frames, angular) for run in (part, longest))
    return bends or _mostly_other(samples, blocks, steady)


def _bends(phasors: NDArray[np.complex128], size: int, angular: float) -> bool:
    """Whether the phase follows a parabola: the least squares of it against what its own scatter allows."""
    count = len(phasors)
    if count < LEAST_BLOCKS:
        return False
    phase = np.unwrap(np.angle(phasors))
    terms = np.polynomial.legendre.legfit(np.linspace(-1.0, 1.0, count), phase, 2)
    bend = 1.5 * abs(float(terms[2]))  # from the middle of a parabola to its ends
    if 4 * bend < LEAST_SHARE * angular * size * count:  # twice the slope at an end, over the time
        return False
    scatter = 1.4826 * median(np.abs(np.diff(phase, 2))) / np.sqrt(6)
    noise = 1.5 * scatter * np.sqrt(5 / count)  # of the second Legendre term over evenly spaced points
    return bool(bend > max(BENT_RADIANS, BENT_SIGMAS * noise))


def _mostly_other(samples: Floats, blocks: Blocks, steady: SteadyPart) -> bool:
    """Whether sound as loud as the part that is not its tone lasts longer than the part."""
    count = len(blocks.phasors)
    table = samples[: count * blocks.frames].reshape(count, blocks.frames)
    power = np.einsum("ij,ij->i", table, table) / blocks.frames - blocks.means**2
    first, last = -(-steady.start // blocks.frames), max(steady.stop // blocks.frames, 1)
    inside = power[first:last] if last > first else power[first : first + 1]
    if not len(inside):
        return False
    loud = power > AS_LOUD * median(inside)
    broken = np.concatenate([[False], ~blocks.same_phase(), [False]])
    other = loud & ((np.abs(blocks.phasors) ** 2 / 2 < TONE_SHARE * power) | broken[1:] | broken[:-1])
    return bool(np.count_nonzero(other) > MOST_OTHER * max(last - first, 1))
