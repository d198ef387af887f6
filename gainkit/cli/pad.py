"""Command pad: resistors between an amplifier and an interface."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show

if TYPE_CHECKING:
    from gainkit.calculator.pad_model import Pad, PadCall


class Series(StrEnum):
    """Series of preferred values, IEC 60063."""

    E12 = "E12"
    E24 = "E24"
    E96 = "E96"


def pad(
    max_volts: Annotated[float, typer.Option(help="Largest clean sine of the output [V rms], its clip volts.")],
    input_volts: Annotated[float, typer.Option(help="Sine that brings the interface to full scale [V rms].")],
    source_ohms: Annotated[float, typer.Option(help="Resistance of the output [ohm].")] = 0.0,
    input_ohms: Annotated[
        float | None, typer.Option(help="Resistance of the interface's input [ohm]; open if left out.")
    ] = None,
    series: Annotated[Series, typer.Option(help="Preferred values, IEC 60063.")] = Series.E24,
    bridged: Annotated[
        bool, typer.Option("--bridged", help="Two-sided, for bridged and built-in outputs.")
    ] = False,
    cable_pf: Annotated[float, typer.Option(help="Capacitance of the cable behind the pad [pF].")] = 300.0,
    series_ohms: Annotated[
        float | None, typer.Option(help="A pad you have: its series resistor, each leg [ohm].")
    ] = None,
    shunt_ohms: Annotated[float | None, typer.Option(help="A pad you have: its shunt resistor [ohm].")] = None,
    supply_volts: Annotated[
        float, typer.Option(help="Supply of the amplifier: bridge-tied leads may stand at half of it [V].")
    ] = 14.4,
    as_json: JsonFlag = False,
) -> None:
    """Two or three resistors that keep an interface input safe behind an amplifier."""
    from gainkit.calculator.pad_model import PadCall
    from gainkit.calculator.pads import check_pad, find_pad
    from gainkit.errors import GainkitError

    open_input = math.inf if input_ohms is None else input_ohms
    call = PadCall(
        max_volts, input_volts, source_ohms, open_input, series.value, bridged, cable_pf, supply_volts
    )
    if (series_ohms is None) != (shunt_ohms is None):
        given, other = ("series_ohms", "shunt_ohms") if shunt_ohms is None else ("shunt_ohms", "series_ohms")
        raise GainkitError("needs_other", given, series_ohms or shunt_ohms, other=other)
    if series_ohms is not None and shunt_ohms is not None:
        network = check_pad(call, series_ohms, shunt_ohms)
    else:
        network = find_pad(call)
    show(network, as_json, lambda: _pad_text(call, network))


def _pad_text(call: PadCall, pad: Pad) -> str:
    from gainkit.cli.plain import bullets, headline, sections
    from gainkit.figures import plain
    from gainkit.levels import ratio_from_db

    dangers = [caution for caution in pad.cautions if caution.severity == "danger"]
    others = [caution for caution in pad.cautions if caution.severity != "danger"]
    if pad.shunt_ohms is None:
        return sections(
            headline("NO PAD NEEDED", f"{pad.headroom_db:z.1f} dB below full scale as it is"),
            bullets("Dangers", dangers),
            bullets("Cautions", others),
        )
    each = "each of two legs" if pad.differential else "in series"
    left = ratio_from_db(-pad.loss_db)
    facts = [
        f"Loss {pad.loss_db:z.2f} dB: {plain(call.max_volts, 6)} V becomes "
        f"{plain(call.max_volts * left)} V, {pad.headroom_db:z.1f} dB below full scale "
        f"({pad.worst_headroom_db:z.1f} dB with parts at the ends of their tolerance).",
        f"Series resistor: {_power(pad.series_watts, pad.series_part_watts)}.",
        f"Shunt: {_power(pad.shunt_watts, pad.shunt_part_watts)}.",
    ]
    if math.isfinite(call.input_ohms):
        facts.append(
            f"The interface's own {plain(call.input_ohms, 6)} ohm takes {pad.loading_db:z.2f} dB of that loss."
        )
    else:
        facts.append("Calculated for an open input, the worst case: a real one sees a little less.")
    if pad.bandwidth_hz is not None:
        facts.append(
            f"With {plain(call.cable_pf)} pF of cable: -3 dB at {pad.bandwidth_hz / 1000:.0f} kHz, "
            f"{pad.loss_20khz_db:z.2f} dB lost at 20 kHz."
        )
    legs = "2 x series" if pad.differential else "series"
    why = (
        f"Why\n  output / source = s / ({legs} + source + s)\n"
        "  with s the shunt and the input in parallel\n"
        f"  = {left:.5f} = -{pad.loss_db:z.2f} dB"
    )
    return sections(
        headline(*_verdict(pad, each)),
        bullets("Dangers", dangers),
        _drawing(pad.differential),
        bullets("Figures", facts),
        why,
        bullets("Cautions", others),
    )


def _verdict(pad: Pad, each: str) -> tuple[str, str]:
    """The resistors, or that they would burn."""
    told = f"{_ohms(pad.series_ohms)} {each}, {_ohms(pad.shunt_ohms or 0.0)} across the input"
    if pad.series_part_watts is None or pad.shunt_part_watts is None:
        return "NOT SAFE", f"{told}: it would burn"
    return told, ""


def _drawing(two_sided: bool) -> str:
    """The pad as a small drawing."""
    if two_sided:
        return (
            "  amp +  --[ series ]--+--  interface +\n"
            "                    [ shunt ]\n"
            "  amp -  --[ series ]--+--  interface -      (no ground anywhere)"
        )
    return (
        "  amp +  --[ series ]--+--  interface +\n"
        "                    [ shunt ]\n"
        "  amp -  --------------+--  interface ground"
    )


def _ohms(ohms: float) -> str:
    from gainkit.figures import plain

    return f"{plain(ohms / 1000, 6)} kohm" if ohms >= 1000 else f"{plain(ohms, 6)} ohm"


def _power(watts: float, part_watts: float | None) -> str:
    """What a resistor turns into heat, and the size to use."""
    from gainkit.figures import plain

    heat = f"{watts:.2f} W" if watts >= 0.1 else f"{watts * 1000:.0f} mW"
    if part_watts is None:
        return f"{heat}: NO USUAL PART STANDS IT"
    return f"{heat}, use {plain(part_watts, 6)} W or more"


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(pad)
