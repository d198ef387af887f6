"""`gainkit measure`: a capture of a steady tone to figures and to what must be turned."""

from __future__ import annotations

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
    CheckLimit,
    ForChannel,
    FullScale,
    Interval,
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
    from gainkit.beside import Expected


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
        float | None, typer.Option("--target-volts", help="Volts the output should read.")
    ] = None,
    limit_thd_percent: CheckLimit = None,
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
    from gainkit.beside import beside_plan
    from gainkit.errors import GainkitError

    if log is not None:
        check_log(log, for_channel)
    expected = expectation(system or system_of(log), for_channel, target_volts, limit_thd_percent)
    if expected.plan is not None:
        target_volts = expected.plan.set_volts if target_volts is None else target_volts
    options = MeasureOptions(
        channel=channel, minus=minus, start_seconds=start, stop_seconds=stop, band_hz=parse_band(band_hz),
        load_ohms=load_ohms, target_volts=target_volts, limit_thd_percent=expected.checks.limit_thd_percent,
    )  # fmt: skip
    files = captures_in(captures)
    if chart is not None and (len(files) != 1 or lines is not None):
        raise GainkitError("one_capture_for_chart", "chart", str(chart))
    questions = [Question(path, options, full_scale_volts, calibration, interval_seconds) for path in files]
    if lines is not None:
        if json_ or log is not None:
            raise GainkitError("not_both", "lines", lines.value, other="json" if json_ else "log")
        _in_lines(questions, jobs, lines, expected, require_clean)
        return
    results = [beside_plan(result, expected.plan) for result in _all_or_nothing(questions, jobs)]
    if chart is not None:
        _draw(questions[0], chart, overwrite)
    answer = results[0] if len(results) == 1 else {"measurements": results}
    with shown(answer, json_, lambda: _text(results, expected, minus)):
        for path, result in zip(files, results, strict=True):
            note(log, "measure", for_channel, result, [path])
    if require_clean and not all(is_clean(result, expected) for result in results):
        raise typer.Exit(1)


def _text(results: list[Measurement], expected: Expected, minus: int | None) -> str:
    """Each measurement, and once what the hook-up asks for."""
    from gainkit.calculator.leads import hook_up_cautions
    from gainkit.cli.measure_text import as_text
    from gainkit.cli.plain import said, sections, wrapped

    hook_up = [wrapped(f"CAUTION: {each}", "", "  ") for each in said(hook_up_cautions(minus))]
    return sections(*(as_text(result, expected) for result in results), *hook_up)


def _all_or_nothing(questions: list[Question], jobs: int) -> list[Measurement]:
    """Every measurement; the first file that cannot be read ends it."""
    from gainkit.batch import measure_files

    results = []
    for answer in measure_files(questions, jobs):
        if answer.fault is not None:
            raise answer.fault
        assert answer.measurement is not None
        results.append(answer.measurement)
    return results


def _in_lines(
    questions: list[Question], jobs: int, form: LineForm, expected: Expected, require_clean: bool
) -> None:
    """One line a capture; exit 2 if a file could not be measured, 1 if one is not clean and all should be."""
    from gainkit.cli.lines import print_lines
    from gainkit.errors import GainkitError

    failed = unclean = 0
    for answer in print_lines(questions, jobs, form, expected.plan):
        if answer.measurement is None:
            failed += 1
        elif require_clean and not is_clean(answer.measurement, expected):
            unclean += 1
    if failed:
        raise GainkitError("some_not_measured", failed=failed, files=len(questions))
    if unclean:
        raise typer.Exit(1)


def _draw(question: Question, out: Path, overwrite: bool) -> None:
    """Waveform and spectrum of one capture, one below the other."""
    from gainkit.cli.common import remark
    from gainkit.cli.pictures import fitted, tone_draws, write_chart

    draws = tone_draws(*fitted(question))
    remark(f"{write_chart('measure', draws, out, overwrite=overwrite).file}: chart written.")


def is_clean(result: Measurement, expected: Expected) -> bool:
    """Whether `--require-clean` is content with it."""
    from gainkit import advice

    return advice.is_clean(result, expected.checks)


def system_of(log: Path | None) -> Path | None:
    """The system file of a job folder, if there is one."""
    if log is None:
        return None
    path = log / "system.toml"
    return path if path.is_file() else None


def expectation(
    system: Path | None, name: str | None, target_volts: float | None, limit_thd_percent: float | None
) -> Expected:
    """What the options say of the output that is measured."""
    from gainkit.advice import Checks
    from gainkit.beside import Expected, expected_of, limited
    from gainkit.errors import GainkitError

    if system is None:
        if name is not None:
            raise GainkitError("needs_system_file", "for_output", name)
        return Expected(checks=limited(Checks(), limit_thd_percent))
    if name is None and target_volts is None:
        raise GainkitError("output_missing", "for_output")
    return expected_of(system, name, limit_thd_percent)
