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

QUIET_HALF = (0.05, 0.5)
"""A glide's pace is taken over this part of it, counted from its quiet end: no rail holds it there [-]."""

MOVE_TOLERANCE = 0.2
LEAST_PAIRS = 3
"""Clean steps that move by so much other than planned are another track's, from so many pairs on [-]."""

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
    scatter = [
        _scatter_db(part)
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
    pairs = [
        (lower, upper)
        for lower, upper in itertools.pairwise(usable)
        if all(step.state == "clean" and step.thd_percent < limit_thd_percent for step in (lower, upper))
    ]
    if len(pairs) < LEAST_PAIRS:
        return
    moves = [db_from_ratio(upper.fundamental_volts / lower.fundamental_volts) for lower, upper in pairs]
    planned = [upper.level_dbfs - lower.level_dbfs for lower, upper in pairs]
    if abs(float(np.median(np.array(moves) / np.array(planned))) - 1) > MOVE_TOLERANCE:
        raise GainkitError(
            "other_steps", heard_db=float(np.median(moves)), planned_db=float(np.median(planned))
        )


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


def _refuse_other_pace(envelope: Envelope, ramp: LevelRamp, rough: Alignment) -> None:
    rising = ramp.stop_level_dbfs > ramp.level_dbfs
    low, high = QUIET_HALF if rising else (1 - QUIET_HALF[1], 1 - QUIET_HALF[0])
    first, last = (
        round(rough.recorded(ramp.start_seconds + share * ramp.seconds) / envelope.hop_seconds)
        for share in (low, high)
    )
    part = envelope.peak_volts[max(first, 0) : max(last, 0)]
    planned = (ramp.stop_level_dbfs - ramp.level_dbfs) / ramp.seconds
    slope = math.nan
    if len(part) > LEAST_HOPS:
        levels = 20 * np.log10(np.maximum(part, 1e-15))
        slope = float(np.polyfit(np.arange(len(part)) * envelope.hop_seconds, levels, 1)[0])
    if not abs(slope / planned - 1) < SLOPE_TOLERANCE:
        heard = None if math.isnan(slope) else slope
        raise GainkitError("glide_pace", heard_db_per_second=heard, planned_db_per_second=planned)


def _drift_db(step: LevelRamp, envelope: Envelope, alignment: Alignment) -> float | None:
    """By how much the level moves from a step's begin to its end [dB], told by its outer thirds."""
    begin, end = alignment.recorded(step.start_seconds), alignment.recorded(step.stop_seconds)
    third = (end - begin) / 3
    first, last = envelope.mean(begin, begin + third), envelope.mean(end - third, end)
    if not (first > 0 and last > 0):
        return None
    return db_from_ratio(last / first) * 1.5  # from the thirds' middles to the ends
