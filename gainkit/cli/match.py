"""`gainkit match`: loudspeakers and channels as loud as each other."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, grouped
from gainkit.cli.options import ChannelOptions, Index, ScaleOptions, Track, parse_band
from gainkit.cli.place import ForOutputs, NoteOptions, NoteRequest, Noting, Place, place_of, tell
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
    app.command("match")(grouped(match))


def match(
    *,
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
    scale: ScaleOptions,
    channels: ChannelOptions,
    only_cuts: Annotated[
        bool, typer.Option("--cuts-only", help="No positive trim [so too when an output is on target].")
    ] = False,
    for_outputs: ForOutputs = None,
    note: NoteOptions,
    json_: JsonFlag = False,
) -> None:
    """Compare levels of loudspeakers or channels by noise, and tell the trims that make them alike."""
    from gainkit.matching import MatchOptions, cuts_only, match_levels

    place = place_of(NoteRequest("match", note, for_outputs, scale=scale, captures=len(captures)))
    asked = MatchOptions(
        **vars(channels),
        third_octave=third,
        weighting="A" if weighting is Weighting.a else "Z",
        band_hz=parse_band(band_hz),
    )
    opened = [scale.open(path, place.calibration) for path in captures]
    master = None
    if reference in captures:
        master = opened[captures.index(reference)]
    elif reference is not None:
        master = scale.open(reference, place.calibration)
    result = match_levels(opened, asked, reference=master, played=noise_track(index, track))
    if only_cuts or _any_on_target(place):
        result = cuts_only(result)
    tell(place, result, json_, lambda: match_text(result), [Noting(result, captures)])


def _any_on_target(place: Place) -> bool:
    """Whether one of the outputs stands at its target: raised, it would clip before the source does."""
    if place.job is None:
        return False
    from gainkit.job.standing import job_status

    return any(each.met and each.name in place.outputs for each in job_status(place.job).outputs)


def noise_track(index: Path | None, track: str | None) -> Capture | None:
    """The noise track that was played, from the folder of its index; None where none is given."""
    from gainkit.capture import read_capture
    from gainkit.errors import GainkitError
    from gainkit.toneset.entries import track_entry

    if index is None:
        if track is not None:
            raise GainkitError("track_without_index", "track", track)
        return None
    entry, _ = track_entry(index, track, ("noise",))
    return read_capture(index.parent / str(entry["file"]))


def match_text(result: MatchResult) -> str:
    """Trims first, then the bands side by side."""
    unit = "dBV" if result.calibrated else "dBFS"
    rows = [
        (
            Path(each.file).name,
            f"{each.trim_db:+z.1f} dB",
            f"{each.level_db:z.1f}",
            f"{each.a_weighted_db:z.1f}",
            "" if each.trim_uncertainty_db is None else f"+-{max(each.trim_uncertainty_db, 0.1):z.1f}",
        )
        for each in result.captures
    ]
    head = f"TRIMS to {Path(result.reference).name} ({result.weighting}-weighted total)"
    table = columns(("capture", "trim", f"level {unit}", f"A {unit}", "trim 95 %"), rows)
    centres = sorted({band.center_hz for each in result.captures for band in each.bands})
    by_file = [{band.center_hz: band.level_db for band in each.bands} for each in result.captures]
    bands = columns(
        ("Hz", *(Path(each.file).name for each in result.captures)),
        [(f"{hz:g}", *(f"{levels[hz]:z.1f}" if hz in levels else "" for levels in by_file)) for hz in centres],
    )
    return sections(head, table, bands, *(wrapped(note, "  - ", "    ") for note in said(result.notes)))
