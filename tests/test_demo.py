"""The demo: its figures against its own simulator, its folder, its refusals."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import Answer


def test_figures_agree_with_the_simulators_truth(demo: tuple[Path, Answer]) -> None:
    _, answer = demo
    figures = {figure["name"]: figure for figure in answer.json["figures"]}
    for figure in figures.values():
        if figure["unit"] == "V":
            assert figure["measured"] == pytest.approx(figure["truth"], rel=1e-3), figure["name"]
        else:
            assert figure["measured"] == pytest.approx(figure["truth"], abs=0.1), figure["name"]
    assert {"onset", "overdrive as found", "output as left", "source for 0 dBFS"} <= set(figures)
    assert "as left" in answer.err
    assert "'gainkit polarity'" in answer.err  # named as it is typed


def test_its_files_are_those_of_the_commands(
    demo: tuple[Path, Answer], gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    car = shutil.copytree(demo[0], tmp_path / "car")
    assert gainkit("tones", "check", car / "stick").code == 0
    found = gainkit(
        "measure", car / "captures" / "front_left_as_left.wav", "--calibration", car / "recorder.toml",
        "--system", car / "system.toml", "--for", "Front/left", "--require-clean", "--json",
    )  # fmt: skip
    assert found.code == 0
    assert abs(found.json["target"]["change_db"]) < 0.02
    again = gainkit("demo", car).refused()
    assert "--overwrite" in again


@pytest.mark.long
def test_a_demo_is_written_anew_when_asked(
    demo: tuple[Path, Answer], gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    car = shutil.copytree(demo[0], tmp_path / "car")
    (car / "captures" / "front_left_as_left.wav").write_bytes(b"")
    assert gainkit("demo", car, "--overwrite").code == 0
    assert (car / "captures" / "front_left_as_left.wav").stat().st_size > 0


def test_a_folder_of_somebodys_is_left_alone(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    gainkit("demo", tmp_path, "--overwrite").refused()
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_boost_and_a_hum_are_found_and_gone(demo: tuple[Path, Answer]) -> None:
    folder, answer = demo
    figures = {figure["name"]: figure for figure in answer.json["figures"]}
    assert {"bass boost as found", "hum as found"} <= set(figures)
    kinds = [json.loads(line)["kind"] for line in (folder / "readings.jsonl").read_text().splitlines()]
    assert kinds.count("response") == kinds.count("noise") == 2
