"""Audio files: formats, headers, cuts, and what is told of them. Truth: the samples that were written."""

from __future__ import annotations

import doctest
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from gainkit import capture, recorder
from gainkit.analysis import measure
from gainkit.capture import Capture, read_capture
from gainkit.capture.audio import one_ahead
from gainkit.capture.calibration import Calibration, read_calibration
from gainkit.errors import GainkitError
from gainkit.recorder import calibrate_recorder
from gainkit.remarks import Remark, codes
from gainkit.words import capture as sentences
from tests import references
from tests.conftest import Answer
from tests.test_capture_text import check_mangled
from tests.waves import RATE, sine

Floats = NDArray[np.float64]

STEREO = np.column_stack([sine(997, 4800, peak=0.6), sine(440, 4800, peak=-0.3)])


STEPS = {"PCM_U8": 2**-7, "PCM_16": 2**-15, "PCM_24": 2**-23, "PCM_32": 2**-31, "FLOAT": 1e-7, "DOUBLE": 0}
FORMS = {
    "WAV": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE",
    "WAVEX": "PCM_24 FLOAT",
    "RF64": "PCM_24",
    "W64": "PCM_16",
    "AIFF": "PCM_16 PCM_24 FLOAT",
    "CAF": "PCM_24 FLOAT",
    "FLAC": "PCM_16 PCM_24",
}


@pytest.mark.parametrize(("form", "subtype"), [(f, s) for f, kinds in FORMS.items() for s in kinds.split()])
def test_formats_by_content_not_by_name(tmp_path: Path, form: str, subtype: str) -> None:
    path = tmp_path / "grabación 1.data"
    soundfile.write(path, STEREO, RATE, format=form, subtype=subtype)
    capture = read_capture(path, full_scale_volts=10)
    reference, _ = soundfile.read(path)
    assert (capture.sample_rate_hz, capture.frames, capture.channels) == (RATE, 4800, 2)
    for channel in (1, 2):
        ours = capture.volts(channel=channel)
        np.testing.assert_array_equal(ours, 10 * reference[:, channel - 1])
        np.testing.assert_allclose(ours, 10 * STEREO[:, channel - 1], atol=10 * STEPS[subtype])
    assert capture.hard_full_scale == (subtype not in ("FLOAT", "DOUBLE"))


@pytest.mark.parametrize("tool", ["sox", "ffmpeg"])
@pytest.mark.parametrize("suffix", ["wav", "aiff", "flac", "caf", "w64"])
def test_files_of_other_programs(oracle: Callable[[str], str], tmp_path: Path, tool: str, suffix: str) -> None:
    """sox and ffmpeg write the same samples into other containers."""
    import subprocess

    source, out = tmp_path / "in.wav", tmp_path / f"out.{suffix}"
    soundfile.write(source, STEREO, RATE, subtype="PCM_16")
    plain = ["-c:a", "pcm_s16le"] if suffix in ("caf", "w64") else []
    call = [oracle(tool), str(source), str(out)]
    if tool == "ffmpeg":
        call = [oracle(tool), "-loglevel", "error", "-i", str(source), *plain, str(out)]
    if subprocess.run(call, capture_output=True, check=False).returncode:
        pytest.skip(f"this {tool} writes no {suffix}")
    np.testing.assert_array_equal(read_capture(out).volts(channel=2), read_capture(source).volts(channel=2))


def chunked(*chunks: tuple[bytes, bytes], size: int | None = None) -> bytes:
    body = b"WAVE" + b"".join(n + struct.pack("<I", len(c)) + c + b"\0" * (len(c) % 2) for n, c in chunks)
    return b"RIFF" + struct.pack("<I", len(body) if size is None else size) + body


FORMAT = (b"fmt ", struct.pack("<HHIIHH", 1, 1, RATE, 2 * RATE, 2, 16))
SAMPLES = np.rint(STEREO[:, 0] * 32767).astype("<i2").tobytes()


def test_odd_and_foreign_chunks(tmp_path: Path) -> None:
    path = tmp_path / "odd.wav"
    path.write_bytes(
        chunked((b"JUNK", b"abc"), FORMAT, (b"LIST", b"INFOx"), (b"data", SAMPLES), (b"note", b"1"))
    )
    assert read_capture(path).frames == 4800


