"""Advice that can hurt: full scale, filters and tones, ratings, fuses, built-in stages, supply, uncertainty.

Each figure is worked here from its own derivation, not read back from the package.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gainkit import job
from gainkit import measure as gainkit_measure
from gainkit.calculator import clipped, programme
from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel, MeterLimits, channel_from
from gainkit.calculator.explain import explain
from gainkit.calculator.programme import Band, find_programme
from gainkit.calculator.ranges import faults_of
from gainkit.calculator.setting import Target
from gainkit.calculator.targets import find_target
from gainkit.calculator.tones import tone_band_hz
from gainkit.calculator.trims import find_trim
from gainkit.errors import GainkitError
from gainkit.job import load_system, plan_system
from gainkit.job.plan import Plan
from gainkit.remarks import Remark, codes
from tests.conftest import Answer

Run = Callable[..., Answer]

EXAMPLE = Path(job.__file__).parent / "example_system.toml"


def found(**figures: object) -> Target:
    return find_target(channel_from(figures))


def one(result: Target, code: str) -> Remark:
    return next(each for each in result.cautions if each.code == code)


def clipped_power(overdrive_db: float) -> float:
    """Power of a sine cut at hard rails over that of the sine that touches them, by summing a whole period."""
    phase = (np.arange(200_000) + 0.5) * (2 * np.pi / 200_000)
    wave = np.clip(np.sin(phase) * 10 ** (overdrive_db / 20), -1, 1)
    return float(2 * np.mean(wave**2))


def planned(folder: Path, channel: str, source: str = "preamp_volts = 5", supply: str = "volts = 14.4") -> Plan:
    path = folder / "system.toml"
    path.write_text(f'[source]\n{source}\n[supply]\n{supply}\n[[channel]]\nname = "One"\n{channel}\n')
    return plan_system(load_system(path))


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
    st.floats(1, 2000), st.floats(1, 8), st.floats(5, 2000), st.floats(0, 15), st.floats(0, 6),
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
    assert text.splitlines()[0] == "Danger, One"
    assert "35.57 V, 316 W into 4 ohm, 5.0 dB over" in text


# ---- the tone ----------------------------------------------------------------------------------------------


def butterworth_loss(hz: float, highpass: float | None, lowpass: float | None) -> float:
    """Loss of second-order Butterworth filters [dB], from scipy's analogue prototypes."""
    from scipy.signal import butter, freqs

    loss = 0.0
    for corner, kind in ((highpass, "highpass"), (lowpass, "lowpass")):
        if corner is not None:
            top, bottom = butter(2, corner, kind, analog=True)
            loss -= 20 * math.log10(abs(freqs(top, bottom, worN=[hz])[1][0]))
    return loss


PLAIN = "rated_watts = 75\nrated_ohms = 4\nload_ohms = 4"


def test_a_tweeter_channel_gets_a_low_tone_in_its_own_band() -> None:
    """997 Hz through a high-pass at 3500 Hz loses 21.8 dB, and the gain would be set that much too high."""
    assert butterworth_loss(997, 3500, None) == pytest.approx(21.85, abs=0.01)
    result = found(watts=100, ohms=4, highpass_hz=3500, overlap_db=5)
    assert result.tone_hz == 10_000
    assert butterworth_loss(result.tone_hz, 3500, None) < 0.1
    assert result.tone_watts <= 1
    assert result.set_volts == pytest.approx(20 * 10 ** ((result.tone_dbfs + 5) / 20))
    told = one(result, "tweeter_channel")
    assert told.severity == "danger"
    assert "filters are back on before the tweeter is connected" in str(told)
    assert "meter_may_not_reach_tone" in codes(result.cautions)
    obeyed = found(watts=100, ohms=4, highpass_hz=3500, tone_hz=997)
    assert one(obeyed, "filters_take_level").severity == "danger"
    assert one(obeyed, "filters_take_level").values["loss_db"] == pytest.approx(21.85, abs=0.01)


