"""One or two cycles of a measured tone, its rails, and the sine that would have been; and its spectrum."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gainkit.charts.style import DASHES, headline, label_ends, palette_of
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
    """Two cycles as fitted; where a rail is seen, the rails and the sine behind them. unit : "V" or another."""
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
            ends.append((rail, f"rail\n{rail:+.4g}"))
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
        return f"No rail is seen: {tone.frequency_hz:.4g} Hz, THD {tone.thd_percent:.2g} %"
    over = clipping.overdrive_db or 0.0
    if over <= 0:
        return f"Held by a soft knee: THD {tone.thd_percent:.3g} %"
    side = {"positive": " on the positive side", "negative": " on the negative side"}.get(
        clipping.side or "", ""
    )
    return f"The sine would reach {overdrive_words(over)} beyond the rail{side}: THD {tone.thd_percent:.3g} %"


def draw_spectrum(ax: Axes, tone: ToneFit) -> Axes:
    """Harmonics under the fundamental [dB], what is no harmonic, and the floor below which none can be told."""
    colours = palette_of(ax)
    low_hz, high_hz = tone.band_hz
    reference = float(np.abs(tone.phasors[0]))
    part = tone.spectrum.within(low_hz, min(high_hz, tone.sample_rate_hz / 2))
    hertz = tone.spectrum.frequencies()[part]
    power = np.maximum(tone.spectrum.power[part], 1e-40)
    rest = 20 * np.log10(np.sqrt(2 * power) / reference)
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
    levels = 20 * np.log10(np.maximum(np.abs(tone.phasors[: tone.in_band]) / reference, 1e-12))
    floor = 20 * np.log10(np.maximum(tone.noise_peak[: tone.in_band] / reference, 1e-12))
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
    if tone.thd_percent < 1.5 * tone.thd_floor_percent or tone.in_band < 2:
        return f"No harmonic stands above the floor: THD below {1.5 * tone.thd_floor_percent:.2g} %"
    strongest = int(np.argmax(np.abs(tone.phasors[1 : tone.in_band]))) + 2
    under = 20 * np.log10(abs(tone.phasors[strongest - 1]) / abs(tone.phasors[0]))
    return f"THD {tone.thd_percent:.3g} %: harmonic {strongest} is the strongest, {under:.0f} dB"


def _plain_hertz(ax: Axes) -> None:
    """20, 50, 100 ... instead of powers of ten."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = ax.get_xlim()
    marks = [step * 10.0**power for power in range(6) for step in (1, 2, 5)]
    ax.xaxis.set_major_locator(FixedLocator([mark for mark in marks if low <= mark <= high]))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"))
    ax.xaxis.set_minor_locator(NullLocator())
