"""The samples of a measured tone under its fit, with rails and the sine that would have been."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from gainkit.advice import is_stray_dc
from gainkit.charts.heard import OVERLOADED, least_told, thd_told
from gainkit.charts.style import DASHES, SCALE, headline, label_ends, palette_of, thick
from gainkit.figures import filled, plain, volt_unit
from gainkit.words.analysis import overdrive_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from gainkit.analysis import ToneFit, Verdict

    Floats = NDArray[np.float64]

CYCLES = 2
MOST_OF_SINE = 3.0
"""A sine this many times as tall as the wave it became runs out of the picture, or the wave would be a line."""

POINTS = 512
MOST_SAMPLES = 1500
"""Samples that a picture shows: more only grow the file [-]."""

DC_WITH_ZERO = 4.0
"""Zero is shown beside a DC of so many times the wave's height at most: else the wave would be a line [-]."""

CORNERS_SHARE = 0.03
"""The sine held at rails stands for the fit while its orders differ from the fitted ones by less than this
share [-]: a stage that comes off its rail late differs more."""

TOLD_LINE_PERCENT = 1.0
"""Hum and other lines are told in the title from this share of the tone on [%]: below, the eye does not see
them in the wave (our choice)."""

SMALL = 0.01
"""Waves below are told in smaller units [V, or of full scale]."""

NEARLY_FULL = 0.95
"""Samples above this share of the recorder's full scale are told [-]: half a decibel is left."""


def samples_of(tone: ToneFit) -> tuple[Floats, Floats]:
    """Samples of the record and their places in the period, both (n,): [V], and in periods from the crest.

    They are what was fitted plus what the fit left over, so nothing is lost: hum, noise and steps are in them.
    Of a long record stretches from its whole length are taken, or hum would stand still.
    """
    fit = tone.fit
    frames = len(fit.residual)
    chosen = np.arange(frames)
    if frames > MOST_SAMPLES:  # places as even as the golden section makes them: no stride meets the tone's own
        chosen = np.unique((np.arange(MOST_SAMPLES) * 0.6180339887498949 % 1.0 * frames).astype(np.int64))
    turn = fit.angular * (chosen - (frames - 1) / 2)
    orders = np.arange(1, fit.orders + 1)
    wave = fit.dc + (np.exp(1j * np.multiply.outer(turn, orders)) @ fit.phasors).real + fit.residual[chosen]
    places = (turn + float(np.angle(fit.phasors[0]))) / (2 * np.pi)
    return np.asarray(wave), np.asarray(places, dtype=np.float64)


def fitted_wave(tone: ToneFit, verdict: Verdict) -> Floats:
    """One period of what the fit says, (POINTS,) from the crest [V].

    Where rails are seen and tell the wave it is the sine held at them, which has corners; a sum of 20 orders
    would ripple where the wave is flat.
    """
    summed = tone.period(POINTS)
    if verdict.clipping.side is None or verdict.rails is None:
        return summed
    rails = verdict.rails
    cosine = np.cos(2 * np.pi * np.arange(POINTS) / POINTS)
    held = rails.wave(cosine)
    orders = 2 / POINTS * np.fft.rfft(held)[1 : len(tone.phasors) + 1]
    apart = float(np.linalg.norm(orders - tone.relative()) / np.linalg.norm(tone.phasors))
    return np.asarray(held - held.mean() + tone.dc_volts) if apart < CORNERS_SHARE else summed


def draw_waveform(
    ax: Axes, tone: ToneFit, verdict: Verdict, *, unit: str = "V", full_scale: float | None = None
) -> Axes:
    """Draw the samples of a tone folded on two of its cycles, the fit over them, the rails and the sine behind.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Where to draw.
    tone, verdict : ToneFit, Verdict
        What `gainkit.analyse_tone` found.
    unit : str
        "V", or another for a capture without calibration.
    full_scale : float, optional
        Where the recorder ends, in that unit; drawn where samples come near it.

    Returns
    -------
    Axes
        The same, with the point of the picture as its title: rails first, then DC, hum and the recorder's end
        where they matter.

    Examples
    --------
    >>> import gainkit, matplotlib.figure
    >>> seen = gainkit.analyse_tone(gainkit.simulate(source_volts=1.5, seconds=0.3))
    >>> ax = gainkit.draw_waveform(matplotlib.figure.Figure().subplots(), seen.tone, seen.verdict)
    >>> ax.get_xlabel()
    'time in the period [ms]'
    """
    colours = palette_of(ax)
    period_ms = 1000 / tone.frequency_hz
    samples, places = samples_of(tone)
    time = np.arange(CYCLES * POINTS + 1) * period_ms / POINTS
    once = fitted_wave(tone, verdict)
    ax.plot(
        places % CYCLES * period_ms, samples, "o", color=colours.lines[0], markersize=thick(1.8), alpha=0.6,
        markeredgewidth=0, label="samples", zorder=2,
    )  # fmt: skip
    ax.plot(
        time,
        np.append(np.tile(once, CYCLES), once[0]),
        color=colours.lines[2],
        linewidth=thick(0.8),
        label="fit",
        zorder=3,
    )
    ends = [*_rails(ax, tone, verdict, time), *_recorder_end(ax, samples, full_scale)]
    ax.set_xlim(0, CYCLES * period_ms)
    ax.set_ylim(*_heights(tone, samples, ends))
    if abs(tone.dc_volts) > 0 and _dc_matters(tone, unit):
        ax.axhline(tone.dc_volts, color=colours.lines[1], linestyle=DASHES[3], linewidth=thick(1.0), label="DC")
        ends.append((tone.dc_volts, filled("DC {dc:+.3g}", {"dc": tone.dc_volts})))
    low, high = ax.get_ylim()
    inside = [(min(max(height, low), high), told) for height, told in ends]
    label_ends(ax, inside, [colours.ink] * len(inside))
    ax.set_xlabel("time in the period [ms]")
    _plain_heights(ax, unit)
    headline(ax, waveform_point(tone, verdict, unit=unit, full_scale=full_scale))
    return ax


