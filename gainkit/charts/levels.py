"""The level diagram: where the signal stands at every stage, and where each stage ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gainkit.calculator.clipped import rms_ratio
from gainkit.calculator.programme import average_power_ratio
from gainkit.charts.style import DASHES, headline, label_ends, name_ticks, named, palette_of, thick
from gainkit.errors import GainkitError
from gainkit.figures import plain
from gainkit.levels import SINE_CREST, db_from_ratio, power_db_from_ratio

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.calculator.targets import Target

ASSUMED_CREST_DB = 12.0
"""Peak over rms of programme when nothing is known of it [dB] (common practice, no source)."""


LEAST_NAMED_DB = 0.3
"""What a rail cuts off is named from here on [dB]: below, the marks lie on each other."""


@dataclass(frozen=True)
class Stage:
    """One stage beside its own ceiling, which is 0 dB.

    ceiling : what the ceiling is, for a person. wanted_db : a full-scale sine as it would be [dB]; held_db : as
    it is, cut at a rail in this stage or before [dB]. average_db : rms of programme [dB], cut likewise. All
    against the rms of a sine at the ceiling.
    """

    name: str
    ceiling: str
    wanted_db: float
    held_db: float
    average_db: float


def stages_of(
    target: Target, crest_factor_db: float | None = None, built_in: bool = False
) -> tuple[Stage, ...]:
    """The chain of one channel; built_in : a radio's own output stage, with nothing in between.

    Raises GainkitError without the source's volts.

    A recording's ceiling is 0 dBFS, and the source's what it makes of that: both hold a full-scale sine and no
    more. An amplifier's input is full with its sensitivity, its output at the rail, a loudspeaker at its
    continuous limit. The average of programme lies its crest factor below the peaks, whose sine's rms lies
    3.01 dB below them; behind the rail its power is that of clipped Gaussian noise (`calculator.programme`).
    """
    source, gain = target.source_volts, target.gain_db
    if source is None or gain is None:
        raise GainkitError("source_volts_missing", "source_volts")
    crest = ASSUMED_CREST_DB if crest_factor_db is None else crest_factor_db
    average = db_from_ratio(SINE_CREST) - crest
    over = 0.0 - target.headroom_db
    held = db_from_ratio(rms_ratio(over)) if over > 0 else over
    clipped = power_db_from_ratio(average_power_ratio(crest, over))
    stages = [Stage("track", "0 dBFS", 0.0, 0.0, average)]
    if not built_in:
        stages.append(Stage("source", f"{plain(source)} V", 0.0, 0.0, average))
        if target.sensitivity_volts is not None:
            into = db_from_ratio(source / target.sensitivity_volts)
            ceiling = f"{plain(target.sensitivity_volts)} V"
            stages.append(Stage("amp.\ninput", ceiling, into, into, average + into))
    name = "radio's\noutput" if built_in else "amp.\noutput"
    stages.append(Stage(name, f"{plain(target.clip_volts)} V", over, held, clipped))
    if target.speaker_limit_volts is not None:
        up = db_from_ratio(target.clip_volts / target.speaker_limit_volts)
        ceiling = f"{plain(target.speaker_limit_volts)} V"
        stages.append(Stage("loud-\nspeaker", ceiling, over + up, held + up, clipped + up))
    return tuple(stages)


def draw_levels(
    ax: Axes,
    target: Target,
    crest_factor_db: float | None = None,
    name: str = "this channel",
    built_in: bool = False,
) -> Axes:
    """Draw a full-scale tone and the average of programme against each stage's own ceiling, which is 0 dB.

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
        The same, with the point of the picture as its title. Levels against the rms of a sine at the ceiling.

    Raises
    ------
    GainkitError
        `source_volts_missing` without the source's volts.

    References
    ----------
    A full-scale sine's rms lies 3.01 dB below its peak; clipped sines and programme as in the calculator.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> channel = gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=4, overlap_db=5, source_volts=4)
    >>> ax = gainkit.draw_levels(matplotlib.figure.Figure().subplots(), gainkit.find_target(channel))
    >>> ax.get_ylabel()
    "above the stage's own ceiling [dB]"
    """
    colours = palette_of(ax)
    stages = stages_of(target, crest_factor_db, built_in)
    places = np.arange(len(stages))
    held = [stage.held_db for stage in stages]
    averages = [stage.average_db for stage in stages]
    cut = [number for number, stage in enumerate(stages) if stage.wanted_db > stage.held_db + 0.005]
    ax.axhline(0.0, color=colours.lines[1], linewidth=thick(1.6), label="ceiling")
    ax.plot(places, held, "o-", color=colours.lines[0], label="full-scale tone", zorder=4)
    if cut:
        (open_marks,) = ax.plot(
            cut, [stages[number].wanted_db for number in cut], "o", color=colours.lines[0], label="wanted"
        )
        open_marks.set_markerfacecolor(colours.ground)
    if cut and stages[cut[0]].wanted_db - stages[cut[0]].held_db > LEAST_NAMED_DB:
        ax.annotate(
            "uncut", (cut[0], stages[cut[0]].wanted_db), xytext=(0, 5), textcoords="offset points", ha="center",
            va="bottom", color=colours.lines[0],
        )  # fmt: skip
    ax.plot(places, averages, "s", linestyle=DASHES[1], color=colours.lines[2], label="average programme")
    shown = [*held, *averages, *(stage.wanted_db for stage in stages)]
    ax.set_xlim(-0.5, len(stages) - 0.5)
    ax.set_ylim(min(shown) - 4, max(shown) + 4)
    name_ticks(ax.xaxis, {float(place): f"{each.name}\n{each.ceiling}" for place, each in enumerate(stages)})
    ax.tick_params(axis="x", labelsize="small")
    ax.set_xlabel("stage, and its own ceiling (volts: rms of a sine)")
    ax.set_ylabel("above the stage's own ceiling [dB]")
    label_ends(
        ax,
        [
            (0.0, "ceiling"),
            (held[-1], f"full-scale\ntone {held[-1]:+z.1f} dB"),
            (averages[-1], f"average\n{averages[-1]:+z.1f} dB"),
        ],
        [colours.lines[1], colours.lines[0], colours.lines[2]],
    )
    headline(ax, levels_point(target, name, stages, built_in))
    return ax


def levels_point(target: Target, name: str, stages: Sequence[Stage], built_in: bool = False) -> str:
    """What the picture says: the stage that is overrun the most, or that none is."""
    last = stages[-1]
    speaker = target.speaker_limit_volts is not None
    if speaker and last.held_db > 0.05:
        return f"{named(name)}: a full-scale tone is {last.held_db:z.1f} dB too much for the loudspeaker"
    cut = -target.headroom_db
    rail = "radio's rail" if built_in else "amplifier's rail"
    if cut > 0.05:
        return f"{named(name)}: full-scale peaks reach {cut:z.1f} dB beyond the {rail} and are cut"
    if cut > -0.05:
        return f"{named(name)}: full-scale peaks just reach the {rail}"
    return f"{named(name)}: no stage is overrun, full-scale peaks stay {-cut:z.1f} dB below the rail"
