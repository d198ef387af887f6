"""A track's marker in a recording: its pattern of bursts, found in the envelope whatever the level."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.onset.envelope import Envelope
from gainkit.onset.plan import Pattern

Floats = NDArray[np.float64]

LEAST_LIKENESS = 0.9
"""Correlation from which on a stretch of envelope counts as the pattern [-]; the pattern backwards, or shifted,
reaches 0.5 at most."""


PIECE_HOPS = 1 << 17
"""So many places are tried at a time: four minutes of a recording that may last hours [hops]."""


def find_pattern(envelope: Envelope, pattern: Pattern) -> float | None:
    """Recording time at which a pattern begins [s]; None when it is not there.

    Both are taken about their own mean over the pattern's length and normalised (correlation coefficient), so
    neither the gain nor the loud levels beside it count; the peak is placed between hops by a parabola.
    """
    shape = _in_hops(pattern, envelope.hop_seconds)
    size = len(shape)
    if size < 8 or len(envelope.peak_volts) < size + 2:
        return None
    shape = shape - shape.mean()
    shape /= np.linalg.norm(shape)
    peak = envelope.peak_volts
    least = 1e-12 * float(peak @ peak) / len(peak) + 1e-300
    best, place = -1.0, 0
    pieces = max(PIECE_HOPS, 4 * size)
    for first in range(0, len(peak) - size + 1, pieces):
        likeness = _likeness(peak[first : first + pieces + size - 1], shape, least)
        there = int(np.argmax(likeness))
        if likeness[there] > best:
            best, place = float(likeness[there]), first + there
    if best < LEAST_LIKENESS:
        return None
    offset = 0.0
    if 0 < place < len(peak) - size:
        left, middle, right = _likeness(peak[place - 1 : place + size + 1], shape, least)
        bend = left - 2 * middle + right
        offset = 0.5 * float(left - right) / float(bend) if bend < 0 else 0.0
    return (place + float(np.clip(offset, -0.5, 0.5))) * envelope.hop_seconds


def _likeness(peak: Floats, shape: Floats, least: float) -> Floats:
    """Correlation coefficient with the pattern at each place it fits, (len(peak) - len(shape) + 1,). least : of
    the mean square about the mean [V^2]."""
    size = len(shape)
    ones = np.concatenate([[0.0], np.cumsum(peak)])
    squares = np.concatenate([[0.0], np.cumsum(peak**2)])
    total, energy = ones[size:] - ones[:-size], squares[size:] - squares[:-size]
    return np.asarray(_correlate(peak, shape) / np.sqrt(np.maximum(energy - total**2 / size, least)))


def _in_hops(pattern: Pattern, hop_seconds: float) -> Floats:
    """The pattern's envelope averaged over hops, (hops,)."""
    points = np.concatenate([[0.0], np.cumsum(pattern.shape)]) * pattern.point_seconds
    count = int(len(pattern.shape) * pattern.point_seconds / hop_seconds)
    edges = np.arange(count + 1) * hop_seconds
    summed = np.interp(edges, np.arange(len(points)) * pattern.point_seconds, points)
    return np.asarray(np.diff(summed) / hop_seconds)


def _correlate(samples: Floats, shape: Floats) -> Floats:
    """Sliding inner product, (len(samples) - len(shape) + 1,), by Fourier transform."""
    size = 1 << (len(samples) + len(shape)).bit_length()
    product = np.fft.rfft(samples, size) * np.conj(np.fft.rfft(shape, size))
    return np.asarray(np.fft.irfft(product, size)[: len(samples) - len(shape) + 1])
