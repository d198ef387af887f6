"""A recording of chirps made into that of pulses: the chirp divided out, the band's pulse put in its place.

What is left is looked at as pulses are: trains, first swing and odds know no difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.chirps import CHIRPS, chirp_of
from gainkit.generator.pulses import lobe
from gainkit.polarity.train import line_up
from gainkit.response.deconvolve import deconvolved, fast_length

Floats = NDArray[np.float64]

TAPER_FROM, TAPER_TO = 0.6, 0.95
"""The pulse's spectrum is led to nothing between these parts of the chirp's last frequency [-]: what it has
above is a hundredth of it."""

ALIKE_SHARE = 0.5
"""Chirps of another band that come so near to the most peaked ones may be those that were played [-]: a narrow
loudspeaker hardly tells them apart, and they must agree."""


def heard_of_chirps(samples: Floats, rate: float, bands: Sequence[str]) -> dict[str, Floats]:
    """A recording of chirps as one of pulses, (frames,), for each band whose chirps may have been played.

    The right band's make the average of the train most peaked: divided by another chirp, it is spread out.
    """
    turned = {band: as_pulses(samples, rate, band) for band in bands}
    peaked = {band: peakedness(each, rate, band) for band, each in turned.items()}
    least = ALIKE_SHARE * max(peaked.values())
    return {band: turned[band] for band in bands if peaked[band] >= least}


def peakedness(samples: Floats, rate: float, band: str) -> float:
    """How peaked the average of a train is, re noise, which has 1 [-]; 0 where there is no train."""
    train = line_up(samples, rate, band)
    if train is None:
        return 0.0
    squared = train.rows.mean(axis=0) ** 2
    return float(np.sum(squared**2) * len(squared) / max(np.sum(squared), 1e-300) ** 2) / 3.0


def as_pulses(samples: Floats, rate: float, band: str) -> Floats:
    """What would have been recorded of pulses in the chirps' place, (frames,), its peak at 1."""
    chirp = chirp_of(band)
    first = chirp.fade_seconds * rate
    answers = deconvolved(np.concatenate([samples, np.zeros(round(rate))]), rate, chirp, first).samples
    pulse = lobe(band, round(rate))
    size = fast_length(len(answers) + len(pulse))
    spectrum = np.fft.rfft(answers, size) * np.fft.rfft(pulse, size)
    top_hz = min(CHIRPS[band][1], 0.5 * rate)
    share = np.clip(
        (np.fft.rfftfreq(size, 1.0 / rate) / top_hz - TAPER_FROM) / (TAPER_TO - TAPER_FROM), 0.0, 1.0
    )
    pulses = np.fft.irfft(spectrum * np.cos(0.5 * math.pi * share) ** 2, size)[: len(samples)]
    return np.asarray(pulses / max(float(np.abs(pulses).max()), 1e-300))
