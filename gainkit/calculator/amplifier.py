"""What an amplifier channel can deliver: ratings, supply, bridging, a radio's built-in stage.

Volts are rms of a sine, watts are continuous, loads are taken as resistances of the nominal value.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

from gainkit.calculator.clipped import onset_share
from gainkit.calculator.ranges import OHMS, WATTS, refuse_faults, within
from gainkit.levels import SINE_CREST, FloatOrArray

PLATE_SLACK = 1.005
"""Ratings contradict each other only beyond this [-]: plates are rounded to whole watts (our choice)."""

CLEAN_THD_PERCENT = 1.0
"""A rating at this distortion or less is taken as it stands [%]: the onset of clipping lies 0.20 dB below a
rating at 1 %, less than a gain control is set to (our choice)."""


@dataclass(frozen=True)
class Rating:
    """One line of an amplifier's plate.

    Parameters
    ----------
    watts : float
        Continuous sine power of one channel [W], above 0 and at most 100000.
    ohms : float
        The load that it holds for [ohm], above 0 and at most 1000.

    Raises
    ------
    GainkitError
        `outside_range` for a figure that no plate bears.

    Examples
    --------
    >>> plate = Rating(watts=75, ohms=4)
    >>> round(plate.volts, 2), round(plate.amperes, 2)
    (17.32, 4.33)
    """

    watts: float = within(WATTS)
    ohms: float = within(OHMS)

    def __post_init__(self) -> None:
        refuse_faults(self)

    @property
    def volts(self) -> float:
        """Rms volts that the rating proves: sqrt(P R) [V]."""
        return math.sqrt(self.watts * self.ohms)

    @property
    def amperes(self) -> float:
        """Rms amperes that the rating proves: sqrt(P / R) [A]."""
        return math.sqrt(self.watts / self.ohms)


def clip_volts_at_load(ratings: Sequence[Rating], load_ohms: FloatOrArray) -> FloatOrArray:
    """Rms sine volts at the onset of clipping into any load, from one rating or several [V].

    A rating at R proves U = sqrt(P R) as a voltage limit for loads of R and above, and I = sqrt(P / R) as
    a current limit for loads of R and below. Between two ratings the lower of the two limits rules:
    U(R) = min(U_above, I_below R). Above the highest rated load the voltage limit holds. Below the lowest
    the current limit holds, but only when several ratings tell that there is one: a single rating says
    nothing of it, so its sqrt(P R) is taken as it stands (see the caution that then goes with it).

    ratings : at least one, loads all different. load_ohms : any shape [ohm]; returns the same shape.
    Source: Ohm's and Joule's laws; that the two limits form a rectangle is the ideal amplifier, and
    `clip_volts_with_sag` gives the other bound.
    """
    if not isinstance(load_ohms, (int, float)):
        import numpy as np

        loads = np.asarray(load_ohms, dtype=float)
        each = [_clip_volts(ratings, float(load)) for load in loads.ravel()]
        return cast(FloatOrArray, np.array(each).reshape(loads.shape))
    return _clip_volts(ratings, load_ohms)


def _clip_volts(ratings: Sequence[Rating], load_ohms: float) -> float:
    """One load of `clip_volts_at_load`."""
    below, above = neighbours(ratings, load_ohms)
    if above is None:
        assert below is not None
        return below.volts
    if below is None:
        return above.volts if len(ratings) == 1 else above.amperes * load_ohms
    return above.volts if above is below else min(above.volts, below.amperes * load_ohms)


def neighbours(ratings: Sequence[Rating], load_ohms: float) -> tuple[Rating | None, Rating | None]:
    """The ratings next below and next above a load (the same one twice when it is rated exactly)."""
    ordered = sorted(ratings, key=lambda rating: rating.ohms)
    for rating in ordered:
        if math.isclose(rating.ohms, load_ohms, rel_tol=1e-9):
            return rating, rating
    below = [rating for rating in ordered if rating.ohms < load_ohms]
    above = [rating for rating in ordered if rating.ohms > load_ohms]
    return (below[-1] if below else None), (above[0] if above else None)


def clip_volts_with_sag(ratings: Sequence[Rating], load_ohms: float) -> float | None:
    """The cautious bound between two ratings: the supply sags in a straight line from one to the other [V].

    The line U = U0 - I Rs through both ratings, met with U = I R. None where the load is rated exactly or
    lies outside the ratings. Never above `clip_volts_at_load` when the ratings are consistent.
    """
    below, above = neighbours(ratings, load_ohms)
    if below is None or above is None or below is above or below.amperes == above.amperes:
        return None
    sag_ohms = (above.volts - below.volts) / (below.amperes - above.amperes)
    open_volts = above.volts + above.amperes * sag_ohms
    return open_volts * load_ohms / (load_ohms + sag_ohms)


def safe_clip_volts(ratings: Sequence[Rating], load_ohms: float) -> float:
    """The lower of both bounds on the onset of clipping into any load [V rms]: what can be relied upon."""
    most = clip_volts_at_load(ratings, load_ohms)
    cautious = clip_volts_with_sag(ratings, load_ohms)
    return most if cautious is None else min(most, cautious)


def clean_ratings(ratings: Sequence[Rating], thd_percent: float) -> tuple[Rating, ...]:
    """Ratings given at that distortion as they are at the onset of clipping: watts times `onset_share`.

    Up to `CLEAN_THD_PERCENT` they stay as they are. A model, that of hard rails: see `clipped.onset_share`.
    """
    share = onset_share(thd_percent) if thd_percent > CLEAN_THD_PERCENT else 1.0
    return tuple(Rating(rating.watts * share, rating.ohms) for rating in ratings)


def contradictory(ratings: Sequence[Rating]) -> bool:
    """True when a lower load is rated at more volts or a higher one at more amperes: neither can be."""
    ordered = sorted(ratings, key=lambda rating: rating.ohms)
    pairs = itertools.pairwise(ordered)
    return any(
        low.volts > high.volts * PLATE_SLACK or high.amperes > low.amperes * PLATE_SLACK for low, high in pairs
    )


def bridged_ratings(ratings_per_half: Sequence[Rating]) -> tuple[Rating, ...]:
    """Ratings of two equal channels bridged, from the ratings of one.

    The load sees twice the volts and each half sees half the load, so P watts at R ohm per half is 2 P at
    2 R bridged. Source: halves in series, half the load each (encyclopaedia article 'Bridge-tied load',
    section on impedance); circuit checked in the tests.
    """
    return tuple(Rating(2 * rating.watts, 2 * rating.ohms) for rating in ratings_per_half)


def half_load_ohms(load_ohms: FloatOrArray) -> FloatOrArray:
    """Load that each half of a bridged pair sees: R / 2 [ohm]. Source as for `bridged_ratings`."""
    half: FloatOrArray = load_ohms / 2.0
    return half


def supply_scaled(
    clip_volts: FloatOrArray, supply_volts: FloatOrArray, rated_supply_volts: FloatOrArray
) -> FloatOrArray:
    """Clip volts of an unregulated amplifier at another supply: U x supply / rated supply [V].

    The rails of an unregulated converter, and of a stage fed straight from the battery, follow the supply
    in proportion. Derivation: the ideal case; the real one loses a fixed drop besides (measure it).
    """
    scaled: FloatOrArray = clip_volts * supply_volts / rated_supply_volts
    return scaled


def built_in_limit_volts(supply_volts: FloatOrArray, drop_volts: float = 0.0) -> FloatOrArray:
    """Highest rms sine volts of a bridge-tied stage fed straight from the supply [V]: (U - drop) / sqrt(2).

    Each lead swings between 0 and the supply, so the difference peaks at the supply voltage. drop_volts :
    what the output stage keeps for itself, about 2 V in practice (common practice, no source) [V].
    """
    limit: FloatOrArray = (supply_volts - drop_volts) / SINE_CREST
    return limit
