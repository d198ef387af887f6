"""Where a plan without markers stands in a recording, within a hop or two, by the levels alone.

The gain is unknown and the top of a staircase is compressed, so levels are not compared with the plan's: every
start is tried, and what counts against it is a step that is not even, and sound outside. What is silent on
the way counts little: which step sounded first is for `placing` to tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError
from gainkit.onset.envelope import Envelope
from gainkit.onset.plan import LevelPlan

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

HOP_SECONDS = 0.01
"""The search goes in hops of this length, or of more where a recording has very many [s]."""

MOST_HOPS = 1 << 15
LEAST_HOPS = 8

SILENCE_DB = 3.0
"""Hops this far below the lowest level that the plan can give count as silent [dB]."""

LOUD_OUTSIDE = 100.0
NOT_HEARD = 0.02
"""What a hop costs that is loud outside the track, and one that is silent within it or not recorded [dB^2]: an
amplifier may sleep. An uneven step costs the variance of what sounds of it."""

SILENT_IN_GLIDE = 100.0
"""What a silent hop costs within a glide, which has no steps to tell its place [dB^2]."""

NOISE_MARGIN_DB, NOISE_MOVES_DB = 6.0, 0.7
"""Where the quietest hops move from one to the next by more than a tone's would (median), they are noise, and
silence goes so far above it [dB]."""

QUIETEST_SHARE = 0.02
"""So many of the hops are the quietest [-]."""

ONSET_HOPS = 2
"""Hops beside a silence are counted with it: relays bounce, and mutes fade [hops]."""

CLICK_HOPS = 5
"""The highest level is that which more hops than these reach: single clicks do not count [-]."""

MOST_BEFORE, LEAST_INSIDE = 0.9, 0.1
"""Starts are tried from so much of the track before the recording, to so little of it within [-]."""

LOUD_END_SECONDS = 0.1
"""A recording without silence in its first so many seconds began within the track [s]."""

END_HOPS = 1.5
"""A track that ends within so many hops of the recording's ends is whole [-]."""


@dataclass(frozen=True)
class Hops:
    """Levels hop by hop. above : (hops,) over the level of silence, 0 where silent [dB]. silent : (hops,)."""

    above: Floats
    silent: NDArray[np.bool_]
    seconds: float

    @property
    def count(self) -> int:
        return len(self.above)


def coarse_start(envelope: Envelope, plan: LevelPlan) -> float:
    """Start of the plan in a recording [s], by the least cost over all places.

    Raises GainkitError for a recording that is too short (`too_short_for_levels`) or cut at both ends
    (`ends_not_recorded`).
    """
    hops = hops_of(envelope, plan)
    starts = _possible_starts(hops, plan)
    first_hop = int(starts[int(np.argmin(_costs(hops, plan, starts)))])
    if _cut_at_both_ends(hops, plan, first_hop):
        raise GainkitError("ends_not_recorded", kind=plan.kind)
    return first_hop * hops.seconds - plan.stretches[0].start_seconds


