"""The response of a chain: level over frequency against its passband, with corners and boosts by name."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gainkit.charts.spectrum import plain_hertz
from gainkit.charts.style import DASHES, headline, label_ends, palette_of, thick
from gainkit.errors import GainkitError
from gainkit.figures import filled, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.response import Boost, Filter, Response

LEAST_SPAN_DB = 6.0
"""A flat line is not shown larger than this [dB]: hundredths of a decibel would look like hills."""

LEAST_TOLD_DB = 0.01
"""Smaller ripples are not told [dB]."""

MOST_BELOW_DB = 60.0
"""What lies farther below the passband runs out of the picture [dB]."""

FAMILY_WORDS = {"butterworth": "Butterworth", "linkwitz-riley": "Linkwitz-Riley", "bessel": "Bessel"}


def draw_response(ax: Axes, response: Response) -> Axes:
    """Draw level over frequency against the passband, the floor, corners of filters and equaliser bands.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    found : Response
        What `gainkit.response.find_response` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title. 0 dB is the passband; the right side is dashed.

    Raises
    ------
    GainkitError
        `no_response` where the sweep was not found.

    References
    ----------
    Corners: 3 dB under the passband; of a Linkwitz-Riley filter 6 dB.

    Examples
    --------
    >>> import matplotlib.figure, numpy
    >>> from gainkit.capture import Capture
    >>> from gainkit.charts import draw_response
    >>> from gainkit.response import find_response, from_figures
    >>> time = numpy.arange(5 * 48000) / 48000
    >>> phase = 2 * numpy.pi * 20 * 5 / numpy.log(1000) * (numpy.exp(time / 5 * numpy.log(1000)) - 1)
    >>> played = numpy.pad(0.5 * numpy.sin(phase), 24000)
    >>> heard = find_response(Capture.from_array(played, 48000), from_figures(20, 20_000, 5.0, -6.02))
    >>> draw_response(matplotlib.figure.Figure().subplots(), heard).get_ylabel()
    'level against the passband [dB]'
    """
    if not response.found or not response.points:
        raise GainkitError("no_response")
    colours = palette_of(ax)
    base = _base(response)
    hertz, levels, floors = _lines(response, base)
    low_hz, high_hz = response.band_hz or (float(hertz[0]), float(hertz[-1]))
    ax.set_xscale("log")
    ax.set_xlim(low_hz, high_hz)
    ax.plot(hertz, levels, color=colours.lines[0], label="response")
    ax.plot(hertz, floors, color=colours.lines[2], linestyle=DASHES[2], label="floor")
    ends = [(float(levels[-1]), "left" if response.right is not None else "response")]
    tones = [colours.lines[0]]
    shown = [levels]
    if response.right is not None and response.right.points:
        there, other, _ = _lines(response.right, base)
        ax.plot(there, other, color=colours.lines[1], linestyle=DASHES[1], label="right")
        ends.append((float(other[-1]), "right"))
        tones.append(colours.lines[1])
        shown.append(other)
    _span(ax, [each[np.isfinite(each)] for each in shown])
    _corners(ax, response)
    _boosts(ax, response.boosts, hertz, levels)
    low, high = ax.get_ylim()
    if floors[-1] > low:
        ends.append((float(floors[-1]), "floor"))
        tones.append(colours.lines[2])
    label_ends(ax, [(min(max(height, low), high), told) for height, told in ends], tones)
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel("level against the passband [dB]")
    plain_hertz(ax)
    headline(ax, response_point(response))
    return ax


def _base(response: Response) -> float:
    """Level of the passband [dB]; where none is told, the highest of all."""
    if response.passband_db is not None:
        return response.passband_db
    return max(point.level_db for point in response.points)


def _lines(response: Response, base: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequencies [Hz], levels and floors against the passband [dB]."""
    hertz, levels, floors = (
        np.array([getattr(point, name) for point in response.points])
        for name in ("frequency_hz", "level_db", "floor_db")
    )
    return hertz, levels - base, floors - base


def _span(ax: Axes, shown: list[np.ndarray]) -> None:
    """From what is heard lowest to what is heard highest, within reason, with room for names."""
    low = max(min(float(each.min()) for each in shown), -MOST_BELOW_DB)
    high = max(float(each.max()) for each in shown)
    short = max(LEAST_SPAN_DB - (high - low), 0.0) / 2
    room = 0.12 * max(high - low, LEAST_SPAN_DB)
    ax.set_ylim(low - short - room, high + short + 2 * room)


def _corners(ax: Axes, response: Response) -> None:
    """Where the response is 3 dB under its passband."""
    colours = palette_of(ax)
    for corner, side, height in (
        (response.low_corner_hz, "left", 0.02),
        (response.high_corner_hz, "right", 0.1),
    ):
        if corner is None:
            continue
        ax.axvline(corner, color=colours.ink, linestyle=DASHES[2], linewidth=thick(1.0), label="corner")
        ax.annotate(
            f"-3 dB at {plain(corner)} Hz", (corner, height), xycoords=("data", "axes fraction"),
            xytext=(4 if side == "left" else -4, 0), textcoords="offset points", va="bottom",
            ha=side,
        )  # fmt: skip


def _boosts(ax: Axes, boosts: tuple[Boost, ...], hertz: np.ndarray, levels: np.ndarray) -> None:
    """Equaliser bands at their places on the line."""
    if not boosts:
        return
    colours = palette_of(ax)
    where = [boost.centre_hz for boost in boosts]
    heights = np.interp(np.log(where), np.log(hertz), levels)
    ax.plot(where, heights, "^", color=colours.lines[1], label="equaliser band")
    for boost, height in zip(boosts, heights, strict=True):
        ax.annotate(
            f"{boost.gain_db:+z.1f} dB", (boost.centre_hz, float(height)),
            xytext=(0, 5 if boost.gain_db > 0 else -5) if boost.kind == "peak" else (8, 0),
            textcoords="offset points", ha="center" if boost.kind == "peak" else "left",
            va="bottom" if boost.gain_db > 0 else "top", color=colours.lines[1],
        )  # fmt: skip


def response_point(response: Response) -> str:
    """What the picture says: the verdict and what it rests on."""
    told = "The response, without a verdict" if response.verdict is None else response.verdict.capitalize()
    if response.verdict == "level changed":
        told = "The level changed during the sweep"
    parts = []
    if response.verdict == "flat" and response.flat is not None:
        low, high = plain(response.flat.low_hz), plain(response.flat.high_hz)
        within = max(response.flat.plus_db, -response.flat.minus_db, LEAST_TOLD_DB)
        parts.append(f"within {plain(within, 1)} dB from {low} to {high} Hz")
    for each, name in ((response.highpass, "high-pass"), (response.lowpass, "low-pass")):
        if each is not None:
            parts.append(_filter_words(each, name))
    if response.boosts:
        most = max(response.boosts, key=lambda boost: abs(boost.gain_db))
        parts.append(filled("{gain_db:+z.1f} dB at {centre_hz:.3g} Hz", vars(most)))
    return f"{told}: {', '.join(parts)}" if parts else told


def _filter_words(each: Filter, name: str) -> str:
    family = FAMILY_WORDS.get(each.family)
    order = f"{family} {6 * each.order} dB per octave, " if family else ""
    return f"{order}{name} at {plain(each.corner_hz)} Hz"
