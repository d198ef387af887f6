"""Which channel plays where: beeps as they are written, sent the right and every wrong way."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.levels import ratio_from_db
from tests.conftest import Answer
from tests.waves import Floats

RATE = 44_100


@pytest.fixture(scope="module")
def track() -> Floats:
    """The beeps track, (frames, 2)."""
    return np.asarray(kinds.build(kinds.checked(ToneSpec("beeps", seconds=12.0), RATE), RATE).samples())


@pytest.fixture
def heard(tmp_path: Path, gainkit: Callable[..., Answer]) -> Callable[..., dict]:
    """What `routing` says of a recording (frames, channels) with noise, late start and another clock."""

    def read(wave: Floats, *options: object, noise: float = 1e-4, start: float = 0.0, rate: int = RATE) -> dict:
        table = wave[round(start * RATE) :]
        table = table[:, np.newaxis] if table.ndim == 1 else table
        lead = np.zeros((RATE, table.shape[1])) if start == 0 else np.zeros((0, table.shape[1]))
        whole = np.concatenate([lead, table])
        whole = whole + noise * np.random.default_rng(5).standard_normal(whole.shape)
        path = tmp_path / "heard.wav"
        soundfile.write(path, whole, rate, subtype="PCM_16")
        return dict(gainkit("routing", path, *options, "--json").json)

    return read


def test_all_as_it_should_be(track: Floats, heard: Callable[..., dict]) -> None:
    found = heard(track)
    assert found["ok"]
    assert found["problems"] == []
    assert {(entry["channel"], entry["beeps"]) for entry in found["heard"]} == {(1, 1), (2, 2)}
    first = min(entry["start_seconds"] for entry in found["heard"])
    assert first == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("start", [0.15, 0.9, 1.55, 2.2])
def test_a_late_start_does_not_miscount(track: Floats, heard: Callable[..., dict], start: float) -> None:
    """0.15 s and 1.55 s fall within beeps, 2.2 s between the two of a pair."""
    assert heard(track, start=start)["ok"]
    assert heard(track.sum(axis=1), "--microphone", start=start)["ok"]


def test_swapped_channels_are_told(track: Floats, heard: Callable[..., dict]) -> None:
    found = heard(track[:, ::-1])
    assert not found["ok"]
    assert sum("swapped" in problem for problem in found["problems"]) == 2


def test_a_missing_channel_is_told(track: Floats, heard: Callable[..., dict]) -> None:
    silent = track.copy()
    silent[:, 1] = 0
    assert any("silent" in problem and "2" in problem for problem in heard(silent)["problems"])
    assert any("right" in problem for problem in heard(silent[:, 0], "--microphone")["problems"])
    assert any("left" in problem for problem in heard(track[:, 1], "--microphone")["problems"])


def test_bridged_together_channels_are_told(track: Floats, heard: Callable[..., dict]) -> None:
    both = np.repeat(track.mean(axis=1, keepdims=True), 2, axis=1)
    problems = heard(both)["problems"]
    assert len(problems) == 2
    assert all("bridged together" in problem for problem in problems)


@pytest.mark.parametrize(("crosstalk_db", "ok"), [(-40, True), (-26, True), (-12, False)])
def test_crosstalk_is_no_connection(
    track: Floats, heard: Callable[..., dict], crosstalk_db: int, ok: bool
) -> None:
    assert heard(track + ratio_from_db(crosstalk_db) * track[:, ::-1])["ok"] is ok


def test_four_line_channels(track: Floats, heard: Callable[..., dict]) -> None:
    """Odd channels are left and even ones right; two more inputs that are empty do no harm."""
    empty = np.zeros((len(track), 2))
    assert heard(np.concatenate([track, empty], axis=1))["ok"]
    assert heard(np.concatenate([track, track], axis=1))["ok"]
    found = heard(np.concatenate([track, track[:, ::-1]], axis=1))
    assert any("Channel 3" in problem and "swapped" in problem for problem in found["problems"])
    assert not any("Channel 1" in problem for problem in found["problems"])


@pytest.mark.parametrize("noise", [0.003, 0.03])
def test_a_microphone_hears_both_through_noise_and_echoes(
    track: Floats, heard: Callable[..., dict], noise: float
) -> None:
    """Beeps at -12 dBFS with six echoes, noise 39 and 19 dB below them."""
    sound = track.sum(axis=1)
    for delay, gain in ((0.003, 0.4), (0.007, -0.3), (0.012, 0.3), (0.02, -0.2), (0.03, 0.15), (0.05, 0.1)):
        shift = round(delay * RATE)
        sound[shift:] += gain * track.sum(axis=1)[:-shift]
    found = heard(sound, "--microphone", noise=noise)
    assert found["ok"]
    counts = [entry["beeps"] for entry in found["heard"]]
    assert counts[:4] == [1, 2, 1, 2]


def test_a_recorder_with_another_clock(track: Floats, heard: Callable[..., dict]) -> None:
    """A file that says 44.2 kHz plays 0.2 % high and short: the beeps are still heard at their pitch."""
    assert heard(track, rate=44_190)["ok"]


@pytest.mark.parametrize(
    "wave",
    [np.zeros(5 * RATE), 0.3 * np.sin(2 * np.pi * 997 * np.arange(5 * RATE) / RATE), np.zeros(100)],
    ids=["silence", "steady tone", "too short"],
)
def test_what_holds_no_beeps_is_refused(tmp_path: Path, gainkit: Callable[..., Answer], wave: Floats) -> None:
    path = tmp_path / "none.wav"
    soundfile.write(path, wave, RATE, subtype="PCM_16")
    assert "beeps" in gainkit("routing", path).refused()


def test_noise_alone_is_not_called_right(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    path = tmp_path / "noise.wav"
    for seed in range(5):
        noise = 0.1 * np.random.default_rng(seed).standard_normal((6 * RATE, 2))
        soundfile.write(path, noise, RATE, subtype="PCM_16")
        answer = gainkit("routing", path, "--json")
        assert answer.code == 2 or not answer.json["ok"]


def test_bad_calls_are_refused(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    gainkit("routing", tmp_path / "nowhere.wav").refused()
    (tmp_path / "cut.wav").write_bytes(b"RIFF\x00\x00")
    gainkit("routing", tmp_path / "cut.wav").refused()
    soundfile.write(tmp_path / "a.wav", np.zeros(RATE), RATE)
    assert "--pitch-hz" in gainkit("routing", tmp_path / "a.wav", "--pitch-hz", 5).refused()


def test_the_verdict_comes_first(tmp_path: Path, track: Floats, gainkit: Callable[..., Answer]) -> None:
    path = tmp_path / "beeps.wav"
    soundfile.write(path, track[:, ::-1], RATE, subtype="PCM_16")
    out = gainkit("routing", path).out
    assert out.startswith("NOT AS IT SHOULD BE.")
    assert "swapped" in out
