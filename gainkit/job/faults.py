"""The faults that stand: for every thing that can be judged the latest reading that judged it has the say.

A fault goes when a later reading of the same output and kind finds the same thing as it should be, or when it
was accepted with a reason after it was read. Dangers cannot be accepted.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from gainkit.job.judgements import is_decided, judge
from gainkit.job.opening import OpenJob
from gainkit.job.outputs import Output, same_name
from gainkit.job.readings import OF_ONE_OUTPUT, Reading, latest
from gainkit.job.record import PlanFigures
from gainkit.job.typed import Acceptance
from gainkit.levels import db_from_ratio
from gainkit.remarks import Remark, codes, fault, gravest_first, remark
from gainkit.volume import VolumeResult

OTHER_VOLUME_DB = 0.1
"""The source's volts moved by more than this are another volume [dB]."""

OTHER_PLAN_SHARE = 1e-3
"""A figure of the plan moved by more than this share is another plan [-]: 0.01 dB."""

PAIR = "polarity with "
"""Begins the name of what a pair's comparison judges; the other output's name follows."""


@dataclass(frozen=True)
class Found:
    """What the readings of one output leave standing. faults : with the number of the reading that told each.
    aspects : what was looked at at all."""

    faults: tuple[Remark, ...]
    aspects: frozenset[str]


def readings_of(readings: Iterable[Reading], output: Output, outputs: Sequence[Output]) -> list[Reading]:
    """The readings of one output. A reading of a whole channel belongs to its only output, or to none."""
    only = sum(same_name(each.channel, output.channel) for each in outputs) == 1
    names = [output.name, output.channel] if only else [output.name]
    return [each for each in readings if any(same_name(one, name) for one in each.outputs for name in names)]


def found_of(job: OpenJob, readings: Sequence[Reading], output: Output, stale: set[int]) -> Found:
    """The faults of one output that stand after all its readings. Two decided polarities clear a pair."""
    plan, now = job.plan.channel(output.channel), job.figures(output)
    expected = {each.name: each.expected_polarity for each in job.system.outputs}
    said: dict[str, tuple[Reading, tuple[Remark, ...]]] = {}
    for reading in readings:
        for aspect, judged in judge(reading, output.name, now, plan, reading.number in stale, expected):
            said[aspect] = (reading, judged)
            if aspect == "polarity" and not judged:
                _clear_pairs(job, said)
    standing = [_numbered(each, reading.number) for reading, judged in said.values() for each in judged]
    return Found((*standing, *_plan_changes(job, output, said, stale)), frozenset(said))


def _clear_pairs(job: OpenJob, said: dict[str, tuple[Reading, tuple[Remark, ...]]]) -> None:
    """Drop pairs whose other half was decided alone, and rightly, after the pair was compared."""
    for pair in [each for each in said if each.startswith(PAIR)]:
        other = next(
            (each for each in job.system.outputs if same_name(each.name, pair.removeprefix(PAIR))), None
        )
        if other is not None and _decided_since(job, other, said[pair][0].number):
            del said[pair]


def _decided_since(job: OpenJob, output: Output, number: int) -> bool:
    mine = readings_of([each for each in job.readings if each.counts], output, job.system.outputs)
    later = [each.result.polarity for each in mine if each.number > number and is_decided(each.result)]
    return bool(later) and later[-1] == output.expected_polarity


def _numbered(each: Remark, number: int) -> Remark:
    return replace(each, values={**each.values, "reading": number})


# ---- the plan as it was and as it is -----------------------------------------------------------------------


def _plan_changes(
    job: OpenJob, output: Output, said: Mapping[str, tuple[Reading, tuple[Remark, ...]]], stale: set[int]
) -> Iterator[Remark]:
    """Where the plan moved after a reading that has the say: a fault where it would be judged otherwise now."""
    now, plan = job.figures(output), job.plan.channel(output.channel)
    for number, reading in sorted({each.number: each for each, _ in said.values()}.items()):
        if reading.plan is None:
            continue
        moved = tuple(_moved_figures(reading.plan, now))
        if not moved or len(reading.outputs) > 1:
            continue
        mine = {aspect: judged for aspect, (each, judged) in said.items() if each.number == number}
        again = judge(replace(reading, plan=None), output.name, now, plan, number in stale)
        worse = any(
            codes(judged) - codes(mine.get(aspect, ()))
            for aspect, judged in again
            if aspect in mine or aspect not in said
        )
        facts = {"reading": number, "moved": moved}
        if worse:
            yield fault("plan_changed", **facts)
        elif "reading" in mine:
            yield remark("plan_changed", **facts)


def _moved_figures(then: PlanFigures, now: PlanFigures) -> Iterator[tuple[str, Any, Any]]:
    """(name, then, now) of each figure that moved."""
    present = asdict(now)
    for name, before in asdict(then).items():
        after = present[name]
        if isinstance(before, float) and isinstance(after, float):
            if abs(after - before) > OTHER_PLAN_SHARE * max(abs(before), abs(after)):
                yield name, before, after
        elif before != after:
            yield name, before, after


