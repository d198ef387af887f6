"""The plan of a whole car: a target for every channel, and what the channels say together."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path

from gainkit.calculator.channel import Channel, channel_clip_volts
from gainkit.calculator.feed_cautions import feed_cautions
from gainkit.calculator.feed_model import Feed, FeedFacts
from gainkit.calculator.feeds import power_feed
from gainkit.calculator.leads import hook_up_cautions
from gainkit.calculator.loads import find_loads
from gainkit.calculator.meters import MeterLimits
from gainkit.calculator.noise_split import NoiseStage, noise_at_output
from gainkit.calculator.programme import ProgrammePower, find_programme
from gainkit.calculator.targets import Target, find_target
from gainkit.calculator.trims import full_scale_volts_from
from gainkit.errors import GainkitError
from gainkit.job.system import Source, System, SystemChannel, load_system
from gainkit.levels import db_from_ratio, watts_from_volts
from gainkit.remarks import Remark, fault, remark
from gainkit.results import Result

TOGETHER_DB = 0.5
"""Channels that clip within this of each other clip together [dB] (our choice)."""


@dataclass(frozen=True)
class _Named:
    name: str


@dataclass(frozen=True, repr=False)
class ChannelPlan(Target, _Named):
    """A `Target` with its channel's name and what the plan adds.

    sensitivity_in_range : whether the gain control reaches it; None when its range is not known.
    nearest_sensitivity_volts : the nearest setting it has [V rms]; nearest_error_db : how much louder
    (positive) or quieter than the target that setting is [dB]. supply_volts : what the
    target was scaled to [V]. trim_db : for a radio's own output, how far its level comes down [dB]: its
    gain_db, where that is below 0. programme : long-term power, None without a crest factor. outputs : full
    names of the outputs set alike. highpass_hz, lowpass_hz : the channel's own filters, as the file has them.
    """

    sensitivity_in_range: bool | None
    nearest_sensitivity_volts: float | None
    nearest_error_db: float | None
    supply_volts: float | None
    fed_by: str
    bridged: bool
    built_in: bool
    trim_db: float | None
    outputs: tuple[str, ...]
    programme: ProgrammePower | None
    highpass_hz: float | None = None
    lowpass_hz: float | None = None


@dataclass(frozen=True, repr=False)
class Plan(Result):
    """Every channel's figures; cautions : those of the car as a whole; feed : its power cable, if given."""

    source: Source
    channels: tuple[ChannelPlan, ...]
    cautions: tuple[Remark, ...]
    feed: Feed | None = None

    def channel(self, name: str) -> ChannelPlan:
        """The channel of that name (upper and lower case alike); KeyError when there is none."""
        for each in self.channels:
            if each.name.strip().casefold() == name.strip().casefold():
                return each
        raise KeyError(name)


def channel_plan(path: Path | str, name: str) -> ChannelPlan:
    """The plan of one channel of a system file, by its name.

    Raises GainkitError for a file that cannot be used or a name that is not in it.
    """
    system = load_system(path)
    return plan_system(system).channel(system.channel(name).name)


def plan_system(system: System) -> Plan:
    """All targets of a system. Raises GainkitError where a channel's figures do not suffice."""
    feed = system_feed(system)
    behind_feed = feed is not None and system.supply.at == "battery"
    supply = feed.amplifier_volts if feed is not None and behind_feed else system.supply.volts
    channels = tuple(_plan_channel(each, system.source, supply) for each in system.channels)
    return Plan(system.source, channels, tuple(_cautions(system, channels, feed)), feed)


def system_feed(system: System) -> Feed | None:
    """The feed with every amplifier channel at its onset of clipping; None when no feed is given.

    The power is that of the channels at the supply's own voltage, a little more than the sagged ones deliver:
    the drop errs to the safe side; so does the current where the supply was measured at the amplifier, the same
    volts being taken as the battery's. The radio's own outputs have their own feed and are left out.
    """
    supply = system.supply
    watts = amplifier_watts(system)
    if supply.volts is None or supply.feed_length_m is None or supply.feed_square_mm is None or not watts:
        return None
    return power_feed(
        watts, supply.efficiency, supply.volts, supply.feed_length_m, supply.feed_square_mm,
        facts=_feed_facts(system),
    )  # fmt: skip


def _feed_facts(system: System) -> FeedFacts:
    return FeedFacts(system.supply.feed_material, system.supply.fuse_amperes)


def amplifier_watts(system: System) -> float:
    """Output power of all amplifiers at the onset of clipping, without the radio's own outputs [W]."""
    return sum(
        len(each.outputs) * watts_from_volts(channel_clip_volts(each.channel), each.channel.load_ohms)
        for each in system.channels
        if not each.channel.built_in
    )


