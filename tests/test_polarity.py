"""Polarity from recordings of pulses: simulated loudspeakers, cabins and recorders whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.capture import Capture
from gainkit.generator import kinds
from gainkit.generator.pulses import LOBE_SECONDS
from gainkit.generator.spec import ToneSpec
from gainkit.polarity import polarity
from tests.cabins import ROLES, Driver, Recorder, Scene, capture, drawn, samples
from tests.conftest import Answer

RATE = 48_000


@pytest.mark.parametrize("role", ROLES)
def test_a_few_scenes_of_every_kind_of_loudspeaker(role: str) -> None:
    """Six each at 20 dB SNR by chance; the large table is in tests/benchmarks. Wrong answers: none."""
    found = []
    for seed in range(6):
        scene = drawn(seed + 1000 * list(ROLES).index(role), role=role, snr_db=20)
        answer = polarity(capture(scene), band=scene.band).polarity
        assert answer in (scene.truth, "undecided")
        found.append(answer != "undecided")
    assert sum(found) >= 5


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("sign", [1, -1])
def test_any_rate_and_either_sign(rate: int, sign: int) -> None:
    scene = Scene(sign=sign, recorder=Recorder(rate=rate))
    found = polarity(capture(scene), band="midrange")
    assert found.polarity == scene.truth
    assert found.confidence > 0.99
    assert found.agreeing >= 0.9 * found.pulses >= 12


@pytest.mark.parametrize(
    "recorder",
    [
        Recorder(lead_seconds=-1.3),
        Recorder(ratio=10, release_seconds=0.1),
        Recorder(microphone_hz=150, microphone_order=2),
        Recorder(clock_ppm=200),
        Recorder(rumble=0.7, snr_db=12),
    ],
    ids=["late start", "automatic gain", "thin microphone", "another clock", "rumble"],
)
def test_recorders_of_every_kind(recorder: Recorder) -> None:
    for sign in (1, -1):
        scene = Scene(sign=sign, recorder=recorder)
        assert polarity(capture(scene), band="midrange").polarity == scene.truth


def test_the_train_is_found_by_itself() -> None:
    for band, driver in (
        ("bass", Driver(corner_hz=35, upper_hz=500)),
        ("treble", Driver(corner_hz=1200, upper_hz=20_000)),
    ):
        scene = Scene(band=band, sign=-1, driver=driver)
        assert polarity(capture(scene)).polarity == "negative"


def test_what_cannot_be_told_is_undecided_with_a_remedy() -> None:
    for seed in range(4):
        noise = 0.1 * np.random.default_rng(seed).standard_normal(10 * RATE)
        found = polarity(Capture.from_array(noise, RATE))
        assert found.polarity == "undecided"
        assert found.confidence < 0.6
        assert any("microphone" in note for note in found.notes)
    quiet = Scene(recorder=Recorder(snr_db=-15))
    assert polarity(capture(quiet), band="midrange").polarity == "undecided"


def test_a_recorder_that_inverts_can_be_told() -> None:
    heard = capture(Scene(sign=1, recorder=Recorder(inverts=True)))
    assert polarity(heard, band="midrange").polarity == "negative"
    assert polarity(heard, band="midrange", invert_microphone=True).polarity == "positive"


def test_samples_turned_over_give_the_other_answer() -> None:
    for seed in range(5):
        heard = samples(drawn(seed, role="full range", snr_db=15))
        one, other = (polarity(Capture.from_array(s * heard, RATE), band="midrange").polarity for s in (1, -1))
        assert {one, other} in ({"positive", "negative"}, {"undecided"})


def test_another_drive_by_deconvolution() -> None:
    """A sweep was played and recorded through a loudspeaker; the answer to a pulse is reckoned from both."""
    spec = kinds.checked(ToneSpec("sweep", level_dbfs=-6, seconds=6), RATE)
    played = kinds.build(spec, RATE).samples()[:, 0]
    from scipy import signal

    box = signal.butter(2, 90, "high", fs=RATE, output="sos")
    heard = np.concatenate([np.zeros(RATE // 2), signal.sosfilt(box, played), np.zeros(RATE // 2)])
    heard += 1e-3 * np.random.default_rng(1).standard_normal(len(heard))
    drive = Capture.from_array(played, RATE)
    for sign, word in ((1, "positive"), (-1, "negative")):
        assert polarity(Capture.from_array(sign * heard, RATE), drive=drive, band="midrange").polarity == word


# -- the command -------------------------------------------------------------------------------------------


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    paths = tmp_path / "left.wav", tmp_path / "right.wav"
    for path, sign in zip(paths, (1, -1), strict=True):
        scene = Scene(sign=sign, recorder=Recorder(snr_db=25))
        soundfile.write(path, samples(scene), scene.recorder.rate, subtype="PCM_16")
    return paths


def test_one_recording_and_a_pair(pair: tuple[Path, Path], gainkit: Callable[..., Answer]) -> None:
    found = gainkit("polarity", pair[1], "--json").json
    assert set(found) >= {"polarity", "confidence", "pulses", "agreeing", "notes"}
    assert found["polarity"] == "negative"
    both = gainkit("polarity", *pair, "--json").json
    assert both["relation"] == "opposite"
    inverted = gainkit("polarity", *pair, "--invert-microphone", "--json").json
    assert inverted["relation"] == "opposite"  # a pair needs no known recorder
    twin = pair[0].with_name("twin.wav")
    twin.write_bytes(pair[0].read_bytes())
    assert gainkit("polarity", pair[0], twin, "--json").json["relation"] == "same"
    assert "same file" in gainkit("polarity", pair[0], pair[0]).refused()
    assert gainkit("polarity", *pair).out.startswith("OPPOSITE")
    assert "NEGATIVE" in gainkit("polarity", pair[1]).out


def test_the_tracks_as_written_are_positive(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    """The track itself, through nothing: what a line input records."""
    for band in LOBE_SECONDS:
        out = tmp_path / f"{band}.wav"
        assert gainkit("tones", "one", "pulses", "--band", band, "--out", out, "--seconds", 10).code == 0
        assert gainkit("polarity", out, "--band", band, "--json").json["polarity"] == "positive"


@pytest.mark.parametrize("kind", ["silent", "short", "nan", "empty", "missing", "text"])
def test_bad_files_are_refused(tmp_path: Path, gainkit: Callable[..., Answer], kind: str) -> None:
    path = tmp_path / "bad.wav"
    if kind == "silent":
        soundfile.write(path, np.zeros(10 * RATE), RATE)
    elif kind == "short":
        soundfile.write(path, samples(Scene())[: RATE // 2], RATE)
    elif kind == "nan":
        soundfile.write(path, np.full(10 * RATE, np.nan), RATE, subtype="FLOAT")
    elif kind == "empty":
        path.write_bytes(b"")
    elif kind == "text":
        path.write_text("no sound")
    gainkit("polarity", path).refused()


def test_bad_calls_are_refused(pair: tuple[Path, Path], gainkit: Callable[..., Answer]) -> None:
    assert "channel 4" in gainkit("polarity", pair[0], "--channel", 4).refused()
    assert "--band" in gainkit("polarity", pair[0], "--band", "alto").refused()
    gainkit("polarity", *pair, pair[0]).refused()
    gainkit("polarity").refused()


def test_answers_do_not_depend_on_level(pair: tuple[Path, Path]) -> None:
    scene = Scene(sign=-1)
    heard = samples(scene)
    for gain in (1e-4, 1e-2, 3.0):
        assert polarity(Capture.from_array(gain * heard, RATE), band="midrange").polarity == "negative"
    assert replace(scene, sign=1).truth == "positive"
