"""Whether a curve that bends comes to a rail: square and cube laws reach the limit without one."""

from __future__ import annotations

from collections.abc import Sequence

from gainkit.analysis.rails import RailFit
from gainkit.levels import db_from_ratio
from gainkit.onset.steps import StepFit

SAME_RAIL_DB = 3.0
"""The foot of a knee and a louder step that holds at its rail are of one stage when their rails lie this near
[dB]: the foot tells its rail to 1.6 dB in a noise of -55 dB (tried), a cube law's lies 5 dB and more beyond."""


def nearer_rail(rails: RailFit) -> float:
    """The rail that the wave meets first, from the sine's own centre [V peak]."""
    return float(min(rails.rail_volts(0), rails.rail_volts(1)))


def first_rail(usable: Sequence[StepFit]) -> StepFit | None:
    """The softest step that comes to a rail; usable : judged, by rising level."""
    return next((fit for fit in usable if fit.rail_met), None)


def by_bend(fit: StepFit, usable: Sequence[StepFit]) -> bool:
    """Whether a step that is over the limit is so by a bend alone: it comes to no rail, and is no foot of the
    knee of one that a louder step comes to."""
    if fit.rail_met:
        return False
    if fit.rails is None or fit.state != "clipped":
        return True
    met = first_rail([each for each in usable if each.level_dbfs > fit.level_dbfs])
    if met is None or met.rails is None:
        return True
    return abs(db_from_ratio(nearer_rail(fit.rails) / nearer_rail(met.rails))) > SAME_RAIL_DB
