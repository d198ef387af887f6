"""Targets: the model of quantities, its limits, its refusals, its text."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.calculator import amplifier, ranges, targets
from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel, channel_from
from gainkit.calculator.explain import explain
from gainkit.calculator.meters import MeterLimits
from gainkit.calculator.targets import Target, find_target
from gainkit.errors import GainkitError
from gainkit.levels import db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, codes

PLAIN = Channel((Rating(75, 4),), 4.0)
ours = settings(deadline=None, derandomize=True, max_examples=150)

watts = st.floats(0.1, 5_000)
ohms = st.floats(0.25, 32)
overlaps = st.just(0.0) | st.floats(1e-9, 20)
margins = st.just(0.0) | st.floats(1e-9, 12)
sources = st.floats(0.1, 20)


def one(found: Target, code: str) -> Remark:
    """The caution of that code."""
    return next(caution for caution in found.cautions if caution.code == code)


# ---- properties --------------------------------------------------------------------------------------------


@ours
@given(watts, watts, ohms, margins)
def test_target_rises_with_rated_power(low: float, high: float, load: float, margin: float) -> None:
    low, high = sorted((low, high))
    quiet = find_target(Channel((Rating(low, load),), load, margin_db=margin))
    loud = find_target(Channel((Rating(high, load),), load, margin_db=margin))
    assert quiet.target_volts <= loud.target_volts


@ours
@given(watts, watts, ohms, margins, overlaps, sources)
def test_target_is_never_above_either_limit(
    amp: float, speaker: float, load: float, margin: float, overlap: float, source: float
) -> None:
    found = find_target(Channel((Rating(amp, load),), load, speaker, margin, overlap, source_volts=source))
    assert found.speaker_limit_volts is not None
    slack = 1 + 1e-12
    assert found.target_volts <= found.clip_volts * slack
    assert found.target_volts <= found.speaker_limit_volts * slack
    assert found.limited_by == ("speaker" if found.speaker_limit_volts < found.clip_volts else "amplifier")
    assert found.set_volts == pytest.approx(found.target_volts, rel=1e-12)  # the tone is -overlap by default


@ours
@given(watts, ohms, overlaps, st.floats(0, 40), margins)
def test_set_volts_follow_the_tone_decibel_for_decibel(
    amp: float, load: float, overlap: float, below: float, margin: float
) -> None:
    tone = -overlap - below
    found = find_target(
        Channel((Rating(amp, load),), load, margin_db=margin, overlap_db=overlap, tone_dbfs=tone)
    )
    assert db_from_ratio(found.set_volts / found.target_volts) == pytest.approx(-below, abs=1e-9)


@ours
@given(watts, ohms, overlaps, margins, sources)
def test_gain_sensitivity_and_headroom_agree_with_each_other(
    amp: float, load: float, overlap: float, margin: float, source: float
) -> None:
    found = find_target(
        Channel((Rating(amp, load),), load, margin_db=margin, overlap_db=overlap, source_volts=source)
    )
    assert found.gain_db is not None
    assert found.sensitivity_volts is not None
    at_overlap = targets.output_volts(source, found.gain_db, -overlap)
    assert at_overlap == pytest.approx(found.target_volts, rel=1e-9)
    assert targets.gain_db_from_sensitivity(found.clip_volts, found.sensitivity_volts) == pytest.approx(
        found.gain_db, abs=1e-9
    )
    # a recording as loud as the headroom allows puts exactly clip_volts on the output
    assert targets.headroom_at_gain_db(
        found.clip_volts, source, found.gain_db, found.headroom_db
    ) == pytest.approx(0.0, abs=1e-9)
    assert found.headroom_db == pytest.approx(margin - overlap, abs=1e-9)


@ours
@given(st.floats(1e-6, 1e6))
def test_decibels_come_back(ratio: float) -> None:
    assert ratio_from_db(db_from_ratio(ratio)) == pytest.approx(ratio, rel=1e-12)


@ours
@given(st.floats(20, 2000), st.floats(0.3, 1.0), st.floats(0.3, 1.0), st.floats(0.5, 20))
def test_volts_between_ratings_respect_both_limits(
    four: float, lower_volts: float, fewer_amperes: float, load: float
) -> None:
    """Consistent ratings at 4 and 2 ohm: never more volts than at 4 ohm, nor more amperes than at 2 ohm."""
    upper = Rating(four, 4.0)
    volts = max(upper.volts * lower_volts, upper.amperes * 2.0)  # at least the amperes of the upper rating
    lower = Rating(min(volts, upper.volts) ** 2 / 2.0, 2.0)
    found = amplifier.clip_volts_at_load([lower, upper], load)
    assert found <= upper.volts * (1 + 1e-12)
    assert found / load <= lower.amperes * (1 + 1e-12)
    more = amplifier.clip_volts_at_load([lower, upper], load * 1.01)
    assert more >= found * (1 - 1e-12)
    cautious = amplifier.clip_volts_with_sag([lower, upper], load)
    assert cautious is None or cautious <= found * (1 + 1e-9)


@ours
@given(st.floats(1, 60), st.floats(0, 5), st.floats(0, 1), st.floats(0, 1))
def test_uncertainty_lies_between_the_largest_part_and_the_sum(
    volts: float, percent: float, floor: float, tolerance: float
) -> None:
    meter = volts * percent / 100 + floor
    tone = volts * (10 ** (tolerance / 20) - 1)
    found = targets.uncertainty_volts(volts, percent, floor, tolerance)
    assert max(meter, tone) - 1e-12 <= found <= meter + tone + 1e-12


def test_uncertainty_covers_95_percent_of_what_meter_and_tone_can_do() -> None:
    """Monte Carlo in the manner of GUM supplement 1: two rectangular distributions."""
    random = np.random.default_rng(7)
    set_volts, percent, floor, tolerance = 20.0, 1.2, 0.05, 0.1
    half = targets.uncertainty_volts(set_volts, percent, floor, tolerance)
    meter = set_volts * percent / 100 + floor
    tone = set_volts * (10 ** (tolerance / 20) - 1)
    off = random.uniform(-meter, meter, 200_000) + random.uniform(-tone, tone, 200_000)
    assert 0.95 <= np.mean(np.abs(off) <= half) <= 0.99


# ---- arrays ------------------------------------------------------------------------------------------------


def test_every_quantity_takes_arrays_and_agrees_with_its_floats() -> None:
    gains = np.linspace(-10, 40, 11)
    swept = targets.headroom_at_gain_db(np.asarray(17.32), np.asarray(5.0), gains, np.asarray(-5.0))
    each = [targets.headroom_at_gain_db(17.32, 5.0, float(gain), -5.0) for gain in gains]
    np.testing.assert_allclose(swept, each, rtol=1e-12)
    loads = np.array([[1.0, 2.0], [3.0, 8.0]])
    ratings = [Rating(100, 4), Rating(150, 2)]
    np.testing.assert_allclose(
        amplifier.clip_volts_at_load(ratings, loads),
        [[amplifier.clip_volts_at_load(ratings, float(x)) for x in row] for row in loads],
    )
    lower = targets.lower_limit_volts(np.array([1.0, 5.0]), np.array([3.0, 2.0]))
    np.testing.assert_array_equal(lower, [1.0, 2.0])
    spread = targets.uncertainty_volts(np.array([10.0, 20.0]), 1.0, 0.0, 0.0)
    assert spread.tolist() == pytest.approx([0.1, 0.2])


# ---- several ratings, bridging, supply ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("load", "volts"),
    [
        (4.0, 20.0),  # rated exactly: sqrt(100 x 4)
        (2.0, math.sqrt(300)),  # rated exactly: sqrt(150 x 2)
        (8.0, 20.0),  # above: the voltage limit
        (3.0, 20.0),  # between: 20 V is lower than 8.66 A x 3 ohm
        (2.2, math.sqrt(75) * 2.2),  # between: 8.66 A x 2.2 ohm is lower than 20 V
        (1.0, math.sqrt(75)),  # below: the current limit
    ],
)
def test_the_right_rating_is_chosen(load: float, volts: float) -> None:
    assert amplifier.clip_volts_at_load([Rating(100, 4), Rating(150, 2)], load) == pytest.approx(volts)


def test_a_single_rating_stands_as_it_is_with_a_caution_below_its_load() -> None:
    low = find_target(replace(PLAIN, load_ohms=2.0))
    assert low.clip_volts == pytest.approx(math.sqrt(300))
    assert "load_below_lowest_rating" in codes(low.cautions)
    high = find_target(replace(PLAIN, load_ohms=8.0))
    assert high.clip_volts == pytest.approx(math.sqrt(300))
    assert not {"load_below_lowest_rating", "load_between_ratings"} & codes(high.cautions)


def test_a_load_between_two_ratings_tells_the_cautious_bound() -> None:
    found = find_target(Channel((Rating(100, 4), Rating(150, 2)), 3.0))
    cautious = amplifier.clip_volts_with_sag([Rating(100, 4), Rating(150, 2)], 3.0)
    assert cautious is not None
    assert cautious == pytest.approx(19.019, abs=0.001)
    told = one(found, "load_between_ratings")
    assert told.values["cautious_volts"] == pytest.approx(cautious)
    assert "19.02 V" in str(told)


def test_impossible_ratings_are_questioned() -> None:
    found = find_target(Channel((Rating(100, 4), Rating(250, 2)), 4.0))
    assert "ratings_contradict" in codes(found.cautions)
    fair = find_target(Channel((Rating(100, 4), Rating(200, 2)), 4.0))
    assert "ratings_contradict" not in codes(fair.cautions)


def test_each_half_of_a_bridged_pair_is_checked_for_its_minimum() -> None:
    bridged = Channel((Rating(500, 4),), 2.0, bridged=True, min_ohms=2.0)
    found = find_target(bridged)
    assert found.half_load_ohms == 1.0
    assert found.cautions[0].code == "load_below_minimum"
    assert found.cautions[0].severity == "danger"
    assert str(found.cautions[0]).startswith("Do not connect this load: each half sees 1 ohm")
    fine = find_target(replace(bridged, load_ohms=4.0))
    assert "load_below_minimum" not in codes(fine.cautions)
    assert one(fine, "ungrounded_output").values == {"output": "bridged"}


def test_half_ratings_are_doubled_in_watts_and_ohms_by_bridging() -> None:
    found = find_target(Channel((Rating(250, 2),), 4.0, bridged=True, per_half=True))
    assert found.clip_watts == pytest.approx(500)
    assert found.clip_volts == pytest.approx(44.7214, abs=1e-4)


def test_supply_scales_unless_regulated_or_measured() -> None:
    at_low = Channel((Rating(100, 4),), 4.0, supply_volts=12.6, rated_supply_volts=14.4)
    assert find_target(at_low).clip_volts == pytest.approx(17.5)
    assert find_target(replace(at_low, regulated=True)).clip_volts == pytest.approx(20.0)
    assert find_target(replace(at_low, measured_clip_volts=18.2)).clip_volts == 18.2
    assert one(find_target(at_low), "supply_must_hold").values == {"supply_volts": 12.6}
    assert one(find_target(at_low), "engine_indoors").severity == "danger"
    regulated = codes(find_target(replace(at_low, regulated=True)).cautions)
    assert not {"supply_must_hold", "engine_indoors", "rated_supply_unknown"} & regulated


def test_a_built_in_stage_is_limited_by_the_supply() -> None:
    claimed = Channel((Rating(50, 4),), 4.0, supply_volts=14.4, built_in=True, source_volts=20.0)
    found = find_target(claimed)
    assert found.clip_volts == pytest.approx(14.4 / math.sqrt(2))
    assert found.clip_watts == pytest.approx(25.92)
    assert found.sensitivity_volts is None  # there is no gain control
    assert "rating_above_built_in_limit" in codes(found.cautions)


def test_equal_limits_are_the_amplifiers() -> None:
    assert find_target(replace(PLAIN, speaker_watts=75.0)).limited_by == "amplifier"


def test_cautions_are_those_that_apply() -> None:
    small = Channel((Rating(0.5, 8),), 8.0, speaker_watts=5.0)
    assert find_target(small).cautions == ()
    assert one(find_target(PLAIN), "unplug_loudspeakers").severity == "danger"
    meter = MeterLimits(low_hz=45, high_hz=400)
    told = one(find_target(replace(PLAIN, tone_hz=997, meter=meter)), "meter_not_made_for_tone")
    assert "made for 45 to 400 Hz: do not believe it at 997 Hz" in str(told)
    low_load = find_target(replace(PLAIN, real_load_ohms=3.0))
    assert one(low_load, "loudspeaker_not_nominal").values["watts"] == pytest.approx(100)  # 300 V^2 / 3 ohm
    assert find_target(replace(PLAIN, real_load_ohms=3.3)).cautions == find_target(PLAIN).cautions


def test_filters_and_crossover_bound_the_tone() -> None:
    passed = find_target(replace(PLAIN, tone_hz=50.0, lowpass_hz=90.0))
    loss = one(passed, "filters_take_level").values["loss_db"]
    assert loss == pytest.approx(10 * math.log10(1 + (50 / 90) ** 4))
    near = find_target(replace(PLAIN, tone_hz=997.0, crossover_hz=1800.0))
    assert one(near, "tone_reaches_tweeter").severity == "danger"
    clear = find_target(replace(PLAIN, tone_hz=997.0, crossover_hz=2800.0, lowpass_hz=None))
    assert "tone_reaches_tweeter" not in codes(clear.cautions)


# ---- refusals ----------------------------------------------------------------------------------------------

WRONG: list[tuple[dict[str, object], str, str]] = [
    ({"margin_db": -3}, "outside_range", "margin_db"),
    ({"load_ohms": -4}, "outside_range", "load_ohms"),
    ({"load_ohms": None}, "missing", "load_ohms"),
    ({"supply_volts": -12}, "outside_range", "supply_volts"),
    ({"speaker_watts": -5}, "outside_range", "speaker_watts"),
    ({"margin_db": math.nan}, "outside_range", "margin_db"),
    ({"margin_db": None}, "missing", "margin_db"),
    ({"source_volts": math.inf}, "outside_range", "source_volts"),
    ({"tone_hz": "997"}, "outside_range", "tone_hz"),
    ({"min_ohms": True}, "outside_range", "min_ohms"),
    ({"bridged": "no"}, "not_a_choice", "bridged"),
    ({"overlap_db": 5.0, "tone_dbfs": -3.0}, "tone_above_overlap", "tone_dbfs"),
    ({"highpass_hz": 90.0, "lowpass_hz": 90.0}, "wrong_order", "highpass_hz"),
    ({"sensitivity_min_volts": 4.0, "sensitivity_max_volts": 0.2}, "wrong_order", "sensitivity_min_volts"),
    ({"built_in": True, "bridged": True}, "built_in_is_bridged", "bridged"),
    ({"per_half": True}, "per_half_unbridged", "per_half"),
    ({"ratings": (Rating(75, 4), Rating(60, 4))}, "same_load_twice", "ratings"),
    ({"ratings": ()}, "output_limit_unknown", "ratings"),
    ({"ratings": (), "built_in": True}, "missing", "supply_volts"),
    ({"ratings": "75@4"}, "wrong_kind", "ratings"),
    ({"meter": "a good one"}, "wrong_kind", "meter"),
]


@pytest.mark.parametrize(("wrong", "code", "parameter"), WRONG, ids=[f"{c} {p}" for _, c, p in WRONG])
def test_one_wrong_thing_is_that_fault(wrong: dict[str, object], code: str, parameter: str) -> None:
    with pytest.raises(GainkitError) as fault:
        replace(PLAIN, **wrong)
    assert (fault.value.code, fault.value.parameter) == (code, parameter)
    assert fault.value.problem != code  # it has words
    given = {each.name: getattr(PLAIN, each.name) for each in fields(PLAIN)} | wrong
    assert [(f.code, f.parameter) for f in ranges.faults_of(Channel, **given)] == [(code, parameter)]


def test_all_faults_of_a_channel_are_told_at_once_and_each_once() -> None:
    wrong = {"ratings": (), "load_ohms": "four", "margin_db": -3, "highpass_hz": 90, "lowpass_hz": 60}
    found = ranges.faults_of(Channel, **wrong, tone_dbfs=-1, overlap_db=4, per_half=True, supply_volts=-1)
    assert {(fault.code, fault.parameter) for fault in found} == {
        ("outside_range", "load_ohms"),
        ("outside_range", "margin_db"),
        ("outside_range", "supply_volts"),
        ("output_limit_unknown", "ratings"),
        ("wrong_order", "highpass_hz"),
        ("tone_above_overlap", "tone_dbfs"),
        ("per_half_unbridged", "per_half"),
    }
    assert len(found) == 7


def test_numbers_of_numpy_are_numbers() -> None:
    assert Channel((Rating(np.int64(75), np.float32(4)),), np.float64(4)).load_ohms == 4


@pytest.mark.parametrize(
    ("build", "code", "parameter"),
    [
        (lambda: Rating(-75, 4), "outside_range", "watts"),
        (lambda: Rating(75, "4"), "outside_range", "ohms"),
        (lambda: Rating(75, None), "missing", "ohms"),
        (lambda: MeterLimits(kind="digital"), "not_a_choice", "kind"),
        (lambda: MeterLimits(percent=-1), "outside_range", "percent"),
        (lambda: MeterLimits(low_hz=400, high_hz=45), "wrong_order", "low_hz"),
        (lambda: channel_from({"watts": 75}), "needs_other", "watts"),
        (lambda: channel_from({"watts": 75, "ohms": 4, "ratings": [(110, 2)]}), "not_both", "watts"),
        (lambda: channel_from({"ratings": [(75, 4), (110, 2)]}), "missing", "load_ohms"),
        (lambda: channel_from({}), "output_limit_unknown", "ratings"),
        (lambda: channel_from({"ratings": [(75, 4, 1)]}), "wrong_kind", "ratings"),
        (lambda: channel_from({"watts": 75, "ohms": 4, "volume": 3}), "unknown_name", "volume"),
        (lambda: channel_from({"watts": 75, "ohms": 4, "meter_percent": -1}), "outside_range", "meter_percent"),
    ],
)
def test_what_a_channel_is_made_of_refuses_too(build: Callable[[], object], code: str, parameter: str) -> None:
    with pytest.raises(GainkitError) as fault:
        build()
    assert (fault.value.code, fault.value.parameter) == (code, parameter)


def test_a_channel_from_figures_by_name() -> None:
    made = channel_from(
        {"watts": 250, "ohms": 2, "bridged": True, "per_half": True, "tone_hz": None, "meter_percent": 1.0}
    )
    assert made == Channel((Rating(250, 2),), 4, bridged=True, per_half=True, meter=MeterLimits(percent=1.0))
    assert channel_from({"ratings": [(75, 4), (110, 2)], "load_ohms": 2}).ratings[1] == Rating(110, 2)


def test_the_steps_end_in_the_figures() -> None:
    channel = Channel(
        (Rating(100, 4), Rating(150, 2)), 3.0, 60.0, 1.0, 5.0, source_volts=4.0, supply_volts=12.6,
        rated_supply_volts=14.4, bridged=True, real_load_ohms=2.8, meter=MeterLimits(percent=1.0),
    )  # fmt: skip
    found = find_target(channel)
    steps = list(explain(channel, found))
    ends = {step.line.split(" = ")[0]: step.line.rsplit(" = ", 1)[-1] for step in steps}
    assert ends["clip"] == f"{found.clip_volts:.2f} V"
    assert ends["speaker limit"] == f"{found.speaker_limit_volts:.2f} V"
    assert ends["target"] == f"{found.target_volts:.2f} V"
    assert ends["set"] == f"{found.set_volts:.2f} V"
    assert ends["gain"] == f"{found.gain_db:.2f} dB"
    assert ends["sensitivity"] == f"{found.sensitivity_volts:.2f} V"
    assert ends["headroom"] == f"{found.headroom_db:.2f} dB"
    assert all(step.because for step in steps)


# ---- command -----------------------------------------------------------------------------------------------

SETTLED = [
    "clip_volts", "clip_watts", "speaker_limit_volts", "limited_by", "target_volts", "target_watts",
    "tone_dbfs", "overlap_db", "margin_db", "set_volts", "headroom_db", "source_volts", "gain_db",
    "sensitivity_volts", "cautions",
]  # fmt: skip


def test_target_command_has_the_settled_keys_in_order(gainkit) -> None:
    answer = gainkit("target", "--watts", 75, "--ohms", 4, "--overlap-db", 5, "--source-volts", 5, "--json")
    assert answer.code == 0
    assert list(answer.json)[: len(SETTLED)] == SETTLED
    assert answer.json["set_volts"] == pytest.approx(17.3205, abs=1e-4)
    assert answer.json["speaker_limit_volts"] is None
    assert isinstance(answer.json["cautions"], list)


def test_target_text_shows_the_setting_first_then_why(gainkit) -> None:
    out = gainkit("target", "--watts", 75, "--ohms", 4).out
    assert out.index("Danger") < out.index("   SET  17.32 V   tone at 0 dBFS, 997 Hz") < out.index("Why")
    assert "clip = sqrt(rated watts x rated ohms) = sqrt(75 W x 4 ohm) = 17.32 V" in out
    assert "Joule" not in out
    assert "Joule" in gainkit("target", "--watts", 75, "--ohms", 4, "--explain").out
    assert max(map(len, out.splitlines())) <= 79


@pytest.mark.parametrize(
    ("call", "code", "parameter"),
    [
        ("--watts -75 --ohms 4", "outside_range", "watts"),
        ("--watts nan --ohms 4", "no_such_figure", "watts"),
        ("--watts 75 --ohms inf", "no_such_figure", "ohms"),
        ("--watts 75 --ohms 0", "outside_range", "ohms"),
        ("--watts 75", "needs_other", "watts"),
        ("", "output_limit_unknown", "ratings"),
        ("--watts 75 --ohms 4 --overlap-db -1", "outside_range", "overlap_db"),
        ("--watts 75 --ohms 4 --overlap-db 5 --tone-dbfs -3", "tone_above_overlap", "tone_dbfs"),
        ("--watts 75 --ohms 4 --tone-dbfs 1", "outside_range", "tone_dbfs"),
        ("--watts 75 --ohms 4 --supply-volts 12", "needs_other", "supply_volts"),
        ("--watts 75 --ohms 4 --per-half", "per_half_unbridged", "per_half"),
        ("--rating 75x4", "not_a_rating", "ratings"),
        ("--rating 75@4 --rating 60@4 --load-ohms 4", "same_load_twice", "ratings"),
        ("--rating 75@4 --rating 110@2", "missing", "load_ohms"),
        ("--watts 75 --ohms 4 --rating 110@2", "not_both", "watts"),
        ("--watts 1e999 --ohms 4", "no_such_figure", "watts"),
        ("--watts much --ohms 4", "not_a_number", "watts"),
    ],
)
def test_target_refuses_by_code(gainkit, call: str, code: str, parameter: str) -> None:
    fault = gainkit("target", *call.split(), "--json").fault
    assert (fault["code"], fault["parameter"]) == (code, parameter)


def test_target_with_several_ratings_and_a_measured_onset(gainkit) -> None:
    two = gainkit("target", "--rating", "100@4", "--rating", "150@2", "--load-ohms", 2, "--json").json
    assert two["clip_watts"] == pytest.approx(150)
    measured = gainkit("target", "--measured-clip-volts", 18.4, "--load-ohms", 4, "--json").json
    assert measured["clip_volts"] == 18.4


def test_target_adds_long_term_power_when_a_crest_factor_is_given(gainkit) -> None:
    call = ("target", "--watts", 75, "--ohms", 4, "--overlap-db", 5, "--crest-db", 12, "--crossover-hz", 2800)
    rows = gainkit(*call, "--json").json["programme"]
    assert [row["overlap_db"] for row in rows] == [0, 3, 5, 6, 10]
    assert rows[2]["average_watts"] == pytest.approx(28.6, abs=0.1)
    assert "28.6 W" in gainkit(*call).out
    assert gainkit("target", "--watts", 75, "--ohms", 4, "--json").json["programme"] is None
