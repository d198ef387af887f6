"""Captures meant to deceive: what was once called wrong stays called right."""

from __future__ import annotations

import numpy as np
import pytest

from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.capture import Capture
from tests.waves import RATE, Floats, held, shaped, sine, with_noise

pytestmark = pytest.mark.long

SEEN = ("at-onset", "clipped")


def figures(samples: Floats, rate: float = RATE, **asked: object) -> Measurement:
    return measure(Capture.from_array(samples, rate), MeasureOptions(**asked))  # type: ignore[arg-type]


def stepped(samples: Floats, span: float, bits: int = 8) -> Floats:
    """An oscilloscope's quantiser, its screen so many times the wave's peak."""
    step = 2 * float(np.abs(samples).max()) * span / 2**bits
    return np.asarray(np.round(samples / step) * step)


# -- coarse quantisers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rate", "frames"), [(100e3, 60_000), (1e6, 100_000), (2e6, 14_000), (10e3, 10_000)])
@pytest.mark.parametrize("span", [1.0, 2.0])
@pytest.mark.parametrize("snr_db", [None, 55, 45])
def test_a_clean_tone_in_8_bits_shows_no_rail(
    rate: float, frames: int, span: float, snr_db: float | None
) -> None:
    """A quantiser flattens the crest by up to a step: in long records that stands far above the noise."""
    wave = sine(997, frames, rate=rate)
    wave = wave if snr_db is None else with_noise(wave, snr_db)
    assert figures(stepped(wave, span), rate).clipping.state == "clean"


@pytest.mark.parametrize("rate", [100e3, pytest.param(1e6, marks=pytest.mark.long)])
def test_a_rail_in_8_bits_is_still_found_in_long_records(rate: float) -> None:
    """A flat crest may stand anywhere within its step: half a step is 0.043 dB here, told as uncertainty."""
    seconds = np.arange(int(rate / 4)) / rate
    wave = held(0.3)(np.sin(2 * np.pi * 997 * seconds + 1), seconds)
    found = figures(stepped(wave, 1.25), rate).clipping
    assert found.overdrive_db == pytest.approx(0.3, abs=0.043)
    assert found.overdrive_uncertainty_db is not None
    assert 0.02 < found.overdrive_uncertainty_db < 0.06


# -- shapes that are no rail, and rails that come with something else ---------------------------------------


@pytest.mark.parametrize(
    "shape",
    [
        lambda s, _: s + 0.1 * s**2,
        lambda s, _: s - 0.1 * s**3,
        lambda s, _: s + 0.1 * s**2 - 0.05 * s**3,
        lambda s, _: np.exp(0.3 * s),
        lambda s, _: np.where(s > 0, s, 0.7 * s),
    ],
    ids=["square law", "cubic law", "both", "exponential", "unequal halves"],
)
def test_a_smooth_curve_is_no_rail_however_strong(shape: object) -> None:
    """THD is 2.7 to 7.7 % here, and none of these waves is held anywhere."""
    found = figures(with_noise(shaped(shape, 997), 80))  # type: ignore[arg-type]
    assert found.thd_percent is not None
    assert found.thd_percent > 2
    assert found.clipping.state == "clean"
    assert found.notes


@pytest.mark.parametrize("overdrive_db", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("zone", [0.01, 0.05])
def test_a_rail_is_seen_beside_crossover_distortion(zone: float, overdrive_db: float) -> None:
    """The stage takes a dead zone off first; truth: the sine's peak over the input that reaches the rail."""
    peak = (1 + zone) * 10 ** (overdrive_db / 20)

    def stage(s: Floats, _: Floats) -> Floats:
        return np.clip(np.sign(s) * np.maximum(np.abs(peak * s) - zone, 0), -1, 1)

    found = figures(with_noise(shaped(stage, 997), 70))
    assert found.clipping.state in SEEN
    assert found.clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.05)
    assert found.clipping.positive_rail_volts == pytest.approx(1.0, abs=0.01)
    steps = [note.values["step_percent"] for note in found.notes if note.code == "crossover_distortion"]
    assert steps == [pytest.approx(100 * zone / peak, rel=0.05)]


@pytest.mark.parametrize("weak", [0.6, 0.9])
@pytest.mark.parametrize("overdrive_db", [-1.0, 0.2, 1.0, 2.0])
def test_a_bridge_with_one_weak_half(weak: float, overdrive_db: float) -> None:
    """One half stands at its rail, the other goes on: the output follows with half the slope."""
    peak = 10 ** (overdrive_db / 20) * weak

    def bridge(s: Floats, _: Floats) -> Floats:
        return np.clip(peak * s, -1, 1) - np.clip(-peak * s, -weak, weak)

    found = figures(with_noise(shaped(bridge, 997), 70)).clipping
    if overdrive_db < 0:
        assert found.state == "clean"
        return
    assert found.state in SEEN
    if 10 ** (overdrive_db / 20) * weak < 1:  # else both halves are at their rails
        assert found.overdrive_db == pytest.approx(overdrive_db, abs=0.1)


@pytest.mark.parametrize("slope", [0.05, 0.1, 0.2, 0.3])
@pytest.mark.parametrize("overdrive_db", [0.5, 2.0, 4.0])
def test_a_clamp_that_gives_way(slope: float, overdrive_db: float) -> None:
    peak = 10 ** (overdrive_db / 20)

    def clamp(s: Floats, _: Floats) -> Floats:
        inner = np.clip(peak * s, -1, 1)
        return inner + slope * (peak * s - inner)

    found = figures(with_noise(shaped(clamp, 997), 70))
    assert found.clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.05)
    assert found.clipping.positive_rail_volts == pytest.approx(1.0, abs=0.01)
    rises = [note.values["slope_percent"] for note in found.notes if note.code == "rail_gives_way"]
    assert rises == [pytest.approx(100 * slope, rel=0.1)]


@pytest.mark.parametrize("frequency_hz", [50, 997, 1000])
def test_a_square_wave_is_clipped(frequency_hz: float) -> None:
    """Plain samples of +-1, aliased as a beginner's generator makes them."""
    found = figures(np.sign(sine(frequency_hz)))
    assert found.clipping.state == "clipped"
    assert found.clipping.side == "both"


@pytest.mark.parametrize("overdrive_db", [1.0, 3.0])
def test_four_harmonics_make_no_other_model_than_a_hard_rail(overdrive_db: float) -> None:
    wave = shaped(held(overdrive_db), 1000, 10_000, rate=10_000)
    assert figures(wave, 10_000).clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.01)
