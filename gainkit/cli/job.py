"""`gainkit job new` and `gainkit job status`: a folder a car, and how it stands."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show

if TYPE_CHECKING:
    from gainkit.job.status import JobStatus

JobFolder = Annotated[Path, typer.Argument(metavar="JOB", help="Job folder.")]
Tolerance = Annotated[
    float, typer.Option("--tolerance-db", help="A level within this of its target is on target.")
]

job = typer.Typer(help="A folder for one car: start it, and see what is still to be done.")


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
    from gainkit.job.folder import new_job

    made = new_job(folder, system)

    def text() -> str:
        from gainkit.cli.plain import shell_word

        return (
            f"Made {made.folder}. Next:\n"
            f"  1. Fill in {made.system} from the plates.\n"
            f"  2. gainkit plan {shell_word(made.system)}\n"
            f"  3. Note readings: gainkit measure CAPTURE --log {shell_word(made.folder)} --for CHANNEL\n"
            f"  4. gainkit job status {shell_word(made.folder)}"
        )

    show(made, json_, text)


@job.command("status")
def status(folder: JobFolder, tolerance_db: Tolerance = 0.5, json_: JsonFlag = False) -> None:
    """Tell which channels still lack a reading and which miss their target."""
    from gainkit.job.status import job_status

    found = job_status(folder, tolerance_db)
    show(found, json_, lambda: status_text(found))


def status_text(found: JobStatus) -> str:
    """The verdict first, a line a channel, then what is still to be measured."""
    from gainkit.cli.plain import bullets, columns, sections, shortened, wrapped

    unmet = [channel for channel in found.channels if channel.met is not True]
    count = len(found.channels)
    head = (
        f"ALL {count} CHANNELS ON TARGET (within {found.tolerance_db:g} dB)."
        if not unmet
        else f"{len(unmet)} OF {count} CHANNELS NOT DONE."
    )
    rows = [(shortened(channel.name), channel.verdict) for channel in found.channels]
    missing = [
        f"{shortened(channel.name, 60)}: {', '.join(channel.lacks)} not measured"
        for channel in found.channels
        if channel.lacks
    ]
    missing += [
        f"{shortened(channel.name, 60)}: its polarity was last found negative"
        for channel in found.channels
        if channel.polarity == "negative"
    ]
    source = found.source
    if source.highest_clean_position is None and source.source_volts is None:
        missing.insert(0, "Source: volume not measured")
    return sections(
        wrapped(head, "", ""),
        columns(("channel", "level"), rows),
        bullets("Still open:", missing),
        bullets("The record:", found.problems),
    )


def sheet(
    folder: JobFolder,
    out: Annotated[Path, typer.Option("--out", help="File to write, .html.")],
    tolerance_db: Tolerance = 0.5,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Write the as-left page of a job: one file that opens on a phone and prints on A4 or Letter."""
    from gainkit.sheet import write_sheet

    made = write_sheet(folder, out, tolerance_db=tolerance_db, overwrite=overwrite)
    show(made, json_, lambda: f"Wrote {made.file}: {made.verdict}")
