"""Filters of second order whose quality is no family's: a closed box, a crossover under its own loudspeaker.

1 / (1 - x^2 + jx/Q) of any Q is exactly a Butterworth (Q 0.71), Bessel (0.58) or Linkwitz-Riley (0.5) filter
times a peak of the cookbook where its poles lie, whose numerator 1 - x^2 + jxA/Q' takes the filter's own poles
away. With Q below 0.5 it is two filters of first order, and nearly a Linkwitz-Riley one with a shelf on its
slope. Such a pair is told as the one filter that it is, not as an equaliser's band that happens to fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.remarks import Remark, remark
from gainkit.response.boosts import BoostBand
from gainkit.response.chain_model import COST, Chain, Levels, PlacedShape

Floats = NDArray[np.float64]

ALIKE_DB, ALIKE_ABOVE_DB = 0.15, -40.0
"""The pair and the one filter differ by no more [dB], wherever they stand above that [dB]."""


@dataclass(frozen=True)
class Resonance:
    """A filter of second order: where its poles lie [Hz], their quality [-], and the band that was fitted in
    its place."""

    centre_hz: float
    quality: float
    band: BoostBand

    def told(self, side: str) -> Remark:
        """It in words; with a quality under a half, as the two of first order that it is."""
        if self.quality >= 0.5:
            return remark("filter_resonates", side=side, corner_hz=self.centre_hz, quality=self.quality)
        apart = self.centre_hz * math.sqrt(1.0 / (4.0 * self.quality**2) - 1.0)
        middle = self.centre_hz / (2.0 * self.quality)
        return remark("filter_is_two", side=side, low_hz=middle - apart, high_hz=middle + apart)


def resonance_of(levels: Levels, chain: Chain, placed: PlacedShape | None) -> Resonance | None:
    """The filter that a fitted one of second order is together with one band; None without."""
    if placed is None or placed.shape.order != 2:
        return None
    highpass = placed is chain.highpass
    alone = replace(
        chain, gain_db=0.0, highpass=placed if highpass else None, lowpass=None if highpass else placed
    )
    bent = chain.bent(levels.frequency_hz)
    for band in chain.bands:
        pair = replace(alone, bands=(band,))
        if band.kind == "peak":
            centre_hz, quality = band.centre_hz, 10.0 ** (band.gain_db / 40.0) * band.quality
        elif highpass == (band.kind == "low-shelf"):
            centre_hz = placed.corner_hz * 10.0 ** ((-1 if highpass else 1) * band.gain_db / 40.0)
            quality = 10.0 ** (float(pair.level_db(np.array([centre_hz]))[0]) / 20.0)
        else:
            continue
        ratio = bent / chain.bent_one(centre_hz)
        if highpass:
            ratio = 1.0 / ratio
        one_db = -10.0 * np.log10((1.0 - ratio**2) ** 2 + (ratio / quality) ** 2)
        pair_db = pair.level_db(levels.frequency_hz)
        seen = pair_db > ALIKE_ABOVE_DB
        if not seen.any() or float(np.max(np.abs(pair_db - one_db)[seen])) >= ALIKE_DB:
            continue
        if band.kind == "peak" or _fits_as_well(levels, chain, one_db - pair_db):
            return Resonance(centre_hz, quality, band)
    return None


def _fits_as_well(levels: Levels, chain: Chain, change_db: Floats) -> bool:
    """Whether the chain changed by that (points,) fits hardly worse.

    A shelf on a slope is one where it fits better by more than its three figures cost.
    """
    weight = levels.spread_db**-2
    left = levels.level_db - chain.level_db(levels.frequency_hz)
    changed = left - change_db
    changed -= np.average(changed, weights=weight)
    return float(weight @ changed**2) < float(weight @ left**2) + 3 * COST
