"""`gainkit measure`: a capture of a steady tone to figures and to what must be turned."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show
from gainkit.cli.lines import LineForm
from gainkit.cli.options import (
    Band,
    Calibration,
    CaptureFiles,
    Channel,
    ForChannel,
    FullScale,
    Interval,
    LimitThd,
    LogFolder,
    Minus,
    Start,
    Stop,
    check_log,
    parse_band,
)  # fmt: skip

if TYPE_CHECKING:
    from gainkit.analysis import Measurement
    from gainkit.batch import Question


def register(app: typer.Typer) -> None:
    """Add `measure` to the tree."""
    app.command("measure")(measure)


def measure(
    captures: CaptureFiles,
    full_scale_volts: FullScale = None,
    calibration: Calibration = None,
    interval_seconds: Interval = None,
    channel: Channel = 1,
    minus: Minus = None,
    start: Start = None,
    stop: Stop = None,
    band_hz: Band = "10:20000",
    load_ohms: Annotated[
        float | None, typer.Option("--load-ohms", help="Load on the output, for watts.")
    ] = None,
    target_volts: Annotated[
        float | None, typer.Option("--target-volts", help="Volts the output shall show.")
    ] = None,
    limit_thd_percent: LimitThd = 1.0,
    system: Annotated[Path | None, typer.Option("--system", help="System file that holds the target.")] = None,
    for_channel: ForChannel = None,
    require_clean: Annotated[
        bool, typer.Option("--require-clean", help="Exit 1 unless every capture is a clean steady tone.")
    ] = False,
    log: LogFolder = None,
    chart: Annotated[
        Path | None, typer.Option("--chart", help="Waveform and spectrum to draw: .png, .svg or .pdf.")
    ] = None,
    overwrite: OverwriteFlag = False,
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Processes to share the files among.")] = 1,
    lines: Annotated[
        LineForm | None, typer.Option("--lines", help="One line a capture; a bad file costs only its line.")
    ] = None,
    json_: JsonFlag = False,
) -> None:
    """Measure a recorded tone: volts, distortion, clipping, and what to turn."""
    from gainkit.analysis import MeasureOptions
    from gainkit.batch import Question, captures_in

    if log is not None:
        check_log(log, for_channel)
    target_volts, load_ohms = _from_system(system or _system_of(log), for_channel, target_volts, load_ohms)
    options = MeasureOptions(
        channel=channel,
        minus=minus,
        start_seconds=start,
        stop_seconds=stop,
        band_hz=parse_band(band_hz),
        load_ohms=load_ohms,
        target_volts=target_volts,
        limit_thd_percent=limit_thd_percent,
    )
    files = captures_in(captures)
    if chart is not None and (len(files) != 1 or lines is not None):
        raise typer.BadParameter("goes with one capture and without --lines", param_hint="--chart")
    questions = [Question(path, options, full_scale_volts, calibration, interval_seconds) for path in files]
    if lines is not None:
        if json_ or log is not None:
            raise typer.BadParameter("cannot go with --json or --log", param_hint="--lines")
        _in_lines(questions, jobs, lines, limit_thd_percent if require_clean else None)
        return
    results = _all_or_nothing(questions, jobs)
    if chart is not None:
        _draw(questions[0], chart, overwrite)
    if log is not None:
        from gainkit.job.readings import log_reading

        for path, result in zip(files, results, strict=True):
            log_reading(log, "measure", for_channel, result, [path])
    answer = results[0] if len(results) == 1 else {"measurements": results}
    show(answer, json_, lambda: "\n\n".join(as_text(result) for result in results))
    if require_clean and not all(is_clean(result, limit_thd_percent) for result in results):
        raise typer.Exit(1)


def _all_or_nothing(questions: list[Question], jobs: int) -> list[Measurement]:
    """Every measurement; the first file that cannot be read ends it."""
    from gainkit.batch import measure_files
    from gainkit.errors import GainkitError

    results = []
    for answer in measure_files(questions, jobs):
        if answer.measurement is None:
            raise GainkitError(answer.problem or "", answer.remedy or "")
        results.append(answer.measurement)
    return results


def _in_lines(questions: list[Question], jobs: int, form: LineForm, clean_below_percent: float | None) -> None:
    """One line a capture; exit 2 if a file could not be measured, 1 if one is not clean and all should be."""
    from gainkit.cli.lines import print_lines

    failed = unclean = 0
    for answer in print_lines(questions, jobs, form):
        if answer.measurement is None:
            failed += 1
        elif clean_below_percent is not None and not is_clean(answer.measurement, clean_below_percent):
            unclean += 1
    if failed:
        from gainkit.errors import GainkitError

        raise GainkitError(
            f"{failed} of {len(questions)} files could not be measured.", "Their lines say why; see `problem`."
        )
    if unclean:
        raise typer.Exit(1)


def _draw(question: Question, out: Path, overwrite: bool) -> None:
    """Waveform and spectrum of one capture, one below the other."""
    from gainkit.cli.common import remark
    from gainkit.cli.pictures import fitted, tone_draws, write_chart

    draws = tone_draws(*fitted(question))
    remark(f"{write_chart('measure', draws, out, overwrite=overwrite).file}: chart written.")


def is_clean(result: Measurement, limit_thd_percent: float) -> bool:
    """A steady tone, no rail, no overload, distortion below the limit."""
    return (
        result.steady_tone
        and not result.recorder_overload
        and result.clipping.state == "clean"
        and result.thd_percent is not None
        and result.thd_percent < limit_thd_percent
    )


def _system_of(log: Path | None) -> Path | None:
    """The system file of a job folder, if there is one."""
    if log is None:
        return None
    path = log / "system.toml"
    return path if path.is_file() else None


def _from_system(
    system: Path | None, name: str | None, target_volts: float | None, load_ohms: float | None
) -> tuple[float | None, float | None]:
    """Target and load from a system file's channel, unless given by hand."""
    if system is None:
        if name is not None:
            raise typer.BadParameter("needs --system or --log to look the channel up in", param_hint="--for")
        return target_volts, load_ohms
    if name is None:
        if target_volts is not None:
            return target_volts, load_ohms
        raise typer.BadParameter("say which channel with --for NAME", param_hint="--system")
    from gainkit.job.plan import channel_target

    volts, ohms = channel_target(system, name)
    return (volts if target_volts is None else target_volts), (ohms if load_ohms is None else load_ohms)


