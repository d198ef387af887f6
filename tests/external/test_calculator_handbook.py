"""The calculator against figures from outside. The source stands beside each group.

'derived' marks a closed form worked by hand or computed independently of this package; 'memory' a figure
nobody has looked up again; 'common practice' a rule of the trade without a source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from gainkit.calculator import clipped, feeds, meters, pads, preferred, trims
from gainkit.calculator.amplifier import (
    Rating,
    bridged_ratings,
    built_in_limit_volts,
    clip_volts_at_load,
    clip_volts_with_sag,
    half_load_ohms,
)
from gainkit.calculator.channel import Channel
from gainkit.calculator.conductors import wire_ohms
from gainkit.calculator.loads import find_loads, parallel_ohms, series_ohms
from gainkit.calculator.pad_model import PadCall
from gainkit.calculator.targets import find_target
from gainkit.levels import power_db_from_ratio, volts_from_watts

# Joule's and Ohm's laws, U = sqrt(P R): a table as printed in installers' handbooks, digits derived.
POWER_TABLE = [  # (W, ohm, V rms)
    (18, 1, 4.24264068711928),
    (20, 4, 8.94427190999916),
    (22, 4, 9.38083151964686),
    (50, 2, 10.0),
    (50, 4, 14.142135623731),
    (60, 4, 15.4919333848297),
    (75, 1, 8.66025403784439),
    (75, 2, 12.2474487139159),
    (75, 4, 17.3205080756888),
    (75, 8, 24.4948974278318),
    (100, 2, 14.142135623731),
    (100, 4, 20.0),
    (125, 4, 22.3606797749979),
    (150, 2, 17.3205080756888),
    (200, 4, 28.2842712474619),
    (250, 1, 15.8113883008419),
    (250, 2, 22.3606797749979),
    (300, 4, 34.6410161513775),
    (300, 8, 48.9897948556636),
    (400, 2, 28.2842712474619),
    (500, 1, 22.3606797749979),
    (500, 4, 44.7213595499958),
    (750, 2, 38.7298334620742),
    (1000, 1, 31.6227766016838),
    (1000, 4, 63.2455532033676),
    (1500, 1, 38.7298334620742),
]


@pytest.mark.parametrize(("watts", "ohms", "volts"), POWER_TABLE)
def test_power_table(watts: float, ohms: float, volts: float) -> None:
    assert volts_from_watts(watts, ohms) == pytest.approx(volts, rel=1e-12)
    assert find_target(Channel((Rating(watts, ohms),), ohms)).clip_volts == pytest.approx(volts, rel=1e-12)


# Settings worked by hand from the gain model's definitions (derived). The first two lines are the trade's
# own usage, 5 V of source and a -5 dBFS tone: common practice, no source.
def test_setting_of_75_watts_from_a_5_volt_source() -> None:
    found = find_target(Channel((Rating(75, 4),), 4.0, overlap_db=5.0, source_volts=5.0))
    assert found.set_volts == pytest.approx(17.32, abs=0.005)
    assert found.sensitivity_volts == pytest.approx(2.81, abs=0.005)


@pytest.mark.parametrize(
    ("channel", "expected"),
    [
        (
            Channel((Rating(100, 4),), 4.0, supply_volts=12.6, rated_supply_volts=14.4),
            {"clip_volts": 17.5, "clip_watts": 76.5625},
        ),
        (Channel((Rating(100, 4),), 4.0, overlap_db=5.0), {"set_volts": 20.0, "headroom_db": -5.0}),
        (Channel((Rating(100, 4),), 4.0, overlap_db=5.0, tone_dbfs=-10.0), {"set_volts": 11.246826503807}),
        (
            Channel((Rating(100, 4),), 4.0, overlap_db=5.0, source_volts=5.0),
            {"gain_db": 17.0411998265593, "sensitivity_volts": 2.81170662595175},
        ),
        (
            Channel((Rating(300, 4),), 4.0, speaker_watts=200.0, margin_db=1.0),
            {
                "clip_volts": 34.6410161513775,
                "speaker_limit_volts": 28.2842712474619,
                "target_volts": 25.2083832837297,
                "target_watts": 158.865646944856,
            },
        ),
    ],
)
def test_worked_settings(channel: Channel, expected: dict[str, float]) -> None:
    found = find_target(channel)
    for key, figure in expected.items():
        assert getattr(found, key) == pytest.approx(figure, rel=1e-11), key


def test_a_full_scale_sine_over_5_db_of_overlap() -> None:
    """Closed form, confirmed by a 2^20-point FFT elsewhere: 20.3193 % THD, power x 1.505767 (derived)."""
    assert clipped.thd_percent(5.0) == pytest.approx(20.3193083798537, rel=1e-6)
    assert clipped.power_ratio(5.0) == pytest.approx(1.50576696937028, rel=1e-9)


# Loads: Kirchhoff (derived); the four lists are the usual wirings of dual-coil subwoofers.
def test_series_and_parallel() -> None:
    assert parallel_ohms([4, 4]) == 2
    assert parallel_ohms([8, 8]) == 4
    assert parallel_ohms([4, 8]) == pytest.approx(2.66666666666667, rel=1e-12)
    assert parallel_ohms([4, 4, 4]) == pytest.approx(1.33333333333333, rel=1e-12)
    assert parallel_ohms([series_ohms([4, 4])] * 2) == 4


@pytest.mark.parametrize(
    ("coil", "coils", "drivers", "ohms"),
    [
        (4, 2, 2, [1, 4, 4, 16]),
        (2, 2, 2, [0.5, 2, 2, 8]),
        (4, 2, 1, [2, 8]),
        (2, 2, 3, [1 / 3, 4 / 3, 3, 12]),
    ],
)
def test_wirings_of_dual_coil_drivers(coil: float, coils: int, drivers: int, ohms: list[float]) -> None:
    assert [w.ohms for w in find_loads(coil, coils, drivers).wirings] == pytest.approx(ohms, rel=1e-12)


def test_bridging() -> None:
    """Each half sees half the load: encyclopaedia article 'Bridge-tied load' (liquisearch.com), 'impedance'.

    2 x 250 W at 2 ohm bridged: 500 W at 4 ohm, 44.7214 V across, 22.3607 V from each half (derived).
    """
    (bridged,) = bridged_ratings([Rating(250, 2)])
    assert bridged == Rating(500, 4)
    assert bridged.volts == pytest.approx(44.7213595499958)
    assert bridged.volts / 2 == pytest.approx(22.3606797749979)
    assert half_load_ohms(4.0) == 2.0
    ideal_gain = (2 * 20.0) ** 2 / 4 / (20.0**2 / 4)  # same load, twice the volts
    assert ideal_gain == 4.0


# Supply arithmetic of a bridge-tied stage: U / sqrt(2) at best (derived); 2 V lost in practice (memory).
SUPPLY_TABLE = [  # (supply V, ideal W into 4 ohm, with 2 V lost, dB re 14.4 V)
    (14.4, 25.92, 19.22, 0.0),
    (13.8, 23.805, 17.405, -0.369668113880263),
    (13.5, 22.78125, 16.53125, -0.560574472),
    (12.6, 19.845, 14.045, -1.15983893955373),
    (12.0, 18.0, 12.5, -1.5836249209525),
    (11.5, 16.53125, 11.28125, -1.95329303483276),
]


@pytest.mark.parametrize(("supply", "ideal", "with_drop", "db"), SUPPLY_TABLE)
def test_bridge_tied_stage_on_a_supply(supply: float, ideal: float, with_drop: float, db: float) -> None:
    assert built_in_limit_volts(supply) ** 2 / 4 == pytest.approx(ideal, rel=1e-9)
    assert built_in_limit_volts(supply, 2.0) ** 2 / 4 == pytest.approx(with_drop, rel=1e-9)
    stage = Channel((), 4.0, supply_volts=supply, built_in=True)
    assert find_target(stage).clip_watts == pytest.approx(ideal, rel=1e-9)
    assert 2 * power_db_from_ratio(supply / 14.4) == pytest.approx(db, abs=1e-8)


def test_power_of_a_bridge_tied_stage_driven_into_clipping() -> None:
    """14.4 V into 4 ohm: 27.1514 W at 1 % THD, 33.3788 W at 10 %, 51.84 W square (derived closed form)."""
    onset = built_in_limit_volts(14.4) ** 2 / 4
    for overdrive, thd, watts in ((0.25126, 1.0, 27.1513520258063), (2.17314, 10.0, 33.378788484013)):
        assert clipped.thd_percent(overdrive) == pytest.approx(thd, rel=1e-4)
        assert onset * clipped.power_ratio(overdrive) == pytest.approx(watts, rel=1e-5)
    assert onset * clipped.power_ratio(120.0) == pytest.approx(51.84, rel=1e-5)


def test_trim() -> None:
    """Built-in amplifier clips at -12 dBFS, overlap 5 dB: down by 7 dB (derived)."""
    assert trims.trim_db(-12.0, -5.0) == -7.0


# Clipped sine: 2^20-point FFT and closed forms, agreeing to 8e-13 (derived); 1 dB also by ngspice.
CLIPPED_TABLE = [  # (overdrive dB, THD % all orders, power x, fundamental dB, average-responding error %)
    (0.05, 0.14587, 1.010527, 0.04547, 0.0110454728),
    (0.1, 0.33687, 1.020303, 0.08724, 0.0307094405),
    (0.25, 0.99418, 1.047290, 0.20024, 0.1157650036),
    (0.5, 2.18893, 1.087478, 0.36212, 0.3050733694),
    (1, 4.63156, 1.157052, 0.62422, 0.7630892508),
    (2, 9.24994, 1.270555, 1.00293, 1.7609143259),
    (3, 13.37952, 1.362518, 1.26637, 2.7286604608),
    (4, 17.05055, 1.439724, 1.45834, 3.6194994865),
    (6, 23.23708, 1.562913, 1.71096, 5.1469301980),
    (8, 28.18519, 1.656426, 1.85973, 6.3679625571),
    (10, 32.16372, 1.728803, 1.94993, 7.3380802430),
    (12, 35.36899, 1.785411, 2.00548, 8.1078141660),
]


@pytest.mark.parametrize(("overdrive", "thd", "power", "fundamental_db", "error"), CLIPPED_TABLE)
def test_clipped_sine_table(
    overdrive: float, thd: float, power: float, fundamental_db: float, error: float
) -> None:
    assert clipped.thd_percent(overdrive) == pytest.approx(thd, abs=6e-6)
    assert clipped.power_ratio(overdrive) == pytest.approx(power, abs=6e-7)
    assert 20 * math.log10(clipped.fundamental_ratio(overdrive)) == pytest.approx(fundamental_db, abs=6e-6)
    assert meters.average_error_percent(overdrive) == pytest.approx(error, abs=1e-8)


def test_meters() -> None:
    """Form factor of a sine 1.110721 (next.gr, form factor tutorial); square +11.07 %, triangle -3.81 %.

    Instruction tables print +11.0 and -3.8. Gaussian noise x 0.886227 (derived).
    """
    form_factor = meters.SINE_FORM_FACTOR
    assert form_factor == pytest.approx(1.11072073453959, rel=1e-12)
    assert 100 * (form_factor - 1) == pytest.approx(11.0720734539592, rel=1e-10)
    triangle = 2 / math.sqrt(3) / form_factor  # form factor of a triangle over a sine's
    assert 100 * (1 / triangle - 1) == pytest.approx(-3.80876273786021, rel=1e-9)
    noise = meters.find_meter_reading(1.0, noise=True)
    assert noise.average_responding_volts == pytest.approx(0.886227, abs=1e-6)
    for overdrive, true_rms, average in (
        (1, 21.5132657755344, 21.6774311941734),
        (3, 23.3453862395894, 23.9824025633264),
        (6, 25.0033051381057, 26.29020780075),
    ):  # rail of a 20 V sine (derived)
        reading = meters.find_meter_reading(20.0, overdrive)
        assert reading.true_rms_volts == pytest.approx(true_rms, rel=1e-9)
        assert reading.average_responding_volts == pytest.approx(average, rel=1e-9)


# IEC 60063 as listed at a.osmarks.net (mirror of puzzle 75235) and qsl.net/g4usp.
def test_preferred_values() -> None:
    assert preferred.E12 == (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
    assert set(preferred.E24) - set(preferred.E12) == {11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91}
    off_the_power = [v for i, v in enumerate(preferred.E24) if v != round(10 * 10 ** (i / 24))]
    assert off_the_power == [27, 30, 33, 36, 39, 43, 47, 82]
    assert preferred.E96[:12] == (100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130)
    assert preferred.E96[-3:] == (931, 953, 976)


# Loaded divider: formula at electronics.stackexchange.com/questions/540702, ratios derived.
PAD_TABLE = [  # (series, shunt, input ohm, ratio)
    (9100, 1000, math.inf, 0.099009900990099),
    (9100, 1000, 10_000, 0.0908265213442325),
    (9100, 1000, 20_000, 0.0947418285),
    (10_000, 1000, 10_000, 0.0833333333333333),
    (22_000, 1000, math.inf, 0.0434782608695652),
    (22_000, 1000, 10_000, 0.0396825396825397),
    (47_000, 1000, 10_000, 0.0189753320683112),
    (100_000, 10_000, 1e6, 0.0900900900900901),
    (2 * 9100, 2000, math.inf, 0.099009900990099),
]


@pytest.mark.parametrize(("series", "shunt", "interface", "ratio"), PAD_TABLE)
def test_pad_ratios(series: float, shunt: float, interface: float, ratio: float) -> None:
    assert pads.divider_ratio(series, shunt, 0.0, interface) == pytest.approx(ratio, rel=1e-9)


def test_power_in_a_pad_on_1000_watts() -> None:
    """9.1 k + 1 k on 63.2456 V: 0.356828 W and 0.0392118 W: a quarter-watt part is too small (derived)."""
    pad = pads.check_pad(PadCall(63.2455532033676, 10.0), 9100.0, 1000.0)
    assert pad.series_watts == pytest.approx(0.356827761984119, rel=1e-9)
    assert pad.shunt_watts == pytest.approx(0.0392118419762768, rel=1e-9)
    assert pad.series_part_watts == 1.0
    assert pad.loss_db == pytest.approx(20.0864274756529, rel=1e-9)


# AWG: d = 0.127 mm x 92^((36 - n)/39), ASTM B258 (formula cvrt.me viewtopic 1103; table wp.1728.org/?p=4314).
AWG_TABLE = [  # (gauge, mm2, ohm/km at 20 C, solid copper of 1/58e6 ohm m)
    ("1/0", 53.4751207321177, 0.322418707509144),
    ("2", 33.6308340193496, 0.512665826260061),
    ("4", 21.1506394254428, 0.815170594303857),
    ("6", 13.3017678909691, 1.29617201650695),
    ("8", 8.36556406008102, 2.06099423619474),
    ("10", 5.26115495451037, 3.27710920119618),
    ("12", 3.30877287611148, 5.21080773927498),
    ("14", 2.08090771709838, 8.28550885206301),
    ("16", 1.30869572775526, 13.1744751241131),
    ("18", 0.823046833731315, 20.9482359979205),
    ("20", 0.517619241928038, 33.3089999632235),
]


@pytest.mark.parametrize(("name", "area", "ohm_per_km"), AWG_TABLE)
def test_wire_gauges(name: str, area: float, ohm_per_km: float) -> None:
    found = feeds.awg_square_mm(float(feeds.awg_number(name)))
    assert found == pytest.approx(area, rel=1e-9)
    assert wire_ohms(1000.0, found) == pytest.approx(ohm_per_km, rel=1e-9)


def test_copper() -> None:
    """IACS: 1.724138e-8 ohm m at 20 C, IEC 60028 (encyclopedia.datana.cloud, tnlab.org).

    0.00393 /K (Industrial Power Engineering and Applications Handbook p. 970): x 1.1179 at 50 C.
    """
    assert wire_ohms(1e6, 1e6) == pytest.approx(1.72413793103448e-8 * 1e6, rel=1e-12)
    assert wire_ohms(1.0, 1.0, 50.0) / wire_ohms(1.0, 1.0) == pytest.approx(1.1179, rel=1e-12)


def test_iec_60228_lies_above_solid_copper_of_the_same_size() -> None:
    """Class 5 maxima as on three agreeing pages, 0.5 mm2 39.0 to 50 mm2 0.386 ohm/km: 7 to 16 % above."""
    assert feeds.STRANDED_OHM_PER_KM[25.0] == 0.780
    for area, most in feeds.STRANDED_OHM_PER_KM.items():
        assert 1.07 < most / wire_ohms(1000.0, area) < 1.16


def test_worked_feeds_and_wires() -> None:
    """Derived by hand from the table above."""
    four, eight, sixteen, twelve = (feeds.awg_square_mm(float(n)) for n in (4, 8, 16, 12))
    assert 60 * wire_ohms(10.0, four) == pytest.approx(0.489102356582314, rel=1e-9)
    assert 60 * wire_ohms(10.0, four, 50.0) == pytest.approx(0.546767524423369, rel=1e-9)
    assert 40 * wire_ohms(10.0, eight) == pytest.approx(0.824397694477895, rel=1e-9)
    feed = feeds.power_feed(500, 0.8, 14.4, 5.0, four)
    assert feed.amplifier_volts == pytest.approx(14.0370449600395, rel=1e-9)
    assert feed.supply_amperes == pytest.approx(44.5250408315457, rel=1e-9)
    assert feed.lost_volts == pytest.approx(0.362955039960546, rel=1e-9)
    assert feed.headroom_lost_db == pytest.approx(-0.22173602, abs=1e-7)
    wire = feeds.speaker_wire(4.0, 5.0, sixteen)
    assert wire.wire_ohms == pytest.approx(0.131744751241131, rel=1e-9)
    assert wire.level_lost_db == pytest.approx(-0.281469854634753, rel=1e-9)
    assert wire.wire_share_percent == pytest.approx(3.18859850191754, rel=1e-9)
    assert feeds.speaker_wire(2.0, 5.0, twelve).level_lost_db == pytest.approx(-0.223404683149994, rel=1e-9)


def test_constant_power_against_a_root_finder() -> None:
    """The stable solution of U = U0 - R P / U, by scipy's bracketing root finder."""
    from scipy.optimize import brentq

    for watts, ohms in ((100.0, 0.02), (900.0, 0.05), (1000.0, 0.0515)):
        root = brentq(lambda u, p=watts, r=ohms: 14.4 - r * p / u - u, 7.2, 14.4, xtol=1e-13)
        assert feeds.constant_power_volts(14.4, ohms, watts) == pytest.approx(root, rel=1e-10)
    assert math.isnan(feeds.constant_power_volts(14.4, 0.06, 1000.0))
    np.testing.assert_allclose(
        feeds.constant_power_volts(np.array([14.4, 14.4]), np.array([0.02, 0.06]), np.array([100.0, 1000.0])),
        [feeds.constant_power_volts(14.4, 0.02, 100.0), np.nan],
    )


def test_butterworth_against_scipy() -> None:
    from scipy.signal import butter, freqs

    from gainkit.calculator.tones import butterworth_loss_db

    top, bottom = butter(2, 90.0, analog=True)
    _, response = freqs(top, bottom, worN=[20.0, 50.0, 90.0, 400.0])
    ours = butterworth_loss_db(np.array([20.0, 50.0, 90.0, 400.0]), 90.0)
    np.testing.assert_allclose(ours, -20 * np.log10(np.abs(response)), rtol=1e-9)


def test_between_two_ratings_against_the_load_line() -> None:
    """100 W at 4 ohm and 150 W at 2 ohm, load 3 ohm (derived by hand).

    The rectangle gives min(20 V, 8.66 A x 3 ohm); the straight sag 20 V - 0.7320508 ohm x (I - 5 A) meets
    3 ohm x I at 6.340 A, 19.019 V.
    """
    ratings = [Rating(100, 4), Rating(150, 2)]
    assert clip_volts_at_load(ratings, 3.0) == 20.0
    amperes = (20 + 5 * 0.7320508) / 3.7320508
    assert clip_volts_with_sag(ratings, 3.0) == pytest.approx(3 * amperes, rel=1e-6)
