"""THD against level, and against volume position: where clipping begins."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib import rcParams

from gainkit.calculator.clipped import thd_percent
from gainkit.charts.style import DASHES, headline, label_ends, name_ticks, named, palette_of, thick
from gainkit.errors import GainkitError
from gainkit.figures import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from gainkit.onset import OnsetResult
    from gainkit.onset.find import StepResult
    from gainkit.volume import VolumeResult

    Floats = NDArray[np.float64]

MARKERS = {"clean": "o", "distorted": "^", "at-onset": "D", "clipped": "s"}
CURVE_POINTS = 200
DECADES_SHOWN = 2.0
"""A span of THD below so many decades is widened to whole ones [-]."""

LEAST_PERCENT = 1e-4
"""Where the axis of THD ends below: no step of a recording is judged closer [%]."""


def draw_onset(ax: Axes, onset: OnsetResult) -> Axes:
    """Draw THD of every judged step against its level, the curve through them, their floor and the limit; two
    marks tell where the crest meets the rail and where THD reaches the limit.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    found : OnsetResult
        What `gainkit.find_onset` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title.

    Raises
    ------
    GainkitError
        `nothing_to_draw` when no step could be judged.

    References
    ----------
    THD as in `gainkit.measure`.

    Examples
    --------
    >>> import gainkit, matplotlib.figure, numpy
    >>> steps = [gainkit.simulate(level_dbfs=dbfs, source_volts=1.5, seconds=0.3) for dbfs in range(-6, 1)]
    >>> volts = numpy.concatenate([step.volts() for step in steps])
    >>> recording = gainkit.Capture.from_array(volts, 48000)
    >>> found = gainkit.find_onset(recording, gainkit.staircase(-6, 0, 1, 0.3))
    >>> ax = gainkit.draw_onset(matplotlib.figure.Figure().subplots(), found)
    >>> ax.get_ylabel()
    'THD [%]'
    """
    colours = palette_of(ax)
    steps = _judged(onset)
    if not steps:
        raise GainkitError("nothing_to_draw")
    levels = [step.level_dbfs for step in steps]
    ax.set_yscale("log")
    marks = [each for each in (onset.onset_dbfs, onset.clipping_begins_dbfs) if each is not None]
    ax.set_xlim(min(*levels, *marks) - 0.5, max(*levels, *marks) + 0.5)
    ax.plot(*curve_of(onset), color=colours.lines[0], label="curve")
    for state, marker in MARKERS.items():
        of_state = [s for s in steps if s.state == state]
        if of_state:
            ax.plot(
                [s.level_dbfs for s in of_state], [_percent(s) for s in of_state],
                marker, color=colours.lines[0], label=state,
            )  # fmt: skip
    ends = [(onset.limit_thd_percent, f"limit\n{onset.limit_thd_percent:g} %")]
    tones = [colours.lines[1]]
    floors = [(s.level_dbfs, max(s.thd_floor_percent, LEAST_PERCENT)) for s in steps if s.thd_floor_percent]
    if floors:
        ax.plot(*zip(*floors, strict=True), color=colours.lines[2], linestyle=DASHES[2], label="floor")
        ends.append((floors[-1][1], "floor"))
        tones.append(colours.lines[2])
    ax.axhline(onset.limit_thd_percent, color=colours.lines[1], linestyle=DASHES[1], label="limit")
    _percents(ax)
    label_ends(ax, ends, tones)
    _marks(ax, onset)
    ax.set_xlabel("level of the recording [dBFS]")
    ax.set_ylabel("THD [%]")
    headline(ax, onset_point(onset))
    return ax


def _judged(onset: OnsetResult) -> list[StepResult]:
    """The steps that have figures, by rising level."""
    return sorted((s for s in onset.steps if s.thd_percent is not None), key=lambda step: step.level_dbfs)


def _percent(step: StepResult) -> float:
    return max(step.thd_percent or 0.0, LEAST_PERCENT)


def curve_of(result: OnsetResult) -> tuple[Floats, Floats]:
    """THD through the steps and through the onset at the limit: levels [dBFS] and THD [%], both (n,).

    Where a rail is met, THD is that of a sine cut by it from the level on at which its crest meets the rail
    (closed form); what that misses at the steps beyond and at the limit is interpolated in the logarithm, and
    below lies what the steps show. A straight line between the steps on both sides of a knee would cross the
    limit a good part of a step too early. Without a rail the points are joined in the logarithm.
    """
    steps = _judged(result)
    points = [(step.level_dbfs, _percent(step)) for step in steps]
    onset = result.onset_dbfs
    if onset is not None and onset >= points[0][0]:  # one that was followed down below all steps is no curve
        points = sorted({*points, (onset, result.limit_thd_percent)})
    levels, thd = (np.array(each, dtype=float) for each in zip(*points, strict=True))
    begins = result.clipping_begins_dbfs
    fine = np.union1d(np.linspace(levels[0], levels[-1], CURVE_POINTS), levels)
    if begins is None or onset is None:
        return fine, np.exp(np.interp(fine, levels, np.log(thd)))
    rising = (levels >= onset) & (levels > begins)
    cut = np.maximum(np.asarray(thd_percent(levels[rising] - begins)), LEAST_PERCENT)
    missed = np.log(thd[rising] / cut)
    fine = np.union1d(fine, np.linspace(begins, onset, CURVE_POINTS // 4))
    calm = levels <= begins
    below = np.interp(fine, levels[calm], thd[calm]) if calm.any() else np.full(len(fine), LEAST_PERCENT)
    above = np.asarray(thd_percent(np.maximum(fine - begins, 0.0))) * np.exp(
        np.interp(fine, levels[rising], missed)
    )
    return fine, np.where(fine > begins, np.maximum(above, below), below)


def _marks(ax: Axes, onset: OnsetResult) -> None:
    """Where the crest meets the rail, and where THD reaches the limit: two marks, two words."""
    colours, begins = palette_of(ax), onset.clipping_begins_dbfs
    if onset.onset_dbfs is None:
        return
    if not _always_above(onset):
        ax.axvline(onset.onset_dbfs, color=colours.ink, linewidth=thick(1.2), label="onset")
    told = [f"{onset.limit_thd_percent:g} % at {onset.onset_dbfs:z.2f} dBFS"]
    if begins is not None:
        ax.axvline(begins, color=colours.ink, linewidth=thick(1.0), linestyle=DASHES[2], label="rail met")
        told = [f"rail met at {begins:z.2f} dBFS", *(() if _always_above(onset) else told)]
    low, high = ax.get_xlim()
    left = onset.onset_dbfs > low + 0.55 * (high - low)
    # right of the onset nothing lies below the limit but the floor; left of it room is where the curve is not
    height = _share(ax, onset.limit_thd_percent)
    soft = [_share(ax, _percent(step)) for step in _judged(onset) if step.level_dbfs < onset.onset_dbfs]
    calm = max(soft, default=0.0)
    if not left:
        place, below = 0.5 * height, True
    else:
        place, below = (0.98, True) if 1 - max(height, calm) > 0.2 else (0.5 * (height + calm), False)
    ax.annotate(
        "\n".join(told), (begins if left and begins is not None else onset.onset_dbfs, place),
        xycoords=("data", "axes fraction"), xytext=(-4 if left else 4, 0), textcoords="offset points",
        ha="right" if left else "left", va="top" if left and below else "center", fontweight="bold",
        bbox={"facecolor": ax.get_facecolor(), "edgecolor": "none", "pad": 0.5},
    )  # fmt: skip


def _always_above(onset: OnsetResult) -> bool:
    """Whether THD is above the limit long before the rail is met: by a cause of another kind."""
    begins = onset.clipping_begins_dbfs
    soft = [_percent(step) for step in _judged(onset) if begins is not None and step.level_dbfs < begins]
    return bool(soft) and min(soft) > onset.limit_thd_percent


def _share(ax: Axes, percent: float) -> float:
    """Where a THD stands in the picture, as a share of its height."""
    low, high = np.log10(ax.get_ylim())
    return float((np.log10(percent) - low) / (high - low))


def onset_point(onset: OnsetResult) -> str:
    """What the picture says, in one sentence."""
    if onset.onset_dbfs is None and max(onset.steps, key=lambda step: step.level_dbfs).state is None:
        return "Onset not known: the loudest steps could not be judged"
    limit = f"{onset.limit_thd_percent:g} %"
    over = onset.distorted_dbfs
    if onset.onset_dbfs is None:
        if not over:
            return f"THD stays under {limit} over all these levels"
        where = f"at {over[0]:z.4g} dBFS" if len(over) == 1 else f"from {over[0]:z.4g} to {over[-1]:z.4g} dBFS"
        return f"THD is above {limit} {where}, and not by clipping"
    steps = _judged(onset)
    if steps[0].level_dbfs > onset.onset_dbfs:
        return f"Every step is above {limit}: followed down, THD reaches it at {onset.onset_dbfs:z.1f} dBFS"
    begins_dbfs = onset.clipping_begins_dbfs
    if begins_dbfs is None:
        return f"THD reaches {limit} at {onset.onset_dbfs:z.2f} dBFS"
    begins = f"Clipping begins at {begins_dbfs:z.2f} dBFS"
    if _always_above(onset):
        return f"{begins}; THD is above {limit} at every step, and not by the rail alone"
    return f"{begins}; THD reaches {limit} at {onset.onset_dbfs:z.2f} dBFS"


def draw_volume(ax: Axes, volume: VolumeResult) -> Axes:
    """Draw THD at every volume position, and the volts there on a second axis; the highest clean one is marked.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    found : VolumeResult
        What `gainkit.find_clean_volume` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title.

    References
    ----------
    THD as in `gainkit.measure`.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> radio = gainkit.Amplifier(gain_db=0.0, positive_rail_volts=6.0)
    >>> tones = {at: gainkit.simulate(radio, source_volts=at / 8, seconds=0.3) for at in (30, 32, 40)}
    >>> found = gainkit.find_clean_volume(tones)
    >>> ax = gainkit.draw_volume(matplotlib.figure.Figure().subplots(), found)
    >>> ax.get_xlabel()
    'volume position'
    """
    colours = palette_of(ax)
    rows = volume.positions
    places = np.arange(len(rows))
    thd = [np.nan if row.thd_percent is None else max(row.thd_percent, LEAST_PERCENT) for row in rows]
    ax.plot(places, thd, "o-", color=colours.lines[0], label="THD")
    ax.set_yscale("log")
    names = {float(place): named(str(row.position), 8) for place, row in enumerate(rows)}
    name_ticks(ax.xaxis, names, _every(ax, list(names.values())))
    ax.set_xlabel("volume position")
    ax.set_ylabel("THD [%] (solid)")
    _percents(ax)
    side = ax.twinx()
    side.grid(False)
    side.spines["right"].set_visible(True)
    side.plot(
        places, [row.rms_volts for row in rows], "^", linestyle=DASHES[1], color=colours.lines[1], label="volts"
    )
    side.set_ylim(0, 1.15 * max(row.rms_volts for row in rows))
    side.set_ylabel("output [V] (dashed)")
    best = [
        place for place, row in zip(places, rows, strict=True) if row.position == volume.highest_clean_position
    ]
    for place in best:
        ax.axvline(float(place), color=colours.ink, linewidth=thick(1.2), label="highest clean")
        ax.annotate(
            "highest clean", (place, 0.98), xycoords=("data", "axes fraction"), xytext=(-4, 0),
            textcoords="offset points", ha="right", va="top", fontweight="bold",
        )  # fmt: skip
    headline(ax, volume_point(volume))
    return ax


def volume_point(volume: VolumeResult) -> str:
    """What the picture says, in one sentence."""
    if volume.highest_clean_position is None:
        return "No position is clean: the tone or the source's settings are at fault"
    last = volume.positions[-1]
    told = f"The source is clean up to {named(str(volume.highest_clean_position))}"
    if len(volume.positions) > 1 and last.position == volume.highest_clean_position:
        told = f"The source is clean at every position, up to {named(str(last.position))}"
    return f"{told}: {plain(volume.source_volts)} V for 0 dBFS" if volume.source_volts is not None else told


def _every(ax: Axes, names: list[str]) -> int:
    """Which manieth name there is room for beneath a picture of this width."""
    figure = ax.get_figure(root=True)
    letters = (
        72 * float(figure.get_size_inches()[0]) * 0.75 / (0.7 * float(rcParams["font.size"])) if figure else 60
    )
    longest = max(map(len, names)) + 1
    return max(-(-len(names) * longest // int(letters)), 1)


def _percents(ax: Axes) -> None:
    """0.01, 0.1, 1 instead of powers of ten, and whole decades, so that one of them at least is told."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    low, high = ax.get_ylim()
    if np.log10(high / low) < DECADES_SHOWN:
        low, high = 10 ** np.floor(np.log10(low)), 10 ** np.ceil(np.log10(high))
    ax.set_ylim(max(low, 0.6 * LEAST_PERCENT), high)
    ax.yaxis.set_major_formatter(FuncFormatter(lambda percent, _: plain(percent)))
    ax.yaxis.set_minor_formatter(NullFormatter())
