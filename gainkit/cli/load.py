"""Command load: the wirings of voice coils and the loads they make."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show
from gainkit.cli.options import Calibration, Channel, FullScale, Interval

if TYPE_CHECKING:
    from gainkit.calculator.loads import Wirings
    from gainkit.impedance import MeasuredLoad

SHOWN_EVERY = 12
"""Of the curve only every so many points one is shown [-]: half an octave apart."""


def load(
    coil_ohms: Annotated[float | None, typer.Option(help="Nominal impedance of one voice coil [ohm].")] = None,
    coils: Annotated[int, typer.Option(help="Voice coils on each driver.")] = 1,
    drivers: Annotated[int, typer.Option(help="Drivers on this output.")] = 1,
    min_ohms: Annotated[
        float | None, typer.Option(help="Lowest load of one channel, of each half if bridged [ohm].")
    ] = None,
    bridged: Annotated[
        bool, typer.Option("--bridged", help="The output is bridged: each half sees half the load.")
    ] = False,
    from_captures: Annotated[
        tuple[Path, Path] | None,
        typer.Option(
            help="Measure instead: volts of the load and of a resistor in series, or open and loaded."
        ),
    ] = None,
    series_ohms: Annotated[float | None, typer.Option(help="That resistor [ohm].")] = None,
    load_ohms: Annotated[
        float | None, typer.Option(help="Load of the second capture, the first being open [ohm].")
    ] = None,
    across_both: Annotated[
        bool, typer.Option("--across-both", help="The first was taken across load and resistor together.")
    ] = False,
    channel: Channel = 1,
    other_channel: Annotated[
        int | None, typer.Option(min=1, help="Channel of the second; of the same file the next if left out.")
    ] = None,
    full_scale_volts: FullScale = None,
    calibration: Calibration = None,
    interval_seconds: Interval = None,
    as_json: JsonFlag = False,
) -> None:
    """Every wiring of the voice coils and its load; or the impedance of a load from two captures.

    To measure: a known resistor of about the load's ohms in series, a low level, both voltages recorded at once
    (the same file given twice: its channels 1 and 2). A sweep gives the curve, a tone one point.
    """
    from gainkit.calculator.loads import find_loads
    from gainkit.errors import GainkitError

    if from_captures is None:
        _refuse_measuring_options(series_ohms, load_ohms, across_both)
        if coil_ohms is None:
            raise GainkitError("needs_one_of", "coil_ohms", other="from_captures")
        loads = find_loads(coil_ohms, coils, drivers, min_ohms, bridged)
        show(loads, as_json, lambda: _load_text(loads))
        return
    if coil_ohms is not None:
        raise GainkitError("not_both", "coil_ohms", coil_ohms, other="from_captures")
    from gainkit.verbs.loads import find_impedance

    measured = find_impedance(
        *from_captures, channel=channel, other_channel=other_channel, series_ohms=series_ohms,
        load_ohms=load_ohms, across_both=across_both, min_ohms=min_ohms, bridged=bridged,
        interval_seconds=interval_seconds, full_scale_volts=full_scale_volts, calibration=calibration,
    )  # fmt: skip
    show(measured, as_json, lambda: _measured_text(measured))


def _refuse_measuring_options(series_ohms: float | None, load_ohms: float | None, across_both: bool) -> None:
    from gainkit.errors import GainkitError

    for name, value in (("series_ohms", series_ohms), ("load_ohms", load_ohms), ("across_both", across_both)):
        if value:
            raise GainkitError("needs_other", name, value, other="from_captures")


def _measured_text(load: MeasuredLoad) -> str:
    """Do not connect or the impedance, then its parts, then a coarse curve."""
    from gainkit.cli.plain import bullets, columns, headline, sections
    from gainkit.figures import filled, plain

    lines = {
        "output_ohms": "Output resistance {output_ohms:.3g} ohm.",
        "phase_degrees": "Phase {phase_degrees:+z.1f} degrees: {resistance_ohms:.3g} ohm of resistance, "
        "{reactance_ohms:+.3g} ohm of reactance.",
        "resonance_hz": "Resonance at {resonance_hz:.4g} Hz, {resonance_ohms:.3g} ohm.",
        "nominal_ohms": "Nominal impedance at most {nominal_ohms:.3g} ohm (IEC 60268-5: least 80 %).",
        "volts": "{volts:.3g} V, {amperes:.3g} A at the load.",
        "watts": "{watts:.3g} W in the load.",
    }
    facts = [filled(line, vars(load)) for name, line in lines.items() if getattr(load, name) is not None]
    if load.output_ohms is not None:
        told = (f"{plain(load.output_ohms)} ohm", "output resistance")
    elif load.ohms is not None:
        told = (f"{plain(load.ohms)} ohm", f"at {plain(load.frequency_hz or 0.0, 4)} Hz")
    else:
        told = (f"least {plain(load.least_ohms or 0.0)} ohm", f"at {plain(load.least_hz or 0.0, 4)} Hz")
    if load.allowed is False:
        told = ("DO NOT CONNECT", " ".join(told))
    rows = [
        [f"{point.frequency_hz:.0f}", f"{point.ohms:.2f}", f"{point.phase_degrees:+z.0f}"]
        for point in load.curve[::SHOWN_EVERY]
    ]
    dangers = [note for note in load.notes if note.severity == "danger"]
    others = [note for note in load.notes if note.severity != "danger"]
    return sections(
        headline(*told),
        bullets("Dangers", dangers),
        bullets("Figures", facts),
        columns(["Hz", "ohm", "degrees"], rows) if rows else "",
        bullets("Notes", others),
    )


def _load_text(wirings: Wirings) -> str:
    from gainkit.cli.plain import bullets, columns, headline, sections
    from gainkit.figures import plain

    allowed = [wiring for wiring in wirings.wirings if wiring.allowed]
    if allowed:
        first = headline(f"{plain(allowed[0].ohms)} ohm", allowed[0].description)
        first += "\nthe lowest load that the amplifier allows"
    elif wirings.wirings[0].allowed is False:
        first = headline("NO WIRING FITS", "every load is below the amplifier's minimum")
    else:
        first = headline(" or ".join(dict.fromkeys(plain(wiring.ohms) for wiring in wirings.wirings)) + " ohm")
    words = {True: "yes", False: "NO", None: "-"}
    rows = [
        [
            plain(wiring.ohms),
            "-" if wiring.half_ohms is None else plain(wiring.half_ohms),
            words[wiring.allowed],
            wiring.description,
        ]
        for wiring in wirings.wirings
    ]
    table = columns(["ohm", "half", "ok", "wiring"], rows)
    return sections(first, table, bullets("Cautions", wirings.cautions))


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(load)
