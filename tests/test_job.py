"""Job folders: started, kept through kills and torn lines, and the commands that fill and tell them."""

from __future__ import annotations

import json
import random
import shlex
import signal
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest
import soundfile

from gainkit.job.log import log_reading
from gainkit.job.places import RECORD_FILE
from gainkit.job.readings import read_readings
from gainkit.job.record import append_event, read_events
from tests.conftest import Answer
from tests.records import SYSTEM, VOLTS, measured, new_job
from tests.waves import RATE, held, shaped, sine, with_noise

FRONT_VOLTS = VOLTS["Front/left"]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return new_job(tmp_path / "job")


# -- new ---------------------------------------------------------------------------------------------------


def test_a_new_job_can_be_planned_and_stands_as_unmeasured(
    tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    made = gainkit("job", "new", tmp_path / "car", "--json").json
    assert Path(made["system"]).is_file()
    assert (tmp_path / "car" / "captures").is_dir()
    assert gainkit("plan", made["system"]).code == 0
    status = gainkit("job", "status", tmp_path / "car", "--json").json
    assert not status["ok"]
    assert {each["verdict"] for each in status["outputs"]} == {"level not measured"}
    assert [each["met"] for each in status["outputs"]] == [None] * 4
    assert "4 OF 4 OUTPUTS NOT MEASURED" in gainkit("job", "status", tmp_path / "car").out


def test_a_new_job_touches_nothing_of_the_users(
    job: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    before = (job / "system.toml").read_bytes()
    assert "not empty" in gainkit("job", "new", job).refused()
    assert (job / "system.toml").read_bytes() == before
    (tmp_path / "broken.toml").write_text("[[channel]]\nname = 1\n")
    gainkit("job", "new", tmp_path / "other", "--system", tmp_path / "broken.toml").refused()
    assert not (tmp_path / "other").exists()
    gainkit("job", "status", tmp_path).refused()


def test_a_new_job_from_a_system_file_keeps_its_text(
    job: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    assert gainkit("job", "new", tmp_path / "next", "--system", job / "system.toml").code == 0
    assert (tmp_path / "next" / "system.toml").read_text() == SYSTEM


# -- by commands -------------------------------------------------------------------------------------------


def test_the_whole_way_by_commands(job: Path, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    peak = FRONT_VOLTS * 2**0.5 / 40
    good, hot = tmp_path / "good.wav", tmp_path / "hot.wav"
    soundfile.write(good, sine(997, peak=peak), RATE, subtype="PCM_24")
    soundfile.write(hot, peak * with_noise(shaped(held(2.0), 997), 70), RATE, subtype="PCM_24")
    for path in (hot, good):
        words = ("measure", path, "--full-scale-volts", 40, "--log", job, "--for", "Front/left", "--json")
        assert gainkit(*words).code == 0
    status = gainkit("job", "status", job, "--json").json
    left = status["outputs"][0]
    assert (left["channel"], left["output"], left["met"]) == ("Front", "left", True)
    assert left["verdict"].startswith("on target")
    assert left["found"]["state"] == "clipped"
    assert left["lacks"] == ["onset", "polarity", "match"]
    assert not status["ok"]
    assert "2 OF 3 OUTPUTS NOT MEASURED" in gainkit("job", "status", job).out
    assert gainkit("job", "status", job, "--tolerance-db", 0, "--json").fault["parameter"] == "tolerance_db"


def test_a_job_filled_with_a_meter_alone(job: Path, gainkit: Callable[..., Answer]) -> None:
    for name, volts in VOLTS.items():
        noted = gainkit("note", job, "--for", name, "--volts", volts, "--dc-volts", 0.002, "--json").json
        assert noted["kind"] == "level"
    assert noted["number"] == 3
    gainkit("note", job, "--for", "Rear", "--polarity", "positive", "--knob", "11 o'clock", "--json")
    assert gainkit("note", job, "--supply-volts", 12.6, "--at", "battery", "--state", "idling").code == 0
    assert gainkit("note", job, "--text", "customer wants the rear quiet").code == 0
    status = gainkit("job", "status", job, "--json").json
    assert status["ok"]
    assert all("clipping not looked at" in each["verdict"] for each in status["outputs"])
    assert status["outputs"][2]["knob"] == "11 o'clock"
    listed = gainkit("job", "readings", job, "--json").json["readings"]
    assert [each["kind"] for each in listed] == ["level"] * 3 + ["polarity-typed", "knob", "supply", "text"]
    assert gainkit("job", "void", job, 7, "--reason", "another customer", "--json").json["number"] == 8
    assert gainkit("job", "undo", job, "--json").json["voided"] == 6
    assert [each["counts"] for each in gainkit("job", "readings", job, "--json").json["readings"]][5:7] == [
        False,
        False,
    ]
    assert gainkit("job", "visit", job, "re-check").code == 0
    assert gainkit("job", "report", job.parent, "--json").json["jobs"][0]["ok"] is True


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--for", "Front", "--volts", 1), "output_needed"),
        (("--for", "Roof", "--volts", 1), "unknown_output"),
        (("--volts", 1), "missing"),
        (("--for", "Rear", "--volts", -1), "outside_range"),
        (("--for", "Rear", "--tone-dbfs", -5), "needs"),
        (("--supply-volts", 12), "supply_needs_place_and_state"),
        (("--at", "battery"), "needs"),
        (("--for", "Rear", "--accept", "hum"), "missing"),
        (("--text", " "), "blank_text"),
        ((), "nothing_to_note"),
    ],
)
def test_notes_that_mean_nothing_are_refused(
    job: Path, gainkit: Callable[..., Answer], words: tuple[object, ...], code: str
) -> None:
    assert gainkit("note", job, *words, "--json").fault["code"] == code
    assert not (job / RECORD_FILE).exists()


# -- kept --------------------------------------------------------------------------------------------------


def test_a_line_cut_anywhere_costs_itself_alone(job: Path) -> None:
    draw = random.Random(4)
    for number in range(6):
        log_reading(job, "measure", "Rear", measured(float(number + 1)))
    whole = (job / RECORD_FILE).read_bytes()
    for place in [0, len(whole), *(draw.randrange(len(whole)) for _ in range(40))]:
        (job / RECORD_FILE).write_bytes(whole[:place])
        kept = whole[:place].count(b"\n") + (place > 0 and whole[place : place + 1] == b"\n")
        readings, problems = read_readings(job)
        assert len(readings) == kept
        assert len(problems) == (
            place > 0 and whole[place - 1 : place] != b"\n" and whole[place : place + 1] != b"\n"
        )
        added = log_reading(job, "measure", "Rear", measured(99.0))
        volts = [each.result.rms_volts for each in read_readings(job)[0]]
        assert volts == [*map(float, range(1, kept + 1)), 99.0]
        assert added.number == read_readings(job)[0][-1].number


WRITER = """
import resource, signal, sys
from pathlib import Path
from gainkit.job.record import append_event
resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
for number in range(100000):
    result = {"run": int(sys.argv[2]), "number": number, "text": "x" * 4000}
    append_event(Path(sys.argv[1]), "measure", ["Rear"], result)
    print(number, flush=True)
"""
"""Appends readings until the system kills it at a byte of the file drawn beforehand, in the midst of a line."""


def test_kills_lose_at_most_the_line_in_flight(job: Path) -> None:
    draw = random.Random(8)
    told: dict[int, int] = {}
    (job / RECORD_FILE).touch()
    for run in range(12):
        end = (job / RECORD_FILE).stat().st_size + draw.randrange(1, 30_000)
        words = [sys.executable, "-c", WRITER, str(job), str(run), str(end)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == -signal.SIGXFSZ, done.stderr
        assert (job / RECORD_FILE).stat().st_size == end
        told[run] = len(done.stdout.splitlines())
    events, problems = read_events(job)
    assert 6 <= len(problems) <= 12
    results = [dict(each.result or {}) for each in events]
    for run, count in told.items():
        numbers = [each["number"] for each in results if each["run"] == run]
        assert numbers == list(range(len(numbers)))
        assert count <= len(numbers) <= count + 1
    assert all(
        json.loads(line) for line in (job / RECORD_FILE).read_bytes().splitlines() if line.endswith(b"}")
    )


def test_a_log_that_cannot_be_written_is_refused_before_anything_is_measured(
    job: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    tone = tmp_path / "tone.wav"
    soundfile.write(tone, sine(997, RATE), RATE, subtype="PCM_24")
    for words in (("measure", tone), ("onset", tone), ("polarity", tone), ("match", tone)):
        assert "not a job folder" in gainkit(*words, "--log", tmp_path, "--for", "Front").refused()
        assert "Front/left" in gainkit(*words, "--log", job, "--for", "Fornt/left").refused()
    assert "--for" in gainkit("onset", tone, "--log", job).refused()
    assert "--log" in gainkit("polarity", tone, "--for", "Front").refused()
    assert "not a job folder" in gainkit("volume", f"1={tone}", "--log", tmp_path).refused()
    assert not (job / RECORD_FILE).exists()


def test_a_record_that_cannot_be_written_does_not_cost_the_reading(
    job: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    soundfile.write(tmp_path / "tone.wav", sine(997, peak=0.5), RATE, subtype="PCM_24")
    (job / RECORD_FILE).mkdir()
    told = gainkit("measure", tmp_path / "tone.wav", "--log", job, "--for", "Rear", "--full-scale-volts", 40)
    assert told.code == 2
    assert "14.14 V rms" in told.out
    assert RECORD_FILE in told.err


def test_paths_can_be_pasted_and_long_names_copied(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    folder = tmp_path / "Customer M\u00fcller"
    told = gainkit("job", "new", folder).out
    command = next(line for line in told.splitlines() if "job status" in line)
    assert shlex.split(command)[-1] == str(folder)
    name = "Rear fill, two in parallel on one channel"
    (folder / "system.toml").write_text(SYSTEM.replace('"Rear"', f'"{name}"'))
    assert f"{name}: level" in " ".join(gainkit("job", "status", folder).out.split())


def write_many(job: Path, who: str) -> None:
    """One of two loggers at once."""
    for number in range(40):
        append_event(job, "text", (), {"text": f"{who} {number} " + "x" * 3000})


def test_two_loggers_at_once_lose_nothing(job: Path) -> None:
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        for waiting in [pool.submit(write_many, job, who) for who in ("one", "two")]:
            waiting.result()
    events, problems = read_events(job)
    assert problems == []
    assert [each.number for each in events] == list(range(1, 81))
    for who in ("one", "two"):
        numbers = [
            int(str((each.result or {})["text"]).split()[1]) for each in events if who in str(each.result)
        ]
        assert numbers == list(range(40))


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_device_leaves_no_half_line(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log_reading(job, "measure", "Rear", measured(10.0))
    before = (job / RECORD_FILE).read_bytes()
    import gainkit.job.record as record

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(record.os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        log_reading(job, "measure", "Rear", measured(11.0))
    assert (job / RECORD_FILE).read_bytes() == before
