"""What looks like a rail and is none, and rails that hardly show behind filters: waves from their series."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import bessel, butter, cheby1, ellip, freqs

from gainkit.analysis import Measurement, measure
from gainkit.analysis.filters import FILTERS, Sections
from gainkit.capture import Capture
from gainkit.remarks import codes
from tests.movement import FAMILIES
from tests.waves import RATE, Floats, with_noise

POINTS = 8192


def recorded(
    shape: Callable[[Floats], Floats],
    hz: float,
    behind: Callable[[Floats], np.ndarray] | None = None,
    snr_db: float = 75,
) -> Measurement:
    """shape(sine) through a filter, put together from its harmonics below half the rate, 23 V peak."""
    theta = 2 * np.pi * np.arange(POINTS) / POINTS
    series = np.fft.rfft(shape(np.sin(theta)))
    orders = np.arange(1, min(int(0.49 * RATE / hz), 150) + 1)
    weights = series[orders] * (1.0 if behind is None else behind(orders * hz))
    seconds = np.arange(RATE) / RATE
    wave = sum((w * np.exp(2j * np.pi * k * hz * seconds)).real for k, w in zip(orders, weights, strict=True))
    wave = np.asarray(wave) * 23 / abs(weights[0])
    return measure(Capture.from_array(with_noise(wave, snr_db, seed=int(hz)), RATE))


CURVES: dict[str, Callable[[Floats], Floats]] = {
    "square law on both sides": lambda u: u + 0.08 * u * np.abs(u),
    "little square law": lambda u: u + 0.03 * u * np.abs(u),
    "fifth power": lambda u: u + 0.1 * u**5,
    "cube": lambda u: u + 0.1 * u**3,
    "sinh": lambda u: np.sinh(1.2 * u),
    "square law": lambda u: u + 0.05 * u**2,
    "halves of unequal gain": lambda u: np.where(u > 0, u, 0.9 * u),
}


@pytest.mark.long
@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("hz", [55.0, 700.0])
def test_a_curve_that_grows_has_no_rail(curve: str, hz: float) -> None:
    found = recorded(CURVES[curve], hz)
    assert found.clipping.state == "clean"
    assert found.distortion_seen


LAWS: dict[str, Callable[[Floats], Floats]] = {
    "cube": lambda u: u - 0.04 * u**3,
    "square": lambda u: u + 0.02 * u**2,
    "hyperbolic tangent": lambda u: np.tanh(0.35 * u) / 0.35,
}


@pytest.mark.parametrize(
    ("law", "knee"),
    [
        pytest.param(
            law, knee, marks=() if (law, knee) in (("square", np.inf), ("cube", 8.0)) else pytest.mark.long
        )
        for law in LAWS
        for knee in (np.inf, 8.0, 4.0)
    ],
)
def test_a_law_of_the_stages_own_moves_no_overdrive(law: str, knee: float) -> None:
    """1 % of distortion before rails that the sine goes 0.4 dB beyond, hard ones and algebraic knees."""
    sine_at_rail = 10 ** (-0.4 / 20)
    rail = float(LAWS[law](np.array([sine_at_rail]))[0])

    def shape(u: Floats) -> Floats:
        wave = LAWS[law](u)
        if np.isinf(knee):
            return np.clip(wave, -rail, rail)
        return np.asarray(wave / (1 + np.abs(wave / rail) ** (2 * knee)) ** (0.5 / knee))

    found = recorded(shape, 160).clipping
    assert found.overdrive_db == pytest.approx(0.4, abs=0.02)
    low, high = found.overdrive_interval_db or (0.4, 0.4)
    assert low - 0.02 <= 0.4 <= high + 0.02
    assert knee < np.inf or found.overdrive_interval_db is None  # what a filter rounds looks like a knee


@pytest.mark.parametrize("drive", [0.38, pytest.param(0.42, marks=pytest.mark.long)])
@pytest.mark.parametrize("corner", [None, 0.03, pytest.param(0.11, marks=pytest.mark.long)])
def test_a_mere_curve_is_at_no_rail(drive: float, corner: float | None) -> None:
    """A hyperbolic tangent far below its limit, over 1 % of distortion, alone and behind a coupling: told as a
    curve, or as not known where rails behind a filter fit as well."""
    behind = None if corner is None else lambda f: f / (f - 1j * corner * 200)
    found = recorded(lambda u: np.tanh(drive * u), 200, behind)
    assert found.clipping.state in ("clean", None)
    assert found.clipping.side is None
    told = "compressed_crest" if found.clipping.state == "clean" else "not_by_a_rail"
    assert told in codes(found.notes)
    assert corner is not None or told == "compressed_crest"


SOFT: dict[str, Callable[[Floats], Floats]] = {
    "arctangent": lambda u: np.arctan(3 * u),
    "hyperbolic tangent off its middle": lambda u: np.tanh(1.8 * u + 0.1),
    "two slopes": lambda u: np.sign(u) * np.minimum(np.abs(1.5 * u), 0.8 + 0.1 * np.abs(u)),
}


@pytest.mark.long
@pytest.mark.parametrize("shape", SOFT)
@pytest.mark.parametrize("hz", [55.0, 700.0])
def test_an_output_that_nears_its_limit_softly_is_still_held(shape: str, hz: float) -> None:
    assert recorded(SOFT[shape], hz).clipping.state == "clipped"


def filtered(kind: str, corner_hz: float, order: int) -> Callable[[Floats], np.ndarray]:
    """A Butterworth filter as scipy.signal designs it."""
    b, a = butter(order, 2 * np.pi * corner_hz, kind, analog=True)
    return lambda hz: np.asarray(freqs(b, a, 2 * np.pi * hz)[1])


def held(overdrive_db: float) -> Callable[[Floats], Floats]:
    return lambda u: np.clip(10 ** (overdrive_db / 20) * u, -1, 1)


def test_much_distortion_that_rails_behind_a_filter_may_make_is_not_called_clean() -> None:
    """A free curve of five orders tells the 23 % as well."""
    b, a = ellip(3, 1.1, 49, 2 * np.pi * 85 * 3.25, analog=True)
    found = recorded(held(5.54), 85.0, lambda f: np.asarray(freqs(b, a, 2 * np.pi * f)[1]))
    assert found.clipping.state is None
    assert "not_by_a_rail" in codes(found.notes)


@pytest.mark.long
@pytest.mark.parametrize(
    ("kind", "corner_hz", "order"), [("low", 80.0, 4), ("low", 100.0, 4), ("high", 30.0, 4)]
)
@pytest.mark.parametrize("overdrive_db", [3.0, 6.0])
def test_rails_are_found_through_a_steep_filter(
    kind: str, corner_hz: float, order: int, overdrive_db: float
) -> None:
    found = recorded(held(overdrive_db), 50.0, filtered(kind, corner_hz, order))
    assert found.clipping.state == "clipped"
    assert found.clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.2)
    if found.clipping.overdrive_interval_db is not None:
        assert found.clipping.overdrive_interval_db[0] >= 0


@pytest.mark.parametrize(("order", "corner_hz"), [(4, 44.5), (5, 40.0), (6, 45.0)])
def test_rails_are_found_through_a_high_pass_close_under_the_tone(order: int, corner_hz: float) -> None:
    found = recorded(held(6.0), 50.0, filtered("high", corner_hz, order)).clipping
    assert found.state == "clipped"
    assert found.overdrive_db == pytest.approx(6.0, abs=0.1)


@pytest.mark.parametrize("order", [3, 4, 5, 6])
@pytest.mark.parametrize("kind", ["low", "high"])
def test_steep_filters_are_those_of_scipy(kind: str, order: int) -> None:
    name = f"{kind}-pass {order}" + "b" * (order == 4)
    (family,) = [each for each in FILTERS if each.name == name]
    orders = np.arange(1.0, 12.0)
    ours, _ = Sections.of([family]).responses(np.log([[0.8, 1.0, 1.0]]), orders)
    b, a = butter(order, 0.8, kind, analog=True)
    theirs = freqs(b, a, orders)[1]
    theirs = theirs * np.exp(-1j * orders * np.angle(theirs[0])) / abs(theirs[0])
    np.testing.assert_allclose(ours[0], theirs, atol=1e-6)


def turned_to_the_crest(response: np.ndarray, orders: Floats) -> np.ndarray:
    return np.asarray(response * np.exp(-1j * orders * np.angle(response[0])) / abs(response[0]))


@pytest.mark.parametrize("order", [3, 4, 5, 6])
@pytest.mark.parametrize("ripple_db", [0.5, 3.0])
def test_low_passes_with_ripple_are_those_of_scipy(order: int, ripple_db: float) -> None:
    """The damping and the corner as the docstring of `_rippled` has them."""
    (family,) = [each for each in FILTERS if each.name == f"low-pass {order}" + "b" * (order == 4)]
    orders, corner = np.arange(1.0, 12.0), 2.7
    narrow = np.arcsinh((10 ** (ripple_db / 10) - 1) ** -0.5) / order
    figures = np.log([[corner * np.cosh(narrow), np.tanh(narrow), 1.0]])
    ours, _ = Sections.of([family]).responses(figures, orders)
    theirs = freqs(*cheby1(order, ripple_db, corner, analog=True), orders)[1]
    np.testing.assert_allclose(ours[0], turned_to_the_crest(theirs, orders), atol=1e-6)


@pytest.mark.parametrize(
    ("order", "overdrive_db", "ripple_db", "corner"),
    [(3, 2.2, 1.0, 2.4), (4, 3.2, 2.0, 4.9), (5, 1.3, 0.5, 3.6)],
)
def test_rails_are_found_through_a_low_pass_with_ripple(
    order: int, overdrive_db: float, ripple_db: float, corner: float
) -> None:
    b, a = cheby1(order, ripple_db, 2 * np.pi * 50 * corner, analog=True)
    clip = recorded(held(overdrive_db), 50.0, lambda f: np.asarray(freqs(b, a, 2 * np.pi * f)[1])).clipping
    assert clip.overdrive_db == pytest.approx(overdrive_db, abs=0.1)


@pytest.mark.parametrize(("centre", "q"), [(2.0, 2.0), (1.4, 2.4), (0.6, 1.0)])
def test_rails_are_found_through_a_band_pass(centre: float, q: float) -> None:
    """Closed form of the resonant band-pass of second order: s / (s^2 + s/q + 1), s over the centre."""

    def band(hz: Floats) -> np.ndarray:
        s = 1j * hz / (50 * centre)
        return s / (s * s + s / q + 1)

    clip = recorded(held(2.0), 50.0, band).clipping
    assert clip.overdrive_db == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize(("order", "stop_db", "corner"), [(6, 50, 5.3), (5, 67, 3.7), (4, 47, 3.3)])
def test_distortion_that_rails_behind_an_unknown_filter_make_is_not_told_as_none(
    order: int, stop_db: float, corner: float
) -> None:
    """Elliptic low-passes are not among those that are looked for."""
    b, a = ellip(order, 2.4, stop_db, 2 * np.pi * 50 * corner, analog=True)
    found = recorded(held(3.0), 50.0, lambda f: np.asarray(freqs(b, a, 2 * np.pi * f)[1]))
    span = found.clipping.overdrive_interval_db
    if found.clipping.state is None:
        assert "not_by_a_rail" in codes(found.notes)
    else:
        assert span is not None
        assert span[0] <= 3.0 <= span[1]


@pytest.mark.parametrize("order", [3, 4])
def test_bessel_low_passes_are_those_of_scipy(order: int) -> None:
    (family,) = [each for each in FILTERS if each.name == f"low-pass {order}s"]
    orders = np.arange(1.0, 12.0)
    ours, _ = Sections.of([family]).responses(np.log([[2.3, 1.0, 1.0]]), orders)
    theirs = freqs(*bessel(order, 2.3, analog=True, norm="mag"), orders)[1]
    theirs = theirs * np.exp(-1j * orders * np.angle(theirs[0])) / abs(theirs[0])
    np.testing.assert_allclose(ours[0], theirs, atol=1e-6)


@pytest.mark.parametrize(
    ("order", "overdrive_db", "corner_hz"), [(4, 2.8, 120.0), (3, 1.3, 190.0), (4, 4.0, 250.0)]
)
def test_a_rail_behind_a_bessel_low_pass_is_no_soft_knee(
    order: int, overdrive_db: float, corner_hz: float
) -> None:
    b, a = bessel(order, 2 * np.pi * corner_hz, analog=True, norm="mag")
    found = recorded(held(overdrive_db), 50.0, lambda f: np.asarray(freqs(b, a, 2 * np.pi * f)[1]))
    assert found.clipping.overdrive_db == pytest.approx(overdrive_db, abs=0.05)
    assert "filtered" in codes(found.notes)
    assert "soft_knee" not in codes(found.notes)


@pytest.mark.parametrize("order", [2, 4, 6])
@pytest.mark.parametrize(("tone_hz", "overdrive_db"), [(4044.0, 3.9), (3302.0, 0.85), (4229.0, 4.3)])
def test_few_harmonics_behind_a_low_pass_leave_no_sure_figure(
    order: int, tone_hz: float, overdrive_db: float
) -> None:
    """Four to six orders, the upper ones turned and weakened: what else may have made them is told."""
    b, a = butter(order, 2 * np.pi * 11_000.0, analog=True)
    clip = recorded(held(overdrive_db), tone_hz, lambda f: np.asarray(freqs(b, a, 2 * np.pi * f)[1])).clipping
    assert clip.state != "clean"
    assert clip.overdrive_db is not None
    assert clip.overdrive_uncertainty_db is not None
    low, high = clip.overdrive_interval_db or (clip.overdrive_db, clip.overdrive_db)
    slack = 0.1 + 2 * clip.overdrive_uncertainty_db
    assert low - slack <= overdrive_db <= high + slack


def test_a_linkwitz_riley_filter_is_two_butterworth_sections() -> None:
    orders = np.arange(1.0, 12.0)
    (family,) = [each for each in FILTERS if each.name == "low-pass 4"]
    ours, _ = Sections.of([family]).responses(np.log([[1.3, 1.0, 1.0]]), orders)
    theirs = freqs(*butter(2, 1.3, analog=True), orders)[1] ** 2
    theirs = theirs * np.exp(-1j * orders * np.angle(theirs[0])) / abs(theirs[0])
    np.testing.assert_allclose(ours[0], theirs, atol=1e-6)


def test_clipping_that_a_filter_takes_under_the_limit_is_told_as_clipping() -> None:
    """THD at the output 0.92 %, where the filter begins 23 % (closed form of a sine clipped by 6 dB)."""
    found = recorded(held(6.0), 60.0, filtered("low", 80.0, 4))
    assert found.thd_percent is not None
    assert found.thd_percent < 1.0
    assert found.clipping.state == "clipped"


@pytest.mark.long
@pytest.mark.parametrize(
    ("kind", "corner_hz", "order"), [("low", 80.0, 4), ("low", 60.0, 2), ("high", 80.0, 2)]
)
def test_a_clean_tone_behind_a_filter_is_clean(kind: str, corner_hz: float, order: int) -> None:
    found = recorded(lambda u: u, 50.0, filtered(kind, corner_hz, order))
    assert found.clipping.state == "clean"


@pytest.mark.parametrize("hz", [997.0, 2000.0, 3100.0, 5100.0, 6500.0])
@pytest.mark.parametrize("bend", [0.1, -0.1])
def test_a_third_harmonic_alone_is_no_dead_zone_and_no_rail_for_sure(hz: float, bend: float) -> None:
    """u + b u^3 makes a third of b / 4 / (1 + 3 b / 4) and nothing else, however many orders the band holds."""
    found = recorded(lambda u: u + bend * u**3, hz)
    assert "crossover_distortion" not in codes(found.notes)
    assert found.thd_percent == pytest.approx(abs(25 * bend / (1 + 0.75 * bend)), rel=0.01)
    if found.clipping.state not in ("clean", None):
        assert found.clipping.overdrive_interval_db is not None
        assert found.clipping.overdrive_interval_db[0] <= 0


@pytest.mark.parametrize(("base", "trial"), [(71000, 19), (72000, 10), (75000, 15), (75000, 44), (61000, 24)])
def test_harmonics_that_look_like_the_foot_of_a_knee_by_chance_are_not_told_as_one(
    base: int, trial: int
) -> None:
    """Of tests/movement.py's sets of harmonics of any phases those that rails tell best, of 420."""
    found = FAMILIES["harmonics of odd phases"](np.random.default_rng([base, trial])).measured()
    assert found.clipping.state in ("clean", None)
    assert codes(found.notes) == {"not_by_a_rail"}


