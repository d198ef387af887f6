"""All outputs of a job beside their targets, and as found against as left."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from gainkit.charts.style import headline, name_ticks, named, palette_of, thick
from gainkit.errors import GainkitError
from gainkit.figures import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.job.model import JobStatus, OutputStatus

LONGEST_OUTPUT = 18
"""Letters of an output's name beside its row [-]."""

OVER_ROWS = 0.72
"""Share of the picture's width beside the names of its rows [-]."""

LEAST_LIMIT_DB = 1.0
"""The picture reaches so far to either side of the target at least [dB]."""


def draw_job(ax: Axes, status: JobStatus) -> Axes:
    """Draw every output's level beside its target, a row each, with the tolerance as a band.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    status : JobStatus
        What `gainkit.job_status` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title. 0 dB is the target.

    Raises
    ------
    GainkitError
        `nothing_to_compare` for a job without outputs.

    References
    ----------
    20 log10 (measured / target).

    Examples
    --------
    >>> import gainkit, matplotlib.figure, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     job = gainkit.start_job(folder + "/car").folder
    ...     ax = gainkit.draw_job(matplotlib.figure.Figure().subplots(), gainkit.job_status(job))
    >>> ax.get_xlabel()
    'level beside the target [dB]'
    """
    if not status.outputs:
        raise GainkitError("nothing_to_compare")
    colours = palette_of(ax)
    rows = _rows(ax, status.outputs, status.tolerance_db)
    known = [(row, each) for row, each in zip(rows, status.outputs, strict=True) if _error(each) is not None]
    for label, marker, met in (("on target", "o", True), ("not on target", "X", False)):
        own = [(row, _error(each) or 0.0) for row, each in known if (each.met is True) is met]
        if own:
            tone = colours.lines[0] if met else colours.lines[1]
            ax.plot([e for _, e in own], [row for row, _ in own], marker, color=tone, label=label, zorder=3)
    for row, each in zip(rows, status.outputs, strict=True):
        error, level = _error(each), each.level
        if error is None:
            _told(ax, row, 0.0, "not measured" if level is None else "level not told")
        elif level is not None and level.rms_volts is not None:
            _told(ax, row, error, f"{plain(level.rms_volts)} V, target {plain(level.set_volts)} V")
    _centred_limits(ax, [_error(each) for _, each in known], status.tolerance_db)
    ax.set_xlabel("level beside the target [dB]")
    headline(ax, job_point(status), OVER_ROWS)
    return ax


def draw_compare(ax: Axes, status: JobStatus) -> Axes:
    """Draw every output's level as found and as left, beside its target.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    status : JobStatus
        What `gainkit.job_status` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title. 0 dB is the target of each reading.

    Raises
    ------
    GainkitError
        `nothing_to_compare` where no output has a reading as found and another as left.

    References
    ----------
    20 log10 (measured / target).

    Examples
    --------
    >>> import gainkit
    >>> gainkit.draw_compare.__name__
    'draw_compare'
    """
    both = [each for each in status.outputs if _found(each) is not None and _error(each) is not None]
    if not both:
        raise GainkitError("nothing_to_compare")
    colours = palette_of(ax)
    rows = _rows(ax, both, status.tolerance_db)
    as_found, left = [_found(each) or 0.0 for each in both], [_error(each) or 0.0 for each in both]
    ax.hlines(rows, as_found, left, color=colours.lines[2], linewidth=thick(1.2), zorder=2)
    (hollow,) = ax.plot(as_found, rows, "s", color=colours.lines[1], label="as found", zorder=3)
    hollow.set_markerfacecolor(colours.ground)
    ax.plot(left, rows, "o", color=colours.lines[0], label="as left", zorder=4)
    for row, was, now in zip(rows, as_found, left, strict=True):
        _told(ax, row, (was + now) / 2, f"found {was:+z.1f} dB, left {now:+z.1f} dB")
    _centred_limits(ax, [*as_found, *left], status.tolerance_db)
    ax.set_xlabel("level beside the target [dB]\n\u25a1 as found, \u25cf as left")
    headline(ax, compare_point(as_found, left, [each.name for each in both]), OVER_ROWS)
    return ax


def _rows(ax: Axes, outputs: Sequence[OutputStatus], tolerance_db: float) -> list[float]:
    """A row for each output from the top, its name beside it; the target and the tolerance around it."""
    colours = palette_of(ax)
    rows = [float(-number) for number in range(len(outputs))]
    ax.axvspan(-tolerance_db, tolerance_db, color=colours.shade[1], zorder=0, label="tolerance")
    ax.axvline(0.0, color=colours.ink, linewidth=thick(1.0), label="target")
    told = [named(each.name, LONGEST_OUTPUT) for each in outputs]
    name_ticks(ax.yaxis, dict(zip(rows, told, strict=True)))
    ax.set_ylim(rows[-1] - 0.6, 0.8 + len(rows) / 20)  # room for the figures over the first row
    ax.grid(axis="y", visible=False)
    return rows


def _told(ax: Axes, row: float, error_db: float, text: str) -> None:
    """Figures over a row."""
    ax.annotate(
        text, (error_db, row), xytext=(0, 6), textcoords="offset points", ha="center", va="bottom",
        fontsize="small", annotation_clip=False, zorder=2,
        bbox={"facecolor": palette_of(ax).shade[1], "edgecolor": "none", "pad": 0.5},
    )  # fmt: skip


def _centred_limits(ax: Axes, errors: Sequence[float | None], tolerance_db: float) -> None:
    """Both sides of the target alike, and room for the figures."""
    far = max([LEAST_LIMIT_DB, 2 * tolerance_db, *(abs(each) for each in errors if each is not None)])
    ax.set_xlim(-1.45 * far, 1.45 * far)


def _error(each: OutputStatus) -> float | None:
    """How far the last level stands from its target [dB]; None where that is not told."""
    error = None if each.level is None else each.level.error_db
    return error if error is not None and np.isfinite(error) else None


def _found(each: OutputStatus) -> float | None:
    error = None if each.found is None else each.found.error_db
    return error if error is not None and np.isfinite(error) else None


def job_point(status: JobStatus) -> str:
    """What the picture says: how many are on target, and the farthest of the others."""
    met = sum(each.met is True for each in status.outputs)
    told = f"{met} of {len(status.outputs)} outputs on target within {status.tolerance_db:zg} dB"
    off = [each for each in status.outputs if each.met is not True and _error(each) is not None]
    if not off:
        return told
    far = max(off, key=lambda each: abs(_error(each) or 0.0))
    return f"{told}; {named(far.name, LONGEST_OUTPUT)} is {_error(far):+z.1f} dB off"


def compare_point(as_found: Sequence[float], left: Sequence[float], names: Sequence[str]) -> str:
    """What the picture says: the largest change."""
    changes = [now - was for was, now in zip(as_found, left, strict=True)]
    most = max(range(len(changes)), key=lambda number: abs(changes[number]))
    way = "up" if changes[most] > 0 else "down"
    told = f"{named(names[most], LONGEST_OUTPUT)} came {way} by {abs(changes[most]):z.1f} dB"
    return f"{told}, the most of all" if len(names) > 1 else told
