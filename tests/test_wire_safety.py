"""Is the cable fit for its current: bounds, fuses, verdicts; dangers tried by one who does not know them."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gainkit.calculator import conductors, feeds, wire_safety
from gainkit.calculator.conductors import ALUMINIUM, COPPER, COPPER_CLAD_ALUMINIUM, adiabatic_k
from gainkit.calculator.feed_model import FeedFacts
from gainkit.calculator.feeds import find_feed
from gainkit.calculator.wire_safety import free_air_amperes, fuse_of_at_most, judge_wire, sure_amperes
from gainkit.errors import GainkitError
from tests.conftest import Answer

METHOD_E = {
    1.5: 22, 2.5: 30, 4: 40, 6: 51, 10: 70, 16: 94, 25: 119, 35: 148, 50: 180, 70: 232, 95: 282, 120: 328,
}  # fmt: skip
"""IEC 60364-5-52, two-core copper cable in PVC (70 degrees C) in free air of 30 degrees C [A] (from memory)."""

METHOD_F = {25: 131, 35: 162, 50: 196, 70: 251, 95: 304, 120: 352}
"""... two single-core cables touching, the same otherwise [A] (from memory)."""


# ---- against the outside -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("material", "start", "end", "k"),
    [(COPPER, 70, 160, 115), (COPPER, 90, 250, 143), (ALUMINIUM, 70, 160, 76), (ALUMINIUM, 90, 250, 94)],
)
def test_adiabatic_k(material: conductors.Material, start: float, end: float, k: float) -> None:
    """IEC 60364-4-43, table 43A: PVC and cross-linked polyethylene (from memory), rounded to whole numbers."""
    assert adiabatic_k(material, start, end) == pytest.approx(k, abs=0.7)


def test_adiabatic_time_against_small_steps() -> None:
    """137 A in 4 mm2 from 40 to 160 degrees C: heat and resistance followed in steps of 1 ms, one metre."""
    celsius, seconds, step = 40.0, 0.0, 1e-3
    while celsius < 160.0:
        watts = 137.0**2 * conductors.ohms_per_m(4.0, celsius)
        celsius += watts * step / (COPPER.heat * 4.0 * 1000.0)
        seconds += step
    found = judge_wire(137.0, 4.0).overheats_in_seconds
    assert found == pytest.approx(
        seconds, rel=2e-3
    )  # 0.00393 at 20 degrees C is 1 / 254.45, IEC 60949 has 254.5


@pytest.mark.parametrize(("square_mm", "amperes"), METHOD_E.items())
def test_sure_current_is_within_the_table_of_two_core_cables(square_mm: float, amperes: float) -> None:
    """At the table's own 30 degrees C: never above it, and not so far below that it would cry wolf."""
    assert 0.88 * amperes <= sure_amperes(square_mm, 30.0) <= amperes


@pytest.mark.parametrize(("square_mm", "amperes"), METHOD_F.items())
def test_a_lone_cable_carries_more_than_touching_ones(square_mm: float, amperes: float) -> None:
    assert 1.0 < free_air_amperes(square_mm, 70.0, 30.0) / amperes < 1.2


@pytest.mark.parametrize(
    ("square_mm", "celsius", "material"),
    [(4.0, 105.0, COPPER), (53.5, 70.0, COPPER), (21.2, 90.0, COPPER_CLAD_ALUMINIUM)],
)  # fmt: skip
def test_temperature_as_a_thermal_circuit(
    square_mm: float,
    celsius: float,
    material: conductors.Material,
    oracle: Callable[[str], str],
    tmp_path: Path,
) -> None:
    """Heat as current, kelvins as volts: ngspice finds the conductor's rise with our current through it."""
    amperes = free_air_amperes(square_mm, celsius, 40.0, material)
    inner, outer = (each / 1000 for each in wire_safety.cable_diameters_mm(square_mm))
    cold = material.ohm_m / (square_mm * 1e-6)
    coefficient = 0.21 / outer**0.6 + 3.94
    netlist = tmp_path / "wire.cir"
    netlist.write_text(
        f"heat of one metre\nB1 0 core I={amperes!r}^2*{cold!r}*(1+{material.per_kelvin}*(v(core)+40-20))\n"
        f"R1 core skin {5.0 / (2 * math.pi) * math.log(outer / inner)!r}\n"
        f"B2 skin 0 I={math.pi * outer * coefficient!r}*abs(v(skin))^1.25\n.nodeset v(core)=30 v(skin)=25\n"
        ".options reltol=1e-9\n.control\nset numdgt=12\nop\nprint v(core)\nquit\n.endc\n.end\n"
    )
    done = subprocess.run(
        [oracle("ngspice"), "-b", str(netlist)], capture_output=True, text=True, check=False, timeout=600
    )
    rise = re.search(r"v\(core\) = (\S+)", done.stdout)
    assert rise, done.stdout + done.stderr
    assert float(rise[1]) == pytest.approx(celsius - 40.0, rel=1e-5)