@pytest.mark.parametrize(("hz", "named"), [(997.0, True), (3100.0, True), (5100.0, False)])
def test_a_dead_zone_is_named_where_a_fifth_harmonic_shows_it(hz: float, named: bool) -> None:
    found = recorded(lambda u: np.sign(u) * np.maximum(np.abs(u) - 0.03, 0), hz)
    assert ("crossover_distortion" in codes(found.notes)) is named
    assert found.distortion_seen


@pytest.mark.parametrize(("up", "down", "hz"), [(0.90, 0.85, 2675.0), (0.91, 0.83, 2767.0)])
def test_a_slew_limit_that_differs_up_and_down_is_no_dead_zone(up: float, down: float, hz: float) -> None:
    """up, down : steepest slopes over the sine's own; at once following where it may."""

    def slewed(sine: Floats) -> Floats:
        step, out, at = 2 * np.pi / len(sine), np.empty(len(sine)), 0.0
        for _ in range(2):  # the first turn settles
            for place, wanted in enumerate(sine.tolist()):
                at += min(max(wanted - at, -down * step), up * step)
                out[place] = at
        return out

    found = recorded(slewed, hz)
    assert found.clipping.state == "clean"
    assert "crossover_distortion" not in codes(found.notes)
    assert found.distortion_seen


