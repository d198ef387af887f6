"""Averaged power density of the noise in a capture, silence before and after left out.

Powers come from averaged Hann periodograms (Welch 1967); a bin that a band edge cuts counts by its share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import overload
from gainkit.analysis.bands import band_share
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.levels import ratio_from_db
from gainkit.matching.steadiness import Move, level_move
from gainkit.remarks import Remark, remark

Floats = NDArray[np.float64]

LEAST_SECONDS = 1.0
"""Shorter noise scatters by more than a decibel in its low bands [s]."""

SEGMENT_SECONDS = 2.0
"""Length of the averaged periodograms [s]: bins of half a hertz."""

BLOCK_SECONDS = 0.1
LOUD_SHARE = 0.01
QUIET_DB = 20.0
"""Blocks of that length with more than this share of the highest power are loud [-]; those this far below the
median of the loud ones are silence before and after [dB]."""

MIDDLE_HZ = 6000.0
"""Differences of means of so many a second hold the middle frequencies [Hz]: wide enough to scatter little, and
below what a player's own clock changes."""

TONE_BINS = 4.0
"""A tone's power fills fewer bins than this through the window, the narrowest noise that is of use more [-]."""


@dataclass(frozen=True)
class PowerDensity:
    """One-sided power density (bins,) [V^2/Hz], bin width [Hz], length averaged [s], the length that counts for
    the average's scatter [s], remarks. part : frames averaged. move : of the level within them."""

    density: Floats
    step_hz: float
    seconds: float
    effective_seconds: float
    notes: tuple[Remark, ...]
    part: tuple[int, int] = (0, 0)
    move: Move | None = None

    @property
    def single(self) -> bool:
        """Whether all of it lies in a few bins, as a tone's does: the equivalent width (sum S)^2 / sum S^2."""
        bins = float(np.sum(self.density)) ** 2 / float(np.sum(self.density**2))
        return bins < TONE_BINS

    def band(self, low_hz: float, high_hz: float, gain: Floats | None = None) -> tuple[float, float]:
        """Power between two frequencies [V^2] and its relative standard deviation [-].

        A finite average of Gaussian noise of bandwidth B over T seconds scatters by 1/sqrt(B T) in power
        (Bendat and Piersol, Random Data, from memory); unequal densities count by their powers.
        """
        part, width = band_share(self.step_hz, len(self.density), low_hz, high_hz)
        power = self.density[part] * width * (1.0 if gain is None else gain[part])
        total = float(power.sum())
        if total <= 0:
            return 0.0, 0.0
        effective_hz = total**2 / max(float(np.sum(power**2 / np.maximum(width, 1e-12))), 1e-300)
        return total, 1 / float(np.sqrt(max(effective_hz * self.effective_seconds, 1.0)))


def power_density(capture: Capture, channel: int = 1, minus: int | None = None) -> PowerDensity:
    """Averaged power density of the noise in a capture, silence before and after left out; in blocks."""
    rate = capture.sample_rate_hz
    start, stop, notes, move = _loud_part(capture, channel, minus)
    size = 1 << int(np.log2(min(SEGMENT_SECONDS * rate, (stop - start) / 2)))
    window = np.hanning(size + 2)[1:-1]
    total, count = np.zeros(size // 2 + 1), 0
    held = np.empty(0)
    for block in capture.blocks(start, stop, channel=channel, minus=minus):
        held = np.concatenate([held, block])
        first = 0
        while first + size <= len(held):
            part = held[first : first + size]
            spectrum = np.fft.rfft((part - part.mean()) * window)
            total += spectrum.real**2 + spectrum.imag**2
            count += 1
            first += size // 2
        held = held[first:]
    density = total * (2.0 / (count * rate * float(window @ window)))
    effective = _effective_frames(window**2, count) / rate
    return PowerDensity(density, rate / size, (stop - start) / rate, effective, notes, (start, stop), move)


def _effective_frames(weight: Floats, count: int) -> float:
    """Frames that an even average would need for the same scatter, (sum g)^2 / sum g^2.

    g : weight of each moment, from count segments that overlap by half. weight : (size,), of one segment.
    """
    half = len(weight) // 2
    first, last = weight[:half], weight[half:]
    squares = first @ first + last @ last + (count - 1) * float(np.sum((first + last) ** 2))
    return float((count * weight.sum()) ** 2 / squares)


def _loud_part(
    capture: Capture, channel: int, minus: int | None
) -> tuple[int, int, tuple[Remark, ...], Move | None]:
    """Frames between the silence before and after, notes, and a move of the level; the recorder must not have
    clipped."""
    size = max(int(BLOCK_SECONDS * capture.sample_rate_hz), 1)
    middle = max(round(capture.sample_rate_hz / MIDDLE_HZ), 1)
    powers: list[float] = []
    brights: list[float] = []
    over, highest = 0, 0.0
    top = capture.volts_per_unit * (1 - 1.5 * (capture.step_units or 2.0**-23))
    for block in capture.blocks(channel=channel, minus=minus, block_frames=size):
        powers.append(float(np.var(block)))
        means = block[: len(block) // middle * middle].reshape(-1, middle).mean(axis=1)
        brights.append(float(np.mean(np.diff(means) ** 2)) if len(means) > 1 else 0.0)
        highest = max(highest, float(np.abs(block).max()))
        if capture.has_full_scale and highest >= top:
            over = max(over, overload.longest_stretch(block >= top), overload.longest_stretch(block <= -top))
    beyond = not capture.hard_full_scale and highest > capture.volts_per_unit * (1 + 1e-6)
    if over >= overload.LEAST_RUN and not beyond:  # floating point can hold more than full scale
        raise GainkitError("recorder_clipped").within("file", capture.file)
    levels = np.array(powers)
    loud = levels > LOUD_SHARE * levels.max(initial=0.0)
    if not levels.any():
        raise GainkitError("recording_silent").within("file", capture.file)
    usual = float(np.median(levels[loud]))
    inside = np.flatnonzero(levels > usual * ratio_from_db(-QUIET_DB) ** 2)
    start, stop = int(inside[0]) * size, min((int(inside[-1]) + 1) * size, capture.frames)
    seconds = (stop - start) / capture.sample_rate_hz
    if seconds < LEAST_SECONDS:
        short = GainkitError("noise_too_short", seconds=seconds, least_seconds=LEAST_SECONDS)
        raise short.within("file", capture.file)
    if inside[0] > 0:
        start += size
    if inside[-1] < len(levels) - 1:
        stop -= size
    gaps = int(inside[-1] - inside[0] + 1 - len(inside))
    notes = (remark("silence_within", silent_seconds=gaps * BLOCK_SECONDS),) if gaps else ()
    sounding = levels[inside[0] + 1 : inside[-1]]
    heard = sounding > usual * ratio_from_db(-QUIET_DB) ** 2
    bright = np.array(brights)[inside[0] + 1 : inside[-1]]
    move = level_move(sounding[heard], BLOCK_SECONDS, start / capture.sample_rate_hz, bright[heard])
    return start, stop, notes, move
