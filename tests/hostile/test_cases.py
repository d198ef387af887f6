"""What once broke something, each as it was: refused by name, or read as what it is."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
import os
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit import files, strict
from gainkit.calculator.ranges import VOLTS
from gainkit.capture import model, read_capture
from gainkit.capture.calibration import Calibration, read_calibration
from gainkit.cli import plain
from gainkit.cli.app import command_tree
from gainkit.errors import GainkitError
from gainkit.job import record
from gainkit.job.places import RECORD_FILE
from gainkit.recording import Recording
from gainkit.results import NotThatResult, from_plain
from tests.conftest import Answer
from tests.records import new_job
from tests.sticks import dead_draft

ROWS = "".join(f"{place}e-5,{(place * 7) % 11 - 5}\n" for place in range(300))
ESCAPE = "\x1b[2J\x1b]0;gone\x07\u202e"


def code_of(path: Path, **options: float) -> str:
    with pytest.raises(GainkitError) as fault:
        read_capture(path, **options)  # type: ignore[arg-type]
    return fault.value.code


# ---- text captures -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".gz", ".bz2", ".xz", ".lzma"])
def test_a_suffix_unpacks_nothing(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"trace.csv{suffix}"
    path.write_text(ROWS)
    assert read_capture(path).frames == 300


@pytest.mark.parametrize("packed", [gzip.compress, bz2.compress, lzma.compress])
def test_what_is_packed_is_no_text(packed: Callable[[bytes], bytes], tmp_path: Path) -> None:
    path = tmp_path / "trace.csv.gz"
    path.write_bytes(packed(b"1,2\n" * 1_000_000))
    assert code_of(path) in ("not_audio", "no_table"), (
        "what deflates to much repeats itself and may look like text"
    )


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"1," * 200_000, "line_too_long"),
        (ROWS.encode() + b"1," * 2_000_000, "line_too_long"),
        (ROWS.encode("utf-16") + "1".encode("utf-16-le") * 1_000_000, "line_too_long"),
        ((b"1;" * 3000 + b"\n") * 20, "too_many_columns"),
        ((b"9" * 5000 + b"," + b"9" * 5000 + b"\n") * 20, "no_interval"),
        (b"dt,x\n---,1\n" + b"1\n2\n3\n4\n" * 9, "no_interval"),
        ("".join(f"{place}e307,1\n" for place in range(1, 9)).encode(), "interval_absurd"),
        ("".join(f"{place}e-320,1\n" for place in range(1, 9)).encode(), "interval_absurd"),
    ],
)
def test_texts_beyond_any_use_are_refused(content: bytes, code: str, tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(content)
    assert code_of(path) == code


@pytest.mark.parametrize(
    "head",
    [
        b"dt" + b" " * 60_000 + b"x",
        b"sample" + b"_" * 60_000,
        b"9" * 60_000 + b"x",
        b"(" * 60_000,
        b"a _" * 20_000,
    ],
)
def test_a_heading_takes_no_more_than_its_length(head: bytes, tmp_path: Path) -> None:
    """What is sought in a line of a heading took time by the square of its length, or worse."""
    path = tmp_path / "trace.csv"
    path.write_bytes(head + b"\n" + ROWS.encode())
    assert read_capture(path).frames == 300


def test_a_file_that_was_made_larger_and_never_filled_is_read(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(ROWS.encode() + b"\0" * 5_000_000)
    assert read_capture(path).frames == 300


# ---- audio -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("form", "subtype"), [("WAV", "PCM_24"), ("FLAC", "PCM_16"), ("WAV", "DOUBLE")])
def test_blocks_do_not_grow_with_channels(
    form: str, subtype: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """256 channels asked for 191 GiB at a time: now reads are bounded by bytes and the same samples come."""
    path = tmp_path / "wide.audio"
    samples = np.linspace(-0.9, 0.9, 8 * 5000).reshape(5000, 8)
    soundfile.write(path, samples, 44_100, format=form, subtype=subtype)
    whole = read_capture(path).volts(channel=7)
    monkeypatch.setattr(f"gainkit.capture.{'audio' if form == 'FLAC' else 'pcm'}.MOST_READ_BYTES", 10_000)
    capture = read_capture(path)
    blocks = list(capture.blocks(channel=7, block_frames=2000))
    assert [len(block) for block in blocks] == [2000, 2000, 1000]
    np.testing.assert_array_equal(np.concatenate(blocks), whole)
    assert model.MOST_READ_BYTES <= 1 << 24


@pytest.mark.parametrize("volts", [1e-308, 5e-324, float("nan"), float("inf"), -1.0])
def test_a_full_scale_that_means_nothing_is_refused(volts: float, tmp_path: Path) -> None:
    path = tmp_path / "tone.wav"
    soundfile.write(path, np.zeros(100), 44_100)
    code = "no_such_figure" if 0 < volts < 1e-30 else "outside_range"
    assert code_of(path, full_scale_volts=volts) == code
    assert code_of(path, interval_seconds=volts) == code


# ---- JSON and TOML of strangers ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000, '{"a":' * 500 + "1" + "}" * 500, "1e400", "NaN", "-Infinity", "9" * 5000, "1" * 25,
        "[" * 40 + "]" * 40,
    ],
)  # fmt: skip
def test_json_beyond_its_limits_is_none(text: str) -> None:
    with pytest.raises(ValueError):
        strict.json_from(text)
    assert strict.json_from('{"a": [1, 2.5, null, "x"]}') == {"a": [1, 2.5, None, "x"]}


@pytest.mark.parametrize(
    "text",
    [
        "a." * 300_000 + "a = 1",
        "[" + "a." * 300_000 + "a]",
        'x = {"a".' + "'b' . " * 100_000 + "c = 1}",
        "a = " + "[" * 200_000,
    ],
)
def test_toml_that_is_nested_beyond_use_ends_before_the_parser(text: str, tmp_path: Path) -> None:
    """300,000 parts of a key took the parser 89 seconds."""
    with pytest.raises(ValueError, match="nested"):
        strict.toml_from(text)
    assert strict.toml_from('a.b = "' + "Ends. And goes on. " * 40 + '"')["a"]["b"].startswith("Ends.")


def test_a_calibration_and_an_index_are_read_behind_the_same_limits(
    tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    path = tmp_path / "recorder.toml"
    path.write_text("#" * 2_000_000)
    with pytest.raises(GainkitError) as fault:
        read_calibration(path)
    assert fault.value.code == "not_a_calibration"
    (tmp_path / "index.json").write_text("[" * 100_000)
    assert "damaged" in gainkit("tones", "check", tmp_path).refused()


def test_a_strangers_line_costs_itself(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    job = new_job(tmp_path / "car")
    good = {
        "when": "2025-05-05T10:00:00",
        "kind": "text",
        "outputs": [],
        "captures": [],
        "result": {"text": "by hand"},
    }
    spoiled = [
        '{"when": ' * 300, "[" * 5000, json.dumps(good).replace('"by hand"', "1e999"), "null", "7", '"x"',
        json.dumps(good | {"when": 10**25}), json.dumps(good | {"captures": 5}),
    ]  # fmt: skip
    (job / RECORD_FILE).write_text("\n".join([json.dumps(good), *spoiled, json.dumps(good)]) + "\n")
    events, problems = record.read_events(job)
    assert [event.number for event in events] == [1, len(spoiled) + 2]
    assert len(problems) == len(spoiled)
    assert gainkit("job", "status", job).code in (0, 1)


def test_a_record_that_is_none_is_refused_before_it_is_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = new_job(tmp_path / "car")
    (job / RECORD_FILE).write_text("x\n" * 3000)
    with pytest.raises(GainkitError) as fault:
        record.read_events(job)
    assert fault.value.code == "record_not_ours"
    monkeypatch.setattr(record, "LARGEST_RECORD_BYTES", 1000)
    with pytest.raises(GainkitError) as fault:
        record.read_events(job)
    assert fault.value.code == "record_too_large"


@pytest.mark.parametrize(
    "values", [{"thd_percent": "much"}, {"places": [1]}, {"thd_percent": [1]}, {"places": "ab"}]
)
def test_a_remark_that_its_sentence_cannot_show_is_none(values: dict[str, object]) -> None:
    from gainkit.remarks import Remark

    with pytest.raises(NotThatResult):
        from_plain(Remark, {"code": "not_by_a_rail", "severity": "remark"} | values)


# ---- figures -----------------------------------------------------------------------------------------------


def numeric_options() -> list[tuple[str, str]]:
    """(command, option) of everything that takes a number."""
    from typer.main import get_command

    found = []
    for room in get_command(command_tree([])).commands:  # type: ignore[attr-defined]
        command = get_command(command_tree([room])).commands[room]  # type: ignore[attr-defined]
        for name, inner in (getattr(command, "commands", None) or {"": command}).items():
            for each in inner.params:
                if each.opts[0].startswith("--") and type(each.type).__name__[:3] in ("Flo", "Int"):
                    found.append((f"{room} {name}".strip(), each.opts[0]))
    return found


def test_no_option_takes_a_figure_that_means_nothing(gainkit: Callable[..., Answer]) -> None:
    """Whatever else is given: by the option's name, and before anything else is looked at."""
    options = numeric_options()
    assert len(options) > 100
    for place, (command, option) in enumerate(options):
        figure = ("1e308", "-1e308", "5e-324", "nan", "-inf")[place % 5]
        told = gainkit(*command.split(), f"{option}={figure}").refused()
        assert option in told.splitlines()[0], (command, option, told)


