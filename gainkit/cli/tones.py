"""Commands tones list, show, write, check, one: test tones to files, and back."""

from __future__ import annotations

import contextlib
import re
import sys
import time
from collections.abc import Callable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, show

if TYPE_CHECKING:
    from gainkit.toneset.checking import CheckedSet
    from gainkit.toneset.index import PlannedTrack
    from gainkit.toneset.model import Target, ToneSet
    from gainkit.toneset.writing import WrittenSet

tones = typer.Typer(help="Test tones: list the sets, write one to a stick, check it.", no_args_is_help=True)


class Form(StrEnum):
    """File formats of tracks."""

    wav = "wav"
    flac = "flac"


class ToneKind(StrEnum):
    """Kinds of tone that `tones one` makes."""

    sine = "sine"
    staircase = "staircase"
    glide = "glide"
    sweep = "sweep"
    noise = "noise"
    pulses = "pulses"
    beeps = "beeps"
    silence = "silence"


class Channels(StrEnum):
    """Where a tone plays."""

    both = "both"
    left = "left"
    right = "right"
    opposite = "opposite"


class BandName(StrEnum):
    """Given bands of noise, pulses and sweeps."""

    bass = "bass"
    midrange = "midrange"
    treble = "treble"
    full = "full"


RateOption = Annotated[int, typer.Option(help="Sample rate: 44100, 48000, 88200 or 96000 [Hz].")]
BitsOption = Annotated[int, typer.Option(help="16 or 24 bit integer, 32 bit float.")]
FormatOption = Annotated[Form | None, typer.Option("--format", help="WAV or FLAC.")]
SetArgument = Annotated[str, typer.Argument(metavar="SET", help="Name of a tone set, or a TOML file.")]


def register(app: typer.Typer) -> None:
    """Add this module's commands to the tree."""
    app.add_typer(tones, name="tones")


@tones.command("list")
def list_sets(json: JsonFlag = False) -> None:
    """The tone sets that come along."""
    from gainkit.toneset.reading import read_set, set_names
    from gainkit.toneset.writing import set_seconds

    sets = [read_set(name) for name in set_names()]
    result = {
        "sets": [
            {
                "name": s.name,
                "title": s.title,
                "about": s.about,
                "tracks": len(s.tracks),
                "seconds": set_seconds(s),
            }
            for s in sets
        ]
    }

    def text() -> str:
        from gainkit.toneset.pages import duration

        lines = [
            f"{s.name:<11}{len(s.tracks):>3} tracks {duration(set_seconds(s)):>6}   {s.about}" for s in sets
        ]
        return "\n".join(
            [*lines, "", "gainkit tones show SET tells the tracks of one; tones write SET DEST writes it."]
        )

    show(result, json, text)


@tones.command("show")
def show_set(tone_set: SetArgument, json: JsonFlag = False) -> None:
    """The tracks of a tone set: what each is, and what it is for."""
    from gainkit.toneset.index import track_facts
    from gainkit.toneset.model import Target
    from gainkit.toneset.reading import read_set
    from gainkit.toneset.writing import plan_tracks

    tracks, target = read_set(tone_set), Target()
    planned = plan_tracks(tracks, target)
    result = {
        "name": tracks.name,
        "title": tracks.title,
        "about": tracks.about,
        "tracks": [track_facts(item, target) for item in planned],
    }
    show(result, json, lambda: _set_text(tracks, planned))


def _set_text(tracks: ToneSet, planned: list[PlannedTrack]) -> str:
    from gainkit.toneset.pages import duration, level_text

    lines = [tracks.title, tracks.about] if tracks.about else [tracks.title]
    lines.append("")
    for item in planned:
        length = duration(item.waveform.seconds)
        lines.append(f"{item.file:<28}{level_text(item):<18}{length:>6}   {item.track.title}. {item.track.use}")
    lines += [
        "",
        "Loudspeakers unplugged for steady tones, staircases and glides; tracks.txt has all cautions.",
    ]
    return "\n".join(lines)


@tones.command("write")
def write(
    tone_set: SetArgument,
    destination: Annotated[Path, typer.Argument(metavar="DEST", help="Folder, on the stick for example.")],
    rate: RateOption = 44_100,
    bits: BitsOption = 16,
    file_format: FormatOption = None,
    overwrite: OverwriteFlag = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Tell what would be written, and stop.")] = False,
    json: JsonFlag = False,
) -> None:
    """Write a tone set: tracks in play order, index.json for machines, tracks.txt and tracks.html for people.

    An interrupted run goes on where it stopped: run the same command again.
    """
    from gainkit.toneset.reading import read_set
    from gainkit.toneset.writing import dry_run as plan_only
    from gainkit.toneset.writing import write_set

    target = _target(rate, bits, file_format.value if file_format else "wav")
    tracks = read_set(tone_set, rate)
    if dry_run:
        result = plan_only(tracks, destination, target)
        show(result, json, lambda: _written_text(result, "Would write"))
        return
    with _progress_bar() as watch:
        result = write_set(tracks, destination, target, overwrite=overwrite, watch=watch)
    show(result, json, lambda: _written_text(result, "Wrote"))


