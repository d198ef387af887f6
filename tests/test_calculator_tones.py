"""Which tone a channel gets, and what of the programme its own filters let through."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gainkit.calculator import programme
from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel
from gainkit.calculator.meters import MeterLimits
from gainkit.calculator.programme import PassBand, find_programme
from gainkit.calculator.ranges import faults_of
from gainkit.calculator.targets import find_target
from gainkit.calculator.tones import tone_band_hz
from gainkit.errors import GainkitError
from gainkit.remarks import codes
from tests.channels import Run, found, one, planned

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
    assert PassBand(highpass or 20, lowpass or 20_000).share == pytest.approx(share, rel=5e-3)


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
