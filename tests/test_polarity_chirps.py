"""Polarity by chirps: what the track is, and that it is heard where pulses of the same peak drown."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.capture import Capture
from gainkit.generator.chirps import CHIRPS, chirp_of, one_chirp
from gainkit.generator.kinds import build
from gainkit.generator.pulses import LOBE_BANDS_HZ, lobe, pattern_seconds
from gainkit.generator.spec import ToneSpec
from gainkit.polarity import compare_polarity, find_polarity
from gainkit.polarity.chirps import as_pulses
from tests import cabins
from tests.conftest import Answer

RATE = 48_000
RIGHT = {1: "positive", -1: "negative"}


@pytest.mark.parametrize(("band", "corner_hz"), [("bass", 40.0), ("midrange", 150.0), ("treble", 900.0)])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_loudspeaker_is_told(band: str, corner_hz: float, sign: int) -> None:
    driver = cabins.Driver(corner_hz=corner_hz, upper_hz=min(200.0 * corner_hz, 20_000.0))
    scene = cabins.Scene(band=band, sign=sign, driver=driver, pulses=12, kind="chirps")
    result = find_polarity(cabins.capture(scene), band=band)
    assert result.polarity == scene.truth
    assert result.agreeing == result.pulses


def test_the_band_is_found(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    """No band named: the chirps that were played make the most peaked answers."""
    scene = cabins.Scene(
        band="midrange", sign=-1, driver=cabins.Driver(corner_hz=150.0), pulses=12, kind="chirps"
    )
    heard = cabins.capture(scene)
    result = find_polarity(heard)
    assert (result.polarity, result.band) == (scene.truth, "midrange")
    soundfile.write(tmp_path / "mic.wav", cabins.samples(scene), RATE, subtype="PCM_16")
    told = gainkit("polarity", tmp_path / "mic.wav", "--json").json
    assert (told["polarity"], told["band"]) == (scene.truth, "midrange")


@pytest.mark.parametrize("band", ["bass", "midrange", "treble"])
def test_a_chirp_holds_more_than_a_pulse_of_its_peak(band: str) -> None:
    """Energy of the one over that of the other where the band's loudspeakers are heard, by Parseval."""
    size = RATE
    hertz = np.fft.rfftfreq(size, 1 / RATE)
    low, high = LOBE_BANDS_HZ[band]
    inside = (hertz >= low) & (hertz <= high)
    powers = [
        np.sum(np.abs(np.fft.rfft(wave, size))[inside] ** 2)
        for wave in (one_chirp(chirp_of(band), RATE), lobe(band, RATE))
    ]
    assert 10 * np.log10(powers[0] / powers[1]) > 10.0


def test_a_chirp_ends_before_the_next_begins() -> None:
    starts = pattern_seconds()
    gap = float(np.min(np.diff(starts)))
    assert all(seconds + 2 * fade < gap for _, _, seconds, fade in CHIRPS.values())


def test_divided_out_it_is_the_pulse() -> None:
    track = build(ToneSpec("chirps", band="midrange", seconds=3.0), RATE).samples()[:, 0]
    assert np.abs(track).max() == pytest.approx(10 ** (-6 / 20), rel=0.01)
    turned = as_pulses(track, RATE, "midrange")[: 2 * RATE]
    assert turned.max() == pytest.approx(1.0, abs=0.01)
    assert turned.min() > -0.012


@pytest.mark.parametrize(
    "role",
    [
        "midrange",
        *(pytest.param(role, marks=pytest.mark.long) for role in ("subwoofer", "full range", "tweeter")),
    ],
)
def test_heard_where_pulses_drown(role: str) -> None:
    """Noise 6 dB above the peak of a pulse: the chirps of the same peak still tell."""
    scene = cabins.drawn(1_000 * list(cabins.ROLES).index(role) + 1_002, role=role, snr_db=-6.0, rate=RATE)
    scene = dataclasses.replace(scene, kind="chirps")
    result = find_polarity(cabins.capture(scene), band=scene.band)
    assert result.polarity == scene.truth


@pytest.mark.long
@pytest.mark.parametrize("band", ["bass", "midrange", "treble"])
@pytest.mark.parametrize("kind", ["pulses", "chirps"])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_track_itself_is_never_told_the_wrong_way_round(band: str, kind: str, sign: int) -> None:
    """A wire in the loudspeaker's place, with its band named, another one or none."""
    track = sign * build(ToneSpec(kind, band=band, seconds=6.0), RATE).samples()[:, 0]
    capture = Capture.from_array(track, RATE, calibrated=False)
    wrong = RIGHT[-sign]
    for named in (*CHIRPS, None):
        result = find_polarity(capture, band=named)
        assert result.polarity != wrong
        assert (result.polarity, result.played) == (RIGHT[sign], kind) or named not in (band, None)


@pytest.mark.long
def test_chirps_that_fill_less_than_half_of_the_recording() -> None:
    """The track begins late and stops early, and an engine's hum goes on all the while."""
    scene = cabins.Scene(sign=-1, driver=cabins.Driver(corner_hz=150.0), pulses=14, kind="chirps")
    heard = cabins.samples(scene)
    whole = np.concatenate([np.zeros(9 * RATE), heard, np.zeros(7 * RATE)])
    whole += 1e-3 * np.random.default_rng(3).standard_normal(len(whole))
    result = find_polarity(Capture.from_array(whole, RATE, calibrated=False))
    assert (result.polarity, result.played) == (scene.truth, "chirps")


@pytest.mark.long
def test_a_pair_by_chirps() -> None:
    """Each alone is hardly to be told, both together are: the same recorder and room."""
    one = dataclasses.replace(cabins.drawn(2_001, role="midrange", snr_db=0.0, rate=RATE), kind="chirps")
    other = dataclasses.replace(one, sign=-one.sign, seed=99)
    captures = [cabins.capture(each) for each in (one, other)]
    pair = compare_polarity([find_polarity(each) for each in captures], ["one", "other"], captures=captures)
    assert pair.relation == "opposite"
    assert {each.played for each in pair.captures} == {"chirps"}


@pytest.mark.long
@pytest.mark.parametrize("role", ["subwoofer", "midbass", "midrange", "full range", "tweeter"])
def test_pulses_are_not_taken_for_chirps(role: str) -> None:
    """Loud and in noise: of pulses none that is decided may be read as chirps."""
    for snr_db in (20.0, 5.0):
        scene = cabins.drawn(
            1_000 * list(cabins.ROLES).index(role) + 1_003, role=role, snr_db=snr_db, rate=RATE
        )
        result = find_polarity(cabins.capture(scene))
        assert result.polarity in (scene.truth, "undecided")
        assert result.played == "pulses"
