"""Captures as recorders, supplies and protections really make them: how many are told right, family by family.

Run with: pytest -m benchmark -s tests/benchmarks/bench_movement.py. Scenes come from tests/movement.py, 30 a family, from
seeds on which no threshold was chosen (those began at 1 and 101). Right: state, level within 0.1 dB, overdrive
within 0.15 dB and a tenth, and no cause named that is not there. Wrong cause: figures right, a cause wrong or missing.
Refused: no figures, or none of the rails. Wrong figure: a state or figure that is not true.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from tests.movement import FAMILIES, judged

pytestmark = pytest.mark.benchmark

TRIALS, FIRST_SEED = 30, 5000


@pytest.mark.parametrize("family", FAMILIES)
def test_family(family: str) -> None:
    words: Counter[str] = Counter()
    worst, told = 0.0, []
    for trial in range(TRIALS):
        scene = FAMILIES[family](np.random.default_rng([FIRST_SEED, trial]))
        outcome = judged(scene, scene.measured())
        words[outcome.word] += 1
        worst = max(worst, outcome.error_db)
        if outcome.word != "right":
            told.append(f"    {trial}: {outcome.word}: {outcome.why}")
    figures = ", ".join(f"{words[word]} {word}" for word in ("right", "cause", "refused", "figure"))
    print(f"\n{family:<28}{TRIALS} cases: {figures}; worst error {worst:.2f} dB", *told, sep="\n", flush=True)
    assert words["figure"] == 0
