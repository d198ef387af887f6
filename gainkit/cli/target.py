"""Command target: what to set for one channel, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, grouped, show
from gainkit.cli.door import CLI
from gainkit.cli.options import SupplyState
from gainkit.cli.plan_forms import set_figure

if TYPE_CHECKING:
    from gainkit.calculator.channel import Channel
    from gainkit.calculator.programme import ProgrammePower
    from gainkit.calculator.targets import Target
    from gainkit.remarks import Remark


class RatingKind(StrEnum):
    """What a plate's watts may mean."""

    continuous = "continuous"
    peak = "peak"


class OverlapLimit(StrEnum):
    """What the overlap may run past."""

    both = "both"
    amplifier = "amplifier"


class MeterKind(StrEnum):
    """What a meter makes of a wave that is no sine."""

    true_rms = "true-rms"
    average_responding = "average-responding"


JUST_REACHES_DB = 0.005
"""Headroom smaller than this is none in the figures shown [dB]."""

ExplainFlag = Annotated[bool, typer.Option("--explain", help="Every step, with where its formula comes from.")]


@dataclass(frozen=True)
class TargetOptions:
    """What `gainkit target` takes. The names are those of `calculator.channel.channel_from`."""

    watts: Annotated[float | None, typer.Option(help="Rated power of the channel [W].")] = None
    ohms: Annotated[float | None, typer.Option(help="Load of that rating [ohm].")] = None
    rating: Annotated[
        list[str] | None, typer.Option(help="Several ratings, each WATTS@OHMS: --rating 75@4 --rating 110@2.")
    ] = None
    load_ohms: Annotated[float | None, typer.Option(help="Nominal load [ohm]; the rated one if left out.")] = (
        None
    )
    speaker_watts: Annotated[float | None, typer.Option(help="Continuous limit of the loudspeakers [W].")] = (
        None
    )
    margin_db: Annotated[float, typer.Option(help="Kept in hand below the lower limit [dB].")] = 0.0
    overlap_db: Annotated[
        float, typer.Option(help="Gain overlap [dB]: a recording of minus this reaches the target.")
    ] = 0.0
    overlap_limit: Annotated[
        OverlapLimit,
        typer.Option(help="Limits that the overlap may run past; amplifier spares the loudspeaker."),
    ] = OverlapLimit.both
    tone_dbfs: Annotated[
        float | None, typer.Option(help="Level of the tone [dBFS]; minus the overlap if left out.")
    ] = None
    tone_hz: Annotated[
        float | None, typer.Option(help="Frequency of the tone [Hz]; one that suits the filters if left out.")
    ] = None
    source_volts: Annotated[
        float | None, typer.Option(help="Source volts for 0 dBFS at its highest clean volume [V].")
    ] = None
    supply_volts: Annotated[float | None, typer.Option(help="Supply at the amplifier [V].")] = None
    supply_state: Annotated[SupplyState | None, typer.Option(help="What was running when it was measured.")] = (
        None
    )
    supply_tolerance_volts: Annotated[float, typer.Option(help="How far it may be off [V].")] = 0.0
    rated_supply_volts: Annotated[float | None, typer.Option(help="Supply of the rating [V].")] = None
    regulated: Annotated[bool, typer.Option("--regulated", help="The power does not follow the supply.")] = (
        False
    )
    min_ohms: Annotated[
        float | None, typer.Option(help="Lowest load of one channel, of each half if bridged [ohm].")
    ] = None
    bridged: Annotated[bool, typer.Option("--bridged", help="Two channels bridged onto this load.")] = False
    per_half: Annotated[
        bool, typer.Option("--per-half", help="The ratings are those of one unbridged half.")
    ] = False
    measured_clip_volts: Annotated[
        float | None, typer.Option(help="Measured onset of clipping [V]; replaces the rating.")
    ] = None
    rated_thd_percent: Annotated[
        float, typer.Option(help="Distortion that the rating holds for [%]: 10 on many plates.")
    ] = 1.0
    rated_kind: Annotated[RatingKind, typer.Option(help="What the rated watts are.")] = RatingKind.continuous
    fuse_amperes: Annotated[float | None, typer.Option(help="The amplifier's own fuses [A].")] = None
    fuse_outputs: Annotated[int, typer.Option(help="Outputs like this one that those fuses feed.")] = 1
    efficiency: Annotated[float, typer.Option(help="Output over input at full power.")] = 0.8
    built_in: Annotated[
        bool, typer.Option("--built-in", help="The radio's own output: limited by the supply itself.")
    ] = False
    drop_volts: Annotated[
        float | None, typer.Option(help="What a built-in stage keeps of its supply [V], about 2 in practice.")
    ] = None
    real_load_ohms: Annotated[
        float | None, typer.Option(help="Impedance measured at the loudspeaker [ohm].")
    ] = None
    load_tolerance_percent: Annotated[float, typer.Option(help="How far the load may be off [%].")] = 0.0
    crest_db: Annotated[
        float | None, typer.Option(help="Crest factor of the programme [dB]: adds long-term power.")
    ] = None
    crossover_hz: Annotated[float | None, typer.Option(help="Passive crossover behind the amplifier [Hz].")] = (
        None
    )
    highpass_hz: Annotated[
        float | None, typer.Option(help="The amplifier's own high-pass, if it stays on while setting [Hz].")
    ] = None
    lowpass_hz: Annotated[float | None, typer.Option(help="Its own low-pass [Hz].")] = None
    meter_kind: Annotated[MeterKind, typer.Option(help="Kind of the meter.")] = MeterKind.true_rms
    meter_low_hz: Annotated[float | None, typer.Option(help="It is made for this frequency up [Hz].")] = None
    meter_high_hz: Annotated[float | None, typer.Option(help="... and down to here [Hz].")] = None
    meter_percent: Annotated[float, typer.Option(help="Meter accuracy, share of the reading [%].")] = 0.0
    meter_floor_volts: Annotated[float, typer.Option(help="Meter accuracy, fixed part [V].")] = 0.0
    tone_tolerance_db: Annotated[float, typer.Option(help="How far the tone's level may be off [dB].")] = 0.0
    guard_band: Annotated[bool, typer.Option("--guard-band", help="Take the uncertainty off the target.")] = (
        False
    )
    explain: ExplainFlag = False
    as_json: JsonFlag = False


