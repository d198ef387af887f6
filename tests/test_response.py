"""The response room against chains whose transfer function is known in closed form."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import fft

from gainkit.capture import Capture, read_capture
from gainkit.capture.model import ArraySource
from gainkit.errors import GainkitError
from gainkit.generator.kinds import build
from gainkit.generator.spec import ToneSpec
from gainkit.remarks import codes
from gainkit.response import Response, Sweep, find_response, from_figures, from_track
from gainkit.response.drive import rendered
from gainkit.results import from_plain, to_json
from gainkit.toneset.model import AudioFormat
from gainkit.toneset.writing import write_one
from tests.chains import (
    RATE,
    boosted,
    delayed,
    filtered,
    heard,
    in_a_row,
    noisy,
    off_db,
    on_another_clock,
    plain,
    played,
    through,
)

SPEC = ToneSpec("sweep", seconds=10.0)


@pytest.fixture(scope="module")
def track() -> tuple[np.ndarray, Sweep]:
    return played(SPEC)


# --- level, floor, phase


def test_a_wire_is_flat(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    result = find_response(heard(through(samples[:, 0], plain)), sweep)
    assert result.found
    assert result.verdict == "flat"
    assert np.abs(off_db(result, plain)).max() < 0.02
    assert result.flat is not None
    assert result.flat.low_hz < 25
    assert result.flat.high_hz > 16_000
    assert max(result.flat.plus_db, -result.flat.minus_db) < 0.02
    assert result.highpass is result.lowpass is result.low_corner_hz is result.high_corner_hz is None
    assert result.drift_ppm == pytest.approx(0, abs=0.01)
    assert result.delay_seconds == pytest.approx(0, abs=1e-6)
    assert max(abs(point.phase_degrees) for point in result.points) < 1.0
    assert max(point.thd_percent or 0.0 for point in result.points) < 0.001


def test_noise_is_told_as_floor(track: tuple[np.ndarray, Sweep]) -> None:
    """At 40 dB: the level within 0.2 dB, and the floor where the noise alone lies."""
    samples, sweep = track
    clean = through(samples[:, 0], plain)
    result = find_response(heard(noisy(clean, 40.0)), sweep)
    assert np.abs(off_db(result, plain, 10.0)).max() < 0.2
    alone = noisy(clean, 40.0) - clean
    silent = find_response(heard(noisy(0.001 * clean, None) + alone), sweep)
    assert silent.found
    near = [(a.floor_db, b.floor_db) for a, b in zip(result.points, silent.points, strict=True)]
    assert np.median([a - b for a, b in near]) == pytest.approx(0, abs=0.5)


def test_level_falls_with_the_sweep_and_the_response_does_not() -> None:
    samples, sweep = played(dataclasses.replace(SPEC, fall_above_hz=2_000.0))
    result = find_response(heard(through(samples[:, 0], plain)), sweep)
    assert np.abs(off_db(result, plain)).max() < 0.02


def test_volts_where_calibrated(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    capture = Capture.from_array(20.0 * through(samples[:, 0], plain), RATE)
    result = find_response(capture, sweep)
    for point in result.points[::20]:
        assert point.volts == pytest.approx(20.0 * 10 ** (-20 / 20) / math.sqrt(2), rel=0.0025)
        assert point.level_db == pytest.approx(20 * math.log10(20), abs=0.02)


# --- short sweeps


def short(seconds: float) -> tuple[np.ndarray, Sweep]:
    """A sweep of 20 Hz to 20 kHz without marks."""
    sweep = from_figures(20.0, 20_000.0, seconds, -6.0)
    return rendered(sweep.sides[0].sweep.chirp, RATE, round((seconds + 1.5) * RATE), 0.7 * RATE), sweep


@pytest.mark.parametrize("seconds", [0.5, 2.0])
@pytest.mark.parametrize("snr_db", [None, 30.0])
def test_a_wire_is_flat_however_short_the_sweep(seconds: float, snr_db: float | None) -> None:
    """What the windows smear at the bottom is no equaliser; what cannot be told is left out and named."""
    samples, sweep = short(seconds)
    result = find_response(heard(noisy(samples, snr_db)), sweep)
    assert result.verdict == "flat"
    assert np.abs([point.level_db for point in result.points]).max() < (0.3 if snr_db is None else 1.0)
    assert ("sweep_short" in codes(result.notes)) is (seconds < 1.0)
    assert (result.points[0].frequency_hz > 30.0) is (seconds < 1.0)


@pytest.mark.parametrize(
    ("family", "order", "corner_hz", "kind"),
    [("butterworth", 2, 173.0, "high"), ("linkwitz-riley", 4, 107.0, "high"), ("bessel", 2, 4_556.0, "low")],
)
def test_a_short_sweep_adds_no_bands_to_a_filter(family: str, order: int, corner_hz: float, kind: str) -> None:
    samples, sweep = short(2.0)
    result = find_response(
        heard(noisy(through(samples, filtered(family, order, corner_hz, kind)), 50.0)), sweep
    )
    found = result.highpass if kind == "high" else result.lowpass
    assert found is not None
    assert (found.family, found.order, result.verdict) == (family, order, "filtered")
    assert found.corner_hz == pytest.approx(corner_hz, rel=0.01)


def test_a_short_sweep_still_tells_a_bass_boost() -> None:
    samples, sweep = short(2.0)
    result = find_response(heard(through(samples, boosted("low-shelf", 90.0, 6.0, 0.7))), sweep)
    assert [(each.kind, round(each.gain_db)) for each in result.boosts] == [("low-shelf", 6)]
    assert "bass_raised" in codes(result.notes)


# --- clock, start, rates


@pytest.mark.parametrize(
    ("recorder_hz", "drift_ppm", "late"),
    [
        (44_100, -200.0, 2.0),
        pytest.param(96_000, 200.0, 0.0, marks=pytest.mark.long),
        pytest.param(16_000, 90.0, 0.7, marks=pytest.mark.long),
    ],
)
def test_any_clock_rate_and_start(
    track: tuple[np.ndarray, Sweep], recorder_hz: int, drift_ppm: float, late: float
) -> None:
    samples, sweep = track
    chain = filtered("butterworth", 3, 120.0, "high")
    recording = on_another_clock(through(samples[:, 0], chain, late=late), RATE, recorder_hz, drift_ppm)
    result = find_response(heard(recording, recorder_hz), sweep)
    assert result.drift_ppm == pytest.approx(drift_ppm, abs=0.5)
    assert np.abs(off_db(result, chain)).max() < 0.05  # half of it from the short sweep's slope at the bottom
    assert result.highpass is not None
    assert (result.highpass.family, result.highpass.order) == ("butterworth", 3)
    assert result.highpass.corner_hz == pytest.approx(120, rel=0.01)
    assert "recorder_clock_differs" in codes(result.notes)


@pytest.mark.parametrize("drift_ppm", [pytest.param(0.0, marks=pytest.mark.long), 150.0])
def test_a_sweep_without_marks_tells_the_clock_itself(drift_ppm: float) -> None:
    """From figures alone: the marks are cut off the track."""
    wave = build(SPEC, RATE)
    step = wave.steps[1]
    samples = wave.samples()[step.start_frame - 2500 : step.stop_frame + 2500, 0]
    recording = on_another_clock(through(samples, plain), RATE, RATE, drift_ppm)
    low, high = step.frequency_hz, step.stop_frequency_hz
    assert low is not None
    assert high is not None
    sweep = from_figures(low, high, step.frames / RATE, -20.0, fade_seconds=0.05)
    result = find_response(heard(recording), sweep)
    assert result.drift_ppm == pytest.approx(drift_ppm, abs=3.0)
    assert result.delay_seconds is None
    assert "marks_not_heard" in codes(result.notes)
    assert result.verdict == "flat"
    assert np.abs(off_db(result, plain)).max() < 0.05


@pytest.mark.parametrize("what", ["silence", "noise", "tone", "short"])
def test_what_holds_no_sweep_is_told(track: tuple[np.ndarray, Sweep], what: str) -> None:
    rng = np.random.default_rng(3)
    recording = {
        "silence": np.zeros(12 * RATE),
        "noise": rng.standard_normal(12 * RATE),
        "tone": np.sin(np.arange(12 * RATE) * 0.13),
        "short": rng.standard_normal(100),
    }[what]
    result = find_response(heard(recording), track[1])
    assert not result.found
    assert codes(result.notes) == {"sweep_not_found"}
    assert result.verdict is None
    assert result.points == ()


@pytest.mark.parametrize(("first", "last"), [(3.5, None), pytest.param(None, 7.0, marks=pytest.mark.long)])
def test_a_part_of_the_sweep_tells_its_part(
    track: tuple[np.ndarray, Sweep], first: float | None, last: float | None
) -> None:
    """Begun after the mark, or stopped before the end: only what sounded while the recorder ran."""
    samples, sweep = track
    chain = filtered("butterworth", 4, 100.0, "high")
    recording = through(samples[:, 0], chain)
    part = slice(*(None if at is None else round(at * RATE) for at in (first, last)))
    result = find_response(heard(recording[part]), sweep)
    assert result.found
    assert {"sweep_incomplete", "marks_not_heard"} <= codes(result.notes)
    assert result.lowpass is None
    hertz = [point.frequency_hz for point in result.points]
    assert (hertz[0] > 25) if first else (hertz[-1] < 2_000)
    assert np.abs(off_db(result, chain)).max() < 0.1


def test_the_entry_of_the_index_tells_the_sweep(tmp_path: Path) -> None:
    """What `tones write` puts beside the tracks is enough, at the track's own rate and depth."""
    spec = ToneSpec("sweep", band="midrange", level_dbfs=-12.0, fall_above_hz=1_500.0, seconds=6.0)
    facts = json.loads(to_json(write_one(spec, tmp_path / "sweep.wav", AudioFormat(44_100, 16))))
    sweep = from_track(facts, 44_100)
    assert (sweep.from_hz, sweep.level_dbfs, sweep.in_turn) == (40.0, -12.0, False)
    result = find_response(read_capture(tmp_path / "sweep.wav"), sweep)
    assert result.verdict == "flat"
    assert result.band_hz is not None
    assert result.band_hz[0] < 45
    assert result.band_hz[1] > 9_000
    assert np.abs(off_db(result, plain)).max() < 0.02


