"""How charts look: no text cut or on other text, any name, any ground."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

from gainkit.analysis import ToneFit, Verdict
from gainkit.calculator.targets import Target
from gainkit.capture import Capture
from gainkit.charts import (
    Look,
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
)
from gainkit.charts.drawing import Draw, figure_of
from gainkit.charts.glyphs import drawable, write_what_is_drawn
from gainkit.charts.style import PALETTES, label_ends, named, unmarked
from gainkit.job import load_system, plan_system
from gainkit.job.model import JobStatus
from gainkit.matching import MatchOptions, MatchResult, match_levels
from gainkit.noise import NoiseResult
from gainkit.response import Response
from tests.charts.drawing import EXAMPLE, ONSET, VOLUME, drawn, texts
from tests.waves import RATE

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
        "onset, below": lambda ax: draw_onset(ax, replace(ONSET, onset_dbfs=-12.3, steps=ONSET.steps[3:])),
        "levels, close": lambda ax: draw_levels(ax, front, 3.0, "Front"),
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
    "levels, close", "power", "waveform", "spectrum", "onset", "onset, below", "volume", "bands", "thirds",
    "noise", "response", "job", "compare",
)  # fmt: skip


@pytest.mark.long
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


def test_lines_are_thicker_from_the_last_row(clipped: tuple[ToneFit, Verdict]) -> None:
    page, slide = (
        next(each for each in drawn(lambda ax: draw_waveform(ax, *clipped), Look(size=size)).lines)  # type: ignore[arg-type]
        for size in ("page", "slide")
    )
    assert slide.get_markersize() == pytest.approx(page.get_markersize() * 17 / 9)


def test_letters_that_no_font_holds_are_no_boxes() -> None:
    """Emoji go, letters of another script become a question mark; Hebrew, Arabic and Greek stay as they are."""
    families = ("DejaVu Sans",)
    assert drawable("Bass \U0001f50a x", families) == "Bass x"
    assert drawable("\u4f4e\u97f3 left", families) == "?? left"
    assert drawable("\U0001f50a", families) == "?"
    door, marked = "Door \u05e8\u05de\u05e7\u05d5\u05dc", "\u200e\u2068\u05e8\u2069"
    for kept in (door, marked, "\u0645\u0643\u0628\u0631", "\u03a9 \u00b5V", "two\nlines"):
        assert drawable(kept, families) == kept
    with styled(Look()):
        figure = Figure()
        axes = figure.subplots()
        axes.set_title("Bass \U0001f50a x")
        write_what_is_drawn(figure)
    assert axes.get_title(loc="left") == "Bass x"
