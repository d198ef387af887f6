"""The simulator's Fourier series against the table of hard-clipped sines derived outside this project.

Source of the figures: closed form of the clipped sine's Fourier integral, verified with a 2^20-point FFT
(8e-13) and with ngspice (4.62747 % symmetric and 3.53249 % one-sided at 1 dB, orders to 19).
"""

from __future__ import annotations

import math

import pytest

from gainkit.simulator import Amplifier, harmonics, thd_percent, true_onset

# overdrive dB: THD to order 20 symmetric, THD to order 20 one side, DC / input peak one side
HARD_CLIP = {
    0.1: (0.33030, 0.23963, -0.000368),
    0.5: (2.18536, 1.63052, -0.003982),
    1.0: (4.62747, 3.53327, -0.010822),
    3.0: (13.37486, 10.74980, -0.048093),
    6.0: (23.22866, 19.41104, -0.108602),
    12.0: (35.34906, 30.69062, -0.202811),
}

# THD limit %: overdrive dB at which it is reached, symmetric to order 20, one side to order 20
OVERDRIVE_AT_LIMIT = {
    0.1: (0.04038, 0.05114),
    0.5: (0.14015, 0.18261),
    1.0: (0.25240, 0.32814),
    3.0: (0.66650, 0.86094),
    10.0: (2.17401, 2.77651),
    30.0: (8.86622, 11.50970),
}

SYMMETRIC = Amplifier(gain_db=0, positive_rail_volts=1)
ONE_SIDE = Amplifier(gain_db=0, positive_rail_volts=1, negative_rail_volts=math.inf)


@pytest.mark.parametrize("overdrive_db", HARD_CLIP)
def test_thd_and_dc_of_the_clipped_sine(overdrive_db: float) -> None:
    peak = 10 ** (overdrive_db / 20)
    both, one, dc = HARD_CLIP[overdrive_db]
    assert thd_percent(SYMMETRIC, peak) == pytest.approx(both, abs=1e-5)
    assert thd_percent(ONE_SIDE, peak) == pytest.approx(one, abs=1e-5)
    assert harmonics(ONE_SIDE, peak)[0] / peak == pytest.approx(dc, abs=1e-6)


@pytest.mark.parametrize("limit_percent", OVERDRIVE_AT_LIMIT)
def test_overdrive_at_which_a_limit_is_reached(limit_percent: float) -> None:
    for amplifier, overdrive_db in zip((SYMMETRIC, ONE_SIDE), OVERDRIVE_AT_LIMIT[limit_percent], strict=True):
        found = true_onset(amplifier, 1.0, limit_percent)
        assert found is not None
        assert found.overdrive_db == pytest.approx(overdrive_db, abs=1e-5)


def test_deep_clipping_is_a_square_wave() -> None:
    # square wave: 48.342585 % over all orders, 45.6860 % to order 20 (sqrt(pi^2/8 - 1) and its partial sum)
    assert thd_percent(SYMMETRIC, 1e4, 20) == pytest.approx(45.6860, abs=1e-3)
    assert harmonics(SYMMETRIC, 1e4, 1)[1] == pytest.approx(4 / math.pi, rel=1e-6)
    # one side only: half-wave rectifier, 43.5203 % to order 20
    assert thd_percent(ONE_SIDE, 1e4, 20) == pytest.approx(43.5203, abs=0.02)
