"""The quiz: answers against formulas written out here, recordings against what they were made from."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.errors import GainkitError
from gainkit.quiz import write_quiz
from gainkit.quiz.making import draw_questions
from gainkit.quiz.model import Answer
from tests.conftest import Answer as Told
from tests.guided.browser import PATIENCE_MS, chromium


def numbers(text: str) -> list[float]:
    return [float(each) for each in re.findall(r"(?<![\w.])-?\d+(?:\.\d+)?", text)]


def drawn(kind: str, level: int, folder: Path) -> list[Answer]:
    """Questions of one kind, from several seeds."""
    found = [each for seed in range(6) for each in draw_questions(seed, level, 5 if level == 1 else 2, folder)]
    return [each for each in found if each.kind == kind]


def test_volts_and_ladders_are_right(tmp_path: Path) -> None:
    for each in drawn("volts of watts", 1, tmp_path):
        watts, ohms = numbers(each.text)
        assert each.figures["volts"] == pytest.approx(math.sqrt(watts * ohms))
    ladders = drawn("the 6 dB ladder", 1, tmp_path)
    for each in ladders:
        volts, decibels = numbers(each.text)
        way = 1 if "turned up" in each.text else -1
        assert each.figures["volts"] == pytest.approx(volts * 10 ** (way * decibels / 20))
        assert numbers(each.answer)[0] == pytest.approx(volts * 2 ** (way * decibels / 6), rel=5e-3)
    assert len(ladders) > 2


def test_gains_and_headrooms_are_right(tmp_path: Path) -> None:
    for each in drawn("gain and its control", 2, tmp_path):
        source, _, watts, ohms, overlap = numbers(each.text)
        wanted = 20 * math.log10(math.sqrt(watts * ohms) / (source * 10 ** (-overlap / 20)))
        assert each.figures["gain_db"] == pytest.approx(wanted)
        assert each.figures["sensitivity_volts"] == pytest.approx(source * 10 ** (-overlap / 20))
    for each in drawn("headroom", 2, tmp_path):
        source, _, clip, gain = numbers(each.text)
        assert each.figures["headroom_db"] == pytest.approx(20 * math.log10(clip / source) - gain, abs=0.01)


@pytest.fixture(scope="module")
def quiz(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("quiz")
    write_quiz(folder, seed=3, level=3, count=30)
    return folder


def test_recordings_show_what_they_were_made_with(quiz: Path) -> None:
    """The analysis finds each fault, and names no other."""
    truths = [each for each in json.loads((quiz / "teacher" / "truth.json").read_text()) if each["truth"]]
    assert len(truths) == 10
    assert len({each["truth"]["fault"] for each in truths}) > 3
    for each in truths:
        truth, told, figures = each["truth"], each["answer"], each["figures"]
        assert (quiz / "class" / each["capture"]).is_file()
        clipped = truth["fault"] in ("too loud", "one side") and figures.get("overdrive_db", 0) > 0
        assert ("clipped" in told) is clipped, each
        assert ("Hum" in told) is (truth["fault"] == "hum"), told
        assert ("V of DC" in told) is (truth["fault"] == "DC" or abs(figures["dc_volts"]) > 0.5), told
        if truth["fault"] == "one side":
            assert "on the positive side" in told
        if (
            truth["fault"] == "too loud"
        ):  # beyond the rail by what it is too loud, less what the rail stands higher
            assert figures["overdrive_db"] == pytest.approx(truth["off_db"] - 0.3, abs=0.03)
            assert figures["change_db"] == pytest.approx(-truth["off_db"], abs=0.05)
        if truth["fault"] == "too quiet":
            assert figures["change_db"] == pytest.approx(-truth["off_db"], abs=0.02)
        if truth["fault"] == "DC":
            assert figures["dc_volts"] == pytest.approx(truth["offset_volts"], abs=0.01)


def test_the_class_does_not_get_the_answers(quiz: Path) -> None:
    worksheet = (quiz / "class" / "worksheet.html").read_text(encoding="utf-8")
    answers = (quiz / "teacher" / "answers.html").read_text(encoding="utf-8")
    facts = json.loads((quiz / "teacher" / "truth.json").read_text())
    assert len(re.findall("<li>", worksheet)) == len(re.findall("<li>", answers)) == len(facts) == 30
    for each in facts:
        assert each["answer"] not in worksheet
        assert "target-volts" not in worksheet
    assert {path.name for path in (quiz / "class").iterdir()} == {
        "worksheet.html", *(each["capture"] for each in facts if each["capture"])
    }  # fmt: skip
    for page in (worksheet, answers):
        assert not re.search(r"https?://|<script|src=", page)


def test_a_seed_tells_the_quiz(tmp_path: Path, gainkit: Callable[..., Told]) -> None:
    made = [
        gainkit("quiz", "--out", tmp_path / name, "--seed", seed, "--count", 4, "--level", 2, "--json").json
        for name, seed in (("a", 5), ("b", 5), ("c", 6))
    ]
    assert made[0]["captures"] == ["q03.wav"]
    one, same, other = ((tmp_path / name / "class" / "worksheet.html").read_text() for name in "abc")
    assert one == same != other
    assert "<code>gainkit measure q03.wav --full-scale-volts 120</code>" in one  # as it is typed
    wavs = [(tmp_path / name / "class" / "q03.wav").read_bytes() for name in "ab"]
    assert wavs[0] == wavs[1]
    assert "size: letter" in _printed(tmp_path, gainkit)
    assert "already there" in gainkit("quiz", "--out", tmp_path / "a").refused()
    assert "--level" in gainkit("quiz", "--out", tmp_path / "e", "--level", 4).refused()
    with pytest.raises(GainkitError) as refused:
        write_quiz(tmp_path / "e", paper="folio")
    assert refused.value.code == "not_one_of"


def _printed(tmp_path: Path, gainkit: Callable[..., Told]) -> str:
    assert gainkit("quiz", "--out", tmp_path / "letter", "--paper", "letter").code == 0
    return (tmp_path / "letter" / "class" / "worksheet.html").read_text()


@pytest.mark.long
def test_sheets_fit_phone_laptop_and_paper(quiz: Path) -> None:
    with chromium() as browser:
        for name in ("class/worksheet.html", "teacher/answers.html"):
            for width in (360, 1366):
                page = browser.new_page(viewport={"width": width, "height": 800})
                page.set_default_timeout(PATIENCE_MS)
                page.goto((quiz / name).as_uri())
                assert page.evaluate("document.documentElement.scrollWidth") <= width
            paper = page.pdf(prefer_css_page_size=True)
            assert re.search(rb"/MediaBox\s*\[0 0 59[45]", paper)  # A4 is 595 points wide
