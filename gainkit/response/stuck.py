"""Samples that stand still while the sweep goes on: a recorder that lost a few milliseconds wrote zeros or the
last value instead.

A sine never stands still for longer than its crest lingers within one step; a rail or a dead zone holds it in
every cycle, a lost block once.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.response.align import MARK_STANDOUT, Heard, TrackPlace, octave_arrivals
from gainkit.response.deconvolve import Impulse
from gainkit.response.drive import Placed, SideTrack
from gainkit.response.followed import HOP_SECONDS, FollowedTone, LevelChange

Floats = NDArray[np.float64]

LEAST_SECONDS = 1.5e-3
LINGERS = 2.0
"""A run of equal samples is lost from so long on [s] besides so many times what the crest may linger [-]."""

LEAST_STEPS = 20.0
"""So many steps high the tone must be beside it [-]: less is a slope's far end."""

ALONE_CYCLES = 2.0
"""No other run of a third of its length may lie within so many cycles [-]."""

EDGE_SECONDS = 0.02
"""What is left out at the sweep's ends [s]: its fades."""

LEAST_LOST_SECONDS = 2e-3
LOST_FROM_HZ, LOST_TO_HZ, LOST_REACH_SECONDS = 500.0, 18_000.0, 0.025
LOST_STEPS, LOST_SHARE, LOST_SPREAD = 5, 0.7, 0.4
"""From so much on [s] samples that are missing between the marks are told from a clock that is off: the marks'
clock is then wrong for the sweep, and at least so many of the steps between octaves that arrive in these
frequencies [Hz], this part of all, are as large as it makes them, within that part [-] (found by trying)."""

FINEST_STEP = 2.0**-23


def stuck(heard: Heard, sweep: Placed, place: TrackPlace, tone: FollowedTone) -> list[LevelChange]:
    """Stretches within the sweep where every sample is the same, by themselves; in order of time.

    Only where a hop of the tone stands still is looked closer: it does in any stretch of two.
    """
    capture, rate = heard.capture, heard.capture.sample_rate_hz
    chirp, begin = sweep.chirp.stretched(place.clock), place.recorded(sweep.start_seconds)
    first = max(math.ceil((begin + EDGE_SECONDS) * rate), 0)
    last = min(math.floor((begin + chirp.seconds - EDGE_SECONDS) * rate), capture.frames)
    least = max(round(LEAST_SECONDS * rate), 3)
    edges = np.diff(np.concatenate([[False], tone.still, [False]]).astype(np.int8))
    groups = zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True)
    found = []
    for hop, stop in groups:
        hertz = float(tone.frequency_hz[hop]) / place.clock
        reach = round(ALONE_CYCLES * rate / hertz)
        hops = max(round(reach / rate / HOP_SECONDS), 2)
        if tone.still[max(hop - hops, 0) : hop].any() or tone.still[stop : stop + hops].any():
            continue
        start, end = (round(float(tone.seconds[at]) * rate) for at in (hop, stop - 1))
        begins, ends = _runs(heard, max(start - 2 * reach, first), min(end + 2 * reach, last), least // 3)
        around = np.flatnonzero((begins <= start) & (ends > start))
        if not len(around):
            continue
        low, high = int(begins[around[0]]), int(ends[around[0]])
        near = (ends > low - reach) & (begins < high + reach) & (ends - begins >= (high - low) // 3)
        if high - low < least or np.count_nonzero(near) > 1 or low <= first or high >= last - 1:
            continue
        beside = np.concatenate(
            [heard.samples(low - reach, low), heard.samples(high, min(high + reach, capture.frames))]
        )
        steps = 0.5 * float(np.ptp(beside)) / _step(capture)
        if steps < LEAST_STEPS:
            continue
        lingers = 2.0 * math.acos(1.0 - 1.0 / steps) / (2.0 * math.pi * hertz)
        if (high - low) / rate > LINGERS * lingers + LEAST_SECONDS:
            sounds = hertz * place.clock
            found.append(LevelChange(low / rate, high / rate, sounds, sounds, -20.0 * math.log10(steps), True))
    return found


def lost_between_marks(impulse: Impulse, side: SideTrack, place: TrackPlace, arrival: float) -> float:
    """How much is missing between the marks [s], negative where it was put in; 0 where the clock alone is off.

    A clock brings all octaves together. What is missing at one moment is spread over all of the sweep by the
    clock that the marks tell: on either side of that moment octaves arrive later and later.
    """
    if side.first_mark is None or side.last_mark is None or not place.by_marks:
        return 0.0
    apart = side.last_mark.start_seconds - side.first_mark.start_seconds
    lost = (1.0 - place.clock) * apart
    if abs(lost) < LEAST_LOST_SECONDS:
        return 0.0
    high_hz = min(LOST_TO_HZ, 0.45 * impulse.rate, side.sweep.chirp.to_hz)
    told = octave_arrivals(impulse, LOST_FROM_HZ, high_hz, arrival, LOST_REACH_SECONDS)
    clear = [each for each in told if each.standout > MARK_STANDOUT]
    seconds = np.array([each.seconds for each in clear])
    octaves = -np.diff(np.log([each.middle_hz for each in clear]))
    steps = -np.diff(seconds) / (octaves * side.sweep.chirp.octave_seconds * lost / apart)
    alike = np.count_nonzero(np.abs(steps - 1.0) < LOST_SPREAD)
    return lost if alike >= max(LOST_STEPS, LOST_SHARE * len(steps)) else 0.0


def _step(capture: Capture) -> float:
    """The recorder's step, or a fine one where that is not known."""
    return (capture.step_units or FINEST_STEP) * capture.volts_per_unit


def _runs(heard: Heard, first: int, last: int, least: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Begins and ends [frames] of runs of so many equal samples at least."""
    if last - first < 2:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    same = np.zeros(last - first + 1, dtype=np.int8)
    same[1:-1] = np.diff(heard.samples(first, last)) == 0.0
    edges = np.diff(same)
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) + 1
    count = min(len(begins), len(ends))
    begins, ends = begins[:count], ends[:count]
    keep = ends - begins >= least
    return first + begins[keep], first + ends[keep]
