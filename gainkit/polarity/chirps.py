"""A recording of chirps made into that of pulses: the chirp divided out, the band's pulse put in its place.

What is left is looked at as pulses are: trains, first swing and odds know no difference.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.chirps import CHIRPS, chirp_of
from gainkit.generator.pulses import lobe
from gainkit.polarity.levelling import gain_course
from gainkit.polarity.train import Train, trains_in
from gainkit.response.deconvolve import deconvolved, fast_length

Floats = NDArray[np.float64]

TAPER_FROM, TAPER_TO = 0.6, 0.95
"""The pulse's spectrum is led to nothing between these parts of the chirp's last frequency [-]: what it has
above is a hundredth of it."""

ALIKE_SHARE = 0.3
"""Chirps of another band that come so near to the most peaked ones may be those that were played [-]: a narrow
loudspeaker hardly tells them apart, and they must agree."""

NAMED_SHARE, OTHER_GAIN = 0.15, 4.0
"""The chirps that were named are believed to have been played from this share of the most peaked ones on; those
must agree where they are so many times more peaked [-]."""

MOST_PEAKED_CHIRP = 15.0
"""No train of chirps is so peaked before it is turned [re noise]: 10.5 at most in 200 scenes of
tests/cabins.py."""

LEAST_TURNED, LEAST_GAIN = 3.3, 1.15
SURELY_TURNED, SURE_GAIN = 4.5, 2.6
"""How peaked a train of chirps is once it is turned [re noise], and how much more than before [-]: in 160
scenes of pulses those that gained by more than 1.5 came to 3.1. A subwoofer that rings makes the two alike:
between the first and the second figures both are looked at."""


@dataclass(frozen=True)
class HeardTrains:
    """Trains of pulses, as they were heard or as chirps would have made them, by band. kind : what was
    played. otherwise : the same taken for what it hardly is, by band; where both answer they must agree.
    levelled : the trains of bands where a recorder's automatic gain was heard to follow the chirps, without it;
    gain_span_db : how far it moved [dB]."""

    kind: Literal["pulses", "chirps"]
    trains: Mapping[str, Sequence[Train]]
    otherwise: Mapping[str, Sequence[Train]]
    levelled: Mapping[str, Sequence[Train]] = field(default_factory=dict)
    gain_span_db: float = 0.0


def hear(samples: Floats, rate: float, bands: Sequence[str]) -> HeardTrains:
    """Tell pulses from chirps: the chirp divided out, its train is far more peaked than before.

    bands : to look for. Chirps of another band are answered by their own: they tell the sign as well.
    """
    pulses = {band: trains_in(samples, rate, band) for band in bands}
    own = max(peakedness(trains) for trains in pulses.values())
    if own > MOST_PEAKED_CHIRP:
        return HeardTrains("pulses", pulses, {})
    every = [band for band, (low_hz, _, _, _) in CHIRPS.items() if low_hz < 0.25 * rate]
    turned = {band: trains_in(as_pulses(samples, rate, band), rate, band) for band in every}
    peaked = {band: peakedness(trains) for band, trains in turned.items()}
    best = max(peaked.values())
    if best < LEAST_TURNED or best < LEAST_GAIN * own:
        return HeardTrains("pulses", pulses, {})
    sure = best >= SURELY_TURNED and best >= SURE_GAIN * own
    otherwise = {} if sure else pulses
    played = {band: turned[band] for band in every if peaked[band] >= ALIKE_SHARE * best}
    if len(bands) == 1 and peaked.get(bands[0], 0.0) >= max(NAMED_SHARE * best, LEAST_TURNED):
        rivals = [band for band in every if peaked[band] >= OTHER_GAIN * peaked[bands[0]]]
        otherwise = {**otherwise, **{band: turned[band] for band in rivals}}
        played = {bands[0]: turned[bands[0]]}
    levelled, gain_span_db = _levelled(samples, rate, played)
    return HeardTrains("chirps", played, otherwise, levelled, gain_span_db)


def _levelled(
    samples: Floats, rate: float, played: Mapping[str, Sequence[Train]]
) -> tuple[dict[str, list[Train]], float]:
    """The trains, by band, of a recording whose automatic gain is told, without it; and how far it moved
    [dB]."""
    levelled, gain_span_db = {}, 0.0
    for band, trains in played.items():
        clearest = max(trains, key=lambda train: len(train.rows))
        course = gain_course(samples, rate, band, clearest.places)
        if course.is_told:
            freed = course.taken_from(samples, rate, np.concatenate([train.places for train in trains]))
            levelled[band] = trains_in(as_pulses(freed, rate, band), rate, band)
            gain_span_db = max(gain_span_db, course.span_db)
    return levelled, gain_span_db


def peakedness(trains: Sequence[Train]) -> float:
    """How peaked the average of the most peaked train is, re noise, which has 1 [-]; 0 where there is none."""
    squares = [train.rows.mean(axis=0) ** 2 for train in trains]
    return max(
        (float(np.mean(each**2) / max(np.mean(each) ** 2, 1e-300)) / 3.0 for each in squares), default=0.0
    )


def as_pulses(samples: Floats, rate: float, band: str) -> Floats:
    """What would have been recorded of pulses in the chirps' place, (frames,), its peak at 1."""
    chirp = chirp_of(band)
    first = chirp.fade_seconds * rate
    answers = deconvolved(np.concatenate([samples, np.zeros(round(rate))]), rate, chirp, first).samples
    pulse = lobe(band, round(rate))
    size = fast_length(len(answers) + len(pulse))
    spectrum = np.fft.rfft(answers, size) * np.fft.rfft(pulse, size)
    hertz = np.fft.rfftfreq(size, 1.0 / rate)
    top_hz = min(CHIRPS[band][1], 0.5 * rate)
    share = np.clip((hertz / top_hz - TAPER_FROM) / (TAPER_TO - TAPER_FROM), 0.0, 1.0)
    spectrum *= np.cos(0.5 * math.pi * share) ** 2
    pulses = np.fft.irfft(spectrum, size)[: len(samples)]
    return np.asarray(pulses / max(float(np.abs(pulses).max()), 1e-300))
