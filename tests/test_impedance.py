"""The impedance of a load from two voltages: closed forms, a simulated loudspeaker, the command, refusals."""

from __future__ import annotations

import cmath
import math
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.impedance import impedance_curve, resonance
from gainkit.verbs.loads import find_impedance
from tests.conftest import DATA, Answer

RATE = 48_000.0
CIRCUIT = (DATA / "circuits" / "loudspeaker.cir").as_posix()


def two_tones(load: complex, series: float, hertz: float = 50.0, noise: float = 0.0) -> np.ndarray:
    """A second of volts across a load and across the resistor, 1 A peak, Ohm's law for phasors."""
    turn = 2 * np.pi * hertz * np.arange(int(RATE)) / RATE + 0.4
    across = abs(load) * np.sin(turn + cmath.phase(load))
    both = np.stack([across, series * np.sin(turn)], axis=1)
    return both + noise * np.random.default_rng(5).standard_normal(both.shape)


# ---- a tone ------------------------------------------------------------------------------------------------


@settings(max_examples=12)
@given(st.floats(0.5, 50), st.floats(-80, 80), st.floats(0.1, 20), st.floats(40, 2000), st.booleans())
def test_one_point_by_ohms_law(ohms: float, degrees: float, series: float, hertz: float, both: bool) -> None:
    load = cmath.rect(ohms, math.radians(degrees))
    samples = two_tones(load, series, hertz)
    if both:
        samples[:, 0] += samples[:, 1]  # Kirchhoff: the volts across both are their sum
    tone = Capture.from_array(samples, RATE)
    found = find_impedance(tone, tone, series_ohms=series, across_both=both)
    assert found.ohms == pytest.approx(ohms, rel=1e-4)
    assert found.phase_degrees == pytest.approx(degrees, abs=0.02)
    assert found.resistance_ohms == pytest.approx(load.real, abs=3e-4 * ohms)
    assert found.reactance_ohms == pytest.approx(load.imag, abs=3e-4 * ohms)
    assert found.watts == pytest.approx(0.5 * load.real, abs=4e-4 * ohms)  # 1 A peak: half an ampere squared


def test_apart_only_the_size_is_known() -> None:
    samples = two_tones(cmath.rect(4, 0.5), 1.0)
    first, second = (Capture.from_array(samples[:, place], RATE) for place in (0, 1))
    found = find_impedance(first, second, series_ohms=1)
    assert found.ohms == pytest.approx(4, rel=1e-6)
    assert found.phase_degrees is None
    assert found.watts is None
    assert "no_phase" in [note.code for note in found.notes]
    assert "series_resistor_hot" not in [note.code for note in found.notes]
    hot = find_impedance(*(Capture.from_array(3 * samples[:, each], RATE) for each in (0, 1)), series_ohms=1)
    assert "series_resistor_hot" in [note.code for note in hot.notes]  # 3 A peak through 1 ohm: 4.5 W


@settings(max_examples=12)
@given(st.floats(0.005, 2), st.floats(1, 16))
def test_output_resistance_from_open_and_loaded_volts(output: float, load: float) -> None:
    """Voltage divider: U_loaded = U_open R / (R + R_out)."""
    turn = 2 * np.pi * 50 * np.arange(int(RATE / 2)) / RATE
    volts = [Capture.from_array(10 * share * np.sin(turn), RATE) for share in (1.0, load / (load + output))]
    found = find_impedance(*volts, load_ohms=load)
    assert found.output_ohms == pytest.approx(output, abs=1e-6 * load)
    assert ("no_drop_seen" in [note.code for note in found.notes]) is (output / load < 0.002)


# ---- a sweep -----------------------------------------------------------------------------------------------


