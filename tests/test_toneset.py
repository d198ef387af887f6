"""Tone sets: read from TOML, written whole and resumable; and the commands on top."""

from __future__ import annotations

import json
import shutil
import struct
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from gainkit.errors import GainkitError
from gainkit.generator.encode import SampleFormat
from gainkit.generator.kinds import build
from gainkit.generator.spec import ToneSpec
from gainkit.toneset import wav, writing
from gainkit.toneset.checking import check_set
from gainkit.toneset.model import Target, plain_stem, stem_for
from gainkit.toneset.reading import read_set, set_names, sets_folder
from gainkit.toneset.wav import wav_header
from gainkit.toneset.writing import write_one, write_set
from tests.sticks import TRACKS, rewrite


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


# --- reading


def test_sets_that_come_along() -> None:
    assert set_names() == ["full", "phone", "subwoofer", "teaching"]
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
        "sine", "staircase", "glide", "sweep", "noise", "pulses", "beeps", "silence"
    }  # fmt: skip


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000])
@pytest.mark.parametrize("name", ["full", "phone", "subwoofer", "teaching"])
def test_sets_that_come_along_can_be_written_at_every_rate(name: str, rate: int) -> None:
    planned = writing.plan_tracks(read_set(name, rate), Target(rate, SampleFormat(24)))
    names = [item.file for item in planned]
    assert names == sorted(names), "play order is name order"
    for item in planned:
        assert item.file.isascii()
        assert len(item.file) <= 36
        assert plain_stem(Path(item.file).stem) == Path(item.file).stem


BROKEN = {
    'title = "x"': "no tracks",
    'titel = "x"\n[[track]]\nkind = "sine"': "Did you mean title?",
    '[[track]]\nkind = "sine"\nfreqency_hz = 50': "Did you mean frequency_hz?",
    "[[track]]\nfrequency_hz = 50": "has no kind",
    '[[track]]\nkind = "sinus"': "Did you mean sine?",
    '[[track]]\nkind = "sine"\n[[track]]\nkind = "sine"\nlevel_dbfs = 3': "track 2: level_dbfs = 3",
    '[[track]]\nkind = "sine"\nlevel_dbfs = "loud"': "not a number",
    '[[track]]\nkind = "sine"\nlevel_dbfs = nan': "out of range",
    '[[track]]\nkind = "sine"\nfrequency_hz = 22000': "19845",
    '[[track]]\nkind = "sine"\nband = "bass"': "does not belong to kind sine",
    '[[track]]\nkind = "sine"\nfile = "Grün.wav"': "not a name that every player takes",
    '[[track]]\nkind = "sine"\ndither = "yes"': "true or false",
    '[[track]]\nkind = "sine"\ntitle = 5': "is not text",
    '[[track]]\nkind = "noise"\nlevel_dbfs = 0': "highest level that fits is -8.99",
    '[[track]]\nkind = "staircase"\nstep_db = 3': "does not lead from -20 to 0",
    "[[track]\nkind = 1": "line 1",
    "track = 5": "no tracks",
    "defaults = 5": "[defaults]",
    "[defaults]\nlouder = 1": "louder",
}


