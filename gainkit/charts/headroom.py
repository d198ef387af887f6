"""Headroom against gain: what a louder setting costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import matplotlib
import numpy as np

from gainkit.charts.style import DASHES, headline, label_ends, named, palette_of, thick
from gainkit.errors import GainkitError
from gainkit.levels import db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.calculator.targets import Target

LEVELS_DBFS = (0.0, -5.0, -10.0, -20.0)
REACH_DB = 10.0
"""Gain shown to either side of what matters [dB]."""


LEAST_NAMED = 0.06
"""A region is named where it takes this share of the width [-]: a name wider than it would mislead."""


def draw_headroom(
    ax: Axes,
    target: Target,
    levels_dbfs: Sequence[float] = LEVELS_DBFS,
    noise_volts: float | None = None,
    name: str = "this system",
) -> Axes:
    """Draw headroom of recordings of several levels against gain, with this system's setting.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    target : Target
        Of a channel whose source volts are known.
    levels_dbfs : sequence of float
        Levels of the recordings, a line each [dBFS].
    noise_volts : float, optional
        Noise at the output at that setting [V rms].
    name : str
        What to call the setting.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title.

    Raises
    ------
    GainkitError
        `source_volts_missing` without a gain.

    References
    ----------
    Headroom falls by a decibel for each of gain; its anchor is the target's own `headroom_db`.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> channel = gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=4, overlap_db=5, source_volts=4)
    >>> ax = gainkit.draw_headroom(matplotlib.figure.Figure().subplots(), gainkit.find_target(channel))
    >>> ax.get_xlabel()
    'gain [dB] (shades: a recording at 0 dBFS)'
    """
    gain = target.gain_db
    if gain is None:
        raise GainkitError("source_volts_missing", "source_volts")
    colours = palette_of(ax)
    just_clean = gain + target.headroom_db
    """Gain at which a full-scale tone just touches the rail."""
    end_of_overlap = just_clean + target.overlap_db
    low, high = min(gain, just_clean) - REACH_DB, max(gain, end_of_overlap) + REACH_DB
    gains = np.linspace(low, high, 201)
    ax.set_xlim(low, high)
    ax.set_ylim(just_clean - high - max(levels_dbfs) - 2.0, just_clean - low - min(levels_dbfs) + 5.0)
    _regions(ax, (low, just_clean, end_of_overlap, high))
    ends = []
    for number, level in enumerate(levels_dbfs):
        line, told = just_clean - gains - level, f"{level:zg} dBFS"
        ax.plot(gains, line, color=colours.ink, linestyle=DASHES[number % len(DASHES)], label=told)
        ends.append((float(line[-1]), told))
    ax.axhline(0.0, color=colours.ink, linewidth=thick(0.8))
    label_ends(ax, ends, [colours.ink] * len(ends))
    marked = ax.plot(gain, target.headroom_db, "o", color=colours.lines[1], label="setting", zorder=5)[0]
    marked.set_markeredgecolor(colours.ground)
    told = f"\u25cf {named(name)}: {gain:z.1f} dB"
    if target.sensitivity_volts is not None:
        told += f"\ngain control {target.sensitivity_volts:.2f} V"
    # on the scale at the side where there is one: its line would lie over the words
    upper = ax if noise_volts is None else _noise(ax, gains, gain, noise_volts)
    upper.annotate(
        told, (0.0, 0.0), xycoords="axes fraction", xytext=(6, 6), textcoords="offset points", ha="left",
        va="bottom", color=colours.lines[1], fontweight="bold", parse_math=False, zorder=7,
        bbox={"facecolor": colours.ground, "edgecolor": "none", "pad": 1.5},
    )  # fmt: skip
    ax.set_xlabel("gain [dB] (shades: a recording at 0 dBFS)")
    ax.set_ylabel("headroom [dB]")
    if target.sensitivity_volts is not None:
        _knob(ax, target.clip_volts)
    headline(ax, headroom_point(target))
    return ax


def headroom_point(target: Target) -> str:
    """What the picture says, in one sentence."""
    cut = -target.headroom_db
    if cut > 0.005:
        return f"{target.overlap_db:zg} dB of overlap: full-scale peaks are cut by {cut:z.1f} dB"
    if cut < -0.005:
        return f"Full-scale peaks keep {-cut:z.1f} dB of headroom at this gain"
    return "No overlap: full-scale peaks just reach the rail"


def _regions(ax: Axes, edges: tuple[float, float, float, float]) -> None:
    shades = palette_of(ax).shade
    for name, left, right, shade in zip(
        ("clean", "overlap", "clipped"), edges[:3], edges[1:], shades, strict=True
    ):
        if right - left < 1e-6:
            continue
        ax.axvspan(left, right, color=shade, zorder=0, label=name)
        if right - left < LEAST_NAMED * (edges[-1] - edges[0]):
            continue
        ax.annotate(
            name, ((left + right) / 2, 1.0), xycoords=("data", "axes fraction"), xytext=(0, -4),
            textcoords="offset points", ha="center", va="top", style="italic", zorder=6,
            bbox={"facecolor": shade, "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip


def _knob(ax: Axes, clip_volts: float) -> None:
    """The gain control's own scale: input volts that bring the rated output."""
    from matplotlib.ticker import FixedLocator, FuncFormatter

    low, high = ax.get_xlim()
    marks = [volts for decade in (0.01, 0.1, 1, 10) for volts in (decade, 2 * decade, 5 * decade)]
    gains = [db_from_ratio(clip_volts / volts) for volts in marks]
    top = ax.secondary_xaxis("top")
    top.xaxis.set_major_locator(FixedLocator([gain for gain in gains if low <= gain <= high]))
    top.xaxis.set_major_formatter(FuncFormatter(lambda gain, _: f"{clip_volts / ratio_from_db(gain):.2g}"))
    top.set_xlabel("gain control [V for rated output]")


def _noise(ax: Axes, gains: np.ndarray, gain_db: float, noise_volts: float) -> Axes:
    """Noise at the output rises with gain, as long as it enters before the gain control; its own scale."""
    colours = palette_of(ax)
    side = ax.twinx()
    side.grid(False)
    side.spines["right"].set_visible(True)
    side.spines["right"].set_position(("outward", 5.5 * float(matplotlib.rcParams["font.size"])))
    millivolts = 1000 * noise_volts * ratio_from_db(gains - gain_db)
    side.plot(gains, millivolts, color=colours.lines[2], linestyle=DASHES[3], label="noise")
    side.set_ylim(0, 1.6 * float(millivolts.max()))
    side.annotate(
        "noise", (gains[-1], millivolts[-1]), xytext=(-4, 4), textcoords="offset points", ha="right",
        va="bottom", color=colours.ink, fontweight="bold",
        bbox={"facecolor": colours.shade[2], "edgecolor": "none", "pad": 1},
    )  # fmt: skip
    side.set_ylabel("noise at the output [mV]")
    return side
