"""A level that changes during the sweep, and a chain that clips: neither is a filter, an equaliser or flat."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.figures import decibel_span, decibels
from gainkit.generator.spec import ToneSpec
from gainkit.remarks import Remark, codes
from gainkit.response import Response, Sweep, find_response, from_figures
from tests.chains import (
    RATE,
    Transfer,
    boosted,
    filtered,
    in_a_row,
    noisy,
    on_another_clock,
    plain,
    played,
    through,
)

pytestmark = pytest.mark.long

SPEC = ToneSpec("sweep", seconds=8.0)
BAND = in_a_row(filtered("butterworth", 2, 80.0, "high"), filtered("linkwitz-riley", 4, 3000.0, "low"))


@pytest.fixture(scope="module")
def track() -> tuple[np.ndarray, Sweep]:
    return played(SPEC)


def told(samples: np.ndarray, sweep: Sweep) -> Response:
    return find_response(Capture.from_array(noisy(samples, 60.0), RATE, calibrated=False), sweep)


def turned(samples: np.ndarray, places: list[tuple[float, float]]) -> np.ndarray:
    """By a knob: (s, dB) joined by lines."""
    seconds, decibels = zip(*places, strict=True)
    return samples * 10 ** (np.interp(np.arange(len(samples)) / RATE, seconds, decibels) / 20)


def one(result: Response, code: str) -> Remark:
    return next(note for note in result.notes if note.code == code)


@pytest.mark.parametrize("transfer", [plain, BAND])
@pytest.mark.parametrize(
    ("places", "at", "change_db"),
    [
        ([(4.5, 0.0), (4.51, -6.0)], 4.5, -6.0),
        ([(7.0, 0.0), (7.01, 3.0)], 7.0, 3.0),
        ([(4.0, 0.0), (7.0, -4.0)], 5.5, -4.0),
    ],
)
def test_a_turned_level_is_no_shelf(
    track: tuple[np.ndarray, Sweep],
    transfer: Transfer,
    places: list[tuple[float, float]],
    at: float,
    change_db: float,
) -> None:
    samples, sweep = track
    result = told(turned(through(samples[:, 0], transfer), places), sweep)
    assert result.verdict == "level changed"
    assert result.flat is result.highpass is result.lowpass is result.passband_db is None
    assert result.boosts == result.bends == ()
    note = one(result, "level_changed_in_sweep")
    assert note.severity == "fault"
    assert note.values["change_db"] == pytest.approx(change_db, abs=0.4)
    assert note.values["from_seconds"] - 0.5 < at < note.values["to_seconds"] + 0.5


@pytest.mark.parametrize("milliseconds", [50, 300])
def test_a_signal_that_was_gone_is_no_notch(track: tuple[np.ndarray, Sweep], milliseconds: int) -> None:
    samples, sweep = track
    heard = through(samples[:, 0], BAND)
    heard[6 * RATE : 6 * RATE + milliseconds * RATE // 1000] = 0.0
    result = told(heard, sweep)
    assert result.verdict == "level changed"
    note = one(result, "signal_gone_in_sweep")
    assert note.values["from_seconds"] == pytest.approx(6.0, abs=0.02)
    assert note.values["to_seconds"] - 6.0 == pytest.approx(milliseconds / 1000, abs=0.02)


@pytest.mark.parametrize("seed", range(8))
def test_lost_samples_are_told_and_are_no_distortion(track: tuple[np.ndarray, Sweep], seed: int) -> None:
    """3 to 8 ms of zeros, or of the last value, in files of 16 and 24 bit."""
    chance = np.random.default_rng([seed, 8])
    samples, sweep = track
    heard = through(samples[:, 0], BAND if seed % 2 else plain)
    heard = heard + 1e-4 * chance.standard_normal(len(heard))
    heard = np.round(heard * 2.0**15) / 2.0**15 if seed % 4 < 2 else np.round(heard * 2.0**23) / 2.0**23
    begin, frames = round(chance.uniform(4.0, 8.0) * RATE), round(chance.uniform(0.003, 0.008) * RATE)
    heard[begin : begin + frames] = 0.0 if seed < 4 else heard[begin - 1]
    result = find_response(Capture.from_array(heard, RATE, calibrated=False), sweep)
    assert result.verdict == "level changed"
    note = one(result, "signal_gone_in_sweep")
    assert note.values["from_seconds"] == pytest.approx(begin / RATE, abs=2e-4)
    assert note.values["to_seconds"] == pytest.approx((begin + frames) / RATE, abs=2e-4)
    assert "sweep_distorted" not in codes(result.notes)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("kind", ["gone", "held", "repeated", "clicked"])
def test_what_the_source_lost_is_told_and_is_no_distortion(
    track: tuple[np.ndarray, Sweep], kind: str, seed: int
) -> None:
    """3 to 8 ms, with the chain behind it and its noise on it: no two samples are the same."""
    chance = np.random.default_rng([seed, len(kind), 9])
    samples, sweep = track
    played_again = samples[:, 0].copy()
    latest = 5.5 if kind == "clicked" else 8.0  # a click's energy lies low: higher tones pass it unharmed
    begin, frames = round(chance.uniform(3.5, latest) * RATE), round(chance.uniform(0.003, 0.008) * RATE)
    span = slice(begin, begin + frames)
    if kind == "clicked":
        decay = np.exp(-np.arange(frames) / frames * chance.uniform(2, 5))
        played_again[span] += 1.5 * np.abs(played_again).max() * decay
    else:
        before = played_again[begin - frames : begin].copy()
        played_again[span] = {"gone": 0.0, "held": before[-1], "repeated": before}[kind]
    result = told(through(played_again, BAND if seed % 2 else plain), sweep)
    assert result.verdict == "level changed"
    note = one(result, "signal_gone_in_sweep")
    assert note.values["from_seconds"] == pytest.approx(begin / RATE + 0.3, abs=5e-3)
    assert note.values["covered"] or kind != "clicked"
    assert not note.values["covered"] or kind != "gone"
    assert "sweep_distorted" not in codes(result.notes)


@pytest.mark.parametrize("shape", ["rails", "one rail", "dead zone", "coarse"])
def test_a_chain_that_holds_the_tone_in_every_cycle_loses_no_samples(
    track: tuple[np.ndarray, Sweep], shape: str
) -> None:
    samples, sweep = track
    heard = through(samples[:, 0], BAND)
    top = float(np.abs(heard).max())
    if shape == "coarse":
        heard = np.round(heard * 60 / top) * top / 60
    elif shape == "dead zone":
        heard = heard - np.clip(heard, -0.1 * top, 0.1 * top)
    else:
        heard = np.clip(heard, -top if shape == "one rail" else -0.6 * top, 0.6 * top)
    result = find_response(Capture.from_array(heard, RATE, calibrated=False), sweep)
    assert "signal_gone_in_sweep" not in codes(result.notes)


@pytest.mark.parametrize("milliseconds", [4.0, 7.0, -6.0])
def test_samples_missing_within_the_sweep_are_no_clock(
    track: tuple[np.ndarray, Sweep], milliseconds: float
) -> None:
    """Left out, or put in twice; a clock that makes the marks as near to each other is taken as one."""
    samples, sweep = track
    heard, frames = through(samples[:, 0], BAND), round(milliseconds * RATE / 1000)
    spoiled = np.concatenate([heard[: 6 * RATE], heard[6 * RATE + frames :]])
    note = one(told(spoiled, sweep), "sweep_lost_samples")
    assert note.values["lost_seconds"] == pytest.approx(milliseconds / 1000, abs=3e-4)
    clock = on_another_clock(heard, RATE, RATE, -100.0 * milliseconds)
    result = told(clock, sweep)
    assert result.found
    assert result.drift_ppm == pytest.approx(-100.0 * milliseconds, abs=1.0)


def test_a_jump_shows_without_marks(track: tuple[np.ndarray, Sweep]) -> None:
    samples, sweep = track
    side = sweep.sides[0].sweep
    inner = samples[
        round((side.start_seconds - 0.2) * RATE) : round(
            (side.start_seconds + side.chirp.seconds + 0.3) * RATE
        ),
        0,
    ]
    bare = from_figures(
        side.chirp.from_hz,
        side.chirp.to_hz,
        side.chirp.seconds,
        sweep.level_dbfs,
        fade_seconds=side.chirp.fade_seconds,
    )
    result = told(turned(through(inner, plain), [(4.0, 0.0), (4.01, -5.0)]), bare)
    assert one(result, "level_changed_in_sweep").values["from_seconds"] == pytest.approx(4.0, abs=0.05)
    raised = told(through(inner, boosted("low-shelf", 90.0, 6.0, 0.7)), bare)
    assert raised.verdict == "equalised"
    assert "level_not_watched" in codes(raised.notes)


@pytest.mark.parametrize(
    "transfer", [boosted("peak", 300.0, 12.0, 8.0), filtered("butterworth", 4, 80.0, "high")]
)
def test_what_stands_still_is_judged(track: tuple[np.ndarray, Sweep], transfer: Transfer) -> None:
    samples, sweep = track
    heard = through(samples[:, 0], transfer)
    heard[RATE : RATE + 9600] += 0.2 * np.random.default_rng(3).standard_normal(
        9600
    )  # a bang in the first mark
    result = told(heard, sweep)
    assert result.verdict in ("equalised", "filtered")
    assert not {"level_changed_in_sweep", "signal_gone_in_sweep", "sweep_distorted"} & codes(result.notes)


@pytest.mark.parametrize(
    ("transfer", "rail", "verdict"),
    [
        (plain, 0.6, "distorted"),
        (boosted("low-shelf", 90.0, 9.0, 0.7), 1.0, "equalised, distorted"),
        (boosted("low-shelf", 90.0, 9.0, 0.7), 2.0, "equalised, distorted"),
        (boosted("low-shelf", 90.0, 9.0, 0.7), 9.0, "equalised"),
    ],
)
def test_a_chain_that_clips_is_not_flat(
    track: tuple[np.ndarray, Sweep], transfer: Transfer, rail: float, verdict: str
) -> None:
    samples, sweep = track
    rail *= float(np.abs(samples).max())
    result = told(np.clip(through(samples[:, 0], transfer), -rail, rail), sweep)
    assert result.verdict == verdict
    distorted = "distorted" in verdict
    assert ("sweep_distorted" in codes(result.notes)) is distorted
    if verdict == "distorted":
        assert "flat_within" not in codes(result.notes)
    assert ("judged_while_distorted" in codes(result.notes)) is (verdict == "equalised, distorted")


@pytest.mark.parametrize("order", [2, 4])
def test_rails_nearer_on_one_side_behind_a_high_pass_are_no_knob(
    track: tuple[np.ndarray, Sweep], order: int
) -> None:
    """What they add while loud tones play lies where the high-pass leaves next to nothing: in the transform of
    the whole sweep it stood for a level of its own there."""
    samples, sweep = track
    heard = through(samples[:, 0], filtered("butterworth", order, 2500.0, "high"))
    top = float(np.abs(heard).max())
    result = told(np.clip(heard, -0.8 * top, 0.5 * top), sweep)
    assert not codes(result.notes) & {"level_changed_in_sweep", "signal_gone_in_sweep"}
    assert "sweep_distorted" in codes(result.notes)


def test_no_level_is_told_finer_than_a_hundredth() -> None:
    assert [decibels(each) for each in (0.00018, 0.0123, 0.744, 12.3)] == ["under 0.01", "0.01", "0.74", "12"]
    assert decibel_span(-1.23, -1.19) == "-1.2"
    assert decibel_span(-0.001, 0.5, "and", 2) == "+0.00 and +0.50"


@pytest.mark.parametrize("steps", [60.0, 200.0])
def test_a_faint_recording_in_16_bit_is_no_chain_that_clips(
    track: tuple[np.ndarray, Sweep], steps: float
) -> None:
    """A tone so many steps high without dither: rounding makes harmonics of it."""
    samples, sweep = track
    heard = through(samples[:, 0], BAND)
    units = np.round(heard * steps / np.abs(heard).max()) / 2.0**15
    faint = dataclasses.replace(Capture.from_array(units, RATE, calibrated=False), step_units=2.0**-15)
    result = find_response(faint, sweep)
    assert "sweep_distorted" not in codes(result.notes)
    assert "distorted" not in str(result.verdict)
    assert result.highpass is not None
    assert result.highpass.corner_hz == pytest.approx(80.0, rel=0.02)
    clipped = dataclasses.replace(
        Capture.from_array(
            np.clip(units, -0.5 * steps / 2.0**15, 0.5 * steps / 2.0**15), RATE, calibrated=False
        ),
        step_units=2.0**-15,
    )
    assert "sweep_distorted" in codes(find_response(clipped, sweep).notes)
