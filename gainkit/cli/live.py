"""`gainkit live`: an audio interface as a meter that says what to turn."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, grouped, remark
from gainkit.cli.options import (
    Band,
    BesideOptions,
    ChannelOptions,
    CheckLimit,
    OutputOptions,
    ScaleOptions,
    parse_band,
)
from gainkit.cli.place import NoteOptions, NoteRequest, Noting, place_of, tell

if TYPE_CHECKING:
    from gainkit.analysis import Measurement, MeasureOptions
    from gainkit.beside import Expected
    from gainkit.errors import GainkitError
    from gainkit.live import Blocks, InputSettings, Interface, LiveResult


def register(app: typer.Typer) -> None:
    """Add `live` to the tree."""
    app.command("live")(grouped(live))


def live(
    *,
    device: Annotated[
        str | None, typer.Option("--device", help="Name or number of the interface [the system's].")
    ] = None,
    scale: ScaleOptions,
    output: OutputOptions,
    beside: BesideOptions,
    channels: ChannelOptions,
    band_hz: Band = "10:20000",
    limit_thd_percent: CheckLimit = None,
    rate: Annotated[float | None, typer.Option("--rate", help="Sample rate [the interface's].")] = None,
    seconds: Annotated[
        float | None, typer.Option("--seconds", help="End after so long [until Ctrl-C].")
    ] = None,
    note: NoteOptions,
    large: Annotated[
        bool, typer.Option("--large", help="Letters over the whole screen, for a classroom.")
    ] = False,
    save: Annotated[Path | None, typer.Option("--save", help="Keep the recording, .wav.")] = None,
    overwrite: OverwriteFlag = False,
    json_: JsonFlag = False,
) -> None:
    """Show volts, what to turn, THD and the state of a tone several times a second.

    Put a pad before the interface (`gainkit pad`). Neither lead of a bridged or built-in output may touch
    ground: use two inputs and --minus.
    """
    from gainkit.analysis.model import MeasureOptions
    from gainkit.calculator.leads import hook_up_cautions
    from gainkit.calculator.ranges import refuse_outside
    from gainkit.cli.measure import expectation
    from gainkit.cli.plain import said, wrapped
    from gainkit.errors import GainkitError
    from gainkit.live import RUN_SECONDS, InputSettings, Interface, limited, saved

    refuse_outside("seconds", seconds, RUN_SECONDS)
    if json_ and seconds is None:
        raise GainkitError("seconds_missing", "json")
    place = place_of(NoteRequest("measure", note, beside.for_output, beside.system, scale, own_system=True))
    expected = expectation(place.system, place.output, output.target_volts, limit_thd_percent)
    options = MeasureOptions(
        **vars(channels), band_hz=parse_band(band_hz), **output.beside(expected),
        limit_thd_percent=expected.checks.limit_thd_percent,
    )  # fmt: skip
    volts = _full_scale(scale.full_scale_volts, place.calibration)
    interface = Interface(device, rate, max(channels.channel, channels.minus or 1))
    for caution in () if json_ else said(hook_up_cautions(channels.minus)):
        remark(wrapped(f"CAUTION: {caution}", "", "  "))
    settings = InputSettings(interface.name, interface.sample_rate_hz, interface.channels, volts)
    try:
        blocks = limited(interface, settings.sample_rate_hz, seconds)
        with saved(blocks, save, settings, overwrite) as kept:  # whole however it ends: Ctrl-C ends inside
            readings = watch_plan(kept, settings, options, expected)
            result = _run(interface, readings, expected, say=None if json_ else _say_large if large else _say)
    finally:
        interface.close()
    read = [] if result.last is None else [Noting(result.last, [] if save is None else [save], "live")]
    tell(place, result, json_, lambda: _end_text(result), read)
    if place.job is not None and not read:
        raise GainkitError("nothing_read_live")


def _full_scale(full_scale_volts: float | None, calibration: Path | None) -> float | None:
    from gainkit.calculator.ranges import refuse_outside
    from gainkit.capture.calibration import FULL_SCALE_VOLTS, read_calibration
    from gainkit.errors import GainkitError

    refuse_outside("full_scale_volts", full_scale_volts, FULL_SCALE_VOLTS)
    if calibration is None:
        return full_scale_volts
    if full_scale_volts is not None:
        raise GainkitError("not_both", "full_scale_volts", full_scale_volts, other="calibration")
    return read_calibration(calibration).full_scale_volts


def watch_plan(
    blocks: Blocks, settings: InputSettings, options: MeasureOptions, expected: Expected
) -> Iterator[tuple[float, Measurement | GainkitError]]:
    """Readings beside the plan of the output that they are taken for."""
    from gainkit.analysis import Measurement
    from gainkit.beside import beside_plan
    from gainkit.live import watch

    for seconds, reading in watch(blocks, settings, options):
        yield seconds, beside_plan(reading, expected.plan) if isinstance(reading, Measurement) else reading


def _run(
    interface: Interface,
    readings: Iterator[tuple[float, Measurement | GainkitError]],
    expected: Expected,
    *,
    say: Callable[[Measurement | GainkitError, Expected], None] | None,
) -> LiveResult:
    """Show a line a reading until the end or Ctrl-C; what the run as a whole showed."""
    from gainkit.analysis import Measurement
    from gainkit.live import LiveResult

    last: Measurement | None = None
    problem: str | None = None
    at, count, clipped, overloads = 0.0, 0, 0, 0
    with contextlib.suppress(KeyboardInterrupt):
        for moment, reading in readings:
            at, count = moment, count + 1
            if isinstance(reading, Measurement):
                last, problem = reading, None
                clipped += reading.clipping.state == "clipped"
                overloads += reading.recorder_overload
            else:
                problem = reading.code
            if say is not None:
                say(reading, expected)
    return LiveResult(interface.name, at, count, clipped, overloads, interface.lost, last, problem)


def live_line(reading: Measurement | GainkitError, expected: Expected) -> str:
    """One line that fits a narrow screen: volts, what to turn, THD, state; what may hurt instead of these."""
    from gainkit.advice import has_stray_dc, what_to_turn
    from gainkit.analysis import Measurement
    from gainkit.cli.plain import percent
    from gainkit.figures import filled

    if not isinstance(reading, Measurement):
        return "waiting for a tone"
    volts = f"{reading.rms_volts:8.3f} {'V' if reading.calibrated else 'FS'}"
    if reading.recorder_overload:
        return f"{volts}  INPUT OVERLOADED: turn the interface's input down"
    if has_stray_dc(reading):
        return filled(
            "{volts}  DC {dc:+.3g} V: connect no loudspeaker", {"volts": volts, "dc": reading.dc_volts}
        )
    if not reading.steady_tone:
        return f"{volts}  no steady tone"
    parts = [volts]
    turn = what_to_turn(reading, expected.checks)
    if "other_tone" in _codes(reading):
        parts.append("another tone than planned")
    elif turn.state in ("up", "down"):
        parts.append(f"turn {turn.change_db:+z.1f} dB")
    elif turn.state != "unknown":
        parts.append("on target" if turn.state == "on-target" else "target not clean here")
    parts.append(f"THD {percent(reading.thd_percent, 2):>9}")
    state = (reading.clipping.state or "").upper()
    over = reading.clipping.overdrive_db or 0.0
    parts.append(f"{state} {over:z.1f} dB" if state == "CLIPPED" and over > 0 else state)
    return "  ".join(parts)


def _codes(reading: Measurement) -> set[str]:
    from gainkit.remarks import Remark, codes

    return codes(note for note in reading.notes if isinstance(note, Remark))


def _say_large(reading: Measurement | GainkitError, expected: Expected) -> None:
    """Over the whole screen; below what was before elsewhere."""
    import shutil

    from gainkit.cli.large import large_screen, large_words

    size = shutil.get_terminal_size()
    screen = large_screen(large_words(reading, expected), size.columns - 1, size.lines - 1)
    on_screen = sys.stdout.isatty()
    print(f"\x1b[H\x1b[J{screen}" if on_screen else screen, flush=True)


def _say(reading: Measurement | GainkitError, expected: Expected) -> None:
    """Over the line before on a screen; a line of its own elsewhere."""
    from gainkit.cli.plain import width

    line = live_line(reading, expected)
    on_screen = sys.stdout.isatty()
    print(f"\r{line[: width()]:<{width()}}" if on_screen else line, end="" if on_screen else "\n", flush=True)


def _end_text(result: LiveResult) -> str:
    told = f"{result.device}: {result.readings} readings in {result.seconds:.1f} s"
    told += f", {result.clipped_readings} clipped, {result.overloads} overloaded."
    if result.lost_blocks:
        told += f" The machine was too slow {result.lost_blocks} times: close other programs."
    return f"\n{told}"
