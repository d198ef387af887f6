"""The level at which THD reaches its limit, from steps that lie on both sides of it.

THD is no straight line in any scale: at a hard rail it springs from the floor to percents within a fraction
of a decibel. So the wave of the fitted rails is followed down from a step beyond the limit, which is exact for
a rail of the fitted shape; where the step before it shows a knee of its own, the two are joined in the log
domain: what the model misses at either step [log THD] is interpolated between them. How far the level falls
while the overdrive falls is a matter of the supply: `sag`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from gainkit.analysis.rails import RailFit, harmonics_of
from gainkit.levels import ratio_from_db
from gainkit.onset import sag
from gainkit.onset.steps import StepFit
from gainkit.onset.throughout import rail_met, source_of

FARTHEST_DB = 30.0
"""The rails are followed down no farther than this below a step [dB]."""

MARCH_DB = 0.1
ROOT_DB = 1e-7
"""The crossing is looked for in such strides and then narrowed to such a width [dB]."""

MOST_CHANGE_DB = 2.0
"""Distortion of another kind misleads the fit of the rails by no more [dB]."""

LEAST_ABOVE_FLOOR = 3.0
LEAST_OF_LIMIT = 0.2
"""A step below the limit has its say when its THD is this far above its floor [-] and above this share of the
limit [-]: below, it shows the knee's foot, of which the limit says nothing."""

LEAST_THD_PERCENT = 1e-9
"""Stands for no distortion in a logarithm [%]."""

LEAST_FUNDAMENTAL = 1e-12
"""A model that gives less of a unit sine gives nothing: a dead zone swallowed it [-]."""

LEAST_MODEL_PERCENT = 1e-12
"""... and for what a model that does not meet its rail says [%]."""


@dataclass(frozen=True)
class Crossing:
    """Where THD meets the limit.

    level_dbfs, rms_volts : of the tone there. at : the step it was followed from. rail_up_db : by how much the
    rail stands higher there than at that step [dB]. extrapolated : no step lies below the limit. by_shape :
    along fitted rails, else along a straight line. at_rail : softer steps are over the limit by distortion of
    another kind, and this is where the rail is first met. filtered : a filter behind the rail takes its
    harmonics; the level alone tells it. rail_volts : there, where it is not the step's own [V peak].
    """

    level_dbfs: float
    rms_volts: float
    at: StepFit
    rail_up_db: float = 0.0
    extrapolated: bool = False
    by_shape: bool = True
    at_rail: bool = False
    filtered: bool = False
    rail_volts: float | None = None


def find_crossing(steps: Sequence[StepFit], limit_thd_percent: float) -> Crossing | None:
    """Where THD reaches the limit; steps : judged, by rising level. None when it does not."""
    if first_beyond(steps, limit_thd_percent) is None:
        return None
    met = rail_met(steps, limit_thd_percent)
    if met is not None:
        return Crossing(met.level_dbfs, met.rms_volts, met.at, at_rail=True, rail_volts=met.rail_volts)
    return crossing_by_thd(steps, limit_thd_percent)


def crossing_by_thd(steps: Sequence[StepFit], limit_thd_percent: float) -> Crossing | None:
    """The same of a tone that is clean when it reaches the amplifier."""
    place = first_beyond(steps, limit_thd_percent)
    if place is None:
        return None
    if source_of(steps, limit_thd_percent) is not None:
        return None
    beyond = steps[place]
    before = steps[place - 1] if place > 0 and steps[place - 1].thd_percent < limit_thd_percent else None
    if beyond.state == "clipped" and beyond.rails is not None:
        if place > 0 and before is None:
            return _first_met(steps[:place], beyond, beyond.rails, limit_thd_percent)
        return _along_rails(beyond, beyond.rails, before, steps, limit_thd_percent)
    return None if before is None else _by_logarithm(before, beyond, limit_thd_percent)


def first_beyond(steps: Sequence[StepFit], limit_thd_percent: float) -> int | None:
    """Index of the first step of the final run at or above the limit; steps : judged, by rising level.

    A run that begins with distortion of another kind (a dead zone, noise at low level) is entered at its first
    step that shows a rail. None when the loudest step is below the limit.
    """
    first = len(steps)
    while first > 0 and steps[first - 1].thd_percent >= limit_thd_percent:
        first -= 1
    if first == len(steps):
        return None
    shown = [index for index in range(first, len(steps)) if steps[index].state == "clipped"]
    if shown and first == 0:
        return shown[0]
    return first


def model_thd(rails: RailFit, change_db: float, orders: int) -> float:
    """THD of the fitted rails after a change of level [%], orders 2..K."""
    up, down = rails.overdrive_db
    series = harmonics_of(up + change_db, down + change_db, rails.knee.after(change_db), orders)
    if not abs(series[1]) > LEAST_FUNDAMENTAL:
        return 0.0
    return 100 * float(np.linalg.norm(series[2:]) / abs(series[1]))


def _along_rails(
    beyond: StepFit,
    rails: RailFit,
    before: StepFit | None,
    steps: Sequence[StepFit],
    limit_thd_percent: float,
) -> Crossing | None:
    """Follow the fitted rails down from a step beyond the limit, in overdrive, then tell the level from it."""
    gap_db = beyond.level_dbfs - before.level_dbfs if before is not None else math.inf
    between_db = sag.overdrive_between(before, beyond)
    fall_db = between_db or gap_db
    misses = _misses(beyond, rails, before, fall_db, limit_thd_percent)
    less_db = _root(_excess(beyond, rails, misses, fall_db, limit_thd_percent), FARTHEST_DB)
    if less_db is None:
        return None
    if fall_db == gap_db:
        fall = sag.fall_on_supply(beyond, rails, less_db, sag.slope_db_per_square_volt(beyond, rails, steps))
    else:
        fall = sag.fall_between(beyond, rails, less_db, gap_db / fall_db)
    level = beyond.level_dbfs - min(fall.level_db, gap_db)
    return Crossing(level, fall.rms_volts, beyond, less_db - fall.level_db, before is None)


