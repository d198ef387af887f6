"""What readings of noise mean: against another capture, against the recorder alone, against the target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.thresholds import DC_VOLTS
from gainkit.levels import db_from_ratio, power_db_from_ratio, ratio_from_db
from gainkit.noise.families import DIGITAL_LEAST_HZ
from gainkit.noise.model import BandNoise, Family, NoiseVerdict
from gainkit.remarks import Remark, danger, fault, remark

Floats = NDArray[np.float64]

QUIET_BELOW_TARGET_DB = 85.0
"""A loudspeaker of 90 dB at 2.83 V and 1 m, driven to 20 V, is at 107 dB; noise this far down is at 22 dB(A),
under the 30 dB(A) or so of a parked car with closed doors [dB] (common practice, no source)."""

TONE_OVER_REST_DB = 46.0
"""A single line this far over all the rest of the band together is a tone that plays: hum and whine bring
orders or hiss of more than 0.5 % with them [dB] (common practice, no source)."""

PLAYING_BELOW_TARGET_DB = 26.0
"""Noise of a twentieth of the target is no silence: something plays, unless its lines are the mains' or move
[dB] (our choice)."""

PLAYING_HISS_BELOW_TARGET_DB = 46.0
"""... for hiss: 0.1 mV of a poor source through 40 dB of gain stay 66 dB under 20 V [dB] (our choice)."""

STEADY_ROWS_DB = 6.0
"""From 10 % to 90 % of the capture's tenths of a second, noise varies by less than this; music by more [dB]."""

STEADY_OCTAVES_DB = 4.0
"""... and between spectra of one to two seconds, octave for octave: Gaussian noise stays under 2 dB [dB]."""

SILENT_SHARE = 0.02
"""Part of the capture in which nothing moves, as behind a mute, before it is told [-]."""

LIMITED_DB = 3.0
"""From here on half of what was read is the recorder's own [dB]."""

ROUNDING_DB = 1.0
"""Within this of the rounding noise of its own steps the recorder cannot show what the chain does [dB]."""

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

HUM_BELOW_HZ = 200.0
"""Lines of unknown origin are heard as hum below this and as whine above [Hz] (our choice)."""


@dataclass(frozen=True)
class NoiseReading:
    """One capture's noise, nothing judged yet. octave_spread_db : None for too few spectra. rounding_volts :
    what the recorder's steps add in the band [V]. outside_volts : below 20 Hz and above 20 kHz [V]."""

    file: str
    band_hz: tuple[float, float]
    rms_volts: float
    a_weighted_volts: float
    hiss_volts: float
    hiss_a_weighted_volts: float
    dc_volts: float
    peak_volts: float
    seconds: float
    still_seconds: float
    left_out_seconds: float
    overloaded: bool
    row_powers: Floats = field(repr=False)
    octave_spread_db: float | None
    rounding_volts: float
    families: tuple[Family, ...]
    bands: tuple[BandNoise, ...] = field(repr=False)
    outside_volts: tuple[float, float] = (0.0, 0.0)

    @property
    def row_spread_db(self) -> float:
        """How much the level varies: 10 % to 90 % of its steps [dB]; still ones left out."""
        powers = self.row_powers[self.row_powers > 0]
        if len(powers) < 8:
            return 0.0
        low, high = np.percentile(powers, [10, 90])
        return float(power_db_from_ratio(high / low))


