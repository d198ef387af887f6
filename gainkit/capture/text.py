"""Oscilloscope text to a capture: dialect, heading, table, and what the time column says of the rate."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gainkit.calculator.ranges import SECONDS_PER_SAMPLE
from gainkit.capture.dialect import find_dialect
from gainkit.capture.heading import HIGHEST_RATE_HZ, Column, find_columns, find_interval
from gainkit.capture.model import ArraySource, Capture
from gainkit.capture.sniff import HEAD_BYTES
from gainkit.capture.table import LONGEST_LINE, Table, read_table
from gainkit.errors import GainkitError
from gainkit.remarks import Remark, fault

Floats = NDArray[np.float64]

LEAST_ROWS = 2
"""Fewer rows have no interval [rows]."""

INTERVAL_SHARE = 0.01
"""An interval asked for may be off the text's own by this share [-]: it may have been typed from a screen."""

SAME_SHARE = 1e-3
"""The preamble's interval replaces the time column's slope within this share [-]: it has more digits."""

UNEVEN_STEPS = 1.5
"""A sample this many intervals (or steps of the time column) off its place is out of line [-]."""


@dataclass(frozen=True)
class TextSource(ArraySource):
    """Samples of a text in memory; first_line is that of the first row, 0 when lines were skipped."""

    first_line: int = 0

    def line(self, frame: int) -> int | None:
        return self.first_line + frame if self.first_line else None


@np.errstate(over="ignore", invalid="ignore")  # figures that overflow are refused where they are met
def read_text(path: Path, head: bytes, encoding: str, *, interval_seconds: float | None = None) -> Capture:
    """Read a delimited text of volts, with or without a time column.

    interval_seconds : sample interval where the text has no time column [s]. Raises GainkitError when there
    is no table, when its rows differ, when time does not run evenly or when nothing tells the interval.
    """
    lines = head.decode(encoding, errors="replace").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(head) == HEAD_BYTES:
        lines.pop()  # cut in the middle
        if not lines:
            raise GainkitError("line_too_long", most=LONGEST_LINE).within("file", path)
    dialect = find_dialect(path, lines)
    columns = find_columns(dialect, lines)
    table = read_table(path, encoding, dialect)
    figures = table.figures(len(columns))
    if len(figures) < LEAST_ROWS:
        raise GainkitError("too_few_rows", rows=len(figures)).within("file", path)
    told = find_interval(lines[: dialect.first_row])
    time = _time_column(columns, figures, told or interval_seconds)
    volts = [
        place
        for place, column in enumerate(columns)
        if place != time and not column.is_time and not _counts(column, figures[:, place], time, columns)
    ]
    if not volts:
        raise GainkitError("no_volts").within("file", path)
    notes: list[Remark] = []
    if table.torn:
        notes.append(fault("last_line_cut_off"))
    interval, first = told, 0.0
    if time is not None:
        unit = columns[time].unit
        seconds = figures[:, time] * (unit.scale if unit is not None and unit.quantity == "time" else 1.0)
        interval, first = _interval(path, _over_blanks(seconds, table, time), table, told)
    elif interval is None:
        interval = interval_seconds
    if interval is None:
        raise GainkitError("no_interval", "interval_seconds").within("file", path)
    if not 1 / HIGHEST_RATE_HZ <= interval <= SECONDS_PER_SAMPLE.high:
        raise GainkitError("interval_absurd", interval_seconds=interval).within("file", path)
    if interval_seconds is not None and abs(interval_seconds / interval - 1) > INTERVAL_SHARE:
        raise GainkitError(
            "interval_contradicts", "interval_seconds", interval_seconds, own_seconds=interval
        ).within("file", path)
    scales = [_scale(columns[place], notes) for place in volts]
    samples = np.stack([figures[:, place] * scale for place, scale in zip(volts, scales, strict=True)], axis=1)
    return Capture(
        file=str(path),
        sample_rate_hz=1.0 / interval,
        frames=len(samples),
        channels=len(volts),
        source=TextSource(samples, _blank_cells(table, volts), 0 if table.skipped else table.first_line),
        calibrated=True,
        first_time_seconds=first,
        notes=tuple(notes),
        channel_names=tuple(columns[place].name for place in volts),
    )


