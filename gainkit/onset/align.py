"""Where in a recording the plan stands: by its markers, or else by the levels, sharpened at the edges.

Markers tell it within a fraction of a millisecond. Without them the place is found coarsely by the levels
(`coarse`), then the places where the level moves are timed one by one (`edges`), and a straight line through
them tells start and clock.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError
from gainkit.onset.coarse import HOP_SECONDS, coarse_start
from gainkit.onset.edges import EDGE_SECONDS, Edge, timed_edges
from gainkit.onset.envelope import Envelope
from gainkit.onset.marker import find_pattern
from gainkit.onset.placing import placed
from gainkit.onset.plan import Alignment, LevelPlan
from gainkit.onset.refusals import refuse_other_plan

Floats = NDArray[np.float64]

MARKER_HOPS = 0.15
"""Standard deviation of the distance between two markers, as found [hops]."""

CLOCK_TOLERANCE = 1e-3
"""No recorder's clock is off by more [-]."""

EDGE_CAUTION = 2.0
"""Clipping shifts the middles of transitions together, which their scatter does not show [-]."""

LEAST_EDGES_FOR_CLOCK = 4
"""With fewer edges the clock is not fitted but taken for true [-]."""

LEAST_EDGES_WITHOUT_ENDS = 6
"""From so many edges on, the first and the last are left out: they rise from silence and fall into it through
the track's own fades, which shifts their middles [-]."""


def align(envelope: Envelope, plan: LevelPlan, clock: float | None = None) -> Alignment:
    """Find the plan in a recording.

    clock : recorded seconds per true second where it is known (from the tone's frequency), else None. Raises
    GainkitError when its place cannot be told, or when nothing like the plan is there.
    """
    marked = by_markers(envelope, plan, clock)
    rough = marked or Alignment(coarse_start(envelope, plan), clock or 1.0)
    refuse_other_plan(envelope, plan, rough)
    if marked is not None:
        return marked
    edges = timed_edges(envelope, plan, rough)
    if not edges and plan.glide:
        raise GainkitError("no_glide")
    return placed(envelope, plan, _line_through(edges, rough, clock) if edges else rough)


def by_markers(envelope: Envelope, plan: LevelPlan, clock: float | None) -> Alignment | None:
    """Start of the plan from its markers, and the clock from their distance; None without a sure marker."""
    heard = [(pattern.start_seconds, find_pattern(envelope, pattern)) for pattern in plan.markers]
    sure = [(track, time) for track, time in heard if time is not None]
    if not sure:
        return None
    (first, start), (last, stop) = sure[0], sure[-1]
    rate, deviation = clock or 1.0, None
    if last > first:
        measured = (stop - start) / (last - first)
        if abs(measured - rate) > CLOCK_TOLERANCE:
            return None  # one of the two is not the marker
        deviation = MARKER_HOPS * envelope.hop_seconds / (last - first)
        rate = clock or measured
    offset = sum(time - rate * track for track, time in sure) / len(sure)
    return Alignment(offset, rate, None if clock else deviation)


def _line_through(edges: list[Edge], rough: Alignment, clock: float | None) -> Alignment:
    """Start, and clock if it is not known, through the edges; as it was where they lead far from there."""
    inner = edges[1:-1] if len(edges) >= LEAST_EDGES_WITHOUT_ENDS else edges
    track = np.array([edge.track_seconds for edge in inner])
    heard = np.array([edge.recorded_seconds for edge in inner])
    weight = 1 / np.array([edge.deviation_seconds for edge in inner])
    rate, deviation = rough.clock, None
    if clock is None and len(inner) >= LEAST_EDGES_FOR_CLOCK:
        rate, deviation = _fitted_clock(track, heard, weight)
    start = float(np.average(heard - rate * track, weights=weight**2))
    if abs(start - rough.start_seconds) > 3 * HOP_SECONDS + 2 * EDGE_SECONDS:
        return rough
    return Alignment(start, rate, deviation)


def _fitted_clock(track: Floats, heard: Floats, weight: Floats) -> tuple[float, float]:
    """Slope of heard against track times, by weighted least squares, and its standard deviation [-].

    A slope that is no recorder's, or that its own scatter explains, is taken for 1.
    """
    table = np.stack([np.ones(len(track)), track], axis=1) * weight[:, None]
    solution = np.linalg.lstsq(table, heard * weight, rcond=None)[0]
    left = heard - solution[0] - solution[1] * track
    spread = max(1.0, float(np.sqrt(np.sum((left * weight) ** 2) / (len(track) - 2))))
    covariance = np.linalg.inv(table.T @ table)
    deviation = EDGE_CAUTION * spread * float(np.sqrt(covariance[1, 1]))
    rate = float(solution[1])
    believed = 2 * deviation <= abs(rate - 1) <= CLOCK_TOLERANCE
    return rate if believed else 1.0, deviation
