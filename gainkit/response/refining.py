"""The figures of a chain, fitted anew together: gain, corners, and the bands' centres, gains and qualities."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.response.boosts import BoostBand
from gainkit.response.chain_model import Chain, FilterSide, Levels, PlacedShape
from gainkit.response.filters import Shape
from gainkit.response.fitting import SumPart, fit_sum, slopes
from gainkit.response.model import BoostKind

Floats = NDArray[np.float64]

NARROWEST = 12.0
"""So many bands, and of no higher quality than equalisers have [-]."""


FARTHEST = 10.0
"""A corner lies so far outside the points at most: there it takes off 0.04 dB at their end [-]."""

ROUNDS, SETTLED = 30, 1e-6


ROUGH_ROUNDS, ROUGHLY_SETTLED = 10, 1e-3
"""How long figures are refined: to the end, and to see which shape or band is worth it [-]."""


Free = Literal["all", "roughly all", "filters", "last band"]


def refined(levels: Levels, chain: Chain, free: Free = "all") -> Chain:
    """The same chain with its figures at their best, or only with those that are free, and the gain. Figures of
    "roughly all" are good enough to tell which chain is worth it."""
    low, high = float(levels.frequency_hz[0]), float(levels.frequency_hz[-1])
    bent = chain.bent(levels.frequency_hz)
    kept = {"all": 0, "roughly all": 0, "filters": len(chain.bands), "last band": len(chain.bands) - 1}[free]
    filters_free = free != "last band"
    fixed = replace(chain, gain_db=0.0, bands=chain.bands[:kept])
    if filters_free:
        fixed = replace(fixed, highpass=None, lowpass=None)
    ones = np.ones(len(bent))
    parts = [SumPart(lambda gain: gain * ones, (chain.gain_db,), (-60.0,), (60.0,))]
    sides: list[FilterSide] = ["highpass", "lowpass"] if filters_free else []
    for side in sides:
        placed = getattr(chain, side)
        if placed is not None:
            curve = _filter_curve(chain, placed.shape, side, bent)
            limits = (math.log(low / FARTHEST),), (math.log(high * FARTHEST),)
            parts.append(SumPart(curve, (math.log(placed.corner_hz),), *limits))
    for band in chain.bands[kept:]:
        beyond = 1.05 if band.kind == "peak" else 1.5
        narrow = math.log(NARROWEST) if band.kind == "peak" else math.log(1.5)
        start = (math.log(band.centre_hz), band.gain_db, math.log(band.quality))
        least = (math.log(low / beyond), -30.0, math.log(0.15))
        most = (math.log(high * beyond), 30.0, narrow)
        parts.append(SumPart(_band_curve(chain, band.kind, bent), start, least, most))
    wanted = levels.level_db - fixed.level_db(levels.frequency_hz)
    rounds, settled = (ROUNDS, SETTLED) if free == "all" else (ROUGH_ROUNDS, ROUGHLY_SETTLED)
    parts_fitted, total = fit_sum(wanted, 1.0 / levels.spread_db, parts, rounds, settled)
    figures = iter(parts_fitted)
    moved: dict[str, object] = {"gain_db": next(figures)[0], "total": total}
    for side in sides:
        placed = getattr(chain, side)
        if placed is not None:
            moved[side] = PlacedShape(placed.shape, math.exp(next(figures)[0]))
    bands = [
        BoostBand(band.kind, math.exp(each[0]), each[1], math.exp(each[2]))
        for band, each in zip(chain.bands[kept:], figures, strict=True)
    ]
    return replace(chain, bands=(*chain.bands[:kept], *bands), **moved)  # type: ignore[arg-type]


def deviations(levels: Levels, chain: Chain) -> tuple[list[float], list[float]]:
    """Standard deviations of a chain's figures, all free together: of the bands' gains [dB], and of corners and
    centres [octaves]; from the curvature at its best."""
    bent = chain.bent(levels.frequency_hz)
    ones = np.ones(len(bent))
    curves: list[tuple[Callable[..., Floats], tuple[float, ...]]] = [
        (lambda gain: gain * ones, (chain.gain_db,))
    ]
    sides: tuple[FilterSide, ...] = ("highpass", "lowpass")
    for side in sides:
        placed = getattr(chain, side)
        if placed is not None:
            curves.append((_filter_curve(chain, placed.shape, side, bent), (math.log(placed.corner_hz),)))
    for band in chain.bands:
        figures = (math.log(band.centre_hz), band.gain_db, math.log(band.quality))
        curves.append((_band_curve(chain, band.kind, bent), figures))
    parts = [SumPart(curve, figures, figures, figures) for curve, figures in curves]
    moved = slopes(parts, [list(each) for _, each in curves], [curve(*each) for curve, each in curves])
    scaled = np.array(moved) / levels.spread_db
    squares = np.diag(np.linalg.pinv(scaled @ scaled.T, rcond=1e-14, hermitian=True))
    deviation = np.sqrt(np.maximum(squares, 0.0)).tolist()
    first_band = len(deviation) - 3 * len(chain.bands)
    places = [*deviation[1:first_band], *deviation[first_band::3]]
    return deviation[first_band + 1 :: 3], [each / math.log(2.0) for each in places]


def _filter_curve(chain: Chain, shape: Shape, side: FilterSide, bent: Floats) -> Callable[..., Floats]:
    """Level of a filter at the points by the logarithm of its corner."""

    def curve(log_corner: float) -> Floats:
        corner = chain.bent_one(math.exp(log_corner))
        return shape.lowpass_db(corner / bent if side == "highpass" else bent / corner)

    return curve


def _band_curve(chain: Chain, kind: BoostKind, bent: Floats) -> Callable[..., Floats]:
    """Level of a band at the points by the logarithm of its centre, its gain [dB] and its quality's
    logarithm."""

    def curve(log_centre: float, gain_db: float, log_quality: float) -> Floats:
        centre_hz = chain.bent_one(math.exp(log_centre))
        return BoostBand(kind, centre_hz, gain_db, math.exp(log_quality)).level_db(bent)

    return curve
