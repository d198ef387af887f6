"""One or two cycles of a measured tone, its rails, and the sine that would have been; and its spectrum."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gainkit.analysis.thresholds import SEEN_OVER_FLOOR
from gainkit.charts.style import DASHES, headline, label_ends, palette_of
from gainkit.figures import filled, plain
from gainkit.levels import db_from_ratio
from gainkit.words.analysis import overdrive_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gainkit.analysis import ToneFit, Verdict

CYCLES = 2
MOST_OF_SINE = 3.0
"""A sine this many times as tall as the wave it became runs out of the picture, or the wave would be a line."""

POINTS = 512
LOWEST_DB = -160.0


def draw_waveform(ax: Axes, tone: ToneFit, verdict: Verdict, *, unit: str = "V") -> Axes:
    """Draw two cycles of a tone as fitted; where a rail is seen, the rails and the sine behind them.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    tone, verdict : ToneFit, Verdict
        What `gainkit.analyse_tone` found.
    unit : str
        "V", or another for a capture without calibration.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> seen = gainkit.analyse_tone(gainkit.simulate(source_volts=1.5, seconds=0.3))
    >>> ax = gainkit.draw_waveform(matplotlib.figure.Figure().subplots(), seen.tone, seen.verdict)
    >>> ax.get_xlabel()
    'time [ms]'
    """
    colours = palette_of(ax)
    period_ms = 1000 / tone.frequency_hz
    once = tone.period(POINTS)
    time = np.arange(CYCLES * POINTS + 1) * period_ms / POINTS
    wave = np.append(np.tile(once, CYCLES), once[0])
    clipping, rails = verdict.clipping, verdict.rails
    top = float(np.abs(once - tone.dc_volts).max())
    if clipping.side is not None and rails is not None:
        behind = tone.dc_volts - rails.mean + rails.sine_peak * np.cos(2 * np.pi * time / period_ms)
        ax.plot(time, behind, color=colours.lines[1], linestyle=DASHES[1], label="undisturbed sine")
        top = min(max(top, float(np.abs(behind - tone.dc_volts).max())), MOST_OF_SINE * top)
    ax.plot(time, wave, color=colours.lines[0], label="measured")
    ax.set_xlim(0, CYCLES * period_ms)
    ax.set_ylim(tone.dc_volts - 1.15 * top, tone.dc_volts + 1.15 * top)
    ends = []
    for rail in (clipping.positive_rail_volts, clipping.negative_rail_volts):
        if rail is not None:
            ax.axhline(rail, color=colours.ink, linestyle=DASHES[2], linewidth=1.0, label="rail")
            ends.append((rail, filled("rail\n{rail:+.4g}", {"rail": rail})))
    if clipping.side is not None:
        ends.append((float(wave[-1]) if rails is None else float(behind[-1]), "sine that\nwould be"))
    label_ends(ax, ends, [colours.ink] * len(ends))
    ax.set_xlabel("time [ms]")
    ax.set_ylabel("output [V]" if unit == "V" else "output [full scale]")
    headline(ax, waveform_point(tone, verdict))
    return ax


def waveform_point(tone: ToneFit, verdict: Verdict) -> str:
    """What the picture says, in one sentence."""
    clipping = verdict.clipping
    if clipping.state is None:
        return "The recorder itself is overloaded: nothing can be said of the amplifier"
    if clipping.state == "clean":
        return f"No rail is seen: {plain(tone.frequency_hz, 4)} Hz, THD {_thd(tone)}"
    over = clipping.overdrive_db or 0.0
    if over <= 0:
        return f"Held by a soft knee: THD {plain(tone.thd_percent)} %"
    side = {"positive": " on the positive side", "negative": " on the negative side"}.get(
        clipping.side or "", ""
    )
    return (
        f"The sine would reach {overdrive_words(over)} beyond the rail{side}: THD {plain(tone.thd_percent)} %"
    )


def draw_spectrum(ax: Axes, tone: ToneFit) -> Axes:
    """Draw harmonics under the fundamental, what is no harmonic, and the floor below which none can be told.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    tone : ToneFit
        What `gainkit.analyse_tone` found.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title. Levels in dB under the tone.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> seen = gainkit.analyse_tone(gainkit.simulate(source_volts=1.5, seconds=0.3))
    >>> ax = gainkit.draw_spectrum(matplotlib.figure.Figure().subplots(), seen.tone)
    >>> ax.get_xlabel()
    'frequency [Hz]'
    """
    colours = palette_of(ax)
    low_hz, high_hz = tone.band_hz
    reference = float(np.abs(tone.phasors[0]))
    part = tone.spectrum.within(low_hz, min(high_hz, tone.sample_rate_hz / 2))
    hertz = tone.spectrum.frequencies()[part]
    power = np.maximum(tone.spectrum.power[part], 1e-40)
    rest = db_from_ratio(np.sqrt(2 * power) / reference)
    ax.plot(
        hertz,
        np.maximum(rest, LOWEST_DB),
        color=colours.lines[2],
        linewidth=0.5,
        alpha=0.6,
        label="rest",
        zorder=1,
    )
    orders = np.arange(1, tone.in_band + 1)
    levels = db_from_ratio(np.maximum(np.abs(tone.phasors[: tone.in_band]) / reference, 1e-12))
    floor = db_from_ratio(np.maximum(tone.noise_peak[: tone.in_band] / reference, 1e-12))
    bottom = max(min(float(np.median(rest)), float(floor.min())) - 12.0, LOWEST_DB)
    ax.vlines(orders * tone.frequency_hz, bottom, levels, color=colours.lines[0], linewidth=1.6)
    ax.plot(orders * tone.frequency_hz, levels, "o", color=colours.lines[0], label="harmonics")
    ax.plot(orders * tone.frequency_hz, floor, color=colours.lines[1], linestyle=DASHES[1], label="floor")
    ax.set_xscale("log")
    ax.set_xlim(tone.frequency_hz * 0.7, high_hz)
    ax.set_ylim(bottom, 8)
    for order, level in zip(orders[:7], levels[:7], strict=True):
        if level > floor[order - 1] + 6:
            ax.annotate(
                f"{order}", (order * tone.frequency_hz, level), xytext=(0, 4), textcoords="offset points",
                ha="center", va="bottom",
            )  # fmt: skip
    label_ends(ax, [(float(floor[-1]), "floor of\nthis record")], [colours.lines[1]])
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel("under the tone [dB]")
    _plain_hertz(ax)
    headline(ax, spectrum_point(tone))
    return ax


def spectrum_point(tone: ToneFit) -> str:
    """What the picture says, in one sentence."""
    if not tone.distortion_seen or tone.in_band < 2:
        return f"No harmonic stands above the floor: THD {_thd(tone)}"
    strongest = int(np.argmax(np.abs(tone.phasors[1 : tone.in_band]))) + 2
    under = db_from_ratio(float(abs(tone.phasors[strongest - 1]) / abs(tone.phasors[0])))
    return f"THD {plain(tone.thd_percent)} %: harmonic {strongest} is the strongest, {under:.0f} dB"


def _thd(tone: ToneFit) -> str:
    """The tone's THD, or what it lies below where only the floor is seen."""
    if tone.distortion_seen:
        return f"{plain(tone.thd_percent, 2)} %"
    return f"below {plain(SEEN_OVER_FLOOR * tone.thd_floor_percent, 2)} %"


def _plain_hertz(ax: Axes) -> None:
    """20, 50, 100 ... instead of powers of ten."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = ax.get_xlim()
    marks = [step * 10.0**power for power in range(6) for step in (1, 2, 5)]
    ax.xaxis.set_major_locator(FixedLocator([mark for mark in marks if low <= mark <= high]))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"))
    ax.xaxis.set_minor_locator(NullLocator())
