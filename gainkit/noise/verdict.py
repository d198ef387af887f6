"""What readings of noise mean: against another capture, against the recorder alone, against the target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gainkit.analysis.thresholds import DC_VOLTS
from gainkit.levels import db_from_ratio, power_db_from_ratio, ratio_from_db
from gainkit.noise.chords import chord_of
from gainkit.noise.comparing import a_weighted_of_both, is_same
from gainkit.noise.families import is_slots
from gainkit.noise.model import Family, NoiseVerdict
from gainkit.noise.reading import NoiseReading
from gainkit.remarks import Remark, danger, fault, remark

QUIET_BELOW_TARGET_DB = 85.0
"""A loudspeaker of 90 dB at 2.83 V and 1 m, driven to 20 V, is at 107 dB; noise this far down is at 22 dB(A),
under the 30 dB(A) or so of a parked car with closed doors [dB] (common practice, no source)."""

TONE_OVER_REST_DB = 46.0
"""A single line this far over all the rest of the band together is a tone that plays: hum and whine bring
orders or hiss of more than 0.5 % with them [dB] (common practice, no source)."""

TONE_SHARE = 0.75
"""... with the harmonics of its own family, where it holds this part of their power: a square wave's
fundamental holds 8 / pi^2 of it, so any tone that is cut does; of the mains' orders the line alone counts
[-]."""

PLAYED_OVER_DB = 40.0
"""What was recorded for comparison is so much louder, by lines of no mains: something played there [dB] (our
choice)."""

PLAYING_BELOW_TARGET_DB = 26.0
"""Noise of a twentieth of the target is no silence: something plays, unless its lines are the mains' or move
[dB] (our choice)."""

PLAYING_HISS_BELOW_TARGET_DB = 46.0
"""... for hiss: 0.1 mV of a poor source through 40 dB of gain stay 66 dB under 20 V [dB] (our choice)."""

STEADY_ROWS_DB = 6.0
"""From 10 % to 90 % of the capture's tenths of a second, noise varies by less than this; music by more [dB]."""

STEADY_OCTAVES_DB, STEADY_HISS_DB = 4.0, 3.0
"""... and between spectra of one to two seconds, octave for octave, and where no line leads: Gaussian noise
stays under 2 dB, what lines that come and go leave beside them may vary more [dB]."""

HELD_OCTAVES_DB = 1.2
"""... and of notes that are held; those of a tune come and go [dB]."""

MOST_FLUTTER_DB = 1.0
"""From one short spectrum to the next what moves with an engine keeps its level within less; a voice, whose
pitch moves as well, jumps by more [dB]."""

MOST_PITCHES = 4.0
"""Lines of so many unrelated families, alike in power, are chords and tunes: a chain has a supply, an engine
and a clock or two [-] (our choice)."""

SILENT_SHARE = 0.02
"""Part of the capture in which nothing moves, as behind a mute, before it is told [-]."""

LIMITED_DB = 3.0
"""From here on half of what was read is the recorder's own [dB]."""

ROUNDING_DB = 1.0
"""Within this of the rounding noise of its own steps the recorder cannot show what the chain does [dB]."""

HUM_BELOW_HZ = 200.0
"""Lines of unknown origin are heard as hum below this and as whine above [Hz] (our choice)."""


@dataclass(frozen=True)
class NoiseAnswer:
    """What `judged` says; notes start with the reason of the verdict."""

    verdict: NoiseVerdict
    notes: tuple[Remark, ...]
    below_target_db: float | None
    recorder_limited: bool | None
    changed_db: float | None


def judged(
    own: NoiseReading,
    other: NoiseReading | None,
    alone: NoiseReading | None,
    target_volts: float | None,
    changes: Sequence[Remark] = (),
) -> NoiseAnswer:
    """The verdict on a reading, its reason first among the notes. changes : what the other capture says."""
    below = None
    if target_volts is not None and own.a_weighted_volts > 0:
        below = db_from_ratio(target_volts / own.a_weighted_volts)
    changed = None
    if other is not None and other.a_weighted_volts > 0 and own.a_weighted_volts > 0:
        mine, others = a_weighted_of_both(own, other)
        changed = db_from_ratio(mine / others)
    limited, notes = _recorder(own, alone)
    notes += _remarks(own)
    reason = why_not_known(own, target_volts)
    if reason is None and below is not None and below >= QUIET_BELOW_TARGET_DB:
        reason = remark("noise_quiet", below_target_db=below)
    elif reason is None and limited:
        reason = fault("noise_recorder_limited", a_weighted_volts=own.a_weighted_volts)
    verdict: NoiseVerdict = "quiet" if reason is not None and reason.code == "noise_quiet" else "not known"
    if reason is None:
        verdict, reason = _loudest(own, changes)
        if target_volts is None:
            notes.append(remark("noise_no_target"))
    return NoiseAnswer(verdict, (reason, *notes), below, limited, changed)


