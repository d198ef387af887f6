"""One line a capture, as CSV or JSON lines, while the work goes on."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gainkit.batch import FileAnswer, Question


class LineForm(StrEnum):
    """Forms of one line a capture."""

    csv = "csv"
    jsonl = "jsonl"


COLUMNS = (
    "file", "state", "side", "overdrive_db", "calibrated", "rms_volts", "fundamental_volts", "level_dbfs",
    "peak_volts", "dc_volts", "frequency_hz", "thd_percent", "thd_floor_percent", "thd_n_percent",
    "noise_volts", "watts", "change_db", "steady_tone", "recorder_overload", "notes", "problem", "remedy",
)  # fmt: skip


def print_lines(questions: list[Question], jobs: int, form: LineForm) -> Iterator[FileAnswer]:
    """Measure, and print each answer as soon as its turn comes; the answers themselves."""
    from gainkit.batch import measure_files

    if form is LineForm.csv:
        print(",".join(COLUMNS))
    with progress(len(questions)) as advance:
        for answer in measure_files(questions, jobs):
            print(csv_line(answer) if form is LineForm.csv else json_line(answer), flush=True)
            advance()
            yield answer


def json_line(answer: FileAnswer) -> str:
    """The object that `measure --json` gives, or file, problem and remedy."""
    from gainkit.results import to_json

    if answer.measurement is not None:
        return to_json(answer.measurement)
    return to_json(_facts(answer))


def csv_line(answer: FileAnswer) -> str:
    """The figures of COLUMNS; what does not apply is an empty cell."""
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([_cell(figure) for figure in _row(answer)])
    return out.getvalue()


def _facts(answer: FileAnswer) -> dict[str, Any]:
    """The file, and what is wrong with it."""
    fault = answer.fault
    problem, remedy = (None, None) if fault is None else (fault.problem, fault.remedy)
    return {"file": answer.file, "problem": problem, "remedy": remedy}


def _row(answer: FileAnswer) -> list[Any]:
    from gainkit.results import to_plain

    facts = _facts(answer)
    if answer.measurement is not None:
        facts |= to_plain(answer.measurement)
        facts |= facts["clipping"] | (facts["target"] or {})
        facts["notes"] = " ".join(str(note) for note in answer.measurement.notes) or None
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
def progress(total: int) -> Iterator[Callable[[], None]]:
    """A bar with time left on standard error; none where nobody watches, or where the lines go there too."""
    if not sys.stderr.isatty() or sys.stdout.isatty():
        yield lambda: None
        return
    import typer

    with typer.progressbar(length=total, label="Measuring", file=sys.stderr) as bar:
        yield lambda: bar.update(1)
