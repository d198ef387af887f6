"""Coverage of the stated uncertainties: how often the interval of 95 % holds the truth, family by family.

Run with: pytest -m benchmark -s tests/benchmarks/bench_uncertainty.py. Families come from bench_analysis.py and
tests/movement.py. An interval is the figure +- 1.96 times its standard uncertainty (JCGM 100, 6.3.3); of the
overdrive it also reaches over `overdrive_interval_db`, where several explanations fit. The level of scenes is
known to no better than their own cut of cycles, so only waves tell that of rms.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture
from tests import movement
from tests.benchmarks import bench_analysis
from tests.waves import RATE, shaped, with_noise

pytestmark = pytest.mark.benchmark

WAVES, NOISES, FIRST_SEED = 10, 20, 500
"""Waves of a family, and noises on each: a family's share is known to 1.5 %, that of all to 0.5 %."""

SCENES, SCENE_SEED = 30, 9000
"""Scenes of a family, and their first seed."""

COVERAGE = 1.96

LEAST_HELD, LEAST_HELD_SCENES = 0.90, 0.80
"""Share that a family must hold: 95 % less what so few cases scatter, three standard deviations and more [-]."""


class Tally:
    """Errors over their standard uncertainty, name by name."""

    def __init__(self) -> None:
        self.ratios: dict[str, list[float]] = {"rms": [], "overdrive": [], "thd": []}

    def add(self, name: str, error: float, uncertainty: float | None) -> None:
        assert uncertainty is not None
        self.ratios[name].append(abs(error) / max(uncertainty, 1e-300))

    def check(self, least: float) -> None:
        """Fail where an interval holds the truth too seldom."""
        for name, ratios in self.ratios.items():
            assert not ratios or np.mean(np.array(ratios) < COVERAGE) >= least, name

    def text(self) -> str:
        """Share within the interval and the largest ratio, each with its count."""
        parts = []
        for name, ratios in self.ratios.items():
            if ratios:
                held = np.mean(np.array(ratios) < COVERAGE)
                parts.append(f"{name} {100 * held:5.1f} % of {len(ratios)} (largest {max(ratios):.1f} u)")
        return "  ".join(parts)


def trials(family: str) -> Iterator[tuple[bench_analysis.Case, Measurement, float, float]]:
    """Case, measurement, expected rms [V] and THD [%] of each wave and noise."""
    rng = np.random.default_rng([FIRST_SEED, list(bench_analysis.FAMILIES).index(family)])
    for wave in range(WAVES):
        frequency_hz = bench_analysis.FREQUENCIES_HZ[wave % 5] * float(rng.uniform(0.98, 1.02))
        case = bench_analysis.FAMILIES[family](rng)
        clean = shaped(case.shape, frequency_hz, RATE // 2, phase=float(rng.uniform(0, 2 * np.pi)))
        rms, thd = bench_analysis.truth_of(case, frequency_hz)
        for noise in range(NOISES):
            seed = FIRST_SEED + wave * NOISES + noise
            noisy = with_noise(clean, case.snr_db, seed=seed)
            noise_volts = float(np.std(clean)) * 10 ** (-case.snr_db / 20)
            yield case, measure(Capture.from_array(noisy, RATE)), float(np.hypot(rms, noise_volts)), thd


@pytest.mark.parametrize("family", bench_analysis.FAMILIES)
def test_waves(family: str) -> None:
    tally = Tally()
    for case, found, rms, thd in trials(family):
        tally.add("rms", found.rms_volts - rms, found.rms_uncertainty_volts)
        if found.distortion_seen and thd > 0:
            assert found.thd_percent is not None
            tally.add("thd", found.thd_percent - thd, found.thd_uncertainty_percent)
        clip = found.clipping
        if clip.overdrive_uncertainty_db is not None and case.overdrive_db is not None:
            assert clip.overdrive_db is not None
            error = clip.overdrive_db - case.overdrive_db
            if clip.overdrive_interval_db is not None:
                low, high = clip.overdrive_interval_db
                error = max(low - case.overdrive_db, case.overdrive_db - high, 0.0)
            tally.add("overdrive", error, clip.overdrive_uncertainty_db)
    print(f"\n{family:<28}{tally.text()}", flush=True)
    tally.check(LEAST_HELD)


@pytest.mark.parametrize("family", movement.FAMILIES)
def test_scenes(family: str) -> None:
    tally = Tally()
    for trial in range(SCENES):
        scene = movement.FAMILIES[family](np.random.default_rng([SCENE_SEED, trial]))
        if scene.overload:
            return
        found = scene.measured()
        if not found.steady_tone:
            continue
        clip = found.clipping
        if clip.overdrive_uncertainty_db is not None and scene.overdrive_db is not None:
            assert clip.overdrive_db is not None
            error = clip.overdrive_db - scene.overdrive_db
            if clip.overdrive_interval_db is not None:
                low, high = clip.overdrive_interval_db
                error = max(low - scene.overdrive_db, scene.overdrive_db - high, 0.0)
            tally.add("overdrive", error, clip.overdrive_uncertainty_db)
    print(f"\n{family:<28}{tally.text()}", flush=True)
    tally.check(LEAST_HELD_SCENES)
