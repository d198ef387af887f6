"""Tone sets: read from TOML, written whole and resumable."""

from __future__ import annotations

import json
import shutil
import struct
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from gainkit.calculator.meters import SIMPLE_METER_HZ
from gainkit.errors import GainkitError
from gainkit.generator.spec import ToneSpec
from gainkit.remarks import codes
from gainkit.toneset import device, wav, writing
from gainkit.toneset.checking import check_tones
from gainkit.toneset.model import AudioFormat, plain_stem, stem_for
from gainkit.toneset.reading import read_set, set_names, sets_folder
from gainkit.toneset.wav import wav_header
from gainkit.toneset.writing import write_one, write_set, write_tone
from tests.sticks import TRACKS, dead_draft


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


# --- reading


def test_sets_that_come_along() -> None:
    assert set_names() == ["full", "meter", "phone", "subwoofer", "teaching"]
    assert (sets_folder() / "full.toml").is_file()
    for name in set_names():
        tracks = read_set(name).tracks
        stems = [track.file_stem for track in tracks]
        assert len(set(stems)) == len(stems), "each name tells its track apart"
        assert all(track.title and track.use.endswith(".") for track in tracks)


def test_the_track_plan_of_the_full_set() -> None:
    tracks = read_set("full").tracks
    assert len(tracks) == 28
    sines = [(t.spec.frequency_hz, t.spec.level_dbfs) for t in tracks if t.spec.kind == "sine"]
    assert sines == [(f, level) for f in (997.0, 50.0) for level in (0.0, -3.0, -6.0, -9.0, -12.0)]
    assert {t.spec.kind for t in tracks} == {
        "sine", "staircase", "glide", "sweep", "noise", "chirps", "beeps", "silence"
    }  # fmt: skip


def test_the_meter_set_stays_inside_the_range_of_simple_meters() -> None:
    """45 to 400 Hz: common practice, no source. What is said of the filters: second order, 0.1 dB, derivation:
    a corner below f (10^0.01 - 1)^(1/4) as high-pass, above f / (10^0.01 - 1)^(1/4) as low-pass."""
    sines = [track.spec for track in read_set("meter").tracks]
    assert sorted({each.frequency_hz for each in sines}) == [50, 100, 200, 400]
    assert all(SIMPLE_METER_HZ[0] <= each.frequency_hz <= SIMPLE_METER_HZ[1] for each in sines)
    shift = (10**0.01 - 1) ** 0.25
    told = {100: (40, 260), 200: (80, None), 400: (160, None)}
    for hertz, (highpass, lowpass) in told.items():
        assert hertz * shift < highpass < 1.05 * hertz * shift
        assert lowpass is None or hertz / shift < lowpass < 1.05 * hertz / shift


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000])
@pytest.mark.parametrize("name", ["full", "meter", "phone", "subwoofer", "teaching"])
def test_sets_that_come_along_can_be_written_at_every_rate(name: str, rate: int) -> None:
    planned = writing.plan_tracks(read_set(name, rate), AudioFormat(rate, 24))
    names = [item.file for item in planned]
    assert names == sorted(names), "play order is name order"
    for item in planned:
        assert item.file.isascii()
        assert len(item.file) <= 36
        assert plain_stem(Path(item.file).stem) == Path(item.file).stem


BROKEN = {
    'title = "x"': ("no_tracks", None),
    'titel = "x"\n[[track]]\nkind = "sine"': ("unknown_set_key", None),
    '[[track]]\nkind = "sine"\nfreqency_hz = 50': ("unknown_set_key", None),
    "[[track]]\nfrequency_hz = 50": ("track_without_kind", "kind"),
    '[[track]]\nkind = "sinus"': ("unknown_choice", "kind"),
    '[[track]]\nkind = "sine"\n[[track]]\nkind = "sine"\nlevel_dbfs = 3': ("outside_range", "level_dbfs"),
    '[[track]]\nkind = "sine"\nlevel_dbfs = "loud"': ("outside_range", "level_dbfs"),
    '[[track]]\nkind = "sine"\nlevel_dbfs = nan': ("outside_range", "level_dbfs"),
    '[[track]]\nkind = "sine"\nfrequency_hz = 22000': ("tone_above_rate", "frequency_hz"),
    '[[track]]\nkind = "sine"\nband = "bass"': ("foreign_parameter", "band"),
    '[[track]]\nkind = "sine"\nfile = "Grün.wav"': ("track_file_name", "file"),
    '[[track]]\nkind = "sine"\ndither = "yes"': ("not_a_choice", "dither"),
    '[[track]]\nkind = "sine"\nchannels = ["left"]': ("wrong_kind", "channels"),
    '[[track]]\nkind = "sine"\ntitle = 5': ("not_text", "title"),
    '[[track]]\nkind = "noise"\nlevel_dbfs = 0': ("noise_past_full_scale", "level_dbfs"),
    '[[track]]\nkind = "staircase"\nstep_db = 3': ("uneven_steps", "step_db"),
    "[[track]\nkind = 1": ("tone_set_not_toml", None),
    "track = 5": ("no_tracks", None),
    "defaults = 5": ("tone_defaults_no_table", None),
    "[defaults]\nlouder = 1": ("unknown_set_key", None),
}


