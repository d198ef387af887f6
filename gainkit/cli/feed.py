"""Command feed: what a cable costs, and what it can carry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show

if TYPE_CHECKING:
    from gainkit.calculator.feeds import Feed


def feed(
    length_m: Annotated[float, typer.Option(help="One way [m]; the return is counted as equal.")],
    watts: Annotated[float | None, typer.Option(help="Output power of the amplifiers [W].")] = None,
    efficiency: Annotated[float, typer.Option(help="Output over input at full power.")] = 0.8,
    supply_volts: Annotated[float, typer.Option(help="At the battery [V].")] = 14.4,
    awg: Annotated[str | None, typer.Option(help="American wire gauge: 4, or 1/0.")] = None,
    mm2: Annotated[float | None, typer.Option(help="Copper area [mm2].")] = None,
    speaker_ohms: Annotated[
        float | None, typer.Option(help="Loudspeaker wire instead: nominal impedance [ohm].")
    ] = None,
    temperature_c: Annotated[float, typer.Option(help="Of the copper [degrees Celsius].")] = 20.0,
    as_json: JsonFlag = False,
) -> None:
    """What a power feed or a loudspeaker wire costs in volts and in dB."""
    from gainkit.calculator.feeds import find_feed

    found = find_feed(
        length_m, watts=watts, speaker_ohms=speaker_ohms, awg=awg, mm2=mm2, efficiency=efficiency,
        supply_volts=supply_volts, temperature_c=temperature_c,
    )  # fmt: skip
    show(found, as_json, lambda: _feed_text(found))


def _feed_text(found: Feed) -> str:
    from gainkit.cli.plain import bullets, headline, sections

    wire = f"{found.wire_ohms * 1000:.2f} mohm feed and return, {found.square_mm:.2f} mm2 of copper"
    if found.amplifier_volts is not None:
        return sections(
            headline(f"{found.amplifier_volts:.2f} V at the amplifier", f"{found.supply_amperes:.1f} A"),
            f"{found.lost_volts:.2f} V lost in the cable.\n{wire}.\n"
            f"Headroom {found.headroom_lost_db:.2f} dB for an unregulated amplifier; "
            f"{found.wire_watts:.1f} W of heat.",
            "Why\n  U = (U0 + sqrt(U0^2 - 4 P R)) / 2\n"
            "  with P = watts / efficiency and R = feed and return, the power being constant",
            bullets("Notes", found.notes),
        )
    return sections(
        headline(
            f"{found.level_lost_db:.2f} dB at the loudspeaker", f"{found.wire_share_percent:.1f} % in the wire"
        ),
        f"{wire}.",
        "Why\n  level = 20 log10(R / (R + wire)), R the loudspeaker's nominal impedance",
        bullets("Notes", found.notes),
    )


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(feed)
