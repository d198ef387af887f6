"""`gainkit calibrate`: what a recorder's full scale stands for, by a meter at the same point."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show


def register(app: typer.Typer) -> None:
    """Add `calibrate` to the tree."""
    app.command("calibrate")(calibrate)


def calibrate(
    capture: Annotated[Path, typer.Argument(help="Recording of a steady tone.")],
    reading_volts: Annotated[
        float, typer.Option("--reading-volts", help="Rms volts that the meter showed at the same point.")
    ],
    out: Annotated[Path, typer.Option("--out", help="Calibration file to write (TOML).")],
    channel: Annotated[int, typer.Option("--channel", min=1, help="Channel, counted from 1.")] = 1,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Find the recorder's full scale from one tone and a meter reading; keep its gain afterwards."""
    from gainkit.files import refuse_existing, write_whole
    from gainkit.recorder import calibrate_recorder
    from gainkit.results import to_plain

    refuse_existing(out, overwrite)
    known = calibrate_recorder(capture, reading_volts, channel=channel)
    write_whole(out, known.as_toml(), overwrite=overwrite)

    def text() -> str:
        lines = [
            f"Full scale is {known.full_scale_volts:.5g} V peak. Written to {out}.",
            f"  Tone {known.tone_hz:.6g} Hz, {known.tone_dbfs:.2f} dBFS.",
            "  Valid while the recorder's input gain and the pad stay as they are.",
            "  Meters differ: at 1 kHz use one that is specified there, or calibrate at 50 Hz.",
        ]
        return "\n".join([*lines, *(f"  Note: {note}" for note in known.notes)])

    show(to_plain(known) | {"file": str(out)}, json_, text)
