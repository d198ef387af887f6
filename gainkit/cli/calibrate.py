"""`gainkit calibrate`: what a recorder's full scale stands for, by a meter at the same point."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show

MOST_THD_PERCENT = 1.0
"""Distortion from which a tone is no fit reference [%] (our choice: the meter's error is then some tenths)."""


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
    import datetime
    import math

    from gainkit.analysis import MeasureOptions, measure
    from gainkit.capture import read_capture
    from gainkit.capture.calibration import Calibration
    from gainkit.errors import GainkitError
    from gainkit.files import refuse_existing, write_whole

    if not (math.isfinite(reading_volts) and reading_volts > 0):
        raise GainkitError(f"--reading-volts is {reading_volts:g} V.", "Give the meter's rms volts, above 0.")
    refuse_existing(out, overwrite)
    opened = read_capture(capture)
    if opened.calibrated:
        raise GainkitError(
            f"{capture} is oscilloscope text, in volts already.",
            "Calibrate a recorder with an audio file; for a scope check the probe's factor instead.",
        )
    result = measure(opened, MeasureOptions(channel=channel))
    if result.recorder_overload:
        raise GainkitError(
            f"{capture}: the recorder is overloaded, its samples stand at full scale.",
            "Turn its input down or use a pad, then record and read the meter again.",
        )
    if not result.steady_tone or result.rms_volts <= 0:
        raise GainkitError(
            f"{capture}: {' '.join(result.notes) or 'no steady tone.'}",
            "Record ten seconds of one steady sine.",
        )
    how = f"{result.frequency_hz:.6g} Hz tone, meter {reading_volts:g} V rms, {capture.name}"
    found = Calibration(
        full_scale_volts=reading_volts / result.rms_volts,
        channel=channel,
        sample_rate_hz=opened.sample_rate_hz,
        date=datetime.date.today().isoformat(),
        how=how,
    )
    write_whole(out, found.as_toml(), overwrite=overwrite)

    notes = list(result.notes)
    if result.thd_percent is not None and result.thd_percent >= MOST_THD_PERCENT:
        notes.append(
            f"The tone is distorted (THD {result.thd_percent:.2g} %): an average-responding meter misreads it, "
            "and the calibration is off by as much. Record a clean one, turned down, and calibrate again."
        )

    level_dbfs = 20 * math.log10(result.rms_volts * math.sqrt(2))

    def text() -> str:
        lines = [
            f"Full scale is {found.full_scale_volts:.5g} V peak. Written to {out}.",
            f"  Tone {result.frequency_hz:.6g} Hz, {level_dbfs:.2f} dBFS.",
            "  Valid while the recorder's input gain and the pad stay as they are.",
            "  Meters differ: at 1 kHz use one that is specified there, or calibrate at 50 Hz.",
        ]
        return "\n".join([*lines, *(f"  Note: {note}" for note in notes)])

    show({**found.__dict__, "file": str(out), "notes": notes}, json_, text)
