"""What was played: the sweep, its marks, and when each of them sounds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.calculator.ranges import FREQUENCY_HZ, LEVEL_DBFS, Range
from gainkit.errors import GainkitError
from gainkit.generator.spec import ToneSpec
from gainkit.generator.swept import Chirp, chirp_near
from gainkit.toneset.entries import track_entry

Floats = NDArray[np.float64]
Side = Literal["left", "right"]

SECONDS = Range("s", 0.05, 3_600, low_allowed=True)
LEAST_RATIO = 1.5
"""A sweep over less than this tells no response [-]."""


@dataclass(frozen=True)
class Placed:
    """A sweep and when its first frequency begins, on the track's clock [s]."""

    chirp: Chirp
    start_seconds: float

    def moved(self, seconds: float) -> Placed:
        """The same, so much earlier."""
        return Placed(self.chirp, self.start_seconds - seconds)


@dataclass(frozen=True)
class SideTrack:
    """One side's sweep with its marks, where it has any. side : None where both play at once."""

    side: Side | None
    sweep: Placed
    first_mark: Placed | None = None
    last_mark: Placed | None = None


@dataclass(frozen=True)
class Sweep:
    """The track. from_hz, to_hz [Hz], seconds [s], level_dbfs : of the sweep. sides : one, or left and
    right."""

    from_hz: float
    to_hz: float
    seconds: float
    level_dbfs: float
    sides: tuple[SideTrack, ...]

    @property
    def in_turn(self) -> bool:
        """True where left plays first, then right."""
        return len(self.sides) == 2


def from_figures(
    from_hz: float, to_hz: float, seconds: float, level_dbfs: float = 0.0, *, fade_seconds: float = 0.0
) -> Sweep:
    """An exponential sweep from elsewhere, without marks: the law as in `generator.swept`, any length.

    Raises GainkitError for figures that make no sweep.
    """
    for name, figure, allowed in (
        ("from_hz", from_hz, FREQUENCY_HZ),
        ("to_hz", to_hz, FREQUENCY_HZ),
        ("seconds", seconds, SECONDS),
        ("level_dbfs", level_dbfs, LEVEL_DBFS),
    ):
        if not allowed.holds(figure):
            raise GainkitError("outside_range", name, figure, allowed)
    if not to_hz >= LEAST_RATIO * from_hz:
        raise GainkitError("sweep_too_narrow", "to_hz", to_hz, f"at least {LEAST_RATIO * from_hz:g} Hz")
    chirp = Chirp(from_hz, to_hz, seconds, level_dbfs, None, fade_seconds)
    return Sweep(from_hz, to_hz, seconds, level_dbfs, (SideTrack(None, Placed(chirp, 0.0)),))


def as_written(sweep: Sweep) -> Sweep:
    """The track that gainkit writes when asked for these figures: its length is rounded to the sweep's law."""
    asked = sweep.sides[0].sweep.chirp
    spec = ToneSpec(
        "sweep",
        low_hz=asked.from_hz,
        high_hz=asked.to_hz,
        seconds=asked.seconds,
        level_dbfs=asked.level_dbfs,
        fall_above_hz=asked.fall_above_hz,
    )
    chirp = chirp_near(spec, asked.seconds, WRITTEN_RATE_HZ)
    side = SideTrack(None, Placed(chirp, 0.0))
    return Sweep(chirp.from_hz, chirp.to_hz, chirp.seconds, chirp.level_dbfs, (side,))


def from_index(index: Path | str, track: str | None = None) -> Sweep:
    """The sweep of a track from the index.json that lies beside it.

    track : its file name, with or without its ending; None where the index holds one sweep only. Raises
    GainkitError for an index or a track that is not there or cannot be used.
    """
    return from_track(*track_entry(Path(index), track, ("sweep",)))


def from_track(track: Mapping[str, Any], sample_rate_hz: float) -> Sweep:
    """The sweep of one entry of index.json, or of `dataclasses.asdict` of a waveform's steps under "steps".

    Raises GainkitError when the entry holds no sweep.
    """
    try:
        fall = (track.get("parameters") or {}).get("fall_above_hz")
        steps = [step for step in track["steps"] if step["role"] in ("marker-start", "sweep", "marker-stop")]
        placed = [(step, _placed(step, float(sample_rate_hz), fall)) for step in steps]
        tracks: dict[Any, dict[str, Placed]] = {}
        for step, each in placed:
            tracks.setdefault(step.get("channel"), {})[step["role"]] = each
        sides = tuple(
            SideTrack(channel, roles["sweep"], roles.get("marker-start"), roles.get("marker-stop"))
            for channel, roles in tracks.items()
        )
        main = sides[0].sweep.chirp
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, ZeroDivisionError) as fault:
        raise GainkitError(
            "no_sweep_in_entry", "track", str(track.get("file")), "an entry of kind sweep"
        ) from fault
    return Sweep(main.from_hz, main.to_hz, main.seconds, main.level_dbfs, sides)


def _placed(step: Mapping[str, Any], rate: float, fall_above_hz: float | None) -> Placed:
    start, stop = float(step["start_frame"]), float(step["stop_frame"])
    low, high = float(step["frequency_hz"]), float(step["stop_frequency_hz"])
    if not (stop > start and 0 < low < high < math.inf and rate > 0):
        raise ValueError("no sweep")
    fall = None if fall_above_hz is None else float(fall_above_hz)
    return Placed(Chirp(low, high, (stop - start) / rate, float(step["level_dbfs"]), fall), start / rate)


def rendered(chirp: Chirp, rate: float, frames: int, first_frame: float) -> Floats:
    """The sweep on a recorder's frames, (frames,): time 0 lies `first_frame` frames after the first, a part of
    a frame included. Above `NYQUIST_SHARE` of the rate nothing is rendered: nothing of it is recorded.
    """
    wave = np.zeros(frames)
    stop = chirp.seconds
    if chirp.to_hz > NYQUIST_SHARE * rate:
        stop = chirp.time_at(NYQUIST_SHARE * rate)

    def span(begin: float, end: float) -> tuple[slice, Floats]:
        low = min(max(math.ceil(first_frame + begin * rate), 0), frames)
        high = min(max(math.ceil(first_frame + end * rate), low), frames)
        return slice(low, high), np.asarray((np.arange(low, high) - first_frame) / rate, dtype=np.float64)

    fade = chirp.fade_seconds
    where, times = span(0.0, stop)
    for at in range(where.start, where.stop, _PIECE):
        piece = slice(at, min(at + _PIECE, where.stop))
        wave[piece] = chirp.body(times[at - where.start : piece.stop - where.start])
    if fade > 0:
        half = 0.5 * math.pi / fade
        where, times = span(-fade, 0.0)
        wave[where] = chirp.beginning(times) * np.sin(half * (times + fade)) ** 2
        if stop == chirp.seconds:
            where, times = span(stop, stop + fade)
            wave[where] = chirp.ending(times - stop) * np.cos(half * (times - stop)) ** 2
    return wave


WRITTEN_RATE_HZ = 48_000
"""Any rate would do: it rounds the length to a frame."""

NYQUIST_SHARE = 0.49
_PIECE = 1 << 15