def useless_against(other: NoiseReading, own: NoiseReading) -> Remark | None:
    """Why nothing can be compared with another capture, or None."""
    reason = why_not_known(other, None) or _played(other, own)
    if reason is None:
        return None
    return fault("noise_against_useless", reason=reason.code, other_file=other.file, **reason.values)


def useless_recorder(alone: NoiseReading) -> Remark | None:
    """Why a capture of the recorder alone tells nothing of it, or None; its steps may well stand still."""
    reason = why_not_known(alone, None)
    if reason is None or reason.code == "noise_partly_still":
        return None
    return fault("noise_recorder_useless", reason=reason.code, other_file=alone.file, **reason.values)


def why_not_known(own: NoiseReading, target_volts: float | None) -> Remark | None:
    """The reason why this is no reading of a chain's noise, or None."""
    if own.peak_volts == 0 or own.rms_volts == 0:
        return fault("noise_digital_zero", seconds=own.seconds)
    if own.overloaded:
        return fault("noise_recorder_overload", peak_volts=own.peak_volts)
    if own.still_seconds > SILENT_SHARE * own.seconds:
        return fault("noise_partly_still", still_seconds=own.still_seconds, seconds=own.seconds)
    tone = _tone(own)
    if tone is not None and tone.values["over_rest_db"] >= TONE_OVER_REST_DB:
        return tone
    spread, octaves = own.row_spread_db, own.octave_spread_db
    # hum and whine that come and go are hum and whine still; what moves also changes the octaves it passes
    half = 0.5 * own.rms_volts**2
    moving = sum(family.rms_volts**2 for family in own.families if family.moves)
    mains = sum(family.rms_volts**2 for family in own.families if family.kind == "mains")
    lines_lead = moving + mains > half
    rows_vary = spread > STEADY_ROWS_DB and not lines_lead
    speaks = moving > half and own.flutter_db > MOST_FLUTTER_DB
    most = STEADY_HISS_DB if own.hiss_volts**2 > half else STEADY_OCTAVES_DB
    octaves_vary = octaves is not None and octaves > most and moving < half
    chord = _chord(own)
    if chord and not (rows_vary or speaks) and (octaves is None or octaves < HELD_OCTAVES_DB):
        return fault("noise_chord", notes=len(chord), lowest_hz=chord[0])
    if rows_vary or speaks or octaves_vary or _pitches(own) > MOST_PITCHES:
        return fault("noise_not_steady", spread_db=spread, octave_spread_db=octaves)
    if target_volts is not None:
        below = db_from_ratio(target_volts / own.rms_volts)
        hiss = own.hiss_volts**2 > half
        least = PLAYING_HISS_BELOW_TARGET_DB if hiss else PLAYING_BELOW_TARGET_DB
        if below < least and not lines_lead:
            return fault("noise_too_loud", rms_volts=own.rms_volts, below_target_db=below)
    return None


def _tone(own: NoiseReading) -> Remark | None:
    """The strongest line as a tone that plays, cut or not, and how far it stands over the rest."""
    strongest = max(own.families, key=lambda family: max(family.line_volts), default=None)
    if strongest is None:
        return None
    volts = max(strongest.line_volts)
    order = strongest.orders[strongest.line_volts.index(volts)]
    power = volts**2
    if strongest.kind != "mains" and not strongest.moves and power >= TONE_SHARE * strongest.rms_volts**2:
        power = strongest.rms_volts**2
    rest = own.hiss_volts**2 + sum(family.rms_volts**2 for family in own.families) - power
    return fault(
        "noise_tone_plays",
        frequency_hz=order * strongest.fundamental_hz,
        rms_volts=volts,
        unit=own.unit,
        over_rest_db=power_db_from_ratio(power / max(rest, 1e-30 * power)),
    )


def _played(other: NoiseReading, own: NoiseReading) -> Remark | None:
    """The tone in a capture that is far louder than the one it was recorded for, by lines of no mains."""
    volts = a_weighted_of_both(own, other)
    lines = _power([family for family in other.families if family.kind != "mains" and not family.moves])
    over = volts[1] > ratio_from_db(PLAYED_OVER_DB) * volts[0]
    return _tone(other) if over and lines > 0.5 * other.a_weighted_volts**2 else None


