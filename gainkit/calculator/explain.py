"""Where each figure comes from: one line a step, formula and numbers filled in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from gainkit.calculator.amplifier import neighbours
from gainkit.calculator.channel import Channel, follows_supply, plate_ratings
from gainkit.calculator.targets import Target


@dataclass(frozen=True)
class Step:
    """One step. line : 'quantity = formula = figures = result'. because : where the formula comes from.

    main : belongs to the short answer; the others are shown on request.
    """

    line: str
    because: str
    main: bool = True


def explain(channel: Channel, figures: Target) -> Iterator[Step]:
    """All steps from the plates to the meter and the gain, in the order of reckoning."""
    yield from _clip_steps(channel, figures)
    if figures.speaker_limit_volts is not None:
        yield Step(
            f"speaker limit = sqrt(speaker watts x load) = sqrt({channel.speaker_watts:g} W x "
            f"{channel.load_ohms:g} ohm) = {figures.speaker_limit_volts:.2f} V",
            "Joule's and Ohm's laws; continuous power",
        )
    yield from _target_steps(figures)
    if channel.real_load_ohms is not None:
        real = channel.real_load_ohms
        yield Step(
            f"power in the real load = target^2 / {real:g} ohm = {figures.target_volts**2 / real:.1f} W",
            "nominal impedance is a name; the measured one takes the power",
            main=False,
        )
    yield from _gain_steps(figures)


def _clip_steps(channel: Channel, figures: Target) -> Iterator[Step]:
    load = channel.load_ohms
    if channel.bridged:
        yield Step(
            f"each half sees load / 2 = {load:g} ohm / 2 = {load / 2:g} ohm",
            "two halves in series, each with half the volts",
        )
    if channel.measured_clip_volts is not None:
        yield Step(f"clip = {figures.clip_volts:.2f} V, measured", "the onset of clipping as measured")
    elif channel.ratings:
        yield from _rating_steps(channel, figures)
    if channel.built_in and channel.supply_volts is not None:
        most = channel.supply_volts / 2**0.5
        yield Step(
            f"bridge-tied stage at most = supply / sqrt(2) = {channel.supply_volts:g} V / 1.414 = {most:.2f} V",
            "each lead swings between zero and the supply; a sine's peak is sqrt(2) times its rms",
            main=not channel.ratings or abs(most - figures.clip_volts) < 1e-9,
        )
    yield Step(
        f"clip power = clip^2 / load = ({figures.clip_volts:.2f} V)^2 / {load:g} ohm = "
        f"{figures.clip_watts:.1f} W",
        "Joule's and Ohm's laws",
        main=False,
    )


def _rating_steps(channel: Channel, figures: Target) -> Iterator[Step]:
    ratings, load = plate_ratings(channel), channel.load_ohms
    below, above = neighbours(ratings, load)
    scale = ""
    if follows_supply(channel):
        scale = f" x {channel.supply_volts:g} V / {channel.rated_supply_volts:g} V"
    end = f"{scale} = {figures.clip_volts:.2f} V" if not channel.built_in else scale
    laws = "Joule's and Ohm's laws"
    if scale:
        laws += "; the rails of an unregulated amplifier follow its supply"
    elif channel.regulated:
        laws += "; regulated, so the supply does not matter"
    one = above or below
    if below is not None and above is not None and below is not above:
        yield Step(
            f"clip = lower of sqrt({above.watts:g} W x {above.ohms:g} ohm) = {above.volts:.2f} V and "
            f"sqrt({below.watts:g} W / {below.ohms:g} ohm) x {load:g} ohm = {below.amperes * load:.2f} V{end}",
            f"between two ratings the upper proves volts, the lower amperes; {laws}",
        )
    elif below is None and above is not None and len(ratings) > 1:
        yield Step(
            f"clip = sqrt({above.watts:g} W / {above.ohms:g} ohm) x {load:g} ohm{end}",
            f"below the lowest rating its amperes are the limit; {laws}",
        )
    elif one is not None:
        yield Step(
            f"clip = sqrt(rated watts x rated ohms) = sqrt({one.watts:g} W x {one.ohms:g} ohm){end}", laws
        )


def _target_steps(figures: Target) -> Iterator[Step]:
    lower = "clip" if figures.limited_by == "amplifier" else "speaker limit"
    if figures.margin_db:
        yield Step(
            f"target = {lower} / 10^(margin/20) = "
            f"{_limit(figures):.2f} V / 10^({figures.margin_db:g}/20) = {figures.target_volts:.2f} V",
            "the lower limit, less the margin kept in hand",
        )
    else:
        yield Step(f"target = {lower} = {figures.target_volts:.2f} V", "the lower limit; no margin asked")
    yield Step(
        f"set = target x 10^((tone + overlap)/20) = {figures.target_volts:.2f} V x "
        f"10^(({figures.tone_dbfs:g} + {figures.overlap_db:g})/20) = {figures.set_volts:.2f} V",
        "a recording of -overlap dBFS reaches the target; the tone is that much below or at it",
    )
    if figures.set_plus_minus_volts is not None:
        yield Step(
            f"set is known to +-{figures.set_plus_minus_volts:.2f} V",
            "meter accuracy and tone tolerance, rectangular, coverage factor 2 (GUM)",
        )
    yield Step(
        f"target power = target^2 / load = ({figures.target_volts:.2f} V)^2 / {figures.load_ohms:g} ohm = "
        f"{figures.target_watts:.1f} W",
        "Joule's and Ohm's laws",
        main=False,
    )


def _limit(figures: Target) -> float:
    speaker = figures.speaker_limit_volts
    return figures.clip_volts if figures.limited_by == "amplifier" or speaker is None else speaker


def _gain_steps(figures: Target) -> Iterator[Step]:
    overlap = figures.overlap_db
    if figures.source_volts is not None and figures.gain_db is not None:
        source = figures.source_volts * 10 ** (-overlap / 20)
        yield Step(
            f"source at {-overlap + 0.0:g} dBFS = source x 10^(-overlap/20) = {figures.source_volts:.2f} V x "
            f"10^(-{overlap:g}/20) = {source:.2f} V",
            "definition of dBFS: 0 dBFS is the full-scale sine (AES17)",
            main=False,
        )
        yield Step(
            f"gain = 20 log10({figures.target_volts:.2f} V / {source:.2f} V) = {figures.gain_db:.2f} dB",
            "target over what the source gives for a recording of -overlap dBFS",
        )
    if figures.sensitivity_volts is not None:
        yield Step(
            f"sensitivity = clip / 10^(gain/20) = {figures.clip_volts:.2f} V / 10^({figures.gain_db:.2f}/20) = "
            f"{figures.sensitivity_volts:.2f} V",
            "input volts that bring the output to clipping: the figure on the gain control",
        )
    yield Step(
        f"headroom = 20 log10(clip / (target x 10^(overlap/20))) = {figures.headroom_db:.2f} dB",
        "room above a full-scale sine; negative: its peaks are cut by that much",
        main=False,
    )
