"""What stands in a chain, by fit to its level over frequency: filters on both sides, and equaliser bands.

Filters are tried in all families and orders; bands are added one by one where most is left over, everything
being fitted anew each time, as long as they explain more than they cost. Digital filters are bent towards half
their sample rate (bilinear transform: f becomes tan(pi f / rate)); where the plain shapes leave something over
the usual rates are tried too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.response.boosts import Band
from gainkit.response.filters import SHAPES, Shape
from gainkit.response.fitting import least_squares
from gainkit.response.model import BoostKind

Floats = NDArray[np.float64]
FilterSide = Literal["highpass", "lowpass"]

FALL_DB = 2.5
"""An end of the band must lie so far under the passband for a filter to be looked for [dB]: its corner (3 dB)
then lies in the band or next to it."""

SURE_FALL_DB = 18.0
"""From here on it is a filter in any case; less may be a shelf as well [dB]."""

COST = 12.0
"""What a parameter costs [squared standard deviations]: three parameters of a band are worth six deviations."""

LEAST_BAND_DB = 0.4
LEAST_LEFT_DB = 0.15
LEAST_LEFT_SPREADS = 4.0
"""A smaller band is not told [dB]; so much must be left over for another one to be looked for [dB], and so many
standard deviations [-]."""

MOST_BANDS = 8
RATES_HZ = (44_100.0, 48_000.0, 96_000.0)
WELL_FITTED_DB = 0.03
"""Rms left over that needs no digital filter to explain it [dB]."""


@dataclass(frozen=True)
class Levels:
    """What is fitted, (points,) each: frequency [Hz], level re the passband [dB], standard deviation [dB]."""

    frequency_hz: Floats
    level_db: Floats
    spread_db: Floats


@dataclass(frozen=True)
class Placed:
    """A filter shape and its corner [Hz]."""

    shape: Shape
    corner_hz: float


@dataclass(frozen=True)
class Chain:
    """What was found. rate_hz : of the digital filters, None for analogue ones. score : sum of squares over the
    spread, parameters' cost included. misfit_db : rms left over."""

    gain_db: float = 0.0
    highpass: Placed | None = None
    lowpass: Placed | None = None
    bands: tuple[Band, ...] = ()
    rate_hz: float | None = None
    total: float = field(default=math.inf, compare=False)

    @property
    def score(self) -> float:
        """Sum of squares and what the parameters cost [squared standard deviations]."""
        filters = (self.highpass is not None) + (self.lowpass is not None)
        return self.total + COST * (2 * filters + 3 * len(self.bands))

    def level_db(self, frequency_hz: Floats) -> Floats:
        """Level of all of it [dB], any shape."""
        bent = self._bent(frequency_hz)
        level = np.full(np.shape(frequency_hz), self.gain_db)
        if self.highpass is not None:
            level += self.highpass.shape.lowpass_db(self._bent(np.array(self.highpass.corner_hz)) / bent)
        if self.lowpass is not None:
            level += self.lowpass.shape.lowpass_db(bent / self._bent(np.array(self.lowpass.corner_hz)))
        for band in self.bands:
            centre = float(self._bent(np.array(band.centre_hz)))
            level += replace(band, centre_hz=centre).level_db(bent)
        return level

    def _bent(self, frequency_hz: Floats) -> Floats:
        if self.rate_hz is None:
            return frequency_hz
        return np.asarray(np.tan(math.pi * np.minimum(frequency_hz / self.rate_hz, 0.499)))


def fit_chain(levels: Levels, low_fall_db: float, high_fall_db: float) -> Chain:
    """The chain that explains the levels best. low_fall_db, high_fall_db : how far each end of the band lies
    under the passband [dB]."""
    best = Chain()
    for high_passed in _choices(low_fall_db):
        for low_passed in _choices(high_fall_db):
            sides: list[FilterSide] = []
            if high_passed:
                sides.append("highpass")
            if low_passed:
                sides.append("lowpass")
            found = _searched(levels, sides)
            best = found if found.score < best.score else best
    return best


def _choices(fall_db: float) -> tuple[bool, ...]:
    if fall_db < FALL_DB:
        return (False,)
    return (True,) if fall_db > SURE_FALL_DB else (True, False)


def misfit_db(levels: Levels, chain: Chain) -> float:
    """Rms of what is left over, weighted as in the fit [dB]."""
    left = levels.level_db - chain.level_db(levels.frequency_hz)
    weight = levels.spread_db**-2
    return math.sqrt(float(np.sum(weight * left**2) / np.sum(weight)))


