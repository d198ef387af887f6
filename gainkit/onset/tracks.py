"""Plans of the tracks that gainkit writes: from the index beside them, or as they would be written."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError
from gainkit.onset.plan import LevelPlan, LevelRamp, Pattern
from gainkit.toneset.entries import track_entry

KINDS = ("staircase", "glide")

LARGEST_CLOCK_ERROR = 3e-4
"""A tone this near a whole number of Hz is taken for it: recorders' clocks are off by less [-]."""

OWN_RATE_HZ = 48_000
"""Rate at which a track is laid out to know its markers; their times hang on it by a frame."""

MOST_SLOT_FRAMES, MOST_SLOTS = 1 << 20, 100
"""A marker beyond these is damaged: real ones have slots of some thousand frames, and a dozen of them."""


def from_index(index: Path | str, track: str | None = None) -> LevelPlan:
    """The plan of a track from the index.json that lies beside it.

    Parameters
    ----------
    index : the file that was written with the tracks.
    track : the track's file name, with or without its ending; None when the index holds one staircase or glide
        only.

    Raises
    ------
    GainkitError
        When the index is not there or cannot be read (`index_not_there`, `index_unreadable`,
        `index_without_tracks`), does not hold that track (`track_not_in_index`, `track_not_chosen`), or holds
        it damaged (`track_damaged`).
    """
    place = Path(index)
    entry, rate = track_entry(place, track, KINDS)
    try:
        return _plan_of(entry, float(rate))
    except (KeyError, TypeError, ValueError, ZeroDivisionError) as fault:
        raise GainkitError(
            "track_damaged", "track", str(entry.get("file")), index=str(place), reason=str(fault)
        ) from fault


def own_track(plan: LevelPlan, heard_hz: float) -> LevelPlan | None:
    """The plan of a track that gainkit would write with these levels, its markers included.

    heard_hz : the tone in the recording; whole Hz are taken for meant where a recorder's clock explains the
    rest. None when no such track can be written. It is looked for, not relied on: a staircase from elsewhere
    has no markers.
    """
    from gainkit.generator import kinds
    from gainkit.generator.spec import ToneSpec

    first, last = plan.stretches[0], plan.stretches[-1]
    whole = round(heard_hz)
    meant = whole if abs(heard_hz / max(whole, 1) - 1) < LARGEST_CLOCK_ERROR else heard_hz
    spec = ToneSpec(kind=plan.kind, frequency_hz=float(meant), from_dbfs=first.level_dbfs)
    if plan.glide:
        spec = replace(spec, to_dbfs=first.stop_level_dbfs, seconds=first.seconds)
    else:
        step_db = abs(plan.stretches[1].level_dbfs - first.level_dbfs)
        spec = replace(spec, to_dbfs=last.level_dbfs, step_db=step_db, dwell_seconds=first.seconds)
    try:
        wave = kinds.kind_named(plan.kind).build(kinds.checked(spec, OWN_RATE_HZ), OWN_RATE_HZ)
    except GainkitError:
        return None
    if wave.marker is None:
        return None
    facts = {"steps": [asdict(step) for step in wave.steps], "marker": asdict(wave.marker)}
    return _plan_of(facts, OWN_RATE_HZ)


def _plan_of(track: dict[str, Any], rate_hz: float) -> LevelPlan:
    """The plan of one entry of the index; its steps count in frames of the track."""
    stretches, markers = [], []
    for step in track["steps"]:
        start, stop = float(step["start_frame"]) / rate_hz, float(step["stop_frame"]) / rate_hz
        if step["role"] in {"step", "ramp"}:
            level = float(step["level_dbfs"])
            end = step.get("stop_level_dbfs")
            stretches.append(LevelRamp(level, level if end is None else float(end), start, stop))
        elif step["role"] in {"marker-start", "marker-stop"} and track.get("marker"):
            shape = _marker_shape(track["marker"], backwards=step["role"] == "marker-stop")
            markers.append(Pattern(start, 1 / rate_hz, shape))
    good = stretches and all(s.seconds > 0 and math.isfinite(s.level_dbfs) for s in stretches)
    if not good or not 0 < rate_hz < math.inf:
        raise ValueError("no steps with levels and times")
    frequency = track.get("frequency_hz")
    return LevelPlan(tuple(stretches), None if frequency is None else float(frequency), tuple(markers))


def _marker_shape(facts: dict[str, Any], backwards: bool) -> NDArray[np.float64]:
    """Envelope of a marker's pattern from its facts in the index, one point a frame."""
    from gainkit.generator.marker import envelope
    from gainkit.generator.model import Marker

    marker = Marker(
        tuple(int(slot) for slot in facts["code"]),
        int(facts["slot_frames"]),
        int(facts["edge_frames"]),
        float(facts["level_dbfs"]),
        float(facts["frequency_hz"]),
    )
    if not (
        0 < marker.edge_frames <= marker.slot_frames < MOST_SLOT_FRAMES and 1 < len(marker.code) < MOST_SLOTS
    ):
        raise ValueError("its marker is damaged")
    return envelope(marker, backwards)