def test_curve_against_a_simulated_loudspeaker(oracle: Callable[[str], str], tmp_path: Path) -> None:
    """ngspice plays a sweep of 1.2 s, 15 Hz to 3 kHz, through 2 ohm into the electromechanical circuit of
    tests/data; its own AC analysis of the same circuit is the truth. Nothing of gainkit is in the netlists."""
    deck = f".include {CIRCUIT}\nX1 top low loudspeaker\nR1 low 0 2\n.options reltol=1e-6\n"
    rate, phase = math.log(3000 / 15) / 1.2, 2 * math.pi * 15 / (math.log(3000 / 15) / 1.2)
    swept = (
        f"sweep\n{deck}B1 top 0 V=(time < 1.2) ? sin({phase!r}*(exp({rate!r}*time)-1)) : 0\n.control\n"
        "set numdgt=9\ntran 31.25u 1.5 0 15.625u\nlinearize v(top) v(low)\n"
        "wrdata swept.data v(top) v(low)\nquit\n.endc\n.end\n"
    )
    truth = (
        f"truth\n{deck}V1 top 0 ac 1\n.control\nset numdgt=9\nac dec 400 15 3000\n"
        "let z = 2*(v(top)-v(low))/v(low)\nwrdata truth.data real(z) imag(z)\nquit\n.endc\n.end\n"
    )
    for name, text in (("swept", swept), ("truth", truth)):
        (tmp_path / f"{name}.cir").write_text(text)
        subprocess.run(
            [oracle("ngspice"), "-b", f"{name}.cir"],
            cwd=tmp_path,
            capture_output=True,
            check=False,
            timeout=600,
        )
    sweep = np.loadtxt(tmp_path / "swept.data")
    exact = np.loadtxt(tmp_path / "truth.data")
    hertz, ohms = exact[:, 0], exact[:, 1] + 1j * exact[:, 3]
    recording = Capture.from_array(sweep[:, [1, 3]], 1 / 31.25e-6)
    found = find_impedance(recording, recording, series_ohms=2, across_both=True, min_ohms=4)
    middle = [point for point in found.curve if 20 < point.frequency_hz < 2500]
    assert len(middle) > 24 * 6.5  # nearly seven octaves
    for point in middle:
        right = complex(
            np.interp(point.frequency_hz, hertz, ohms.real), np.interp(point.frequency_hz, hertz, ohms.imag)
        )
        assert point.ohms == pytest.approx(abs(right), rel=0.005)
        assert point.phase_degrees == pytest.approx(
            math.degrees(cmath.phase(right)), abs=1.5
        )  # 5 bins are 3.3 Hz
    upper = hertz > 100
    least = int(np.argmin(np.abs(ohms) + 1e9 * ~upper))
    assert found.least_ohms == pytest.approx(min(abs(ohms[least]), abs(ohms[0])), rel=0.005)
    peak = int(np.argmax(np.abs(ohms)))
    assert found.resonance_hz == pytest.approx(hertz[peak], rel=0.01)
    assert found.resonance_ohms == pytest.approx(abs(ohms[peak]), rel=0.02)
    assert found.resonance_hz == pytest.approx(1 / (2 * math.pi * math.sqrt(0.02 * 0.4e-3)), rel=0.02)
    assert found.allowed is True  # 3.3 ohm: IEC 60268-5 lets 4 ohm fall to 3.2
    assert find_impedance(recording, recording, series_ohms=2, across_both=True, min_ohms=6).allowed is False


def resonant_noise(seconds: float = 4.0, noise: float = 0.0) -> tuple[np.ndarray, Callable[[float], complex]]:
    """White current through 4 ohm in series with 40 ohm, 5.7 mH and 1.2 mF in parallel, by spectra."""
    random = np.random.default_rng(11)
    count = int(RATE * seconds)
    current = np.fft.rfft(random.standard_normal(count))

    def impedance(hertz: float) -> complex:
        turn = 2j * math.pi * hertz
        return 4 + 1 / (1 / 40 + 1 / (turn * 5.7e-3) + turn * 1.2e-3)

    axis = np.fft.rfftfreq(count, 1 / RATE)
    across = np.array([4.0, *(impedance(each) for each in axis[1:])]) * current
    both = np.stack([np.fft.irfft(across, count), np.fft.irfft(current, count)], axis=1)
    return both + noise * random.standard_normal(both.shape), impedance


def test_noise_gives_the_curve_as_well_and_other_noise_is_not_taken_for_it() -> None:
    both, impedance = resonant_noise()
    curve = impedance_curve(both[:, 0], both[:, 1], RATE, 1.0)
    far = [point for point in curve if point.frequency_hz > 200]
    assert far
    assert all(point.ohms == pytest.approx(abs(impedance(point.frequency_hz)), rel=0.01) for point in far)
    top = resonance(curve)
    assert top is not None
    assert top[0] == pytest.approx(1 / (2 * math.pi * math.sqrt(5.7e-3 * 1.2e-3)), rel=0.03)
    apart = np.random.default_rng(2).standard_normal((2, int(RATE)))
    assert len([p for p in impedance_curve(*apart, RATE, 1.0) if p.frequency_hz > 300]) == 0
    flat = impedance_curve(4 * apart[0], apart[0], RATE, 1.0)
    assert resonance(flat) is None
    assert {round(point.ohms, 9) for point in flat} == {4.0}