def _searched(levels: Levels, sides: list[FilterSide]) -> Chain:
    """Filters on the sides named, analogue or of a usual rate, then bands, as many as pay."""
    chain = _filters_only(levels, Chain(), sides)
    if misfit_db(levels, chain) > WELL_FITTED_DB:
        plain = [_filters_only(levels, Chain(rate_hz=rate), sides) for rate in _rates(levels)]
        chain = min([chain, *plain], key=lambda each: each.total)
    while len(chain.bands) < MOST_BANDS and _left_over(levels, chain):
        tried = min((_refined(levels, each) for each in _with_band(levels, chain)), key=lambda each: each.score)
        tried = _settled(levels, tried, sides)
        if tried.score >= chain.score:
            break
        chain = tried
    if chain.bands:
        others = [_refined(levels, replace(chain, rate_hz=rate)) for rate in (None, *_rates(levels))]
        chain = _settled(levels, min([chain, *others], key=lambda each: each.total), sides)
    return _pruned(levels, chain)


def _rates(levels: Levels) -> list[float]:
    return [rate for rate in RATES_HZ if rate > 2.0 * float(levels.frequency_hz[-1])]


def _filters_only(levels: Levels, chain: Chain, sides: list[FilterSide]) -> Chain:
    for side in sides:
        chain = _best_shape(levels, chain, side, _corner_guess(levels, side))
    return _settled(levels, _refined(levels, chain), sides)


def _settled(levels: Levels, chain: Chain, sides: list[FilterSide]) -> Chain:
    """Every other shape tried on each side with all else in place, until nothing gets better."""
    for _ in range(3 if len(sides) > 1 or chain.bands else 0):
        before = chain.total
        for side in sides:
            filter_ = getattr(chain, side)
            chain = _best_shape(levels, chain, side, filter_.corner_hz)
        if chain.total >= before * (1.0 - 1e-6):
            break
    return chain


def _best_shape(levels: Levels, chain: Chain, side: FilterSide, corner_hz: float) -> Chain:
    tried = [
        _refined(levels, replace(chain, **{side: Placed(shape, corner_hz * factor)}))
        for shape in SHAPES
        for factor in ((1.0,) if shape.family != "linkwitz-riley" else (0.8 if side == "highpass" else 1.25,))
    ]
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
    return replace(chain, bands=(*chain.bands, Band(kind, centre_hz, gain_db, quality)), total=math.inf)


def _pruned(levels: Levels, chain: Chain) -> Chain:
    """Without the bands that are too small, or that the rest explains as well."""
    again = True
    while again and chain.bands:
        again = False
        for band in sorted(chain.bands, key=lambda each: abs(each.gain_db)):
            less = replace(chain, bands=tuple(each for each in chain.bands if each is not band))
            less = _refined(levels, less)
            if abs(band.gain_db) < LEAST_BAND_DB or less.score < chain.score:
                chain, again = less, True
                break
    return chain


def _refined(levels: Levels, chain: Chain) -> Chain:
    """The same chain with all its figures at their best."""
    low, high = float(levels.frequency_hz[0]), float(levels.frequency_hz[-1])
    reach = (math.log(low / 4.0), math.log(high * 4.0))
    start, bounds = [chain.gain_db], [(-60.0, 60.0)]
    for placed in (chain.highpass, chain.lowpass):
        if placed is not None:
            start.append(math.log(placed.corner_hz))
            bounds.append(reach)
    for band in chain.bands:
        start += [math.log(band.centre_hz), band.gain_db, math.log(band.quality)]
        narrow = math.log(20.0) if band.kind == "peak" else math.log(1.5)
        beyond = 1.05 if band.kind == "peak" else 1.5
        bounds += [(math.log(low / beyond), math.log(high * beyond)), (-30.0, 30.0), (math.log(0.15), narrow)]

    def built(figures: Floats) -> Chain:
        at = iter(float(each) for each in figures)
        gain = next(at)
        filters = [
            None if each is None else Placed(each.shape, math.exp(next(at)))
            for each in (chain.highpass, chain.lowpass)
        ]
        bands = tuple(
            Band(each.kind, math.exp(next(at)), next(at), math.exp(next(at))) for each in chain.bands
        )
        return Chain(gain, filters[0], filters[1], bands, chain.rate_hz)

    def residual(figures: Floats) -> Floats:
        model = built(figures).level_db(levels.frequency_hz)
        return np.asarray((levels.level_db - model) / levels.spread_db)

    lows, highs = (np.array(each) for each in zip(*bounds, strict=True))
    figures, total = least_squares(residual, np.array(start), lows, highs)
    return replace(built(figures), total=total)
