"""What a test tone is to the rest of the house: parts that follow each other, and the facts about them.

A `Waveform` is a recipe, not an array: `blocks` renders it piece by piece, so memory does not grow with length.

How a kind plugs in
-------------------
A kind is one function ``build(spec: ToneSpec, sample_rate_hz: int) -> Waveform`` (`generator.spec.ToneSpec`
holds the checked parameters). It returns ``Waveform(sample_rate_hz, parts, steps, ...)`` where

- `parts` follow each other without a gap. A part's ``render(start, stop)`` gives frames start..stop of that
  part as float64, shape (stop - start,) when left and right play the same signal, (stop - start, 2) when they
  differ; full scale is 1.0 and |x| <= 1. It must not depend on how the part is cut into blocks, and keeps no
  state.
- a part that repeats says so with `period_frames`: ``render(i + period_frames, ...) == render(i, ...)`` for
  every i. The period may not exceed `MAX_PERIOD_FRAMES`. The writer renders one period and tiles it, which is
  ten times faster than rendering it all. `frames` need not be a multiple of the period.
- a part with ``render=None`` is digital silence: exact zeros, no dither. Use `silence(frames)`.
- `steps` are the facts that go to index.json: where what begins and ends, counted in frames of the whole track.
- channel routing (left, right, both, opposite) is no business of the kind: `routed` does it. A kind that needs
  different signals in left and right renders two columns.

Enter it in `generator.kinds.KINDS` and give its own parameters there; the TOML reader, `tones one` and the
printed pages take it from that one place.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.remarks import Remark

Samples = NDArray[np.float64]

MAX_PERIOD_FRAMES = 1 << 20
"""Longest period a part may state [frames]; bounds the writer's memory."""

ROUTING_GAINS: dict[str, tuple[float, float]] = {
    "both": (1.0, 1.0),
    "left": (1.0, 0.0),
    "right": (0.0, 1.0),
    "opposite": (1.0, -1.0),
}
"""Where a tone plays: gain of left and right [-]; `opposite` inverts right."""


@dataclass(frozen=True, slots=True)
class LevelStep:
    """One stretch of a track, in frames of the whole track: [start_frame, stop_frame).

    role : "steady", "step" (of a staircase), "ramp" (glide), "sweep", "noise", "silence", "beep", "pulse",
        "marker-start", "marker-stop".
    frequency_hz, level_dbfs : as written; at the start where they move. None where they do not apply.
    stop_frequency_hz, stop_level_dbfs : at the end, for a sweep and a glide.
    channel : "left" or "right" where a step plays on one of them though the track plays on both, else None.
        A sweep's marks are short sweeps and tell their frequencies as it does.
    low_hz, high_hz : band of noise or of a pulse.
    """

    role: str
    start_frame: int
    stop_frame: int
    frequency_hz: float | None = None
    level_dbfs: float | None = None
    stop_frequency_hz: float | None = None
    stop_level_dbfs: float | None = None
    channel: str | None = None
    low_hz: float | None = None
    high_hz: float | None = None

    @property
    def frames(self) -> int:
        """Length of the step [frames]."""
        return self.stop_frame - self.start_frame

    def later(self, frames: int) -> LevelStep:
        """The same step so many frames later."""
        return dataclasses.replace(
            self, start_frame=self.start_frame + frames, stop_frame=self.stop_frame + frames
        )


@dataclass(frozen=True)
class Marker:
    """Facts of the tone bursts by which a staircase or glide is found again (`generator.marker`).

    code : slots of the first pattern, 1 on, 0 off; the last pattern is it backwards.
    slot_frames, edge_frames : length of a slot and of a burst's raised-cosine edge.
    level_dbfs, frequency_hz : of the bursts.
    """

    code: tuple[int, ...]
    slot_frames: int
    edge_frames: int
    level_dbfs: float
    frequency_hz: float

    @property
    def frames(self) -> int:
        """Length of one pattern [frames]."""
        return len(self.code) * self.slot_frames


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of signal; see the module's text. `period_frames` 0: it does not repeat."""

    frames: int
    render: Callable[[int, int], Samples] | None
    period_frames: int = 0


def silence(frames: int) -> Part:
    """A part of digital silence: exact zeros, never dithered."""
    return Part(frames, None)


LevelKind = Literal["rms", "peak"]


@dataclass(frozen=True)
class Waveform:
    """A test tone as a recipe, and what is true of it.

    sample_rate_hz : frames per second.
    parts, steps : see the module's text.
    level_dbfs : level asked for, on AES17's scale (a sine whose peaks touch full scale is 0 dBFS); None for
        silence.
    level_kind : "rms": rms on that scale (sines and noise); "peak": the peak re full scale (pulses).
    peak : upper bound of every |sample|, full scale 1.0. The writer turns the whole track down by the part of a
        thousandth of a decibel that dither needs where this comes within two steps of full scale.
    frequency_hz : frequency actually in the file, None where there is not one.
    gains : gain of left and right [-], from `routed`; 0 leaves exact zeros in that channel.
    marker : the pattern of tone bursts around a staircase or a glide (`generator.marker`), None elsewhere;
        a sweep's marks are among its steps.
    notes : what was written otherwise than asked (nudged frequency, rounded length).
    """

    sample_rate_hz: int
    parts: tuple[Part, ...]
    steps: Sequence[LevelStep]
    level_dbfs: float | None = None
    level_kind: LevelKind = "rms"
    peak: float = 1.0
    frequency_hz: float | None = None
    gains: tuple[float, float] = (1.0, 1.0)
    marker: Marker | None = None
    notes: tuple[Remark, ...] = ()

    @property
    def frames(self) -> int:
        """Length of the whole track [frames]."""
        return sum(part.frames for part in self.parts)

    @property
    def seconds(self) -> float:
        """Length of the whole track [s]."""
        return self.frames / self.sample_rate_hz

    def blocks(self, block_frames: int = 1 << 15) -> Iterator[Samples]:
        """The track as float64 blocks of shape (frames, 2), full scale 1.0; blocks never cross a part's end."""
        for part in self.parts:
            for start in range(0, part.frames, block_frames):
                stop = min(start + block_frames, part.frames)
                yield stereo(part, start, stop, self.gains)

    def samples(self) -> Samples:
        """The whole track, shape (frames, 2): for tests and short tones."""
        return np.concatenate([np.zeros((0, 2)), *self.blocks()])


def stereo(part: Part, start: int, stop: int, gains: tuple[float, float]) -> Samples:
    """Frames start..stop of a part as two columns, each with its gain; shape (stop - start, 2)."""
    out = np.zeros((stop - start, 2))
    if part.render is not None:
        rendered = part.render(start, stop)
        for channel, gain in enumerate(gains):
            if gain:
                np.multiply(rendered if rendered.ndim == 1 else rendered[:, channel], gain, out=out[:, channel])
    return out


def routed(waveform: Waveform, routing: str) -> Waveform:
    """The same waveform on left, right, both, or with right in opposite polarity."""
    return dataclasses.replace(waveform, gains=ROUTING_GAINS[routing])
