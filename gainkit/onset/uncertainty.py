"""How far off an onset may be: by noise, by the steps' spacing, and by what the fitted rails do not say.

The noise of a step moves its overdrive by what the fit tells. What no noise explains (knees of other shapes,
supplies that give way) shows where the onset is found once more without one of the steps that tell it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from gainkit.analysis.rails import RailFit
from gainkit.levels import db_from_ratio
from gainkit.onset.held import Held
from gainkit.onset.knee import Crossing, crossing_by_thd, model_thd
from gainkit.onset.steps import StepFit

OF_NORMAL = 1.96
"""Standard deviations that hold 95 % of a normal distribution [-]."""

FLOOR_DB = 0.01
"""No onset is told more closely [dB]: levels of tracks and fades are not better known."""

LEFT_OUT_SHARE = 0.2
"""Share of what a step that is left out moves the onset by [-]: its neighbours lie twice as far apart as those
that told it, and what they miss grows faster than that (chosen on ladders with seeds below 14, all of
which it still holds)."""

OF_GAP = 0.125
"""Share of the gap between two steps by which a straight line through a bend's logarithms may be off [-]:
square and cube laws are straight there, others bend by less (our choice)."""

SLOPE_DB = 0.05
"""How steeply THD rises is told over so much on either side of the onset [dB]."""

LEAST_STEEPNESS = math.log(10) / 20
"""No bend's THD grows more slowly than its level [1/dB]."""

UNDER_DISTORTION_DB = 0.3
"""Of a rail that is met by a tone that is distorted already [dB]: where source and rails cannot be found
together, the other distortion misleads the rails by up to so much."""


def onset_uncertainty_db(
    usable: Sequence[StepFit], crossing: Crossing | None, held: Held | None, limit_thd_percent: float
) -> float | None:
    """Half the width of an interval about the onset that holds it in 95 of 100 recordings, or more [dB]; None
    without an onset.

    usable : judged, by rising level.
    """
    if crossing is None:
        return None
    if crossing.filtered:
        return None if held is None else held.within_db
    if crossing.at_rail:
        # what softer steps show may be a coarse quantiser's own
        alone = crossing.rail_volts is None and crossing.at.blur_volts > 0
        blurred = OF_NORMAL * _noise_db(crossing, limit_thd_percent) if alone else 0.0
        return math.hypot(UNDER_DISTORTION_DB, blurred)
    place = usable.index(crossing.at)
    noise_db = OF_NORMAL * _noise_db(crossing, limit_thd_percent)
    spacing_db = 0.0
    if not crossing.by_shape:
        spacing_db = OF_GAP * (crossing.at.level_dbfs - usable[place - 1].level_dbfs)
    gap_db = max((b.level_dbfs - a.level_dbfs for a, b in itertools.pairwise(usable)), default=math.inf)
    moved = [
        min(abs(other.level_dbfs - crossing.level_dbfs), gap_db)
        for index in (place, place - 1)
        if index >= 0 and (other := _without(usable, index, limit_thd_percent)) is not None
    ]
    left_out_db = LEFT_OUT_SHARE * max(moved, default=spacing_db)
    return math.hypot(noise_db, spacing_db, left_out_db, FLOOR_DB)


def _without(usable: Sequence[StepFit], index: int, limit_thd_percent: float) -> Crossing | None:
    """The onset that the other steps tell; None where they tell none."""
    others = [*usable[:index], *usable[index + 1 :]]
    return crossing_by_thd(others, limit_thd_percent) if others else None


def _noise_db(crossing: Crossing, limit_thd_percent: float) -> float:
    """Standard deviation of the onset from the noise, or the quantiser, of the step that tells it [dB]."""
    step = crossing.at
    if crossing.by_shape and step.rails is not None:
        sides = [
            d for d, depth in zip(step.rails.deviation_db, step.rails.overdrive_db, strict=True) if depth > -6
        ]
        told_db = float(max(sides, default=max(step.rails.deviation_db)))
        return math.hypot(told_db, _steps_db(step, step.rails, crossing.level_dbfs, limit_thd_percent))
    return step.thd_floor_percent / max(step.thd_percent, 1e-300) / LEAST_STEEPNESS


def _steps_db(step: StepFit, rails: RailFit, onset_dbfs: float, limit_thd_percent: float) -> float:
    """What a coarse quantiser hides: how high a flat crest stands in its step, and THD at the onset, by how
    steeply it rises there along the rails [dB]."""
    if not step.blur_volts:
        return 0.0
    crest_db = db_from_ratio(1 + step.blur_volts / min(step.crests))
    less_db = step.level_dbfs - onset_dbfs
    low, high = (max(model_thd(rails, -less_db + d, step.orders), 1e-300) for d in (-SLOPE_DB, SLOPE_DB))
    steepness = max((math.log(high) - math.log(low)) / (2 * SLOPE_DB), LEAST_STEEPNESS)
    return math.hypot(crest_db, step.thd_floor_percent / limit_thd_percent / steepness)
