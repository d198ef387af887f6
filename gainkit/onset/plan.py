"""What was played: the levels of a staircase or a glide and when each of them sounds."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.errors import GainkitError

MOST_STEPS = 2000
KINDS = ("staircase", "glide")
LARGEST_CLOCK_ERROR = 3e-4


@dataclass(frozen=True)
class Stretch:
    """A stretch of the tone: from its level to its level at the end [dBFS], on the track's own clock [s].

    A step of a staircase ends at the level it began with; a glide is one stretch that does not.
    """

    level_dbfs: float
    stop_level_dbfs: float
    start_seconds: float
    stop_seconds: float

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.stop_seconds - self.start_seconds

    def level_at(self, seconds: float) -> float:
        """Level at a time on the track's clock [dBFS]."""
        share = (seconds - self.start_seconds) / self.seconds
        return self.level_dbfs + share * (self.stop_level_dbfs - self.level_dbfs)


@dataclass(frozen=True)
class Pattern:
    """A marker: bursts of the tone that tell where in the track a recording stands.

    start_seconds : on the track's clock [s]. shape : (points,) its envelope, 0 to 1, point_seconds apart [s].
    """

    start_seconds: float
    point_seconds: float
    shape: NDArray[np.float64] = field(repr=False, compare=False)


@dataclass(frozen=True)
class LevelPlan:
    """The stretches in order, the tone [Hz] where it is known, the markers where there are any."""

    stretches: tuple[Stretch, ...]
    frequency_hz: float | None = None
    markers: tuple[Pattern, ...] = ()

    @property
    def glide(self) -> bool:
        """True for one continuous ramp."""
        return len(self.stretches) == 1

    @property
    def levels_dbfs(self) -> tuple[float, ...]:
        """Every level at which a stretch begins or ends [dBFS]."""
        return tuple(level for s in self.stretches for level in (s.level_dbfs, s.stop_level_dbfs))

    @property
    def kind(self) -> str:
        return "glide" if self.glide else "staircase"


def staircase(
    from_dbfs: float = -20.0,
    to_dbfs: float = 0.0,
    step_db: float = 1.0,
    dwell_seconds: float = 1.0,
    *,
    frequency_hz: float | None = None,
) -> LevelPlan:
    """Steps of equal length that follow each other without a gap.

    Raises GainkitError for figures that make no staircase.
    """
    _finite(("--from-dbfs", from_dbfs), ("--to-dbfs", to_dbfs), ("--step-db", step_db))
    _positive("--step-db", step_db, "dB")
    _positive("--dwell-seconds", dwell_seconds, "s")
    _level_range(from_dbfs, to_dbfs)
    count = round(abs(to_dbfs - from_dbfs) / step_db)
    if not 2 <= count <= MOST_STEPS:
        raise GainkitError(
            f"From {from_dbfs:g} to {to_dbfs:g} dBFS in steps of {step_db:g} dB are {count + 1} steps.",
            f"Give a --step-db that makes 3 to {MOST_STEPS} steps.",
        )
    if abs(count * step_db - abs(to_dbfs - from_dbfs)) > 1e-6 * step_db:
        raise GainkitError(
            f"Steps of {step_db:g} dB do not lead from {from_dbfs:g} to {to_dbfs:g} dBFS.",
            "Give the three figures that the track was written with; its tracks.txt has them.",
        )
    sign = 1 if to_dbfs > from_dbfs else -1
    levels = [from_dbfs + sign * step_db * index for index in range(count + 1)]
    return LevelPlan(
        tuple(
            Stretch(level, level, index * dwell_seconds, (index + 1) * dwell_seconds)
            for index, level in enumerate(levels)
        ),
        frequency_hz,
    )


def glide(
    from_dbfs: float = -20.0,
    to_dbfs: float = 0.0,
    seconds: float = 20.0,
    *,
    frequency_hz: float | None = None,
) -> LevelPlan:
    """One ramp, even in dB. Raises GainkitError for what is no glide."""
    _finite(("--from-dbfs", from_dbfs), ("--to-dbfs", to_dbfs))
    _positive("--glide-seconds", seconds, "s")
    _level_range(from_dbfs, to_dbfs)
    return LevelPlan((Stretch(from_dbfs, to_dbfs, 0.0, seconds),), frequency_hz)


