"""Pink noise inside a band, with nothing outside it and no peak above a stated crest factor.

The noise is made in the frequency domain: one period of some seconds whose every line inside the band has
exactly the pink magnitude (power proportional to 1/f) and every line outside is exactly zero. Only the phases
are random. Third-octave levels are therefore exact, not averages, and so is the level of any whole period. The
period repeats; at five seconds and more nothing of that is heard, and whoever averages over whole periods has
no statistical error.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from gainkit.errors import GainkitError
from gainkit.generator.carrier import fade_frames, lengthened, raised_cosine
from gainkit.generator.model import MAX_PERIOD_FRAMES, LevelStep, Part, Samples, Waveform
from gainkit.generator.spec import ToneSpec, given
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db

_PERIOD_SECONDS = 6.0
_MOST_TURNS = 400
_LEAST_LINES = 20


def highest_level_dbfs(crest_db: float) -> float:
    """Highest rms level [dBFS, AES17] whose peaks, crest_db above it, stay within full scale: 3.01 - crest."""
    return db_from_ratio(SINE_CREST) - crest_db


def noise(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """Pink noise from `low_hz` to `high_hz` for about `seconds`, rms `level_dbfs` on the sine's scale.

    The steady part is a whole number of periods, so its length is rounded, mostly by under half a percent. With
    `decorrelated`, right is left turned by half a period: same spectrum and peaks, and at any delay a room can
    make the two have nothing in common.
    Raises GainkitError when the band holds too few lines, or when level and crest factor pass full scale.
    """
    level, crest_db = given(spec.level_dbfs), given(spec.crest_db)
    _refuse_past_full_scale(level, crest_db)
    low, high = given(spec.low_hz), given(spec.high_hz)
    period, repeats = _periods(low, high, given(spec.seconds), sample_rate_hz)
    first, last = _lines(low, high, period, sample_rate_hz)
    peak = ratio_from_db(level + crest_db) / SINE_CREST
    wide = bool(spec.decorrelated)

    def render(start: int, stop: int) -> Samples:
        one = _period(first, last, period, crest_db, spec.seed)
        where = np.arange(start, stop) % period
        if wide:
            where = np.stack([where, (where + period // 2) % period], axis=1)
        wave: Samples = one[where] * (ratio_from_db(level) / SINE_CREST)
        return wave

    fade, frames = fade_frames(sample_rate_hz), period * repeats

    def begin(start: int, stop: int) -> Samples:
        return _weighted(raised_cosine(start, stop, fade), render(start - fade, stop - fade))

    def end(start: int, stop: int) -> Samples:
        return _weighted(1.0 - raised_cosine(start, stop, fade), render(start, stop))

    return Waveform(
        sample_rate_hz,
        (Part(fade, begin), Part(frames, render, period), Part(fade, end)),
        (LevelStep("noise", fade, fade + frames, level_dbfs=level, low_hz=low, high_hz=high),),
        level,
        peak=peak,
        notes=lengthened(given(spec.seconds), frames / sample_rate_hz),
    )


def _refuse_past_full_scale(level: float, crest_db: float) -> None:
    """Raise GainkitError where the peaks of noise at this level pass full scale."""
    highest = highest_level_dbfs(crest_db)
    if level > highest + 1e-9:
        raise GainkitError(
            "noise_past_full_scale",
            "level_dbfs",
            level,
            crest_db=crest_db,
            over_db=level - highest,
            highest_dbfs=math.floor(highest * 100) / 100,
        )


def _periods(low_hz: float, high_hz: float, seconds: float, sample_rate_hz: int) -> tuple[int, int]:
    """Length of the period that repeats [frames], and how often: about six seconds, more for a narrow band.

    Raises GainkitError where no period holds enough lines.
    """
    least = math.ceil((_LEAST_LINES + 1) / (high_hz - low_hz) * sample_rate_hz)
    asked = seconds * sample_rate_hz
    repeats = max(min(round(asked / (_PERIOD_SECONDS * sample_rate_hz)), int(asked / least)), 1)
    period = quick_length(math.ceil(asked / repeats))
    if least > MAX_PERIOD_FRAMES - 1 or period < least:
        wider = (_LEAST_LINES + 1) * sample_rate_hz / min(MAX_PERIOD_FRAMES - 1, max(asked, 1.0))
        longer = least / sample_rate_hz if least < MAX_PERIOD_FRAMES else None
        raise GainkitError(
            "band_too_narrow",
            "high_hz",
            high_hz,
            low_hz=low_hz,
            seconds=seconds,
            least_seconds=longer and math.ceil(100 * longer) / 100,
            least_width_hz=math.ceil(100 * wider) / 100,
        )
    return period, repeats


def _weighted(envelope: Samples, wave: Samples) -> Samples:
    return wave * (envelope if wave.ndim == 1 else envelope[:, None])


def _lines(low_hz: float, high_hz: float, period: int, sample_rate_hz: int) -> tuple[int, int]:
    """First and last-but-one line of the band: those with low <= k fs / period < high."""
    return math.ceil(low_hz * period / sample_rate_hz), math.ceil(high_hz * period / sample_rate_hz)


@lru_cache(maxsize=2)
def _period(first: int, last: int, period: int, crest_db: float, seed: int) -> Samples:
    """One period of noise with rms exactly 1 and no peak above the crest factor; shape (period,).

    Starts from random phases. While a peak is too high, the wave is clipped, and of the clipped wave only the
    phases are kept: the magnitudes go back to what they were, so nothing leaks out of the band (the alternating
    projection of Van der Ouderaa, Schoukens and Renneboog, IEEE Trans. Instrum. Meas. 37 (1988): cited from
    memory).
    """
    rng = np.random.Generator(np.random.SFC64(np.random.SeedSequence([seed, 0x9015E])))
    magnitudes = 1.0 / np.sqrt(np.arange(first, last))
    magnitudes *= period / math.sqrt(2.0 * float(np.sum(magnitudes**2)))  # Parseval: rms 1
    spectrum = np.zeros(period // 2 + 1, dtype=np.complex128)
    spectrum[first:last] = magnitudes * np.exp(2j * math.pi * rng.random(last - first))
    wave = np.fft.irfft(spectrum, period)
    ceiling = ratio_from_db(crest_db)
    for _ in range(_MOST_TURNS):
        if max(wave.max(), -wave.min()) <= ceiling:
            wave.setflags(write=False)
            return wave
        np.clip(wave, -0.95 * ceiling, 0.95 * ceiling, out=wave)
        lines = np.fft.rfft(wave)[first:last]
        spectrum[first:last] = magnitudes * lines / np.maximum(np.abs(lines), 1e-300)
        wave = np.fft.irfft(spectrum, period)
    raise GainkitError("crest_out_of_reach", "crest_db", crest_db)


def quick_length(frames: int) -> int:
    """Smallest even number from `frames` on whose only factors are 2, 3, 5 and 7: quick to transform."""
    candidate = frames + frames % 2
    while True:
        rest = candidate
        for factor in (2, 3, 5, 7):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return candidate
        candidate += 2
