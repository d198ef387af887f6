"""Captures from circuit simulation, measured through the command line against the simulator's own truth.

Source: ngspice 39 transient analyses of transistor-level stages (tests/data/captures/README.md).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from tests.conftest import DATA, Answer

TRUTH = json.loads((DATA / "captures" / "truth.json").read_text())["captures"]


def measured(gainkit: Callable[..., Answer], truth: dict[str, Any], *options: object) -> Any:
    extra: list[object] = list(options)
    if "volts_peak_at_full_scale" in truth:
        extra += ["--full-scale-volts", truth["volts_peak_at_full_scale"]]
    if truth["kind"].startswith("bridge"):
        extra += ["--channel", 1, "--minus", 2]
    return gainkit("measure", DATA / "captures" / truth["file"], "--json", *extra).json


@pytest.mark.parametrize("truth", TRUTH, ids=[entry["file"] for entry in TRUTH])
def test_figures_within_the_simulations_tolerance(
    gainkit: Callable[..., Answer], truth: dict[str, Any]
) -> None:
    figures = measured(gainkit, truth, "--load-ohms", truth["load_ohms"])
    tolerance = truth["tolerance"]
    assert figures["rms_volts"] == pytest.approx(truth["rms_volts"], rel=tolerance["rms_relative"])
    assert figures["fundamental_volts"] == pytest.approx(
        truth["fundamental_volts"], rel=tolerance["rms_relative"]
    )
    assert figures["frequency_hz"] == pytest.approx(truth["frequency_hz"], rel=tolerance["frequency_relative"])
    assert figures["thd_percent"] == pytest.approx(truth["thd_percent"], abs=tolerance["thd_percent_absolute"])
    assert figures["clipping"]["state"] == truth["state"]
    assert figures["watts"] == pytest.approx(truth["rms_volts"] ** 2 / 4, rel=2 * tolerance["rms_relative"])
    assert figures["steady_tone"] is True
    assert figures["recorder_overload"] is False
    assert figures["calibrated"] is True


@pytest.mark.parametrize("truth", [t for t in TRUTH if t["state"] != "clean"], ids=lambda t: t["file"])
def test_rails_stand_where_the_nodes_stand(gainkit: Callable[..., Answer], truth: dict[str, Any]) -> None:
    """The fitted rail is within 1 % of the highest and lowest node voltage (soft bridge: 5 %, the rail lies
    beyond what the wave reaches)."""
    clipping = measured(gainkit, truth)["clipping"]
    assert clipping["side"] == "both"
    relative = 0.05 if truth["kind"].startswith("bridge") else 0.01
    assert clipping["positive_rail_volts"] == pytest.approx(truth["positive_peak_volts"], rel=relative)
    assert clipping["negative_rail_volts"] == pytest.approx(truth["negative_peak_volts"], rel=relative)


@pytest.mark.parametrize(
    ("name", "overdrive_db"),
    [("split_997hz_1v25", 0.236), ("split_997hz_1v5", 1.803), ("split_50hz_1v35", 0.894)],
)
def test_overdrive_is_the_linear_gain_times_the_input_over_the_rail(
    gainkit: Callable[..., Answer], name: str, overdrive_db: float
) -> None:
    """Derived from the truth file: gain 18.8574 V / 0.9 V at 0.9 V in (clean), input peak in the file's name,
    rail = highest node voltage; 0.05 dB is the goal for rails this hard."""
    truth = next(t for t in TRUTH if t["file"] == f"{name}.flac")
    assert measured(gainkit, truth)["clipping"]["overdrive_db"] == pytest.approx(overdrive_db, abs=0.05)


def test_a_bridge_measured_on_one_terminal_is_not_the_output(gainkit: Callable[..., Answer]) -> None:
    """A check that can fail: without --minus the figure is about half."""
    truth = next(t for t in TRUTH if t["file"].startswith("bridge_0v4"))
    path = DATA / "captures" / truth["file"]
    single = gainkit("measure", path, "--json", "--full-scale-volts", 20).json
    assert single["rms_volts"] == pytest.approx(truth["rms_volts"] / 2, rel=0.05)
