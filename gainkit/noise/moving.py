"""Lines that move together while the capture runs: an engine's speed is never quite still.

On a logarithmic frequency axis all orders of one shaft shift by the same amount. Each short spectrum is laid
over the sum of the others; the shifts are the course of the speed. With every spectrum stretched back to one
speed (order tracking without a tachometer) the smeared orders become sharp lines again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.noise.families import FoundLine
from gainkit.noise.floor import Peak, floor_under, peaks_in

Floats = NDArray[np.float64]

Singles = NDArray[np.float32]
"""Patterns only find a common shift, in whole cells: half the precision, half the time."""

SHORT_SECONDS = 0.5
"""Spectra over the largest power of two of frames below this: short beside an idle's wander, fine enough to
keep orders 60 Hz apart [s]."""

LEAST_SPECTRA = 8
"""Fewer spectra show no course [-]."""

GRID = 5e-4
"""Step of the logarithmic axis: 0.05 % of the frequency [-]."""

RANGE_HZ = (60.0, 12_000.0)
"""Where orders are looked for: alternators and pumps whine between these [Hz] (common practice, no source)."""

MOST_SHIFT = 0.25
"""The speed may vary by this part about its middle while the capture runs [-]."""

ROUNDS = 3
STANDS_OUT_SIGMAS = 4.0
"""Cells of one spectrum below this are noise and do not pull [-]."""

LEAST_MOVE_BINS = 2.0
"""The highest order must pass over this many bins, else nothing is seen to move [bins]."""

ROUGHEST = 0.05
"""Between one spectrum and the next, half overlapped, the course moves less than this [-]; noise laid over
noise jumps by a third of MOST_SHIFT at random."""

LEAST_AGREEING = 0.7
"""Part of the spectra that must carry the pattern [-]."""

ROUGH_DEVIATION = 0.15
COURSE_DEVIATION = 1.5e-4
"""Standard deviation of an order: in bins, and from its course in parts of its frequency [-] (found by
trying)."""

ONE_LINE_SHARE = 0.015
"""Neighbouring peaks that touch and lie this close are one smeared line [-]."""


LONE_RATIO = 30.0
LONE_REACH = (8, 24)
"""A single line stands so far over the bins around it: the highest of 30 bins of noise, laid over one another,
do not reach 10 [-], [bins]."""

SHARPER = 1.25
"""The peak of one moving line at least rises by this when its course is taken out [-]."""

PIECE_SHARE = 1.0
"""A line in the way of a moving one counts for itself from this part of that one's power on [-]."""


@dataclass(frozen=True)
class Moving:
    """ratios : speed in each spectrum over the middle speed (spectra,) [-]. lines : at the middle speed;
    extents_hz : lowest and highest frequency that each fills there [Hz]. flutter_db : how much the level of all
    of them jumps from one spectrum, of half a second at most, to the next: median [dB]."""

    ratios: Floats
    lines: tuple[FoundLine, ...]
    extents_hz: tuple[tuple[float, float], ...]
    flutter_db: float = 0.0

    @property
    def course(self) -> tuple[float, float]:
        """Lowest and highest speed over the middle one [-]."""
        return float(self.ratios.min()), float(self.ratios.max())

    def swept(self, step_hz: float, bins: int, beyond: float) -> NDArray[np.bool_]:
        """Bins of another spectrum over which the lines pass (bins,), the course widened by a factor."""
        mask = np.zeros(bins, dtype=np.bool_)
        low, high = (1 + beyond * (ratio - 1) for ratio in self.course)
        for first, last in self.extents_hz:
            mask[max(int(first * low / step_hz) - 2, 0) : int(last * high / step_hz) + 3] = True
        return mask

    def explains(self, frequency_hz: float, power: float) -> bool:
        """Whether a line [Hz], [V^2] is likely a piece of a moving one, where that lingered."""
        low, high = self.course
        return any(
            own.frequency_hz * low <= frequency_hz <= own.frequency_hz * high
            and power < PIECE_SHARE * own.power
            for own in self.lines
        )


