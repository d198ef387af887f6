"""Commands tones list, show, write, check, one: test tones to files, and back."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import JsonFlag, OverwriteFlag, grouped, show

if TYPE_CHECKING:
    from gainkit.toneset.checking import CheckedSet
    from gainkit.toneset.index import TrackFacts
    from gainkit.toneset.model import Progress, ToneSet
    from gainkit.toneset.reading import ToneSets
    from gainkit.toneset.writing import ShownSet, WrittenSet

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
    chirps = "chirps"
    beeps = "beeps"
    silence = "silence"


class Channels(StrEnum):
    """Where a tone plays."""

    both = "both"
    left = "left"
    right = "right"
    opposite = "opposite"


class BandName(StrEnum):
    """Given bands of noise, chirps, pulses and sweeps."""

    bass = "bass"
    midrange = "midrange"
    treble = "treble"
    full = "full"


RateOption = Annotated[int, typer.Option(help="Sample rate: 44100, 48000, 88200 or 96000 [Hz].")]
BitsOption = Annotated[int, typer.Option(help="16 or 24 bit integer, 32 bit float.")]
FormatOption = Annotated[Form, typer.Option("--format", help="WAV or FLAC.")]
SetArgument = Annotated[str, typer.Argument(metavar="SET", help="Name of a tone set, or a TOML file.")]


def register(app: typer.Typer) -> None:
    """Add this module's commands to the tree."""
    app.add_typer(tones, name="tones")


@tones.command("list")
def list_sets(json: JsonFlag = False) -> None:
    """The tone sets that come along."""
    from gainkit.toneset.reading import list_tones

    result = list_tones()
    show(result, json, lambda: _list_text(result))


def _list_text(result: ToneSets) -> str:
    from gainkit.cli.plain import narrow, wrapped
    from gainkit.toneset.pages import duration

    lines = []
    for each in result.sets:
        first = f"{each.name:<11}{each.tracks:>3} tracks {duration(each.seconds):>6}   "
        if narrow():
            lines += [first.rstrip(), wrapped(each.about, "    ", "    ")]
        else:
            lines.append(wrapped(each.about, first, " " * len(first)))
    more = "gainkit tones show SET tells the tracks of one; tones write SET DEST writes it."
    return "\n".join([*lines, "", wrapped(more, "", "")])


@tones.command("show")
def show_set(tone_set: SetArgument, json: JsonFlag = False) -> None:
    """The tracks of a tone set: what each is, and what it is for."""
    from gainkit.toneset.writing import show_tones

    result = show_tones(tone_set)
    show(result, json, lambda: _set_text(result))


def _set_text(result: ShownSet) -> str:
    from gainkit.cli.plain import visible, wrapped
    from gainkit.toneset.pages import duration, level_text

    lines = [visible(result.title)] + ([wrapped(visible(result.about), "", "")] if result.about else [])
    lines.append("")
    for track in result.tracks:
        lines.append(f"{track.file:<36}{level_text(track):<20}{duration(track.seconds):>6}")
        lines.append(wrapped(visible(f"{track.title}. {track.use}"), "    ", "    "))
    caution = "Loudspeakers unplugged for steady tones, staircases and glides; tracks.txt has all cautions."
    return "\n".join([*lines, "", wrapped(caution, "", "")])


