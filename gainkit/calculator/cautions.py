"""The cautions that one channel's figures call for: only those that apply to it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gainkit.calculator import amplifier, clipped, tones
from gainkit.calculator.channel import Channel, follows_supply, plate_ratings

if TYPE_CHECKING:
    from gainkit.calculator.targets import Target

HAZARDOUS_VOLTS = 30.0
"""Rms volts above which bare leads are treated as dangerous to touch (common practice; a limit of this size
stands in equipment safety standards, from memory)."""

SPEAKER_TONE_WATTS = 1.0
"""Watts of steady tone above which a loudspeaker left connected is a matter for a caution (our choice)."""

NOMINAL_SHARE = 0.8
"""Lowest impedance over nominal that IEC 60268-5 allows a loudspeaker (from memory)."""


def channel_cautions(channel: Channel, figures: Target) -> Iterator[str]:
    """Cautions in the order of harm: load, leads, loudspeaker, supply, ratings, tone and meter."""
    yield from _load(channel, figures)
    yield from _leads(channel, figures)
    yield from _loudspeaker(channel, figures)
    yield from _supply(channel)
    yield from _built_in(channel)
    yield from _ratings(channel, figures)
    yield from _tone(channel)


def _load(channel: Channel, figures: Target) -> Iterator[str]:
    seen = figures.half_load_ohms or channel.load_ohms
    if channel.min_ohms is not None and seen < channel.min_ohms * (1 - 1e-9):
        each, a_half = ("each half sees", " a half") if channel.bridged else ("the load is", "")
        yield (
            f"Do not connect this load: {each} {seen:g} ohm, and the amplifier allows no less than "
            f"{channel.min_ohms:g} ohm{a_half}. Wire it higher (see 'gainkit load')."
        )
    real = channel.real_load_ohms
    if real is not None and real < NOMINAL_SHARE * channel.load_ohms:
        yield (
            f"The loudspeaker measures {real:g} ohm, under 80 % of its nominal {channel.load_ohms:g} ohm: it "
            "is another load, or wired another way. At the target it would take "
            f"{figures.target_volts**2 / real:.3g} W."
        )


def _leads(channel: Channel, figures: Target) -> Iterator[str]:
    if channel.bridged or channel.built_in:
        what = "a bridged" if channel.bridged else "a built-in (bridge-tied)"
        yield (
            f"Neither lead of {what} output may touch ground: no grounded probe, no common negative. Measure "
            "across both leads with a battery-powered meter, or as channel 1 minus channel 2."
        )
    if figures.clip_volts > HAZARDOUS_VOLTS:
        yield (
            f"This output can reach {figures.clip_volts:.1f} V rms: connect and disconnect with the amplifier "
            "off, and keep fingers off bare leads."
        )


def _loudspeaker(channel: Channel, figures: Target) -> Iterator[str]:
    if figures.tone_watts > SPEAKER_TONE_WATTS:
        yield (
            "Unplug the loudspeakers while setting: the steady tone would put "
            f"{figures.tone_watts:.3g} W into them, and is loud enough to harm hearing."
        )
    if figures.speaker_limit_volts is None:
        yield "The loudspeaker's power limit is not given, so only the amplifier limits this target."
    elif figures.limited_by == "speaker":
        yield (
            f"The amplifier can give {figures.clip_watts:.3g} W, the loudspeaker takes "
            f"{channel.speaker_watts:g} W: with the source turned past its clean position it can be overloaded "
            "before anything clips."
        )
    if figures.headroom_db < -1e-9:
        cut = -figures.headroom_db
        watts = figures.clip_watts * clipped.power_ratio(cut)
        yield (
            f"Full-scale peaks are cut by {cut:.1f} dB. A full-scale sine would put {watts:.3g} W into the "
            f"load, against {figures.clip_watts:.3g} W at the onset of clipping."
        )


def _supply(channel: Channel) -> Iterator[str]:
    supply, rated = channel.supply_volts, channel.rated_supply_volts
    if channel.regulated or channel.measured_clip_volts is not None:
        return
    if follows_supply(channel):
        yield (
            f"The target holds for a supply of {supply:.4g} V or more at the amplifier under full power. Set "
            "with the engine running or a charger that can keep up (mind exhaust gas indoors)."
        )
        if supply is not None and rated is not None and supply > rated:
            yield (
                f"The supply is above the {rated:g} V of the rating. That the amplifier gains by it is an "
                "assumption: measure the onset of clipping before relying on it."
            )
    elif supply is not None and not channel.built_in:
        yield (
            "The supply voltage of the rating is not given: the rating is taken as it stands at "
            f"{supply:g} V. At a lower supply than rated the amplifier clips earlier."
        )
    elif rated is not None and supply is None:
        yield "The supply voltage under test is not given: the rated one is assumed."


def _built_in(channel: Channel) -> Iterator[str]:
    ratings = plate_ratings(channel)
    if not channel.built_in or channel.supply_volts is None or not ratings:
        return
    ceiling = amplifier.built_in_limit_volts(channel.supply_volts)
    claimed = amplifier.clip_volts_at_load(ratings, channel.load_ohms)
    if claimed > ceiling * (1 + 1e-9):
        yield (
            f"The rating would need {claimed:.2f} V; a bridge-tied stage on {channel.supply_volts:g} V gives "
            f"at most {ceiling:.2f} V ({ceiling**2 / channel.load_ohms:.3g} W) clean. Such ratings count "
            "a square wave (common practice)."
        )


def _ratings(channel: Channel, figures: Target) -> Iterator[str]:
    if channel.measured_clip_volts is not None:
        yield (
            f"The onset of {channel.measured_clip_volts:g} V holds for the load it was measured into. Measured "
            f"with nothing connected it is higher than under {channel.load_ohms:g} ohm: use a dummy load, or "
            "keep a margin."
        )
    ratings = plate_ratings(channel)
    if not ratings or channel.measured_clip_volts is not None:
        return
    load = channel.load_ohms
    if amplifier.contradictory(ratings):
        yield "The ratings contradict each other (more volts into a lower load): check the plate."
    below, above = amplifier.neighbours(ratings, load)
    if below is None and above is not None:
        yield (
            f"The load of {load:g} ohm is below the lowest rated one, {above.ohms:g} ohm: the amplifier is not "
            "rated for it, and the target is a guess until the onset of clipping is measured into this load."
        )
    cautious = amplifier.clip_volts_with_sag(ratings, load)
    if cautious is not None and cautious < 0.995 * amplifier.clip_volts_at_load(ratings, load):
        cautious *= figures.clip_volts / amplifier.clip_volts_at_load(ratings, load)
        yield (
            f"{load:g} ohm lies between two ratings: {figures.clip_volts:.2f} V is the most they allow; with a "
            f"supply that sags evenly it is {cautious:.2f} V. Measure the onset of clipping to know."
        )


def _tone(channel: Channel) -> Iterator[str]:
    meter = channel.meter
    if channel.tone_hz is None:
        return
    below = meter.low_hz is not None and channel.tone_hz < meter.low_hz
    above = meter.high_hz is not None and channel.tone_hz > meter.high_hz
    if below or above:
        low = 0.0 if meter.low_hz is None else meter.low_hz
        reach = f"{low:g} Hz up" if meter.high_hz is None else f"{low:g} to {meter.high_hz:g} Hz"
        yield (
            f"The meter is made for {reach}: do not believe it at {channel.tone_hz:g} Hz. Use a tone it is "
            "made for, or measure a capture."
        )
    yield from tones.tone_cautions(channel)
