"""Sticks that are pulled, full, write-protected: real processes killed, real small file systems.

File systems are loop-mounted where that is allowed (root on Linux); elsewhere those tests skip with the reason.
FAT comes from the kernel's vfat, or from fusefat in user space.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gainkit.errors import GainkitError
from gainkit.toneset import writing
from gainkit.toneset.checking import check_tones
from gainkit.toneset.model import AudioFormat
from gainkit.toneset.reading import read_set
from gainkit.toneset.writing import write_set

SET = """
[defaults]
seconds = 20
[[track]]
kind = "sine"
[[track]]
kind = "sine"
frequency_hz = 123.456
[[track]]
kind = "staircase"
[[track]]
kind = "noise"
[[track]]
kind = "glide"
[[track]]
kind = "sweep"
[[track]]
kind = "sine"
frequency_hz = 50
"""


@pytest.fixture
def tones(tmp_path: Path) -> Path:
    path = tmp_path / "tones.toml"
    path.write_text(SET)
    return path


@pytest.fixture
def reference(tones: Path, tmp_path: Path) -> dict[str, bytes]:
    """The finished set, from a run that nobody disturbed."""
    write_set(read_set(str(tones)), tmp_path / "reference", AudioFormat())
    return contents(tmp_path / "reference")


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


RUN = """
import os, signal, sys
from pathlib import Path
from gainkit.toneset.model import AudioFormat
from gainkit.toneset.reading import read_set
from gainkit.toneset.writing import write_set
tones, folder, last = read_set(sys.argv[1]), sys.argv[2], int(sys.argv[3])
steps = 0
def step():
    global steps
    steps += 1
    if steps == last:
        os.kill(os.getpid(), signal.SIGKILL)
def touched(event, values):
    if event in ("open", "os.rename", "os.remove") and str(values[0]).startswith(folder):
        step()
sys.addaudithook(touched)
write_set(tones, Path(folder), AudioFormat(), progress=lambda *told: step())
print(steps)
"""
"""A run that kills itself at a step of its own: a block made, or a file in the folder opened, renamed, removed.

So it is cut off at the same places however fast the machine is.
"""


def run(tones: Path, folder: Path, last_step: int = 0) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-c", RUN, str(tones), str(folder), str(last_step)]
    return subprocess.run(words, capture_output=True, text=True, check=False)


def drafts_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir() if path.name.startswith(".") and ".part" in path.name}


def kill_and_look(tones: Path, folder: Path, reference: dict[str, bytes], shares: list[float]) -> list[int]:
    """Kill runs at these shares of their steps; after each, what stands under a final name is whole.

    Gives the number of final files after each kill.
    """
    mine = {"song.mp3": b"song" * 1000, "index.old": b"mine"}
    folder.mkdir()
    for name, content in mine.items():
        (folder / name).write_bytes(content)

    def clear() -> None:
        for name in reference:
            (folder / name).unlink(missing_ok=True)

    undisturbed = run(tones, folder)
    assert undisturbed.returncode == 0, undisturbed.stderr
    steps = int(undisturbed.stdout)
    progress = []
    for number, share in enumerate(shares):
        fresh = number % 2 == 0  # every other run goes on where the one before was killed
        if fresh:
            clear()
        ended = run(tones, folder, max(round(share * steps), 1)).returncode
        assert ended == -signal.SIGKILL or (ended == 0 and not fresh), "the kill met a run at work"
        found = contents(folder)
        finals = {name: content for name, content in found.items() if name in reference}
        for name, content in finals.items():
            assert content == reference[name], f"{name} after a kill at {share:.2f} of the run"
        drafts = drafts_in(folder)
        assert set(found) == finals.keys() | mine.keys() | drafts
        assert len(drafts) <= 2
        assert "index.json" not in finals or len(finals) == len(reference)
        progress.append(len(finals))
    assert run(tones, folder).returncode == 0
    assert contents(folder) == {**reference, **mine}
    (folder / "song.mp3").unlink()
    assert check_tones(folder).ok
    return progress


@pytest.mark.long
def test_killed_at_random_moments(tones: Path, tmp_path: Path, reference: dict[str, bytes]) -> None:
    draw = random.Random(5)
    progress = kill_and_look(tones, tmp_path / "stick", reference, [draw.random() for _ in range(6)])
    assert any(0 < finals < len(reference) for finals in progress)


@pytest.mark.benchmark
def test_killed_at_fifty_random_moments(tones: Path, tmp_path: Path, reference: dict[str, bytes]) -> None:
    draw = random.Random(50)
    progress = kill_and_look(tones, tmp_path / "stick", reference, [draw.random() for _ in range(50)])
    print(f"\nfinal files after each of 50 kills, of {len(reference)}: {progress}")


def mounted(image: Path, place: Path, system: str, megabytes: int) -> list[str]:
    """Make a file system in a file and mount it; the command that takes it down. Skips where that cannot be."""
    with open(image, "wb") as file:
        file.truncate(megabytes << 20)
    place.mkdir()
    maker = shutil.which(f"mkfs.{system}", path="/usr/sbin:/sbin:/usr/bin:/bin")
    if maker is None or not sys.platform.startswith("linux"):
        pytest.skip(f"no mkfs.{system} here")
    subprocess.run([maker, *(["-q", "-F"] if system == "ext4" else []), image], check=True, capture_output=True)
    done = subprocess.run(["mount", "-o", "loop", image, place], capture_output=True, text=True, check=False)
    if done.returncode == 0:
        return ["umount", str(place)]
    if system == "vfat" and (fuse := shutil.which("fusefat")):
        told = subprocess.run([fuse, "-o", "rw+", image, place], capture_output=True, text=True, check=False)
        if told.returncode == 0:
            return ["umount", str(place)]
    pytest.skip(f"cannot mount {system} here: {done.stderr.strip()}")


@pytest.fixture(params=["ext4", "vfat"])
def small_stick(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A mounted file system of 16 MB, three of the set's tracks."""
    place = tmp_path / "mounted"
    down = mounted(tmp_path / "image", place, request.param, 16)
    try:
        yield place
    finally:
        subprocess.run(down, check=True)


