"""Waveforms: exact in level, frequency and shape, however they are cut into blocks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.errors import GainkitError
from gainkit.generator import marker as markers
from gainkit.generator.bands import BANDS
from gainkit.generator.carrier import Carrier, whole_cycles
from gainkit.generator.kinds import KINDS, SAMPLE_RATES_HZ, build, checked
from gainkit.generator.model import LevelStep
from gainkit.generator.spec import ToneSpec
from gainkit.generator.swept import Chirp, chirp_near
from gainkit.remarks import codes

SHORT = {
    "sine": ToneSpec("sine", seconds=0.4),
    "staircase": ToneSpec("staircase", from_dbfs=-6, step_db=2, dwell_seconds=0.1),
    "glide": ToneSpec("glide", seconds=0.5),
    "sweep": ToneSpec("sweep", seconds=0.5, in_turn=True),
    "noise": ToneSpec("noise", seconds=1.0),
    "silence": ToneSpec("silence", seconds=0.2),
    "pulses": ToneSpec("pulses", seconds=2.0),
    "chirps": ToneSpec("chirps", seconds=2.0),
    "beeps": ToneSpec("beeps", seconds=3.0),
}


def rms_dbfs(samples: np.ndarray) -> float:
    """Rms on AES17's scale: 0 dBFS is a sine whose peaks touch 1.0."""
    return 10.0 * math.log10(2.0 * float(np.mean(samples**2)))


def step_samples(spec: ToneSpec, rate: int = 44_100) -> list[tuple[LevelStep, np.ndarray]]:
    wave = build(spec, rate)
    samples = wave.samples()
    return [(step, samples[step.start_frame : step.stop_frame, 0]) for step in wave.steps]


def test_every_kind_is_tried_here() -> None:
    assert SHORT.keys() == KINDS.keys()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate", SAMPLE_RATES_HZ)
def test_every_kind_is_whole_and_within_full_scale(kind: str, rate: int) -> None:
    wave = build(SHORT[kind], rate)
    samples = wave.samples()
    assert samples.shape == (wave.frames, 2)
    assert np.all(np.isfinite(samples))
    assert np.abs(samples).max() <= wave.peak * (1 + 1e-12) <= 1.0 + 1e-12
    assert abs(samples[0]).max() < 1e-3, "begins without a click"
    assert abs(samples[-1]).max() < 1e-3, "ends without a click"
    assert wave.steps
    for step in wave.steps:
        assert 0 <= step.start_frame < step.stop_frame <= wave.frames


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=8, deadline=None, derandomize=True)
@given(block=st.integers(1, 70_000))
def test_blocks_do_not_change_the_samples(kind: str, block: int) -> None:
    wave = build(SHORT[kind], 44_100)
    if block < 50:
        block *= 997
    whole = wave.samples()
    np.testing.assert_allclose(np.concatenate(list(wave.blocks(block))), whole, rtol=0, atol=1e-12)


@pytest.mark.parametrize("kind", KINDS)
def test_repeating_parts_repeat(kind: str) -> None:
    """What the writer relies on when it lays a period end to end."""
    for part in build(SHORT[kind], 44_100).parts:
        if part.render is not None and part.period_frames and part.frames > part.period_frames:
            count = min(part.frames - part.period_frames, 5000)
            first, again = part.render(0, count), part.render(part.period_frames, part.period_frames + count)
            np.testing.assert_allclose(first, again, rtol=0, atol=1e-12)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    frequency=st.floats(5.0, 19_000.0),
    seconds=st.floats(0.05, 3_600.0),
    rate=st.sampled_from(SAMPLE_RATES_HZ),
)
def test_frequency_is_nudged_by_less_than_half_a_per_mille(frequency: float, seconds: float, rate: int) -> None:
    carrier = whole_cycles(frequency, seconds, rate)
    assert abs(carrier.frequency_hz(rate) / frequency - 1.0) < 0.0005
    assert carrier.cycles >= 1
    slack = max(0.5 * rate / frequency + 1, 1000 + rate / frequency)
    assert abs(carrier.frames - seconds * rate) <= slack


