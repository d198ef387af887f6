"""Tone sets read back: what was done to a file on the way is named, and what nobody touched passes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.errors import GainkitError
from gainkit.remarks import Remark, codes
from gainkit.toneset.checking import check_tones
from gainkit.toneset.model import AudioFormat
from gainkit.toneset.reading import read_set, set_names
from gainkit.toneset.writing import write_set
from tests.sticks import TRACKS, rewrite


def test_a_fresh_set_is_in_order(stick: Path) -> None:
    result = check_tones(stick)
    assert result.ok
    assert [track.file for track in result.tracks] == TRACKS
    assert all(abs(track.level_error_db or 0) < 0.001 for track in result.tracks)


FAULTS: dict[str, tuple[Callable[[np.ndarray], np.ndarray], str, str]] = {
    "turned down": (lambda x: x * 10 ** (-0.5 / 20), "level_changed", "changed level: -0.50 dB"),
    "turned up": (lambda x: x * 2, "level_changed", "+6.02 dB"),
    "cut short": (lambda x: x[: len(x) // 2], "cut_short", "cut short: 0.3 of 0.6 s"),
    "turned round": (lambda x: -x, "polarity_inverted", "polarity is inverted"),
    "exchanged": (lambda x: x[:, ::-1], "channels_exchanged", "left and right"),
    "late": (lambda x: np.concatenate([np.zeros((100, 2)), x]), "tone_late", "+100 frames late"),
    "clipped": (lambda x: np.clip(x, -0.05, 0.05), "re_encoded", "processed"),
    "hissing": (lambda x: x + np.random.default_rng(1).normal(0, 2e-4, x.shape), "re_encoded", "lossy"),
    "mono": (lambda x: x[:, :1], "other_channel_count", "1 channels"),
    "one side lost": (lambda x: x * [1, 0], "channel_lost", "channel is missing"),
    "one side turned round": (lambda x: x * [1, -1], "polarity_inverted", "of the right channel"),
    "a few frames short": (lambda x: x[:-100], "length_changed", "cut short by 100 frames"),
    "lengthened": (lambda x: np.concatenate([x, np.zeros((9, 2))]), "length_changed", "longer by 9 frames"),
    "struck where no step is": (
        lambda x: np.concatenate([x[:-50], [[0.9, 0.9]], x[-49:]]), "re_encoded", "processed"
    ),
    "on a pedestal": (lambda x: x + 0.001, "samples_processed", "differ by up to -60 dBFS"),
}  # fmt: skip


def problem(folder: Path, place: int = 0) -> Remark:
    """What is wrong with a track, checked."""
    found = check_tones(folder).tracks[place].problem
    assert found is not None
    return found


@pytest.mark.parametrize("fault", FAULTS)
def test_check_names_the_fault(stick: Path, fault: str) -> None:
    change, code, words = FAULTS[fault]
    rewrite(stick / TRACKS[0], change)
    result = check_tones(stick)
    assert not result.ok
    assert [track.file for track in result.tracks if not track.ok] == [TRACKS[0]]
    told = result.tracks[0].problem
    assert told is not None
    assert (told.code, told.severity) == (code, "fault")
    assert words in str(told)


def test_check_tells_other_rates_missing_broken_and_foreign_files(stick: Path) -> None:
    rewrite(stick / TRACKS[0], lambda x: x, rate=48_000)
    (stick / TRACKS[1]).write_bytes(b"no sound")
    (stick / TRACKS[2]).unlink()
    (stick / "99_song.mp3").write_bytes(b"song")
    (stick / "04_hiss.m4a").write_bytes(b"converted")
    (stick / "._04_hiss.wav").write_bytes(b"resource fork")
    (stick / "notes.txt").write_text("mine")
    result = check_tones(stick)
    problems = {track.file: track.problem and track.problem.code for track in result.tracks}
    assert problems == {
        TRACKS[0]: "other_sample_rate",
        TRACKS[1]: "track_no_audio",
        TRACKS[2]: "track_missing",
        TRACKS[3]: None,
        TRACKS[4]: None,
        "99_song.mp3": "foreign_file",
        "04_hiss.m4a": "converted_file",
    }
    assert [(note.code, note.values["file"]) for note in result.notes] == [("hidden_leftover", "._04_hiss.wav")]
    assert "in place of 04_hiss.wav" in str(result.tracks[5].problem)


def test_one_wrong_byte_is_told(stick: Path) -> None:
    content = bytearray((stick / TRACKS[3]).read_bytes())
    content[20_000] ^= 1
    (stick / TRACKS[3]).write_bytes(content)
    assert problem(stick, 3).code == "written_anew"


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", "{}", '{"tracks": [{}]}', '{"tracks": 5}', '{"tracks": [], "bits": 16}', "[" * 100_000],
)
def test_a_damaged_index_is_refused(stick: Path, content: str) -> None:
    (stick / "index.json").write_text(content)
    with pytest.raises(GainkitError) as fault:
        check_tones(stick)
    assert fault.value.code in {"index_damaged", "index_entry_damaged"}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("parameters", {"frequency_hz": -5}),
        ("parameters", {"frequency_hz": 10**400}),
        ("frames", "x"),
        ("frames", None),
        ("file", 5),
        ("file", "../stick/01_997hz_-20db.wav"),
        ("file", "..\\song.wav"),
        ("seed", True),
    ],
)
def test_a_damaged_entry_is_refused(stick: Path, key: str, value: object) -> None:
    index = json.loads((stick / "index.json").read_text())
    index["tracks"][0][key] = value
    (stick / "index.json").write_text(json.dumps(index))
    with pytest.raises(GainkitError) as fault:
        check_tones(stick)
    assert fault.value.code in {"index_damaged", "index_entry_damaged"}


@pytest.mark.parametrize(("key", "value"), [("bits", 20), ("bits", "16"), ("sample_rate_hz", 12_345)])
def test_an_index_of_no_format_of_ours_is_refused(stick: Path, key: str, value: object) -> None:
    index = json.loads((stick / "index.json").read_text())
    (stick / "index.json").write_text(json.dumps(index | {key: value}))
    with pytest.raises(GainkitError) as fault:
        check_tones(stick)
    assert fault.value.code in {"index_damaged", "index_entry_damaged"}


LOW = """
[[track]]
kind = "glide"
from_dbfs = -100
seconds = 3
[[track]]
kind = "staircase"
from_dbfs = -100
to_dbfs = -20
step_db = 20
dwell_seconds = 0.3
[[track]]
kind = "sine"
level_dbfs = -80
dither = false
seconds = 1
[[track]]
kind = "sine"
level_dbfs = -95
seconds = 1
[[track]]
kind = "pulses"
band = "treble"
level_dbfs = -60
seconds = 3
"""


def test_low_levels_are_in_order_too(tmp_path: Path) -> None:
    """Dither and rounding alone move the gain of a faint tone by more than the tolerance."""
    (tmp_path / "low.toml").write_text(LOW)
    write_set(read_set(str(tmp_path / "low.toml")), tmp_path / "stick", AudioFormat())
    assert check_tones(tmp_path / "stick").ok
    rewrite(tmp_path / "stick" / "03_997hz_-80db.wav", lambda x: x * 0.5)
    assert not check_tones(tmp_path / "stick").ok


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.long] * (name == "full")) for name in set_names()]
)
def test_sets_that_come_along_pass_their_own_check(
    name: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    folder = tmp_path / "stick"
    if name == "full":
        folder = request.getfixturevalue("full_stick")
    else:
        write_set(read_set(name), folder, AudioFormat())
    result = check_tones(folder)
    assert result.ok, [track for track in result.tracks if not track.ok]


def test_beeps_changed_on_the_way_are_named(tmp_path: Path) -> None:
    """The side that does not sound in a beep holds dither, which is no tone."""
    (tmp_path / "beeps.toml").write_text('[[track]]\nkind = "beeps"\nseconds = 3\n')
    write_set(read_set(str(tmp_path / "beeps.toml")), tmp_path / "stick", AudioFormat())
    path = tmp_path / "stick" / "01_beeps.wav"
    written = path.read_bytes()
    for change, code in (
        (lambda x: x * 0.01, "level_changed"),
        (lambda x: x[:, ::-1], "channels_exchanged"),
        (lambda x: np.repeat(x.mean(axis=1, keepdims=True), 2, axis=1), "channel_lost"),
        (lambda x: np.concatenate([np.zeros((500, 2)), x]), "tone_late"),
    ):
        path.write_bytes(written)
        rewrite(path, change)
        assert problem(tmp_path / "stick").code == code


def test_a_flac_cut_in_half_is_told_as_cut(small: Path, tmp_path: Path) -> None:
    write_set(read_set(str(small)), tmp_path / "stick", AudioFormat(format="flac"))
    path = next((tmp_path / "stick").glob("01_*.flac"))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert problem(tmp_path / "stick").code == "track_broken_off"


def test_a_name_in_capitals_is_the_track_itself(stick: Path) -> None:
    (stick / TRACKS[0]).rename(stick / TRACKS[0].upper())
    result = check_tones(stick)
    assert [track.file for track in result.tracks if not track.ok] == [TRACKS[0]]
    assert result.tracks[0].problem is not None
    assert result.tracks[0].problem.code == "track_missing"
    assert codes(result.notes) == {"other_name"}


def test_check_at_every_format(small: Path, tmp_path: Path) -> None:
    for bits, form in ((24, "wav"), (32, "wav"), (16, "flac"), (24, "flac")):
        folder = tmp_path / f"{bits}{form}"
        write_set(read_set(str(small)), folder, AudioFormat(48_000, bits, form))  # type: ignore[arg-type]
        result = check_tones(folder)
        assert result.ok, result
        assert max(abs(track.level_error_db or 0) for track in result.tracks) < (
            0.001 if bits == 16 else 0.0001
        )


@pytest.mark.parametrize(("bits", "subtype"), [(24, "PCM_24"), (32, "FLOAT")])
@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (lambda x: x * 10 ** (-0.5 / 20), "level_changed"),
        (lambda x: -x, "polarity_inverted"),
        (lambda x: x[:-10], "length_changed"),
        (lambda x: np.concatenate([np.zeros((1000, 2)), x]), "tone_late"),
    ],
)
def test_faults_are_named_at_every_depth(
    fault: Callable[[np.ndarray], np.ndarray], code: str, bits: int, subtype: str, tmp_path: Path
) -> None:
    (tmp_path / "loud.toml").write_text('[[track]]\nkind = "sine"\nlevel_dbfs = -3\nseconds = 2\n')
    write_set(read_set(str(tmp_path / "loud.toml")), tmp_path / "stick", AudioFormat(48_000, bits))
    path = next((tmp_path / "stick").glob("*.wav"))
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    soundfile.write(path, fault(samples), rate, subtype)
    assert problem(tmp_path / "stick").code == code


def test_a_silenced_channel_is_not_called_exchanged(stick: Path) -> None:
    rewrite(stick / TRACKS[1], lambda x: x * 0)  # plays on the left only
    assert problem(stick, 1).code == "channel_lost"


@pytest.mark.parametrize(
    ("change", "code"),
    [("channels", "channel_lost"), ("steps", "index_does_not_fit"), ("frames", "index_does_not_fit")],
)
def test_an_index_that_does_not_describe_its_tracks_is_told(change: str, code: str, stick: Path) -> None:
    """The files are whole: it is the index that misleads `onset`."""
    index = json.loads((stick / "index.json").read_text())
    track = index["tracks"][0]
    if change == "channels":
        track["parameters"]["channels"] = "left"
    elif change == "steps":
        track["steps"][0]["level_dbfs"] -= 1
    else:
        track["frames"] += 5
    (stick / "index.json").write_text(json.dumps(index))
    assert problem(stick).code == code