@pytest.mark.parametrize(("gauge", "usual"), [("8", 60), ("4", 125), ("2", 200), ("1/0", 300)])
def test_usual_fuses_lie_between_the_bounds(gauge: str, usual: float) -> None:
    """Fuses that the trade puts before these gauges: common practice, no source."""
    feed = find_feed(1, watts=100, awg=gauge)
    assert feed.highest_fuse_amperes is not None
    assert feed.most_fuse_amperes is not None
    assert feed.highest_fuse_amperes <= usual <= feed.most_fuse_amperes


def test_copper_clad_aluminium_lies_between_its_metals() -> None:
    """A tenth of copper by volume and the rest aluminium, side by side (derivation): 65 % of copper."""
    share = COPPER.ohm_m / COPPER_CLAD_ALUMINIUM.ohm_m
    ideal = 0.10 + 0.90 * COPPER.ohm_m / ALUMINIUM.ohm_m
    assert COPPER.ohm_m / ALUMINIUM.ohm_m < share < ideal
    assert share == pytest.approx(ideal, rel=0.04)
    fused = find_feed(5, watts=500, awg="4", facts=FeedFacts("cca"))
    plain = find_feed(5, watts=500, awg="4")
    assert fused.wire_ohms == pytest.approx(plain.wire_ohms / share)
    assert fused.highest_fuse_amperes < plain.highest_fuse_amperes  # type: ignore[operator]


@pytest.mark.parametrize(("square_mm", "ohm_per_km"), [(70.0, 0.272), (95.0, 0.206), (120.0, 0.161)])
def test_standard_resistances_of_thick_cables(square_mm: float, ohm_per_km: float) -> None:
    """IEC 60228, class 5, plain copper (from memory): 8 to 14 % over the solid area's, as the thinner ones."""
    assert feeds.STRANDED_OHM_PER_KM[square_mm] == ohm_per_km
    assert 1.08 < ohm_per_km / 1000 / conductors.ohms_per_m(square_mm) < 1.14


# ---- properties --------------------------------------------------------------------------------------------

ORDER = {"safe": 0, "not known": 1, "not safe": 2}


@given(st.floats(1, 500), st.floats(0.5, 120), st.none() | st.floats(1, 500), st.floats(1, 3))
def test_more_current_less_copper_or_a_larger_fuse_are_never_safer(
    amperes: float, square_mm: float, fuse: float | None, more: float
) -> None:
    judged = judge_wire(amperes, square_mm, fuse)
    worse = [judge_wire(amperes * more, square_mm, fuse), judge_wire(amperes, square_mm / more, fuse)]
    if fuse is not None:
        worse.append(judge_wire(amperes, square_mm, fuse * more))
    worse += [judge_wire(amperes, square_mm, None)] if judged.verdict != "not safe" else []
    worse.append(judge_wire(amperes, square_mm, fuse, COPPER_CLAD_ALUMINIUM))
    worse.append(judge_wire(amperes, square_mm, fuse, air_celsius=70.0))
    for each in worse:
        assert ORDER[each.verdict] >= ORDER[judged.verdict]
    assert (judged.overheats_in_seconds is None) == (amperes <= judged.most_amperes)
    assert judged.continuous_amperes < judged.most_amperes
    if judged.highest_fuse_amperes is not None:
        assert judged.highest_fuse_amperes <= judged.continuous_amperes


