"""What the as-left page says, as data: the page and its JSON show the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from gainkit.job.model import JobStatus, OutputStatus
from gainkit.job.opening import OpenJob
from gainkit.job.plan import ChannelPlan
from gainkit.job.readings import Reading
from gainkit.job.standing import standing
from gainkit.job.system import Job, Source
from gainkit.job.typed import FreeText, SupplyReading
from gainkit.remarks import Remark, Sentence, gravest_first

SCHEMA_VERSION = 1
"""Of the JSON form; described by schema.json beside this file."""


@dataclass(frozen=True)
class SheetSource:
    """The source as planned and as measured: volts for 0 dBFS [V rms], position. confirmed : both agree."""

    name: str | None
    planned_volts: float | None
    planned_position: str | None
    measured_volts: float | None
    measured_position: str | None
    confirmed: bool


@dataclass(frozen=True)
class SheetSupply:
    """planned_volts : that the targets hold for [V]. readings : as typed, in order."""

    planned_volts: float | None
    readings: tuple[SupplyReading, ...]


@dataclass(frozen=True)
class SheetOutput:
    """One output as the page shows it: how it stands, and what the plan says of its channel.

    clipping : "not measured", "not looked at" (a meter's level), "clean", "at-onset", "clipped-in-part",
    "disturbed" (crackles or lost samples) or "clipped".
    """

    status: OutputStatus
    clipping: str
    sensitivity_volts: float | None
    planned_trim_db: float | None
    target_watts: float
    load_ohms: float


@dataclass(frozen=True)
class Correction:
    """A reading that does not count any more."""

    number: int
    kind: str
    outputs: tuple[str, ...]
    reason: str


@dataclass(frozen=True)
class Note:
    """A text that was noted, and for which outputs."""

    number: int
    outputs: tuple[str, ...]
    text: str


@dataclass(frozen=True)
class VisitLine:
    """A visit, and the first and last day it was worked on."""

    name: str
    first: str | None
    last: str | None
    who: tuple[str, ...]


@dataclass(frozen=True)
class Caution:
    """A caution of the plan and the channels it holds for; none for the car as a whole."""

    channels: tuple[str, ...]
    remark: Remark


@dataclass(frozen=True)
class Sheet:
    """The whole page. done : kinds of work that the record holds, for the customer's part."""

    schema_version: int
    folder: str
    ok: bool
    headline: Sentence
    tolerance_db: float
    job: Job
    source: SheetSource
    supply: SheetSupply
    outputs: tuple[SheetOutput, ...]
    done: tuple[str, ...]
    problems: tuple[Remark, ...]
    notes: tuple[Note, ...]
    visits: tuple[VisitLine, ...]
    corrections: tuple[Correction, ...]
    cautions: tuple[Caution, ...]


def sheet_of(job: OpenJob) -> Sheet:
    """Everything that the page of a job says."""
    status = standing(job)
    counting = [each for each in job.readings if each.counts]
    return Sheet(
        schema_version=SCHEMA_VERSION,
        folder=str(job.folder),
        ok=status.ok,
        headline=status.headline,
        tolerance_db=status.tolerance_db,
        job=job.system.job,
        source=_source(job.system.source, status),
        supply=SheetSupply(
            job.system.supply.volts,
            tuple(each.result for each in counting if isinstance(each.result, SupplyReading)),
        ),
        outputs=tuple(_output(each, job.plan.channel(each.channel)) for each in status.outputs),
        done=_done(counting),
        problems=status.problems,
        notes=tuple(
            Note(each.number, each.outputs, each.result.text)
            for each in counting
            if isinstance(each.result, FreeText)
        ),
        visits=tuple(_visit(name, counting) for name in status.visits),
        corrections=tuple(
            Correction(each.number, each.kind, each.outputs, each.void_reason or "")
            for each in job.readings
            if not each.counts and each.kind != "void"
        ),
        cautions=_cautions(job),
    )


def _source(source: Source, status: JobStatus) -> SheetSource:
    measured = status.source
    return SheetSource(
        name=source.name,
        planned_volts=measured.planned_volts,
        planned_position=measured.planned_position,
        measured_volts=measured.source_volts,
        measured_position=measured.highest_clean_position,
        confirmed=measured.confirmed,
    )


def _output(status: OutputStatus, plan: ChannelPlan) -> SheetOutput:
    level = status.level
    if level is None or not level.counts:
        clipping = "not measured"
    elif level.typed:
        clipping = "not looked at"
    else:
        clipping = level.state or "not judged"
    return SheetOutput(
        status=status,
        clipping=clipping,
        sensitivity_volts=plan.sensitivity_volts,
        planned_trim_db=plan.trim_db,
        target_watts=plan.target_watts,
        load_ohms=plan.load_ohms,
    )


WORK = {
    "level": ("measure", "level"),
    "volume": ("volume",),
    "onset": ("onset",),
    "polarity": ("polarity", "polarity-pair", "polarity-typed"),
    "routing": ("routing",),
    "match": ("match",),
    "response": ("response",),
    "noise": ("noise",),
}
"""Kinds of work, and the kinds of line that show that they were done."""


def _done(readings: Iterable[Reading]) -> tuple[str, ...]:
    kinds = {each.kind for each in readings if getattr(each.result, "judged", True)}
    return tuple(work for work, lines in WORK.items() if kinds & set(lines))


def _visit(name: str, readings: Iterable[Reading]) -> VisitLine:
    mine = [each for each in readings if each.visit == name]
    who = tuple(dict.fromkeys(each.who for each in mine if each.who))
    return VisitLine(name, mine[0].when[:10] if mine else None, mine[-1].when[:10] if mine else None, who)


def _cautions(job: OpenJob) -> tuple[Caution, ...]:
    channels: dict[Remark, list[str]] = {}
    for channel in job.plan.channels:
        for each in channel.cautions:
            channels.setdefault(each, []).append(channel.name)
    for each in job.plan.cautions:
        channels.setdefault(each, [])
    return tuple(Caution(tuple(channels[each]), each) for each in gravest_first(channels))
