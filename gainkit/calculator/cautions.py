"""The cautions that one channel's figures call for: only those that apply to it."""

from __future__ import annotations

from collections.abc import Iterator

from gainkit.calculator import amplifier, clipped, tones
from gainkit.calculator.amplifier import half_load_ohms
from gainkit.calculator.channel import ROUNDING_DB, Channel, follows_supply, plate_ratings
from gainkit.calculator.setting import Target
from gainkit.levels import watts_from_volts
from gainkit.remarks import Remark, danger, fault, remark

HAZARDOUS_VOLTS = 30.0
"""Rms volts above which bare leads are treated as dangerous to touch (common practice; a limit of this size
stands in equipment safety standards, from memory)."""

SPEAKER_TONE_WATTS = 1.0
"""Watts of steady tone above which a loudspeaker left connected is a matter for a caution (our choice)."""

NOMINAL_SHARE = 0.8
"""Lowest impedance over nominal that IEC 60268-5 allows a loudspeaker (from memory)."""

CAUTIOUS_SHARE = 0.995
"""A sagging supply is told once the volts fall below this share [-]: half a percent is less than a meter shows
(our choice)."""

ROUNDING = 1e-9
"""Figures closer than this share of themselves are the same [-]: what floating point leaves."""


def channel_cautions(channel: Channel, figures: Target) -> Iterator[Remark]:
    """Cautions in the order of harm: load, leads, loudspeaker, supply, ratings, tone and meter."""
    yield from _load(channel, figures)
    yield from _leads(channel, figures)
    yield from _loudspeaker(channel, figures)
    yield from _supply(channel)
    yield from _built_in(channel)
    if channel.measured_clip_volts is None:
        yield from _ratings(channel, figures)
    else:
        yield remark(
            "measured_clip_holds_for_its_load",
            measured_clip_volts=channel.measured_clip_volts, load_ohms=channel.load_ohms,
        )  # fmt: skip
    if channel.tone_hz is not None:
        yield from _meter(channel, channel.tone_hz)
        yield from tones.tone_cautions(channel, channel.tone_hz)


def _load(channel: Channel, figures: Target) -> Iterator[Remark]:
    seen = figures.half_load_ohms or channel.load_ohms
    if channel.min_ohms is not None and seen < channel.min_ohms * (1 - ROUNDING):
        yield danger("load_below_minimum", seen_ohms=seen, min_ohms=channel.min_ohms, bridged=channel.bridged)
    real = channel.real_load_ohms
    seen_real = None if real is None else half_load_ohms(real) if channel.bridged else real
    if seen_real is not None and channel.min_ohms is not None and seen_real < NOMINAL_SHARE * channel.min_ohms:
        yield danger(
            "load_below_minimum", seen_ohms=seen_real, min_ohms=channel.min_ohms, bridged=channel.bridged
        )
    if real is not None and real < NOMINAL_SHARE * channel.load_ohms:
        watts = watts_from_volts(figures.target_volts, real)
        yield fault("loudspeaker_not_nominal", real_ohms=real, load_ohms=channel.load_ohms, watts=watts)


def _leads(channel: Channel, figures: Target) -> Iterator[Remark]:
    if channel.bridged or channel.built_in:
        yield danger("ungrounded_output", output="bridged" if channel.bridged else "built-in")
    if figures.clip_volts > HAZARDOUS_VOLTS:
        yield danger("hazardous_volts", clip_volts=figures.clip_volts)


def _loudspeaker(channel: Channel, figures: Target) -> Iterator[Remark]:
    if figures.tone_watts > SPEAKER_TONE_WATTS:
        yield danger("unplug_loudspeakers", tone_watts=figures.tone_watts)
    if figures.speaker_limit_volts is None:
        yield remark("speaker_limit_unknown")
    elif figures.limited_by == "speaker":
        yield danger(
            "loudspeaker_can_be_overloaded",
            clip_watts=figures.clip_watts, speaker_watts=channel.speaker_watts,
        )  # fmt: skip
    if figures.headroom_db < -ROUNDING_DB:
        watts = figures.clip_watts * clipped.power_ratio(-figures.headroom_db)
        yield remark(
            "full_scale_peaks_cut",
            cut_db=-figures.headroom_db, full_scale_watts=watts, clip_watts=figures.clip_watts,
        )  # fmt: skip


def _supply(channel: Channel) -> Iterator[Remark]:
    supply, rated = channel.supply_volts, channel.rated_supply_volts
    if channel.regulated or channel.measured_clip_volts is not None:
        return
    if follows_supply(channel):
        yield remark("supply_must_hold", supply_volts=supply)
        yield danger("engine_indoors")
        if supply is not None and rated is not None and supply > rated:
            yield remark("supply_above_rated", rated_supply_volts=rated)
    elif supply is not None and not channel.built_in:
        yield remark("rated_supply_unknown", supply_volts=supply)
    elif rated is not None and supply is None:
        yield remark("supply_unknown")


def _built_in(channel: Channel) -> Iterator[Remark]:
    ratings = plate_ratings(channel)
    if not channel.built_in or channel.supply_volts is None or not ratings:
        return
    ceiling = amplifier.built_in_limit_volts(channel.supply_volts)
    claimed = amplifier.clip_volts_at_load(ratings, channel.load_ohms)
    if claimed > ceiling * (1 + ROUNDING):
        yield remark(
            "rating_above_built_in_limit",
            claimed_volts=claimed, supply_volts=channel.supply_volts, most_volts=ceiling,
            most_watts=watts_from_volts(ceiling, channel.load_ohms),
        )  # fmt: skip


def _ratings(channel: Channel, figures: Target) -> Iterator[Remark]:
    ratings, load = plate_ratings(channel), channel.load_ohms
    if not ratings:
        return
    if amplifier.contradictory(ratings):
        yield fault("ratings_contradict")
    below, above = amplifier.neighbours(ratings, load)
    if below is None and above is not None:
        yield danger("load_below_lowest_rating", load_ohms=load, lowest_ohms=above.ohms)
    plain_volts = amplifier.clip_volts_at_load(ratings, load)
    cautious = amplifier.clip_volts_with_sag(ratings, load)
    if cautious is not None and cautious < CAUTIOUS_SHARE * plain_volts:
        yield remark(
            "load_between_ratings",
            load_ohms=load, clip_volts=figures.clip_volts,
            cautious_volts=cautious * figures.clip_volts / plain_volts,
        )  # fmt: skip


def _meter(channel: Channel, tone_hz: float) -> Iterator[Remark]:
    low, high = channel.meter.low_hz, channel.meter.high_hz
    if (low is not None and tone_hz < low) or (high is not None and tone_hz > high):
        yield fault("meter_not_made_for_tone", tone_hz=tone_hz, low_hz=low or 0.0, high_hz=high)
