"""`gainkit polarity`: which way round a loudspeaker is wired."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, grouped
from gainkit.cli.options import Channel
from gainkit.cli.place import ForOutputs, NoteOptions, NoteRequest, Noting, place_of, tell
from gainkit.cli.plain import said, sections, wrapped

if TYPE_CHECKING:
    from gainkit.polarity import PolarityPair, PolarityResult


class TrainName(StrEnum):
    """Trains of chirps and pulses."""

    bass = "bass"
    midrange = "midrange"
    treble = "treble"


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("polarity")(grouped(polarity))


def polarity(
    *,
    captures: Annotated[
        list[Path],
        typer.Argument(metavar="CAPTURE...", help="Recording of the chirps or pulses; two: a pair."),
    ],
    drive: Annotated[Path | None, typer.Option("--drive", help="Another signal that was played.")] = None,
    band: Annotated[TrainName | None, typer.Option("--band", help="Train that was played.")] = None,
    channel: Channel = 1,
    invert_microphone: Annotated[
        bool, typer.Option("--invert-microphone", help="This recorder turns the sign around.")
    ] = False,
    for_outputs: ForOutputs = None,
    note: NoteOptions,
    json_: JsonFlag = False,
) -> None:
    """Tell which way round a loudspeaker is wired, by chirps or pulses.

    Two recordings made with the same recorder tell whether two loudspeakers are wired alike: that needs
    no known recorder. Self-check: record a loudspeaker whose wiring you know; if it comes out negative, the
    recorder inverts, so give --invert-microphone from then on.

    Behind a crossover the answer is the sign of the drive that reaches this driver: a tweeter that is wired the
    other way round on purpose comes out negative. Compare left with right.
    """
    from gainkit.capture import read_capture
    from gainkit.errors import GainkitError
    from gainkit.polarity import compare_polarity, find_polarity

    kind = "polarity" if len(captures) == 1 else "polarity-pair"
    place = place_of(NoteRequest(kind, note, for_outputs))
    if len(captures) > 2:
        raise GainkitError("too_many_recordings", "captures", len(captures))
    if len({path.resolve() for path in captures}) < len(captures):
        raise GainkitError("same_file_twice", "captures").within("file", captures[0])
    played = None if drive is None else read_capture(drive)
    opened = [read_capture(path) for path in captures]
    results = [
        find_polarity(
            each,
            channel=channel,
            band=None if band is None else band.value,
            drive=played,
            invert_microphone=invert_microphone,
        )
        for each in opened
    ]
    answer: PolarityResult | PolarityPair = results[0]
    if len(results) > 1:
        answer = compare_polarity(
            results,
            [str(path) for path in captures],
            captures=opened,
            channel=channel,
        )
    tell(place, answer, json_, lambda: _polarity_or_pair(captures[0], answer), [Noting(answer, captures)])


def _polarity_or_pair(path: Path, answer: PolarityResult | PolarityPair) -> str:
    from gainkit.polarity import PolarityPair

    return pair_text(answer) if isinstance(answer, PolarityPair) else polarity_text(path, answer)


def polarity_text(path: Path, result: PolarityResult) -> str:
    """The verdict first."""
    from gainkit.words.polarity import confidence_text

    sounds = "answers" if result.played == "drive" else result.played
    decided = result.polarity != "undecided"  # what decides nothing agrees by chance
    sure = confidence_text(result.confidence)
    counts = f"{result.agreeing} of {result.pulses} {sounds} agree, confidence {sure}." if decided else ""
    probably = "PROBABLY " if result.only_probable else ""
    head = wrapped(f"{path}: {probably}{result.polarity.upper()}.", "", "")
    return sections(head, counts, *(wrapped(note, "  - ", "    ") for note in said(result.notes)))


def pair_text(result: PolarityPair) -> str:
    """The verdict on two loudspeakers first."""
    from gainkit.polarity import PROBABLE
    from gainkit.words.polarity import RELATIONS, confidence_text

    rows = [
        f"  {file}: {each.polarity}"
        if each.polarity == "undecided"
        else f"  {file}: {each.polarity}, {each.agreeing} of {each.pulses} {each.played} agree, confidence "
        f"{confidence_text(each.confidence)}"
        for file, each in zip(result.files, result.captures, strict=True)
    ]
    unsure = [each for each in result.captures if each.confidence < PROBABLE]
    notes = dict.fromkeys(note for each in unsure for note in said(each.notes))
    head = ("PROBABLY " if result.only_probable else "") + RELATIONS[result.relation]
    return sections(head, "\n".join(rows), *(wrapped(note, "  - ", "    ") for note in notes))