@pytest.mark.parametrize("promised", [0, 0xFFFFFFFF, 20_000])
def test_lengths_that_were_never_written_or_promise_too_much(tmp_path: Path, promised: int) -> None:
    content = bytearray(chunked(FORMAT, (b"data", SAMPLES), size=0))
    content[40:44] = struct.pack("<I", promised)
    path = tmp_path / "stream.wav"
    path.write_bytes(bytes(content))
    capture = read_capture(path)
    assert capture.frames == 4800
    assert codes(capture.notes) == {"file_cut_off" if promised == 20_000 else "length_never_written"}


def test_a_cut_recording_is_read_as_far_as_it_goes(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    for suffix in ("wav", "flac"):
        path = tmp_path / f"long.{suffix}"
        soundfile.write(path, sine(997, 2 * RATE, peak=0.5), RATE)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        found = gainkit("measure", path, "--json").json
        assert found["frequency_hz"] == pytest.approx(997, abs=0.01)
        assert "file_cut_off" in [note["code"] for note in found["notes"]]


def test_no_number_is_refused_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "nan.wav"
    wave = sine(997, 4800)
    wave[2400] = np.nan
    soundfile.write(path, wave, RATE, subtype="FLOAT")
    with pytest.raises(GainkitError) as fault:
        read_capture(path).volts()
    assert fault.value.code == "no_usable_number"
    assert fault.value.values == {"seconds": 0.05, "channel": 1, "frame": 2400, "line": None}
    assert fault.value.problem == f"{path}: channel 1 holds no usable number at 0.05 s (frame 2400)."


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "file_empty"),
        (b"RIFF", "not_audio"),
        (SAMPLES, "not_audio"),
        (chunked(FORMAT, (b"data", b"")), "recording_empty"),
        (chunked((b"data", SAMPLES)), "file_damaged"),
        (
            chunked((b"fmt ", struct.pack("<HHIIHH", 1, 0, RATE, 2 * RATE, 2, 16)), (b"data", SAMPLES)),
            "header_damaged",
        ),
    ],
)
def test_what_is_no_recording_is_refused(tmp_path: Path, content: bytes, code: str) -> None:
    path = tmp_path / "bad.wav"
    path.write_bytes(content)
    with pytest.raises(GainkitError) as fault:
        read_capture(path)
    assert fault.value.code == code
    assert str(path) in fault.value.problem


@pytest.mark.parametrize(
    ("options", "code", "parameter"),
    [
        ({"full_scale_volts": 1, "calibration": "cal.toml"}, "not_both", "full_scale_volts"),
        ({"full_scale_volts": -1}, "outside_range", "full_scale_volts"),
        ({"full_scale_volts": "1"}, "outside_range", "full_scale_volts"),
        ({"interval_seconds": 0}, "outside_range", "interval_seconds"),
        ({"calibration": "nowhere.toml"}, "calibration_missing", None),
        ({}, None, None),
    ],
)
def test_options_that_cannot_be_are_refused(
    tmp_path: Path, options: dict[str, object], code: str | None, parameter: str | None
) -> None:
    path = tmp_path / "tone.wav"
    soundfile.write(path, sine(997, 4800), RATE)
    if code is None:
        assert read_capture(path, **options).frames == 4800
        return
    with pytest.raises(GainkitError) as fault:
        read_capture(path, **options)
    assert (fault.value.code, fault.value.parameter) == (code, parameter)


@pytest.mark.parametrize(("channel", "minus"), [(3, None), (0, None), (1, 3), ("1", None), (1.5, None)])
def test_channels_that_are_not_there_are_refused(channel: object, minus: int | None) -> None:
    with pytest.raises(GainkitError) as fault:
        Capture.from_array(STEREO, RATE).volts(channel=channel, minus=minus)
    assert fault.value.code == "no_such_channel"
    assert fault.value.parameter == ("channel" if minus is None else "minus")
    assert fault.value.remedy == "Choose from 1 to 2."
    with pytest.raises(GainkitError) as fault:
        Capture.from_array(STEREO, RATE).volts(channel=2, minus=2)
    assert fault.value.code == "channel_less_itself"


