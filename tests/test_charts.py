"""Charts: what is drawn equals what was reckoned, read back from the Axes; no text cut or on other text."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

from gainkit.analysis import ToneFit, Verdict, analyse_tone
from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel
from gainkit.calculator.targets import Target, find_target
from gainkit.capture import Capture
from gainkit.charts import (
    Look,
    chart_svg,
    draw_bands,
    draw_compare,
    draw_headroom,
    draw_job,
    draw_levels,
    draw_noise,
    draw_onset,
    draw_power,
    draw_response,
    draw_spectrum,
    draw_volume,
    draw_waveform,
    save_chart,
    styled,
)  # fmt: skip
from gainkit.charts.bands import short_names
from gainkit.charts.drawing import Draw, figure_of
from gainkit.charts.page import chart_page
from gainkit.charts.style import PALETTES, label_ends, named, unmarked
from gainkit.charts.waveform import waveform_point
from gainkit.errors import GainkitError
from gainkit.figures import plain
from gainkit.generator.spec import ToneSpec
from gainkit.job import load_system, plan_system
from gainkit.job.folder import start_job
from gainkit.job.log import note_typed
from gainkit.job.standing import job_status
from gainkit.job.status import JobStatus
from gainkit.job.typed import TypedLevel
from gainkit.matching import MatchOptions, MatchResult, match_levels
from gainkit.noise import NoiseResult, find_noise
from gainkit.onset import OnsetResult, find_onset, staircase
from gainkit.onset.find import StepResult
from gainkit.response import Response, find_response
from gainkit.simulator import Amplifier
from gainkit.simulator import thd_percent as true_thd
from gainkit.verbs.simulating import simulate
from gainkit.volume import VolumePosition, VolumeResult
from tests.chains import boosted, filtered, in_a_row, noisy, played, through
from tests.conftest import Answer
from tests.waves import RATE, held, shaped, with_noise

EXAMPLE = Path(__file__).parent.parent / "gainkit" / "job" / "example_system.toml"


@pytest.fixture(scope="module")
def target() -> Target:
    return find_target(
        Channel(ratings=(Rating(75, 4),), load_ohms=4, speaker_watts=90, overlap_db=5, source_volts=5)
    )


@pytest.fixture(scope="module")
def clipped() -> tuple[ToneFit, Verdict]:
    wave = 20 * with_noise(shaped(held(2.0), 997), 80)
    seen = analyse_tone(Capture.from_array(wave / 40, RATE, volts_per_unit=40))
    assert seen.tone is not None
    assert seen.verdict is not None
    return seen.tone, seen.verdict


@pytest.fixture(scope="module")
def noises() -> MatchResult:
    draw = np.random.default_rng(1)
    return match_levels(
        [Capture.from_array(gain * draw.standard_normal(4 * RATE), RATE) for gain in (0.1, 0.08)]
    )


STEPS = [
    (-4.0, 7.0, 0.004, "clean"),
    (-3.0, 7.9, 0.003, "clean"),
    (-2.0, 8.8, 0.4, "at-onset"),
    (-1.0, 9.6, 3.0, "clipped"),
    (0.0, 10.3, 9.0, "clipped"),
]
ONSET = OnsetResult(
    True, 1.0, -1.7, 9.0, 12.0, 13.0,
    tuple(StepResult(level, volts, thd, 0.002, None, state) for level, volts, thd, state in STEPS), (),  # type: ignore[arg-type]
)  # fmt: skip
ROWS = [(29, 3.2, 0.01, "clean"), (31, 4.1, 0.02, "clean"), (33, 4.7, 8.0, "clipped")]
VOLUME = VolumeResult(31, tuple(VolumePosition(*row) for row in ROWS), (), 4.1, 0.0)  # type: ignore[arg-type]


def drawn(draw: Draw, look: Look | None = None) -> Axes:
    look = look or Look()
    with styled(look):
        figure = figure_of([draw], look)
        figure.draw_without_rendering()
    return figure.axes[0]


def title(ax: Axes) -> str:
    return " ".join(ax.get_title(loc="left").split())


def line(ax: Axes, label: str) -> tuple[np.ndarray, np.ndarray]:
    (found,) = [each for each in ax.lines if each.get_label() == label][:1]
    return np.asarray(found.get_xdata(), float), np.asarray(found.get_ydata(), float)


def texts(figure: Figure) -> list[Text]:
    """All texts that are shown: titles, labels, ticks, annotations."""
    shown = []
    for ax in figure.axes:
        low, high = sorted(ax.get_xlim())
        bottom, top = sorted(ax.get_ylim())
        shown += [t for t in ax.texts if t.get_text()]
        shown += [t for t in (ax.xaxis.label, ax.yaxis.label, ax.title, ax._left_title) if t.get_text()]  # type: ignore[attr-defined]
        shown += [t.label1 for t in ax.xaxis.get_major_ticks() if low <= t.get_loc() <= high]
        shown += [t.label1 for t in ax.yaxis.get_major_ticks() if bottom <= t.get_loc() <= top]
    for child in figure.axes[0].child_axes:
        shown.append(child.xaxis.label)
    return [t for t in shown if t.get_text() and t.get_visible()]


# -- figures -----------------------------------------------------------------------------------------------


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


def seen(wave: np.ndarray, rate: float = RATE, **more: Any) -> tuple[ToneFit, Verdict]:
    found = analyse_tone(Capture.from_array(wave, rate, **more))
    assert found.tone is not None
    assert found.verdict is not None
    return found.tone, found.verdict


def tone_and(frequency_hz: float, peak: float, *others: tuple[float, float], hiss: float = 1e-3) -> np.ndarray:
    """A second of a sine of that peak, others (hertz, peak) beside it, and hiss."""
    time = np.arange(RATE) / RATE
    wave = peak * np.sin(2 * np.pi * frequency_hz * time)
    for hertz, size in others:
        wave += size * np.sin(2 * np.pi * hertz * time)
    return wave + np.random.default_rng(5).normal(0, hiss, RATE)


def test_waveform_shows_samples_fit_and_rails(clipped: tuple[ToneFit, Verdict]) -> None:
    tone, verdict = clipped
    ax = drawn(lambda ax: draw_waveform(ax, tone, verdict))
    _, sine = line(ax, "undisturbed sine")
    assert np.max(sine) == pytest.approx(20 * 10 ** (2.0 / 20), rel=2e-3)
    rails = sorted(each.get_ydata()[0] for each in ax.lines if each.get_label() == "rail")  # type: ignore[index]
    assert rails == pytest.approx([-20, 20], rel=2e-3)
    time, fit = line(ax, "fit")
    assert time[-1] == pytest.approx(2 * 1000 / 997, rel=1e-6)
    flat = fit[np.abs(fit) > 19.9]
    assert len(flat) > 50
    assert np.abs(flat).max() - np.abs(flat).min() < 0.1  # a rail is flat: no ripple of a sum of orders
    assert "2.00 dB beyond" in title(ax)


def test_samples_are_the_recordings_own() -> None:
    """A recording in steps shows its steps; each sample stands at its own place in the period."""
    steps = np.round(tone_and(100, 21, hiss=0) / 0.4) * 0.4
    steps = np.clip(steps, -16, 16)
    place, samples = line(drawn(lambda ax: draw_waveform(ax, *seen(steps))), "samples")
    assert np.abs(samples / 0.4 - np.rint(samples / 0.4)).max() < 1e-6
    assert samples.max() == pytest.approx(16)
    own = np.clip(21 * np.cos(2 * np.pi * place / 10.0), -16, 16)  # counted from the crest
    assert np.abs(own - samples).max() < 0.4


def test_hum_and_dc_are_seen_and_told() -> None:
    tone, verdict = seen(tone_and(400, 10, (50, 1.7)))
    ax = drawn(lambda ax: draw_waveform(ax, tone, verdict))
    place, samples = line(ax, "samples")
    crest = samples[np.minimum(place % 2.5, 2.5 - place % 2.5) < 0.05]
    assert np.ptp(crest) > 1.8 * 1.7  # the crests ride on the hum, up and down
    assert "hum 50 Hz, 17 % of the tone" in title(ax)
    ax = drawn(lambda ax: draw_waveform(ax, *seen(tone_and(100, 10) + 12)))
    assert "12 V of DC" in title(ax)
    assert line(ax, "DC")[1][0] == pytest.approx(12, abs=0.01)
    assert ax.get_ylim()[0] < 0  # zero is in the picture: one sees how far off it is
    uncalibrated = seen(tone_and(100, 10) + 12, calibrated=False)
    assert "DC" not in title(drawn(lambda ax: draw_waveform(ax, *uncalibrated, unit="full scale")))


def test_the_recorders_end_is_drawn_where_samples_come_near() -> None:
    tone, verdict = seen(tone_and(400, 9.8))
    ax = drawn(lambda ax: draw_waveform(ax, tone, verdict, full_scale=10.0))
    ends = sorted(each.get_ydata()[0] for each in ax.lines if each.get_label() == "recorder's end")  # type: ignore[index]
    assert ends == [-10, 10]
    assert "recorder is nearly full" in title(ax)
    assert "recorder" not in title(drawn(lambda ax: draw_waveform(ax, tone, verdict, full_scale=20.0)))


def test_spectrum_shows_the_harmonics(clipped: tuple[ToneFit, Verdict]) -> None:
    tone, _ = clipped
    hertz, levels = line(drawn(lambda ax: draw_spectrum(ax, tone)), "harmonics")
    assert hertz[1] == pytest.approx(3 * 997, rel=1e-6)
    thd = 100 * np.sqrt(np.sum(10 ** (levels[1:] / 10)))
    assert thd == pytest.approx(tone.thd_percent, rel=1e-4)


@pytest.mark.parametrize(("hertz", "peak"), [(50, 1.6), (60, 0.3), (120, 0.05)])
def test_hum_is_in_the_spectrum_and_its_leakage_is_no_harmonic(hertz: float, peak: float) -> None:
    tone, _ = seen(tone_and(1000, 10, (hertz, peak), hiss=1e-5))
    ax = drawn(lambda ax: draw_spectrum(ax, tone))
    assert ax.get_xlim()[0] == 20
    where, level = line(ax, "lines")
    assert where[0] == pytest.approx(hertz, abs=0.5)
    assert level[0] == pytest.approx(20 * np.log10(peak / 10), abs=0.1)
    assert list(line(ax, "harmonics")[0]) == pytest.approx([1000], rel=1e-6)
    assert "No harmonic stands above the floor" in title(ax)
    assert f"hum {hertz} Hz, {20 * np.log10(peak / 10):.0f} dB" in title(ax)


def test_a_harmonic_beside_hum_is_still_one() -> None:
    tone, _ = seen(tone_and(1000, 10, (50, 1.0), (3000, 0.01), hiss=1e-5))
    hertz, levels = line(drawn(lambda ax: draw_spectrum(ax, tone)), "harmonics")
    assert hertz == pytest.approx([1000, 3000], rel=1e-6)
    assert levels[1] == pytest.approx(-60, abs=0.3)


def test_a_tone_without_a_harmonic_in_the_band_has_no_thd() -> None:
    tone, verdict = seen(tone_and(15_000, 5))
    for draw in (lambda ax: draw_waveform(ax, tone, verdict), lambda ax: draw_spectrum(ax, tone)):
        told = title(drawn(draw))
        assert "THD cannot be told" in told
        assert "%" not in told


def test_onset_and_volume_show_their_figures() -> None:
    ax = drawn(lambda ax: draw_onset(ax, ONSET))
    for state in ("clean", "at-onset", "clipped"):
        levels, thd = line(ax, state)
        wanted = [(level, thd) for level, _, thd, own in STEPS if own == state]
        assert list(zip(levels, thd, strict=True)) == wanted
    assert line(ax, "onset")[0][0] == -1.7
    assert line(ax, "limit")[1][0] == 1.0
    ax = drawn(lambda ax: draw_volume(ax, VOLUME))
    assert list(line(ax, "THD")[1]) == [0.01, 0.02, 8.0]
    assert line(ax, "highest clean")[0][0] == 1
    figure = ax.get_figure()
    assert isinstance(figure, Figure)
    assert list(line(figure.axes[1], "volts")[1]) == [3.2, 4.1, 4.7]


def staircase_of(amplifier: Amplifier, step_db: float) -> OnsetResult:
    """What a staircase of 1.72 V for 0 dBFS through an amplifier gives."""
    levels = np.arange(-9, 0.01, step_db)
    steps = [simulate(amplifier, level_dbfs=float(dbfs), source_volts=1.72, seconds=0.3) for dbfs in levels]
    played = np.concatenate([step.volts() for step in steps])
    return find_onset(Capture.from_array(played, RATE), staircase(-9, 0, step_db, 0.3))


@pytest.mark.parametrize("step_db", [1.0, 3.0])
def test_the_curve_goes_through_the_onset_and_rises_where_the_rail_is_met(step_db: float) -> None:
    """28 V peak and 26 dB from 1.72 V rms: the crest meets the rail at 20 log10(28 / (1.72 sqrt 2 x 19.95))."""
    found = staircase_of(Amplifier(), step_db)
    met = 20 * np.log10(28 / (1.72 * np.sqrt(2) * 10 ** (26 / 20)))
    ax = drawn(lambda ax: draw_onset(ax, found))
    assert line(ax, "rail met")[0][0] == pytest.approx(met, abs=2e-3)
    assert line(ax, "onset")[0][0] == found.onset_dbfs
    levels, thd = line(ax, "curve")
    crossing = np.interp(0.0, np.log10(thd[levels > met]), levels[levels > met])
    assert crossing == pytest.approx(found.onset_dbfs, abs=0.01)
    for over_db in (0.1, 1.0, 3.0):  # against the simulator's Fourier series
        wanted = true_thd(Amplifier(), 28 * 10 ** (over_db / 20))
        assert np.interp(met + over_db, levels, thd) == pytest.approx(wanted, rel=0.03)
    assert f"begins at {met:.2f} dBFS; THD reaches 1 % at {found.onset_dbfs:.2f} dBFS" in title(ax)


def test_a_soft_knee_has_one_mark() -> None:
    found = staircase_of(Amplifier(knee=3.0), 1.0)
    assert found.clipping_begins_dbfs is None
    ax = drawn(lambda ax: draw_onset(ax, found))
    assert "rail met" not in [each.get_label() for each in ax.lines]
    assert title(ax).startswith("THD reaches 1 %")


def test_an_onset_that_is_not_known_is_not_called_absent() -> None:
    quiet = replace(ONSET, found=False, onset_dbfs=None, onset_volts=None, steps=ONSET.steps[:2])
    assert "THD stays under 1 %" in title(drawn(lambda ax: draw_onset(ax, quiet)))
    unjudged = StepResult(0.0, None, None, None, None, None)
    cut = replace(quiet, steps=(*quiet.steps, unjudged))
    assert "Onset not known" in title(drawn(lambda ax: draw_onset(ax, cut)))


def test_bands_show_differences_from_the_reference(noises: MatchResult) -> None:
    ax = drawn(lambda ax: draw_bands(ax, noises))
    reference, other = noises.captures
    (container,) = ax.containers
    _, levels = container[0].get_data()  # type: ignore[index]
    wanted = [a.level_db - b.level_db for a, b in zip(other.bands, reference.bands, strict=True)]
    assert list(levels) == pytest.approx(wanted)
    assert np.median(levels) == pytest.approx(20 * np.log10(0.8), abs=0.3)
    alone = replace(noises, captures=noises.captures[:1])
    ax = drawn(lambda ax: draw_bands(ax, alone))
    assert list(ax.containers[0][0].get_data()[1]) == [band.level_db for band in reference.bands]  # type: ignore[index]


def test_many_bands_are_told_apart_and_long_names_cut_with_dots(noises: MatchResult) -> None:
    one = noises.captures[0]
    names = ["a.wav", *(f"loudspeaker number {number} of them all.wav" for number in range(11))]
    many = replace(noises, reference="a.wav", captures=tuple(replace(one, file=name) for name in names))
    ax = drawn(lambda ax: draw_bands(ax, many))
    styles = {(c[0].get_color(), c[0].get_linestyle(), c[0].get_marker()) for c in ax.containers}  # type: ignore[index]
    assert len(styles) == 11
    assert [text.get_text() for text in ax.texts][:2] == ["0 of them all", "1 of them all"]
    assert short_names(["a much longer name than that.wav"]) == ["a much longer\u2026"]


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


@pytest.fixture(scope="module")
def humming() -> NoiseResult:
    time = np.arange(4 * RATE) / RATE
    hiss = np.random.default_rng(3).normal(0, 3e-4, len(time))
    return find_noise(Capture.from_array(hiss + 2e-3 * np.sin(2 * np.pi * 50 * time), RATE), target_volts=17.0)


def test_noise_shows_bands_hiss_and_hum(humming: NoiseResult) -> None:
    ax = drawn(lambda ax: draw_noise(ax, humming))
    hertz, levels = line(ax, "hum 50 Hz")
    assert hertz[0] == pytest.approx(50, abs=0.01)
    assert levels[0] == pytest.approx(20 * np.log10(2e-3 / np.sqrt(2)), abs=0.05)
    centres, bands = line(ax, "all noise")
    # white noise of 0.3 mV to half the rate: a third octave holds 0.2316 of its centre of that
    wanted = 20 * np.log10(3e-4 * np.sqrt(0.2316 * 10_000 / (RATE / 2)))
    assert np.interp(10_000, centres, bands) == pytest.approx(wanted, abs=0.2)
    assert np.interp(50, *line(ax, "hiss")) < levels[0] - 20
    assert f"{humming.below_target_db:.0f} dB(A) below the target" in title(ax)


@pytest.fixture(scope="module")
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


def test_a_job_stands_beside_its_targets(standing: JobStatus) -> None:
    ax = drawn(lambda ax: draw_job(ax, standing))
    assert line(ax, "on target")[0] == pytest.approx([-0.2])
    assert line(ax, "not on target")[0] == pytest.approx([-3.0])
    assert list(line(ax, "not on target")[1]) == [-1.0]
    assert title(ax).startswith(f"1 of {len(standing.outputs)} outputs on target within 0.5 dB")
    assert standing.outputs[1].name in title(ax)
    assert sum(text.get_text() == "not measured" for text in ax.texts) == len(standing.outputs) - 2


def test_as_found_stands_against_as_left(standing: JobStatus) -> None:
    ax = drawn(lambda ax: draw_compare(ax, standing))
    assert line(ax, "as found")[0] == pytest.approx([2.0])
    assert line(ax, "as left")[0] == pytest.approx([-0.2])
    assert "down by 2.2 dB" in title(ax)
    with pytest.raises(GainkitError) as refused:
        drawn(lambda ax: draw_compare(ax, replace(standing, outputs=standing.outputs[1:])))
    assert refused.value.code == "nothing_to_compare"


def test_a_page_tells_the_figures_that_are_drawn(tmp_path: Path, target: Target) -> None:
    out = tmp_path / "power.html"
    told = save_chart(partial(draw_power, target=target), out)
    page = out.read_text(encoding="utf-8")
    assert f"<title>{told}</title>" in page
    assert "http://" not in page.replace("http://www.w3.org/", "")
    assert len(page) < 400_000
    assert page.count("<svg ") == 2
    tables = re.findall(r'<script type="application/json">(.*?)</script>', page)
    for table in map(json.loads, tables):
        texts = [text for *_, text in table]
        assert f"amplifier: {plain(target.clip_watts, 4)} W" in texts
        full = next(
            each for each in reversed(table) if each[2].startswith("into the load") and " at 0 dBFS" in each[2]
        )
        ax = drawn(partial(draw_power, target=target))
        assert float(full[2].split(": ")[1].split(" W")[0]) == pytest.approx(
            line(ax, "into the load")[1][-1], rel=1e-3
        )
        assert all(0 <= x <= 1 and 0 <= y <= 1 for x, y, _ in table)


def test_a_page_tells_names_and_units(standing: JobStatus, noises: MatchResult, target: Target) -> None:
    def told(draw: Draw) -> list[str]:
        page, _ = chart_page([draw], Look())
        table = json.loads(re.findall(r'<script type="application/json">(.*?)</script>', page)[0])
        return [text for *_, text in table]

    rows = told(lambda ax: draw_compare(ax, standing))
    assert f"as found: {standing.outputs[0].name} at 2 dB" in rows
    other = noises.captures[1]
    third = told(lambda ax: draw_bands(ax, noises))
    assert any(text.startswith(other.file) and text.endswith(" at 1k Hz") for text in third)
    hissing = told(lambda ax: draw_headroom(ax, target, noise_volts=0.002))
    assert any(re.fullmatch(r"noise: [\d.]+ mV at [\d.]+ dB", text) for text in hissing)


@pytest.mark.long
def test_touching_a_page_tells_the_figure(tmp_path: Path, target: Target) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    out = tmp_path / "power.html"
    save_chart(partial(draw_power, target=target), out)
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium")
        for width, kind in ((390, "narrow"), (1200, "wide")):
            page = browser.new_page(viewport={"width": width, "height": 800})
            page.goto(out.as_uri())
            figure = page.locator(f"figure.{kind}")
            box = figure.locator("svg").bounding_box()
            points = json.loads(figure.locator("script").text_content())
            x, y, text = next(
                each for each in points if each[2].startswith("loudspeaker") and 0.4 < each[0] < 0.6
            )
            page.mouse.move(box["x"] + x * box["width"], box["y"] + y * box["height"])
            assert figure.locator(".told").text_content() == text
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        browser.close()


@pytest.fixture(scope="module")
def swept() -> Response:
    """A sweep through a Linkwitz-Riley high-pass at 80 Hz and a peak of +6 dB at 1 kHz."""
    samples, sweep = played(ToneSpec("sweep", seconds=10.0))
    chain = in_a_row(filtered("linkwitz-riley", 4, 80, "high"), boosted("peak", 1000, 6, 2))
    heard = noisy(through(samples[:, 0], chain), 60)
    return find_response(Capture.from_array(heard, RATE, calibrated=False), sweep)


def test_response_is_the_chains(swept: Response) -> None:
    """Against the transfer functions themselves."""
    ax = drawn(lambda ax: draw_response(ax, swept))
    hertz, levels = line(ax, "response")
    chain = in_a_row(filtered("linkwitz-riley", 4, 80, "high"), boosted("peak", 1000, 6, 2))
    wanted = 20 * np.log10(np.abs(chain(hertz)))
    near = (hertz > 50) & (hertz < 15_000)
    assert np.abs(levels - wanted)[near].max() < 0.15
    # two second-order Butterworths: |H| = 1 / (1 + (80/f)^4), 3 dB down where that is 10^(-3/20)
    corner = 80 / (10 ** (3 / 20) - 1) ** 0.25
    assert line(ax, "corner")[0][0] == pytest.approx(corner, rel=0.01)
    assert line(ax, "equaliser band")[0] == pytest.approx([1000], rel=0.01)
    assert "Linkwitz-Riley 24 dB per octave, high-pass at 80 Hz" in title(ax)
    assert "+6.0 dB at 1000 Hz" in title(ax)
    with pytest.raises(GainkitError) as refused:
        drawn(lambda ax: draw_response(ax, replace(swept, found=False)))
    assert refused.value.code == "no_response"


def test_the_command_draws_noise_and_a_job(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    import soundfile

    hiss = tmp_path / "hiss.wav"
    soundfile.write(hiss, np.random.default_rng(1).normal(0, 1e-3, 2 * RATE), RATE)
    assert gainkit("chart", "noise", "--capture", hiss, "--out", tmp_path / "n.svg", "--json").json["title"]
    assert "--index" in gainkit("chart", "response", "--capture", hiss, "--out", tmp_path / "r.svg").refused()
    assert "--job" in gainkit("chart", "job", "--out", tmp_path / "j.svg").refused()
    assert gainkit("job", "new", tmp_path / "car").code == 0
    told = gainkit("chart", "job", "--job", tmp_path / "car", "--out", tmp_path / "j.html", "--json").json
    assert told["title"].startswith("0 of ")
    nothing = gainkit("chart", "compare", "--job", tmp_path / "car", "--out", tmp_path / "c.svg").refused()
    assert "as found" in nothing


def test_the_command_draws_a_response_by_the_index(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    own = tmp_path / "own.toml"
    own.write_text('title = "Sweep"\nabout = "One."\n[[track]]\nkind = "sweep"\nseconds = 10.0\n')
    assert gainkit("tones", "write", own, tmp_path / "stick", "--rate", RATE).code == 0
    (track,) = (tmp_path / "stick").glob("*.wav")
    words = ("chart", "response", "--capture", track, "--out", tmp_path / "r.svg", "--json")
    index = tmp_path / "stick" / "index.json"
    assert gainkit(*words, "--index", index).json["title"].startswith("Flat: within")
    assert track.name in gainkit(*words, "--index", index, "--track", "moon").refused()


HARD_NAMES = (
    "$x_{1}$ \\frac{ _a^ $", "\u0627\u0644\u0633\u0645\u0627\u0639\u0629", "\u05e8\u05de\u05e7\u05d5\u05dc",
    "\U0001f50a sub", "n" * 90, "a\nb\tc",
)  # fmt: skip


@pytest.mark.parametrize("name", HARD_NAMES)
@pytest.mark.parametrize(
    "suffix", ["svg", *(pytest.param(each, marks=pytest.mark.long) for each in ("png", "pdf"))]
)
def test_any_name_can_be_drawn(tmp_path: Path, target: Target, name: str, suffix: str) -> None:
    out = tmp_path / f"chart.{suffix}"
    draws = [partial(draw_headroom, target=target, name=name), partial(draw_levels, target=target, name=name)]
    told = save_chart(draws, out)
    assert out.stat().st_size > 5000
    assert not {"\u200e", "\u2068", "\u2069"} & set(told)
    if suffix == "svg":
        text = out.read_text(encoding="utf-8")
        assert ("n" * 23 + "\u2026" if len(name) == 90 else name.split("\n")[0].strip()) in text


def test_a_name_keeps_its_direction_to_itself() -> None:
    arabic = "\u0633\u0645\u0627\u0639\u0629"
    assert named(arabic) == f"\u200e\u2068{arabic}\u2069"
    assert unmarked(f"{named(arabic)}: 3 dB") == f"{arabic}: 3 dB"
    assert named("Front") == "Front"
    assert len(named("x" * 90)) == 24


# -- how they look -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def all_draws(
    target: Target,
    clipped: tuple[ToneFit, Verdict],
    noises: MatchResult,
    humming: NoiseResult,
    swept: Response,
    standing: JobStatus,
) -> dict[str, Draw]:
    front, rear, sub = plan_system(load_system(EXAMPLE)).channels
    draw = np.random.default_rng(2)
    thirds = match_levels(
        [Capture.from_array(draw.standard_normal(4 * RATE), RATE)], MatchOptions(third_octave=True)
    )
    return {
        "headroom": lambda ax: draw_headroom(ax, target),
        "headroom and noise": lambda ax: draw_headroom(ax, sub, noise_volts=0.003, name="Subwoofer"),
        "levels": lambda ax: draw_levels(ax, front, name="Front"),
        "levels, loudspeaker": lambda ax: draw_levels(ax, sub, name="Subwoofer"),
        "levels, built-in": lambda ax: draw_levels(ax, rear, name="Rear", built_in=True),
        "headroom, built-in": lambda ax: draw_headroom(ax, rear, name="Rear"),
        "power": lambda ax: draw_power(ax, target),
        "waveform": lambda ax: draw_waveform(ax, *clipped),
        "spectrum": lambda ax: draw_spectrum(ax, clipped[0]),
        "onset": lambda ax: draw_onset(ax, ONSET),
        "volume": lambda ax: draw_volume(ax, VOLUME),
        "bands": lambda ax: draw_bands(ax, noises),
        "thirds": lambda ax: draw_bands(ax, thirds),
        "noise": lambda ax: draw_noise(ax, humming),
        "response": lambda ax: draw_response(ax, swept),
        "job": lambda ax: draw_job(ax, standing),
        "compare": lambda ax: draw_compare(ax, standing),
    }


KINDS = (
    "headroom", "headroom and noise", "headroom, built-in", "levels", "levels, loudspeaker", "levels, built-in",
    "power", "waveform", "spectrum", "onset", "volume", "bands", "thirds", "noise", "response",
    "job", "compare",
)  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size", ["phone", "page", "slide"])
def test_no_text_is_cut_or_lies_on_other_text(all_draws: dict[str, Draw], size: str, kind: str) -> None:
    look = Look(size=size)  # type: ignore[arg-type]
    with styled(look):
        figure = figure_of([all_draws[kind]], look)
        figure.draw_without_rendering()
        boxes = [(t.get_text(), Text.get_window_extent(t)) for t in texts(figure)]
    assert len(boxes) > 8
    width, height = figure.bbox.width, figure.bbox.height
    for told, box in boxes:
        assert box.x0 >= -1 and box.y0 >= -1, told  # noqa: PT018
        assert box.x1 <= width + 1 and box.y1 <= height + 1, told  # noqa: PT018
    for (one, first), (other, second) in itertools.combinations(boxes, 2):
        wide = min(first.x1, second.x1) - max(first.x0, second.x0)
        tall = min(first.y1, second.y1) - max(first.y0, second.y0)
        assert wide < 2 or tall < 0.25 * min(first.height, second.height), (one, other)


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot(parts, (0.2126, 0.7152, 0.0722)))


@pytest.mark.parametrize("palette", PALETTES.values(), ids=PALETTES)
def test_text_and_lines_stand_out_in_colour_and_in_grey(palette: Any) -> None:
    """WCAG 2.2: 4.5:1 for text (1.4.3); the lines bear text too. In greyscale no two lines are the same."""
    ground = luminance(palette.ground)

    def contrast(one: float, other: float) -> float:
        return (max(one, other) + 0.05) / (min(one, other) + 0.05)

    greys = sorted(luminance(colour) for colour in palette.lines)
    for grey in (*greys, luminance(palette.ink)):
        assert contrast(grey, ground) > 4.5
    assert all(contrast(high, low) > 1.25 for low, high in itertools.pairwise(greys))
    assert contrast(luminance(palette.ink), luminance(palette.shade[-1])) > 4.5


# -- files -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_files_are_the_same_each_time_and_never_overwritten_unasked(
    tmp_path: Path, target: Target, suffix: str
) -> None:
    def draw(ax: Axes) -> Axes:
        return draw_headroom(ax, target)

    one, two = tmp_path / f"one.{suffix}", tmp_path / f"two.{suffix}"
    title = save_chart(draw, one)
    save_chart(draw, two, Look())
    assert one.read_bytes() == two.read_bytes()
    assert title == "5 dB of overlap: full-scale peaks are cut by 5.0 dB"
    with pytest.raises(GainkitError, match="already there"):
        save_chart(draw, one)
    save_chart(draw, one, Look(theme="dark"), overwrite=True)
    assert one.read_bytes() != two.read_bytes()
    assert {path.name for path in tmp_path.iterdir()} == {one.name, two.name}


def test_svg_for_a_page_is_closed_in_itself(target: Target) -> None:
    from xml.etree import ElementTree

    text = chart_svg(lambda ax: draw_headroom(ax, target), name="a")
    root = ElementTree.fromstring(text)
    ids = {each.get("id") for each in root.iter()} - {None}
    assert all(name is not None and name.startswith("a-") for name in ids)
    links = [value for each in root.iter() for key, value in each.attrib.items() if key.endswith("href")]
    assert links
    assert all(link.startswith("#") and link[1:] in ids for link in links)
    assert "url(#" not in text.replace("url(#a-", "")


# -- commands ----------------------------------------------------------------------------------------------


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    import soundfile

    path = tmp_path / "clipped.wav"
    soundfile.write(path, 0.4 * with_noise(shaped(held(1.0), 997, 2 * RATE), 70), RATE, subtype="PCM_24")
    return path


def test_commands_draw_plans_and_captures(
    tmp_path: Path, recording: Path, gainkit: Callable[..., Answer]
) -> None:
    for kind in ("headroom", "levels", "power"):
        out = tmp_path / f"{kind}.png"
        made = gainkit("chart", kind, "--system", EXAMPLE, "--for", "front", "--out", out, "--json").json
        assert (made["kind"], made["file"]) == (kind, str(out))
        assert out.read_bytes().startswith(b"\x89PNG")
    for kind in ("waveform", "spectrum"):
        made = gainkit("chart", kind, "--capture", recording, "--out", tmp_path / f"{kind}.svg", "--json").json
        assert made["title"]
    bands = ("--capture", recording, "--capture", recording, "--third")
    assert gainkit("chart", "bands", *bands, "--out", tmp_path / "bands.pdf", "--size", "phone").code == 0
    with_chart = gainkit("measure", recording, "--chart", tmp_path / "measure.png", "--json")
    assert with_chart.json == gainkit("measure", recording, "--json").json
    assert (tmp_path / "measure.png").exists()


def test_commands_refuse_what_cannot_be_drawn(
    tmp_path: Path, recording: Path, gainkit: Callable[..., Answer]
) -> None:
    out = tmp_path / "chart.png"
    assert "--system" in gainkit("chart", "headroom", "--out", out).refused()
    assert "--capture" in gainkit("chart", "waveform", "--out", out).refused()
    assert ".png" in gainkit("chart", "waveform", "--capture", recording, "--out", tmp_path / "c.jpg").refused()
    assert "Moon" in gainkit("chart", "levels", "--system", EXAMPLE, "--for", "Moon", "--out", out).refused()
    assert "headroom" in gainkit("chart", "pie", "--out", out).refused()
    assert not out.exists()
    out.write_text("mine")
    gainkit("chart", "waveform", "--capture", recording, "--out", out).refused()
    assert out.read_text() == "mine"


@settings(max_examples=30, deadline=None, derandomize=True)
@given(heights=st.lists(st.floats(-0.2, 1.2), min_size=1, max_size=5))
def test_names_of_lines_stay_in_the_axes_apart_and_in_order(heights: list[float]) -> None:
    figure = Figure(figsize=(7, 4.3))
    ax = figure.add_subplot()
    ax.set_ylim(0, 1)
    label_ends(ax, [(height, f"two\n{number}") for number, height in enumerate(heights)], ["k"] * len(heights))
    places = [text.xy[1] for text in ax.texts]
    order = sorted(range(len(heights)), key=lambda number: heights[number])
    apart = np.diff([places[number] for number in order])
    assert np.all(apart > 0.05)
    assert min(places) > 0.02
    assert max(places) < 0.98


def test_a_square_wave_still_looks_like_one() -> None:
    """The sine behind it would be a thousand times as tall."""
    time = np.arange(48_000) / 48_000
    wave = np.clip(1e5 * np.sin(2 * np.pi * 997 * time), -0.3, 0.3)
    seen = analyse_tone(Capture.from_array(wave, 48_000, calibrated=False))
    tone, verdict = seen.tone, seen.verdict
    assert tone is not None
    assert verdict is not None
    with styled(Look()):
        ax = Figure().add_subplot()
        draw_waveform(ax, tone, verdict)
    assert ax.get_ylim()[1] < 4 * float(np.abs(tone.period()).max())
    assert "60 dB or more" in waveform_point(tone, verdict)
