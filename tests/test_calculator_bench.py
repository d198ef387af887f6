"""Meters, trims and programme; what all small sums have in common."""

from __future__ import annotations

import doctest
import importlib
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.calculator import clipped, feeds, meters, pads, programme, tones, trims
from gainkit.calculator.feed_model import FeedFacts
from gainkit.calculator.loads import find_loads
from gainkit.calculator.pad_model import PadCall
from gainkit.errors import GainkitError
from gainkit.words import sums as words

ours = settings(deadline=None, derandomize=True, max_examples=100)


# ---- meter -------------------------------------------------------------------------------------------------


@ours
@given(st.floats(0, 30))
def test_clipped_sine_against_numerical_integration(overdrive: float) -> None:
    """The closed forms against a plain sum over one finely sampled cycle."""
    angle = (np.arange(200_000) + 0.5) / 200_000 * 2 * np.pi
    wave = np.clip(10 ** (overdrive / 20) * np.sin(angle), -1, 1)  # rail 1, sine at the rail: rms 1/sqrt 2
    rms = math.sqrt(np.mean(wave**2))
    assert clipped.rms_ratio(overdrive) == pytest.approx(rms * math.sqrt(2), rel=1e-6)
    average = np.mean(np.abs(wave)) * math.pi / (2 * math.sqrt(2)) * math.sqrt(2)
    assert clipped.average_reading_ratio(overdrive) == pytest.approx(average, rel=1e-6)
    fundamental = 2 * np.mean(wave * np.sin(angle))
    assert clipped.fundamental_ratio(overdrive) == pytest.approx(fundamental, rel=1e-6)


def test_a_sine_below_the_rail_is_no_clipped_sine() -> None:
    assert clipped.power_ratio(-3.0) == pytest.approx(1.0)
    assert clipped.thd_percent(0.0) == pytest.approx(0.0, abs=1e-6)
    both = clipped.thd_percent(np.array([0.0, 1.0]))
    assert both[1] == pytest.approx(clipped.thd_percent(1.0))


@ours
@given(st.integers(2, 9), st.floats(0, 2 * math.pi), st.floats(0.1, 2.0))
def test_an_average_responding_meter_on_a_tone_with_one_harmonic(order: int, phase: float, thd: float) -> None:
    """The rectified mean summed over a fine cycle: within THD / 3, which a third harmonic in phase reaches."""
    angle = (np.arange(40_000) + 0.5) / 40_000 * 2 * np.pi

    def error_percent(order: int, phase: float) -> float:
        wave = np.sin(angle) + thd / 100 * np.sin(order * angle + phase)
        true = math.sqrt(np.mean(wave**2))
        return 100 * (float(np.mean(np.abs(wave))) * meters.SINE_FORM_FACTOR / true - 1)

    assert abs(error_percent(order, phase)) <= meters.average_open_percent(thd) + 0.02 * thd**2
    assert error_percent(3, 0.0) == pytest.approx(meters.average_open_percent(thd), abs=0.02 * thd**2)


def test_the_kind_of_meter_widens_what_is_left_open() -> None:
    from gainkit.calculator.amplifier import Rating
    from gainkit.calculator.channel import Channel
    from gainkit.calculator.meters import MeterLimits
    from gainkit.calculator.targets import find_target

    wave = {kind: MeterLimits(kind=kind, percent=1.0) for kind in ("true-rms", "average-responding")}
    open_volts = {
        kind: find_target(Channel((Rating(75, 4),), 4.0, meter=meter)).set_uncertainty_volts
        for kind, meter in wave.items()
    }
    volts = math.sqrt(300)
    assert open_volts["true-rms"] == pytest.approx(0.01 * volts)
    both = 2 * math.sqrt((0.01**2 + (0.01 / 3) ** 2) / 3) * volts  # GUM: rectangular limits, coverage factor 2
    assert open_volts["average-responding"] == pytest.approx(both)


def test_gaussian_noise_on_an_average_responding_meter() -> None:
    noise = np.random.default_rng(3).standard_normal(1_000_000)
    shown = np.mean(np.abs(noise)) * meters.SINE_FORM_FACTOR
    assert meters.find_meter_reading(1.0, noise=True).average_responding_volts == pytest.approx(shown, rel=2e-3)


