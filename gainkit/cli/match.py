"""`gainkit match`: loudspeakers and channels as loud as each other."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, note, shown
from gainkit.cli.options import (
    Calibration,
    Channel,
    ForChannel,
    FullScale,
    Index,
    LogFolder,
    Minus,
    Track,
    check_log,
    parse_band,
)
from gainkit.cli.plain import columns, said, sections, wrapped

if TYPE_CHECKING:
    from gainkit.capture.model import Capture
    from gainkit.matching import MatchResult


class Weighting(StrEnum):
    """Frequency weightings."""

    z = "Z"
    a = "A"


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("match")(match)


def match(
    captures: Annotated[
        list[Path],
        typer.Argument(metavar="CAPTURE...", help="Recordings of band-limited noise, one per loudspeaker."),
    ],
    reference: Annotated[
        Path | None, typer.Option("--reference", help="Match to this one [the first].")
    ] = None,
    third: Annotated[bool, typer.Option("--third", help="Third-octave bands instead of octaves.")] = False,
    weighting: Annotated[Weighting, typer.Option("--weighting", help="Of the total.")] = Weighting.z,
    band_hz: Annotated[str, typer.Option("--band-hz", help="Band of the total, LOW:HIGH.")] = "20:20000",
    index: Index = None,
    track: Track = None,
    full_scale_volts: FullScale = None,
    calibration: Calibration = None,
    channel: Channel = 1,
    minus: Minus = None,
    log: LogFolder = None,
    for_channel: ForChannel = None,
    json_: JsonFlag = False,
) -> None:
    """Compare levels of loudspeakers or channels by noise, and tell the trims that make them alike."""
    from gainkit.capture import read_capture
    from gainkit.matching import MatchOptions, match_levels

    check_log(log, for_channel, needs_channel=False)
    asked = MatchOptions(
        channel=channel,
        minus=minus,
        third_octave=third,
        weighting="A" if weighting is Weighting.a else "Z",
        band_hz=parse_band(band_hz),
    )
    opened = [read_capture(p, full_scale_volts=full_scale_volts, calibration=calibration) for p in captures]
    master = None
    if reference in captures:
        master = opened[captures.index(reference)]
    elif reference is not None:
        master = read_capture(reference, full_scale_volts=full_scale_volts, calibration=calibration)
    result = match_levels(opened, asked, reference=master, played=noise_track(index, track))
    with shown(result, json_, lambda: match_text(result)):
        note(log, "match", for_channel, result, captures)


def noise_track(index: Path | None, track: str | None) -> Capture | None:
    """The noise track that was played, from the folder of its index; None where none is given."""
    from gainkit.capture import read_capture
    from gainkit.errors import GainkitError
    from gainkit.onset.tracks import read_index

    if index is None:
        if track is not None:
            raise GainkitError("track_without_index", "track", track)
        return None
    files = [str(each.get("file")) for each in read_index(index)["tracks"] if each.get("kind") == "noise"]
    chosen = [file for file in files if track is None or Path(track).name in (file, Path(file).stem)]
    if len(chosen) != 1:
        raise GainkitError("no_noise_track", "track", track, files or "none", index=str(index))
    return read_capture(index.parent / chosen[0])


def match_text(result: MatchResult) -> str:
    """Trims first, then the bands side by side."""
    unit = "dBV" if result.calibrated else "dBFS"
    rows = [
        (Path(each.file).name, f"{each.trim_db:+.1f} dB", f"{each.level_db:.1f}", f"{each.a_weighted_db:.1f}",
         "" if each.trim_uncertainty_db is None else f"+-{each.trim_uncertainty_db:.1f}")
        for each in result.captures
    ]  # fmt: skip
    head = f"TRIMS to {Path(result.reference).name} ({result.weighting}-weighted total)"
    table = columns(("capture", "trim", f"level {unit}", f"A {unit}", "trim 95 %"), rows)
    centres = sorted({band.center_hz for each in result.captures for band in each.bands})
    by_file = [{band.center_hz: band.level_db for band in each.bands} for each in result.captures]
    bands = columns(
        ("Hz", *(Path(each.file).name for each in result.captures)),
        [(f"{hz:g}", *(f"{levels[hz]:.1f}" if hz in levels else "" for levels in by_file)) for hz in centres],
    )
    return sections(head, table, bands, *(wrapped(note, "  - ", "    ") for note in said(result.notes)))
