"""What stands in a chain, by fit to its level over frequency: filters on both sides, and equaliser bands.

Filters are tried in all families and orders; bands are added one by one where most is left over, everything
being fitted anew each time, as long as they explain more than they cost. Digital filters are bent towards half
their sample rate (bilinear transform: f becomes tan(pi f / rate)); where the plain shapes leave something over
the usual rates are tried too.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gainkit.response.boosts import BoostBand
from gainkit.response.chain_model import COST, Chain, FilterSide, Levels, PlacedShape, misfit_db, with_filter
from gainkit.response.filters import ROLL_OFFS, SHAPES, Shape
from gainkit.response.model import BoostKind
from gainkit.response.refining import refined

Floats = NDArray[np.float64]

FALL_DB = 2.5
"""An end of the band must lie so far under the passband for a filter to be looked for [dB]: its corner (3 dB)
then lies in the band or next to it."""

ROLL_OFF_DB = 0.05
"""An end that lies so far under it may be where the chain's band ends, beyond the sweep's [dB]."""

SURE_FALL_DB = 18.0
"""From here on it is a filter in any case; less may be a shelf as well [dB]."""


LEAST_BAND_DB = 0.4
LEAST_LEFT_DB = 0.15
LEAST_LEFT_SPREADS = 4.0
"""A smaller band is not told [dB]; so much must be left over for another one to be looked for [dB], and so many
standard deviations [-]."""

MOST_BANDS = 8

WILD_DB = 19.0
"""Two bands of more than this are no equaliser's: a filter without a name is being traced [dB]."""

LIKELY_SHAPES = 4
LIKELY_BANDS = 3
OTHER_SHAPES = 8
"""So many shapes, with bands in the chain, and so many bands more are fitted with everything free; and so many
other shapes are given a chance beside the first band [-]."""

MOST_OPENINGS = 5
MOST_RECONSIDERED = 5
"""So many of the openings are gone on with, the most promising ones; up to so many bands are taken out again to
see whether other filters, or one band for two, do without [-]."""

SMALL_PART = 0.35
"""A shelf over less than this part of the band's octaves is never told as one over all the rest [-] (our
choice)."""

KINDS: tuple[BoostKind, ...] = ("peak", "low-shelf", "high-shelf")

BOOST_GUESS_DB = 6.0
"""A boost between two filters hides their slopes: it is looked for with this to begin with [dB]."""


NEAR_OCTAVES, NEAR_ORDERS, LIKELY_BESIDE = 2.0, 2, 8
NEAR_FACTORS, NEAR_GAINS_DB = (0.6, 1.0, 1.6), (-6.0, 6.0)
"""A band so near to a filter's corner may have spoilt its shape, by up to so many orders [octaves, -]; so many
of those with another band in its place are gone on with [-]. That is looked for at these multiples of the
corner [-], with these gains to begin with [dB]."""

BENT_HZ = 1_000.0
"""Below this a digital filter at 44.1 kHz differs from an analogue one by nothing that is measured here
[Hz]."""

RATES_HZ = (44_100.0, 48_000.0, 96_000.0)
WELL_FITTED_DB = 0.03
"""Rms left over that needs no digital filter to explain it [dB]."""


def fit_chain(levels: Levels, low_fall_db: float, high_fall_db: float) -> Chain:
    """The chain that explains the levels best. low_fall_db, high_fall_db : how far each end of the band lies
    under the passband, or under what stands beside it [dB].

    Several openings (with and without a filter on each side, with and without a boost between them) are tried,
    the most promising first; what costs more than the best so far is given up.
    """
    openings: list[tuple[Chain, list[FilterSide]]] = []
    for high_passed in _choices(low_fall_db):
        for low_passed in _choices(high_fall_db):
            wanted: tuple[tuple[FilterSide, bool], ...] = (("highpass", high_passed), ("lowpass", low_passed))
            sides = [side for side, there in wanted if there]
            plain = _filters_only(levels, Chain(), sides)
            if not _left_over(levels, plain):
                openings.append((plain, sides))
                continue
            analogue = refined(levels, replace(plain, rate_hz=None))
            for opening in [plain] if plain.rate_hz is None else [plain, analogue]:
                several = _variants(levels, opening, sides)
                openings += [(_one_more(levels, each, sides, False), sides) for each in several]
            if sides:
                top = float(levels.frequency_hz[int(np.argmax(levels.level_db))])
                seed = Chain(bands=(BoostBand("peak", top, BOOST_GUESS_DB, 1.0),), rate_hz=plain.rate_hz)
                openings.append((_filters_only(levels, seed, sides), sides))
    best = without = Chain()
    for opening, sides in _promising(openings):
        settled = best.total < math.inf and not _left_over(levels, best)
        enough = best.cost if settled and not set(best.sides) & set(levels.rolls_off) else best.score
        chain = _grown(levels, opening, sides, enough)
        best = chain if chain.score < best.score else best
        if not set(sides) & set(levels.rolls_off):
            without = chain if chain.score < without.score else without
    best = _reconsidered(levels, best)
    if without.total < math.inf and set(best.sides) & set(levels.rolls_off):
        best = min(best, _reconsidered(levels, without), key=lambda each: each.score)
    others = [_beside_filter(levels, best, side) for side in best.sides if side not in levels.rolls_off]
    if others and (other := min(others, key=lambda each: each.score)).score < best.score:
        best = _reconsidered(levels, other)
    return _plain_shelves(levels, best)


