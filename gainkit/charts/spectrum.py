"""The spectrum of a measured tone: harmonics, hum and other lines by name, and the floor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gainkit.charts.heard import OVERLOADED, harmonic_told, least_told, named_lines, thd_told, told_floor
from gainkit.charts.style import DASHES, headline, label_ends, palette_of, thick
from gainkit.levels import db_from_ratio

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.analysis import ToneFit, Verdict

LOWEST_DB = -160.0
LOWEST_HZ = 20.0
"""Where the picture begins, for tones above [Hz]: hum lies below most tones."""

TOLD_LINE_PERCENT = 0.1
"""Lines are told in the title from this share of the tone on [%]: -60 dB."""

NAMED_ORDERS = 7
NARROW_INCHES = 5.0
"""On a narrower picture fewer frequencies are written [inch]."""

LEAST_APART = 0.05
"""Orders are numbered where so much of the picture's width lies between them [-]."""


def draw_spectrum(ax: Axes, tone: ToneFit, verdict: Verdict | None = None) -> Axes:
    """Draw harmonics under the fundamental, lines that are none by their names, and the floor.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    tone : ToneFit
        What `gainkit.analyse_tone` found.
    verdict : Verdict, optional
        Its verdict on the same: the title then tells a recorder that is itself overloaded.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title. Levels in dB under the tone, from 20 Hz on.

    References
    ----------
    A harmonic is drawn as one where it stands above noise and above what other lines leak into it: a / (pi d T)
    at most for a line of peak a, d away, over T seconds.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> seen = gainkit.analyse_tone(gainkit.simulate(source_volts=1.5, seconds=0.3))
    >>> ax = gainkit.draw_spectrum(matplotlib.figure.Figure().subplots(), seen.tone)
    >>> ax.get_xlabel()
    'frequency [Hz]'
    """
    colours = palette_of(ax)
    high_hz = min(tone.band_hz[1], tone.sample_rate_hz / 2)
    low_hz = max(min(LOWEST_HZ, 0.7 * tone.frequency_hz), tone.band_hz[0])
    reference = float(np.abs(tone.phasors[0]))
    part = tone.spectrum.within(low_hz, high_hz)
    hertz = tone.spectrum.frequencies()[part]
    rest = db_from_ratio(np.sqrt(2 * np.maximum(tone.spectrum.power[part], 1e-40)) / reference)
    floor = db_from_ratio(np.maximum(told_floor(tone)[: tone.in_band] / reference, 1e-12))
    bottom = min(float(np.median(rest)) if len(rest) else 0.0, float(floor.min())) - 12.0
    bottom = min(max(bottom, LOWEST_DB), -30.0)
    ax.set_xscale("log")
    ax.set_xlim(low_hz, high_hz)
    ax.set_ylim(bottom, 12)
    ax.plot(
        hertz, np.maximum(rest, LOWEST_DB), color=colours.lines[2], linewidth=thick(0.5), alpha=0.6,
        label="rest", zorder=1,
    )  # fmt: skip
    _harmonics(ax, tone, bottom)
    _lines(ax, tone, bottom)
    orders = np.arange(1, tone.in_band + 1) * tone.frequency_hz
    if tone.in_band > 1:
        ax.plot(orders, floor, color=colours.lines[1], linestyle=DASHES[1], label="floor")
    else:
        ax.axhline(float(floor[0]), color=colours.lines[1], linestyle=DASHES[1], label="floor")
    label_ends(ax, [(float(floor[-1]), "floor of\nthis record")], [colours.lines[1]])
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel("relative to the tone [dB]")
    plain_hertz(ax)
    headline(ax, spectrum_point(tone, verdict))
    return ax


