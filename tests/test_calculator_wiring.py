"""Loads, pads and feeds: properties, refusals, commands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.calculator import feeds, pads, preferred
from gainkit.calculator.conductors import wire_ohms
from gainkit.calculator.loads import equal_wirings, find_loads, parallel_ohms, series_ohms
from gainkit.calculator.pad_model import PadCall
from gainkit.errors import GainkitError

ours = settings(deadline=None, derandomize=True, max_examples=100)


# ---- load --------------------------------------------------------------------------------------------------


@ours
@given(st.floats(0.5, 16), st.integers(1, 6), st.integers(1, 6))
def test_every_wiring_is_what_its_parts_make(coil: float, coils: int, drivers: int) -> None:
    """Recomputed part by part from the series and parallel laws, for every wiring."""
    expected = sorted(
        parallel_ohms([series_ohms([parallel_ohms([series_ohms([coil] * cs)] * cp)] * ds)] * dp)
        for cs, cp in equal_wirings(coils)
        for ds, dp in equal_wirings(drivers)
    )
    found = [wiring.ohms for wiring in find_loads(coil, coils, drivers).wirings]
    assert found == pytest.approx(expected, rel=1e-12)
    assert len({wiring.description for wiring in find_loads(coil, coils, drivers).wirings}) == len(found)


def test_minimum_counts_per_half_when_bridged() -> None:
    found = find_loads(4, 2, 1, min_ohms=2, bridged=True).wirings
    assert [(w.ohms, w.half_ohms, w.allowed) for w in found] == [(2, 1, False), (8, 4, True)]
    alone = find_loads(4, 2, 1, min_ohms=2).wirings
    assert [w.allowed for w in alone] == [True, True]
    assert all(w.allowed is None for w in find_loads(4, 2, 1).wirings)


def test_load_command(gainkit) -> None:
    answer = gainkit("load", "--coil-ohms", 2, "--coils", 2, "--drivers", 2, "--min-ohms", 1, "--json").json
    assert [wiring["ohms"] for wiring in answer["wirings"]] == [0.5, 2, 2, 8]
    assert [wiring["allowed"] for wiring in answer["wirings"]] == [False, True, True, True]
    out = gainkit("load", "--coil-ohms", 2, "--coils", 2, "--drivers", 2, "--min-ohms", 1).out
    assert out.splitlines()[1].startswith("   2 ohm")
    none = gainkit("load", "--coil-ohms", 1, "--min-ohms", 2).out
    assert "NO WIRING FITS" in none
    for bad in (("--coils", 0), ("--drivers", 65), ("--min-ohms", -1)):
        assert bad[0] in gainkit("load", "--coil-ohms", 2, *bad).refused()


# ---- pad ---------------------------------------------------------------------------------------------------


@ours
@given(
    st.floats(1, 200), st.floats(0.1, 20), st.just(0.0) | st.floats(1e-9, 200), st.floats(1_000, 1e6),
    st.sampled_from(["E12", "E24", "E96"]), st.booleans(),
)  # fmt: skip
def test_a_pad_never_overloads_even_at_the_ends_of_its_tolerance(
    most: float, full: float, source: float, interface: float, series: str, bridged: bool
) -> None:
    call = PadCall(most, full, source, interface, series, bridged)
    pad = pads.find_pad(call)
    assert pad.headroom_db >= 0
    if pad.shunt_ohms is None:
        assert most <= full
        return
    values, first, tolerance = preferred.SERIES[series]
    for ohms in (pad.series_ohms, pad.shunt_ohms):
        mantissa = ohms / 10 ** math.floor(math.log10(ohms)) * first
        assert round(mantissa) in values
        assert mantissa == pytest.approx(round(mantissa), rel=1e-6)
    legs = 2 if bridged else 1
    for series_off in (-tolerance, 0, tolerance):
        for shunt_off in (-tolerance, 0, tolerance):
            shunt = pad.shunt_ohms * (1 + shunt_off)
            parallel = parallel_ohms([shunt, interface])
            path = legs * pad.series_ohms * (1 + series_off) + source
            assert most * parallel / (path + parallel) <= full * (1 + 1e-9)
    assert pad.series_part_watts is not None
    assert pad.series_part_watts >= 2 * pad.series_watts
    assert pad.differential == bridged


def test_power_in_a_pad_is_all_accounted_for() -> None:
    call = PadCall(63.2456, 10.0, 0.0, math.inf, "E24", True)
    pad = pads.find_pad(call)
    assert pad.shunt_ohms is not None
    total = 63.2456**2 / (2 * pad.series_ohms + pad.shunt_ohms)
    assert 2 * pad.series_watts + pad.shunt_watts == pytest.approx(total, rel=1e-9)


def test_a_pad_of_ones_own_is_refused_when_it_would_still_overload(gainkit) -> None:
    call = ("pad", "--max-volts", 30, "--input-volts", 1, "--series-ohms", 9100, "--shunt-ohms", 1000)
    assert "interface is full at 1 V" in gainkit(*call).refused()
    kept = gainkit(
        "pad", "--max-volts", 10, "--input-volts", 1, "--series-ohms", 9100, "--shunt-ohms", 1000, "--json"
    )
    assert kept.json["headroom_db"] == pytest.approx(0.0864, abs=1e-4)
    assert "pad_overloads_at_tolerance" in [caution["code"] for caution in kept.json["cautions"]]


def test_pad_command_warns_of_ground(gainkit) -> None:
    two = gainkit("pad", "--max-volts", 28.3, "--input-volts", 2, "--input-ohms", 10_000, "--bridged")
    assert "Neither lead of a bridged or built-in output may touch ground" in " ".join(two.out.split())
    one = gainkit("pad", "--max-volts", 28.3, "--input-volts", 2, "--json").json
    assert one["differential"] is False
    codes = ["pad_grounds_one_lead", "check_minus_lead", "open_shunt", "phantom_power_off"]
    assert [caution["code"] for caution in one["cautions"]] == codes
    assert {caution["severity"] for caution in one["cautions"]} == {"danger"}
    wire = gainkit("pad", "--max-volts", 1, "--input-volts", 2, "--json").json
    assert (wire["series_ohms"], wire["shunt_ohms"], wire["loss_db"]) == (0, None, 0)
    for bad in (("--input-ohms", 0), ("--source-ohms", -1), ("--cable-pf", "nan"), ("--series-ohms", 100)):
        assert bad[0] in gainkit("pad", "--max-volts", 30, "--input-volts", 2, *bad).refused()
    assert "E48" not in gainkit("pad", "--max-volts", 30, "--input-volts", 2, "--series", "E12").out
    gainkit("pad", "--max-volts", 30, "--input-volts", 2, "--series", "E48").refused()


def test_what_a_careless_pad_does_is_told(gainkit) -> None:
    """Ohm's and Joule's laws: 30 V over 1 + 10 ohm are 2.73 A; 7.44 W in the one, 74.4 W in the other."""
    hot = gainkit("pad", "--max-volts", 30, "--input-volts", 28, "--series-ohms", 1, "--shunt-ohms", 10)
    assert hot.out.splitlines()[1].startswith("   NOT SAFE")
    assert "Shunt: 74.38 W: NO USUAL PART STANDS IT" in hot.out
    assert "use 0 W" not in hot.out
    answer = gainkit(
        "pad", "--max-volts", 30, "--input-volts", 28, "--series-ohms", 1, "--shunt-ohms", 10, "--json"
    ).json
    told = {caution["code"]: caution for caution in answer["cautions"]}
    assert told["no_part_stands_it"]["part"] == "shunt"
    assert told["no_part_stands_it"]["needed_watts"] == pytest.approx(2 * (30 / 11) ** 2 * 10)
    assert told["pad_gets_warm"]["part_watts"] == 20
    assert told["pad_is_a_load"]["load_ohms"] == pytest.approx(11)
    assert answer["shunt_part_watts"] is None


@ours
@given(st.floats(2, 900), st.floats(0.1, 1.5), st.floats(1_000, 1e6), st.booleans())
def test_an_open_shunt_is_a_divider_of_what_is_left(
    most: float, full: float, interface: float, two: bool
) -> None:
    """The input alone behind the series resistors; every part that is advised is one that is sold."""
    pad = pads.find_pad(PadCall(most, full, input_ohms=interface, bridged=two))
    path = (2 if two else 1) * pad.series_ohms
    assert pad.open_shunt_volts == pytest.approx(most * interface / (path + interface))
    assert pad.series_part_watts
    assert pad.shunt_part_watts
    told = {caution.code for caution in pad.cautions}
    assert {"open_shunt", "phantom_power_off"} <= told
    assert ("leads_at_half_supply" in told) is two
    assert ("check_minus_lead" in told) is not two


def test_e96_is_the_rounded_power_and_the_others_are_in_rising_order() -> None:
    assert len(preferred.E96) == 96
    assert sorted(set(preferred.E12) & set(preferred.E24)) == sorted(preferred.E12)
    assert list(preferred.preferred_values("E12", 90, 130)) == [100, 120]
    assert preferred.next_preferred("E24", 9101) == 10_000


# ---- feed --------------------------------------------------------------------------------------------------


@ours
@given(st.floats(10, 3000), st.floats(0.3, 1), st.floats(9, 16), st.floats(0.2, 12), st.floats(2, 100))
def test_feed_balances_power(
    watts: float, efficiency: float, supply: float, length: float, area: float
) -> None:
    loop = wire_ohms(2 * length, area)
    most = supply**2 / (4 * loop) * efficiency
    if watts > most:
        with pytest.raises(GainkitError) as fault:
            feeds.power_feed(watts, efficiency, supply, length, area)
        assert fault.value.code == "cable_too_thin"
        assert fault.value.values["most_watts"] == pytest.approx(most)
        return
    feed = feeds.power_feed(watts, efficiency, supply, length, area)
    assert feed.supply_amperes is not None
    assert feed.amplifier_volts is not None
    assert feed.wire_watts is not None
    assert feed.amplifier_volts >= supply / 2 - 1e-9  # the stable solution
    assert feed.amplifier_volts * feed.supply_amperes == pytest.approx(watts / efficiency, rel=1e-9)
    assert feed.supply_amperes * supply == pytest.approx(watts / efficiency + feed.wire_watts, rel=1e-9)


def test_wire_gauges_have_their_names() -> None:
    assert [feeds.awg_number(name) for name in ("4", "0", "1/0", "2/0", "0000", " 12 ")] == [
        4,
        0,
        0,
        -1,
        -3,
        12,
    ]
    for name in ("", "5/0", "-1", "four", "1/1", "41", "00000", "²"):
        with pytest.raises(GainkitError):
            feeds.awg_number(name)
    areas = feeds.awg_square_mm(np.array([10.0, 0.0]))
    assert areas[1] / areas[0] == pytest.approx(10.164, abs=1e-3)


def test_feed_command(gainkit) -> None:
    answer = gainkit("feed", "--watts", 500, "--length-m", 5, "--awg", 4, "--json").json
    assert answer["level_lost_db"] is None
    assert answer["amplifier_volts"] == pytest.approx(14.037, abs=1e-3)
    wire = gainkit("feed", "--speaker-ohms", 4, "--length-m", 5, "--mm2", 2.5, "--json").json
    assert wire["amplifier_volts"] is None
    assert wire["level_lost_db"] < 0
    square = gainkit("feed", "--watts", 500, "--length-m", 5, "--mm2", 25, "--json").json
    assert [note["code"] for note in square["notes"]][-1] == "stranded_cable_may_lose"
    assert square["notes"][-1]["lost_volts"] == pytest.approx(2 * 5 * 0.780e-3 * square["supply_amperes"])
    assert (
        "14.04 V at the amplifier, 44.5 A, fuse unknown"
        in gainkit("feed", "--watts", 500, "--length-m", 5, "--awg", 4).out
    )
    assert (
        "cannot pass through this cable"
        in gainkit("feed", "--watts", 9000, "--length-m", 10, "--awg", 16).refused()
    )
    assert "--awg" in gainkit("feed", "--watts", 500, "--length-m", 5).refused()
    assert "--speaker-ohms" in gainkit("feed", "--length-m", 5, "--awg", 4).refused()
    assert (
        "--efficiency is 1.2"
        in gainkit("feed", "--watts", 9, "--length-m", 5, "--awg", 4, "--efficiency", 1.2).refused()
    )
