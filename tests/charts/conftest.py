"""What several charts are drawn of."""

from __future__ import annotations

import numpy as np
import pytest

from gainkit.analysis import ToneFit, Verdict, analyse_tone
from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel
from gainkit.calculator.targets import Target, find_target
from gainkit.capture import Capture
from gainkit.generator.spec import ToneSpec
from gainkit.job.folder import start_job
from gainkit.job.log import note_typed
from gainkit.job.model import JobStatus
from gainkit.job.standing import job_status
from gainkit.job.typed import TypedLevel
from gainkit.matching import MatchResult, match_levels
from gainkit.noise import NoiseResult, find_noise
from gainkit.response import Response, find_response
from tests.chains import boosted, filtered, in_a_row, noisy, played, through
from tests.waves import RATE, held, shaped, with_noise


@pytest.fixture(scope="session")
def target() -> Target:
    return find_target(
        Channel(ratings=(Rating(75, 4),), load_ohms=4, speaker_watts=90, overlap_db=5, source_volts=5)
    )


@pytest.fixture(scope="session")
def clipped() -> tuple[ToneFit, Verdict]:
    wave = 20 * with_noise(shaped(held(2.0), 997), 80)
    seen = analyse_tone(Capture.from_array(wave / 40, RATE, volts_per_unit=40))
    assert seen.tone is not None
    assert seen.verdict is not None
    return seen.tone, seen.verdict


@pytest.fixture(scope="session")
def noises() -> MatchResult:
    draw = np.random.default_rng(1)
    return match_levels(
        [Capture.from_array(gain * draw.standard_normal(4 * RATE), RATE) for gain in (0.1, 0.08)]
    )


@pytest.fixture(scope="session")
def humming() -> NoiseResult:
    time = np.arange(4 * RATE) / RATE
    hiss = np.random.default_rng(3).normal(0, 3e-4, len(time))
    return find_noise(Capture.from_array(hiss + 2e-3 * np.sin(2 * np.pi * 50 * time), RATE), target_volts=17.0)


@pytest.fixture(scope="session")
def standing(tmp_path_factory: pytest.TempPathFactory) -> JobStatus:
    """The example car: front left found 2 dB too loud and left 0.2 dB too quiet, rear far off, sub unread."""
    folder = tmp_path_factory.mktemp("job") / "car"
    start_job(folder)
    status = job_status(folder)
    found, other = status.outputs[0], status.outputs[1]
    for output, error_db in ((found, 2.0), (found, -0.2), (other, -3.0)):
        volts = output.set_volts * 10 ** (error_db / 20)
        note_typed(folder, output.name, TypedLevel(volts=volts))
    return job_status(folder)


@pytest.fixture(scope="session")
def swept() -> Response:
    """A sweep through a Linkwitz-Riley high-pass at 80 Hz and a peak of +6 dB at 1 kHz."""
    samples, sweep = played(ToneSpec("sweep", seconds=10.0))
    chain = in_a_row(filtered("linkwitz-riley", 4, 80, "high"), boosted("peak", 1000, 6, 2))
    heard = noisy(through(samples[:, 0], chain), 60)
    return find_response(Capture.from_array(heard, RATE, calibrated=False), sweep)
