"""Where in a capture the tone stands still: silence, start-up, dropouts and other levels are left out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.capture.model import Capture

Floats = NDArray[np.float64]

COARSE_BLOCKS = 4096
COARSE_SECONDS = 0.05
BLOCK_SECONDS = 0.01
FADE_DB = 0.2


@dataclass(frozen=True)
class SteadyPart:
    """Frames start..stop that hold the tone, what was left out (for a person), and why if nothing holds it."""

    start: int
    stop: int
    remarks: tuple[str, ...] = ()
    reason: str | None = None


def longest_run(unbroken: NDArray[np.bool_]) -> tuple[int, int]:
    """Longest stretch of blocks in which no neighbours are broken apart.

    unbroken : (blocks - 1,), True where block i and i + 1 belong together. Returns (first, last + 1).
    """
    breaks = np.concatenate([[-1], np.flatnonzero(~unbroken), [len(unbroken)]])
    lengths = np.diff(breaks)
    best = int(np.argmax(lengths))
    return int(breaks[best]) + 1, int(breaks[best + 1]) + 1


def together(levels_db: Floats) -> NDArray[np.bool_]:
    """Where neighbouring blocks have the same level: within 0.2 dB or six times their own scatter."""
    step = np.abs(np.diff(levels_db))
    scatter = 1.4826 * float(np.median(step)) if len(step) else 0.0
    return np.asarray(step < min(max(FADE_DB, 6 * scatter), 2.0))


def coarse_window(
    capture: Capture, start: int, stop: int, window: int, *, channel: int, minus: int | None
) -> tuple[int, int, bool]:
    """The best window of a capture that is too long to hold: (start, stop, whole span steady).

    One pass over all blocks for their level, then ``window`` frames from the middle of the longest steady
    run. Memory: one level per block, at most 4096 blocks.
    """
    size = max(int((stop - start) / COARSE_BLOCKS), int(COARSE_SECONDS * capture.sample_rate_hz), 1)
    rows = max(1, (1 << 16) // size)
    powers: list[Floats] = []
    for block in capture.blocks(start, stop, channel=channel, minus=minus, block_frames=size * rows):
        whole = len(block) // size * size
        if whole:
            table = block[:whole].reshape(-1, size)
            mean = table.mean(axis=1)
            powers.append(np.einsum("ij,ij->i", table, table) / size - mean * mean)
    power = np.concatenate(powers)
    levels = 10 * np.log10(np.maximum(power, 1e-30))
    loud = levels > levels.max() - 40
    first, last = longest_run(together(levels) & loud[1:] & loud[:-1])
    begin, end = start + first * size, min(start + last * size, stop)
    if first > 0:
        begin = min(begin + size, end)
    middle = (begin + end) // 2
    half = min(window, end - begin) // 2
    return middle - half, middle + half, last - first >= len(levels) - 1


def find_steady(samples: Floats, angular: float, sample_rate_hz: float) -> SteadyPart:
    """The longest part in which level, phase and mean of a tone stand still.

    samples : (frames,) [V]; angular : the tone [rad/sample]. Blocks of whole cycles, 10 ms or more, are
    demodulated at the tone; neighbours whose level, phase advance or mean differ are broken apart.
    """
    frames = len(samples)
    period = 2 * np.pi / angular
    cycles = max(1, round(BLOCK_SECONDS * sample_rate_hz / period))
    size = max(round(cycles * period), 2)
    count = frames // size
    if count < 4:
        return SteadyPart(0, frames)
    table = samples[: count * size].reshape(count, size)
    index = np.arange(size)
    turn = np.exp(-1j * angular * index)
    amplitude = (table @ turn.real + 1j * (table @ turn.imag)) * (2 / size)
    amplitude *= np.exp(-1j * angular * size * np.arange(count))
    levels = 20 * np.log10(np.maximum(np.abs(amplitude), 1e-15))
    means = table.mean(axis=1)
    loud = levels > levels.max() - 40
    advance = np.angle(amplitude[1:] * np.conj(amplitude[:-1]))
    usual = float(np.median(advance[loud[1:] & loud[:-1]])) if np.any(loud[1:] & loud[:-1]) else 0.0
    jump = np.abs(np.angle(np.exp(1j * (advance - usual))))
    offset = np.abs(np.diff(means)) < 0.1 * np.abs(amplitude).max()
    same_level = together(levels)
    same_phase = jump < thresholds.PHASE_STEP_RADIANS
    first, last = longest_run(same_level & same_phase & offset & loud[1:] & loud[:-1])
    first, last, drift_db = level_window(levels, first, last)
    start = 0 if first == 0 else (first + 1) * size
    stop = frames if last >= count else (last - 1) * size
    if (stop - start) < thresholds.LEAST_CYCLES * period or last - first < 3:
        return SteadyPart(0, frames, reason="level and phase wander: noise, music, a sweep or lost samples?")
    if drift_db > 3 * thresholds.LEVEL_STEP_DB:
        return SteadyPart(start, stop, reason="its level glides; `gainkit onset` reads such a recording.")
    broken = np.flatnonzero(~(same_level & same_phase & offset))
    return SteadyPart(start, stop, _told(levels, broken, first, last, size / sample_rate_hz, loud))


def level_window(levels: Floats, first: int, last: int) -> tuple[int, int, float]:
    """Within a run, the longest stretch around its median level; and by how much the whole run drifts [dB]."""
    run = levels[first:last]
    drift = float(np.ptp(run[1:-1])) if len(run) > 4 else 0.0
    if drift <= 2 * thresholds.LEVEL_STEP_DB:
        return first, last, drift
    near = np.abs(run - np.median(run)) <= thresholds.LEVEL_STEP_DB
    inner_first, inner_last = longest_run(near[1:] & near[:-1])
    return first + inner_first, first + inner_last, drift


def _told(
    levels: Floats, broken: NDArray[np.intp], first: int, last: int, seconds: float, loud: NDArray[np.bool_]
) -> tuple[str, ...]:
    """What was left out, for a person."""
    remarks: list[str] = []
    outside = np.ones(len(levels), dtype=bool)
    outside[first:last] = False
    here = float(np.median(levels[first:last]))
    # a level of its own lasts three blocks at least; what lies between is a fade
    pairs = np.concatenate([[False], together(levels), [False]])
    other = outside & loud & (np.abs(levels - here) > 2 * thresholds.LEVEL_STEP_DB) & pairs[1:] & pairs[:-1]
    quiet = outside & ~loud
    if np.count_nonzero(quiet) > 1:
        remarks.append(f"Silence of {np.count_nonzero(quiet) * seconds:.2f} s left out.")
    if np.any(other):
        remarks.append(
            f"The level changes within the recording ({levels[other].min() - here:+.1f} to "
            f"{levels[other].max() - here:+.1f} dB against the part measured); the longest part was taken."
        )
    # the same level before and after a break: samples are missing or were blanked
    same = np.abs(levels - here) < thresholds.LEVEL_STEP_DB
    gaps = [i for i in broken if same[max(i - 5, 0) : i].any() and same[i + 2 : i + 7].any()]
    if gaps:
        places = ", ".join(f"{(i + 1) * seconds:.2f} s" for i in _spaced(gaps)[:5])
        remarks.append(f"The tone is interrupted at {places}: the recorder lost samples there (dropout).")
    return tuple(remarks)


def _spaced(indices: Iterable[int]) -> list[int]:
    """Indices without those that follow directly on another."""
    kept: list[int] = []
    previous = -10
    for index in indices:
        if index > previous + 2:
            kept.append(int(index))
        previous = int(index)
    return kept
