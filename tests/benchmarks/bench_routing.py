"""Wiring told by counted beeps, by line and by ear, family by family.

Run with: pytest -m benchmark -s tests/benchmarks/bench_routing.py
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from tests import beeping

TRIALS, FIRST_SEED = 40, 155000
"""The rules were set on seeds from 5000 to 5139, 20000 to 20249, 30000 to 30099, 47000 to 47039,
71000 to 71039, 83000 to 83039, 91000 to 91039, 125000 to 125039 and 140000 to 140039."""


@pytest.mark.benchmark
@pytest.mark.parametrize("family", beeping.FAMILIES)
def test_family(family: str) -> None:
    seeds = range(FIRST_SEED, FIRST_SEED + TRIALS)
    counts = Counter(
        beeping.outcome(beeping.FAMILIES[family](np.random.default_rng([seed, len(family)]))) for seed in seeds
    )
    print(f"\n{family:<28}{dict(counts)}", flush=True)
    assert not any(told.startswith("wrong") for told in counts)
