"""The noise floor under the lines of a spectrum, and which bins stand out of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FALSE_SIGMAS = 5.6
"""A bin counts as a line from here on: noise alone passes it once in 1e8 bins, 3000 captures' worth [-]."""

BLOCK_SHARE = 0.12
BLOCK_BINS = (24, 256)
"""The floor is a median over this share of the frequency, between so many bins: slopes stay, lines go
[bins]."""

NEIGHBOURS = (4, 15)
"""A line stands out of its own surroundings too: of the median of bins this far off on either side [bins]."""

MOST_PEAKS = 300
"""No chain has more lines than this; the strongest are kept [-]."""


@dataclass(frozen=True)
class Peak:
    """A line in a spectrum: place of its highest bin, first and last bin that it fills, frequency [Hz], power
    above the floor [V^2]."""

    bin: int
    first: int
    last: int
    frequency_hz: float
    power: float


def gamma_ratio(looks: float, sigmas: float) -> float:
    """The quantile, over the mean, of an average of ``looks`` unrelated periodograms [-].

    Their bins follow a gamma distribution; its cube root is nearly normal (Wilson and Hilferty 1931).
    """
    return float((1 - 1 / (9 * looks) + sigmas / (3 * np.sqrt(looks))) ** 3)


def floor_under(power: Floats, looks: float, usable: NDArray[np.bool_]) -> Floats:
    """Mean power of the noise in each bin (bins,) [V^2], from medians over blocks of usable bins."""
    bins = len(power)
    centres, levels = [], []
    for first, width, count in _blocks(bins):
        part = slice(first, first + width * count)
        free = usable[part].reshape(count, width)
        numbers = free.sum(axis=1)
        ranked = np.sort(np.where(free, power[part].reshape(count, width), np.inf), axis=1)
        for row in np.flatnonzero(numbers >= BLOCK_BINS[0] // 3):
            half = int(numbers[row])
            centres.append(first + row * width + float(np.flatnonzero(free[row]).mean()))
            levels.append((ranked[row, (half - 1) // 2] + ranked[row, half // 2]) / 2)
    if not centres:
        return np.full(bins, max(float(np.median(power)), 1e-300))
    logs = np.log(np.maximum(levels, 1e-300))
    index = np.log(np.maximum(np.arange(bins), 1))
    floor = np.exp(np.interp(index, np.log(centres), logs))
    return np.asarray(floor / gamma_ratio(looks, 0.0))


def _blocks(bins: int) -> list[tuple[int, int, int]]:
    """Blocks of bins as (first bin, width, how many of that width); what is left at the end joins none."""
    blocks, first = [], 2
    while first < bins - 1:
        width = int(np.clip(BLOCK_SHARE * first, *BLOCK_BINS))
        count = max((bins - 1 - first) // width, 1) if width == BLOCK_BINS[1] else 1
        width = min(width, bins - 1 - first)
        blocks.append((first, width, count))
        first += width * count
    return blocks


def peaks_in(power: Floats, floor: Floats, looks: float, step_hz: float, low_hz: float) -> list[Peak]:
    """Lines that stand out of the floor and of their neighbours, in order of frequency."""
    least = gamma_ratio(looks, FALSE_SIGMAS)
    ratio = power / floor
    top = ratio > least
    top[: max(int(low_hz / step_hz), 3)] = False
    top[-4:] = False
    top[1:] &= power[1:] >= power[:-1]
    top[:-1] &= power[:-1] > power[1:]
    places = [int(place) for place in np.flatnonzero(top) if _stands_out(power, int(place), least)]
    places = sorted(sorted(places, key=lambda place: -power[place])[:MOST_PEAKS])
    fades = ratio < np.sqrt(least)
    peaks = []
    for number, place in enumerate(places):
        left = (places[number - 1] + place) // 2 + 1 if number else 1
        right = (place + places[number + 1]) // 2 if number + 1 < len(places) else len(power) - 1
        first, last = _extent(fades, place, left, right)
        excess = float(np.sum(power[first : last + 1] - floor[first : last + 1]))
        frequency = (place + _offset(power, place)) * step_hz
        if excess > 0:
            peaks.append(Peak(place, first, last, frequency, excess))
    return peaks


def filled(peaks: list[Peak], bins: int) -> NDArray[np.bool_]:
    """The bins that lines fill (bins,)."""
    mask = np.zeros(bins, dtype=np.bool_)
    for peak in peaks:
        mask[peak.first : peak.last + 1] = True
    return mask


def _stands_out(power: Floats, place: int, least: float) -> bool:
    near, far = NEIGHBOURS
    left, right = power[max(place - far, 1) : max(place - near, 1)], power[place + near : place + far]
    around = max(float(np.median(side)) if len(side) else 0.0 for side in (left, right))
    return bool(power[place] > least * around)


def _extent(fades: NDArray[np.bool_], place: int, left: int, right: int) -> tuple[int, int]:
    """First and last bin of a line: until the power fades into the floor, four bins at least."""
    ahead = np.flatnonzero(fades[left : place - 3])
    behind = np.flatnonzero(fades[place + 4 : right + 1])
    first = left + int(ahead[-1]) if len(ahead) else min(left, place)
    last = place + 4 + int(behind[0]) if len(behind) else right
    return first, max(last, place)


def _offset(power: Floats, place: int) -> float:
    """Where between bins the line stands: parabola through the logarithm of the peak [bins]."""
    left, middle, right = np.log(power[place - 1 : place + 2] + 1e-300)
    bend = left - 2 * middle + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0 else 0.0
