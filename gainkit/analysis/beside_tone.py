"""A line within a few hertz of the tone: hum that beats with it, fitted together with it and taken out.

In blocks the tone stands still and such a line turns against it, one way only; what moves level alone (a
ripple, a knob) shows alike on both sides. The line is told apart once it turns one and a half times within the
record.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.lines import CLOSEST_CYCLES, FittedLine, fit_lines
from gainkit.analysis.middle import median

Floats = NDArray[np.float64]

FARTHEST_HZ = 20.0
"""Lines farther off are no trouble to the fit and are found in its spectrum [Hz]."""

LEAST_RATIO = 0.004
"""A line under this share of the tone moves its level by less than 0.04 dB and is left where it is [-]."""

MIRROR_SHARE = 0.5
"""The same distance on the tone's other side must hold less than this share of the amplitude [-]."""

MIRROR_HIDDEN_BINS = 3.5
"""A line that is nearer has its mirror, and a bin around it, in the main lobe of the tone's window [-]."""

SETTLED_BINS = 1e-3
"""The places of tone and line are searched to this share of what the record resolves [-]."""

OVER_NOISE = 8.0
"""How far the line stands over the median of the blocks' spectrum, in amplitude [-]: noise alone does so in
less than one record of a million."""

MOST_BESIDE = 2
"""Lines told apart at most [-]."""


def line_beside(phasors: NDArray[np.complex128], block_seconds: float) -> float | None:
    """How far off the tone a line turns [Hz]; None when there is none. phasors : (blocks,) of the tone [V
    peak]."""
    count = len(phasors)
    if count < 32:
        return None
    window = np.hanning(count + 2)[1:-1]
    size = 4 * count
    spectrum = np.fft.fft(phasors * window, size) / window.sum()
    step_hz = 1 / (size * block_seconds)
    places = np.fft.fftfreq(size, block_seconds)
    strength = np.abs(spectrum)
    centre = int(np.argmax(strength))
    off = places - places[centre]
    span_hz = 1 / block_seconds
    off = (off + span_hz / 2) % span_hz - span_hz / 2
    # the window's main lobe is two bins of the record to either side
    near = (np.abs(off) > 2.2 * 4 * step_hz) & (np.abs(off) < min(FARTHEST_HZ, 0.4 * span_hz))
    if np.count_nonzero(near) < 16:
        return None
    place = int(np.flatnonzero(near)[np.argmax(strength[near])])
    least = max(LEAST_RATIO * strength[centre], OVER_NOISE * median(strength[near]))
    beside = [strength[(place + shift) % size] for shift in (-1, 1)]
    if strength[place] < max(least, *beside):
        return None
    if abs(off[place]) < MIRROR_HIDDEN_BINS * 4 * step_hz:
        start = np.array([places[centre], off[place]]) * block_seconds
        return _both_sides(phasors, start, least) / block_seconds or None
    mirror = (2 * centre - place) % size
    around = [(mirror + shift) % size for shift in range(-4, 5)]
    return float(off[place]) if strength[around].max() < MIRROR_SHARE * strength[place] else None


def _both_sides(phasors: NDArray[np.complex128], start: Floats, least: float) -> float:
    """How far off the tone a line turns [cycles/block] that stands so near to it that its mirror lies in the
    tone's own main lobe; 0 where it stands on both sides, or under least [V peak].

    start : of the tone, and of the line off it, to begin with [cycles/block]. The tone and a line on either
    side are fitted together: after three turns they hardly leak into each other.
    """
    index = np.arange(len(phasors)) - (len(phasors) - 1) / 2

    def fitted(of: Floats) -> tuple[NDArray[np.complex128], float]:
        columns = np.exp(2j * np.pi * np.outer(index, of[0] + of[1] * np.arange(-1, 2)))
        terms = np.linalg.lstsq(columns, phasors, rcond=None)[0]
        return np.asarray(terms, dtype=np.complex128), float(np.sum(np.abs(phasors - columns @ terms) ** 2))

    best, step = start, 0.25 / len(phasors)
    while step > SETTLED_BINS / len(phasors):
        around = [best, *(best + step * np.array(way) for way in ((1, 0), (-1, 0), (0, 1), (0, -1)))]
        lefts = [fitted(of)[1] for of in around]
        nearest = int(np.argmin(lefts))
        best, step = around[nearest], step if nearest else step / 2
    (below, _, above), left = fitted(best)
    line, mirror = max(abs(above), abs(below)), min(abs(above), abs(below))
    noise = np.sqrt(left) / len(phasors)
    if line < max(least, OVER_NOISE * noise) or mirror > MIRROR_SHARE * line:
        return 0.0
    return float(best[1] if abs(above) == line else -best[1])


def fit_beside(
    samples: Floats, sample_rate_hz: float, tone_hz: float, off_hz: float
) -> tuple[float, FittedLine] | None:
    """The tone's frequency [Hz] and the line beside it, fitted together; None when they cannot be told
    apart."""
    if abs(off_hz) * len(samples) / sample_rate_hz < CLOSEST_CYCLES:
        return None
    tone, line = fit_lines(samples, sample_rate_hz, [tone_hz, tone_hz + off_hz])
    return None if tone is None or line is None else (tone.frequency_hz, line)
