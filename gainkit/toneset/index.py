"""index.json: the facts of every track of a set, for machines."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.encode import scale_for
from gainkit.generator.model import LevelStep, Marker, Waveform
from gainkit.levels import db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, remark
from gainkit.results import LazySequence, Result, to_plain
from gainkit.strict import LARGEST_INDEX_BYTES, json_from, small_text
from gainkit.toneset.cautions import track_cautions
from gainkit.toneset.model import BITS, INDEX_FILE, AudioFormat, ToneSet, Track


@dataclass(frozen=True)
class PlannedTrack:
    """A track with everything known before its first byte is written.

    size_bytes : of the file; for FLAC an upper bound.
    """

    track: Track
    file: str
    waveform: Waveform
    dither: bool
    size_bytes: int


@dataclass(frozen=True, repr=False)
class TrackFacts(Result):
    """What is true of one track, as index.json tells it.

    file, kind, title, use : its name, the kind of tone, and what it is for.
    cautions : what can hurt while it plays.
    channels : "both", "left", "right" or "opposite".
    frequency_hz : as written [Hz]; None where there is not one.
    level_dbfs, level_kind : as asked [dBFS], "rms" or "peak"; None for silence.
    scaled_db : by how much the whole track was turned down so that dither does not clip it [dB].
    seconds, frames : its length.
    dither, seed : how its samples were rounded.
    parameters : those of its kind, as `generator.spec.ToneSpec` names them.
    marker : tone bursts by which a staircase or glide is found again; None elsewhere.
    steps : where what begins and ends: role, frames, seconds, and what of the rest applies.
    notes : what was written otherwise than asked.
    sha256 : hash of the file; None where nothing was written.
    written : False where the whole file was there already.
    """

    file: str
    kind: str
    title: str
    use: str
    cautions: tuple[Remark, ...]
    channels: str
    frequency_hz: float | None
    level_dbfs: float | None
    level_kind: str | None
    scaled_db: float
    seconds: float
    frames: int
    dither: bool
    seed: int
    parameters: dict[str, Any]
    marker: Marker | None
    steps: Sequence[dict[str, Any]]
    notes: tuple[Remark, ...]
    sha256: str | None = None
    written: bool = True


def track_facts(
    planned: PlannedTrack, audio: AudioFormat, sha256: str | None = None, written: bool = True
) -> TrackFacts:
    """The facts of a planned track; sha256 : of its file, where that is known."""
    spec, wave = planned.track.spec, planned.waveform
    return TrackFacts(
        file=planned.file,
        kind=spec.kind,
        title=planned.track.title,
        use=planned.track.use,
        cautions=track_cautions(spec),
        channels=spec.channels,
        frequency_hz=wave.frequency_hz,
        level_dbfs=wave.level_dbfs,
        level_kind=wave.level_kind if wave.level_dbfs is not None else None,
        scaled_db=db_from_ratio(scale_for(wave, audio.samples, planned.dither)),
        seconds=wave.seconds,
        frames=wave.frames,
        dither=planned.dither,
        seed=spec.seed,
        parameters=kinds.own_parameters(spec),
        marker=wave.marker,
        steps=LazySequence(len(wave.steps), lambda place: step_facts(wave.steps[place], audio.rate)),
        notes=(*wave.notes, *_format_notes(planned, audio)),
        sha256=sha256,
        written=written,
    )


def _format_notes(planned: PlannedTrack, audio: AudioFormat) -> tuple[Remark, ...]:
    """What the sample format makes of a tone otherwise than asked."""
    spec, samples = planned.track.spec, audio.samples
    if spec.dither and samples.is_float:
        return (remark("floats_without_dither"),)
    levels = (step.level_dbfs for step in planned.waveform.steps if step.level_dbfs is not None)
    faint = ratio_from_db(min(levels, default=0.0)) * samples.full_scale < 0.5
    if faint and not samples.is_float and not planned.dither:
        return (remark("faint_without_dither", bits=samples.bits),)
    return ()


def step_facts(step: LevelStep, sample_rate_hz: int) -> dict[str, Any]:
    """One step: role, where in frames and seconds, and what of the rest applies."""
    facts = {key: value for key, value in dataclasses.asdict(step).items() if value is not None}
    facts["start_seconds"] = step.start_frame / sample_rate_hz
    facts["stop_seconds"] = step.stop_frame / sample_rate_hz
    return facts


def index_text(tone_set: ToneSet, audio: AudioFormat, tracks: Sequence[TrackFacts]) -> str:
    """The whole of index.json; the same set gives the same text, always."""
    from gainkit import __version__

    entries = [to_plain(track) for track in tracks]
    for entry in entries:
        del entry["written"]  # of one run, not of the set
    index = {
        "made_by": f"gainkit {__version__}",
        "set": tone_set.name,
        "title": tone_set.title,
        "sample_rate_hz": audio.rate,
        "bits": audio.bits,
        "format": audio.format,
        "tracks": entries,
    }
    return json.dumps(index, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


_INDEX_KEYS: dict[str, type] = {"sample_rate_hz": int, "bits": int, "format": str, "tracks": list}
_TRACK_KEYS: dict[str, type] = {
    "file": str, "kind": str, "parameters": dict, "seed": int, "dither": bool, "sha256": str, "frames": int,
}  # fmt: skip


def _is_index(index: Any) -> bool:
    """Whether this is an index of ours: what is needed is there, of the right type, and leads nowhere else."""
    return (
        _holds(index, _INDEX_KEYS)
        and index["sample_rate_hz"] in kinds.SAMPLE_RATES_HZ
        and index["bits"] in BITS
        and all(_is_entry(track) for track in index["tracks"])
    )


def _is_entry(track: Any) -> bool:
    """Whether this is an entry of ours, of a file in the same folder."""
    return (
        _holds(track, _TRACK_KEYS)
        and track["frames"] >= 0
        and track["file"] == Path(track["file"]).name
        and "\\" not in track["file"]
    )


def _holds(table: Any, keys: dict[str, type]) -> bool:
    return isinstance(table, dict) and all(type(table.get(key)) is kind for key, kind in keys.items())


def read_index(folder: Path) -> dict[str, Any]:
    """The index of a folder of tracks. Raises GainkitError when it is missing, broken or not one of ours."""
    path = folder / INDEX_FILE
    if not folder.is_dir():
        raise GainkitError("index_folder_missing").within("file", folder)
    try:
        index = json_from(small_text(path, LARGEST_INDEX_BYTES))
        usable = _is_index(index)
    except FileNotFoundError:
        raise GainkitError("index_missing").within("file", path) from None
    except ValueError:
        usable = False
    if not usable:
        raise GainkitError("index_damaged").within("file", path)
    return dict(index)
