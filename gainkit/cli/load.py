"""Command load: the wirings of voice coils and the loads they make."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show

if TYPE_CHECKING:
    from gainkit.calculator.loads import Wirings


def load(
    coil_ohms: Annotated[float, typer.Option(help="Nominal impedance of one voice coil [ohm].")],
    coils: Annotated[int, typer.Option(help="Voice coils on each driver.")] = 1,
    drivers: Annotated[int, typer.Option(help="Drivers on this output.")] = 1,
    min_ohms: Annotated[
        float | None, typer.Option(help="Lowest load of one channel, of each half if bridged [ohm].")
    ] = None,
    bridged: Annotated[
        bool, typer.Option("--bridged", help="The output is bridged: each half sees half the load.")
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Every wiring of the voice coils that shares the power equally, and its load."""
    from gainkit.calculator.loads import find_loads

    found = find_loads(coil_ohms, coils, drivers, min_ohms, bridged)
    show(found, as_json, lambda: _load_text(found))


def _load_text(found: Wirings) -> str:
    from gainkit.cli.plain import bullets, columns, headline, sections
    from gainkit.figures import plain

    allowed = [wiring for wiring in found.wirings if wiring.allowed]
    if allowed:
        first = headline(f"{plain(allowed[0].ohms)} ohm", allowed[0].description)
        first += "\nthe lowest load that the amplifier allows"
    elif found.wirings[0].allowed is False:
        first = headline("NO WIRING FITS", "every load is below the amplifier's minimum")
    else:
        first = headline(" or ".join(dict.fromkeys(plain(wiring.ohms) for wiring in found.wirings)) + " ohm")
    words = {True: "yes", False: "NO", None: "-"}
    rows = [
        [
            plain(wiring.ohms),
            "-" if wiring.half_ohms is None else plain(wiring.half_ohms),
            words[wiring.allowed],
            wiring.description,
        ]
        for wiring in found.wirings
    ]
    table = columns(["ohm", "half", "ok", "wiring"], rows)
    return sections(first, table, bullets("Cautions", found.cautions))


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(load)