@pytest.mark.parametrize("content", BROKEN)
def test_broken_sets_are_refused_with_the_place(tmp_path: Path, content: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(GainkitError) as fault:
        read_set(str(path))
    assert BROKEN[content] in str(fault.value)
    assert "mine.toml" in fault.value.problem


def test_missing_sets_are_refused(tmp_path: Path) -> None:
    with pytest.raises(GainkitError, match="Did you mean full"):
        read_set("ful")
    with pytest.raises(GainkitError, match="not there"):
        read_set(str(tmp_path / "none.toml"))
    (tmp_path / "utf16.toml").write_bytes("title = 'x'".encode("utf-16"))
    with pytest.raises(GainkitError, match="UTF-8"):
        read_set(str(tmp_path / "utf16.toml"))


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
    write_set(read_set(str(small)), tmp_path / "again", Target())
    assert files(stick) == files(tmp_path / "again")


@pytest.mark.parametrize("form", ["wav", "flac"])
def test_a_second_run_writes_nothing(small: Path, tmp_path: Path, form: Any) -> None:
    target, folder = Target(file_format=form), tmp_path / "stick"
    write_set(read_set(str(small)), folder, target)
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    result = write_set(read_set(str(small)), folder, target)
    assert not any(track["written"] for track in result.tracks)
    assert before == {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}


@pytest.mark.parametrize("form", ["wav", "flac"])
def test_an_interrupted_run_goes_on(small: Path, tmp_path: Path, form: Any) -> None:
    target, folder = Target(file_format=form), tmp_path / "stick"
    write_set(read_set(str(small)), folder, target)
    whole = files(folder)
    (folder / f"03_stairs_997hz.{form}").unlink()
    (folder / f"05_silence.{form}").unlink()
    (folder / "index.json").unlink()
    (folder / f".03_stairs_997hz-0123abcd.part.{form}").write_bytes(b"half")
    result = write_set(read_set(str(small)), folder, target)
    assert [track["written"] for track in result.tracks] == [False, False, True, False, True]
    assert files(folder) == whole, "the draft of the killed run is gone, the rest as before"


def test_files_of_the_user_are_left_alone(small: Path, tmp_path: Path) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    mine = {"song.mp3": b"song", ".song-0123abcd.part.wav": b"not ours", "notes.txt": b"notes", ".hidden": b"x"}
    for name, content in mine.items():
        (folder / name).write_bytes(content)
    write_set(read_set(str(small)), folder, Target())
    write_set(read_set(str(small)), folder, Target(samples=SampleFormat(24)), overwrite=True)
    assert mine.items() <= files(folder).items()


@pytest.mark.parametrize("name", [TRACKS[3], "tracks.txt", "tracks.html", "index.json"])
def test_nothing_there_is_overwritten(small: Path, tmp_path: Path, name: str) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    (folder / name).write_bytes(b"precious")
    with pytest.raises(GainkitError, match="--overwrite"):
        write_set(read_set(str(small)), folder, Target())
    assert files(folder) == {name: b"precious"}, "refused before the first byte"
    write_set(read_set(str(small)), folder, Target(), overwrite=True)
    assert check_set(folder).ok


def test_another_set_in_the_folder_is_refused(stick: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text('[[track]]\nkind = "sine"\nfrequency_hz = 80\nseconds = 0.5')
    before = files(stick)
    with pytest.raises(GainkitError, match="--overwrite"):
        write_set(read_set(str(other)), stick, Target())
    assert files(stick) == before


def test_a_folder_that_is_not_mounted_is_not_made_up(small: Path, tmp_path: Path) -> None:
    with pytest.raises(GainkitError, match="mounted"):
        write_set(read_set(str(small)), tmp_path / "media" / "stick", Target())
    assert not (tmp_path / "media").exists()
    (tmp_path / "file").write_text("x")
    with pytest.raises(GainkitError, match="is a file"):
        write_set(read_set(str(small)), tmp_path / "file", Target())


def test_too_little_space_is_told_first(small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(writing.shutil, "disk_usage", lambda path: usage._replace(free=1_200_000))
    with pytest.raises(GainkitError, match=r"1 MB free; the tracks need 2 MB"):
        write_set(read_set(str(small)), tmp_path / "stick", Target())
    assert files(tmp_path / "stick") == {}


def test_flac_that_does_not_shrink_is_reckoned_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise near full scale at 24 bit: FLAC gains next to nothing. The exact size decides where it is tight."""
    (tmp_path / "loud.toml").write_text(
        '[[track]]\nkind = "noise"\nlevel_dbfs = -9\ndecorrelated = true\nseconds = 6\n'
        '[[track]]\nkind = "sine"\nfrequency_hz = 15000\nlevel_dbfs = 0\nseconds = 3\n'
    )
    loud, target = read_set(str(tmp_path / "loud.toml")), Target(44_100, SampleFormat(24), "flac")
    written = write_set(loud, tmp_path / "roomy", target)
    sizes = [(tmp_path / "roomy" / track["file"]).stat().st_size for track in written.tracks]
    for item, size in zip(writing.plan_tracks(loud, target), sizes, strict=True):
        assert 0.8 * item.size_bytes < size <= item.size_bytes
        assert wav.flac_bytes(item.waveform, target, dither=item.dither, seed=1) == size
    usage = shutil.disk_usage(tmp_path)
    for room, enough in ((0, True), (-1, False)):
        free = sum(sizes) + writing.SPARE_BYTES + room
        monkeypatch.setattr(writing.shutil, "disk_usage", lambda path, free=free: usage._replace(free=free))
        if enough:
            write_set(loud, tmp_path / "tight", target)
        else:
            with pytest.raises(GainkitError, match="MB free"):
                write_set(loud, tmp_path / "too tight", target)


def test_a_killed_single_tone_leaves_nothing_for_long(tmp_path: Path) -> None:
    draft = tmp_path / ".tone-0123abcd.part.wav"
    other = tmp_path / ".other-0123abcd.part.wav"
    for path in (draft, other):
        path.write_bytes(b"half")
    write_one(ToneSpec("sine", seconds=0.1), tmp_path / "tone.wav", Target())
    assert not draft.exists()
    assert other.exists()


@pytest.mark.parametrize(
    ("spec", "bits", "words"),
    [
        (
            ToneSpec("sine", frequency_hz=1000.0, seconds=0.1, dither=True),
            32,
            "Floats are written without dither.",
        ),
        (
            ToneSpec("sine", frequency_hz=1000.0, seconds=0.1, level_dbfs=-100.0, dither=False),
            16,
            "half a step of 16 bit",
        ),
        (ToneSpec("sine", frequency_hz=1000.0, seconds=0.1, level_dbfs=-90.0, dither=False), 16, ""),
        (ToneSpec("sine", frequency_hz=1000.0, seconds=0.1, level_dbfs=-120.0), 16, ""),
    ],
)
def test_what_a_format_makes_of_a_tone_is_told(spec: ToneSpec, bits: int, words: str, tmp_path: Path) -> None:
    facts = write_one(spec, tmp_path / "tone.wav", Target(48_000, SampleFormat(bits)))
    assert [words in note for note in facts["notes"]] == ([True] if words else [])


def test_wav_over_four_gib_is_refused_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(GainkitError, match="FLAC") as fault:
        write_one(ToneSpec("sine", seconds=25_000.0), tmp_path / "long.wav", Target())
    assert "4 GiB" in fault.value.problem
    assert list(tmp_path.iterdir()) == []
    edge = (2**32 - 1 - 44) // 4
    assert struct.unpack_from("<I", wav_header(edge, Target()), 4)[0] == 36 + edge * 4
    with pytest.raises(GainkitError):
        wav_header(edge + 1, Target())


def test_watch_is_told_of_every_frame(small: Path, tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    write_set(read_set(str(small)), tmp_path / "stick", Target(), watch=lambda *what: told.append(what))
    assert told[-1][1] == told[-1][2]
    assert all(a[1] <= b[1] for a, b in pairwise(told))
    assert list(dict.fromkeys(name for name, _, _ in told)) == TRACKS


# --- commands


def test_tones_list_and_show(gainkit: Callable[..., Any]) -> None:
    listed = gainkit("tones", "list", "--json").json
    assert [s["name"] for s in listed["sets"]] == set_names()
    text = gainkit("tones", "list").out
    assert all(name in text for name in set_names())
    shown = gainkit("tones", "show", "full", "--json").json
    assert len(shown["tracks"]) == 28
    assert "01_997hz_0db.wav" in gainkit("tones", "show", "full").out


def test_tones_write_and_check(gainkit: Callable[..., Any], small: Path, tmp_path: Path) -> None:
    folder = tmp_path / "stick"
    dry = gainkit("tones", "write", small, folder, "--dry-run", "--json").json
    assert not folder.exists()
    written = gainkit("tones", "write", small, folder, "--json").json
    assert written["size_bytes"] == dry["size_bytes"]
    assert [track["file"] for track in written["tracks"]] == TRACKS
    assert gainkit("tones", "write", small, folder).out.startswith("Wrote 0 tracks")
    good = gainkit("tones", "check", folder, "--json")
    assert good.code == 0
    assert good.json["ok"] is True
    rewrite(folder / TRACKS[0], lambda x: x / 2)
    bad = gainkit("tones", "check", folder, "--json")
    assert bad.code == 1
    assert bad.json["tracks"][0]["problem"] == "changed level: -6.02 dB."
    told = gainkit("tones", "check", folder)
    assert told.code == 1
    assert told.out.startswith("1 of 5 files are NOT as they should be")
    gainkit("tones", "write", small, folder).refused()
    assert gainkit("tones", "write", small, folder, "--overwrite").code == 0
    assert gainkit("tones", "check", folder).code == 0


def test_tones_one(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "tone.flac"
    call = ("tones", "one", "sine", "--frequency-hz", 50, "--level-dbfs", -3, "--seconds", 0.5, "--out", path)
    facts = gainkit(*call, "--json").json
    assert facts["frequency_hz"] == 50
    assert facts["frames"] == build(ToneSpec("sine", frequency_hz=50, seconds=0.5), 44_100).frames
    assert "already there" in gainkit(*call).refused()
    assert "Loudspeakers unplugged" in gainkit(*call, "--overwrite").out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("sine", "--level-dbfs", "3"), "--level-dbfs 3 dBFS is out of range"),
        (("sine", "--frequency-hz", "20000"), "--frequency-hz 20000 Hz is too high"),
        (("sine", "--frequency-hz", "nan"), "--frequency-hz nan"),
        (("sine", "--frequency-hz", "tief"), "--frequency-hz"),
        (("sine", "--step-db", "1"), "--step-db 1"),
        (("sinus",), "sinus"),
        (("noise", "--level-dbfs", "-3"), "The highest level that fits is -8.99 dBFS"),
        (("noise", "--low-hz", "40"), "--high-hz"),
        (("sine", "--rate", "44000"), "--rate 44000"),
        (("sine", "--bits", "8"), "--bits 8"),
        (("sine", "--seconds", "0"), "--seconds 0"),
        (("sine", "--seed", "-1"), "--seed -1"),
        (("sine", "--seconds", "80000"), "4 GiB"),
    ],
)
def test_tones_one_refuses_in_the_words_of_its_options(
    gainkit: Callable[..., Any], tmp_path: Path, options: tuple[str, ...], words: str
) -> None:
    assert words in gainkit("tones", "one", *options, "--out", tmp_path / "tone.wav").refused()
    assert list(tmp_path.iterdir()) == []


def test_tones_one_refuses_places(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    assert ".wav or .flac" in gainkit("tones", "one", "sine", "--out", tmp_path / "tone.mp3").refused()
    assert "not there" in gainkit("tones", "one", "sine", "--out", tmp_path / "no" / "tone.wav").refused()
    assert "FLAC" in gainkit("tones", "one", "sine", "--bits", 32, "--out", tmp_path / "tone.flac").refused()
    assert "not a folder" in gainkit("tones", "check", tmp_path / "no").refused()
    assert "index.json is not there" in gainkit("tones", "check", tmp_path).refused()


def test_help_does_not_import_numpy(gainkit_process: Callable[..., Any]) -> None:
    import subprocess
    import sys

    code = (
        "import sys\nfrom gainkit.cli import main\nsys.argv = ['gainkit', 'tones', 'write', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\nassert 'numpy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