NO_FIGURES = ("rating", "crest_db", "explain", "as_json")
"""Options of `target` that are no figures of the channel by that name."""


@grouped
def target(options: TargetOptions) -> None:
    """What the meter should read for one channel, and where the gain then stands."""
    from gainkit.calculator.channel import channel_from
    from gainkit.calculator.targets import find_target
    from gainkit.results import to_plain

    figures = {name: value for name, value in vars(options).items() if name not in NO_FIGURES}
    figures = {name: value.value if isinstance(value, StrEnum) else value for name, value in figures.items()}
    figures["ratings"] = _rating_pairs(options.rating or []) or None
    figures["crest_factor_db"] = options.crest_db
    _refuse_half_a_supply(options)
    channel = channel_from(figures)
    volts = find_target(channel)
    programme = _programme(options, volts)
    answer = to_plain(volts, CLI) | {"programme": to_plain(programme)}
    show(answer, options.as_json, lambda: target_text(channel, volts, programme, options.explain))


def _refuse_half_a_supply(options: TargetOptions) -> None:
    """One supply voltage without the other says nothing here; in a system file the other may come later."""
    from gainkit.errors import GainkitError

    if options.regulated or options.built_in:
        return
    for one, other in (("supply_volts", "rated_supply_volts"), ("rated_supply_volts", "supply_volts")):
        if getattr(options, one) is not None and getattr(options, other) is None:
            raise GainkitError("needs_other", one, getattr(options, one), other=other)


def _rating_pairs(texts: list[str]) -> list[tuple[float, float]]:
    """Watts and ohms of ratings given as WATTS@OHMS."""
    from gainkit.errors import GainkitError
    from gainkit.figures_typed import parse_figure

    pairs = []
    for text in texts:
        try:
            watts, ohms = text.split("@")
            pairs.append((parse_figure(watts, "W"), parse_figure(ohms, "ohm")))
        except ValueError:
            raise GainkitError("not_a_rating", "ratings", text, "WATTS@OHMS") from None
    return pairs


def _programme(options: TargetOptions, target: Target) -> tuple[ProgrammePower, ...] | None:
    """Long-term power at the usual overlaps and at this one, where the crest factor is given."""
    from gainkit.calculator.programme import USUAL_OVERLAPS_DB, find_programme

    if options.crest_db is None:
        return None
    overlaps = tuple(sorted({*USUAL_OVERLAPS_DB, options.overlap_db}))
    below = target.headroom_db + target.overlap_db
    return find_programme(
        target.clip_watts, options.crest_db, overlaps, options.crossover_hz, below,
        options.highpass_hz, options.lowpass_hz,
    )  # fmt: skip