def resolved_channel(each: SystemChannel, source: Source, supply_volts: float | None) -> Channel:
    """The calculator's input with the supply at the amplifier and the source's loudspeaker volts filled in.

    A radio's own output is as loud as its onset of clipping says, or as `speaker_volts` says where that is
    louder: its gain, which is its trim, errs to the safe side.
    """
    channel = each.channel
    if not channel.built_in:
        return replace(channel, supply_volts=supply_volts)
    if source.speaker_clip_dbfs is None:
        return channel
    volts = full_scale_volts_from(channel_clip_volts(channel), source.speaker_clip_dbfs)
    return replace(channel, source_volts=max(volts, channel.source_volts or 0.0))


def _plan_channel(each: SystemChannel, source: Source, supply_volts: float | None) -> ChannelPlan:
    channel = resolved_channel(each, source, supply_volts)
    try:
        target = find_target(channel)
    except GainkitError as wrong:
        raise wrong.within("channel", each.name) from wrong
    low, high = channel.sensitivity_min_volts, channel.sensitivity_max_volts
    needed = target.sensitivity_volts
    in_range = nearest = error = None
    if needed is not None and (low is not None or high is not None):
        nearest = max(needed, low or 0.0)
        nearest = min(nearest, high) if high is not None else nearest
        in_range = abs(nearest / needed - 1.0) < 1e-9
        error = 0.0 if in_range else db_from_ratio(needed / nearest)
    trim = None if not channel.built_in or target.gain_db is None else min(0.0, target.gain_db) + 0.0
    cautions = (
        *_source_cautions(each, source, target, trim),
        *_control_cautions(nearest, error, target),
        *target.cautions,
        *_coil_cautions(each),
        *_noise_at_output(each, source, target),
    )
    figures = {item.name: getattr(target, item.name) for item in fields(target)} | {"cautions": cautions}
    return ChannelPlan(
        **figures, name=each.name, sensitivity_in_range=in_range, nearest_sensitivity_volts=nearest,
        nearest_error_db=error, supply_volts=channel.supply_volts,
        fed_by=each.fed_by, bridged=channel.bridged, built_in=channel.built_in, trim_db=trim,
        outputs=tuple(output.name for output in each.outputs),
        programme=_programme(each, target),
        highpass_hz=channel.highpass_hz, lowpass_hz=channel.lowpass_hz,
    )  # fmt: skip


def _programme(each: SystemChannel, target: Target) -> ProgrammePower | None:
    channel = each.channel
    if channel.crest_factor_db is None:
        return None
    below = target.headroom_db + target.overlap_db
    rows = find_programme(
        target.clip_watts, channel.crest_factor_db, (target.overlap_db,), channel.crossover_hz, below,
        channel.highpass_hz, channel.lowpass_hz,
    )  # fmt: skip
    return rows[0]


def _noise_at_output(each: SystemChannel, source: Source, target: Target) -> Iterator[Remark]:
    """What the noise of source and amplifier becomes at the output, where both are known."""
    if each.fed_by != "preamp" or None in (
        each.noise_volts, source.noise_volts, source.preamp_volts, target.gain_db
    ):  # fmt: skip
        return
    assert source.preamp_volts is not None
    assert target.gain_db is not None
    stages = (
        NoiseStage("source", output_noise_volts=source.noise_volts or 0.0),
        NoiseStage("amplifier", output_noise_volts=each.noise_volts or 0.0),
    )
    split = noise_at_output(stages, (0.0, target.gain_db), source.preamp_volts)
    source_volts, amplifier_volts = (stage.output_volts for stage in split.stages)
    yield remark(
        "noise_of_stages",
        source_volts=source_volts, amplifier_volts=amplifier_volts, total_volts=split.total_volts,
        below_target_db=db_from_ratio(target.target_volts / split.total_volts),
        loudest="source" if source_volts > amplifier_volts else "amplifier",
    )  # fmt: skip