def _promising(
    openings: list[tuple[Chain, list[FilterSide]]],
) -> list[tuple[Chain, list[FilterSide]]]:
    """The best opening of each kind, and the best of the rest, most promising first."""
    ordered = sorted(openings, key=lambda each: each[0].score)
    firsts = {tuple(sides): (chain, sides) for chain, sides in reversed(ordered)}
    rest = [each for each in ordered if all(each is not first for first in firsts.values())]
    chosen = [*firsts.values(), *rest[: max(MOST_OPENINGS - len(firsts), 1)]]
    return sorted(chosen, key=lambda each: each[0].score)


def _reconsidered(levels: Levels, chain: Chain) -> Chain:
    """The same, or with fewer bands: other ones beside the same filters, or other filters beside the same
    bands.

    A wrong shape is easily mended by a band, and a wrong band by another one.
    """
    if not 0 < len(chain.bands) <= MOST_RECONSIDERED:
        return chain
    best = chain
    for rate in [None, *_rates(levels)] if _bends(chain) else [None]:
        again = refined(levels, replace(chain, bands=(), rate_hz=rate))
        for _ in chain.bands[1:]:
            more = (refined(levels, each) for each in _with_band(levels, again))
            again = min(more, key=lambda each: each.total)
            best = again if again.score < best.score else best
    for band in chain.bands:
        less = replace(chain, bands=tuple(each for each in chain.bands if each is not band))
        for side in chain.sides:
            for shape in _shapes(levels, side):
                placed = PlacedShape(shape, getattr(chain, side).corner_hz)
                tried = refined(levels, with_filter(less, side, placed))
                best = tried if tried.score < best.score else best
    for one, two in itertools.combinations(chain.bands, 2):
        rest = tuple(each for each in chain.bands if each is not one and each is not two)
        centre, gain = math.sqrt(one.centre_hz * two.centre_hz), max(one.gain_db, two.gain_db, key=abs)
        for kind in KINDS:
            tried = refined(levels, _adding(replace(chain, bands=rest), kind, centre, gain, 0.7))
            best = tried if tried.score < best.score else best
    return best if best is chain else _reconsidered(levels, best)


def _beside_filter(levels: Levels, chain: Chain, side: FilterSide) -> Chain:
    """The same, or with one band in place of those near a filter, and with a filter of another shape with it.

    A band on a filter's slope and the filter hide each other: neither is right until both are. Where the end
    lies tells where the corner is, whatever the band does.
    """
    own: PlacedShape = getattr(chain, side)
    near = [band for band in chain.bands if abs(math.log2(band.centre_hz / own.corner_hz)) < NEAR_OCTAVES]
    if not (near or chain.total > len(levels.level_db)) or len(chain.bands) > MOST_RECONSIDERED:
        return chain
    rest = replace(chain, bands=tuple(band for band in chain.bands if band not in near))
    kinds: tuple[BoostKind, ...] = ("peak", "low-shelf" if side == "highpass" else "high-shelf")
    bends = side == "lowpass" or own.corner_hz > BENT_HZ
    first_rates = (None, RATES_HZ[1]) if bends else (chain.rate_hz,)
    tried = []
    for shape in (shape for shape in SHAPES if abs(shape.order - own.shape.order) <= NEAR_ORDERS):
        corners = own.corner_hz, _corner_by_slope(levels, side, shape.order)
        for corner_hz, rate in itertools.product(corners, first_rates):
            bare = with_filter(replace(rest, rate_hz=rate), side, PlacedShape(shape, corner_hz))
            for kind, factor, gain_db in itertools.product(kinds, NEAR_FACTORS, NEAR_GAINS_DB):
                with_one = _adding(bare, kind, own.corner_hz * factor, gain_db, 0.7)
                tried.append(refined(levels, with_one, "roughly all"))
    likely = sorted(tried, key=lambda each: each.total)[:LIKELY_BESIDE]
    rates = [None, *_rates(levels)] if any(_bends(each) for each in likely) else [None]
    return min(
        (refined(levels, replace(each, rate_hz=rate)) for each in likely for rate in rates),
        key=lambda each: each.score,
    )