@pytest.mark.parametrize("content", BROKEN)
def test_broken_sets_are_refused_with_the_place(tmp_path: Path, content: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(GainkitError) as fault:
        read_set(path)
    assert (fault.value.code, fault.value.parameter) == BROKEN[content]
    assert fault.value.places[0] == ("file", str(path))
    assert fault.value.problem.startswith(f"{path}: ")
    assert fault.value.remedy


def test_the_track_and_the_key_of_a_fault_are_named(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('[[track]]\nkind = "sine"\n[[track]]\nkind = "sine"\nlevel_dbfs = 3')
    with pytest.raises(GainkitError) as fault:
        read_set(path)
    assert fault.value.places == (("file", str(path)), ("track", "2"))
    path.write_text('[[track]]\nkind = "sine"\nfreqency_hz = 50')
    with pytest.raises(GainkitError) as fault:
        read_set(path)
    assert (fault.value.values["key"], fault.value.values["nearest"]) == ("freqency_hz", "frequency_hz")


def test_missing_sets_are_refused(tmp_path: Path) -> None:
    (tmp_path / "utf16.toml").write_bytes("title = 'x'".encode("utf-16"))
    for name, code in (
        ("ful", "unknown_tone_set"),
        (tmp_path / "none.toml", "tone_set_file_missing"),
        (tmp_path / "utf16.toml", "tone_set_not_utf8"),
    ):
        with pytest.raises(GainkitError) as fault:
            read_set(name)
        assert fault.value.code == code
        assert str(name) in str(fault.value)
    with pytest.raises(GainkitError) as fault:
        read_set("ful")
    assert fault.value.values["nearest"] == "full"
    assert "Did you mean full?" in fault.value.remedy


def test_defaults_reach_only_the_kinds_that_know_them(small: Path) -> None:
    tracks = read_set(str(small)).tracks
    assert tracks[0].spec.level_dbfs == -20
    assert tracks[2].spec.level_dbfs is None
    assert tracks[2].spec.seconds is None


@pytest.mark.parametrize(
    ("spec", "stem"),
    [
        (ToneSpec("sine", frequency_hz=997.0, level_dbfs=-6.0), "997hz_-6db"),
        (ToneSpec("sine", frequency_hz=31.5, level_dbfs=0.0, channels="left"), "31_5hz_0db_left"),
        (ToneSpec("noise", low_hz=40.0, high_hz=80.0), "noise_40-80"),
        (ToneSpec("noise", band="bass"), "noise_bass"),
    ],
)
def test_file_names(spec: ToneSpec, stem: str) -> None:
    assert stem_for(spec) == stem


# --- writing


def test_a_set_on_the_stick(stick: Path) -> None:
    assert sorted(files(stick)) == sorted([*TRACKS, "index.json", "tracks.txt", "tracks.html"])
    index = json.loads((stick / "index.json").read_text())
    assert [track["file"] for track in index["tracks"]] == TRACKS
    assert (index["sample_rate_hz"], index["bits"], index["format"]) == (44_100, 16, "wav")
    stairs = index["tracks"][2]
    steps = [step for step in stairs["steps"] if step["role"] == "step"]
    assert [step["level_dbfs"] for step in steps] == [-9, -6, -3, 0]
    assert all(step["start_seconds"] == step["start_frame"] / 44_100 for step in steps)
    assert [s["role"] for s in stairs["steps"]][:: len(steps) + 1] == ["marker-start", "marker-stop"]
    assert stairs["marker"]["code"] == [1, 1, 1, 0, 0, 1, 0]


def test_pages_tell_use_level_and_cautions(stick: Path) -> None:
    text = (stick / "tracks.txt").read_bytes().decode("ascii")
    for name in TRACKS:
        assert name in text
    for word in (
        "Set gain.",
        "-20 dBFS",
        "-9 to 0 dBFS",
        "unplug",
        "grounded",
        "hearing",
        "makers' instructions",
    ):
        assert word in text
    assert max(map(len, text.splitlines())) <= 80
    assert text.count("\n") == text.count("\r\n")
    page = (stick / "tracks.html").read_text()
    assert "Hiss &amp; &lt;more&gt;" in page
    assert "http" not in page
    assert "unplug" in page


def test_the_same_set_gives_the_same_bytes(stick: Path, small: Path, tmp_path: Path) -> None:
    write_set(read_set(str(small)), tmp_path / "again", AudioFormat())
    assert files(stick) == files(tmp_path / "again")


@pytest.mark.parametrize("form", ["wav", "flac"])
def test_a_second_run_writes_nothing(small: Path, tmp_path: Path, form: Any) -> None:
    target, folder = AudioFormat(format=form), tmp_path / "stick"
    write_set(read_set(str(small)), folder, target)
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    result = write_set(read_set(str(small)), folder, target)
    assert not any(track.written for track in result.tracks)
    assert before == {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}


@pytest.mark.parametrize("form", ["wav", "flac"])
def test_an_interrupted_run_goes_on(small: Path, tmp_path: Path, form: Any) -> None:
    target, folder = AudioFormat(format=form), tmp_path / "stick"
    write_set(read_set(str(small)), folder, target)
    whole = files(folder)
    (folder / f"03_stairs_997hz.{form}").unlink()
    (folder / f"05_silence.{form}").unlink()
    (folder / "index.json").unlink()
    dead_draft(folder / f"03_stairs_997hz.{form}").write_bytes(b"half")
    result = write_set(read_set(str(small)), folder, target)
    assert [track.written for track in result.tracks] == [False, False, True, False, True]
    assert files(folder) == whole, "the draft of the killed run is gone, the rest as before"


def test_files_of_the_user_are_left_alone(small: Path, tmp_path: Path) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    mine = {"song.mp3": b"song", ".song-0123abcd.part.wav": b"not ours", "notes.txt": b"notes", ".hidden": b"x"}
    for name, content in mine.items():
        (folder / name).write_bytes(content)
    write_set(read_set(str(small)), folder, AudioFormat())
    write_set(read_set(str(small)), folder, AudioFormat(bits=24), overwrite=True)
    assert mine.items() <= files(folder).items()


@pytest.mark.parametrize("name", [TRACKS[3], "tracks.txt", "tracks.html", "index.json"])
def test_nothing_there_is_overwritten(small: Path, tmp_path: Path, name: str) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    (folder / name).write_bytes(b"precious")
    with pytest.raises(GainkitError) as fault:
        write_set(read_set(str(small)), folder, AudioFormat())
    assert fault.value.code == ("other_set_there" if name == "index.json" else "track_in_the_way")
    assert files(folder) == {name: b"precious"}, "refused before the first byte"
    write_set(read_set(str(small)), folder, AudioFormat(), overwrite=True)
    assert check_tones(folder).ok


def test_another_set_in_the_folder_is_refused(stick: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text('[[track]]\nkind = "sine"\nfrequency_hz = 80\nseconds = 0.5')
    before = files(stick)
    with pytest.raises(GainkitError) as fault:
        write_set(read_set(str(other)), stick, AudioFormat())
    assert fault.value.code == "track_in_the_way"
    assert files(stick) == before


def test_a_folder_that_is_not_mounted_is_not_made_up(small: Path, tmp_path: Path) -> None:
    with pytest.raises(GainkitError) as fault:
        write_set(read_set(str(small)), tmp_path / "media" / "stick", AudioFormat())
    assert fault.value.code == "stick_not_there"
    assert not (tmp_path / "media").exists()
    (tmp_path / "file").write_text("x")
    with pytest.raises(GainkitError) as fault:
        write_set(read_set(str(small)), tmp_path / "file", AudioFormat())
    assert fault.value.code == "tracks_into_file"


def test_too_little_space_is_told_first(small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(device.shutil, "disk_usage", lambda path: usage._replace(free=1_200_000))
    with pytest.raises(GainkitError) as fault:
        write_set(read_set(str(small)), tmp_path / "stick", AudioFormat())
    assert fault.value.code == "too_little_room"
    assert "1 MB free; the tracks need 2 MB" in fault.value.problem
    assert files(tmp_path / "stick") == {}


def test_flac_that_does_not_shrink_is_counted_as_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise near full scale at 24 bit: FLAC gains next to nothing. The exact size decides where it is tight."""
    (tmp_path / "loud.toml").write_text(
        '[[track]]\nkind = "noise"\nlevel_dbfs = -9\ndecorrelated = true\nseconds = 6\n'
        '[[track]]\nkind = "sine"\nfrequency_hz = 15000\nlevel_dbfs = 0\nseconds = 3\n'
    )
    loud, target = read_set(str(tmp_path / "loud.toml")), AudioFormat(44_100, 24, "flac")
    written = write_set(loud, tmp_path / "roomy", target)
    sizes = [(tmp_path / "roomy" / track.file).stat().st_size for track in written.tracks]
    for item, size in zip(writing.plan_tracks(loud, target), sizes, strict=True):
        assert 0.8 * item.size_bytes < size <= item.size_bytes
        assert wav.flac_bytes(item.waveform, target, dither=item.dither, seed=1) == size
    usage = shutil.disk_usage(tmp_path)
    for room, enough in ((0, True), (-1, False)):
        free = sum(sizes) + device.SPARE_BYTES + room
        monkeypatch.setattr(device.shutil, "disk_usage", lambda path, free=free: usage._replace(free=free))
        if enough:
            write_set(loud, tmp_path / "tight", target)
        else:
            with pytest.raises(GainkitError) as fault:
                write_set(loud, tmp_path / "too tight", target)
            assert fault.value.code == "too_little_room"


def test_a_killed_single_tone_leaves_nothing_for_long(tmp_path: Path) -> None:
    draft = dead_draft(tmp_path / "tone.wav")
    other = tmp_path / ".other-0123abcd.part.wav"
    for path in (draft, other):
        path.write_bytes(b"half")
    write_one(ToneSpec("sine", seconds=0.1), tmp_path / "tone.wav", AudioFormat())
    assert not draft.exists()
    assert other.exists()


@pytest.mark.parametrize(
    ("tone", "bits", "told"),
    [
        ({"dither": True}, 32, {"floats_without_dither"}),
        ({"level_dbfs": -100.0, "dither": False}, 16, {"faint_without_dither"}),
        ({"level_dbfs": -90.0, "dither": False}, 16, set()),
        ({"level_dbfs": -120.0}, 16, set()),
    ],
)
def test_what_a_format_makes_of_a_tone_is_told(
    tone: dict[str, Any], bits: int, told: set[str], tmp_path: Path
) -> None:
    out = tmp_path / "tone.wav"
    facts = write_tone("sine", out, frequency_hz=1000.0, seconds=0.1, rate=48_000, bits=bits, **tone)
    assert codes(facts.notes) == told


def test_wav_over_four_gib_is_refused_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(GainkitError) as fault:
        write_one(ToneSpec("sine", seconds=25_000.0), tmp_path / "long.wav", AudioFormat())
    assert fault.value.code == "wav_too_long"
    assert list(tmp_path.iterdir()) == []
    edge = (2**32 - 1 - 44) // 4
    assert struct.unpack_from("<I", wav_header(edge, AudioFormat()), 4)[0] == 36 + edge * 4
    with pytest.raises(GainkitError):
        wav_header(edge + 1, AudioFormat())


def test_watch_is_told_of_every_frame(small: Path, tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    write_set(read_set(str(small)), tmp_path / "stick", AudioFormat(), progress=lambda *what: told.append(what))
    assert told[-1][1] == told[-1][2]
    assert all(a[1] <= b[1] for a, b in pairwise(told))
    assert list(dict.fromkeys(name for name, _, _ in told)) == TRACKS