def _written_text(result: WrittenSet, verb: str) -> str:
    from gainkit.cli.plain import shell_word
    from gainkit.toneset.pages import duration

    new = sum(track["written"] for track in result.tracks)
    old = len(result.tracks) - new
    form = f"{result.format.upper()}, {result.sample_rate_hz / 1000:g} kHz, {result.bits} bit"
    first = f"{verb} {new} tracks of '{result.title}' to {result.folder}."
    if old:
        first = f"{first} {old} were there already and whole."
    at_most = "at most " if verb == "Would write" and result.format == "flac" else ""
    lines = [first, f"  {duration(result.seconds)} in all, {at_most}{result.size_bytes / 1e6:.0f} MB, {form}"]
    if verb == "Wrote":
        lines.append("  Play order is name order. tracks.txt tells what each track is for.")
        lines.append("")
        lines.append("Before the first tone: unplug the loudspeakers, turn the source's volume down.")
        lines.append(f"Before each use:       gainkit tones check {shell_word(result.folder)}")
    return "\n".join(lines)


@tones.command("check")
def check(
    destination: Annotated[Path, typer.Argument(metavar="DEST", help="Folder that a set was written to.")],
    json: JsonFlag = False,
) -> None:
    """Read every track back: its hash, and its levels measured afresh. Exit 1 if anything differs."""
    from gainkit.toneset.checking import check_set

    with _progress_bar() as watch:
        result = check_set(destination, watch=watch)
    show(result, json, lambda: _checked_text(result))
    if not result.ok:
        raise typer.Exit(1)


def _checked_text(result: CheckedSet) -> str:
    bad = [track for track in result.tracks if not track.ok]
    if result.ok:
        worst = max((abs(track.level_error_db or 0.0) for track in result.tracks), default=0.0)
        lines = [
            f"All {len(result.tracks)} tracks are as they were written.",
            f"  largest level error {worst:.5f} dB",
        ]
    else:
        lines = [
            f"{len(bad)} of {len(result.tracks)} files are NOT as they should be. Do not set levels with them."
        ]
        lines += [f"  {track.file}: {track.problem}" for track in bad]
        lines.append("")
        if any(track.foreign for track in bad):
            lines.append("Delete the files that are not of the set, or move them elsewhere.")
        if not all(track.foreign for track in bad):
            lines.append("Write the set again: gainkit tones write SET DEST --overwrite")
    return "\n".join([*lines, *(f"Note: {note}" for note in result.notes)])


@tones.command("one")
def one(
    kind: Annotated[ToneKind, typer.Argument(help="Kind of tone.")],
    out: Annotated[Path, typer.Option(help="File to write: .wav or .flac.")],
    frequency_hz: Annotated[float | None, typer.Option(help="Frequency of the tone [Hz].")] = None,
    level_dbfs: Annotated[
        float | None, typer.Option(help="Level [dBFS]: rms for tones and noise, peak for pulses.")
    ] = None,
    seconds: Annotated[float | None, typer.Option(help="Length without its faded ends [s].")] = None,
    low_hz: Annotated[float | None, typer.Option(help="Lower end of noise or sweep [Hz].")] = None,
    high_hz: Annotated[float | None, typer.Option(help="Upper end of noise or sweep [Hz].")] = None,
    band: Annotated[BandName | None, typer.Option(help="A given band for noise, pulses or sweep.")] = None,
    from_dbfs: Annotated[float | None, typer.Option(help="Staircase, glide: first level [dBFS].")] = None,
    to_dbfs: Annotated[float | None, typer.Option(help="Staircase, glide: last level [dBFS].")] = None,
    step_db: Annotated[float | None, typer.Option(help="Staircase: step [dB].")] = None,
    dwell_seconds: Annotated[float | None, typer.Option(help="Staircase: time on each level [s].")] = None,
    channels: Annotated[
        Channels, typer.Option(help="Where it plays; opposite: right in opposite polarity.")
    ] = Channels.both,
    crest_db: Annotated[float | None, typer.Option(help="Noise: highest peak over rms [dB].")] = None,
    decorrelated: Annotated[
        bool, typer.Option("--decorrelated", help="Noise: left and right unrelated.")
    ] = False,
    fall_above_hz: Annotated[
        float | None, typer.Option(help="Sweep: above it the level falls by 6 dB per octave [Hz].")
    ] = None,
    in_turn: Annotated[
        bool, typer.Option("--in-turn", help="Sweep: on the left first, then on the right.")
    ] = False,
    dither: Annotated[
        bool | None, typer.Option("--dither/--no-dither", help="TPDF dither; if not said, at 16 bit only.")
    ] = None,
    rate: RateOption = 44_100,
    bits: BitsOption = 16,
    seed: Annotated[int, typer.Option(help="Seed of noise and dither.")] = 1,
    overwrite: OverwriteFlag = False,
    json: JsonFlag = False,
) -> None:
    """Write one test tone to a file of its own."""
    from gainkit.errors import GainkitError
    from gainkit.toneset.reading import spec_from
    from gainkit.toneset.writing import write_one

    asked = {name: value for name, value in locals().items() if name in _TONE_OPTIONS and value is not None}
    asked = {name: value.value if isinstance(value, StrEnum) else value for name, value in asked.items()}
    asked = {name: value for name, value in asked.items() if value is not False or name == "dither"}
    suffix = out.suffix.lower().removeprefix(".")
    if suffix not in ("wav", "flac"):
        raise GainkitError(f"--out {out} does not end in .wav or .flac.", "Name the file with one of them.")
    target = _target(rate, bits, suffix)
    try:
        with _progress_bar() as watch:
            facts = write_one(spec_from(asked), out, target, overwrite=overwrite, watch=watch)
    except GainkitError as fault:
        raise GainkitError(_as_options(fault.problem), _as_options(fault.remedy)) from None

    def text() -> str:
        lines = [f"Wrote {out}: {facts['title']}, {facts['seconds']:.2f} s"]
        lines += [f"  {note}" for note in facts["notes"]]
        return "\n".join(lines + ([f"Caution: {facts['caution']}"] if facts["caution"] else []))

    show(facts, json, text)