def test_ranges_end_where_arithmetic_does() -> None:
    assert not VOLTS.holds(5e-324)
    assert not VOLTS.holds(float("nan"))
    assert VOLTS.holds(1e-6)


# ---- the terminal ------------------------------------------------------------------------------------------


def test_names_and_texts_of_others_do_not_steer_the_terminal(
    tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    name = tmp_path / f"x{ESCAPE}\ny.wav"
    said = gainkit("measure", name).refused()
    toml = tmp_path / "set.toml"
    toml.write_text(
        'title = "A\\u001b[31m\\u0007\\u202e"\n[[track]]\nkind = "sine"\ntitle = "B\\u001b[2J"\nuse = "C\\u009b1m"\n'
    )
    shown = gainkit("tones", "show", toml)
    assert shown.code == 0
    told = (
        said + shown.out + gainkit("measure", name, "--json").out + gainkit("tones", "show", toml, "--json").out
    )
    assert not {*told} & {*"\x1b\x07\x9b\u202e\r"}
    assert "\\x1b[31m" in shown.out
    assert len(said.splitlines()) == 2, "a line end in a name makes no line of ours"
    assert "A\x1b[31m" in json.loads(gainkit("tones", "show", toml, "--json").out)["title"], (
        "a program gets it whole"
    )


def test_our_own_colour_stays() -> None:
    assert plain.screen(f"{plain.STRONG}4 V{plain.PLAIN}\t\n") == f"{plain.STRONG}4 V{plain.PLAIN}\t\n"
    assert plain.screen("a\x1b[5mb\rc") == "a\\x1b[5mb\\rc"


def test_a_calibration_file_holds_any_name(tmp_path: Path) -> None:
    how = 'tone "1"\\x\nfull_scale_volts = 1\x7f' + os.fsdecode(b"\xff")
    path = tmp_path / "recorder.toml"
    files.write_whole(path, Calibration(full_scale_volts=2.0, how=how).as_toml())
    known = read_calibration(path)
    assert known.full_scale_volts == 2.0
    assert known.how.startswith('tone "1"\\x\nfull_scale_volts = 1\x7f')


# ---- killed and stopped ------------------------------------------------------------------------------------


def test_drafts_of_the_dead_are_swept_and_no_others(tmp_path: Path) -> None:
    dead = dead_draft(tmp_path / "page.html")
    own, strange = files.draft_path(tmp_path / "page.html"), tmp_path / ".page-0123abcd.part.html"
    elsewhere = dead.with_name(dead.name.replace(files._machine(), f"{int(files._machine(), 16) ^ 1:04x}"))
    for path in (dead, own, strange, elsewhere):
        path.write_text("half")
    files.write_whole(tmp_path / "other.txt", "whole")
    assert {path.name for path in tmp_path.iterdir()} == {own.name, strange.name, elsewhere.name, "other.txt"}


def test_a_recording_is_whole_at_any_moment(tmp_path: Path) -> None:
    """The header is never more than half a second behind, without any end of the program."""
    path, rate = tmp_path / "live.wav", 8000
    recording = Recording(path, rate, 3)
    wave = np.tile(np.linspace(-1.2, 1.2, 1000, dtype=np.float32)[:, None], 3)
    for _ in range(21):
        recording.write(wave)
        samples, told_rate = soundfile.read(path)
        assert told_rate == rate
        assert recording.frames - len(samples) < rate / 2
    recording.close()
    samples, _ = soundfile.read(path)
    np.testing.assert_allclose(samples[:1000], np.clip(wave, -1, 1), atol=2.0**-23)
    size = path.stat().st_size
    assert struct.unpack("<I", path.read_bytes()[4:8])[0] + 8 == size
    with pytest.raises(GainkitError):
        Recording(path, rate, 3)


def test_an_early_stop_says_no_more_than_that() -> None:
    code = (
        "import sys, gainkit.cli as cli\n"
        "def stopped():\n    raise KeyboardInterrupt\n"
        "cli.run = stopped\ncli.main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "Stopped.\n")
