"""A tone set read back from the stick: hashes, and levels measured afresh from the samples.

The tone is built again from the index and laid against what the file holds. With reference r and samples x over
a step, the gain is <x, r> / <r, r> (least squares): the level error. Where the hash differs, what is left over,
x - gain r, betrays a lossy format or other processing even where the level is right.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.encode import BLOCK_FRAMES, SampleFormat, encoded_blocks
from gainkit.generator.model import Samples, Step, Waveform
from gainkit.levels import db_from_ratio, power_db_from_ratio
from gainkit.toneset.index import read_index
from gainkit.toneset.model import AUDIO_SUFFIXES
from gainkit.toneset.reading import spec_from
from gainkit.toneset.wav import file_sha256
from gainkit.toneset.writing import Watch

LEVEL_TOLERANCE_DB = 0.01
"""A level further off than this is told as changed [dB]: a tenth of what a good meter resolves."""

_LONGEST_SHIFT_FRAMES = 8192
"""Encoders' delay is searched up to here [frames]."""

_SUBTYPES = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24}

_LOSSY_CONTAINERS = frozenset({"MP3", "MPEG", "OGG"})


@dataclass(frozen=True)
class CheckedTrack:
    """One file of the set.

    level_error_db : level found less level written for, of the step furthest off; None where not measured.
    problem : what is wrong; None if nothing.
    """

    file: str
    ok: bool
    level_error_db: float | None
    problem: str | None


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
    for path in sorted(folder.iterdir()):
        if path.name in known or path.suffix.lower() not in AUDIO_SUFFIXES or not path.is_file():
            continue
        if path.name.startswith("."):
            notes.append(f"{path.name} is a hidden leftover; some players try to play it. Delete it.")
        elif path.stem.lower() in stems:
            problem = f"stands beside or in place of {stems[path.stem.lower()]}: converted. Delete it."
            foreign.append(CheckedTrack(path.name, False, None, problem))
        else:
            foreign.append(CheckedTrack(path.name, False, None, "not of this set: it plays among the tracks."))
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

    try:
        with soundfile.SoundFile(path) as file:
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
            found = _laid_against(file, waveform.blocks(BLOCK_FRAMES), waveform.steps, 0)
            if same_hash and abs(found.level_error_db) <= LEVEL_TOLERANCE_DB:
                return found.level_error_db, None
            return _altered(file, waveform, track, index)
    except soundfile.LibsndfileError as fault:
        return None, f"cannot be read as audio ({fault.error_string.rstrip('.')})."


def _altered(
    file: Any, waveform: Waveform, track: dict[str, Any], index: dict[str, Any]
) -> tuple[float | None, str]:
    """What was done to a file whose hash differs: laid against the very samples written, dither included.

    An honest copy at another level holds that dither still and adds its own rounding, at most lsb^2/4 with
    dither of its own. A codec takes the dither for inaudible and makes other noise: lsb^2/4 + lsb^2/12 at the
    least.
    """
    samples = SampleFormat(index["bits"])
    step = 2.0 / 2.0 ** min(_BITS.get(file.subtype, 24), 24 if samples.is_float else samples.bits)
    allowed = 1.2 * step**2 / 4.0

    def laid(shift: int, order: int = 1) -> _Found:
        encoded = encoded_blocks(waveform, samples, dither=track["dither"], seed=track["seed"])
        reference = (block[:, ::order] / samples.full_scale for block in encoded)
        return _laid_against(file, reference, waveform.steps, shift)

    found, shift = laid(0), 0
    if found.residual_power > allowed or found.lost:
        if laid(0, order=-1).residual_power <= allowed:
            return found.level_error_db, "left and right are exchanged."
        lag = _shift(file, waveform)
        moved = laid(lag) if lag else found
        if moved.residual_power < found.residual_power:
            found, shift = moved, lag
    problem = _verdict(found, file.frames, waveform, allowed, shift)
    if problem is None:
        form = "" if file.subtype == _SUBTYPES[index["bits"]] else f" as {file.subtype.replace('_', ' ')}"
        problem = f"written anew{form} by another program; its samples agree."
    return found.level_error_db, problem


def _verdict(found: _Found, frames: int, waveform: Waveform, allowed: float, shift: int) -> str | None:
    """What is wrong with the samples, the gravest first; None when nothing is."""
    error_db = found.level_error_db
    level = f", level {error_db:+.2f} dB" if abs(error_db) > LEVEL_TOLERANCE_DB else ""
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
        return f"the polarity is inverted{level}."
    if shift:
        return f"edited: the tone comes {shift:+d} frames late{level}."
    if level:
        return f"changed level: {error_db:+.2f} dB."
    if frames != waveform.frames:
        return f"edited: {frames - waveform.frames:+d} frames in length."
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


