"""Commands target and plan: what to set, and why."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show
from gainkit.cli.plan_forms import HEAD, csv_text, markdown_text, set_figure, table_row

if TYPE_CHECKING:
    from gainkit.calculator.amplifier import Rating
    from gainkit.calculator.channel import Channel
    from gainkit.calculator.programme import ProgrammePower
    from gainkit.calculator.targets import Target
    from gainkit.job.plan import Plan


class PlanFormat(StrEnum):
    """Forms of the plan."""

    text = "text"
    csv = "csv"
    markdown = "markdown"


ExplainFlag = Annotated[bool, typer.Option("--explain", help="Every step, with where its formula comes from.")]


def target(
    watts: Annotated[float | None, typer.Option(help="Rated power of the channel [W].")] = None,
    ohms: Annotated[float | None, typer.Option(help="Load of that rating [ohm].")] = None,
    rating: Annotated[
        list[str] | None, typer.Option(help="Several ratings, each WATTS@OHMS: --rating 75@4 --rating 110@2.")
    ] = None,
    load_ohms: Annotated[
        float | None, typer.Option(help="Nominal load [ohm]; the rated one if left out.")
    ] = None,
    speaker_watts: Annotated[
        float | None, typer.Option(help="Continuous limit of the loudspeakers [W].")
    ] = None,
    margin_db: Annotated[float, typer.Option(help="Kept in hand below the lower limit [dB].")] = 0.0,
    overlap_db: Annotated[
        float, typer.Option(help="Gain overlap [dB]: a recording of minus this reaches the target.")
    ] = 0.0,
    tone_dbfs: Annotated[
        float | None, typer.Option(help="Level of the tone [dBFS]; minus the overlap if left out.")
    ] = None,
    tone_hz: Annotated[
        float | None, typer.Option(help="Frequency of the tone [Hz], checked against the crossover.")
    ] = None,
    source_volts: Annotated[
        float | None, typer.Option(help="Source volts for 0 dBFS at its highest clean volume [V].")
    ] = None,
    supply_volts: Annotated[
        float | None, typer.Option(help="Supply at the amplifier while setting [V].")
    ] = None,
    rated_supply_volts: Annotated[float | None, typer.Option(help="Supply of the rating [V].")] = None,
    regulated: Annotated[
        bool, typer.Option("--regulated", help="The power does not follow the supply.")
    ] = False,
    min_ohms: Annotated[
        float | None, typer.Option(help="Lowest load of one channel, of each half if bridged [ohm].")
    ] = None,
    bridged: Annotated[bool, typer.Option("--bridged", help="Two channels bridged onto this load.")] = False,
    per_half: Annotated[
        bool, typer.Option("--per-half", help="The ratings are those of one unbridged half.")
    ] = False,
    measured_clip_volts: Annotated[
        float | None, typer.Option(help="Measured onset of clipping [V]; replaces the rating.")
    ] = None,
    real_load_ohms: Annotated[
        float | None, typer.Option(help="Impedance measured at the loudspeaker [ohm].")
    ] = None,
    crest_db: Annotated[
        float | None, typer.Option(help="Crest factor of the programme [dB]: adds long-term power.")
    ] = None,
    crossover_hz: Annotated[
        float | None, typer.Option(help="Passive crossover behind the amplifier [Hz].")
    ] = None,
    meter_percent: Annotated[float, typer.Option(help="Meter accuracy, share of the reading [%].")] = 0.0,
    meter_floor_volts: Annotated[float, typer.Option(help="Meter accuracy, fixed part [V].")] = 0.0,
    tone_tolerance_db: Annotated[float, typer.Option(help="How far the tone's level may be off [dB].")] = 0.0,
    explain: ExplainFlag = False,
    as_json: JsonFlag = False,
) -> None:
    """What the meter shall show for one channel, and where the gain then stands."""
    from gainkit.calculator import ranges
    from gainkit.calculator.channel import Channel, MeterLimits
    from gainkit.calculator.programme import USUAL_OVERLAPS_DB, find_programme
    from gainkit.calculator.targets import find_target
    from gainkit.cli.plain import checked
    from gainkit.errors import GainkitError

    for option, value, allowed in (
        ("--load-ohms", load_ohms, ranges.OHMS),
        ("--speaker-watts", speaker_watts, ranges.WATTS),
        ("--margin-db", margin_db, ranges.DB_IN_HAND),
        ("--overlap-db", overlap_db, ranges.DB_IN_HAND),
        ("--tone-dbfs", tone_dbfs, ranges.LEVEL_DBFS),
        ("--tone-hz", tone_hz, ranges.FREQUENCY_HZ),
        ("--source-volts", source_volts, ranges.VOLTS),
        ("--supply-volts", supply_volts, ranges.SUPPLY_VOLTS),
        ("--rated-supply-volts", rated_supply_volts, ranges.SUPPLY_VOLTS),
        ("--min-ohms", min_ohms, ranges.OHMS),
        ("--measured-clip-volts", measured_clip_volts, ranges.VOLTS),
        ("--real-load-ohms", real_load_ohms, ranges.OHMS),
        ("--crest-db", crest_db, ranges.CREST_DB),
        ("--crossover-hz", crossover_hz, ranges.FREQUENCY_HZ),
        ("--meter-percent", meter_percent, ranges.PERCENT),
        ("--meter-floor-volts", meter_floor_volts, ranges.VOLTS if meter_floor_volts else None),
        ("--tone-tolerance-db", tone_tolerance_db, ranges.DB_IN_HAND),
    ):
        if allowed is not None:
            checked(option, value, allowed)
    ratings = _ratings(watts, ohms, rating or [])
    if not ratings and measured_clip_volts is None:
        raise GainkitError(
            "Nothing says how far this channel goes.",
            "Give --watts and --ohms from the amplifier's plate, or --measured-clip-volts.",
        )
    if load_ohms is None:
        if len(ratings) != 1:
            raise GainkitError(
                "--load-ohms is missing.", "With several ratings, or none, give the load itself."
            )
        load_ohms = ratings[0].ohms * (2 if bridged and per_half else 1)
    if not regulated and (supply_volts is None) != (rated_supply_volts is None):
        raise GainkitError(
            "--supply-volts and --rated-supply-volts belong together.",
            "Give both, or --regulated, or neither.",
        )
    if per_half and not bridged:
        raise GainkitError("--per-half applies to bridged channels only.", "Add --bridged, or leave it out.")
    channel = Channel(
        ratings=ratings, load_ohms=load_ohms, speaker_watts=speaker_watts, margin_db=margin_db,
        overlap_db=overlap_db, tone_dbfs=tone_dbfs, tone_hz=tone_hz, source_volts=source_volts,
        supply_volts=supply_volts, rated_supply_volts=rated_supply_volts, regulated=regulated,
        min_ohms=min_ohms, bridged=bridged, per_half=per_half, measured_clip_volts=measured_clip_volts,
        real_load_ohms=real_load_ohms, crossover_hz=crossover_hz,
        meter=MeterLimits(
            percent=meter_percent, floor_volts=meter_floor_volts, tone_tolerance_db=tone_tolerance_db
        ),
    )  # fmt: skip
    figures = find_target(channel)
    programme = None
    if crest_db is not None:
        overlaps = tuple(sorted({*USUAL_OVERLAPS_DB, overlap_db}))
        programme = find_programme(
            figures.clip_watts, crest_db, overlaps, crossover_hz, figures.headroom_db + figures.overlap_db
        )
    from gainkit.results import to_plain

    answer = to_plain(figures) | {"programme": to_plain(programme)}
    show(answer, as_json, lambda: target_text(channel, figures, programme, explain))


def _ratings(watts: float | None, ohms: float | None, texts: list[str]) -> tuple[Rating, ...]:
    """The ratings given as --watts and --ohms, or as --rating, checked."""
    from gainkit.calculator import ranges
    from gainkit.calculator.amplifier import Rating
    from gainkit.cli.plain import checked
    from gainkit.errors import GainkitError

    if (watts is None) != (ohms is None):
        raise GainkitError("--watts and --ohms belong together.", "Give both, from the same line of the plate.")
    found = [] if watts is None or ohms is None else [(watts, ohms, "--watts", "--ohms")]
    if found and texts:
        raise GainkitError(
            "--watts and --rating say the same twice.", "Give every rating as --rating, or one alone."
        )
    for text in texts:
        parts = text.split("@")
        try:
            first, second = (float(part) for part in parts)
        except ValueError:
            raise GainkitError(f"--rating is {text!r}.", "Give it as WATTS@OHMS, such as 75@4.") from None
        found.append((first, second, f"the power in --rating {text}", f"the load in --rating {text}"))
    for power, load, power_name, load_name in found:
        checked(power_name, power, ranges.WATTS)
        checked(load_name, load, ranges.OHMS)
    if len({load for _, load, _, _ in found}) < len(found):
        raise GainkitError("Two ratings have the same load.", "Give each load once.")
    return tuple(Rating(power, load) for power, load, _, _ in found)


def target_text(
    channel: Channel, figures: Target, programme: tuple[ProgrammePower, ...] | None, explain_all: bool
) -> str:
    """The answer for a person: the setting, what it means, why, cautions."""
    from gainkit.cli.plain import bullets, headline, sections

    tone = f"tone at {figures.tone_dbfs:g} dBFS" + (f", {channel.tone_hz:g} Hz" if channel.tone_hz else "")
    return sections(
        headline(f"SET  {set_figure(figures)}", f"{tone}, meter on AC volts"),
        "\n".join(_meaning(figures)),
        why_text(channel, figures, explain_all),
        programme_text(programme),
        bullets("Cautions", figures.cautions),
    )


def _meaning(figures: Target) -> list[str]:
    lines = [
        f"{figures.target_watts:.1f} W into {figures.load_ohms:g} ohm, limited by the {figures.limited_by}.",
    ]
    if figures.gain_db is not None:
        lines.append(f"Gain {figures.gain_db:.1f} dB from a source of {figures.source_volts:g} V.")
    if figures.sensitivity_volts is not None:
        lines[-1] = lines[-1][:-1] + f"; gain control at {figures.sensitivity_volts:.2f} V."
    if abs(figures.headroom_db) < 0.005:
        lines.append("Full-scale peaks just reach the onset of clipping.")
    elif figures.headroom_db > 0:
        lines.append(f"Full-scale peaks stay {figures.headroom_db:.1f} dB below clipping.")
    else:
        lines.append(f"Recordings louder than {figures.headroom_db:.1f} dBFS are clipped.")
    return lines


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
            f"{row.overlap_db:g} dB",
            f"{row.average_watts:.1f} W",
            f"{row.average_db:+.1f} dB",
            f"{row.time_clipped_percent:.2f} %",
            "-" if row.tweeter_watts is None else f"{row.tweeter_watts:.1f} W",
            "-" if row.tweeter_clipping_watts is None else f"{row.tweeter_clipping_watts:.2f} W",
        ]
        for row in programme
    ]
    head = ["overlap", "average", "louder by", "time clipped", "to the tweeter", "of it from clipping"]
    return "Long-term power of the programme (Gaussian, pink; a model)\n" + columns(head, rows)


def plan(
    system_file: Annotated[Path, typer.Argument(metavar="SYSTEM.toml", help="The system file.")],
    form: Annotated[PlanFormat, typer.Option("--format", help="Form of the table.")] = PlanFormat.text,
    explain: ExplainFlag = False,
    as_json: JsonFlag = False,
) -> None:
    """What the meter shall show for every channel of a car: a table to take along."""
    from gainkit.errors import GainkitError
    from gainkit.job import load_system, plan_system
    from gainkit.job.plan import resolved_channel

    if as_json and form is not PlanFormat.text:
        raise GainkitError(f"--json and --format {form} exclude each other.", "Give one of them.")
    if explain and form is not PlanFormat.text:
        raise GainkitError(f"--explain goes with text, not with --format {form}.", "Leave one of them out.")
    system = load_system(system_file)
    figures = plan_system(system)

    def text() -> str:
        if form is PlanFormat.csv:
            return csv_text(figures)
        if form is PlanFormat.markdown:
            return markdown_text(figures)
        channels = [
            resolved_channel(each, system.source, channel.supply_volts)
            for each, channel in zip(system.channels, figures.channels, strict=True)
        ]
        return plan_text(system.job.vehicle, figures, channels if explain else [])

    show(figures, as_json, text)


def plan_text(vehicle: str | None, figures: Plan, explained: list[Channel]) -> str:
    """The table, then what applies to the car and to each channel."""
    from gainkit.cli.plain import WIDTH, bullets, columns, sections, shortened

    rows = [[shortened(row[0]), *row[1:]] for row in map(table_row, figures.channels)]
    title = "SETTINGS" + (f"  {shortened(vehicle, 50)}" if vehicle else "")
    parts = ["=" * WIDTH + f"\n{title}\n" + "=" * WIDTH, columns(HEAD, rows)]
    for place, channel in enumerate(explained):
        why = why_text(channel, figures.channels[place], True)
        parts.append(f"{shortened(figures.channels[place].name, 60)}: {why}")
    parts.append(bullets("Long-term power (Gaussian, pink programme: a model)", _programme_lines(figures)))
    parts.append(bullets("Cautions", figures.cautions))
    for names, cautions in _grouped_cautions(figures):
        parts.append(bullets(names, cautions))
    parts.append("\n".join(["Tones to play", *_tone_commands(figures)]))
    return sections(*parts)


def _tone_commands(figures: Plan) -> list[str]:
    """Commands that write the tones of the plan, one each."""
    tones = dict.fromkeys((channel.tone_hz, channel.tone_dbfs) for channel in figures.channels)
    return [
        f"gainkit tones one sine --frequency-hz {hertz:g} --level-dbfs {level:g} --out {hertz:g}_{level:g}.wav"
        for hertz, level in tones
    ]


def _programme_lines(figures: Plan) -> list[str]:
    """One line for every channel whose programme's crest factor is given."""
    lines = []
    for channel in figures.channels:
        power = channel.programme
        if power is None:
            continue
        line = (
            f"{channel.name}: {power.average_watts:.1f} W on average, crest factor {power.crest_factor_db:g} dB"
        )
        if power.tweeter_watts is not None:
            line += (
                f", {power.tweeter_watts:.1f} W of it above the crossover "
                f"({power.tweeter_clipping_watts:.2f} W made by clipping)"
            )
        lines.append(f"{line}.")
    return lines


def _grouped_cautions(figures: Plan) -> list[tuple[str, list[str]]]:
    """Cautions under the names of all channels that carry them word for word."""
    from gainkit.cli.plain import shortened

    holders: dict[str, list[str]] = {}
    for channel in figures.channels:
        for caution in map(str, channel.cautions):
            holders.setdefault(caution, []).append(shortened(channel.name, 60))
    groups: dict[str, list[str]] = {}
    for caution, names in holders.items():
        everyone = len(names) == len(figures.channels) > 1
        groups.setdefault("All channels" if everyone else ", ".join(names), []).append(caution)
    return list(groups.items())


def register(app: typer.Typer) -> None:
    """Add this module's commands to the tree."""
    app.command()(target)
    app.command()(plan)