def _over_blanks(seconds: Floats, table: Table, time: int) -> Floats:
    """The time column with blank cells filled in between their neighbours."""
    gone = [row for row, blank in table.blank.items() if blank[time]]
    if not gone:
        return seconds
    there = np.setdiff1d(np.arange(len(seconds)), gone)
    filled = seconds.copy()
    filled[gone] = np.interp(gone, there, seconds[there])
    return filled


def _blank_cells(table: Table, volts: list[int]) -> NDArray[np.bool_] | None:
    """(rows, channels) True where a cell is blank; None where none is."""
    if not table.blank:
        return None
    blank = np.zeros((table.rows, len(volts)), dtype=bool)
    for row, cells in table.blank.items():
        blank[row] = cells[volts]
    return blank


def _scale(column: Column, notes: list[Remark]) -> float:
    """Volts per written figure."""
    if column.unit is None:
        return 1.0
    if column.unit.quantity != "volts":
        notes.append(fault("column_not_volts", column=column.name))
        return 1.0
    return column.unit.scale


def _time_column(columns: list[Column], figures: Floats, told_interval: float | None) -> int | None:
    """Which column is time: by name or unit; else a first column that rises evenly beside others."""
    for place, column in enumerate(columns):
        if column.is_time:
            return place
    if any(column.name or column.unit for column in columns) or len(columns) < 2:
        return None
    steps = np.diff(figures[:, 0])
    rises = bool(np.all(steps >= 0)) and figures[-1, 0] > figures[0, 0]
    if not rises or np.ptp(steps) > UNEVEN_STEPS * max(float(steps.mean()), _step_of(figures[:, 0])):
        return None
    counts = bool(np.all(steps == 1)) and told_interval is not None  # sample numbers, the preamble has the time
    return None if counts else 0


def _counts(column: Column, figures: Floats, time: int | None, columns: list[Column]) -> bool:
    """True for a column of sample numbers."""
    if len(columns) < 2 or not np.all(np.diff(figures) == 1):
        return False
    return column.is_index or (time is None and column is columns[0])


def _step_of(times: Floats) -> float:
    """The smallest distance between two different times as written."""
    steps = np.abs(np.diff(times[:100_000]))
    steps = steps[steps > 0]
    return float(steps.min()) if len(steps) else 0.0


def _interval(path: Path, seconds: Floats, table: Table, told: float | None) -> tuple[float, float]:
    """Interval and first time from a time column of limited resolution: the slope of all its rows."""
    mean = float(seconds.mean())
    if not np.isfinite(mean):
        wrong = np.flatnonzero(~np.isfinite(seconds))
        if not len(wrong):  # each is a number, and their sum is none
            raise GainkitError("interval_absurd", interval_seconds=float(np.ptp(seconds))).within("file", path)
        raise GainkitError("time_not_a_number", line=table.first_line + int(wrong[0])).within("file", path)
    count = len(seconds)
    index = np.arange(count, dtype=np.float64)
    index -= (count - 1) / 2
    slope = float(index @ seconds) / (count * (count**2 - 1.0) / 12)  # the sum of the index's squares
    if not slope > 0:
        raise GainkitError(
            "time_not_rising", first_seconds=float(seconds[0]), last_seconds=float(seconds[-1])
        ).within("file", path)
    if told is not None and abs(told / slope - 1) < SAME_SHARE:
        slope = told
    tolerance = UNEVEN_STEPS * max(slope, _step_of(seconds))
    first = mean + slope * float(index[0])
    index *= -slope  # in place: a million rows are an ordinary record
    index += seconds
    index -= mean
    place = np.abs(index, out=index)
    worst = int(np.argmax(place))
    if place[worst] > tolerance:
        raise GainkitError(
            "time_uneven", line=table.first_line + worst, off_seconds=float(place[worst]), step_seconds=slope
        ).within("file", path)
    return slope, first
