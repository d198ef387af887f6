"""Band levels of loudspeakers side by side."""

from __future__ import annotations

from collections.abc import Sequence
from os.path import commonprefix
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from gainkit.charts.style import DASHES, headline, label_ends, palette_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.matching import MatchResult

MARKS = ("o", "s", "^", "D")


def draw_bands(ax: Axes, found: MatchResult) -> Axes:
    """Draw levels in octaves or thirds, a line a capture, with the uncertainty of its average as bars.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    found : MatchResult
        What `gainkit.match_levels` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title.

    References
    ----------
    Bands after IEC 61260-1.

    Examples
    --------
    >>> import gainkit, matplotlib.figure, numpy
    >>> noise = numpy.random.default_rng(1).normal(0.0, 0.1, 3 * 48000)
    >>> recordings = [gainkit.Capture.from_array(noise * size, 48000, file=f"{size}") for size in (1.0, 0.5)]
    >>> ax = gainkit.draw_bands(matplotlib.figure.Figure().subplots(), gainkit.match_levels(recordings))
    >>> ax.get_ylabel()
    'level [dBV]'
    """
    colours = palette_of(ax)
    centres = sorted({band.center_hz for each in found.captures for band in each.bands})
    place = {hz: number for number, hz in enumerate(centres)}
    names = short_names([each.file for each in found.captures])
    ends, tones = [], []
    for number, each in enumerate(found.captures):
        tone = colours.lines[number % len(colours.lines)]
        ax.errorbar(
            [place[band.center_hz] for band in each.bands], [band.level_db for band in each.bands],
            yerr=[band.uncertainty_db for band in each.bands], marker=MARKS[number % len(MARKS)],
            linestyle=DASHES[number % len(DASHES)], color=tone, label=Path(each.file).name,
        )  # fmt: skip
        ends.append((each.bands[-1].level_db, names[number]))
        tones.append(tone)
    figure = ax.get_figure()
    assert figure is not None
    inches = float(figure.get_figure(root=True).get_size_inches()[0])
    step = max(-(-len(centres) // int(2 * inches)), 1)
    shown = np.arange(0, len(centres), step)
    ax.set_xticks(shown, [f"{hz / 1000:g}k" if (hz := centres[i]) >= 1000 else f"{hz:g}" for i in shown])
    ax.set_xlim(-0.5, len(centres) - 0.5)
    label_ends(ax, ends, tones)
    ax.set_xlabel("band [Hz]")
    ax.set_ylabel("level [dBV]" if found.calibrated else "level [dBFS]")
    headline(ax, bands_point(found))
    return ax


def short_names(files: Sequence[str]) -> list[str]:
    """What tells the files apart: names without what all begin with, at most 14 characters."""
    stems = [Path(file).stem for file in files]
    shared = len(commonprefix(stems)) if len(stems) > 1 else 0  # noqa: RUF071 - letters, not paths
    return [(stem[shared:] or stem)[:14] for stem in stems]


def bands_point(found: MatchResult) -> str:
    """What the picture says, in one sentence."""
    others = [each for each in found.captures if each.file != found.reference]
    if not others:
        return f"{Path(found.reference).name}: level by band"
    farthest = max(others, key=lambda each: abs(each.trim_db))
    if abs(farthest.trim_db) < max(farthest.uncertainty_db, 0.1):
        return f"All are alike within {max(farthest.uncertainty_db, 0.1):.1f} dB"
    way = "up" if farthest.trim_db > 0 else "down"
    return f"{Path(farthest.file).stem[:24]} must come {way} by {abs(farthest.trim_db):.1f} dB"
