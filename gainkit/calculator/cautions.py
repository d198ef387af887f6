"""The cautions that one channel's figures call for: only those that apply to it."""

from __future__ import annotations

from collections.abc import Iterator

from gainkit.calculator import amplifier, clipped, tones
from gainkit.calculator.amplifier import half_load_ohms
from gainkit.calculator.channel import (
    ROUNDING_DB,
    Channel,
    built_in_ceiling_volts,
    follows_supply,
    plate_ratings,
)
from gainkit.calculator.feeds import USUAL_SUPPLY_VOLTS
from gainkit.calculator.setting import Target
from gainkit.levels import power_db_from_ratio, watts_from_volts
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

SPEAKER_DANGER_DB = 3.0
"""A full-scale sine this far over the loudspeaker's continuous limit is a danger [dB]: twice the power. Below,
as with any usual overlap on an amplifier of the loudspeaker's own size, it is a remark (our choice)."""

USUAL_OHMS = (0.5, 16.0)
"""Loads of car amplifiers [ohm] (common practice, no source): others are asked about."""

USUAL_DROP_VOLTS = 2.0
"""What a bridge-tied output stage keeps of its supply [V] (common practice, no source)."""

ROUNDING = 1e-9
"""Figures closer than this share of themselves are the same [-]: what floating point leaves."""


def channel_cautions(channel: Channel, figures: Target) -> Iterator[Remark]:
    """Cautions in the order of harm: load, leads, loudspeaker, supply, ratings, tone and meter."""
    yield from _load(channel, figures)
    yield from _swapped(channel)
    yield from _loudspeaker(channel, figures)
    yield from _leads(channel, figures)
    yield from _supply(channel)
    yield from _built_in(channel, figures)
    yield from _fuse(channel, figures)
    if channel.measured_clip_volts is None:
        yield from _ratings(channel, figures)
    else:
        yield remark(
            "measured_clip_holds_for_its_load",
            measured_clip_volts=channel.measured_clip_volts, load_ohms=channel.load_ohms,
        )  # fmt: skip
    yield from tones.meter_cautions(channel.meter, figures.tone_hz)
    yield from tones.tone_cautions(channel, figures.tone_hz)


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


def _swapped(channel: Channel) -> Iterator[Remark]:
    """Figures that no car has, as they come from exchanged ones."""
    low, high = USUAL_OHMS
    for each in channel.ratings:
        if not low <= each.ohms <= high:
            exchanged = low <= each.watts <= high
            yield fault("rating_unusual", watts=each.watts, ohms=each.ohms, exchanged=exchanged)
    if not low <= channel.load_ohms <= high:
        yield fault("load_unusual", load_ohms=channel.load_ohms, low_ohms=low, high_ohms=high)


def _loudspeaker(channel: Channel, figures: Target) -> Iterator[Remark]:
    over = figures.speaker_over_db
    if over is not None and over > ROUNDING_DB:
        told = danger if over >= SPEAKER_DANGER_DB - ROUNDING_DB else remark
        yield told(
            "full_scale_over_loudspeaker",
            over_db=over, full_scale_watts=figures.full_scale_watts, full_scale_volts=figures.full_scale_volts,
            speaker_watts=channel.speaker_watts, average_watts=figures.average_watts,
            crest_factor_db=figures.crest_factor_db, cut=figures.headroom_db < -ROUNDING_DB,
        )  # fmt: skip
    if figures.tone_watts > SPEAKER_TONE_WATTS:
        yield danger("unplug_loudspeakers", tone_watts=figures.tone_watts)
    if figures.speaker_limit_volts is None:
        yield remark("speaker_limit_unknown")
    elif channel.speaker_watts is not None and figures.clip_watts > channel.speaker_watts * (1 + ROUNDING):
        yield remark(
            "loudspeaker_can_be_overloaded",
            clip_watts=figures.clip_watts, speaker_watts=channel.speaker_watts,
        )  # fmt: skip
    if figures.headroom_db < -ROUNDING_DB:
        yield remark(
            "full_scale_peaks_cut",
            cut_db=-figures.headroom_db, full_scale_watts=figures.full_scale_watts,
            clip_watts=figures.clip_watts,
        )  # fmt: skip


