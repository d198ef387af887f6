"""A gain that does not stand: turned while the staircase played, or taken back by a limiter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.levels import db_from_ratio
from gainkit.onset.envelope import Envelope
from gainkit.onset.plan import Alignment, LevelPlan
from gainkit.onset.steps import StepFit

Floats = NDArray[np.float64]

LEAST_CHANGE_DB = 0.3
"""Less is a warm amplifier's or a sagging supply's business [dB]."""

LEAST_AT_RAIL_DB = 0.6
"""... and between a clean step and one at its rail, of what the rail's shape is not known to [dB]."""

LEAST_BESIDE = 2
"""Steps that must stand on either side of a change [-]."""

MOST_SPREAD = 0.25
"""Share of the change by which the gain may spread on either side of it [-]: more is no single turn."""

HELD_SHARE = 0.35
"""A step that moves by less than this share of what it should is held [-]: a ratio of 3 : 1 or more."""

LEAST_HELD = 2
"""So many steps in a row must be held [-]."""


@dataclass(frozen=True)
class GainChange:
    """change_db : of the gain [dB]. at_seconds : in the recording [s]. level_dbfs : of the first step after it.
    index : its place in the track's order."""

    change_db: float
    at_seconds: float
    level_dbfs: float
    index: int


def gain_change(
    envelope: Envelope,
    plan: LevelPlan,
    alignment: Alignment,
    fits: Sequence[StepFit],
    limit_thd_percent: float,
) -> GainChange | None:
    """The one place at which the gain moved; fits : in the track's order, clean ones by their tone, clipped
    ones by the sine that the rails hold. None for a glide, whose windows are too many to tell a turn from a
    slope, and where the gain stood or moved more than once. Distortion at no rail misleads the fit of rails
    by as much as a turn: beside it only clean steps are asked."""
    bent = any(fit.state == "clean" and fit.over(limit_thd_percent) for fit in fits)
    asked = [(index, fit) for index, fit in enumerate(fits) if not bent or fit.state == "clean"]
    known = [(index, sine) for index, fit in asked if (sine := _sine_peak(fit, limit_thd_percent)) > 0]
    if plan.glide or len(known) < 2 * LEAST_BESIDE:
        return None
    gains = np.array([db_from_ratio(sine) - fits[index].level_dbfs for index, sine in known])
    cut = min(range(LEAST_BESIDE, len(gains) - LEAST_BESIDE + 1), key=lambda at: _left(gains, at))
    change_db = float(np.mean(gains[cut:]) - np.mean(gains[:cut]))
    spread = max(float(np.ptp(gains[:cut])), float(np.ptp(gains[cut:])))
    first, last = known[cut - 1][0], known[cut][0]
    if any(fit.over(limit_thd_percent) for fit in fits[first + 1 : last] if fit.state == "clean"):
        return None  # a curve that bends around zero gives small signals another gain
    alike = fits[first].state == fits[last].state
    if abs(change_db) < (LEAST_CHANGE_DB if alike else LEAST_AT_RAIL_DB) or spread > MOST_SPREAD * abs(
        change_db
    ):
        return None
    return GainChange(change_db, _moment(envelope, plan, alignment, (first, last)), fits[last].level_dbfs, last)


def held_from(usable: Sequence[StepFit], limit_thd_percent: float) -> int | None:
    """Index of the last step before clean ones are held down; usable : judged, by rising level. None where the
    level follows, and where clipping holds it."""
    held = 0
    for place in range(len(usable) - 1, 0, -1):
        lower, upper = usable[place - 1 : place + 1]
        moved = db_from_ratio(upper.fundamental_volts / lower.fundamental_volts)
        planned = upper.level_dbfs - lower.level_dbfs
        if not _clean(upper, limit_thd_percent) or moved > HELD_SHARE * planned:
            break
        held += 1
    return len(usable) - 1 - held if LEAST_HELD <= held < len(usable) - 1 else None


def _clean(fit: StepFit, limit_thd_percent: float) -> bool:
    return (
        fit.judged
        and fit.state == "clean"
        and fit.thd_percent < limit_thd_percent
        and fit.fundamental_volts > 0
    )


def _sine_peak(fit: StepFit, limit_thd_percent: float) -> float:
    """Peak of the tone, or of that which the rails hold [V]; 0 where neither is known."""
    if _clean(fit, limit_thd_percent):
        return math.sqrt(2) * fit.fundamental_volts
    return fit.rails.sine_peak if fit.state in {"at-onset", "clipped"} and fit.rails is not None else 0.0


def _left(gains: Floats, at: int) -> float:
    """What two levels of gain leave of it [dB^2]."""
    return float(np.var(gains[:at]) * at + np.var(gains[at:]) * (len(gains) - at))


def _moment(envelope: Envelope, plan: LevelPlan, alignment: Alignment, between: tuple[int, int]) -> float:
    """When the gain moved, between the middles of two steps [s]: where two levels of it fit best."""
    steps = plan.stretches[between[0] : between[1] + 1]
    pieces = []
    for number, step in enumerate(steps):
        start, stop = alignment.recorded(step.start_seconds), alignment.recorded(step.stop_seconds)
        middle = (start + stop) / 2
        low = math.ceil((middle if number == 0 else start) / envelope.hop_seconds)
        high = math.floor((middle if number == len(steps) - 1 else stop) / envelope.hop_seconds)
        part = 20 * np.log10(np.maximum(envelope.peak_volts[max(low, 0) : max(high, 0)], 1e-15))
        pieces.append((max(low, 0), part - step.level_dbfs))
    gains = np.concatenate([part for _, part in pieces])
    hops = np.concatenate([low + np.arange(len(part)) for low, part in pieces])
    if len(gains) < 3:
        return alignment.recorded(steps[-1].start_seconds)
    total, squares = np.cumsum(gains), np.cumsum(gains**2)
    at = np.arange(1, len(gains))
    left = squares[-1] - total[:-1] ** 2 / at - (total[-1] - total[:-1]) ** 2 / (len(gains) - at)
    return float(hops[int(np.argmin(left)) + 1]) * envelope.hop_seconds
