"""Where in a recording the staircase stands: by its markers, or by the steps themselves.

Without markers: the gain is unknown and the top of the staircase is compressed, so levels are not compared
with the plan; what counts is that each step is even, that none is silent, and that nothing sounds outside.
Then the places where the level moves are timed one by one, and a straight line through them tells start and
clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError
from gainkit.onset.envelope import Envelope
from gainkit.onset.marker import find_pattern
from gainkit.onset.plan import LevelPlan

Floats = NDArray[np.float64]

COARSE_SECONDS = 0.01
MOST_HOPS = 1 << 15
SILENCE_DB = 3.0
"""Hops this far below the lowest level that the plan can give count as silent [dB]."""

SILENT_INSIDE = 100.0
LOUD_OUTSIDE = 100.0
NOT_RECORDED = 0.02
"""What a hop costs that is silent within a step, loud outside, or not recorded [dB^2]; an uneven step costs its
own variance."""

UNEVEN_DB = 0.6
"""Steps that scatter more than this around their own level are none [dB]."""

EDGE_SECONDS = 0.12
LEAST_CONTRAST = 8.0
"""An edge is timed when it stands out of the envelope's own scatter by this factor [-]."""

EDGE_CAUTION = 2.0
"""Clipping shifts the middles of transitions together, which their scatter does not show [-]."""

SLOPE_TOLERANCE = 0.05
"""A glide that rises by so much other than planned is another track's [-]."""

MARKER_HOPS = 0.15
"""Standard deviation of the distance between two markers, as found [hops]."""

CLOCK_TOLERANCE = 1e-3
"""No recorder's clock is off by more [-]."""


@dataclass(frozen=True)
class Alignment:
    """Recording time = start_seconds + clock x track time.

    clock : recorded seconds per true second [-], 1 + ppm / 10^6. clock_deviation : its standard deviation where
    it was fitted to the edges [-], None where it was assumed.
    """

    start_seconds: float
    clock: float = 1.0
    clock_deviation: float | None = None

    def recorded(self, track_seconds: float) -> float:
        """Recording time of a time on the track [s]."""
        return self.start_seconds + self.clock * track_seconds


@dataclass(frozen=True)
class Edge:
    """A place where the level moves: time on the track, time in the recording and its deviation [s]."""

    track_seconds: float
    recorded_seconds: float
    deviation_seconds: float


def align(envelope: Envelope, plan: LevelPlan, file: str, clock: float | None = None) -> Alignment:
    """Find the plan in a recording.

    clock : recorded seconds per true second where it is known (from the tone's frequency), else None. Raises
    GainkitError when nothing like the plan is in the recording, or when its place cannot be told.
    """
    marked = by_markers(envelope, plan, clock)
    alignment = marked or Alignment(_coarse_start(envelope, plan, file), clock or 1.0)
    edges = _edges(envelope, plan, alignment)
    _refuse_other_plan(envelope, plan, alignment, edges, file)
    if marked is not None or not edges:
        return alignment
    return _line_through(edges, alignment, clock)


def by_markers(envelope: Envelope, plan: LevelPlan, clock: float | None) -> Alignment | None:
    """Start of the plan from its markers, and the clock from their distance; None without a sure marker."""
    heard = [(pattern.start_seconds, find_pattern(envelope, pattern)) for pattern in plan.markers]
    found = [(track, time) for track, time in heard if time is not None]
    if not found:
        return None
    (first, start), (last, stop) = found[0], found[-1]
    rate, deviation = clock or 1.0, None
    if last > first:
        measured = (stop - start) / (last - first)
        if abs(measured - rate) > CLOCK_TOLERANCE:
            return None  # one of the two is not the marker
        deviation = MARKER_HOPS * envelope.hop_seconds / (last - first)
        rate = clock or measured
    offset = sum(time - rate * track for track, time in found) / len(found)
    return Alignment(offset, rate, None if clock else deviation)


