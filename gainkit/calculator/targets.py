"""From the plates to the meter: target, tone, gain, sensitivity, headroom.

The pure functions take floats or arrays of one shape (numpy broadcasting); volts are rms. `Channel` gathers
what is known of one channel, `Target` what follows from it. The quantities are defined by the gain model of
this toolkit: the overlap lets a recording of -overlap dBFS reach the target, and louder peaks go beyond.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal, cast

from gainkit.calculator import clipped, tones
from gainkit.calculator.amplifier import half_load_ohms
from gainkit.calculator.cautions import ROUNDING, channel_cautions
from gainkit.calculator.channel import Channel, channel_clip_volts, most_clip_volts
from gainkit.calculator.meters import average_open_percent
from gainkit.calculator.programme import USUAL_CREST_DB, find_programme
from gainkit.calculator.setting import Target
from gainkit.errors import GainkitError
from gainkit.levels import (
    FloatOrArray,
    db_from_ratio,
    power_db_from_ratio,
    ratio_from_db,
    volts_from_watts,
    watts_from_volts,
)

__all__ = ["Target", "find_target"]

# ---- one quantity each -------------------------------------------------------------------------------------


def speaker_limit_volts(speaker_watts: FloatOrArray, load_ohms: FloatOrArray) -> FloatOrArray:
    """Rms volts at the continuous power limit of what hangs on the channel: sqrt(P R) [V]."""
    return volts_from_watts(speaker_watts, load_ohms)


def target_volts(limit_volts: FloatOrArray, margin_db: FloatOrArray) -> FloatOrArray:
    """The lower limit [V rms] less the margin kept in hand [dB]: U / 10^(margin/20) [V rms]."""
    target: FloatOrArray = limit_volts / ratio_from_db(margin_db)
    return target


def lower_limit_volts(clip_volts: FloatOrArray, speaker_volts: FloatOrArray) -> FloatOrArray:
    """The lower of amplifier and loudspeaker limit, element by element [V rms]."""
    if isinstance(clip_volts, (int, float)) and isinstance(speaker_volts, (int, float)):
        return min(clip_volts, speaker_volts)
    import numpy as np

    return cast(FloatOrArray, np.minimum(clip_volts, speaker_volts))


def set_volts(target_volts: FloatOrArray, tone_dbfs: FloatOrArray, overlap_db: FloatOrArray) -> FloatOrArray:
    """What the meter should read with that tone: target x 10^((tone + overlap)/20) [V rms]."""
    shown: FloatOrArray = target_volts * ratio_from_db(tone_dbfs + overlap_db)
    return shown


def gain_db(target_volts: FloatOrArray, source_volts: FloatOrArray, overlap_db: FloatOrArray) -> FloatOrArray:
    """Voltage gain from source to loudspeaker [dB]: 20 log10(target / (source x 10^(-overlap/20)))."""
    return db_from_ratio(target_volts / (source_volts * ratio_from_db(-overlap_db)))


def sensitivity_volts(clip_volts: FloatOrArray, gain_db: FloatOrArray) -> FloatOrArray:
    """Input rms volts that give clip_volts at that gain: clip / 10^(gain/20) [V rms]."""
    needed: FloatOrArray = clip_volts / ratio_from_db(gain_db)
    return needed


def gain_db_from_sensitivity(clip_volts: FloatOrArray, sensitivity_volts: FloatOrArray) -> FloatOrArray:
    """Gain of a channel whose sensitivity is those input volts [dB]: the inverse of `sensitivity_volts`."""
    return db_from_ratio(clip_volts / sensitivity_volts)


def output_volts(source_volts: FloatOrArray, gain_db: FloatOrArray, level_dbfs: FloatOrArray) -> FloatOrArray:
    """Rms volts that a tone of that level would have at the output if nothing clipped [V rms]."""
    wanted: FloatOrArray = source_volts * ratio_from_db(gain_db + level_dbfs)
    return wanted


def headroom_db(clip_volts: FloatOrArray, full_scale_output_volts: FloatOrArray) -> FloatOrArray:
    """20 log10(clip / output for a 0 dBFS tone) [dB]; negative: full-scale peaks are cut by that much."""
    return db_from_ratio(clip_volts / full_scale_output_volts)


def headroom_at_gain_db(
    clip_volts: FloatOrArray, source_volts: FloatOrArray, gain_db: FloatOrArray, level_dbfs: FloatOrArray
) -> FloatOrArray:
    """Room left above a recording of that peak level at that gain [dB]; negative: clipped by that much."""
    return headroom_db(clip_volts, output_volts(source_volts, gain_db, level_dbfs))


def full_scale_watts(clip_watts: float, headroom_db: float) -> float:
    """What a 0 dBFS sine puts into the load [W]: clip_watts less the headroom, or cut at hard rails beyond it.

    Source: closed form of the hard clip, `clipped.power_ratio`.
    """
    if headroom_db >= 0.0:
        return clip_watts / ratio_from_db(2.0 * headroom_db)
    return clip_watts * clipped.power_ratio(-headroom_db)


def full_scale_limit_volts(clip_volts: float, allowed_watts: float, load_ohms: float) -> float:
    """The largest sine that, cut at the rails, puts no more than those watts into the load [V rms, uncut].

    Below the onset of clipping sqrt(P R); beyond it the closed form of the hard clip read backwards; infinite
    from twice the power at the onset on, which not even a square wave exceeds.
    """
    over = clipped.overdrive_db_of_power(allowed_watts / watts_from_volts(clip_volts, load_ohms))
    if over <= 0.0:
        return volts_from_watts(allowed_watts, load_ohms)
    return clip_volts * ratio_from_db(over) if math.isfinite(over) else math.inf


def uncertainty_volts(
    set_volts: FloatOrArray,
    meter_percent: float,
    meter_floor_volts: float,
    tone_tolerance_db: float,
    *others_volts: float,
) -> FloatOrArray:
    """Half-width of the interval around set_volts that is left open, 95 % coverage [V rms].

    meter_percent : accuracy as a share of the reading [%]; meter_floor_volts : its fixed part, digits times
    resolution [V]; tone_tolerance_db : how far the tone's level may be off [dB]; others_volts : what supply and
    load, each being off as far as it may, change in set_volts [V]. All are independent and rectangular within
    their limits: U = 2 sqrt(sum of a^2 / 3), and never more than the sum of a, which cannot be exceeded.
    Source: JCGM 100:2008 (GUM) 4.3.7, 5.1.2 and 6.2, coverage factor 2 (clause numbers from memory).
    """
    meter = set_volts * (meter_percent / 100.0) + meter_floor_volts
    tone = set_volts * (ratio_from_db(tone_tolerance_db) - 1.0)
    squares = meter**2 + tone**2 + sum(each**2 for each in others_volts)
    expanded: FloatOrArray = 2.0 * (squares / 3.0) ** 0.5
    return lower_limit_volts(expanded, meter + tone + sum(others_volts))


def find_target(channel: Channel) -> Target:
    """What the meter should read for one channel, and all that follows from it.

    Parameters
    ----------
    channel : Channel
        What is known of the amplifier, of what hangs on it and of the meter.

    Returns
    -------
    Target
        Volts are rms [V], powers continuous [W], levels and gains in decibels; scalars all. `set_volts` is the
        figure to set, with the tone at `tone_dbfs`; `cautions` holds what applies to this channel.

    Raises
    ------
    GainkitError
        For a channel that cannot be, when it is made: see `Channel`; `guard_band_leaves_nothing` where the
        uncertainty to be taken off is as large as the target.

    References
    ----------
    Joule's and Ohm's laws; AES17 for 0 dBFS, the full-scale sine; JCGM 100:2008 for `set_uncertainty_volts`.
    The overlap is this toolkit's own gain model: a recording of -overlap dBFS reaches the target.

    Examples
    --------
    >>> from gainkit.calculator.amplifier import Rating
    >>> front = Channel((Rating(75, 4),), load_ohms=4, overlap_db=5, source_volts=5)
    >>> found = find_target(front)
    >>> round(found.set_volts, 2), found.tone_dbfs
    (17.32, -5.0)
    >>> round(found.gain_db, 2), round(found.sensitivity_volts, 2)
    (15.79, 2.81)
    >>> [caution.code for caution in found.cautions]
    ['unplug_loudspeakers', 'speaker_limit_unknown', 'full_scale_peaks_cut']
    """
    clip, most, load = channel_clip_volts(channel), most_clip_volts(channel), channel.load_ohms
    target, limited_by = _target_of(channel)
    tone = channel.tone_dbfs
    if tone is None:
        tone = tones.suiting_tone_dbfs(channel, watts_from_volts(target, load))
    shown = set_volts(target, tone, channel.overlap_db)
    spread = _uncertainty(channel, shown, target)
    guard = None
    if channel.meter.guard_band:
        guard = spread or 0.0
        if guard >= shown:
            raise GainkitError(
                "guard_band_leaves_nothing", "guard_band", True, set_volts=shown, guard_volts=guard
            )
        target, shown = target * (1.0 - guard / shown), shown - guard
    gain = sensitivity = None
    if channel.source_volts is not None:
        gain = gain_db(target, channel.source_volts, channel.overlap_db) + 0.0
        sensitivity = None if channel.built_in else sensitivity_volts(clip, gain)
    headroom = headroom_db(clip, target * ratio_from_db(channel.overlap_db)) + 0.0
    clip_watts = watts_from_volts(clip, load)
    loudest_watts = full_scale_watts(clip_watts, headroom)
    crest = USUAL_CREST_DB if channel.crest_factor_db is None else channel.crest_factor_db
    speaker = channel.speaker_watts
    figures = Target(
        clip_volts=clip,
        clip_watts=clip_watts,
        speaker_limit_volts=None if speaker is None else speaker_limit_volts(speaker, load),
        limited_by=limited_by,
        target_volts=target,
        target_watts=watts_from_volts(target, load),
        tone_dbfs=tone,
        overlap_db=channel.overlap_db,
        margin_db=channel.margin_db,
        set_volts=shown,
        headroom_db=headroom,
        source_volts=channel.source_volts,
        gain_db=gain,
        sensitivity_volts=sensitivity,
        cautions=(),
        load_ohms=load,
        half_load_ohms=half_load_ohms(load) if channel.bridged else None,
        tone_watts=watts_from_volts(shown, load),
        set_uncertainty_volts=spread,
        guard_band_volts=guard,
        tone_hz=tone_hz_of(channel),
        full_scale_volts=volts_from_watts(loudest_watts, load),
        full_scale_watts=loudest_watts,
        speaker_over_db=None if speaker is None else power_db_from_ratio(loudest_watts / speaker),
        average_watts=_average_watts(channel, clip_watts, crest, headroom),
        crest_factor_db=crest,
        most_clip_volts=most if most > clip * (1.0 + ROUNDING) else None,
    )
    return replace(figures, cautions=tuple(channel_cautions(channel, figures)))


def tone_hz_of(channel: Channel) -> float:
    """Frequency of the setting tone [Hz]: as given, or the one that suits; none is no channel."""
    suiting = tones.suiting_tone_hz(channel) if channel.tone_hz is None else channel.tone_hz
    return tones.MID_TONE_HZ if suiting is None else suiting


def _target_of(channel: Channel) -> tuple[float, Literal["amplifier", "speaker"]]:
    """Target [V rms] without a guard band, and what limits it."""
    clip, load, watts = channel_clip_volts(channel), channel.load_ohms, channel.speaker_watts
    by_amplifier = target_volts(clip, channel.margin_db)
    if watts is None:
        return by_amplifier, "amplifier"
    if channel.overlap_limit == "both":
        by_speaker = target_volts(speaker_limit_volts(watts, load), channel.margin_db)
    else:
        allowed = watts / ratio_from_db(2.0 * channel.margin_db)
        most = full_scale_limit_volts(clip, allowed, load)
        by_speaker = most / ratio_from_db(channel.overlap_db)
    return (by_speaker, "speaker") if by_speaker < by_amplifier else (by_amplifier, "amplifier")


def _average_watts(channel: Channel, clip_watts: float, crest_db: float, headroom: float) -> float:
    """What programme whose peaks are full scale puts into the load in the long run [W]."""
    overlap = channel.overlap_db
    filters = channel.highpass_hz, channel.lowpass_hz
    below = headroom + overlap
    return find_programme(clip_watts, crest_db, (overlap,), None, below, *filters)[0].average_watts


NUDGE = 1e-4
"""Share by which supply and load are lowered to see what the target makes of it [-]."""


TONE_THD_PERCENT = 1.0
"""THD that a setting tone may have and still count as clean [%]: the limit that clipping is judged by."""


def _uncertainty(channel: Channel, shown_volts: float, target: float) -> float | None:
    """`uncertainty_volts` of what is known to be open; None where nothing is."""
    meter = channel.meter
    others = []
    if channel.supply_tolerance_volts and channel.supply_volts:
        open_share = channel.supply_tolerance_volts / channel.supply_volts
        others.append(shown_volts * open_share * _slope(channel, "supply_volts", target))
    if channel.load_tolerance_percent:
        open_share = channel.load_tolerance_percent / 100.0
        others.append(shown_volts * open_share * _slope(channel, "load_ohms", target))
    if meter.kind == "average-responding":
        others.append(shown_volts * average_open_percent(TONE_THD_PERCENT) / 100.0)
    if not (meter.percent or meter.floor_volts or meter.tone_tolerance_db or any(others)):
        return None
    return uncertainty_volts(shown_volts, meter.percent, meter.floor_volts, meter.tone_tolerance_db, *others)


def _slope(channel: Channel, field: str, target: float) -> float:
    """Relative change of the target for a relative change of one figure [-], as a size."""
    value = getattr(channel, field)
    lower = _target_of(replace(channel, **{field: value * (1.0 - NUDGE)}))[0]
    return abs(target - lower) / (NUDGE * target)
