"""What is not the track that was named: each look raises GainkitError, saying what was found instead."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError
from gainkit.levels import db_from_ratio
from gainkit.onset.envelope import Envelope
from gainkit.onset.plan import Alignment, LevelPlan, LevelRamp
from gainkit.onset.silences import Silence, longest_sounding, silences
from gainkit.onset.steps import StepFit

UNEVEN_DB = 0.6
"""Steps that scatter more than this around their own level are none [dB]: noise 20 dB below scatters so."""

STEP_MARGIN = 0.15
"""A step's evenness is looked at without this share at either end: fades [-]."""

SLOPE_TOLERANCE = 0.05
"""A glide that rises by so much other than planned is another track's [-]."""

QUIET_SECONDS, QUIET_HALF = 0.2, 0.5
"""A glide's pace is taken from so long after its quiet end [s], where fades are over, up to its half [-] ..."""

HELD_DB = 3.0
"""... or, where a rail comes before that, up to so far under the loudest that is heard [dB]: the fundamental
of a sine grows by 2.1 dB beyond a hard rail and no more (4 / pi, closed form)."""

HELD_SPAN_DB = 0.4
"""A glide of which less lies under its rail tells no pace [dB]."""

KNEE_SHARES = (1.0, 0.5, 0.25, 0.125)
"""A pace that is another one over all of that may still be right over these parts of its quiet end, where a
soft knee bends less [-]."""

MOST_HUM_TOLERANCE = 0.35
"""Hum beside the tone excuses no more than this of a pace [-]."""

BESIDE_PERCENTILE = 20
"""What is heard beside the track is noise and hum at this percentile of it; markers are louder [%]."""

MOVE_TOLERANCE = 0.2
LEAST_PAIRS = 3
"""Clean steps that move by so much other than planned are another track's, from so many pairs on [-]."""

LEAST_MOVE_DB = 1.0
"""Steps that are compared lie so far apart [dB]: a glide's windows are nearer, and hum moves each of them."""

HALF_A_STEP = 0.5
"""Share of a step by which the level may move within one, a loudness control's slow rise or the like [-]."""

STILL_DB = 0.02
LEAST_SPAN_DB = 3.0
"""Steps that span so much and whose volts move by less than that are a steady tone's: even a square wave's rms
still grows with its drive [dB]."""

LEAST_HOPS = 8
"""Fewer hops tell no pace [hops]."""


def refuse_other_plan(envelope: Envelope, plan: LevelPlan, rough: Alignment) -> None:
    """Raise GainkitError (`no_staircase`, `glide_pace`) where the level does not go as planned."""
    if plan.glide:
        _refuse_other_pace(envelope, plan.stretches[0], rough)
        return
    quiet = silences(envelope, plan, rough)
    beside = _beside_volts(envelope, plan, rough)
    scatter = [
        _scatter_db(part) - _hum_db(beside, part)
        for stretch in plan.stretches
        if len(part := _middle_of(stretch, envelope, rough, quiet))
    ]
    if len(scatter) < 2 or float(np.median(scatter)) > UNEVEN_DB:
        raise GainkitError("no_staircase", steps=len(plan.stretches), seconds=plan.stretches[0].seconds)


