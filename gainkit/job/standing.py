"""How a job stands, computed from its whole record each time.

Every output beside its target, every fault that no later reading cleared, and what is still to be measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any

from gainkit.advice import on_target
from gainkit.job.judgements import Level, checks_of, judge, level_of, trim_of
from gainkit.job.outputs import Output, same_name
from gainkit.job.plan import Plan, plan_system
from gainkit.job.readings import FIRST_VISIT, Reading, latest, read_readings
from gainkit.job.record import PlanFigures, check_job
from gainkit.job.system import System, load_system
from gainkit.job.typed import Acceptance
from gainkit.levels import db_from_ratio
from gainkit.matching import MatchResult
from gainkit.onset import OnsetResult
from gainkit.polarity import PROBABLE, PolarityResult
from gainkit.remarks import Remark, Sentence, fault, gravest_first, remark
from gainkit.results import Result
from gainkit.volume import VolumeResult

OTHER_VOLUME_DB = 0.1
"""The source's volts moved by more than this are another volume [dB]."""

OTHER_PLAN_DB = 0.01
"""Set volts moved by more than this are another plan [dB]."""

ASPECTS_OF_LEVEL = ("dc", "reading", "waveform", "level")
"""What a level reading is looked at for, in the order in which it is told."""


@dataclass(frozen=True)
class LevelHistory:
    """The levels of one visit: as found and as left, each the first and last that counts; drift_db : as left
    against the visit before [dB], None where there is none."""

    visit: str
    found: Level | None
    left: Level | None
    drift_db: float | None


@dataclass(frozen=True)
class OutputStatus:
    """One output and what is known of it.

    verdict : one line for a person. met : left on target; None when that is not measured. level : the last
    level reading. found : the first of the latest visit when it has at least two. polarity : as last told.
    lacks : kinds of reading not there yet, or without an answer. remarks : faults that stand, and what else is
    to be known.
    """

    channel: str
    output: str | None
    name: str
    verdict: Sentence
    met: bool | None
    set_volts: float
    tone_hz: float
    tone_dbfs: float
    level: Level | None
    found: Level | None
    history: tuple[LevelHistory, ...]
    onset_dbfs: float | None
    onset_volts: float | None
    polarity: str | None
    expected_polarity: str
    trim_db: float | None
    knob: str | None
    lacks: tuple[str, ...]
    remarks: tuple[Remark, ...]

    @property
    def faults(self) -> tuple[Remark, ...]:
        """The dangers and faults that stand."""
        return tuple(each for each in self.remarks if each.severity != "remark")


@dataclass(frozen=True)
class SourceStatus:
    """The source's volume as measured (None: not measured) and as the system file has it."""

    highest_clean_position: str | None
    source_volts: float | None
    planned_position: str | None
    planned_volts: float | None

    @property
    def confirmed(self) -> bool:
        """Whether the position of the plan is the one that was measured."""
        measured, planned = self.highest_clean_position, self.planned_position
        return measured is not None and planned is not None and _same_position(measured, planned)


@dataclass(frozen=True, repr=False)
class JobStatus(Result):
    """How a job stands.

    ok : every output was left on target and no fault or danger of any kind stands. headline : the sentence on
    top of every page of it. problems : what concerns the car or the record as a whole. visits : by name, in
    order.
    """

    folder: str
    ok: bool
    headline: Sentence
    tolerance_db: float
    source: SourceStatus
    outputs: tuple[OutputStatus, ...]
    problems: tuple[Remark, ...]
    visits: tuple[str, ...]


@dataclass(frozen=True)
class OpenJob:
    """A job read whole. now : each output's figures by the present plan."""

    folder: Path
    system: System
    plan: Plan
    readings: tuple[Reading, ...]
    problems: tuple[Remark, ...]

    def figures(self, output: Output) -> PlanFigures:
        """What a reading of an output is judged by, as the plan is now."""
        return plan_figures(self.system, self.plan, output)


def plan_figures(system: System, plan: Plan, output: Output) -> PlanFigures:
    """The figures of one output that its readings are judged by."""
    channel = plan.channel(output.channel)
    return PlanFigures(
        set_volts=channel.set_volts,
        tone_hz=channel.tone_hz,
        tone_dbfs=channel.tone_dbfs,
        overlap_db=channel.overlap_db,
        tolerance_db=system.checks.tolerance_db,
        limit_thd_percent=system.checks.limit_thd_percent,
        expected_polarity=output.expected_polarity,
    )


def open_job(folder: Path) -> OpenJob:
    """System, plan and record of a job folder. Raises GainkitError when it is no job."""
    check_job(folder)
    system = load_system(folder / "system.toml")
    readings, problems = read_readings(folder)
    return OpenJob(folder, system, plan_system(system), tuple(readings), tuple(problems))


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


