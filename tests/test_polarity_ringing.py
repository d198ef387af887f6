"""Polarity behind filters of linear phase (window designs), whose sound begins before its first swing."""

from __future__ import annotations

import dataclasses

import pytest

from gainkit.capture import Capture
from gainkit.polarity import PolarityResult, find_polarity
from tests import cabins

RATE = 48_000


def heard(
    seed: int, role: str, corner_hz: float, kind: str, order: int | None = None
) -> tuple[PolarityResult, str]:
    drawn = cabins.drawn(seed, role=role, snr_db=20.0, rate=RATE)
    recorder = dataclasses.replace(drawn.recorder, ratio=1.0)
    scene = dataclasses.replace(drawn, kind=kind, recorder=recorder)
    samples = cabins.ringing_beforehand(cabins.samples(scene), RATE, corner_hz, order)
    return find_polarity(Capture.from_array(samples, RATE, calibrated=False), band=scene.band), scene.truth


@pytest.mark.parametrize("kind", ["chirps", "pulses"])
def test_what_rings_beforehand_is_told(kind: str) -> None:
    """By causal answers alone both are the wrong way round."""
    result, _ = heard(841_016 if kind == "chirps" else 842_516, "midbass", 80.0, kind)
    assert result.polarity == "undecided"
    assert "rings_beforehand" in [note.code for note in result.notes]


@pytest.mark.long
@pytest.mark.parametrize("seed", [846_103, 846_108])
def test_a_slope_that_rings_beforehand_is_told(seed: int) -> None:
    """Of the answers as drawn, causal ones of the other sign come nearest; varied ones do not."""
    result, _ = heard(seed, "midbass", 120.0, "chirps", order=4)
    assert [note.code for note in result.notes if note.severity == "fault"] == ["rings_beforehand"]


@pytest.mark.long
@pytest.mark.parametrize("seed", [846_107, 846_128])
def test_what_stands_in_a_sliver_of_the_band_is_not_told(seed: int) -> None:
    """Half an octave is left of the chirps' band: the odds alone told both the wrong way round."""
    result, _ = heard(seed, "midbass", 120.0, "chirps", order=4)
    assert [note.code for note in result.notes if note.severity == "fault"] == ["edge_of_band"]


@pytest.mark.long
@pytest.mark.parametrize(
    ("role", "seed", "kind"), [("midrange", 912_002, "pulses"), ("tweeter", 825_007, "chirps")]
)
def test_a_bass_train_on_what_plays_no_bass_is_not_told(role: str, seed: int, kind: str) -> None:
    """Both were told as probable, the wrong way round."""
    drawn = cabins.drawn(seed, role=role, snr_db=10.0, band="bass")
    result = find_polarity(cabins.capture(dataclasses.replace(drawn, kind=kind)))
    assert result.polarity == "undecided"


@pytest.mark.long
@pytest.mark.parametrize(("kind", "most_wrong"), [("chirps", 0), ("pulses", 2)])
def test_hardly_a_bass_is_told_the_wrong_way_round(kind: str, most_wrong: int) -> None:
    """Of 30, and then as probable: what is left looks in all it has like a causal answer of the other sign."""
    told = [heard(seed, "midbass", 80.0, kind) for seed in range(846_000, 846_030)]
    wrong = [result for result, truth in told if result.polarity not in (truth, "undecided")]
    assert len(wrong) <= most_wrong
    assert all(result.only_probable for result in wrong)