@pytest.mark.parametrize("frequency", [50.0, 997.0, 40.0, 12.5, 1000.0])
def test_usual_tones_are_exact(frequency: float) -> None:
    wave = build(ToneSpec("sine", frequency_hz=frequency, seconds=2.0), 44_100)
    assert wave.frequency_hz == frequency
    assert wave.notes == ()


def test_nudged_frequency_is_told() -> None:
    wave = build(ToneSpec("sine", frequency_hz=123.456, seconds=0.5), 44_100)
    assert wave.frequency_hz is not None
    assert wave.frequency_hz != 123.456
    assert [note.code for note in wave.notes] == ["frequency_moved"]
    assert wave.notes[0].values["written_hz"] == wave.frequency_hz
    assert f"{wave.frequency_hz:.9g}" in str(wave.notes[0])


def test_carrier_is_exact_after_an_hour() -> None:
    """Against the sine of an exactly reduced phase: no phase error builds up."""
    carrier = Carrier(1_234_567_8, 44_100 * 3_600)
    for start in (0, 44_100 * 3_600 - 40_000, -2000):
        n = range(start, start + 40_000)
        phase = [(carrier.cycles * i) % carrier.frames / carrier.frames for i in n]
        expected = 0.7 * np.sin(2 * np.pi * np.array(phase))
        rendered = carrier.render(start, start + 40_000, 0.7)
        np.testing.assert_allclose(rendered, expected, rtol=0, atol=1.5e-15)


@pytest.mark.parametrize("level", [0.0, -3.0, -60.0])
@pytest.mark.parametrize("frequency", [20.0, 50.0, 997.0, 1234.567, 15_000.0])
def test_sine_level(level: float, frequency: float) -> None:
    [(_, samples)] = step_samples(ToneSpec("sine", frequency_hz=frequency, level_dbfs=level, seconds=1.0))
    assert rms_dbfs(samples) == pytest.approx(level, abs=1e-6)


def test_steady_part_repeats_without_a_click() -> None:
    """A player that loops the steady part goes on in phase: the next sample is the first."""
    wave = build(ToneSpec("sine", frequency_hz=997, seconds=1.0), 44_100)
    part = wave.parts[1]
    assert part.render is not None
    np.testing.assert_allclose(part.render(part.frames, part.frames + 10), part.render(0, 10), atol=1e-12)


def test_staircase_steps_hold_their_levels_and_places() -> None:
    spec = ToneSpec("staircase", frequency_hz=50, from_dbfs=-12, to_dbfs=0, step_db=1.5, dwell_seconds=0.5)
    steps = [(s, x) for s, x in step_samples(spec) if s.role == "step"]
    assert [s.level_dbfs for s, _ in steps] == [-12, -10.5, -9, -7.5, -6, -4.5, -3, -1.5, 0]
    for step, samples in steps:
        assert rms_dbfs(samples) == pytest.approx(step.level_dbfs, abs=1e-4)
    starts = np.array([s.start_frame for s, _ in steps])
    assert np.all(np.diff(starts) == 22_050)


def test_staircase_may_fall() -> None:
    spec = ToneSpec("staircase", from_dbfs=0, to_dbfs=-4, step_db=2, dwell_seconds=0.2)
    wave = build(spec, 44_100)
    assert [s.level_dbfs for s in wave.steps if s.role == "step"] == [0, -2, -4]
    assert wave.marker is not None
    assert wave.marker.level_dbfs == -4


