"""Job folders: started, kept through kills and torn lines, and told how they stand."""

from __future__ import annotations

import json
import random
import shlex
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile
from gainkit.job.status import job_status

from gainkit.job.readings import FILE, log_reading, read_readings
from tests.conftest import Answer
from tests.waves import RATE, held, shaped, sine, with_noise

SYSTEM = """
[source]
preamp_volts = 4.0
[[channel]]
name = "Front"
rated_watts = 50
rated_ohms = 4
load_ohms = 4
overlap_db = 5
[[channel]]
name = "Rear"
rated_watts = 25
rated_ohms = 4
load_ohms = 4
overlap_db = 5
"""
FRONT_VOLTS = (50 * 4) ** 0.5


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "system.toml").write_text(SYSTEM)
    return folder


def measured(
    volts: float | None, *, state: str = "clean", calibrated: bool = True, **more: Any
) -> dict[str, Any]:
    clipping = {"state": state, "side": None, "overdrive_db": 1.5 if state == "clipped" else 0.0}
    return {
        "rms_volts": volts, "calibrated": calibrated, "thd_percent": 0.02, "thd_floor_percent": 0.001,
        "recorder_overload": False, "clipping": clipping, **more,
    }  # fmt: skip


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
    assert {channel["verdict"] for channel in status["channels"]} == {"level not measured"}
    assert "NOT DONE" in gainkit("job", "status", tmp_path / "car").out


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


# -- status ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading", "met", "words"),
    [
        (measured(FRONT_VOLTS * 1.02), True, "on target"),
        (measured(FRONT_VOLTS * 1.2), False, "MISSES"),
        (measured(FRONT_VOLTS, state="clipped"), False, "CLIPPED by 1.50 dB"),
        (measured(FRONT_VOLTS, calibrated=False), None, "without calibration"),
        (measured(FRONT_VOLTS) | {"recorder_overload": True}, None, "overloaded"),
        (measured(FRONT_VOLTS, steady_tone=False, frequency_hz=None), None, "no steady tone"),
        (measured(FRONT_VOLTS, frequency_hz=50.0), None, "of 50 Hz, not of 997 Hz"),
        (measured(FRONT_VOLTS, frequency_hz=998.0), True, "on target"),
        (measured(FRONT_VOLTS, thd_percent=43.5), False, "DISTORTED, THD 44 %"),
        (measured(FRONT_VOLTS, dc_volts=5.0), False, "DC OF +5 V"),
        (measured(FRONT_VOLTS, dc_volts=0.05), True, "on target"),
        (measured(0.0), None, "without calibration"),
        ({"rms_volts": "many", "clipping": 3}, None, "without calibration"),
    ],
    ids=[
        "met",
        "off",
        "clipped",
        "uncalibrated",
        "overload",
        "noise",
        "hum",
        "near the tone",
        "distorted",
        "on DC",
        "an offset",
        "silent",
        "not a measurement",
    ],
)
def test_a_channel_is_judged_by_its_latest_level(
    job: Path, reading: dict[str, Any], met: bool, words: str
) -> None:
    log_reading(job, "measure", "front", measured(2.0), [Path("first.wav")])
    log_reading(job, "measure", " Front ", reading, [Path("second.wav")])
    front, rear = job_status(job).channels
    assert front.met is met
    assert words in front.verdict
    assert front.found is not None
    assert front.found.rms_volts == 2.0
    assert front.left is not None
    assert front.left.captures == ("second.wav",)
    assert (rear.met, rear.left) == (None, None)


def test_a_level_does_not_outlive_the_volume_it_was_set_at(job: Path) -> None:
    def volume(position: int, volts: float) -> None:
        log_reading(job, "volume", None, {"highest_clean_position": position, "source_volts": volts}, [])

    volume(29, 3.268)
    log_reading(job, "measure", "Front", measured(FRONT_VOLTS), [])
    volume(29, 3.27)  # found again, the same
    assert job_status(job).channels[0].met is True
    volume(31, 4.115)
    front = job_status(job).channels[0]
    assert front.met is None
    assert front.verdict == "taken at another volume of the source: measure again"
    log_reading(job, "measure", "Front", measured(FRONT_VOLTS), [])
    assert job_status(job).channels[0].met is True


