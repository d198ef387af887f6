"""The places in a recording where the level moves from one step to the next, timed one by one."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.onset.envelope import Envelope
from gainkit.onset.plan import Alignment, LevelPlan

Floats = NDArray[np.float64]

EDGE_SECONDS = 0.12
"""An edge is looked at from so long before it to so long after [s]: longer than any fade and a coarse start's
error, shorter than a step."""

EDGE_OF_STEP = 0.3
"""... and over no more than this share of the shortest step [-]."""

LEAST_CONTRAST = 8.0
"""An edge is timed when it stands out of the envelope's own scatter by this factor [-]."""

RAMP_SCATTER = 0.01
"""Scatter that a glide's ends are taken to have [-]: its own slope hides what they have."""

GLIDE_CONTRAST = 3.0
"""A glide's begin or end lies where the level moves by this factor from or to what is beside it [-]: hum that
beats with a soft tone moves by less."""

LEAST_THIRD = 2
"""Hops that must lie on either side of an edge [hops]."""

PLACE_HOPS = 0.3
"""Standard deviation of an edge's place from the hops alone [hops]."""


MOST_STEPS_UP = 2.5
"""An edge between two steps moves by no more than so many of them [-]."""


@dataclass(frozen=True)
class Edge:
    """A place where the level moves: time on the track, time in the recording and its deviation [s]."""

    track_seconds: float
    recorded_seconds: float
    deviation_seconds: float


@dataclass(frozen=True)
class _Move:
    """From which level to which [V], with which scatter [V], and where: hops from the part's first."""

    before: float
    after: float
    scatter: float
    middle: float

    @property
    def ratio_db(self) -> float:
        """By how much the level moves, up or down [dB]."""
        low, high = sorted((self.before, self.after))
        return 20 * math.log10(high / low) if low > 0 else math.inf

    @property
    def clear(self) -> bool:
        return abs(self.after - self.before) > LEAST_CONTRAST * self.scatter


def timed_edges(envelope: Envelope, plan: LevelPlan, rough: Alignment) -> list[Edge]:
    """The edges that stand out; rough : within a tenth of a second."""
    stretches = plan.stretches
    times = [stretches[0].start_seconds, *(s.stop_seconds for s in stretches)]
    half_window = min(EDGE_SECONDS, EDGE_OF_STEP * min(s.seconds for s in stretches))
    hop = envelope.hop_seconds
    step_db = max(1.0, *(abs(b.level_dbfs - a.level_dbfs) for a, b in itertools.pairwise(stretches)), 0.0)
    edges = []
    for number, time in enumerate(times):
        low, high = (
            round((rough.recorded(time) - half_window) / hop),
            round((rough.recorded(time) + half_window) / hop),
        )
        if low < 0 or high > len(envelope.peak_volts) or (high - low) // 3 < LEAST_THIRD:
            continue
        part = envelope.peak_volts[low:high]
        move = _end_of_ramp(part, rising=number == 0) if plan.glide else _between_steps(part)
        if not move.clear or not 0 <= move.middle <= high - low:
            continue
        if 0 < number < len(times) - 1 and move.ratio_db > MOST_STEPS_UP * step_db:
            continue  # an amplifier that wakes or falls silent
        deviation = PLACE_HOPS + move.scatter / abs(move.after - move.before) * math.sqrt(high - low)
        edges.append(Edge(time, (low + move.middle) * hop, hop * deviation))
    return edges


def _between_steps(part: Floats) -> _Move:
    """An edge between two steps, timed by the area under it.

    With levels m1 before and m2 after, it lies at t2 - integral of (a - m1) dt / (m2 - m1): for a transition
    that is symmetric in amplitude this is its middle.
    """
    third = len(part) // 3
    before, after = part[:third], part[-third:]
    m1, m2 = float(np.median(before)), float(np.median(after))
    scatter = float(np.std(np.concatenate([before - m1, after - m2]))) + 1e-9 * max(m1, m2)
    middle = len(part) - float(np.sum(part - m1)) / (m2 - m1) if m2 != m1 else math.nan
    return _Move(m1, m2, scatter, middle)


def _end_of_ramp(part: Floats, rising: bool) -> _Move:
    """The start or the end of a glide: its level there is what counts, as the ramp itself goes on."""
    third = len(part) // 3
    m1, m2 = (0.0, float(part[-third])) if rising else (float(part[third - 1]), 0.0)
    outside, inside = (part[:third], part[-third:]) if rising else (part[-third:], part[:third])
    if float(np.median(inside)) < GLIDE_CONTRAST * float(np.median(outside)):
        return _Move(m1, m2, 0.0, math.nan)
    crossing = _half_crossing(part, (m1 + m2) / 2)
    return _Move(m1, m2, RAMP_SCATTER * max(m1, m2), math.nan if crossing is None else crossing)


def _half_crossing(part: Floats, half: float) -> float | None:
    """Where an envelope crosses a level, in hops from its first, the hops' middles counting; None if never."""
    above = part >= half
    if above[0] == above[-1]:
        return None
    place = int(np.argmax(above != above[0]))
    left, right = part[place - 1], part[place]
    return place - 0.5 + float((half - left) / (right - left))
