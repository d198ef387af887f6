"""Where each figure comes from: one line a step, formula and numbers filled in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from gainkit.calculator.amplifier import CLEAN_THD_PERCENT, clip_volts_with_sag, neighbours
from gainkit.calculator.channel import Channel, built_in_ceiling_volts, follows_supply, plate_ratings
from gainkit.calculator.clipped import onset_share
from gainkit.calculator.setting import Target
from gainkit.figures import plain
from gainkit.levels import ratio_from_db

ROUNDING_VOLTS = 1e-9
"""Volts closer than this are the same [V]: what floating point leaves."""


def _g(figure: float | None) -> str:
    """A figure as it was given: six digits, never a power of ten."""
    return "-" if figure is None else plain(figure, 6)


@dataclass(frozen=True)
class ExplainedStep:
    """One step. line : 'quantity = formula = figures = result'. because : where the formula comes from.

    main : belongs to the short answer; the others are shown on request.
    """

    line: str
    because: str
    main: bool = True


def explain(channel: Channel, figures: Target) -> Iterator[ExplainedStep]:
    """All steps from the plates to the meter and the gain, in the order of the calculation."""
    yield from _clip_steps(channel, figures)
    if figures.speaker_limit_volts is not None:
        yield ExplainedStep(
            f"speaker limit = sqrt(speaker watts x load) = sqrt({_g(channel.speaker_watts)} W x "
            f"{_g(channel.load_ohms)} ohm) = {figures.speaker_limit_volts:.2f} V",
            "Joule's and Ohm's laws; continuous power",
        )
    yield from _target_steps(channel, figures)
    if channel.real_load_ohms is not None:
        real = channel.real_load_ohms
        yield ExplainedStep(
            f"power in the real load = target^2 / {_g(real)} ohm = {figures.target_volts**2 / real:.1f} W",
            "nominal impedance is a name; the measured one takes the power",
            main=False,
        )
    yield from _gain_steps(figures)
    yield ExplainedStep(
        f"full scale = {figures.full_scale_volts:.2f} V into {_g(figures.load_ohms)} ohm = "
        f"{figures.full_scale_watts:.1f} W",
        "target x 10^(overlap/20), cut at hard rails beyond the onset of clipping (closed form)",
        main=False,
    )


def _clip_steps(channel: Channel, figures: Target) -> Iterator[ExplainedStep]:
    load = channel.load_ohms
    if channel.bridged:
        yield ExplainedStep(
            f"each half sees load / 2 = {_g(load)} ohm / 2 = {_g(load / 2)} ohm",
            "two halves in series, each with half the volts",
        )
    if channel.measured_clip_volts is not None:
        yield ExplainedStep(f"clip = {figures.clip_volts:.2f} V, measured", "the onset of clipping as measured")
    elif channel.ratings:
        yield from _rating_steps(channel, figures)
    if channel.built_in and channel.supply_volts is not None:
        most = built_in_ceiling_volts(channel)
        drop = channel.drop_volts
        less, known = ("", f"{_g(channel.supply_volts)} V")
        if drop:
            less, known = " - drop", f"{_g(channel.supply_volts)} V - {_g(drop)} V"
        supply, figures_in = (f"(supply{less})", f"({known})") if drop else ("supply", known)
        yield ExplainedStep(
            f"bridge-tied stage at most = {supply} / sqrt(2) = {figures_in} / 1.414 = {most:.2f} V",
            "each lead swings between zero and the supply; a sine's peak is sqrt(2) times its rms",
            main=not channel.ratings or abs(most - figures.clip_volts) < ROUNDING_VOLTS,
        )
    yield ExplainedStep(
        f"clip power = clip^2 / load = ({figures.clip_volts:.2f} V)^2 / {_g(load)} ohm = "
        f"{figures.clip_watts:.1f} W",
        "Joule's and Ohm's laws",
        main=False,
    )


def _rating_steps(channel: Channel, figures: Target) -> Iterator[ExplainedStep]:
    ratings, load = plate_ratings(channel), channel.load_ohms
    below, above = neighbours(ratings, load)
    if channel.rated_thd_percent > CLEAN_THD_PERCENT:
        share = onset_share(channel.rated_thd_percent)
        for each in ratings:
            yield ExplainedStep(
                f"onset of {_g(each.watts / share)} W at {_g(channel.rated_thd_percent)} % THD = "
                f"{_g(each.watts / share)} W x {share:.4f} = {each.watts:.1f} W into {_g(each.ohms)} ohm",
                "closed form of a sine cut at hard rails: a model",
            )
    scale = ""
    if follows_supply(channel):
        scale = f" x {_g(channel.supply_volts)} V / {_g(channel.rated_supply_volts)} V"
    end = f"{scale} = {figures.clip_volts:.2f} V" if not channel.built_in else scale
    laws = "Joule's and Ohm's laws"
    if scale:
        laws += "; the rails of an unregulated amplifier follow its supply"
    elif channel.regulated:
        laws += "; regulated, so the supply does not matter"
    one = above or below
    sagging = clip_volts_with_sag(ratings, load)
    if below is not None and above is not None and sagging is not None and figures.most_clip_volts is not None:
        yield ExplainedStep(
            f"clip = load line of {_g(load)} ohm on the straight sag from {above.volts:.2f} V at "
            f"{above.amperes:.2f} A to {below.volts:.2f} V at {below.amperes:.2f} A{end}",
            f"between two ratings the supply sags evenly: the safe bound; {laws}",
        )
        yield ExplainedStep(
            f"at most = lower of {above.volts:.2f} V and {below.amperes:.2f} A x {_g(load)} ohm"
            f"{scale} = {figures.most_clip_volts:.2f} V",
            "the upper rating proves volts, the lower amperes: the other bound",
            main=False,
        )
    elif below is not None and above is not None and below is not above:
        yield ExplainedStep(
            f"clip = lower of sqrt({_g(above.watts)} W x {_g(above.ohms)} ohm) = {above.volts:.2f} V and "
            f"sqrt({_g(below.watts)} W / {_g(below.ohms)} ohm) x {_g(load)} ohm = "
            f"{below.amperes * load:.2f} V{end}",
            f"between two ratings the upper proves volts, the lower amperes; {laws}",
        )
    elif below is None and above is not None and len(ratings) > 1:
        yield ExplainedStep(
            f"clip = sqrt({_g(above.watts)} W / {_g(above.ohms)} ohm) x {_g(load)} ohm{end}",
            f"below the lowest rating its amperes are the limit; {laws}",
        )
    elif one is not None:
        yield ExplainedStep(
            f"clip = sqrt(rated watts x rated ohms) = sqrt({_g(one.watts)} W x {_g(one.ohms)} ohm){end}", laws
        )


def _target_steps(channel: Channel, figures: Target) -> Iterator[ExplainedStep]:
    lower = "clip" if figures.limited_by == "amplifier" else "speaker limit"
    if figures.guard_band_volts is not None:
        yield ExplainedStep(
            f"guard band = uncertainty of the volts to set = {figures.guard_band_volts:.2f} V, taken off below",
            "so that the true volts stay below the limit (JCGM 106: a guard band as wide as the uncertainty)",
        )
    guarded = "" if figures.guard_band_volts is None else ", less the guard band"
    if channel.overlap_limit == "amplifier" and figures.limited_by == "speaker":
        most = (figures.target_volts + (figures.guard_band_volts or 0.0)) * ratio_from_db(figures.overlap_db)
        yield ExplainedStep(
            f"target = largest sine within the speaker limit / 10^(overlap/20){guarded} = "
            f"{most:.2f} V / 10^({_g(figures.overlap_db)}/20) = {figures.target_volts:.2f} V",
            "a full-scale sine stays within the loudspeaker's limit, less the margin",
        )
    elif figures.margin_db:
        yield ExplainedStep(
            f"target = {lower} / 10^(margin/20) = "
            f"{_limit(figures):.2f} V / 10^({_g(figures.margin_db)}/20){guarded} = "
            f"{figures.target_volts:.2f} V",
            "the lower limit, less the margin kept in hand",
        )
    else:
        yield ExplainedStep(
            f"target = {lower}{guarded} = {figures.target_volts:.2f} V", "the lower limit; no margin asked"
        )
    yield ExplainedStep(
        f"set = target x 10^((tone + overlap)/20) = {figures.target_volts:.2f} V x "
        f"10^(({_g(figures.tone_dbfs)} + {_g(figures.overlap_db)})/20) = {figures.set_volts:.2f} V",
        "a recording of -overlap dBFS reaches the target; the tone is that much below or at it",
    )
    if figures.set_uncertainty_volts is not None:
        yield ExplainedStep(
            f"uncertainty of set = {figures.set_uncertainty_volts:.2f} V",
            "meter, tone, supply and load as far as given: rectangular, coverage factor 2 (GUM)",
        )
    yield ExplainedStep(
        f"target power = target^2 / load = ({figures.target_volts:.2f} V)^2 / {_g(figures.load_ohms)} ohm = "
        f"{figures.target_watts:.1f} W",
        "Joule's and Ohm's laws",
        main=False,
    )


def _limit(figures: Target) -> float:
    speaker = figures.speaker_limit_volts
    return figures.clip_volts if figures.limited_by == "amplifier" or speaker is None else speaker


def _gain_steps(figures: Target) -> Iterator[ExplainedStep]:
    overlap = figures.overlap_db
    if figures.source_volts is not None and figures.gain_db is not None:
        source = figures.source_volts * ratio_from_db(-overlap)
        yield ExplainedStep(
            f"source at {_g(-overlap + 0.0)} dBFS = source x 10^(-overlap/20) = {figures.source_volts:.2f} V x "
            f"10^(-{_g(overlap)}/20) = {source:.2f} V",
            "definition of dBFS: 0 dBFS is the full-scale sine (AES17)",
            main=False,
        )
        yield ExplainedStep(
            f"gain = 20 log10({figures.target_volts:.2f} V / {source:.2f} V) = {figures.gain_db:z.2f} dB",
            "target over what the source gives for a recording of -overlap dBFS",
        )
    if figures.sensitivity_volts is not None:
        yield ExplainedStep(
            f"sensitivity = clip / 10^(gain/20) = {figures.clip_volts:.2f} V / 10^({figures.gain_db:z.2f}/20) "
            f"= {figures.sensitivity_volts:.2f} V",
            "input volts that bring the output to clipping: the figure on the gain control",
        )
    yield ExplainedStep(
        f"headroom = 20 log10(clip / (target x 10^(overlap/20))) = {figures.headroom_db:z.2f} dB",
        "room above a full-scale sine; negative: its peaks are cut by that much",
        main=False,
    )
