"""Where in a capture the tone stands still: silence, start-up, dropouts and other levels are left out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import movement, thresholds
from gainkit.analysis.middle import median
from gainkit.analysis.model import NoToneReason
from gainkit.capture.model import Capture
from gainkit.levels import db_from_ratio, power_db_from_ratio
from gainkit.remarks import Remark, fault, remark

Floats = NDArray[np.float64]

COARSE_BLOCKS = 4096
"""Levels kept of a capture that is too long to hold, at most: 50 ms each up to 200 s, longer beyond [-]."""

COARSE_SECONDS = 0.05
"""... each over this time at least: two cycles of a 40 Hz tone [s]."""

BLOCK_SECONDS = 0.01
"""The tone is followed in blocks of whole cycles of about this length: short beside any step of level, long
enough to average noise [s]."""

LEAST_BLOCKS = 4
"""With fewer blocks no run can be told from the rest [-]."""

FADE_DB = 0.2
"""Neighbours that differ by more belong to a fade or another level, unless noise makes such steps [dB]."""

LOUD_DB = 40.0
"""What lies further below the loudest block counts as silence [dB]."""

MEAN_SHARE = 0.1
"""A mean that jumps by this share of the tone's peak tells of a switch or a plug [-]."""

MEAN_STEPS = 6.0
"""... unless it moves by a sixth of that all the time: hum [-]."""

DROP_DB = 1.0
"""A level that drops by this within a block, or a phase that is another afterwards, is a dropout [dB]: bursts
of noise and what a codec does to a start change single blocks, too."""

BACK_DB, GONE_DB = 0.25, 12.0
"""Blocks less than the first below the usual level are back; those that a dropout fills lie below the second
[dB]."""

MOST_PLACES = 5
"""Dropouts named by their time; more tell nothing new [-]."""


@dataclass(frozen=True)
class SteadyPart:
    """Frames start..stop that hold the tone, what was left out, and why if nothing holds it.

    stretches : (start, stop) in frames of all that stand still, this one too, in the order of time; empty where
    nothing else was seen. Each with the level of its tone [dB re 1 V peak] in levels_db.
    """

    start: int
    stop: int
    remarks: tuple[Remark, ...] = ()
    reason: NoToneReason | None = None
    stretches: tuple[tuple[int, int], ...] = ()
    levels_db: tuple[float, ...] = ()


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
    scatter = 1.4826 * median(step) if len(step) else 0.0
    return np.asarray(step < min(max(FADE_DB, 6 * scatter), 2.0))


def drift_remark(levels_db: Floats) -> Remark | None:
    """A level that falls or rises all the way, too evenly for stretches to stand out; (blocks,) [dB]."""
    change_db = movement.drift_db(levels_db)
    if change_db is None:
        return None
    return fault("level_drifts", change_db=change_db, size_db=abs(change_db))


@dataclass(frozen=True)
class CoarseWindow:
    """The best window of a capture that is too long to hold, in frames.

    steady : whether the whole span is. stretches : (start, stop) of all that stand still, as far as blocks of
    50 ms and more tell. drift : where the level falls or rises all the way.
    """

    start: int
    stop: int
    steady: bool
    stretches: tuple[tuple[int, int], ...] = ()
    drift: Remark | None = None


