"""One capture's noise against another one's: what stays, what is gone, what moves with the engine's speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from gainkit.analysis.bands import a_weighting_db
from gainkit.levels import db_from_ratio
from gainkit.noise.families import DIGITAL_LEAST_HZ
from gainkit.noise.model import Family
from gainkit.noise.reading import NoiseReading
from gainkit.remarks import Remark, remark

SAME_SHARE = 5e-4
"""A line that keeps its frequency in two captures: within this part; engines do not repeat their speed so
well, and the mains' own wander is let pass for mains alone [-]."""

MOVED_RATIO = 4.0
"""Idle to full speed of an engine: orders move by no more than this [-] (common practice, no source)."""

MOVED_LEVEL_DB = 30.0
"""Families paired across two captures differ by less than this [dB]."""

LONE_LEVEL_DB = 10.0
"""... and single lines by less than this [dB]."""

SOURCE_CHANGE_DB = 3.0
"""What falls by half its power when something is switched off comes mostly from there [dB]."""

STAYS_DB = 1.0
"""What changes by less has nothing to do with what was switched off [dB]."""

SEEN_RATIO, SEEN_HZ = 10.0, 2.0
"""A line is seen in a capture from so many times the power that its hiss has in so many hertz, or over the way
that the line goes, on [-], [Hz]: a line that only louder hiss hides has not gone."""

LONE_MOST_HZ = 5_000.0
"""A single line above this that moves may be a switching supply's, which follows load and warmth; below it
engines whine [Hz] (common practice, no source)."""

THIRD_SHARE = 10**0.05 - 10**-0.05
"""Width of a third-octave band over its centre (IEC 61260-1, G = 10^0.3) [-]."""


def compared(own: NoiseReading, other: NoiseReading | None) -> tuple[tuple[Family, ...], list[Remark]]:
    """The families with what another capture says of them, and notes.

    A family at the same frequency in both stands still; what is left over in both at another frequency, and
    is no mains', has moved with the engine's speed.
    """
    if other is None:
        return own.families, []
    notes: list[Remark] = []
    answer: dict[int, Family] = {}
    left, theirs = [], list(other.families)
    for place, family in enumerate(own.families):
        same = next((one for one in theirs if not _moving(family, one) and is_same(family, one)), None)
        if same is None:
            left.append(place)
            continue
        theirs.remove(same)
        still = replace(family, moves=False)
        if family.kind == "unknown" and family.fundamental_hz >= DIGITAL_LEAST_HZ:
            still = replace(still, kind="digital")
        answer[place] = still
        notes.append(_in_both(own, still, same))
    for place, moved in _pairs([own.families[place] for place in left], theirs):
        family = own.families[left[place]]
        answer[left[place]], note = _moved(own, family, moved, other)
        notes.append(note)
    mine, others = a_weighted_of_both(own, other, hiss=True)
    change = db_from_ratio(mine / max(others, 1e-30))
    if own.hiss_a_weighted_volts > 0 and abs(change) >= SOURCE_CHANGE_DB:
        notes.append(remark("hiss_changes", changed_db=change))
    elif abs(change) < STAYS_DB:
        notes.append(remark("hiss_stays", changed_db=change))
    return tuple(answer[place] for place in range(len(own.families))), notes


def a_weighted_of_both(own: NoiseReading, other: NoiseReading, *, hiss: bool = False) -> tuple[float, float]:
    """A-weighted volts of both in the band that both recorded, hiss alone or all of it [V].

    A slower recorder ends earlier: then third-octave bands are summed, each weighted at its centre.
    """
    if own.band_hz == other.band_hz:
        both = [(each.hiss_a_weighted_volts if hiss else each.a_weighted_volts) for each in (own, other)]
        return both[0], both[1]
    shared = {band.center_hz for band in own.bands} & {band.center_hz for band in other.bands}
    top = min(own.band_hz[1], other.band_hz[1]) / (1 + THIRD_SHARE / 2)  # that one may be cut
    volts = []
    for each in (own, other):
        powers = [
            (band.hiss_volts if hiss else band.rms_volts) ** 2
            * 10 ** (float(a_weighting_db(np.array([band.center_hz]))[0]) / 10)
            for band in each.bands
            if band.center_hz in shared and band.center_hz < top
        ]
        volts.append(float(np.sqrt(sum(powers))))
    return volts[0], volts[1]


