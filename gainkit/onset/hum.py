"""Hum beside a tone that changes its level: told over the whole recording, and taken out of what is read.

A step, or a window of a glide, is too short to tell a tone of 100 Hz from hum at 50; the whole recording is
not. Along it each line of the mains is followed by its phasor in overlapping blocks (Hann), so that a mains
frequency that wanders does no harm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.onset.envelope import ChannelChoice

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

MAINS_HZ = (50.0, 60.0)
HIGHEST_ORDER = 3
"""Lines of the mains that are looked for: beyond the third they are weak and far from tones that suffer [-]."""

OFF_SHARE = 0.005
"""Mains are off by no more than this (0.25 Hz of 50), recorders' clocks by less [-]."""

CLOSEST_HZ = 4.0
"""A line so near to the tone or a multiple of it is not told from its steps by a block [Hz]."""

RATE_HZ = 2400.0
"""Samples are averaged down to about this rate: what folds onto a line of the mains is damped to some
hundredths [Hz]."""

BLOCK_SECONDS, BLOCKS_A_SECOND = 1.0, 4
"""Length of a block, and how many begin in a second."""

LEAST_BLOCKS = 12
"""In fewer no line is told from the noise [-]."""

SMOOTH_BLOCKS = 9
"""A phasor is the mean of so many blocks: over two seconds, in which mains turn by little [-]."""

OVER_NOISE = 6.0
"""A line stands so far over the median of what is beside it, in amplitude [-]: noise alone does so in less than
one recording of a million (Rayleigh)."""

STEADY_SHARE = 0.5
"""A line's middle phasor is more than this share of its rms [-]."""

REACH_HZ = 1.2
"""Beside a line, as far as a block tells it [Hz]."""

PAD = 8
"""Frequencies looked at per one that the recording resolves [-]."""


@dataclass(frozen=True)
class HumLine:
    """A line of the mains. frequency_hz : [Hz]. seconds, phasors : (blocks,) middles of the blocks [s], and its
    phasor there against time 0 [V peak]."""

    frequency_hz: float
    seconds: Floats
    phasors: Phasors

    def at(self, seconds: Floats) -> Floats:
        """Its volts at some times, (n,) [V]."""
        real = np.interp(seconds, self.seconds, self.phasors.real)
        imaginary = np.interp(seconds, self.seconds, self.phasors.imag)
        turn = 2 * np.pi * self.frequency_hz * seconds
        return np.asarray(real * np.cos(turn) - imaginary * np.sin(turn))


@dataclass(frozen=True)
class Hum:
    """All lines that are heard in a recording; with none of them it takes nothing out."""

    sample_rate_hz: float
    lines: tuple[HumLine, ...] = ()

    def taken_out(self, volts: Floats, first: int) -> Floats:
        """Samples of the recording from a frame on, less the hum, (frames,) [V]."""
        if not self.lines:
            return volts
        seconds = (first + np.arange(len(volts))) / self.sample_rate_hz
        return np.asarray(volts - sum(line.at(seconds) for line in self.lines))


def hum_of(capture: Capture, choice: ChannelChoice, frequency_hz: float) -> Hum:
    """The hum in a recording of a tone, as far as it lies beside the tone and its multiples.

    Read piece by piece: what is kept grows by a few phasors a second.
    """
    rate = capture.sample_rate_hz
    size = max(int(rate / RATE_HZ), 1)
    slow_rate, delay = rate / size, (size - 1) / 2 / rate
    candidates = np.array(_candidates(frequency_hz, slow_rate))
    length, stride = round(BLOCK_SECONDS * slow_rate), round(slow_rate / BLOCKS_A_SECOND)
    kernels = _kernels(candidates / slow_rate, length)
    parts, left, slow = [], np.zeros(0), np.zeros(0)
    for block in capture.blocks(channel=choice.channel, minus=choice.minus, block_frames=size << 12):
        joined = np.concatenate([left, block]) if len(left) else block
        whole = len(joined) // size * size
        slow = np.concatenate([slow, joined[:whole].reshape(-1, size).mean(axis=1)])
        left = joined[whole:]
        count = (len(slow) - length) // stride + 1
        if count > 0:
            parts.append(np.lib.stride_tricks.sliding_window_view(slow, length)[::stride][:count] @ kernels)
            slow = slow[count * stride :]
    phasors = np.concatenate(parts) if parts else np.zeros((0, len(candidates)), dtype=np.complex128)
    begins = np.arange(len(phasors)) * stride / slow_rate
    lines = (
        _line(
            own * np.exp(-2j * np.pi * about_hz * begins),
            about_hz,
            begins,
            0.5 * (length - 1) / slow_rate,
            delay,
        )
        for about_hz, own in zip(candidates, phasors.T, strict=True)
    )
    return Hum(rate, tuple(line for line in lines if line is not None))