def test_the_area_advised_is_the_first_that_surely_carries_it() -> None:
    assert judge_wire(137, 4).least_mm2 == 50.0
    assert sure_amperes(35.0) < 137 <= sure_amperes(50.0)
    assert judge_wire(400, 120).least_mm2 is None
    assert fuse_of_at_most(0.5) is None
    assert fuse_of_at_most(99.9) == 80


# ---- figures of a feed -------------------------------------------------------------------------------------


def test_everything_in_the_way_is_counted() -> None:
    """Series resistances add; a fuse of 100 A is 1 mohm at 0.1 V (from memory)."""
    alone = find_feed(5, watts=500, mm2=25)
    all_of_it = find_feed(5, watts=500, mm2=25, facts=FeedFacts(fuse_amperes=100, contact_ohms=0.002))
    assert all_of_it.wire_ohms - alone.wire_ohms == pytest.approx(0.003)
    assert all_of_it.contact_watts == pytest.approx(0.002 * all_of_it.supply_amperes**2)  # type: ignore[operator]
    body = find_feed(5, watts=500, mm2=25, facts=FeedFacts(return_ohms=0.0015))
    assert body.wire_ohms == pytest.approx(alone.wire_ohms / 2 + 0.0015)


def test_a_measured_drop_stands_beside_the_calculated_one() -> None:
    """Ohm's law: 1.2 V at 40 A are 30 mohm; what is more than the cable's heats by the full current."""
    found = find_feed(5, watts=500, awg="4", facts=FeedFacts(measured_drop_volts=1.2, measured_amperes=40))
    assert found.measured_ohms == pytest.approx(0.03)
    assert found.excess_watts == pytest.approx((0.03 - found.wire_ohms) * found.supply_amperes**2)  # type: ignore[operator]
    assert "drop_in_a_bad_contact" in [note.code for note in found.notes]
    assert found.verdict == "not safe"
    fine = find_feed(5, watts=500, awg="4", facts=FeedFacts(measured_drop_volts=0.38))
    assert "drop_measured" in [note.code for note in fine.notes]
    assert fine.measured_ohms == pytest.approx(0.38 / fine.supply_amperes)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: FeedFacts("silver"), "not_a_choice"), (lambda: FeedFacts(fuse_amperes=0), "outside_range"),
        (lambda: FeedFacts(measured_amperes=40), "needs_other"),
        (lambda: FeedFacts(contact_ohms=-1), "outside_range"),
        (lambda: FeedFacts(air_celsius=160), "outside_range"),
    ],
)  # fmt: skip
def test_facts_that_cannot_be(call: Callable[[], object], code: str) -> None:
    with pytest.raises(GainkitError) as fault:
        call()
    assert fault.value.code == code


# ---- as one who does not think of danger -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "verdict", "dangers"),
    [
        ("--watts 800 --mm2 4 --supply-volts 13.2", "not safe", {"wire_not_safe", "fuse_the_feed"}),
        ("--watts 1500 --awg 8", "not safe", {"wire_not_safe", "fuse_the_feed"}),
        ("--watts 1500 --awg 1/0 --fuse-amperes 500", "not safe", {"fuse_above_wire", "fuse_the_feed"}),
        ("--watts 100 --mm2 1.5 --fuse-amperes 100", "not safe",
         {"fuse_above_wire", "fuse_the_feed"}),
        ("--watts 500 --awg 4", "not known", {"fuse_the_feed"}),
        ("--watts 900 --awg 4 --fuse-amperes 100", "not known", {"fuse_the_feed"}),
        ("--watts 500 --awg 4 --fuse-amperes 60", "safe", {"fuse_the_feed"}),
        ("--watts 500 --awg 8 --fuse-amperes 50 --feed-material cca", "not known",
         {"fuse_the_feed"}),
        ("--watts 500 --awg 4 --fuse-amperes 60 --air-c 90", "not known", {"fuse_the_feed"}),
        ("--watts 500 --awg 4 --fuse-amperes 60 --air-c 100", "not safe",
         {"wire_not_safe", "fuse_above_wire", "fuse_the_feed"}),
        ("--watts 500 --awg 4 --fuse-amperes 60 --contact-ohms 5mohm", "not safe",
         {"fuse_the_feed", "contacts_get_hot"}),
        ("--watts 2 --mm2 0.5 --air-c 69.9", "not known", {"fuse_the_feed"}),
    ],
)  # fmt: skip
def test_dangers_of_a_feed(call: str, verdict: str, dangers: set[str], gainkit: Callable[..., Answer]) -> None:
    answer = gainkit("feed", "--length-m", 5, *call.split(), "--json").json
    assert answer["verdict"] == verdict
    assert {note["code"] for note in answer["notes"] if note["severity"] == "danger"} == dangers
    out = " ".join(gainkit("feed", "--length-m", 5, *call.split()).out.split())
    assert (f" {verdict.upper()} " in out[:200]) is True
    assert ("NOT SAFE" in out) is (verdict == "not safe")
    assert "cable maker's table" in out
    assert "may lose" not in out


