"""The lesson's page: its arithmetic against gainkit's and against the wave itself, its tasks, its sound."""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from gainkit.calculator import programme
from gainkit.errors import GainkitError
from gainkit.lesson import write_lesson
from gainkit.lesson.arithmetic import CREST_DB, figures, harmonic_db
from gainkit.lesson.notebook import quiet
from gainkit.lesson.page import CAP_DB, lesson_page
from gainkit.lesson.tasks import TASKS
from gainkit.lesson.translate import javascript_of, js_name
from gainkit.simulator import Amplifier, harmonics
from tests.conftest import Answer
from tests.guided.browser import PATIENCE_MS, chromium

START = {
    "source_volts": 4.0, "gain_db": 10.0, "rail_volts": 25.0, "overlap_db": 0.0, "level_dbfs": 0.0,
    "load_ohms": 4.0,
}  # fmt: skip
SETTINGS = [
    dict(zip(START, each, strict=True))
    for each in itertools.product(
        (0.5, 3.3, 8.0), (0.0, 14.4, 40.0), (10.0, 42.5), (0.0, 7.5), (-30.0, -5.0, 0.0), (2.0, 8.0)
    )
]


def test_figures_are_those_of_the_wave() -> None:
    """Against the cut wave itself, by quadrature."""
    phase = (np.arange(1 << 15) + 0.5) / (1 << 15) * 2 * np.pi
    for s in SETTINGS[::7]:
        f = figures(**s)
        peak = math.sqrt(2) * s["source_volts"] * 10 ** ((s["gain_db"] + s["level_dbfs"]) / 20)
        wave = np.clip(peak * np.sin(phase), -s["rail_volts"], s["rail_volts"])
        rms = float(np.sqrt(np.mean(wave**2)))
        assert f["true_volts"] == pytest.approx(rms, rel=1e-6)
        assert f["average_volts"] == pytest.approx(np.mean(np.abs(wave)) * np.pi / (2 * math.sqrt(2)), rel=1e-6)
        assert f["watts"] == pytest.approx(rms**2 / s["load_ohms"], rel=1e-6)
        first = 2 * np.mean(wave * np.sin(phase)) / math.sqrt(2)
        assert f["thd_percent"] == pytest.approx(100 * math.sqrt(max(rms**2 - first**2, 0)) / first, abs=2e-3)
        assert f["headroom_db"] == pytest.approx(
            20 * math.log10(s["rail_volts"] / (math.sqrt(2) * s["source_volts"])) - s["gain_db"]
        )


def test_harmonics_are_the_simulators() -> None:
    for over_db in (0.5, 3.0, 12.0, 30.0):
        series = harmonics(Amplifier(positive_rail_volts=1.0), 10 ** (over_db / 20))
        for order in (3, 5, 7, 19):
            wanted = 20 * math.log10(abs(series[order] / series[1]))
            assert harmonic_db(order, over_db) == pytest.approx(wanted, abs=1e-6)


def test_tasks_begin_undone_and_can_be_done() -> None:
    full = {**START, "music": 0.0}
    rail = figures(**START)["set_gain_db"]
    five = {**full, "overlap_db": 5.0, "level_dbfs": -5.0, "gain_db": round(rail + 5, 1)}
    # closed form: erfc(a / sqrt 2) = 1 % at a = 2.576 (standard normal table), a = rail over rms
    overlap = CREST_DB - 20 * math.log10(2.576)
    solved = [
        {**full, "gain_db": round(rail, 1)},
        {**full, "gain_db": round(rail + 6, 1)},
        {**full, "source_volts": 1.0, "gain_db": round(rail + 20 * math.log10(4), 1)},
        {**full, "gain_db": round(rail + 0.25, 2)},
        {**full, "gain_db": round(20 * math.log10(math.sqrt(200) / 4), 1)},
        five,
        {**five, "level_dbfs": 0.0},
        {**full, "source_volts": 8.0, "gain_db": 40.0, "rail_volts": 10.0},
        {**full, "source_volts": 8.0, "gain_db": 40.0, "rail_volts": 10.0},
        {**full, "music": 1.0, "gain_db": round(rail + overlap, 1)},
    ]
    assert len(TASKS) == len(solved) == 10
    for task, state in zip(TASKS, solved, strict=True):
        assert not task.done(full, figures(**START)), task.title
        of_chain = {name: state[name] for name in START}
        assert task.done(state, figures(**of_chain)), task.title


def test_each_task_says_which_meters_to_watch() -> None:
    page = lesson_page()
    for task in TASKS:
        assert task.watch
        assert all(f'<b id="{each}">' in page for each in task.watch), task.title


def test_what_notebooks_play_is_quiet_and_equally_loud() -> None:
    """A square wave has 1.41 times the rms of a sine with the same peaks."""
    sine = 20 * np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)
    first, second = quiet(sine), quiet(np.sign(sine))
    assert np.abs(first).max() == pytest.approx(0.1, rel=1e-3)
    assert np.sqrt(np.mean(second**2)) == pytest.approx(np.sqrt(np.mean(first**2)), rel=1e-3)
    click = np.zeros(48_000)
    click[100] = 5.0
    assert np.abs(quiet(click)).max() == pytest.approx(0.1)
    assert not quiet(np.zeros(100)).any()


