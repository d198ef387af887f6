"""The command tree. Only typer and the standard library are imported here: --help must be quick."""

from __future__ import annotations

import typer

from gainkit.cli import bench, charts, demo, job, measure, onset, plan, tones, wiring

app = typer.Typer(
    name="gainkit",
    help="Test tones, measurements and arithmetic for setting amplifier gain in a car.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

for room in (plan, tones, measure, onset, wiring, bench, charts, job, demo):
    room.register(app)


@app.callback()
def _version(
    version: bool = typer.Option(False, "--version", help="Show the version and exit.", is_eager=True),
) -> None:
    if version:
        from gainkit import __version__

        print(f"gainkit {__version__}")
        raise typer.Exit
