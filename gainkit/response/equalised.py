"""Whether a fitted chain is the one explanation of a curve; else the curve's own peaks and dips.

Three or more overlapping bands and a filter can often be exchanged for others that leave as little, or a fit
ends beside the truth. Such a chain shows: it leaves something over, its parts lie outside the sweep or undo
each other, or its figures are loose.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gainkit.response.chain_model import Chain, Levels, PlacedShape
from gainkit.response.model import Bend
from gainkit.response.refining import deviations

Floats = NDArray[np.float64]

SEVERAL_BANDS = 3
"""From so many bands on a filter of its own shape, or a shallow one, is not told from them [-]."""

CROWDED_OCTAVES = 0.75
"""... nor where so many stand this near its corner [octaves]: they trace its ripple."""

HEARD_SLOPE_DB = 20.0
"""What a filter takes off where its own shape is still heard [dB]."""

LEFT_OVER = 1.5
"""Mean square left over, in standard deviations, from which a chain of several parts has missed the truth [-]:
the points' own errors are correlated and mostly smaller than allowed for."""

SPAN_SHARE, SPAN_DB = 1.25, 1.0
"""A band may move the level by so much more than all bands together do [-, dB], where the filters take off no
more than HEARD_SLOPE_DB: beyond, they undo each other."""

MOST_GAIN_DB = 19.0
"""No equaliser's band gives or takes more [dB]: some filter without a name is being traced."""

FILLED_DB, FILLED_AT_DB, FILLED_OCTAVES = 4.5, 1.5, 1.5
"""Nor is a filter that takes off so much [dB] where the curve stands this near its passband [dB] over so much
of it [octaves]: bands fill up what it takes."""

LOOSE_DB, LOOSE_OCTAVES = 0.5, 1.0 / 12.0
"""Figures with a larger standard deviation are no answer [dB, octaves]."""

SURE_FALL_DB, SURE_SLOPE_DB = 18.0, 4.0
"""An end so far under most of the curve [dB], and falling so fast there [dB per octave], is a filter's slope,
whatever the bands: an equaliser's bands come back to where they were."""

SLOPE_OCTAVES = (1.0 / 4.0, 1.0)
"""Over how much of the end it must fall so fast [octaves]: past a band's centre the level comes back."""

LEAST_BEND_DB = 1.0
"""A peak or dip that stands out less is not told [dB]."""


def is_sole_explanation(levels: Levels, chain: Chain, own_shaped: bool) -> bool:
    """Whether the chain's filters and bands can be told by name. own_shaped : bands only mend a filter."""
    low, high = float(levels.frequency_hz[0]), float(levels.frequency_hz[-1])
    filters = [(name, each) for name in ("highpass", "lowpass") if (each := getattr(chain, name)) is not None]
    places = [*(each.corner_hz for _, each in filters), *(band.centre_hz for band in chain.bands)]
    if any(not low <= hertz <= high for hertz in places):
        return False
    several = len(chain.bands) >= SEVERAL_BANDS
    ends = dict(zip(("highpass", "lowpass"), sure_ends(levels), strict=True))
    if several and (own_shaped or any(not ends[name] for name, _ in filters)):
        return False
    if any(_crowded(chain, each) for _, each in filters):
        return False
    if own_shaped:
        return True
    if any(abs(band.gain_db) > MOST_GAIN_DB for band in chain.bands) or _fills_up(levels, chain):
        return False
    heard = replace(chain, gain_db=0.0, bands=()).level_db(levels.frequency_hz) > -HEARD_SLOPE_DB
    curves = [band.level_db(levels.frequency_hz[heard]) for band in chain.bands] if heard.any() else []
    if len(curves) > 1:
        together = np.sum(curves, axis=0)
        span = max(float(together.max()), 0.0) - min(float(together.min()), 0.0)
        if max(float(np.abs(each).max()) for each in curves) > SPAN_SHARE * span + SPAN_DB:
            return False
        left = (levels.level_db - chain.level_db(levels.frequency_hz)) / levels.spread_db
        if float(np.mean(left**2)) > LEFT_OVER:
            return False
    if not several:
        return True
    gains_db, octaves = deviations(levels, chain)
    return max(gains_db) <= LOOSE_DB and max(octaves) <= LOOSE_OCTAVES


def _crowded(chain: Chain, placed: PlacedShape) -> bool:
    """Whether several bands stand about a filter's corner: they make another filter of it."""
    near = [band for band in chain.bands if abs(math.log2(band.centre_hz / placed.corner_hz)) < CROWDED_OCTAVES]
    return len(near) >= SEVERAL_BANDS


def _fills_up(levels: Levels, chain: Chain) -> bool:
    """Whether bands undo a good part of what a filter does."""
    octaves = np.log2(levels.frequency_hz)
    filters_db = replace(chain, gain_db=0.0, bands=()).level_db(levels.frequency_hz)
    flat = np.abs(levels.level_db - chain.gain_db) < FILLED_AT_DB
    widths = np.gradient(octaves) * (flat & (filters_db < -FILLED_DB))
    return float(np.sum(widths)) > FILLED_OCTAVES


def sure_ends(levels: Levels) -> tuple[bool, bool]:
    """Whether the low end, and the high end, is a filter's slope."""
    ends = []
    octaves = np.log2(levels.frequency_hz)
    for sign in (1, -1):
        level, place = levels.level_db[::sign], np.abs(octaves - octaves[::sign][0])[::sign]
        fall = float(np.percentile(level, 90)) - float(np.median(level[: max(len(level) // 40, 1)]))
        slopes = [
            float(np.polyfit(place[place <= within], level[place <= within], 1)[0]) for within in SLOPE_OCTAVES
        ]
        ends.append(fall > SURE_FALL_DB and min(slopes) > SURE_SLOPE_DB)
    return ends[0], ends[1]


def bends_of(frequency_hz: Floats, level_db: Floats, least_db: float = LEAST_BEND_DB) -> tuple[Bend, ...]:
    """Peaks and dips that stand out of the curve by least_db on both sides, in order; both (points,)."""
    bends: list[Bend] = []
    top = bottom = 0
    rising: bool | None = None
    for at, level in enumerate(level_db):
        top = at if level > level_db[top] else top
        bottom = at if level < level_db[bottom] else bottom
        if rising is not False and level_db[top] - level >= least_db:
            if top > 0:
                bends.append(Bend(float(frequency_hz[top]), float(level_db[top])))
            rising, bottom = False, at
        elif rising is not True and level - level_db[bottom] >= least_db:
            if bottom > 0:
                bends.append(Bend(float(frequency_hz[bottom]), float(level_db[bottom])))
            rising, top = True, at
    return tuple(bends)


def told_part(
    frequency_hz: Floats, level_db: Floats, low_hz: float | None, high_hz: float | None
) -> tuple[Floats, Floats]:
    """The curve between the corners of its slopes, where there are any."""
    keep = (frequency_hz >= (low_hz or 0.0)) & (frequency_hz <= (high_hz or math.inf))
    return (frequency_hz[keep], level_db[keep]) if np.count_nonzero(keep) > 2 else (frequency_hz, level_db)