def _leads(channel: Channel, figures: Target) -> Iterator[Remark]:
    if channel.bridged or channel.built_in:
        yield danger("ungrounded_output", output="bridged" if channel.bridged else "built-in")
    if figures.clip_volts > HAZARDOUS_VOLTS:
        yield danger("hazardous_volts", clip_volts=figures.clip_volts)


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
    if supply is not None and (follows_supply(channel) or channel.built_in):
        if channel.supply_state == "resting":
            yield fault("supply_measured_at_rest", supply_volts=supply)
        elif channel.supply_state == "idling":
            yield remark("supply_measured_unloaded", supply_volts=supply)


def _built_in(channel: Channel, figures: Target) -> Iterator[Remark]:
    if not channel.built_in or channel.supply_volts is None or channel.measured_clip_volts is not None:
        return
    ceiling, load = built_in_ceiling_volts(channel), channel.load_ohms
    if channel.drop_volts is None and figures.clip_volts > ceiling * (1 - ROUNDING):
        with_drop = amplifier.built_in_limit_volts(channel.supply_volts, USUAL_DROP_VOLTS)
        yield fault(
            "drop_not_known",
            supply_volts=channel.supply_volts, drop_volts=USUAL_DROP_VOLTS, with_drop_volts=max(with_drop, 0.0),
        )  # fmt: skip
    if not channel.ratings:
        return
    claimed = amplifier.clip_volts_at_load(channel.ratings, load)
    clean = amplifier.clip_volts_at_load(plate_ratings(channel), load)
    if clean > ceiling * (1 + ROUNDING):
        over = clipped.overdrive_db_of_power((claimed / ceiling) ** 2)
        thd = clipped.thd_percent(over) if over < clipped.MOST_OVERDRIVE_DB else None
        most = watts_from_volts(ceiling, load)
        yield remark(
            "rating_above_built_in_limit",
            claimed_watts=watts_from_volts(claimed, load), load_ohms=load, supply_volts=channel.supply_volts,
            most_volts=ceiling, most_watts=most, one_percent_watts=most / clipped.onset_share(1.0),
            square_watts=2.0 * most, implied_thd_percent=thd,
        )  # fmt: skip


def _fuse(channel: Channel, figures: Target) -> Iterator[Remark]:
    """Watts that the amplifier's own fuses do not let in."""
    if channel.fuse_amperes is None:
        return
    volts = channel.supply_volts or channel.rated_supply_volts or USUAL_SUPPLY_VOLTS
    watts = figures.clip_watts * channel.fuse_outputs
    most = channel.fuse_amperes * volts * channel.efficiency
    if watts > most * (1 + ROUNDING):
        yield fault(
            "rating_beyond_fuse",
            watts=watts, outputs=channel.fuse_outputs, most_watts=most, fuse_amperes=channel.fuse_amperes,
            supply_volts=volts, efficiency=channel.efficiency,
            drawn_amperes=watts / (volts * channel.efficiency),
        )  # fmt: skip


def _ratings(channel: Channel, figures: Target) -> Iterator[Remark]:
    ratings, load = plate_ratings(channel), channel.load_ohms
    if not ratings:
        return
    if channel.rated_thd_percent > amplifier.CLEAN_THD_PERCENT:
        share = clipped.onset_share(channel.rated_thd_percent)
        yield remark(
            "rated_at_distortion",
            thd_percent=channel.rated_thd_percent, rated_watts=ratings[0].watts / share,
            clean_watts=ratings[0].watts, lower_db=-power_db_from_ratio(share),
        )  # fmt: skip
    if amplifier.contradictory(ratings):
        yield fault("ratings_contradict")
    below, above = amplifier.neighbours(ratings, load)
    if below is None and above is not None:
        yield danger("load_below_lowest_rating", load_ohms=load, lowest_ohms=above.ohms)
    most = figures.most_clip_volts
    if most is not None and figures.clip_volts < CAUTIOUS_SHARE * most:
        yield remark("load_between_ratings", load_ohms=load, clip_volts=most, cautious_volts=figures.clip_volts)