_TONE_OPTIONS = (
    "kind", "frequency_hz", "level_dbfs", "seconds", "low_hz", "high_hz", "band", "from_dbfs", "to_dbfs",
    "step_db", "dwell_seconds", "channels", "crest_db", "decorrelated", "fall_above_hz",
    "in_turn", "dither", "seed",
)  # fmt: skip


def _as_options(message: str) -> str:
    """A message about parameters in the words of the command line: level_dbfs = -3 becomes --level-dbfs -3."""

    def option(match: re.Match[str]) -> str:
        return f"--{match[1].replace('_', '-')} " if match[2] else f"--{match[1].replace('_', '-')}"

    if message.startswith("Known are ") and "_" in message:  # a list of parameters
        return re.sub(r"\b([a-z_]+)(?=[,.])()", option, message)
    names = sorted((*_TONE_OPTIONS[1:], "rate"), key=len, reverse=True)
    worded = re.sub(rf"\b({'|'.join(name for name in names if '_' in name)})\b( = )?", option, message)
    return re.sub(rf"\b({'|'.join(name for name in names if '_' not in name)})( = )", option, worded)


def _target(rate: int, bits: int, file_format: str) -> Target:
    """Rate, bits and format, checked."""
    from gainkit.errors import GainkitError
    from gainkit.generator.encode import SampleFormat
    from gainkit.generator.kinds import SAMPLE_RATES_HZ
    from gainkit.toneset.model import Target

    if rate not in SAMPLE_RATES_HZ:
        rates = ", ".join(map(str, SAMPLE_RATES_HZ))
        raise GainkitError(f"--rate {rate} Hz is not a rate for tracks.", f"Use one of {rates} Hz.")
    if bits not in (16, 24, 32):
        raise GainkitError(f"--bits {bits} is not a sample format for tracks.", "Use 16, 24 or 32 (float).")
    if file_format == "flac" and bits == 32:
        raise GainkitError("--bits 32 is float, which FLAC does not hold.", "Use 16 or 24 bit, or WAV.")
    return Target(rate, SampleFormat(bits), "flac" if file_format == "flac" else "wav")


@contextlib.contextmanager
def _progress_bar() -> Iterator[Callable[[str, int, int], None] | None]:
    """A bar with the time left on standard error, on a terminal only; redrawn a few times a second."""
    if not sys.stderr.isatty():
        yield None
        return
    begun, drawn = time.monotonic(), 0.0

    def watch(file: str, done: int, total: int) -> None:
        nonlocal drawn
        now = time.monotonic()
        if now - drawn < 0.2 or now - begun < 0.5:
            return
        drawn = now
        left = (now - begun) * (total - done) / max(done, 1)
        bar = "#" * round(30 * done / max(total, 1))
        print(
            f"\r[{bar:<30}] {100 * done // max(total, 1):>3} %  {left:3.0f} s left  {file:<40.40}",
            end="",
            file=sys.stderr,
        )

    try:
        yield watch
    finally:
        if drawn:
            print(f"\r{'':<92}\r", end="", file=sys.stderr, flush=True)
