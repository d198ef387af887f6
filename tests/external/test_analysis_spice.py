"""Transistor stages of our own (tests/data/circuits): ngspice's `fourier` and `meas` beside what gainkit says.

The truth is ngspice's: harmonics 1 to 20 of the last cycle, rms and peaks of the node. gainkit sees the node's
voltage at 768 kHz and nothing else.
"""

from __future__ import annotations

import functools
import re
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture
from gainkit.remarks import codes
from tests.conftest import DATA

TONE_HZ = 1000.0
RATE = 768_000
SECONDS = 0.02
SEEN = ("at-onset", "clipped")


@dataclass(frozen=True)
class Truth:
    """Of the node: rms [V], highest and lowest [V], THD of orders 2 to 20 [%], fundamental [V peak]."""

    rms: float
    highest: float
    lowest: float
    thd_percent: float
    fundamental: float


@pytest.fixture(scope="module")
def simulate(
    oracle: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str, float], tuple[Truth, Measurement]]:
    ngspice = oracle("ngspice")

    @functools.cache  # several tests look at the same stage at the same drive
    def run(circuit: str, peak: float, settle: float = 0.01) -> tuple[Truth, Measurement]:
        folder = tmp_path_factory.mktemp(circuit)
        netlist = (DATA / "circuits" / f"{circuit}.cir").read_text()
        netlist = netlist.replace("{peak}", f"{peak:.9g}").replace("{tone}", f"{TONE_HZ:g}")
        stop = settle + SECONDS
        control = f"""
.control
set filetype=ascii
set nfreqs=21
set fourgridsize=4000
set polydegree=3
tran {1 / RATE / 2:.9g} {stop:.9g} {settle:.9g} {1 / RATE / 2:.9g}
fourier {TONE_HZ:g} v(out)
meas tran vrms rms v(out) from={settle:.9g} to={stop:.9g}
meas tran vmax max v(out) from={settle:.9g} to={stop:.9g}
meas tran vmin min v(out) from={settle:.9g} to={stop:.9g}
linearize v(out)
wrdata out.txt v(out)
.endc
.end
"""
        (folder / "run.cir").write_text(netlist + control)
        done = subprocess.run(
            [ngspice, "-b", "run.cir"], cwd=folder, capture_output=True, text=True, timeout=600, check=False
        )
        return _truth(done.stdout), _measured(folder / "out.txt")

    return run


def _truth(printed: str) -> Truth:
    rows = re.findall(
        r"^ *(\d+) +([\d.e+-]+) +([\d.e+-]+) +[\d.e+-]+ +[\d.e+-]+ +[\d.e+-]+", printed, flags=re.M
    )
    lines = {int(order): float(size) for order, _, size in rows}
    assert set(lines) >= set(range(1, 21)), printed

    def met(name: str) -> float:
        found = re.search(rf"^{name} *= *([\d.e+-]+)", printed, flags=re.M)
        assert found is not None, printed
        return float(found[1])

    thd = 100 * np.linalg.norm([lines[n] for n in range(2, 21)]) / lines[1]
    return Truth(met("vrms"), met("vmax"), met("vmin"), float(thd), lines[1])


def _measured(table: Path) -> Measurement:
    """The node at every second point of the simulator's grid."""
    return measure(Capture.from_array(np.loadtxt(table)[::2, 1], RATE))


CASES = [
    ("follower_ab", 5.0), ("follower_ab", 15.0), ("follower_ab", 22.0), ("follower_ab", 25.0),
    ("follower_ab", 30.0),
    ("follower_b", 3.0), ("follower_b", 15.0), ("follower_b", 30.0),
    ("feedback_asymmetric", 0.5), ("feedback_asymmetric", 0.95), ("feedback_asymmetric", 1.1),
    ("feedback_asymmetric", 1.5),
    ("sagging_supply", 15.0), ("sagging_supply", 24.0), ("sagging_supply", 28.0),
]  # fmt: skip


def figures(
    simulate: Callable[..., tuple[Truth, Measurement]], circuit: str, peak: float
) -> tuple[Truth, Measurement]:
    return simulate(circuit, peak, 0.08 if circuit == "sagging_supply" else 0.01)


@pytest.mark.parametrize(
    ("circuit", "peak"),
    [
        pytest.param(*each, marks=() if number % 3 == 1 else pytest.mark.long)
        for number, each in enumerate(CASES)
    ],
)
def test_level_and_harmonics_are_those_of_fourier(
    simulate: Callable[..., tuple[Truth, Measurement]], circuit: str, peak: float
) -> None:
    truth, found = figures(simulate, circuit, peak)
    assert found.frequency_hz == pytest.approx(TONE_HZ, rel=1e-5)
    assert np.hypot(found.rms_volts, found.dc_volts) == pytest.approx(truth.rms, rel=1e-3)
    assert found.fundamental_volts == pytest.approx(truth.fundamental / 2**0.5, rel=1e-3)
    assert found.thd_percent == pytest.approx(truth.thd_percent, rel=0.005, abs=0.005)


@pytest.mark.parametrize(
    ("circuit", "peak"),
    [
        ("follower_ab", 22.0),
        ("follower_b", 3.0),
        ("follower_b", 15.0),
        ("feedback_asymmetric", 0.5),
        ("sagging_supply", 15.0),
    ],
)
def test_what_stays_within_its_rails_is_clean(
    simulate: Callable[..., tuple[Truth, Measurement]], circuit: str, peak: float
) -> None:
    _, found = figures(simulate, circuit, peak)
    assert found.clipping.state == "clean"
    assert ("crossover_distortion" in codes(found.notes)) is (circuit == "follower_b")


@pytest.mark.parametrize(
    ("circuit", "small", "peak", "tolerance_db"),
    [
        ("follower_ab", 15.0, 30.0, 0.1),
        ("follower_b", 15.0, 30.0, 0.3),
        ("feedback_asymmetric", 0.5, 0.95, 0.05),
        ("feedback_asymmetric", 0.5, 1.1, 0.1),
        ("feedback_asymmetric", 0.5, 1.5, 0.1),
        ("sagging_supply", 15.0, 24.0, 0.1),
        ("sagging_supply", 15.0, 28.0, 0.1),
    ],
)
def test_overdrive_is_the_undisturbed_output_over_the_rail(
    simulate: Callable[..., tuple[Truth, Measurement]],
    circuit: str,
    small: float,
    peak: float,
    tolerance_db: float,
) -> None:
    """Undisturbed: the input's peak times the gain at a level that meets no rail. The rail: the nearer extreme
    of the node. follower_b has 0.7 V of dead zone, added to both (tolerance: its gain is not constant)."""
    quiet, _ = figures(simulate, circuit, small)
    truth, found = figures(simulate, circuit, peak)
    undisturbed = peak * quiet.fundamental / small
    if circuit == "follower_b":
        undisturbed, rail = peak * (quiet.highest + 0.7) / small, truth.highest + 0.7
    else:
        rail = min(truth.highest, -truth.lowest)
    assert found.clipping.state == "clipped"
    assert found.clipping.overdrive_db == pytest.approx(20 * np.log10(undisturbed / rail), abs=tolerance_db)


def test_a_stage_that_comes_off_its_rail_late_is_told_with_its_side(
    simulate: Callable[..., tuple[Truth, Measurement]],
) -> None:
    truth, found = figures(simulate, "feedback_asymmetric", 0.95)
    assert found.clipping.side == "negative"
    assert found.clipping.negative_rail_volts == pytest.approx(truth.lowest, rel=0.01)
    assert "slow_recovery" in codes(found.notes)
