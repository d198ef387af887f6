"""Charts of a tone, read back from the Axes."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from matplotlib.figure import Figure

from gainkit.analysis import ToneFit, Verdict, analyse_tone
from gainkit.capture import Capture
from gainkit.charts import Look, draw_spectrum, draw_waveform, styled
from gainkit.charts.waveform import waveform_point
from tests.charts.drawing import drawn, line, seen, title, tone_and


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


def test_an_overloaded_recorder_is_told_in_both_pictures() -> None:
    cut = np.clip(tone_and(997, 30, hiss=1e-3), -20, 20)
    tone, verdict = seen(cut / 20, volts_per_unit=20)
    assert verdict.clipping.state is None
    pictures = (partial(each, tone=tone, verdict=verdict) for each in (draw_waveform, draw_spectrum))
    titles = {title(drawn(each)) for each in pictures}
    assert titles == {"The recorder itself is overloaded: nothing can be said of the amplifier"}