def _corner_by_slope(levels: Levels, side: FilterSide, order: int) -> float:
    """Where a slope of that order through the end of the band meets the passband [Hz]."""
    at = 0 if side == "highpass" else -1
    octaves = max(-float(levels.level_db[at]), 3.0) / (20.0 * math.log10(2.0) * order)
    return float(levels.frequency_hz[at]) * math.exp2(octaves if side == "highpass" else -octaves)


def _plain_shelves(levels: Levels, chain: Chain) -> Chain:
    """A low shelf is a high one of the opposite gain and the whole moved: told as the one over the
    smaller part of the band, and about its middle as the one that moves the whole least."""
    first, last = float(levels.frequency_hz[0]), float(levels.frequency_hz[-1])
    for number, band in enumerate(chain.bands):
        below = math.log(band.centre_hz / first) / math.log(last / first)
        share = below if band.kind == "low-shelf" else 1.0 - below
        moved = chain.gain_db + band.gain_db
        middle = SMALL_PART <= share <= 1.0 - SMALL_PART
        if band.kind != "peak" and (abs(moved) < abs(chain.gain_db) if middle else share > 0.5):
            kind: BoostKind = "low-shelf" if band.kind == "high-shelf" else "high-shelf"
            bands = list(chain.bands)
            bands[number] = replace(band, kind=kind, gain_db=-band.gain_db)
            chain = replace(chain, gain_db=moved, bands=tuple(bands))
    return chain


def _shapes(levels: Levels, side: FilterSide) -> tuple[Shape, ...]:
    """What may stand on a side."""
    return ROLL_OFFS if side in levels.rolls_off else SHAPES


def _choices(fall_db: float) -> tuple[bool, ...]:
    if fall_db < ROLL_OFF_DB:
        return (False,)
    return (True,) if fall_db > SURE_FALL_DB else (True, False)


def _grown(levels: Levels, chain: Chain, sides: list[FilterSide], cost_to_beat: float) -> Chain:
    """With as many bands more as pay; given up where the parameters alone cost as much as another chain."""
    if chain.cost >= cost_to_beat:
        return chain
    while len(chain.bands) < MOST_BANDS and _left_over(levels, chain):
        wild = sum(abs(band.gain_db) > WILD_DB for band in chain.bands)
        if chain.cost + 3 * COST >= cost_to_beat or wild > 1:
            return chain
        tried = _one_more(levels, chain, sides)
        if tried.score >= chain.score:
            break
        chain = tried
    if chain.bands and _bends(chain):
        others = [refined(levels, replace(chain, rate_hz=rate)) for rate in (None, *_rates(levels))]
        chain = _settled(levels, min([chain, *others], key=lambda each: each.total), sides)
    return _pruned(levels, chain, sides)


def _one_more(levels: Levels, chain: Chain, sides: list[FilterSide], settle: bool = True) -> Chain:
    """The chain with the band more that helps best."""
    added = sorted(
        (refined(levels, each, "last band") for each in _with_band(levels, chain)), key=lambda each: each.total
    )
    tried = [refined(levels, each) for each in added[:LIKELY_BANDS]]
    best = min(tried, key=lambda each: each.total)
    return _settled(levels, best, sides) if settle else best


def _rates(levels: Levels) -> list[float]:
    return [rate for rate in RATES_HZ if rate > 2.0 * float(levels.frequency_hz[-1])]


def _variants(levels: Levels, chain: Chain, sides: list[FilterSide]) -> list[Chain]:
    """The chain, and with the next likely shapes on each side: a band beside it may have hidden the right
    one."""
    variants = [chain]
    for side in sides:
        own = getattr(chain, side)
        others = [
            refined(levels, with_filter(chain, side, PlacedShape(shape, own.corner_hz)), "filters")
            for shape in _shapes(levels, side)
            if shape != own.shape
        ]
        variants += sorted(others, key=lambda each: each.total)[:OTHER_SHAPES]
    return variants


def _bends(chain: Chain) -> bool:
    """Whether a digital filter's bending would show: its frequency is no small part of any rate."""
    own = [each.corner_hz for each in (chain.highpass, chain.lowpass) if each is not None]
    return any(hertz > BENT_HZ for hertz in (*own, *(band.centre_hz for band in chain.bands)))


