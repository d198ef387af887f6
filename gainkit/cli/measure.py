"""`gainkit measure`: a capture of a steady tone to figures and to what must be turned."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, grouped
from gainkit.cli.lines import LineForm
from gainkit.cli.options import (
    Band,
    BesideOptions,
    CaptureFiles,
    ChannelOptions,
    CheckLimit,
    FileOptions,
    OutputOptions,
    Start,
    Stop,
    parse_band,
)
from gainkit.cli.place import NoteOptions, NoteRequest, Noting, place_of, tell, tell_used

if TYPE_CHECKING:
    from gainkit.analysis import Measurement
    from gainkit.batch import FileAnswer, Question
    from gainkit.beside import Expected


def register(app: typer.Typer) -> None:
    """Add `measure` to the tree."""
    app.command("measure")(grouped(measure))


def measure(
    *,
    captures: CaptureFiles,
    scale: FileOptions,
    channels: ChannelOptions,
    start: Start = None,
    stop: Stop = None,
    band_hz: Band = "10:20000",
    output: OutputOptions,
    limit_thd_percent: CheckLimit = None,
    beside: BesideOptions,
    require_clean: Annotated[
        bool, typer.Option("--require-clean", help="Exit 1 unless every capture is a clean steady tone.")
    ] = False,
    note: NoteOptions,
    chart: Annotated[
        Path | None, typer.Option("--chart", help="Waveform and spectrum to draw: .png, .svg or .pdf.")
    ] = None,
    overwrite: OverwriteFlag = False,
    jobs: Annotated[int, typer.Option("--jobs", min=1, max=64, help="Processes to share the files among.")] = 1,
    lines: Annotated[
        LineForm | None, typer.Option("--lines", help="One line a capture; a bad file costs only its line.")
    ] = None,
    json_: JsonFlag = False,
) -> None:
    """Measure a recorded tone: volts, distortion, clipping, and what to turn."""
    from gainkit.analysis import MeasureOptions
    from gainkit.batch import Question, captures_in
    from gainkit.cli.measure_text import answers_text
    from gainkit.errors import GainkitError

    place = place_of(NoteRequest("measure", note, beside.for_output, beside.system, scale, own_system=True))
    expected = expectation(place.system, place.output, output.target_volts, limit_thd_percent)
    options = MeasureOptions(
        **vars(channels), start_seconds=start, stop_seconds=stop, band_hz=parse_band(band_hz),
        **output.beside(expected), limit_thd_percent=expected.checks.limit_thd_percent,
    )  # fmt: skip
    files = captures_in(captures)
    if chart is not None and (len(files) != 1 or lines is not None):
        raise GainkitError("one_capture_for_chart", "chart", str(chart))
    questions = [
        Question(path, options, scale.full_scale_volts, place.calibration, scale.interval_seconds)
        for path in files
    ]
    if lines is not None:
        if json_ or note.log is not None:
            raise GainkitError("not_both", "lines", lines.value, other="json" if json_ else "log")
        _in_lines(questions, jobs, lines, expected, require_clean)
        tell_used(place)
        return
    answers = _measured(questions, jobs, expected)
    if chart is not None:
        _draw(questions[0], chart, overwrite)
    results = [each.measurement for each in answers if each.measurement is not None]
    notings = [Noting(each.measurement, [Path(each.file)]) for each in answers if each.measurement is not None]
    tell(place, _answer(answers), json_, lambda: answers_text(answers, expected, channels.minus), notings)
    if failed := len(answers) - len(results):
        raise GainkitError("some_not_measured", failed=failed, files=len(answers))
    if require_clean and not all(is_clean(result, expected) for result in results):
        raise typer.Exit(1)


def _measured(questions: list[Question], jobs: int, expected: Expected) -> list[FileAnswer]:
    """An answer for each file; of a single one that cannot be measured the fault is raised."""
    from dataclasses import replace

    from gainkit.batch import measure_files
    from gainkit.beside import beside_plan
    from gainkit.cli.lines import progress

    answers = []
    with progress(len(questions), beside_lines=False) as advance:
        for answer in measure_files(questions, jobs):
            if answer.fault is not None and len(questions) == 1:
                raise answer.fault
            if answer.measurement is not None:
                answer = replace(answer, measurement=beside_plan(answer.measurement, expected.plan))
            answers.append(answer)
            advance()
    return answers


def _answer(answers: list[FileAnswer]) -> Any:
    """What JSON has: the measurement, or all of them with the error of each file that could not be measured."""
    from gainkit.cli.door import fault_facts

    if len(answers) == 1:
        return answers[0].measurement
    told = [
        each.measurement if each.fault is None else {"file": each.file, "error": fault_facts(each.fault)}
        for each in answers
    ]
    return {"measurements": told}


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
