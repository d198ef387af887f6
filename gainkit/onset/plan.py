"""What was played: the levels of a staircase or a glide and when each of them sounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.calculator.ranges import LEVEL_DBFS, Range, refuse_outside
from gainkit.errors import GainkitError

STEP_DB = Range("dB", 0, 120)
TRACK_SECONDS = Range("s", 0, 100_000)

LEAST_STEPS, MOST_STEPS = 3, 2000
"""Steps of a staircase: with fewer nothing can be compared, and more are a slip of the keyboard [-]."""

STEP_MISFIT = 1e-6
"""Steps lead from one end to the other when they do so within this share of a step: rounding [-]."""


@dataclass(frozen=True)
class LevelRamp:
    """A part of the tone: from its level to its level at the end [dBFS], on the track's own clock [s].

    A step of a staircase ends at the level it began with; a glide is one stretch that does not.
    """

    level_dbfs: float
    stop_level_dbfs: float
    start_seconds: float
    stop_seconds: float

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.stop_seconds - self.start_seconds

    @property
    def still(self) -> bool:
        """True where the level stays as it is."""
        return self.level_dbfs == self.stop_level_dbfs

    def level_at(self, seconds: float) -> float:
        """Level at a time on the track's clock [dBFS]."""
        share = (seconds - self.start_seconds) / self.seconds
        return self.level_dbfs + share * (self.stop_level_dbfs - self.level_dbfs)


@dataclass(frozen=True)
class Pattern:
    """A marker: bursts of the tone that tell where in the track a recording stands.

    start_seconds : on the track's clock [s]. shape : (points,) its envelope, 0 to 1, point_seconds apart [s].
    """

    start_seconds: float
    point_seconds: float
    shape: NDArray[np.float64] = field(repr=False, compare=False)


@dataclass(frozen=True)
class LevelPlan:
    """The stretches in order, the tone [Hz] where it is known, the markers where there are any.

    Made by `staircase`, `glide` or `from_index`.
    """

    stretches: tuple[LevelRamp, ...]
    frequency_hz: float | None = None
    markers: tuple[Pattern, ...] = ()

    @property
    def glide(self) -> bool:
        """True for one continuous ramp."""
        return len(self.stretches) == 1

    @property
    def levels_dbfs(self) -> tuple[float, ...]:
        """Every level at which a stretch begins or ends [dBFS]."""
        return tuple(level for s in self.stretches for level in (s.level_dbfs, s.stop_level_dbfs))

    @property
    def kind(self) -> Literal["staircase", "glide"]:
        """What such a track is called."""
        return "glide" if self.glide else "staircase"


@dataclass(frozen=True)
class Alignment:
    """Recording time = start_seconds + clock x track time.

    clock : recorded seconds per true second [-], 1 + ppm / 10^6. clock_deviation : its standard deviation where
    it was fitted to the edges [-], None where it was assumed.
    """

    start_seconds: float
    clock: float = 1.0
    clock_deviation: float | None = None

    def recorded(self, track_seconds: float) -> float:
        """Recording time of a time on the track [s]."""
        return self.start_seconds + self.clock * track_seconds


def staircase(
    from_dbfs: float = -20.0,
    to_dbfs: float = 0.0,
    step_db: float = 1.0,
    dwell_seconds: float = 1.0,
    *,
    frequency_hz: float | None = None,
) -> LevelPlan:
    """The plan of a staircase: steps of equal length that follow each other without a gap.

    Parameters
    ----------
    from_dbfs, to_dbfs : level of the first and of the last step [dBFS], -120 to 0; a staircase may fall.
    step_db : from one step to the next [dB], above 0; 3 to 2000 steps that lead from end to end.
    dwell_seconds : length of a step [s], above 0.
    frequency_hz : the tone's [Hz], None where it is not known.

    Raises
    ------
    GainkitError
        For figures out of range (`outside_range`) or that make no staircase (`levels_equal`, `step_count`,
        `steps_do_not_fit`).

    Examples
    --------
    >>> from gainkit.onset import staircase
    >>> plan = staircase(-20, 0, step_db=2, dwell_seconds=0.5)
    >>> len(plan.stretches), plan.stretches[1].level_dbfs, plan.stretches[-1].stop_seconds
    (11, -18, 5.5)
    """
    _refuse_levels(from_dbfs, to_dbfs)
    refuse_outside("step_db", step_db, STEP_DB)
    refuse_outside("dwell_seconds", dwell_seconds, TRACK_SECONDS)
    given = {"from_dbfs": from_dbfs, "to_dbfs": to_dbfs, "step_db": step_db}
    span_db = abs(to_dbfs - from_dbfs)
    count = round(span_db / step_db)
    if not LEAST_STEPS - 1 <= count <= MOST_STEPS:
        raise GainkitError("step_count", "step_db", step_db, steps=count + 1, most=MOST_STEPS, **given)
    if abs(count * step_db - span_db) > STEP_MISFIT * step_db:
        raise GainkitError("steps_do_not_fit", "step_db", step_db, **given)
    sign = 1 if to_dbfs > from_dbfs else -1
    levels = [from_dbfs + sign * step_db * index for index in range(count + 1)]
    return LevelPlan(
        tuple(
            LevelRamp(level, level, index * dwell_seconds, (index + 1) * dwell_seconds)
            for index, level in enumerate(levels)
        ),
        frequency_hz,
    )


def glide(
    from_dbfs: float = -20.0,
    to_dbfs: float = 0.0,
    glide_seconds: float = 20.0,
    *,
    frequency_hz: float | None = None,
) -> LevelPlan:
    """The plan of a glide: one ramp, even in dB.

    Parameters
    ----------
    from_dbfs, to_dbfs : level at its start and at its end [dBFS], -120 to 0; a glide may fall.
    glide_seconds : its length [s], above 0.
    frequency_hz : the tone's [Hz], None where it is not known.

    Raises
    ------
    GainkitError
        For figures out of range (`outside_range`), or no change of level (`levels_equal`).

    Examples
    --------
    >>> from gainkit.onset import glide
    >>> glide(-20, 0, glide_seconds=10).stretches[0].level_at(5)
    -10.0
    """
    _refuse_levels(from_dbfs, to_dbfs)
    refuse_outside("glide_seconds", glide_seconds, TRACK_SECONDS)
    return LevelPlan((LevelRamp(from_dbfs, to_dbfs, 0.0, glide_seconds),), frequency_hz)


def _refuse_levels(from_dbfs: float, to_dbfs: float) -> None:
    refuse_outside("from_dbfs", from_dbfs, LEVEL_DBFS)
    refuse_outside("to_dbfs", to_dbfs, LEVEL_DBFS)
    if from_dbfs == to_dbfs:
        raise GainkitError("levels_equal", "to_dbfs", to_dbfs)
