"""A tone set read back from the stick: hashes, and levels measured afresh from the samples.

The tone is built again from the index and compared with what the file holds (`toneset.comparison`). Where that
is not what was written, the difference has a name: changed level, cut short, a lossy format, left for right.
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
from gainkit.remarks import Remark, fault, remark
from gainkit.results import Result, to_plain
from gainkit.toneset.comparison import ToneComparison, compare_with_tone, find_lag
from gainkit.toneset.index import read_index, step_facts
from gainkit.toneset.model import AUDIO_SUFFIXES, Progress
from gainkit.toneset.reading import spec_from
from gainkit.toneset.wav import file_sha256

_SUBTYPES = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24}

_LOSSY_CONTAINERS = frozenset({"MP3", "MPEG", "OGG"})

_ROUNDING_STEPS = 1.5
"""How far rounding and dither of another program may move a sample [steps of the coarser format]."""

_LEAST_SHARE = 0.99
"""A file shorter than this share of what was written is told in seconds, a longer one in frames [-]."""


@dataclass(frozen=True)
class CheckedTrack:
    """One file of the set.

    level_error_db : level found less level written for, of the step furthest off; None where not measured.
    problem : what is wrong; None if nothing. foreign : a music file that is not of the set.
    """

    file: str
    ok: bool
    level_error_db: float | None
    problem: Remark | None
    foreign: bool = False


@dataclass(frozen=True, repr=False)
class CheckedSet(Result):
    """What `check_tones` found; foreign music files are among the tracks, as not ok."""

    ok: bool
    tracks: tuple[CheckedTrack, ...]
    notes: tuple[Remark, ...]


def check_tones(folder: str | Path, *, progress: Progress | None = None) -> CheckedSet:
    """Read a tone set back from a folder: every track's hash, and its levels measured afresh.

    Parameters
    ----------
    folder : that a set was written to.
    progress : told (file, frames done, frames in all) after each track.

    Returns
    -------
    CheckedSet
        `ok` where every track is as it was written and no other music file lies among them; for each file its
        `level_error_db` [dB] and `problem`.

    Raises
    ------
    GainkitError
        Where the folder holds no usable index.json.

    Examples
    --------
    >>> import tempfile
    >>> from gainkit.toneset.writing import write_tones
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = write_tones("phone", folder)
    ...     check_tones(folder).ok
    True
    """
    folder = Path(folder)
    index = read_index(folder)
    tracks = []
    total, done = sum(track["frames"] for track in index["tracks"]), 0
    for track in index["tracks"]:
        tracks.append(_check_track(folder, track, index))
        done += track["frames"]
        if progress is not None:
            progress(track["file"], done, total)
    foreign, notes = _foreign(folder, {track["file"] for track in index["tracks"]})
    tracks += foreign
    return CheckedSet(all(track.ok for track in tracks), tuple(tracks), tuple(notes))


def _foreign(folder: Path, known: set[str]) -> tuple[list[CheckedTrack], list[Remark]]:
    """Music files that are not of the set (a player mixes them in), and notes on hidden ones."""
    foreign, notes = [], []
    stems = {Path(name).stem.lower(): name for name in known}
    there = {path.name for path in folder.iterdir()}
    for path in sorted(folder.iterdir()):
        name = path.name
        if name in known or path.suffix.lower() not in AUDIO_SUFFIXES or not path.is_file():
            continue
        same = next((track for track in known if track.lower() == name.lower()), None)
        if name.startswith("."):
            notes.append(remark("hidden_leftover", file=name))
        elif same and same not in there:
            notes.append(remark("other_name", file=name, track=same))
        elif track := stems.get(path.stem.lower()):
            foreign.append(CheckedTrack(name, False, None, fault("converted_file", track=track), foreign=True))
        else:
            foreign.append(CheckedTrack(name, False, None, fault("foreign_file"), foreign=True))
    return foreign, notes


def _check_track(folder: Path, track: dict[str, Any], index: dict[str, Any]) -> CheckedTrack:
    """One track: there, readable, as long as written, at its levels, unprocessed; last, its hash."""
    name, path = track["file"], folder / track["file"]
    if not path.is_file():
        return CheckedTrack(name, False, None, fault("track_missing"))
    try:
        same_hash = file_sha256(path) == track["sha256"]
        error_db, problem = _listen(path, track, index, same_hash)
    except OSError as error:
        return CheckedTrack(name, False, None, fault("track_unreadable", reason=error.strerror or str(error)))
    return CheckedTrack(name, problem is None, error_db, problem)


def _listen(
    path: Path, track: dict[str, Any], index: dict[str, Any], same_hash: bool
) -> tuple[float | None, Remark | None]:
    """Level error [dB] and what is wrong with the samples, or None. Raises OSError when it cannot be read."""
    import soundfile

    opened = False
    try:
        with soundfile.SoundFile(path) as file:
            opened = True
            if problem := _other_form(file, index):
                return None, problem
            waveform = _built(track, index)
            written = compare_with_tone(file, waveform.blocks(BLOCK_FRAMES), waveform, _copy_noise(file, index))
            if (file.frames != track["frames"] and same_hash) or not _described(waveform, track, index):
                return None, fault("index_does_not_fit")
            if same_hash and not (written.level_changed or written.inverted or written.lost):
                return written.level_error_db, None
            return _altered(file, waveform, track, index, same_hash)
    except soundfile.LibsndfileError as error:
        # once it is open its header is whole: what follows is not
        code = "track_broken_off" if opened else "track_no_audio"
        return None, fault(code, reason=error.error_string.rstrip("."))


def _other_form(file: Any, index: dict[str, Any]) -> Remark | None:
    """What of a file's form forbids to compare its samples with those written."""
    if file.format in _LOSSY_CONTAINERS:
        return fault("lossy_format", container=file.format)
    if file.samplerate != index["sample_rate_hz"]:
        return fault("other_sample_rate", rate_hz=file.samplerate, written_hz=index["sample_rate_hz"])
    if file.channels != 2:
        return fault("other_channel_count", channels=file.channels)
    return None


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


