"""What is known of one amplifier channel, and the volts at which it clips."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from gainkit.calculator.amplifier import (
    Rating,
    bridged_ratings,
    built_in_limit_volts,
    clip_volts_at_load,
    supply_scaled,
)


@dataclass(frozen=True)
class MeterLimits:
    """What the meter's page says: accuracy, and the frequencies it is made for (None: not known)."""

    kind: str = "true-rms"
    percent: float = 0.0
    floor_volts: float = 0.0
    tone_tolerance_db: float = 0.0
    low_hz: float | None = None
    high_hz: float | None = None


@dataclass(frozen=True)
class Channel:
    """What is known of one amplifier channel and of what hangs on it.

    ratings : the plate's watts at ohms; empty when measured_clip_volts is given. per_half : they hold for one
        half of a bridged pair. load_ohms : nominal load [ohm]. speaker_watts : its continuous limit [W].
    margin_db, overlap_db : 0 or more [dB]. tone_dbfs : None for -overlap_db [dBFS]. tone_hz : [Hz].
    source_volts : rms volts for 0 dBFS at the highest clean volume position [V].
    supply_volts, rated_supply_volts : under test and as rated [V]; regulated : the rails do not follow them.
    min_ohms : lowest load that one unbridged channel may drive [ohm], checked per half when bridged.
    measured_clip_volts : onset found with `gainkit onset` [V rms]; replaces what the plate says.
    built_in : the radio's own bridge-tied output stage, limited by the supply itself.
    real_load_ohms : impedance measured at the loudspeaker [ohm].
    highpass_hz, lowpass_hz : filters in the amplifier; crossover_hz : passive crossover behind it [Hz].
    """

    ratings: tuple[Rating, ...]
    load_ohms: float
    speaker_watts: float | None = None
    margin_db: float = 0.0
    overlap_db: float = 0.0
    tone_dbfs: float | None = None
    tone_hz: float | None = None
    source_volts: float | None = None
    supply_volts: float | None = None
    rated_supply_volts: float | None = None
    regulated: bool = False
    min_ohms: float | None = None
    bridged: bool = False
    per_half: bool = False
    measured_clip_volts: float | None = None
    built_in: bool = False
    real_load_ohms: float | None = None
    highpass_hz: float | None = None
    lowpass_hz: float | None = None
    crossover_hz: float | None = None
    meter: MeterLimits = field(default_factory=MeterLimits)


def plate_ratings(channel: Channel) -> tuple[Rating, ...]:
    """The channel's ratings as they hold for its own load (a bridged pair's from one half's, if so given)."""
    return bridged_ratings(channel.ratings) if channel.bridged and channel.per_half else channel.ratings


def channel_clip_volts(channel: Channel) -> float:
    """Rms sine volts at the onset of clipping into the load [V]: measured, or from plate and supply.

    Infinite when nothing is known: no rating, no measurement, no supply of a built-in stage.
    """
    if channel.measured_clip_volts is not None:
        return channel.measured_clip_volts
    ceiling = math.inf
    if channel.built_in and channel.supply_volts is not None:
        ceiling = built_in_limit_volts(channel.supply_volts)
    if not channel.ratings:
        return ceiling
    volts = clip_volts_at_load(plate_ratings(channel), channel.load_ohms)
    if follows_supply(channel):
        assert channel.supply_volts is not None
        assert channel.rated_supply_volts is not None
        volts = supply_scaled(volts, channel.supply_volts, channel.rated_supply_volts)
    return min(volts, ceiling)


def follows_supply(channel: Channel) -> bool:
    """True when the plate's volts are to be scaled to the supply under test."""
    known = channel.supply_volts is not None and channel.rated_supply_volts is not None
    return known and not channel.regulated and channel.measured_clip_volts is None
