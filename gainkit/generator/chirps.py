"""Short sweeps for polarity: a click holds little energy for its peak, a chirp of the same peak far more.

Each is a logarithmic sweep up through the band and beyond (the law of `swept`, its ends faded), at the places
where a train of pulses has its pulses. Divided out of a recording they leave what the pulses would have left,
with less noise.
"""

from __future__ import annotations

import math

import numpy as np

from gainkit.generator.model import Samples, Waveform
from gainkit.generator.pulses import FIRST_SECONDS, train
from gainkit.generator.spec import ToneSpec, given
from gainkit.generator.swept import Chirp
from gainkit.levels import ratio_from_db

CHIRPS = {
    "bass": (2.5, 800.0, 0.27, 0.02),
    "midrange": (8.0, 6_000.0, 0.25, 0.02),
    "treble": (80.0, 20_000.0, 0.15, 0.005),
}
"""Of each band's chirp the first and the last frequency [Hz], its length and the fades at its ends [s]. What is
missing below the first stands around the pulse as a sag, which must stay under a hundredth: so it begins three
octaves and more under the loudspeakers' corners. Its length leaves time to fall silent before the next."""


def chirp_of(band: str, level_dbfs: float = 0.0) -> Chirp:
    """One chirp of a band."""
    low, high, seconds, fade = CHIRPS[band]
    return Chirp(low, high, seconds, level_dbfs, None, fade)


def chirps(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """A train of chirps, unevenly spaced; level_dbfs is their peak re full scale."""
    band, level_dbfs = given(spec.band), given(spec.level_dbfs)
    one = one_chirp(chirp_of(band, level_dbfs), sample_rate_hz)
    told = ("chirp", *CHIRPS[band][:2])
    return train(spec, sample_rate_hz, one, ratio_from_db(level_dbfs), told, early_seconds=FIRST_SECONDS)


def one_chirp(chirp: Chirp, sample_rate_hz: int) -> Samples:
    """One chirp with its faded ends, (frames,)."""
    fade, seconds = chirp.fade_seconds, chirp.seconds
    times = np.arange(round((seconds + 2 * fade) * sample_rate_hz)) / sample_rate_hz - fade
    body = chirp.body(np.clip(times, 0.0, seconds))
    before, after = times < 0, times > seconds
    body[before] = chirp.beginning(times[before]) * np.sin(0.5 * math.pi * (times[before] + fade) / fade) ** 2
    late = times[after] - seconds
    body[after] = chirp.ending(late) * np.cos(0.5 * math.pi * late / fade) ** 2
    return np.asarray(body)
