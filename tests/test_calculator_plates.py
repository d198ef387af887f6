"""Advice that can hurt: full scale, ratings, fuses, built-in stages, supply, uncertainty.

Each figure is worked here from its own derivation, not read back from the package.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gainkit.calculator import clipped
from gainkit.calculator.channel import channel_from
from gainkit.calculator.explain import explain
from gainkit.calculator.targets import find_target
from gainkit.calculator.trims import find_trim
from gainkit.errors import GainkitError
from gainkit.remarks import codes
from tests.channels import EXAMPLE, Run, clipped_power, found, one, planned

# ---- full scale --------------------------------------------------------------------------------------------


def test_a_large_amplifier_on_a_small_loudspeaker_is_a_danger_told_first() -> None:
    """20 V at -5 dBFS are 20 x 10^(5/20) = 35.57 V at 0 dBFS: 316.2 W into 4 ohm, 5 dB over 100 W, uncut."""
    result = found(watts=1000, ohms=4, speaker_watts=100, overlap_db=5)
    assert result.full_scale_volts == pytest.approx(35.5656, abs=1e-4)
    assert result.full_scale_watts == pytest.approx(316.2278, abs=1e-4)
    assert result.speaker_over_db == pytest.approx(5.0)
    assert result.cautions[0].code == "full_scale_over_loudspeaker"
    assert result.cautions[0].severity == "danger"
    assert result.cautions[0].values["cut"] is False
    # Gaussian programme 12 dB below its peaks: a sine of 316.2 W has peaks of 632.5 W, 12 dB below them 39.9 W
    assert result.average_watts == pytest.approx(632.4555 / 10**1.2, rel=1e-3)


def test_the_usual_case_does_not_cry_wolf() -> None:
    """75 W on a 90 W loudspeaker with 5 dB of overlap: 112.9 W at full scale, 0.98 dB over."""
    result = found(watts=75, ohms=4, speaker_watts=90, overlap_db=5)
    told = one(result, "full_scale_over_loudspeaker")
    assert told.severity == "remark"
    assert result.full_scale_watts == pytest.approx(75 * clipped_power(5), rel=1e-6)
    assert result.speaker_over_db == pytest.approx(10 * math.log10(75 * clipped_power(5) / 90), abs=1e-6)
    assert "full_scale_over_loudspeaker" not in codes(found(watts=75, ohms=4, speaker_watts=90).cautions)
    assert found(watts=75, ohms=4).speaker_over_db is None


@given(
    st.floats(1, 2000), st.floats(1, 8), st.floats(5, 2000),
    st.just(0.0) | st.floats(1e-9, 15), st.just(0.0) | st.floats(1e-9, 6),
    st.sampled_from(["both", "amplifier"]),
)  # fmt: skip
def test_full_scale_against_its_own_derivation(
    watts: float, ohms: float, speaker: float, overlap: float, margin: float, limit: str
) -> None:
    result = found(
        watts=watts, ohms=ohms, speaker_watts=speaker, overlap_db=overlap, margin_db=margin, overlap_limit=limit
    )
    clip = math.sqrt(watts * ohms)
    uncut = result.target_volts * 10 ** (overlap / 20)
    over = 20 * math.log10(uncut / clip)
    power = uncut**2 / ohms if over <= 0 else watts * clipped_power(over)
    assert result.full_scale_watts == pytest.approx(power, rel=1e-5)
    assert result.full_scale_volts == pytest.approx(math.sqrt(power * ohms), rel=1e-5)
    assert result.speaker_over_db == pytest.approx(10 * math.log10(power / speaker), abs=1e-4)
    severe = [each for each in result.cautions if each.code == "full_scale_over_loudspeaker"]
    assert (result.speaker_over_db > 1e-9) == bool(severe)
    if severe and abs(result.speaker_over_db - 3) > 1e-6:
        assert severe[0].severity == ("danger" if result.speaker_over_db > 3 else "remark")
    if limit == "amplifier":
        assert result.speaker_over_db <= 1e-6
        if result.limited_by == "speaker":  # and no lower than need be
            assert result.full_scale_watts == pytest.approx(speaker / 10 ** (margin / 10), rel=1e-5)


def test_overlap_may_spare_the_loudspeaker() -> None:
    """1000 W on 100 W at 5 dB: 20 V at full scale, so 11.25 V at -5 dBFS."""
    result = found(watts=1000, ohms=4, speaker_watts=100, overlap_db=5, overlap_limit="amplifier")
    assert result.set_volts == pytest.approx(20 / 10**0.25)
    assert result.full_scale_watts == pytest.approx(100)
    assert "full_scale_over_loudspeaker" not in codes(result.cautions)


def test_command_file_and_python_say_the_same_of_full_scale(gainkit: Run, tmp_path: Path) -> None:
    call = ("target", "--watts", 1000, "--ohms", 4, "--speaker-watts", 100, "--overlap-db", 5)
    answer = gainkit(*call, "--json").json
    large = "rated_watts = 1000\nrated_ohms = 4\nload_ohms = 4\nspeaker_watts = 100\noverlap_db = 5"
    plan = planned(tmp_path, large)
    python = found(watts=1000, ohms=4, speaker_watts=100, overlap_db=5)
    for key in ("full_scale_volts", "full_scale_watts", "speaker_over_db", "average_watts", "tone_hz"):
        assert answer[key] == getattr(plan.channels[0], key) == getattr(python, key)
    assert answer["cautions"][0]["code"] == plan.channels[0].cautions[0].code == "full_scale_over_loudspeaker"
    out = gainkit(*call).out
    assert out.splitlines()[0] == "Danger"
    assert "316 W" in out.splitlines()[1]
    spared = gainkit(*call, "--overlap-limit", "amplifier", "--json").json
    assert spared["set_volts"] == pytest.approx(11.2468, abs=1e-4)
    text = gainkit("plan", tmp_path / "system.toml").out
    assert text.splitlines()[0] == "Danger"
    assert "35.57 V, 316 W into 4 ohm, 5.0 dB over" in text


# ---- ratings -----------------------------------------------------------------------------------------------


def test_a_rating_at_ten_percent_is_brought_down_to_the_onset() -> None:
    """Power at 10 % THD over that at the onset is 1.28776 (closed form; a 2^20-point FFT agrees): 1.10 dB."""
    result = found(watts=100, ohms=4, rated_thd_percent=10)
    assert result.clip_watts == pytest.approx(100 / 1.28776, rel=1e-5)
    told = one(result, "rated_at_distortion")
    assert told.values["lower_db"] == pytest.approx(1.0984, abs=1e-4)
    assert "model of hard rails" in str(told)
    assert found(watts=100, ohms=4, rated_thd_percent=1).clip_watts == pytest.approx(100)
    assert found(watts=100, ohms=4, rated_thd_percent=0.05).clip_watts == pytest.approx(100)


@pytest.mark.parametrize("percent", [1.5, 3.0, 10.0, 25.0])
def test_the_onset_share_against_a_spectrum(percent: float) -> None:
    """The overdrive that the package finds has that THD in an FFT of a cut sine, and that power."""
    over = clipped.overdrive_db_of_thd(percent)
    size = 1 << 16
    wave = np.clip(np.sin(2 * np.pi * 7 * (np.arange(size) + 0.5) / size) * 10 ** (over / 20), -1, 1)
    lines = np.abs(np.fft.rfft(wave)) ** 2
    assert 100 * math.sqrt((lines.sum() - lines[7]) / lines[7]) == pytest.approx(percent, rel=1e-4)
    assert 1 / clipped.onset_share(percent) == pytest.approx(2 * np.mean(wave**2), rel=1e-6)


def test_inverses_come_back_and_end() -> None:
    for over in (0.01, 0.3, 2.5, 12.0, 40.0):
        assert clipped.overdrive_db_of_power(clipped.power_ratio(over)) == pytest.approx(over, rel=1e-6)
        assert clipped.overdrive_db_of_thd(clipped.thd_percent(over)) == pytest.approx(over, rel=1e-6)
    assert clipped.overdrive_db_of_power(0.7) == clipped.overdrive_db_of_thd(0.0) == 0.0
    assert clipped.overdrive_db_of_power(2.0) == clipped.overdrive_db_of_thd(48.35) == math.inf


def test_peak_figures_are_refused_with_the_reason(gainkit: Run) -> None:
    fault = gainkit("target", "--watts", 1000, "--ohms", 4, "--rated-kind", "peak", "--json").fault
    assert (fault["code"], fault["parameter"]) == ("peak_rating", "rated_kind")
    assert "no amplifier holds it" in fault["text"]
    measured = found(watts=1000, ohms=4, rated_kind="peak", measured_clip_volts=18)
    assert measured.clip_volts == 18  # what was measured needs no plate


def test_watts_beyond_the_fuse_are_told() -> None:
    """30 A x 14.4 V x 0.8 = 345.6 W; four outputs of 250 W want 1000 W, 86.8 A."""
    result = found(watts=250, ohms=4, fuse_amperes=30, fuse_outputs=4)
    told = one(result, "rating_beyond_fuse").values
    assert told["most_watts"] == pytest.approx(345.6)
    assert told["drawn_amperes"] == pytest.approx(1000 / 14.4 / 0.8)
    assert "rating_beyond_fuse" not in codes(found(watts=250, ohms=4, fuse_amperes=30).cautions)
    at_12 = found(watts=250, ohms=4, fuse_amperes=30, supply_volts=12, rated_supply_volts=12, efficiency=0.6)
    assert one(at_12, "rating_beyond_fuse").values["most_watts"] == pytest.approx(216)


def test_the_fuse_counts_all_outputs_of_a_channel_and_the_feed_all_channels(tmp_path: Path) -> None:
    text = (
        "rated_watts = 250\nrated_ohms = 4\nload_ohms = 4\nregulated = true\nfuse_amperes = 30\n"
        'outputs = ["left", "right"]'
    )
    plan = planned(tmp_path, text, supply="volts = 14.4\nfuse_amperes = 40")
    assert one(plan.channels[0], "rating_beyond_fuse").values["watts"] == pytest.approx(500)
    told = next(each for each in plan.cautions if each.code == "power_beyond_fuse").values
    assert told["supply_amperes"] == pytest.approx(500 / 0.8 / 14.4)


def test_between_two_ratings_the_lower_bound_is_the_target() -> None:
    """100 W at 4 ohm and 150 W at 2 ohm into 3 ohm: 19.02 V by an even sag, 20 V at most."""
    result = found(ratings=[(100, 4), (150, 2)], load_ohms=3)
    sag = (20 - math.sqrt(300)) / (math.sqrt(75) - 5)
    assert result.set_volts == pytest.approx(3 * (20 + 5 * sag) / (3 + sag))
    assert result.most_clip_volts == pytest.approx(20)
    assert one(result, "load_between_ratings").values == {
        "load_ohms": 3, "clip_volts": result.most_clip_volts, "cautious_volts": result.clip_volts,
    }  # fmt: skip
    assert found(ratings=[(100, 4), (150, 2)], load_ohms=4).most_clip_volts is None


@given(st.floats(20, 500), st.floats(1.0, 2.0), st.floats(2, 4), st.floats(9, 16), st.sampled_from([1.0, 10.0]))
def test_the_safe_bound_scales_with_supply_and_distortion(
    watts: float, more: float, load: float, supply: float, thd: float
) -> None:
    plate = {"ratings": [(watts, 4), (watts * more, 2)], "load_ohms": load, "rated_thd_percent": thd}
    result = found(**plate, supply_volts=supply, rated_supply_volts=14.4)
    u4, u2 = math.sqrt(watts * 4), math.sqrt(watts * more * 2)
    i4, i2 = u4 / 4, u2 / 2
    sag = (u4 - u2) / (i2 - i4)
    bound = u4 if load == 4 else u2 if load == 2 else (u4 + i4 * sag) * load / (load + sag)
    share = math.sqrt(1 / 1.287762) if thd == 10 else 1.0
    assert result.clip_volts == pytest.approx(min(bound, u4, i2 * load) * supply / 14.4 * share, rel=1e-6)


def test_28_watts_on_14_volts_is_no_square_wave() -> None:
    """(14.4 V)^2 / 8 ohm = 25.92 W clean, 27.15 W at 1 % THD, 51.84 W as a square wave."""
    told = one(found(watts=28, ohms=4, built_in=True, supply_volts=14.4), "rating_above_built_in_limit")
    assert told.values["one_percent_watts"] == pytest.approx(27.1514, abs=1e-3)
    assert told.values["most_watts"] == pytest.approx(25.92)
    implied = told.values["implied_thd_percent"]
    assert 1.0 < implied < 3.0
    assert 25.92 * clipped_power(clipped.overdrive_db_of_thd(implied)) == pytest.approx(28, rel=1e-6)
    assert "square" not in str(told)
    beyond = one(found(watts=60, ohms=4, built_in=True, supply_volts=14.4), "rating_above_built_in_limit")
    assert beyond.values["implied_thd_percent"] is None
    assert beyond.values["square_watts"] == pytest.approx(51.84)


# ---- built-in stages ---------------------------------------------------------------------------------------


def test_the_drop_of_a_built_in_stage() -> None:
    """14.4 V - 2 V: 8.77 V. Set to the 10.18 V of no drop, its reading would be a sine with 12.7 % THD."""
    result = found(load_ohms=4, built_in=True, supply_volts=14.4, drop_volts=2)
    assert result.set_volts == pytest.approx(12.4 / math.sqrt(2))
    over = clipped.overdrive_db_of_power((14.4 / 12.4) ** 2)
    assert clipped.thd_percent(over) == pytest.approx(12.7, abs=0.05)
    unknown = found(load_ohms=4, built_in=True, supply_volts=14.4)
    told = one(unknown, "drop_not_known")
    assert told.severity == "fault"
    assert told.values["with_drop_volts"] == pytest.approx(8.768, abs=1e-3)
    assert "drop_not_known" not in codes(result.cautions)
    held = found(watts=10, ohms=4, built_in=True, supply_volts=14.4)
    assert "drop_not_known" not in codes(held.cautions)  # the plate, not the supply, is the limit


BUILT_IN = "built_in = true\nrated_watts = 18\nrated_ohms = 4\nload_ohms = 4\noverlap_db = 5"


@pytest.mark.parametrize(
    ("more", "trim"),
    [
        ("", -4.0),  # clips at -9 dBFS, and is to clip at -5
        ("margin_db = 3", -7.0),
        ("speaker_watts = 5", -9 + 5 - 10 * math.log10(18 / 5)),
        ("speaker_watts = 5\nmargin_db = 3", -12 + 5 - 10 * math.log10(18 / 5)),
        ('speaker_watts = 5\noverlap_limit = "amplifier"', -9 + 5 - 10 * math.log10(18 / 5) - 5),
    ],
)
def test_trim_and_target_are_one_arithmetic(tmp_path: Path, more: str, trim: float) -> None:
    plan = planned(tmp_path, f"{BUILT_IN}\n{more}", source="preamp_volts = 5\nspeaker_clip_dbfs = -9")
    channel = plan.channels[0]
    assert channel.trim_db == pytest.approx(trim)
    assert channel.gain_db == pytest.approx(trim)
    if "amplifier" not in more:
        main = find_trim(
            -9, -5, load_ohms=4, clip_volts=math.sqrt(72), own_margin_db=3 if "margin" in more else 0,
            speaker_watts=5 if "speaker_watts" in more else None,
        )  # fmt: skip
        assert main.trim_db == pytest.approx(trim)
    # turned down by the trim, the tone at -5 dBFS reads the volts to set
    assert channel.source_volts == pytest.approx(math.sqrt(72) * 10 ** (9 / 20))
    assert channel.source_volts * 10 ** ((trim - 5) / 20) == pytest.approx(channel.set_volts)


def test_a_radio_whose_figures_disagree_is_taken_at_the_louder(tmp_path: Path) -> None:
    source = "preamp_volts = 5\nspeaker_clip_dbfs = -9\nspeaker_volts = 40"
    plan = planned(tmp_path, BUILT_IN, source=source)
    assert plan.channels[0].source_volts == 40
    assert "source_figures_disagree" in codes(plan.channels[0].cautions)
    agreeing = source.replace("40", "23.9")
    plan = planned(tmp_path, BUILT_IN, source=agreeing)
    assert "source_figures_disagree" not in codes(plan.channels[0].cautions)


def test_trim_refuses_a_limit_without_what_it_is_compared_with() -> None:
    with pytest.raises(GainkitError) as fault:
        find_trim(-9, -5, speaker_watts=5)
    assert (fault.value.code, fault.value.values["other"]) == ("needs_other", "load_ohms")
    with pytest.raises(GainkitError) as fault:
        find_trim(-9, -5, supply_volts=2, drop_volts=3)
    assert fault.value.code == "wrong_order"
    dropped = find_trim(-9, -5, supply_volts=14.4, drop_volts=2, load_ohms=4)
    assert dropped.most_volts == pytest.approx(12.4 / math.sqrt(2))


def test_the_trim_command_counts_margin_drop_and_loudspeaker(gainkit: Run) -> None:
    """12.4 V / sqrt 2 = 8.77 V into 4 ohm, 19.2 W: one of 5 W asks for 5.85 dB less, a margin for 3."""
    call = ("trim", "--source-clip-dbfs", -9, "--overlap-db", 5, "--supply-volts", 14.4, "--drop-volts", 2)
    answer = gainkit(*call, "--load-ohms", 4, "--speaker-watts", 5, "--own-margin-db", 3, "--json").json
    less = 10 * math.log10(12.4**2 / 8 / 5) + 3
    assert answer["trim_db"] == pytest.approx(-4 - less)
    assert answer["below_limit_db"] == pytest.approx(less)
    assert answer["most_watts"] == pytest.approx(12.4**2 / 8)
    assert gainkit(*call, "--json").json["trim_db"] == -4
    assert gainkit(*call, "--speaker-watts", 5, "--json").fault["code"] == "needs_other"
    assert (
        f"kept in hand {less:.1f} dB"
        in gainkit(*call, "--load-ohms", 4, "--speaker-watts", 5, "--own-margin-db", 3).out
    )


# ---- supply, uncertainty -----------------------------------------------------------------------------------

FED = "feed_length_m = 5\nfeed_mm2 = 20"
UNREGULATED = "rated_watts = 200\nrated_ohms = 4\nload_ohms = 4\nrated_supply_volts = 14.4"


def test_the_supply_has_one_place(tmp_path: Path) -> None:
    at_amplifier = planned(tmp_path, UNREGULATED, supply=f'volts = 13.8\nat = "amplifier"\n{FED}').channels[0]
    assert at_amplifier.supply_volts == 13.8
    at_battery = planned(tmp_path, UNREGULATED, supply=f'volts = 13.8\nat = "battery"\n{FED}').channels[0]
    assert at_battery.supply_volts is not None
    # 200 W x (13.8 / 14.4)^2 / 0.8 through 10 m of 20 mm2 copper: a quadratic
    ohms, watts = 10 / 58 / 20, 200 * (13.8 / 14.4) ** 2 / 0.8
    by_hand = (13.8 + math.sqrt(13.8**2 - 4 * watts * ohms)) / 2
    assert at_battery.supply_volts == pytest.approx(by_hand, rel=1e-6)
    told = planned(tmp_path, UNREGULATED, supply='volts = 13.8\nat = "battery"')
    assert "feed_not_given" in codes(told.cautions)


def test_the_plan_judges_the_wire_as_the_feed_does(tmp_path: Path, gainkit: Run) -> None:
    """600 W through 4 mm2 are told as unsafe in the plan of a car too, and copper-clad aluminium loses more."""
    large = "rated_watts = 600\nrated_ohms = 4\nload_ohms = 4\nregulated = true"
    supply = 'volts = 13.2\nat = "battery"\nfeed_length_m = 5\nfeed_mm2 = 4'
    plan = planned(tmp_path, large, supply=supply)
    told = {each.code: each.severity for each in plan.cautions}
    assert told["wire_not_safe"] == "danger"
    assert gainkit("plan", tmp_path / "system.toml").out.startswith("Danger\n")
    thick = supply.replace("feed_mm2 = 4", "feed_mm2 = 50")
    volts = [
        planned(tmp_path, large, supply=f'{thick}\nfeed_material = "{metal}"').channels[0].supply_volts
        for metal in ("copper", "cca")
    ]
    # 63 % of copper's conductance: the loss grows by a little more than 1 / 0.63
    assert 1.55 < (13.2 - (volts[1] or 0)) / (13.2 - (volts[0] or 0)) < 1.7
    larger = planned(tmp_path, large, supply=f"{supply}\nfuse_amperes = 150")
    assert "fuse_above_wire" in codes(larger.cautions)


def test_what_was_running_is_told(tmp_path: Path, gainkit: Run) -> None:
    resting = planned(tmp_path, UNREGULATED, supply='volts = 12.6\nstate = "resting"').channels[0]
    assert one(resting, "supply_measured_at_rest").severity == "fault"
    loaded = planned(tmp_path, UNREGULATED, supply='volts = 12.6\nstate = "loaded"').channels[0]
    assert not {"supply_measured_at_rest", "supply_measured_unloaded"} & codes(loaded.cautions)
    call = ("target", "--watts", 200, "--ohms", 4, "--supply-volts", 12.6, "--rated-supply-volts", 14.4)
    answer = gainkit(*call, "--supply-state", "resting", "--json").json
    assert "supply_measured_at_rest" in {each["code"] for each in answer["cautions"]}


def test_uncertainty_has_parts_of_meter_tone_supply_and_load() -> None:
    """Rectangular parts, coverage factor 2: 0.5 V of 13.5 V in the supply move the volts by 1/27."""
    plain = {"watts": 100, "ohms": 4, "supply_volts": 13.5, "rated_supply_volts": 13.5}
    result = found(**plain, supply_tolerance_volts=0.5, meter_percent=1.0)
    parts = (20 * 0.5 / 13.5, 20 * 0.01)
    assert result.set_uncertainty_volts == pytest.approx(2 * math.sqrt(sum(a * a for a in parts) / 3), rel=1e-4)
    by_speaker = found(watts=500, ohms=4, speaker_watts=100, load_tolerance_percent=10)
    assert by_speaker.set_uncertainty_volts == pytest.approx(20 * 0.10 / 2, rel=1e-3)  # sqrt(P R): half of it
    by_plate = found(watts=100, ohms=4, load_tolerance_percent=10)
    assert by_plate.set_uncertainty_volts is None  # the plate's volts stay
    measured = found(measured_clip_volts=20, load_ohms=4, supply_volts=13.5, supply_tolerance_volts=0.5)
    assert measured.set_uncertainty_volts is None


def test_uncertainty_covers_what_meter_tone_and_supply_can_do() -> None:
    """Monte Carlo in the manner of GUM supplement 1."""
    random = np.random.default_rng(11)
    result = found(
        watts=100, ohms=4, supply_volts=13.5, rated_supply_volts=13.5, supply_tolerance_volts=0.3,
        meter_percent=1.5, tone_tolerance_db=0.1,
    )  # fmt: skip
    volts = 20 * (1 + random.uniform(-0.3, 0.3, 200_000) / 13.5)
    volts *= (1 + random.uniform(-0.015, 0.015, 200_000)) * 10 ** (random.uniform(-0.1, 0.1, 200_000) / 20)
    assert 0.95 <= np.mean(np.abs(volts - 20) <= result.set_uncertainty_volts) <= 0.99


def test_a_guard_band_is_taken_off_everywhere(gainkit: Run, tmp_path: Path) -> None:
    plain = found(watts=100, ohms=4, overlap_db=5, meter_percent=2.0, source_volts=4)
    guarded = found(watts=100, ohms=4, overlap_db=5, meter_percent=2.0, source_volts=4, guard_band=True)
    assert guarded.set_volts == pytest.approx(plain.set_volts - plain.set_uncertainty_volts)
    assert guarded.target_volts == pytest.approx(guarded.set_volts)
    down = 20 * math.log10(guarded.set_volts / plain.set_volts)
    assert guarded.gain_db == pytest.approx(plain.gain_db + down)
    assert guarded.headroom_db == pytest.approx(plain.headroom_db - down)
    call = ("target", "--watts", 100, "--ohms", 4, "--overlap-db", 5, "--meter-percent", 2, "--source-volts", 4)
    assert gainkit(*call, "--guard-band", "--json").json["set_volts"] == guarded.set_volts
    text = "rated_watts = 100\nrated_ohms = 4\nload_ohms = 4\noverlap_db = 5\n[meter]\npercent = 2\n"
    text += "guard_band = true"
    assert planned(tmp_path, text, source="preamp_volts = 4").channels[0].set_volts == guarded.set_volts
    with pytest.raises(GainkitError) as fault:
        found(watts=100, ohms=4, tone_dbfs=-60, meter_floor_volts=0.1, guard_band=True)
    assert fault.value.code == "guard_band_leaves_nothing"


def test_uncertainty_is_never_written_as_a_permission(gainkit: Run) -> None:
    out = gainkit("target", "--watts", 100, "--ohms", 4, "--meter-percent", 2).out
    assert "+-" not in out
    assert "Uncertainty of the volts to set: 0.40 V." in out
    assert "+-" not in gainkit("plan", EXAMPLE).out


# ---- the steps ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "figures",
    [
        {"watts": 100, "ohms": 4, "rated_thd_percent": 10, "meter_percent": 1, "guard_band": True},
        {"watts": 1000, "ohms": 4, "speaker_watts": 100, "overlap_db": 5, "overlap_limit": "amplifier"},
        {"load_ohms": 4, "built_in": True, "supply_volts": 14.4, "drop_volts": 2, "margin_db": 1},
        {"ratings": [(100, 4), (150, 2)], "load_ohms": 3, "supply_volts": 13, "rated_supply_volts": 14.4},
    ],
)
def test_the_steps_end_in_the_figures(figures: dict[str, object]) -> None:
    channel = channel_from(figures)
    result = find_target(channel)
    ends = {step.line.split(" = ")[0]: step.line.rsplit(" = ", 1)[-1] for step in explain(channel, result)}
    onset = "bridge-tied stage at most" if channel.built_in else "clip"
    assert ends[onset] == f"{result.clip_volts:.2f} V"
    assert ends["target"] == f"{result.target_volts:.2f} V"
    assert ends["set"] == f"{result.set_volts:.2f} V"
    assert ends["full scale"] == f"{result.full_scale_watts:.1f} W"
    if result.most_clip_volts is not None:
        assert ends["at most"] == f"{result.most_clip_volts:.2f} V"
    if result.guard_band_volts is not None:
        assert ends["uncertainty of set"] == f"{result.set_uncertainty_volts:.2f} V"
