"""Wiring told by counted beeps, by line and by ear, family by family.

Run with: pytest -m benchmark -s tests/benchmarks/bench_routing.py
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from tests import beeping

TRIALS, FIRST_SEED = 40, 5100
"""The rules were set on seeds from 5000 to 5039."""


@pytest.mark.benchmark
@pytest.mark.parametrize("family", beeping.FAMILIES)
def test_family(family: str) -> None:
    seeds = range(FIRST_SEED, FIRST_SEED + TRIALS)
    counts = Counter(
        beeping.outcome(beeping.FAMILIES[family](np.random.default_rng([seed, len(family)]))) for seed in seeds
    )
    print(f"\n{family:<28}{dict(counts)}", flush=True)
    assert not any(told.startswith("wrong") for told in counts)