def test_readings_without_an_answer_stay_open(job: Path) -> None:
    loud = {"level_dbfs": 0.0, "state": None}
    unknown = {"found": False, "onset_dbfs": None, "steps": [{"level_dbfs": -3.0, "state": "clean"}, loud]}
    log_reading(job, "onset", "Front", unknown, [])
    log_reading(job, "polarity", "Front", {"polarity": "undecided"}, [])
    assert {"onset", "polarity"} <= set(job_status(job).channels[0].lacks)
    log_reading(job, "onset", "Front", unknown | {"steps": [loud | {"state": "clean"}]}, [])
    log_reading(job, "polarity", "Front", {"polarity": "positive"}, [])
    assert not {"onset", "polarity"} & set(job_status(job).channels[0].lacks)


def test_other_readings_and_strangers_are_told(job: Path, gainkit: Callable[..., Answer]) -> None:
    log_reading(job, "volume", None, {"highest_clean_position": 31, "source_volts": 4.1}, [])
    log_reading(job, "onset", "Front", {"onset_dbfs": -4.5, "onset_volts": 17.0, "steps": []}, [])
    log_reading(job, "polarity", "Front", {"polarity": "negative"}, [])
    matched = [{"file": "l.wav", "trim_db": 0.0}, {"file": "r.wav", "trim_db": -1.5}]
    log_reading(job, "match", "Front", {"reference": "l.wav", "captures": matched}, [])
    log_reading(job, "measure", "Roof", measured(1.0), [])
    status = job_status(job)
    front = status.channels[0]
    assert (front.onset_dbfs, front.polarity, front.trim_db) == (-4.5, "negative", -1.5)
    assert front.lacks == ("level",)
    assert (status.source.highest_clean_position, status.source.source_volts) == ("31", 4.1)
    assert any("Roof" in problem for problem in status.problems)
    assert "polarity was last found negative" in gainkit("job", "status", job).out


