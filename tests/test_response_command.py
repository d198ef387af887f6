"""`gainkit response`: what it says of a recorded sweep track."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from tests.conftest import Answer
from tests.records import SYSTEM, new_job

RATE = 44_100


@pytest.fixture(scope="module")
def stick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stick with one short sweep on it."""
    from gainkit.toneset.writing import write_tones

    folder = tmp_path_factory.mktemp("sweep")
    (folder / "one.toml").write_text(
        'title = "Sweep"\nabout = "One sweep."\n[[track]]\nkind = "sweep"\nseconds = 3\nlevel_dbfs = -20\n'
        'title = "Sweep"\nuse = "Response."\n'
    )
    write_tones(folder / "one.toml", folder / "stick")
    return folder / "stick"


def recorded(stick: Path, out: Path, corner_hz: float | None) -> Path:
    """The track through a Butterworth high-pass of fourth order, started late, with a little noise."""
    (track,) = [each for each in stick.iterdir() if each.suffix == ".wav"]
    played, rate = soundfile.read(track, always_2d=True)
    wave = played[:, 0]
    if corner_hz is not None:
        wave = signal.sosfilt(signal.butter(4, corner_hz, "highpass", fs=rate, output="sos"), wave)
    quiet = np.zeros(int(0.4 * rate))
    wave = np.concatenate([quiet, wave, quiet]) + np.random.default_rng(2).normal(
        0, 1e-5, len(wave) + 2 * len(quiet)
    )
    soundfile.write(out, wave, rate, subtype="PCM_24")
    return out


def test_a_filter_is_named_with_its_corner(stick: Path, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    capture = recorded(stick, tmp_path / "filtered.wav", 100.0)
    words = ("response", capture, "--index", stick / "index.json")
    found = gainkit(*words, "--json").json
    assert found["found"]
    assert found["verdict"] == "filtered"
    assert found["highpass"]["family"] == "butterworth"
    assert found["highpass"]["order"] == 4
    assert found["highpass"]["corner_hz"] == pytest.approx(100, rel=0.01)
    assert found["lowpass"] is None
    keys = {"found", "drift_ppm", "band_hz", "points", "flat", "low_corner_hz", "high_corner_hz", "lowpass"}
    assert keys | {"highpass", "boosts", "delay_seconds", "verdict", "notes"} <= set(found)
    assert {"frequency_hz", "level_db", "phase_degrees", "thd_percent", "floor_db"} <= set(found["points"][0])
    told = gainkit(*words).out
    assert f"{capture}: FILTERED." in told
    assert "High-pass" in told
    assert "butterworth, order 4 (24 dB per octave)" in told


def test_a_difference_and_the_record(stick: Path, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    wire, filtered = (recorded(stick, tmp_path / f"{hz}.wav", hz) for hz in (None, 200.0))
    words = ("response", filtered, "--index", stick / "index.json", "--reference", wire)
    job = new_job(tmp_path / "car", SYSTEM)
    found = gainkit(*words, "--log", job, "--for", "Rear", "--json").json
    below = next(each["level_db"] for each in found["points"] if each["frequency_hz"] > 99)
    # |H| of a fourth-order Butterworth high-pass an octave under its corner: -10 log10(1 + 2^8) dB
    assert below == pytest.approx(-10 * np.log10(1 + 2.0**8), abs=1.0)
    assert '"response"' in (job / "readings.jsonl").read_text()


def test_what_was_played_must_be_said_once(stick: Path, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    capture = recorded(stick, tmp_path / "wire.wav", None)
    assert gainkit("response", capture, "--json").fault["code"] == "sweep_not_named"
    assert gainkit("response", capture, "--track", "1", "--json").fault["code"] == "track_without_index"
    both = ("--index", stick / "index.json", "--from-hz", 20)
    assert gainkit("response", capture, *both, "--json").fault["code"] == "not_both"
    figures = ("--from-hz", 20, "--to-hz", 10, "--seconds", 3)
    assert gainkit("response", capture, *figures, "--json").fault["parameter"] == "to_hz"


def test_a_chart_and_what_the_filter_takes(stick: Path, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    capture = recorded(stick, tmp_path / "filtered.wav", 1_200.0)
    job = new_job(tmp_path / "car", SYSTEM)
    words = ("response", capture, "--index", stick / "index.json", "--log", job, "--for", "Rear")
    told = " ".join(gainkit(*words, "--chart", tmp_path / "r.svg").out.split())
    assert (tmp_path / "r.svg").stat().st_size > 1_000
    # a Butterworth high-pass of fourth order by the bilinear transform: 10 log10(1 + (tan / tan)^8) dB
    ratio = np.tan(np.pi * 1_200 / RATE) / np.tan(np.pi * 997 / RATE)
    found = re.search(r"The filters take ([0-9.]+) dB off the setting tone of 997 Hz", told)
    assert found is not None
    assert float(found[1]) == pytest.approx(10 * np.log10(1 + ratio**8), abs=0.1)
    assert "Set it again with 2000 Hz" in told
    assert f"a filter takes {found[1]} dB off the tone" in gainkit("job", "status", job).out
