"""What the fitted tone leaves over: noise, hum and other lines, told apart in the band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds

Floats = NDArray[np.float64]

SEGMENT = 1 << 16


@dataclass(frozen=True)
class Spectrum:
    """One-sided power of a residual: power (bins,) [V^2 per bin, their sum is the mean square], step [Hz].

    segments : how many were averaged. seconds : length of the record [s].
    """

    power: Floats
    step_hz: float
    segments: int
    seconds: float

    def frequencies(self) -> Floats:
        return np.arange(len(self.power), dtype=np.float64) * self.step_hz

    def within(self, low_hz: float, high_hz: float) -> slice:
        first = int(np.ceil(low_hz / self.step_hz))
        return slice(first, min(int(high_hz / self.step_hz), len(self.power) - 1) + 1)

    def band_power(self, low_hz: float, high_hz: float) -> float:
        """Mean square between two frequencies [V^2]."""
        return float(self.power[self.within(low_hz, high_hz)].sum())


def spectrum_of(residual: Floats, sample_rate_hz: float) -> Spectrum:
    """Averaged Hann periodograms, half overlapped (Welch 1967); residual (frames,) [V]."""
    size = min(len(residual), SEGMENT)
    window = np.hanning(size + 2)[1:-1]
    starts = range(0, len(residual) - size + 1, max(size // 2, 1))
    total = np.zeros(size // 2 + 1)
    for start in starts:
        part = np.fft.rfft(residual[start : start + size] * window)
        total += part.real**2 + part.imag**2
    power = total * (2.0 / (len(starts) * size * float(window @ window)))
    power[0] /= 2
    if size % 2 == 0:
        power[-1] /= 2
    return Spectrum(power, sample_rate_hz / size, len(starts), len(residual) / sample_rate_hz)


def noise_density(spectrum: Spectrum, frequency_hz: float, orders: int, freedom: float) -> Floats:
    """Noise around each harmonic 1..K: one-sided density (K,) [V^2/Hz], by the median between harmonics.

    freedom : frames / (frames - fitted parameters) [-], makes up for what the fit took out of the noise.
    The median of averaged periodograms is (1 - 1/(9 n))^3 of their mean (Wilson and Hilferty 1931).
    """
    bins = len(spectrum.power)
    spacing = frequency_hz / spectrum.step_hz
    reach = max(min(spacing / 2, 400.0), 8.0)
    median_ratio = (1 - 1 / (9 * spectrum.segments)) ** 3
    whole = float(spectrum.power[1:].sum()) / (bins - 1)
    out = np.empty(orders)
    for order in range(1, orders + 1):
        centre = order * spacing
        index = np.arange(max(int(centre - reach), 1), min(int(centre + reach) + 2, bins))
        apart = np.abs(index / spacing - np.rint(index / spacing)) * spacing > 4
        chosen = spectrum.power[index[apart]]
        local = float(np.median(chosen)) / median_ratio if len(chosen) >= 8 else whole
        out[order - 1] = local * freedom / spectrum.step_hz
    return out


@dataclass(frozen=True)
class Line:
    """A line that is no harmonic of the tone: frequency [Hz], rms [V], above the noise around it [dB]."""

    frequency_hz: float
    rms_volts: float
    above_db: float


def lines_in(spectrum: Spectrum, tone_hz: float, low_hz: float, high_hz: float) -> list[Line]:
    """Lines between two frequencies that stand out of the noise, strongest first; no harmonics of the tone.

    Needs bins finer than 5 Hz; a shorter record shows none.
    """
    if spectrum.step_hz > 5.0:
        return []
    chosen = spectrum.within(max(low_hz, 3 * spectrum.step_hz), high_hz)
    power, first = spectrum.power[chosen], chosen.start
    if len(power) < 16:
        return []
    index = np.arange(first, first + len(power))
    away = np.abs(index * spectrum.step_hz / tone_hz - np.rint(index * spectrum.step_hz / tone_hz)) * tone_hz
    usable = away > 4 * spectrum.step_hz
    width = max(16, int(60 / spectrum.step_hz))
    whole = len(power) // width * width
    floor = np.median(power[:whole].reshape(-1, width), axis=1) if whole else np.array([np.median(power)])
    if whole and whole < len(power):
        floor = np.append(floor, np.median(power[-width:]))
    local = np.maximum(np.repeat(floor, width)[: len(power)], 1e-300)
    # few averages let noise itself stand out: one periodogram reaches 12 dB over its median now and then
    least_db = thresholds.HUM_NAMED_DB + 6 / np.sqrt(spectrum.segments)
    peak = usable & (power > local * 10 ** (least_db / 10))
    peak[1:] &= power[1:] >= power[:-1]
    peak[:-1] &= power[:-1] > power[1:]
    found = []
    for place in np.flatnonzero(peak):
        near = slice(max(place - 2, 0), place + 3)
        line = max(float(power[near].sum() - local[place] * len(power[near])), 0.0)
        weight = power[near] @ index[near] / power[near].sum()
        found.append(
            Line(
                float(weight * spectrum.step_hz),
                float(np.sqrt(line)),
                10 * float(np.log10(power[place] / local[place])),
            )
        )
    return sorted(found, key=lambda line: -line.rms_volts)


def family_of(line_hz: float, step_hz: float) -> int | None:
    """50 or 60 when a line is a mains frequency or one of its first harmonics, else None."""
    for mains in (50, 60):
        order = round(line_hz / mains)
        if 1 <= order <= 8 and abs(line_hz - order * mains) <= max(0.02 * mains, 1.5 * step_hz):
            return mains
    return None
