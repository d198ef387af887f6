"""Charts by frequency: bands, noise and response, read back from the Axes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.charts import draw_bands, draw_noise, draw_response
from gainkit.charts.bands import short_names
from gainkit.errors import GainkitError
from gainkit.matching import MatchResult, match_levels
from gainkit.noise import NoiseResult, find_noise
from gainkit.response import Response
from tests.chains import boosted, filtered, in_a_row
from tests.charts.drawing import drawn, line, title
from tests.waves import RATE


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


def test_noise_tells_zeros_and_keeps_names_apart() -> None:
    silent = find_noise(Capture.from_array(np.zeros(2 * RATE), RATE))
    assert title(drawn(lambda ax: draw_noise(ax, silent))).startswith("Every sample is zero")


def test_short_names_keep_whole_words() -> None:
    assert short_names(["take1.wav", "take2.wav"]) == ["take1", "take2"]
    assert short_names(["front left near.wav", "front left far.wav"]) == ["near", "far"]


def test_a_capture_is_named_by_what_tells_it_from_its_reference() -> None:
    noise = np.random.default_rng(1).standard_normal(2 * RATE)
    sides = [
        Capture.from_array(noise * size, RATE, file=f"match_front_{side}.wav")
        for side, size in (("left", 0.1), ("right", 0.2))
    ]
    ax = drawn(lambda ax: draw_bands(ax, match_levels(sides)))
    assert [text.get_text() for text in ax.texts] == ["right"]
