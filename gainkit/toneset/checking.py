"""A tone set read back from the stick: hashes, and levels measured afresh from the samples.

The tone is built again from the index and laid against what the file holds (`toneset.laying`). Where that is
not what was written, the difference has a name: changed level, cut short, a lossy format, left for right.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.encode import BLOCK_FRAMES, SampleFormat, encoded_blocks
from gainkit.generator.model import Waveform
from gainkit.levels import db_from_ratio, power_db_from_ratio
from gainkit.results import to_plain
from gainkit.toneset.index import read_index, step_facts
from gainkit.toneset.laying import Found, found_shift, laid_against
from gainkit.toneset.model import AUDIO_SUFFIXES
from gainkit.toneset.reading import spec_from
from gainkit.toneset.wav import file_sha256
from gainkit.toneset.writing import Watch

_SUBTYPES = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24}

_LOSSY_CONTAINERS = frozenset({"MP3", "MPEG", "OGG"})

_ROUNDING_STEPS = 1.5
"""How far rounding and dither of another program may move a sample [steps of the coarser format]."""


@dataclass(frozen=True)
class CheckedTrack:
    """One file of the set.

    level_error_db : level found less level written for, of the step furthest off; None where not measured.
    problem : what is wrong; None if nothing. foreign : a music file that is not of the set.
    """

    file: str
    ok: bool
    level_error_db: float | None
    problem: str | None
    foreign: bool = False


@dataclass(frozen=True)
class CheckedSet:
    """What `check_set` found; foreign music files are among the tracks, as not ok."""

    ok: bool
    tracks: list[CheckedTrack]
    notes: list[str]


def check_set(folder: Path, *, watch: Watch | None = None) -> CheckedSet:
    """Check every track of a folder against its index. Raises GainkitError when there is no usable index."""
    index = read_index(folder)
    checked = []
    total, done = sum(track["frames"] for track in index["tracks"]), 0
    for track in index["tracks"]:
        checked.append(_check_track(folder, track, index))
        done += track["frames"]
        if watch is not None:
            watch(track["file"], done, total)
    foreign, notes = _foreign(folder, {track["file"] for track in index["tracks"]})
    checked += foreign
    return CheckedSet(all(track.ok for track in checked), checked, notes)


def _foreign(folder: Path, known: set[str]) -> tuple[list[CheckedTrack], list[str]]:
    """Music files that are not of the set (a player mixes them in), and notes on hidden ones."""
    foreign, notes = [], []
    stems = {Path(name).stem.lower(): name for name in known}
    there = {path.name for path in folder.iterdir()}
    for path in sorted(folder.iterdir()):
        same = next((name for name in known if name.lower() == path.name.lower()), None)
        if path.name in known or path.suffix.lower() not in AUDIO_SUFFIXES or not path.is_file():
            continue
        if path.name.startswith("."):
            notes.append(f"{path.name} is a hidden leftover; some players try to play it. Delete it.")
        elif same and same not in there:
            notes.append(f"{path.name} is {same} by another name: name it so again.")
        elif path.stem.lower() in stems:
            problem = f"stands beside or in place of {stems[path.stem.lower()]}: converted. Delete it."
            foreign.append(CheckedTrack(path.name, False, None, problem, foreign=True))
        else:
            problem = "not of this set: it plays among the tracks. Delete it, or move it elsewhere."
            foreign.append(CheckedTrack(path.name, False, None, problem, foreign=True))
    return foreign, notes


def _check_track(folder: Path, track: dict[str, Any], index: dict[str, Any]) -> CheckedTrack:
    """One track: there, readable, as long as written, at its levels, unprocessed; last, its hash."""
    name, path = track["file"], folder / track["file"]
    if not path.is_file():
        return CheckedTrack(name, False, None, "missing.")
    try:
        same_hash = file_sha256(path) == track["sha256"]
        error_db, problem = _listen(path, track, index, same_hash)
    except OSError as fault:
        return CheckedTrack(name, False, None, f"cannot be read ({fault.strerror or fault}).")
    return CheckedTrack(name, problem is None, error_db, problem)


def _listen(
    path: Path, track: dict[str, Any], index: dict[str, Any], same_hash: bool
) -> tuple[float | None, str | None]:
    """Level error [dB] and what is wrong with the samples, or None. Raises OSError when it cannot be read."""
    import soundfile

    opened = None
    try:
        with soundfile.SoundFile(path) as file:
            opened = file
            if file.format in _LOSSY_CONTAINERS:
                return None, f"re-encoded to a lossy format ({file.format})."
            if file.samplerate != index["sample_rate_hz"]:
                return (
                    None,
                    f"other sample rate: {file.samplerate} Hz, written at {index['sample_rate_hz']} Hz.",
                )
            if file.channels != 2:
                return None, f"{file.channels} channels where 2 were written."
            waveform = _built(track, index)
            found = laid_against(file, waveform.blocks(BLOCK_FRAMES), waveform, _copy_noise(file, index))
            if (file.frames != track["frames"] and same_hash) or not _described(waveform, track, index):
                return None, "as it was written, but index.json does not describe it: write the set anew."
            if same_hash and not (found.level_changed or found.inverted or found.lost):
                return found.level_error_db, None
            return _altered(file, waveform, track, index, same_hash)
    except soundfile.LibsndfileError as fault:
        if opened is not None:  # its header is whole, what follows is not
            return (
                None,
                f"cut short or damaged: it cannot be read to its end ({fault.error_string.rstrip('.')}).",
            )
        return None, f"cannot be read as audio ({fault.error_string.rstrip('.')})."


def _described(waveform: Waveform, track: dict[str, Any], index: dict[str, Any]) -> bool:
    """Whether the steps of the index entry, which `onset` relies on, are those of the tone it describes."""
    rate = index["sample_rate_hz"]
    steps = (step_facts(waveform.steps[place], rate) for place in range(len(waveform.steps)))
    return waveform.frames == track["frames"] and track.get("steps") == [to_plain(step) for step in steps]


def _step(file: Any, index: dict[str, Any]) -> float:
    """A step of the coarser of two formats, that of the file and that of what was written [full scale 1.0]."""
    samples = SampleFormat(index["bits"])
    return 2.0 / 2.0 ** min(_BITS.get(file.subtype, 24), 24 if samples.is_float else samples.bits)


def _copy_noise(file: Any, index: dict[str, Any]) -> float:
    """Mean square that an honest copy may add: its rounding, with dither at most lsb^2/4, and a fifth more.

    A codec takes the dither of what was written for inaudible and makes other noise: lsb^2/4 + lsb^2/12 at the
    least.
    """
    return 1.2 * _step(file, index) ** 2 / 4.0


def _altered(
    file: Any, waveform: Waveform, track: dict[str, Any], index: dict[str, Any], same_hash: bool
) -> tuple[float | None, str | None]:
    """What was done to a file: laid against the very samples written, dither included."""
    samples, allowed = SampleFormat(index["bits"]), _copy_noise(file, index)

    def laid(shift: int, exchanged: bool = False) -> Found:
        encoded = encoded_blocks(waveform, samples, dither=track["dither"], seed=track["seed"])
        reference = (block.astype(np.float64) / samples.full_scale for block in encoded)
        return laid_against(file, reference, waveform, allowed, shift=shift, exchanged=exchanged)

    found, shift = laid(0), 0
    if found.residual_power > allowed or found.lost:
        exchanged = laid(0, exchanged=True)
        if exchanged.residual_power <= allowed and not exchanged.lost and not exchanged.inverted:
            return exchanged.level_error_db, "left and right are exchanged."
        lag = found_shift(file, waveform)
        moved = laid(lag) if lag else found
        if moved.residual_power < found.residual_power / 4 or found.lost > moved.lost:
            found, shift = moved, lag
    problem = _verdict(found, file.frames, waveform, allowed, shift)
    if problem is None and found.difference > _ROUNDING_STEPS * _step(file, index):
        problem = f"processed: single samples differ by up to {db_from_ratio(found.difference):.0f} dBFS."
    if problem is None and not same_hash:
        problem = _written_anew(file.subtype, index["bits"])
    return found.level_error_db, problem


def _written_anew(subtype: str, bits: int) -> str:
    """A copy whose samples agree: it may have lost bits."""
    form = "" if subtype == _SUBTYPES[bits] else f" as {subtype.replace('_', ' ')}"
    if _BITS.get(subtype, 32) < bits:
        return f"written anew{form} by another program: it holds fewer bits than the {bits} that were written."
    return f"written anew{form} by another program; its samples agree."


def _verdict(found: Found, frames: int, waveform: Waveform, allowed: float, shift: int) -> str | None:
    """What is wrong with the samples, the gravest first; None when nothing is."""
    level = f", level {found.level_error_db:+.2f} dB" if found.level_changed else ""
    if found.lost:
        return "a channel is missing, or sounds where it was silent."
    if frames < 0.99 * waveform.frames:
        there = frames / waveform.sample_rate_hz
        return f"cut short: {there:.1f} of {waveform.seconds:.1f} s are there."
    if found.residual_power > allowed:
        residual_db = power_db_from_ratio(2.0 * found.residual_power)
        late = f", {shift} frames late" if shift else ""
        return f"re-encoded to a lossy format, or processed: {residual_db:.0f} dBFS of error{level}{late}."
    if found.inverted:
        where = (
            f" of the {found.inverted[0]} channel" if len(found.inverted) == 1 and all(waveform.gains) else ""
        )
        return f"the polarity{where} is inverted{level}."
    if shift:
        return f"edited: the tone comes {shift:+d} frames late{level}."
    if level:
        return f"changed level: {found.level_error_db:+.2f} dB."
    if frames != waveform.frames:
        short = frames < waveform.frames
        what = "cut short by" if short else "edited: longer by"
        return f"{what} {abs(frames - waveform.frames)} frames."
    return None


def _built(track: dict[str, Any], index: dict[str, Any]) -> Waveform:
    """The track's waveform from its index entry. Raises GainkitError when the entry is damaged."""
    try:
        given = {"kind": track["kind"], "seed": track["seed"], **track["parameters"]}
        return kinds.build(spec_from(given), index["sample_rate_hz"])
    except (GainkitError, KeyError, TypeError) as fault:
        raise GainkitError(
            f"index.json: the entry of {track['file']} is damaged ({fault}).",
            "Write the set anew with gainkit tones write --overwrite.",
        ) from None