def test_the_whole_way_by_commands(job: Path, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    peak = FRONT_VOLTS * 2**0.5 / 40
    good, hot = tmp_path / "good.wav", tmp_path / "hot.wav"
    soundfile.write(good, sine(997, peak=peak), RATE, subtype="PCM_24")
    soundfile.write(hot, peak * with_noise(shaped(held(2.0), 997), 70), RATE, subtype="PCM_24")
    for path in (hot, good):
        answer = gainkit("measure", path, "--full-scale-volts", 40, "--log", job, "--for", "Front", "--json")
        assert answer.code == 0
    status = gainkit("job", "status", job, "--json").json
    assert status["channels"][0]["left"]["met"] is True
    assert status["channels"][0]["verdict"].startswith("on target")
    assert status["channels"][0]["found"]["state"] == "clipped"
    assert not status["ok"]
    assert "1 OF 2 CHANNELS NOT DONE" in gainkit("job", "status", job).out
    assert "--tolerance-db" in gainkit("job", "status", job, "--tolerance-db", 0).refused()


# -- kept --------------------------------------------------------------------------------------------------


def test_a_line_cut_anywhere_costs_itself_alone(job: Path) -> None:
    draw = random.Random(4)
    for number in range(6):
        log_reading(job, "measure", "Front", measured(float(number + 1)), [])
    whole = (job / FILE).read_bytes()
    for place in [0, len(whole), *(draw.randrange(len(whole)) for _ in range(50))]:
        (job / FILE).write_bytes(whole[:place])
        kept = whole[:place].count(b"\n") + (place > 0 and whole[place : place + 1] == b"\n")
        readings, problems = read_readings(job)
        assert len(readings) == kept
        assert len(problems) == (
            place > 0 and whole[place - 1 : place] != b"\n" and whole[place : place + 1] != b"\n"
        )
        log_reading(job, "measure", "Front", measured(99.0), [])
        assert [r.result["rms_volts"] for r in read_readings(job)[0]] == [*map(float, range(1, kept + 1)), 99.0]


WRITER = """
import resource, signal, sys
from pathlib import Path
from gainkit.job.readings import log_reading
resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
for number in range(100000):
    result = {"run": int(sys.argv[2]), "number": number, "text": "x" * 4000}
    log_reading(Path(sys.argv[1]), "measure", "Front", result, [])
    print(number, flush=True)
"""
"""Appends readings until the system kills it at a byte of the file drawn beforehand, in the midst of a line."""


def test_kills_lose_at_most_the_line_in_flight(job: Path) -> None:
    draw = random.Random(8)
    told: dict[int, int] = {}
    (job / FILE).touch()
    for run in range(12):
        end = (job / FILE).stat().st_size + draw.randrange(1, 30_000)
        words = [sys.executable, "-c", WRITER, str(job), str(run), str(end)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == -signal.SIGXFSZ, done.stderr
        assert (job / FILE).stat().st_size == end
        told[run] = len(done.stdout.splitlines())
    readings, problems = read_readings(job)
    assert 6 <= len(problems) <= 12
    for run, count in told.items():
        numbers = [r.result["number"] for r in readings if r.result["run"] == run]
        assert numbers == list(range(len(numbers)))
        assert count <= len(numbers) <= count + 1
    assert all(json.loads(line) for line in (job / FILE).read_bytes().splitlines() if line.endswith(b"}"))


def test_a_log_that_cannot_be_written_is_refused_before_anything_is_measured(
    job: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    tone = tmp_path / "tone.wav"
    soundfile.write(tone, sine(997, RATE), RATE, subtype="PCM_24")
    for words in (("measure", tone), ("onset", tone), ("polarity", tone), ("match", tone)):
        assert "not a job folder" in gainkit(*words, "--log", tmp_path, "--for", "Front").refused()
        assert "Front" in gainkit(*words, "--log", job, "--for", "Fornt").refused()
    assert "--for" in gainkit("onset", tone, "--log", job).refused()
    assert "--log" in gainkit("polarity", tone, "--for", "Front").refused()
    assert "not a job folder" in gainkit("volume", f"1={tone}", "--log", tmp_path).refused()
    assert not (job / FILE).exists()


def test_a_record_that_cannot_be_written_does_not_cost_the_reading(
    job: Path, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    soundfile.write(tmp_path / "tone.wav", sine(997, peak=0.5), RATE, subtype="PCM_24")
    (job / FILE).mkdir()
    told = gainkit("measure", tmp_path / "tone.wav", "--log", job, "--for", "Front", "--full-scale-volts", 40)
    assert told.code == 2
    assert "14.14 V rms" in told.out
    assert FILE in told.err


def test_paths_can_be_pasted_and_long_names_copied(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    folder = tmp_path / "Customer M\u00fcller"
    told = gainkit("job", "new", folder).out
    command = next(line for line in told.splitlines() if "job status" in line)
    assert shlex.split(command)[-1] == str(folder)
    name = "Rear fill, two in parallel on one channel"
    (folder / "system.toml").write_text(SYSTEM.replace('"Rear"', f'"{name}"'))
    assert f"{name}: level" in " ".join(gainkit("job", "status", folder).out.split())


@pytest.mark.parametrize("typed", ["75,5", "75W", "about 75"])
def test_figures_with_units_or_commas_are_told_how(typed: str, gainkit: Callable[..., Answer]) -> None:
    told = gainkit("target", "--watts", typed, "--ohms", 4, "--load-ohms", 4)
    assert told.code == 2
    assert "without its unit" in told.err


def test_the_plan_and_the_volume_as_measured_must_agree(job: Path) -> None:
    text = (
        (job / "system.toml")
        .read_text()
        .replace("preamp_volts = 4.0", 'preamp_volts = 4.0\nclean_position = "31"')
    )
    (job / "system.toml").write_text(text)
    for name, watts in (("Front", 50), ("Rear", 25)):
        log_reading(job, "measure", name, measured((watts * 4) ** 0.5), [])
    assert job_status(job).ok
    log_reading(job, "volume", None, {"highest_clean_position": 31.0, "source_volts": 4.0}, [])
    assert job_status(job).ok
    log_reading(job, "volume", None, {"highest_clean_position": 29, "source_volts": 4.0}, [])
    status = job_status(job)
    assert not status.ok
    assert any("measured as 29; the system file says 31" in problem for problem in status.problems)


def test_a_balanced_output_read_on_one_channel_is_told(job: Path) -> None:
    text = (job / "system.toml").read_text().replace('name = "Front"', 'name = "Front"\nbridged = true')
    (job / "system.toml").write_text(text)
    log_reading(job, "measure", "Front", measured(FRONT_VOLTS, minus=None), [])
    assert any("one lead against ground shows half" in problem for problem in job_status(job).problems)
    log_reading(job, "measure", "Front", measured(FRONT_VOLTS, minus=2), [])
    assert not job_status(job).problems


def test_a_probable_polarity_and_a_torn_onset_stay_open(job: Path) -> None:
    log_reading(job, "polarity", "Front", {"polarity": "negative", "confidence": 0.78}, [])
    log_reading(job, "onset", "Front", {"onset_dbfs": None, "steps": 5}, [])
    assert {"polarity", "onset"} <= set(job_status(job).channels[0].lacks)