def _filters_only(levels: Levels, chain: Chain, sides: list[FilterSide]) -> Chain:
    """Filters on the sides named, analogue or of a usual rate; bands of the chain are fitted with them."""
    openings = [chain]
    if "lowpass" in sides or ("highpass" in sides and _corner_guess(levels, "highpass") > BENT_HZ):
        openings += [replace(chain, rate_hz=rate) for rate in _rates(levels)]
    best = Chain()
    for opening in openings:
        for side in sides:
            opening = _best_shape(levels, opening, side, _corner_guess(levels, side))
        filters = _settled(levels, refined(levels, opening), sides)
        best = filters if filters.total < best.total else best
        if misfit_db(levels, best) < WELL_FITTED_DB:
            break
    return best


def _settled(levels: Levels, chain: Chain, sides: list[FilterSide]) -> Chain:
    """Every other shape tried on each side with all else in place, until nothing gets better."""
    for _ in range(2 if sides and (len(sides) > 1 or chain.bands) else 0):
        before = chain.total
        for side in sides:
            filter_ = getattr(chain, side)
            chain = _best_shape(levels, chain, side, filter_.corner_hz)
        if chain.total >= before * (1.0 - 1e-6):
            break
    return chain


def _best_shape(levels: Levels, chain: Chain, side: FilterSide, corner_hz: float) -> Chain:
    """The chain with the shape that fits best on one side: with bands in place first, then with all free."""
    tried = []
    for shape in _shapes(levels, side):
        factor = 1.0
        if shape.family == "linkwitz-riley":  # 3 dB down lies inside its corner
            factor = 0.8 if side == "highpass" else 1.25
        placed = with_filter(chain, side, PlacedShape(shape, corner_hz * factor))
        tried.append(refined(levels, placed, "filters"))
    if chain.bands:
        tried = sorted(tried, key=lambda each: each.total)[:LIKELY_SHAPES]
        tried = [refined(levels, each) for each in tried]
    return min([*tried, chain] if getattr(chain, side) is not None else tried, key=lambda each: each.total)


def _corner_guess(levels: Levels, side: FilterSide) -> float:
    """Where the level last crosses 3 dB under the passband towards that end, or the end itself [Hz]."""
    above = np.flatnonzero(levels.level_db > -3.0)
    if not len(above):
        return float(levels.frequency_hz[len(levels.frequency_hz) // 2])
    return float(levels.frequency_hz[above[0] if side == "highpass" else above[-1]])


def _left_over(levels: Levels, chain: Chain) -> bool:
    left = np.abs(levels.level_db - chain.level_db(levels.frequency_hz))
    return bool(np.any((left > LEAST_LEFT_DB) & (left > LEAST_LEFT_SPREADS * levels.spread_db)))


def _with_band(levels: Levels, chain: Chain) -> Iterator[Chain]:
    """The chain with one more band, where most is left over: a peak of some widths, or a shelf."""
    left = levels.level_db - chain.level_db(levels.frequency_hz)
    worth = np.abs(left) / levels.spread_db
    for _ in range(2):  # the strongest place, and the strongest an octave away from it
        at = int(np.argmax(worth))
        centre, gain = float(levels.frequency_hz[at]), float(np.clip(left[at], -20.0, 20.0))
        for quality in (0.8, 2.5, 6.0):
            yield _adding(chain, "peak", centre, gain, quality)
        worth = np.where(np.abs(np.log2(levels.frequency_hz / centre)) < 1.0, 0.0, worth)
    count = len(left)
    ends: tuple[tuple[BoostKind, slice], ...] = (
        ("low-shelf", slice(0, max(count // 12, 1))),
        ("high-shelf", slice(-max(count // 12, 1), None)),
    )
    for kind, end in ends:
        gain = float(np.mean(left[end]))
        if abs(gain) > LEAST_LEFT_DB:
            ordered = left if kind == "low-shelf" else left[::-1]
            half = int(np.argmax(ordered / gain < 0.5)) or count // 2
            half = half if kind == "low-shelf" else count - 1 - half
            yield _adding(chain, kind, float(levels.frequency_hz[half]), gain, 0.7)


def _adding(chain: Chain, kind: BoostKind, centre_hz: float, gain_db: float, quality: float) -> Chain:
    return replace(chain, bands=(*chain.bands, BoostBand(kind, centre_hz, gain_db, quality)), total=math.inf)


def _pruned(levels: Levels, chain: Chain, sides: list[FilterSide]) -> Chain:
    """Without the bands that are too small, or that the rest explains as well, with other filters perhaps."""
    again = True
    while again and chain.bands:
        again = False
        for band in sorted(chain.bands, key=lambda each: abs(each.gain_db)):
            less = replace(chain, bands=tuple(each for each in chain.bands if each is not band), total=math.inf)
            less = _settled(levels, refined(levels, less), sides)
            seen_db = float(np.max(np.abs(band.level_db(levels.frequency_hz))))
            if seen_db < LEAST_BAND_DB or less.score < chain.score:
                chain, again = less, True
                break
    return chain
