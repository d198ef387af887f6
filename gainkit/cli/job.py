"""`gainkit job ...`: a folder a car, its record, and how it stands."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show
from gainkit.cli.place import JobHere, job_or_here

if TYPE_CHECKING:
    from gainkit.job.model import JobStatus
    from gainkit.job.report import JobReport
    from gainkit.remarks import Remark

FirstHere = Annotated[
    str | None, typer.Argument(metavar="[JOB]", show_default=False, help="Job folder [the one you stand in].")
]
Tolerance = Annotated[
    float | None,
    typer.Option("--tolerance-db", help="A level within this of its target is on target [the system file's]."),
]
Who = Annotated[str | None, typer.Option("--by", help="Who does it [the system file's technician].")]

job = typer.Typer(help="A folder for one car: start it, keep its record, see what is still to be done.")


def register(app: typer.Typer) -> None:
    """Add `job` and `sheet` to the tree."""
    app.add_typer(job, name="job")
    app.command("sheet")(sheet)


@job.command("new")
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")],
    system: Annotated[
        Path | None, typer.Option("--system", help="System file to start from [a commented example].")
    ] = None,
    json_: JsonFlag = False,
) -> None:
    """Start a job: a commented system.toml, and places for captures and charts."""
    from gainkit.job.folder import start_job

    made = start_job(folder, system)

    def text() -> str:
        from gainkit.cli.plain import shell_word

        return (
            f"Made {made.folder}. Next:\n"
            f"  1. Fill in {made.system} from the plates.\n"
            f"  2. gainkit plan {shell_word(made.system)}\n"
            f"  3. Note readings: gainkit measure CAPTURE --log {shell_word(made.folder)} --for OUTPUT\n"
            f"     or typed from a meter: gainkit note {shell_word(made.folder)} --for OUTPUT --volts V\n"
            f"  4. gainkit job status {shell_word(made.folder)}\n"
            "Inside the folder its name can be left away: gainkit measure CAPTURE --for OUTPUT is enough,\n"
            "and takes its recorder.toml and stick/index.json."
        )

    show(made, json_, text)


@job.command("status")
def status(folder: JobHere = None, tolerance_db: Tolerance = None, json_: JsonFlag = False) -> None:
    """Tell how a job stands: what is wrong, what misses its target, what is still to be measured."""
    from gainkit.job.standing import job_status

    standing = job_status(job_or_here(folder), tolerance_db)
    show(standing, json_, lambda: status_text(standing))


def status_text(status: JobStatus) -> str:
    """The headline first, a line an output, then every fault, then what is still to be measured."""
    from gainkit.cli.door import CLI
    from gainkit.cli.plain import bullets, columns, sections, shortened, wrapped
    from gainkit.words import remark_text

    rows = [(shortened(each.name), remark_text(each.verdict, CLI)) for each in status.outputs]
    faults = [
        f"{shortened(each.name, 60)}: {_with_code(one)}" for each in status.outputs for one in each.remarks
    ]
    missing = [
        f"{shortened(each.name, 60)}: {', '.join(each.lacks)} not measured"
        for each in status.outputs
        if each.lacks
    ]
    source = status.source
    if source.highest_clean_position is None and source.source_volts is None:
        missing.insert(0, "Source: volume not measured")
    return sections(
        wrapped(remark_text(status.headline, CLI), "", ""),
        columns(("output", "level"), [(name, told.split(": keep them")[0]) for name, told in rows]),
        bullets("What stands against it:", faults),
        bullets("Still open:", missing),
        bullets("The car and its record:", [_with_code(one) for one in status.problems]),
    )


def _with_code(one: Remark) -> str:
    """A remark; of a fault its code too, by which it can be accepted."""
    from gainkit.cli.door import CLI
    from gainkit.words import remark_text

    return remark_text(one, CLI) + (f" [{one.code}]" if one.severity == "fault" else "")


@job.command("readings")
def readings(folder: JobHere = None, json_: JsonFlag = False) -> None:
    """List every reading of a job with its number, output, kind and figures, and whether it counts."""
    from gainkit.job.listing import list_readings

    listing = list_readings(job_or_here(folder))

    def text() -> str:
        from gainkit.cli.plain import columns, shortened

        rows = [
            (
                str(each.number),
                each.when[:16].replace("T", " "),
                shortened(", ".join(each.outputs) or "the car", 24),
                each.kind,
                shortened(each.figures, 40),
                shortened(each.who or "", 16),
                "counts" if each.counts else f"void: {shortened(each.void_reason or '', 24)}",
            )
            for each in listing.readings
        ]
        return columns(("no", "when", "output", "kind", "figures", "who", ""), rows)

    show(listing, json_, text)


@job.command("void")
def void(
    job_or_number: FirstHere = None,
    reading: Annotated[
        str | None, typer.Argument(metavar="NUMBER", show_default=False, help="The reading, by its number.")
    ] = None,
    *,
    reason: Annotated[str, typer.Option("--reason", help="Why it does not count.")],
    by: Who = None,
    json_: JsonFlag = False,
) -> None:
    """Void a reading; it stays in the record, struck out, with the reason."""
    from gainkit.errors import GainkitError
    from gainkit.job.log import void_reading

    folder, told = _job_and(job_or_number, reading, "number")
    if not told.isdecimal():
        raise GainkitError(
            "wrong_kind", "number", told, "a reading's number, as 'gainkit job readings' tells it"
        )
    number = int(told)
    made = void_reading(folder, number, reason, who=by)
    show(made, json_, lambda: f"Reading {number} does not count any more; noted as {made.number}.")


@job.command("undo")
def undo(folder: JobHere = None, by: Who = None, json_: JsonFlag = False) -> None:
    """Void the last reading that counts."""
    from gainkit.job.log import undo_last

    made, last = undo_last(job_or_here(folder), who=by)
    where = ", ".join(last.outputs) or "the car"
    show(
        {"number": made.number, "kind": made.kind, "voided": last.number},
        json_,
        lambda: (
            f"Reading {last.number} ({last.kind} of {where}) does not count any more; noted as {made.number}."
        ),
    )


@job.command("visit")
def visit(
    job_or_name: FirstHere = None,
    visit_name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", show_default=False, help="Name of the visit, such as 're-check'."),
    ] = None,
    by: Who = None,
    json_: JsonFlag = False,
) -> None:
    """Begin a new visit: as found and as left are told by visit."""
    from gainkit.job.log import start_visit

    folder, name = _job_and(job_or_name, visit_name, "name")
    made = start_visit(folder, name, who=by)
    show(made, json_, lambda: f"Readings from here on belong to {name!r}; noted as {made.number}.")


def _job_and(first: str | None, second: str | None, parameter: str) -> tuple[Path, str]:
    """The job, named or stood in, and the argument behind it. Raises GainkitError without that argument."""
    from gainkit.errors import GainkitError

    if first is None:
        raise GainkitError("missing", parameter)
    return (job_or_here(None), first) if second is None else (Path(first), second)


@job.command("report")
def report(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that holds job folders.")],
    json_: JsonFlag = False,
) -> None:
    """One line a job below a folder."""
    from gainkit.job.report import report_jobs

    jobs = report_jobs(folder)
    show(jobs, json_, lambda: report_text(jobs))


def report_text(report: JobReport) -> str:
    """A line a job."""
    from gainkit.cli.door import CLI
    from gainkit.cli.plain import columns, shortened
    from gainkit.words import remark_text

    rows = []
    for each in report.jobs:
        told = f"cannot be read ({each.problem})" if each.headline is None else remark_text(each.headline, CLI)
        name = Path(each.folder).name
        rows.append((shortened(name, 24), (each.last or "-")[:10], shortened(each.vehicle or "-", 24), told))
    return columns(("job", "last", "vehicle", "stands"), rows)


def sheet(
    folder: JobHere = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write, .html [sheet.html in the job].")
    ] = None,
    tolerance_db: Tolerance = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Write the as-left page of a job: one file that opens on a phone and prints on A4 or Letter."""
    from gainkit.sheet import write_sheet

    job_folder = job_or_here(folder)
    made = write_sheet(
        job_folder,
        job_folder / "sheet.html" if out is None else out,
        tolerance_db=tolerance_db,
        overwrite=overwrite,
    )
    show(made, json_, lambda: f"Wrote {made.file}: {made.headline}")