def _harmonics(ax: Axes, tone: ToneFit, bottom: float) -> None:
    """Orders that stand above their floor, the first of them numbered."""
    colours = palette_of(ax)
    told = harmonic_told(tone)
    told[0] = True
    orders = np.flatnonzero(told) + 1
    levels = db_from_ratio(np.abs(tone.phasors[orders - 1] / tone.phasors[0]))
    hertz = orders * tone.frequency_hz
    ax.vlines(hertz, bottom, levels, color=colours.lines[0], linewidth=thick(1.6))
    ax.plot(hertz, levels, "o", color=colours.lines[0], label="harmonics")
    low, high = np.log(ax.get_xlim())
    named = 0.0
    for order, level in zip(orders[:NAMED_ORDERS], levels, strict=False):
        if np.log(order) - named < LEAST_APART * (high - low) and order > 1:
            continue
        named = float(np.log(order))
        ax.annotate(
            f"{order}", (order * tone.frequency_hz, level), xytext=(0, 4), textcoords="offset points",
            ha="center", va="bottom",
        )  # fmt: skip


def _lines(ax: Axes, tone: ToneFit, bottom: float) -> None:
    """Hum and other lines with their names, the next of them only where there is room."""
    colours = palette_of(ax)
    lines = named_lines(tone)
    if not lines:
        return
    levels = [float(db_from_ratio(volts / tone.fundamental_volts)) for _, volts, _ in lines]
    hertz = [each[0] for each in lines]
    ax.vlines(hertz, bottom, levels, color=colours.lines[1], linewidth=thick(1.6))
    ax.plot(hertz, levels, "^", color=colours.lines[1], label="lines")
    low, high = np.log(ax.get_xlim())
    taken = [float(np.log(tone.frequency_hz * order)) for order in np.flatnonzero(harmonic_told(tone)) + 1]
    taken.append(float(np.log(tone.frequency_hz)))
    for where, level, (_, _, name) in zip(hertz, levels, lines, strict=True):
        if level < bottom + 6 or min(abs(np.log(where) - each) for each in taken) < 0.14 * (high - low):
            continue
        taken.append(float(np.log(where)))
        ax.annotate(
            name.replace(" ", "\n", 1) if name.startswith("hum") else name, (where, level), xytext=(0, 5),
            textcoords="offset points", ha="left" if np.log(where) < low + 0.1 * (high - low) else "center",
            va="bottom", color=colours.lines[1],
        )  # fmt: skip


def spectrum_point(tone: ToneFit, verdict: Verdict | None = None) -> str:
    """What the picture says: THD, the strongest harmonic or line; of an overloaded recorder only that."""
    if verdict is not None and verdict.clipping.state is None and not verdict.too_high:
        return OVERLOADED
    lines = least_told(tone, TOLD_LINE_PERCENT)
    beside = [f"{name}, {db_from_ratio(percent / 100):z.0f} dB" for name, percent in lines]
    told = np.flatnonzero(harmonic_told(tone)[1:]) + 2
    if tone.in_band < 2:
        first = thd_told(tone)
    elif not len(told):
        first = f"No harmonic stands above the floor: {thd_told(tone)}"
    else:
        strongest = int(told[np.argmax(np.abs(tone.phasors[told - 1]))])
        under = db_from_ratio(float(abs(tone.phasors[strongest - 1]) / abs(tone.phasors[0])))
        first = f"{thd_told(tone)}: harmonic {strongest} is the strongest, {under:z.0f} dB"
    return "; ".join([first, *beside])


def plain_hertz(ax: Axes) -> None:
    """20, 50, 100 ... instead of powers of ten."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = ax.get_xlim()
    wide = high / low > 200
    marks = [step * 10.0**power for power in range(6) for step in (1, 2, 5)]
    figure = ax.get_figure(root=True)
    narrow = figure is not None and float(figure.get_size_inches()[0]) < NARROW_INCHES
    if wide and narrow:
        marks = [20.0, 100.0, 500.0, 2000.0, 10_000.0]
    ax.xaxis.set_major_locator(FixedLocator([mark for mark in marks if low <= mark <= high]))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"))
    ax.xaxis.set_minor_locator(NullLocator())
