"""What the fitted tone leaves over: noise, hum and other lines, told apart in the band."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.middle import median, medians
from gainkit.levels import power_db_from_ratio

Floats = NDArray[np.float64]

SEGMENT = 1 << 16
"""Samples of one periodogram at most: bins of 0.73 Hz at 48 kHz tell hum from a tone beside it [samples]."""

COARSEST_BIN_HZ = 5.0
"""With wider bins no line is told: a 50 Hz hum and its neighbours would be one [Hz]."""

FLOOR_HZ = 60.0
"""The noise around a line is the median over so wide a part of the spectrum [Hz]."""

GUARD_BINS = 4
"""Bins to either side of a harmonic in which a Hann window still shows it [-]."""


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


@lru_cache(maxsize=6)
def hann(size: int) -> Floats:
    """The Hann window without its zeros at the ends, (size,) [-]; kept, for captures come in few lengths."""
    window = np.hanning(size + 2)[1:-1]
    window.flags.writeable = False
    return window


def spectrum_of(residual: Floats, sample_rate_hz: float) -> Spectrum:
    """Averaged Hann periodograms, half overlapped (Welch 1967); residual (frames,) [V]."""
    size = min(len(residual), SEGMENT)
    window = hann(size)
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
    around = max(min(spacing / 2, 400.0), 8.0)  # bins to either side
    median_ratio = (1 - 1 / (9 * spectrum.segments)) ** 3
    whole = float(spectrum.power[1:].sum()) / (bins - 1)
    out = np.empty(orders)
    for order in range(1, orders + 1):
        centre = order * spacing
        index = np.arange(max(int(centre - around), 1), min(int(centre + around) + 2, bins))
        apart = np.abs(index / spacing - np.rint(index / spacing)) * spacing > GUARD_BINS
        chosen = spectrum.power[index[apart]]
        local = median(chosen) / median_ratio if len(chosen) >= 8 else whole
        out[order - 1] = local * freedom / spectrum.step_hz
    return out


@dataclass(frozen=True)
class Line:
    """A line that is no harmonic of the tone: frequency [Hz], rms [V], above the noise around it [dB]."""

    frequency_hz: float
    rms_volts: float
    above_db: float


def lines_in(spectrum: Spectrum, tone_hz: float, low_hz: float, high_hz: float, fitted: Floats) -> list[Line]:
    """Lines between two frequencies that stand out of the noise, strongest first; no harmonics of the tone.

    fitted : (K,) peak volts of the harmonics that the residual lacks. A line on a higher multiple is told too
    where the highest of them do not lead up to it (`beyond_harmonics`). Needs bins of 5 Hz or finer; a shorter
    record shows none.
    """
    if spectrum.step_hz > COARSEST_BIN_HZ:
        return []
    chosen = spectrum.within(max(low_hz, 3 * spectrum.step_hz), high_hz)
    power, first = spectrum.power[chosen], chosen.start
    if len(power) < 16:
        return []
    index = np.arange(first, first + len(power))
    away = np.abs(index * spectrum.step_hz / tone_hz - np.rint(index * spectrum.step_hz / tone_hz)) * tone_hz
    local = _noise_around(power, max(16, int(FLOOR_HZ / spectrum.step_hz)))
    # few averages let noise itself stand out: one periodogram reaches 12 dB over its median now and then
    least_db = thresholds.HUM_NAMED_DB + 6 / np.sqrt(spectrum.segments)
    beyond = index * spectrum.step_hz > (len(fitted) + 0.5) * tone_hz
    # a line's own power is spread over five bins, the highest holds two thirds
    strong = beyond & (1.5 * power > beyond_harmonics(fitted) ** 2)
    apart = (away > GUARD_BINS * spectrum.step_hz) | strong
    peak = apart & (power > local * 10 ** (least_db / 10))
    peak[1:] &= power[1:] >= power[:-1]
    peak[:-1] &= power[:-1] > power[1:]
    lines = [_line_at(int(place), power, local, index, spectrum.step_hz) for place in np.flatnonzero(peak)]
    return sorted(lines, key=lambda line: -line.rms_volts)


BEYOND_RATIO = 2.0
"""So many times the highest harmonics a line beyond them is none of the same wave: what rails and curves make
falls with the order [-]."""


def beyond_harmonics(fitted: Floats) -> float:
    """From which rms on a line on a multiple above those fitted is one of its own [V]; fitted : (K,)
    [V peak]."""
    upper = fitted[max(len(fitted) // 2, 1) :]
    return BEYOND_RATIO * float(upper.max()) / math.sqrt(2.0) if len(upper) else 0.0


LONE_SHARE = 0.5
"""In a record too short for `lines_in` a line is told when it holds this share of what is left over [-]."""


def lone_line(spectrum: Spectrum, low_hz: float, high_hz: float) -> Line | None:
    """The one line that makes up most of what is left over, where bins are too wide to name several."""
    chosen = spectrum.within(max(low_hz, 3 * spectrum.step_hz), high_hz)
    power = spectrum.power[chosen]
    if spectrum.step_hz <= COARSEST_BIN_HZ or len(power) < 16:
        return None
    near = slice(max(int(np.argmax(power)) - 2, 0), int(np.argmax(power)) + 3)
    own = float(power[near].sum())
    if own < LONE_SHARE * float(spectrum.power.sum()) or own == 0:
        return None
    centre = float(power[near] @ np.arange(len(power))[near] / own) + chosen.start
    return Line(centre * spectrum.step_hz, math.sqrt(own), math.inf)


def _noise_around(power: Floats, width: int) -> Floats:
    """Median power over parts of so many bins, (bins,) like power [V^2 per bin]."""
    whole = len(power) // width * width
    floor = medians(power[:whole].reshape(-1, width), 1) if whole else np.array([median(power)])
    if whole and whole < len(power):
        floor = np.append(floor, median(power[-width:]))
    return np.asarray(np.maximum(np.repeat(floor, width)[: len(power)], 1e-300))


def _line_at(place: int, power: Floats, local: Floats, index: NDArray[np.int64], step_hz: float) -> Line:
    """The line with its peak at a place of power: summed and centred over five bins, the noise taken off."""
    near = slice(max(place - 2, 0), place + 3)
    own = max(float(power[near].sum() - local[place] * len(power[near])), 0.0)
    centre = float(power[near] @ index[near] / power[near].sum())
    return Line(centre * step_hz, math.sqrt(own), power_db_from_ratio(float(power[place] / local[place])))


def mains_of(line_hz: float, step_hz: float) -> int | None:
    """50 or 60 when a line may be a mains frequency or one of its first harmonics, else None.

    It excuses a strong line from being a second tone; `origins` names it.
    """
    for mains in (50, 60):
        order = round(line_hz / mains)
        if 1 <= order <= 8 and abs(line_hz - order * mains) <= max(0.02 * mains, 1.5 * step_hz):
            return mains
    return None
