"""Where readings come from by themselves: an audio interface, and a folder that another program saves into."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.bench.desk import Desk
from gainkit.capture.calibration import read_calibration
from gainkit.errors import GainkitError
from gainkit.live import InputSettings, Interface, capture_of, look_again, read_window
from gainkit.steps import Step, take
from gainkit.steps.taking import measure_options

WINDOW_SECONDS = 0.12
"""What a live reading looks at [s]: short, so that it soon holds nothing from before the knob was turned."""

LEAST_CYCLES = 6.0
"""... but so many cycles of the step's tone [-]."""

LOOK_SECONDS = 0.05
"""How often the level is looked at [s]."""

MOVING_SECONDS = 0.1
"""A level that moves is measured so often [s]: a measurement takes some 20 ms of a core."""

MOVED_DB = 0.03
"""A level that moved by more is measured [dB]; one that stands still, once a second."""

STILL_SECONDS = 1.0

AGAIN_SECONDS = 2.0
"""An interface that went away is looked for again after so long [s]."""

RECORD_SECONDS = 120.0
"""The longest recording that the bench makes itself [s]: a staircase takes 21 s."""

WATCHED_SUFFIXES = frozenset(
    {".csv", ".txt", ".tsv", ".wav", ".flac", ".aiff", ".aif", ".caf", ".ogg", ".opus", ".mp3", ".m4a", ".3gp"}
)
MOST_WATCHED_BYTES = 64_000_000
"""A larger file in the watched folder is not read [bytes]."""

Blocks = NDArray[np.float32]