class _Written:
    """A file beside the very samples written, dither included."""

    def __init__(self, file: Any, waveform: Waveform, track: dict[str, Any], index: dict[str, Any]) -> None:
        self.file, self.waveform = file, waveform
        self.dither, self.seed = track["dither"], track["seed"]
        self.samples = SampleFormat(index["bits"])
        self.allowed = _copy_noise(file, index)

    def compare(self, shift: int = 0, exchanged: bool = False) -> ToneComparison:
        """Lay the file beside the samples, from frame `shift` on, or left for right."""
        encoded = encoded_blocks(self.waveform, self.samples, dither=self.dither, seed=self.seed)
        reference = (block.astype(np.float64) / self.samples.full_scale for block in encoded)
        return compare_with_tone(
            self.file, reference, self.waveform, self.allowed, shift=shift, exchanged=exchanged
        )

    def differs(self, comparison: ToneComparison) -> bool:
        """Whether more is left over than an honest copy adds, or a channel is lost."""
        return comparison.residual_power > self.allowed or comparison.lost


def _altered(
    file: Any, waveform: Waveform, track: dict[str, Any], index: dict[str, Any], same_hash: bool
) -> tuple[float | None, Remark | None]:
    """What was done to a file: level error [dB], and the problem by its name."""
    written = _Written(file, waveform, track, index)
    comparison, lag = written.compare(), 0
    if written.differs(comparison):
        exchanged = written.compare(exchanged=True)
        if not written.differs(exchanged) and not exchanged.inverted:
            return exchanged.level_error_db, fault("channels_exchanged")
        comparison, lag = _moved_back(written, comparison)
    problem = _verdict(comparison, file.frames, waveform, written.allowed, lag)
    if problem is None and comparison.difference > _ROUNDING_STEPS * _step(file, index):
        problem = fault("samples_processed", largest_dbfs=db_from_ratio(comparison.difference))
    if problem is None and not same_hash:
        problem = _written_anew(file.subtype, index["bits"])
    return comparison.level_error_db, problem


def _moved_back(written: _Written, as_it_is: ToneComparison) -> tuple[ToneComparison, int]:
    """The comparison with the file moved by its lag, and the lag [frames], where that explains it better."""
    lag = find_lag(written.file, written.waveform)
    if lag:
        moved = written.compare(shift=lag)
        if moved.residual_power < as_it_is.residual_power / 4 or as_it_is.lost > moved.lost:
            return moved, lag
    return as_it_is, 0


def _written_anew(subtype: str, bits: int) -> Remark:
    """A copy whose samples agree: it may have lost bits."""
    other_form = None if subtype == _SUBTYPES[bits] else subtype.replace("_", " ")
    return fault("written_anew", other_form=other_form, bits=bits, fewer_bits=_BITS.get(subtype, 32) < bits)


def _verdict(
    comparison: ToneComparison, frames: int, waveform: Waveform, allowed: float, lag: int
) -> Remark | None:
    """What is wrong with the samples, the gravest first; None when nothing is."""
    error_db = comparison.level_error_db if comparison.level_changed else None
    if comparison.lost:
        return fault("channel_lost")
    if frames < _LEAST_SHARE * waveform.frames:
        return fault("cut_short", seconds=frames / waveform.sample_rate_hz, written_seconds=waveform.seconds)
    if comparison.residual_power > allowed:
        residual_dbfs = power_db_from_ratio(2.0 * comparison.residual_power)
        return fault("re_encoded", residual_dbfs=residual_dbfs, level_error_db=error_db, late_frames=lag)
    if comparison.inverted:
        one = len(comparison.inverted) == 1 and all(waveform.gains)
        channel = comparison.inverted[0] if one else None
        return fault("polarity_inverted", channel=channel, level_error_db=error_db)
    if lag:
        return fault("tone_late", late_frames=lag, level_error_db=error_db)
    if error_db is not None:
        return fault("level_changed", level_error_db=error_db)
    if frames != waveform.frames:
        return fault("length_changed", frames=frames, written_frames=waveform.frames)
    return None


def _built(track: dict[str, Any], index: dict[str, Any]) -> Waveform:
    """The track's waveform from its index entry. Raises GainkitError when the entry is damaged."""
    try:
        values = {"kind": track["kind"], "seed": track["seed"], **track["parameters"]}
        return kinds.build(spec_from(values), index["sample_rate_hz"])
    except (GainkitError, KeyError, TypeError) as error:
        raise GainkitError("index_entry_damaged", received=track["file"]) from error
