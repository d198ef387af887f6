"""Trims between loudspeakers by noise, and the recordings that cannot tell them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.levels import ratio_from_db
from gainkit.matching import MatchOptions, match
from tests.conftest import Answer
from tests.waves import Floats

RATE = 48_000


def track(seconds: float = 6.0, seed: int = 1) -> Floats:
    """The noise that gainkit writes, left channel."""
    spec = kinds.checked(
        ToneSpec("noise", low_hz=100, high_hz=4000, level_dbfs=-20, seconds=seconds, seed=seed), RATE
    )
    return np.asarray(kinds.build(spec, RATE).samples()[:, 0])


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    wave = track()
    paths = []
    for name, gain_db in (("left", 0.0), ("right", -3.5), ("centre", 2.25)):
        quiet = np.zeros(RATE // 2)
        heard = np.concatenate([quiet, wave * ratio_from_db(gain_db), quiet])
        paths.append(tmp_path / f"{name}.wav")
        soundfile.write(paths[-1], heard, RATE, subtype="PCM_24")
    return paths


def test_trims_undo_the_differences(files: list[Path], gainkit: Callable[..., Answer]) -> None:
    found = gainkit("match", *files, "--json").json
    assert found["reference"] == str(files[0])
    trims = [each["trim_db"] for each in found["captures"]]
    assert trims == pytest.approx([0.0, 3.5, -2.25], abs=0.005)
    assert all(
        each["level_db"] + each["trim_db"] == pytest.approx(-20.0, abs=0.05) for each in found["captures"]
    )
    assert [band["center_hz"] for band in found["captures"][0]["bands"]] == [
        31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000
    ]  # fmt: skip
    other = gainkit("match", *files, "--reference", files[1], "--json").json
    assert [each["trim_db"] for each in other["captures"]] == pytest.approx([-3.5, 0.0, -5.75], abs=0.005)


def test_volts_come_from_the_calibration(files: list[Path], gainkit: Callable[..., Answer]) -> None:
    plain = gainkit("match", *files, "--json").json["captures"]
    volts = gainkit("match", *files, "--full-scale-volts", 10, "--json").json["captures"]
    for one, other in zip(plain, volts, strict=True):
        # re a full-scale sine becomes re 1 V rms: 10 V peak are 7.07 V rms
        assert other["level_db"] - one["level_db"] == pytest.approx(20 * np.log10(10 / 2**0.5), abs=1e-6)


def test_a_band_and_a_weighting_choose_what_counts() -> None:
    draw = np.random.default_rng(2)
    flat = 0.05 * draw.standard_normal(5 * RATE)
    rumble = flat + 0.2 * np.sin(2 * np.pi * 40 * np.arange(5 * RATE) / RATE)
    captures = [Capture.from_array(wave, RATE) for wave in (flat, rumble)]
    whole = match(captures).captures[1].trim_db
    weighted = match(captures, MatchOptions(weighting="A")).captures[1].trim_db
    limited = match(captures, MatchOptions(band_hz=(100, 10_000))).captures[1].trim_db
    assert whole < -8
    assert abs(weighted) < 0.1
    assert abs(limited) < 0.01


def test_longer_records_are_surer() -> None:
    short, long = (match([Capture.from_array(track(s), RATE)]).captures[0] for s in (2.0, 20.0))
    assert short.uncertainty_db / long.uncertainty_db == pytest.approx(10**0.5, rel=0.2)


def test_bands_beyond_the_recorder_are_left_out() -> None:
    (found,) = match([Capture.from_array(track()[::3], RATE / 3)]).captures
    assert max(band.center_hz for band in found.bands) == 4000


@pytest.mark.parametrize(
    ("wave", "words"),
    [
        (np.zeros(3 * RATE), "silent"),
        (track(0.6), "at least 1 s"),
        (np.clip(40 * track(), -1, 1), "overloaded"),
        (np.full(3 * RATE, np.nan), "usable number"),
    ],
    ids=["silent", "short", "overloaded", "no numbers"],
)
def test_recordings_that_tell_nothing_are_refused(
    tmp_path: Path, files: list[Path], gainkit: Callable[..., Answer], wave: Floats, words: str
) -> None:
    bad = tmp_path / "bad.wav"
    soundfile.write(bad, wave, RATE, subtype="FLOAT" if np.isnan(wave).any() else "PCM_24")
    assert words in gainkit("match", files[0], bad).refused()


def test_bad_calls_are_refused(tmp_path: Path, files: list[Path], gainkit: Callable[..., Answer]) -> None:
    assert "nowhere.wav" in gainkit("match", files[0], tmp_path / "nowhere.wav").refused()
    assert "channel 3" in gainkit("match", *files, "--channel", 3).refused()
    assert "--band-hz" in gainkit("match", *files, "--band-hz", "100").refused()
    assert "empty" in gainkit("match", *files, "--band-hz", "4000:100").refused()
    assert "--weighting" in gainkit("match", *files, "--weighting", "C").refused()
    (tmp_path / "empty.wav").write_bytes(b"")
    gainkit("match", tmp_path / "empty.wav").refused()
    with pytest.raises(GainkitError, match="calibrated"):
        match([Capture.from_array(track(), RATE, calibrated=c) for c in (True, False)])


def test_what_is_taken_for_granted_is_said(files: list[Path], gainkit: Callable[..., Answer]) -> None:
    out = gainkit("match", *files).out
    assert "Same microphone place and same recorder gain" in out
    assert "+-" in out
