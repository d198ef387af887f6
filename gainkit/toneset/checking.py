"""A tone set read back from the stick: hashes, and levels measured afresh from the samples.

The tone is built again from the index and laid against what the file holds. With reference r and samples x over
a step, the gain is <x, r> / <r, r> (least squares) and what is left, x - gain r, is dither and rounding: known
in size, so that anything more betrays a lossy format or other processing, even where the level is right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.encode import BLOCK_FRAMES, SampleFormat
from gainkit.generator.model import Samples, Waveform
from gainkit.levels import db_from_ratio, power_db_from_ratio
from gainkit.toneset.index import read_index
from gainkit.toneset.model import AUDIO_SUFFIXES
from gainkit.toneset.reading import spec_from
from gainkit.toneset.wav import file_sha256
from gainkit.toneset.writing import Watch

LEVEL_TOLERANCE_DB = 0.01
"""A level further off than this is told as changed [dB]: a tenth of what a good meter resolves."""

RESIDUAL_MARGIN_DB = 6.0
"""Residual this far above dither's is told as processing [dB]: adding dither once more makes 3 dB."""

_LONGEST_SHIFT_FRAMES = 8192
"""Encoders' delay is searched up to here [frames]."""

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
        error_db, problem = _listen(path, track, index)
    except OSError as fault:
        return CheckedTrack(name, False, None, f"cannot be read ({fault.strerror or fault}).")
    if problem is None and not same_hash:
        problem = "the file was written anew by another program; its samples agree."
    return CheckedTrack(name, problem is None, error_db, problem)


def _listen(path: Path, track: dict[str, Any], index: dict[str, Any]) -> tuple[float | None, str | None]:
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
            return _compare(file, track, index)
    except soundfile.LibsndfileError as fault:
        return None, f"cannot be read as audio ({fault.error_string.rstrip('.')})."


def _compare(file: Any, track: dict[str, Any], index: dict[str, Any]) -> tuple[float | None, str | None]:
    """Lay the file's samples against the tone built anew."""
    waveform = _built(track, index)
    found = _laid_against(file, waveform, 0)
    noise = _noise_power(SampleFormat(index["bits"]), bool(track["dither"]))
    if file.frames != waveform.frames or found.residual_power > noise * 10.0 ** (RESIDUAL_MARGIN_DB / 10.0):
        shift = _shift(file, waveform)
        if shift:
            moved = _laid_against(file, waveform, shift)
            found = moved if moved.residual_power < found.residual_power else found
    rate = index["sample_rate_hz"]
    if found.swapped:
        return found.level_error_db, "left and right are exchanged, or one of them is missing."
    if file.frames < 0.999 * waveform.frames:
        length = f"{file.frames / rate:.1f} of {waveform.seconds:.1f} s are there"
        return found.level_error_db, f"cut short: {length}."
    if found.inverted:
        return found.level_error_db, "the polarity is inverted."
    residual_db = power_db_from_ratio(2.0 * found.residual_power)
    expected_db = power_db_from_ratio(2.0 * noise)
    if residual_db > expected_db + RESIDUAL_MARGIN_DB:
        return found.level_error_db, (
            f"re-encoded to a lossy format or processed: {residual_db:.0f} dBFS of error, {expected_db:.0f} written."
        )
    if abs(found.level_error_db) > LEVEL_TOLERANCE_DB:
        return found.level_error_db, f"changed level: {found.level_error_db:+.2f} dB."
    if file.frames != waveform.frames:
        return found.level_error_db, f"{file.frames - waveform.frames:+d} frames in length."
    return found.level_error_db, None


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


def _noise_power(samples: SampleFormat, dither: bool) -> float:
    """Mean square of dither and rounding together, full scale 1: lsb^2/4 with TPDF, lsb^2/12 without.

    Never less than a 24 bit file's, so that a reader's own rounding is no fault.
    """
    lsb = 2.0 / 2.0 ** (24 if samples.is_float else samples.bits)
    return lsb**2 / (4.0 if dither else 12.0)


@dataclass(frozen=True)
class _Found:
    """What laying a file against its tone shows; residual as mean square, full scale 1."""

    level_error_db: float
    residual_power: float
    inverted: bool
    swapped: bool


def _laid_against(file: Any, waveform: Waveform, shift: int) -> _Found:
    """Least-squares gain step by step and what is left over, the file read from frame `shift` on."""
    steps = waveform.steps
    sums = np.zeros((len(steps), 3, 2))  # <x, r>, <r, r>, <x, x> of each step and channel
    counts = np.zeros(len(steps))
    for start, reference, samples in _pairs(file, waveform, shift):
        stop = start + len(samples)
        for row, step in enumerate(steps):
            if step.start_frame >= stop or step.stop_frame <= start:
                continue
            inside = slice(max(step.start_frame - start, 0), min(step.stop_frame - start, len(samples)))
            x, r = samples[inside], reference[inside]
            sums[row] += (x * r).sum(axis=0), (r * r).sum(axis=0), (x * x).sum(axis=0)
            counts[row] += len(x)
    return _judged(sums[counts > 0], counts[counts > 0])


def _judged(sums: Samples, counts: Samples) -> _Found:
    """From the sums of each step to level error, residual, and what is the wrong way round."""
    cross, power, found = sums[:, 0], sums[:, 1], sums[:, 2]
    sounding = power > 0
    gains = np.divide(cross, power, out=np.zeros_like(cross), where=sounding)
    left_over = found - gains * cross
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


def _pairs(file: Any, waveform: Waveform, shift: int) -> Iterator[tuple[int, Samples, Samples]]:
    """Blocks of the tone and of the file that belong together, with the frame of the track they begin at."""
    file.seek(max(shift, 0))
    at, missing = 0, max(-shift, 0)
    for reference in waveform.blocks(BLOCK_FRAMES):
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
    """By how many frames the file lags the tone (an encoder's delay), from the peak of their
    cross-correlation."""
    length = min(1 << 17, waveform.frames, file.frames)
    if length < 2:
        return 0
    reference = np.zeros((length, 2))
    at = 0
    for block in waveform.blocks(BLOCK_FRAMES):
        piece = block[: length - at]
        reference[at : at + len(piece)] = piece
        at += len(piece)
        if at >= length:
            break
    file.seek(0)
    samples = file.read(length, dtype="float64", always_2d=True)
    size = 1 << (2 * length - 1).bit_length()
    spectrum = np.fft.rfft(samples, size, axis=0) * np.conj(np.fft.rfft(reference, size, axis=0))
    correlation = np.abs(np.fft.irfft(spectrum, size, axis=0)).sum(axis=1)
    lags = np.concatenate([correlation[-_LONGEST_SHIFT_FRAMES:], correlation[: _LONGEST_SHIFT_FRAMES + 1]])
    return int(np.argmax(lags)) - _LONGEST_SHIFT_FRAMES
