"""Which tone suits a channel: its own filters, the passive crossover behind it, and the meter."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Protocol

from gainkit.calculator.meters import BETTER_METER_HZ, SIMPLE_METER_HZ, MeterLimits
from gainkit.levels import FloatOrArray, power_db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, danger, fault, remark

MID_TONE_HZ = 997.0
"""Tone for full-range channels: 997 Hz, which meets every code of the converter (AES17 practice)."""

BASS_TONE_HZ = 50.0
"""Tone for subwoofer channels (common practice, no source)."""

OTHER_TONES_HZ = (100.0, 200.0, 400.0, 2_000.0, 4_000.0, 6_300.0, 10_000.0, 12_500.0, 16_000.0)
"""Tones for channels whose filters, crossover or meter keep out those two [Hz]: round figures (our choice)."""

SUBWOOFER_LOWPASS_HZ = 300.0
"""A channel with a low-pass at or under this gets the bass tone (our choice)."""

TWEETER_HIGHPASS_HZ = 1_000.0
"""A channel with a high-pass at or above this feeds a tweeter (our choice: tweeters are crossed above it)."""

TWEETER_TONE_WATTS = 1.0
"""Steady tone that a tweeter left connected by mistake takes for the time of a reading [W] (common practice, no
source): the tone for such a channel is so low that it puts in no more."""

FILTER_LOSS_DB = 0.1
"""Loss in a channel's own filters from which its tone is the wrong one [dB] (our choice: a fifth of the
tolerance that a level is set to)."""

KEPT_OUT_DB = 1.0
"""Loss from which the filters keep a tone out, and another is chosen [dB] (our choice: twice the tolerance)."""

LOST_DB = 3.0
"""Loss from which a gain set with the tone is a danger [dB]: beyond the filter's corner, at half the power."""

LOWEST_TONE_HZ, HIGHEST_TONE_HZ = 20.0, 20_000.0
"""The audible band: where no filter binds, a tone lies in it [Hz] (by convention)."""

CROSSOVER_DISTANCE = 2.0
"""A tone for the woofer stays an octave below a passive crossover [-] (common practice, no source)."""


PLAIN_RECORDER_HZ = 48_000.0
"""Sample rate that every audio interface has [Hz]: it holds frequencies below half of that (sampling
theorem)."""

CLIPPING_SHARE = 0.15
"""Up to this share of a recorder's rate the tone's third harmonic is recorded, without which clipping is not
seen [-]: a third of 0.45, where recorders' filters begin."""


class Filtered(Protocol):
    """What bears on a channel's tone: its filters and crossover [Hz], its meter and its overlap [dB]."""

    @property
    def highpass_hz(self) -> float | None: ...
    @property
    def lowpass_hz(self) -> float | None: ...
    @property
    def crossover_hz(self) -> float | None: ...
    @property
    def meter(self) -> MeterLimits: ...
    @property
    def overlap_db(self) -> float: ...


def butterworth_loss_db(frequency_hz: FloatOrArray, corner_hz: float, order: int = 2) -> FloatOrArray:
    """Loss of a Butterworth low-pass [dB]: 10 log10(1 + (f / corner)^(2 order)), positive.

    For a high-pass exchange f and corner. Source: definition of the maximally flat response.
    """
    return power_db_from_ratio(1.0 + (frequency_hz / corner_hz) ** (2 * order))


def filter_loss_db(
    frequency_hz: float, highpass_hz: float | None, lowpass_hz: float | None, order: int = 2
) -> float:
    """Loss of a channel's own filters at a tone [dB], second order (12 dB/octave) unless told otherwise."""
    low = butterworth_loss_db(frequency_hz, lowpass_hz, order) if lowpass_hz else 0.0
    high = butterworth_loss_db(highpass_hz, frequency_hz, order) if highpass_hz else 0.0
    return low + high


def tone_band_hz(
    channel: Filtered, allowed_loss_db: float = FILTER_LOSS_DB, order: int = 2
) -> tuple[float, float]:
    """Lowest and highest tone [Hz] that each of the channel's filters changes by less than `allowed_loss_db`.

    A passive crossover sets the upper end an octave below its corner, so that a tone meant for the woofer does
    not reach the tweeter (common practice, no source). Bounds 20 Hz and 20 kHz where nothing else binds.
    """
    shift = (ratio_from_db(2.0 * allowed_loss_db) - 1.0) ** (1.0 / (2 * order))
    low = channel.highpass_hz / shift if channel.highpass_hz else LOWEST_TONE_HZ
    high = channel.lowpass_hz * shift if channel.lowpass_hz else HIGHEST_TONE_HZ
    if channel.crossover_hz:
        high = min(high, channel.crossover_hz / CROSSOVER_DISTANCE)
    return max(low, LOWEST_TONE_HZ), min(high, HIGHEST_TONE_HZ)


def meter_band_hz(meter: MeterLimits) -> tuple[float, float] | None:
    """The frequencies that the meter is to be believed at [Hz]; None where nothing is known of it.

    An average-responding meter whose page was not looked at has the usual range of simple meters.
    """
    if meter.low_hz is None and meter.high_hz is None:
        return SIMPLE_METER_HZ if meter.kind == "average-responding" else None
    return meter.low_hz or 0.0, math.inf if meter.high_hz is None else meter.high_hz