TONES = [  # (high-pass, low-pass, crossover, meter, tone)
    (None, None, None, {}, 997),
    (80, None, None, {}, 997),
    (None, 80, None, {}, 50),
    (None, 300, None, {}, 50),
    (None, 3000, None, {}, 997),
    (None, 1200, None, {}, 400),
    (None, None, 1800, {}, 400),
    (300, 3500, None, {}, 997),
    (None, None, None, {"high_hz": 400}, 400),
    (None, None, None, {"kind": "average-responding"}, 400),
    (None, None, None, {"kind": "average-responding", "high_hz": 2000}, 997),
    (None, 80, None, {"low_hz": 60}, None),
    (3500, None, None, {"high_hz": 20_000}, 10_000),
    (3500, None, None, {"high_hz": 1_000}, None),
    (3500, None, None, {"kind": "average-responding"}, None),
    (60, 90, None, {}, None),
]


@pytest.mark.parametrize(("highpass", "lowpass", "crossover", "meter", "tone"), TONES)
def test_the_tone_suits_filters_crossover_and_meter(
    highpass: float | None,
    lowpass: float | None,
    crossover: float | None,
    meter: dict[str, object],
    tone: float | None,
) -> None:
    figures = {"highpass_hz": highpass, "lowpass_hz": lowpass, "crossover_hz": crossover}
    if tone is None:
        with pytest.raises(GainkitError) as fault:
            Channel((Rating(75, 4),), 4.0, meter=MeterLimits(**meter), **figures)
        assert (fault.value.code, fault.value.parameter) == ("no_tone_fits", "tone_hz")
        asked = Channel((Rating(75, 4),), 4.0, tone_hz=997.0, meter=MeterLimits(**meter), **figures)
        assert find_target(asked).tone_hz == 997  # given by hand it is taken, and told
    else:
        channel = Channel((Rating(75, 4),), 4.0, meter=MeterLimits(**meter), **figures)
        assert find_target(channel).tone_hz == tone


@given(
    st.one_of(st.none(), st.floats(10, 18_000)), st.one_of(st.none(), st.floats(30, 20_000)),
    st.one_of(st.none(), st.floats(300, 10_000)), st.one_of(st.none(), st.floats(100, 20_000)),
)  # fmt: skip
def test_a_chosen_tone_is_never_lost_and_never_out_of_reach(
    highpass: float | None, lowpass: float | None, crossover: float | None, meter_end: float | None
) -> None:
    """Less than 1 dB in the filters, an octave below the crossover, within the meter: or a refusal."""
    figures = {
        "ratings": (Rating(75, 4),), "load_ohms": 4.0, "highpass_hz": highpass, "lowpass_hz": lowpass,
        "crossover_hz": crossover, "meter": MeterLimits(high_hz=meter_end),
    }  # fmt: skip
    if refused := faults_of(Channel, **figures):
        assert {each.code for each in refused} <= {"no_tone_fits", "wrong_order"}
        return
    tone = find_target(Channel(**figures)).tone_hz
    assert butterworth_loss(tone, highpass, lowpass) <= 1.0 + 1e-9
    assert crossover is None or tone <= crossover / 2
    assert meter_end is None or tone <= meter_end


def test_a_low_tone_is_not_advised_to_a_meter_that_does_not_reach_it() -> None:
    """A low-pass at 90 Hz passes 20 to 35 Hz untouched; a meter from 45 Hz up sees none of that."""
    low = Channel((Rating(75, 4),), 4.0, lowpass_hz=90, meter=MeterLimits(low_hz=45))
    assert tone_band_hz(low)[1] == pytest.approx(90 * (10**0.01 - 1) ** 0.25)
    told = one(find_target(low), "filters_take_level")
    assert told.values["low_hz"] is None
    assert "or use a tone of" not in str(told)