def _moved(
    own: NoiseReading, family: Family, moved: Family | None, other: NoiseReading
) -> tuple[Family, Remark]:
    """A family that does not stand where it stood: what it was in the other capture, if anything, says."""
    if moved is None:
        code = "line_family_gone" if _would_show(family, other) else "line_family_hidden"
        return family, remark(code, **own.named(family))
    if family.moves and moved.moves and _overlap(family, moved):
        return family, _in_both(own, family, moved)
    ratio = family.fundamental_hz / moved.fundamental_hz
    if is_no_engine_s(family):
        family = replace(family, moves=True)
        return family, remark("line_family_drifts", **own.named(family), speed_ratio=ratio)
    family = replace(family, kind="alternator", moves=True)
    return family, remark("line_family_moves", **own.named(family), speed_ratio=ratio)


def is_no_engine_s(family: Family) -> bool:
    """Whether what moves may as well be a switching supply's."""
    return family.orders[0] * family.fundamental_hz > LONE_MOST_HZ


def _in_both(own: NoiseReading, family: Family, same: Family) -> Remark:
    change = db_from_ratio(family.rms_volts / same.rms_volts)
    code = "line_family_stays" if abs(change) < SOURCE_CHANGE_DB else "line_family_changes"
    return remark(code, **own.named(family), changed_db=change)


def _overlap(family: Family, other: Family) -> bool:
    """Whether the speeds of two courses meet."""
    return max(family.lowest_hz, other.lowest_hz) <= min(family.highest_hz, other.highest_hz)


def _would_show(family: Family, other: NoiseReading) -> bool:
    """Whether the family, as loud as it is here, would stand out of the other capture's hiss."""
    smear = (family.highest_hz - family.lowest_hz) / family.fundamental_hz
    for order, volts in zip(family.orders, family.line_volts, strict=True):
        hertz = order * family.fundamental_hz
        band = min(other.bands, key=lambda each: abs(np.log(each.center_hz / hertz)), default=None)
        if band is None or hertz > other.band_hz[1]:
            continue
        density = band.hiss_volts**2 / (THIRD_SHARE * band.center_hz)
        if volts**2 > SEEN_RATIO * density * max(SEEN_HZ, smear * hertz):
            return True
    return False


def _moving(family: Family, other: Family) -> bool:
    return family.moves is True or other.moves is True


def is_same(family: Family, other: Family) -> bool:
    """Whether two families stand at one frequency, as far as it is known."""
    if family.kind == other.kind == "mains":
        return round(family.fundamental_hz / 10) == round(other.fundamental_hz / 10)
    spread = 4 * float(np.hypot(family.frequency_deviation_hz, other.frequency_deviation_hz))
    return abs(family.fundamental_hz - other.fundamental_hz) <= SAME_SHARE * family.fundamental_hz + spread


def _pairs(ours: Sequence[Family], theirs: Sequence[Family]) -> list[tuple[int, Family | None]]:
    """Which of the other capture's families each of ours was at another speed of the engine; None: none.

    Two common orders tell a family again; a lone line is told by the speed ratio of such a family, or by being
    the only one left over on either side.
    """
    pairs: dict[int, Family | None] = dict.fromkeys(range(len(ours)))
    free = [one for one in theirs if one.kind != "mains"]
    places = [place for place, family in enumerate(ours) if family.kind != "mains"]
    ratio = None
    for place in sorted(places, key=lambda place: -len(ours[place].orders)):
        family = ours[place]
        for one in free:
            speed_ratio = family.fundamental_hz / one.fundamental_hz
            again = len(set(family.orders) & set(one.orders)) >= 2 and _may_move(family, one)
            if again or (ratio is not None and abs(speed_ratio / ratio - 1) <= SAME_SHARE):
                ratio = ratio or speed_ratio
                pairs[place] = one
                free.remove(one)
                break
    open_ = [place for place in places if pairs[place] is None]
    if len(open_) == 1 and len(free) == 1:
        mine, one = ours[open_[0]], free[0]
        alike = abs(db_from_ratio(mine.rms_volts / one.rms_volts)) < LONE_LEVEL_DB
        if alike and _may_move(mine, one) and "digital" not in (mine.kind, one.kind):
            pairs[open_[0]] = one
    return list(pairs.items())


def _may_move(family: Family, other: Family) -> bool:
    """Whether one may be the other at another speed of the engine."""
    ratio = family.fundamental_hz / other.fundamental_hz
    level = abs(db_from_ratio(family.rms_volts / other.rms_volts))
    return 1 / MOVED_RATIO <= ratio <= MOVED_RATIO and level < MOVED_LEVEL_DB