def bent(overdrive_db: float, power: float) -> Callable[[Floats], Floats]:
    """x / (1 + |x|^p)^(1/p): a rail that is neared and never reached."""
    size = 10 ** (overdrive_db / 20)
    return lambda u: size * u / (1 + np.abs(size * u) ** power) ** (1 / power)


@pytest.mark.parametrize(
    ("overdrive_db", "power", "behind"),
    [
        (0.9, 20.0, lambda f: (1 + 1j * f / 90) / (1 + 1j * f / 160)),
        (2.3, 12.0, lambda f: (1j * f / 25) ** 2 / (1 - (f / 25) ** 2 + 1.4j * f / 25)),
    ],
)
def test_rails_that_bend_are_found_through_filters(
    overdrive_db: float, power: float, behind: Callable[[Floats], np.ndarray]
) -> None:
    """A shelf, and a high-pass at half the tone: hard rails behind another filter were half a decibel off."""
    clip = recorded(bent(overdrive_db, power), 50.0, lambda f: np.asarray(behind(f))).clipping
    assert clip.state == "clipped"
    assert clip.overdrive_db == pytest.approx(overdrive_db, abs=0.1)


@pytest.mark.parametrize(("zone", "hz", "corner_hz"), [(0.0008, 1109.0, 16_000.0), (0.0015, 1085.0, 16_500.0)])
def test_a_small_dead_zone_behind_a_low_pass_is_no_rail(zone: float, hz: float, corner_hz: float) -> None:
    """Under 0.1 % of distortion: such a filter turns its harmonics as one near the tone turns a rail's."""
    b, a = butter(2, 2 * np.pi * corner_hz, analog=True)

    def behind(f: Floats) -> np.ndarray:
        return np.asarray(freqs(b, a, 2 * np.pi * f)[1])

    found = recorded(lambda u: np.sign(u) * np.maximum(np.abs(u) - zone, 0), hz, behind, snr_db=95)
    assert found.distortion_seen
    assert found.clipping.state == "clean"