def _plain_heights(ax: Axes, unit: str) -> None:
    """Figures without powers of ten at the axis of a small wave: in mV or \u00b5V, or parts of full scale."""
    from matplotlib.ticker import FuncFormatter

    tallest = max(abs(end) for end in ax.get_ylim())
    scale, name = volt_unit(tallest) if tallest < SMALL else (1.0, "V")
    if unit != "V":
        name = {"V": "full scale", "mV": "thousandths of full scale"}.get(name, "millionths of full scale")
    ax.set_ylabel(f"output [{name}]")
    if scale != 1.0:
        ax.yaxis.__dict__[SCALE] = scale
        ax.yaxis.set_major_formatter(FuncFormatter(lambda height, _: plain(scale * height)))


def _rails(ax: Axes, tone: ToneFit, verdict: Verdict, time: Floats) -> list[tuple[float, str]]:
    """The rails that are seen, and the sine behind them; their names at the right edge."""
    colours, clipping, rails = palette_of(ax), verdict.clipping, verdict.rails
    ends = []
    for rail in (clipping.positive_rail_volts, clipping.negative_rail_volts):
        if rail is not None:
            ax.axhline(rail, color=colours.ink, linestyle=DASHES[2], linewidth=thick(1.0), label="rail")
            ends.append((rail, filled("rail\n{rail:+.4g}", {"rail": rail})))
    if clipping.side is not None and rails is not None:
        behind = (
            tone.dc_volts - rails.mean + rails.sine_peak * np.cos(2 * np.pi * time * tone.frequency_hz / 1000)
        )
        ax.plot(time, behind, color=colours.lines[1], linestyle=DASHES[1], label="undisturbed sine", zorder=1)
        ends.append((float(behind[-1]), "sine that\nwould be"))
    return ends


def _recorder_end(ax: Axes, samples: Floats, full_scale: float | None) -> list[tuple[float, str]]:
    """The recorder's own limits, where samples come near them."""
    if full_scale is None or float(np.abs(samples).max()) < NEARLY_FULL * full_scale:
        return []
    colours = palette_of(ax)
    for end in (full_scale, -full_scale):
        ax.axhline(
            end, color=colours.lines[1], linestyle=DASHES[1], linewidth=thick(1.0), label="recorder's end"
        )
    return [(full_scale, "recorder's\nend")]


def _heights(tone: ToneFit, samples: Floats, ends: list[tuple[float, str]]) -> tuple[float, float]:
    """Lower and upper end of the picture: samples, rails and the sine within reason, zero beside a DC."""
    low, high = float(samples.min()), float(samples.max())
    farthest = max(high - tone.dc_volts, tone.dc_volts - low)
    for height, _ in ends:
        low, high = min(low, height), max(high, height)
    low = max(low, tone.dc_volts - MOST_OF_SINE * farthest)
    high = min(high, tone.dc_volts + MOST_OF_SINE * farthest)
    if abs(tone.dc_volts) < DC_WITH_ZERO * farthest:
        low, high = min(low, 0.0), max(high, 0.0)
    room = 0.08 * (high - low) or 1.0
    return low - room, high + room


def _dc_matters(tone: ToneFit, unit: str) -> bool:
    return unit == "V" and is_stray_dc(tone.dc_volts, tone.rms_volts)


def waveform_point(tone: ToneFit, verdict: Verdict, *, unit: str = "V", full_scale: float | None = None) -> str:
    """What the picture says: the verdict, then what else is in the wave and matters."""
    beside = _beside(tone, unit, full_scale if verdict.clipping.state is not None or verdict.too_high else None)
    return "; ".join([_of_rails(tone, verdict), *beside])


def _of_rails(tone: ToneFit, verdict: Verdict) -> str:
    clipping = verdict.clipping
    if clipping.state is None and not verdict.too_high:
        return OVERLOADED
    if clipping.state in (None, "clean"):
        seen = "Too high a tone to tell a rail" if verdict.too_high else "No rail is seen"
        return f"{seen}: {filled('{hz:.4g}', {'hz': tone.frequency_hz})} Hz, {thd_told(tone)}"
    over = clipping.overdrive_db or 0.0
    if over <= 0:
        return f"Held by a soft knee: {thd_told(tone)}"
    side = {"positive": " on the positive side", "negative": " on the negative side"}.get(
        clipping.side or "", ""
    )
    return f"The sine would reach {overdrive_words(over)} beyond the rail{side}: {thd_told(tone)}"


def _beside(tone: ToneFit, unit: str, full_scale: float | None) -> Iterator[str]:
    """DC, hum and other lines, and a recorder that is nearly full."""
    if _dc_matters(tone, unit):
        yield f"{plain(tone.dc_volts)} V of DC"
    for told, percent in least_told(tone, TOLD_LINE_PERCENT):
        yield f"{told}, {plain(percent, 2)} % of the tone"
    if tone.outliers:
        yield f"{tone.outliers} stray samples left out"
    if full_scale is not None and float(np.abs(samples_of(tone)[0]).max()) >= NEARLY_FULL * full_scale:
        yield "the recorder is nearly full"
