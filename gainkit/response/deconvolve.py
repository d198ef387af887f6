"""From what was recorded of a sweep to the chain's impulse response, its harmonics apart from it.

Dividing by the spectrum of the very sweep that was played (fades and all) gives the response where the sweep
goes. Above its last frequency only harmonics are left; there the divisor is the spectrum that an endless sweep
of the same law has by stationary phase, a/2 sqrt(L/f) exp(j 2 pi f L (1 - ln(f/f1)) - ...) (Novak et al., JAES
63, 2015, eq. 27 in substance). In the result the k-th harmonic's own response stands L ln k before the linear
one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.swept import Chirp
from gainkit.response.drive import NYQUIST_SHARE, rendered

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

HELD_BACK = 1e-3
FULL_SHARE, NONE_SHARE = 0.75, 0.35
"""Below the first frequency the sweep's power counts at least as this part of an endless sweep's, so that noise
is not blown up where the sweep says nothing [-]. From and to which part of the first frequency the response is
faded out: its edge must not blur what lies above [-]."""

BLEND_FROM, BLEND_TO = 0.975, 0.995
"""Parts of the last frequency between which the one divisor gives way to the other [-]: a step there would ring
into the harmonics."""

OWN_OCTAVES = 8.0
"""So far above its first frequency the sweep's beginning and the windows blur nothing any more [octaves]."""

ARRIVAL_FRAMES = 1 << 12
ARRIVAL_FINER = 16
"""Strongest arrival: how much of the response is looked at [frames], and how much finer [-]."""


def fast_length(frames: int) -> int:
    """The least even number from `frames` on that has no prime factor above 5: Fourier transforms are quick."""
    best = 1 << max(frames - 1, 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            two = max(1 << max(-(-frames // three) - 1, 1).bit_length(), 2)
            best = min(best, two * three)
            three *= 3
        five *= 5
    return best


@dataclass(frozen=True)
class Impulse:
    """samples : (frames,) response, delay 0 first, negative delays from the end backwards. rate [Hz]. own :
    what a wire would have shown, at a rate that suffices for the lowest octaves."""

    samples: Floats
    rate: float
    own: Impulse | None = None

    def part(self, start_seconds: float, frames: int) -> Floats:
        """So many frames from a delay on, which may be negative, (frames,)."""
        return np.take(self.samples, np.arange(frames) + round(start_seconds * self.rate), mode="wrap")


def deconvolved(recorded: Floats, rate: float, chirp: Chirp, first_frame: float) -> Impulse:
    """The impulse response [recorded unit / full scale].

    recorded : (frames,). chirp : on the recorder's clock. first_frame : where in `recorded` it begins.
    """
    size = fast_length(len(recorded))
    spectrum = np.fft.rfft(recorded, size)
    played = np.fft.rfft(rendered(chirp, rate, size, first_frame))
    inverse = _inverse(played, chirp, rate, size, first_frame)
    spectrum *= inverse
    return Impulse(np.fft.irfft(spectrum, size), rate, _own(played, inverse, chirp, rate / size))


def _own(played: Complexes, inverse: Complexes, chirp: Chirp, step_hz: float) -> Impulse:
    """The impulse response of a wire: the sweep itself through the same division, its lowest octaves."""
    count = min(math.ceil(2.0**OWN_OCTAVES * chirp.from_hz / step_hz), len(played))
    size = fast_length(2 * count)
    spectrum = played[:count] * inverse[:count]
    if count < len(played):  # nothing may end abruptly
        half = np.arange(count - count // 2) / (count - count // 2)
        spectrum[count // 2 :] *= np.cos(0.5 * math.pi * half) ** 2
    return Impulse(np.fft.irfft(spectrum, size), step_hz * size)


def _inverse(played: Complexes, chirp: Chirp, rate: float, size: int, first_frame: float) -> Complexes:
    """One over the spectrum of the sweep, bounded outside its band, (size / 2 + 1,)."""
    step = rate / size
    top_hz = min(chirp.to_hz, NYQUIST_SHARE * rate)
    low, high = math.ceil(chirp.from_hz / step), min(math.floor(top_hz / step), len(played) - 1)
    inverse = np.zeros(len(played), dtype=np.complex128)
    np.divide(1.0, played[low : high + 1], out=inverse[low : high + 1])
    below = np.arange(1, low)
    if len(below):
        part = played[1:low]
        least = HELD_BACK * (0.5 * rate * chirp.amplitude(np.array(chirp.from_hz))) ** 2
        least = least * chirp.octave_seconds / chirp.from_hz
        power = np.abs(part) ** 2
        fall = np.clip((below * step / chirp.from_hz - NONE_SHARE) / (FULL_SHARE - NONE_SHARE), 0.0, 1.0)
        inverse[1:low] = np.conj(part) * np.sin(0.5 * math.pi * fall) ** 2 / (power + least * (power < least))
    blend = math.floor(top_hz * BLEND_FROM / step)
    above = np.arange(min(blend, high), len(played))
    frequency = np.asarray(above * step, dtype=np.float64)
    strength = 0.5 * rate * chirp.amplitude(frequency) * np.sqrt(chirp.octave_seconds / frequency)
    turns = chirp.octave_seconds * (frequency * (1.0 - np.log(frequency / chirp.from_hz)) - chirp.from_hz)
    turns -= frequency * first_frame / rate + 0.125
    fade = np.clip((0.5 * rate - frequency) / ((0.5 - NYQUIST_SHARE) * rate), 0.0, 1.0)
    share = np.clip((frequency / top_hz - BLEND_FROM) / (BLEND_TO - BLEND_FROM), 0.0, 1.0)
    share = np.sin(0.5 * math.pi * share) ** 2
    inverse[above] *= 1.0 - share
    inverse[above] += share * fade / strength * np.exp(-2j * math.pi * turns)
    return inverse


def strongest_arrival(impulse: Impulse, start_seconds: float, stop_seconds: float) -> float:
    """Delay at which the response's envelope is highest between two delays [s], between frames by
    interpolation.

    The envelope is the magnitude of the analytic signal: phase and polarity of the chain do not shift it.
    """
    frames = max(round((stop_seconds - start_seconds) * impulse.rate), 4)
    part = impulse.part(start_seconds, frames)
    rough = round(start_seconds * impulse.rate) + int(np.argmax(np.abs(analytic(part))))
    half_width = min(ARRIVAL_FRAMES, fast_length(frames)) // 2
    near = np.take(impulse.samples, np.arange(rough - half_width, rough + half_width), mode="wrap")
    near = near * np.hanning(len(near))
    size = len(near)
    spectrum = np.fft.fft(near)
    finer = np.zeros(size * ARRIVAL_FINER, dtype=np.complex128)
    finer[: size // 2] = spectrum[: size // 2]
    envelope = np.abs(np.fft.ifft(finer))
    first, last = (half_width - half_width // 2) * ARRIVAL_FINER, (half_width + half_width // 2) * ARRIVAL_FINER
    at = first + int(np.argmax(envelope[first:last]))
    left, middle, right = envelope[at - 1 : at + 2]
    bend = left - 2 * middle + right
    shift = 0.5 * float(left - right) / float(bend) if bend < 0 else 0.0
    return (rough - half_width + (at + shift) / ARRIVAL_FINER) / impulse.rate


def analytic(samples: Floats) -> Complexes:
    """Analytic signal: negative frequencies taken out, (frames,)."""
    spectrum = np.fft.fft(samples)
    spectrum[len(samples) // 2 + 1 :] = 0
    spectrum[1 : (len(samples) + 1) // 2] *= 2
    return np.asarray(np.fft.ifft(spectrum))
