"""Tone sets and single tones as commands and by their Python names."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gainkit.cli.tones import bar_line
from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.kinds import build
from gainkit.generator.model import Waveform
from gainkit.generator.spec import ToneSpec
from gainkit.toneset import wav
from gainkit.toneset.checking import check_tones
from gainkit.toneset.reading import set_names
from gainkit.toneset.writing import write_tone, write_tones
from tests.sticks import TRACKS, rewrite


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
    assert bad.json["tracks"][0]["problem"]["code"] == "level_changed"
    assert bad.json["tracks"][0]["problem"]["level_error_db"] == pytest.approx(-6.02, abs=0.005)
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
        (("sine", "--level-dbfs", "3"), "--level-dbfs is 3."),
        (("sine", "--frequency-hz", "20000"), "--frequency-hz is 20000 Hz, too high"),
        (("sine", "--frequency-hz", "nan"), "--frequency-hz is"),
        (("sine", "--frequency-hz", "tief"), "--frequency-hz"),
        (("sine", "--step-db", "1"), "--step-db does not belong to a tone of kind sine."),
        (("sinus",), "sinus"),
        (("noise", "--level-dbfs", "-3"), "-8.99 dBFS"),
        (("noise", "--low-hz", "40"), "--high-hz is missing"),
        (("sine", "--rate", "44000"), "--rate is 44000."),
        (("sine", "--bits", "8"), "--bits is 8."),
        (("sine", "--seconds", "0"), "--seconds is 0."),
        (("sine", "--seed", "-1"), "--seed is -1."),
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
    assert "index.json" in gainkit("tones", "check", tmp_path).refused()


def test_texts_fit_a_terminal_of_eighty_columns(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "tone.flac"
    answers = [
        gainkit("tones", "list"),
        *(gainkit("tones", "show", name) for name in set_names()),
        gainkit("tones", "one", "sine", "--frequency-hz", 123.456, "--seconds", 0.5, "--out", path),
    ]
    for answer in answers:
        assert max(len(line) for line in answer.out.splitlines() if str(tmp_path) not in line) <= 79


@pytest.mark.parametrize("columns", [60, 79, 120, 200])
@pytest.mark.parametrize("share", [0.0, 0.421, 1.0])
def test_the_bar_stays_on_its_line(columns: int, share: float) -> None:
    line = bar_line(share, 12_345.6, "01_" + "long" * 9 + ".wav", columns)
    assert len(line) == columns
    assert f"{100 * share:.0f} %" in line


def test_a_set_and_a_tone_by_their_python_names(small: Path, tmp_path: Path) -> None:
    dry = write_tones(str(small), tmp_path / "stick", rate=48_000, bits=24, format="flac", dry_run=True)
    assert not (tmp_path / "stick").exists()
    written = write_tones(small, str(tmp_path / "stick"), rate=48_000, bits=24, format="flac")
    assert (written.sample_rate_hz, written.bits, written.format) == (48_000, 24, "flac")
    assert [track.file for track in written.tracks] == [name.replace(".wav", ".flac") for name in TRACKS]
    assert written.size_bytes <= dry.size_bytes
    assert check_tones(str(tmp_path / "stick")).ok
    tone = write_tone("noise", str(tmp_path / "hiss.wav"), band="bass", seconds=1, level_dbfs=-20)
    assert tone.sha256 == wav.file_sha256(tmp_path / "hiss.wav")
    assert [note.code for note in tone.cautions] == ["speakers_at_low_volume"]


@pytest.mark.parametrize(
    ("options", "code", "parameter"),
    [
        ({"rate": 44_000}, "unknown_choice", "rate"),
        ({"rate": 44_100.0}, "wrong_kind", "rate"),
        ({"bits": 8}, "unknown_choice", "bits"),
        ({"format": "mp3"}, "unknown_choice", "format"),
        ({"format": "flac", "bits": 32}, "flac_holds_no_floats", "bits"),
    ],
)
def test_formats_that_cannot_be_written_are_refused(
    options: dict[str, Any], code: str, parameter: str, small: Path, tmp_path: Path
) -> None:
    with pytest.raises(GainkitError) as fault:
        write_tones(small, tmp_path / "stick", **options)
    assert (fault.value.code, fault.value.parameter) == (code, parameter)
    assert not (tmp_path / "stick").exists()


def test_each_tone_is_built_once(small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    built: list[str] = []
    original = kinds.assembled

    def counted(spec: ToneSpec, rate: int) -> Waveform:
        built.append(spec.kind)
        return original(spec, rate)

    monkeypatch.setattr(kinds, "assembled", counted)
    write_tones(small, tmp_path / "stick", rate=48_000)
    assert built == ["sine", "sine", "staircase", "noise", "silence"]


def test_help_does_not_import_numpy(gainkit_process: Callable[..., Any]) -> None:
    import subprocess
    import sys

    code = (
        "import sys\nfrom gainkit.cli import main\nsys.argv = ['gainkit', 'tones', 'write', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\nassert 'numpy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
