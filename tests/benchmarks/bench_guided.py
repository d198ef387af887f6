"""The guided job, measured: clicks and keystrokes for a car, latency of the live figure, an hour of live.

    pytest -m benchmark -s tests/benchmarks/bench_guided.py

The latency needs PulseAudio (a null sink of its own server) and PortAudio.
"""

from __future__ import annotations

import os
import resource
import statistics
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gainkit.bench.desk import Desk
from gainkit.bench.serve import ServeOptions
from gainkit.bench.sources import LiveFeed
from gainkit.capture.calibration import Calibration
from gainkit.job.folder import start_job
from gainkit.job.places import JobFolder
from gainkit.job.plan import plan_system
from gainkit.job.standing import job_status
from gainkit.job.system import load_system
from gainkit.live import InputSettings
from tests.guided.browser import chromium, entered, screen_of, served, until
from tests.guided.conftest import null_sink, player_of, program
from tests.guided.program import Program
from tests.guided.recordings import Recordings
from tests.guided.sound import NullSink, Player
from tests.guided.test_browser import at, changing, click

__all__ = ["null_sink", "player_of", "program"]

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
    with chromium() as browser, served(ServeOptions(job)) as running:
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


def _held(process: int | str = "self") -> int:
    """Memory that a process holds now [kB]."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * resource.getpagesize() // 1024


# ---- over a null sink -----------------------------------------------------------------------------------------


RUNS = 25


def test_latency_from_the_tone_to_the_page(
    tmp_path: Path, null_sink: NullSink, player_of: Callable[..., Player], program: Callable[..., Program]
) -> None:
    null_sink.start()
    job = a_job(tmp_path, FOUR)
    JobFolder(job).calibration.write_text(
        Calibration(80.0, 1, float(RATE), "2026-03-14", "by a meter").as_toml()
    )
    player = player_of(null_sink, quick=True, right=1.0)
    player.move(0.2, 997.0)
    running = program(job, "--live", environment=null_sink.environment)
    with chromium() as browser:
        page = entered(browser, running.address, "phone")
        click(page, "go", "gain-1")
        click(page, "confirm")
        until(page, "document.getElementById('figures').textContent.startsWith('11.31')")
        page.evaluate(
            "new MutationObserver(() => { const text = document.getElementById('figures').textContent; "
            "if (text.split(' ')[0] === (window.figure || '').split(' ')[0]) return; window.figure = text; "
            "window.figureAt = performance.timeOrigin + performance.now(); })"
            ".observe(document.body, {subtree: true, childList: true, characterData: true})"
        )
        began, before = time.monotonic(), cpu_seconds(running)
        waits = [_one(page, player) for _ in range(RUNS)]
        share = (cpu_seconds(running) - before) / (time.monotonic() - began)
    waits.sort()
    print(
        f"\nlatency: median {statistics.median(waits):.3f} s, worst {waits[-1]:.3f} s of {RUNS}; "
        f"the server takes {100 * share:.0f} % of a core"
    )
    assert statistics.median(waits) < 0.4


def test_live_in_real_time(
    tmp_path: Path, null_sink: NullSink, player_of: Callable[..., Player], program: Callable[..., Program]
) -> None:
    """Through the sound system and out to a screen, as long as GAINKIT_LIVE_MINUTES says. The level moves every
    ten seconds, and for ten seconds of each minute all the time, as under a hand on the knob."""
    minutes = float(os.environ.get("GAINKIT_LIVE_MINUTES", "3"))
    null_sink.start()
    job = a_job(tmp_path, FOUR)
    JobFolder(job).calibration.write_text(
        Calibration(80.0, 1, float(RATE), "2026-03-14", "by a meter").as_toml()
    )
    player = player_of(null_sink, right=1.0)
    running = program(job, "--live", environment=null_sink.environment)
    with chromium() as browser:
        page = entered(browser, running.address, "phone")
        click(page, "go", "gain-1")
        click(page, "confirm")
        for second in range(20):
            player.move(0.2 + 0.002 * second, 997.0)
            page.wait_for_timeout(1000)
        kilobytes, before, began = _held(running.process.pid), cpu_seconds(running), time.monotonic()
        while (gone := time.monotonic() - began) < 60 * minutes:
            knob = 0.04 * np.sin(gone) if gone % 60 > 50 else 0.02 * (gone // 10 % 5)
            player.move(0.24 + knob, 997.0)
            page.wait_for_timeout(100)
        share = (cpu_seconds(running) - before) / gone
        grown = _held(running.process.pid) - kilobytes
        assert page.locator("#keeping").is_visible()
    print(f"\n{minutes:g} minutes of live: {100 * share:.1f} % of a core, {grown} kB more memory")
    assert share < 0.10
    assert grown < 20_000


def _one(page: Any, player: Player) -> float:
    """Seconds from a change of the tone to the figure on the page that belongs to it."""
    page.wait_for_timeout(int(900 + 400 * np.random.default_rng().uniform()))
    peak, wanted = (0.2, "11.31") if player.peak > 0.2 else (0.24, "13.58")
    clock = time.time() - time.monotonic()
    player.move(peak, 997.0)
    for _ in range(400):
        page.wait_for_timeout(10)
        if str(page.evaluate("window.figure || ''")).startswith(wanted):
            break
    else:
        pytest.fail(f"{wanted} V never came: {page.inner_text('#figures')}")
    # the page's own time of its last change: asking it does not count
    seen_at = float(page.evaluate("window.figureAt")) / 1000
    return seen_at - (player.moved_at + clock)


def cpu_seconds(running: Program) -> float:
    """Processor time that a program has taken so far [s]."""
    fields = Path(f"/proc/{running.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
