"""`gainkit noise`: what hums, whines and hisses while silence plays."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, grouped
from gainkit.cli.options import Band, BesideOptions, ChannelIfNamedOptions, FileOptions, parse_band
from gainkit.cli.place import NoteOptions, NoteRequest, Noting, place_of, tell

if TYPE_CHECKING:
    from gainkit.noise import Family, NoiseResult


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("noise")(grouped(noise))


def noise(
    *,
    capture: Annotated[
        Path, typer.Argument(metavar="CAPTURE", help="Recording while the silence track plays, or nothing.")
    ],
    against: Annotated[
        Path | None, typer.Option("--against", help="Another one: engine off, or source unplugged.")
    ] = None,
    recorder: Annotated[
        Path | None, typer.Option("--recorder", help="One of the recorder alone, its input shorted.")
    ] = None,
    files: FileOptions,
    channels: ChannelIfNamedOptions,
    band_hz: Band = "20:20000",
    target_volts: Annotated[
        float | None, typer.Option("--target-volts", help="Volts of the output at its target.")
    ] = None,
    beside: BesideOptions,
    note: NoteOptions,
    json_: JsonFlag = False,
) -> None:
    """Tell what hums, whines and hisses, and which end of the chain to look at.

    Set the gain first, put the volume where it is set, play the silence track and record ten seconds. A second
    recording with the engine off, or with the source unplugged, tells where it comes from.
    """
    from gainkit.cli.measure import expectation
    from gainkit.noise import find_noise

    place = place_of(NoteRequest("noise", note, beside.for_output, beside.system, files, own_system=True))
    planned = expectation(place.system, place.output, target_volts, None).plan
    if target_volts is None and planned is not None:
        target_volts = planned.target_volts
    result = find_noise(
        files.open(capture, place.calibration),
        against=None if against is None else files.open(against, place.calibration),
        recorder=None if recorder is None else files.open(recorder, place.calibration),
        target_volts=target_volts,
        band_hz=parse_band(band_hz),
        **vars(channels),
    )
    tell(place, result, json_, lambda: as_text(result), [Noting(result, [capture])])


MOST_ROWS = 12
"""Families shown to a person, the loudest of them: JSON has all [-] (our choice: they fit a screen)."""


def as_text(result: NoiseResult) -> str:
    """Danger first, then the verdict and where to look, then the figures."""
    from gainkit.cli.plain import columns, said, sections, wrapped
    from gainkit.figures import level_unit, plain
    from gainkit.noise import OUTSIDE

    unit = level_unit(result.calibrated)
    dangers = [each for each in result.notes if each.severity == "danger"]
    others = [each for each in result.notes if each.severity != "danger"]
    outside = [each for each in others if each.code in OUTSIDE and each.severity == "fault"]
    verdict = "quiet in its band" if outside and result.verdict == "quiet" else result.verdict
    first = " ".join([*said(others[:1]), *said(outside)])
    rest = said([each for each in others[1:] if each not in outside])
    figures = [
        f"  Noise       {plain(result.rms_volts)} {unit} rms",
        f"  Weighted    {plain(result.a_weighted_volts)} {unit}, A-weighted (IEC 61672-1)",
        f"  Hiss        {plain(result.hiss_volts)} {unit} without its lines",
    ]
    if result.below_target_db is not None:
        figures.append(f"  Below       {result.below_target_db:z.1f} dB under the target, A-weighted")
    if result.changed_db is not None:
        figures.append(f"  Changed     {result.changed_db:+z.1f} dB against the other recording, A-weighted")
    table = ""
    if result.families:
        loudest = sorted(result.families, key=lambda each: -each.rms_volts)[:MOST_ROWS]
        table = columns(("lines of", f"rms {unit}", "kind", "orders"), [_row(each) for each in loudest])
        if more := len(result.families) - len(loudest):
            table += f"\nand {more} weaker."
    return sections(
        *(wrapped(each, "", "") for each in said(dangers)),
        wrapped(f"{result.file}: {verdict.upper()}. {first}", "", ""),
        "\n".join(figures),
        table,
        *(wrapped(each, "  - ", "    ") for each in rest),
    )


def _row(family: Family) -> tuple[str, str, str, str]:
    from gainkit.figures import plain

    listed = ", ".join(map(str, family.orders[:8])) + (", ..." if len(family.orders) > 8 else "")
    moves = {True: ", moves", False: ", stays", None: ""}[family.moves]
    return f"{plain(family.fundamental_hz, 5)} Hz", plain(family.rms_volts), f"{family.kind}{moves}", listed
