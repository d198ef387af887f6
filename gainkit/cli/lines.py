"""One line a capture, as CSV or JSON lines, while the work goes on."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gainkit.batch import FileAnswer, Question
    from gainkit.job.plan import ChannelPlan


class LineForm(StrEnum):
    """Forms of one line a capture."""

    csv = "csv"
    jsonl = "jsonl"


COLUMNS = (
    "file", "state", "side", "overdrive_db", "calibrated", "rms_volts", "fundamental_volts", "level_dbfs",
    "peak_volts", "dc_volts", "frequency_hz", "thd_percent", "thd_floor_percent", "thd_n_percent",
    "noise_volts", "watts", "change_db", "steady_tone", "recorder_overload", "notes", "code",
    "problem", "remedy",
)  # fmt: skip


def print_lines(
    questions: list[Question], jobs: int, form: LineForm, plan: ChannelPlan | None = None
) -> Iterator[FileAnswer]:
    """Measure, and print each answer as soon as its turn comes; the answers. plan : of the output."""
    import dataclasses

    from gainkit.batch import measure_files
    from gainkit.beside import beside_plan

    if form is LineForm.csv:
        print(",".join(COLUMNS))
    with progress(len(questions), beside_lines=True) as advance:
        for answer in measure_files(questions, jobs):
            if answer.measurement is not None:
                answer = dataclasses.replace(answer, measurement=beside_plan(answer.measurement, plan))
            print(csv_line(answer) if form is LineForm.csv else json_line(answer), flush=True)
            advance()
            yield answer


def json_line(answer: FileAnswer) -> str:
    """The object that `measure --json` gives; of a file that could not be measured its name and the error."""
    from gainkit.cli.door import CLI, fault_facts
    from gainkit.results import to_json

    if answer.fault is not None:
        return to_json({"file": answer.file, "error": fault_facts(answer.fault)})
    return to_json(answer.measurement, CLI)


def csv_line(answer: FileAnswer) -> str:
    """The figures of COLUMNS; what does not apply is an empty cell."""
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([_cell(figure) for figure in _row(answer)])
    return out.getvalue()


def _row(answer: FileAnswer) -> list[Any]:
    from gainkit.cli.door import CLI
    from gainkit.cli.plain import said
    from gainkit.results import to_plain
    from gainkit.words import error_text

    facts: dict[str, Any] = {"file": answer.file}
    if answer.fault is not None:
        problem, remedy = error_text(answer.fault, CLI)
        facts |= {"code": answer.fault.code, "problem": problem, "remedy": remedy}
    if answer.measurement is not None:
        facts |= to_plain(answer.measurement)
        facts |= facts["clipping"] | (facts["target"] or {})
        facts["notes"] = " ".join(said(answer.measurement.notes)) or None
    return [facts.get(name) for name in COLUMNS]


def _cell(figure: Any) -> str:
    from gainkit.cli.plain import spreadsheet_cell, visible

    if figure is None:
        return ""
    if isinstance(figure, bool):
        return "yes" if figure else "no"
    if isinstance(figure, float):
        return f"{figure:.10g}"
    return spreadsheet_cell(visible(str(figure)))


@contextmanager
def progress(total: int, *, beside_lines: bool) -> Iterator[Callable[[], None]]:
    """A bar with time left on standard error; none for one file, where nobody watches, or where lines go there
    too while the work goes on."""
    if total < 2 or not sys.stderr.isatty() or (beside_lines and sys.stdout.isatty()):
        yield lambda: None
        return
    import typer

    with typer.progressbar(length=total, label="Measuring", file=sys.stderr) as bar:
        yield lambda: bar.update(1)
