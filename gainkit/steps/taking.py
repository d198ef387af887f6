"""From a capture or a typed figure to a reading, and what that reading would say, before it is written.

The judgement is the record's own (`job.judgements`): what is shown before 'keep' is what stands after it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from gainkit.advice import what_to_turn
from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.analysis.clean import waveform_state
from gainkit.beside import beside_plan
from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.generator.kinds import build
from gainkit.job.judgements import checks_of, judge, level_of
from gainkit.job.log import log_reading
from gainkit.job.opening import OpenJob
from gainkit.job.readings import FIRST_VISIT, Reading
from gainkit.job.record import Event, Origin, PlanFigures
from gainkit.job.typed import TypedLevel, TypedPolarity
from gainkit.matching import MatchResult, match_levels
from gainkit.noise import OUTSIDE, NoiseResult, find_noise
from gainkit.onset import OnsetResult, find_onset, staircase
from gainkit.polarity import PolarityResult, find_polarity
from gainkit.remarks import Remark, Sentence, gravest_first
from gainkit.response import Response, find_response, from_track
from gainkit.routing import RoutingResult, check_routing
from gainkit.steps.model import TONE_RATE_HZ, Step, tone_spec
from gainkit.volume import VolumeResult, find_clean_volume


@dataclass(frozen=True)
class Taken:
    """A reading that is not in the record yet.

    kind : of the record's line. outputs : full names. result : what it read. captures : files it came from,
    at the places where the record shall name them.
    """

    kind: str
    outputs: tuple[str, ...]
    result: Any
    origin: Origin = "capture"
    captures: tuple[Path, ...] = ()


@dataclass(frozen=True)
class Finding:
    """What a reading says at its step.

    large : the one thing to know or to do. direction : which way to turn, None where nothing is to be turned.
    error_db : how far the level stands from its target, positive too loud [dB]; None where it does not tell.
    figures : what supports it. faults : what the record would hold against the output. remarks : these and what
    else is to be known, gravest first.
    """

    large: Sentence
    direction: str | None
    error_db: float | None
    figures: tuple[Sentence, ...]
    faults: tuple[Remark, ...]
    remarks: tuple[Remark, ...]


# ---- from captures and typed figures -----------------------------------------------------------------------


def take(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str] = ()) -> Taken:
    """Read captures as their step asks. labels : the volume position, or the output, of each.

    Raises GainkitError for a step that takes no capture and whatever its analysis raises.
    """
    reader = _READERS.get(step.kind)
    if reader is None or not captures:
        raise GainkitError("step_takes_no_capture", "step", step.key)
    return reader(step, job, captures, labels)


def take_typed(step: Step, typed: TypedLevel | TypedPolarity) -> Taken:
    """What a person read from a meter or told by ear at a step."""
    if step.output is None:
        raise GainkitError("step_takes_no_capture", "step", step.key)
    kind = "level" if isinstance(typed, TypedLevel) else "polarity-typed"
    return Taken(kind, (step.output,), typed, "typed")


def measure_options(step: Step, job: OpenJob, channels: int) -> MeasureOptions:
    """How a step's output is measured: both leads of a floating output, where there are two channels.

    No watts: the loudspeakers are unplugged.
    """
    if step.output is None:
        return MeasureOptions(limit_thd_percent=job.system.checks.limit_thd_percent)
    output = job.system.output(step.output)
    plan = job.plan.channel(output.channel)
    floating = (plan.bridged or plan.built_in) and channels > 1
    return MeasureOptions(
        minus=2 if floating else None,
        target_volts=plan.set_volts,
        limit_thd_percent=job.system.checks.limit_thd_percent,
    )


def measure_here(step: Step, job: OpenJob, capture: Capture) -> Measurement:
    """One tone at a step's output, beside its plan."""
    measurement = measure(capture, measure_options(step, job, capture.channels))
    if step.output is None:
        return measurement
    return beside_plan(measurement, job.plan.channel(job.system.output(step.output).channel))


