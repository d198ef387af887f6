"""The command tree. Only typer and the standard library are imported here: --help must be quick."""

from __future__ import annotations

from typing import Annotated

import typer

from gainkit.cli import bench, calibrate, charts, demo, job, measure, onset, plan, tones, wiring

app = typer.Typer(
    name="gainkit",
    help="Test tones, measurements and arithmetic for setting amplifier gain in a car.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _show_version(asked: bool) -> None:
    if asked:
        from gainkit import __version__

        print(f"gainkit {__version__}")
        raise typer.Exit


@app.callback()
def _options_of_all(
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version and exit.", callback=_show_version, is_eager=True),
    ] = False,
) -> None:
    """Test tones, measurements and arithmetic for setting amplifier gain in a car."""


for room in (plan, tones, measure, calibrate, onset, wiring, bench, charts, job, demo):
    room.register(app)