def refuse_moving_steps(
    envelope: Envelope, steps: Sequence[LevelRamp], alignment: Alignment, quiet: tuple[Silence, ...]
) -> None:
    """Raise GainkitError (`glide_not_staircase`) when the level moves within a staircase's steps as it does
    between them.

    steps : the plan's windows; those of a glide move by themselves and are passed over. The quieter half tells,
    which no rail holds still. quiet : where nothing sounds; steps there are passed over too.
    """
    still = sorted((s for s in steps if s.still and _sounds(s, alignment, quiet)), key=lambda s: s.level_dbfs)
    lower_half = still[: max(len(still) // 2, LEAST_PAIRS)]
    if len(lower_half) < LEAST_PAIRS:
        return
    drifts = [drift for step in lower_half if (drift := _drift_db(step, envelope, alignment)) is not None]
    moves = [upper.level_dbfs - lower.level_dbfs for lower, upper in itertools.pairwise(lower_half)]
    if drifts and abs(float(np.median(drifts))) > HALF_A_STEP * abs(float(np.median(moves))):
        raise GainkitError("glide_not_staircase", drift_db=float(np.median(drifts)))


def refuse_other_steps(usable: Sequence[StepFit], limit_thd_percent: float) -> None:
    """Raise GainkitError when no step moves (`steady_not_levels`), or when clean ones move by other than the
    plan (`other_steps`); usable : judged, by rising level."""
    volts = [step.rms_volts for step in usable if step.rms_volts]
    span_db = usable[-1].level_dbfs - usable[0].level_dbfs
    if (
        len(volts) > LEAST_PAIRS
        and span_db > LEAST_SPAN_DB
        and db_from_ratio(max(volts) / min(volts)) < STILL_DB
    ):
        raise GainkitError("steady_not_levels", span_db=span_db)
    pairs = _apart([step for step in usable if step.state == "clean" and step.thd_percent < limit_thd_percent])
    if len(pairs) < LEAST_PAIRS:
        return
    moves = [db_from_ratio(upper.fundamental_volts / lower.fundamental_volts) for lower, upper in pairs]
    planned = [upper.level_dbfs - lower.level_dbfs for lower, upper in pairs]
    if abs(float(np.median(np.array(moves) / np.array(planned))) - 1) > MOVE_TOLERANCE:
        raise GainkitError(
            "other_steps", heard_db=float(np.median(moves)), planned_db=float(np.median(planned))
        )


def _apart(steps: Sequence[StepFit]) -> list[tuple[StepFit, StepFit]]:
    """Each step with the next that lies far enough above it; steps : by rising level."""
    pairs = []
    for place, lower in enumerate(steps):
        above = (
            step for step in steps[place + 1 :] if step.level_dbfs > lower.level_dbfs + LEAST_MOVE_DB - 1e-6
        )
        if (upper := next(above, None)) is not None:
            pairs.append((lower, upper))
    return pairs


def _sounds(step: LevelRamp, place: Alignment, quiet: tuple[Silence, ...]) -> bool:
    """Whether no silence touches a step."""
    start, stop = place.recorded(step.start_seconds), place.recorded(step.stop_seconds)
    return longest_sounding(start, stop, quiet) == (start, stop)


def _middle_of(
    stretch: LevelRamp, envelope: Envelope, rough: Alignment, quiet: tuple[Silence, ...]
) -> NDArray[np.float64]:
    """The envelope within a step, (hops,) [V]; none where it is not wholly recorded, silent, or too short."""
    if not _sounds(stretch, rough, quiet):
        return np.empty(0)
    margin = STEP_MARGIN * stretch.seconds
    first = rough.recorded(stretch.start_seconds + margin) / envelope.hop_seconds
    last = rough.recorded(stretch.stop_seconds - margin) / envelope.hop_seconds
    if first < 0 or last > len(envelope.peak_volts) or last - first < 2:
        return np.empty(0)
    return envelope.peak_volts[math.ceil(first) : math.floor(last)]


def _scatter_db(part: NDArray[np.float64]) -> float:
    return float(np.std(20 * np.log10(np.maximum(part, 1e-15))))


def _beside_volts(envelope: Envelope, plan: LevelPlan, rough: Alignment) -> float:
    """Hum and noise at the tone's frequency beside the track [V peak]; 0 where nothing of that is recorded."""
    first = max(math.floor(rough.recorded(plan.stretches[0].start_seconds) / envelope.hop_seconds), 0)
    last = max(math.ceil(rough.recorded(plan.stretches[-1].stop_seconds) / envelope.hop_seconds), 0)
    beside = np.concatenate([envelope.peak_volts[:first], envelope.peak_volts[last:]])
    return float(np.percentile(beside, BESIDE_PERCENTILE)) if len(beside) >= LEAST_HOPS else 0.0


def _hum_db(beside_volts: float, part: NDArray[np.float64]) -> float:
    """By how much what is heard beside the track may move a part of it [dB]."""
    return 20 * math.log10(1 + beside_volts / max(float(np.median(part)), 1e-15))


def _refuse_other_pace(envelope: Envelope, ramp: LevelRamp, rough: Alignment) -> None:
    """Raise GainkitError (`glide_held`, `glide_pace`) where a glide's quiet end does not rise as planned."""
    levels = _from_quiet_end(envelope, ramp, rough)
    planned = (ramp.stop_level_dbfs - ramp.level_dbfs) / ramp.seconds
    if len(levels) <= LEAST_HOPS:
        raise GainkitError("glide_pace", heard_db_per_second=None, planned_db_per_second=planned)
    half = round(QUIET_HALF * ramp.seconds * rough.clock / envelope.hop_seconds)
    held = levels > float(np.percentile(levels, 98)) - HELD_DB
    free = int(np.argmax(held)) if held.any() else len(levels)
    part = levels[: min(free, half)]
    rise = abs(planned) * len(part) * envelope.hop_seconds
    if len(part) <= LEAST_HOPS or rise < HELD_SPAN_DB:
        raise GainkitError("glide_held", lowest_dbfs=min(ramp.level_dbfs, ramp.stop_level_dbfs))
    beside = _beside_volts(envelope, LevelPlan((ramp,)), rough)
    low = 10 ** (float(np.median(part[: max(len(part) // 8, LEAST_HOPS)])) / 20)
    slopes = []
    for share in KNEE_SHARES:
        quiet = part[: max(round(share * len(part)), LEAST_HOPS)]
        slopes.append(float(np.polyfit(np.arange(len(quiet)) * envelope.hop_seconds, quiet, 1)[0]))
        excused = min(20 * math.log10(1 + beside / low) / (share * rise), MOST_HUM_TOLERANCE)
        if abs(slopes[-1] / abs(planned) - 1) < SLOPE_TOLERANCE + excused:
            return
    heard = slopes[0] if planned > 0 else -slopes[0]
    raise GainkitError("glide_pace", heard_db_per_second=heard, planned_db_per_second=planned)


def _from_quiet_end(envelope: Envelope, ramp: LevelRamp, rough: Alignment) -> NDArray[np.float64]:
    """Levels along a glide from its quiet end on, as far as they are recorded, (hops,) [dB]."""
    rising = ramp.stop_level_dbfs > ramp.level_dbfs
    start, stop = rough.recorded(ramp.start_seconds), rough.recorded(ramp.stop_seconds)
    late = min(QUIET_SECONDS, 0.05 * (stop - start))
    start, stop = (start + late, stop) if rising else (start, stop - late)
    first, last = (max(round(at / envelope.hop_seconds), 0) for at in (start, stop))
    levels = 20 * np.log10(np.maximum(envelope.peak_volts[first:last], 1e-15))
    return levels if rising else levels[::-1]


def _drift_db(step: LevelRamp, envelope: Envelope, alignment: Alignment) -> float | None:
    """By how much the level moves from a step's begin to its end [dB], told by its outer thirds."""
    begin, end = alignment.recorded(step.start_seconds), alignment.recorded(step.stop_seconds)
    third = (end - begin) / 3
    first, last = envelope.mean(begin, begin + third), envelope.mean(end - third, end)
    if not (first > 0 and last > 0):
        return None
    return db_from_ratio(last / first) * 1.5  # from the thirds' middles to the ends
