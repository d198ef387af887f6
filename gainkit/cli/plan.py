"""Command plan: what to set in a whole car."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show
from gainkit.cli.place import SystemHere, system_or_here
from gainkit.cli.plan_forms import HEAD, csv_text, markdown_text, table_row
from gainkit.cli.target import ExplainFlag, full_scale_text, parted, why_text

if TYPE_CHECKING:
    from gainkit.calculator.channel import Channel
    from gainkit.job.plan import Plan
    from gainkit.remarks import Remark


class PlanFormat(StrEnum):
    """Forms of the plan."""

    text = "text"
    csv = "csv"
    markdown = "markdown"


def plan(
    system_file: SystemHere = None,
    form: Annotated[PlanFormat, typer.Option("--format", help="Form of the table.")] = PlanFormat.text,
    explain: ExplainFlag = False,
    as_json: JsonFlag = False,
) -> None:
    """What the meter should read for every channel of a car: a table to take along."""
    from gainkit.errors import GainkitError
    from gainkit.job import load_system, plan_system
    from gainkit.job.plan import resolved_channel

    if as_json and form is not PlanFormat.text:
        raise GainkitError("not_both", "form", form.value, other="json")
    if explain and form is not PlanFormat.text:
        raise GainkitError("not_both", "form", form.value, other="explain")
    system = load_system(system_or_here(system_file))
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
    """Dangers, what applies to the car and to each channel, then the table: last, so that it stays on the
    screen."""
    from gainkit.cli.plain import bullets, columns, sections, shortened, strong, width

    parts = [bullets("Danger", parted(figures.cautions)[0])]
    parts += [bullets(f"Danger, {names}", told) for names, told in _grouped_cautions(figures, dangers=True)]
    for place, channel in enumerate(explained):
        why = why_text(channel, figures.channels[place], True)
        parts.append(f"{shortened(figures.channels[place].name, 60)}: {why}")
    parts.append(bullets("Long-term power (Gaussian, pink programme: a model)", _programme_lines(figures)))
    parts.append(bullets("Cautions", parted(figures.cautions)[1]))
    for names, cautions in _grouped_cautions(figures, dangers=False):
        parts.append(bullets(names, cautions))
    full_scale = (f"{shortened(each.name)}: {full_scale_text(each)}." for each in figures.channels)
    parts.append(bullets("At full scale (0 dBFS)", full_scale))
    parts.append("\n".join(["Tones to play", *_tone_commands(figures)]))
    rows = [[shortened(row[0]), *row[1:]] for row in map(table_row, figures.channels)]
    title = strong("SETTINGS") + (f"  {shortened(vehicle, 50)}" if vehicle else "")
    rule = "=" * width()
    return sections(*parts, f"{rule}\n{title}\n{rule}", columns(HEAD, rows))


def _tone_commands(figures: Plan) -> list[str]:
    """Commands that write the tones of the plan, one each."""
    from gainkit.figures import filled

    tones = dict.fromkeys((channel.tone_hz, channel.tone_dbfs) for channel in figures.channels)
    told = (
        "gainkit tones one sine --frequency-hz {hertz:g} --level-dbfs {level:g} --out {hertz:g}_{level:g}.wav"
    )
    return [filled(told, {"hertz": hertz, "level": level}) for hertz, level in tones]


def _programme_lines(figures: Plan) -> list[str]:
    """One line for every channel whose programme's crest factor is given."""
    from gainkit.figures import filled

    lines = []
    for channel in figures.channels:
        power = channel.programme
        if power is None:
            continue
        line = "{name}: {average_watts:.1f} W on average, crest factor {crest_factor_db:g} dB"
        if power.tweeter_watts is not None:
            line += (
                ", {tweeter_watts:.1f} W of it above the crossover "
                "({tweeter_clipping_watts:.2f} W made by clipping)"
            )
        lines.append(filled(f"{line}.", vars(power) | {"name": channel.name}))
    return lines


def _grouped_cautions(figures: Plan, dangers: bool) -> list[tuple[str, list[Remark]]]:
    """Dangers, or the other cautions, under the names of all channels that carry the same ones."""
    from gainkit.cli.plain import shortened

    holders: dict[Remark, list[str]] = {}
    for channel in figures.channels:
        for caution in parted(channel.cautions)[0 if dangers else 1]:
            holders.setdefault(caution, []).append(shortened(channel.name, 60))
    groups: dict[str, list[Remark]] = {}
    for caution, names in holders.items():
        everyone = len(names) == len(figures.channels) > 1
        groups.setdefault("All channels" if everyone else ", ".join(names), []).append(caution)
    return list(groups.items())


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(plan)