def test_only_arithmetic_is_translated() -> None:
    told = javascript_of([programme.rail_over_rms])
    assert f"function {js_name(programme.rail_over_rms)}(crest_factor_db, overlap_db, band_share = 1.0)" in told
    with pytest.raises(NotImplementedError):
        javascript_of([programme.tweeter_power_ratios])


def test_the_page_needs_nothing_else(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    out = tmp_path / "lesson.html"
    assert gainkit("lesson", "--out", out, "--json").json == {"file": str(out), "tasks": 10}
    page = out.read_text(encoding="utf-8")
    assert not re.search(r"@[A-Z_]+@", page)
    assert not re.search(r"https?://|src=|@import|url\((?!#)", page)
    assert "default-src 'none'" in page
    assert "--out" not in gainkit("lesson", "--out", out).refused()
    with pytest.raises(GainkitError, match="already there"):
        write_lesson(out)
    assert len(page) < 100_000


@pytest.mark.long
def test_the_page_calculates_as_gainkit_does_and_its_sound_is_capped(tmp_path: Path) -> None:
    out = tmp_path / "lesson.html"
    out.write_text(lesson_page(), encoding="utf-8")
    with chromium() as browser:
        for width, height in ((390, 844), (1366, 768)):
            page = browser.new_page(viewport={"width": width, "height": height})
            page.set_default_timeout(PATIENCE_MS)
            faults: list[str] = []
            page.on("pageerror", lambda error, faults=faults: faults.append(str(error)))
            page.on(
                "request",
                lambda request, faults=faults: request.url.startswith("file:") or faults.append(request.url),
            )
            page.goto(out.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            _figures_agree(page)
            _shown_as_set(page)
            assert not faults
        _sound_is_capped(page)


def _figures_agree(page) -> None:  # type: ignore[no-untyped-def]
    told = page.evaluate("settings => settings.map(s => FIGURES(...s))", [list(s.values()) for s in SETTINGS])
    for s, there in zip(SETTINGS, told, strict=True):
        for name, value in figures(**s).items():
            assert there[name] == pytest.approx(value, rel=1e-9, abs=1e-9), (name, s)
    for over_db in (0.5, 12.0):
        assert page.evaluate(f"HARMONIC_DB(7, {over_db})") == pytest.approx(harmonic_db(7, over_db), rel=1e-9)


def _set(page, **sliders: float) -> None:  # type: ignore[no-untyped-def]
    page.evaluate(
        "s => { for (const [name, value] of Object.entries(s)) form.elements[name].value = value; show() }",
        sliders,
    )


def _shown_as_set(page) -> None:  # type: ignore[no-untyped-def]
    """The page shows the figures of its sliders; a task that is done is marked."""
    _set(page, gain_db=18.0)
    f = figures(**{**START, "gain_db": 18.0})
    assert float(page.locator("#true_volts").text_content().split()[0]) == pytest.approx(
        f["true_volts"], rel=1e-3
    )
    assert float(page.locator("#thd_percent").text_content().split()[0]) == pytest.approx(
        f["thd_percent"], rel=5e-3
    )
    assert f"{f['over_db']:.1f} dB beyond" in page.locator("#verdict").text_content()
    _set(page, gain_db=round(figures(**START)["set_gain_db"], 1))
    assert "done" in page.locator("#tasks > li").first.get_attribute("class")
    assert page.locator("#count").text_content().startswith("(1 of 10")
    assert page.locator("#now").text_content().startswith("1. Find the rail: \u2713 done.")
    page.get_by_role("button", name="Next task").click()
    assert page.locator("#now").text_content().startswith("2. Double the volts: From there")
    assert "headroom at 0 dBFS" in page.locator("#watched").text_content()
    before = float(page.locator("[name=gain_db]").input_value())
    page.get_by_role("button", name="Gain: more").click()
    assert float(page.locator("[name=gain_db]").input_value()) == pytest.approx(before + 0.1)
    held = page.locator("path.wave").get_attribute("d")
    _set(page, gain_db=30.0)
    heights = {
        float(part.split()[1]) for part in re.split("[ML]", page.locator("path.wave").get_attribute("d"))[1:]
    }
    assert held != page.locator("path.wave").get_attribute("d")
    assert len(heights) < 100  # most of the points lie on a rail


def _sound_is_capped(page) -> None:  # type: ignore[no-untyped-def]
    cap = 10 ** (-CAP_DB / 20)
    for programme_name, gain in itertools.product(("tone", "music"), (5.0, 18.0, 40.0)):
        page.evaluate(f"byId('p-{programme_name}').checked = true")
        levels = {}
        for volume in (30, 100):
            _set(page, gain_db=gain, volume=volume)
            for kind in ("clipped", "clean"):
                peak, rms = page.evaluate(f"rendered('{kind}', 2)")
                assert peak <= cap, (programme_name, gain, kind)
                levels[volume, kind] = rms
        quiet = levels[30, "clipped"] / levels[100, "clipped"]
        assert quiet == pytest.approx(0.3**2, rel=0.01)  # it begins 21 dB below its loudest
        apart_db = 20 * math.log10(levels[100, "clipped"] / levels[100, "clean"])
        assert abs(apart_db) < (0.1 if programme_name == "tone" else 0.7), (gain, json.dumps(str(levels)))
