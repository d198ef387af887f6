"""What one tone is asked to be: the parameters of every kind in one checked, flat record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeVar

from gainkit.calculator.ranges import LEVEL_DBFS, Range, refuse_faults, within
from gainkit.errors import GainkitError
from gainkit.generator.model import ROUTING_GAINS

Given = TypeVar("Given")

TONE_HZ = Range("Hz", 1, 48_000, low_allowed=True)
TRACK_SECONDS = Range("s", 0.05, 86_400, low_allowed=True)
DWELL_SECONDS = Range("s", 0.05, 3_600, low_allowed=True)
STEP_DB = Range("dB", 0.01, 60, low_allowed=True)

NOISE_CREST_DB = Range("dB", 6, 20, low_allowed=True)
"""Crest factors under the lower end are not reached by turning phases alone (found by trying)."""

MOST_SEED = 2**63 - 1
"""The largest seed: what fits a file's 64 bit integer [-]."""


def given(parameter: Given | None) -> Given:
    """A parameter that `kinds.checked` has filled in already."""
    assert parameter is not None, "build only what kinds.checked gave back"
    return parameter


@dataclass(frozen=True)
class ToneSpec:
    """Parameters of a tone; None where the kind's own default applies or the parameter is not for this kind.

    Each kind reads the ones it knows (`generator.kinds`); the others are refused by `kinds.checked`.

    Parameters
    ----------
    kind : "sine", "staircase", "glide", "sweep", "noise", "pulses", "chirps", "beeps", "silence".
    frequency_hz : of the tone; for beeps the pitch [Hz].
    level_dbfs : AES17 scale; rms for sines and noise, peak for pulses [dBFS].
    seconds : length of the steady part, sweep, glide, noise; a track's raised-cosine ends come on top [s].
    low_hz, high_hz : band of sweep, noise or pulses [Hz].
    band : name of a given band instead: "bass", "midrange", "treble", "full" (`generator.bands`; a sweep's
        own are wider, `generator.swept`).
    fall_above_hz : of a sweep: above it the level falls by 6 dB per octave [Hz].
    in_turn : of a sweep: all of it on the left, then on the right.
    from_dbfs, to_dbfs, step_db, dwell_seconds : staircase and glide.
    channels : "both", "left", "right", "opposite".
    crest_db : highest peak over rms of noise [dB].
    decorrelated : noise differs between left and right.
    seed : of noise and of dither.
    dither : True or False; None: at 16 bit only.

    Raises
    ------
    GainkitError
        Where a parameter is outside its range, or two of them do not go together.

    Examples
    --------
    >>> ToneSpec("sine", frequency_hz=50.0, level_dbfs=-12.0).frequency_hz
    50.0
    """

    kind: str
    frequency_hz: float | None = within(TONE_HZ, default=None)
    level_dbfs: float | None = within(LEVEL_DBFS, default=None)
    seconds: float | None = within(TRACK_SECONDS, default=None)
    low_hz: float | None = within(TONE_HZ, default=None)
    high_hz: float | None = within(TONE_HZ, default=None)
    band: str | None = None
    from_dbfs: float | None = within(LEVEL_DBFS, default=None)
    to_dbfs: float | None = within(LEVEL_DBFS, default=None)
    step_db: float | None = within(STEP_DB, default=None)
    dwell_seconds: float | None = within(DWELL_SECONDS, default=None)
    channels: str = "both"
    crest_db: float | None = within(NOISE_CREST_DB, default=None)
    decorrelated: bool | None = None
    fall_above_hz: float | None = within(TONE_HZ, default=None)
    in_turn: bool | None = None
    seed: int = 1
    dither: bool | None = None

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """What does not hold between parameters that are each in their range, and words that are none."""
        if self.channels not in ROUTING_GAINS:
            yield GainkitError("unknown_choice", "channels", self.channels, tuple(ROUTING_GAINS))
        if not 0 <= self.seed <= MOST_SEED:
            yield GainkitError("seed_not_whole", "seed", self.seed)
        if self.low_hz is not None and self.high_hz is not None and not self.low_hz < self.high_hz:
            yield GainkitError("band_upside_down", "low_hz", self.low_hz, high_hz=self.high_hz)
        if self.from_dbfs is not None and self.from_dbfs == self.to_dbfs:
            yield GainkitError("levels_alike", "to_dbfs", self.to_dbfs, from_dbfs=self.from_dbfs)
