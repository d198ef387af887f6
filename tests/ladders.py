"""Staircases through amplifiers that fall silent, wake late, are held or turned: the truth of each is known.

A sine in steps, cut at a rail (hard or bent), times what the amplifier does meanwhile, plus noise: no markers,
no simulator, so that nothing here shares a model with what reads it. Everything is drawn from a seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gainkit.capture import Capture
from gainkit.onset import LevelPlan, OnsetResult, staircase

Floats = NDArray[np.float64]
RATE = 48_000
LIMIT_PERCENT = 1.0

FAMILIES = (
    "nothing happens", "falls silent", "silent at a step", "wakes late", "wakes late, falls silent",
    "silent for a while", "leaks when silent", "gain turned", "held by a limiter", "distorted throughout",
    "lowest steps in the noise", "source distorts throughout", "soft knee", "unequal rails", "one rail",
)  # fmt: skip
"""What happens while the staircase plays."""


@dataclass(frozen=True)
class Ladder:
    """A recording and its truth. onset_dbfs : of the setting that stayed; infinite where nothing clips.
    silent_seconds : stretches of the recording in which the amplifier gives nothing while the track plays.
    told : code that must be told.
    """

    capture: Capture
    plan: LevelPlan
    onset_dbfs: float
    silent_seconds: tuple[tuple[float, float], ...] = ()
    told: str | None = None
    tolerance_db: float = 0.15


@lru_cache(maxsize=64)
def overdrive_at_limit_db(knee: float, other: float = 1.0) -> float:
    """Level over the rail's own at which THD is at the limit [dB]: bisection on the wave itself. other : the
    negative rail over the positive one [-]."""
    phase = 2 * np.pi * (np.arange(4096) + 0.5) / 4096

    def thd(over_db: float) -> float:
        held = through_rail(10 ** (over_db / 20) * np.sin(phase), 1.0, knee, other)
        lines = np.abs(np.fft.rfft(held))[1:21]
        return float(100 * np.linalg.norm(lines[1:]) / lines[0])

    low, high = -30.0, 10.0
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (middle, high) if thd(middle) < LIMIT_PERCENT else (low, middle)
    return (low + high) / 2


def through_rail(wave: Floats, rail: float, knee: float, other: float = 1.0) -> Floats:
    """Held at a rail; knee : 0 is hard, else the exponent of the bend. other : the negative rail over it."""
    if not knee:
        return np.asarray(np.clip(wave, -rail * other, rail))
    rail = np.where(wave < 0, rail * other, rail)
    return np.asarray(wave / (1 + np.abs(wave / rail) ** (2 * knee)) ** (1 / (2 * knee)))


def agrees(scene: Ladder, result: OnsetResult) -> bool:
    """Whether an answer is true: the onset within 0.15 dB, or none where the steps that were judged do not
    reach it; under another distortion within 0.3 dB."""
    if result.onset_dbfs is None:
        return scene.onset_dbfs > max(step.level_dbfs for step in result.steps if step.state) - 0.05
    return abs(result.onset_dbfs - scene.onset_dbfs) < scene.tolerance_db


def distorted_sine(rng: np.random.Generator, phase: Floats) -> Floats:
    """What a source puts out that distorts alike at every level, THD 1.3 to 5 %: (frames,), not scaled.

    A harmonic or two of any phase, a dead zone, or a sine that the source itself has held.
    """
    kind, share = int(rng.integers(4)), 0.01 * float(rng.uniform(1.3, 5))
    sine = np.sin(phase)
    if kind == 0:
        return np.asarray(sine + share * np.sin(2 * phase + rng.uniform(0, 2 * np.pi)))
    if kind == 1:
        third, turn = float(rng.uniform(0.3, 1.0)), rng.uniform(0, 2 * np.pi, 2)
        return np.asarray(
            sine + share * (third * np.sin(3 * phase + turn[0]) + (1 - third) * np.sin(2 * phase + turn[1]))
        )
    if kind == 2:
        return np.asarray(np.sign(sine) * np.maximum(np.abs(sine) - 2 * share, 0))
    return np.asarray(np.clip(10 ** (float(rng.uniform(0.35, 1.0)) / 20) * sine, -1, 1))


def ladder(family: str, seed: int, rough: bool = False) -> Ladder:
    """One recording of a family; rough : noise 40 to 60 dB below, hum, a clock off by up to 200 ppm."""
    rng = np.random.default_rng([FAMILIES.index(family), seed])
    buried = family == "lowest steps in the noise"
    first_dbfs = -40.0 if buried else float(rng.choice([-20.0, -14.0, -12.0]))
    step_db = 2.0 if buried else float(rng.choice([1.0, 1.0, 2.0]))
    dwell = float(rng.choice([0.4, 0.5, 0.6]))
    plan = staircase(first_dbfs, 0.0, step_db, dwell)
    levels = np.array([step.level_dbfs for step in plan.stretches])
    length = len(levels) * dwell
    rail_dbfs = float(rng.uniform(-7.5, -1.0))
    knee = float(rng.choice([0.0, 0.0, 4.0, 8.0]))
    other = 1.0
    if family == "soft knee":
        knee = float(rng.uniform(1.2, 5.0))
    elif family in {"unequal rails", "one rail"}:
        other = 1e3 if family == "one rail" else float(rng.uniform(1.03, 1.4))
    lead, tail = float(rng.uniform(0.4, 2.5)), float(rng.uniform(0.4, 2.5))
    clock = 1 + 1e-6 * float(rng.uniform(-150, 150) * (4 / 3 if rough else 1))
    frequency_hz = float(rng.choice([997.0, 400.0, 1000.0]))
    onset = rail_dbfs + overdrive_at_limit_db(knee, other)

    frames = round(length * clock * RATE)
    track_seconds = np.arange(frames) / RATE / clock
    number = np.minimum((track_seconds / dwell).astype(int), len(levels) - 1)
    level = levels[number]
    sine = np.sin(2 * np.pi * frequency_hz * track_seconds)
    drive = 10 ** (level / 20)
    rail = 10 ** (rail_dbfs / 20)
    on = np.ones(frames)
    silent: list[tuple[float, float]] = []
    told = None
    leak = 10 ** (-float(rng.uniform(30, 60)) / 20) if family == "leaks when silent" else 0.0

    def mute(start: float, stop: float) -> None:
        on[int(start * clock * RATE) : int(stop * clock * RATE)] = leak
        silent.append((lead + start * clock, lead + stop * clock))

    off_grid = float(rng.uniform(0.2, 0.8))
    top = len(levels)
    if family in {"falls silent", "leaks when silent"}:
        mute((rng.integers(top // 2, top) + off_grid) * dwell, length)
        told = "fell_silent"
    elif family == "silent at a step":
        mute(rng.integers(top // 2, top) * dwell + float(rng.uniform(0.0, 0.06)), length)
        tail = float(rng.uniform(0.4, 6.0))
    elif family == "wakes late":
        mute(0.0, (rng.integers(0, top // 2) + off_grid) * dwell)
        told = "woke_late"
    elif family == "wakes late, falls silent":
        mute(0.0, (rng.integers(0, top // 3) + off_grid) * dwell)
        mute((rng.integers(top // 2, top) + float(rng.uniform(0.2, 0.8))) * dwell, length)
        lead, tail = float(rng.uniform(0.4, 4.0)), float(rng.uniform(0.4, 4.0))
        shift = lead - silent[0][0]
        silent = [(start + shift, stop + shift) for start, stop in silent]
    elif family == "silent for a while":
        begin = (rng.integers(top // 3, top - 3) + off_grid) * dwell
        mute(begin, begin + float(rng.uniform(0.6, 2.2)) * dwell)
        told = "silent_between"
    elif family == "gain turned":
        place = int(rng.integers(3, max(4, round((onset - 3 - first_dbfs) / step_db))))
        change_db = float(rng.choice([-1, 1])) * float(rng.uniform(1.0, 4.0))
        when = (place + off_grid) * dwell
        drive[int(when * clock * RATE) :] *= 10 ** (change_db / 20)
        onset -= change_db
        told = "gain_changed"
    elif family == "held by a limiter":
        held = 10 ** (float(rng.uniform(-9.0, -5.0)) / 20)
        drive = np.where(drive > held, held * (drive / held) ** float(rng.uniform(0.0, 0.15)), drive)
        rail, onset = 2.0, math.inf
        told = "held_by_limiter"
    bent = sine + 0.01 * float(rng.uniform(1.3, 4)) * np.sin(4 * np.pi * frequency_hz * track_seconds) if (
        family == "distorted throughout"
    ) else sine  # fmt: skip
    if family == "source distorts throughout":
        bent = distorted_sine(rng, 2 * np.pi * frequency_hz * track_seconds)
    sound = through_rail(drive * bent, rail, knee, other) * on
    volts = np.concatenate([np.zeros(round(lead * RATE)), sound, np.zeros(round(tail * RATE))])
    snr_db = 45.0 if buried else float(rng.uniform(40, 60) if rough else rng.uniform(55, 75))
    noise = 10 ** (-snr_db / 20) / math.sqrt(2) * rng.standard_normal(len(volts))
    if rough:
        hum = 10 ** (-float(rng.uniform(35, 60)) / 20) * np.sin(
            2 * np.pi * float(rng.choice([50.0, 60.0, 100.0])) * np.arange(len(volts)) / RATE
        )
        noise += hum
    capture = Capture.from_array(20 * (volts + noise), RATE, file="ladder.wav")
    throughout = "throughout" in family
    if throughout:
        # where a crest meets its rail, or a bend begins
        onset = rail_dbfs + min(overdrive_at_limit_db(knee), 0.0) - 20 * math.log10(np.max(np.abs(bent)))
    within_db = 0.3 if throughout else 0.15
    return Ladder(capture, plan, onset, tuple(silent), told, within_db)
