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
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gainkit.errors import GainkitError
from gainkit.toneset import writing
from gainkit.toneset.checking import check_set
from gainkit.toneset.model import Target
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
def long_tones(tmp_path: Path) -> Path:
    path = tmp_path / "long.toml"
    path.write_text(SET.replace("seconds = 20", "seconds = 60"))
    return path


@pytest.fixture
def long_reference(long_tones: Path, tmp_path: Path) -> dict[str, bytes]:
    """The finished long set, from a run that nobody disturbed."""
    write_set(read_set(str(long_tones)), tmp_path / "long", Target())
    return contents(tmp_path / "long")


@pytest.fixture
def reference(tones: Path, tmp_path: Path) -> dict[str, bytes]:
    """The finished set, from a run that nobody disturbed."""
    write_set(read_set(str(tones)), tmp_path / "reference", Target())
    return contents(tmp_path / "reference")


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def start(tones: Path, folder: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", "from gainkit.cli import main; main()", "tones", "write", tones, folder],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def drafts_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir() if path.name.startswith(".") and ".part" in path.name}


def begin(tones: Path, folder: Path) -> subprocess.Popen[bytes]:
    """Start a run and wait until it has begun a file of its own, or ended."""
    stale = drafts_in(folder)
    run = start(tones, folder)
    while run.poll() is None and not drafts_in(folder) - stale:
        time.sleep(0.001)
    return run


def kill_and_look(tones: Path, folder: Path, reference: dict[str, bytes], shares: list[float]) -> list[int]:
    """Kill runs at these shares of the time they write; after each, what stands under a final name is whole.

    Gives the number of final files after each kill.
    """
    mine = {"song.mp3": b"song" * 1000, "index.old": b"mine"}
    folder.mkdir()
    for name, content in mine.items():
        (folder / name).write_bytes(content)

    def clear() -> None:
        for name in reference:
            (folder / name).unlink(missing_ok=True)

    undisturbed = []
    for _ in range(3):
        run = begin(tones, folder)
        begun = time.monotonic()
        assert run.wait() == 0
        undisturbed.append(time.monotonic() - begun)
        clear()
    writing_seconds = min(undisturbed)
    progress, met = [], 0
    for number, share in enumerate(shares):
        if number % 2 == 0:  # every other run goes on where the one before was killed
            clear()
        run = begin(tones, folder)
        time.sleep(share * writing_seconds)
        met += run.poll() is None
        run.send_signal(signal.SIGKILL)
        run.wait()
        found = contents(folder)
        finals = {name: content for name, content in found.items() if name in reference}
        for name, content in finals.items():
            assert content == reference[name], f"{name} after a kill at {share:.2f} of the run"
        drafts = drafts_in(folder)
        assert set(found) == finals.keys() | mine.keys() | drafts
        assert len(drafts) <= 2
        assert "index.json" not in finals or len(finals) == len(reference)
        progress.append(len(finals))
    assert start(tones, folder).wait() == 0
    assert contents(folder) == {**reference, **mine}
    (folder / "song.mp3").unlink()
    assert check_set(folder).ok
    assert met, "no kill met a run at work"
    return progress


def test_killed_at_random_moments(long_tones: Path, tmp_path: Path, long_reference: dict[str, bytes]) -> None:
    draw = random.Random(5)
    kill_and_look(long_tones, tmp_path / "stick", long_reference, [draw.random() for _ in range(6)])


@pytest.mark.benchmark
def test_killed_at_fifty_random_moments(
    long_tones: Path, tmp_path: Path, long_reference: dict[str, bytes]
) -> None:
    draw = random.Random(50)
    progress = kill_and_look(long_tones, tmp_path / "stick", long_reference, [draw.random() for _ in range(50)])
    print(f"\nfinal files after each of 50 kills, of {len(long_reference)}: {progress}")


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
    with pytest.raises(GainkitError, match="MB free; the tracks need"):
        write_set(read_set(str(tones)), small_stick, Target())
    assert contents(small_stick) == {"song.mp3": b"song" * 1000}


@pytest.mark.parametrize("form", ["wav", "flac"])
def test_device_that_fills_up_on_the_way(
    small_stick: Path, tones: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    """The free space is not what it was said to be: the device itself says that it is full."""
    if form == "flac" and f"fusefat {small_stick} fuse" in Path("/proc/mounts").read_text():
        pytest.skip("fusefat loses the small writes by which libFLAC finishes a file's header (seen with 0.1a)")
    target = Target(file_format=form)  # type: ignore[arg-type]
    write_set(read_set(str(tones)), tmp_path / "reference", target)
    reference = contents(tmp_path / "reference")
    (small_stick / "song.mp3").write_bytes(b"song" * 1000)
    ballast = shutil.disk_usage(small_stick).free - (5 << 20)
    (small_stick / "films.bin").write_bytes(bytes(ballast))
    with monkeypatch.context() as pretend:
        pretend.setattr(writing, "_check_space", lambda *asked: None)
        with pytest.raises(GainkitError) as fault:
            write_set(read_set(str(tones)), small_stick, target)
    assert "full" in fault.value.problem
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
            pretend.setattr(writing, "_check_space", lambda *asked: None)
            with pytest.raises(GainkitError, match="full"):
                write_set(read_set(str(tones)), place, Target())
        before = contents(place)
        (place / "films.bin").unlink()
        result = write_set(read_set(str(tones)), place, Target())
        kept = [track["file"] for track in result.tracks if not track["written"]]
        assert kept == sorted(name for name in before if name.endswith(".wav"))
        assert contents(place) == reference
        assert check_set(place).ok
    finally:
        subprocess.run(down, check=True)


def test_write_protected_device(tmp_path: Path, tones: Path, gainkit: Callable[..., object]) -> None:
    place = tmp_path / "mounted"
    down = mounted(tmp_path / "image", place, "ext4", 40)
    try:
        (place / "song.mp3").write_bytes(b"song")
        if subprocess.run(["mount", "-o", "remount,ro", place], capture_output=True, check=False).returncode:
            pytest.skip("cannot remount read-only here")
        with pytest.raises(GainkitError, match="read-only"):
            write_set(read_set(str(tones)), place, Target())
        assert "read-only" in gainkit("tones", "write", tones, place).refused()  # type: ignore[attr-defined]
        assert contents(place) == {"song.mp3": b"song"}
    finally:
        subprocess.run(down, check=True)
