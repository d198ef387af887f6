"""How the level rises from position to position, and whether two positions are one recording."""

from __future__ import annotations

import cmath
import itertools
import math
import statistics
from collections.abc import Sequence

from gainkit.analysis.model import Measurement
from gainkit.levels import db_from_ratio

LEAST_RISE_DB = 0.5
"""A control whose positions rise by less tells nothing by not rising [dB]."""

HELD_SHARE = 0.2
"""From the position on where all rise by less than this share of the usual rise, something holds the level [-]
(our choice: steps of a control grow smaller, but not by so much at once)."""

LEAST_BEFORE = 3
"""So many rises, alike, make a control's usual one [-]."""

ALIKE, LESS = 0.12, 0.85
"""Rises are alike within this share of their median; later ones that all stay under the latter share are less
[-] (our choice: tables are rounded to a tenth of a decibel or two)."""

SAME_LEVEL = 1e-3
"""Copies of one recording agree in level to this share [-]; positions of a control hardly do."""

SAME_NOISE = {3: 0.02, 6: 0.1}
"""From so many harmonics on, what two measurements may differ by, of the power of noise in them [-]. Noise of
two recordings differs by twice itself: harmonics by chance so near have odds of a few in a million
(chi-square of two degrees of freedom a harmonic)."""


def held_from(volts: Sequence[float]) -> int:
    """The first place from which on the level hardly rises although it rose before: a limiter, or the control's
    end. As many as there are where there is none. volts : from low to high [V]."""
    if min(volts) <= 0:
        return len(volts)
    rises = [db_from_ratio(after / before) for before, after in itertools.pairwise(volts)]
    for number in range(1, len(rises)):
        usual = statistics.median(rises[:number])
        if usual > LEAST_RISE_DB and all(0 <= abs(rise) < HELD_SHARE * usual for rise in rises[number:]):
            return number + 1
    return len(volts)


def rises_less(numbers: Sequence[float], volts: Sequence[float]) -> tuple[int, float, float] | None:
    """The first place that rises less than its control's usual step, as all after it do; the usual rise and the
    median of the later ones, for one number of the control [dB]. None where the table tells no such place.

    numbers : of the positions, rising. volts : of those that are clean, from low to high [V].
    """
    if min(volts, default=0.0) <= 0:
        return None
    rises = [
        db_from_ratio(volts[at] / volts[at - 1]) / (numbers[at] - numbers[at - 1])
        for at in range(1, len(volts))
    ]
    for number in range(LEAST_BEFORE, len(rises)):
        usual = statistics.median(rises[:number])
        regular = usual > 0 and all(abs(rise / usual - 1) < ALIKE for rise in rises[:number])
        if regular and all(rise < LESS * usual for rise in rises[number:]):
            return number + 1, usual, statistics.median(rises[number:])
    return None


def same_recording(one: Measurement, other: Measurement) -> bool:
    """Whether two measurements are of one recording, as it is or saved in another format: noise moves the last
    digits of any other, and what it leaves in the harmonics."""
    names = ("rms_volts", "peak_volts", "dc_volts", "frequency_hz", "thd_percent", "noise_volts")
    return all(getattr(one, name) == getattr(other, name) for name in names) or _same_noise(one, other)


def _same_noise(one: Measurement, other: Measurement) -> bool:
    floors = (one.thd_floor_percent or 0.0, other.thd_floor_percent or 0.0)
    count = min(len(one.harmonics), len(other.harmonics))
    if (
        min(floors) <= 0
        or count < min(SAME_NOISE)
        or abs(one.rms_volts - other.rms_volts) > SAME_LEVEL * one.rms_volts
    ):
        return False
    apart = sum(
        abs(
            cmath.rect(a.percent, math.radians(a.phase_degrees))
            - cmath.rect(b.percent, math.radians(b.phase_degrees))
        )
        ** 2
        for a, b in zip(one.harmonics, other.harmonics, strict=False)
    )
    share = SAME_NOISE[max(least for least in SAME_NOISE if least <= count)]
    return apart < share * min(floors) ** 2
