"""`gainkit calibrate`: what a recorder's full scale stands for, by a meter at the same point."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show
from gainkit.cli.door import CLI
from gainkit.cli.options import Minus

if TYPE_CHECKING:
    from gainkit.capture.calibration import Calibration
    from gainkit.remarks import Remark


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
    minus: Minus = None,
    meter_accuracy_percent: Annotated[
        float | None, typer.Option("--meter-accuracy-percent", help="What the meter's maker promises, +-.")
    ] = None,
    reading_step_volts: Annotated[
        float | None, typer.Option("--reading-step-volts", help="One step of the last digit that was read.")
    ] = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Find the recorder's full scale from one tone and a meter reading; keep its gain afterwards."""
    from gainkit.calculator.leads import hook_up_cautions
    from gainkit.files import refuse_existing, write_whole
    from gainkit.recorder import calibrate_recorder
    from gainkit.results import to_plain

    refuse_existing(out, overwrite)
    calibration = calibrate_recorder(
        capture,
        reading_volts,
        channel=channel,
        minus=minus,
        meter_accuracy_percent=meter_accuracy_percent,
        reading_step_volts=reading_step_volts,
    )
    write_whole(out, calibration.as_toml(), overwrite=overwrite)
    cautions = hook_up_cautions()
    answer = to_plain(calibration, CLI) | {"file": str(out), "cautions": to_plain(cautions, CLI)}
    show(answer, json_, lambda: _text(calibration, out, cautions))


def _text(calibration: Calibration, out: Path, cautions: tuple[Remark, ...]) -> str:
    """Full scale first, then the tone that it rests on and how long it holds."""
    from gainkit.cli.plain import bullets, sections
    from gainkit.figures import filled

    told = (
        "Full scale is {full_scale_volts:.5g} V peak. Written to {out}.\n"
        "  Tone {tone_hz:.6g} Hz, {tone_dbfs:z.2f} dBFS.\n"
        "  Valid while the recorder's input gain and the pad stay as they are.\n"
        "  Meters differ: at 1 kHz use one that is specified there, or calibrate at 50 Hz."
    )
    return sections(
        filled(told, vars(calibration) | {"out": out}),
        bullets("Notes", calibration.notes),
        bullets("Cautions", cautions),
    )
