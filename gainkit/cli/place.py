"""Where a reading belongs: the job, its outputs, and what of the job's folder is used without being asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gainkit.cli.common import remark, show
from gainkit.cli.options import ScaleOptions

if TYPE_CHECKING:
    from gainkit.job.places import JobFolder
    from gainkit.job.record import Event, Origin

LogFolder = Annotated[
    Path | None, typer.Option("--log", help="Job folder to note the reading in [the one you stand in].")
]
NoLog = Annotated[bool, typer.Option("--no-log", help="Do not note it, even inside a job folder.")]
By = Annotated[str | None, typer.Option("--by", help="Who reads [the system file's technician].")]
ForOutputs = Annotated[
    list[str] | None,
    typer.Option("--for", help="Output of each recording, in order: Front/left. Give it once for each."),
]

JobHere = Annotated[
    Path | None, typer.Argument(metavar="[JOB]", show_default=False, help="Job folder [the one you stand in].")
]


SystemHere = Annotated[
    Path | None,
    typer.Argument(
        metavar="[SYSTEM.toml]",
        show_default=False,
        help="System file, or the job's folder [the one you stand in].",
    ),
]


def system_or_here(given: Path | None) -> Path:
    """The system file that was named, or that of the job named or stood in. Raises as `job_or_here`."""
    from gainkit.job.places import JobFolder

    path = job_or_here(given)
    job = JobFolder(path)
    return job.system if job.is_job else path


def job_or_here(job: Path | None) -> Path:
    """The job that was named, or the one in whose folder one stands. Raises GainkitError for neither."""
    from gainkit.errors import GainkitError
    from gainkit.job.places import job_here

    if job is not None:
        return job
    here = job_here()
    if here is None:
        raise GainkitError("no_job_here", "job")
    return here.folder


OF_THE_CAR = ("volume", "routing")
"""Readings that belong to no output."""

IN_VOLTS = ("measure", "onset", "volume", "noise", "response")
"""Readings for which the job's calibration is taken; the others are of a microphone, or need no volts."""


@dataclass(frozen=True)
class NoteOptions:
    """Where a reading is noted, and by whom."""

    log: LogFolder = None
    no_log: NoLog = False
    by: By = None


@dataclass(frozen=True)
class NoteRequest:
    """What a command was told. kind : of the record's line. captures : how many were given. own_system :
    whether it has an option for the system file."""

    kind: str
    note: NoteOptions
    for_output: str | Sequence[str] | None = None
    system: Path | None = None
    scale: ScaleOptions = field(default_factory=ScaleOptions)
    captures: int = 1
    own_system: bool = False

    @property
    def names(self) -> list[str]:
        """The outputs, as they were named."""
        return [self.for_output] if isinstance(self.for_output, str) else list(self.for_output or ())


@dataclass(frozen=True)
class Place:
    """job : to note the reading in, None for none. system : None where nobody said which output. outputs :
    their full names. index : of the job's tones. used : what was found in the job's folder and taken."""

    kind: str
    job: Path | None
    system: Path | None
    calibration: Path | None
    index: Path | None
    outputs: tuple[str, ...]
    by: str | None
    used: tuple[Path, ...]

    @property
    def output(self) -> str | None:
        """The one output, None where none was named."""
        return self.outputs[0] if self.outputs else None


def place_of(asked: NoteRequest) -> Place:
    """Where a reading belongs; refused before anything is measured where that is not clear.

    Raises GainkitError for a folder that is no job, an output that it does not have or that could be several,
    too few or too many outputs, and for another car's system file.
    """
    from gainkit.errors import GainkitError

    note, scale = asked.note, asked.scale
    if note.no_log and note.log is not None:
        raise GainkitError("not_both", "no_log", other="log")
    home = _home(asked)
    system = asked.system or (home.system if home is not None else None)
    outputs = _outputs(asked, system)
    noted = home is not None and not note.no_log
    noted = noted and (note.log is not None or bool(outputs) or asked.kind in OF_THE_CAR)
    if noted:
        from gainkit.job.log import refuse_outputs

        refuse_outputs(asked.kind, outputs, asked.captures if asked.kind == "match" else None)
        if asked.kind == "match" and len(outputs) != asked.captures:
            raise GainkitError("one_output_a_capture", "for_output", len(outputs), captures=asked.captures)
    wanted = asked.kind in IN_VOLTS and scale.calibration is None and scale.full_scale_volts is None
    calibration = home.known_calibration if home is not None and wanted else None
    used = [] if home is None or asked.system is not None or not (outputs or noted) else [home.system]
    return Place(
        kind=asked.kind,
        job=home.folder if home is not None and noted else None,
        system=system if outputs or noted or asked.system is not None else None,
        calibration=calibration or scale.calibration,
        index=None if home is None else home.known_index,
        outputs=tuple(outputs),
        by=note.by,
        used=(*used, *([calibration] if calibration is not None else [])),
    )


def _home(asked: NoteRequest) -> JobFolder | None:
    """The job that was named, or in whose folder one stands; none there where another car is asked about."""
    from gainkit.errors import GainkitError
    from gainkit.job.places import JobFolder, job_here

    if asked.note.log is not None:
        from gainkit.job.record import check_job

        check_job(asked.note.log)
        home = JobFolder(asked.note.log)
        if asked.system is not None and not _same_file(asked.system, home.system):
            raise GainkitError("other_system_file", "system", str(asked.system), job=str(asked.note.log))
        return home
    here = job_here()
    return None if here and asked.system is not None and not _same_file(asked.system, here.system) else here


def _same_file(one: Path, other: Path) -> bool:
    return one.exists() and one.samefile(other)


def _outputs(asked: NoteRequest, system: Path | None) -> list[str]:
    if not asked.names:
        return []
    from gainkit.errors import GainkitError
    from gainkit.job.system import load_system

    if system is None:
        code = "needs_system_file" if asked.own_system else "needs_log"
        raise GainkitError(code, "for_output", asked.names[0])
    car = load_system(system)
    return [car.output(name).name for name in asked.names]


@dataclass(frozen=True)
class Noting:
    """One line for the record."""

    result: Any
    captures: Sequence[Path]
    origin: Origin = "capture"


def tell(place: Place, result: Any, as_json: bool, text: Callable[[], str], notings: Sequence[Noting]) -> None:
    """Note readings, then print the answer with what was noted as which number.

    It is printed when noting fails, too: a record that cannot be written must not cost the reading.
    """
    events: list[Event] = []
    try:
        if place.job is not None:
            from gainkit.job.log import log_reading

            for each in notings:
                events.append(
                    log_reading(
                        place.job, place.kind, list(place.outputs), each.result, each.captures,
                        origin=each.origin, who=place.by,
                    )
                )  # fmt: skip
    finally:
        show(_with_keys(place, result, events) if as_json else result, as_json, text)
        tell_used(place)
        for event in events:
            remark(f"Noted as {event.number}: {event.kind} of {', '.join(event.outputs) or 'the car'}.")


def tell_used(place: Place) -> None:
    """Say what of the job's folder was used."""
    if place.used:
        remark(f"Used: {', '.join(map(str, place.used))}.")


def _with_keys(place: Place, result: Any, events: Sequence[Event]) -> Any:
    """The JSON answer with `noted` (a list where several were) and `used`."""
    from gainkit.cli.door import CLI
    from gainkit.results import to_plain

    facts = to_plain(result, CLI)
    noted = [{"number": each.number, "kind": each.kind} for each in events]
    if noted:
        facts |= {"noted": noted[0] if len(noted) == 1 else noted}
    return facts | ({"used": [str(each) for each in place.used]} if place.used else {})
