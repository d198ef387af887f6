"""`onset`: from a recording of a staircase or a glide to the level at which the chain begins to clip."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gainkit.analysis.model import MeasureOptions, State
from gainkit.analysis.rails import RailFit
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.levels import db_from_ratio, ratio_from_db
from gainkit.onset.align import CLOCK_TOLERANCE, Alignment, align, by_markers
from gainkit.onset.envelope import Envelope, Wiring, follow, loudest_tone
from gainkit.onset.knee import Crossing, crossing
from gainkit.onset.plan import LevelPlan, Stretch, own_track
from gainkit.onset.steps import FLOOR_FACTOR, Asked, Judged, judge_steps, windows

OTHER_TRACK = 2e-3
"""A tone this far off the track's frequency is another track or another sample rate [-]."""

MOVE_TOLERANCE = 0.2
LEAST_PAIRS = 3
"""Clean steps that move by so much other than planned are another track's, from so many pairs on [-]."""

HALF_A_STEP = 0.5
"""Share of a step by which the level may move within one, a loudness control's slow rise or the like [-]."""

STILL_DB = 0.02
LEAST_SPAN_DB = 3.0
"""Steps that span so much and whose volts move by less than that are a steady tone's: even a square wave's rms
still grows with its drive [dB]."""

CLOCK_NAMED_PPM = 20.0
SMALL_SIGNAL_DB = 3.0


@dataclass(frozen=True)
class StepResult:
    """One step of the staircase, or one window of the glide.

    gain_db : 20 log10(rms_volts / (source_volts x 10^(level_dbfs/20))) [dB]: the amplifier's own gain when
    source_volts was given, else the output in dBV for a 0 dBFS tone; None without calibration. thd_percent,
    state : None when the step was not judged.
    """

    level_dbfs: float
    rms_volts: float | None
    thd_percent: float | None
    thd_floor_percent: float | None
    gain_db: float | None
    state: State | None


@dataclass(frozen=True)
class OnsetResult:
    """The answer. onset_dbfs, onset_volts : tone level and rms output at which THD reaches the limit.

    small_signal_gain_db : median gain_db of the clean steps at least 3 dB below the onset [dB]. rail_volts :
    the rail that is met first, at the onset [V peak].
    """

    found: bool
    limit_thd_percent: float
    onset_dbfs: float | None
    onset_volts: float | None
    small_signal_gain_db: float | None
    rail_volts: float | None
    steps: tuple[StepResult, ...]
    notes: tuple[str, ...]


def onset(
    capture: Capture, plan: LevelPlan, options: MeasureOptions | None = None, *, source_volts: float = 1.0
) -> OnsetResult:
    """Find where THD reaches the limit in a recording of a staircase or a glide.

    plan : what was played. options : channel, minus, band and limit as for ``measure``. source_volts : rms that
    the source puts out for 0 dBFS [V], for the gain only. Raises GainkitError when the recording does not hold
    the plan or options are out of range.
    """
    asked = options or MeasureOptions()
    if not 0 < source_volts < math.inf:
        raise GainkitError(f"--source-volts is {source_volts:g} V.", "Give a figure above 0 V.")
    wiring = Wiring(asked.channel, asked.minus)
    frequency, clock = _tone(capture, plan, wiring, asked.band_hz)
    envelope = follow(capture, wiring, frequency)
    if plan.frequency_hz is None and not plan.markers:
        own = own_track(plan, frequency)
        plan = own if own is not None and by_markers(envelope, own, clock) is not None else plan
    alignment = align(envelope, plan, capture.file, clock)
    _refuse_glide(envelope, windows(plan, frequency), alignment, capture.file)
    low_hz, high_hz = asked.band_hz
    band_hz = low_hz, high_hz * (1 + CLOCK_TOLERANCE)  # no harmonic falls out of the band by the clock alone
    judged = judge_steps(capture, plan, alignment, Asked(wiring, band_hz, asked.limit_thd_percent, frequency))
    usable = sorted((step for step in judged if step.judged), key=lambda step: step.level_dbfs)
    if not usable:
        raise GainkitError(
            f"{capture.file}: no step could be judged: {judged[0].reason}.",
            "Record the whole track again at a lower recording level.",
        )
    _refuse_other_steps(usable, asked.limit_thd_percent, capture.file)
    found = crossing(usable, asked.limit_thd_percent)
    steps = tuple(_step_result(step, capture.calibrated, source_volts) for step in judged)
    return OnsetResult(
        found=found is not None,
        limit_thd_percent=asked.limit_thd_percent,
        onset_dbfs=None if found is None else found.level_dbfs,
        onset_volts=None if found is None else found.rms_volts,
        small_signal_gain_db=_small_signal_gain(steps, found),
        rail_volts=_rail(usable, found),
        steps=steps,
        notes=(
            *capture.notes,
            *_notes(judged, usable, found, asked.limit_thd_percent),
            *_clock(plan, alignment, usable),
        ),
    )


