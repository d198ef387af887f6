"""The marker: two patterns of tone bursts by which a recording of a staircase or glide is found again.

What it is
----------
Seven slots of equal length, keyed on and off: ``CODE`` = 1 1 1 0 0 1 0 (the Barker code of length 7, whose
autocorrelation has no side peak above 1/7) before the levels begin, and the same backwards, 0 1 0 0 1 1 1,
after they end. The bursts are the track's own tone, at its own frequency and in phase with it (one carrier runs
through the whole track), at the lowest level of the track. So whatever lets the tone through, filters and
crossovers included, lets the marker through, and no amplifier clips it.

Exactly
-------
- The tone of the whole track is ``A(n) sin(2 pi f (n - n0) / fs)``, n0 the first frame of the first level.
- A slot lasts ``slot_cycles(f)`` cycles: the smallest whole number that makes at least 5 cycles and at least 60
  ms, rounded to frames (``slot_frames``). 997 Hz: 60 cycles, 60.2 ms; 50 Hz: 5 cycles, 100 ms.
- Neighbouring "on" slots are one burst. A burst rises from 0 along a raised cosine over the first
  ``edge_frames`` (a quarter of a slot) of its first slot and falls likewise over the last ``edge_frames`` of
  its last. `envelope` gives it: multiply by 10^(level_dbfs/20).
- Silence: `LEAD_SECONDS` before the first pattern, `GAP_SECONDS` between each pattern and the levels,
  `TAIL_SECONDS` after the last. Between the two patterns' starts lie exactly
  ``stop.start_frame - start.start_frame`` frames (index.json, roles "marker-start" and "marker-stop").

How to find it
--------------
Mix the recording with exp(-j 2 pi f t), average over a quarter of a slot, take the magnitude: that is the
envelope, free of phase, polarity and harmonics. Correlate it with `envelope` of each pattern, normalised by the
local rms (so that the loud levels do not outshine it). The distance between the two peaks against the distance
in the track gives the recorder's clock: 200 ppm over 45 s is 9 ms, a tenth of a slot. A finer clock comes from
the tone's frequency.
"""

from __future__ import annotations

import math

import numpy as np

from gainkit.generator.carrier import Carrier
from gainkit.generator.model import LevelStep, Marker, Part, Samples
from gainkit.levels import ratio_from_db

CODE = (1, 1, 1, 0, 0, 1, 0)
"""Slots of the first pattern; the last one is this backwards."""

LEAD_SECONDS = 0.5
GAP_SECONDS = 0.25
TAIL_SECONDS = 0.25

_LEAST_SLOT_SECONDS = 0.06
_LEAST_SLOT_CYCLES = 5


def slot_cycles(frequency_hz: float) -> int:
    """Cycles of the tone in one slot: at least 5, and at least 60 ms."""
    return max(_LEAST_SLOT_CYCLES, math.ceil(_LEAST_SLOT_SECONDS * frequency_hz))


def marker_for(frequency_hz: float, level_dbfs: float, sample_rate_hz: int) -> Marker:
    """The marker of a track with this tone, lowest level and rate."""
    slot_frames = round(slot_cycles(frequency_hz) * sample_rate_hz / frequency_hz)
    return Marker(CODE, slot_frames, slot_frames // 4, level_dbfs, frequency_hz)


def envelope(marker: Marker, backwards: bool = False) -> Samples:
    """Envelope of a pattern, 0 to 1, shape (marker.frames,); times 10^(level_dbfs/20) it is the tone's
    amplitude."""
    slots = np.repeat(np.array(marker.code, dtype=float), marker.slot_frames)
    edge = 0.5 - 0.5 * np.cos(math.pi * (np.arange(marker.edge_frames) + 0.5) / marker.edge_frames)
    steps = np.diff(np.concatenate([[0.0], slots, [0.0]]))
    for rise in np.flatnonzero(steps > 0):
        slots[rise : rise + marker.edge_frames] = edge
    for fall in np.flatnonzero(steps < 0):
        slots[fall - marker.edge_frames : fall] = edge[::-1]
    return slots[::-1] if backwards else slots


def marker_part(marker: Marker, carrier: Carrier, first: int, backwards: bool) -> Part:
    """One pattern as a part, the carrier at its frame `first` (negative before the first level)."""
    shape = envelope(marker, backwards) * ratio_from_db(marker.level_dbfs)
    return Part(marker.frames, lambda a, b: shape[a:b] * carrier.render(first + a, first + b))


def marker_step(marker: Marker, start_frame: int, backwards: bool) -> LevelStep:
    """Where a pattern lies in the track."""
    return LevelStep(
        "marker-stop" if backwards else "marker-start",
        start_frame,
        start_frame + marker.frames,
        marker.frequency_hz,
        marker.level_dbfs,
    )
