"""From points to words: passband, corners, flatness, and what kind of chain it is."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gainkit.response.boosts import BoostBand
from gainkit.response.chain import FALL_DB, LEAST_BAND_DB, fit_chain
from gainkit.response.chain_model import Chain, FilterSide, Levels, PlacedShape, misfit_db, with_filter
from gainkit.response.equalised import HEARD_SLOPE_DB
from gainkit.response.model import Filter, Flatness, Verdict
from gainkit.response.points import POINTS_PER_OCTAVE, Curves

Floats = NDArray[np.float64]

BAND_OVER_NOISE_DB = 10.0
CORNER_DB = 3.0
PASSBAND_SPAN_DB = 1.0
"""The passband is the level within which, this wide, most of the band lies [dB]."""

FLAT_SPAN_DB = 1.0
LEAST_FLAT_OCTAVES = 1.0
"""A flat stretch goes up and down by so much at most [dB] and is at least so wide [octaves]."""

SYSTEMATIC_DB = 0.02
DEEP_DB, DEEP_SHARE = 15.0, 0.01
"""What the points themselves may be off [dB]; below DEEP_DB under the passband by a share of the depth more."""

FEW_CYCLES, FEW_SHARE = 4.0, 0.05
"""Where the window holds so few cycles, what stands beside shines into a slope by this share of its depth
[-]; by less with the fourth power of the cycles."""

ROUGH_DB, ROUGH_SHARE = 0.1, 4.0
"""From here on a response bends from point to point as no filter or equaliser does [dB, median of second
differences]: a room's echoes. What is no larger than so many times it is then taken for theirs [-]."""

NAMED_BAND_DB, NAMED_BAND_OCTAVES = 12.5, 1.0
"""A filter that needs a band of more than this [dB] so near its corner [octaves] has a shape of its own."""

NO_SHAPE_DB = 0.6
"""A fit that leaves more than this is no known filter [dB rms]."""

CHANCE = 3.0
"""Noise of one value may stand so many times over its own mean [-]; of K values by the root of K less."""

INAUDIBLE_DB = 30.0
"""A band where a filter takes off so much does nothing that is heard, and is lost in the slope's own errors
[dB]."""

HEARD_BEND_DB, SLOPE_REACH = 1.0, 2.0
"""... but where it moves what is heard of the slope by more [dB], so near the corner [octaves], the filter is
another one."""

LEAST_FIT_POINTS = 12

WALL_DB, WALL_POINTS, WALL_FROM_DB = 20.0, 2, 6.0
"""A band ends at a wall where it falls by so much over so many points, which is five times the steepest
crossover's slope, from so near the passband at most, and does not come back [dB, -, dB]."""


