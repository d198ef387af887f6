"""`gainkit live`: an audio interface as a meter that says what to turn."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show
from gainkit.cli.options import Band, Calibration, Channel, FullScale, LimitThd, Minus, parse_band

if TYPE_CHECKING:
    from gainkit.analysis import Measurement, MeasureOptions
    from gainkit.errors import GainkitError
    from gainkit.live import Interface, LiveResult


def register(app: typer.Typer) -> None:
    """Add `live` to the tree."""
    app.command("live")(live)


def live(
    device: Annotated[
        str | None, typer.Option("--device", help="Name or number of the interface [the system's].")
    ] = None,
    full_scale_volts: FullScale = None,
    calibration: Calibration = None,
    target_volts: Annotated[
        float | None, typer.Option("--target-volts", help="Volts the output shall show.")
    ] = None,
    load_ohms: Annotated[
        float | None, typer.Option("--load-ohms", help="Load on the output, for watts.")
    ] = None,
    channel: Channel = 1,
    minus: Minus = None,
    band_hz: Band = "10:20000",
    limit_thd_percent: LimitThd = 1.0,
    rate: Annotated[float | None, typer.Option("--rate", help="Sample rate [the interface's].")] = None,
    seconds: Annotated[
        float | None, typer.Option("--seconds", help="End after so long [until Ctrl-C].")
    ] = None,
    save: Annotated[Path | None, typer.Option("--save", help="Keep the recording, .wav.")] = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Show volts, what to turn, THD and the state of a tone several times a second.

    Put a pad before the interface (`gainkit pad`). Neither lead of a bridged or built-in output may touch
    ground: use two inputs and --minus.
    """
    from gainkit.analysis.model import MeasureOptions
    from gainkit.errors import GainkitError
    from gainkit.live import Interface

    if seconds is not None and not 1 <= seconds <= 86_400:
        raise GainkitError(f"--seconds is {seconds:g}.", "Give 1 to 86400 s.")
    if json_ and seconds is None:
        raise GainkitError("--json needs an end.", "Add --seconds N.")
    options = MeasureOptions(
        channel=channel, minus=minus, band_hz=parse_band(band_hz), load_ohms=load_ohms,
        target_volts=target_volts, limit_thd_percent=limit_thd_percent,
    )  # fmt: skip
    volts = _full_scale(full_scale_volts, calibration)
    interface = Interface(device, rate, max(channel, minus or 1))
    try:
        result = _run(interface, volts, options, seconds, save, overwrite, quiet=json_)
    finally:
        interface.close()
    show(result, json_, lambda: _end_text(result))


def _full_scale(full_scale_volts: float | None, calibration: Path | None) -> float | None:
    from gainkit.capture.audio import check_volts
    from gainkit.capture.calibration import read_calibration
    from gainkit.errors import GainkitError

    check_volts("--full-scale-volts", full_scale_volts)
    if calibration is None:
        return full_scale_volts
    if full_scale_volts is not None:
        raise GainkitError(
            "--full-scale-volts and --calibration are both given.", "Give one: each says what full scale is."
        )
    return read_calibration(calibration).full_scale_volts


def _run(
    interface: Interface, volts: float | None, options: MeasureOptions, seconds: float | None,
    save: Path | None, overwrite: bool, *, quiet: bool,
) -> LiveResult:  # fmt: skip
    """Read until the end or Ctrl-C, a line a reading."""
    from gainkit.analysis import Measurement
    from gainkit.live import LiveResult, Recorder, limited, saved, watch

    recorder = Recorder(interface.name, interface.sample_rate_hz, interface.channels, volts)
    last: Measurement | None = None
    problem: str | None = None
    at, readings, clipped, overloads = 0.0, 0, 0, 0
    try:
        with saved(limited(interface, recorder.sample_rate_hz, seconds), save, recorder, overwrite) as blocks:
            for moment, reading in watch(blocks, recorder, options):
                at, readings = moment, readings + 1
                if isinstance(reading, Measurement):
                    last, problem = reading, None
                    clipped += reading.clipping.state == "clipped"
                    overloads += reading.recorder_overload
                else:
                    problem = reading.problem
                if not quiet:
                    _say(live_line(reading))
    except KeyboardInterrupt:
        if save is not None:
            raise
    return LiveResult(interface.name, at, readings, clipped, overloads, interface.lost, last, problem)


def live_line(reading: Measurement | GainkitError) -> str:
    """One line that fits a narrow screen: volts, what to turn, THD, state."""
    from gainkit.analysis import Measurement
    from gainkit.cli.measure_text import beside_target

    if not isinstance(reading, Measurement):
        return "waiting for a tone"
    unit = "V" if reading.calibrated else "FS"
    parts = [f"{reading.rms_volts:8.3f} {unit}"]
    if reading.recorder_overload:
        return f"{parts[0]}  INPUT OVERLOADED: turn the interface's input down"
    if not reading.steady_tone:
        return f"{parts[0]}  no steady tone"
    stands = beside_target(reading)
    if stands == "turn" and reading.target is not None:
        parts.append(f"turn {reading.target.change_db:+.1f} dB")
    elif stands is not None:
        parts.append("on target" if stands == "on target" else "target not clean here")
    parts.append(f"THD {reading.thd_percent:7.3f} %")
    state = (reading.clipping.state or "").upper()
    over = reading.clipping.overdrive_db or 0.0
    parts.append(f"{state} {over:.1f} dB" if state == "CLIPPED" and over > 0 else state)
    return "  ".join(parts)


def _say(line: str) -> None:
    """Over the line before on a screen; a line of its own elsewhere."""
    on_screen = sys.stdout.isatty()
    print(f"\r{line:<78}" if on_screen else line, end="" if on_screen else "\n", flush=True)


def _end_text(result: LiveResult) -> str:
    told = f"{result.device}: {result.readings} readings in {result.seconds:.1f} s"
    told += f", {result.clipped_readings} clipped, {result.overloads} overloaded."
    if result.lost_blocks:
        told += f" The machine was too slow {result.lost_blocks} times: close other programs."
    return f"\n{told}"
