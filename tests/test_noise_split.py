"""Gain split between stages: sums by hand, a closed form for two stages, and nothing better found by trying."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gainkit.calculator.noise_split import NoiseStage, noise_at_output, quietest_split
from gainkit.errors import GainkitError

CHAIN = (
    NoiseStage("source", output_noise_volts=20e-6, clip_volts=4.0, least_gain_db=-40, most_gain_db=0),
    NoiseStage("processor", 5e-6, 30e-6, clip_volts=8.0, least_gain_db=-40, most_gain_db=12),
    NoiseStage("amplifier", 4e-6, 100e-6, clip_volts=30.0, least_gain_db=10, most_gain_db=40),
)


def test_noise_of_each_stage_is_amplified_by_what_follows() -> None:
    split = noise_at_output(CHAIN, (0.0, 6.0, 20.0), 2.0)
    source, processor, amplifier = split.stages
    assert source.output_volts == pytest.approx(20e-6 * 10 ** (26 / 20))
    assert processor.output_volts == pytest.approx(math.hypot(5e-6 * 10 ** (26 / 20), 30e-6 * 10))
    assert amplifier.output_volts == pytest.approx(math.hypot(4e-6 * 10, 100e-6))
    assert split.total_volts == pytest.approx(math.sqrt(sum(stage.output_volts**2 for stage in split.stages)))
    assert sum(stage.share_percent for stage in split.stages) == pytest.approx(100.0)
    assert [stage.signal_volts for stage in split.stages] == pytest.approx(
        [2.0, 2 * 10**0.3, 2 * 10 ** (26 / 20)]
    )
    assert split.stages[0].headroom_db == pytest.approx(20 * math.log10(2))
    assert split.stages[2].headroom_db < 0
    assert split.below_signal_db == pytest.approx(20 * math.log10(2 * 10**1.3 / split.total_volts))


def test_two_stages_have_a_closed_form() -> None:
    """All that the first stage's clipping allows goes there: g1 = c1 / s, N^2 = (o1 g2)^2 + (e2 g2)^2."""
    first = NoiseStage("source", output_noise_volts=10e-6, clip_volts=5.0)
    second = NoiseStage("amplifier", input_noise_volts=8e-6)
    split = quietest_split((first, second), 32.0, 0.5)
    second_gain = 10 ** (32 / 20) / (5.0 / 0.5)
    assert split.gains_db == pytest.approx((20.0, 12.0))
    assert split.total_volts == pytest.approx(second_gain * math.hypot(10e-6, 8e-6))
    assert split.stages[0].headroom_db == pytest.approx(0.0, abs=1e-9)


def test_ranges_hold_the_gain_back() -> None:
    split = quietest_split(CHAIN, 22.0, 2.0)
    # the source at its top, the processor at the end of its range (its clipping at 8 V would be 12.04 dB), and
    # the rest is the amplifier's, whose least is 10 dB
    assert split.gains_db == pytest.approx((0.0, 12.0, 10.0))
    split = quietest_split(CHAIN, 15.0, 2.0)
    assert split.gains_db == pytest.approx((0.0, 5.0, 10.0))


def noise_by_hand(stages: tuple[NoiseStage, ...], gains: tuple[float, ...]) -> float:
    """The chain walked through stage by stage, noise powers carried along."""
    power = 0.0
    for stage, gain_db in zip(stages, gains, strict=True):
        power = (power + stage.input_noise_volts**2) * 10 ** (gain_db / 10) + stage.output_noise_volts**2
    return math.sqrt(power)


@pytest.mark.long
@settings(max_examples=60, deadline=None)
@given(
    noises=st.lists(st.floats(0, 1e-4), min_size=6, max_size=6),
    clips=st.lists(st.floats(0.5, 20.0), min_size=2, max_size=2),
    lows=st.lists(st.integers(-20, 0), min_size=3, max_size=3),
    widths=st.lists(st.integers(0, 30), min_size=3, max_size=3),
    total=st.integers(-10, 40),
)
def test_no_split_on_a_grid_has_less_noise(
    noises: list[float], clips: list[float], lows: list[int], widths: list[int], total: int
) -> None:
    stages = tuple(
        NoiseStage(
            f"stage {n}", noises[2 * n], noises[2 * n + 1], (*clips, math.inf)[n], lows[n], lows[n] + widths[n]
        )
        for n in range(3)
    )
    signal = 1.0
    grids = [np.arange(low, low + width + 0.1, 1.0) for low, width in zip(lows, widths, strict=True)]
    best, allowed = math.inf, 0
    for first, second in itertools.product(grids[0], grids[1]):
        last = total - first - second
        inside = lows[2] <= last <= lows[2] + widths[2]
        if (
            inside
            and signal * 10 ** (first / 20) <= clips[0]
            and signal * 10 ** ((first + second) / 20) <= clips[1]
        ):
            allowed += 1
            best = min(best, noise_by_hand(stages, (first, second, last)))
    if allowed == 0:
        assume(False)
    split = quietest_split(stages, float(total), signal)
    assert split.total_volts == pytest.approx(noise_by_hand(stages, split.gains_db), rel=1e-9, abs=1e-15)
    assert split.total_volts <= best * (1 + 1e-9) + 1e-15
    assert sum(split.gains_db) == pytest.approx(total, abs=1e-9)
    for stage, row in zip(stages, split.stages, strict=True):
        assert stage.least_gain_db - 1e-6 <= row.gain_db <= stage.most_gain_db + 1e-6
        assert row.headroom_db >= -1e-6


@pytest.mark.parametrize(
    ("stages", "total", "code"),
    [
        ((), 0.0, "no_stages"),
        (CHAIN, 30.0, "split_clips"),
        ((NoiseStage("a", most_gain_db=6.0),), 10.0, "split_out_of_reach"),
        ((NoiseStage("a"), NoiseStage("b")), 10.0, "split_without_limit"),
        ((NoiseStage("a", most_gain_db=0.0), NoiseStage("b", least_gain_db=10, most_gain_db=12)), 5.0, None),
        ((NoiseStage("a", -1.0),), 0.0, "outside_range"),
        ((NoiseStage("a", clip_volts=0.0),), 0.0, "outside_range"),
        ((NoiseStage("a", least_gain_db=3.0, most_gain_db=2.0),), 0.0, "stage_range"),
        (
            (NoiseStage("a", least_gain_db=0, most_gain_db=3), NoiseStage("b", least_gain_db=10)),
            5.0,
            "split_stage_range",
        ),
    ],
)
def test_what_cannot_be_split_is_refused(
    stages: tuple[NoiseStage, ...], total: float, code: str | None
) -> None:
    if code is None:
        assert quietest_split(stages, total, 1.0).gains_db == pytest.approx((-5.0, 10.0))
        return
    with pytest.raises(GainkitError) as told:
        quietest_split(stages, total, 2.0)
    assert told.value.code == code


def test_a_gain_for_every_stage_is_asked_for() -> None:
    with pytest.raises(GainkitError) as told:
        noise_at_output(CHAIN, (0.0,), 1.0)
    assert told.value.code == "gains_for_stages"
    with pytest.raises(GainkitError):
        noise_at_output(CHAIN, (0.0, 0.0, 0.0), 0.0)