def as_text(result: Measurement) -> str:
    """The verdict first, then the figures behind it, then what to know."""
    unit = "V" if result.calibrated else "of full scale"
    lines = [f"{result.file}: {_verdict(result)}"]
    if result.target is not None and result.target.change_db is not None:
        lines.append(_turn(result.target.change_db, result.target.set_volts))
    lines.append("")
    lines.append(f"  Output      {result.rms_volts:.4g} {unit} rms, {result.peak_volts:.4g} {unit} peak")
    if result.watts is not None:
        lines.append(f"  Power       {result.watts:.4g} W into the load")
    if result.frequency_hz is not None:
        lines.append(
            f"  Tone        {result.frequency_hz:.6g} Hz, {result.seconds:.3g} s ({result.cycles:.0f} cycles)"
        )
    if result.thd_percent is not None and result.thd_floor_percent is not None:
        if result.thd_percent < 1.5 * result.thd_floor_percent:
            lines.append(
                f"  Distortion  THD below {1.5 * result.thd_floor_percent:.2g} %, the floor of this recording"
            )
        else:
            lines.append(
                f"  Distortion  THD {result.thd_percent:.3g} % (this recording resolves "
                f"{result.thd_floor_percent:.2g} %), THD+N {result.thd_n_percent:.3g} %"
            )
    clip = result.clipping
    if clip.side is not None:
        rails = [
            f"{rail:+.4g} {unit}"
            for rail in (clip.positive_rail_volts, clip.negative_rail_volts)
            if rail is not None
        ]
        sides = {
            "both": "both sides",
            "positive": "the positive side only",
            "negative": "the negative side only",
        }
        lines.append(f"  Rails       {' and '.join(rails)}, seen on {sides[clip.side]}")
    if abs(result.dc_volts) > 0.002 * result.rms_volts:
        lines.append(f"  DC          {result.dc_volts:+.4g} {unit}")
    if not result.calibrated:
        lines.append("  No calibration: figures are in parts of digital full scale, not volts.")
    lines += [f"  Note: {note}" for note in result.notes]
    return "\n".join(lines)


def _verdict(result: Measurement) -> str:
    if result.recorder_overload:
        return "RECORDER OVERLOADED. Nothing can be said of the amplifier."
    if not result.steady_tone:
        return "NO STEADY TONE. Only the level was measured."
    clip = result.clipping
    if clip.state == "clean":
        return "CLEAN. No rail is seen."
    over = (
        f"{clip.overdrive_db:.2f} dB beyond the rail" if (clip.overdrive_db or 0) > 0 else "held by a soft knee"
    )
    if clip.state == "at-onset":
        return f"AT THE ONSET OF CLIPPING ({over}; THD still under the limit)."
    return f"CLIPPED, {over}. Turn down by at least {max(clip.overdrive_db or 0, 0):.2f} dB."


def _turn(change_db: float, set_volts: float) -> str:
    if abs(change_db) < 0.1:
        return f"On target: {set_volts:.4g} V."
    direction = "UP" if change_db > 0 else "DOWN"
    return f"Turn {direction} by {abs(change_db):.2f} dB to reach {set_volts:.4g} V."
