"""Where the amplifier gives nothing while the track plays: a late wake, a shutdown, a gap."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.onset.envelope import Envelope
from gainkit.onset.plan import Alignment, LevelPlan

Floats = NDArray[np.float64]

HOP_SECONDS = 0.01
"""Levels are looked at in hops of about this length [s]."""

UNDER_GAIN_DB = 10.0
"""So far under what the gain of the sounding hops predicts nothing sounds [dB]: no rail or limiter that still
lets a louder step through presses a softer one so far down."""

NEAR_LOUDEST_DB = 20.0
"""The gain is told by hops within this of the loudest [dB]: leaks and hum lie below."""

LEAST_SECONDS = 0.05
"""Shorter gaps are a dropout's or a fade's business [s]."""

END_SECONDS = 0.05
"""A silence that reaches so near to an end of the track, or of the recording, goes on to it [s]."""

GUARD_SECONDS = 0.03
"""A step is not fitted so near to a silence [s]: relays bounce, and mutes fade."""


@dataclass(frozen=True)
class Silence:
    """From when to when in the recording [s]; kind : "wake" from the track's begin, "fall" to its end,
    "gap"."""

    start_seconds: float
    stop_seconds: float
    kind: Literal["wake", "fall", "gap"]


def silences(envelope: Envelope, plan: LevelPlan, alignment: Alignment) -> tuple[Silence, ...]:
    """Stretches of the track, as far as it is recorded, in which nothing of it sounds."""
    size = max(round(HOP_SECONDS / envelope.hop_seconds), 1)
    count = len(envelope.peak_volts) // size
    hop = size * envelope.hop_seconds
    peak = envelope.peak_volts[: count * size].reshape(count, size).mean(axis=1)
    first = max(math.ceil(alignment.recorded(plan.stretches[0].start_seconds) / hop), 0)
    last = min(math.floor(alignment.recorded(plan.stretches[-1].stop_seconds) / hop), count)
    if last - first < 2:
        return ()
    levels = 20 * np.log10(np.maximum(peak[first:last], 1e-15))
    planned = _planned_dbfs(hop * (np.arange(first, last) + 0.5), plan, alignment)
    loudest = float(np.percentile(levels, 99))
    gain_db = float(np.median((levels - planned)[levels > loudest - NEAR_LOUDEST_DB]))
    silent = levels < np.minimum(gain_db + planned, loudest) - UNDER_GAIN_DB
    edges = np.flatnonzero(np.diff(np.concatenate([[False], silent, [False]]).astype(np.int8)))
    near, length = END_SECONDS / hop, last - first
    return tuple(
        Silence(
            float(first + a) * hop,
            float(first + b) * hop,
            "fall" if b > length - near else "wake" if a < near else "gap",
        )
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if (b - a) * hop >= LEAST_SECONDS
    )


def _planned_dbfs(recorded: NDArray[np.floating[Any]], plan: LevelPlan, alignment: Alignment) -> Floats:
    """Level of the track at each time of the recording, (hops,) [dBFS]."""
    track = (recorded - alignment.start_seconds) / alignment.clock
    starts = np.array([step.start_seconds for step in plan.stretches])
    number = np.clip(np.searchsorted(starts, track, side="right") - 1, 0, len(starts) - 1)
    return np.array([plan.stretches[n].level_at(float(t)) for n, t in zip(number, track, strict=True)])


def longest_sounding(start: float, stop: float, silent: tuple[Silence, ...]) -> tuple[float, float]:
    """The longest part of a stretch of the recording that no silence touches [s]; of no length where none
    is."""
    best, begin = (start, start), start
    for each in (*silent, Silence(stop + GUARD_SECONDS, math.inf, "fall")):
        end = min(each.start_seconds - GUARD_SECONDS, stop)
        if end - begin > best[1] - best[0]:
            best = begin, end
        begin = max(begin, each.stop_seconds + GUARD_SECONDS)
    return best
