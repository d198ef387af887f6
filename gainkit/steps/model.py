"""What a step of the job is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gainkit.generator.spec import ToneSpec
from gainkit.remarks import Remark, Sentence

StepKind = Literal[
    "plan", "stick", "calibrate", "volume", "gain", "onset", "routing", "polarity", "match", "response",
    "noise", "page",
]  # fmt: skip
StepState = Literal["open", "settled", "contradicted"]
"""Contradicted: the record holds a fault or a danger that belongs to this step."""

Way = Literal[
    "capture", "volts", "polarity", "positions", "outputs", "heard", "seen", "meter-only", "write-tones"
]
"""How a step is answered: one capture; typed volts; a typed polarity; a capture for each volume position, or
for each output; by ear; by looking; no recorder at hand; tones written to the job's folder."""

WAY: tuple[StepKind, ...] = (
    "plan", "stick", "calibrate", "volume", "gain", "onset", "routing", "polarity", "match", "response",
    "noise", "page",
)  # fmt: skip
"""The steps in the order of the job."""

PER_OUTPUT: tuple[StepKind, ...] = ("gain", "onset", "polarity", "response", "noise")
"""Steps that each output has of its own."""


@dataclass(frozen=True)
class Tone:
    """What is played. kind : as the generator has it. level_dbfs : its level, of a staircase the last step's
    [dBFS]. frequency_hz : None where the kind has none [Hz]. from_dbfs, step_db, dwell_seconds : of a
    staircase. band : of pulses and chirps."""

    kind: str
    level_dbfs: float
    frequency_hz: float | None = None
    from_dbfs: float | None = None
    step_db: float | None = None
    dwell_seconds: float | None = None
    seconds: float | None = None
    band: str | None = None


TONE_RATE_HZ = 48_000
"""The rate at which a step's tone is made [Hz]: what sound interfaces and phones run at."""


def tone_spec(tone: Tone) -> ToneSpec:
    """What the generator is asked for."""
    stairs = tone.kind == "staircase"
    return ToneSpec(
        tone.kind, frequency_hz=tone.frequency_hz, level_dbfs=None if stairs else tone.level_dbfs,
        seconds=tone.seconds, band=tone.band, from_dbfs=tone.from_dbfs,
        to_dbfs=tone.level_dbfs if stairs else None, step_db=tone.step_db, dwell_seconds=tone.dwell_seconds,
    )  # fmt: skip


@dataclass(frozen=True)
class Step:
    """One step, as the record has it now.

    key : plain word for addresses: 'gain-2'. output : full name of the output it is for, None for the car.
    state : see `StepState`. needed : whether the job counts as done only with it. tone : what to play, None for
    nothing. connect : what to connect and do, in order. cautions : what may hurt. unconfirmed : codes of the
    cautions that must be confirmed before anything is played or read here. ways : how it may be answered.
    told : how it stands, in a line. faults : what in the record contradicts it. readings : numbers of the lines
    of the record that belong to it and count.
    """

    key: str
    kind: StepKind
    output: str | None
    state: StepState
    needed: bool
    tone: Tone | None
    connect: tuple[Remark, ...]
    cautions: tuple[Remark, ...]
    unconfirmed: tuple[str, ...]
    ways: tuple[Way, ...]
    told: Sentence | None
    faults: tuple[Remark, ...]
    readings: tuple[int, ...]
    set_volts: float | None = None
    tolerance_db: float | None = None
