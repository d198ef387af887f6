"""Files, and pages that tell their figures."""

from __future__ import annotations

import json
import re
from functools import partial
from pathlib import Path

import pytest
from matplotlib.axes import Axes

from gainkit.analysis import analyse_tone
from gainkit.calculator.targets import Target
from gainkit.capture import Capture
from gainkit.charts import (
    Look,
    chart_svg,
    draw_bands,
    draw_compare,
    draw_headroom,
    draw_power,
    draw_waveform,
    save_chart,
)
from gainkit.charts.drawing import Draw
from gainkit.charts.page import chart_page
from gainkit.charts.saving import save_following_svg
from gainkit.charts.style import PALETTES, inks
from gainkit.errors import GainkitError
from gainkit.figures import plain
from gainkit.job.model import JobStatus
from gainkit.matching import MatchResult
from tests.charts.drawing import drawn, line
from tests.waves import RATE, sine


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


def test_a_page_may_change_the_colours_of_its_pictures(target: Target) -> None:
    text = chart_svg(lambda ax: draw_headroom(ax, target), by_page=True)
    colours = set(inks("light").values())
    left = {each for each in re.findall(r"(?<!, )(#[0-9a-f]{6})\b", text) if each in colours}
    assert not left  # each stands behind the name of its variable only
    assert text.count("var(--chart-ink, #1d1f24)") > 10
    assert set(inks("light")) == set(inks("dark"))


def test_a_following_picture_is_whole_and_dark_by_its_own_rule(tmp_path: Path, target: Target) -> None:
    from xml.etree import ElementTree

    out = tmp_path / "power.svg"
    title = save_following_svg(partial(draw_power, target=target), out)
    root = ElementTree.parse(out).getroot()
    assert root.get("aria-label") == title
    rule = next(each.text or "" for each in root.iter() if "prefers-color-scheme: dark" in (each.text or ""))
    assert all(f"--{name}: {colour}" in rule for name, colour in inks("dark").items())
    used = set(re.findall(r"var\(--([\w-]+),", out.read_text(encoding="utf-8")))
    assert used <= set(inks("dark"))
    assert {"chart-ground", "chart-ink", "chart-line-1"} <= used


@pytest.mark.long
def test_a_following_picture_takes_the_ground_of_the_window(tmp_path: Path, target: Target) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    from PIL import Image

    save_following_svg(partial(draw_power, target=target), tmp_path / "power.svg")
    page_file = tmp_path / "page.html"
    page_file.write_text(
        '<style>html { color-scheme: light dark } body { margin: 0 }</style><img src="power.svg">'
    )
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium")
        for theme in ("light", "dark"):
            page = browser.new_page(color_scheme=theme)
            page.goto(page_file.as_uri())
            page.screenshot(path=tmp_path / "seen.png")
            with Image.open(tmp_path / "seen.png") as seen:
                corner = seen.convert("RGB").getpixel((3, 3))
            assert "#{:02x}{:02x}{:02x}".format(*corner) == PALETTES[theme].ground
        browser.close()


def test_a_page_is_dark_where_its_reader_likes_it_dark(target: Target) -> None:
    draws = [partial(draw_power, target=target)]
    page, _ = chart_page(draws, Look())
    rule = page.split("@media (prefers-color-scheme: dark)")[1].split("}")[0]
    assert all(f"--{name}: {colour}" in rule for name, colour in inks("dark").items())
    assert f"background: var(--chart-ground, {PALETTES['light'].ground})" in page
    always, _ = chart_page(draws, Look(theme="dark"))
    assert "prefers-color-scheme" not in always
    assert f"background: var(--chart-ground, {PALETTES['dark'].ground})" in always


def test_a_page_tells_a_small_wave_in_its_own_unit() -> None:
    """40 uV of peak, told in uV as its axis is."""
    seen = analyse_tone(Capture.from_array(40e-6 * sine(997), RATE))
    assert seen.tone is not None
    assert seen.verdict is not None
    page, _ = chart_page([partial(draw_waveform, tone=seen.tone, verdict=seen.verdict)], Look())
    table = json.loads(re.findall(r'<script type="application/json">(.*?)</script>', page)[0])
    told = [float(text.split(": ")[1].split(" \u00b5V")[0]) for *_, text in table if text.startswith("fit: ")]
    assert max(told) == pytest.approx(40, rel=1e-3)