def judged_within(job: OpenJob, tolerance_db: float | None) -> OpenJob:
    """A job whose readings are judged by another tolerance than the system file's [dB]; None: by its own."""
    if tolerance_db is None:
        return job
    checks = replace(job.system.checks, tolerance_db=tolerance_db)
    readings = tuple(_judged_by(each, tolerance_db) for each in job.readings)
    return replace(job, system=replace(job.system, checks=checks), readings=readings)


def _judged_by(reading: Reading, tolerance_db: float) -> Reading:
    """A reading judged by another tolerance than its own."""
    if reading.plan is None:
        return reading
    return replace(reading, plan=replace(reading.plan, tolerance_db=tolerance_db))


def standing(job: OpenJob) -> JobStatus:
    """How a job stands that was read whole."""
    counting = [each for each in job.readings if each.counts]
    stale = _before_another_volume(counting)
    outputs = [_output(job, output, counting, stale) for output in job.system.outputs]
    outputs = _beside_each_other(job, outputs)
    told = gravest_first([*_of_the_car(job, counting), *_strangers(job, counting), *job.problems])
    problems = _unaccepted(told, counting, None, job)
    car_faults = [each for each in problems if each.severity != "remark"]
    ok = not car_faults and all(each.met is True and not each.faults for each in outputs)
    return JobStatus(
        folder=str(job.folder),
        ok=ok,
        headline=_headline(ok, outputs, car_faults, job.system.checks.tolerance_db),
        tolerance_db=job.system.checks.tolerance_db,
        source=_source(job, counting),
        outputs=tuple(outputs),
        problems=problems,
        visits=tuple(dict.fromkeys([FIRST_VISIT, *(each.visit for each in counting)])),
    )


# ---- one output --------------------------------------------------------------------------------------------


def _output(job: OpenJob, output: Output, readings: Sequence[Reading], stale: set[int]) -> OutputStatus:
    now = job.figures(output)
    mine = readings_of(readings, output, job.system.outputs)
    levels = [level for each in mine if (level := level_of(each, now, each.number in stale)) is not None]
    standing_faults, looked_at = _faults(job, mine, output, stale)
    left = levels[-1] if levels else None
    remarks = [*standing_faults, *_plan_changes(mine, left, now), *_accepted(mine, standing_faults)]
    remarks = list(_unaccepted(remarks, mine, output, job))
    met = _met(left, remarks, looked_at)
    history = _history(mine, now, stale)
    onset, match = latest(mine, "onset"), latest(mine, "match")
    knob = latest(mine, "knob")
    onset_result = onset.result if onset is not None else None
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
        polarity=_polarity(mine),
        expected_polarity=output.expected_polarity,
        trim_db=_trim(match, output),
        knob=None if knob is None else knob.result.position,
        lacks=_lacks(mine, levels),
        remarks=gravest_first(remarks),
    )


def readings_of(readings: Iterable[Reading], output: Output, outputs: Sequence[Output]) -> list[Reading]:
    """The readings of one output. A reading of a whole channel belongs to its only output, or to none."""
    only = sum(same_name(each.channel, output.channel) for each in outputs) == 1
    names = [output.name, output.channel] if only else [output.name]
    return [each for each in readings if any(same_name(one, name) for one in each.outputs for name in names)]


Numbered = tuple[int, Remark]


def _faults(
    job: OpenJob, readings: Sequence[Reading], output: Output, stale: set[int]
) -> tuple[list[Remark], set[str]]:
    """The faults that stand after all readings, and the aspects that were looked at.

    For each aspect the latest reading that judged it has the say; two decided polarities clear a pair.
    """
    plan, now = job.plan.channel(output.channel), job.figures(output)
    said: dict[str, tuple[int, tuple[Remark, ...]]] = {}
    for reading in readings:
        for aspect, judged in judge(reading, output.name, now, plan, reading.number in stale):
            said[aspect] = (reading.number, judged)
            if aspect == "polarity" and not judged:
                for pair in [each for each in said if each.startswith("polarity with ")]:
                    if _both_decided(job, pair.removeprefix("polarity with "), said[pair][0]):
                        del said[pair]
    standing_faults = [
        replace(each, values={**each.values, "reading": number})
        for number, judged in said.values()
        for each in judged
    ]
    return standing_faults, set(said)


