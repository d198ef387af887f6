"""Oscilloscope text to a capture: dialect, heading, table, and what the time column says of the rate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.dialect import find_dialect
from gainkit.capture.heading import Column, find_columns, find_interval
from gainkit.capture.model import ArraySource, Capture
from gainkit.capture.sniff import HEAD_BYTES
from gainkit.capture.table import Table, read_table
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]

LEAST_ROWS = 2
UNEVEN_STEPS = 1.5
"""A sample this many intervals (or steps of the time column) off its place is out of line [-]."""


@dataclass(frozen=True)
class TextSource(ArraySource):
    """Samples of a text in memory; first_line is that of the first row, 0 when lines were skipped."""

    first_line: int = 0

    def place(self, frame: int) -> str | None:
        return f"line {self.first_line + frame}" if self.first_line else None


def read_text(path: Path, head: bytes, encoding: str, *, interval_seconds: float | None = None) -> Capture:
    """Read a delimited text of volts, with or without a time column.

    interval_seconds : sample interval where the text has no time column [s]. Raises GainkitError when there
    is no table, when its rows differ, when time does not run evenly or when nothing tells the interval.
    """
    if interval_seconds is not None and not (math.isfinite(interval_seconds) and interval_seconds > 0):
        raise GainkitError(f"--interval-seconds is {interval_seconds:g}.", "Give seconds per sample, above 0.")
    lines = head.decode(encoding, errors="replace").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(head) == HEAD_BYTES and len(lines) > 1:
        lines.pop()  # cut in the middle
    dialect = find_dialect(path, lines)
    columns = find_columns(dialect, lines)
    table = read_table(path, encoding, dialect)
    figures = table.figures(len(columns))
    if len(figures) < LEAST_ROWS:
        raise GainkitError(f"{path}: only {len(figures)} rows of figures.", "Export the whole trace.")
    told = find_interval(lines[: dialect.first_row])
    time = _time_column(columns, figures, told or interval_seconds)
    volts = [
        place
        for place, column in enumerate(columns)
        if place != time and not column.is_time and not _counts(column, figures[:, place], time, columns)
    ]
    if not volts:
        raise GainkitError(f"{path}: there is a time column but no volts.", "Export the channel's volts too.")
    notes: list[str] = []
    if table.torn:
        notes.append("The last line is cut off and was left out.")
    interval, first = told, 0.0
    if time is not None:
        unit = columns[time].unit
        seconds = figures[:, time] * (unit.scale if unit is not None and unit.quantity == "time" else 1.0)
        interval, first = _interval(path, seconds, table, told)
    elif interval is None:
        interval = interval_seconds
    if interval is None:
        raise GainkitError(
            f"{path}: neither a time column nor a sample interval in the text.",
            "Give the interval with --interval-seconds, as in --interval-seconds 1e-5.",
        )
    if interval_seconds is not None and abs(interval_seconds / interval - 1) > 0.01:
        raise GainkitError(
            f"{path}: --interval-seconds {interval_seconds:g} contradicts the text's own {interval:g} s.",
            "Leave the option out, or mend the text.",
        )
    scales = [_scale(columns[place], notes) for place in volts]
    samples = np.stack([figures[:, place] * scale for place, scale in zip(volts, scales, strict=True)], axis=1)
    return Capture(
        file=str(path),
        sample_rate_hz=1.0 / interval,
        frames=len(samples),
        channels=len(volts),
        source=TextSource(samples, 0 if table.skipped else table.first_line),
        calibrated=True,
        first_time_seconds=first,
        notes=tuple(notes),
        channel_names=tuple(columns[place].name for place in volts),
    )


def _scale(column: Column, notes: list[str]) -> float:
    """Volts per written figure."""
    if column.unit is None:
        return 1.0
    if column.unit.quantity != "volts":
        notes.append(f"Column '{column.name}' is not in volts; its figures are taken as they stand.")
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
        raise GainkitError(
            f"{path}, line {table.first_line + int(wrong[0])}: the time column holds no number.",
            "Mend or remove that line, or export again.",
        )
    count = len(seconds)
    index = np.arange(count, dtype=np.float64)
    index -= (count - 1) / 2
    slope = float(index @ seconds) / (count * (count**2 - 1.0) / 12)  # the sum of the index's squares
    if slope <= 0:
        raise GainkitError(
            f"{path}: the time column does not rise (it goes from {seconds[0]:g} to {seconds[-1]:g}).",
            "Export time in seconds with enough digits, or use --interval-seconds without a time column.",
        )
    if told is not None and abs(told / slope - 1) < 1e-3:
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
            f"{path}: time does not run evenly: near line {table.first_line + worst} it is "
            f"{place[worst]:.3g} s off a step of {slope:.3g} s.",
            "Samples are missing, or two records were joined: export one record as it was taken.",
        )
    return slope, first
