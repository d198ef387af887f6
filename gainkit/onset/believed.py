"""Which rails of single steps hold beside the other steps: no wave passes a rail."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from gainkit.onset.steps import StepFit

PASSED = 1.05
"""A louder step that shows no rail and stands so far beyond a softer one's rail has passed it [-]: supplies
move by some percents, and noise lifts crests."""

AT_RAIL = ("at-onset", "clipped")
"""States of a step that shows a rail."""


def believed(fits: Sequence[StepFit]) -> list[StepFit]:
    """The same steps; one whose rail a louder one passes without showing any is told to show none itself.

    A dead zone, or a curve, may look like a bent rail at a single level; its crests go on to grow.
    """
    return [_without_rail(fit) if _passed(fit, fits) else fit for fit in fits]


def _passed(fit: StepFit, fits: Sequence[StepFit]) -> bool:
    if fit.state not in AT_RAIL or fit.rails is None or fit.rails.behind:
        return False
    if fit.rails.hard and not fit.rails.knee.zone:
        return False  # no curve looks like that: the supply has moved since
    side = 0 if fit.rails.rail_volts(0) <= fit.rails.rail_volts(1) else 1
    passed_volts = PASSED * fit.rails.rail_volts(side)
    return any(
        each.judged
        and each.state == "clean"
        and each.level_dbfs > fit.level_dbfs
        and each.crests[side] > passed_volts
        for each in fits
    )


def _without_rail(fit: StepFit) -> StepFit:
    return replace(fit, state="clean", rails=None)