def test_blocks_are_the_whole(tmp_path: Path) -> None:
    path = tmp_path / "tone.wav"
    soundfile.write(path, STEREO, RATE, subtype="PCM_24")
    capture = read_capture(path)
    parts = list(capture.blocks(100, 4000, channel=2, block_frames=777))
    np.testing.assert_array_equal(np.concatenate(parts), capture.volts(100, 4000, channel=2))
    np.testing.assert_allclose(capture.volts(channel=1, minus=2), STEREO[:, 0] - STEREO[:, 1], atol=2**-22)


@pytest.mark.parametrize("form", ["WAV", "AIFF", "CAF", "FLAC", "W64", "RF64"])
def test_mangled_audio(tmp_path: Path, form: str) -> None:
    path = tmp_path / "whole"
    soundfile.write(path, STEREO[:600], RATE, format=form, subtype="PCM_16")
    draw = np.random.default_rng(8)
    for _ in range(120):
        check_mangled(tmp_path / "mangled", path.read_bytes(), draw)


# -- calibrate ---------------------------------------------------------------------------------------------


def test_calibration_round_trip(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    tone, out = tmp_path / "tone.wav", tmp_path / "cal.toml"
    soundfile.write(tone, sine(997, peak=0.25), RATE, subtype="PCM_24")
    found = gainkit("calibrate", tone, "--reading-volts", 7.5, "--out", out, "--json").json
    assert found["full_scale_volts"] == pytest.approx(7.5 * np.sqrt(2) / 0.25, rel=1e-6)
    again = gainkit("measure", tone, "--calibration", out, "--json").json
    assert again["rms_volts"] == pytest.approx(7.5, rel=1e-9)
    assert again["calibrated"] is True
    assert "already there" in gainkit("calibrate", tone, "--reading-volts", 7.5, "--out", out).refused()
    assert gainkit("calibrate", tone, "--reading-volts", 8, "--out", out, "--overwrite").code == 0


def test_another_rate_and_channel_are_told(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    tone, other, out = tmp_path / "tone.wav", tmp_path / "other.wav", tmp_path / "cal.toml"
    soundfile.write(tone, sine(997, peak=0.25), RATE)
    soundfile.write(other, STEREO, 44_100)
    assert gainkit("calibrate", tone, "--reading-volts", 7.5, "--out", out).code == 0
    notes = gainkit("measure", other, "--channel", 2, "--calibration", out, "--json").json["notes"]
    told = {note["code"]: note for note in notes}
    assert told["calibrated_at_other_rate"]["sample_rate_hz"] == 44_100
    assert told["calibrated_on_other_channel"]["channels"] == [2]
    assert "channel 2" in told["calibrated_on_other_channel"]["text"]


@pytest.mark.parametrize("volts", ["0", "-1", "nan", "inf"])
def test_readings_that_mean_nothing(gainkit: Callable[..., Answer], tmp_path: Path, volts: str) -> None:
    tone = tmp_path / "tone.wav"
    soundfile.write(tone, sine(997, peak=0.25), RATE)
    gainkit("calibrate", tone, "--reading-volts", volts, "--out", tmp_path / "cal.toml").refused()
    assert not (tmp_path / "cal.toml").exists()


def test_overloaded_unsteady_and_text_captures_calibrate_nothing(
    gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    over, noise, text = tmp_path / "over.wav", tmp_path / "noise.wav", tmp_path / "scope.csv"
    soundfile.write(over, np.clip(sine(997, peak=2), -1, 1), RATE)
    soundfile.write(noise, 0.1 * np.random.default_rng(1).standard_normal(RATE), RATE)
    text.write_text("Time,CH1\n" + "\n".join(f"{n / 1e5:.6f},{np.sin(n / 16):.4f}" for n in range(2000)) + "\n")
    for path, words in ((over, "overloaded"), (noise, "no steady tone"), (text, "in volts already")):
        message = gainkit("calibrate", path, "--reading-volts", 1, "--out", tmp_path / "cal.toml").refused()
        assert words in message


@pytest.mark.parametrize(
    "content", ["full_scale_volts = 'a'", "full_scale_volts = -1", "volts = 1", "= 3", "channel = 1"]
)
def test_calibration_files_that_are_none(gainkit: Callable[..., Answer], tmp_path: Path, content: str) -> None:
    tone, bad = tmp_path / "tone.wav", tmp_path / "bad.toml"
    soundfile.write(tone, sine(997, peak=0.25), RATE)
    bad.write_text(content)
    assert str(bad) in gainkit("measure", tone, "--calibration", bad).refused()


def test_a_distorted_tone_calibrates_nothing(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    clean = sine(997, peak=0.5)
    burst = clean.copy()
    burst[20_000:22_000] = np.clip(1.5 * clean[20_000:22_000], -0.5, 0.5)
    cases = (
        ("clean", clean),
        ("clipped", np.clip(1.2 * clean, -0.5, 0.5)),
        ("half", np.maximum(clean, 0)),
        ("burst", burst),
        ("step", np.concatenate([clean[:24_000], 0.8 * clean[24_000:]])),
        ("drift", clean * np.linspace(1.0, 0.85, len(clean))),
        ("hum", clean + 0.2 * np.sin(2 * np.pi * 50 * np.arange(len(clean)) / RATE)),
    )
    for name, samples in cases:
        tone, out = tmp_path / f"{name}.wav", tmp_path / f"{name}.toml"
        soundfile.write(tone, samples, RATE, subtype="PCM_24")
        answer = gainkit("calibrate", tone, "--reading-volts", 5, "--out", out, "--json")
        assert out.exists() == (name == "clean")
        if name != "clean":
            assert "a clean steady tone" in answer.refused()


@pytest.mark.parametrize("kind", references.BAD)
def test_a_tone_that_the_meter_may_not_have_read_calibrates_nothing(kind: str) -> None:
    assert not references.taken(kind, 3).startswith("taken")


def test_a_good_tone_calibrates() -> None:
    assert {references.taken("good", seed) for seed in range(5)} == {"taken"}


@pytest.mark.long
def test_good_tones_of_all_kinds_calibrate() -> None:
    assert {references.taken("good", seed) for seed in range(3000, 3200)} == {"taken"}


def test_a_tone_that_stops_within_a_cycle_is_not_clipped_there() -> None:
    capture, _ = references.reference("good", 1116)
    assert "clipped_in_part" not in codes(measure(capture).notes)


@pytest.mark.parametrize("volts", [0, -1, float("nan"), "7.5", None])
def test_a_reading_that_means_nothing_calibrates_nothing(volts: object) -> None:
    with pytest.raises(GainkitError) as fault:
        calibrate_recorder(Capture.from_array(STEREO, RATE, calibrated=False), volts)
    assert fault.value.parameter == "reading_volts"
    with pytest.raises(GainkitError) as fault:
        calibrate_recorder(Capture.from_array(STEREO, RATE), 7.5)
    assert fault.value.code == "calibrated_already"


@pytest.mark.parametrize(
    ("content", "code", "key"),
    [
        ("full_scale_volts = 'a'", "calibration_key", "full_scale_volts"),
        ("full_scale_volts = -1", "calibration_key", "full_scale_volts"),
        ("channel = 1", "calibration_key", "full_scale_volts"),
        ("full_scale_volts = 42.0\nchannel = 1.5", "calibration_key", "channel"),
        ("full_scale_volts = 42.0\nsample_rate_hz = true", "calibration_key", "sample_rate_hz"),
        ("volts = 1", "calibration_key_unknown", None),
        ("= 3", "not_a_calibration", None),
    ],
)
def test_a_calibration_file_names_its_wrong_key(
    tmp_path: Path, content: str, code: str, key: str | None
) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(content)
    with pytest.raises(GainkitError) as fault:
        read_calibration(bad)
    assert fault.value.code == code
    assert fault.value.values.get("key") == key
    assert str(bad) in fault.value.problem


@pytest.mark.parametrize("module", [capture, recorder])
def test_examples_give_what_they_show(module: ModuleType) -> None:
    done = doctest.testmod(module)
    assert done.attempted > 0
    assert done.failed == 0


def test_what_a_calibration_writes_it_reads(tmp_path: Path) -> None:
    made = Calibration(42.426406871192846, 2, 48_000.0, "2026-01-05", 'a "sine"')
    (tmp_path / "cal.toml").write_text(made.as_toml())
    assert read_calibration(tmp_path / "cal.toml") == made


def test_every_sentence_of_the_captures_can_be_told() -> None:
    """Each template with values of the kinds that it is given; a name that is missing would raise."""
    values = dict.fromkeys(("file", "form", "name", "stem", "reason", "subtype", "column", "text", "key"), "a")
    figures = dict.fromkeys(
        ("frame", "seconds", "promised_seconds", "sample_rate_hz", "calibration_rate_hz", "off_seconds", "line",
         "step_seconds", "first_seconds", "last_seconds", "own_seconds", "rows", "figures", "cells", "channel",
         "thd_percent", "calibrated_channel"), 2,
    )  # fmt: skip
    known = values | figures | {"names": "CH1, CH2", "lacks": "format"}
    for code in sentences.FAULTS:
        fault = GainkitError(code, "channel", 3, "1 to 2", channels=2, **known)
        assert "{" not in fault.problem + fault.remedy
    for code in sentences.REMARKS:
        assert "{" not in str(Remark(code, "remark", known | {"channels": [1, 2]}))


@pytest.mark.parametrize(
    ("kind", "codec"),
    [
        ("m4a", "aac"),
        ("mkv", "aac"),
        ("3gp", "aac"),
        ("wma", "wmav2"),
        ("mp3", "libmp3lame"),
        ("opus", "libopus"),
    ],
)
def test_what_a_phone_records_is_measured(
    kind: str, codec: str, oracle: Callable[[str], str], gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    """Its level within what the codec does to it, its padding no dropout, and the loss told."""
    pytest.importorskip("av")
    soundfile.write(tmp_path / "tone.wav", sine(997, 2 * RATE, peak=0.5), RATE)
    phone = tmp_path / f"phone.{kind}"
    command = [
        oracle("ffmpeg"),
        "-v",
        "error",
        "-i",
        tmp_path / "tone.wav",
        "-c:a",
        codec,
        "-b:a",
        "96k",
        phone,
    ]
    subprocess.run(command, check=True)
    found = gainkit("measure", phone, "--json").json
    assert found["rms_volts"] == pytest.approx(0.5 / 2**0.5, rel=0.07)  # codecs turn tones down a little
    assert found["frequency_hz"] == pytest.approx(997, rel=1e-4)
    assert found["clipping"]["state"] == "clean"
    told = {note["code"] for note in found["notes"]}
    assert "compressed_with_loss" in told
    assert not told & {"dropout", "recorder_overload", "recorder_limit", "level_fell", "level_rose"}


def test_without_the_decoder_the_extra_is_named(
    oracle: Callable[[str], str],
    gainkit: Callable[..., Answer],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "av", None)
    (tmp_path / "phone.m4a").write_bytes(b"\0\0\0\x20ftypM4A " + b"\0" * 500)
    told = gainkit("measure", tmp_path / "phone.m4a").refused()
    assert "the extra `codecs`" in told


@pytest.mark.parametrize("stop_early", [False, True])
def test_what_is_decoded_ahead_is_what_the_file_holds(tmp_path: Path, stop_early: bool) -> None:
    frames = 20 * 4096 + 17
    table = np.random.default_rng(4).integers(-(2**23), 2**23, (frames, 2)) / 2.0**23
    path = tmp_path / "long.flac"
    soundfile.write(path, table, RATE, "PCM_24")
    blocks = read_capture(path).blocks(5, channel=2, minus=1, block_frames=4096)
    at = 5
    for block in blocks:
        expected = table[at : at + 4096]
        np.testing.assert_array_equal(block, expected[:, 1] - expected[:, 0])
        block[:] = 0.0  # theirs alone: what comes next is not touched
        at += len(block)
        if stop_early and at > frames // 2:
            blocks.close()
            break
    assert stop_early or at == frames
    path.unlink()  # nothing holds the file on any system
    assert not [one for one in threading.enumerate() if "ThreadPoolExecutor" in one.name]


def test_a_fault_ahead_is_told_in_its_turn() -> None:
    def tables() -> Iterator[Floats]:
        yield np.zeros((3, 2))
        raise RuntimeError("bad frame")

    ahead = one_ahead(tables())
    assert len(next(ahead)) == 3
    with pytest.raises(RuntimeError, match="bad frame"):
        next(ahead)