@dataclass(frozen=True)
class NoiseAnswer:
    """What `judged` says; notes start with the reason of the verdict."""

    verdict: NoiseVerdict
    notes: tuple[Remark, ...]
    below_target_db: float | None
    recorder_limited: bool | None
    changed_db: float | None


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
        same = next((one for one in theirs if not _moving(family, one) and _same(family, one)), None)
        if same is None:
            left.append(place)
            continue
        theirs.remove(same)
        still = replace(family, moves=False)
        if family.kind == "unknown" and family.fundamental_hz >= DIGITAL_LEAST_HZ:
            still = replace(still, kind="digital")
        answer[place] = still
        change = db_from_ratio(family.rms_volts / same.rms_volts)
        code = "line_family_stays" if abs(change) < SOURCE_CHANGE_DB else "line_family_changes"
        notes.append(remark(code, **_named(still), changed_db=change))
    for place, moved in _pairs([own.families[place] for place in left], theirs):
        family = own.families[left[place]]
        if moved is None:
            answer[left[place]] = family
            notes.append(remark("line_family_gone", **_named(family)))
            continue
        answer[left[place]] = replace(family, kind="alternator", moves=True)
        ratio = family.fundamental_hz / moved.fundamental_hz
        notes.append(remark("line_family_moves", **_named(answer[left[place]]), speed_ratio=ratio))
    change = db_from_ratio(own.hiss_a_weighted_volts / max(other.hiss_a_weighted_volts, 1e-30))
    if own.hiss_a_weighted_volts > 0 and abs(change) >= SOURCE_CHANGE_DB:
        notes.append(remark("hiss_changes", changed_db=change))
    elif abs(change) < STAYS_DB:
        notes.append(remark("hiss_stays", changed_db=change))
    return tuple(answer[place] for place in range(len(own.families))), notes


def judged(
    own: NoiseReading, other: NoiseReading | None, alone: NoiseReading | None, target_volts: float | None
) -> NoiseAnswer:
    """The verdict on a reading, its reason first among the notes."""
    below = None
    if target_volts is not None and own.a_weighted_volts > 0:
        below = db_from_ratio(target_volts / own.a_weighted_volts)
    changed = None
    if other is not None and other.a_weighted_volts > 0 and own.a_weighted_volts > 0:
        changed = db_from_ratio(own.a_weighted_volts / other.a_weighted_volts)
    limited, notes = _recorder(own, alone)
    notes += _remarks(own)
    reason = _why_not_known(own, target_volts)
    if reason is None and below is not None and below >= QUIET_BELOW_TARGET_DB:
        reason = remark("noise_quiet", below_target_db=below)
    elif reason is None and limited:
        reason = fault("noise_recorder_limited", a_weighted_volts=own.a_weighted_volts)
    verdict: NoiseVerdict = "quiet" if reason is not None and reason.code == "noise_quiet" else "not known"
    if reason is None:
        verdict, reason = _loudest(own)
        if target_volts is None:
            notes.append(remark("noise_no_target"))
    return NoiseAnswer(verdict, (reason, *notes), below, limited, changed)


def _why_not_known(own: NoiseReading, target_volts: float | None) -> Remark | None:
    """The reason why this is no reading of a chain's noise, or None."""
    if own.peak_volts == 0 or own.rms_volts == 0:
        return fault("noise_digital_zero", seconds=own.seconds)
    if own.overloaded:
        return fault("noise_recorder_overload", peak_volts=own.peak_volts)
    if own.still_seconds > SILENT_SHARE * own.seconds:
        return fault("noise_partly_still", still_seconds=own.still_seconds, seconds=own.seconds)
    strongest = max(own.families, key=lambda family: max(family.line_volts), default=None)
    if strongest is not None:
        volts = max(strongest.line_volts)
        order = strongest.orders[strongest.line_volts.index(volts)]
        rest = own.hiss_volts**2 + sum(family.rms_volts**2 for family in own.families) - volts**2
        over = power_db_from_ratio(volts**2 / max(rest, 1e-30 * volts**2))
        if over >= TONE_OVER_REST_DB:
            frequency = order * strongest.fundamental_hz
            return fault("noise_tone_plays", frequency_hz=frequency, rms_volts=volts, over_rest_db=over)
    spread, octaves = own.row_spread_db, own.octave_spread_db
    # hum and whine that come and go are hum and whine still; what moves also changes the octaves it passes
    half = 0.5 * own.rms_volts**2
    moving = sum(family.rms_volts**2 for family in own.families if family.moves)
    mains = sum(family.rms_volts**2 for family in own.families if family.kind == "mains")
    lines_lead = moving + mains > half
    rows_vary = spread > STEADY_ROWS_DB and not lines_lead
    if rows_vary or (octaves is not None and octaves > STEADY_OCTAVES_DB and moving < half):
        return fault("noise_not_steady", spread_db=spread, octave_spread_db=octaves)
    if target_volts is not None:
        below = db_from_ratio(target_volts / own.rms_volts)
        hiss = own.hiss_volts**2 > half
        least = PLAYING_HISS_BELOW_TARGET_DB if hiss else PLAYING_BELOW_TARGET_DB
        if below < least and not lines_lead:
            return fault("noise_too_loud", rms_volts=own.rms_volts, below_target_db=below)
    return None