def feeds_tweeter(channel: Filtered) -> bool:
    """Whether the channel's high-pass is that of a tweeter."""
    return channel.highpass_hz is not None and channel.highpass_hz >= TWEETER_HIGHPASS_HZ


def suiting_tone_hz(channel: Filtered) -> float | None:
    """The tone that suits a channel [Hz]; None where its filters, crossover and meter leave none.

    50 Hz for a subwoofer and 997 Hz for others, unless the filters take more than `KEPT_OUT_DB` of it, it comes
    near the passive crossover, or the meter is not made for it: then the nearest round figure that all of them
    allow, or the middle of what they allow.
    """
    bass = channel.lowpass_hz is not None and channel.lowpass_hz <= SUBWOOFER_LOWPASS_HZ
    usual = BASS_TONE_HZ if bass else MID_TONE_HZ
    known = meter_band_hz(channel.meter)
    for least, most in [known] if known else [(SIMPLE_METER_HZ[0], BETTER_METER_HZ[1]), (0.0, math.inf)]:
        reachable = min(most, _below_crossover(channel))
        if least <= usual <= reachable and _loss_db(channel, usual) <= KEPT_OUT_DB:
            return usual
        for allowed in (FILTER_LOSS_DB, KEPT_OUT_DB / 2):
            low, high = tone_band_hz(channel, allowed)
            low, high = max(low, least), min(high, most)
            if low <= high:
                return nearest_tone_hz(low, high, usual)
    return None


def _below_crossover(channel: Filtered) -> float:
    return channel.crossover_hz / CROSSOVER_DISTANCE if channel.crossover_hz else math.inf


def _loss_db(channel: Filtered, tone_hz: float) -> float:
    return filter_loss_db(tone_hz, channel.highpass_hz, channel.lowpass_hz)


def nearest_tone_hz(low_hz: float, high_hz: float, usual_hz: float) -> float:
    """The tone of the usual ones nearest to the wanted one in a band, or a round figure in its middle."""
    inside = [each for each in (BASS_TONE_HZ, MID_TONE_HZ, *OTHER_TONES_HZ) if low_hz <= each <= high_hz]
    if inside:
        return min(inside, key=lambda each: abs(math.log(each / usual_hz)))
    middle = math.sqrt(low_hz * high_hz)
    tidy = float(f"{middle:.2g}")
    return tidy if low_hz <= tidy <= high_hz else middle


def suiting_tone_dbfs(channel: Filtered, target_watts: float) -> float:
    """Level of the setting tone where none is given [dBFS]: that which reaches the target, less for a tweeter.

    target_watts : power at the target [W]. For a tweeter lower by whole decibels, so that the tone puts no more
    than `TWEETER_TONE_WATTS` into it.
    """
    lower = 0
    if feeds_tweeter(channel) and target_watts > TWEETER_TONE_WATTS:
        lower = math.ceil(power_db_from_ratio(target_watts / TWEETER_TONE_WATTS))
    return -channel.overlap_db - lower + 0.0


def tone_cautions(channel: Filtered, tone_hz: float) -> Iterator[Remark]:
    """What the channel's filters and crossover say about the tone chosen."""
    loss = _loss_db(channel, tone_hz)
    if tone_hz > CLIPPING_SHARE * PLAIN_RECORDER_HZ:
        yield remark("needs_fast_recorder", tone_hz=tone_hz, rate_hz=tone_hz / CLIPPING_SHARE)
    if feeds_tweeter(channel):
        yield danger("tweeter_channel", highpass_hz=channel.highpass_hz)
    if loss > FILTER_LOSS_DB:
        low, high = tone_band_hz(channel)
        meter_hz = meter_band_hz(channel.meter) or (SIMPLE_METER_HZ[0], math.inf)
        low, high = max(low, meter_hz[0]), min(high, meter_hz[1])
        fits = low < high
        grave = danger if loss >= LOST_DB else fault
        yield grave(
            "filters_take_level",
            tone_hz=tone_hz, loss_db=loss, low_hz=low if fits else None, high_hz=high if fits else None,
        )  # fmt: skip
    if tone_hz > _below_crossover(channel):
        yield danger("tone_reaches_tweeter", tone_hz=tone_hz, crossover_hz=channel.crossover_hz)


def meter_cautions(meter: MeterLimits, tone_hz: float) -> Iterator[Remark]:
    """What the meter's range says about the tone chosen."""
    band = meter_band_hz(meter)
    if band is None:
        if not SIMPLE_METER_HZ[0] <= tone_hz <= BETTER_METER_HZ[1]:
            low, high = SIMPLE_METER_HZ[0], BETTER_METER_HZ[1]
            yield fault("meter_may_not_reach_tone", tone_hz=tone_hz, low_hz=low, high_hz=high)
    elif not band[0] <= tone_hz <= band[1]:
        most = None if math.isinf(band[1]) else band[1]
        assumed = meter.low_hz is None and meter.high_hz is None
        yield fault("meter_not_made_for_tone", tone_hz=tone_hz, low_hz=band[0], high_hz=most, assumed=assumed)
