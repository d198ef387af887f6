"""The plan's table in its forms: for a person, a spreadsheet, a Markdown page."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gainkit.calculator.targets import Target
    from gainkit.job.plan import ChannelPlan, Plan

HEAD = ("channel", "tone", "SET TO", "uncertainty", "gain control", "limit", "power")


def set_figure(figures: Target) -> str:
    """What the meter should read."""
    return f"{figures.set_volts:.2f} V"


def table_row(channel: ChannelPlan) -> list[str]:
    """One line of the table for a person."""
    if channel.built_in:
        control = "-" if channel.trim_db is None else f"trim {channel.trim_db:z.1f} dB"
    elif channel.sensitivity_volts is None:
        control = "-"
    else:
        out_of_range = {True: "", False: " (out)", None: ""}[channel.sensitivity_in_range]
        control = f"{channel.sensitivity_volts:.2f} V{out_of_range}"
    return [
        channel.name,
        f"{channel.tone_hz:g} Hz {channel.tone_dbfs:zg} dBFS",
        set_figure(channel),
        "-" if channel.set_uncertainty_volts is None else f"{channel.set_uncertainty_volts:.2f} V",
        control,
        channel.limited_by,
        f"{channel.target_watts:.0f} W",
    ]


def _cells(channel: ChannelPlan) -> dict[str, float | str | bool | None]:
    """One line of the table for a spreadsheet, by column name."""
    keys = (
        "name", "tone_hz", "tone_dbfs", "set_volts", "set_uncertainty_volts", "target_volts", "target_watts",
        "load_ohms", "limited_by", "clip_volts", "speaker_limit_volts", "overlap_db", "margin_db",
        "headroom_db", "source_volts", "gain_db", "sensitivity_volts", "sensitivity_in_range", "trim_db",
        "full_scale_volts", "full_scale_watts", "speaker_over_db",
    )  # fmt: skip
    return {key: getattr(channel, key) for key in keys}


def _cell_text(value: float | str | bool | None) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else f"{value:.6g}"


def csv_text(figures: Plan) -> str:
    """Comma-separated, one header line, numbers with six digits; text cells cannot start a formula."""
    import csv
    import io

    from gainkit.cli.plain import said, spreadsheet_cell, visible

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    rows = [_cells(channel) for channel in figures.channels]
    writer.writerow([*rows[0], "cautions"])
    for row, channel in zip(rows, figures.channels, strict=True):
        cells = [spreadsheet_cell(visible(v)) if isinstance(v, str) else _cell_text(v) for v in row.values()]
        writer.writerow([*cells, spreadsheet_cell(" ".join(said(channel.cautions)))])
    return out.getvalue().rstrip("\n")


def markdown_text(figures: Plan) -> str:
    """Dangers, a Markdown table, then the other cautions."""
    from gainkit.cli.plain import markdown_cell, said

    told = [("", each) for each in figures.cautions]
    told += [(f"{markdown_cell(own.name)}: ", each) for own in figures.channels for each in own.cautions]
    points = [(each.severity == "danger", f"- {name}{markdown_cell(said([each])[0])}") for name, each in told]
    dangers = [point for is_danger, point in points if is_danger]
    lines = ["Danger", "", *dangers, ""] if dangers else []
    lines += ["| " + " | ".join(HEAD) + " |", "|" + " --- |" * len(HEAD)]
    for channel in figures.channels:
        lines.append("| " + " | ".join(map(markdown_cell, table_row(channel))) + " |")
    lines += ["", *(point for is_danger, point in points if not is_danger)]
    return "\n".join(lines)