@pytest.mark.parametrize(
    ("hz", "corner", "order", "ripple_db", "stop_db", "overdrive_db"),
    [
        (53.0, 1.99, 4, 0.8, 41.0, 3.7),
        pytest.param(85.0, 2.39, 6, 2.9, 36.0, 3.9, marks=pytest.mark.long),
        (95.0, 2.53, 6, 2.4, 35.0, None),
    ],
)
def test_a_steep_low_pass_that_hides_a_rail_is_told(
    hz: float, corner: float, order: int, ripple_db: float, stop_db: float, overdrive_db: float | None
) -> None:
    """Under 0.5 % comes through an elliptic low-pass; where nothing was made, nothing is told."""
    b, a = ellip(order, ripple_db, stop_db, 2 * np.pi * hz * corner, analog=True)
    shape = held(overdrive_db) if overdrive_db is not None else lambda u: u
    found = recorded(shape, hz, lambda f: np.asarray(freqs(b, a, 2 * np.pi * f)[1]))
    assert found.thd_percent is not None
    assert found.thd_percent < 0.5
    assert ("filter_may_hide" in codes(found.notes)) == (overdrive_db is not None)


def test_a_cube_law_is_no_rail_behind_a_low_pass() -> None:
    """0.18 % of third harmonic, and no more: steep filters behind deep rails leave as little besides."""
    found = recorded(lambda u: u - 0.0072 * u**3, 843.0, snr_db=85)
    assert found.clipping.state == "clean"
