"""From the plates to the meter: target, tone, gain, sensitivity, headroom.

The pure functions take floats or arrays of one shape (numpy broadcasting); volts are rms. `Channel` gathers
what is known of one channel, `Target` what follows from it. The quantities are defined by the gain model of
this toolkit: the overlap lets a recording of -overlap dBFS reach the target, and louder peaks go beyond.
"""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from gainkit.calculator.amplifier import half_load_ohms
from gainkit.calculator.cautions import channel_cautions
from gainkit.calculator.channel import Channel, MeterLimits, channel_clip_volts
from gainkit.calculator.setting import Target
from gainkit.levels import FloatOrArray, db_from_ratio, ratio_from_db, volts_from_watts, watts_from_volts

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


def plus_minus_volts(
    set_volts: FloatOrArray, meter_percent: float, meter_floor_volts: float, tone_tolerance_db: float
) -> FloatOrArray:
    """Half-width of the interval around set_volts that meter and tone leave open, 95 % coverage [V rms].

    meter_percent : accuracy as a share of the reading [%]; meter_floor_volts : its fixed part, digits times
    resolution [V]; tone_tolerance_db : how far the tone's level may be off [dB]. Meter and tone are
    independent and rectangular within their limits: U = 2 sqrt(a1^2/3 + a2^2/3), and never more than
    a1 + a2, which cannot be exceeded. Source: JCGM 100:2008 (GUM) 4.3.7, 5.1.2 and 6.2, coverage factor 2
    (clause numbers from memory).
    """
    meter = set_volts * (meter_percent / 100.0) + meter_floor_volts
    tone = set_volts * (ratio_from_db(tone_tolerance_db) - 1.0)
    expanded: FloatOrArray = 2.0 * ((meter**2 + tone**2) / 3.0) ** 0.5
    return lower_limit_volts(expanded, meter + tone)


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
        For a channel that cannot be, when it is made: see `Channel`.

    References
    ----------
    Joule's and Ohm's laws; AES17 for 0 dBFS, the full-scale sine; JCGM 100:2008 for `set_plus_minus_volts`. The
    overlap is this toolkit's own gain model: a recording of -overlap dBFS reaches the target.

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
    tone = -channel.overlap_db + 0.0 if channel.tone_dbfs is None else channel.tone_dbfs
    clip = channel_clip_volts(channel)
    speaker = None
    if channel.speaker_watts is not None:
        speaker = speaker_limit_volts(channel.speaker_watts, channel.load_ohms)
    limit = clip if speaker is None else lower_limit_volts(clip, speaker)
    target = target_volts(limit, channel.margin_db)
    shown = set_volts(target, tone, channel.overlap_db)
    gain = sensitivity = None
    if channel.source_volts is not None:
        gain = gain_db(target, channel.source_volts, channel.overlap_db) + 0.0
        sensitivity = None if channel.built_in else sensitivity_volts(clip, gain)
    figures = Target(
        clip_volts=clip,
        clip_watts=watts_from_volts(clip, channel.load_ohms),
        speaker_limit_volts=speaker,
        limited_by="amplifier" if limit == clip else "speaker",
        target_volts=target,
        target_watts=watts_from_volts(target, channel.load_ohms),
        tone_dbfs=tone,
        overlap_db=channel.overlap_db,
        margin_db=channel.margin_db,
        set_volts=shown,
        headroom_db=headroom_db(clip, target * ratio_from_db(channel.overlap_db)) + 0.0,
        source_volts=channel.source_volts,
        gain_db=gain,
        sensitivity_volts=sensitivity,
        cautions=(),
        load_ohms=channel.load_ohms,
        half_load_ohms=half_load_ohms(channel.load_ohms) if channel.bridged else None,
        tone_watts=watts_from_volts(shown, channel.load_ohms),
        set_plus_minus_volts=_plus_minus(shown, channel.meter),
    )
    return replace(figures, cautions=tuple(channel_cautions(channel, figures)))


def _plus_minus(shown_volts: float, meter: MeterLimits) -> float | None:
    if not (meter.percent or meter.floor_volts or meter.tone_tolerance_db):
        return None
    return plus_minus_volts(shown_volts, meter.percent, meter.floor_volts, meter.tone_tolerance_db)
