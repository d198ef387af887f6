"""From waveforms to integers: dither, ceilings, tiles, zeros."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import special

from gainkit.generator.encode import SampleFormat, encoded_blocks
from gainkit.generator.kinds import SAMPLE_RATES_HZ, build
from gainkit.generator.model import Part, Waveform
from gainkit.generator.spec import ToneSpec
from gainkit.toneset.model import AudioFormat
from gainkit.toneset.wav import WRITE_BYTES, wav_header, wav_pieces

FORMATS = [SampleFormat(16), SampleFormat(24), SampleFormat(32)]


def encoded(wave: Waveform, samples: SampleFormat, dither: bool | None = None, seed: int = 1) -> np.ndarray:
    return np.concatenate(list(encoded_blocks(wave, samples, dither=samples.dithered(dither), seed=seed)))


@pytest.mark.parametrize("samples", FORMATS)
@pytest.mark.parametrize("dither", [True, False])
@pytest.mark.parametrize("rate", SAMPLE_RATES_HZ)
@pytest.mark.parametrize("frequency", [997.0, 1000.0, 1234.567])
def test_full_scale_clips_no_sample(samples: SampleFormat, dither: bool, rate: int, frequency: float) -> None:
    """No sample lies at the codes where clipping would put it, beyond the one that full scale itself
    reaches."""
    wave = build(ToneSpec("sine", frequency_hz=frequency, level_dbfs=0.0, seconds=1.0), rate)
    values = encoded(wave, samples, dither)
    assert values.dtype == {16: np.int16, 24: np.int32, 32: np.float32}[samples.bits]
    if samples.is_float:
        assert 0.9999 < np.abs(values).max() <= 1.0
        return
    top = 2 ** (samples.bits - 1) - 1
    assert values.max() <= top
    assert values.min() >= -top
    assert values.max() >= 0.9999 * top - 3  # a period of 441 frames misses the very crest
    # A clipped crest would make the uppermost code far more frequent than its neighbour below.
    if samples.bits == 16 and dither and frequency == 997.0:
        assert np.sum(values == top) < 0.5 * np.sum(values == top - 1)


def moved_by_rounding(steps: float) -> float:
    """By how much rounding moves the amplitude of a sine of so many steps [steps].

    round(x) is x plus the sum of (-1)^k sin(2 pi k x) / (pi k), of which a sine makes 2 (-1)^k J1(2 pi k A) /
    (pi k) of its own frequency (Fourier series of the sawtooth; Jacobi-Anger expansion).
    """
    order = np.arange(1, 20_001)
    return float(np.sum((-1.0) ** order * 2.0 * special.j1(2.0 * np.pi * order * steps) / (np.pi * order)))


@pytest.mark.parametrize("samples", FORMATS)
@pytest.mark.parametrize("dither", [True, False])
@example(level=-59.0)
@example(level=-97.3)
@settings(max_examples=20, deadline=None, derandomize=True)
@given(level=st.floats(-120.0, 0.0))
def test_level_survives_encoding(samples: SampleFormat, dither: bool, level: float) -> None:
    """Amplitude by projection on the sine, within 0.001 dB (16 bit) and 0.0001 dB (24 bit) and the
    projection's own noise, lsb/2 over sqrt(N/2).

    Rounding without dither moves it by a series that is known; that it is none with it is what dither is for.
    """
    wave = build(ToneSpec("sine", frequency_hz=997.0, level_dbfs=level, seconds=1.0), 44_100)
    step = wave.steps[0]
    values = encoded(wave, samples, dither)[step.start_frame : step.stop_frame, 0] / samples.full_scale
    sine = np.sin(2 * np.pi * 997.0 * np.arange(step.frames) / 44_100)
    amplitude = 2.0 * float(values @ sine) / step.frames
    tolerance_db = 0.001 if samples.bits == 16 else 0.0001
    lsb = 0.0 if samples.is_float else 1.0 / samples.full_scale
    noise = 5.0 * 0.5 * lsb * np.sqrt(2.0 / step.frames)
    target = 10 ** (level / 20)
    moved = 0.0 if dither or not lsb else moved_by_rounding(target / lsb) * lsb
    assert abs(amplitude - target - moved) <= target * (10 ** (tolerance_db / 20) - 1) + noise


@pytest.mark.parametrize("samples", [SampleFormat(16), SampleFormat(24)])
def test_dither_is_triangular_two_steps_wide_and_white(samples: SampleFormat) -> None:
    """The error of a constant between two codes: mean 0, variance 1/4 step^2, whatever the constant."""
    for constant in (0.0, 0.25, 0.5, 0.9):
        frames = 200_000
        level = (1000 + constant) / samples.full_scale
        part = Part(frames, lambda a, b, level=level: np.full(b - a, level), 1)
        error = encoded(Waveform(44_100, (part,), (), peak=level), samples, True) - (1000 + constant)
        assert error.mean() == pytest.approx(0.0, abs=0.005)
        assert error.var() == pytest.approx(0.25, rel=0.01)
        assert np.abs(error).max() <= 1.5
        assert abs(np.corrcoef(error[:-1, 0], error[1:, 0])[0, 1]) < 0.01
        assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < 0.01


def test_dither_by_seed() -> None:
    wave = build(ToneSpec("sine", seconds=0.2), 44_100)
    one, again, other = (encoded(wave, FORMATS[0], True, seed) for seed in (1, 1, 2))
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(period=st.integers(1, 60_000), frames=st.integers(1, 120_000), dither=st.booleans())
def test_tiles_are_what_rendering_gives(period: int, frames: int, dither: bool) -> None:
    table = np.random.default_rng(period).uniform(-0.9, 0.9, period)
    parts = [Part(frames, lambda a, b: table[np.arange(a, b) % period], marked) for marked in (period, 0)]
    tiled, rendered = (encoded(Waveform(44_100, (part,), (), peak=0.9), FORMATS[0], False) for part in parts)
    assert np.array_equal(tiled, rendered)
    if dither:
        noisy = encoded(Waveform(44_100, (parts[0],), (), peak=0.9), FORMATS[0], True)
        assert noisy.shape == rendered.shape
        assert np.abs(noisy.astype(int) - rendered).max() <= 2


@pytest.mark.parametrize("samples", FORMATS)
def test_silence_and_idle_channels_are_exact_zeros(samples: SampleFormat) -> None:
    assert not encoded(build(ToneSpec("silence", seconds=0.3), 44_100), samples, True).any()
    left = encoded(build(ToneSpec("sine", seconds=0.3, channels="left"), 44_100), samples, True)
    assert left[:, 0].any()
    assert not left[:, 1].any()


def test_opposite_polarity_is_a_turned_signal_under_its_own_dither() -> None:
    wave = build(ToneSpec("sine", seconds=0.3, channels="opposite"), 44_100)
    plain = encoded(wave, FORMATS[0], False).astype(int)
    assert np.abs(plain[:, 0] + plain[:, 1]).max() <= 1
    dithered = encoded(wave, FORMATS[0], True).astype(int)
    assert np.std(dithered[:, 0] + dithered[:, 1]) == pytest.approx(np.sqrt(0.5), rel=0.05)


@pytest.mark.parametrize("samples", FORMATS)
@pytest.mark.parametrize("channels", ["both", "opposite", "left", "right"])
def test_every_routing_is_its_samples_rounded(samples: SampleFormat, channels: str) -> None:
    """Against the waveform's own samples, rounded by numpy: one sign, one channel, or the same on both."""
    wave = build(ToneSpec("sine", frequency_hz=997.0, seconds=0.5, channels=channels), 44_100)
    steps = wave.samples() * samples.full_scale
    values = encoded(wave, samples, False)
    if samples.is_float:
        np.testing.assert_allclose(values, steps, rtol=0, atol=2.0**-24)  # a float's rounding below 1
    else:
        assert np.array_equal(values, np.rint(steps))
    assert values.any(axis=0).tolist() == [channels != "right", channels != "left"]


