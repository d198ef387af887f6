"""Charts of a plan: what is drawn equals what was calculated, read back from the Axes."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel
from gainkit.calculator.targets import Target, find_target
from gainkit.charts import draw_headroom, draw_levels, draw_power
from gainkit.job import load_system, plan_system
from tests.charts.drawing import EXAMPLE, drawn, line, title


def test_headroom_is_the_calculators(target: Target) -> None:
    ax = drawn(lambda ax: draw_headroom(ax, target))
    assert target.gain_db is not None
    for level in (0, -5, -10, -20):
        gains, headroom = line(ax, f"{level} dBFS")
        for gain in (gains[10], gains[100], gains[-1]):
            volts = 5 * 10 ** ((gain + level) / 20)
            assert np.interp(gain, gains, headroom) == pytest.approx(20 * np.log10(target.clip_volts / volts))
    gain, headroom = line(ax, "setting")
    assert (gain[0], headroom[0]) == pytest.approx((target.gain_db, target.headroom_db))
    assert headroom[0] == pytest.approx(-5)
    regions = {p.get_label(): p.get_window_extent() for p in ax.patches}
    assert set(regions) == {"clean", "overlap", "clipped"}
    edges = [ax.transData.inverted().transform((box.x0, 0))[0] for box in regions.values()]
    assert edges[1] == pytest.approx(target.gain_db - 5)
    assert edges[2] == pytest.approx(target.gain_db)
    assert "cut by 5.0 dB" in title(ax)


def test_the_gain_controls_volts_stand_over_their_gains(target: Target) -> None:
    ax = drawn(lambda ax: draw_headroom(ax, target))
    (top,) = ax.child_axes
    marks = {
        tick.label2.get_text() or tick.label1.get_text(): tick.get_loc() for tick in top.xaxis.get_major_ticks()
    }
    assert "2" in marks
    for volts, gain in marks.items():
        assert gain == pytest.approx(20 * np.log10(target.clip_volts / float(volts)))


def test_noise_rises_with_gain(target: Target) -> None:
    ax = drawn(lambda ax: draw_headroom(ax, target, noise_volts=0.002))
    figure = ax.get_figure()
    assert isinstance(figure, Figure)
    side = next(each for each in figure.axes if "noise" in each.get_ylabel())
    gains, millivolts = line(side, "noise")
    assert target.gain_db is not None
    assert np.interp(target.gain_db, gains, millivolts) == pytest.approx(2.0, rel=1e-3)
    assert millivolts[-1] / millivolts[0] == pytest.approx(10 ** ((gains[-1] - gains[0]) / 20))


def test_no_line_lies_over_the_settings_words(target: Target) -> None:
    ax = drawn(lambda ax: draw_headroom(ax, target, noise_volts=0.002, name="Front"))
    figure = ax.get_figure()
    assert isinstance(figure, Figure)
    last = figure.axes[-1]  # what is drawn last lies on top
    assert any("Front" in text.get_text() for text in last.texts)
    (words,) = [text for text in last.texts if "Front" in text.get_text()]
    assert all(words.get_zorder() > each.get_zorder() for each in last.lines)


def test_titles_say_how_the_setting_stands() -> None:
    for overlap, margin, words in (
        (0.0, 0.0, "just reach"),
        (0.0, 3.0, "keep 3.0 dB"),
        (8.0, 0.0, "cut by 8.0"),
    ):
        plan = find_target(
            Channel(ratings=(Rating(50, 4),), load_ohms=4, overlap_db=overlap, margin_db=margin, source_volts=2)
        )
        assert words in title(drawn(lambda ax, p=plan: draw_headroom(ax, p)))


def test_levels_stand_against_each_stages_own_ceiling() -> None:
    plan = plan_system(load_system(EXAMPLE)).channel("Subwoofer")
    assert plan.source_volts is not None
    assert plan.gain_db is not None
    assert plan.sensitivity_volts is not None
    assert plan.speaker_limit_volts is not None
    ax = drawn(lambda ax: draw_levels(ax, plan, 12.0))
    _, tone = line(ax, "full-scale tone")
    _, average = line(ax, "average programme")
    wanted_volts = plan.source_volts * 10 ** (plan.gain_db / 20)
    # a sine of that wish cut at the rail, by quadrature; and Gaussian noise 12 dB under its peaks, by sampling
    phase = np.linspace(0, 2 * np.pi, 100_000, endpoint=False)
    rail = np.sqrt(2) * plan.clip_volts
    cut = np.clip(np.sqrt(2) * wanted_volts * np.sin(phase), -rail, rail)
    noise = np.random.default_rng(4).normal(0, np.sqrt(2) * wanted_volts * 10 ** (-12 / 20), 400_000)
    programme = float(np.std(np.clip(noise, -rail, rail)))
    for place, ceiling, volts, mean in (
        (2, plan.sensitivity_volts, plan.source_volts, plan.source_volts * np.sqrt(2) * 10 ** (-12 / 20)),
        (3, plan.clip_volts, np.std(cut), programme),
        (4, plan.speaker_limit_volts, np.std(cut), programme),
    ):
        assert tone[place] == pytest.approx(20 * np.log10(volts / ceiling), abs=1e-3)
        assert average[place] == pytest.approx(20 * np.log10(mean / ceiling), abs=0.03)
    assert list(tone[:2]) == [0.0, 0.0]  # a recording has no volts: 0 dBFS is its ceiling
    assert np.all(average < tone + 3.02)
    assert "too much for the loudspeaker" in title(ax) or "rail" in title(ax)


def test_power_is_that_of_a_clipped_sine(target: Target) -> None:
    ax = drawn(lambda ax: draw_power(ax, target))
    levels, watts = line(ax, "into the load")
    phase = (np.arange(1 << 14) + 0.5) / (1 << 14) * 2 * np.pi
    for level in (-20.0, -6.0, -2.0, 0.0):  # quadrature of the clipped wave itself
        peak = np.sqrt(2) * target.clip_volts * 10 ** ((level + 5) / 20)
        wave = np.clip(peak * np.sin(phase), -np.sqrt(2) * target.clip_volts, np.sqrt(2) * target.clip_volts)
        assert np.interp(level, levels, watts) == pytest.approx(np.mean(wave**2) / 4, rel=1e-4)


def test_full_scale_watts_stand_beside_the_loudspeakers_limit() -> None:
    plan = find_target(
        Channel((Rating(4000, 1),), load_ohms=1, speaker_watts=1500, overlap_db=10, source_volts=4)
    )
    ax = drawn(lambda ax: draw_power(ax, plan))
    _, watts = line(ax, "into the load")
    assert f"puts {round(watts[-1], -1):.0f} W" in title(ax)
    assert f"rated 1500 W: {10 * np.log10(watts[-1] / 1500):.1f} dB too much" in title(ax)
    assert ax.get_ylim()[1] < 1.2 * watts[-1]  # the wish beyond the rail runs out of the picture
    ticks = [tick.label1.get_text() for tick in ax.yaxis.get_major_ticks()]
    assert not any("e" in text or "\u00d7" in text for text in ticks)


def test_levels_name_the_radios_rail_and_what_is_uncut() -> None:
    rear = plan_system(load_system(EXAMPLE)).channel("Rear")
    ax = drawn(lambda ax: draw_levels(ax, rear, name="Rear", built_in=True))
    assert "beyond the radio's rail" in title(ax)
    (uncut,) = [text for text in ax.texts if text.get_text() == "uncut"]
    place, height = line(ax, "wanted")
    assert uncut.xy == pytest.approx((place[0], height[0]))
    assert height[0] == pytest.approx(-rear.headroom_db)
