"""How a job stands, computed from its whole record each time.

Every output beside its target, every fault that no later reading cleared, and what is still to be measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.job.faults import (
    before_another_volume,
    faults_of_car,
    found_of,
    plain_position,
    readings_of,
    with_accepted,
)
from gainkit.job.judgements import Level, is_decided, level_of, trim_of
from gainkit.job.model import (
    JobStatus,
    LevelHistory,
    NoiseFigures,
    OutputStatus,
    ResponseFigures,
    SourceStatus,
)
from gainkit.job.opening import OpenJob, judged_within, open_job
from gainkit.job.outputs import Output, find_output
from gainkit.job.readings import FIRST_VISIT, Reading, latest
from gainkit.job.record import PlanFigures
from gainkit.levels import db_from_ratio
from gainkit.matching import MatchResult
from gainkit.noise import NoiseResult
from gainkit.onset import OnsetResult
from gainkit.remarks import Remark, Sentence, fault, gravest_first
from gainkit.response import Response
from gainkit.volume import VolumeResult


def job_status(folder: str | Path, tolerance_db: float | None = None) -> JobStatus:
    """Read a job folder and tell how it stands.

    Parameters
    ----------
    folder : str or Path
        Of the job.
    tolerance_db : float, optional
        A level within this of its target is on target; the system file's own when left out [dB].

    Returns
    -------
    JobStatus
        `ok`, the headline, one entry for each output with what stands against it, and what concerns the car or
        the record as a whole.

    Raises
    ------
    GainkitError
        For a folder that is no job, and `outside_range` for a tolerance.

    Examples
    --------
    >>> import gainkit, pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     made = gainkit.start_job(pathlib.Path(place) / "estate")
    ...     stands = gainkit.job_status(made.folder)
    >>> stands.ok, len(stands.outputs)
    (False, 4)
    """
    return standing(judged_within(open_job(Path(folder)), tolerance_db))


def standing(job: OpenJob) -> JobStatus:
    """How a job stands that was read whole."""
    counting = [each for each in job.readings if each.counts]
    stale = before_another_volume(counting)
    outputs = _beside_each_other(job, [_output(job, each, counting, stale) for each in job.system.outputs])
    of_car = [each for each in counting if not each.outputs]
    problems = with_accepted(faults_of_car(job, counting), of_car, None)
    car_faults = [each for each in problems if each.severity != "remark"]
    ok = not car_faults and all(each.left_as_wished for each in outputs)
    return JobStatus(
        folder=str(job.folder),
        ok=ok,
        headline=_headline(ok, outputs, problems, job.system.checks.tolerance_db),
        tolerance_db=job.system.checks.tolerance_db,
        source=_source(job, counting),
        outputs=tuple(outputs),
        problems=problems,
        visits=tuple(dict.fromkeys([FIRST_VISIT, *(each.visit for each in counting)])),
    )


def refuse_acceptance(folder: str | Path, for_output: str | None, accepted: str) -> None:
    """Raise GainkitError for the acceptance of what does not stand, or of what nobody can accept.

    for_output : None for what concerns the car. `nothing_to_accept`: no such fault stands there, with the codes
    that do. `danger_not_accepted`: it can hurt. Raises as `job_status` and `find_output` too.
    """
    job = open_job(Path(folder))
    status = standing(job)
    name = None if for_output is None else find_output(job.system.outputs, for_output).name
    told = status.problems if name is None else next(e.remarks for e in status.outputs if e.name == name)
    if any(each.code == accepted and each.severity == "danger" for each in told):
        raise GainkitError("danger_not_accepted", "accept", accepted)
    codes_here = tuple(dict.fromkeys(each.code for each in told if each.severity == "fault"))
    if accepted not in codes_here:
        raise GainkitError("nothing_to_accept", "accept", accepted, codes_here)


# ---- one output --------------------------------------------------------------------------------------------


def _output(job: OpenJob, output: Output, readings: Sequence[Reading], stale: set[int]) -> OutputStatus:
    now = job.figures(output)
    mine = readings_of(readings, output, job.system.outputs)
    levels = [level for each in mine if (level := level_of(each, now, each.number in stale)) is not None]
    left = levels[-1] if levels else None
    as_found = found_of(job, mine, output, stale)
    remarks = with_accepted(as_found.faults, mine, now)
    met = _met(left, as_found.faults, as_found.aspects)
    history = _history(mine, now, stale)
    onset, match = latest(mine, "onset"), latest(mine, "match")
    knob, noise, response = (latest(mine, kind) for kind in ("knob", "noise", "response"))
    onset_result = onset.result if onset is not None and onset.number not in stale else None
    return OutputStatus(
        channel=output.channel,
        output=output.output,
        name=output.name,
        verdict=_verdict(left, remarks, met),
        met=met,
        set_volts=now.set_volts,
        tone_hz=now.tone_hz,
        tone_dbfs=now.tone_dbfs,
        level=left,
        found=history[-1].found if history else None,
        history=history,
        onset_dbfs=onset_result.onset_dbfs if isinstance(onset_result, OnsetResult) else None,
        onset_volts=onset_result.onset_volts if isinstance(onset_result, OnsetResult) else None,
        onset_by_bend=isinstance(onset_result, OnsetResult) and onset_result.by_bend,
        polarity=_polarity(mine),
        expected_polarity=output.expected_polarity,
        trim_db=_trim(match, output),
        knob=None if knob is None else knob.result.position,
        noise=None if noise is None else noise_figures(noise.result),
        response=None if response is None else response_figures(response.result),
        lacks=_lacks(mine, levels, onset_result),
        remarks=remarks,
    )


def noise_figures(result: NoiseResult) -> NoiseFigures:
    """What a noise reading tells in a line."""
    volts = result.a_weighted_volts if result.calibrated else None
    return NoiseFigures(result.verdict, volts, result.below_target_db)


def response_figures(result: Response) -> ResponseFigures:
    """What a response tells in a line."""
    return ResponseFigures(result.verdict, result.low_corner_hz, result.high_corner_hz)


def _met(left: Level | None, told: Sequence[Remark], looked_at: frozenset[str]) -> bool | None:
    """Whether the last level counts, is on target and shows no fault of its wave, accepted or not."""
    if left is None:
        return None
    if {each.code for each in told if each.severity != "remark"} & LEVEL_FAULTS:
        return False
    return True if left.counts and left.error_db is not None and "level" in looked_at else None


LEVEL_FAULTS = frozenset(
    {
        "level_off_target",
        "clipped",
        "clips_in_part",
        "distorted",
        "waveform_not_judged",
        "samples_lost",
        "crackles",
        "dc_at_output",
    }
)
"""With any of these an output is not left on target."""


def _verdict(left: Level | None, remarks: Sequence[Remark], met: bool | None) -> Sentence:
    """One line for a person: the gravest fault, or the level beside its target."""
    grave = [each for each in remarks if each.severity != "remark"]
    if grave:
        first = min(grave, key=lambda each: (each.severity != "danger", _rank(each.code)))
        return Sentence(first.code, {**_level_values(left), **first.values})  # its own volts, not the level's
    if left is None:
        return Sentence("level_not_measured", {})
    code = {None: "level_not_told", False: "left_as_accepted", True: "on_target"}[met]
    return Sentence("on_target_typed" if met and left.typed else code, _level_values(left))


RANK = ("dc_at_output", "recorder_overloaded", "no_steady_tone_recorded", "other_tone", "not_calibrated")


def _rank(code: str) -> int:
    """Why a reading does not count comes before what it shows; the level comes before what else was found."""
    order = [*RANK, "other_volume", "clipped", "clips_in_part", "distorted", "level_off_target"]
    return order.index(code) if code in order else len(order)


def _level_values(left: Level | None) -> dict[str, Any]:
    if left is None or left.error_db is None:
        return {}
    return {"rms_volts": left.rms_volts, "set_volts": left.set_volts, "error_db": left.error_db}


def _history(readings: Sequence[Reading], now: PlanFigures, stale: set[int]) -> tuple[LevelHistory, ...]:
    """As found and as left by visit."""
    visits: dict[str, list[Level]] = {}
    for reading in readings:
        level = level_of(reading, now, reading.number in stale)
        if level is not None:
            visits.setdefault(reading.visit, []).append(level)
    told: list[LevelHistory] = []
    for visit, levels in visits.items():
        before = told[-1].left if told else None
        left = levels[-1]
        drift = None
        if before is not None and before.error_db is not None and left.error_db is not None:
            drift = db_from_ratio((left.rms_volts or 1.0) / (before.rms_volts or 1.0))
            drift -= db_from_ratio(left.set_volts / before.set_volts) if left.typed or before.typed else 0.0
        told.append(LevelHistory(visit, levels[0] if len(levels) > 1 else None, left, drift))
    return tuple(told)


def _polarity(readings: Sequence[Reading]) -> str | None:
    told = [each for each in readings if each.kind in ("polarity", "polarity-typed") and each.counts]
    return str(told[-1].result.polarity) if told else None


def _trim(match: Reading | None, output: Output) -> float | None:
    if match is None or not isinstance(match.result, MatchResult):
        return None
    return trim_of(match.result, match, output.name)


def _lacks(readings: Sequence[Reading], levels: Sequence[Level], onset: OnsetResult | None) -> tuple[str, ...]:
    answered = {
        "level": any(level.counts for level in levels[-1:]),
        "onset": onset is not None and onset_is_known(onset),
        "polarity": any(is_decided(each.result) for each in readings),
        "match": latest(readings, "match") is not None,
    }
    return tuple(kind for kind, there in answered.items() if not there)


def onset_is_known(result: OnsetResult) -> bool:
    """Whether an onset was found, or the loudest step was judged, came through unheld and did not clip."""
    if result.onset_dbfs is not None or not result.steps or result.held_dbfs is not None:
        return result.onset_dbfs is not None
    return max(result.steps, key=lambda step: step.level_dbfs).state is not None


# ---- outputs beside each other, and the car ----------------------------------------------------------------


def _beside_each_other(job: OpenJob, outputs: Sequence[OutputStatus]) -> list[OutputStatus]:
    """Outputs of one channel that differ are told on each of them."""
    told = list(outputs)
    for one, other in combinations(range(len(outputs)), 2):
        first, second = outputs[one], outputs[other]
        if first.channel != second.channel or not first.level or not second.level:
            continue
        if first.level.error_db is None or second.level.error_db is None:
            continue
        apart = first.level.error_db - second.level.error_db
        if abs(apart) <= job.system.checks.tolerance_db + 1e-9:
            continue
        for place, beside, difference in ((one, second, apart), (other, first, -apart)):
            since = max(first.level.number, second.level.number)
            differs = fault("outputs_differ", other=beside.name, difference_db=difference, since=since)
            output = job.system.outputs[place]
            mine = readings_of([each for each in job.readings if each.counts], output, job.system.outputs)
            kept = with_accepted([differs], mine, None)
            told[place] = replace(told[place], remarks=gravest_first([*told[place].remarks, *kept]))
    return told


def _source(job: OpenJob, readings: Sequence[Reading]) -> SourceStatus:
    volume = latest(readings, "volume")
    result = volume.result if volume is not None else None
    position = result.highest_clean_position if isinstance(result, VolumeResult) else None
    planned = job.system.source.clean_position
    return SourceStatus(
        highest_clean_position=plain_position(position),
        source_volts=result.source_volts if isinstance(result, VolumeResult) else None,
        planned_position=plain_position(planned),
        planned_volts=job.system.source.preamp_volts,
    )


def _headline(
    ok: bool, outputs: Sequence[OutputStatus], problems: Sequence[Remark], tolerance_db: float
) -> Sentence:
    """The sentence on top: danger first, then every fault by its output, then what is not measured."""
    named = [(each.name, one) for each in outputs for one in each.remarks]
    named += [("", one) for one in problems]
    return Sentence(
        "job_headline",
        {
            "ok": ok,
            "tolerance_db": tolerance_db,
            "outputs": len(outputs),
            "on_target": sum(each.met is True for each in outputs),
            "dangers": tuple((name, each) for name, each in named if each.severity == "danger"),
            "faults": tuple((name, each) for name, each in named if each.severity == "fault"),
            "accepted": tuple((name, each) for name, each in named if each.code == "accepted"),
            "unmeasured": tuple(
                each.name for each in outputs if each.level is None or (each.met is None and not each.faults)
            ),
        },
    )