def test_staircase_is_one_carrier_throughout() -> None:
    """Phase runs on from the first marker to the last: one fit finds the recorder's clock."""
    wave = build(ToneSpec("staircase", from_dbfs=-6, step_db=3, dwell_seconds=0.3), 44_100)
    samples = wave.samples()[:, 0]
    first = next(step for step in wave.steps if step.role == "step")
    turn = 5 * 44_100 / 997  # five cycles lead to each level
    zero = first.start_frame - round(turn)
    n = np.arange(wave.frames) - zero
    quadrature = samples * np.exp(-2j * np.pi * wave.frequency_hz * n / 44_100)
    for step in wave.steps:
        phase = np.angle(quadrature[step.start_frame : step.stop_frame].sum())
        assert phase == pytest.approx(-np.pi / 2, abs=0.01), step.role


def test_glide_follows_its_line() -> None:
    spec = ToneSpec("glide", frequency_hz=997, from_dbfs=-30, to_dbfs=-6, seconds=2.0)
    wave = build(spec, 48_000)
    ramp = next(step for step in wave.steps if step.role == "ramp")
    assert ramp.frames == 96_000
    samples = wave.samples()[ramp.start_frame : ramp.stop_frame, 0]
    n = np.arange(ramp.frames)
    expected = 10 ** ((-30 + 24 * n / ramp.frames) / 20) * np.sin(2 * np.pi * 997 * n / 48_000)
    np.testing.assert_allclose(samples, expected, rtol=0, atol=1e-11)


def swept(spec: ToneSpec, rate: int = 44_100) -> tuple[LevelStep, np.ndarray]:
    """The sweep itself, without its marks."""
    return next((step, samples) for step, samples in step_samples(spec, rate) if step.role == "sweep")


def test_sweep_runs_evenly_in_octaves() -> None:
    spec = ToneSpec("sweep", low_hz=20, high_hz=16_000, level_dbfs=-6, seconds=4.0)
    step, samples = swept(spec)
    assert step.stop_frequency_hz == pytest.approx(16_000, rel=1e-3)
    assert rms_dbfs(samples) == pytest.approx(-6, abs=0.001)
    rises = np.flatnonzero((samples[:-1] < 0) & (samples[1:] >= 0))
    at, cycle = rises[:-1] / 44_100, np.diff(rises) / 44_100
    slow = cycle > 0.002  # where a cycle is long enough to be timed by whole frames
    fitted = np.polyfit(at[slow], np.log2(1 / cycle[slow]), 1)
    assert fitted[0] == pytest.approx(math.log2(800) / 4.0, rel=0.02)


@pytest.mark.parametrize("order", [2, 3, 7])
def test_a_sweeps_harmonic_is_the_sweep_earlier(order: int) -> None:
    """sin(k phase(t)) = sin(phase(t + L ln k)): what synchronised means (Novak et al., JAES 63, 2015)."""
    chirp = chirp_near(checked(ToneSpec("sweep", low_hz=20.0, high_hz=16_000.0), 44_100), 3.0, 44_100)
    times = np.linspace(0.0, chirp.seconds - chirp.octave_seconds * math.log(order), 5001)
    plain = Chirp(chirp.from_hz, chirp.to_hz, chirp.seconds, 0.0)
    phase = 2 * np.pi * chirp.from_hz * chirp.octave_seconds * np.expm1(times / chirp.octave_seconds)
    earlier = plain.body(times + chirp.octave_seconds * math.log(order))
    np.testing.assert_allclose(np.sin(order * phase), earlier, rtol=0, atol=1e-8)


def test_sweep_falls_above_a_frequency_and_tells_so() -> None:
    spec = ToneSpec("sweep", low_hz=100, high_hz=8_000, level_dbfs=-6, seconds=4.0, fall_above_hz=1_000)
    step, samples = swept(spec)
    assert step.stop_level_dbfs == pytest.approx(-6 - 20 * math.log10(8), abs=0.01)
    for hertz, expected in ((500, -6), (2_000, -6 - 6.02), (4_000, -6 - 12.04)):
        at = round(step.frames * math.log(hertz / 100) / math.log(80))
        assert rms_dbfs(samples[at - 400 : at + 400]) == pytest.approx(expected, abs=0.15)