def test_meter_command(gainkit) -> None:
    answer = gainkit("meter", "--volts", 20, "--overdrive-db", 3, "--frequency-hz", 997, "--json").json
    assert answer["true_rms_volts"] == pytest.approx(23.3454, abs=1e-4)
    assert (answer["simple_meter_fits"], answer["better_meter_fits"]) == (False, True)
    assert gainkit("meter", "--volts", 20, "--frequency-hz", 50, "--json").json["simple_meter_fits"] is True
    plain = gainkit("meter", "--volts", 20, "--json").json
    assert plain["true_rms_volts"] == plain["average_responding_volts"] == 20
    assert plain["simple_meter_fits"] is None
    noise = gainkit("meter", "--volts", 20, "--noise", "--json").json
    assert noise["peak_volts"] is None
    assert "true rms 23.35 V" in gainkit("meter", "--volts", 20, "--overdrive-db", 3).out
    assert "--overdrive-db" in gainkit("meter", "--volts", 20, "--noise", "--overdrive-db", 3).refused()
    assert "--volts is 0" in gainkit("meter", "--volts", 0).refused()


# ---- trim and tones ----------------------------------------------------------------------------------------


@ours
@given(st.floats(-40, 0), st.floats(-20, 0) | st.floats(1e-9, 5))
def test_after_the_trim_the_built_in_stage_clips_no_earlier(source: float, main: float) -> None:
    found = trims.find_trim(source, main)
    assert found.trim_db <= 0
    assert found.clip_dbfs_after >= main - 1e-12
    assert found.trim_db == 0 or found.clip_dbfs_after == pytest.approx(main)
    assert trims.trim_db(np.array([source]), np.array([main]))[0] == pytest.approx(found.trim_db)


def test_trim_command(gainkit) -> None:
    call = ("trim", "--source-clip-dbfs", -12, "--overlap-db", 5)
    answer = gainkit(*call, "--json").json
    assert (answer["trim_db"], answer["clip_dbfs_before"], answer["clip_dbfs_after"]) == (-7, -12, -5)
    assert answer["most_volts"] is None
    full = gainkit(*call, "--supply-volts", 14.4, "--load-ohms", 4, "--clip-volts", 8.5, "--json").json
    assert full["most_watts"] == pytest.approx(25.92)
    assert full["source_volts"] == pytest.approx(8.5 * 10 ** (12 / 20))
    assert "TRIM -7.0 dB" in gainkit(*call).out
    assert gainkit("trim", "--source-clip-dbfs", -2, "--overlap-db", 5, "--json").json["trim_db"] == 0
    assert gainkit(*call, "--margin-db", 1, "--json").json["trim_db"] == -8
    clipped_capture = gainkit(*call, "--supply-volts", 12, "--clip-volts", 12, "--json").json
    assert "clip_above_built_in_limit" in [note["code"] for note in clipped_capture["notes"]]
    assert "--source-clip-dbfs is 3" in gainkit("trim", "--source-clip-dbfs", 3, "--overlap-db", 5).refused()


@pytest.mark.parametrize(
    ("call", "code", "parameter"),
    [
        (lambda: find_loads(-4), "outside_range", "coil_ohms"),
        (lambda: find_loads(4, coils=2.5), "outside_range", "coils"),
        (lambda: find_loads(4, drivers=0), "outside_range", "drivers"),
        (lambda: find_loads("4"), "outside_range", "coil_ohms"),
        (lambda: PadCall(30, math.nan), "outside_range", "input_volts"),
        (lambda: PadCall(30, 1, input_ohms=0), "outside_range", "input_ohms"),
        (lambda: PadCall(30, 1, series="E48"), "not_a_choice", "series"),
        (lambda: pads.check_pad(PadCall(30, 1), -9, 1000), "outside_range", "series_ohms"),
        (lambda: pads.check_pad(PadCall(30, 1), 9100, 1000), "pad_overloads", "series_ohms"),
        (lambda: pads.find_pad(PadCall(1000, 900, input_ohms=1)), "no_pad_fits", "max_volts"),
        (lambda: feeds.find_feed(5, watts=500), "needs_one_of", "awg"),
        (lambda: feeds.find_feed(5, watts=500, awg="4", mm2=25), "not_both", "awg"),
        (lambda: feeds.find_feed(5, awg="4"), "needs_one_of", "watts"),
        (lambda: feeds.find_feed(5, watts=500, awg="five"), "wire_gauge", "awg"),
        (lambda: feeds.find_feed(5, watts=500, awg="4", efficiency=1.2), "outside_range", "efficiency"),
        (lambda: feeds.find_feed(5, watts=500, awg="4", supply_volts=-12), "outside_range", "supply_volts"),
        (lambda: feeds.find_feed(-5, speaker_ohms=4, mm2=2.5), "outside_range", "length_m"),
        (lambda: feeds.find_feed(5, speaker_ohms=-4, mm2=2.5), "outside_range", "speaker_ohms"),
        (lambda: meters.find_meter_reading(-1), "outside_range", "volts"),
        (lambda: meters.find_meter_reading(20, -3), "outside_range", "overdrive_db"),
        (lambda: meters.find_meter_reading(20, 3, noise=True), "not_both", "overdrive_db"),
        (lambda: trims.find_trim(3, -5), "outside_range", "source_clip_dbfs"),
        (lambda: trims.find_trim(-12, math.nan), "outside_range", "main_clip_dbfs"),
        (lambda: trims.find_trim(-12, -5, supply_volts=-12), "outside_range", "supply_volts"),
        (lambda: programme.find_programme(-1, 12, (0,)), "outside_range", "clip_watts"),
        (lambda: programme.find_programme(75, 12, (-3,)), "outside_range", "overlaps_db"),
    ],
)
def test_figures_that_cannot_be_are_refused_by_their_name(
    call: Callable[[], object], code: str, parameter: str
) -> None:
    with pytest.raises(GainkitError) as fault:
        call()
    assert (fault.value.code, fault.value.parameter) == (code, parameter)
    assert fault.value.problem != code  # it has words


