"""How far a tone's level and volts fall while its overdrive falls: rails move with the power drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gainkit.analysis.rails import LIMITS, RailFit
from gainkit.levels import ratio_from_db
from gainkit.onset.steps import StepFit

NEAR_DB = 2.5
"""Steps louder by no more than this tell how the supply sags there: farther off it may differ [dB]."""

LEAST_OF_GAP = 0.5
"""Two steps between which the overdrive moves by a smaller share of their gap are not of one rail [-]."""

SAME_SLOPE = 0.05
"""Rails of two steps are of one stage when what goes on beyond them agrees within this [-]: a soft knee's foot
passes for a rail that gives way, by another share at every step."""

AT_LIMIT = 1e-3
"""A figure within this share of its limit stands at it [-]."""

LEAST_TOLD = 0.03
"""A step tells the sag when its overdrive is known to this share of its rise [-]."""

SETTLING_TURNS = 20
"""The level and the rail depend on each other; they settle quickly, as a rail changes the power that it depends
on by little [-]."""


@dataclass(frozen=True)
class Fall:
    """level_db : by how much the level lies lower [dB]. rms_volts : the output there [V]."""

    level_db: float
    rms_volts: float


def rms_of(step: StepFit) -> float:
    """Its output [V rms]."""
    return step.rms_volts if step.rms_volts is not None else math.nan


def overdrive_between(before: StepFit | None, beyond: StepFit) -> float | None:
    """Difference of overdrive of two steps that both stand at a hard rail [dB]; None for others."""
    if before is None or before.state != "at-onset" or before.rails is None or beyond.rails is None:
        return None
    if not _alike(before.rails, beyond.rails) or _at_its_limit(before.rails) or _at_its_limit(beyond.rails):
        return None
    between = max(beyond.rails.overdrive_db) - max(before.rails.overdrive_db)
    return between if between > LEAST_OF_GAP * (beyond.level_dbfs - before.level_dbfs) else None


def _alike(one: RailFit, other: RailFit) -> bool:
    """Whether two steps were told by the same hard rails with the same behind them: a stage has one slope
    beyond its rail and one filter, while the foot of a soft knee looks like a rail with any of them."""
    same = abs(one.knee.slope - other.knee.slope) < SAME_SLOPE
    return one.hard and other.hard and one.behind == other.behind and same


def _at_its_limit(rails: RailFit) -> bool:
    """Whether a fit's slope beyond the rail stands where the search ends: another shape, and no figure."""
    return rails.knee.slope >= (1 - AT_LIMIT) * LIMITS["slope"][1]


def fall_between(beyond: StepFit, rails: RailFit, less_db: float, ratio: float) -> Fall:
    """Where two steps tell it; less_db : of overdrive. ratio : dB of level per dB of overdrive [-]."""
    held = _at_the_same_rail(beyond, rails, less_db)
    return Fall(less_db * ratio, held * ratio_from_db(less_db * (1 - ratio)))


def fall_on_supply(beyond: StepFit, rails: RailFit, less_db: float, slope: float) -> Fall:
    """Where the louder steps tell how the supply sags; less_db : of overdrive.

    A supply sags with the power drawn from it: the rail in dB is taken as a straight line in the output's mean
    square, slope : dB per square volt.
    """
    rms = rms_of(beyond)
    held = _at_the_same_rail(beyond, rails, less_db)
    recovered = 0.0
    for _ in range(SETTLING_TURNS):
        recovered = slope * (rms**2 - (held * ratio_from_db(recovered)) ** 2)
    return Fall(less_db - recovered, held * ratio_from_db(recovered))


def slope_db_per_square_volt(beyond: StepFit, rails: RailFit, steps: Sequence[StepFit]) -> float:
    """dB by which the rails come down per square volt of output, 0 or more; 0 where it cannot be told."""
    slopes = [slope for step in steps if (slope := _slope_to(step, beyond, rails)) is not None]
    return max(float(np.median(slopes)), 0.0) if slopes else 0.0


def _slope_to(step: StepFit, beyond: StepFit, rails: RailFit) -> float | None:
    """The same told by one louder step; None where it does not tell."""
    rise = step.level_dbfs - beyond.level_dbfs
    if not 0 < rise <= NEAR_DB or step.rails is None or not _alike(step.rails, rails):
        return None
    sunk = max(step.rails.overdrive_db) - max(rails.overdrive_db) - rise
    noise = math.hypot(max(step.rails.deviation_db), max(rails.deviation_db))
    if not (noise < LEAST_TOLD * rise and rms_of(step) > rms_of(beyond)):
        return None
    return sunk / (rms_of(step) ** 2 - rms_of(beyond) ** 2)


def _at_the_same_rail(beyond: StepFit, rails: RailFit, less_db: float) -> float:
    """Output with so much less overdrive if the rail stayed [V rms]."""
    return rms_of(beyond) * rails.rms_at(-less_db) / rails.rms_at(0.0)