def _source_cautions(
    each: SystemChannel, source: Source, target: Target, trim: float | None
) -> Iterator[Remark]:
    """What a radio's loudspeaker output asks for, as a channel of its own or as an amplifier's feed."""
    if trim:
        yield remark(
            "trim_own_level",
            trim_db=trim,
            outputs=tuple(output.name for output in each.outputs),
            clip_dbfs=target.headroom_db + trim,
            overlap_db=target.overlap_db,
            latest_dbfs=target.headroom_db,
        )
    if each.channel.built_in and source.speaker_volts is not None and source.speaker_clip_dbfs is not None:
        by_onset = full_scale_volts_from(target.clip_volts, source.speaker_clip_dbfs)
        apart = db_from_ratio(source.speaker_volts / by_onset)
        if abs(apart) > TOGETHER_DB:
            yield fault(
                "source_figures_disagree",
                speaker_volts=source.speaker_volts, onset_volts=by_onset, apart_db=apart,
            )  # fmt: skip
    if each.fed_by == "speaker-output" and target.source_volts is None:
        yield remark("speaker_output_not_measured", built_in=each.channel.built_in)


def _control_cautions(nearest: float | None, error: float | None, target: Target) -> Iterator[Remark]:
    """What a gain control that does not go far enough costs, and the way out."""
    if nearest is None or not error:
        return
    facts = {"needed_volts": target.sensitivity_volts, "nearest_volts": nearest}
    if error > 0:
        yield fault("gain_control_too_hot", **facts, error_db=error, overlap_db=target.overlap_db + error)
    else:
        yield fault("gain_control_too_low", **facts, error_db=error)


def _coil_cautions(each: SystemChannel) -> Iterator[Remark]:
    if each.coil_ohms is None:
        return
    wirings = find_loads(each.coil_ohms, each.coils, each.drivers).wirings
    load = each.channel.load_ohms
    if not any(abs(wiring.ohms / load - 1.0) < 0.01 for wiring in wirings):
        yield fault("coils_make_other_load", load_ohms=load, possible_ohms=[wiring.ohms for wiring in wirings])


def _cautions(system: System, channels: tuple[ChannelPlan, ...], feed: Feed | None) -> Iterator[Remark]:
    """What concerns the car rather than one channel."""
    yield from _example_cautions(system)
    if any(not (each.bridged or each.built_in) for each in channels):
        yield from hook_up_cautions()
    position = system.source.clean_position
    if position is not None:
        yield remark("set_at_position", position=position)
    else:
        yield remark("position_not_known")
    yield from _supply_cautions(system, feed)
    first, last = (choose(channels, key=lambda each: each.headroom_db) for choose in (min, max))
    if last.headroom_db - first.headroom_db > TOGETHER_DB:
        apart = last.headroom_db - first.headroom_db
        yield remark("clip_apart", first=first.name, last=last.name, apart_db=apart)


def _supply_cautions(system: System, feed: Feed | None) -> Iterator[Remark]:
    """What the supply, its fuse and its feed say of all amplifiers together."""
    supply = system.supply
    if supply.volts is None:
        yield remark("supply_not_given")
        return
    if feed is None and supply.at == "battery" and amplifier_watts(system):
        yield fault("feed_not_given", supply_volts=supply.volts)
    amperes = amplifier_watts(system) / (supply.efficiency * supply.volts)
    if feed is not None:
        amperes = feed.supply_amperes or amperes
        yield remark(
            "feed_loss",
            supply_amperes=amperes,
            lost_volts=feed.lost_volts,
            amplifier_volts=feed.amplifier_volts if supply.at == "battery" else supply.volts,
        )
        yield from feed_cautions(feed, _feed_facts(system))
    elif supply.fuse_amperes is not None and amperes > supply.fuse_amperes:
        yield fault("power_beyond_fuse", supply_amperes=amperes, fuse_amperes=supply.fuse_amperes)


EXAMPLE = Path(__file__).parent / "example_system.toml"


@functools.cache
def _example() -> System:
    return load_system(EXAMPLE)


def _example_cautions(system: System) -> Iterator[Remark]:
    """Places of the file that still hold the example's figures: nobody's car."""
    example = _example()
    theirs = [_own_figures(each) for each in example.channels]
    untouched = [each.name for each in system.channels if _own_figures(each) in theirs]
    same_source = replace(system.source, name=None) == replace(example.source, name=None)
    if same_source or untouched:
        whole = same_source and len(untouched) == len(system.channels)
        yield fault("example_figures", channels=tuple(untouched), source=same_source, whole=whole)


def _own_figures(each: SystemChannel) -> tuple[object, ...]:
    """What stands in a channel's own table, without names and without what other tables say."""
    channel = replace(
        each.channel, source_volts=None, supply_volts=1.0, supply_state=None, supply_tolerance_volts=0.0,
        efficiency=1.0, drop_volts=None, fuse_outputs=1, tone_hz=each.channel.tone_hz or 1.0,
        meter=MeterLimits(),
    )  # fmt: skip
    return channel, each.channel.drop_volts, each.channel.tone_hz, each.fed_by, each.coil_ohms, each.coils