@pytest.mark.parametrize(
    "room", ["amplifier", "channel", "targets", "loads", "pads", "feeds", "meters", "trims"]
)
def test_examples_give_what_they_show(room: str) -> None:
    done = doctest.testmod(importlib.import_module(f"gainkit.calculator.{room}"))
    assert done.attempted > 0
    assert done.failed == 0


FEEDS = [
    FeedFacts("cca", 300, contact_ohms=0.005, return_ohms=0.002, measured_drop_volts=9),
    FeedFacts(fuse_amperes=30, measured_drop_volts=1, measured_amperes=30),
]


def test_every_remark_of_the_bench_has_words_that_its_values_fill() -> None:
    """Remarks of calls that meet all but a channel's; a template without its value would raise."""
    remarks = [
        *find_loads(4, 2, 2, min_ohms=4, bridged=True).cautions, *find_loads(1, 1, 1, min_ohms=2).cautions,
        *pads.find_pad(PadCall(63.2, 1.5, cable_pf=20_000)).cautions,
        *pads.check_pad(PadCall(10, 1, bridged=True), 4550, 1000).cautions,
        *pads.check_pad(PadCall(30, 28), 1, 10).cautions,
        *pads.find_pad(PadCall(1, 2)).cautions,
        *feeds.find_feed(5, watts=500, mm2=25).notes, *feeds.find_feed(5, speaker_ohms=4, awg="12").notes,
        *(note for facts in FEEDS for note in feeds.find_feed(5, watts=800, mm2=4, facts=facts).notes),
        *feeds.find_feed(2, watts=600, mm2=6).notes,
        *feeds.find_feed(2, watts=100, mm2=4, facts=FeedFacts(fuse_amperes=40)).notes,
        *trims.find_trim(-12, -5, supply_volts=12, clip_volts=12).notes, *trims.find_trim(-2, -5).notes,
    ]  # fmt: skip
    for noise, overdrive, frequency in ((False, 3.0, 50.0), (False, 0.0, 997.0), (True, 0.0, 5000.0)):
        remarks += meters.find_meter_reading(20, overdrive, noise, frequency).notes
    told = {remark.code: str(remark) for remark in remarks}
    of_the_calculator = {"ungrounded_output", "check_minus_lead"}
    assert set(told) == {*words.REMARKS, *of_the_calculator}
    for code, text in told.items():
        assert text != code.replace("_", " ")
        assert "{" not in text
        assert "<" not in text


