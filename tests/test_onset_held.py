"""Staircases that are held while their harmonics are gone: rails before a low-pass, and limiters.

The rail is a plain cut, the filter scipy's: the onset's truth is that of the wave before the filter, whose
series `tests/ladders.py` sums.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from gainkit.capture import Capture
from gainkit.cli.onset import onset_text
from gainkit.job.standing import onset_is_known
from gainkit.onset import LevelPlan, OnsetResult, find_onset, staircase
from gainkit.remarks import codes
from tests import ladders

RATE = 48_000
FINE = 4
"""The cut is made at so many times the rate, so that little of it folds [-]."""

DWELL = 0.3


def low_pass(kind: str, corner_hz: float) -> np.ndarray:
    """Sections of a Butterworth of fourth order, or of Linkwitz-Riley: twice one of second order."""
    if kind == "butterworth":
        return np.asarray(signal.butter(4, corner_hz, fs=FINE * RATE, output="sos"))
    half = signal.butter(2, corner_hz, fs=FINE * RATE, output="sos")
    return np.vstack([half, half])


def behind(
    kind: str,
    corner: float,
    plan: LevelPlan,
    rail_dbfs: float,
    knee: float = 0.0,
    other: float = 1.0,
    tone_hz: float = 997.0,
    snr_db: float = 65.0,
    seed: int = 1,
) -> Capture:
    """A staircase that is cut at a rail and then filtered; corner : over the tone [-]."""
    levels = np.array([step.level_dbfs for step in plan.stretches])
    time = np.arange(round(len(levels) * plan.stretches[0].seconds * RATE * FINE)) / (RATE * FINE)
    level = levels[np.minimum((time / plan.stretches[0].seconds).astype(int), len(levels) - 1)]
    rail = 10 ** (rail_dbfs / 20)
    cut = ladders.through_rail(10 ** (level / 20) * np.sin(2 * np.pi * tone_hz * time), rail, knee, other)
    quiet = np.zeros(RATE * FINE // 3)
    played = signal.sosfilt(low_pass(kind, corner * tone_hz), np.concatenate([quiet, cut, quiet]))[::FINE]
    hiss = 10 ** (-snr_db / 20) * rail / np.sqrt(2) * np.random.default_rng(seed).standard_normal(len(played))
    return Capture.from_array(20 * (played + hiss), RATE)


def drawn(seed: int) -> tuple[Capture, LevelPlan, float]:
    """A recording drawn from a seed, its plan, and where the wave before the filter is at the limit [dBFS]."""
    rng = np.random.default_rng([77, seed])
    kind, corner = str(rng.choice(["butterworth", "linkwitz-riley"])), float(rng.uniform(1.1, 2.2))
    step_db = float(rng.choice([0.5, 1.0, 2.0]))
    plan = staircase(-12.0 if step_db < 2 else -20.0, 0.0, step_db, float(rng.choice([0.3, 0.5])))
    rail_dbfs, knee = float(rng.uniform(-8, -1)), float(rng.choice([0.0, 0.0, 8.0]))
    other, tone_hz = float(rng.choice([1.0, 1.0, 1.15])), float(rng.choice([100.0, 400.0, 997.0]))
    snr_db = float(rng.uniform(50, 75))
    capture = behind(kind, corner, plan, rail_dbfs, knee, other, tone_hz, snr_db, seed)
    return capture, plan, rail_dbfs + ladders.overdrive_at_limit_db(knee, other)


def within(result: OnsetResult) -> float:
    """By how much the answer says it may be off [dB]."""
    return max(float(n.values["within_db"]) for n in result.notes if n.code == "rail_before_filter")


@pytest.mark.parametrize(
    ("kind", "corner", "step_db"),
    [
        pytest.param("linkwitz-riley", 1.4, 2.0, marks=pytest.mark.long),
        pytest.param("linkwitz-riley", 1.2, 0.5, marks=pytest.mark.long),
        pytest.param("butterworth", 2.0, 1.0, marks=pytest.mark.long),
    ],
)
def test_a_rail_before_a_low_pass_is_told_by_the_levels(kind: str, corner: float, step_db: float) -> None:
    plan = staircase(-12, 0, step_db, DWELL)
    result = find_onset(behind(kind, corner, plan, -5.6), plan)
    assert result.onset_dbfs == pytest.approx(-5.6 + ladders.overdrive_at_limit_db(0.0), abs=0.1)
    assert result.clipping_begins_dbfs == pytest.approx(-5.6, abs=0.1)
    assert not codes(result.notes) & {"onset_not_rail", "never_clips", "rail_after_bend"}
    assert result.before_filter
    states = {step.state for step in result.steps if step.level_dbfs > -5.3}
    assert states == {"clipped"}
    shown = onset_text("x.wav", result, False, True, None)
    assert "before the low-pass behind the rail" in " ".join(shown.split())
    assert "low-pass, which takes its harmonics" in " ".join(shown.split())


def test_a_rail_that_is_hardly_met_before_a_low_pass_is_not_called_clean() -> None:
    plan = staircase(-12, 0, 2, DWELL)
    result = find_onset(behind("linkwitz-riley", 1.2, plan, -1.2), plan)
    assert result.onset_dbfs is None
    told = {note.code: note.values for note in result.notes}
    assert -4.0 < told["output_held"]["level_dbfs"] < -1.0
    assert "never_clips" not in told
    assert not onset_is_known(result)
    shown = onset_text("x.wav", result, False, True, None, (0.0, 1.0))
    assert "ONSET NOT KNOWN" in shown
    assert "gain is lower" not in shown


@pytest.mark.long
def test_a_low_pass_far_above_changes_nothing() -> None:
    plan = staircase(-12, 0, 1, DWELL)
    result = find_onset(behind("butterworth", 12.0, plan, -5.6), plan)
    assert not result.before_filter
    assert result.onset_dbfs == pytest.approx(-5.6 + ladders.overdrive_at_limit_db(0.0), abs=0.05)


@pytest.mark.long
def test_no_onset_lies_later_than_the_level_is_held() -> None:
    """Seeds 2000 to 2029; what decides was chosen on those below 60 and from 1000 to 1039.

    A loudest step that is held by less than 0.3 dB proves nothing: THD behind the filter then counts, and comes
    up to half a decibel late.
    """
    refused = late = 0
    for seed in range(2000, 2030):
        capture, plan, onset_dbfs = drawn(seed)
        result = find_onset(capture, plan)
        if result.onset_dbfs is None:
            refused += 1
            assert result.held_dbfs is not None
            assert result.held_dbfs < onset_dbfs + 0.3
        elif result.before_filter:
            assert abs(result.onset_dbfs - onset_dbfs) < min(within(result) + 0.02, 0.3)
        else:
            late += result.onset_dbfs - onset_dbfs > 0.3
            assert abs(result.onset_dbfs - onset_dbfs) < 0.5
    assert refused <= 3
    assert late <= 1