def _recorder(own: NoiseReading, alone: NoiseReading | None) -> tuple[bool | None, list[Remark]]:
    """Whether what was read is the recorder's own, and what of it."""
    notes: list[Remark] = []
    limited: bool | None = None
    if own.rounding_volts > 0 and own.hiss_volts <= own.rounding_volts * ratio_from_db(ROUNDING_DB):
        limited = True if own.hiss_a_weighted_volts**2 > 0.5 * own.a_weighted_volts**2 else None
        notes.append(remark("recorder_steps", rounding_volts=own.rounding_volts, hiss_volts=own.hiss_volts))
    if alone is None or own.a_weighted_volts <= 0:
        return limited, notes
    ratio = alone.a_weighted_volts / own.a_weighted_volts
    limited = bool(limited) or ratio >= ratio_from_db(-LIMITED_DB)
    if ratio < 1:
        chain = own.a_weighted_volts * float(np.sqrt(1 - ratio**2))
        notes.append(remark("recorder_share", share_percent=100 * ratio**2, chain_a_weighted_volts=chain))
    else:
        notes.append(remark("recorder_share", share_percent=100.0, chain_a_weighted_volts=None))
    for family in own.families:
        own_too = next((one for one in alone.families if _same(family, one)), None)
        if own_too is not None and own_too.rms_volts >= family.rms_volts * ratio_from_db(-LIMITED_DB):
            notes.append(remark("recorder_line", **_named(family)))
    return limited, notes


def _remarks(own: NoiseReading) -> list[Remark]:
    notes: list[Remark] = []
    if own.left_out_seconds > 0:
        notes.append(remark("noise_clicks", left_out_seconds=own.left_out_seconds, seconds=own.seconds))
    if abs(own.dc_volts) > DC_VOLTS:
        notes.append(danger("dc_at_output", dc_volts=own.dc_volts))
    return notes


def _loudest(own: NoiseReading) -> tuple[NoiseVerdict, Remark]:
    """The part that is heard most, A-weighted, and where to look for it."""
    hum = [family for family in own.families if _hums(family)]
    whine = [family for family in own.families if not _hums(family)]
    powers: dict[NoiseVerdict, float] = {
        "hum": _power(hum), "whine": _power(whine), "hiss": own.hiss_a_weighted_volts**2
    }  # fmt: skip
    loudest = max(powers, key=lambda name: powers[name])
    share = 100 * powers[loudest] / max(sum(powers.values()), 1e-300)
    if loudest == "hiss":
        return "hiss", remark("hiss", hiss_volts=own.hiss_volts, share_percent=share)
    first = max(hum if loudest == "hum" else whine, key=lambda family: family.a_weighted_volts)
    return loudest, fault(f"{loudest}_{first.kind}", **_named(first), share_percent=share)


def _hums(family: Family) -> bool:
    return family.kind == "mains" or (family.kind == "unknown" and family.fundamental_hz < HUM_BELOW_HZ)


def _power(families: Sequence[Family]) -> float:
    return sum(family.a_weighted_volts**2 for family in families)


def _named(family: Family) -> dict[str, Any]:
    return {
        "fundamental_hz": family.fundamental_hz,
        "rms_volts": family.rms_volts,
        "kind": family.kind,
    }


def _moving(family: Family, other: Family) -> bool:
    return family.moves is True or other.moves is True


def _same(family: Family, other: Family) -> bool:
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
