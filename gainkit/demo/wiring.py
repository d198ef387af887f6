"""Loudspeakers in the invented car: one of them the wrong way round, and one too loud."""

from __future__ import annotations

import numpy as np
import soundfile

from gainkit.capture import read_capture
from gainkit.demo.bench import RATE, DemoBench, DemoFigure, Floats, track_of
from gainkit.generator.spec import ToneSpec
from gainkit.job.log import log_reading
from gainkit.levels import ratio_from_db
from gainkit.matching import match_levels
from gainkit.polarity import find_polarity

LOUDER_DB = 2.0
"""By how much the right front loudspeaker plays louder than the left one [dB]."""


def heard(track: Floats, corner_hz: float, gain: float, seed: int, noise_seed: int = 0) -> Floats:
    """A track as a microphone hears a loudspeaker in a small cabin, (frames,) in full-scale units.

    The loudspeaker is a second-order high-pass of Q 0.8; six reflections (of seed) and noise follow.
    """
    draw = np.random.default_rng(seed)
    frames = len(track)
    ratio = np.fft.rfftfreq(2 * frames, 1 / RATE) / corner_hz
    response = -(ratio**2) / (1 - ratio**2 + 1j * ratio / 0.8)
    for _ in range(6):
        delay = draw.uniform(0.003, 0.02)
        echo = draw.uniform(-0.3, 0.3) * np.exp(-2j * np.pi * ratio * corner_hz * delay)
        response = response * (1 + echo)
    sound = np.fft.irfft(np.fft.rfft(track, 2 * frames) * response)[:frames]
    hiss = np.random.default_rng([seed, noise_seed]).normal(0, 1e-3, frames)
    return np.asarray(0.3 * gain * sound + hiss)


def polarity_step(bench: DemoBench) -> list[DemoFigure]:
    """Front left as it should be; front right reversed, found, and mended."""
    track = track_of(ToneSpec("chirps", band="midrange", level_dbfs=-6.0, seconds=10.0))
    bench.say("\n8. Polarity of the front loudspeakers, by chirps      (<find_polarity()>)")
    right = 0
    heard_of = (
        ("front left", "Front/left", 1),
        ("front right", "Front/right", -1),
        ("front right, leads changed over", "Front/right", 1),
    )
    for name, output, sign in heard_of:
        path = bench.file(f"polarity_{name.replace(',', '').replace(' ', '_')}.wav")
        soundfile.write(path, heard(track, 90.0, sign, 5), RATE, subtype="PCM_16")
        answer = find_polarity(read_capture(path), band="midrange")
        log_reading(bench.folder, "polarity", output, answer, [path])
        right += answer.polarity == ("positive" if sign > 0 else "negative")
        bench.say(f"   {name}: {answer.polarity}, {answer.agreeing} of {answer.pulses} chirps agree")
    return [DemoFigure("polarities as wired", float(right), 3.0, "of 3")]


def match_step(bench: DemoBench) -> list[DemoFigure]:
    """Left and right fronts by the same noise, before and after the louder one was turned down."""
    track = track_of(ToneSpec("noise", low_hz=300, high_hz=3000, level_dbfs=-20.0, seconds=10.0, seed=4))
    loud = ratio_from_db(LOUDER_DB)
    paths = {}
    for number, (name, gain) in enumerate((("left", 1.0), ("right", loud), ("right_trimmed", 1.0))):
        paths[name] = bench.file(f"match_front_{name}.wav")
        soundfile.write(paths[name], heard(track, 90.0, gain, 9, number), RATE, subtype="PCM_16")
    bench.say("\n9. Left and right alike?      (<match_levels()>)")
    trims = []
    for right in ("right", "right_trimmed"):
        pair = [paths["left"], paths[right]]
        match = match_levels([read_capture(path) for path in pair])
        log_reading(bench.folder, "match", ["Front/left", "Front/right"], match, pair)
        trims.append(match.captures[1].trim_db)
    bench.say(
        f"   front right: trim {trims[0]:+z.2f} dB to match front left; trimmed, {trims[1]:+z.2f} dB is left"
    )
    return [DemoFigure("trim of the front right", trims[0], -LOUDER_DB, "dB")]
