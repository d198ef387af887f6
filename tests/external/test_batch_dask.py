"""The function of one file under an existing distributed engine: Dask's local cluster."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import dask
import pytest
import soundfile
from distributed import Client, as_completed

from gainkit.batch import FileAnswer, Question, measure_file
from gainkit.levels import ratio_from_db
from tests.test_batch import alike
from tests.waves import RATE, sine

pytestmark = pytest.mark.filterwarnings("ignore")  # the engine's own

MANY = 1000


@contextmanager
def cluster() -> Iterator[Client]:
    """Two processes of one thread each, on a machine that may be busy."""
    patient = dask.config.set(
        {"distributed.comm.timeouts.connect": "600s", "distributed.comm.timeouts.tcp": "600s"}
    )
    with patient, Client(n_workers=2, threads_per_worker=1, dashboard_address=None, timeout=600) as client:
        yield client


def test_a_local_cluster_gives_the_same_answers(tmp_path: Path) -> None:
    for number in range(4):
        soundfile.write(
            tmp_path / f"{number}.wav", sine(997, RATE // 4, peak=0.2 + 0.2 * number), RATE, subtype="PCM_24"
        )
    questions = [Question(tmp_path / f"{number}.wav") for number in range(5)]  # the last is not there
    with cluster() as client:
        answers = client.gather(client.map(measure_file, questions))
    assert alike(answers, [measure_file(question) for question in questions])
    assert [answer.measurement is None for answer in answers] == [False] * 4 + [True]


@pytest.mark.long
def test_a_killed_process_loses_no_file_and_doubles_none(tmp_path: Path) -> None:
    levels_dbfs = [-1.0 - number for number in range(20)]
    for number, level in enumerate(levels_dbfs):
        wave = sine(997, RATE // 10, peak=ratio_from_db(level))
        soundfile.write(tmp_path / f"{number}.wav", wave, RATE, subtype="PCM_24")
    for number in range(len(levels_dbfs), MANY):
        os.link(tmp_path / f"{number % len(levels_dbfs)}.wav", tmp_path / f"{number}.wav")
    questions = [Question(tmp_path / f"{number}.wav") for number in range(MANY)]
    answers: list[FileAnswer] = []
    with cluster() as client:
        before = set(client.run(os.getpid).values())
        futures = client.map(measure_file, questions)
        for future in as_completed(futures):
            answers.append(future.result())
            if len(answers) == MANY // 4:  # in the middle, with files in its hands and answers not yet fetched
                os.kill(min(before), signal.SIGKILL)
        after = set(client.run(os.getpid).values())
    assert min(before) not in after  # it was gone indeed
    assert sorted(int(Path(answer.file).stem) for answer in answers) == list(range(MANY))
    for answer in answers:
        assert answer.measurement is not None
        wanted = levels_dbfs[int(Path(answer.file).stem) % len(levels_dbfs)]
        assert answer.measurement.level_dbfs == pytest.approx(wanted, abs=1e-3)