def test_the_tone_is_refused_alike_everywhere(gainkit: Run, tmp_path: Path) -> None:
    call = ("target", "--watts", 75, "--ohms", 4, "--highpass-hz", 3500, "--meter-high-hz", 400, "--json")
    assert (gainkit(*call).fault["code"], gainkit(*call).fault["parameter"]) == ("no_tone_fits", "tone_hz")
    with pytest.raises(GainkitError) as fault:
        planned(tmp_path, f"{PLAIN}\nhighpass_hz = 3500\n[meter]\nhigh_hz = 400")
    assert [each.code for each in fault.value.faults] == ["no_tone_fits"]
    assert gainkit(*call, "--tone-hz", 400).json["tone_hz"] == 400


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


# ---- programme through the channel's filters ---------------------------------------------------------------


@pytest.mark.parametrize(("highpass", "lowpass"), [(3500.0, None), (None, 90.0), (300.0, 3000.0)])
def test_the_share_of_pink_noise_that_filters_pass(highpass: float | None, lowpass: float | None) -> None:
    """Second-order Butterworth filters on pink noise, integrated over the logarithm of frequency."""
    log_hz = np.linspace(math.log(20), math.log(20_000), 20_001)
    hz = np.exp(log_hz)
    power = np.ones_like(hz)
    if highpass:
        power /= 1 + (highpass / hz) ** 4
    if lowpass:
        power /= 1 + (hz / lowpass) ** 4
    share = float(np.trapezoid(power, log_hz) / (log_hz[-1] - log_hz[0]))
    assert Band(highpass or 20, lowpass or 20_000).share == pytest.approx(share, rel=5e-3)


def test_filters_lower_the_long_term_power() -> None:
    """16 W without filters; a high-pass at 3.5 kHz leaves ln(20/3.5)/ln(1000) of the programme, 25.2 %."""
    whole, treble = (
        find_programme(127, 12, (0.0,), None, 0.0, highpass)[0].average_watts for highpass in (None, 3500)
    )
    assert whole == pytest.approx(127 * 2 / 10**1.2, rel=2e-3)
    assert treble / whole == pytest.approx(math.log(20 / 3.5) / math.log(1000), rel=1e-3)
    assert find_programme(127, 12, (0.0, 6.0), 5000, 0.0, 30_000)[1].average_watts == 0
    assert find_programme(127, 12, (6.0,), 1000, 0.0, 300, 300.1)[0].tweeter_watts < 1


def test_filtered_programme_against_clipped_noise() -> None:
    """Pink Gaussian noise through a sharp 3.5 kHz high-pass, cut at the rails: power sample by sample."""
    random, size = np.random.default_rng(5), 1 << 20
    hz = np.fft.rfftfreq(size, 1 / 96_000)
    band = (hz >= 20) & (hz <= 20_000)
    lines = np.where(band, random.normal(size=hz.size) + 1j * random.normal(size=hz.size), 0)
    lines[band] /= np.sqrt(hz[band])
    pink = np.fft.irfft(lines, size)
    rail = 10 ** ((8 - 6) / 20) * np.std(pink)  # crest factor 8 dB, overlap 6 dB
    treble = np.fft.irfft(np.where(hz >= 3500, lines, 0), size)
    power = 2 * np.mean(np.clip(treble, -rail, rail) ** 2) / rail**2
    row = find_programme(1.0, 8, (6.0,), None, 0.0, 3500)[0]
    assert row.average_watts == pytest.approx(power, rel=0.02)
    assert row.time_clipped_percent == pytest.approx(100 * np.mean(np.abs(treble) > rail), rel=0.1)


def test_the_plan_and_the_command_know_the_filters(gainkit: Run, tmp_path: Path) -> None:
    text = "rated_watts = 100\nrated_ohms = 4\nload_ohms = 4\ncrest_factor_db = 12\nhighpass_hz = 3500"
    plan = planned(tmp_path, text).channels[0]
    assert plan.programme is not None
    call = ("target", "--watts", 100, "--ohms", 4, "--crest-db", 12, "--highpass-hz", 3500, "--json")
    answer = gainkit(*call).json
    assert plan.programme.average_watts == answer["average_watts"] == answer["programme"][0]["average_watts"]
    assert answer["average_watts"] == pytest.approx(100 * 2 / 10**1.2 * 0.2523, rel=2e-3)
    assert programme.USUAL_CREST_DB == 12