def _first_met(
    softer: Sequence[StepFit], beyond: StepFit, rails: RailFit, limit_thd_percent: float
) -> Crossing | None:
    """Where the sine reaches the rail, or a soft knee alone would make the limit: THD itself tells nothing
    where softer steps are over the limit by distortion of another kind.

    That kind misleads the fit of the rails too. How far the fundamental stays behind the softer steps' gain
    does not hang on it, and tells the overdrive.
    """
    gain = float(np.median([step.fundamental_volts / ratio_from_db(step.level_dbfs) for step in softer]))
    if rails.knee.zone:  # the fit itself holds dead zone and rail apart
        deep = max(rails.overdrive_db)
        volts = sag.rms_of(beyond) * rails.rms_at(-deep) / rails.rms_at(0.0)
        return Crossing(beyond.level_dbfs - deep, volts, beyond, at_rail=True)
    held = beyond.fundamental_volts / (gain * ratio_from_db(beyond.level_dbfs))
    change_db = _overdrive_change(rails, held)
    if change_db is None:
        return None
    less_db: float | None = max(rails.overdrive_db) + change_db
    if not rails.hard:
        bare = _Misses(0.0, 0.0)
        less_db = _root(_excess(beyond, rails, bare, math.inf, limit_thd_percent), FARTHEST_DB)
    if less_db is None:
        return None
    volts = sag.rms_of(beyond) * rails.rms_at(-less_db) / rails.rms_at(0.0)
    return Crossing(beyond.level_dbfs - less_db, volts, beyond, at_rail=True)


def _overdrive_change(rails: RailFit, held: float) -> float | None:
    """What the fitted overdrive lacks for the fundamental to be held to such a share of its sine [dB]; None
    where a rail within a few decibels does not."""
    up, down = rails.overdrive_db
    changes = np.arange(-MOST_CHANGE_DB, MOST_CHANGE_DB + MARCH_DB, MARCH_DB)
    shares = np.array([abs(harmonics_of(up + c, down + c, rails.knee, 1)[1]) for c in changes])
    if not shares[-1] < held < shares[0]:
        return None
    return float(np.interp(-held, -shares, changes))


@dataclass(frozen=True)
class _Misses:
    """Measured over modelled THD [log]: at the step beyond the limit, and at the one before it."""

    beyond: float
    before: float

    def at(self, share: float) -> float:
        """Between the two; share : 0 at the step beyond."""
        return self.beyond + share * (self.before - self.beyond)


def _misses(
    beyond: StepFit, rails: RailFit, before: StepFit | None, fall_db: float, limit_thd_percent: float
) -> _Misses:
    """What the model misses; the step before has its say only where it shows the knee itself."""
    here = math.log(beyond.thd_percent / max(model_thd(rails, 0.0, beyond.orders), LEAST_MODEL_PERCENT))
    if before is None or not _shows_knee(before, limit_thd_percent):
        return _Misses(here, here)
    model = model_thd(rails, -fall_db, beyond.orders)
    if not model > LEAST_OF_LIMIT * limit_thd_percent:
        return _Misses(here, here)
    without_noise = math.sqrt(max(before.thd_percent**2 - before.thd_floor_percent**2, 0.0))
    return _Misses(here, math.log(without_noise / model))


def _shows_knee(before: StepFit, limit_thd_percent: float) -> bool:
    return (
        before.thd_percent > LEAST_ABOVE_FLOOR * before.thd_floor_percent
        and before.thd_percent > LEAST_OF_LIMIT * limit_thd_percent
    )


def _excess(
    beyond: StepFit, rails: RailFit, misses: _Misses, fall_db: float, limit_thd_percent: float
) -> Callable[[float], float]:
    """THD over the limit [log], as a function of the overdrive that is taken off [dB]."""
    target = math.log(limit_thd_percent)

    def excess(less_db: float) -> float:
        share = min(less_db / fall_db, 1.0) if fall_db < math.inf else 0.0
        model = max(model_thd(rails, -less_db, beyond.orders), LEAST_MODEL_PERCENT)
        return math.log(model) + misses.at(share) - target

    return excess


def _by_logarithm(before: StepFit, beyond: StepFit, limit_thd_percent: float) -> Crossing:
    """Straight line in log THD against level: for distortion of a shape that is no rail's."""
    low, high = math.log(max(before.thd_percent, LEAST_THD_PERCENT)), math.log(beyond.thd_percent)
    share = (math.log(limit_thd_percent) - low) / (high - low)
    return Crossing(
        level_dbfs=before.level_dbfs + share * (beyond.level_dbfs - before.level_dbfs),
        rms_volts=sag.rms_of(before) ** (1 - share) * sag.rms_of(beyond) ** share,
        at=beyond,
        by_shape=False,
    )


def _root(falling: Callable[[float], float], deepest: float) -> float | None:
    """Where a function that is positive at 0 first becomes zero on 0..deepest; None if it does not.

    March, then bisection: with a dead zone THD rises again further down.
    """
    if falling(0.0) <= 0:
        return 0.0
    high = 0.0
    while falling(high) > 0:
        if high >= deepest:
            return None
        low, high = high, high + MARCH_DB
    while high - low > ROOT_DB:
        middle = (low + high) / 2
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return (low + high) / 2