def find_moving(
    samples: Floats, sample_rate_hz: float, steady_hz: Sequence[float], limit_hz: float
) -> Moving | None:
    """The lines that move together in a record, or None.

    samples : (frames,) [V], steady lines taken out; what is left at their frequencies is not looked at.
    limit_hz : no orders are looked for above [Hz].
    """
    size = 1 << int(np.log2(SHORT_SECONDS * sample_rate_hz))
    starts = range(0, len(samples) - size + 1, size // 2)
    if len(starts) < LEAST_SPECTRA:
        return None
    spectra, step = _spectra(samples, size, starts), sample_rate_hz / size
    steady = np.zeros(spectra.shape[1], dtype=np.bool_)
    for frequency in steady_hz:
        steady[max(int(frequency / step) - 2, 0) : int(frequency / step) + 4] = True
    floor = floor_under(np.median(spectra, axis=0), 1.0, ~steady)
    spectra = np.where(steady, floor, spectra)
    high = min(RANGE_HZ[1], limit_hz)
    shifts = _course(_on_log_axis(spectra / np.maximum(floor, 1e-300), step, RANGE_HZ[0], high))
    if shifts is None:
        return None
    ratios = np.exp(shifts * GRID)
    if float(np.percentile(np.abs(np.diff(np.log(ratios))), 80)) > ROUGHEST:
        return None
    stretched = _stretched(spectra, ratios)
    peaks = peaks_in(stretched, floor, len(spectra) / 1.056, step, RANGE_HZ[0])
    peaks = [peak for peak in peaks if peak.frequency_hz < high]
    lines = _merged(peaks, step)
    span = float(np.percentile(ratios, 95) - np.percentile(ratios, 5))
    if (
        not lines
        or (len(lines) == 1 and not _lone(peaks, stretched))
        or span * lines[-1][0].frequency_hz < LEAST_MOVE_BINS * step
    ):
        return None
    extents = tuple(extent for _, extent in lines)
    flutter_db = _flutter(spectra, ratios, extents, step)
    moving = Moving(ratios, tuple(line for line, _ in lines), extents, flutter_db)
    return moving if _sharpened(moving, spectra.mean(axis=0), stretched, step) else None


def _flutter(
    spectra: Floats, ratios: Floats, extents_hz: Sequence[tuple[float, float]], step_hz: float
) -> float:
    """Median step of the lines' level between neighbouring spectra [dB], read along their course."""
    levels = []
    for row, ratio in zip(spectra, ratios, strict=True):
        parts = [row[int(low * ratio / step_hz) : int(high * ratio / step_hz) + 2] for low, high in extents_hz]
        levels.append(10.0 * np.log10(sum(float(part.sum()) for part in parts) + 1e-300))
    return float(np.median(np.abs(np.diff(levels))))


def _lone(peaks: Sequence[Peak], stretched: Floats) -> bool:
    """Whether a single line that moves is a line: noise laid over noise makes a peak too, a lower one."""
    place = max(peaks, key=lambda peak: peak.power).bin
    near, far = LONE_REACH
    around = np.concatenate(
        [stretched[max(place - far, 1) : max(place - near, 1)], stretched[place + near : place + far]]
    )
    return bool(stretched[place] > LONE_RATIO * np.median(around))


def _sharpened(moving: Moving, before: Floats, after: Floats, step_hz: float) -> bool:
    """Whether laying the spectra over one speed made a line sharper: one that stands still is only smeared."""
    low, high = moving.course
    for first, last in moving.extents_hz:
        wide = before[int(first * low / step_hz) : int(last * high / step_hz) + 2]
        own = after[int(first / step_hz) : int(last / step_hz) + 2]
        if len(wide) and len(own) and float(own.max()) > SHARPER * float(wide.max()):
            return True
    return False


def _spectra(samples: Floats, size: int, starts: range) -> Floats:
    """Short Hann periodograms (spectra, bins) [V^2 per bin]."""
    window = np.hanning(size + 2)[1:-1]
    out = np.empty((len(starts), size // 2 + 1))
    for row, start in zip(out, starts, strict=True):
        part = samples[start : start + size]
        spectrum = np.fft.rfft((part - part.mean()) * window)
        row[:] = spectrum.real**2 + spectrum.imag**2
    out *= 2.0 / (size * float(window @ window))
    return out


def _on_log_axis(ratio: Floats, step_hz: float, low_hz: float, high_hz: float) -> Singles:
    """Patterns (spectra, cells): how far each cell stands out of noise, in nepers of power; 0 for noise."""
    edges = np.exp(np.arange(np.log(low_hz), np.log(high_hz), GRID)) / step_hz + 0.5
    width = np.maximum(4 * GRID * edges[:-1], 1.0)  # bins that a cell looks at, smoothed over four steps
    middle = (edges[1:] + edges[:-1]) / 2
    sums = np.concatenate([np.zeros((len(ratio), 1)), np.cumsum(ratio, axis=1)], axis=1)
    place = np.arange(sums.shape[1])
    out = np.empty((len(ratio), len(middle)), dtype=np.float32)
    looks = np.maximum(width / 1.5, 1.0)  # neighbours share power through the window
    least = np.log((1 - 1 / (9 * looks) + STANDS_OUT_SIGMAS / (3 * np.sqrt(looks))) ** 3)
    for row, total in zip(out, sums, strict=True):
        upper, lower = np.interp(middle + width / 2, place, total), np.interp(middle - width / 2, place, total)
        row[:] = np.maximum(np.log(np.maximum((upper - lower) / width, 1.0)) - least, 0.0)
    return out


def _course(patterns: Singles) -> Floats | None:
    """Shift of each pattern [cells] about their middle; None when too few carry a common one."""
    count, cells = patterns.shape
    most_lag = int(np.log1p(MOST_SHIFT) / GRID)
    if float(np.mean(patterns.any(axis=1))) < LEAST_AGREEING:
        return None
    size = 1 << (cells + 2 * most_lag).bit_length()
    spectra = np.fft.rfft(patterns, size)
    lags = np.arange(-most_lag, most_lag + 1)
    shifts = np.zeros(count, dtype=np.int64)
    agreeing = np.zeros(count, dtype=np.bool_)
    templates = np.broadcast_to(spectra[int(np.argmax(patterns.sum(axis=1)))], spectra.shape)
    for number in range(ROUNDS):
        if number:
            back = _shifted(patterns, -shifts)
            templates = np.fft.rfft(back.sum(axis=0) - back, size)
        matches = np.fft.irfft(spectra * np.conj(templates), size)[:, lags]
        best = np.argmax(matches, axis=1)
        agreeing = matches[np.arange(count), best] > 0
        before, shifts = shifts, np.where(agreeing, lags[best], 0)
        if number and np.array_equal(before, shifts):
            break  # the next templates would be these
    if float(np.mean(agreeing)) < LEAST_AGREEING:
        return None
    place = np.arange(count)
    filled = np.interp(place, place[agreeing], shifts[agreeing].astype(np.float64))
    return np.asarray(filled - filled.mean())


def _shifted(patterns: Singles, shifts: NDArray[np.int64]) -> Singles:
    """Each pattern moved along by its shift (spectra, cells); what leaves at one end is lost."""
    out = np.zeros_like(patterns)
    cells = patterns.shape[1]
    for row, pattern, shift in zip(out, patterns, shifts.tolist(), strict=True):
        row[max(shift, 0) : cells + min(shift, 0)] = pattern[max(-shift, 0) : cells - max(shift, 0)]
    return out


def _stretched(spectra: Floats, ratios: Floats) -> Floats:
    """Mean of the spectra with each frequency axis divided by its speed (bins,) [V^2]; lines keep their
    power."""
    index = np.arange(spectra.shape[1], dtype=np.float64)
    total = np.zeros(spectra.shape[1])
    for row, ratio in zip(spectra, ratios, strict=True):
        total += np.interp(index * ratio, index, row) * ratio
    return np.asarray(total / len(spectra))


def _merged(peaks: Sequence[Peak], step_hz: float) -> list[tuple[FoundLine, tuple[float, float]]]:
    """Lines from peaks in order of frequency, smeared ones put together, each with its extent [Hz]."""
    groups: list[list[Peak]] = []
    for peak in peaks:
        last = groups[-1][-1] if groups else None
        near = last is not None and peak.frequency_hz < last.frequency_hz * (1 + ONE_LINE_SHARE)
        if last is not None and near and peak.first <= last.last + 1:
            groups[-1].append(peak)
        else:
            groups.append([peak])
    merged = []
    for group in groups:
        power = sum(peak.power for peak in group)
        frequency = sum(peak.power * peak.frequency_hz for peak in group) / max(power, 1e-300)
        deviation = float(np.hypot(ROUGH_DEVIATION * step_hz, COURSE_DEVIATION * frequency))
        extent = group[0].first * step_hz, group[-1].last * step_hz
        merged.append((FoundLine(frequency, deviation, power, steady=False), extent))
    return merged
