"""How often polarity is right: drivers, crossover legs, cabins and recorders by chance (tests/cabins.py).

Run with: pytest -m benchmark -s tests/benchmarks/bench_polarity.py. Prints the table of DEVELOPERS.md; fails where
fewer than 99 % of decided answers are right, or where 10 % or more are undecided from 10 dB SNR up.
"""

from __future__ import annotations

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.polarity import polarity
from tests.cabins import ROLES, capture, drawn

pytestmark = pytest.mark.benchmark

TRIALS = 60


@pytest.mark.parametrize("given", [True, False], ids=["train named", "train found by itself"])
def test_error_table(given: bool) -> None:
    print(
        f"\n{TRIALS} scenes each, {'train named' if given else 'train found by itself'}: right / wrong / undecided"
    )
    print(f"{'loudspeaker':<14}" + "".join(f"{f'{snr} dB':>16}" for snr in (20, 10, 0)))
    sums = {snr: np.zeros(3, int) for snr in (20, 10, 0)}
    for number, role in enumerate(ROLES):
        cells = []
        for snr, total in sums.items():
            counts = np.zeros(3, int)
            for trial in range(TRIALS):
                scene = drawn(trial + 1000 * number, role=role, snr_db=snr)
                found = polarity(capture(scene), band=scene.band if given else None).polarity
                counts[2 if found == "undecided" else int(found != scene.truth)] += 1
            total += counts
            cells.append(" / ".join(map(str, counts)))
        print(f"{role:<14}" + "".join(f"{cell:>16}" for cell in cells), flush=True)
    print(f"{'all':<14}" + "".join(f"{' / '.join(map(str, total)):>16}" for total in sums.values()))
    for snr, (right, wrong, undecided) in sums.items():
        assert right >= 0.99 * (right + wrong)
        if snr >= 10:
            assert undecided < 0.1 * (right + wrong + undecided)


def test_noise_alone() -> None:
    decided = 0
    for seed in range(100):
        draw = np.random.default_rng(seed)
        noise = np.cumsum(draw.standard_normal(480_000)) * (seed % 2) * 1e-3 + draw.standard_normal(480_000)
        decided += polarity(Capture.from_array(0.1 * noise, 48_000)).polarity != "undecided"
    print(f"\n100 recordings of noise, half of them with rumble: {decided} decided")
    assert decided <= 1