def test_full_device_is_told_before_the_first_byte(small_stick: Path, tones: Path) -> None:
    (small_stick / "song.mp3").write_bytes(b"song" * 1000)
    with pytest.raises(GainkitError) as fault:
        write_set(read_set(str(tones)), small_stick, AudioFormat())
    assert fault.value.code == "too_little_room"
    assert contents(small_stick) == {"song.mp3": b"song" * 1000}


@pytest.mark.parametrize("form", ["wav", "flac"])
def test_device_that_fills_up_on_the_way(
    small_stick: Path, tones: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    """The free space is not what it was said to be: the device itself says that it is full."""
    if form == "flac" and f"fusefat {small_stick} fuse" in Path("/proc/mounts").read_text():
        pytest.skip("fusefat loses the small writes by which libFLAC finishes a file's header (seen with 0.1a)")
    target = AudioFormat(format=form)
    write_set(read_set(str(tones)), tmp_path / "reference", target)
    reference = contents(tmp_path / "reference")
    (small_stick / "song.mp3").write_bytes(b"song" * 1000)
    ballast = shutil.disk_usage(small_stick).free - (5 << 20)
    (small_stick / "films.bin").write_bytes(bytes(ballast))
    with monkeypatch.context() as pretend:
        pretend.setattr(writing, "check_room", lambda *asked: None)
        with pytest.raises(GainkitError) as fault:
            write_set(read_set(str(tones)), small_stick, target)
    assert fault.value.code == "device_full"
    found = contents(small_stick)
    assert {name for name in found if name not in reference} == {"song.mp3", "films.bin"}, "no drafts left"
    whole = [name for name in found if name in reference]
    assert whole, "the first track had room"
    for name in whole:
        assert found[name] == reference[name], name
    assert "index.json" not in whole
    assert (small_stick / "films.bin").stat().st_size == ballast


def test_the_next_run_completes_once_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tones: Path, reference: dict[str, bytes]
) -> None:
    place = tmp_path / "mounted"
    down = mounted(tmp_path / "image", place, "ext4", 40)
    try:
        (place / "films.bin").write_bytes(bytes(shutil.disk_usage(place).free - (10 << 20)))
        with monkeypatch.context() as pretend:
            pretend.setattr(writing, "check_room", lambda *asked: None)
            with pytest.raises(GainkitError) as fault:
                write_set(read_set(str(tones)), place, AudioFormat())
            assert fault.value.code == "device_full"
        before = contents(place)
        (place / "films.bin").unlink()
        result = write_set(read_set(str(tones)), place, AudioFormat())
        kept = [track.file for track in result.tracks if not track.written]
        assert kept == sorted(name for name in before if name.endswith(".wav"))
        assert contents(place) == reference
        assert check_tones(place).ok
    finally:
        subprocess.run(down, check=True)


def test_write_protected_device(tmp_path: Path, tones: Path, gainkit: Callable[..., object]) -> None:
    place = tmp_path / "mounted"
    down = mounted(tmp_path / "image", place, "ext4", 40)
    try:
        (place / "song.mp3").write_bytes(b"song")
        if subprocess.run(["mount", "-o", "remount,ro", place], capture_output=True, check=False).returncode:
            pytest.skip("cannot remount read-only here")
        with pytest.raises(GainkitError) as fault:
            write_set(read_set(str(tones)), place, AudioFormat())
        assert fault.value.code == "device_read_only"
        assert "read-only" in gainkit("tones", "write", tones, place).refused()  # type: ignore[attr-defined]
        assert contents(place) == {"song.mp3": b"song"}
    finally:
        subprocess.run(down, check=True)
