"""Staircases through curves without a rail: dead zones, square and cube laws, soft compression.

The truth of each is the harmonic series of its own curve, summed here: nothing is shared with what reads.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from gainkit.analysis.rails import HARD, Knee, RailFit
from gainkit.capture import Capture
from gainkit.cli.onset import onset_text
from gainkit.job.judgements import _onset
from gainkit.job.record import PlanFigures
from gainkit.onset import OnsetResult, find_onset, staircase
from gainkit.onset.believed import believed
from gainkit.onset.steps import StepFit
from gainkit.remarks import codes

pytestmark = pytest.mark.long

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]
FIGURES = PlanFigures(10.0, 997.0, -2.0, 2.0, 0.5, 1.0, "positive")
RATE, LIMIT_PERCENT = 48_000, 1.0
LOWEST, STEP_DB, DWELL = -20.0, 2.0, 0.2


def through(curve: Curve, seed: int = 1, highest: float = 0.0, scale: float = 20.0) -> OnsetResult:
    """The onset of a staircase that a curve has bent, noise 70 dB below."""
    levels = np.arange(LOWEST, highest + 0.1, STEP_DB)
    time = np.arange(round(len(levels) * DWELL * RATE)) / RATE
    level = levels[np.minimum((time / DWELL).astype(int), len(levels) - 1)]
    wave = curve(10 ** (level / 20) * np.sin(2 * np.pi * 997 * time))
    quiet = np.zeros(RATE // 4)
    noise = 2e-4 * np.random.default_rng(seed).standard_normal(len(wave) + 2 * len(quiet))
    played = scale * (np.concatenate([quiet, wave, quiet]) + noise)
    return find_onset(Capture.from_array(played, RATE), staircase(LOWEST, highest, STEP_DB, DWELL))


def thd_percent(curve: Curve, level_dbfs: float) -> float:
    """Of a curve's own series."""
    phase = 2 * np.pi * (np.arange(4096) + 0.5) / 4096
    lines = np.abs(np.fft.rfft(curve(10 ** (level_dbfs / 20) * np.sin(phase))))[1:21]
    return float(100 * np.linalg.norm(lines[1:]) / lines[0])


def onset_of(curve: Curve) -> float:
    """Level at which the series of a curve reaches the limit from below [dBFS]."""
    levels = np.arange(LOWEST, 0.01, 0.01)
    over = [thd_percent(curve, float(level)) >= LIMIT_PERCENT for level in levels]
    return float(levels[over.index(True)])


def dead(zone: float) -> Curve:
    return lambda wave: np.sign(wave) * np.maximum(np.abs(wave) - zone, 0)


@pytest.mark.parametrize("zone", [0.004, 0.01])
def test_a_dead_zone_is_told_as_what_it_is(zone: float) -> None:
    result = through(dead(zone))
    over = [x for x in np.arange(LOWEST, 0.1, STEP_DB) if thd_percent(dead(zone), x) >= LIMIT_PERCENT]
    assert (result.onset_dbfs, result.rail_volts) == (None, None)
    assert list(result.distorted_dbfs) == pytest.approx(over)
    told = {note.code: note.values for note in result.notes}
    assert told["distorted_low"]["crossover"]
    assert told["never_clips"]["from_dbfs"] == pytest.approx(over[-1] + STEP_DB)
    assert codes(dict(_onset(result, FIGURES, stale=False))["onset"]) == {"distorted_at_levels"}
    shown = onset_text("x.wav", result, False, True, None, (10.0, 1.0))
    assert "gain is lower" not in shown


def test_a_dead_zone_throughout_hides_no_rail() -> None:
    result = through(lambda wave: np.clip(dead(0.02)(wave), -0.6, 0.6))
    assert result.onset_dbfs == pytest.approx(20 * np.log10(0.62), abs=0.05)
    assert result.rail_volts == pytest.approx(12.0, rel=1e-3)
    assert codes(result.notes) >= {"rail_under_distortion"}


BENDS: dict[str, Curve] = {
    "square law": lambda wave: wave + 0.05 * wave**2,
    "cube law": lambda wave: wave - 0.1 * wave**3,
    "soft compression": lambda wave: np.tanh(0.5 * wave),
}


@pytest.mark.parametrize("name", BENDS)
def test_a_bend_is_no_rail(name: str) -> None:
    result = through(BENDS[name])
    assert result.by_bend
    assert result.rail_volts is None
    assert result.onset_dbfs == pytest.approx(onset_of(BENDS[name]), abs=0.15)
    assert {step.state for step in result.steps} == {"clean", "distorted"}
    assert "onset_not_rail" in codes(result.notes)
    early = dict(_onset(result, FIGURES, stale=False))["onset"]
    assert codes(early) == ({"distorts_early"} if result.onset_dbfs < -2.5 else set())
    assert "cut at this setting" not in onset_text("x.wav", result, False, True, None)


def test_a_rail_after_a_bend_is_told_beside_it() -> None:
    result = through(lambda wave: np.clip(wave - 0.1 * wave**3, -0.8, 0.8))
    told = {note.code: note.values for note in result.notes}
    assert result.by_bend
    assert told["rail_after_bend"]["rail_volts"] == pytest.approx(16.0, rel=5e-3)


@pytest.mark.parametrize("sharpness", [1.5, 4.0])
def test_a_soft_knee_that_is_met_is_a_rail(sharpness: float) -> None:
    result = through(lambda wave: wave / (1 + np.abs(wave / 0.6) ** (2 * sharpness)) ** (0.5 / sharpness))
    assert not result.by_bend
    assert result.rail_volts == pytest.approx(12.0, rel=0.02)
    assert result.steps[-1].state == "clipped"


def test_a_rail_that_a_louder_clean_step_passes_is_none() -> None:
    bent = RailFit(4.0, (0.4, 0.4), Knee("algebraic", 6.0), (0.3, 0.3), 0.0, 0.0, 1.0, (0.01, 0.01))
    soft = StepFit(-14.0, rms_volts=2.7, state="clipped", rails=bent, crests=(3.8, 3.8))
    clean = StepFit(-10.0, rms_volts=4.0, state="clean", crests=(5.7, 5.7))
    held = dataclasses.replace(clean, state="clipped", rails=bent, crests=(3.82, 3.82))
    assert believed([soft, clean])[0].state == "clean"
    assert believed([soft, clean])[0].rails is None
    assert believed([soft, held])[0].state == "clipped"
    hard = dataclasses.replace(soft, rails=dataclasses.replace(bent, knee=HARD))
    assert believed([hard, clean])[0].state == "clipped"  # a supply that rose since


def test_a_bend_that_grows_slowly_is_no_shape_that_stands() -> None:
    result = through(lambda wave: wave + 0.2 * wave**2)
    assert "shape_changes" not in codes(result.notes)
    assert "distorted_before" not in codes(result.notes)
