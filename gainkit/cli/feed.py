"""Command feed: what a cable costs, and what it can carry."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, grouped, show

if TYPE_CHECKING:
    from gainkit.calculator.feed_model import Feed


class FeedMaterial(StrEnum):
    """What the cable is made of."""

    copper = "copper"
    cca = "cca"


@dataclass(frozen=True)
class FeedOptions:
    """What `gainkit feed` takes."""

    length_m: Annotated[float, typer.Option(help="One way [m]; the return is counted as equal.")]
    watts: Annotated[float | None, typer.Option(help="Output power of the amplifiers [W].")] = None
    efficiency: Annotated[float, typer.Option(help="Output over input at full power.")] = 0.8
    supply_volts: Annotated[float, typer.Option(help="At the battery [V].")] = 14.4
    awg: Annotated[str | None, typer.Option(help="American wire gauge: 4, or 1/0.")] = None
    mm2: Annotated[float | None, typer.Option(help="Area of the conductor [mm2].")] = None
    speaker_ohms: Annotated[
        float | None, typer.Option(help="Loudspeaker wire instead: nominal impedance [ohm].")
    ] = None
    temperature_c: Annotated[float, typer.Option(help="Of the conductor [degrees Celsius].")] = 20.0
    fuse_amperes: Annotated[float | None, typer.Option(help="Fuse at the battery [A].")] = None
    feed_material: Annotated[
        FeedMaterial, typer.Option(help="Of the conductor; cca is copper-clad aluminium.")
    ] = FeedMaterial.copper
    contact_ohms: Annotated[
        float, typer.Option(help="Terminals, holders and switches together, fuse left out [ohm].")
    ] = 0.0
    return_ohms: Annotated[
        float | None, typer.Option(help="Return through the body: its resistance [ohm]; a cable if left out.")
    ] = None
    air_c: Annotated[float, typer.Option(help="Air around the cable [degrees Celsius].")] = 40.0
    measured_drop_volts: Annotated[
        float | None, typer.Option(help="Volts lost from battery to amplifier, read under load [V].")
    ] = None
    measured_amperes: Annotated[
        float | None, typer.Option(help="Current while it was read [A]; that of full power if left out.")
    ] = None
    as_json: JsonFlag = False


FACTS = ("fuse_amperes", "contact_ohms", "return_ohms", "measured_drop_volts", "measured_amperes")
"""Options that `FeedFacts` has under the same name."""


@grouped
def feed(options: FeedOptions) -> None:
    """Whether a power feed is fit for its current, and what it or a loudspeaker wire costs in volts and dB."""
    from gainkit.calculator.feed_model import FeedFacts
    from gainkit.calculator.feeds import find_feed

    facts = FeedFacts(
        material=options.feed_material.value,
        air_celsius=options.air_c,
        **{name: getattr(options, name) for name in FACTS},
    )
    names = ("watts", "speaker_ohms", "awg", "mm2", "efficiency", "supply_volts", "temperature_c")
    given = {name: getattr(options, name) for name in names}
    judged = find_feed(options.length_m, **given, facts=facts)
    show(judged, options.as_json, lambda: _feed_text(judged))


def _feed_text(feed: Feed) -> str:
    """Dangers, the verdict, the figures, why, the rest."""
    from gainkit.calculator.conductors import MATERIALS
    from gainkit.cli.plain import bullets, headline, sections
    from gainkit.figures import plain

    area = f"{feed.square_mm:.2f} mm2 of {MATERIALS[feed.material].words}"
    wire = f"{feed.wire_ohms * 1000:.2f} mohm there and back, {area}"
    if feed.amplifier_volts is None or feed.supply_amperes is None:
        return sections(
            headline(
                f"{feed.level_lost_db:z.2f} dB at the loudspeaker",
                f"{feed.wire_share_percent:.1f} % in the wire",
            ),
            f"{wire}.",
            "Why\n  level = 20 log10(R / (R + wire)), R the loudspeaker's nominal impedance",
            bullets("Notes", feed.notes),
        )
    dangers = [each for each in feed.notes if each.severity == "danger"]
    others = [each for each in feed.notes if each.severity != "danger"]
    fuse = "unknown" if feed.fuse_amperes is None else f"{plain(feed.fuse_amperes)} A"
    figures = [
        f"{feed.amplifier_volts:.2f} V at the amplifier, {feed.supply_amperes:.1f} A, fuse {fuse}.",
        f"{feed.lost_volts:.2f} V lost in {wire}.",
        f"{feed.amperes_per_mm2:.1f} A/mm2, {feed.heat_watts_per_m:.1f} W of heat in each metre; "
        f"{feed.wire_watts:.1f} W in all, {feed.contact_watts:.1f} W of it in contacts.",
        f"The cable carries {feed.continuous_amperes:.0f} A for sure, {feed.most_amperes:.0f} A at best.",
        f"Headroom {feed.headroom_lost_db:z.2f} dB for an unregulated amplifier.",
    ]
    verdict, condition = _verdict(feed)
    return sections(
        headline(verdict, condition),
        bullets("Dangers", dangers),
        bullets("Figures", figures),
        "Why\n  U = (U0 + sqrt(U0^2 - 4 P R)) / 2, P = watts / efficiency being constant\n"
        "  I^2 R (T1 + T4) = rise over the air (IEC 60287): at best 105 degrees C alone,\n"
        "  for sure 70 beside other cables; fuse no larger (IEC 60364-4-43)",
        bullets("Notes", others),
    )


def _verdict(feed: Feed) -> tuple[str, str]:
    """The verdict in capitals, and the condition it stands under."""
    from gainkit.figures import plain

    if feed.verdict == "not safe":
        return "NOT SAFE", "do not connect it like this"
    if feed.verdict == "safe":
        return (
            "SAFE",
            f"with this fuse of {plain(feed.fuse_amperes or 0.0)} A; the cable maker's table decides",
        )
    if (feed.supply_amperes or 0.0) <= (feed.continuous_amperes or 0.0) and feed.fuse_amperes is None:
        return "NOT KNOWN", f"safe only with a fuse of {plain(feed.highest_fuse_amperes or 0.0)} A or less"
    return "NOT KNOWN", "only the cable maker's table can approve it"


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(feed)
