"""Power into the load against the level of the recording: 3 dB are twice the watts, and rails end it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gainkit.calculator.clipped import power_ratio
from gainkit.charts.style import DASHES, headline, label_ends, palette_of
from gainkit.figures import plain
from gainkit.levels import power_db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.calculator.targets import Target

LOWEST_DBFS = -24.0
LEAST_TOLD_DB = 0.05
"""Smaller differences are none on the picture [dB]."""

MOST_OF_LIMIT = 3.0
"""A loudspeaker's limit so many times above what the amplifier gives is left out of the picture [-]."""


def draw_power(ax: Axes, target: Target) -> Axes:
    """Draw watts of a sine into the load against its level: clipped where it meets the rails, and undisturbed.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    target : Target
        Of any channel.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title.

    References
    ----------
    Output for 0 dBFS is clip_volts less the headroom; a clipped sine's power in closed form.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> channel = gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=4, overlap_db=5, source_volts=4)
    >>> ax = gainkit.draw_power(matplotlib.figure.Figure().subplots(), gainkit.find_target(channel))
    >>> ax.get_ylabel()
    'power into the load [W]'
    """
    colours = palette_of(ax)
    levels = np.linspace(LOWEST_DBFS, 0.0, 241)
    over = levels - target.headroom_db  # dB beyond the rail
    free = target.clip_watts * ratio_from_db(over) ** 2
    held = np.where(over > 0, target.clip_watts * np.asarray(power_ratio(np.maximum(over, 0.0))), free)
    ax.plot(levels, held, color=colours.lines[0], label="into the load")
    top = float(held[-1])
    if over[-1] > 0:  # it runs out of the picture: what never comes must not flatten what does
        ax.plot(levels[over >= 0], free[over >= 0], color=colours.lines[0], linestyle=DASHES[2], label="wanted")
    ends = [(float(held[-1]), f"{plain(float(held[-1]))} W")]
    tones = [colours.lines[0]]
    ax.axhline(target.clip_watts, color=colours.lines[1], linestyle=DASHES[1], label="amplifier")
    ends.append((target.clip_watts, f"amplifier\n{plain(target.clip_watts)} W"))
    tones.append(colours.lines[1])
    limit = target.speaker_limit_volts**2 / target.load_ohms if target.speaker_limit_volts else None
    if limit is not None:
        ax.axhline(limit, color=colours.ink, linestyle=DASHES[3], label="loudspeaker")
        ends.append((limit, f"loudspeaker\n{plain(limit)} W"))
        tones.append(colours.ink)
        top = max(top, limit)
    top = max(top, target.clip_watts)
    if limit is not None and limit > MOST_OF_LIMIT * max(float(held[-1]), target.clip_watts):
        top = max(float(held[-1]), target.clip_watts)  # far away: told by the title, and flattens nothing
        ends = [each for each in ends if each[0] != limit]
        tones = tones[: len(ends)]
    ax.set_xlim(LOWEST_DBFS, 0.0)
    ax.set_ylim(0, 1.12 * top)
    label_ends(ax, ends, tones)
    ax.plot(
        -target.overlap_db,
        target.target_watts,
        "o",
        color=colours.lines[0],
        label="target",
        clip_on=False,
        zorder=5,
    )
    far = target.overlap_db > -0.5 * LOWEST_DBFS
    ax.annotate(
        f"target {plain(target.target_watts)} W", (-target.overlap_db, target.target_watts),
        xytext=(6 if far else -6, -4 if far else 4), textcoords="offset points",
        ha="left" if far else "right", va="top" if far else "bottom", fontweight="bold",
        bbox={"facecolor": ax.get_facecolor(), "edgecolor": "none", "pad": 1},
    )  # fmt: skip
    ax.set_xlabel("level of a tone in the recording [dBFS]")
    ax.set_ylabel("power into the load [W]")
    _plain_watts(ax)
    headline(ax, power_point(target, float(held[-1])))
    return ax


def power_point(target: Target, full_scale_watts: float) -> str:
    """What the picture says: full-scale watts beside what the loudspeaker takes, else beside the rail's."""
    limit = target.speaker_limit_volts
    told = f"A full-scale tone puts {plain(full_scale_watts)} W into "
    if limit is not None:
        most = limit**2 / target.load_ohms
        more = power_db_from_ratio(full_scale_watts / most)
        if more > LEAST_TOLD_DB:
            return f"{told}a loudspeaker rated {plain(most)} W: {more:z.1f} dB too much"
        return f"{told}a loudspeaker rated {plain(most)} W"
    if target.headroom_db < -LEAST_TOLD_DB:
        more = power_db_from_ratio(full_scale_watts / target.clip_watts)
        return f"{told}the load: {more:z.1f} dB more than unclipped, and clipped"
    return f"3 dB more are twice the watts: {plain(full_scale_watts)} W at full scale"


def _plain_watts(ax: Axes) -> None:
    """Watts written out at every size."""
    from matplotlib.ticker import FuncFormatter

    ax.yaxis.set_major_formatter(FuncFormatter(lambda watts, _: plain(watts, 4)))
