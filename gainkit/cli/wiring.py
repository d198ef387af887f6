"""`gainkit polarity`, `routing`, `match`: each loudspeaker where it should be, and as loud."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, note, show, shown
from gainkit.cli.options import (
    Calibration,
    Channel,
    ForChannel,
    FullScale,
    LogFolder,
    Minus,
    check_log,
    parse_band,
)
from gainkit.cli.plain import columns, sections, wrapped

if TYPE_CHECKING:
    from gainkit.matching import MatchResult
    from gainkit.polarity import PairResult, PolarityResult
    from gainkit.routing import RoutingResult


class Train(StrEnum):
    """Trains of pulses."""

    bass = "bass"
    midrange = "midrange"
    treble = "treble"


class Weighting(StrEnum):
    """Frequency weightings."""

    z = "Z"
    a = "A"


def register(app: typer.Typer) -> None:
    """Add the commands to the tree."""
    for command in (polarity, routing, match):
        app.command(command.__name__)(command)


def polarity(
    captures: Annotated[
        list[Path],
        typer.Argument(metavar="CAPTURE...", help="Microphone recording of the pulses track; two: a pair."),
    ],
    drive: Annotated[Path | None, typer.Option("--drive", help="Another signal that was played.")] = None,
    band: Annotated[Train | None, typer.Option("--band", help="Train that was played.")] = None,
    channel: Channel = 1,
    invert_microphone: Annotated[
        bool, typer.Option("--invert-microphone", help="This recorder turns the sign around.")
    ] = False,
    log: LogFolder = None,
    for_channel: ForChannel = None,
    json_: JsonFlag = False,
) -> None:
    """Tell which way round a loudspeaker is wired, by pulses.

    Two recordings made with the same recorder tell whether two loudspeakers are wired alike: that needs
    no known recorder. Self-check: record a loudspeaker whose wiring you know; if it comes out negative, the
    recorder inverts, so give --invert-microphone from then on.

    Behind a crossover the answer is the sign of the drive that reaches this driver: a tweeter that is wired the
    other way round on purpose comes out negative. Compare left with right.
    """
    from gainkit import polarity as room
    from gainkit.capture import read_capture

    check_log(log, for_channel)
    if len(captures) > 2:
        raise typer.BadParameter("give one recording, or two for a pair", param_hint="CAPTURE...")
    if len({path.resolve() for path in captures}) < len(captures):
        raise typer.BadParameter("both are the same file", param_hint="CAPTURE...")
    played = None if drive is None else read_capture(drive)
    results = [
        room.polarity(
            read_capture(path),
            channel=channel,
            band=None if band is None else band.value,
            drive=played,
            invert_microphone=invert_microphone,
        )
        for path in captures
    ]
    answer: PolarityResult | PairResult = results[0]
    if len(results) > 1:
        answer = room.pair(results, [str(path) for path in captures])
    with shown(answer, json_, lambda: _polarity_or_pair(captures[0], answer)):
        for path, result in zip(captures, results, strict=True):
            note(log, "polarity", for_channel, result, [path])


def _polarity_or_pair(path: Path, answer: PolarityResult | PairResult) -> str:
    from gainkit.polarity import PairResult

    return pair_text(answer) if isinstance(answer, PairResult) else polarity_text(path, answer)


def polarity_text(path: Path, result: PolarityResult) -> str:
    """The verdict first."""
    from gainkit.polarity import PROBABLE

    counts = f"{result.agreeing} of {result.pulses} pulses agree"
    if result.polarity != "undecided":
        sure = f"{100 * result.confidence:.1f} %" if result.confidence < 0.999 else "above 99.9 %"
        counts += f", confidence {sure}"
    probably = "PROBABLY " if result.polarity != "undecided" and result.confidence < PROBABLE else ""
    head = wrapped(f"{path}: {probably}{result.polarity.upper()}.", "", "")
    return sections(head, f"{counts}.", *(wrapped(note, "  - ", "    ") for note in result.notes))


def pair_text(result: PairResult) -> str:
    """The verdict on two loudspeakers first."""
    from gainkit.polarity import PROBABLE

    words = {
        "same": "SAME: both are wired alike.",
        "opposite": "OPPOSITE: one of the two is the wrong way round.",
        "undecided": "UNDECIDED.",
    }
    rows = [
        f"  {file}: {each.polarity}, {each.agreeing} of {each.pulses} pulses agree, confidence "
        f"{100 * each.confidence:.1f} %"
        for file, each in zip(result.files, result.captures, strict=True)
    ]
    notes = dict.fromkeys(n for each in result.captures if each.confidence < PROBABLE for n in each.notes)
    probably = result.relation != "undecided" and result.confidence < PROBABLE
    head = f"PROBABLY {words[result.relation]}" if probably else words[result.relation]
    return sections(head, "\n".join(rows), *(wrapped(note, "  - ", "    ") for note in notes))


def routing(
    capture: Annotated[Path, typer.Argument(help="Recording of the beeps track.")],
    microphone: Annotated[
        bool | None,
        typer.Option("--microphone/--line", help="Sound by a microphone, or line channels [by their number]."),
    ] = None,
    pitch_hz: Annotated[float, typer.Option("--pitch-hz", help="Pitch of the beeps.")] = 997.0,
    json_: JsonFlag = False,
) -> None:
    """Tell which channel plays where, from a recording of counted beeps."""
    from gainkit import routing as room
    from gainkit.capture import read_capture
    from gainkit.errors import GainkitError

    if not 20 <= pitch_hz <= 20_000:
        raise GainkitError(f"--pitch-hz is {pitch_hz:g} Hz.", "Give 20 to 20000 Hz.")
    result = room.routing(read_capture(capture), microphone=microphone, pitch_hz=pitch_hz)
    show(result, json_, lambda: routing_text(result))


def routing_text(result: RoutingResult) -> str:
    """The verdict first, then what was heard when."""
    if result.ok and result.by_ear:
        head = "BOTH CHANNELS ARE HEARD. One microphone does not tell which side plays which."
    else:
        head = "ALL AS IT SHOULD BE." if result.ok else "NOT AS IT SHOULD BE."
    table = columns(
        ("channel", "beeps", "at s"),
        [(str(entry.channel), str(entry.beeps), f"{entry.start_seconds:.2f}") for entry in result.heard[:12]],
    )
    lines = [wrapped(text, "  - ", "    ") for text in (*result.problems, *result.notes)]
    return sections(head, "\n".join(lines), table)


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
    full_scale_volts: FullScale = None,
    calibration: Calibration = None,
    channel: Channel = 1,
    minus: Minus = None,
    log: LogFolder = None,
    for_channel: ForChannel = None,
    json_: JsonFlag = False,
) -> None:
    """Compare levels of loudspeakers or channels by noise, and tell the trims that make them alike."""
    from gainkit import matching as room
    from gainkit.capture import read_capture

    check_log(log, for_channel, needs_channel=False)
    asked = room.MatchOptions(
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
    result = room.match(opened, asked, reference=master)
    with shown(result, json_, lambda: match_text(result)):
        note(log, "match", for_channel, result, captures)


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
    return sections(head, table, bands, *(wrapped(note, "  - ", "    ") for note in result.notes))
