"""The function of one file under an existing distributed engine: Dask's local cluster."""

from __future__ import annotations

from pathlib import Path

import dask
import pytest
import soundfile
from distributed import Client

from gainkit.batch import Question, measure_file
from tests.test_batch import alike
from tests.waves import RATE, sine


@pytest.mark.filterwarnings("ignore")  # the engine's own
def test_a_local_cluster_gives_the_same_answers(tmp_path: Path) -> None:
    for number in range(4):
        soundfile.write(
            tmp_path / f"{number}.wav", sine(997, RATE // 4, peak=0.2 + 0.2 * number), RATE, subtype="PCM_24"
        )
    questions = [Question(tmp_path / f"{number}.wav") for number in range(5)]  # the last is not there
    patient = dask.config.set(
        {"distributed.comm.timeouts.connect": "600s", "distributed.comm.timeouts.tcp": "600s"}
    )
    with patient, Client(n_workers=2, threads_per_worker=1, dashboard_address=None, timeout=600) as client:
        answers = client.gather(client.map(measure_file, questions))
    assert alike(answers, [measure_file(question) for question in questions])
    assert [answer.measurement is None for answer in answers] == [False] * 4 + [True]
