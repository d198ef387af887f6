"""Band levels of loudspeakers side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from os.path import commonprefix
from pathlib import Path
from typing import TYPE_CHECKING

from gainkit.charts.style import DASHES, headline, label_ends, name_ticks, named, palette_of, thick

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.matching import MatchResult

MARKS = ("o", "s", "^", "D", "v", "P", "X")
"""With three colours and four dashes no two of 84 lines are alike."""


def draw_bands(ax: Axes, match: MatchResult) -> Axes:
    """Draw what each capture lies above the reference by band, with 95 % bars; of a single one, its levels.

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
    'level above 1 [dB]'
    """
    colours = palette_of(ax)
    reference = next((each for each in match.captures if each.file == match.reference), None)
    others = [each for each in match.captures if each is not reference]
    beside = reference is not None and bool(others)
    shown = others if beside else match.captures
    centres = sorted({band.center_hz for each in match.captures for band in each.bands})
    place = {hz: number for number, hz in enumerate(centres)}
    compared = [reference, *shown] if reference is not None and len(shown) == 1 else shown
    names = short_names([each.file for each in compared])[len(compared) - len(shown) :]
    zero = {band.center_hz: band for band in reference.bands} if beside and reference is not None else {}
    ends, tones = [], []
    if beside:
        ax.axhline(0.0, color=colours.ink, linewidth=thick(1.0), label="reference")
    for number, each in enumerate(shown):
        tone = colours.lines[number % len(colours.lines)]
        bands = [band for band in each.bands if not beside or band.center_hz in zero]
        levels = [band.level_db - (zero[band.center_hz].level_db if beside else 0.0) for band in bands]
        bars = [
            math.hypot(band.uncertainty_db, zero[band.center_hz].uncertainty_db if beside else 0.0)
            for band in bands
        ]
        ax.errorbar(
            [place[band.center_hz] for band in bands], levels, yerr=bars, marker=MARKS[number % len(MARKS)],
            linestyle=DASHES[number % len(DASHES)], color=tone, label=named(Path(each.file).name),
        )  # fmt: skip
        if bands:
            ends.append((levels[-1], names[number]))
            tones.append(tone)
    _bands_axis(ax, centres)
    label_ends(ax, ends, tones)
    ax.set_xlabel("band [Hz]")
    if beside and reference is not None:
        ax.set_ylabel(f"level above {named(Path(reference.file).stem, 16)} [dB]", parse_math=False)
    else:
        ax.set_ylabel("level [dBV]" if match.calibrated else "level [dBFS]")
    headline(ax, bands_point(match))
    return ax


def _bands_axis(ax: Axes, centres: Sequence[float]) -> None:
    """Names of the bands, as many as there is room for."""
    figure = ax.get_figure()
    assert figure is not None
    inches = float(figure.get_figure(root=True).get_size_inches()[0])
    step = max(-(-len(centres) // int(2 * inches)), 1)
    told = [f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}" for hz in centres]
    name_ticks(ax.xaxis, {float(place): name for place, name in enumerate(told)}, step)
    ax.set_xlim(-0.5, len(centres) - 0.5)


def short_names(files: Sequence[str]) -> list[str]:
    """What tells the files apart: names without the words that all begin with, at most 14 letters, cut with
    dots."""
    stems = [Path(file).stem for file in files]
    prefix = commonprefix(stems) if len(stems) > 1 else ""  # noqa: RUF071 - letters, not paths
    shared = max(prefix.rfind(each) for each in " _-.") + 1  # "take1" stays whole, or "1" would name it
    return [named(stem[shared:] or stem, 14) for stem in stems]


def bands_point(match: MatchResult) -> str:
    """What the picture says, in one sentence."""
    others = [each for each in match.captures if each.file != match.reference]
    if not others:
        return f"{named(Path(match.reference).name)}: level by band"
    farthest = max(others, key=lambda each: abs(each.trim_db))
    if abs(farthest.trim_db) < max(farthest.uncertainty_db, 0.1):
        return f"All are alike within {max(farthest.uncertainty_db, 0.1):z.1f} dB"
    way = "up" if farthest.trim_db > 0 else "down"
    return f"{named(Path(farthest.file).stem)} must come {way} by {abs(farthest.trim_db):z.1f} dB"