def _gain(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    return Taken("measure", (step.output or "",), measure_here(step, job, captures[-1]))


def _onset(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    options = measure_options(step, job, captures[-1].channels)
    return Taken("onset", (step.output or "",), find_onset(captures[-1], staircase(), options))


def _polarity(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    return Taken("polarity", (step.output or "",), find_polarity(captures[-1]))


def _routing(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    return Taken("routing", (), check_routing(captures[-1]))


def _volume(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    limit = job.system.checks.limit_thd_percent
    tones = [measure(each, MeasureOptions(limit_thd_percent=limit)) for each in captures]
    return Taken(
        "volume", (), find_clean_volume(list(zip(labels, tones, strict=True)), limit_thd_percent=limit)
    )


def _match(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    return Taken("match", tuple(labels), match_levels(list(captures)))


def _noise(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    plan = job.plan.channel(job.system.output(step.output or "").channel)
    minus = measure_options(step, job, captures[-1].channels).minus
    noise = find_noise(captures[-1], target_volts=plan.target_volts, minus=minus)
    return Taken("noise", (step.output or "",), noise)


def _response(step: Step, job: OpenJob, captures: Sequence[Capture], labels: Sequence[str]) -> Taken:
    """Against the sweep that the step itself plays."""
    if step.tone is None:
        raise GainkitError("step_takes_no_capture", "step", step.key)
    played = build(tone_spec(step.tone), TONE_RATE_HZ)
    sweep = from_track({"steps": [asdict(each) for each in played.steps]}, TONE_RATE_HZ)
    minus = measure_options(step, job, captures[-1].channels).minus
    return Taken("response", (step.output or "",), find_response(captures[-1], sweep, minus=minus))


_READERS: dict[str, Callable[[Step, OpenJob, Sequence[Capture], Sequence[str]], Taken]] = {
    "gain": _gain,
    "onset": _onset,
    "polarity": _polarity,
    "routing": _routing,
    "volume": _volume,
    "match": _match,
    "noise": _noise,
    "response": _response,
}


# ---- what it says, and writing it --------------------------------------------------------------------------


def look_at(step: Step, job: OpenJob, taken: Taken) -> Finding:
    """What a reading would say at its step, by the record's own judgement."""
    reading = _as_reading(job, taken)
    error_db = _error_db(reading)
    mine = gravest_first(_faults(job, reading))
    large, direction = _large(taken, error_db, mine, reading)
    notes = (*getattr(taken.result, "problems", ()), *getattr(taken.result, "notes", ()))
    told = {each.code for each in mine}
    rest = [each for each in notes if each.code not in told]
    return Finding(
        large=large,
        direction=direction,
        error_db=error_db,
        figures=figures_of(taken.result, taken.outputs),
        faults=mine,
        remarks=gravest_first([*mine, *rest]),
    )


def keep(job: OpenJob, taken: Taken, who: str | None = None) -> Event:
    """Write a reading to the record."""
    return log_reading(
        job.folder, taken.kind, list(taken.outputs), taken.result, taken.captures, origin=taken.origin, who=who
    )


def _as_reading(job: OpenJob, taken: Taken) -> Reading:
    """The reading that the record would hold after `keep`."""
    last = job.readings[-1] if job.readings else None
    plan: PlanFigures | None = job.figures(job.system.output(taken.outputs[0])) if taken.outputs else None
    return Reading(
        number=last.number + 1 if last else 1, when="", kind=taken.kind, outputs=taken.outputs, who=None,
        origin=taken.origin, captures=(), plan=plan, result=taken.result,
        visit=last.visit if last else FIRST_VISIT,
    )  # fmt: skip


def _faults(job: OpenJob, reading: Reading) -> Iterator[Remark]:
    """What the record would hold against each output of a new reading."""
    for name in reading.outputs:
        output = job.system.output(name)
        now, plan = job.figures(output), job.plan.channel(output.channel)
        for _, judged in judge(reading, output.name, now, plan, stale=False):
            yield from judged


def _error_db(reading: Reading) -> float | None:
    if reading.plan is None:
        return None
    level = level_of(reading, reading.plan, False)
    return None if level is None else level.error_db


FIRST_OF_ALL = (
    "dc_at_output", "recorder_overloaded", "no_steady_tone_recorded", "other_tone", "not_calibrated",
    "other_volume",
)  # fmt: skip
"""Faults before which no turning is told."""


def _large(
    taken: Taken, error_db: float | None, faults: Sequence[Remark], reading: Reading
) -> tuple[Sentence, str | None]:
    told = {each.code: each for each in faults}
    for code in FIRST_OF_ALL:
        if code in told:
            return Sentence(f"large_{code}", told[code].values), None
    if "level_off_target" in told and told["level_off_target"].values.get("perhaps_half"):
        return Sentence("large_perhaps_half", {}), None
    result = taken.result
    if reading.plan is not None and taken.kind in ("measure", "level"):
        return _turning(result, error_db, reading.plan)
    match result:
        case OnsetResult():
            if result.onset_dbfs is None:
                return Sentence(
                    "large_distorted_levels" if result.distorted_dbfs else "large_no_onset", {}
                ), None
            code = "large_distorts" if result.by_bend else "large_onset"
            return Sentence(code, {"onset_dbfs": result.onset_dbfs}), None
        case PolarityResult() | TypedPolarity():
            return Sentence("large_polarity", {"polarity": result.polarity}), None
        case RoutingResult():
            return Sentence(large_routing(result), {}), None
        case VolumeResult():
            position = result.highest_clean_position
            return Sentence(
                "large_volume" if position is not None else "large_no_volume", {"position": position}
            ), None
        case MatchResult():
            trims = (each.trim_db for each in result.captures)
            return largest_trim(dict(zip(taken.outputs, trims, strict=True))), None
        case NoiseResult():
            if result.verdict == "quiet" and OUTSIDE & set(told):
                return Sentence("large_noise_outside", {}), None
            return Sentence(f"large_noise_{result.verdict.replace(' ', '_')}", {}), None
        case Response():
            code = "large_not_told" if result.verdict is None else "large_response"
            return Sentence(code, {"verdict": result.verdict}), None
    return Sentence("large_read", {}), None


def _turning(result: Any, error_db: float | None, plan: PlanFigures) -> tuple[Sentence, str | None]:
    """What to turn, by a measurement or by a meter."""
    checks = checks_of(plan)
    if isinstance(result, TypedLevel):
        if error_db is None:
            return Sentence("large_read", {}), None
        if abs(error_db) <= checks.tolerance_db:
            return Sentence("large_on_target_typed", {"error_db": error_db}), None
        code = "down" if error_db > 0 else "up"
        return Sentence(f"large_turn_{code}", {"change_db": abs(error_db)}), code
    turn = what_to_turn(result, checks)
    if turn.state in ("up", "down") and turn.change_db is not None:
        return Sentence(f"large_turn_{turn.state}", {"change_db": abs(turn.change_db)}), turn.state
    if turn.state == "out-of-reach":
        return Sentence("large_out_of_reach", {}), None
    if turn.state == "on-target":
        return Sentence("large_on_target", {"error_db": error_db}), None
    return Sentence("large_not_told", {}), None


def large_routing(result: RoutingResult) -> str:
    """The code of what is told large of a routing."""
    return "large_routing_right" if result.ok else "large_routing_wrong" if result.judged else "large_not_told"


def largest_trim(trims: dict[str, float]) -> Sentence:
    """The output that is furthest from the others, of trims [dB] by output."""
    output = max(trims, key=lambda name: abs(trims[name]))
    return Sentence("large_match", {"output": output, "trim_db": trims[output]})


def figures_of(result: Any, outputs: Sequence[str] = ()) -> tuple[Sentence, ...]:
    """The figures that support a reading, a few words each. outputs : that it was taken of, in its order."""
    return tuple(_figures(result, outputs))


def _figures(result: Any, outputs: Sequence[str]) -> list[Sentence]:
    if isinstance(result, Measurement):
        unit = "volts" if result.calibrated else "units"
        told = [Sentence(f"figure_{unit}", {"rms_volts": result.rms_volts})]
        if result.distortion_seen:
            told.append(Sentence("figure_thd", {"thd_percent": result.thd_percent}))
        elif result.thd_floor_percent is not None:
            told.append(Sentence("figure_thd_below", {"thd_floor_percent": result.thd_floor_percent}))
        if result.clipping.state is not None:
            over = result.clipping.overdrive_db or 0.0
            state = (waveform_state(result) or "").replace("-", "_")
            told.append(Sentence(f"figure_{state}", {"overdrive_db": over}))
        if result.level_dbfs is not None:
            told.append(Sentence("figure_recorder", {"level_dbfs": result.level_dbfs}))
        return told
    if isinstance(result, TypedLevel):
        told = [] if result.volts is None else [Sentence("figure_volts", {"rms_volts": result.volts})]
        return [*told, Sentence("figure_not_looked_at", {})]
    if isinstance(result, PolarityResult):
        if result.polarity == "undecided":
            return []  # sounds that decide nothing agree by chance
        return [Sentence("figure_pulses", {"agreeing": result.agreeing, "pulses": result.pulses})]
    if isinstance(result, MatchResult):
        return [
            Sentence("figure_trim", {"output": output, "trim_db": each.trim_db})
            for output, each in zip(outputs, result.captures, strict=True)
        ]
    if isinstance(result, VolumeResult):
        return [
            Sentence("figure_position", {"position": each.position, "rms_volts": each.rms_volts})
            for each in result.positions
        ]
    if isinstance(result, OnsetResult) and result.onset_volts is not None:
        return [Sentence("figure_volts", {"rms_volts": result.onset_volts})]
    return []