def _nameless(own: NoiseReading) -> list[Family]:
    """Families of no known supply or clock; none where they are the smaller part of what is heard."""
    some = [each for each in own.families if each.kind in ("unknown", "alternator")]
    return some if _power(some) > 0.5 * own.a_weighted_volts**2 else []


def _pitches(own: NoiseReading) -> float:
    """How many families of no known supply or clock share what is heard, each by its power [-]."""
    powers = [each.a_weighted_volts**2 for each in _nameless(own)]
    return sum(powers) ** 2 / sum(power**2 for power in powers) if powers else 0.0


def _chord(own: NoiseReading) -> tuple[float, ...]:
    """The notes of a chord that leads what is heard [Hz]."""
    return chord_of(
        [
            (order * each.fundamental_hz, volts**2)
            for each in _nameless(own)
            for order, volts in zip(each.orders, each.line_volts, strict=True)
        ]
    )


def _recorder(own: NoiseReading, alone: NoiseReading | None) -> tuple[bool | None, list[Remark]]:
    """Whether what was read is the recorder's own, and what of it."""
    notes: list[Remark] = []
    limited: bool | None = None
    if own.rounding_volts > 0 and own.hiss_volts <= own.rounding_volts * ratio_from_db(ROUNDING_DB):
        limited = True if own.hiss_a_weighted_volts**2 > 0.5 * own.a_weighted_volts**2 else None
        notes.append(remark("recorder_steps", rounding_volts=own.rounding_volts, hiss_volts=own.hiss_volts))
    if alone is None or own.a_weighted_volts <= 0:
        return limited, notes
    mine, recorders = a_weighted_of_both(own, alone)
    ratio = recorders / max(mine, 1e-300)
    limited = bool(limited) or ratio >= ratio_from_db(-LIMITED_DB)
    if ratio < 1:
        chain = own.a_weighted_volts * float(np.sqrt(1 - ratio**2))
        notes.append(
            remark("recorder_share", share_percent=100 * ratio**2, chain_a_weighted_volts=chain, unit=own.unit)
        )
    else:
        notes.append(remark("recorder_share", share_percent=100.0, chain_a_weighted_volts=None))
    for family in own.families:
        own_too = next((one for one in alone.families if is_same(family, one)), None)
        if own_too is not None and own_too.rms_volts >= family.rms_volts * ratio_from_db(-LIMITED_DB):
            notes.append(remark("recorder_line", **own.named(family)))
    return limited, notes


def _remarks(own: NoiseReading) -> list[Remark]:
    notes: list[Remark] = []
    if own.left_out_seconds > 0:
        notes.append(remark("noise_clicks", left_out_seconds=own.left_out_seconds, seconds=own.seconds))
    if own.calibrated and abs(own.dc_volts) > DC_VOLTS:
        notes.append(danger("dc_at_output", dc_volts=own.dc_volts))
    return notes


def _loudest(own: NoiseReading, changes: Sequence[Remark]) -> tuple[NoiseVerdict, Remark]:
    """The part that is heard most, A-weighted, and where to look for it."""
    hum = [family for family in own.families if _hums(family)]
    whine = [family for family in own.families if not _hums(family)]
    powers: dict[NoiseVerdict, float] = {
        "hum": _power(hum), "whine": _power(whine), "hiss": own.hiss_a_weighted_volts**2
    }  # fmt: skip
    loudest = max(powers, key=lambda name: powers[name])
    share = 100 * powers[loudest] / max(sum(powers.values()), 1e-300)
    if loudest == "hiss":
        return "hiss", remark("hiss", hiss_volts=own.hiss_volts, unit=own.unit, share_percent=share)
    first = max(hum if loudest == "hum" else whine, key=lambda family: family.a_weighted_volts)
    followed = any(
        note.code == "line_family_moves" and note.values["fundamental_hz"] == first.fundamental_hz
        for note in changes
    )
    sends = is_slots(first.fundamental_hz, len(first.orders))
    code = "whine_bursts" if sends else f"{loudest}_{first.kind}"
    return loudest, fault(code, **own.named(first), share_percent=share, followed=followed)


def _hums(family: Family) -> bool:
    return family.kind == "mains" or (family.kind == "unknown" and family.fundamental_hz < HUM_BELOW_HZ)


def _power(families: Sequence[Family]) -> float:
    return sum(family.a_weighted_volts**2 for family in families)