def test_sweep_in_turn_plays_left_then_right() -> None:
    wave = build(ToneSpec("sweep", seconds=1.0, in_turn=True), 44_100)
    samples = wave.samples()
    roles = [(step.role, step.channel) for step in wave.steps]
    assert roles == [(r, c) for c in ("left", "right") for r in ("marker-start", "sweep", "marker-stop")]
    half = len(samples) // 2
    np.testing.assert_array_equal(samples[:half, 0], samples[half:, 1])
    assert not samples[:half, 1].any()
    assert not samples[half:, 0].any()


def test_sweeps_of_a_band() -> None:
    assert checked(ToneSpec("sweep", band="bass"), 44_100).low_hz == 10.0
    wave = build(ToneSpec("sweep", band="treble", seconds=2.0), 44_100)
    assert wave.steps[1].frequency_hz == 400.0


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    low=st.floats(1.0, 10_000.0),
    ratio=st.floats(1.001, 1000.0),
    seconds=st.floats(0.05, 60.0),
    rate=st.sampled_from(SAMPLE_RATES_HZ),
)
def test_sweep_is_synchronised_and_tells_what_it_moved(
    low: float, ratio: float, seconds: float, rate: int
) -> None:
    high = min(low * ratio, 0.45 * rate)
    if high <= low:
        return
    wave = build(ToneSpec("sweep", low_hz=low, high_hz=high, seconds=seconds), rate)
    step = wave.steps[1]
    assert step.role == "sweep"
    assert step.frequency_hz is not None
    assert step.stop_frequency_hz is not None
    assert step.stop_frequency_hz > step.frequency_hz
    assert abs(step.stop_frequency_hz / high - 1.0) < 5e-4
    length = step.frames / rate
    cycles = length * low / math.log(step.stop_frequency_hz / low)
    assert abs(cycles - round(cycles)) < 1e-6 * cycles + 1e-6
    told = codes(wave.notes)
    assert "frequency_moved" in told or abs(step.stop_frequency_hz / high - 1) <= 1e-5
    assert "length_moved" in told or abs(length / seconds - 1) <= 0.005


@pytest.mark.parametrize(
    ("spec", "least_hz"),
    [
        (ToneSpec("noise", low_hz=100.0, high_hz=102.0, seconds=60.0), 100.0),
        (ToneSpec("noise", low_hz=20.0, high_hz=25.0, seconds=30.0), 20.0),
    ],
)
def test_narrow_noise_lives_in_its_band(spec: ToneSpec, least_hz: float) -> None:
    wave = build(spec, 44_100)
    samples = wave.samples()[wave.steps[0].start_frame : wave.steps[0].stop_frame, 0]
    power = np.abs(np.fft.rfft(samples)) ** 2
    hertz = np.fft.rfftfreq(len(samples), 1 / 44_100)
    inside = (hertz >= least_hz) & (hertz < spec.high_hz)
    assert power[inside].sum() > (1 - 1e-12) * power.sum()
    assert np.count_nonzero(power > 1e-9 * power.max()) >= 20


@pytest.mark.parametrize(("high_hz", "seconds"), [(102.0, 5.0), (100.5, 60.0)])
def test_the_remedy_for_narrow_noise_works(high_hz: float, seconds: float) -> None:
    with pytest.raises(GainkitError) as fault:
        build(ToneSpec("noise", low_hz=100.0, high_hz=high_hz, seconds=seconds), 44_100)
    assert fault.value.code == "band_too_narrow"
    wide, longer = fault.value.values["least_width_hz"], fault.value.values["least_seconds"]
    assert f"band at least {wide:g} Hz wide" in fault.value.remedy
    build(ToneSpec("noise", low_hz=100.0, high_hz=100.0 + wide, seconds=seconds), 44_100)
    if longer is not None:
        assert f"{longer:g} s" in fault.value.remedy
        build(ToneSpec("noise", low_hz=100.0, high_hz=high_hz, seconds=longer), 44_100)