def _tone(
    capture: Capture, plan: LevelPlan, wiring: Wiring, band_hz: tuple[float, float]
) -> tuple[float, float | None]:
    """The tone's frequency in the recording [Hz], and recorded per true second where the plan tells it [-]."""
    heard = loudest_tone(capture, wiring, band_hz)
    if plan.frequency_hz is None:
        return heard, None
    ratio = heard / plan.frequency_hz
    if abs(ratio - 1) > OTHER_TRACK:
        raise GainkitError(
            f"{capture.file}: the tone in it is {heard:.5g} Hz, that of the track {plan.frequency_hz:.5g} Hz.",
            "Check --track, and the sample rate that the recorder wrote into the file.",
        )
    return heard, 1 / ratio


def _refuse_glide(envelope: Envelope, steps: Sequence[Stretch], alignment: Alignment, file: str) -> None:
    """Raise GainkitError when the level moves within a staircase's steps as it does between them: a glide's.

    steps : the plan's windows; those of a glide move by themselves and are passed over. The quieter half tells,
    which no rail holds still.
    """
    still = sorted((s for s in steps if s.level_dbfs == s.stop_level_dbfs), key=lambda s: s.level_dbfs)
    quiet = still[: max(len(still) // 2, LEAST_PAIRS)]
    if len(quiet) < LEAST_PAIRS:
        return
    drifts = []
    for step in quiet:
        begin, end = alignment.recorded(step.start_seconds), alignment.recorded(step.stop_seconds)
        third = (end - begin) / 3
        first, last = envelope.mean(begin, begin + third), envelope.mean(end - third, end)
        if first > 0 and last > 0:
            drifts.append(db_from_ratio(last / first) * 1.5)  # from the thirds' middles to the ends
    moves = [upper.level_dbfs - lower.level_dbfs for lower, upper in itertools.pairwise(quiet)]
    if drifts and abs(float(np.median(drifts))) > HALF_A_STEP * abs(float(np.median(moves))):
        raise GainkitError(
            f"{file}: the level moves within the steps, by {np.median(drifts):.2f} dB each: this is a glide.",
            "Give --glide-seconds, or the track with --index.",
        )


def _refuse_other_steps(usable: Sequence[Judged], limit: float, file: str) -> None:
    """Raise GainkitError when clean steps move by other than the plan, or none moves: it is another track's."""
    volts = [step.rms_volts for step in usable if step.rms_volts]
    span_db = usable[-1].level_dbfs - usable[0].level_dbfs
    if (
        len(volts) > LEAST_PAIRS
        and span_db > LEAST_SPAN_DB
        and db_from_ratio(max(volts) / min(volts)) < STILL_DB
    ):
        raise GainkitError(
            f"{file}: the level does not move where the track's rises by {span_db:.3g} dB.",
            "This is a steady tone, not the staircase or glide: record that track ('gainkit measure' reads "
            "steady tones).",
        )
    pairs = [
        (lower, upper)
        for lower, upper in itertools.pairwise(usable)
        if all(step.state == "clean" and step.thd_percent < limit for step in (lower, upper))
    ]
    moves = [db_from_ratio(upper.fundamental_volts / lower.fundamental_volts) for lower, upper in pairs]
    planned = [upper.level_dbfs - lower.level_dbfs for lower, upper in pairs]
    if len(pairs) < LEAST_PAIRS:
        return
    ratio = float(np.median(np.array(moves) / np.array(planned)))
    if abs(ratio - 1) > MOVE_TOLERANCE:
        raise GainkitError(
            f"{file}: clean steps move by {np.median(moves):.2f} dB, the plan by {np.median(planned):.3g} dB.",
            "Check --step-db and --dwell-seconds, or give the track with --index; switch off any loudness or "
            "compressor in the source.",
        )


def _step_result(step: Judged, calibrated: bool, source_volts: float) -> StepResult:
    gain = None
    if calibrated and step.judged and step.rms_volts:
        gain = db_from_ratio(step.rms_volts / source_volts) - step.level_dbfs
    return StepResult(
        level_dbfs=step.level_dbfs,
        rms_volts=step.rms_volts,
        thd_percent=step.thd_percent if step.judged else None,
        thd_floor_percent=step.thd_floor_percent if step.judged else None,
        gain_db=gain,
        state=step.state,
    )


def _small_signal_gain(steps: Sequence[StepResult], found: Crossing | None) -> float | None:
    top = math.inf if found is None else found.level_dbfs - SMALL_SIGNAL_DB
    gains = [s.gain_db for s in steps if s.gain_db is not None and s.state == "clean" and s.level_dbfs <= top]
    return float(np.median(gains)) if gains else None


def _rail(usable: Sequence[Judged], found: Crossing | None) -> float | None:
    """The rail that is met first [V peak], at the onset; without one, at the loudest step that shows it."""
    if found is not None:
        rails = found.at.rails if found.by_shape else None
        return None if rails is None else nearer_rail(rails) * ratio_from_db(found.rail_up_db)
    shown = [step.rails for step in usable if step.state in {"at-onset", "clipped"} and step.rails is not None]
    return nearer_rail(shown[-1]) if shown else None


def nearer_rail(rails: RailFit) -> float:
    """The rail that the wave meets first, from the sine's own centre [V peak]."""
    return float(min(rails.rail_volts(0), rails.rail_volts(1)))


def _notes(
    judged: Sequence[Judged], usable: Sequence[Judged], found: Crossing | None, limit: float
) -> list[str]:
    """What a person should know beside the figures."""
    notes = []
    floor = [step for step in usable if step.below_floor]
    if floor:
        worst = FLOOR_FACTOR * max(step.thd_floor_percent for step in floor)
        notes.append(
            f"{_levels(floor)}: THD is below what this recording resolves (up to {worst:.2g} % there)."
        )
    for reason in dict.fromkeys(step.reason for step in judged if step.reason is not None):
        notes.append(f"{_levels([step for step in judged if step.reason == reason])} not judged: {reason}.")
    overload = [step for step in judged if step.reason is not None and "overloaded" in step.reason]
    if overload:
        notes.append("Turn the recorder's input down or use a pad, and record again.")
    if found is None:
        notes.append(_never(judged, usable, limit))
    elif found.extrapolated:
        notes.append(
            f"Every step is already beyond the limit: the onset lies below {usable[0].level_dbfs:g} dBFS and "
            "was followed down along the fitted rails. Play a staircase that starts lower."
        )
    elif not found.by_shape:
        notes.append("THD passes the limit, but its shape is not that of a rail: look for another cause.")
    else:
        low = [s for s in usable if s.level_dbfs < found.level_dbfs and s.thd_percent >= limit]
        if low:
            notes.append(
                f"{_levels(low)}: THD is above the limit well below the rail: noise or crossover distortion, "
                "not clipping."
            )
    notes += dict.fromkeys(f"{step.level_dbfs:g} dBFS: {remark}" for step in usable for remark in step.remarks)
    return notes


def _never(judged: Sequence[Judged], usable: Sequence[Judged], limit: float) -> str:
    loudest = usable[-1]
    if any(step.reason is not None and step.level_dbfs > loudest.level_dbfs for step in judged):
        return (
            f"THD stays below {limit:g} % up to {loudest.level_dbfs:g} dBFS; the louder steps could not be "
            "judged, so the onset is not known."
        )
    if loudest.thd_percent >= limit:
        return f"THD is above {limit:g} % at every level and shows no rail: no clipping; look for its cause."
    return (
        f"THD stays below {limit:g} % up to {loudest.level_dbfs:g} dBFS: the chain does not clip on this track."
    )


def _levels(steps: Sequence[Judged]) -> str:
    """Levels for a person: one, or from where to where."""
    levels = sorted(step.level_dbfs for step in steps)
    if len(levels) == 1:
        return f"{levels[0]:g} dBFS"
    return f"{len(levels)} steps from {levels[0]:.4g} to {levels[-1]:.4g} dBFS"


def _clock(plan: LevelPlan, alignment: Alignment, usable: Sequence[Judged]) -> list[str]:
    """The recorder's clock against the track's, when the two differ for certain."""
    if plan.frequency_hz is not None:
        weights = [step.rms_volts or 0.0 for step in usable]
        heard = float(np.average([step.frequency_hz for step in usable], weights=weights))
        ppm, deviation = (plan.frequency_hz / heard - 1) * 1e6, 0.5
    elif alignment.clock_deviation is not None:
        ppm, deviation = (alignment.clock - 1) * 1e6, alignment.clock_deviation * 1e6
    else:
        return []
    if abs(ppm) < max(CLOCK_NAMED_PPM, 3 * deviation):
        return []
    within = f" (within {2 * deviation:.0f} ppm)" if plan.frequency_hz is None else ""
    return [
        f"The recorder's clock runs {abs(ppm):.0f} ppm {'fast' if ppm > 0 else 'slow'} against the "
        f"player's{within}; levels and distortion are not touched by it."
    ]