# --- distortion and overload


@pytest.mark.long
def test_distortion_over_frequency_by_a_polynomial(track: tuple[np.ndarray, Sweep]) -> None:
    """x + a2 x^2 + a3 x^3, each behind a filter of its own (Hammerstein): with a tone of peak A the harmonics
    are a2 A^2 / 2 and a3 A^3 / 4 times their filters at 2 f and 3 f (binomial theorem)."""
    samples, sweep = played(dataclasses.replace(SPEC, level_dbfs=-6.0, seconds=6.0))
    samples = np.pad(samples, ((0, fft.next_fast_len(len(samples)) - len(samples)), (0, 0)))
    finer, peak = 4, 10 ** (-6 / 20)
    spectrum = np.zeros(len(samples) * finer // 2 + 1, dtype=complex)
    half = np.fft.rfft(samples[:, 0])
    spectrum[: len(half)] = half * finer
    fine = np.fft.irfft(spectrum, len(samples) * finer)
    second, third = filtered("butterworth", 2, 1_500.0, "low"), filtered("butterworth", 1, 300.0, "high")
    a2, a3 = 0.05, 0.04
    recording = sum(
        through(a * fine**order, chain, RATE * finer)
        for a, order, chain in ((1.0, 1, plain), (a2, 2, second), (a3, 3, third))
    )
    recording = np.fft.irfft(np.fft.rfft(recording)[: len(recording) // finer // 2 + 1]) / finer
    result = find_response(heard(np.asarray(recording)), sweep)
    told = [point for point in result.points if point.thd_percent is not None]
    assert told[0].frequency_hz < 26
    assert told[-1].frequency_hz > 10_000
    for point in told:
        hertz = np.array([point.frequency_hz])
        one = abs(1.0 + 0.75 * a3 * peak**2 * third(hertz)[0])
        two = a2 * peak / 2 * abs(second(2 * hertz)[0])
        three = a3 * peak**2 / 4 * abs(third(3 * hertz)[0]) if 3 * hertz[0] <= 0.46 * RATE else 0.0
        assert point.thd_percent == pytest.approx(100 * math.hypot(two, three) / one, rel=0.02), hertz


def test_clipping_in_the_middle_is_told_and_leaves_a_response(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    raised = through(10.0 * samples[:, 0], boosted("peak", 400.0, 6.0, 1.5))
    stored = np.clip(np.round(raised * 32768) / 32768, -1.0, 32767 / 32768)
    capture = dataclasses.replace(heard(stored), has_full_scale=True, hard_full_scale=True, step_units=2.0**-15)
    result = find_response(capture, sweep)
    assert result.found
    assert result.clipped
    assert {"sweep_overloaded", "sweep_distorted"} <= codes(result.notes)
    worst = next(note for note in result.notes if note.code == "sweep_distorted")
    assert worst.values["low_hz"] < 400 < worst.values["high_hz"]
    levels = {round(point.frequency_hz): point.level_db for point in result.points}
    assert levels[1000] - 20 == pytest.approx(0.9, abs=0.5)
    assert levels[16000] - 20 == pytest.approx(0.0, abs=0.1)
    clean = find_response(dataclasses.replace(capture, source=ArraySource(0.4 * stored[:, None])), sweep)
    assert not clean.clipped


# --- left and right


@pytest.fixture(scope="module")
def turns() -> tuple[np.ndarray, Sweep]:
    return played(dataclasses.replace(SPEC, in_turn=True, seconds=5.0))


@pytest.mark.parametrize(
    ("later_ms", "drift_ppm"), [pytest.param(1.2345, None, marks=pytest.mark.long), (-0.6789, 120.0)]
)
def test_arrivals_of_left_and_right_by_one_microphone(
    turns: tuple[np.ndarray, Sweep], later_ms: float, drift_ppm: float | None
) -> None:
    samples, sweep = turns
    speaker = filtered("butterworth", 2, 70.0, "high")
    left = through(samples[:, 0], in_a_row(speaker, delayed(0.004)))
    right = through(
        samples[:, 1], in_a_row(speaker, delayed(0.004 + later_ms / 1000), lambda f: -0.7 * plain(f))
    )
    recording = left + right if drift_ppm is None else on_another_clock(left + right, RATE, RATE, drift_ppm)
    result = find_response(heard(noisy(recording, 40.0)), sweep)
    assert result.side == "left"
    assert result.right is not None
    assert result.right_later_seconds == pytest.approx(later_ms / 1000, abs=1e-5)
    assert result.right_farther_cm == pytest.approx(later_ms * 34.32, abs=0.4)
    assert result.delay_seconds == pytest.approx(0, abs=1e-5)
    assert result.right.passband_db == pytest.approx(20 * math.log10(0.7), abs=0.05)
    assert result.right.highpass is not None
    assert result.right.highpass.order == 2


def test_left_and_right_on_two_channels(turns: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = turns
    other = in_a_row(delayed(0.0005), boosted("peak", 1_000.0, 4.0, 1.0))
    both = np.stack([through(samples[:, 0], plain), through(samples[:, 1], other)], axis=1)
    result = find_response(heard(both), sweep)
    assert result.verdict == "flat"
    assert result.right is not None
    assert result.right.verdict == "equalised"
    assert result.right.channel == 2
    assert result.right_later_seconds == pytest.approx(0.0005, abs=1e-5)


def test_one_side_alone_is_told(turns: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = turns
    result = find_response(heard(through(samples[:, 0], plain)), sweep)
    assert result.found
    assert result.right is None
    assert "one_side_heard" in codes(result.notes)


def test_the_mark_on_another_channel_tells_the_delay(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    loop = through(samples[:, 0], plain)
    output = through(samples[:, 0], delayed(0.0123))
    result = find_response(heard(np.stack([output, loop], axis=1)), sweep, mark_channel=2)
    assert result.delay_seconds == pytest.approx(0.0123, abs=1e-5)


# --- what is said and what is refused


@pytest.mark.parametrize(("corner_hz", "warned"), [(3_000.0, False), (500.0, True), (None, True)])
def test_a_tweeter_without_its_crossover_is_a_danger(
    track: tuple[np.ndarray, Sweep], corner_hz: float | None, warned: bool
) -> None:
    samples, sweep = track
    chain = plain if corner_hz is None else filtered("butterworth", 2, corner_hz, "high")
    result = find_response(heard(through(samples[:, 0], chain)), sweep, crossover_hz=3_000.0)
    assert ("tweeter_unprotected" in codes(result.notes)) is warned
    if warned:
        assert result.notes[0].severity == "danger"


def test_json_holds_what_is_promised_and_comes_back(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    result = find_response(heard(through(samples[:, 0], filtered("butterworth", 2, 80.0, "low"))), sweep)
    told = json.loads(to_json(result))
    assert list(told)[:13] == [
        "found", "drift_ppm", "band_hz", "points", "flat", "low_corner_hz", "high_corner_hz", "lowpass",
        "highpass", "boosts", "delay_seconds", "verdict", "notes",
    ]  # fmt: skip
    assert list(told["points"][0])[:5] == [
        "frequency_hz",
        "level_db",
        "phase_degrees",
        "thd_percent",
        "floor_db",
    ]
    assert told["lowpass"]["family"] == "butterworth"
    assert from_plain(Response, told).lowpass == result.lowpass


def test_what_cannot_be_used_is_refused(track: tuple[np.ndarray, Sweep]) -> None:
    capture = heard(np.zeros(RATE))
    for call, parameter in (
        (lambda: find_response(capture, track[1], smooth_octaves=0.0), "smooth_octaves"),
        (lambda: from_figures(0.0, 100.0, 1.0), "from_hz"),
        (lambda: from_figures(100.0, 120.0, 1.0), "to_hz"),
        (lambda: from_figures(100.0, 1_000.0, 1.0, 3.0), "level_dbfs"),
        (lambda: from_track({"file": "x.wav", "steps": []}, 48_000), "track"),
        (lambda: from_track({"steps": [{"role": "sweep", "start_frame": 0}]}, 48_000), "track"),
    ):
        with pytest.raises(GainkitError) as fault:
            call()
        assert fault.value.parameter == parameter
    with pytest.raises(GainkitError):
        find_response(capture, track[1], channel=2)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "seconds"),
    [
        (20.0, 20_000.0, 6.0),
        pytest.param(20.0, 18_000.0, 8.0, marks=pytest.mark.long),
        pytest.param(20.0, 18_000.0, 5.0, marks=pytest.mark.long),
    ],
)
def test_another_sweep_than_the_one_named_is_no_filter(low_hz: float, high_hz: float, seconds: float) -> None:
    """Divided by another sweep a wire would look filtered and equalised: nothing is told of it."""
    samples = build(ToneSpec("sweep", seconds=6.0, low_hz=20.0, high_hz=18_000.0), RATE).samples()[:, 0]
    for about in (6.0, 6.1):  # its length is rounded
        assert find_response(heard(samples), from_figures(20.0, 18_000.0, about)).verdict == "flat"
    result = find_response(heard(samples), from_figures(low_hz, high_hz, seconds))
    assert (result.found, result.verdict) == (False, None)
    assert codes(result.notes) == {"sweep_unlike"}
