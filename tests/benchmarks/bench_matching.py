"""Trims between loudspeakers where something spoils the comparison, with and without the track at hand.

Run with: pytest -m benchmark -s tests/benchmarks/bench_matching.py
"""

from __future__ import annotations

from collections import Counter

import pytest

from tests import noises

TRIALS, FIRST_SEED = 40, 2000
"""Thresholds were chosen on seeds below 100 and from 1000 to 1029."""


@pytest.mark.benchmark
@pytest.mark.parametrize("with_track", [True, False], ids=["track given", "track not given"])
@pytest.mark.parametrize("family", noises.FAMILIES)
def test_trims(family: str, with_track: bool) -> None:
    seeds = range(FIRST_SEED, FIRST_SEED + TRIALS)
    counts = Counter(noises.outcome(noises.pair(family, seed), with_track=with_track) for seed in seeds)
    print(f"\n{family:<24}{'track given' if with_track else '':<14}{dict(counts)}")
    assert counts["wrong"] == 0


@pytest.mark.benchmark
@pytest.mark.parametrize("way", [*noises.COPIES, *noises.TAKES])
def test_copies_and_takes(way: str) -> None:
    make = noises.copied if way in noises.COPIES else noises.taken_twice
    same = sum(noises.called_same(*make(way, seed)) for seed in range(FIRST_SEED, FIRST_SEED + TRIALS))
    print(f"\n{way:<30}called the same recording {same} of {TRIALS}")
    assert same == (TRIALS if way in noises.COPIES else 0)


@pytest.mark.benchmark
@pytest.mark.parametrize("band", [*noises.BANDS, "full"])
def test_tracks_of_bands(band: str) -> None:
    """Thresholds were chosen on seeds 0 to 19 and looked at again on 200 to 229 and on 2039 of the bass."""
    seeds = range(FIRST_SEED, FIRST_SEED + TRIALS)
    alike = Counter(noises.tracks_told(noises.tracks((band, band), seed)) for seed in seeds)
    print(f"\n{band:<10}on both sides  {dict(alike)}")
    assert not {"end", "refused (tracks_differ)"} & set(alike)
    if band != "full":
        orders = ((band, "full"), ("full", band))
        unlike = Counter(noises.tracks_told(noises.tracks(each, seed)) for seed in seeds for each in orders)
        print(f"{band:<10}beside full    {dict(unlike)}")
        assert unlike["nothing"] <= 0.05 * 2 * TRIALS
