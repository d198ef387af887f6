"""Command trim: how far a radio's own loudspeaker channels come down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, show

if TYPE_CHECKING:
    from gainkit.calculator.trims import Trim


def trim(
    source_clip_dbfs: Annotated[
        float, typer.Option(help="Recording level at which the built-in amplifier clips [dBFS].")
    ],
    overlap_db: Annotated[float, typer.Option(help="Gain overlap of the main channels [dB].")],
    margin_db: Annotated[
        float, typer.Option(help="Margin that the main channels keep below their clipping [dB].")
    ] = 0.0,
    supply_volts: Annotated[
        float | None, typer.Option(help="Supply [V]: adds the built-in stage's own limit.")
    ] = None,
    load_ohms: Annotated[float | None, typer.Option(help="Loudspeakers on it [ohm].")] = None,
    clip_volts: Annotated[
        float | None, typer.Option(help="Its volts at the onset of clipping [V rms].")
    ] = None,
    drop_volts: Annotated[
        float, typer.Option(help="What the built-in stage keeps of its supply [V], about 2 in practice.")
    ] = 0.0,
    own_margin_db: Annotated[
        float, typer.Option(help="Margin that the built-in channels keep below their own limits [dB].")
    ] = 0.0,
    speaker_watts: Annotated[
        float | None, typer.Option(help="Continuous limit of the loudspeakers on it [W].")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """How far a radio's own loudspeaker channels come down, to clip no earlier than the main ones."""
    from gainkit.calculator.ranges import DB_IN_HAND, refuse_outside
    from gainkit.calculator.trims import find_trim

    refuse_outside("overlap_db", overlap_db, DB_IN_HAND)
    refuse_outside("margin_db", margin_db, DB_IN_HAND)
    main_clip_dbfs = margin_db - overlap_db
    turned_down = find_trim(
        source_clip_dbfs, main_clip_dbfs, supply_volts=supply_volts, load_ohms=load_ohms, clip_volts=clip_volts,
        drop_volts=drop_volts, own_margin_db=own_margin_db, speaker_watts=speaker_watts,
    )  # fmt: skip
    show(turned_down, as_json, lambda: _trim_text(turned_down))


def _trim_text(trim: Trim) -> str:
    from gainkit.cli.plain import bullets, headline, sections

    after = f"at {trim.clip_dbfs_after:z.1f} dBFS" if trim.clip_dbfs_after <= 0 else "at no recording level"
    facts = [f"It clips at {trim.clip_dbfs_before:zg} dBFS now, {after} then."]
    if trim.most_volts is not None:
        watts = "" if trim.most_watts is None else f", {trim.most_watts:.1f} W"
        facts.append(
            "A bridge-tied stage on this supply: (supply - drop) / sqrt(2) = "
            f"{trim.most_volts:.2f} V at most{watts}."
        )
    if trim.source_volts is not None:
        facts.append(
            f"As source of an amplifier with loudspeaker-level inputs: {trim.source_volts:.2f} V for 0 dBFS "
            "(calculated as if it did not clip)."
        )
    return sections(
        bullets("Dangers", [each for each in trim.notes if each.severity == "danger"]),
        headline(f"TRIM {trim.trim_db:z.1f} dB"),
        bullets("Figures", facts),
        _why(trim),
        bullets("Notes", [each for each in trim.notes if each.severity != "danger"]),
    )


def _why(trim: Trim) -> str:
    """Where the trim comes from: what is kept below the built-in limits is a term only where there is some."""
    less = f" - kept in hand {trim.below_limit_db:z.1f} dB" if trim.below_limit_db else ""
    change = trim.clip_dbfs_before - trim.main_clip_dbfs - trim.below_limit_db
    return (
        f"Why\n  trim = lower of 0 and built-in onset - main onset{less} = {trim.clip_dbfs_before:zg} - "
        f"({trim.main_clip_dbfs:zg}) dBFS{f' - {trim.below_limit_db:z.1f} dB' if less else ''} = "
        f"{round(change, 2):zg} dB"
    )


def register(app: typer.Typer) -> None:
    """Add this module's command to the tree."""
    app.command()(trim)
