"""The level diagram: where the signal stands at every stage, and where each stage ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gainkit.charts.style import DASHES, headline, label_ends, palette_of
from gainkit.errors import GainkitError
from gainkit.figures import plain
from gainkit.levels import db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.calculator.targets import Target

ASSUMED_CREST_DB = 12.0
"""Peak over rms of programme when nothing is known of it [dB] (common practice, no source)."""


@dataclass(frozen=True)
class Stage:
    """ceiling_volts : rms sine at which the stage ends, None when not known. peak_volts : what a 0 dBFS sine
    makes of it [V rms], held at the rail. average_volts : of programme.
    """

    name: str
    ceiling_volts: float | None
    peak_volts: float
    average_volts: float


def stages_of(
    target: Target, crest_factor_db: float | None = None, built_in: bool = False
) -> tuple[Stage, ...]:
    """The chain of one channel; built_in : a radio's own output stage, with nothing in between.

    Raises GainkitError without the source's volts.

    A recording's levels are drawn at the volts that the source makes of them; the interconnect is taken as
    lossless. Average programme lies its crest factor below full-scale peaks, and a full-scale sine 3.01 dB:
    rms = full-scale sine's rms x sqrt(2) / crest.
    """
    source, gain = target.source_volts, target.gain_db
    if source is None or gain is None:
        raise GainkitError("source_volts_missing", "source_volts")
    crest = ASSUMED_CREST_DB if crest_factor_db is None else crest_factor_db
    down = ratio_from_db(-crest) * float(np.sqrt(2))
    wanted = source * ratio_from_db(gain)
    held = min(wanted, target.clip_volts)
    if built_in:
        return (
            Stage("recording", source, source, source * down),
            Stage("radio's\nown output", target.clip_volts, held, wanted * down),
            Stage("loudspeaker", target.speaker_limit_volts, held, wanted * down),
        )
    return (
        Stage("record-\ning", source, source, source * down),
        Stage("source", source, source, source * down),
        Stage("inter-\nconnect", None, source, source * down),
        Stage("amp.\ninput", target.sensitivity_volts, source, source * down),
        Stage("amp.\noutput", target.clip_volts, held, wanted * down),
        Stage("loud-\nspeaker", target.speaker_limit_volts, held, wanted * down),
    )


def draw_levels(
    ax: Axes,
    target: Target,
    crest_factor_db: float | None = None,
    name: str = "this channel",
    built_in: bool = False,
) -> Axes:
    """Draw peak and average of the signal from recording to loudspeaker under each stage's ceiling.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    target : Target
        Of a channel whose source volts are known.
    crest_factor_db : float, optional
        Peak over rms of the programme, 12 dB when left out [dB].
    name : str
        What to call the channel.
    built_in : bool
        It is the radio's own output: there is no amplifier between.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title. Levels in dBV, ceilings in V rms.

    Raises
    ------
    GainkitError
        `source_volts_missing` without the source's volts.

    References
    ----------
    A full-scale sine's rms lies 3.01 dB below its peak.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> channel = gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=4, overlap_db=5, source_volts=4)
    >>> ax = gainkit.draw_levels(matplotlib.figure.Figure().subplots(), gainkit.find_target(channel))
    >>> ax.get_ylabel()
    'level [dBV]; ceilings in V rms'
    """
    colours = palette_of(ax)
    stages = stages_of(target, crest_factor_db, built_in)
    places = np.arange(len(stages))
    peaks = [db_from_ratio(stage.peak_volts) for stage in stages]
    averages = [db_from_ratio(stage.average_volts) for stage in stages]
    ceilings = [db_from_ratio(stage.ceiling_volts) for stage in stages if stage.ceiling_volts is not None]
    ax.plot(places, peaks, "o-", color=colours.lines[0], label="full-scale peaks")
    ax.plot(places, averages, "s", linestyle=DASHES[1], color=colours.lines[2], label="average programme")
    low, high = min(averages) - 6, max(*ceilings, *peaks) + 6
    for place, stage in zip(places, stages, strict=True):
        if stage.ceiling_volts is None:
            continue
        ceiling = db_from_ratio(stage.ceiling_volts)
        ax.plot([place - 0.4, place + 0.4], [ceiling, ceiling], color=colours.lines[1], label="ceiling")
        told = "0 dBFS" if stage is stages[0] else f"{plain(stage.ceiling_volts)} V"
        ax.annotate(
            told, (place, ceiling), xytext=(0, 3), textcoords="offset points",
            ha="center", va="bottom", color=colours.lines[1], fontsize="small",
            bbox={"facecolor": colours.ground, "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
    ax.set_xlim(-0.5, len(stages) - 0.5)
    ax.set_ylim(low, high)
    ax.set_xticks(places, [stage.name for stage in stages])
    ax.tick_params(axis="x", labelsize="small")
    ax.set_ylabel("level [dBV]; ceilings in V rms")
    label_ends(
        ax, [
            (peaks[-1], f"full-scale\npeaks\n{plain(stages[-1].peak_volts)} V"),
            (averages[-1], f"average\nprogramme\n{plain(stages[-1].average_volts)} V"),
        ],
        [colours.lines[0], colours.lines[2]],
    )  # fmt: skip
    headline(ax, levels_point(target, name))
    return ax


def levels_point(target: Target, name: str) -> str:
    """What the picture says, in one sentence."""
    limit = "the amplifier's rail" if target.limited_by == "amplifier" else "the loudspeaker's limit"
    below = f", less {target.margin_db:g} dB of margin" if target.margin_db > 0 else ""
    level = f"{-target.overlap_db + 0.0:g} dBFS"
    return f"{name}: {level} in the recording meets {limit}{below}, {plain(target.target_volts)} V"
