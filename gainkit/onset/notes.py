"""What a person should know beside an onset's figures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from gainkit.analysis.thresholds import SEEN_OVER_FLOOR
from gainkit.onset.bend import by_bend, first_rail, nearer_rail
from gainkit.onset.gain import GainChange
from gainkit.onset.held import Held
from gainkit.onset.knee import Crossing
from gainkit.onset.plan import Alignment, LevelPlan
from gainkit.onset.silences import Silence
from gainkit.onset.steps import StepFit
from gainkit.onset.throughout import of_another_shape, source_of
from gainkit.remarks import Remark, fault, remark

CLOCK_NAMED_PPM = 20.0
"""Clocks that differ by less are not worth a word [ppm]."""

CLOCK_DEVIATIONS = 3.0
"""... nor where the difference is less than so many of its standard deviations [-]."""

SWALLOWED_THD_PERCENT = 10.0
"""A dead zone that makes so much takes a tone 16 dB softer whole (a sine less a dead zone, summed) [%]."""

TONE_CLOCK_PPM = 0.5
"""Standard deviation of a clock that is told by a tone of known frequency [ppm]."""


HELD_CODES = ("held_by_limiter", "output_held")
"""Codes of remarks on a level that is held by another than a rail that is shown."""


def step_notes(
    fits: Sequence[StepFit],
    usable: Sequence[StepFit],
    crossing: Crossing | None,
    limit_thd_percent: float,
    *,
    unknown: bool = False,
) -> list[Remark]:
    """About the steps and the onset; fits : all, in the track's order. usable : judged, by rising level.
    unknown : the harmonics do not tell whether a rail is met."""
    about = () if unknown and crossing is None else _about_onset(fits, usable, crossing, limit_thd_percent)
    return [
        *_below_floor(usable),
        *_not_judged(fits),
        *about,
        *dict.fromkeys(note for fit in usable for note in fit.remarks),
    ]


def clock_notes(plan: LevelPlan, alignment: Alignment, usable: Sequence[StepFit]) -> list[Remark]:
    """The recorder's clock against the player's, when the two differ for certain."""
    if plan.frequency_hz is not None:
        weights = [fit.rms_volts or 0.0 for fit in usable]
        heard_hz = float(np.average([fit.frequency_hz for fit in usable], weights=weights))
        ppm, deviation = (plan.frequency_hz / heard_hz - 1) * 1e6, TONE_CLOCK_PPM
    elif alignment.clock_deviation is not None:
        ppm, deviation = (alignment.clock - 1) * 1e6, alignment.clock_deviation * 1e6
    else:
        return []
    if abs(ppm) < max(CLOCK_NAMED_PPM, CLOCK_DEVIATIONS * deviation):
        return []
    within_ppm = 2 * deviation if plan.frequency_hz is None else None
    return [remark("recorder_clock", clock_ppm=ppm, within_ppm=within_ppm)]


def silence_notes(
    quiet: Sequence[Silence], plan: LevelPlan, alignment: Alignment, softest: StepFit
) -> list[Remark]:
    """Where the amplifier woke late, fell silent, or was silent for a while; each with its time.

    softest : step that was judged. Where a dead zone takes much of it, that is what takes softer ones whole.
    """
    notes = []
    for each in quiet:
        if each.kind == "wake":
            level = _level_at(each.stop_seconds, plan, alignment)
            if softest.crossover and softest.thd_percent > SWALLOWED_THD_PERCENT:
                notes.append(fault("tone_swallowed", level_dbfs=level))
                continue
            notes.append(fault("woke_late", at_seconds=each.stop_seconds, level_dbfs=level))
        elif each.kind == "fall":
            level = _level_at(each.start_seconds, plan, alignment)
            notes.append(fault("fell_silent", at_seconds=each.start_seconds, level_dbfs=level))
        else:
            levels = {"level_dbfs": _level_at(each.start_seconds, plan, alignment),
                      "stop_level_dbfs": _level_at(each.stop_seconds, plan, alignment)}  # fmt: skip
            times = {"start_seconds": each.start_seconds, "stop_seconds": each.stop_seconds}
            notes.append(fault("silent_between", **times, **levels))
    return notes


def _level_at(recorded_seconds: float, plan: LevelPlan, alignment: Alignment) -> float:
    """Level that the track played at a time of the recording [dBFS]."""
    track = (recorded_seconds - alignment.start_seconds) / alignment.clock
    inside = [step for step in plan.stretches if step.start_seconds <= track] or [plan.stretches[0]]
    return inside[-1].level_at(min(track, inside[-1].stop_seconds))


def gain_notes(turned: GainChange | None) -> list[Remark]:
    """A gain that was turned on the way."""
    if turned is None:
        return []
    values = {
        "change_db": turned.change_db,
        "at_seconds": turned.at_seconds,
        "level_dbfs": turned.level_dbfs,
    }
    return [fault("gain_changed", **values)]


def held_notes(held: Held | None, crossing: Crossing | None, last_free: StepFit | None) -> list[Remark]:
    """What holds the level where the harmonics do not tell it; last_free : step before clean ones are held, as
    their levels tell without a law."""
    if held is None:
        if last_free is None:
            return []
        return [fault("output_held", level_dbfs=last_free.level_dbfs, rms_volts=last_free.rms_volts)]
    where = {"level_dbfs": held.from_dbfs, "rms_volts": held.rms_volts}
    if crossing is not None:
        return [fault("rail_before_filter", **where, within_db=held.within_db)] if crossing.filtered else []
    return [fault("held_by_limiter" if held.law == "limiter" else "output_held", **where)]


def _below_floor(usable: Sequence[StepFit]) -> list[Remark]:
    hidden = [fit for fit in usable if not fit.distortion_seen]
    if not hidden:
        return []
    worst = SEEN_OVER_FLOOR * max(fit.thd_floor_percent for fit in hidden)
    return [remark("steps_below_floor", floor_percent=worst, **_levels(hidden))]


def _not_judged(fits: Sequence[StepFit]) -> list[Remark]:
    """One remark for each reason why steps were not judged."""
    notes = []
    for why in dict.fromkeys(fit.unjudged for fit in fits):
        if why is not None:
            make = fault if why == "recorder-overloaded" else remark
            levels = _levels([fit for fit in fits if fit.unjudged == why])
            notes.append(make("steps_not_judged", why=why, **levels))
    return notes


def _about_onset(
    fits: Sequence[StepFit], usable: Sequence[StepFit], crossing: Crossing | None, limit_thd_percent: float
) -> list[Remark]:
    """What the onset stands on, or why there is none."""
    limit = {"limit_thd_percent": limit_thd_percent}
    if crossing is None:
        return _without_onset(fits, usable, limit_thd_percent)
    if crossing.filtered:
        return _below_rail(usable, crossing, limit_thd_percent)
    if crossing.at_rail:
        return [fault("rail_under_distortion", level_dbfs=crossing.level_dbfs, **limit)]
    if crossing.extrapolated:
        return [remark("onset_below_track", lowest_dbfs=usable[0].level_dbfs)]
    if not crossing.by_shape or by_bend(crossing.at, usable):
        return [
            *_below_rail(usable, crossing, limit_thd_percent),
            *_by_bend(usable, crossing, limit_thd_percent),
        ]
    return _below_rail(usable, crossing, limit_thd_percent)


def _below_rail(usable: Sequence[StepFit], crossing: Crossing, limit_thd_percent: float) -> list[Remark]:
    """About steps below the rail that are over the limit."""
    low = [fit for fit in usable if fit.level_dbfs < crossing.level_dbfs and fit.over(limit_thd_percent)]
    return [fault("distortion_below_rail", **_levels(low), **_kind(low))] if low else []


def _by_bend(usable: Sequence[StepFit], crossing: Crossing, limit_thd_percent: float) -> list[Remark]:
    """That the limit is reached without a rail, by what kind of bend, and where a rail is met after that."""
    harmonics = np.abs(crossing.at.harmonics)
    second, third = (float(harmonics[place]) if len(harmonics) > place else 0.0 for place in (1, 2))
    bend = "even" if second > 2 * third else "odd" if third > 2 * second else "both"
    notes = [fault("onset_not_rail", limit_thd_percent=limit_thd_percent, bend=bend)]
    met = first_rail(usable)
    if met is not None and met.rails is not None and met.level_dbfs > crossing.level_dbfs:
        notes.append(remark("rail_after_bend", level_dbfs=met.level_dbfs, rail_volts=nearer_rail(met.rails)))
    return notes


def _kind(over: Sequence[StepFit]) -> dict[str, Any]:
    """What distorts steps at no rail: their worst THD, and whether most show a dead zone."""
    crossover = 2 * sum(fit.crossover for fit in over) > len(over)
    return {"thd_percent": max(fit.thd_percent for fit in over), "crossover": crossover}


def _without_onset(
    fits: Sequence[StepFit], usable: Sequence[StepFit], limit_thd_percent: float
) -> list[Remark]:
    """Why there is no onset; a level is called clean only where its THD is below the limit."""
    loudest = usable[-1]
    if loudest.thd_percent >= limit_thd_percent:
        return [_distorted_throughout(usable, limit_thd_percent)]
    over = [fit for fit in usable if fit.over(limit_thd_percent)]
    below = [fit.level_dbfs for fit in usable if not over or fit.level_dbfs > over[-1].level_dbfs]
    values = {
        "limit_thd_percent": limit_thd_percent,
        "from_dbfs": below[0] if over else None,
        "up_to_dbfs": loudest.level_dbfs,
    }
    told = (
        [fault("distorted_low", limit_thd_percent=limit_thd_percent, **_levels(over), **_kind(over))]
        if over
        else []
    )
    unknown = any(not fit.judged and fit.level_dbfs > loudest.level_dbfs for fit in fits)
    return [*told, remark("onset_not_known" if unknown else "never_clips", **values)]


def _distorted_throughout(usable: Sequence[StepFit], limit_thd_percent: float) -> Remark:
    """What kind of distortion is over the limit where no onset can be told."""
    source = source_of(usable, limit_thd_percent)
    if source is None:
        kind = _kind([fit for fit in usable if fit.thd_percent >= limit_thd_percent])
        return fault("distortion_without_rail", limit_thd_percent=limit_thd_percent, **kind)
    thd_percent = usable[source.steps - 1].thd_percent
    changed = of_another_shape(usable, source)
    if changed:
        return fault("shape_changes", thd_percent=thd_percent, level_dbfs=changed[0].level_dbfs)
    return fault("distorted_before", thd_percent=thd_percent, up_to_dbfs=usable[-1].level_dbfs)


def _levels(fits: Sequence[StepFit]) -> dict[str, float]:
    """How many steps, and from which level to which."""
    levels = sorted(fit.level_dbfs for fit in fits)
    return {"steps": len(levels), "lowest_dbfs": levels[0], "highest_dbfs": levels[-1]}
