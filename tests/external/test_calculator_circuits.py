"""Pads, loads, bridging and the feed as circuits, solved by ngspice: no formula of ours is in the netlists."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.calculator import feeds, pads
from gainkit.calculator.amplifier import half_load_ohms
from gainkit.calculator.loads import find_loads
from gainkit.calculator.pad_model import PadCall

Oracle = Callable[[str], str]


@pytest.fixture
def solve(oracle: Oracle, tmp_path: Path) -> Callable[..., dict[str, float]]:
    """Run a netlist with an analysis; the printed quantities by name."""
    ngspice = oracle("ngspice")

    def run(elements: str, analysis: str, *wanted: str) -> dict[str, float]:
        lets = "\n".join(f"let q{place} = {what}\nprint q{place}" for place, what in enumerate(wanted))
        netlist = tmp_path / "circuit.cir"
        tight = ".options reltol=1e-10 vntol=1e-12 abstol=1e-12"
        control = f".control\nset numdgt=12\n{analysis}\n{lets}\nquit\n.endc"
        netlist.write_text(f"circuit\n{elements}\n{tight}\n{control}\n.end\n")
        done = subprocess.run(
            [ngspice, "-b", str(netlist)], capture_output=True, text=True, check=False, timeout=600
        )
        found = dict(re.findall(r"^q(\d+) = (\S+)", done.stdout, flags=re.M))
        assert len(found) == len(wanted), done.stdout + done.stderr
        return {what: float(found[str(place)]) for place, what in enumerate(wanted)}

    return run


@pytest.mark.parametrize("series", ["E12", "E24", "E96"])
@pytest.mark.parametrize("bridged", [False, True])
def test_pad(solve, series: str, bridged: bool) -> None:
    """DC stands for rms: the network is resistive. Source 4 ohm, interface 10 kohm, 63.2456 V down to 2 V."""
    call = PadCall(63.2456, 2.0, 4.0, 10_000.0, series, bridged)
    pad = pads.find_pad(call)
    if bridged:  # each lead carries half, neither is ground; 2 ohm of source in each
        source = "V1 p 0 31.6228\nV2 n 0 -31.6228\nRp p a 2\nRn n b 2"
        legs = f"R1 a c {pad.series_ohms!r}\nR2 b d {pad.series_ohms!r}"
    else:
        source = "V1 p 0 63.2456\nRp p a 4"
        legs = f"R1 a c {pad.series_ohms!r}\nR2 0 d 1e-9"
    circuit = f"{source}\n{legs}\nR3 c d {pad.shunt_ohms!r}\nR4 c d 10k"
    found = solve(
        circuit, "op", "v(c)-v(d)", f"(v(a)-v(c))^2/{pad.series_ohms!r}", f"(v(c)-v(d))^2/{pad.shunt_ohms!r}"
    )
    across, series_watts, shunt_watts = found.values()
    assert pad.loss_db == pytest.approx(-20 * math.log10(across / 63.2456), abs=1e-6)
    assert pad.headroom_db == pytest.approx(20 * math.log10(2.0 / across), abs=1e-6)
    assert pad.series_watts == pytest.approx(series_watts, rel=1e-6)
    assert pad.shunt_watts == pytest.approx(shunt_watts, rel=1e-6)
    assert across <= 2.0


def test_bandwidth_of_a_pad_with_its_cable(solve) -> None:
    """AC analysis at the stated corner: 3.01 dB under the level at 1 Hz; at 20 kHz the stated loss."""
    call = PadCall(30.0, 2.0, 0.0, 20_000.0, cable_pf=5_000.0)
    pad = pads.find_pad(call)
    circuit = f"V1 p 0 ac 1\nR1 p c {pad.series_ohms!r}\nR2 c 0 {pad.shunt_ohms!r}\nR3 c 0 20k\nC1 c 0 5n"
    levels = [
        20 * math.log10(next(iter(solve(circuit, f"ac lin 1 {hertz!r} {hertz!r}", "mag(v(c))").values())))
        for hertz in (1.0, 20_000.0, pad.bandwidth_hz)
    ]
    assert pad.loss_db == pytest.approx(-levels[0], abs=1e-5)
    assert pad.loss_20khz_db == pytest.approx(levels[0] - levels[1], abs=1e-5)
    assert levels[0] - levels[2] == pytest.approx(10 * math.log10(2), abs=1e-5)


@pytest.mark.parametrize("load", [2.0, 4.0])
def test_each_half_of_a_bridge_sees_half_the_load(solve, load: float) -> None:
    """Two opposite sources of 10 V with the load between them: volts over amperes of one half."""
    found = solve(f"V1 a 0 10\nV2 b 0 -10\nR1 a b {load}", "op", "v(a)/(0-i(V1))", "(v(a)-v(b))^2*(0-i(V1))/20")
    seen, watts = found.values()
    assert half_load_ohms(load) == pytest.approx(seen, rel=1e-9)
    assert watts == pytest.approx(20**2 / load, rel=1e-9)  # four times what one half alone gives


@pytest.mark.parametrize(("coils", "drivers"), [(2, 1), (2, 2), (2, 3), (1, 4), (4, 2)])
def test_every_wiring_of_coils(solve, coils: int, drivers: int) -> None:
    """Each wiring built coil by coil as a netlist, its load by the current that 1 V drives."""
    loads = []
    for coil_series in (n for n in range(1, coils + 1) if coils % n == 0):
        for driver_series in (n for n in range(1, drivers + 1) if drivers % n == 0):
            loads.append(_driven(solve, coils, coil_series, drivers, driver_series))
    found = [wiring.ohms for wiring in find_loads(4.0, coils, drivers).wirings]
    assert found == pytest.approx(sorted(loads), rel=1e-9)


def _driven(solve, coils: int, coil_series: int, drivers: int, driver_series: int) -> float:
    """Ohms of `drivers` drivers of `coils` 4 ohm coils, so many in series and the rest in parallel strings."""
    elements = ["V1 top 0 1"]
    for string in range(drivers // driver_series):
        for driver in range(driver_series):
            upper = "top" if driver == 0 else f"d{string}_{driver}"
            lower = "0" if driver == driver_series - 1 else f"d{string}_{driver + 1}"
            for path in range(coils // coil_series):
                name = f"{string}_{driver}_{path}"
                nodes = [upper, *(f"c{name}_{place}" for place in range(1, coil_series)), lower]
                elements += [f"R{name}_{i} {nodes[i]} {nodes[i + 1]} 4" for i in range(coil_series)]
    return next(iter(solve("\n".join(elements), "op", "v(top)/(0-i(V1))").values()))


@pytest.mark.parametrize(("watts", "length"), [(500.0, 5.0), (1500.0, 4.0), (100.0, 12.0)])
def test_constant_power_feed(solve, watts: float, length: float) -> None:
    """A behavioural current source drawing P / U behind the cable; Newton's method instead of the formula."""
    area = feeds.awg_square_mm(4.0)
    ohms_each = length / (58e6 * area * 1e-6)
    feed = feeds.power_feed(watts, 0.8, 14.4, length, area)
    circuit = (
        f"V1 bat 0 14.4\nRfeed bat amp {ohms_each!r}\nRreturn ret 0 {ohms_each!r}\n"
        f"B1 amp ret I={watts / 0.8!r}/v(amp,ret)\n.nodeset v(amp)=14.4 v(ret)=0"
    )
    volts, amperes = solve(circuit, "op", "v(amp)-v(ret)", "0-i(V1)").values()
    assert feed.amplifier_volts == pytest.approx(volts, rel=1e-5)
    assert feed.supply_amperes == pytest.approx(amperes, rel=1e-5)


def test_speaker_wire(solve) -> None:
    area = feeds.awg_square_mm(16.0)
    ohms_each = 5.0 / (58e6 * area * 1e-6)
    wire = feeds.speaker_wire(4.0, 5.0, area)
    circuit = f"V1 a 0 1\nRgo a b {ohms_each!r}\nRback c 0 {ohms_each!r}\nRspeaker b c 4"
    level, share = solve(circuit, "op", "v(b)-v(c)", "1-(v(b)-v(c))").values()
    assert wire.level_lost_db == pytest.approx(20 * math.log10(level), abs=1e-6)
    assert wire.wire_share_percent == pytest.approx(100 * share, rel=1e-6)