def _both_decided(job: OpenJob, other: str, since: int) -> bool:
    """Whether the other output of a pair was decided alone, and rightly, after the pair was compared."""
    for output in job.system.outputs:
        if same_name(output.name, other):
            mine = readings_of([each for each in job.readings if each.counts], output, job.system.outputs)
            later = [
                each for each in mine if each.number > since and each.kind in ("polarity", "polarity-typed")
            ]
            decided = [each.result.polarity for each in later if each.result.polarity != "undecided"]
            return bool(decided) and decided[-1] == output.expected_polarity
    return False


def _met(left: Level | None, remarks: Sequence[Remark], looked_at: set[str]) -> bool | None:
    """Whether the last level counts, is on target and shows no fault of its wave."""
    if left is None:
        return None
    told = {each.code for each in remarks if each.severity != "remark"}
    if told & {"level_off_target", "clipped", "distorted", "dc_at_output"}:
        return False
    return True if left.counts and left.error_db is not None and "level" in looked_at else None


def _verdict(left: Level | None, remarks: Sequence[Remark], met: bool | None) -> Sentence:
    """One line for a person: the gravest fault, or the level beside its target."""
    grave = [each for each in gravest_first(remarks) if each.severity != "remark"]
    if grave:
        first = min(grave, key=lambda each: (each.severity != "danger", _rank(each.code)))
        return Sentence(first.code, {**first.values, **_level_values(left)})
    if left is None:
        return Sentence("level_not_measured", {})
    code = "on_target_typed" if left.typed else "on_target" if met else "level_not_told"
    return Sentence(code, _level_values(left))


RANK = ("dc_at_output", "recorder_overloaded", "no_steady_tone_recorded", "other_tone", "not_calibrated")


def _rank(code: str) -> int:
    """Why a reading does not count comes before what it shows; the level comes before what else was found."""
    order = [*RANK, "other_volume", "clipped", "distorted", "level_off_target"]
    return order.index(code) if code in order else len(order)


def _level_values(left: Level | None) -> dict[str, Any]:
    if left is None or left.error_db is None:
        return {}
    return {"rms_volts": left.rms_volts, "set_volts": left.set_volts, "error_db": left.error_db}


def _plan_changes(readings: Sequence[Reading], left: Level | None, now: PlanFigures) -> list[Remark]:
    """Where the plan moved after the last level was read; a fault where it would be judged otherwise now."""
    reading = next((each for each in readings if left is not None and each.number == left.number), None)
    if reading is None or reading.plan is None or left is None:
        return []
    moved_db = db_from_ratio(now.set_volts / reading.plan.set_volts)
    other_tone = abs(reading.plan.tone_hz - now.tone_hz) > 1e-6 * now.tone_hz
    if abs(moved_db) <= OTHER_PLAN_DB and not other_tone:
        return []
    facts = {"then_volts": reading.plan.set_volts, "now_volts": now.set_volts, "reading": reading.number}
    error_db = left.error_db
    otherwise = other_tone or (
        error_db is not None
        and on_target(error_db, checks_of(reading.plan)) != on_target(error_db - moved_db, checks_of(now))
    )
    return [fault("plan_changed", **facts) if otherwise else remark("plan_changed", **facts)]


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


def _lacks(readings: Sequence[Reading], levels: Sequence[Level]) -> tuple[str, ...]:
    onset = latest(readings, "onset")
    answered = {
        "level": any(level.counts for level in levels[-1:]),
        "onset": onset is not None and onset_is_known(onset.result),
        "polarity": any(_decided(each) for each in readings),
        "match": latest(readings, "match") is not None,
    }
    return tuple(kind for kind, there in answered.items() if not there)


def _decided(reading: Reading) -> bool:
    """Whether a reading tells a polarity, and more than probably."""
    if reading.kind == "polarity-typed":
        return True
    result = reading.result
    return (
        isinstance(result, PolarityResult) and result.polarity != "undecided" and result.confidence >= PROBABLE
    )


def onset_is_known(result: OnsetResult) -> bool:
    """Whether an onset was found, or the loudest step was judged and did not clip."""
    if result.onset_dbfs is not None or not result.steps:
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
            found = fault("outputs_differ", other=beside.name, difference_db=difference)
            output = next(each for each in job.system.outputs if each.name == told[place].name)
            kept = _unaccepted(
                [found],
                [each for each in job.readings if each.counts],
                output,
                job,
                since=_newest(first, second),
            )
            told[place] = replace(told[place], remarks=gravest_first([*told[place].remarks, *kept]))
    return told


def _newest(*outputs: OutputStatus) -> int:
    return max(each.level.number for each in outputs if each.level is not None)


