"""Figures typed as people do: on the command line, and the slips in a system file that have a name."""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from typer.main import get_command

from gainkit.cli.app import ROOMS
from gainkit.cli.typed import joined_units
from gainkit.cli.usage import python_parameter
from gainkit.errors import GainkitError
from gainkit.figures_typed import UNITS, parse_figure, unit_of
from tests.conftest import Answer


@pytest.mark.parametrize(
    ("text", "unit", "figure"),
    [
        ("4,5", "V", 4.5), ("4.5", "V", 4.5), ("17.3V", "V", 17.3), ("17,3 V", "V", 17.3), ("500 mV", "V", 0.5),
        ("500mV rms", "V", 0.5), ("2.83 Vrms", "V", 2.83), ("1,41 Vp", "V peak", 1.41),
        ("14.4 VDC", "V DC", 14.4),
        ("75W", "W", 75), ("75 W", "W", 75), ("1.2kW", "W", 1200), ("4 ohm", "ohm", 4), ("4 Ohms", "ohm", 4),
        ("4Ω", "ohm", 4), ("4 \u2126", "ohm", 4), ("1.2 kohm", "ohm", 1200), ("4k7", "ohm", 4700),
        ("2R2", "ohm", 2.2), ("20 mohm", "ohm", 0.02), ("1 Mohm", "ohm", 1e6), ("-5dB", "dB", -5),
        ("\u22125 dB", "dBFS", -5), ("\u20135", "dBFS", -5), ("-5 dBFS", "dBFS", -5), ("1 kHz", "Hz", 1000),
        ("997HZ", "Hz", 997), ("44,1 kHz", "Hz", 44100), ("10 ms", "s", 0.01), ("2 min", "s", 120),
        ("1,5 %", "%", 1.5), ("80 %", "fraction", 0.8), ("0,8", "fraction", 0.8), ("16 ft", "m", 4.8768),
        ("25 mm²", "mm2", 25), ("60 °C", "C", 60), ("100A", "A", 100), ("1nF", "pF", 1000), ("1e3", "Hz", 1000),
        ("0,125", "V", 0.125), (",5", "V", 0.5), ("1234,567", "V", 1234.567), ("\uff14\uff0e\uff15", "V", 4.5),
        ("17.3\u00a0V", "V", 17.3),
    ],
)  # fmt: skip
def test_what_people_type(text: str, unit: str, figure: float) -> None:
    """Multiples by the prefixes of the SI; the letter as point by IEC 60062; the foot is 0.3048 m."""
    assert parse_figure(text, unit) == pytest.approx(figure, rel=1e-15)
    assert math.copysign(1, parse_figure(text, unit)) == math.copysign(1, figure)


@pytest.mark.parametrize(
    ("text", "unit", "code"),
    [
        ("75 V", "W", "wrong_unit"), ("4 W", "ohm", "wrong_unit"), ("17.3 Vpp", "V", "wrong_unit"),
        ("17.3 Vp", "V", "wrong_unit"), ("1 Vrms", "V peak", "wrong_unit"), ("14.4 Vrms", "V DC", "wrong_unit"),
        ("5 MV", "V", "wrong_unit"), ("5 MOHM", "ohm", "wrong_unit"), ("3 dBFS", "dB", "wrong_unit"),
        ("3 dBV", "dB", "wrong_unit"), ("140 F", "C", "wrong_unit"), ("4 AWG", "mm2", "wrong_unit"),
        ("4 V", None, "wrong_unit"), ("1,500", "W", "comma_or_thousands"),
        ("1,234,567", "W", "comma_or_thousands"), ("1,414 V", "V", "comma_or_thousands"),
        ("1,500.5", "W", "comma_or_thousands"), ("1.500,5", "W", "not_a_number"), ("4 5", "W", "not_a_number"),
        ("much", "W", "not_a_number"), ("", "W", "not_a_number"), ("--5", "dB", "not_a_number"),
        ("4-5", "V", "not_a_number"), ("V 5", "V", "not_a_number"), ("5,", "V", "not_a_number"),
    ],
)  # fmt: skip
def test_nothing_is_guessed(text: str, unit: str | None, code: str) -> None:
    with pytest.raises(GainkitError) as fault:
        parse_figure(text, unit, "watts")
    assert (fault.value.code, fault.value.parameter, fault.value.received) == (code, "watts", text)


@given(st.floats(-1e6, 1e6, allow_subnormal=False), st.sampled_from(sorted(UNITS)), st.booleans())
def test_every_word_of_every_unit_scales_and_nothing_else(value: float, unit: str, comma: bool) -> None:
    for word, factor in UNITS[unit].items():
        text = f"{value:.6f}".replace(".", "," if comma else ".")  # six decimals are no thousands
        assert parse_figure(f"{text} {word}", unit) == pytest.approx(round(value, 6) * factor, rel=1e-12)
        assert parse_figure(f"{text}{word}", unit) == parse_figure(f"{text} {word}", unit)


