"""Where nothing is calibrated no volts are known: none are told, neither as figures nor in sentences."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests import movement
from tests.conftest import Answer
from tests.test_noise import hiss, lines, orders
from tests.test_noise_chords import ALTERNATOR, SECONDS, bursts
from tests.waves import RATE, Floats

Gainkit = Callable[..., Answer]

VOLTS = re.compile(r"\d [mµ]?V\b|\bV/us\b|\bdBV\b|\bvolts\b.*\bkind\b")

HUM = [(50.02, 3e-3), (100.04, 1e-3), (150.06, 1e-3)]

NOISES: dict[str, tuple[Floats, str]] = {
    "mains": (hiss(4) + lines(4, HUM), "Mains power"),
    "engine": (hiss(SECONDS) + orders(SECONDS, 211.7, 0.01, ALTERNATOR), "alternator"),
    "phone": (bursts(0), "Bursts"),
    "clock": (hiss(4) + lines(4, [(3000.1, 2e-3)]), "whistle"),
    "unknown": (hiss(4) + lines(4, [(733.3, 2e-3)]), "733.3 Hz"),
    "hiss": (hiss(4), "is no line"),
    "tone": (lines(4, [(1000.0, 0.2)]), "A tone"),
    "carrier": (hiss(4) + lines(4, [(21_500.0, 0.1)]), "Above"),
    "off zero": (hiss(4) + 0.5, "is no line"),
}
"""What is recorded while silence plays, and words of what is told."""


def saved(samples: Floats, path: Path) -> Path:
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    return path


@pytest.mark.parametrize("name", NOISES)
def test_no_volts_in_noise(name: str, gainkit: Gainkit, tmp_path: Path) -> None:
    samples, words = NOISES[name]
    told = gainkit("noise", saved(samples, tmp_path / "noise.wav"))
    assert words in " ".join(told.out.split())
    assert "of full scale" in told.out
    assert not VOLTS.search(told.out), told.out


def test_no_volts_against_another_recording_and_the_recorder(gainkit: Gainkit, tmp_path: Path) -> None:
    own = saved(hiss(4) + lines(4, HUM), tmp_path / "own.wav")
    other = saved(hiss(4, seed=5), tmp_path / "other.wav")
    alone = saved(hiss(4, rms=3e-5, seed=6), tmp_path / "alone.wav")
    told = gainkit("noise", own, "--against", other, "--recorder", alone)
    assert "without it the chain has" in " ".join(told.out.split())
    assert not VOLTS.search(told.out), told.out


@pytest.mark.parametrize("family", ["sag", "slew", "mains_noise", "near_line", "ripple", "half_bridge"])
def test_no_volts_of_a_tone(family: str, gainkit: Gainkit, tmp_path: Path) -> None:
    scene = getattr(movement, family)(np.random.default_rng([4, 1]))
    told = gainkit("measure", saved(scene.samples / 64, tmp_path / "tone.wav"))
    assert "of full scale" in told.out
    assert not VOLTS.search(told.out), told.out
