"""Command meter: what a meter shows of a wave."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show

if TYPE_CHECKING:
    from gainkit.calculator.meters import MeterReading


def meter(
    volts: Annotated[
        float, typer.Option(help="Rms of the sine that just touches the rail, or of the noise [V].")
    ],
    overdrive_db: Annotated[float, typer.Option(help="How far the sine is driven beyond the rail [dB].")] = 0.0,
    noise: Annotated[bool, typer.Option("--noise", help="Band noise instead of a sine.")] = False,
    frequency_hz: Annotated[
        float | None, typer.Option(help="Of the tone [Hz]: is a meter made for it?")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """What a true-rms and an average-responding meter show."""
    from gainkit.calculator.meters import find_meter_reading
    from gainkit.cli.plain import bullets, headline, sections

    found = find_meter_reading(volts, overdrive_db, noise, frequency_hz)
    show(
        found,
        as_json,
        lambda: sections(
            headline(
                f"true rms {found.true_rms_volts:.2f} V",
                f"average-responding {found.average_responding_volts:.2f} V "
                f"({found.average_error_percent:+.1f} %)",
            ),
            _reading_figures(found),
            bullets("Notes", found.notes),
        ),
    )


def _reading_figures(found: MeterReading) -> str:
    if found.crest_factor_db is None or found.peak_volts is None:
        return "Band noise, Gaussian: the average-responding meter shows sqrt(pi)/2 of it."
    return (
        f"{found.wave.capitalize()}, peaks at {found.peak_volts:.2f} V, crest factor "
        f"{found.crest_factor_db:.2f} dB, THD {found.thd_percent:.2f} %."
    )


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(meter)