def _kernels(turns: Floats, length: int) -> Phasors:
    """What tells a block's phasors at some turns a sample, (length, turns)."""
    window = np.hanning(length + 2)[1:-1]
    waves = np.exp(-2j * np.pi * np.outer(np.arange(length), turns))
    return np.asarray(window[:, None] * waves * (2 / window.sum()) / np.sinc(turns))


def _candidates(frequency_hz: float, slow_rate: float) -> list[float]:
    """Lines of the mains that a block tells from the tone and its multiples [Hz]."""
    of_mains = {mains * order for mains in MAINS_HZ for order in range(1, HIGHEST_ORDER + 1)}
    return sorted(
        line
        for line in of_mains
        if line < slow_rate / 3 and abs(line - max(round(line / frequency_hz), 1) * frequency_hz) >= CLOSEST_HZ
    )


def _line(
    phasors: Phasors, about_hz: float, begins: Floats, middle_seconds: float, delay: float
) -> HumLine | None:
    """A line near a frequency, followed along the recording; None where none stands out.

    phasors : of blocks, against the first one's begin [V peak]; begins : of the blocks [s], their middles so
    much later. delay : of the first averaged sample's middle [s].
    """
    if len(phasors) < LEAST_BLOCKS:
        return None
    off_hz = _peak(phasors, float(begins[1] - begins[0]), OFF_SHARE * about_hz)
    if off_hz is None:
        return None
    seconds = begins + middle_seconds
    still = phasors * np.exp(-2j * np.pi * off_hz * seconds)
    if not _steady(still):
        return None
    found_hz = about_hz + off_hz
    return HumLine(found_hz, seconds + delay, _smoothed(still) * np.exp(-2j * np.pi * found_hz * delay))


def _peak(phasors: Phasors, stride_seconds: float, reach_hz: float) -> float | None:
    """How far off the strongest line within reach lies [Hz]; None where none stands out."""
    count = len(phasors)
    window = np.hanning(count + 2)[1:-1]
    strength = np.abs(np.fft.fft(phasors * window, PAD * count))
    off = np.fft.fftfreq(PAD * count, stride_seconds)
    near = np.abs(off) <= reach_hz
    place = int(np.flatnonzero(near)[np.argmax(strength[near])])
    lobe_hz = 2.5 / (count * stride_seconds)
    beside = (np.abs(off - off[place]) > lobe_hz) & (np.abs(off - off[place]) < REACH_HZ)
    if not beside.any() or strength[place] < OVER_NOISE * float(np.median(strength[beside])):
        return None
    return float(off[place])


def _steady(phasors: Phasors) -> bool:
    """Whether a line sounds throughout: what a tone's steps put there comes in bursts."""
    middle = float(np.hypot(np.median(phasors.real), np.median(phasors.imag)))
    return middle > STEADY_SHARE * float(np.sqrt(np.mean(np.abs(phasors) ** 2)))


def _smoothed(phasors: Phasors) -> Phasors:
    """Running means, (blocks,); towards the ends over fewer."""
    ones = np.ones(min(SMOOTH_BLOCKS, len(phasors)))
    return np.asarray(np.convolve(phasors, ones, "same") / np.convolve(np.ones(len(phasors)), ones, "same"))