def test_both_channels_share_the_signal_and_not_the_dither() -> None:
    wave = build(ToneSpec("sine", frequency_hz=997.123, seconds=2.0), 44_100)
    steady = slice(wave.steps[0].start_frame, wave.steps[0].stop_frame)
    plain = wave.samples()[steady] * FORMATS[0].full_scale
    errors = encoded(wave, FORMATS[0], True)[steady] - plain
    assert np.var(errors, axis=0) == pytest.approx([0.25, 0.25], rel=0.02)  # lsb^2/4: see the module's source
    assert abs(np.corrcoef(errors.T)[0, 1]) < 5.0 / np.sqrt(len(errors))


@pytest.mark.parametrize("samples", FORMATS)
@pytest.mark.parametrize("seconds", [0.5, 4.0])
def test_pieces_of_a_file_are_all_its_bytes_from_page_to_page(samples: SampleFormat, seconds: float) -> None:
    wave, target = build(ToneSpec("sine", seconds=seconds), 48_000), AudioFormat(48_000, samples.bits)
    pieces = [bytes(piece) for piece in wav_pieces(wave, target, dither=False, seed=1)]
    values = encoded(wave, samples, False)
    stored = values.astype({16: "<i2", 24: "<i4", 32: "<f4"}[samples.bits]).tobytes()
    if samples.bits == 24:
        stored = bytes(byte for place, byte in enumerate(stored) if place % 4 != 3)
    assert b"".join(pieces) == wav_header(wave.frames, target) + stored
    assert all(len(piece) == WRITE_BYTES for piece in pieces[:-1])
    assert 0 < len(pieces[-1]) <= WRITE_BYTES


def test_a_format_stays_in_its_integers() -> None:
    values = encoded(build(ToneSpec("sine", level_dbfs=0, seconds=0.3), 44_100), SampleFormat(24), True)
    assert np.abs(values).max() < 2**23