def _of_the_car(job: OpenJob, readings: Sequence[Reading]) -> list[Remark]:
    """What concerns no single output: the volume, and readings of the whole car."""
    told: list[Remark] = []
    source = _source(job, readings)
    measured, planned = source.highest_clean_position, source.planned_position
    volume = latest(readings, "volume")
    if volume is not None and measured is not None and planned is not None and not source.confirmed:
        told.append(fault("volume_not_as_planned", measured=measured, planned=planned, reading=volume.number))
    routing = next((each for each in reversed(readings) if each.kind == "routing" and not each.outputs), None)
    if routing is not None and not routing.result.ok:
        told.append(fault("routing_wrong", reading=routing.number))
        told += [
            replace(each, values={**each.values, "reading": routing.number}) for each in routing.result.problems
        ]
    return told


def _strangers(job: OpenJob, readings: Sequence[Reading]) -> list[Remark]:
    """Readings for outputs that the system file does not have, or that could be several."""
    known = [each.name for each in job.system.outputs]
    channels = [each.channel for each in job.system.outputs]
    told: dict[str, Remark] = {}
    for reading in readings:
        for name in reading.outputs:
            count = sum(same_name(name, channel) for channel in channels)
            if any(same_name(name, each) for each in known) or count == 1:
                continue
            code = "reading_of_no_output" if count == 0 else "reading_without_output"
            told.setdefault(name, fault(code, name=name, reading=reading.number))
    return list(told.values())


def _accepted(readings: Sequence[Reading], faults: Sequence[Remark]) -> list[Remark]:
    """Faults that are left as they are, with the reasons."""
    told = []
    for reading in readings:
        if isinstance(reading.result, Acceptance):
            covered = [
                each
                for each in faults
                if each.code == reading.result.accepted and each.values.get("reading", 0) < reading.number
            ]
            if covered:
                facts = {"accepted": reading.result.accepted, "reason": reading.result.reason}
                told.append(remark("accepted", **facts, reading=reading.number))
    return told


def _unaccepted(
    faults: Sequence[Remark],
    readings: Sequence[Reading],
    output: Output | None,
    job: OpenJob,
    since: int | None = None,
) -> tuple[Remark, ...]:
    """The faults without those that were accepted after they were read; dangers cannot be accepted."""
    mine = (
        [each for each in readings if not each.outputs]
        if output is None
        else readings_of(readings, output, job.system.outputs)
    )
    accepted = {each.result.accepted: each.number for each in mine if isinstance(each.result, Acceptance)}
    return tuple(
        each
        for each in faults
        if each.severity != "fault"
        or accepted.get(each.code, -1) < (since if since is not None else each.values.get("reading", 0))
    )


def _source(job: OpenJob, readings: Sequence[Reading]) -> SourceStatus:
    volume = latest(readings, "volume")
    result = volume.result if volume is not None else None
    position = result.highest_clean_position if isinstance(result, VolumeResult) else None
    planned = job.system.source.clean_position
    return SourceStatus(
        highest_clean_position=_plain_position(position),
        source_volts=result.source_volts if isinstance(result, VolumeResult) else None,
        planned_position=_plain_position(planned),
        planned_volts=job.system.source.preamp_volts,
    )


def _plain_position(position: str | float | None) -> str | None:
    """A position as it stands on the source's display: 31, not 31.0."""
    return f"{position:g}" if isinstance(position, float) else None if position is None else str(position)


def _same_position(one: str, other: str) -> bool:
    try:
        return float(one) == float(other)
    except ValueError:
        return same_name(one, other)


def _before_another_volume(readings: Sequence[Reading]) -> set[int]:
    """Numbers of the readings that were taken before the source was set to another volume."""
    moved, before = 0, None
    for reading in readings:
        if not isinstance(reading.result, VolumeResult):
            continue
        if before is not None and _moved(before, reading.result):
            moved = reading.number
        before = reading.result
    return {each.number for each in readings if each.number < moved}


def _moved(before: VolumeResult, after: VolumeResult) -> bool:
    one, other = before.source_volts, after.source_volts
    if one and other:
        return abs(db_from_ratio(other / one)) > OTHER_VOLUME_DB
    return before.highest_clean_position != after.highest_clean_position


def _headline(
    ok: bool, outputs: Sequence[OutputStatus], car_faults: Sequence[Remark], tolerance_db: float
) -> Sentence:
    """The sentence on top: danger first, then every fault by its output, then what is not measured."""
    named = [(each.name, one) for each in outputs for one in each.faults]
    named += [("", one) for one in car_faults]
    return Sentence(
        "job_headline",
        {
            "ok": ok,
            "tolerance_db": tolerance_db,
            "outputs": len(outputs),
            "dangers": tuple((name, each) for name, each in named if each.severity == "danger"),
            "faults": tuple((name, each) for name, each in named if each.severity == "fault"),
            "unmeasured": tuple(each.name for each in outputs if each.met is None and not each.faults),
        },
    )