def band_of(curves: Curves) -> tuple[int, int] | None:
    """First and last point (inclusive) of the widest stretch 10 dB over the noise; None without any.

    A gap of less than a third of an octave does not end it.
    """
    clear = _clear(curves)
    places = np.flatnonzero(clear)
    if not len(places):
        return None
    breaks = np.flatnonzero(np.diff(places) > POINTS_PER_OCTAVE // 3)
    firsts, lasts = places[np.r_[0, breaks + 1]], places[np.r_[breaks, len(places) - 1]]
    widest = int(np.argmax(lasts - firsts))
    if lasts[widest] - firsts[widest] < 3:
        return None
    return int(firsts[widest]), int(lasts[widest])


def _clear(curves: Curves) -> NDArray[np.bool_]:
    """Where the level stands out of the noise; by more where few values make an average, which chance may
    lift."""
    chance_db = 10.0 * np.log10(1.0 + CHANCE / np.sqrt(curves.bins))
    return (curves.power > 0.0) & (curves.level_db - curves.floor_db >= BAND_OVER_NOISE_DB + chance_db)


def wall_of(curves: Curves, band: tuple[int, int]) -> int | None:
    """The last point that is whole before the band's upper end, where that is a wall; None where it is none.

    A tuner, a wireless link or a coded file ends so: no filter of a family, nor bands, are to be fitted to it.
    """
    level = curves.level_db
    least_db = passband_db(level[band[0] : band[1] + 1]) - WALL_FROM_DB
    falls = np.flatnonzero(level[:-WALL_POINTS] - level[WALL_POINTS:] > WALL_DB)
    falls = falls[(falls > band[0] + LEAST_FIT_POINTS) & (falls <= band[1])]
    if not len(falls) or float(level[falls[0] + WALL_POINTS + 1 :].max(initial=-np.inf)) > least_db - WALL_DB:
        return None
    whole = np.flatnonzero(level[: falls[0] + 1] > least_db)
    return None if not len(whole) or falls[0] - whole[-1] > WALL_POINTS else int(whole[-1]) - WALL_POINTS


def passband_db(level_db: Floats) -> float:
    """The level that most points share [dB]; of several the highest."""
    ordered = np.sort(level_db)
    count = np.searchsorted(ordered, ordered + PASSBAND_SPAN_DB, side="right") - np.arange(len(ordered))
    best = len(count) - 1 - int(np.argmax(count[::-1]))
    return float(np.median(ordered[best : best + count[best]]))


def corners(frequency_hz: Floats, level_db: Floats, passband: float) -> tuple[float | None, float | None]:
    """Where the level comes up to 3 dB under the passband from below, and where from above [Hz]; None where it
    lies above already at that end."""

    def crossing(frequency: Floats, level: Floats) -> float | None:
        above = level >= passband - CORNER_DB
        at = int(np.argmax(above))
        if at == 0:
            return None
        share = (passband - CORNER_DB - level[at - 1]) / (level[at] - level[at - 1])
        logs = np.log(frequency[at - 1 : at + 1])
        return math.exp(float(logs[0] + share * (logs[1] - logs[0])))

    return crossing(frequency_hz, level_db), crossing(frequency_hz[::-1], level_db[::-1])


def flatness(frequency_hz: Floats, level_db: Floats) -> Flatness | None:
    """The widest stretch that stays within FLAT_SPAN_DB; None when it is under an octave."""
    best = (0, 0)
    first = 0
    for last in range(len(level_db)):
        while np.ptp(level_db[first : last + 1]) > FLAT_SPAN_DB:
            first += 1
        if last - first > best[1] - best[0]:
            best = (first, last)
    low, high = float(frequency_hz[best[0]]), float(frequency_hz[best[1]])
    if math.log2(high / low) < LEAST_FLAT_OCTAVES:
        return None
    part = level_db[best[0] : best[1] + 1]
    middle = float(part.mean())
    return Flatness(low, high, float(part.max()) - middle, float(part.min()) - middle)


def fitted(curves: Curves, band: tuple[int, int], passband: float) -> tuple[Levels, Chain, float] | None:
    """What was fitted, the chain, and what it leaves over [dB rms]; None where too few points stand out of the
    noise."""
    inside = slice(band[0], band[1] + 1)
    level, floor = curves.level_db[inside] - passband, curves.floor_db[inside] - passband
    over = 10.0 ** ((level - floor) / 10.0)
    # a mean of K powers at a signal-to-noise ratio r scatters by sqrt((2 r + 1) / K) / r of itself
    noise_db = 4.343 * np.sqrt((2.0 * over + 1.0) / curves.bins[inside]) / over
    spread = np.hypot(SYSTEMATIC_DB + DEEP_SHARE * np.maximum(-level - DEEP_DB, 0.0), noise_db)
    few = FEW_SHARE * (FEW_CYCLES / (curves.frequency_hz[inside] * curves.window_seconds)) ** 4
    spread = np.hypot(spread, curves.blur_db[inside] + few * np.maximum(-level, 0.0))
    rough = float(np.median(np.abs(np.diff(level, 2)))) if len(level) > 2 else 0.0
    if rough > ROUGH_DB:
        spread = np.hypot(spread, ROUGH_SHARE * rough)
    use = _clear(curves)[inside]
    if np.count_nonzero(use) < LEAST_FIT_POINTS:
        return None
    levels = Levels(curves.frequency_hz[inside][use], level[use], spread[use], rough_db=rough)
    ends = max(len(levels.level_db) // 40, 1)
    span = POINTS_PER_OCTAVE * 3 // 2
    falls = [
        max(0.0, float(levels.level_db[beside].max())) - float(np.median(levels.level_db[end]))
        for end, beside in ((slice(0, ends), slice(0, span)), (slice(-ends, None), slice(-span, None)))
    ]
    sides: tuple[FilterSide, ...] = ("highpass", "lowpass")
    rolls_off = tuple(side for side, fall_db in zip(sides, falls, strict=True) if fall_db < FALL_DB)
    levels = replace(levels, rolls_off=rolls_off)
    chain = fit_chain(levels, falls[0], falls[1])
    return levels, chain, misfit_db(levels, chain)


def without_roll_offs(levels: Levels, chain: Chain) -> tuple[Levels, Chain]:
    """The same without what only ends the chain's band beyond the sweep's: that is no filter of anyone's."""
    for side in levels.rolls_off:
        placed: PlacedShape | None = getattr(chain, side)
        if placed is not None and not levels.frequency_hz[0] <= placed.corner_hz <= levels.frequency_hz[-1]:
            alone = Chain(
                highpass=placed if side == "highpass" else None,
                lowpass=placed if side == "lowpass" else None,
                rate_hz=chain.rate_hz,
            )
            level_db = levels.level_db - alone.level_db(levels.frequency_hz)
            levels = replace(levels, level_db=level_db)
            chain = with_filter(chain, side, None)
    return levels, chain


def own_shape(placed: PlacedShape | None, chain: Chain) -> list[BoostBand]:
    """Bands that only mend a filter which is none of the families: large ones near its corner, and those that
    lie down its slope and bend what is heard of it."""
    if placed is None:
        return []
    audible = audible_bands(chain)
    hertz = placed.corner_hz * np.exp2(np.linspace(-SLOPE_REACH, SLOPE_REACH, 97))
    heard = hertz[replace(chain, gain_db=0.0, bands=()).level_db(hertz) > -HEARD_SLOPE_DB]
    return [
        band
        for band in chain.bands
        if (
            abs(band.gain_db) > NAMED_BAND_DB
            and abs(math.log2(band.centre_hz / placed.corner_hz)) < NAMED_BAND_OCTAVES
        )
        or (
            band not in audible
            and len(heard) > 0
            and float(np.max(np.abs(band.level_db(heard)))) > HEARD_BEND_DB
        )
    ]


def audible_bands(chain: Chain) -> list[BoostBand]:
    """Bands that the chain's filters leave something of, and that are no smaller than what is told."""
    filters = replace(chain, gain_db=0.0, bands=())
    return [
        band
        for band in chain.bands
        if abs(band.gain_db) >= LEAST_BAND_DB
        and float(filters.level_db(np.array([band.centre_hz]))[0]) > -INAUDIBLE_DB
    ]


def filter_told(
    placed: PlacedShape | None, chain: Chain, corner_hz: float | None, misfit: float
) -> Filter | None:
    """A filter as people speak of it; "other" where no shape fits."""
    if placed is None:
        return None
    if misfit > NO_SHAPE_DB or own_shape(placed, chain):
        return Filter("other", placed.shape.order, corner_hz or placed.corner_hz, misfit)
    return Filter(placed.shape.family, placed.shape.order, placed.corner_hz, misfit)


def verdict_of(chain: Chain, equalised: bool) -> Verdict:
    """In one or two words. equalised : bands are told."""
    filtered = chain.highpass is not None or chain.lowpass is not None
    if filtered:
        return "filtered and equalised" if equalised else "filtered"
    return "equalised" if equalised else "flat"
