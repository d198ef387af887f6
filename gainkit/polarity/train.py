"""The pulses of a train, found in a recording and lined up."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.pulses import LOBE_SECONDS, SPACING_SECONDS, pattern_seconds

Floats = NDArray[np.float64]

LEAST_PULSES = 5
HEARD_SHARE = 0.5
"""So many must be heard, and more than this share of those that fit in the recording [-]: the track may begin
late in it, but an even beat meets the pattern in fewer."""

PART_SECONDS = (10.0, 6.0)
"""Where no train fills a recording, parts of such lengths are looked at, half of each over the next [s]."""

PART_SHARE = 0.85
"""... and more of the pulses than in a whole recording must be heard in them [-]: an even beat meets the
pattern of a few pulses more easily than that of many."""

LARGEST_CLOCK_ERROR = 3e-4
"""A recorder's clock and a player's differ by no more [-]."""

QUIET_SECONDS, AFTER_SECONDS = 0.2, 0.08
"""A pulse is looked at from so long before its arrival to so long after [s]."""

DRIFT_LOBES = 12
"""For finding pulses, what is slower than so many of them is taken off [lobes]."""

NEAR_LOBES, NEAR_SECONDS = 8, 0.004
"""The clock is told by so much around each pulse, the longer of the two [lobes], [s]."""

LEAST_LIKENESS = 0.2
"""A row that resembles the average less than this share of the usual holds no pulse [-]."""

LOUDEST_ROW = 2.0
"""A row this far above the usual, a click or a door, is brought down to it [-]."""

SEEN_POWER = 1e-3
"""Frequencies under this share of the strongest tell nothing of the clock [-]."""


@dataclass(frozen=True)
class Train:
    """Pulses lined up: (pulses, frames), the arrival's frame, the rate [Hz], how many of those from the first
    that is heard to the last are heard [-], and where in the recording each arrives [frame]."""

    rows: Floats
    arrival: int
    rate: float
    share: float = 1.0
    places: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))


@dataclass(frozen=True)
class _Track:
    """A recording cleaned for finding pulses, and how its train is laid out. All lengths in frames.

    clock_shift : by how far the clock can move a pulse. before, after : what is kept of each.
    """

    raw: Floats
    clean: Floats
    rate: float
    lobe: int
    pattern: Floats
    period: float
    clock_shift: float
    before: int
    after: int


def trains_in(samples: Floats, rate: float, band: str) -> list[Train]:
    """The train that fills a recording, or else those of its parts, none where there is none: the track may
    have begun late, stopped early or been played twice."""
    whole = line_up(samples, rate, band)
    if whole is not None:
        return [whole]
    trains = []
    for seconds in PART_SECONDS:
        size = round(seconds * rate)
        starts = range(0, max(len(samples) - size // 2, 0), size // 2) if len(samples) > size else ()
        for start in starts:
            part = line_up(samples[start : start + size], rate, band, PART_SHARE)
            trains += [] if part is None else [replace(part, places=part.places + start)]
    return trains


def line_up(samples: Floats, rate: float, band: str, heard_share: float = HEARD_SHARE) -> Train | None:
    """Find the pulses of a train and line them up; None where there are too few.

    heard_share : of those that fit in the recording which must be heard [-].
    """
    track = _track(samples, rate, band)
    expected = _places(track)
    if len(expected) < LEAST_PULSES:
        return None
    near = _near(track, expected)
    places = _on_the_recorders_clock(track, expected, near)
    places = places[(places >= track.before) & (places + track.after <= len(samples))]
    held = _that_hold_a_pulse(track, places, near // 2) if len(places) else places
    if len(held) < LEAST_PULSES or len(held) <= heard_share * len(places):
        return None
    rows = np.array([track.raw[place - track.before : place + track.after] for place in places[held]])
    share = len(held) / (held[-1] - held[0] + 1)
    return Train(_evened(rows, track.before), track.before, rate, share, places[held])


def in_common(train: Train, band: str) -> float:
    """How many times the power the average of the rows has that the average of unrelated rows would have: 1 for
    noise, their number for rows that are all alike [-]."""
    lobe = max(round(LOBE_SECONDS[band] * train.rate), 2)
    near = round(max(NEAR_LOBES * lobe, NEAR_SECONDS * train.rate))
    clean = np.array([_drift_free(smoothed(row, lobe // 4), DRIFT_LOBES * lobe) for row in train.rows])
    part = clean[:, max(train.arrival - near, 0) : train.arrival + near]
    return float(len(part) * np.mean(part.mean(axis=0) ** 2) / max(float(np.mean(part**2)), 1e-30))


def smoothed(samples: Floats, frames: int) -> Floats:
    """Through a raised cosine of so many frames: noise goes; as it is positive everywhere, signs stay."""
    kernel = np.hanning((max(frames, 1) | 1) + 2)[1:-1]
    return np.convolve(samples, kernel / kernel.sum(), "same")


def _track(samples: Floats, rate: float, band: str) -> _Track:
    lobe = max(round(LOBE_SECONDS[band] * rate), 2)
    pattern = (np.array(pattern_seconds()) - pattern_seconds()[0]) * rate
    return _Track(
        raw=samples,
        clean=_drift_free(smoothed(samples, lobe // 4), DRIFT_LOBES * lobe),
        rate=rate,
        lobe=lobe,
        pattern=pattern,
        period=SPACING_SECONDS * rate * len(pattern),
        clock_shift=LARGEST_CLOCK_ERROR * len(samples) / 2 + lobe,
        before=round(QUIET_SECONDS * rate),
        after=round(AFTER_SECONDS * rate),
    )


def _drift_free(samples: Floats, frames: int) -> Floats:
    """Less the mean of so many frames around each: for finding pulses, not for their sign."""
    size = frames | 1
    total = np.cumsum(np.concatenate([np.zeros(size // 2 + 1), samples, np.zeros(size // 2)]))
    return np.asarray(samples - (total[size:] - total[:-size]) / size)


def _places(track: _Track) -> Floats:
    """Where the pulses arrive by a true clock, (pulses,) [frames], as far as they are wholly recorded."""
    rounds = np.arange(-1, int(len(track.raw) / track.period) + 1)[:, None]
    places = (_first_arrival(track) + track.period * rounds + track.pattern).ravel()
    first, last = track.before + track.clock_shift, len(track.raw) - track.after - track.clock_shift
    return np.asarray(places[(places >= first) & (places < last)])


def _first_arrival(track: _Track) -> float:
    """Where a pattern's first pulse arrives [frames]: amplitudes folded at the period, smoothed over a lobe,
    added up at the pattern's places."""
    size = max(track.lobe // 2, 1)
    energy = np.add.reduceat(track.clean**2, np.arange(0, len(track.clean), size))
    hop = track.period / size
    bins = int(hop)
    index = np.minimum((np.arange(len(energy)) % hop).astype(np.int64), bins)
    folded = np.bincount(index, np.sqrt(energy), minlength=bins + 1)[:bins]
    wide = np.convolve(np.concatenate([folded[-2:], folded, folded[:2]]), np.ones(5), "valid")
    heard = sum(np.roll(wide, -round(place / size)) for place in track.pattern)
    return float(int(np.argmax(heard)) * size)


def _near(track: _Track, places: Floats) -> int:
    """How far around a pulse it is compared with the others [frames]."""
    near = round(max(NEAR_LOBES * track.lobe, NEAR_SECONDS * track.rate) + track.clock_shift)
    return min(near, int(places[0]), len(track.raw) - int(places[-1]) - 1)


def _on_the_recorders_clock(track: _Track, places: Floats, near: int) -> NDArray[np.int64]:
    """The places moved as the recorder's clock moves them, (pulses,) [frames]."""
    table = np.array([track.clean[int(place) - near : int(place) + near] for place in places])
    index = (places - places.mean()) / (SPACING_SECONDS * track.rate)
    slope = _clock_slope(table, index, track.clock_shift, track.lobe)
    return np.asarray(np.rint(places + slope * index), dtype=np.int64)


def _clock_slope(table: Floats, index: Floats, clock_shift: float, lobe: int) -> float:
    """Frames per spacing by which the recorder's clock moves the rows.

    table : (pulses, frames). index : when each row was played, in spacings from their middle (pulses,). All
    slopes up to the largest clock error are tried, and the one taken at which the rows add up to the most
    energy; rows and their sum are compared in the frequency domain.
    """
    pulses, frames = table.shape
    spectrum = np.fft.rfft(table, axis=1)
    strong = np.mean(np.abs(spectrum) ** 2, axis=0)
    used = strong > SEEN_POWER * strong.max()
    spectrum, turn = spectrum[:, used], 2j * np.pi * np.arange(frames // 2 + 1)[used] / frames
    step = lobe / 8 / (pulses / 2)
    tries = (
        np.arange(-np.ceil(clock_shift / (pulses / 2) / step), np.ceil(clock_shift / (pulses / 2) / step) + 1)
        * step
    )

    def energies(slopes: Floats) -> Floats:
        return np.array(
            [np.sum(np.abs(np.sum(spectrum * np.exp(turn * s * index[:, None]), axis=0)) ** 2) for s in slopes]
        )

    fine = tries[int(np.argmax(energies(tries)))] + np.linspace(-step, step, 9)
    return float(fine[int(np.argmax(energies(fine)))])


def _that_hold_a_pulse(track: _Track, places: NDArray[np.int64], near: int) -> NDArray[np.int64]:
    """Which places hold a pulse, (pulses,) [index]: the recording there resembles the average of all."""
    table = np.array([track.clean[place - near : place + near] for place in places])
    likeness = np.abs(table @ table.mean(axis=0))
    usual = np.median(np.sort(likeness)[len(likeness) // 2 :])
    return np.flatnonzero(likeness > LEAST_LIKENESS * usual)


def _evened(rows: Floats, before: int) -> Floats:
    """Rows of which none is much louder than the others, (pulses, frames)."""
    loud = np.sqrt(np.mean(rows[:, before - before // 5 :] ** 2, axis=1, keepdims=True))
    return np.asarray(rows * np.minimum(1.0, LOUDEST_ROW * np.median(loud) / np.maximum(loud, 1e-30)))
