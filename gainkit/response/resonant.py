"""Filters of second order whose resonance is no family's: a closed box, a crossover under its own loudspeaker.

1 / (1 - x^2 + jx/Q) of any Q is exactly a Butterworth (Q 0.71), Bessel (0.58) or Linkwitz-Riley (0.5) filter
times a peak of the cookbook where its poles lie, whose numerator 1 - x^2 + jxA/Q' takes the filter's own poles
away: such a pair is told as the one filter that it is, not as an equaliser's band that happens to fit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gainkit.response.boosts import BoostBand
from gainkit.response.chain_model import Chain, Levels, PlacedShape

Floats = NDArray[np.float64]

ALIKE_DB, ALIKE_ABOVE_DB = 0.15, -40.0
"""The pair and the one filter differ by no more [dB], wherever they stand above that [dB]."""


def resonance_of(levels: Levels, chain: Chain, placed: PlacedShape | None) -> tuple[BoostBand, float] | None:
    """The band that only gives a filter of second order another quality, and that quality; None without."""
    if placed is None or placed.shape.order != 2:
        return None
    alone = replace(
        chain,
        gain_db=0.0,
        highpass=placed if placed is chain.highpass else None,
        lowpass=placed if placed is chain.lowpass else None,
    )
    for band in chain.bands:
        if band.kind != "peak":
            continue
        ratio = chain.bent(levels.frequency_hz) / chain.bent_one(band.centre_hz)
        if placed is chain.highpass:
            ratio = 1.0 / ratio
        quality = 10.0 ** (band.gain_db / 40.0) * band.quality
        one_db = -10.0 * np.log10((1.0 - ratio**2) ** 2 + (ratio / quality) ** 2)
        pair_db = replace(alone, bands=(band,)).level_db(levels.frequency_hz)
        seen = pair_db > ALIKE_ABOVE_DB
        if seen.any() and float(np.max(np.abs(pair_db - one_db)[seen])) < ALIKE_DB:
            return band, quality
    return None