# ---- the car as a whole ------------------------------------------------------------------------------------


def faults_of_car(job: OpenJob, readings: Sequence[Reading]) -> tuple[Remark, ...]:
    """What concerns no single output: the source, readings of the whole car, the record itself."""
    told = [*_of_source(job, readings), *_of_routing(readings), *_strangers(job, readings), *job.problems]
    return gravest_first(told)


def _of_source(job: OpenJob, readings: Sequence[Reading]) -> Iterator[Remark]:
    volume = latest(readings, "volume")
    if volume is None:
        return
    result: VolumeResult = volume.result
    for each in result.notes:
        if each.severity != "remark" and "places" not in each.values:  # a capture's own are of louder positions
            yield _numbered(each, volume.number)
    measured = plain_position(result.highest_clean_position)
    planned = plain_position(job.system.source.clean_position)
    if measured is None:
        yield fault("volume_not_clean", reading=volume.number)
    elif planned is not None and not same_position(measured, planned):
        yield fault("volume_not_as_planned", measured=measured, planned=planned, reading=volume.number)
    volts, planned_volts = result.source_volts, job.system.source.preamp_volts
    if volts and planned_volts:
        off_db = db_from_ratio(volts / planned_volts)
        if abs(off_db) > job.system.checks.tolerance_db:
            facts = {"measured_volts": volts, "planned_volts": planned_volts, "off_db": off_db}
            yield remark("source_volts_not_as_planned", **facts, reading=volume.number)


def _of_routing(readings: Sequence[Reading]) -> Iterator[Remark]:
    of_car = [each for each in readings if each.kind == "routing" and not each.outputs and each.result.judged]
    routing = of_car[-1] if of_car else None
    if routing is None:
        return
    for each in routing.result.notes:
        if each.severity != "remark":
            yield _numbered(each, routing.number)
    if routing.result.ok:
        return
    yield fault("routing_wrong", reading=routing.number)
    for each in routing.result.problems:  # the details of that fault: accepted and cleared with it
        yield replace(_numbered(each, routing.number), severity="remark")


def _strangers(job: OpenJob, readings: Sequence[Reading]) -> Iterator[Remark]:
    """Readings for outputs that the system file does not have, that could be several, or that name none."""
    known = [each.name for each in job.system.outputs]
    channels = [each.channel for each in job.system.outputs]
    told: dict[str, Remark] = {}
    for reading in readings:
        if reading.kind in OF_ONE_OUTPUT and not reading.outputs:
            told[""] = fault("reading_names_no_output", reading=reading.number, kind=reading.kind)
        for name in reading.outputs:
            count = sum(same_name(name, channel) for channel in channels)
            if any(same_name(name, each) for each in known) or count == 1:
                continue
            code = "reading_of_no_output" if count == 0 else "reading_without_output"
            told[name] = fault(code, name=name, reading=reading.number)  # the last of them
    yield from told.values()


def plain_position(position: str | float | None) -> str | None:
    """A position as it stands on the source's display: 31, not 31.0."""
    return f"{position:g}" if isinstance(position, float) else None if position is None else str(position)


def same_position(one: str, other: str) -> bool:
    """Whether two positions are one: by number where both are numbers."""
    try:
        return float(one) == float(other)
    except ValueError:
        return same_name(one, other)


def before_another_volume(readings: Sequence[Reading]) -> set[int]:
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
    positions = (plain_position(each.highest_clean_position) for each in (before, after))
    first, second = (each or "" for each in positions)
    return not same_position(first, second)


# ---- accepted ----------------------------------------------------------------------------------------------


def with_accepted(
    told: Iterable[Remark], readings: Iterable[Reading], now: PlanFigures | None
) -> tuple[Remark, ...]:
    """Remarks in which every fault that was accepted after it was read is a remark `accepted` with the reason.

    readings : those of the output, or those of the car. now : the output's figures; a change of the plan was
    accepted for the plan of that day only.
    """
    given = [each for each in readings if isinstance(each.result, Acceptance)]
    return gravest_first(_or_accepted(each, given, now) for each in told)


def _or_accepted(told: Remark, given: Sequence[Reading], now: PlanFigures | None) -> Remark:
    if told.severity != "fault":
        return told
    since = told.values.get("since", told.values.get("reading", told.values.get("line", 0)))
    for each in reversed(given):
        of_today = told.code != "plan_changed" or now is None or each.plan == now
        if each.result.accepted == told.code and each.number > since and of_today:
            facts = {"accepted": told.code, "reason": each.result.reason, "reading": each.number}
            return remark("accepted", **facts, what=dict(told.values))
    return told