@pytest.mark.parametrize(("channels", "beeps"), [("both", 3), ("left", 1), ("right", 2)])
def test_beeps_of_one_channel_tell_only_what_sounds(channels: str, beeps: int) -> None:
    wave = build(ToneSpec("beeps", seconds=1.0, channels=channels), 44_100)
    assert len(wave.steps) == beeps
    for step in wave.steps:
        assert wave.samples()[step.start_frame : step.stop_frame].any()


def test_sweep_joins_without_a_corner() -> None:
    wave = build(ToneSpec("sweep", low_hz=100, high_hz=1000, level_dbfs=0, seconds=1.0), 44_100)
    samples = wave.samples()[:, 0]
    steepest = 2 * np.pi * 1000 / 44_100
    assert np.abs(np.diff(samples, 2)).max() < 1.01 * steepest**2
    assert np.abs(np.diff(samples)).max() < 1.001 * steepest


def spectrum_power(samples: np.ndarray) -> np.ndarray:
    return np.abs(np.fft.rfft(samples)) ** 2


@pytest.mark.parametrize("band", BANDS)
@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_noise_is_pink_inside_and_nothing_outside(band: str, rate: int) -> None:
    [(step, samples)] = step_samples(ToneSpec("noise", band=band, seconds=3.0, level_dbfs=-20), rate)
    assert rms_dbfs(samples) == pytest.approx(-20, abs=1e-6)
    power = spectrum_power(samples)
    frequency = np.fft.rfftfreq(len(samples), 1 / rate)
    inside = (frequency >= step.low_hz) & (frequency < step.high_hz)
    flat = power[inside] * frequency[inside]
    np.testing.assert_allclose(flat, flat[0], rtol=1e-6)
    assert power[~inside].max() < 1e-20 * power[inside].max()


@pytest.mark.parametrize("crest_db", [6.0, 8.0, 12.0])
@pytest.mark.parametrize("band", BANDS)
def test_noise_keeps_its_crest_factor(crest_db: float, band: str) -> None:
    spec = ToneSpec("noise", band=band, seconds=3.0, level_dbfs=-20, crest_db=crest_db, seed=7)
    [(_, samples)] = step_samples(spec)
    crest = 20 * math.log10(np.abs(samples).max() / math.sqrt(np.mean(samples**2)))
    assert crest <= crest_db + 1e-9
    if crest_db < 12:
        assert crest > crest_db - 0.5, "no more is taken off than asked"


def test_noise_left_and_right() -> None:
    same = build(ToneSpec("noise", seconds=2.0), 44_100).samples()
    assert np.array_equal(same[:, 0], same[:, 1])
    wave = build(ToneSpec("noise", band="bass", seconds=6.0, decorrelated=True), 44_100)
    left, right = wave.samples()[wave.steps[0].start_frame : wave.steps[0].stop_frame].T
    assert rms_dbfs(left) == pytest.approx(rms_dbfs(right), abs=1e-6)
    for lag in range(-2000, 2001, 40):
        assert abs(np.corrcoef(left, np.roll(right, lag))[0, 1]) < 0.02


def test_noise_by_seed() -> None:
    one, again, other = (
        build(ToneSpec("noise", seconds=0.5, seed=seed), 44_100).samples() for seed in (1, 1, 2)
    )
    assert np.array_equal(one, again)
    assert abs(np.corrcoef(one[:, 0], other[:, 0])[0, 1]) < 0.2


def test_noise_longer_than_its_period() -> None:
    [(step, samples)] = step_samples(ToneSpec("noise", band="treble", seconds=13.0, level_dbfs=-25))
    assert rms_dbfs(samples) == pytest.approx(-25, abs=1e-6)
    assert step.frames / 44_100 == pytest.approx(13.0, rel=0.005)


