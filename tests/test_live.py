"""Live readings, with an interface of our own making in the place of the sound system's library."""

from __future__ import annotations

import itertools
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.beside import Expected
from gainkit.capture import Capture
from gainkit.cli.large import LETTERS, large_screen, large_words
from gainkit.errors import GainkitError
from gainkit.live import InputSettings, limited, watch
from tests.conftest import Answer
from tests.waves import RATE, Floats, held, shaped, sine

BLOCK = 1024


def cut(wave: Floats, block: int = BLOCK) -> Iterator[np.ndarray]:
    table = wave.astype(np.float32)
    table = table[:, np.newaxis] if table.ndim == 1 else table
    for start in range(0, len(table), block):
        yield table[start : start + block]


def library(wave: Floats, inputs: int = 2, faults: int = 0, blocks: int = 150) -> types.ModuleType:
    """A stand-in for the sound system's library that plays a wave over and over into its callback.

    All blocks come while the stream is started, before the first is read: the machine's speed decides nothing.
    """

    class Stream:
        def __init__(self, *, callback: Callable[..., None], channels: int, **_: Any) -> None:
            self.channels, self.callback = channels, callback

        def start(self) -> None:
            table = np.repeat(wave[:, np.newaxis], self.channels, axis=1)
            sound = itertools.chain.from_iterable(cut(table) for _ in itertools.count())
            for number, block in enumerate(itertools.islice(sound, blocks)):
                self.callback(block, len(block), None, "input overflow" if number < faults else None)

        def close(self) -> None:
            pass

    module = types.ModuleType("sounddevice")
    module.InputStream = Stream  # type: ignore[attr-defined]
    module.PortAudioError = type("PortAudioError", (Exception,), {})  # type: ignore[attr-defined]

    def query(device: object, kind: str) -> dict[str, object]:
        if device == "nothing":
            raise ValueError("No input device matching 'nothing'")
        return {"name": "Two inputs", "max_input_channels": inputs, "default_samplerate": float(RATE)}

    module.query_devices = query  # type: ignore[attr-defined]
    return module


@pytest.mark.parametrize("block", [64, 1000, 30_000])
def test_readings_are_those_of_measure_four_times_a_second(block: int) -> None:
    wave = sine(997, 3 * RATE, peak=0.5)
    recorder = InputSettings("test", RATE, 1, full_scale_volts=20.0)
    readings = list(watch(cut(wave, block), recorder, MeasureOptions(target_volts=7.0)))
    assert len(readings) == (5 if block == 30_000 else pytest.approx(10, abs=1))
    for seconds, found in readings:
        assert seconds <= 3
        assert isinstance(found, Measurement)
        assert found.rms_volts == pytest.approx(10 / 2**0.5, rel=1e-6)
        assert found.target is not None
        assert found.target.change_db == pytest.approx(20 * np.log10(7 / (10 / 2**0.5)), abs=1e-5)
        assert found.clipping.state == "clean"


def test_a_display_goes_on_where_there_is_no_tone() -> None:
    wave = np.concatenate([np.zeros(RATE), sine(997, RATE, peak=0.3), np.zeros(RATE)])
    found = [reading for _, reading in watch(cut(wave), InputSettings("test", RATE, 1), MeasureOptions())]
    assert all(isinstance(reading, Measurement) for reading in found)
    steady = [isinstance(reading, Measurement) and reading.steady_tone for reading in found]
    assert steady[0] is False
    assert any(steady)
    assert steady[-1] is False


def test_the_end_is_exact_to_the_frame() -> None:
    assert sum(len(block) for block in limited(cut(np.zeros(RATE)), RATE, 0.7)) == round(0.7 * RATE)