def hops_of(envelope: Envelope, plan: LevelPlan) -> Hops:
    size = max(1, round(HOP_SECONDS / envelope.hop_seconds), -(-len(envelope.peak_volts) // MOST_HOPS))
    count = len(envelope.peak_volts) // size
    if count < LEAST_HOPS:
        raise GainkitError("too_short_for_levels", seconds=envelope.seconds)
    peak = envelope.peak_volts[: count * size].reshape(count, size).mean(axis=1)
    levels = 20 * np.log10(np.maximum(peak, 1e-15))
    span = max(plan.levels_dbfs) - min(plan.levels_dbfs)
    threshold = max(_top(levels) - span - SILENCE_DB, _noise_db(levels) + NOISE_MARGIN_DB)
    return Hops(np.maximum(levels, threshold) - threshold, levels <= threshold, size * envelope.hop_seconds)


def _noise_db(levels: Floats) -> float:
    """Level of the noise between and beside tones [dB]; minus infinity where every hop is a tone's."""
    quiet = np.sort(levels)[: max(round(QUIETEST_SHARE * len(levels)), LEAST_HOPS)]
    low = levels < quiet.mean() + NOISE_MARGIN_DB
    moves = np.abs(np.diff(levels))[low[1:] & low[:-1]]
    noisy = len(moves) >= LEAST_HOPS and float(np.median(moves)) > NOISE_MOVES_DB
    return float(np.median(levels[low])) if noisy else -np.inf


def _top(levels: Floats) -> float:
    """The highest level that lasts [dB]."""
    if len(levels) < 2 * LEAST_HOPS:
        return float(levels.max())
    place = -1 - CLICK_HOPS
    return float(np.partition(levels, place)[place])


def _sounding_seconds(plan: LevelPlan) -> float:
    return plan.stretches[-1].stop_seconds - plan.stretches[0].start_seconds


def _possible_starts(hops: Hops, plan: LevelPlan) -> Counts:
    """Hops at which the first step may begin, before the recording's own start too."""
    length = _sounding_seconds(plan) / hops.seconds
    starts = np.arange(-round(MOST_BEFORE * length), hops.count - round(LEAST_INSIDE * length))
    return starts if len(starts) else np.arange(hops.count)


def _costs(hops: Hops, plan: LevelPlan, starts: Counts) -> Floats:
    """Cost of each start [dB^2]: all that is loud outside, less what the steps explain, plus their faults."""
    sums = _RunningSums(hops)
    cost: Floats = np.full(len(starts), sums.outside[-1])
    origin = plan.stretches[0].start_seconds
    for stretch in plan.stretches:
        begin = np.asarray(starts + (stretch.start_seconds - origin) / hops.seconds)
        end = np.asarray(starts + (stretch.stop_seconds - origin) / hops.seconds)
        cost += _cost_of(stretch.still, sums, begin, end)
    return cost


class _RunningSums:
    """Sums from the first hop on, (hops + 1,): the sum over any stretch is a difference of two of them."""

    def __init__(self, hops: Hops) -> None:
        near = np.convolve(hops.silent, np.ones(2 * ONSET_HOPS + 1), "same") > 0
        above = np.where(near, 0.0, hops.above)
        self.levels = _summed(above)
        self.squares = _summed(above**2)
        self.sounding = _summed((~near).astype(float))
        self.silent = _summed(hops.silent.astype(float))
        self.outside = _summed(np.minimum(hops.above**2, LOUD_OUTSIDE))
        self.count = hops.count


def _summed(values: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(values)])


def _cost_of(still: bool, sums: _RunningSums, begin: Floats, end: Floats) -> Floats:
    """What one step adds to the cost of each start, (starts,) [dB^2]; begin, end : (starts,) of it [hops]."""
    # partial hops at both ends belong to no step
    low, high = _within(np.ceil(begin + 1), np.floor(end - 1), sums.count)
    wide_low, wide_high = _within(np.round(begin), np.round(end), sums.count)
    cost = (NOT_HEARD if still else SILENT_IN_GLIDE) * (sums.silent[high] - sums.silent[low])
    cost -= sums.outside[wide_high] - sums.outside[wide_low]
    cost += NOT_HEARD * ((end - begin) - (wide_high - wide_low))
    if still:
        total = sums.levels[high] - sums.levels[low]
        squares = sums.squares[high] - sums.squares[low]
        sounding = sums.sounding[high] - sums.sounding[low]
        cost += np.maximum(squares - total**2 / np.maximum(sounding, 1), 0.0)
    return np.asarray(cost)


def _within(low: Floats, high: Floats, count: int) -> tuple[Counts, Counts]:
    """Hops from low to high as far as they are recorded; none where low lies beyond high."""
    first = np.clip(low, 0, count).astype(np.int64)
    return first, np.maximum(np.clip(high, 0, count).astype(np.int64), first)


def _cut_at_both_ends(hops: Hops, plan: LevelPlan, first_hop: int) -> bool:
    """Whether the track began before the recording and went on after it: any start may then be right."""
    stop = first_hop + _sounding_seconds(plan) / hops.seconds
    loud_before = first_hop < 1 and not hops.silent[: max(3, round(LOUD_END_SECONDS / hops.seconds))].any()
    loud_after = stop > hops.count - 1 and not hops.silent[-3:].any()
    inside = first_hop > -END_HOPS and stop < hops.count + END_HOPS
    return loud_before and loud_after and not inside
