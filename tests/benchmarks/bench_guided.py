"""The guided job, measured: clicks and keystrokes for a car, latency of the live figure, an hour of live.

    pytest -m benchmark -s tests/benchmarks/bench_guided.py

The latency needs PulseAudio (a null sink of its own server) and PortAudio.
"""

from __future__ import annotations

import fcntl
import os
import resource
import shutil
import statistics
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gainkit.bench.desk import Desk
from gainkit.bench.serve import Asked
from gainkit.bench.sources import LiveFeed
from gainkit.capture.calibration import Calibration
from gainkit.job.folder import start_job
from gainkit.job.places import JobFolder
from gainkit.job.plan import plan_system
from gainkit.job.standing import job_status
from gainkit.job.system import load_system
from gainkit.live import InputSettings
from tests.guided.browser import chromium, screen_of, served
from tests.guided.recordings import Recordings
from tests.guided.test_browser import at, changing

pytestmark = pytest.mark.benchmark
RATE = 48_000

FOUR = """
[source]
preamp_volts = 4.0
clean_position = 31
[[channel]]
name = "Front"
outputs = ["left", "right"]
rated_watts = 75
rated_ohms = 4
load_ohms = 4
overlap_db = 5
[[channel]]
name = "Rear"
outputs = ["left", "right"]
rated_watts = 50
rated_ohms = 4
load_ohms = 4
overlap_db = 5
"""

COUNT = """
window.addEventListener("click", (e) => { if (e.isTrusted && e.detail > 0)
  sessionStorage.clicks = Number(sessionStorage.clicks || 0) + 1; }, true);
window.addEventListener("keydown", (e) => { if (e.isTrusted)
  sessionStorage.keys = Number(sessionStorage.keys || 0) + 1; }, true);
"""


def a_job(folder: Path, text: str) -> Path:
    system = folder / "four.toml"
    system.write_text(text)
    start_job(folder / "job", system)
    return folder / "job"


