"""What a ripple on the rails, or hum before them, adds to the uncertainty of the overdrive.

A harmonic fit sees the mean of many crests. Rails that stand at r + d in one half cycle and at r - d in another
make a mean wave whose corners are rounded: x is held from r - d on by some and from r + d on by others. On
average a corner loses var(d) / (2 |slope of the sine there|), which the fit takes for a little less overdrive.
And the mean of the crests that were recorded is not the rail's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.rails import HARD, Knees, RailFit, held_harmonics
from gainkit.analysis.tone import ToneFit
from gainkit.levels import ratio_from_db

Floats = NDArray[np.float64]

LEAST_LINES = 1e-4
"""Lines under this share of the tone move no overdrive that anyone reads [-]."""

CORNER_SHARE = 0.03
"""So near to a rail, as a share of the sine's peak, samples count as neither on it nor off it [-]."""

LEAST_CRESTS = 8
"""Fewer half cycles tell no ripple [-]."""

OUT_OF_NOISE = 4.0
"""Residues on the rails and off them differ once they do by so many standard deviations of their powers [-]."""

PAD = 4
"""Frequencies a ripple is looked for at, per one that the crests resolve [-]."""


@dataclass(frozen=True)
class _Residue:
    """power : of the residue on the rails less that off them, either sign [V^2]. crests : (half cycles,) by how
    much each stands over its rail [V]."""

    power: float
    crests: Floats


def rippled_db(tone: ToneFit, rails: RailFit | None) -> float:
    """Standard uncertainty that rails which move from crest to crest add to the overdrive [dB]; 0 where they
    stand still.

    The bias of the corners is not taken off: how much of it a knee of the fit's own hides is not known. It may
    be anything between none and all of it, whose root mean square is the whole over sqrt(3) (JCGM 100, 4.3.7).
    """
    residue = None if rails is None else _residue(tone, rails)
    if rails is None or residue is None:
        return 0.0
    of_corners = _corner_bias_db(rails, residue.power, len(tone.phasors)) / math.sqrt(3)
    return math.hypot(of_corners, _of_mean_db(tone, rails, residue))


def crests_move(tone: ToneFit, rails: RailFit) -> bool:
    """Whether rails move from crest to crest: what is left of the wave lies on them, or off them, more."""
    return _residue(tone, rails) is not None


def _residue(tone: ToneFit, rails: RailFit) -> _Residue | None:
    """None where no rail is met or no line stands beside the tone, and where crests stand still."""
    if max(rails.overdrive_db) <= 0:
        return None
    if not any(line.rms_volts > LEAST_LINES * tone.fundamental_volts for line in tone.lines):
        return None
    left = tone.fit.residual
    turn = tone.fit.angular * (np.arange(len(left)) - (len(left) - 1) / 2) + np.angle(tone.phasors[0])
    half = np.rint(turn / np.pi).astype(np.intp)
    sign = 1.0 - 2.0 * (half % 2)
    height = np.cos(turn)
    up, down = (ratio_from_db(-depth) for depth in rails.overdrive_db)
    on = (height > up + CORNER_SHARE) | (height < -down - CORNER_SHARE)
    off = (height < up - CORNER_SHARE) & (height > -down + CORNER_SHARE)
    counts = np.bincount((half - half[0])[on])
    if np.count_nonzero(counts) < LEAST_CRESTS or not off.any():
        return None
    on_power, off_power = float(np.mean(left[on] ** 2)), float(np.mean(left[off] ** 2))
    # a line is one figure or two, whatever it lasts: as few degrees of freedom as there are crests
    spread = math.sqrt(2 / np.count_nonzero(counts)) * min(on_power, off_power)
    power = abs(on_power - off_power)
    if power < OUT_OF_NOISE * spread:
        return None
    sums = np.bincount((half - half[0])[on], (left * sign)[on])
    return _Residue(power, sums[counts > 0] / counts[counts > 0])


def _corner_bias_db(rails: RailFit, power: float, orders: int) -> float:
    """By how much rounded corners mislead the overdrive [dB]: their harmonics through the fit's own slopes."""
    depths = np.array([rails.overdrive_db])
    model, turns = held_harmonics(depths, Knees.of([HARD]), orders, slopes=True)
    order = np.arange(1, orders + 1)
    lost = np.zeros(orders)
    for side, depth in enumerate(rails.overdrive_db):
        if depth > 0:
            corner = math.acos(ratio_from_db(-depth))
            size = power / (2 * rails.sine_peak**2 * max(math.sin(corner), CORNER_SHARE))
            shape = np.cos(order * corner) * (2 / np.pi) * size
            lost -= shape if side == 0 else -((-1.0) ** order) * shape
    columns = np.column_stack([turns[0, 1:, :2], model[0, 1:]])
    moved = np.linalg.pinv(columns, rcond=1e-10) @ lost
    return float(np.abs(moved[int(np.argmax(rails.overdrive_db))]))


def _of_mean_db(tone: ToneFit, rails: RailFit, residue: _Residue) -> float:
    """What the crests that were recorded tell of the rail's own mean [dB].

    The mean of d sin(2 pi f t) over T seconds, at any phase, is off by d / (2 pi f T); f as crests sample it.
    """
    crests = residue.crests - residue.crests.mean()
    count = len(crests)
    strength = np.abs(np.fft.rfft(crests * np.hanning(count + 2)[1:-1], PAD * count))
    cycles = max(int(np.argmax(strength[PAD:])) + PAD, PAD) / PAD
    deep = math.sqrt(2) * float(np.std(crests)) / max(min(rails.rail_volts(0), rails.rail_volts(1)), 1e-300)
    return 20 / math.log(10) * deep / (2 * np.pi * cycles)
