"""A tone set onto a stick: planned, space checked, each track whole under its name, the index last."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from gainkit.errors import GainkitError
from gainkit.files import sweep_drafts, whole_file
from gainkit.generator import kinds
from gainkit.generator.model import Waveform
from gainkit.generator.spec import ToneSpec
from gainkit.results import Result
from gainkit.toneset import wav
from gainkit.toneset.device import check_room, device_faults, prepare_folder
from gainkit.toneset.index import PlannedTrack, TrackFacts, index_text, track_facts
from gainkit.toneset.model import (
    FORMATS,
    INDEX_FILE,
    AudioFormat,
    Progress,
    ToneSet,
    Track,
    stem_for,
    title_for,
)
from gainkit.toneset.reading import read_set
from gainkit.toneset.run import FrameCount, WritingRun, make_file


@dataclass(frozen=True, repr=False)
class WrittenSet(Result):
    """What `write_tones` did.

    set, title, folder : what was written, and where. sample_rate_hz, bits, format : how. size_bytes, seconds :
    of all tracks; for a dry run of FLAC the size is an upper bound. tracks : facts of each as in index.json;
    `written` is False where a whole one was there already.
    """

    set: str
    title: str
    folder: Path
    sample_rate_hz: int
    bits: int
    format: str
    size_bytes: int
    seconds: float
    tracks: tuple[TrackFacts, ...]


def write_tones(
    tone_set: str | Path | ToneSet,
    folder: str | Path,
    *,
    rate: int = 44_100,
    bits: int = 16,
    format: str = "wav",
    overwrite: bool = False,
    dry_run: bool = False,
    progress: Progress | None = None,
) -> WrittenSet:
    """Write a tone set to a folder: tracks in play order, index.json for machines, pages for people.

    Tracks that are there and whole already are left as they are, so an interrupted run goes on where it
    stopped. The pages hold the cautions: read them before the first tone plays.

    Parameters
    ----------
    tone_set : name of one that comes along, the path of a .toml file, or a set that was read or made.
    folder : on the stick for example; made where its parent is there.
    rate : sample rate, 44100, 48000, 88200 or 96000 [Hz].
    bits : 16 or 24 (integers), 32 (float).
    format : "wav" or "flac".
    overwrite : replace what is there and differs.
    dry_run : tell what would be written, and touch nothing.
    progress : told (file, frames done, frames in all) as the tracks are made.

    Returns
    -------
    WrittenSet
        Size [bytes], playing time [s] and the facts of every track.

    Raises
    ------
    GainkitError
        Before the first byte: for a set that cannot be made, a file in the way, too little room. On the way:
        when the device fails; then every track under its final name is whole.
    KeyboardInterrupt
        As `WritingStopped`, which counts the tracks that are whole, when it is stopped by hand.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = write_tones("phone", folder, rate=48000, dry_run=True)
    >>> written.tracks[0].file, written.tracks[0].level_dbfs
    ('01_997hz_0db.wav', 0.0)
    """
    audio = AudioFormat(rate, bits, format)
    tones = tone_set if isinstance(tone_set, ToneSet) else read_set(tone_set, rate)
    place = Path(folder)
    if dry_run:
        return planned_set(tones, place, audio)
    return write_set(tones, place, audio, overwrite=overwrite, progress=progress)


def write_tone(
    kind: str,
    out: str | Path,
    *,
    frequency_hz: float | None = None,
    level_dbfs: float | None = None,
    seconds: float | None = None,
    low_hz: float | None = None,
    high_hz: float | None = None,
    band: str | None = None,
    from_dbfs: float | None = None,
    to_dbfs: float | None = None,
    step_db: float | None = None,
    dwell_seconds: float | None = None,
    channels: str = "both",
    crest_db: float | None = None,
    decorrelated: bool | None = None,
    fall_above_hz: float | None = None,
    in_turn: bool | None = None,
    dither: bool | None = None,
    seed: int = 1,
    rate: int = 44_100,
    bits: int = 16,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> TrackFacts:
    """Write one test tone to a file of its own.

    What is left None takes the kind's own default (`gainkit.generator.kinds.KINDS`). Unplug the loudspeakers
    before a steady tone plays at level.

    Parameters
    ----------
    kind : "sine", "staircase", "glide", "sweep", "noise", "pulses", "chirps", "beeps" or "silence".
    out : file to write; its suffix, .wav or .flac, decides the format.
    frequency_hz, level_dbfs, seconds : of the tone; its faded ends come on top [Hz, dBFS, s].
    low_hz, high_hz, band : ends of noise or sweep [Hz], or the name of a band.
    from_dbfs, to_dbfs, step_db, dwell_seconds : of staircase and glide [dBFS, dB, s].
    channels : "both", "left", "right", "opposite".
    crest_db, decorrelated : of noise: highest peak over rms [dB]; left and right unrelated.
    fall_above_hz, in_turn : of a sweep: above it the level falls by 6 dB per octave [Hz]; on the left first,
        then on the right.
    dither, seed : None: at 16 bit only; of noise and dither.
    rate, bits : as `write_tones`.
    overwrite : replace a file that is there.
    progress : told (file, frames done, frames in all) as the tone is made.

    Returns
    -------
    TrackFacts
        What was written: frequency [Hz] and length [s] as they are, notes where that is not what was asked,
        cautions, and the hash of the file.

    Raises
    ------
    GainkitError
        Naming the parameter, where the tone cannot be made; where the file is there already or the device
        fails.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     tone = write_tone("sine", f"{folder}/tone.wav", frequency_hz=50, level_dbfs=-12, seconds=2)
    >>> tone.frequency_hz, tone.frames, str(tone.cautions[0])
    (50.0, 92610, 'Loudspeakers unplugged.')
    """
    path = Path(out)
    suffix = path.suffix.lower().removeprefix(".")
    if suffix not in FORMATS:
        raise GainkitError("tone_file_suffix", "out", path.name, FORMATS)
    spec = ToneSpec(
        kind,
        frequency_hz=frequency_hz,
        level_dbfs=level_dbfs,
        seconds=seconds,
        low_hz=low_hz,
        high_hz=high_hz,
        band=band,
        from_dbfs=from_dbfs,
        to_dbfs=to_dbfs,
        step_db=step_db,
        dwell_seconds=dwell_seconds,
        channels=channels,
        crest_db=crest_db,
        decorrelated=decorrelated,
        fall_above_hz=fall_above_hz,
        in_turn=in_turn,
        dither=dither,
        seed=seed,
    )
    return write_one(spec, path, AudioFormat(rate, bits, suffix), overwrite=overwrite, progress=progress)


@dataclass(frozen=True)
class ShownSet:
    """A tone set and what each of its tracks is, before anything is written."""

    name: str
    title: str
    about: str
    tracks: tuple[TrackFacts, ...]


def show_tones(tone_set: str | Path) -> ShownSet:
    """The tracks of a tone set: what each is, and what it is for.

    Parameters
    ----------
    tone_set : name of one that comes along, or the path of a .toml file.

    Returns
    -------
    ShownSet
        The facts of every track as it would be written at 44100 Hz and 16 bit.

    Raises
    ------
    GainkitError
        For a set that is not there or cannot be made.

    Examples
    --------
    >>> show_tones("phone").tracks[4].kind
    'staircase'
    """
    tones, audio = read_set(tone_set), AudioFormat()
    facts = tuple(track_facts(item, audio) for item in plan_tracks(tones, audio))
    return ShownSet(tones.name, tones.title, tones.about, facts)


# ---- planning ----------------------------------------------------------------------------------------------


def plan_tracks(tone_set: ToneSet, audio: AudioFormat) -> list[PlannedTrack]:
    """Every track with its file name, waveform and size. Raises GainkitError for what cannot be written."""
    count = len(tone_set.tracks)
    return [
        _planned(track, track.at_rate(audio.rate), audio, audio.file_name(number, count, track.file_stem))
        for number, track in enumerate(tone_set.tracks, 1)
    ]


def _planned(track: Track, waveform: Waveform, audio: AudioFormat, file: str) -> PlannedTrack:
    """One track under this file name. Raises GainkitError for what the file format cannot hold."""
    if audio.format == "wav":
        wav.wav_header(waveform.frames, audio)
    dither = audio.samples.dithered(track.spec.dither)
    return PlannedTrack(track, file, waveform, dither, wav.file_bytes(waveform.frames, audio))


def planned_set(tone_set: ToneSet, folder: Path, audio: AudioFormat) -> WrittenSet:
    """What `write_set` would write, with sizes (for FLAC upper bounds) and no hashes; touches nothing."""
    planned = plan_tracks(tone_set, audio)
    facts = tuple(track_facts(item, audio) for item in planned)
    return _result(tone_set, folder, audio, facts, sum(item.size_bytes for item in planned))


def _result(
    tone_set: ToneSet, folder: Path, audio: AudioFormat, facts: tuple[TrackFacts, ...], size_bytes: int
) -> WrittenSet:
    return WrittenSet(
        set=tone_set.name,
        title=tone_set.title,
        folder=folder,
        sample_rate_hz=audio.rate,
        bits=audio.bits,
        format=audio.format,
        size_bytes=size_bytes,
        seconds=sum(each.seconds for each in facts),
        tracks=facts,
    )


# ---- writing -----------------------------------------------------------------------------------------------


def write_set(
    tone_set: ToneSet,
    folder: Path,
    audio: AudioFormat,
    *,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> WrittenSet:
    """Write a tone set that was read; see `write_tones`.

    Nothing is written before all of this is known: every track can be made, no file in the way differs (unless
    `overwrite`), the space suffices.
    """
    planned = plan_tracks(tone_set, audio)
    prepare_folder(folder)
    run = WritingRun(tone_set, planned, folder, audio, progress)
    with run.told_when_stopped(), device_faults(folder):
        sweep_drafts(folder)
        kept = run.kept(overwrite)
        todo = [item for item in planned if item.file not in kept]
        run.refuse_other_pages(overwrite)
        stale_index = run.has_other_index(kept, overwrite)
        check_room(folder, todo, audio)
        if stale_index:  # its hashes stop being true with the first track written
            (folder / INDEX_FILE).unlink()
        facts = run.facts(kept | run.write(todo), kept)
        run.write_texts(run.pages | {INDEX_FILE: index_text(tone_set, audio, facts)}, overwrite)
        size = sum((folder / item.file).stat().st_size for item in planned)
    return _result(tone_set, folder, audio, facts, size)


def write_one(
    spec: ToneSpec, path: Path, audio: AudioFormat, *, overwrite: bool = False, progress: Progress | None = None
) -> TrackFacts:
    """Write one tone to a file of its own; its facts as in index.json. Raises GainkitError."""
    spec = kinds.checked(spec, audio.rate)
    waveform = kinds.assembled(spec, audio.rate)
    track = Track(spec, title_for(spec), "", stem_for(spec), waveform)
    item = _planned(track, waveform, audio, path.name)
    count = FrameCount(waveform.frames, progress)
    if path.parent.is_dir():
        check_room(path.parent, [item], audio)
        sweep_drafts(path.parent)
    with device_faults(path.parent), whole_file(path, overwrite=overwrite) as draft:
        sha256 = make_file(item, draft, audio, count.of(item.file))
    return track_facts(item, audio, sha256)
