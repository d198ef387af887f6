"""Recordings of a reference tone, to calibrate a recorder with: good ones of all kinds, and bad ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.recorder import calibrate_recorder

BAD = ("two steps", "slow drift", "strong hum", "strong noise", "fades in", "fades out", "wobbles", "crackles")


def reference(kind: str, seed: int) -> tuple[Capture, float]:
    """A tone of 50 Hz to 5 kHz with noise 40 to 100 dB under it, 8 to 24 bit, and its rms where it is loudest
    [full scale]."""
    rng = np.random.default_rng([(*BAD, "good").index(kind), seed])
    rate = int(rng.choice([44_100, 48_000, 88_200, 96_000, 176_400, 192_000]))
    bits = int(rng.choice([8, 12, 16, 20, 24]))
    tone_hz = float(np.exp(rng.uniform(np.log(50), np.log(5000))))
    seconds = float(rng.uniform(1.0, 4.0)) if kind == "good" else float(rng.uniform(3.0, 5.0))
    time = np.arange(round(seconds * rate)) / rate
    peak = float(rng.uniform(0.3, 0.9))
    share = np.ones(len(time))
    at = float(rng.uniform(0.3, 0.7)) * seconds
    if kind == "two steps":
        share[time > at] = 10 ** (float(rng.choice([-1, 1]) * rng.uniform(0.3, 3)) / 20)
    elif kind == "slow drift":
        share = 10 ** (-float(rng.uniform(0.3, 2)) * time / seconds / 20)
    elif kind == "fades in":
        share = np.clip(time / float(rng.uniform(0.8, 2)), 0.02, 1.0)
    elif kind == "fades out":
        share = np.clip((seconds - time) / float(rng.uniform(0.8, 2)), 0.02, 1.0)
    elif kind == "wobbles":
        share = 1 + float(rng.uniform(0.02, 0.1)) * np.sin(2 * np.pi * float(rng.uniform(0.3, 1.5)) * time)
    share = share / share.max()
    wave = peak * share * np.sin(2 * np.pi * tone_hz * time + float(rng.uniform(0, 6)))
    if kind == "strong hum":
        wave += peak * float(rng.uniform(0.05, 0.3)) * np.sin(2 * np.pi * float(rng.choice([50, 60])) * time)
    noise_db = float(rng.uniform(8, 25)) if kind == "strong noise" else float(rng.uniform(40, 100))
    wave += peak / 2**0.5 * 10 ** (-noise_db / 20) * rng.standard_normal(len(time))
    if kind == "crackles":
        for start in rng.integers(1000, len(time) - 1000, 6):
            wave[start : start + 5] += peak * rng.uniform(-0.5, 0.5, 5)
    if kind == "good" and rng.random() < 0.5:  # silence around it
        quiet = peak * 10 ** (-noise_db / 20) * rng.standard_normal((2, rate // 2))
        wave = np.concatenate([quiet[0], wave, quiet[1]])
    step = 2.0 ** (1 - bits)
    stored = np.clip(np.round(wave / step) * step, -1, 1 - step)
    capture = Capture.from_array(stored, rate, file="tone.wav", calibrated=False)
    return replace(capture, has_full_scale=True, step_units=step), peak / 2**0.5


def taken(kind: str, seed: int) -> str:
    """ "taken", "taken, and off" by over half a percent, or the code of the refusal."""
    capture, rms = reference(kind, seed)
    try:
        found = calibrate_recorder(capture, rms)
    except GainkitError as refusal:
        return refusal.code
    return "taken" if abs(found.full_scale_volts - 1) < 0.005 else "taken, and off"