def test_every_number_of_every_command_has_a_unit_or_is_known_to_have_none() -> None:
    app = typer.Typer()
    for room in ROOMS:
        importlib.import_module(f"gainkit.cli.{room}").register(app)
    bare = set()

    def walk(command: object) -> None:
        for parameter in command.params:  # type: ignore[attr-defined]
            if (
                type(parameter.type).__name__ == "FloatParamType"
                and unit_of(python_parameter(parameter)) is None
            ):
                bare.add(parameter.name)
        for inner in getattr(command, "commands", {}).values():
            walk(inner)

    walk(get_command(app))
    assert bare == set()


def test_commands_take_them(gainkit: Callable[..., Answer]) -> None:
    plainly = gainkit(
        "target", "--watts", 75, "--ohms", 4, "--overlap-db", 4.5, "--tone-dbfs", -5, "--json"
    ).json
    for call in (
        ("--watts", "75W", "--ohms", "4 ohm", "--overlap-db", "4,5dB", "--tone-dbfs", "-5dB"),
        ("--watts", "75", "W", "--ohms", "4", "ohm", "--overlap-db", "4,5", "dB", "--tone-dbfs=-5 dBFS"),
        ("--rating", "75W@4 ohm", "--overlap-db", "4,5", "--tone-dbfs", "\u22125"),
    ):
        assert gainkit("target", *call, "--json").json == plainly
    for call, code, name in (
        (("--watts", "75V", "--ohms", 4), "wrong_unit", "watts"),
        (("--watts", "1,500", "--ohms", 4), "comma_or_thousands", "watts"),
        (("--watts", 75, "--ohms", 4, "--source-volts", "4 Vpp"), "wrong_unit", "source_volts"),
        (("--watts", 75, "W", "x", "--ohms", 4), "usage", None),
    ):
        fault = gainkit("target", *call, "--json").fault
        assert (fault["code"], fault["parameter"]) == (code, name)
    assert (
        "'Vpp' is no unit of it"
        in gainkit("target", "--watts", 75, "--ohms", 4, "--source-volts", "4Vpp").refused()
    )
    assert (
        gainkit("tones", "write", "phone", "x", "--rate", "44,05 Hz", "--json").fault["code"] == "not_a_number"
    )
    assert gainkit("measure", "none.wav", "--band-hz", "10Hz:20kHz", "--json").fault["code"] != "not_a_band"


def test_a_unit_by_itself_is_joined_only_to_its_own_option() -> None:
    assert joined_units(["--ohms", "4", "ohm", "x.wav"]) == ["--ohms", "4 ohm", "x.wav"]
    assert joined_units(["--start", "1", "m"]) == ["--start", "1", "m"]
    assert joined_units(["--log", "4", "ohm"]) == ["--log", "4", "ohm"]
    assert joined_units(["4", "ohm"]) == ["4", "ohm"]


HEAD = '[supply]\nvolts = 14.4\n[[channel]]\nname = "Für’s Heck"\nload_ohms = 4\nrated_watts = 75\n'


@pytest.mark.parametrize(
    ("line", "code", "column", "said"),
    [
        ("rated_ohms = 4,5", "toml_comma", 15, "4.5"),
        ("ratings = [{ watts = 75,5, ohms = 4 }]", "toml_comma", 24, "75.5"),
        ("fed_by = “preamp”", "toml_sign", 10, "left double quotation mark"),
        ("fed_by = ‘preamp’", "toml_sign", 10, "left single quotation mark"),
        ("fed_by = „preamp“", "toml_sign", 10, "double low-9 quotation mark"),
        ("margin_db = \u22123", "toml_sign", 13, "minus sign"),
        ("rated_ohms\u00a0= 4", "toml_sign", 11, "no-break space"),
    ],
)
def test_slips_in_a_system_file_are_named_by_line_and_sign(
    line: str, code: str, column: int, said: str, tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    path = tmp_path / "system.toml"
    path.write_text(HEAD + line + "\n", encoding="utf-8")
    answer = gainkit("plan", path, "--json")
    assert answer.fault["code"] == code
    assert f"line 7, column {column}" in answer.fault["text"]
    assert said in answer.err


def test_other_faults_of_a_system_file_keep_their_reason(
    tmp_path: Path, gainkit: Callable[..., Answer]
) -> None:
    """A curly quote inside proper quotes is no slip, and a comma in a remark neither."""
    path = tmp_path / "system.toml"
    path.write_text(HEAD + "tone_hz = = 4 # “4,5”\n", encoding="utf-8")
    assert gainkit("plan", path, "--json").fault["code"] == "not_toml"