def test_the_command_ends_by_itself_with_one_object_and_keeps_the_recording(
    tmp_path: Path, gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    wave = 0.4 * shaped(held(1.5), 1000, RATE)[: 20 * 1008]
    monkeypatch.setitem(sys.modules, "sounddevice", library(wave[: 20 * 48 * 21], faults=1))
    kept = tmp_path / "kept.wav"
    answer = gainkit(
        "live", "--seconds", 2, "--json", "--full-scale-volts", 50, "--target-volts", 10, "--save", kept
    )
    found = answer.json
    assert (found["device"], found["last"]["calibrated"], found["lost_blocks"]) == ("Two inputs", True, 1)
    assert found["seconds"] == pytest.approx(2, abs=0.25)  # the last reading's end, four of them a second
    assert found["clipped_readings"] == found["readings"] > 4
    assert found["last"]["clipping"]["overdrive_db"] == pytest.approx(1.5, abs=0.05)
    recording, rate = soundfile.read(kept)
    assert (len(recording), rate) == (2 * RATE, RATE)
    assert "--overwrite" in gainkit("live", "--seconds", 1, "--json", "--save", kept).refused()


def test_lines_for_a_person_say_what_to_turn(
    gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", library(sine(1000, 48 * 1000, peak=0.5)))
    out = gainkit("live", "--seconds", 1, "--full-scale-volts", 20, "--target-volts", 10).out
    assert "turn +3.0 dB" in out
    assert "CLEAN" in out
    monkeypatch.setitem(sys.modules, "sounddevice", library(np.clip(sine(1000, 48 * 1000, peak=2), -1, 1)))
    assert "OVERLOADED" in gainkit("live", "--seconds", 1).out


def test_blocks_that_nobody_fetches_are_counted_and_an_interface_that_falls_silent_is_told(
    gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gainkit.live.SILENCE_SECONDS", 0.0)
    monkeypatch.setitem(sys.modules, "sounddevice", library(np.zeros(50 * BLOCK), blocks=412))
    waiting = 400 * BLOCK / RATE  # what the queue holds
    assert gainkit("live", "--seconds", waiting, "--json").json["lost_blocks"] == 12
    assert "delivers nothing" in gainkit("live", "--seconds", waiting + 1, "--json").refused()


def test_what_cannot_be_measured_live_is_refused(
    gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", library(np.zeros(RATE)))
    assert "nothing" in gainkit("live", "--device", "nothing", "--seconds", 1).refused()
    assert "2 inputs" in gainkit("live", "--channel", 3, "--seconds", 1).refused()
    assert "--seconds" in gainkit("live", "--json").refused()
    assert "--seconds" in gainkit("live", "--seconds", 0).refused()
    assert ".wav" in gainkit("live", "--seconds", 1, "--json", "--save", tmp_path / "a.flac").refused()
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    assert "extra" in gainkit("live", "--seconds", 1).refused()
    assert "extra" in gainkit("bench", tmp_path, "--live").refused()


def letters_of(screen: str, size: int) -> str:
    """A line of large letters read back: the middle of each block, five rows of five."""
    rows = screen.split("\n")[: 5 * size : size]
    wide = max(map(len, rows))
    cells = [[row.ljust(wide)[place] == "\u2588" for place in range(0, wide, 2 * size)] for row in rows]
    known = {
        tuple(tuple(bit == "1" for bit in row) for row in bits.split()): each for each, bits in LETTERS.items()
    }
    read = ""
    for start in range(0, len(cells[0]), 6):
        read += known[tuple(tuple([*row[start : start + 5], *[False] * 5][:5]) for row in cells)]
    return read


def test_large_letters_fill_the_screen_and_can_be_read() -> None:
    loud = measure(Capture.from_array(12 * sine(997), RATE), MeasureOptions(target_volts=5.0))
    words = large_words(loud, Expected())
    assert words == ("8.485 V", "-4.6 dB", "CLEAN")
    for columns, rows, size in ((84, 18, 1), (170, 40, 2), (260, 70, 3)):
        screen = large_screen(words, columns, rows)
        lines = screen.split("\n")
        assert max(map(len, lines)) <= columns
        assert len(lines) <= rows
        assert letters_of(screen, size) == "8.485 V"
    assert large_screen(words, 20, 10) == "8.485 V\n-4.6 dB\nCLEAN"


def test_large_letters_tell_what_may_hurt_first() -> None:
    def told(wave: Floats, **asked: Any) -> tuple[str, ...]:
        return large_words(measure(Capture.from_array(wave, RATE), MeasureOptions(**asked)), Expected())

    assert told(12 * sine(997) + 3, target_volts=5.0) == ("DC +3 V",)
    assert told(np.clip(12 * sine(997), -9, 9))[-1] == "CLIPPED"
    assert told(10 * sine(997), target_volts=7.07)[1] == "ON TARGET"
    assert large_words(GainkitError("recording_silent"), Expected()) == ("WAIT",)


def test_the_command_shows_large_letters(
    gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", library(0.3 * sine(997)))
    out = gainkit("live", "--seconds", 1, "--full-scale-volts", 20, "--large").out
    assert "\u2588" in out
    assert "THD" not in out


def test_ctrl_c_keeps_the_recording_and_says_how_the_run_ended(
    tmp_path: Path, gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    from gainkit import live

    def stopped(self: object) -> Iterator[np.ndarray]:
        for _ in range(30):
            yield np.full((4800, 1), 0.25, np.float32)
        raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "sounddevice", library(sine(1000, 48 * 1000, peak=0.5)))
    monkeypatch.setattr(live.Interface, "__iter__", stopped)
    answer = gainkit("live", "--save", tmp_path / "kept.wav")
    assert answer.code == 0
    assert "readings in" in answer.out
    assert len(soundfile.read(tmp_path / "kept.wav")[0]) == 30 * 4800
    missing = gainkit("live", "--save", tmp_path / "not there" / "kept.wav")
    assert (missing.code, "Problem: The folder" in missing.err) == (2, True)