# ---- figures that no car has -------------------------------------------------------------------------------


def test_exchanged_figures_are_asked_about(gainkit: Run, tmp_path: Path) -> None:
    """4 W into 75 ohm has the same volts as 75 W into 4 ohm: nothing else would show it."""
    result = found(watts=4, ohms=75)
    assert result.set_volts == pytest.approx(found(watts=75, ohms=4).set_volts)
    assert one(result, "rating_unusual").severity == "fault"
    assert one(result, "rating_unusual").values["exchanged"] is True
    assert one(result, "load_unusual").severity == "fault"
    answer = gainkit("target", "--watts", 4, "--ohms", 75, "--json").json
    assert {"rating_unusual", "load_unusual"} <= {each["code"] for each in answer["cautions"]}
    plan = planned(tmp_path, "rated_watts = 4\nrated_ohms = 75\nload_ohms = 75").channels[0]
    assert {"rating_unusual", "load_unusual"} <= codes(plan.cautions)


@pytest.mark.parametrize(("ohms", "usual"), [(0.5, True), (16, True), (0.49, False), (16.1, False)])
def test_loads_outside_the_usual_are_asked_about(ohms: float, usual: bool) -> None:
    assert ("load_unusual" not in codes(found(watts=75, ohms=4, load_ohms=ohms).cautions)) is usual


def test_an_untouched_example_is_told(tmp_path: Path) -> None:
    example = EXAMPLE.read_text(encoding="utf-8")
    path = tmp_path / "system.toml"

    def told(text: str) -> dict[str, object] | None:
        path.write_text(text)
        plan = plan_system(load_system(path))
        found = [each for each in plan.cautions if each.code == "example_figures"]
        return dict(found[0].values) if found else None

    assert told(example) == {"channels": ("Front", "Rear", "Subwoofer"), "source": True, "whole": True}
    renamed = example.replace("Marlin", "Herring").replace('"Front"', '"Main"')
    renamed = renamed.replace("volts = 13.8", "volts = 14.1")
    assert told(renamed) == {"channels": ("Main", "Rear", "Subwoofer"), "source": True, "whole": True}
    part = told(example.replace("preamp_volts = 4.1", "preamp_volts = 3.3").replace("watts = 75", "watts = 60"))
    assert part == {"channels": ("Rear", "Subwoofer"), "source": False, "whole": False}
    assert "example_figures" not in codes(planned(tmp_path, UNREGULATED).cautions)


def test_a_new_job_is_told_to_be_the_examples(gainkit: Run, tmp_path: Path) -> None:
    gainkit("job", "new", tmp_path / "car")
    answer = gainkit("plan", tmp_path / "car" / "system.toml", "--json").json
    told = next(each for each in answer["cautions"] if each["code"] == "example_figures")
    assert (told["severity"], told["whole"]) == ("fault", True)


def test_no_power_is_told_of_an_output_that_plays_into_nothing(gainkit: Run, tmp_path: Path) -> None:
    """Loudspeakers are unplugged while setting: a plan's load takes no watts, only one given by hand does."""
    import soundfile

    from tests.waves import RATE, sine

    capture = tmp_path / "front.wav"
    soundfile.write(capture, sine(997, peak=0.5), RATE, subtype="PCM_24")
    call = ("measure", capture, "--full-scale-volts", 40, "--system", EXAMPLE, "--for", "Front/left")
    assert gainkit(*call, "--json").json["watts"] is None
    assert "Power" not in gainkit(*call).out
    assert gainkit(*call, "--load-ohms", 4, "--json").json["watts"] == pytest.approx(50, rel=1e-3)  # 14.14 V
    python = gainkit_measure(capture, full_scale_volts=40, system=EXAMPLE, for_output="Front/left")
    assert python.watts is None


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


# ---- a careless user ---------------------------------------------------------------------------------------

