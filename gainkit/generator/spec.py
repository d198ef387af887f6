"""What one tone is asked to be: the parameters of every kind in one checked, flat record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

Given = TypeVar("Given")


def given(parameter: Given | None) -> Given:
    """A parameter that `kinds.checked` has filled in already."""
    assert parameter is not None, "build only what kinds.checked gave back"
    return parameter


@dataclass(frozen=True)
class ToneSpec:
    """Parameters of a tone; None where the kind's own default applies or the parameter is not for this kind.

    Each kind reads the ones it knows (`generator.kinds`); the others are refused by `kinds.checked`.

    kind : "sine", "staircase", "glide", "sweep", "noise", "pulses", "beeps", "silence".
    frequency_hz : of the tone; for beeps the pitch.
    level_dbfs : AES17 scale; rms for sines and noise, peak for pulses.
    seconds : length of the steady part, sweep, glide, noise; a track's raised-cosine ends come on top.
    low_hz, high_hz : band of sweep, noise or pulses.
    band : name of a given band instead: "bass", "midrange", "treble", "full" (`generator.bands`; a sweep's own
        are wider, `generator.swept`).
    fall_above_hz : of a sweep: above it the level falls by 6 dB per octave.
    in_turn : of a sweep: all of it on the left, then on the right.
    from_dbfs, to_dbfs, step_db, dwell_seconds : staircase and glide.
    channels : "both", "left", "right", "opposite".
    crest_db : highest peak over rms of noise.
    decorrelated : noise differs between left and right.
    seed : of noise and of dither.
    dither : True or False; None: at 16 bit only.
    """

    kind: str
    frequency_hz: float | None = None
    level_dbfs: float | None = None
    seconds: float | None = None
    low_hz: float | None = None
    high_hz: float | None = None
    band: str | None = None
    from_dbfs: float | None = None
    to_dbfs: float | None = None
    step_db: float | None = None
    dwell_seconds: float | None = None
    channels: str = "both"
    crest_db: float | None = None
    decorrelated: bool | None = None
    fall_above_hz: float | None = None
    in_turn: bool | None = None
    seed: int = 1
    dither: bool | None = None