def own_track(plan: LevelPlan, heard_hz: float) -> LevelPlan | None:
    """The plan of a track that `gainkit tones` would write with these levels, its markers included.

    heard_hz : the tone in the recording; whole Hz are taken for meant where a recorder's clock explains the
    rest. None when no such track can be written. It is looked for, not relied on: a staircase from elsewhere
    has no markers.
    """
    from gainkit.generator import kinds
    from gainkit.generator.spec import ToneSpec

    first, last = plan.stretches[0], plan.stretches[-1]
    meant = round(heard_hz) if abs(heard_hz / max(round(heard_hz), 1) - 1) < LARGEST_CLOCK_ERROR else heard_hz
    spec = ToneSpec(kind=plan.kind, frequency_hz=float(meant), from_dbfs=first.level_dbfs)
    if plan.glide:
        spec = replace(spec, to_dbfs=first.stop_level_dbfs, seconds=first.seconds)
    else:
        step_db = abs(plan.stretches[1].level_dbfs - first.level_dbfs)
        spec = replace(spec, to_dbfs=last.level_dbfs, step_db=step_db, dwell_seconds=first.seconds)
    rate = 48_000
    try:
        wave = kinds.kind_named(plan.kind).build(kinds.checked(spec, rate), rate)
    except GainkitError:
        return None
    if wave.marker is None:
        return None
    facts = {"steps": [asdict(step) for step in wave.steps], "marker": asdict(wave.marker)}
    return _plan_of(facts, rate)


def from_index(index: Path, track: str | None) -> LevelPlan:
    """The plan of a track from the index.json that lies beside it.

    track : its file name, or None when the index holds one staircase or glide only. Raises GainkitError when it
    is not there or cannot be read.
    """
    try:
        table: Any = json.loads(index.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise GainkitError(
            f"{index} is not there.", "Give the index.json that lies beside the tracks."
        ) from None
    except (OSError, ValueError, RecursionError) as fault:
        raise GainkitError(
            f"{index} cannot be read: {fault}.", "Give the index.json that `gainkit tones write` made."
        ) from fault
    tracks = table.get("tracks") if isinstance(table, dict) else None
    if not isinstance(tracks, list):
        raise GainkitError(f"{index} lists no tracks.", "Give the index.json that `gainkit tones write` made.")
    usable = [each for each in tracks if isinstance(each, dict) and each.get("kind") in KINDS]
    names = ", ".join(str(each.get("file")) for each in usable) or "none"
    if track is not None:
        wanted = Path(track).name
        chosen = [each for each in usable if wanted in (each.get("file"), Path(str(each.get("file"))).stem)]
        if not chosen:
            raise GainkitError(
                f"{index} has no staircase or glide named {track}.", f"It has: {names}. Give one with --track."
            )
    else:
        chosen = usable
        if len(chosen) != 1:
            raise GainkitError(
                f"{index} has {len(chosen)} staircases and glides.", f"Choose with --track from: {names}."
            )
    rate = chosen[0].get("sample_rate_hz", table.get("sample_rate_hz"))
    try:
        return _plan_of(chosen[0], float(rate))
    except (KeyError, TypeError, ValueError, ZeroDivisionError) as fault:
        raise GainkitError(
            f"{index}: the entry of {chosen[0].get('file')} cannot be used ({fault}).",
            "Write the tracks again, or give --from-dbfs, --to-dbfs, --step-db and --dwell-seconds instead.",
        ) from fault


def _plan_of(track: dict[str, Any], rate: float) -> LevelPlan:
    """The plan of one entry of the index; its steps count in frames of the track."""
    stretches, markers = [], []
    for step in track["steps"]:
        start, stop = float(step["start_frame"]) / rate, float(step["stop_frame"]) / rate
        if step["role"] in {"step", "ramp"}:
            level = float(step["level_dbfs"])
            end = step.get("stop_level_dbfs")
            stretches.append(Stretch(level, level if end is None else float(end), start, stop))
        elif step["role"] in {"marker-start", "marker-stop"} and track.get("marker"):
            shape = _marker_shape(track["marker"], backwards=step["role"] == "marker-stop")
            markers.append(Pattern(start, 1 / rate, shape))
    good = stretches and all(s.seconds > 0 and math.isfinite(s.level_dbfs) for s in stretches)
    if not good or not 0 < rate < math.inf:
        raise ValueError("it has no steps with levels and times")
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
    if not (0 < marker.edge_frames <= marker.slot_frames < 1 << 20 and 1 < len(marker.code) < 100):
        raise ValueError("its marker is damaged")
    return envelope(marker, backwards)


def _finite(*figures: tuple[str, float]) -> None:
    for name, figure in figures:
        if not math.isfinite(figure):
            raise GainkitError(f"{name} is {figure}.", "Give a finite number.")


def _positive(name: str, figure: float, unit: str) -> None:
    if not 0 < figure < math.inf:
        raise GainkitError(f"{name} is {figure:g} {unit}.", f"Give a number above 0 {unit}.")


def _level_range(from_dbfs: float, to_dbfs: float) -> None:
    for name, level in (("--from-dbfs", from_dbfs), ("--to-dbfs", to_dbfs)):
        if not -120 <= level <= 0:
            raise GainkitError(f"{name} is {level:g} dBFS.", "Give a level from -120 to 0 dBFS.")
    if from_dbfs == to_dbfs:
        raise GainkitError(
            f"--from-dbfs and --to-dbfs are both {to_dbfs:g} dBFS: no level changes.",
            "Give the two ends that the track was written with.",
        )
