"""index.json: the facts of every track of a set, for machines."""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.encode import scale_for
from gainkit.generator.model import Step, Waveform
from gainkit.levels import db_from_ratio, ratio_from_db
from gainkit.results import LazySequence, to_plain
from gainkit.toneset.cautions import track_caution
from gainkit.toneset.model import INDEX_FILE, Target, ToneSet, Track


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


def track_facts(planned: PlannedTrack, target: Target) -> dict[str, Any]:
    """What index.json and `tones one --json` tell of one track, without its hash."""
    spec, wave = planned.track.spec, planned.waveform
    return {
        "file": planned.file,
        "kind": spec.kind,
        "title": planned.track.title,
        "use": planned.track.use,
        "caution": track_caution(spec) or None,
        "channels": spec.channels,
        "frequency_hz": wave.frequency_hz,
        "level_dbfs": wave.level_dbfs,
        "level_kind": wave.level_kind if wave.level_dbfs is not None else None,
        "scaled_db": db_from_ratio(scale_for(wave, target.samples, planned.dither)),
        "seconds": wave.seconds,
        "frames": wave.frames,
        "dither": planned.dither,
        "seed": spec.seed,
        "parameters": kinds.own_parameters(spec),
        "marker": to_plain(wave.marker),
        "steps": LazySequence(
            len(wave.steps), lambda place: step_facts(wave.steps[place], target.sample_rate_hz)
        ),
        "notes": [*wave.notes, *_format_notes(planned, target)],
    }


def _format_notes(planned: PlannedTrack, target: Target) -> list[str]:
    """What the sample format makes of a tone otherwise than asked."""
    spec, samples = planned.track.spec, target.samples
    if spec.dither and samples.is_float:
        return ["Floats are written without dither."]
    lowest = min(
        (step.level_dbfs for step in planned.waveform.steps if step.level_dbfs is not None), default=0.0
    )
    if not samples.is_float and not planned.dither and ratio_from_db(lowest) * samples.full_scale < 0.5:
        return [f"Without dither, what lies under half a step of {samples.bits} bit is silence."]
    return []


def step_facts(step: Step, sample_rate_hz: int) -> dict[str, Any]:
    """One step: role, where in frames and seconds, and what of the rest applies."""
    facts = {key: value for key, value in dataclasses.asdict(step).items() if value is not None}
    facts["start_seconds"] = step.start_frame / sample_rate_hz
    facts["stop_seconds"] = step.stop_frame / sample_rate_hz
    return facts


def index_text(tone_set: ToneSet, target: Target, tracks: list[dict[str, Any]]) -> str:
    """The whole of index.json; the same set gives the same text, always."""
    from gainkit import __version__

    index = {
        "made_by": f"gainkit {__version__}",
        "set": tone_set.name,
        "title": tone_set.title,
        "sample_rate_hz": target.sample_rate_hz,
        "bits": target.samples.bits,
        "format": target.file_format,
        "tracks": tracks,
    }
    return json.dumps(to_plain(index), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


_INDEX_KEYS: dict[str, type] = {"sample_rate_hz": int, "bits": int, "format": str, "tracks": list}
_TRACK_KEYS: dict[str, type] = {
    "file": str, "kind": str, "parameters": dict, "seed": int, "dither": bool, "sha256": str, "frames": int,
}  # fmt: skip


def _is_index(index: Any) -> bool:
    """Whether this is an index of ours: what is needed is there, of the right type, and leads nowhere else."""

    def holds(table: Any, keys: dict[str, type]) -> bool:
        return isinstance(table, dict) and all(type(table.get(key)) is kind for key, kind in keys.items())

    return (
        holds(index, _INDEX_KEYS)
        and index["sample_rate_hz"] in kinds.SAMPLE_RATES_HZ
        and index["bits"] in (16, 24, 32)
        and all(
            holds(track, _TRACK_KEYS)
            and track["frames"] >= 0
            and track["file"] == Path(track["file"]).name
            and "\\" not in track["file"]
            for track in index["tracks"]
        )
    )


def read_index(folder: Path) -> dict[str, Any]:
    """The index of a folder of tracks. Raises GainkitError when it is missing, broken or not one of ours."""
    path = folder / INDEX_FILE
    if not folder.is_dir():
        raise GainkitError(f"{folder} is not a folder.", "Give the folder that the tracks were written to.")
    try:
        index = json.loads(path.read_text(encoding="utf-8"))
        complete = _is_index(index)
    except FileNotFoundError:
        raise GainkitError(
            f"{path} is not there: the set was not written to its end, or this is another folder.",
            "Run gainkit tones write again: it goes on where it stopped.",
        ) from None
    except (ValueError, RecursionError):
        complete = False
    if not complete:
        raise GainkitError(f"{path} is damaged.", "Write the set anew with gainkit tones write --overwrite.")
    return dict(index)
