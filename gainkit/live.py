"""An audio interface read block by block: what a meter would show, several times a second."""

from __future__ import annotations

import contextlib
import queue
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.calculator.ranges import Range
from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.recording import Recording
from gainkit.results import Result

Blocks = Iterable[NDArray[np.float32]]

WINDOW_SECONDS = 0.5
"""Length that one reading looks at [s]: 25 cycles of a 50 Hz tone."""

EVERY_SECONDS = 0.25
"""Time from one reading to the next [s]: as fast as a hand on a gain control can follow."""

RUN_SECONDS = Range("s", 1, 86_400, low_allowed=True)
"""How long a run with an end may be."""

SILENCE_SECONDS = 2.0
"""An open interface that brings no block for so long [s] is gone: blocks come every few ms."""

BITS = 24
"""Interfaces deliver 24 bits; one step of them tells a sample at full scale."""


@dataclass(frozen=True)
class InputSettings:
    """What is known of the interface and of what hangs before it.

    full_scale_volts : peak volts of digital 1.0 [V], None: not known.
    """

    device: str
    sample_rate_hz: float
    channels: int
    full_scale_volts: float | None = None


@dataclass(frozen=True, repr=False)
class LiveResult(Result):
    """What a run of so many seconds ends with: the last reading, and what the run as a whole showed.

    readings : how many. clipped_readings, overloads : of them. lost_blocks : times the machine was too slow.
    problem : code of the fault for which the last window gave no reading, None when it gave one.
    """

    device: str
    seconds: float
    readings: int
    clipped_readings: int
    overloads: int
    lost_blocks: int
    last: Measurement | None
    problem: str | None


def watch(
    blocks: Blocks, settings: InputSettings, options: MeasureOptions, every_seconds: float = EVERY_SECONDS
) -> Iterator[tuple[float, Measurement | GainkitError]]:
    """(seconds since the start, reading) each time enough new frames have come.

    blocks : (frames, channels) in full-scale units. A window without three cycles of anything yields the
    GainkitError that says so: a live display goes on. Memory holds one window.
    """
    size = round(WINDOW_SECONDS * settings.sample_rate_hz)
    every = max(round(every_seconds * settings.sample_rate_hz), 1)
    held = np.empty((0, settings.channels), np.float32)
    total, due = 0, size
    for block in blocks:
        held = np.concatenate([held, block])[-size:]
        total += len(block)
        if total < due:
            continue
        due = total + every
        yield total / settings.sample_rate_hz, read_window(held, settings, options)


def read_window(
    window: NDArray[np.float32], settings: InputSettings, options: MeasureOptions
) -> Measurement | GainkitError:
    """One reading of (frames, channels) in full-scale units, or the GainkitError of one that tells nothing."""
    try:
        return measure(capture_of(window, settings), options)
    except GainkitError as fault:
        return fault


def capture_of(window: NDArray[np.float32], settings: InputSettings) -> Capture:
    """What an interface delivered, as a capture."""
    return replace(
        Capture.from_array(
            window,  # type: ignore[arg-type]
            settings.sample_rate_hz,
            file=settings.device,
            volts_per_unit=settings.full_scale_volts or 1.0,
            calibrated=settings.full_scale_volts is not None,
        ),
        has_full_scale=True,
        step_units=2.0 ** (1 - BITS),
    )


def limited(blocks: Blocks, sample_rate_hz: float, seconds: float | None) -> Iterator[NDArray[np.float32]]:
    """Blocks until so many seconds have come, the last one cut; all when None."""
    left = None if seconds is None else round(seconds * sample_rate_hz)
    for block in blocks:
        if left is not None:
            block = block[:left]
            left -= len(block)
        yield block
        if left == 0:
            return


@contextlib.contextmanager
def saved(blocks: Blocks, path: Path | None, settings: InputSettings, overwrite: bool) -> Iterator[Blocks]:
    """The same blocks, kept in a 24-bit WAV file that is whole at any moment; as they are when path is None."""
    if path is None:
        yield blocks
        return
    if path.suffix.lower() != ".wav":
        raise GainkitError("wrong_suffix", "save", path, (".wav",))
    with Recording(path, round(settings.sample_rate_hz), settings.channels, overwrite=overwrite) as file:
        yield _kept(blocks, file)


def _kept(blocks: Blocks, file: Recording) -> Iterator[NDArray[np.float32]]:
    for block in blocks:
        file.write(block)
        yield block


class Interface:
    """Blocks of an open audio interface; `lost` counts those that the machine was too slow for."""

    def __init__(self, device: str | None, sample_rate_hz: float | None, channels: int) -> None:
        sounddevice = _sounddevice()
        self.lost = 0
        self._waiting: queue.Queue[NDArray[np.float32]] = queue.Queue(maxsize=400)
        try:
            wanted = int(device) if device is not None and device.isdigit() else device
            about = sounddevice.query_devices(wanted, "input")
            self.name, self.channels = str(about["name"]), channels
            if int(about["max_input_channels"]) < channels:
                inputs = int(about["max_input_channels"])
                raise GainkitError("too_few_inputs", "channel", channels, device=self.name, inputs=inputs)
            self.sample_rate_hz = float(sample_rate_hz or about["default_samplerate"])
            self._stream = sounddevice.InputStream(
                samplerate=self.sample_rate_hz, device=wanted, channels=channels, dtype="float32",
                callback=self._take,
            )  # fmt: skip
            self._stream.start()
        except (ValueError, sounddevice.PortAudioError) as fault:
            raise GainkitError("interface_not_opened", "device", device, told=str(fault)) from fault

    def _take(self, data: NDArray[np.float32], frames: int, time: Any, status: Any) -> None:
        """Called by the sound system in a thread of its own: copy and go."""
        if status:
            self.lost += 1
        try:
            self._waiting.put_nowait(data.copy())
        except queue.Full:
            self.lost += 1

    def __iter__(self) -> Iterator[NDArray[np.float32]]:
        while True:
            try:
                yield self._waiting.get(timeout=SILENCE_SECONDS)
            except queue.Empty:
                raise GainkitError("interface_gone", "device", self.name) from None

    def close(self) -> None:
        with contextlib.suppress(_sounddevice().PortAudioError):  # it may be gone already
            self._stream.close()


def check_library() -> None:
    """Raise GainkitError (`needs_extra`, `sound_library_missing`) where no interface can be read at all."""
    _sounddevice()


def look_again() -> None:
    """Have the sound library list its devices anew: it does so once only, and misses what is plugged in later.
    No interface may be open.

    Raises GainkitError (`needs_extra`, `sound_library_missing`, `interface_not_opened`).
    """
    sounddevice = _sounddevice()
    try:
        sounddevice._terminate()
        sounddevice._initialize()
    except sounddevice.PortAudioError as fault:
        raise GainkitError("interface_not_opened", "device", told=str(fault)) from fault


def _sounddevice() -> Any:
    try:
        import sounddevice
    except ImportError as fault:
        raise GainkitError("needs_extra", extra="live") from fault
    except OSError as fault:  # the wheel for Linux leaves the PortAudio library to the system
        raise GainkitError("sound_library_missing", told=str(fault)) from fault
    return sounddevice
