"""A folder that cannot be written to: every command that writes refuses it by name and leaves it as it was."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

from tests.waves import RATE, sine

pytestmark = pytest.mark.long

WRITING = [
    ("job", "new", "job/second"),
    ("tones", "write", "meter", "job/stick"),
    ("tones", "one", "sine", "--out", "job/a.wav"),
    ("tones", "one", "sine", "--out", "job/a.flac"),
    ("calibrate", "tone.wav", "--reading-volts", "1", "--out", "job/recorder.toml"),
    ("measure", "tone.wav", "--chart", "job/m.png"),
    ("measure", "tone.wav", "--full-scale-volts", "10", "--log", "job", "--for", "Front/left"),
    ("chart", "waveform", "--capture", "tone.wav", "--out", "job/w.png"),
    ("chart", "spectrum", "--capture", "tone.wav", "--out", "job/w.html"),
    ("chart", "headroom", "--system", "job/system.toml", "--out", "job/h.svg"),
    ("chart", "job", "--job", "job", "--out", "job/j.pdf"),
    ("demo", "job/demo"),
    ("guide", "--out", "job/guide.html"),
    ("lesson", "--out", "job/lesson.html"),
    ("quiz", "--out", "job/quiz"),
    ("sheet", "job"),
    ("sheet", "job", "--out", "job/left.html"),
    ("note", "job", "--text", "one more"),
    ("job", "void", "job", "1", "--reason", "a slip"),
    ("job", "undo", "job"),
    ("job", "visit", "job", "as left"),
]
READING = [("job", "status", "job"), ("job", "readings", "job"), ("plan", "job/system.toml")]

RUN = """
import subprocess, sys
for call in (["mount", "--bind", "job", "job"], ["mount", "-o", "remount,ro,bind", "job"]):
    if subprocess.run(call, capture_output=True).returncode:
        raise SystemExit(77)
sys.argv = ["gainkit", *sys.argv[1:]]
from gainkit.cli import main
main()
"""
"""The command, in a namespace of its own in which the job is mounted read-only: root may write anywhere else."""


def gainkit(folder: Path, *words: str, read_only: bool = True) -> subprocess.CompletedProcess[str]:
    apart = ["unshare", "--mount"] if read_only else []
    script = RUN if read_only else "from gainkit.cli import main; main()"
    call = [*apart, sys.executable, "-c", script, *words]
    return subprocess.run(
        call, cwd=folder, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tone, and a job with a line in its record; a place where it can be mounted read-only."""
    place = tmp_path_factory.mktemp("read-only")
    soundfile.write(place / "tone.wav", 0.5 * sine(997, RATE), RATE, subtype="PCM_24")
    assert gainkit(place, "job", "new", "job", read_only=False).returncode == 0
    assert gainkit(place, "note", "job", "--text", "before", read_only=False).returncode == 0
    if os.name != "posix" or gainkit(place, "version").returncode != 0:
        pytest.skip("cannot mount read-only here")
    return place


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.mark.parametrize("words", WRITING, ids=" ".join)
def test_what_writes_refuses_it_by_name(folder: Path, words: tuple[str, ...]) -> None:
    before = contents(folder / "job")
    done = gainkit(folder, *words)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "ead-only" in done.stderr, done.stderr
    assert "Remedy:" in done.stderr
    assert contents(folder / "job") == before


@pytest.mark.parametrize("words", READING, ids=" ".join)
def test_what_only_reads_goes_on(folder: Path, words: tuple[str, ...]) -> None:
    done = gainkit(folder, *words)
    assert done.returncode in (0, 1)
    assert not done.stderr
    assert done.stdout