def _coarse_start(envelope: Envelope, plan: LevelPlan, file: str) -> float:
    """Start of the plan within a hop or two [s], by the least cost over all places."""
    group = max(1, round(COARSE_SECONDS / envelope.hop_seconds), -(-len(envelope.peak_volts) // MOST_HOPS))
    hop = group * envelope.hop_seconds
    count = len(envelope.peak_volts) // group
    if count < 8:
        raise GainkitError(f"{file}: too short for a {plan.kind}.", "Record the whole track.")
    peak = envelope.peak_volts[: count * group].reshape(count, group).mean(axis=1)
    levels = 20 * np.log10(np.maximum(peak, 1e-15))
    span = max(plan.levels_dbfs) - min(plan.levels_dbfs)
    threshold = float(_top(levels)) - span - SILENCE_DB
    levels = np.maximum(levels, threshold)
    silent = levels <= threshold
    first, last = plan.stretches[0].start_seconds, plan.stretches[-1].stop_seconds
    total = last - first
    candidates = np.arange(-round(0.9 * total / hop), count - round(0.1 * total / hop))
    if not len(candidates):
        candidates = np.arange(count)
    cost = _cost(levels - threshold, silent, plan, candidates, hop)
    best = int(np.argmin(cost))
    start = float(candidates[best]) * hop - first
    loud_before = float(candidates[best]) < 1 and not silent[: max(3, round(0.1 / hop))].any()
    loud_after = float(candidates[best]) + total / hop > count - 1 and not silent[-3:].any()
    inside = (float(candidates[best]) > -1.5) and float(candidates[best]) + total / hop < count + 1.5
    if loud_before and loud_after and not inside:
        raise GainkitError(
            f"{file}: neither the beginning nor the end of the {plan.kind} is in the recording, so its levels "
            "cannot be told.",
            "Start the recorder before the track and stop it after.",
        )
    return start


def _top(levels: Floats) -> float:
    """The highest level that lasts: single clicks do not count [dB]."""
    if len(levels) < 16:
        return float(levels.max())
    return float(np.partition(levels, -6)[-6])


def _cost(
    above: Floats, silent: NDArray[np.bool_], plan: LevelPlan, candidates: NDArray[np.int64], hop: float
) -> Floats:
    """Cost of each candidate start [dB^2]; above : (hops,) level above the silence threshold [dB]."""
    count = len(above)

    def summed(values: Floats) -> Floats:
        return np.concatenate([[0.0], np.cumsum(values)])

    ones, squares, quiet = summed(above), summed(above**2), summed(silent.astype(float))
    outside = summed(np.minimum(above**2, LOUD_OUTSIDE))
    origin = plan.stretches[0].start_seconds
    cost = np.full(len(candidates), outside[-1])
    for stretch in plan.stretches:
        begin = candidates + (stretch.start_seconds - origin) / hop
        end = candidates + (stretch.stop_seconds - origin) / hop
        # partial hops at both ends belong to no step
        low = np.clip(np.ceil(begin + 1), 0, count).astype(np.int64)
        high = np.maximum(np.clip(np.floor(end - 1), 0, count).astype(np.int64), low)
        wide_low = np.clip(np.round(begin), 0, count).astype(np.int64)
        wide_high = np.maximum(np.clip(np.round(end), 0, count).astype(np.int64), wide_low)
        number = np.maximum(high - low, 1)
        if stretch.level_dbfs == stretch.stop_level_dbfs:
            total = ones[high] - ones[low]
            cost += np.maximum(squares[high] - squares[low] - total**2 / number, 0.0)
        cost += SILENT_INSIDE * (quiet[high] - quiet[low])
        cost -= outside[wide_high] - outside[wide_low]
        cost += NOT_RECORDED * ((end - begin) - (wide_high - wide_low))
    return cost


def _edges(envelope: Envelope, plan: LevelPlan, alignment: Alignment) -> list[Edge]:
    """The places where the level moves, each timed by the area under it.

    With levels m1 before and m2 after, the edge lies at t2 - integral of (a - m1) dt / (m2 - m1): for a
    transition that is symmetric in amplitude this is its middle.
    """
    peak, hop = envelope.peak_volts, envelope.hop_seconds
    stretches = plan.stretches
    times = [stretches[0].start_seconds, *(s.stop_seconds for s in stretches)]
    found = []
    for number, time in enumerate(times):
        reach = min(EDGE_SECONDS, 0.3 * min(s.seconds for s in stretches))
        centre = alignment.recorded(time)
        low, high = round((centre - reach) / hop), round((centre + reach) / hop)
        third = (high - low) // 3
        if low < 0 or high > len(peak) or third < 2:
            continue
        part = peak[low:high]
        before, after = part[:third], part[-third:]
        if plan.glide:  # the ramp itself goes on: its level at the edge is what counts
            m1, m2 = (0.0, float(after[0])) if number == 0 else (float(before[-1]), 0.0)
            scatter = 0.01 * max(m1, m2)
            crossing = _crossing(part, (m1 + m2) / 2)
            middle = low + crossing if crossing is not None else math.nan
        else:
            m1, m2 = float(np.median(before)), float(np.median(after))
            scatter = float(np.std(np.concatenate([before - m1, after - m2]))) + 1e-9 * max(m1, m2)
            middle = high - float(np.sum(part - m1)) / (m2 - m1) if m2 != m1 else math.nan
        if not abs(m2 - m1) > LEAST_CONTRAST * scatter or not low <= middle <= high:
            continue
        deviation = hop * (0.3 + scatter / abs(m2 - m1) * math.sqrt(high - low))
        found.append(Edge(time, middle * hop, deviation))
    return found


def _crossing(part: Floats, half: float) -> float | None:
    """Where an envelope crosses a level, in hops from its first, the hops' middles counting; None if never."""
    above = part >= half
    if above[0] == above[-1]:
        return None
    place = int(np.argmax(above != above[0]))
    left, right = part[place - 1], part[place]
    return place - 0.5 + float((half - left) / (right - left))


def _line_through(edges: list[Edge], alignment: Alignment, clock: float | None) -> Alignment:
    """Start, and clock if it is not known, by weighted least squares through the edges.

    The first and the last edge rise from silence and fall into it through the track's own fades, which shifts
    their middle; they are used only where few others are there.
    """
    inner = edges[1:-1] if len(edges) >= 6 else edges
    times = np.array([edge.track_seconds for edge in inner])
    heard = np.array([edge.recorded_seconds for edge in inner])
    weight = 1 / np.array([edge.deviation_seconds for edge in inner])
    fixed = clock is not None or len(inner) < 4
    rate = alignment.clock
    deviation = None
    if not fixed:
        table = np.stack([np.ones(len(inner)), times], axis=1) * weight[:, None]
        solution = np.linalg.lstsq(table, heard * weight, rcond=None)[0]
        left = heard - solution[0] - solution[1] * times
        spread = max(1.0, float(np.sqrt(np.sum((left * weight) ** 2) / (len(inner) - 2))))
        covariance = np.linalg.inv(table.T @ table)
        deviation = EDGE_CAUTION * spread * float(np.sqrt(covariance[1, 1]))
        rate = float(solution[1])
        if abs(rate - 1) > 1e-3 or abs(rate - 1) < 2 * deviation:
            rate = 1.0
    start = float(np.average(heard - rate * times, weights=weight**2))
    if abs(start - alignment.start_seconds) > 3 * COARSE_SECONDS + 2 * EDGE_SECONDS:
        return alignment
    return Alignment(start, rate, deviation)


def _refuse_other_plan(
    envelope: Envelope, plan: LevelPlan, alignment: Alignment, edges: list[Edge], file: str
) -> None:
    """Raise GainkitError when the recording holds another track than the plan's."""
    if plan.glide:
        _refuse_other_glide(envelope, plan, alignment, file)
        if not edges:
            raise GainkitError(
                f"{file}: no glide was found: neither its beginning nor its end stands out.",
                "Start the recorder before the track and stop it after, or give the track with --index.",
            )
        return
    scatter = []
    for stretch in plan.stretches:
        margin = 0.15 * stretch.seconds
        first = alignment.recorded(stretch.start_seconds + margin) / envelope.hop_seconds
        last = alignment.recorded(stretch.stop_seconds - margin) / envelope.hop_seconds
        if first < 0 or last > len(envelope.peak_volts) or last - first < 2:
            continue
        part = envelope.peak_volts[math.ceil(first) : math.floor(last)]
        scatter.append(float(np.std(20 * np.log10(np.maximum(part, 1e-15)))))
    if len(scatter) < 2 or float(np.median(scatter)) > UNEVEN_DB:
        raise GainkitError(
            f"{file}: no staircase was found: no {len(plan.stretches)} even steps of "
            f"{plan.stretches[0].seconds:g} s follow each other.",
            "Check --from-dbfs, --to-dbfs, --step-db and --dwell-seconds, or give the track with --index.",
        )


def _refuse_other_glide(envelope: Envelope, plan: LevelPlan, alignment: Alignment, file: str) -> None:
    """Raise GainkitError when the level does not move at the glide's pace in its quieter half."""
    ramp = plan.stretches[0]
    rising = ramp.stop_level_dbfs > ramp.level_dbfs
    low, high = (0.05, 0.5) if rising else (0.5, 0.95)
    first, last = (
        round(alignment.recorded(ramp.start_seconds + share * ramp.seconds) / envelope.hop_seconds)
        for share in (low, high)
    )
    part = envelope.peak_volts[max(first, 0) : max(last, 0)]
    planned = (ramp.stop_level_dbfs - ramp.level_dbfs) / ramp.seconds
    slope = math.nan
    if len(part) > 8:
        levels = 20 * np.log10(np.maximum(part, 1e-15))
        slope = float(np.polyfit(np.arange(len(part)) * envelope.hop_seconds, levels, 1)[0])
    if not abs(slope / planned - 1) < SLOPE_TOLERANCE:
        heard = "no even glide was found" if math.isnan(slope) else f"the level moves by {slope:.3g} dB/s"
        raise GainkitError(
            f"{file}: {heard}, the plan by {planned:.3g} dB/s.",
            "Check --from-dbfs, --to-dbfs and --glide-seconds, or give the track with --index.",
        )