def target_text(
    channel: Channel, figures: Target, programme: tuple[ProgrammePower, ...] | None, explain_all: bool
) -> str:
    """The answer for a person: dangers, the setting, what it means, why, cautions."""
    from gainkit.cli.plain import bullets, headline, sections
    from gainkit.figures import filled

    told = filled("tone at {tone_dbfs:g} dBFS, {tone_hz:g} Hz", vars(figures))
    dangers, cautions = parted(figures.cautions)
    return sections(
        bullets("Danger", dangers),
        headline(f"SET  {set_figure(figures)}", f"{told}, meter on AC volts"),
        "\n".join(_meaning(figures)),
        why_text(channel, figures, explain_all),
        programme_text(programme),
        bullets("Cautions", cautions),
    )


def parted(remarks: tuple[Remark, ...]) -> tuple[list[Remark], list[Remark]]:
    """What is told before everything else, and what is told at the end."""
    return (
        [each for each in remarks if each.severity == "danger"],
        [each for each in remarks if each.severity != "danger"],
    )


def full_scale_text(figures: Target) -> str:
    """What a recording at 0 dBFS does at the gain set."""
    from gainkit.figures import filled

    line = "{full_scale_volts:.2f} V, {full_scale_watts:.3g} W into {load_ohms:g} ohm"
    if figures.headroom_db < -JUST_REACHES_DB:
        line += ", clipped"
    if figures.speaker_over_db is not None:
        by = f"{abs(figures.speaker_over_db):z.1f} dB"
        side = "over" if figures.speaker_over_db > 0 else "below"
        line += ", at" if by == "0.0 dB" else f", {by} {side}"
        line += " the loudspeaker's continuous limit"
    return filled(line, vars(figures))


def _meaning(figures: Target) -> list[str]:
    """What the figures say, a sentence a line."""
    from gainkit.cli.plain import wrapped
    from gainkit.figures import filled

    lines = [f"At full scale (0 dBFS): {full_scale_text(figures)}."]
    lines += ["{target_watts:.1f} W into {load_ohms:g} ohm, limited by the {limited_by}."]
    if figures.gain_db is not None:
        knob = "; gain control at {sensitivity_volts:.2f} V" if figures.sensitivity_volts is not None else ""
        lines.append(f"Gain {{gain_db:.1f}} dB from a source of {{source_volts:g}} V{knob}.")
    if abs(figures.headroom_db) < JUST_REACHES_DB:
        lines.append("Full-scale peaks just reach the onset of clipping.")
    elif figures.headroom_db > 0:
        lines.append("Full-scale peaks stay {headroom_db:z.1f} dB below clipping.")
    else:
        lines.append("Recordings louder than {headroom_db:z.1f} dBFS are clipped.")
    if figures.set_uncertainty_volts is not None:
        taken = ", taken off as a guard band" if figures.guard_band_volts is not None else ""
        lines.append(f"Uncertainty of the volts to set: {{set_uncertainty_volts:.2f}} V{taken}.")
    return [wrapped(filled(line, vars(figures)), "", "  ") for line in lines]


def why_text(channel: Channel, figures: Target, explain_all: bool) -> str:
    """One line a step; all steps, with their reasons, when asked."""
    from gainkit.calculator.explain import explain
    from gainkit.cli.plain import wrapped

    lines = ["Why"]
    for step in explain(channel, figures):
        if explain_all or step.main:
            lines.append(wrapped(step.line, "  ", "      "))
        if explain_all:
            lines.append(wrapped(f"({step.because})", "      ", "      "))
    return "\n".join(lines)


def programme_text(programme: tuple[ProgrammePower, ...] | None) -> str:
    """What overlap does to long-term power, as a table."""
    from gainkit.cli.plain import columns

    if not programme:
        return ""
    rows = [
        [
            f"{row.overlap_db:zg} dB",
            f"{row.average_watts:.1f} W",
            f"{row.average_db:+z.1f} dB",
            f"{row.time_clipped_percent:.2f} %",
            "-" if row.tweeter_watts is None else f"{row.tweeter_watts:.1f} W",
            "-" if row.tweeter_clipping_watts is None else f"{row.tweeter_clipping_watts:.2f} W",
        ]
        for row in programme
    ]
    head = ["overlap", "average", "louder by", "time clipped", "to the tweeter", "of it from clipping"]
    return "Long-term power of the programme (Gaussian, pink; a model)\n" + columns(head, rows)


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(target)
