"""Compressed recordings, decoded in memory, beside what the program ffmpeg decodes."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.capture.codecs import DecodingLimits, container_of, decode_audio
from gainkit.errors import GainkitError

pytest.importorskip("av")
RATE = 48_000


@pytest.fixture(scope="module")
def wave(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("codecs") / "tone.wav"
    time = np.arange(RATE) / RATE
    soundfile.write(path, 0.25 * np.sin(2 * np.pi * 1000 * time), RATE, subtype="PCM_16")
    return path


def level(samples: np.ndarray) -> float:
    inside = samples[len(samples) // 4 : 3 * len(samples) // 4, 0]
    return float(20 * np.log10(np.sqrt(2 * np.mean(inside**2))))


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg makes the files")
@pytest.mark.parametrize(
    ("suffix", "codec", "container"),
    [
        ("m4a", "aac", "mov"),
        ("3gp", "aac", "mov"),
        ("opus", "libopus", "ogg"),
        ("mp3", "libmp3lame", "mp3"),
        ("aac", "aac", "aac"),
        ("flac", "flac", "flac"),
        ("webm", "libopus", "matroska"),
    ],
)
def test_what_phones_write_comes_back_at_its_level(
    wave: Path, tmp_path: Path, suffix: str, codec: str, container: str
) -> None:
    file = tmp_path / f"memo.{suffix}"
    made = subprocess.run(["ffmpeg", "-v", "error", "-i", wave, "-c:a", codec, file], check=False)
    if made.returncode:
        pytest.skip(f"this ffmpeg writes no {codec}")
    data = file.read_bytes()
    assert container_of(data) == container
    samples, rate = decode_audio(data, "memo")
    assert rate == RATE
    assert samples.shape[1] == 1
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", file, "-f", "f64le", "-ac", "1", "-"], capture_output=True, check=True
    ).stdout
    theirs = np.frombuffer(raw, "<f8")[:, np.newaxis]
    assert level(samples) == pytest.approx(level(theirs), abs=0.02)  # the codec's own loss aside
    assert level(samples) == pytest.approx(20 * np.log10(0.25), abs=0.6)


def test_limits_of_size_and_length(wave: Path) -> None:
    data = wave.read_bytes()
    with pytest.raises(GainkitError) as large:
        decode_audio(data, "a", DecodingLimits(bytes=1000))
    assert large.value.code == "upload_too_large"
    with pytest.raises(GainkitError) as long:
        decode_audio(data, "a", DecodingLimits(seconds=0.5))
    assert long.value.code == "codec_too_long"
    with pytest.raises(GainkitError) as wide:
        decode_audio(data, "a", DecodingLimits(samples=20_000))
    assert wide.value.code == "codec_too_long"
    assert wide.value.values["most_seconds"] < 0.5


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n",
        b"ffconcat version 1.0\nfile /etc/passwd\n",
        b"\0\0\0\x20ftypM4A " + b"\0" * 500,
        b"OggS" + b"\xff" * 300,
        b"ID3" + b"\0" * 40,
    ],
)
def test_playlists_and_broken_files_are_refused(data: bytes) -> None:
    with pytest.raises(GainkitError) as wrong:
        decode_audio(data, "x")
    assert wrong.value.code == "codec_not_read"
