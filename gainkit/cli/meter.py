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

    reading = find_meter_reading(volts, overdrive_db, noise, frequency_hz)
    show(
        reading,
        as_json,
        lambda: sections(
            headline(
                f"true rms {reading.true_rms_volts:.2f} V",
                f"average-responding {reading.average_responding_volts:.2f} V "
                f"({reading.average_error_percent:+z.1f} %)",
            ),
            _reading_figures(reading),
            bullets("Notes", reading.notes),
        ),
    )


def _reading_figures(reading: MeterReading) -> str:
    if reading.crest_factor_db is None or reading.peak_volts is None:
        return "Band noise, Gaussian: the average-responding meter shows sqrt(pi)/2 of it."
    return (
        f"{reading.wave.capitalize()}, peaks at {reading.peak_volts:.2f} V, crest factor "
        f"{reading.crest_factor_db:z.2f} dB, THD {reading.thd_percent:.2f} %."
    )


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(meter)