@tones.command("write")
def write(
    tone_set: SetArgument,
    destination: Annotated[Path, typer.Argument(metavar="DEST", help="Folder, on the stick for example.")],
    rate: RateOption = 44_100,
    bits: BitsOption = 16,
    file_format: FormatOption = Form.wav,
    overwrite: OverwriteFlag = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Tell what would be written, and stop.")] = False,
    system: Annotated[
        Path | None, typer.Option("--system", help="System file: its channels' own tones come first.")
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Write a tone set: tracks in play order, index.json for machines, tracks.txt and tracks.html for people.

    An interrupted run goes on where it stopped: run the same command again.
    """
    from gainkit.errors import GainkitError
    from gainkit.toneset.run import WritingStopped
    from gainkit.toneset.writing import write_tones

    tones: str | ToneSet = tone_set
    if system is not None:
        from gainkit.job.tones import tones_of_plan

        tones = tones_of_plan(tone_set, system, rate=rate)
    try:
        with _progress_bar() as progress:
            result = write_tones(
                tones,
                destination,
                rate=rate,
                bits=bits,
                format=file_format.value,
                overwrite=overwrite,
                dry_run=dry_run,
                progress=progress,
            )
    except WritingStopped as stop:
        raise GainkitError("writing_stopped", **stop.facts) from None
    show(result, json, lambda: _written_text(result, dry_run))


def _written_text(result: WrittenSet, dry_run: bool) -> str:
    from gainkit.cli.plain import shell_word, wrapped
    from gainkit.toneset.pages import duration

    new = sum(track.written for track in result.tracks)
    old = len(result.tracks) - new
    form = f"{result.format.upper()}, {result.sample_rate_hz / 1000:g} kHz, {result.bits} bit"
    first = f"{'Would write' if dry_run else 'Wrote'} {new} tracks of '{result.title}' to {result.folder}."
    if old:
        first = f"{first} {old} were there already and whole."
    at_most = "at most " if dry_run and result.format == "flac" else ""
    size = f"{at_most}{result.size_bytes / 1e6:.0f} MB"
    lines = [wrapped(first, "", "  "), f"  {duration(result.seconds)} in all, {size}, {form}"]
    if not dry_run:
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
    from gainkit.toneset.checking import check_tones

    with _progress_bar() as progress:
        result = check_tones(destination, progress=progress)
    show(result, json, lambda: _checked_text(result))
    if not result.ok:
        raise typer.Exit(1)


def _checked_text(result: CheckedSet) -> str:
    from gainkit.cli.plain import visible, wrapped

    bad = [track for track in result.tracks if not track.ok]
    if result.ok:
        worst = max((abs(track.level_error_db or 0.0) for track in result.tracks), default=0.0)
        lines = [
            f"All {len(result.tracks)} tracks are as they were written.",
            f"  largest level error {worst:z.5f} dB",
        ]
    else:
        verdict = f"{len(bad)} of {len(result.tracks)} files are NOT as they should be."
        lines = [f"{verdict} Do not set levels with them."]
        lines += [wrapped(visible(f"{track.file}: {track.problem}"), "  ", "    ") for track in bad]
        lines.append("")
        if any(track.foreign for track in bad):
            lines.append("Delete the files that are not of the set, or move them elsewhere.")
        if not all(track.foreign for track in bad):
            lines.append("Write the set again: gainkit tones write SET DEST --overwrite")
    return "\n".join([*lines, *(wrapped(visible(str(note)), "Note: ", "      ") for note in result.notes)])


@dataclass(frozen=True)
class ToneOptions:
    """What a tone may be told: by the names that `gainkit.write_tone` has."""

    frequency_hz: Annotated[float | None, typer.Option(help="Frequency of the tone [Hz].")] = None
    level_dbfs: Annotated[
        float | None, typer.Option(help="Level [dBFS]: rms for tones and noise, peak for chirps and pulses.")
    ] = None
    seconds: Annotated[float | None, typer.Option(help="Length without its faded ends [s].")] = None
    low_hz: Annotated[float | None, typer.Option(help="Lower end of noise or sweep [Hz].")] = None
    high_hz: Annotated[float | None, typer.Option(help="Upper end of noise or sweep [Hz].")] = None
    band: Annotated[BandName | None, typer.Option(help="A given band of noise, chirps, pulses, sweep.")] = None
    from_dbfs: Annotated[float | None, typer.Option(help="Staircase, glide: first level [dBFS].")] = None
    to_dbfs: Annotated[float | None, typer.Option(help="Staircase, glide: last level [dBFS].")] = None
    step_db: Annotated[float | None, typer.Option(help="Staircase: step [dB].")] = None
    dwell_seconds: Annotated[float | None, typer.Option(help="Staircase: time on each level [s].")] = None
    channels: Annotated[
        Channels, typer.Option(help="Where it plays; opposite: right in opposite polarity.")
    ] = Channels.both
    crest_db: Annotated[float | None, typer.Option(help="Noise: highest peak over rms [dB].")] = None
    decorrelated: Annotated[
        bool | None, typer.Option("--decorrelated", help="Noise: left and right unrelated.")
    ] = None
    fall_above_hz: Annotated[
        float | None, typer.Option(help="Sweep: above it the level falls by 6 dB per octave [Hz].")
    ] = None
    in_turn: Annotated[
        bool | None, typer.Option("--in-turn", help="Sweep: on the left first, then on the right.")
    ] = None
    dither: Annotated[
        bool | None, typer.Option("--dither/--no-dither", help="TPDF dither; if not said, at 16 bit only.")
    ] = None
    seed: Annotated[int, typer.Option(help="Seed of noise and dither.")] = 1


@tones.command("one")
@grouped
def one(
    *,
    kind: Annotated[ToneKind, typer.Argument(help="Kind of tone.")],
    out: Annotated[Path, typer.Option(help="File to write: .wav or .flac.")],
    tone: ToneOptions,
    rate: RateOption = 44_100,
    bits: BitsOption = 16,
    overwrite: OverwriteFlag = False,
    json: JsonFlag = False,
) -> None:
    """Write one test tone to a file of its own."""
    from gainkit.toneset.writing import write_tone

    with _progress_bar() as progress:
        facts = write_tone(
            kind, out, **vars(tone), rate=rate, bits=bits, overwrite=overwrite, progress=progress
        )
    show(facts, json, lambda: _tone_text(facts, out))


def _tone_text(facts: TrackFacts, out: Path) -> str:
    from gainkit.cli.plain import wrapped

    lines = [wrapped(f"Wrote {out}: {facts.title}, {facts.seconds:.2f} s", "", "  ")]
    lines += [wrapped(str(note), "  ", "  ") for note in facts.notes]
    lines += [wrapped(str(caution), "Caution: ", "         ") for caution in facts.cautions]
    return "\n".join(lines)


@contextlib.contextmanager
def _progress_bar() -> Iterator[Progress | None]:
    """A bar with the time left on standard error, on a terminal only; redrawn a few times a second."""
    if not sys.stderr.isatty():
        yield None
        return
    begun, drawn = time.monotonic(), 0.0

    def progress(file: str, done: int, total: int) -> None:
        nonlocal drawn
        now = time.monotonic()
        if now - drawn < 0.2 or now - begun < 0.5:
            return
        drawn = now
        left = (now - begun) * (total - done) / max(done, 1)
        print(f"\r{bar_line(done / max(total, 1), left, file, _columns())}", end="", file=sys.stderr)

    try:
        yield progress
    finally:
        if drawn:
            print(f"\r{'':<{_columns()}}\r", end="", file=sys.stderr, flush=True)


def bar_line(share: float, seconds_left: float, file: str, columns: int) -> str:
    """The bar as one line that a terminal of so many columns does not wrap, all of it written over.

    share : part that is done, 0 to 1. The bar takes what room is there, 10 to 30 characters; the file's name
    is cut to the rest.
    """
    width = min(max(columns - 62, 10), 30)
    bar = "#" * round(width * share)
    line = f"[{bar:<{width}}] {100 * share:>3.0f} %  {seconds_left:3.0f} s left  {file}"
    return f"{line:<{columns}}"[:columns]


def _columns() -> int:
    """Columns of the terminal at standard error that may be written to without wrapping: all but its last."""
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns - 1
    except OSError:
        return 79
