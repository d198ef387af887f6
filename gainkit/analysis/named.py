"""What is told of a rail's kind, and of distortion that is no rail's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.heldhum import hum_rounds
from gainkit.analysis.rails import RailFit
from gainkit.analysis.tone import ToneFit
from gainkit.remarks import Remark, fault, remark

Phasors = NDArray[np.complex128]

NAMED_CORNER = 0.02
"""An AC coupling is told from this corner over the tone on: below, any recorder slants as much [-]."""

HARDEST_SOFT = 12.0
"""A knee with an exponent above is as good as hard [-]."""

NAMED_OVER_FLOOR = 3.0
"""Distortion of another kind is named from so many times the floor on: its shape must be seen, too [-]."""


def knee_remark(rails: RailFit, tone: ToneFit) -> tuple[Remark, ...]:
    """What kind of rail it is, where that is worth telling."""
    knee = rails.knee
    if knee.slope > thresholds.NAMED_SLOPE:
        return (remark("rail_gives_way", slope_percent=100 * knee.slope),)
    if knee.zone > thresholds.NAMED_ZONE:
        return (fault("crossover_distortion", step_percent=100 * knee.zone),)
    if rails.hard or knee.sharpness > HARDEST_SOFT:
        return ()
    held = max(rails.compression_db)
    if max(rails.overdrive_db) <= 0:  # the crest is bent long before the rail that would be there
        return (fault("compressed_crest", thd_percent=tone.thd_percent, held_db=held),)
    return () if hum_rounds(tone, rails) else (remark("soft_knee", held_db=held),)


def coupling_remark(corner_ratio: float, tone_hz: float) -> tuple[Remark, ...]:
    """That the wave was straightened before it was judged."""
    if corner_ratio <= NAMED_CORNER:
        return ()
    return (remark("ac_coupling", corner_hz=corner_ratio * tone_hz, order=1),)


def interval_remark(interval: tuple[float, float] | None) -> tuple[Remark, ...]:
    """That several explanations fit alike."""
    if interval is None:
        return ()
    return (remark("overdrive_between", lowest_db=interval[0], highest_db=interval[1]),)


def other_kind(tone: ToneFit, relative: Phasors, limit_thd_percent: float) -> tuple[Remark, ...]:
    """Name distortion that is no rail: a dead zone around zero, or even harmonics."""
    thd_percent, real, noise = tone.thd_percent, relative.real, tone.noise_peak / np.sqrt(2)
    if thd_percent < max(NAMED_OVER_FLOOR * tone.thd_floor_percent, thresholds.NAMED_THD_PERCENT):
        return ()
    if 2 * tone.beyond_volts**2 > (tone.distortion_ratio * tone.fundamental_volts) ** 2:
        return unnamed(tone, limit_thd_percent)  # the fitted orders hold the lesser part
    orders = np.arange(1, len(real) + 1)
    odd = (orders >= 3) & (orders % 2 == 1)
    # a dead zone takes a square wave away from the sine: 4/pi (-1)^((k-1)/2) / k on odd orders
    pattern = -((-1.0) ** ((orders[odd] - 1) // 2)) / orders[odd]
    strength = float(pattern @ real[odd]) / float(pattern @ pattern)
    # what stands across the crest is counted too: no memoryless stage makes it
    odd_power = max(float(np.sum(np.abs(relative[odd]) ** 2) - 2 * np.sum(noise[odd] ** 2)), 1e-300)
    share = strength**2 * float(pattern @ pattern) / odd_power
    even_power = float(np.sum(np.abs(tone.phasors[1 : len(real) : 2]) ** 2))
    turned = float(np.sum(relative[odd].imag ** 2)) / odd_power > thresholds.CROSSOVER_TURNED
    alike = np.count_nonzero(odd) > 1 and share > thresholds.CROSSOVER_EXPLAINS  # a third alone is any curve's
    if strength > 0 and not turned and alike and odd_power > even_power:
        return (fault("crossover_distortion", thd_percent=thd_percent),)
    if even_power > 2 * odd_power:
        return (fault("even_harmonics", thd_percent=thd_percent),)
    return unnamed(tone, limit_thd_percent)


def unnamed(tone: ToneFit, limit_thd_percent: float) -> tuple[Remark, ...]:
    """That there is too much distortion, where its kind is not known."""
    if tone.thd_percent < limit_thd_percent:
        return ()
    return (fault("not_by_a_rail", thd_percent=tone.thd_percent),)
