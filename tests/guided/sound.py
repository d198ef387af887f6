"""An audio interface without hardware: a PulseAudio server of our own, its null sink, what plays into it."""

from __future__ import annotations

import ctypes.util
import fcntl
import importlib.util
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

RATE = 48_000

F_SETPIPE_SZ = 1031
"""Linux's own number of the call (fcntl.h)."""

ALSA = "pcm.!default { type pulse }\nctl.!default { type pulse }\n"
"""The system's default device of ALSA, which PortAudio opens, is PulseAudio's."""


class NullSink:
    """The monitor of its null sink is the default input of whatever runs in `environment`.

    It can be stopped and started again, as an interface is unplugged and plugged in.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.server: subprocess.Popen[bytes] | None = None
        folder.mkdir(mode=0o700)
        (folder / ".asoundrc").write_text(ALSA)
        own = dict.fromkeys(("XDG_RUNTIME_DIR", "PULSE_RUNTIME_PATH", "HOME"), str(folder))
        names = {"PULSE_SERVER": f"unix:{folder}/native", "PULSE_SINK": "null", "PULSE_SOURCE": "null.monitor"}
        self.environment = {**os.environ, **own, **names}

    def start(self) -> None:
        """Start the server; it takes connections when this returns."""
        loads = (
            f"module-native-protocol-unix socket={self.folder}/native auth-anonymous=1",
            "module-null-sink sink_name=null rate=48000 format=float32le channels=2",
        )
        words = ["pulseaudio", "-n", "--exit-idle-time=-1", "--use-pid-file=no", "--disallow-exit"]
        words += ["--disable-shm=yes", "--realtime=no", "--high-priority=no"]
        words += [each for load in loads for each in ("-L", load)]
        quiet = subprocess.DEVNULL
        self.server = subprocess.Popen(words, stdout=quiet, stderr=quiet, env=self.environment)
        for _ in range(600):
            asked = ["pactl", "list", "short", "sources"]
            told = subprocess.run(asked, capture_output=True, env=self.environment, check=False)
            if b"null.monitor" in told.stdout:
                return
            time.sleep(0.1)
        pytest.fail("PulseAudio did not start")

    def stop(self) -> None:
        """Kill the server, where it runs."""
        if self.server is not None:
            self.server.kill()
            self.server.wait(timeout=30)
            (self.folder / "native").unlink(missing_ok=True)
        self.server = None


@pytest.fixture
def null_sink(tmp_path: Path) -> Iterator[NullSink]:
    """One that is not started yet; the test is skipped, or fails, where something is not installed."""
    missing = [each for each in ("pulseaudio", "pactl", "pacat") if shutil.which(each) is None]
    if importlib.util.find_spec("sounddevice") is None:
        missing.append("sounddevice")
    if ctypes.util.find_library("portaudio") is None:
        missing.append("PortAudio (libportaudio2)")
    if not any(Path("/usr/lib").glob("**/alsa-lib/libasound_module_pcm_pulse.so")):
        missing.append("ALSA's plugin for PulseAudio (libasound2-plugins)")
    if missing and os.environ.get("GAINKIT_REQUIRE_ORACLES") == "1":
        pytest.fail(f"needed: {', '.join(missing)}")
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")
    sink = NullSink(tmp_path / "sound")
    yield sink
    sink.stop()


class Player:
    """Plays a tone into the sink; its level and frequency can be changed while it plays.

    right : the level on the right line, of that on the left one.

    peak, frequency_hz : of what is written from now on. quick : little is buffered, so that a change is soon
    heard; else a busy machine leaves no gaps. moved_at : when the first frames after the last `move` were
    written [s of time.monotonic()].
    """

    def __init__(self, sink: NullSink, *, quick: bool = False, right: float = -1.0) -> None:
        words = ["pacat", "--playback", f"--rate={RATE}", "--channels=2", "--format=float32le"]
        words += ["--latency-msec=20", "--process-time-msec=5"] if quick else ["--latency-msec=500"]
        self.pacat = subprocess.Popen(words, stdin=subprocess.PIPE, env=sink.environment)
        assert self.pacat.stdin is not None
        fcntl.fcntl(self.pacat.stdin.fileno(), F_SETPIPE_SZ, 4096)  # else a third of a second waits in the pipe
        self.peak, self.frequency_hz, self.moved_at = 0.0, 1000.0, 0.0
        self.quick, self.right = quick, right
        self._asked: Callable[[], None] | None = None
        self._ends = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def move(self, peak: float, frequency_hz: float) -> None:
        """Another level and frequency, from the next frames on."""

        def moved() -> None:
            self.peak, self.frequency_hz, self.moved_at = peak, frequency_hz, time.monotonic()

        self._asked = moved

    def _run(self) -> None:
        frames, size = 0, 480
        phase = 0.0
        began = time.monotonic()
        out: Any = self.pacat.stdin
        while not self._ends.is_set():
            if self._asked is not None:
                self._asked()
                self._asked = None
            steps = 2 * np.pi * self.frequency_hz / RATE * np.arange(size)
            wave = self.peak * np.sin(phase + steps)
            phase += 2 * np.pi * self.frequency_hz / RATE * size
            try:
                out.write(np.stack([wave, self.right * wave], axis=1).astype("<f4").tobytes())
                out.flush()
            except BrokenPipeError:  # the sink was stopped
                return
            frames += size
            if self.quick:
                time.sleep(max(0.0, began + frames / RATE - time.monotonic()))

    def close(self) -> None:
        """End it."""
        self._ends.set()
        self.pacat.kill()
        self.thread.join(timeout=30)
        self.pacat.wait(timeout=30)


@pytest.fixture
def player_of() -> Iterator[Callable[..., Player]]:
    """Starts players; none outlives its test."""
    made: list[Player] = []

    def start(sink: NullSink, **more: Any) -> Player:
        made.append(Player(sink, **more))
        return made[-1]

    yield start
    for each in made:
        each.close()