def test_clicks_and_keystrokes_for_a_four_channel_car(tmp_path: Path) -> None:
    """Every step settled: plan, tones, meter alone, volume, gain found and left, onset, routing, polarity, match."""
    job = a_job(tmp_path, FOUR)
    plan = plan_system(load_system(job / "system.toml"))
    files = Recordings(tmp_path)
    known = Calibration(80.0, 1, float(RATE), "2026-03-14", "by a meter")
    chosen = 0
    with chromium() as browser, served(Asked(job)) as running:
        page = screen_of(browser, running, "phone")
        page.evaluate(COUNT)

        def press(action: str) -> None:
            with changing(page):
                page.locator(f"form[action='/do/{action}'] button").first.click()

        for _ in range(4):
            press("seen")
        for number in range(1, 5):
            at(page, f"gain-{number}")
            press("confirm")
            wanted = running.bench.desk.step().set_volts or 0.0
            for volts in (wanted * 1.3, wanted):
                page.locator("#volts").click()
                page.keyboard.type(f"{volts:.1f}")
                with changing(page):
                    page.keyboard.press("Enter")
            press("keep")
        JobFolder(job).calibration.write_text(known.as_toml())
        for number in range(1, 5):
            at(page, f"onset-{number}")
            channel = plan.channels[(number - 1) // 2]
            with changing(page):
                page.set_input_files("#file", files.staircase(f"{number}.wav", channel))
            chosen += 3  # the button, the file, 'open'
            press("keep")
        press("confirm")
        press("seen")
        for number in range(1, 5):
            at(page, f"polarity-{number}")
            press("confirm")
            press("polarity")
            press("keep")
        at(page, "match")
        press("seen")
        while running.bench.desk.current != "page":
            press("next")
        clicks = int(page.evaluate("sessionStorage.clicks || 0"))
        keys = int(page.evaluate("sessionStorage.keys || 0"))
    assert job_status(job).ok
    total = clicks + keys + chosen
    print(f"\nfour channels: {clicks} clicks, {keys} keystrokes, {chosen} in the file dialogue: {total} in all")
    assert total < 200


class Moving:
    """Blocks as quick as they are asked for: a tone whose level moves every ten seconds."""

    def __init__(self, seconds: float) -> None:
        self.left = round(seconds * RATE)

    def __iter__(self) -> Iterator[Any]:
        size, frame = 4800, 0
        noise = np.random.default_rng(1).normal(0, 1e-5, (size, 1))
        while self.left > 0:
            time_seconds = np.arange(frame, frame + size) / RATE
            level = 0.2 + 0.02 * ((frame // (10 * RATE)) % 5)
            yield (level * np.sin(2 * np.pi * 997 * time_seconds)[:, np.newaxis] + noise).astype(np.float32)
            frame += size
            self.left -= size


def test_an_hour_of_live_takes_no_more_memory_and_little_of_a_core(tmp_path: Path) -> None:
    job = a_job(tmp_path, FOUR)
    desk = Desk(job)
    desk.go("gain-1")
    desk.confirm("gain-1")
    JobFolder(job).calibration.write_text(
        Calibration(80.0, 1, float(RATE), "2026-03-14", "by a meter").as_toml()
    )
    settings = InputSettings("line input", float(RATE), 1)
    feed = LiveFeed(desk, lambda: None)
    feed.read(Moving(60.0), settings)
    kilobytes = _held()
    started = time.process_time()
    feed.read(Moving(3600.0), settings)
    share = (time.process_time() - started) / 3600
    grown = _held() - kilobytes
    desk.close()
    print(f"\nan hour of live: {100 * share:.1f} % of a core, {grown} kB more memory")
    assert share < 0.10
    assert grown < 20_000


def _held() -> int:
    """Memory held now [kB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() // 1024


# ---- over a null sink -----------------------------------------------------------------------------------------


@pytest.fixture
def null_sink(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A PulseAudio server of our own with a null sink, whose monitor is the default input."""
    if shutil.which("pulseaudio") is None or shutil.which("pacat") is None:
        pytest.skip("PulseAudio is not installed")
    run = tmp_path / "run"
    run.mkdir(mode=0o700)
    for name in ("XDG_RUNTIME_DIR", "PULSE_RUNTIME_PATH", "HOME"):
        monkeypatch.setenv(name, str(run))
    monkeypatch.setenv("PULSE_SERVER", f"unix:{run}/native")
    (run / ".asoundrc").write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
    loads = [
        f"module-native-protocol-unix socket={run}/native auth-anonymous=1",
        "module-null-sink sink_name=null rate=48000",
    ]
    words = ["pulseaudio", "-n", "--exit-idle-time=-1", "--use-pid-file=no", "--disallow-exit"]
    server = subprocess.Popen(
        [*words, *(each for load in loads for each in ("-L", load))],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    for _ in range(100):
        if (run / "native").exists():
            break
        time.sleep(0.05)
    monkeypatch.setenv("PULSE_SINK", "null")
    monkeypatch.setenv("PULSE_SOURCE", "null.monitor")
    yield
    server.terminate()
    server.wait(timeout=10)


class Player:
    """Plays a tone into the sink, whose level can be moved; tells when the first louder frame went out."""

    def __init__(self) -> None:
        words = ["pacat", "--playback", "--rate=48000", "--channels=1", "--format=float32le"]
        words += ["--latency-msec=20", "--process-time-msec=5"]
        self.pacat = subprocess.Popen(words, stdin=subprocess.PIPE)
        assert self.pacat.stdin is not None
        fcntl.fcntl(self.pacat.stdin.fileno(), F_SETPIPE_SZ, 4096)  # else a third of a second waits in the pipe
        self.level, self.moved_at = 0.2, 0.0
        self.asked = threading.Event()
        self.ends = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        frame, size = 0, 480
        started = time.monotonic()
        assert self.pacat.stdin is not None
        while not self.ends.is_set():
            if self.asked.is_set():
                self.asked.clear()
                self.level = 0.2 if self.level > 0.2 else 0.24
                self.moved_at = time.monotonic()
            time_seconds = np.arange(frame, frame + size) / RATE
            wave = self.level * np.sin(2 * np.pi * 997 * time_seconds)
            self.pacat.stdin.write(wave.astype("<f4").tobytes())
            self.pacat.stdin.flush()
            frame += size
            time.sleep(max(0.0, started + frame / RATE - time.monotonic()))

    def close(self) -> None:
        self.ends.set()
        self.thread.join()
        self.pacat.kill()
        self.pacat.wait()


F_SETPIPE_SZ = 1031
"""Linux's own number of the call (fcntl.h)."""

RUNS = 25


def test_latency_from_the_tone_to_the_page(tmp_path: Path, null_sink: None) -> None:
    pytest.importorskip("sounddevice")
    job = a_job(tmp_path, FOUR)
    JobFolder(job).calibration.write_text(
        Calibration(80.0, 1, float(RATE), "2026-03-14", "by a meter").as_toml()
    )
    player = Player()
    try:
        with chromium() as browser, served(Asked(job, live=True)) as running:
            page = screen_of(browser, running, "phone")
            running.bench.desk.go("gain-1")
            running.bench.desk.confirm("gain-1")
            at(page, "gain-1")
            page.wait_for_timeout(3000)
            page.evaluate(
                "new MutationObserver(() => { const text = document.getElementById('figures').textContent; "
                "if (text.split(' ')[0] === (window.figure || '').split(' ')[0]) return; window.figure = text; "
                "window.figureAt = performance.timeOrigin + performance.now(); })"
                ".observe(document.body, {subtree: true, childList: true, characterData: true})"
            )
            before_cpu = os.times()
            began = time.monotonic()
            waits = [_one(page, player) for _ in range(RUNS)]
            after_cpu = os.times()
            used = after_cpu.user - before_cpu.user + after_cpu.system - before_cpu.system
            share = used / (time.monotonic() - began)
    finally:
        player.close()
    waits.sort()
    print(
        f"\nlatency: median {statistics.median(waits):.3f} s, worst {waits[-1]:.3f} s of {RUNS}; "
        f"server, player and test together {100 * share:.0f} % of a core"
    )
    assert statistics.median(waits) < 0.4


def _one(page: Any, player: Player) -> float:
    """Seconds from a change of the tone to the figure on the page that belongs to it."""
    page.wait_for_timeout(int(900 + 400 * np.random.default_rng().uniform()))
    wanted = "11.31" if player.level > 0.2 else "13.58"
    clock = time.time() - time.monotonic()
    player.asked.set()
    for _ in range(400):
        page.wait_for_timeout(10)
        if str(page.evaluate("window.figure || ''")).startswith(wanted):
            break
    else:
        pytest.fail(f"{wanted} V never came: {page.inner_text('#figures')}")
    # the page's own time of its last change: asking it does not count
    seen_at = float(page.evaluate("window.figureAt")) / 1000
    return seen_at - (player.moved_at + clock)
