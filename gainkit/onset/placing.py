"""Which step of a staircase sounded first, where an amplifier woke late or fell silent on the way.

Steps are alike but for the gain, which nobody knows: once the grid of steps is found, the ladder may still be
moved along it by whole steps. What is heard at both ends tells: a track begins and ends on the grid, an
amplifier wakes and falls silent when it likes. Each placement is charged with what would have had to go wrong
for it.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from gainkit.errors import GainkitError
from gainkit.onset.coarse import Hops, hops_of
from gainkit.onset.envelope import Envelope
from gainkit.onset.plan import Alignment, LevelPlan

ON_GRID_SECONDS = 0.035
"""A rise or fall so near to a step's edge lies on it [s]: a track's own fades and three hops."""

LEAST_SOUND_SECONDS = 0.08
"""Shorter sounds are clicks [s]."""

END_SECONDS = 0.03
"""Sound within so much of the recording's ends goes on beyond them [s]."""

HAPPENED = 1
"""What an amplifier that wakes late or falls silent counts, at any time."""

HAPPENED_ON_GRID = 2
"""... and just when a step changes, which is the track's own beginning or end more likely."""

NOT_IN_RECORDING = 1
"""What a track that plays on in silence beyond the recording's ends counts."""


@dataclass(frozen=True)
class _Sound:
    """From where to where the recording sounds, and how long it is [s]."""

    start: float
    stop: float
    length: float


def placed(envelope: Envelope, plan: LevelPlan, alignment: Alignment) -> Alignment:
    """The alignment moved by whole steps to where the least has to have gone wrong.

    alignment : on the grid of the steps. Raises GainkitError (`several_placements`) where several fit as well.
    """
    sound = _sound(hops_of(envelope, plan), plan, alignment)
    if plan.glide or sound is None:
        return alignment
    step = plan.stretches[0].seconds * alignment.clock
    tries = [
        dataclasses.replace(alignment, start_seconds=alignment.start_seconds + shift * step)
        for shift in range(-len(plan.stretches), len(plan.stretches) + 1)
    ]
    charges = {each: _charge(plan, each, sound) for each in tries}
    least = min(charges.values())
    if not math.isfinite(least):
        return alignment
    fitting = [each for each, charge in charges.items() if charge == least]
    if len(fitting) > 1:
        raise GainkitError("several_placements", placements=[_ends(plan, each, sound) for each in fitting])
    return fitting[0]


def _sound(hops: Hops, plan: LevelPlan, alignment: Alignment) -> _Sound | None:
    """The sound within the plan as it is placed; None where there is none."""
    low = max(int((alignment.recorded(plan.stretches[0].start_seconds) - ON_GRID_SECONDS) / hops.seconds), 0)
    high = math.ceil((alignment.recorded(plan.stretches[-1].stop_seconds) + ON_GRID_SECONDS) / hops.seconds)
    loud = np.concatenate([[False], ~hops.silent[low:high], [False]])
    edges = np.flatnonzero(np.diff(loud.astype(np.int8)))
    least = LEAST_SOUND_SECONDS / hops.seconds
    runs = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= least]
    if not runs:
        return None
    first, last = low + int(runs[0][0]), low + int(runs[-1][1])
    return _Sound(first * hops.seconds, last * hops.seconds, hops.count * hops.seconds)


def _charge(plan: LevelPlan, place: Alignment, sound: _Sound) -> float:
    """What has to have gone wrong for a placement [-]; infinite where sound lies outside it."""
    start = place.recorded(plan.stretches[0].start_seconds)
    stop = place.recorded(plan.stretches[-1].stop_seconds)
    step = plan.stretches[0].seconds * place.clock
    if sound.start < start - ON_GRID_SECONDS or sound.stop > stop + ON_GRID_SECONDS:
        return math.inf
    before = _charge_of_end(sound.start - start, step, cut=sound.start < END_SECONDS, beyond=-start)
    cut = sound.stop > sound.length - END_SECONDS
    return before + _charge_of_end(stop - sound.stop, step, cut=cut, beyond=stop - sound.length)


def _charge_of_end(lost: float, step: float, *, cut: bool, beyond: float) -> float:
    """What one end counts. lost : seconds of the track that do not sound there. cut : the recording's own end.
    beyond : by how much the track passes it [s]."""
    if cut or lost <= ON_GRID_SECONDS:
        return 0.0
    off_grid = abs(lost / step - round(lost / step)) * step
    charge = HAPPENED_ON_GRID if off_grid <= ON_GRID_SECONDS else HAPPENED
    return charge + (NOT_IN_RECORDING if beyond > ON_GRID_SECONDS else 0)


def _ends(plan: LevelPlan, place: Alignment, sound: _Sound) -> tuple[float, float]:
    """Levels of the steps that sounded first and last [dBFS]."""
    sounding = [
        step.level_dbfs
        for step in plan.stretches
        if place.recorded(step.stop_seconds) > sound.start + ON_GRID_SECONDS
        and place.recorded(step.start_seconds) < sound.stop - ON_GRID_SECONDS
    ]
    return sounding[0], sounding[-1]