@pytest.mark.parametrize("band", ["bass", "midrange", "treble"])
def test_pulses_stand_where_their_steps_say(band: str) -> None:
    """And nothing stands elsewhere; the pattern goes on unbroken after its ten pulses."""
    wave = build(ToneSpec("pulses", band=band, level_dbfs=-6.0, seconds=12.0), 44_100)
    samples = wave.samples()[:, 0]
    assert len(wave.steps) == 24
    for step in wave.steps:
        pulse = samples[step.start_frame : step.stop_frame]
        assert pulse.max() == pytest.approx(10 ** (-6 / 20), rel=1e-9)
        assert np.argmax(pulse) == len(pulse) // 2
        assert pulse.min() > 0
        samples[step.start_frame : step.stop_frame] = 0
    assert not samples.any()
    starts = np.array([step.start_frame for step in wave.steps])
    assert np.array_equal(starts[10:] - starts[:-10], np.full(14, 5 * 44_100))


def test_routing() -> None:
    left, right, opposite = (
        build(ToneSpec("sine", seconds=0.2, channels=where), 44_100).samples()
        for where in ("left", "right", "opposite")
    )
    assert np.all(left[:, 1] == 0)
    assert np.any(left[:, 0] != 0)
    assert np.all(right[:, 0] == 0)
    assert np.array_equal(left[:, 0], right[:, 1])
    assert np.array_equal(opposite[:, 0], -opposite[:, 1])


def moving_mean(values: np.ndarray, width: int) -> np.ndarray:
    """Mean of values[n : n + width]."""
    total = np.concatenate([[0], np.cumsum(values)])
    return (total[width:] - total[:-width]) / width


def found_at(recording: np.ndarray, rate: float, marker: markers.Marker, backwards: bool) -> int:
    """Find a pattern as the marker's text says: demodulate, smooth, correlate, normalised by the local rms."""
    mixed = recording * np.exp(-2j * np.pi * marker.frequency_hz * np.arange(len(recording)) / rate)
    width = marker.slot_frames // 4
    level = np.abs(moving_mean(mixed, width))
    pattern = moving_mean(markers.envelope(marker, backwards), width)
    pattern = pattern - pattern.mean()
    size = 1 << (len(level) + len(pattern)).bit_length()
    cross = np.fft.irfft(np.fft.rfft(level, size) * np.conj(np.fft.rfft(pattern, size)), size)
    mean, square = moving_mean(level, len(pattern)), moving_mean(level**2, len(pattern))
    spread = np.sqrt(np.maximum(square - mean**2, 0.0))
    return int(np.argmax(cross[: len(spread)] / np.maximum(spread, 0.01 * spread.max())))


@pytest.mark.parametrize("frequency", [50.0, 997.0])
@pytest.mark.parametrize("kind", ["staircase", "glide"])
@pytest.mark.parametrize("ppm", [0.0, 200.0, -200.0])
def test_marker_is_found_after_clipping_lateness_and_another_clock(
    frequency: float, kind: str, ppm: float
) -> None:
    rate = 44_100
    spec = (
        ToneSpec("staircase", frequency_hz=frequency, from_dbfs=-20, step_db=4, dwell_seconds=0.5)
        if kind == "staircase"
        else ToneSpec("glide", frequency_hz=frequency, seconds=3.0)
    )
    wave = build(spec, rate)
    assert wave.marker is not None
    late = 7_777
    samples = np.clip(wave.samples()[:, 0], -0.4, 0.4) * -3.0  # amplifier that clips and inverts
    n = np.arange(late + wave.frames + 5_000)
    clock = 1.0 + ppm * 1e-6
    recording = np.interp((n - late) / clock, np.arange(wave.frames), samples, left=0.0, right=0.0)
    recording += np.random.default_rng(3).normal(0, 0.003, len(recording))
    for step in wave.steps:
        if step.role.startswith("marker"):
            there = found_at(recording, rate, wave.marker, step.role == "marker-stop")
            expected = late + step.start_frame * clock
            assert abs(there - expected) < wave.marker.slot_frames / 8, step.role


def test_checking_twice_changes_nothing() -> None:
    for spec in SHORT.values():
        once = checked(spec, 44_100)
        assert checked(once, 44_100) == once
