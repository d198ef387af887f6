"""Charts: what is drawn equals what was reckoned, read back from the Axes; no text cut or on other text."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
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
    draw_headroom,
    draw_levels,
    draw_onset,
    draw_power,
    draw_spectrum,
    draw_volume,
    draw_waveform,
    save_chart,
    styled,
)  # fmt: skip
from gainkit.charts.saving import Draw, figure_of
from gainkit.charts.style import PALETTES, label_ends
from gainkit.charts.waveform import waveform_point
from gainkit.errors import GainkitError
from gainkit.job import load_system, plan_system
from gainkit.matching import MatchOptions, MatchResult, match_levels
from gainkit.onset import OnsetResult
from gainkit.onset.find import StepResult
from gainkit.volume import VolumePosition, VolumeResult
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


def test_levels_are_the_plans() -> None:
    plan = plan_system(load_system(EXAMPLE)).channel("Front")
    ax = drawn(lambda ax: draw_levels(ax, plan, 12.0))
    _, peaks = line(ax, "full-scale peaks")
    assert plan.source_volts is not None
    assert peaks[0] == pytest.approx(20 * np.log10(plan.source_volts))
    assert peaks[-1] == pytest.approx(20 * np.log10(plan.clip_volts))  # held at the rail
    _, averages = line(ax, "average programme")
    assert plan.gain_db is not None
    assert averages[-1] - averages[0] == pytest.approx(plan.gain_db)
    assert peaks[0] - averages[0] == pytest.approx(12 - 20 * np.log10(np.sqrt(2)))
    ceilings = [each.get_ydata()[0] for each in ax.lines if each.get_label() == "ceiling"]  # type: ignore[index]
    wanted = [
        plan.source_volts,
        plan.source_volts,
        plan.sensitivity_volts,
        plan.clip_volts,
        plan.speaker_limit_volts,
    ]
    assert ceilings == pytest.approx([20 * np.log10(volts) for volts in wanted])  # type: ignore[operator]


def test_power_is_that_of_a_clipped_sine(target: Target) -> None:
    ax = drawn(lambda ax: draw_power(ax, target))
    levels, watts = line(ax, "into the load")
    phase = (np.arange(1 << 14) + 0.5) / (1 << 14) * 2 * np.pi
    for level in (-20.0, -6.0, -2.0, 0.0):  # quadrature of the clipped wave itself
        peak = np.sqrt(2) * target.clip_volts * 10 ** ((level + 5) / 20)
        wave = np.clip(peak * np.sin(phase), -np.sqrt(2) * target.clip_volts, np.sqrt(2) * target.clip_volts)
        assert np.interp(level, levels, watts) == pytest.approx(np.mean(wave**2) / 4, rel=1e-4)


def test_waveform_shows_the_fit(clipped: tuple[ToneFit, Verdict]) -> None:
    tone, verdict = clipped
    ax = drawn(lambda ax: draw_waveform(ax, tone, verdict))
    _, sine = line(ax, "undisturbed sine")
    assert np.max(sine) == pytest.approx(20 * 10 ** (2.0 / 20), rel=2e-3)
    rails = sorted(each.get_ydata()[0] for each in ax.lines if each.get_label() == "rail")  # type: ignore[index]
    assert rails == pytest.approx([-20, 20], rel=2e-3)
    time, _ = line(ax, "measured")
    assert time[-1] == pytest.approx(2 * 1000 / 997, rel=1e-6)
    assert "2.00 dB beyond" in title(ax)


def test_spectrum_shows_the_harmonics(clipped: tuple[ToneFit, Verdict]) -> None:
    tone, _ = clipped
    hertz, levels = line(drawn(lambda ax: draw_spectrum(ax, tone)), "harmonics")
    assert hertz[2] == pytest.approx(3 * 997, rel=1e-6)
    thd = 100 * np.sqrt(np.sum(10 ** (levels[1:] / 10)))
    assert thd == pytest.approx(tone.thd_percent, rel=1e-6)


def test_onset_and_volume_show_their_figures() -> None:
    ax = drawn(lambda ax: draw_onset(ax, ONSET))
    levels, thd = line(ax, "THD")
    assert list(zip(levels, thd, strict=True)) == [(level, thd) for level, _, thd, _ in STEPS]
    assert line(ax, "onset")[0][0] == -1.7
    assert line(ax, "limit")[1][0] == 1.0
    ax = drawn(lambda ax: draw_volume(ax, VOLUME))
    assert list(line(ax, "THD")[1]) == [0.01, 0.02, 8.0]
    assert line(ax, "highest clean")[0][0] == 1
    figure = ax.get_figure()
    assert isinstance(figure, Figure)
    assert list(line(figure.axes[1], "volts")[1]) == [3.2, 4.1, 4.7]


def test_an_onset_that_is_not_known_is_not_called_absent() -> None:
    quiet = replace(ONSET, found=False, onset_dbfs=None, onset_volts=None, steps=ONSET.steps[:2])
    assert "THD stays under 1 %" in title(drawn(lambda ax: draw_onset(ax, quiet)))
    unjudged = StepResult(0.0, None, None, None, None, None)
    cut = replace(quiet, steps=(*quiet.steps, unjudged))
    assert "Onset not known" in title(drawn(lambda ax: draw_onset(ax, cut)))


def test_bands_show_the_match(noises: MatchResult) -> None:
    ax = drawn(lambda ax: draw_bands(ax, noises))
    for each, container in zip(noises.captures, ax.containers, strict=True):
        _, levels = container[0].get_data()  # type: ignore[index]
        assert list(levels) == [band.level_db for band in each.bands]


# -- how they look -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def all_draws(target: Target, clipped: tuple[ToneFit, Verdict], noises: MatchResult) -> dict[str, Draw]:
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
    }


KINDS = (
    "headroom", "headroom and noise", "headroom, built-in", "levels", "levels, loudspeaker", "levels, built-in",
    "power", "waveform", "spectrum", "onset", "volume", "bands", "thirds",
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
