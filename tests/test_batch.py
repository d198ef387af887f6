"""Many captures: the same answers from any number of processes, and a bad file costs only its own line."""

from __future__ import annotations

import csv
import io
import json
import pickle
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
import soundfile

from gainkit.analysis import MeasureOptions
from gainkit.batch import FileAnswer, Question, measure_file, measure_files
from gainkit.levels import ratio_from_db
from tests.conftest import Answer
from tests.waves import RATE, sine, with_noise

LEVELS_DBFS = [-1.0, -7.0, -13.0, -19.0, -25.0]


def alike(answers: Sequence[FileAnswer], others: Sequence[FileAnswer]) -> bool:
    """The same files with the same verdicts and, but for the rounding of threads, the same figures."""

    def figures(answer: FileAnswer) -> dict[str, float]:
        found = answer.measurement
        return {} if found is None else {"rms": found.rms_volts, "hz": found.frequency_hz or 0.0}

    return all(
        (one.file, str(one.fault)) == (other.file, str(other.fault))
        and figures(one) == pytest.approx(figures(other), rel=1e-9)
        for one, other in zip(answers, others, strict=True)
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Five tones in files whose order is that of their levels, a broken file, and one that is no capture."""
    place = tmp_path / "captures"
    place.mkdir()
    for number, level in enumerate(LEVELS_DBFS):
        wave = with_noise(sine(997, RATE // 4, peak=ratio_from_db(level)), 70, seed=number)
        soundfile.write(place / f"{number}.wav", wave, RATE, subtype="PCM_24")
    (place / "3b.wav").write_bytes(b"RIFF")
    (place / "remarks.docx").write_bytes(b"no capture")
    return place


def test_processes_give_the_same_answers_in_the_same_order(folder: Path) -> None:
    questions = [Question(path) for path in sorted(folder.glob("*.wav"))]
    alone = list(measure_files(questions))
    assert alike(list(measure_files(questions, jobs=2)), alone)
    levels = [round(answer.measurement.level_dbfs) for answer in alone if answer.measurement is not None]  # type: ignore[arg-type]
    assert levels == LEVELS_DBFS
    assert [answer.fault is None for answer in alone] == [True, True, True, True, False, True]


def test_the_function_of_one_file_travels_to_other_processes(folder: Path) -> None:
    question = Question(folder / "0.wav", MeasureOptions(load_ohms=4.0), full_scale_volts=20.0)
    job = pickle.loads(pickle.dumps((measure_file, question)))
    answer = job[0](job[1])
    assert pickle.loads(pickle.dumps(answer)) == measure_file(question)
    assert answer.measurement.calibrated


def test_csv_has_one_line_a_capture(folder: Path, gainkit: Callable[..., Answer]) -> None:
    answer = gainkit("measure", folder, "--lines", "csv", "--full-scale-volts", 10)
    rows = list(csv.DictReader(io.StringIO(answer.out)))
    assert [Path(row["file"]).name for row in rows] == ["0.wav", "1.wav", "2.wav", "3.wav", "3b.wav", "4.wav"]
    good = [row for row in rows if not row["problem"]]
    volts = [10 * ratio_from_db(level) / 2**0.5 for level in LEVELS_DBFS]
    assert [float(row["rms_volts"]) for row in good] == pytest.approx(volts, rel=1e-4)
    assert {row["state"] for row in good} == {"clean"}
    assert rows[4]["problem"]
    assert rows[4]["remedy"]
    assert rows[4]["rms_volts"] == ""
    assert answer.code == 2
    assert "1 of 6 files" in answer.err


def test_json_lines_hold_what_json_gives(folder: Path, gainkit: Callable[..., Answer]) -> None:
    (folder / "3b.wav").unlink()
    answer = gainkit("measure", folder, "--lines", "jsonl")
    lines = [json.loads(line) for line in answer.out.splitlines()]
    assert answer.code == 0
    assert lines == gainkit("measure", folder, "--json").json["measurements"]


def test_a_file_that_is_not_clean_is_told_by_the_exit_status(
    folder: Path, gainkit: Callable[..., Answer]
) -> None:
    (folder / "3b.wav").unlink()
    assert gainkit("measure", folder, "--lines", "csv", "--require-clean").code == 0
    soundfile.write(folder / "9.wav", sine(997, peak=2.0).clip(-0.9, 0.9), RATE, subtype="PCM_24")
    assert gainkit("measure", folder, "--lines", "csv", "--require-clean").code == 1


def test_without_lines_too_a_bad_file_stops_no_other(folder: Path, gainkit: Callable[..., Answer]) -> None:
    answer = gainkit("measure", folder)
    assert answer.code == 2
    assert "1 not measured (3b.wav)" in answer.out
    assert all(f"{number}.wav: CLEAN" in answer.out for number in range(5))


def test_lines_do_not_go_with_one_object_and_an_empty_folder_is_told(
    tmp_path: Path, folder: Path, gainkit: Callable[..., Answer]
) -> None:
    assert "--lines" in gainkit("measure", folder, "--lines", "csv", "--json").refused()
    (tmp_path / "empty").mkdir()
    assert "no captures" in gainkit("measure", tmp_path / "empty").refused()


def test_file_names_never_become_formulas(
    tmp_path: Path, gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    soundfile.write(tmp_path / "=1+1.wav", sine(997, RATE // 4), RATE, subtype="PCM_24")
    monkeypatch.chdir(tmp_path)
    rows = list(csv.DictReader(io.StringIO(gainkit("measure", "--lines", "csv", "=1+1.wav").out)))
    assert rows[0]["file"] == "'=1+1.wav"
