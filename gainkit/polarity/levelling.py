"""A recorder's automatic gain told by what it does to the noise, and taken out of a recording of chirps.

A chirp lasts long enough for automatic gain to follow it, and a gain that moves while the frequency does is no
causal filter: it bends the answer so that it may begin the wrong way. The same gain moves the noise that is
recorded besides, far above the chirp's frequency and far below it, where neither the chirp nor its harmonics
are. So its course is read there, in the mean over all chirps, and divided out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.chirps import CHIRPS
from gainkit.levels import db_from_ratio

Floats = NDArray[np.float64]

HOP_SECONDS, FRAME_SECONDS = 0.0025, 0.01
"""The noise is looked at so often, in windows of such a length [s]."""

EARLY_SECONDS, LATE_SECONDS = 0.06, 0.12
QUIET_SECONDS = 0.015
"""The gain is followed from so long before a chirp to so long after it; it counts as 1 until shortly before
[s]."""

FAR_ABOVE, FAR_BELOW = 5.0, 0.1
LEAST_HZ, TOP_SHARE = 150.0, 0.45
"""Noise is looked at from so many times the chirp's frequency on, above harmonics that are heard, and under so
much of it, which has died away [-]; not under the one [Hz], rumble, nor over the other part of the rate [-]."""

LEAST_BINS = 5
"""Fewer bins tell no gain [-]: it is taken from the moments before and after."""

SMOOTHED = np.array([0.25, 0.75, 1.0, 0.75, 0.25]) / 3.0
"""Over neighbouring frames [-]."""

LEAST_SPAN_DB, MOST_APART_DB, MOST_APART_SHARE = 2.0, 1.5, 0.35
"""A gain that moves by less is none. Low and high noise must tell the same course to so much, and to this share
of how far it moves: lossy coding and noise suppression move each frequency by itself [dB], [-]."""

MOST_RISE_DB = 15.0
"""Automatic gain rises by no more where a chirp begins unheard; noise that rises by more is none: the chirp's
own, in a recording of less, or a gate that opens [dB]."""


@dataclass(frozen=True)
class GainCourse:
    """Automatic gain around each chirp: (frames,) times after its beginning [s], and gain re before it [dB].
    apart_db : how far low noise and high noise tell other gains [dB]."""

    seconds: Floats
    gain_db: Floats
    apart_db: float

    @property
    def span_db(self) -> float:
        """From its least to its greatest gain."""
        return float(np.ptp(self.gain_db))

    @property
    def is_told(self) -> bool:
        """Whether the noise moves with the chirps as behind automatic gain, all frequencies alike."""
        moves = self.span_db > LEAST_SPAN_DB and float(self.gain_db.max()) < MOST_RISE_DB
        return moves and self.apart_db < max(MOST_APART_DB, MOST_APART_SHARE * self.span_db)

    def taken_from(self, samples: Floats, rate: float, places: NDArray[np.int64]) -> Floats:
        """The recording without it, its peak at 1, (frames,). places : of the chirps' beginnings [frame]."""
        course_db = np.zeros(len(samples))
        for place in places:
            first = max(place + round(self.seconds[0] * rate), 0)
            last = min(place + round(self.seconds[-1] * rate), len(samples))
            course_db[first:last] = np.interp(
                (np.arange(first, last) - place) / rate, self.seconds, self.gain_db
            )
        levelled = samples * 10.0 ** (-course_db / 20.0)
        return np.asarray(levelled / max(float(np.abs(levelled).max()), 1e-300))


def gain_course(samples: Floats, rate: float, band: str, places: NDArray[np.int64]) -> GainCourse:
    """The course of the gain around chirps of a band that begin at these places [frame]."""
    low_hz, high_hz, seconds, fade = CHIRPS[band]
    ends = seconds + 2 * fade
    times = np.arange(-EARLY_SECONDS, ends + LATE_SECONDS, HOP_SECONDS)
    size = round(FRAME_SECONDS * rate)
    powers_db = _mean_powers_db(samples, places, np.rint(times * rate).astype(np.int64) - size // 2, size)
    powers_db -= powers_db[times < -QUIET_SECONDS].mean(axis=0)
    hertz = np.fft.rfftfreq(size, 1.0 / rate)
    chirp_hz = low_hz * (high_hz / low_hz) ** (np.clip(times - fade, 0.0, seconds) / seconds)
    free = (hertz > FAR_ABOVE * chirp_hz[:, None]) | (hertz < FAR_BELOW * chirp_hz[:, None])
    free |= (times < -QUIET_SECONDS)[:, None]
    free &= (hertz > LEAST_HZ) & (hertz < TOP_SHARE * rate)
    rank, count = np.cumsum(free, axis=1), free.sum(axis=1)
    lower = free & (2 * rank <= count[:, None])
    gain_db, low_db, high_db = (_over(powers_db, bins) for bins in (free, lower, free & ~lower))
    return GainCourse(times, gain_db, float(np.abs(low_db - high_db).max()))


def _mean_powers_db(
    samples: Floats, places: Iterable[np.int64], starts: NDArray[np.int64], size: int
) -> Floats:
    """Mean over all chirps of the level in each bin, (moments, bins): a mean of decibels, which a few loud
    sounds hardly move. starts : of each moment's frame, after a chirp's beginning [frame]."""
    window = np.hanning(size + 1)[:size]
    total, count = np.zeros((len(starts), size // 2 + 1)), np.zeros((len(starts), 1))
    for place in places:
        firsts = place + starts
        whole = (firsts >= 0) & (firsts + size <= len(samples))
        frames = samples[firsts[whole, None] + np.arange(size)] * window
        total[whole] += db_from_ratio(np.maximum(np.abs(np.fft.rfft(frames, axis=1)), 1e-15))
        count[whole] += 1
    return np.asarray(total / np.maximum(count, 1))


def _over(powers_db: Floats, bins: NDArray[np.bool_]) -> Floats:
    """The mean over each moment's bins, (moments,), smoothed; moments with too few lie between the others."""
    count = bins.sum(axis=1)
    enough = np.flatnonzero(count >= LEAST_BINS)
    if not len(enough):
        return np.zeros(len(powers_db))
    mean = (powers_db * bins).sum(axis=1)[enough] / count[enough]
    course = np.interp(np.arange(len(powers_db)), enough, mean)
    return np.convolve(np.pad(course, len(SMOOTHED) // 2, mode="edge"), SMOOTHED, "valid")
