"""A tone that is gone, or covered, for a few milliseconds: what was lost before the recorder.

That is too short for its level, which is averaged over cycles. In steps of a millisecond what the tone makes of
each is told by both sides: the mean of a cos(p + q) times exp(jp) is A + conj(A) m, with A = a exp(-jq) / 2 and
m the mean of exp(2jp), which is small once a cycle fits into a step. A chain that distorts departs from that in
every cycle, echoes and noise everywhere, a gap once.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gainkit.response.followed import FollowedTone, LevelChange

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

GUARD_HOPS = 12
"""So near on both sides nothing is taken to tell a step by: a gap is no longer [hops]."""

SIDE_HOPS, SIDE_CYCLES = 16, 1.5
"""... and beyond at least so much is taken [hops, cycles]."""

MOST_IMAGE = 0.5
"""Mean of m over both sides from which A cannot be told [-]."""

LEAST_OFF = 0.35
"""A step is gone from such a departure on, over the tone [-] (found by trying)."""

LEAST_HOPS, MOST_HOPS = 2, 16
"""How many steps a gap takes [hops]: one is a crackle."""

PART_OFF, ZERO_HOPS, EDGE_HOPS, MOST_PLACES = 0.3, 4, 2, 12
"""A gap's steps depart by this part of its largest at least [-], but for so many about the tone's own zero
[hops]. So many steps beside them are filled with them [hops]; so many places are looked at, the largest first
[-]."""

BESIDE_HOPS, BESIDE_OFF = 8, 0.12
AROUND_CYCLES, AROUND_OFF = 3.0, 0.35
"""So many steps beside it depart by no more than this part of the tone in the middle [hops, -], and for so many
cycles further no other one by this part of it, once the gap is filled [-]."""

LEAST_MISSING, MOST_POWER = 0.6, 0.4
"""Where this part of the tone is missing, and what is there instead has no more of its power, it was lost; else
it goes on under something that was added [-]."""


def gaps(tone: FollowedTone) -> list[LevelChange]:
    """Stretches of 2 to 16 ms in which the tone is missing or covered, in order of time."""
    cycles = tone.frequency_hz * tone.hop_seconds
    told, off = _told_by_sides(tone.means, tone.images, cycles)
    found = []
    left = np.where(tone.level_db > tone.least_db, off, 0.0)
    for _ in range(MOST_PLACES):
        top = int(np.argmax(left)) if len(left) else 0
        if not len(left) or left[top] < LEAST_OFF:
            break
        gap = _gap_at(tone, told, off, top)
        if gap is not None:
            found.append(gap)
        reach = GUARD_HOPS + MOST_HOPS + max(SIDE_HOPS, math.ceil(SIDE_CYCLES / float(cycles[top])))
        left[max(top - reach, 0) : top + reach] = 0.0
    return sorted(found, key=lambda each: each.from_seconds)


def _told_by_sides(means: Complexes, images: Complexes, cycles: Floats) -> tuple[Complexes, Floats]:
    """What each step would hold by both sides of it, NaN where one is missing, and how far it departs from that
    over the tone [-], 0 there; (hops,) each. cycles : in a step [-]."""
    hops = len(means)
    side = np.maximum(SIDE_HOPS, np.ceil(SIDE_CYCLES / np.maximum(cycles, 1e-6))).astype(np.int64)
    place = np.arange(hops)
    below, above = place - GUARD_HOPS, place + GUARD_HOPS + 1
    ends = (below - side, below, above, above + side)

    def both_sides(values: Complexes) -> Complexes:
        total = np.concatenate([[0.0], np.cumsum(values)])
        one, two, three, four = (total[np.clip(each, 0, hops)] for each in ends)
        return np.asarray((two - one + four - three) / (2 * side))

    mean, image = both_sides(means), both_sides(images)
    known = (ends[0] >= 0) & (ends[3] <= hops) & (np.abs(image) < MOST_IMAGE)
    tone = np.where(known, (mean - np.conj(mean) * image) / np.maximum(1.0 - np.abs(image) ** 2, 0.1), np.nan)
    told = tone + np.conj(tone) * images
    return told, np.nan_to_num(np.abs(means - told) / np.maximum(np.abs(tone), 1e-300))


def _gap_at(tone: FollowedTone, told: Complexes, off: Floats, top: int) -> LevelChange | None:
    """The gap whose highest departure stands there; None where that is none."""
    height = float(off[top])
    begin = max(top - MOST_HOPS, 0)
    departs = begin + np.flatnonzero(off[begin : top + MOST_HOPS + 1] > PART_OFF * height)
    runs = np.split(departs, np.flatnonzero(np.diff(departs) > ZERO_HOPS) + 1)
    own = next(run for run in runs if run[0] <= top <= run[-1])
    first, last = int(own[0]), int(own[-1]) + 1
    if not LEAST_HOPS <= last - first <= MOST_HOPS or first < BESIDE_HOPS or last > len(off) - BESIDE_HOPS:
        return None
    if not np.isfinite(told[first - EDGE_HOPS : last + EDGE_HOPS]).all():
        return None
    if not _is_alone(tone, told, (first, last), height):
        return None
    wanted, there = told[first:last], tone.means[first:last]
    power = float(np.sum(np.abs(wanted) ** 2))
    missing = 1.0 - float(np.sum((there * np.conj(wanted)).real)) / power
    left = float(np.sum(np.abs(there) ** 2)) / power
    half = 0.5 * tone.hop_seconds
    return LevelChange(
        float(tone.seconds[first]) - half,
        float(tone.seconds[last - 1]) + half,
        float(tone.frequency_hz[first]),
        float(tone.frequency_hz[last - 1]),
        min(float(10.0 * np.log10(max(left, 1e-4))), 0.0),
        gone=True,
        covered=missing < LEAST_MISSING or left > MOST_POWER,
    )


def _is_alone(tone: FollowedTone, told: Complexes, gap: tuple[int, int], height: float) -> bool:
    """Whether the tone goes on evenly on both sides of a gap, which is filled by what it would hold."""
    first, last = gap
    cycles = float(tone.frequency_hz[first]) * tone.hop_seconds
    reach = max(2 * GUARD_HOPS, round(AROUND_CYCLES / cycles))
    ahead = reach + GUARD_HOPS + max(SIDE_HOPS, round(2.0 * SIDE_CYCLES / cycles))
    part = slice(max(first - ahead, 0), last + ahead)
    filled = tone.means[part].copy()
    low, high = first - EDGE_HOPS, last + EDGE_HOPS
    filled[low - part.start : high - part.start] = told[low:high]
    _, off = _told_by_sides(filled, tone.images[part], tone.frequency_hz[part] * tone.hop_seconds)
    before, after = off[: low - part.start][-reach:], off[high - part.start :][:reach]
    beside = np.concatenate([before[-BESIDE_HOPS:], after[:BESIDE_HOPS]])
    around = np.concatenate([before, after])
    return float(np.median(beside)) < BESIDE_OFF and float(around.max()) < AROUND_OFF * height