@dataclass(frozen=True)
class _Found:
    """What laying a file against its tone shows; residual as mean square of the noisier channel."""

    level_error_db: float
    residual_power: float
    inverted: bool
    lost: bool


def _laid_against(file: Any, blocks: Iterable[Samples], steps: Sequence[Step], shift: int) -> _Found:
    """Least-squares gain step by step and what is left over, the file read from frame `shift` on."""
    sums = np.zeros((len(steps), 5, 2))  # of x r, r r, x x, x and r, for each step and channel
    counts = np.zeros(len(steps))
    begins, ends = [step.start_frame for step in steps], [step.stop_frame for step in steps]
    for start, reference, samples in _pairs(file, blocks, shift):
        stop = start + len(samples)
        first = bisect.bisect_right(ends, start)  # steps follow each other: the first that ends after `start`
        for row, step in enumerate(steps[first : bisect.bisect_left(begins, stop)], first):
            inside = slice(max(step.start_frame - start, 0), min(step.stop_frame - start, len(samples)))
            x, r = samples[inside], reference[inside]
            sums[row] += [item.sum(axis=0) for item in (x * r, r * r, x * x, x, r)]
            counts[row] += len(x)
    return _judged(sums[counts > 0], counts[counts > 0])


def _judged(sums: Samples, counts: Samples) -> _Found:
    """From the sums of each step to level error, residual, and what is the wrong way round.

    A constant is no part of the residual: programs that cut instead of rounding leave half a step of it.
    """
    cross, power, found, x_sum, r_sum = (sums[:, column] for column in range(5))
    sounding = power > 0
    gains = np.divide(cross, power, out=np.zeros_like(cross), where=sounding)
    left_over = found - gains * cross - (x_sum - gains * r_sum) ** 2 / counts[:, None]
    frames = float(counts.sum())
    residual = float(np.maximum(left_over, 0.0).sum(axis=0).max()) / frames if frames else 0.0
    heard = np.abs(gains[sounding])
    errors = [db_from_ratio(float(gain)) for gain in heard]
    worst = max(errors, key=abs, default=0.0)
    silent = ~sounding
    leaks = (
        bool(np.any(found[silent] > 1e-6 * power.max(initial=0.0)))
        if silent.any() and sounding.any()
        else False
    )
    lost = bool(np.any(heard < 1e-3))
    inverted = bool(np.all(gains[sounding] < 0)) if sounding.any() else False
    return _Found(worst if math.isfinite(worst) else -200.0, residual, inverted, leaks or lost)


def _pairs(file: Any, blocks: Iterable[Samples], shift: int) -> Iterator[tuple[int, Samples, Samples]]:
    """Blocks of the tone and of the file that belong together, with the frame of the track they begin at."""
    file.seek(max(shift, 0))
    at, missing = 0, max(-shift, 0)
    for reference in blocks:
        length = len(reference)
        if missing >= length:
            missing -= length
        else:
            samples = file.read(length - missing, dtype="float64", always_2d=True)
            if not len(samples):
                return
            yield at + missing, reference[missing : missing + len(samples)], samples
            missing = 0
        at += length


def _shift(file: Any, waveform: Waveform) -> int:
    """By how many frames the file lags the tone (an encoder's delay): where least is left over.

    At each lag the best gain leaves the part 1 - c^2 / (R X) of the energy: c the cross-correlation, R and X
    the energies of the tone and of the stretch of file it is laid against. The first seconds decide.
    """
    most = _LONGEST_SHIFT_FRAMES
    length = min(1 << 17, waveform.frames, max(file.frames - most, 1))
    reference = _first_frames(waveform, length)
    file.seek(0)
    samples = np.zeros((length + 2 * most, 2))  # lag -most at its beginning
    held = file.read(length + most, dtype="float64", always_2d=True)
    samples[most : most + len(held)] = held
    size = 1 << (2 * len(samples)).bit_length()
    spectrum = np.fft.rfft(samples, size, axis=0) * np.conj(np.fft.rfft(reference, size, axis=0))
    cross = np.fft.irfft(spectrum, size, axis=0).sum(axis=1)[: 2 * most + 1]
    energy = np.concatenate([[0.0], np.cumsum((samples**2).sum(axis=1))])
    stretch = energy[length : length + 2 * most + 1] - energy[: 2 * most + 1]
    alike = cross**2 / np.maximum(stretch, 1e-3 * energy[-1] + 1e-30)
    return int(np.argmax(alike)) - most


def _first_frames(waveform: Waveform, frames: int) -> Samples:
    """The beginning of a waveform, shape (frames, 2)."""
    first = np.zeros((frames, 2))
    at = 0
    for block in waveform.blocks(BLOCK_FRAMES):
        piece = block[: frames - at]
        first[at : at + len(piece)] = piece
        at += len(piece)
        if at >= frames:
            break
    return first