CARELESS = [  # (what goes wrong, call, code that must be told, and how gravely)
    ("a loudspeaker burnt by full scale", "--watts 1000 --ohms 4 --speaker-watts 50 --overlap-db 6",
     "full_scale_over_loudspeaker", "danger"),
    ("a steady tone into the loudspeakers", "--watts 75 --ohms 4",
     "unplug_loudspeakers", "danger"),
    ("a tweeter set with its filters off", "--watts 75 --ohms 4 --highpass-hz 4000",
     "tweeter_channel", "danger"),
    ("a tweeter set with 997 Hz", "--watts 75 --ohms 4 --highpass-hz 4000 --tone-hz 997",
     "filters_take_level", "danger"),
    ("a tone that reaches the tweeter", "--watts 75 --ohms 4 --crossover-hz 1500 --tone-hz 997",
     "tone_reaches_tweeter", "danger"),
    ("too low a load", "--watts 75 --ohms 4 --load-ohms 1 --min-ohms 2",
     "load_below_minimum", "danger"),
    ("too low a load, bridged", "--watts 500 --ohms 4 --load-ohms 2 --min-ohms 2 --bridged",
     "load_below_minimum", "danger"),
    ("a load below every rating", "--watts 75 --ohms 4 --load-ohms 2",
     "load_below_lowest_rating", "danger"),
    ("a grounded clip on a bridged output", "--watts 500 --ohms 4 --bridged",
     "ungrounded_output", "danger"),
    ("a grounded clip on a radio", "--watts 18 --ohms 4 --built-in",
     "ungrounded_output", "danger"),
    ("fingers on 60 V", "--watts 1000 --ohms 4",
     "hazardous_volts", "danger"),
    ("an engine indoors", "--watts 75 --ohms 4 --supply-volts 13.8 --rated-supply-volts 14.4",
     "engine_indoors", "danger"),
    ("a plate beyond its fuse", "--watts 1000 --ohms 4 --fuse-amperes 20",
     "rating_beyond_fuse", "fault"),
    ("a 10 % plate", "--watts 100 --ohms 4 --rated-thd-percent 10",
     "rated_at_distortion", "remark"),
    ("a radio without its drop", "--load-ohms 4 --built-in --supply-volts 14.4",
     "drop_not_known", "fault"),
    ("a supply at rest", "--watts 75 --ohms 4 --supply-volts 12 --rated-supply-volts 14 --supply-state resting",
     "supply_measured_at_rest", "fault"),
    ("a meter that ends too early", "--watts 75 --ohms 4 --meter-high-hz 400 --tone-hz 997",
     "meter_not_made_for_tone", "fault"),
    ("a simple meter at 997 Hz", "--watts 75 --ohms 4 --meter-kind average-responding --tone-hz 997",
     "meter_not_made_for_tone", "fault"),
    ("swapped figures", "--watts 4 --ohms 75",
     "rating_unusual", "fault"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("call", "code", "severity"), [each[1:] for each in CARELESS], ids=[each[0] for each in CARELESS]
)
def test_no_danger_without_its_warning(gainkit: Run, call: str, code: str, severity: str) -> None:
    answer = gainkit("target", *call.split(), "--json").json
    assert (code, severity) in {(each["code"], each["severity"]) for each in answer["cautions"]}
    if severity == "danger":
        told = next(each["text"] for each in answer["cautions"] if each["code"] == code)
        before = gainkit("target", *call.split()).out.split("   SET")[0]
        assert before.startswith("Danger\n")
        assert told in " ".join(before.split()).replace(" - ", " ")


def test_a_tone_that_suits_is_a_tone_that_the_simple_meter_reads(gainkit: Run) -> None:
    answer = gainkit("target", "--watts", 75, "--ohms", 4, "--meter-kind", "average-responding", "--json").json
    assert answer["tone_hz"] == 400
    assert "meter_not_made_for_tone" not in {each["code"] for each in answer["cautions"]}


# ---- three doors -------------------------------------------------------------------------------------------

IN_FILE = {  # option to (table, key) of the system file; others stand under their own name in [[channel]]
    "watts": ("channel", "rated_watts"),
    "ohms": ("channel", "rated_ohms"),
    "per_half": ("channel", "rated_per_half"),
    "crest_db": ("channel", "crest_factor_db"),
    "source_volts": ("source", "preamp_volts"),
    "supply_volts": ("supply", "volts"),
    "supply_state": ("supply", "state"),
    "supply_tolerance_volts": ("supply", "tolerance_volts"),
    "efficiency": ("supply", "efficiency"),
    "meter_kind": ("meter", "kind"),
    "meter_percent": ("meter", "percent"),
    "meter_low_hz": ("meter", "low_hz"),
    "meter_high_hz": ("meter", "high_hz"),
    "guard_band": ("meter", "guard_band"),
}


def figures_of(call: str) -> dict[str, object]:
    """The figures of a call by their names: flags are true, numbers numbers, words words."""
    figures: dict[str, object] = {}
    words = call.split()
    for place, word in enumerate(words):
        if word.startswith("--"):
            value = (
                words[place + 1] if place + 1 < len(words) and not words[place + 1].startswith("--") else True
            )
            number = isinstance(value, str) and value.lstrip("-").replace(".", "", 1).isdigit()
            figures[word[2:].replace("-", "_")] = float(str(value)) if number else value
    return figures


def file_of(call: str) -> str:
    """The same as a system file; a load left out is the rated one, as for the command."""
    tables: dict[str, dict[str, object]] = {
        "source": {"preamp_volts": 5.0}, "supply": {"volts": 14.4}, "meter": {}, "channel": {"name": "One"},
    }  # fmt: skip
    figures = figures_of(call)
    figures.setdefault("load_ohms", figures.get("ohms", 4.0))
    for name, value in figures.items():
        table, key = IN_FILE.get(name, ("channel", name))
        tables[table][key] = value
    lines = []
    for name, entries in tables.items():
        lines.append(f"[[{name}]]" if name == "channel" else f"[{name}]")
        for key, value in entries.items():
            lines.append(f"{key} = {str(value).lower() if isinstance(value, bool) else repr(value)}")
    return "\n".join(lines).replace("'", '"')


def python_figures(call: str) -> dict[str, object]:
    """... and as Python's function takes them."""
    figures = figures_of(call)
    return {{"crest_db": "crest_factor_db"}.get(name, name): value for name, value in figures.items()}


@pytest.mark.parametrize("call", [each[1] for each in CARELESS], ids=[each[0] for each in CARELESS])
def test_three_doors_say_the_same(gainkit: Run, tmp_path: Path, call: str) -> None:
    """The file always has a supply and a source: what is said of those alone is left aside."""
    answer = gainkit("target", *call.split(), "--json").json
    python = find_target(channel_from(python_figures(call)))
    path = tmp_path / "system.toml"
    path.write_text(file_of(call))
    plan = plan_system(load_system(path)).channels[0]
    by_command = {(each["code"], each["severity"]) for each in answer["cautions"]}
    assert by_command == {(each.code, each.severity) for each in python.cautions}
    of_supply = {"rated_supply_unknown", "speaker_output_not_measured", "drop_not_known", "supply_must_hold"}
    in_file = {(each.code, each.severity) for each in plan.cautions}
    assert {each[0] for each in by_command ^ in_file} <= of_supply
    if "built_in" not in call and "built-in" not in call:
        for key in ("set_volts", "tone_hz", "tone_dbfs", "full_scale_watts", "average_watts"):
            assert answer[key] == getattr(python, key) == pytest.approx(getattr(plan, key), rel=1e-12)


REFUSED = [  # (call, code)
    ("--watts 100 --ohms 4 --rated-kind peak", "peak_rating"),
    ("--watts 100 --ohms 4 --rated-thd-percent 80", "outside_range"),
    ("--watts 100 --ohms 4 --overlap-limit amplifier", "needs_speaker_watts"),
    ("--watts 100 --ohms 4 --drop-volts 2", "only_built_in"),
    ("--load-ohms 4 --built-in --supply-volts 10 --drop-volts 11", "wrong_order"),
    ("--watts 100 --ohms 4 --highpass-hz 3500 --meter-high-hz 400", "no_tone_fits"),
    ("--watts 100 --ohms 4 --highpass-hz 3500 --meter-kind average-responding", "no_tone_fits"),
    ("--watts 100 --ohms 4 --highpass-hz 90 --lowpass-hz 60", "wrong_order"),
    ("--watts 100 --ohms 4 --fuse-amperes -5", "outside_range"),
    ("--watts 100 --ohms 4 --load-tolerance-percent 80", "outside_range"),
    ("--watts 100 --ohms 4 --overlap-db 5 --tone-dbfs -3", "tone_above_overlap"),
]


@pytest.mark.parametrize(("call", "code"), REFUSED)
def test_three_doors_refuse_the_same(gainkit: Run, tmp_path: Path, call: str, code: str) -> None:
    assert gainkit("target", *call.split(), "--json").fault["code"] == code
    with pytest.raises(GainkitError) as by_python:
        find_target(channel_from(python_figures(call)))
    assert by_python.value.code == code
    path = tmp_path / "system.toml"
    path.write_text(file_of(call))
    with pytest.raises(GainkitError) as by_file:
        load_system(path)
    told = {each.code for each in by_file.value.faults}
    assert told == {"found_other" if code == "outside_range" else code}  # of one key alone the file's own words


# ---- a long table against an own derivation ----------------------------------------------------------------


@pytest.mark.long
def test_four_thousand_random_channels_against_an_own_derivation() -> None:
    """Everything that follows from one rating, by formulas written out here; the cut sine by quadrature."""
    from scipy.integrate import quad
    from scipy.optimize import brentq

    def power(over_db: float) -> float:
        rail = 10 ** (-over_db / 20)
        return (
            2
            * quad(lambda x: min(math.sin(x), rail) ** 2, 0, math.pi / 2, points=[math.asin(rail)])[0]
            / (math.pi / 2 * rail * rail)
        )

    def thd(over_db: float) -> float:
        rail = 10 ** (-over_db / 20)
        cut = quad(lambda x: min(math.sin(x), rail) * math.sin(x), 0, math.pi / 2, points=[math.asin(rail)])[0]
        fundamental = 4 / math.pi * cut / rail
        return 100 * math.sqrt(max(power(over_db) / fundamental**2 - 1, 0))

    at_ten = power(brentq(lambda x: thd(x) - 10, 0.1, 10, xtol=1e-12))
    random = np.random.default_rng(3)
    for _ in range(4000):
        watts, ohms, load = random.uniform(5, 2000), random.choice([1.0, 2.0, 4.0]), random.choice([4.0, 8.0])
        speaker, margin, overlap = random.uniform(5, 2000), random.uniform(0, 6), random.uniform(0, 12)
        supply, source, distorted = random.uniform(10, 15), random.uniform(0.5, 10), bool(random.integers(2))
        result = found(
            watts=watts, ohms=ohms, load_ohms=load, speaker_watts=speaker, margin_db=margin, overlap_db=overlap,
            supply_volts=supply, rated_supply_volts=14.4, source_volts=source,
            rated_thd_percent=10.0 if distorted else 1.0,
        )  # fmt: skip
        clip = math.sqrt(watts * ohms / (at_ten if distorted else 1)) * supply / 14.4
        target = min(clip, math.sqrt(speaker * load)) * 10 ** (-margin / 20)
        uncut = target * 10 ** (overlap / 20)
        over = 20 * math.log10(uncut / clip)
        full = uncut**2 / load if over <= 0 else clip**2 / load * power(over)
        tolerance = 1e-8 if distorted else 2e-14
        assert result.clip_volts == pytest.approx(clip, rel=tolerance)
        assert result.set_volts == pytest.approx(target, rel=tolerance)
        assert result.gain_db == pytest.approx(20 * math.log10(uncut / source), abs=1e-7)
        assert result.sensitivity_volts == pytest.approx(clip * source / uncut, rel=1e-8)
        assert result.full_scale_watts == pytest.approx(full, rel=1e-7)
        assert result.speaker_over_db == pytest.approx(10 * math.log10(full / speaker), abs=1e-6)
