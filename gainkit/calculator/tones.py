"""Which tone suits a channel: filters in the amplifier, and the passive crossover behind it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gainkit.levels import FloatOrArray

if TYPE_CHECKING:
    from gainkit.calculator.channel import Channel

MID_TONE_HZ = 997.0
"""Tone for full-range channels: 997 Hz, which meets every code of the converter (AES17 practice)."""

BASS_TONE_HZ = 50.0
"""Tone for subwoofer channels (common practice, no source)."""

SUBWOOFER_LOWPASS_HZ = 300.0
"""A channel with a low-pass at or under this gets the bass tone (our choice)."""


def butterworth_loss_db(frequency_hz: FloatOrArray, corner_hz: float, order: int = 2) -> FloatOrArray:
    """Loss of a Butterworth low-pass [dB]: 10 log10(1 + (f / corner)^(2 order)), positive.

    For a high-pass exchange f and corner. Source: definition of the maximally flat response.
    """
    from gainkit.levels import power_db_from_ratio

    return power_db_from_ratio(1.0 + (frequency_hz / corner_hz) ** (2 * order))


def filter_loss_db(
    frequency_hz: float, highpass_hz: float | None, lowpass_hz: float | None, order: int = 2
) -> float:
    """Loss of a channel's own filters at a tone [dB], second order (12 dB/octave) unless told otherwise."""
    low = butterworth_loss_db(frequency_hz, lowpass_hz, order) if lowpass_hz else 0.0
    high = butterworth_loss_db(highpass_hz, frequency_hz, order) if highpass_hz else 0.0
    return low + high


def tone_band_hz(channel: Channel, allowed_loss_db: float = 0.1, order: int = 2) -> tuple[float, float]:
    """Lowest and highest tone [Hz] that the channel's filters change by less than `allowed_loss_db`.

    A passive crossover sets the upper end an octave below its corner, so that a tone meant for the woofer does
    not reach the tweeter (common practice, no source). Bounds 20 Hz and 20 kHz where nothing else binds.
    """
    reach = (10.0 ** (allowed_loss_db / 10.0) - 1.0) ** (1.0 / (2 * order))
    low = channel.highpass_hz / reach if channel.highpass_hz else 20.0
    high = channel.lowpass_hz * reach if channel.lowpass_hz else 20_000.0
    if channel.crossover_hz:
        high = min(high, channel.crossover_hz / 2.0)
    return low, high


def default_tone_hz(highpass_hz: float | None, lowpass_hz: float | None) -> float:
    """The tone of our track plan that suits the channel [Hz]."""
    if lowpass_hz is not None and lowpass_hz <= SUBWOOFER_LOWPASS_HZ:
        return BASS_TONE_HZ
    return MID_TONE_HZ


def tone_cautions(channel: Channel) -> Iterator[str]:
    """What the channel's filters and crossover say about the tone chosen."""
    assert channel.tone_hz is not None
    tone, crossover = channel.tone_hz, channel.crossover_hz
    loss = filter_loss_db(tone, channel.highpass_hz, channel.lowpass_hz)
    if loss > 0.1:
        low, high = tone_band_hz(channel)
        better = f", or use a tone of {low:.0f} to {high:.0f} Hz" if low < high else ""
        yield (
            f"At {tone:g} Hz the amplifier's own filters take about {loss:.1f} dB (at 12 dB/octave), and the "
            f"gain would come out that much too high: switch them off while setting{better}."
        )
    if crossover is not None and tone > crossover / 2.0:
        yield (
            f"{tone:g} Hz lies less than an octave below the crossover at {crossover:g} Hz: with the "
            "loudspeakers connected it would reach the tweeter. Unplug them, or use a lower tone."
        )
