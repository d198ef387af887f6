"""What a fitted tone lets be told beside itself: lines by name, harmonics that are none of leakage, THD."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from gainkit.analysis.origins import Scene, origins_of
from gainkit.analysis.thresholds import SEEN_OVER_FLOOR, stands_above
from gainkit.figures import filled, plain
from gainkit.levels import SINE_CREST

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gainkit.analysis import ToneFit

    Floats = NDArray[np.float64]

OVERLOADED = "The recorder itself is overloaded: nothing can be said of the amplifier"
"""The title of any picture of such a recording."""

MOST_FOLDED = 100
"""Harmonics that may fold back are looked for up to this order [-]: a square wave's is 1 % there."""

FOLDED_BINS = 3.0
"""A line so near to one of those is taken for it [bins]."""

MOST_LINES, MOST_LOOKED_AT = 3, 60
"""Lines that a picture names, and of how many their origin is looked for [-]."""


def leaked_peak(tone: ToneFit) -> Floats:
    """What lines that are no harmonics can leave in each fitted harmonic, (K,) [V peak].

    A line of peak a at a distance d leaks into a fit over T seconds by a / (pi d T) at most: the envelope of
    the Dirichlet kernel of a rectangular window.
    """
    orders = np.arange(1, len(tone.phasors) + 1)
    total = np.zeros(len(orders))
    for line in tone.lines:
        apart = np.maximum(np.abs(orders * tone.frequency_hz - line.frequency_hz), 1 / tone.spectrum.seconds)
        total += SINE_CREST * line.rms_volts / (np.pi * apart * tone.spectrum.seconds)
    return total


def told_floor(tone: ToneFit) -> Floats:
    """Below which a harmonic is not told, (K,) [V peak]: noise, and what other lines leak."""
    return np.asarray(np.hypot(tone.noise_peak, leaked_peak(tone)))


def harmonic_told(tone: ToneFit) -> NDArray[np.bool_]:
    """Which orders 1.. in the band stand above their floor, (in_band,)."""
    floor = told_floor(tone)[: tone.in_band]
    return np.asarray(np.abs(tone.phasors[: tone.in_band]) > 2 * SEEN_OVER_FLOOR * floor)


def thd_told(tone: ToneFit) -> str:
    """The tone's THD; what it lies below where only the floor is seen; that it cannot be told without a
    harmonic in the band."""
    if tone.in_band < 2:
        return "THD cannot be told, no harmonic lies in the band"
    fundamental = float(np.abs(tone.phasors[0]))
    floor_percent = 100 * float(np.linalg.norm(told_floor(tone)[1 : tone.in_band])) / fundamental
    if stands_above(tone.thd_percent, floor_percent):
        return f"THD {plain(tone.thd_percent)} %"
    return f"THD below {plain(SEEN_OVER_FLOOR * floor_percent, 2)} %"


def named_lines(tone: ToneFit) -> list[tuple[float, float, str]]:
    """The strongest lines that are no harmonics, nor any that folded back: (frequency [Hz], rms [V], name)."""
    named: list[tuple[float, float, str]] = []
    lines = tone.lines[:MOST_LOOKED_AT]
    folded = _folded(tone)
    scene = Scene(
        tone.frequency_hz, tone.spectrum.step_hz, tone.sample_rate_hz, tone.noise_rms_volts, tone.step_volts
    )
    for line, origin in zip(lines, origins_of(lines, scene), strict=True):
        if len(named) == MOST_LINES:
            break
        near = len(folded) and np.abs(folded - line.frequency_hz).min() < FOLDED_BINS * tone.spectrum.step_hz
        if origin.kind in ("folded", "rounding") or (near and origin.kind != "mains"):
            continue
        hertz = filled("{hz:.3g} Hz", {"hz": line.frequency_hz})
        named.append((line.frequency_hz, line.rms_volts, f"hum {hertz}" if origin.kind == "mains" else hertz))
    return named


def _folded(tone: ToneFit) -> Floats:
    """Where harmonics above half the sample rate come back in a recorder without a filter [Hz]."""
    orders = np.arange(2, MOST_FOLDED + 1) * tone.frequency_hz
    above = orders[orders > tone.sample_rate_hz / 2]
    return np.asarray(np.abs(above - np.rint(above / tone.sample_rate_hz) * tone.sample_rate_hz))


def least_told(tone: ToneFit, least_percent: float) -> Iterator[tuple[str, float]]:
    """Names of lines from a share of the tone on, and their share [%]; of hum and of tones the strongest."""
    kinds = set()
    for _, volts, name in named_lines(tone):
        percent = 100 * volts / tone.fundamental_volts
        kind = name.startswith("hum")
        if percent >= least_percent and kind not in kinds:
            kinds.add(kind)
            yield name if kind else f"a tone at {name}", percent