@pytest.mark.parametrize(
    "call",
    [
        "load --coil-ohms 4 --coils 4 --drivers 4 --min-ohms 2 --bridged",
        "pad --max-volts 63.2 --input-volts 1.5 --input-ohms 10000 --bridged",
        "pad --max-volts 63.2 --input-volts 1.5 --series E12 --cable-pf 20000",
        "feed --watts 1500 --length-m 5 --mm2 25",
        "feed --speaker-ohms 2 --length-m 6 --awg 12",
        "meter --volts 63.2 --overdrive-db 3 --frequency-hz 997",
        "meter --volts 20 --noise",
        "trim --source-clip-dbfs -12 --overlap-db 5 --supply-volts 14.4 --load-ohms 4 --clip-volts 8.5",
        "target --rating 100@4 --rating 150@2 --load-ohms 3 --bridged --speaker-watts 90 --source-volts 4 "
        "--overlap-db 5 --supply-volts 12.6 --rated-supply-volts 14.4 --meter-percent 1 --explain",
    ],
)
def test_every_text_fits_a_narrow_screen(gainkit, call: str) -> None:
    answer = gainkit(*call.split())
    assert answer.code == 0
    assert max(map(len, answer.out.splitlines())) <= 79
    before = answer.out.split("=" * 79 + "\n   ")[0]
    assert before == "" or before.startswith("Danger")  # the figure wanted comes first, but for what can hurt


def test_filter_loss_is_3_db_at_the_corner_and_the_band_keeps_its_promise() -> None:
    assert tones.butterworth_loss_db(90.0, 90.0) == pytest.approx(3.0103, abs=1e-4)
    from gainkit.calculator.amplifier import Rating
    from gainkit.calculator.channel import Channel

    channel = Channel((Rating(75, 4),), 4.0, highpass_hz=60.0, lowpass_hz=4000.0)
    low, high = tones.tone_band_hz(channel, allowed_loss_db=0.1)
    assert tones.butterworth_loss_db(60.0, low) == pytest.approx(0.1, abs=1e-9)
    assert tones.butterworth_loss_db(high, 4000.0) == pytest.approx(0.1, abs=1e-9)


# ---- programme ---------------------------------------------------------------------------------------------


def _clipped_pink_noise(seed: int, overlap: float, crossover: float) -> tuple[float, float, float]:
    """(average, above the crossover, products above it) of clipped Gaussian pink noise, sample by sample."""
    rate, size = 400_000.0, 1 << 19
    random = np.random.default_rng(seed)
    frequency = np.fft.rfftfreq(size, 1 / rate)
    inside = (frequency >= 20) & (frequency <= 20_000)
    spectrum = np.zeros(frequency.size, complex)
    normal = random.standard_normal((2, int(inside.sum())))
    spectrum[inside] = (normal[0] + 1j * normal[1]) / np.sqrt(frequency[inside])
    expected_power = 4 * np.sum(1 / frequency[inside]) / size**2
    noise = np.fft.irfft(spectrum, size) / math.sqrt(expected_power)
    rail = programme.rail_over_rms(12.0, overlap)
    cut = np.clip(noise, -rail, rail)
    products = cut - math.erf(rail / math.sqrt(2)) * noise
    above = frequency >= crossover
    of_the_sine = 2 / rail**2
    return (
        float(np.mean(cut**2)) * of_the_sine,
        float(np.sum(np.abs(np.fft.rfft(cut))[above] ** 2)) * 2 / size**2 * of_the_sine,
        float(np.sum(np.abs(np.fft.rfft(products))[above] ** 2)) * 2 / size**2 * of_the_sine,
    )


@pytest.mark.parametrize("overlap", [3.0, 6.0, 10.0])
def test_programme_against_clipped_pink_noise(overlap: float) -> None:
    """Within four standard errors of twenty records, plus 2 % for the aliases of the products."""
    runs = np.array([_clipped_pink_noise(seed, overlap, 2800.0) for seed in range(20)])
    mean, error = runs.mean(axis=0), runs.std(axis=0, ddof=1) / math.sqrt(len(runs))
    above, made = programme.tweeter_power_ratios(12.0, overlap, 2800.0)
    assert programme.average_power_ratio(12.0, overlap) == pytest.approx(mean[0], abs=4 * error[0])
    assert above == pytest.approx(mean[1], abs=4 * error[1])
    assert made == pytest.approx(mean[2], abs=4 * error[2] + 0.02 * mean[2])
    assert all(error[:2] < 0.02 * mean[:2])
    assert error[2] < 0.1 * mean[2]


def test_programme_limits() -> None:
    assert programme.average_power_ratio(12.0, -20.0) == pytest.approx(2 * 10 ** (-32 / 10), rel=1e-9)
    assert programme.average_power_ratio(12.0, 80.0) == pytest.approx(2.0, rel=1e-3)  # a square wave at last
    assert programme.pink_share_above(20.0) == 1.0
    assert programme.pink_share_above(2000.0) == pytest.approx(1 / 3)  # one of three decades