# ---- the command and its refusals --------------------------------------------------------------------------


def test_load_from_captures(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    path = tmp_path / "both.wav"
    soundfile.write(path, 0.1 * two_tones(cmath.rect(1.5, 0.3), 1.0), int(RATE), subtype="FLOAT")
    call = ("load", "--from-captures", path, path, "--series-ohms", "1 ohm", "--full-scale-volts", 10)
    answer = gainkit(*call, "--min-ohms", 2, "--json").json
    assert answer["ohms"] == pytest.approx(1.5, rel=1e-5)
    assert answer["allowed"] is False
    assert answer["notes"][0]["code"] == "load_below_minimum"
    out = gainkit(*call, "--min-ohms", 2).out
    assert out.splitlines()[1].startswith("   DO NOT CONNECT")
    assert "ohmmeter from that lead to chassis ground" in " ".join(out.split())
    assert gainkit(*call).out.splitlines()[1].startswith("   1.5 ohm   at 50 Hz")
    assert gainkit(*call, "--min-ohms", 1.8, "--json").json["allowed"] is True  # 80 % of it are 1.44 ohm
    assert gainkit(*call, "--min-ohms", 1.8, "--bridged", "--json").json["allowed"] is False


@pytest.mark.parametrize(
    ("extra", "code", "parameter"),
    [
        ((), "needs_one_of", "series_ohms"),
        (("--series-ohms", 1, "--load-ohms", 4), "not_both", "series_ohms"),
        (("--load-ohms", 4, "--across-both"), "needs_other", "across_both"),
        (("--series-ohms", 0), "outside_range", "series_ohms"),
        (("--series-ohms", 1, "--coil-ohms", 4), "not_both", "coil_ohms"),
        (("--series-ohms", 1, "--other-channel", 5), "no_such_channel", "channel"),
    ],
)
def test_what_cannot_be_measured_is_refused(
    extra: tuple[object, ...], code: str, parameter: str, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    path = tmp_path / "both.wav"
    soundfile.write(path, 0.1 * two_tones(4, 1.0), int(RATE), subtype="FLOAT")
    fault = gainkit("load", "--from-captures", path, path, *extra, "--json").fault
    assert (fault["code"], fault["parameter"]) == (code, parameter)


def test_recordings_that_do_not_go_together_are_refused() -> None:
    tone, other = (Capture.from_array(two_tones(4, 1.0, hertz), RATE) for hertz in (50, 60))
    noise = Capture.from_array(np.random.default_rng(1).standard_normal((48_000, 2)), RATE)
    for first, second, options, code in (
        (tone, other, {"series_ohms": 1}, "different_tones_recorded"),
        (tone, other, {"series_ohms": 1, "across_both": True}, "needs_one_recording"),
        (noise, tone, {"series_ohms": 1}, "needs_one_recording"),
        (noise, tone, {"load_ohms": 4}, "tone_not_steady"),
        (Capture.from_array(0.1 * two_tones(4, 1.0), RATE), tone, {"load_ohms": 4}, "open_below_loaded"),
        (
            Capture.from_array(two_tones(4, 1.0), RATE, calibrated=False),
            tone,
            {"series_ohms": 1},
            "calibrations_differ",
        ),
        (noise, noise, {"series_ohms": 1}, "no_impedance_seen"),
    ):
        with pytest.raises(GainkitError) as fault:
            find_impedance(first, second, **options)  # type: ignore[arg-type]
        assert fault.value.code == code
        assert fault.value.problem != code


def test_load_without_figures_says_what_it_takes(gainkit: Callable[..., Answer]) -> None:
    assert gainkit("load", "--json").fault["code"] == "needs_one_of"
    assert gainkit("load", "--coil-ohms", 4, "--series-ohms", 1, "--json").fault["code"] == "needs_other"
