"""`gainkit measure`: a capture of a steady tone to figures and to what must be turned."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, note, shown
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
    from gainkit.job.plan import ChannelPlan


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
    from gainkit.cli.measure_text import as_text

    if log is not None:
        check_log(log, for_channel)
    planned = _planned(system or _system_of(log), for_channel, target_volts)
    if planned is not None:
        target_volts = planned.set_volts if target_volts is None else target_volts
        load_ohms = planned.load_ohms if load_ohms is None else load_ohms
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
    results = [_beside(planned, result) for result in _all_or_nothing(questions, jobs)]
    if chart is not None:
        _draw(questions[0], chart, overwrite)
    answer = results[0] if len(results) == 1 else {"measurements": results}
    with shown(
        answer, json_, lambda: "\n\n".join(as_text(result, planned, limit_thd_percent) for result in results)
    ):
        for path, result in zip(files, results, strict=True):
            note(log, "measure", for_channel, result, [path])
    if require_clean and not all(is_clean(result, limit_thd_percent) for result in results):
        raise typer.Exit(1)


def _all_or_nothing(questions: list[Question], jobs: int) -> list[Measurement]:
    """Every measurement; the first file that cannot be read ends it."""
    from gainkit.batch import measure_files

    results = []
    for answer in measure_files(questions, jobs):
        if answer.fault is not None:
            raise answer.fault
        if answer.measurement is not None:
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


def _planned(system: Path | None, name: str | None, target_volts: float | None) -> ChannelPlan | None:
    """The plan of the channel that is measured; None where none was named."""
    if system is None:
        if name is not None:
            raise typer.BadParameter("needs --system or --log to look the channel up in", param_hint="--for")
        return None
    if name is None:
        if target_volts is not None:
            return None
        raise typer.BadParameter("say which channel with --for NAME", param_hint="--system")
    from gainkit.job.plan import channel_plan

    return channel_plan(system, name)


def _beside(planned: ChannelPlan | None, result: Measurement) -> Measurement:
    """A reading with what its channel's plan has against it among its notes; another tone turns nothing."""
    from gainkit.cli.measure_text import other_tone, plan_remarks

    if result.target is not None and other_tone(result, planned):
        result = dataclasses.replace(result, target=None)
    return dataclasses.replace(result, notes=(*plan_remarks(result, planned), *result.notes))