def coarse_window(
    capture: Capture, start: int, stop: int, window: int, *, channel: int, minus: int | None
) -> CoarseWindow:
    """Where to look in a capture that is too long to hold.

    One pass over all blocks for their level, then ``window`` frames from the middle of the last stretch that
    stands still. Memory: one level per block, at most 4096 blocks.
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
    levels = power_db_from_ratio(np.maximum(power, 1e-30))
    loud = levels > levels.max() - LOUD_DB
    unbroken = together(levels) & loud[1:] & loud[:-1]
    least = max(movement.LEAST_GROUPS, int(movement.LEAST_OF_ALL * len(levels)))
    runs = movement.runs_of(unbroken)
    spans = [s for one in runs for s in movement.spans_in(levels[:, np.newaxis], *one, least)]
    if spans:
        chosen = movement.chosen_of(spans)
        first, last = chosen.first, chosen.last
    else:
        first, last = longest_run(unbroken)
    begin, end = start + first * size, stop if last >= len(levels) else start + last * size
    if first > 0:
        begin = min(begin + size, end)
    middle = (begin + end) // 2
    half = min(window, end - begin) // 2
    stretches = tuple((start + span.first * size, start + span.last * size) for span in spans)
    steady = last - first >= len(levels) - 1
    return CoarseWindow(middle - half, middle + half, steady, stretches, drift_remark(levels[loud]))


@dataclass(frozen=True)
class Blocks:
    """The tone in blocks of so many frames.

    Of each, (blocks,): phasors [V peak], levels_db [dB re 1 V], means [V], loud : within 40 dB of the loudest.
    """

    frames: int
    phasors: NDArray[np.complex128]
    levels_db: Floats
    means: Floats
    loud: NDArray[np.bool_]

    @property
    def loud_pairs(self) -> NDArray[np.bool_]:
        """(blocks - 1,) True where both neighbours are loud."""
        return np.asarray(self.loud[1:] & self.loud[:-1])

    def same_level(self) -> NDArray[np.bool_]:
        """(blocks - 1,) True where neighbours have the same level."""
        return together(self.levels_db)

    def same_phase(self) -> NDArray[np.bool_]:
        """(blocks - 1,) True where the phase goes on as it usually does."""
        advance = np.angle(self.phasors[1:] * np.conj(self.phasors[:-1]))
        usual = median(advance[self.loud_pairs]) if np.any(self.loud_pairs) else 0.0
        jump = np.abs(np.angle(np.exp(1j * (advance - usual))))
        return np.asarray(jump < thresholds.PHASE_STEP_RADIANS)

    def jumps_at(self, place: int) -> bool:
        """Whether the phase is another for good behind a break: samples are missing there."""
        before, after = slice(max(place - 4, 0), max(place, 1)), slice(place + 2, place + 6)
        advance = self.phasors[1:] * np.conj(self.phasors[:-1])
        usual = float(np.angle(np.sum(advance[self.loud_pairs])))
        straight = self.phasors * np.exp(-1j * usual * np.arange(len(self.phasors)))
        turned = complex(np.sum(straight[after]) * np.conj(np.sum(straight[before])))
        return abs(float(np.angle(turned))) > thresholds.PHASE_STEP_RADIANS

    def same_mean(self) -> NDArray[np.bool_]:
        """(blocks - 1,) True where the mean stays within a tenth of the tone, or moves as it does all the time.

        Hum moves the mean of every block; a switch or a plug moves it once.
        """
        steps = np.abs(np.diff(self.means))
        usual = MEAN_STEPS * median(steps) if len(steps) else 0.0
        return np.asarray(steps < max(MEAN_SHARE * float(np.abs(self.phasors).max()), usual))


def find_steady(samples: Floats, angular: float, sample_rate_hz: float) -> SteadyPart:
    """The longest part in which level, phase and mean of a tone stand still.

    samples : (frames,) [V]; angular : the tone [rad/sample]. Blocks of whole cycles, 10 ms or more, are
    demodulated at the tone; neighbours whose level, phase advance or mean differ are broken apart.
    """
    period = 2 * np.pi / angular
    blocks = demodulated(samples, angular, sample_rate_hz)
    if blocks is None:
        return SteadyPart(0, len(samples))
    unbroken = blocks.same_level() & blocks.same_phase() & blocks.same_mean()
    first, last = longest_run(unbroken & blocks.loud_pairs)
    first, last, drift_db = level_window(blocks.levels_db, first, last)
    # the blocks at a break hold some of it
    start = 0 if first == 0 else (first + 1) * blocks.frames
    stop = len(samples) if last >= len(blocks.levels_db) else (last - 1) * blocks.frames
    if (stop - start) < thresholds.LEAST_CYCLES * period or last - first < LEAST_BLOCKS - 1:
        return SteadyPart(0, len(samples), reason="wanders")
    if drift_db > 3 * thresholds.LEVEL_STEP_DB:
        return SteadyPart(start, stop, reason="glides")
    broken = np.flatnonzero(~unbroken)
    return SteadyPart(start, stop, _left_out(blocks, broken, first, last, blocks.frames / sample_rate_hz))


def last_steady(samples: Floats, angular: float, sample_rate_hz: float, blocks: Blocks | None) -> SteadyPart:
    """The last part that is long enough in which the tone's level and shape stand still, and all others.

    As `find_steady`, which it falls back on where nothing stands still for long enough. blocks : as
    `demodulated` gives them.
    """
    if blocks is None:
        return SteadyPart(0, len(samples))
    period, count = 2 * np.pi / angular, len(blocks.levels_db)
    unbroken = blocks.same_level() & blocks.same_phase() & blocks.same_mean()
    tracks = movement.tracks_of(samples, angular, blocks.frames, blocks.phasors)
    least = movement.least_blocks_of(blocks.frames, period, count)
    runs = movement.runs_of(unbroken & blocks.loud_pairs)
    spans = [span for first, last in runs for span in movement.spans_in(tracks, first, last, least)]
    if not spans or movement.ripples(spans):
        return find_steady(samples, angular, sample_rate_hz)
    # the blocks at a break hold some of it
    ends = {first: (first + 1 if first else 0, last - 1 if last < count else count) for first, last in runs}
    runs_at = sorted(ends)

    def frames(span: movement.Span) -> tuple[int, int]:
        low, high = ends[max(first for first in runs_at if first <= span.first)]
        first, last = max(span.first, low), min(span.last, high)
        return first * blocks.frames, len(samples) if last >= count else last * blocks.frames

    chosen = movement.chosen_of(spans)
    start, stop = frames(chosen)
    seconds = blocks.frames / sample_rate_hz
    left_out = _left_out(blocks, np.flatnonzero(~unbroken), chosen.first, chosen.last, seconds)
    stretches, levels = tuple(frames(span) for span in spans), tuple(span.tracks[0] for span in spans)
    return SteadyPart(start, stop, left_out, None, stretches, levels)


def demodulated(samples: Floats, angular: float, sample_rate_hz: float) -> Blocks | None:
    """The tone block by block; None for fewer than four blocks, of which nothing can be told."""
    period = 2 * np.pi / angular
    cycles = max(1, round(BLOCK_SECONDS * sample_rate_hz / period))
    size = max(round(cycles * period), 2)
    count = len(samples) // size
    if count < LEAST_BLOCKS:
        return None
    table = samples[: count * size].reshape(count, size)
    turn = np.exp(-1j * angular * np.arange(size))
    phasors = (table @ turn.real + 1j * (table @ turn.imag)) * (2 / size)
    phasors *= np.exp(-1j * angular * size * np.arange(count))
    levels_db = db_from_ratio(np.maximum(np.abs(phasors), 1e-15))
    loud = levels_db > levels_db.max() - LOUD_DB
    return Blocks(size, phasors, levels_db, table.mean(axis=1), loud)


def level_window(levels: Floats, first: int, last: int) -> tuple[int, int, float]:
    """Within a run, the longest stretch around its median level; and by how much the whole run drifts [dB]."""
    run = levels[first:last]
    drift = float(np.ptp(run[1:-1])) if len(run) > 4 else 0.0
    if drift <= 2 * thresholds.LEVEL_STEP_DB:
        return first, last, drift
    near = np.abs(run - median(run)) <= thresholds.LEVEL_STEP_DB
    inner_first, inner_last = longest_run(near[1:] & near[:-1])
    return first + inner_first, first + inner_last, drift


def _left_out(
    blocks: Blocks, broken: NDArray[np.intp], first: int, last: int, block_seconds: float
) -> tuple[Remark, ...]:
    """What lies outside blocks first..last: silence, other levels, and breaks after which it goes on."""
    remarks: list[Remark] = []
    levels = blocks.levels_db
    outside = np.ones(len(levels), dtype=bool)
    outside[first:last] = False
    here = median(levels[first:last])
    quiet = int(np.count_nonzero(outside & ~blocks.loud))
    if quiet > 1:
        remarks.append(remark("silence_left_out", seconds=quiet * block_seconds))
    # a level of its own lasts three blocks at least; what lies between is a fade
    pairs = np.concatenate([[False], blocks.same_level(), [False]])
    other = outside & blocks.loud & pairs[1:] & pairs[:-1]
    other &= np.abs(levels - here) > 2 * thresholds.LEVEL_STEP_DB
    if np.any(other):
        lowest, highest = float(levels[other].min()) - here, float(levels[other].max()) - here
        remarks.append(remark("level_changes", lowest_db=lowest, highest_db=highest))
    # the same level before and after a break: samples are missing or were blanked
    same = np.abs(levels - here) < thresholds.LEVEL_STEP_DB
    # of a thump's blocks one may have the tone's level, but no two go on from each other as a tone does
    goes_on = np.concatenate([[False], same[1:] & same[:-1] & blocks.same_phase(), [False]])
    same &= goes_on[1:] | goes_on[:-1]
    gaps = [i for i in broken if same[max(i - 5, 0) : i].any() and same[i + 2 : i + 7].any()]
    gaps = [i for i in gaps if _drops(levels - here, int(i)) or blocks.jumps_at(int(i))]
    if gaps:
        places = tuple((i + 1) * block_seconds for i in _spaced(gaps)[:MOST_PLACES])
        remarks.append(fault("dropout", at_seconds=places))
    return tuple(remarks)


def _drops(off_db: Floats, place: int) -> bool:
    """Whether the tone is gone for a moment at a break: what lies within is silent, be it less than a block.

    off_db : levels of blocks against the usual one (blocks,) [dB]. A gain that dips leaves a tone there.
    """
    first = max(place - 1, 0)
    lowest = first + int(np.argmin(off_db[first : place + 3]))
    if off_db[lowest] >= -DROP_DB:
        return False
    usual = np.flatnonzero(off_db > -BACK_DB)
    before, after = usual[usual < lowest], usual[usual > lowest]
    within = off_db[(before[-1] + 2 if len(before) else 0) : (after[0] - 1 if len(after) else len(off_db))]
    return not len(within) or bool(median(within) < -GONE_DB)


def _spaced(indices: Iterable[int]) -> list[int]:
    """Indices without those that follow directly on another."""
    kept: list[int] = []
    previous = -10
    for index in indices:
        if index > previous + 2:
            kept.append(int(index))
        previous = int(index)
    return kept