SYSTEM = """
[source]
preamp_volts = 4
[supply]
volts = 13.2
at = "battery"
feed_length_m = 5
{feed}
[[channel]]
name = "Front"
rated_watts = 400
rated_ohms = 4
load_ohms = 4
outputs = ["left", "right"]
"""


@pytest.mark.parametrize(
    ("feed", "verdict", "codes"),
    [
        ("feed_mm2 = 4", "not safe", {"wire_not_safe", "fuse_the_feed", "amplifier_starves", "feed_loss"}),
        ("feed_awg = '1/0'\nfuse_amperes = 150", "safe", {"fuse_the_feed", "feed_loss"}),
        ("feed_awg = 4\nfuse_amperes = 300", "not safe",
         {"fuse_above_wire", "fuse_the_feed", "feed_loss"}),
        ("feed_awg = 2\nfuse_amperes = 70\nfeed_material = 'cca'", "safe",
         {"not_all_copper", "fuse_the_feed", "feed_loss", "fuse_below_current"}),
    ],
)  # fmt: skip
def test_the_plan_judges_the_same_cable(
    feed: str, verdict: str, codes: set[str], tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    path = tmp_path / "system.toml"
    path.write_text(SYSTEM.format(feed=feed))
    plan = gainkit("plan", path, "--json").json
    assert plan["feed"]["verdict"] == verdict
    told = {each["code"] for each in plan["cautions"]}
    assert codes <= told
    assert ("wire_not_safe" in told or "fuse_above_wire" in told) is (verdict == "not safe")
    alone = gainkit(
        "feed", "--watts", 800, "--length-m", 5, "--supply-volts", 13.2,
        *[word for line in feed.split("\n") for word in _as_option(line)], "--json",
    ).json  # fmt: skip
    assert alone["verdict"] == verdict
    assert alone["amplifier_volts"] == pytest.approx(plan["feed"]["amplifier_volts"])


def _as_option(line: str) -> list[str]:
    """A key of [supply] as the option of `feed`."""
    key, value = line.split(" = ")
    names = {"feed_mm2": "--mm2", "feed_awg": "--awg"}
    return [names.get(key, "--" + key.replace("_", "-")), value.strip("'")]


def test_no_cable_is_safe_with_a_contact_that_burns(gainkit) -> None:
    """The same feed, fuse and cable: 83 A through 10 mohm are 69 W (I^2 R)."""
    call = ("feed", "--watts", 800, "--length-m", 5, "--mm2", 50, "--supply-volts", 13.2, "--fuse-amperes", 150)
    assert gainkit(*call, "--json").json["verdict"] == "safe"
    hot = gainkit(*call, "--contact-ohms", 0.01, "--json").json
    assert hot["contact_watts"] == pytest.approx(hot["supply_amperes"] ** 2 * 0.01)
    assert hot["verdict"] == "not safe"
    assert "NOT SAFE" in gainkit(*call, "--contact-ohms", 0.01).out.splitlines()[1]
