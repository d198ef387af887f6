"""Which tone suits a channel: filters in the amplifier, and the passive crossover behind it."""

from __future__ import annotations

from collections.abc import Iterator

from gainkit.calculator.channel import Channel
from gainkit.levels import FloatOrArray, power_db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, danger, fault

MID_TONE_HZ = 997.0
"""Tone for full-range channels: 997 Hz, which meets every code of the converter (AES17 practice)."""

BASS_TONE_HZ = 50.0
"""Tone for subwoofer channels (common practice, no source)."""

SUBWOOFER_LOWPASS_HZ = 300.0
"""A channel with a low-pass at or under this gets the bass tone (our choice)."""

FILTER_LOSS_DB = 0.1
"""Loss in a channel's own filters from which its tone is the wrong one [dB] (our choice: a fifth of the
tolerance that a level is set to)."""

LOWEST_TONE_HZ, HIGHEST_TONE_HZ = 20.0, 20_000.0
"""The audible band: where no filter binds, a tone lies in it [Hz] (by convention)."""

CROSSOVER_DISTANCE = 2.0
"""A tone for the woofer stays an octave below a passive crossover [-] (common practice, no source)."""


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
    channel: Channel, allowed_loss_db: float = FILTER_LOSS_DB, order: int = 2
) -> tuple[float, float]:
    """Lowest and highest tone [Hz] that the channel's filters change by less than `allowed_loss_db`.

    A passive crossover sets the upper end an octave below its corner, so that a tone meant for the woofer does
    not reach the tweeter (common practice, no source). Bounds 20 Hz and 20 kHz where nothing else binds.
    """
    shift = (ratio_from_db(2.0 * allowed_loss_db) - 1.0) ** (1.0 / (2 * order))
    low = channel.highpass_hz / shift if channel.highpass_hz else LOWEST_TONE_HZ
    high = channel.lowpass_hz * shift if channel.lowpass_hz else HIGHEST_TONE_HZ
    if channel.crossover_hz:
        high = min(high, channel.crossover_hz / CROSSOVER_DISTANCE)
    return low, high


def default_tone_hz(highpass_hz: float | None, lowpass_hz: float | None) -> float:
    """The tone of our track plan that suits the channel [Hz]."""
    if lowpass_hz is not None and lowpass_hz <= SUBWOOFER_LOWPASS_HZ:
        return BASS_TONE_HZ
    return MID_TONE_HZ


def tone_cautions(channel: Channel, tone_hz: float) -> Iterator[Remark]:
    """What the channel's filters and crossover say about the tone chosen."""
    crossover = channel.crossover_hz
    loss = filter_loss_db(tone_hz, channel.highpass_hz, channel.lowpass_hz)
    if loss > FILTER_LOSS_DB:
        low, high = tone_band_hz(channel)
        fits = low < high
        yield fault(
            "filters_take_level",
            tone_hz=tone_hz, loss_db=loss, low_hz=low if fits else None, high_hz=high if fits else None,
        )  # fmt: skip
    if crossover is not None and tone_hz > crossover / CROSSOVER_DISTANCE:
        yield danger("tone_reaches_tweeter", tone_hz=tone_hz, crossover_hz=crossover)
