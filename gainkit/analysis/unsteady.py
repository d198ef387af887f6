"""What a level or a rail that moves within the measured part adds to the uncertainty of its figures."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.clipping import judge
from gainkit.analysis.harmonic import project
from gainkit.analysis.thresholds import LEAST_CYCLES
from gainkit.analysis.tone import ToneFit, fit_tone

Floats = NDArray[np.float64]

PARTS = 4
"""A record is looked at in so many parts [-]."""

NOISE_RANGE = 2.06
"""Mean range of so many normal figures, over their standard deviation (Tippett 1925, from memory) [-]."""

LEAST_MOVE, MOVE_NOISES = 1e-5, 5.0
"""A fundamental that moves by less than this share of itself from part to part, or by less than so many times
its noise, stands still [-]."""


def moved_by(samples: Floats, tone: ToneFit, limit_thd_percent: float) -> tuple[float, float]:
    """Standard uncertainty that movement within a record adds to its rms [V] and its overdrive [dB].

    samples : (frames,) that the tone was fitted to [V]. A figure that moves by r over the record may stand
    anywhere within it: r / sqrt(12) (JCGM 100, 4.3.7). What noise moves the parts' figures by is taken off. 0
    for both where nothing moves, and where the parts would be too short.
    """
    rate, size = tone.sample_rate_hz, len(samples) // PARTS
    if (
        len(samples) != len(tone.fit.residual)
        or size / rate * tone.frequency_hz < 2 * LEAST_CYCLES
        or not _moves(tone, size)
    ):
        return 0.0, 0.0
    levels, depths, level_noise, depth_noise = [], [], [], []
    for number in range(PARTS):
        part = samples[number * size : (number + 1) * size]
        fit = fit_tone(part, rate, frequency_hz=tone.frequency_hz, band_hz=tone.band_hz)
        if fit is None:
            return 0.0, 0.0
        clipping = judge(fit, limit_thd_percent).clipping
        levels.append(fit.rms_volts)
        level_noise.append(fit.rms_uncertainty_volts)
        if clipping.state != "clean" and clipping.overdrive_db is not None:
            depths.append(clipping.overdrive_db)
            depth_noise.append(clipping.overdrive_uncertainty_db or 0.0)
    return _of_range(levels, level_noise), _of_range(depths, depth_noise) if len(depths) > 1 else 0.0


def _moves(tone: ToneFit, size: int) -> bool:
    """Whether the fundamental differs between parts of a record, by what the fit to all leaves in each."""
    residual, angular = tone.fit.residual, tone.fit.angular
    parts = residual[: PARTS * size].reshape(PARTS, size)
    left = [project(part, angular, np.arange(1, 2), weighted=False)[0][0] for part in parts]
    middles = np.arange(PARTS) * size + (size - len(residual)) / 2  # of the parts, from that of the record
    apart = (left * np.exp(-1j * (angular * middles + np.angle(tone.phasors[0])))).real * (2 / size)
    noise = float(tone.noise_peak[0]) * math.sqrt(PARTS / 2)
    return bool(np.ptp(apart) > max(MOVE_NOISES * noise, LEAST_MOVE * abs(tone.phasors[0])))


def _of_range(figures: list[float], noise: list[float]) -> float:
    """Standard deviation of a figure that moves as its parts tell; their middles span all but one part."""
    moved = float(np.ptp(figures)) ** 2 - (NOISE_RANGE * float(np.median(noise))) ** 2
    return math.sqrt(max(moved, 0.0) / 12) * PARTS / (PARTS - 1)