class LiveFeed:
    """Reads an interface in a thread of its own until it is closed; one that goes away is opened again."""

    def __init__(self, desk: Desk, opener: Callable[[], Any]) -> None:
        self.desk, self.opener = desk, opener
        self._stop = threading.Event()
        self._recording: list[Blocks] | None = None
        self._frames_left = 0
        self._recorded_at = ""
        self._lost_blocks: Callable[[], int] = lambda: 0
        self._lost_before = 0
        self.thread = threading.Thread(target=self._run, name="live", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self.thread.start()

    def close(self) -> None:
        """End the thread."""
        self._stop.set()
        self.thread.join(timeout=5)

    def record(self, key: str, seconds: float) -> None:
        """Collect the next seconds for a step; its reading then waits there as a file's does."""
        self.desk.ready(key)
        if self.desk.live.state != "on":
            raise GainkitError("nothing_recorded")
        self._recorded_at, self._frames_left = key, round(min(seconds, RECORD_SECONDS) * self.rate_hz)
        self._lost_before = self._lost_blocks()
        self._recording = []

    def _run(self) -> None:
        try:
            self._read_on()
        finally:
            if not self._stop.is_set():  # whatever ended it: no figure may stand as if it were read now
                self.desk.lose_live(GainkitError("interface_gone", "device"))

    def _read_on(self) -> None:
        while not self._stop.is_set():
            try:
                interface = self.opener()
            except GainkitError as fault:
                self.desk.lose_live(fault)
                self._stop.wait(AGAIN_SECONDS)
                continue
            try:
                self.rate_hz = interface.sample_rate_hz
                settings = InputSettings(interface.name, interface.sample_rate_hz, interface.channels)
                self.read(interface, settings)
            except GainkitError as fault:
                self.desk.lose_live(fault)
                if self._recording is not None:  # what comes later does not belong to it
                    self._recording = None
                    self.desk.fail(GainkitError("recording_has_gaps"))
            finally:
                interface.close()

    def read(self, blocks: Iterable[Blocks], settings: InputSettings) -> None:
        """Readings from blocks (frames, channels) in full-scale units, until they end or the feed is closed."""
        self.rate_hz = settings.sample_rate_hz
        self._lost_blocks = lambda: int(getattr(blocks, "lost", 0))
        size = round(settings.sample_rate_hz)
        every = round(LOOK_SECONDS * settings.sample_rate_hz)
        ring = np.zeros((size, settings.channels), np.float32)
        came, still = 0, 0.0
        shown_db: float | None = None
        shown_at = ""
        for block in blocks:
            if self._stop.is_set():
                return
            self._collect(block, settings)
            ring = np.concatenate([ring, block])[-size:]
            came += len(block)
            if came < every:
                continue
            still += came / settings.sample_rate_hz
            came = 0
            level_db = _level_db(ring[-every:])
            step = self.desk.step()
            moved = shown_db is None or abs(level_db - shown_db) > MOVED_DB or step.key != shown_at
            if still < (MOVING_SECONDS if moved else STILL_SECONDS):
                continue
            shown_db, still, shown_at = level_db, 0.0, step.key
            self._show(step, ring[-_window_frames(step, settings) :], settings)

    def _show(self, step: Step, window: Blocks, settings: InputSettings) -> None:
        from gainkit.analysis import Measurement
        from gainkit.beside import beside_plan

        job = self.desk.job()
        known = self._calibrated(settings)
        reading = read_window(window, known, measure_options(step, job, settings.channels))
        if isinstance(reading, Measurement) and step.output is not None:
            reading = beside_plan(reading, job.plan.channel(job.system.output(step.output).channel))
        self.desk.show_live(reading, settings.device)

    def _calibrated(self, settings: InputSettings) -> InputSettings:
        file = self.desk.calibration_file()
        if file is None:
            return settings
        return replace(settings, full_scale_volts=read_calibration(file).full_scale_volts)

    def _collect(self, block: Blocks, settings: InputSettings) -> None:
        """Add to a recording that was asked for, and read it when it is whole."""
        if self._recording is None:
            return
        self._recording.append(block[: self._frames_left])
        self._frames_left -= len(block)
        if self._frames_left > 0:
            return
        whole, self._recording = np.concatenate(self._recording), None
        if self._lost_blocks() > self._lost_before:
            self.desk.fail(GainkitError("recording_has_gaps"))
            return
        step = self.desk.step(self._recorded_at)
        capture = capture_of(whole, self._calibrated(settings))
        try:
            self.desk.wait(step, replace(take(step, self.desk.job(), [capture]), origin="live"))
        except GainkitError as fault:
            self.desk.fail(fault)


def _window_frames(step: Step, settings: InputSettings) -> int:
    """How much a reading at a step looks at."""
    cycle_seconds = 1.0 / (step.tone.frequency_hz or 1000.0) if step.tone is not None else 1e-3
    return round(min(1.0, max(WINDOW_SECONDS, LEAST_CYCLES * cycle_seconds)) * settings.sample_rate_hz)


def _level_db(window: Blocks) -> float:
    power = float(np.mean(np.square(window, dtype=np.float64)))
    return 10 * float(np.log10(max(power, 1e-20)))


def open_interface(device: str | None, channels: int) -> Interface:
    """The interface that the bench reads, also one plugged in since. Raises GainkitError for none."""
    look_again()
    return Interface(device, None, channels)


class WatchedFolder:
    """Every capture that another program saves into a folder comes to the current step."""

    def __init__(self, desk: Desk, folder: Path) -> None:
        if not folder.is_dir():
            raise GainkitError("not_a_folder", "watch", str(folder))
        self.desk, self.folder = desk, folder
        self._stop = threading.Event()
        self.thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self.thread.start()

    def close(self) -> None:
        """End the thread."""
        self._stop.set()
        self.thread.join(timeout=5)

    def _run(self) -> None:
        from watchfiles import Change, watch

        for changes in watch(self.folder, stop_event=self._stop, recursive=False, debounce=300, step=50):
            for change, name in sorted(changes, key=lambda each: each[1]):
                if change != Change.deleted:
                    self.saved(Path(name))

    def saved(self, path: Path) -> None:
        """A file was saved: read it when it has stopped growing; what cannot be read is told on the page."""
        if path.suffix.lower() not in WATCHED_SUFFIXES or path.name.startswith("."):
            return
        try:
            if path.is_symlink() or not path.is_file() or not _still(path):
                return
            with open(path, "rb", opener=_no_link) as file:
                data = file.read(MOST_WATCHED_BYTES + 1)
        except OSError:
            return
        try:
            if len(data) > MOST_WATCHED_BYTES:
                raise GainkitError("upload_too_large", "capture", most_mb=MOST_WATCHED_BYTES / 1e6)
            self.desk.arrived(self.desk.current, data, path.name)
        except GainkitError as fault:
            self.desk.fail(fault)


def _no_link(path: str, flags: int) -> int:
    """Open what was looked at, not a link or a pipe that has been put in its place since."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))


def _still(path: Path) -> bool:
    """Whether a file keeps its size: a program may still be writing. The next change comes otherwise."""
    before = path.stat().st_size
    time.sleep(0.05)
    return before > 0 and path.stat().st_size == before
