"""Charts by the command."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.charts.drawing import EXAMPLE
from tests.conftest import Answer
from tests.waves import RATE, held, shaped, with_noise


def test_the_command_draws_noise_and_a_job(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    import soundfile

    hiss = tmp_path / "hiss.wav"
    soundfile.write(hiss, np.random.default_rng(1).normal(0, 1e-3, 2 * RATE), RATE)
    assert gainkit("chart", "noise", "--capture", hiss, "--out", tmp_path / "n.svg", "--json").json["title"]
    assert "--index" in gainkit("chart", "response", "--capture", hiss, "--out", tmp_path / "r.svg").refused()
    assert "--job" in gainkit("chart", "job", "--out", tmp_path / "j.svg").refused()
    assert gainkit("job", "new", tmp_path / "car").code == 0
    told = gainkit("chart", "job", "--job", tmp_path / "car", "--out", tmp_path / "j.html", "--json").json
    assert told["title"].startswith("0 of ")
    nothing = gainkit("chart", "compare", "--job", tmp_path / "car", "--out", tmp_path / "c.svg").refused()
    assert "as found" in nothing


def test_the_command_draws_a_response_by_the_index(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    own = tmp_path / "own.toml"
    own.write_text('title = "Sweep"\nabout = "One."\n[[track]]\nkind = "sweep"\nseconds = 10.0\n')
    assert gainkit("tones", "write", own, tmp_path / "stick", "--rate", RATE).code == 0
    (track,) = (tmp_path / "stick").glob("*.wav")
    words = ("chart", "response", "--capture", track, "--out", tmp_path / "r.svg", "--json")
    index = tmp_path / "stick" / "index.json"
    assert gainkit(*words, "--index", index).json["title"].startswith("Flat: within")
    assert track.name in gainkit(*words, "--index", index, "--track", "moon").refused()


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    import soundfile

    path = tmp_path / "clipped.wav"
    soundfile.write(path, 0.4 * with_noise(shaped(held(1.0), 997, 2 * RATE), 70), RATE, subtype="PCM_24")
    return path


def test_commands_draw_plans_and_captures(
    tmp_path: Path, recording: Path, gainkit: Callable[..., Answer]
) -> None:
    for kind in ("headroom", "levels", "power"):
        out = tmp_path / f"{kind}.png"
        made = gainkit("chart", kind, "--system", EXAMPLE, "--for", "front", "--out", out, "--json").json
        assert (made["kind"], made["file"]) == (kind, str(out))
        assert out.read_bytes().startswith(b"\x89PNG")
    for kind in ("waveform", "spectrum"):
        made = gainkit("chart", kind, "--capture", recording, "--out", tmp_path / f"{kind}.svg", "--json").json
        assert made["title"]
    bands = ("--capture", recording, "--capture", recording, "--third")
    assert gainkit("chart", "bands", *bands, "--out", tmp_path / "bands.pdf", "--size", "phone").code == 0
    with_chart = gainkit("measure", recording, "--chart", tmp_path / "measure.png", "--json")
    assert with_chart.json == gainkit("measure", recording, "--json").json
    assert (tmp_path / "measure.png").exists()


def test_commands_refuse_what_cannot_be_drawn(
    tmp_path: Path, recording: Path, gainkit: Callable[..., Answer]
) -> None:
    out = tmp_path / "chart.png"
    assert "--system" in gainkit("chart", "headroom", "--out", out).refused()
    assert "--capture" in gainkit("chart", "waveform", "--out", out).refused()
    assert ".png" in gainkit("chart", "waveform", "--capture", recording, "--out", tmp_path / "c.jpg").refused()
    assert "Moon" in gainkit("chart", "levels", "--system", EXAMPLE, "--for", "Moon", "--out", out).refused()
    assert "headroom" in gainkit("chart", "pie", "--out", out).refused()
    assert not out.exists()
    out.write_text("mine")
    gainkit("chart", "waveform", "--capture", recording, "--out", out).refused()
    assert out.read_text() == "mine"
