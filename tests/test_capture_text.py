"""Oscilloscope text in its dialects, read back to what was written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainkit.analysis import measure
from gainkit.capture import Capture, read_capture
from gainkit.errors import GainkitError
from gainkit.remarks import codes
from tests.conftest import Answer

STEP = 1e-5
COUNT = 400
VOLTS = np.round(20 * np.sin(2 * np.pi * 997 * STEP * np.arange(COUNT)), 4)
TIMES = STEP * np.arange(COUNT) - 0.001


def rows(*columns: np.ndarray, separator: str = ",", decimal: str = ".", form: str = "%.7g") -> list[str]:
    """Lines of a table."""
    return [separator.join((form % x).replace(".", decimal) for x in row) for row in zip(*columns, strict=True)]


def quoted(lines: list[str]) -> list[str]:
    """Cells in quotes, separated by commas, their own decimal commas kept."""
    return [f'"{line}"'.replace(";", '","') for line in lines]


def written(tmp_path: Path, lines: list[str], end: str = "\n", encoding: str = "utf-8") -> Capture:
    path = tmp_path / "trace.csv"
    path.write_bytes((end.join(lines) + end).encode(encoding))
    return read_capture(path)


def agree(capture: Capture, channel: int = 1, volts: np.ndarray = VOLTS, rate: float = 1 / STEP) -> None:
    assert capture.sample_rate_hz == pytest.approx(rate, rel=1e-6)
    np.testing.assert_allclose(capture.volts(channel=channel), volts, rtol=1e-6, atol=1e-9)
    assert capture.calibrated


DIALECTS: dict[str, list[str]] = {
    "comma": ["Time,CH1", *rows(TIMES, VOLTS)],
    "units row": ["Time,CH1", "s,V", *rows(TIMES, VOLTS)],
    "units in brackets": ["Time (ms),CH1 (mV)", *rows(TIMES * 1e3, VOLTS * 1e3)],
    "micro": ["Time [\u00b5s];Voltage [kV]", *rows(TIMES * 1e6, VOLTS / 1e3, separator=";")],
    "nanoseconds row": ["t,u", "ns,mV", *rows(TIMES * 1e9, VOLTS * 1e3)],
    "no heading": rows(TIMES, VOLTS),
    "tabs": ["Time\tCH1", *rows(TIMES, VOLTS, separator="\t")],
    "blanks": ["# time volts", *rows(TIMES, VOLTS, separator="   ")],
    "semicolon and decimal comma": ["Zeit;Kanal A", "(s);(V)", *rows(TIMES, VOLTS, separator=";", decimal=",")],
    "tab and decimal comma": ["Time\tCH1", *rows(TIMES, VOLTS, separator="\t", decimal=",")],
    "quoted decimal comma": ['"Time","CH1"', *quoted(rows(TIMES, VOLTS, separator=";", decimal=","))],
    "trailing separator": ["Time,CH1,", *(line + "," for line in rows(TIMES, VOLTS))],
    "spaces after commas": ["Time, CH1", *rows(TIMES, VOLTS, separator=", ")],
    "preamble": [
        "Model,bench scope", "Record length,400", "Sample interval,1e-05", "Vertical units,V", "", "Time,CH1",
        *rows(TIMES, VOLTS),
    ],
    "exponents with D": ["Time,CH1", *(line.replace("e", "D") for line in rows(TIMES, VOLTS, form="%.9e"))],
    "comment lines": ["% recorded at the bench", "# Time,CH1", *rows(TIMES, VOLTS)],
    "index, time, volts": ["Sample,Time (s),CH1 (V)", *rows(np.arange(COUNT), TIMES, VOLTS)],
    "interval in the preamble only": ["Sample interval,10 us", "CH1", *rows(VOLTS)],
    "rate in the preamble only": ["Sample rate: 100 kHz", "Volt", *rows(VOLTS)],
    "increment, then volts": ["Increment,Start", "1e-05,-0.001", "CH1 (V)", *rows(VOLTS)],
    "index and volts with an interval": ["dt = 1e-5 s", "n,CH1", *rows(np.arange(COUNT), VOLTS)],
    "semicolons above commas": ["Time;CH1", "s;mV", *rows(TIMES, VOLTS * 1e3)],
    "commas above semicolons": [
        "Time (ms),CH1 (mV)", *rows(TIMES * 1e3, VOLTS * 1e3, separator=";", decimal=","),
    ],
    "tabs above commas": ["t\tu", "ms\tmV", *rows(TIMES * 1e3, VOLTS * 1e3)],
    "names with digits": ["X,CH1", "s,Volt", *rows(TIMES, VOLTS)],
}  # fmt: skip


@pytest.mark.parametrize("name", DIALECTS)
def test_dialect(tmp_path: Path, name: str) -> None:
    agree(written(tmp_path, DIALECTS[name]))


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"])
def test_line_ends_and_encodings(tmp_path: Path, end: str, encoding: str) -> None:
    agree(written(tmp_path, DIALECTS["micro"], end, encoding))


def test_two_channels_and_a_repeated_time_column(tmp_path: Path) -> None:
    other = np.round(VOLTS[::-1] / 2, 4)
    capture = written(tmp_path, ["Time,CH1,Time,CH2", "s,V,s,mV", *rows(TIMES, VOLTS, TIMES, other * 1e3)])
    assert capture.channels == 2
    assert capture.channel_names == ("CH1", "CH2")
    agree(capture)
    agree(capture, 2, other)
    np.testing.assert_allclose(capture.volts(channel=1, minus=2), VOLTS - other, atol=1e-9)
    assert capture.first_time_seconds == pytest.approx(-0.001)


def test_time_of_limited_resolution(tmp_path: Path) -> None:
    """Times to 0.1 ms, ten rows alike: the interval comes from the whole column."""
    capture = written(tmp_path, ["Time,CH1", *rows(np.round(TIMES, 4), VOLTS)])
    assert capture.sample_rate_hz == pytest.approx(1 / STEP, rel=2e-3)


def test_interval_by_option(tmp_path: Path) -> None:
    path = tmp_path / "volts.txt"
    path.write_text("\n".join(rows(VOLTS)) + "\n")
    agree(read_capture(path, interval_seconds=STEP))
    with pytest.raises(GainkitError) as fault:
        read_capture(path)
    assert (fault.value.code, fault.value.parameter) == ("no_interval", "interval_seconds")
    path.write_text("\n".join(rows(TIMES, VOLTS)) + "\n")
    with pytest.raises(GainkitError) as fault:
        read_capture(path, interval_seconds=2 * STEP)
    assert fault.value.code == "interval_contradicts"
    assert fault.value.values["own_seconds"] == pytest.approx(STEP)


def test_a_torn_last_line_is_told(tmp_path: Path) -> None:
    path = tmp_path / "torn.csv"
    path.write_text("Time,CH1\n" + "\n".join(rows(TIMES, VOLTS)) + "\n0.00")
    capture = read_capture(path)
    agree(capture)
    assert codes(capture.notes) == {"last_line_cut_off"}


def test_blank_cells_and_words_for_missing_values_are_refused_with_their_line(tmp_path: Path) -> None:
    for word in ("", "nan", "****", "OVL"):
        lines = ["Time,CH1", *rows(TIMES, VOLTS)]
        lines[201] = lines[201].split(",")[0] + "," + word
        capture = written(tmp_path, lines)
        with pytest.raises(GainkitError) as fault:
            capture.volts()
        assert fault.value.code == "no_usable_number"
        assert fault.value.values["line"] == 202
        assert "line 202: channel 1" in fault.value.problem


def test_rows_of_bare_separators_behind_the_table_are_left_out(tmp_path: Path) -> None:
    agree(written(tmp_path, ["Time,CH1", *rows(TIMES, VOLTS), *[","] * 30]))


@pytest.mark.parametrize("row", ["{time},", ","])
def test_around_blank_cells_the_longest_whole_part_is_measured(tmp_path: Path, row: str) -> None:
    times = np.arange(4000) * 1e-5
    volts = 5 * np.sin(2 * np.pi * 1000 * times)
    lines = ["Time,CH1", *rows(times, volts)]
    for place in range(1501, 1506):
        lines[place] = row.format(time=lines[place].split(",")[0])
    found = measure(written(tmp_path, lines))
    assert found.rms_volts == pytest.approx(5 / 2**0.5, rel=1e-4)
    assert found.seconds == pytest.approx(2495e-5, rel=0.01)
    (gap,) = [note for note in found.notes if note.code == "gap_left_out"]
    assert gap.values["from_seconds"] == pytest.approx(1505e-5, abs=2e-5)


def test_a_blank_cell_in_another_channel_does_no_harm(tmp_path: Path) -> None:
    lines = ["Time,CH1,CH2", *rows(TIMES, VOLTS, VOLTS)]
    lines[201] = ",".join([*lines[201].split(",")[:2], ""])
    agree(written(tmp_path, lines))


@pytest.mark.parametrize(
    ("lines", "code"),
    [
        (["Dear technician,", "this is a letter.", "Yours"], "no_table"),
        (["Time,CH1", *rows(TIMES, VOLTS)[:200], *rows(TIMES + 0.01, VOLTS)[200:]], "time_uneven"),
        (["Time,CH1", *rows(-TIMES, VOLTS)], "time_not_rising"),
        (
            ["Time,CH1", *rows(TIMES, VOLTS)[:100], "half a page of remarks", *rows(TIMES, VOLTS)[100:]],
            "row_differs",
        ),
        (["Time", "s", *rows(TIMES)], "no_volts"),
    ],
)
def test_what_is_no_trace_is_refused(tmp_path: Path, lines: list[str], code: str) -> None:
    with pytest.raises(GainkitError) as fault:
        written(tmp_path, lines)
    assert fault.value.code == code
    assert str(tmp_path) in fault.value.problem
    if code == "row_differs":
        assert fault.value.values["line"] == 102


def test_calibration_of_text_is_not_used_and_told(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    written(tmp_path, DIALECTS["comma"])
    found = gainkit("measure", tmp_path / "trace.csv", "--full-scale-volts", 60, "--json").json
    assert "calibration_not_used" in [note["code"] for note in found["notes"]]


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    separator=st.sampled_from([",", ";", "\t", " ", "  ", "|", ", "]),
    decimal=st.sampled_from([".", ","]),
    channels=st.integers(1, 3),
    heading=st.booleans(),
    end=st.sampled_from(["\n", "\r\n"]),
    seed=st.integers(0, 1000),
    scale=st.sampled_from([1e-3, 1.0, 100.0]),
)
def test_random_tables_read_back(
    tmp_path_factory: pytest.TempPathFactory,
    separator: str, decimal: str, channels: int, heading: bool, end: str, seed: int, scale: float,
) -> None:  # fmt: skip
    if decimal == "," and separator.strip() == ",":
        return
    table = scale * np.random.default_rng(seed).standard_normal((60, channels))
    lines = rows(TIMES[:60], *table.T, separator=separator, decimal=decimal, form="%.8e")
    if heading:
        lines.insert(0, separator.join(["Time", *(f"CH{n + 1}" for n in range(channels))]))
    capture = written(tmp_path_factory.mktemp("table"), lines, end)
    assert capture.channels == channels
    for channel in range(channels):
        np.testing.assert_allclose(capture.volts(channel=channel + 1), table[:, channel], rtol=1e-7)


def mangled(content: bytes, draw: np.random.Generator) -> bytes:
    """A file cut, overwritten or doubled at random places."""
    data = bytearray(content)
    for _ in range(int(draw.integers(1, 4))):
        at = int(draw.integers(0, max(len(data), 1)))
        kind = draw.integers(0, 4)
        if kind == 0:
            del data[at:]
        elif kind == 1:
            data[at : at + 4] = draw.integers(0, 256, 4, dtype=np.uint8).tobytes()
        elif kind == 2:
            data[at:at] = data[: int(draw.integers(0, 200))]
        else:
            del data[at : at + int(draw.integers(0, 300))]
    return bytes(data)


def check_mangled(path: Path, content: bytes, draw: np.random.Generator) -> None:
    """A mangled file is a capture or a fault of the user's side, never anything else."""
    path.write_bytes(mangled(content, draw))
    told = ""
    try:
        capture = read_capture(path)
        assert sum(len(block) for block in capture.blocks()) <= capture.frames
    except GainkitError as fault:
        told = fault.problem
    assert not told or str(path) in told


@pytest.mark.parametrize("name", ["comma", "semicolon and decimal comma", "preamble", "quoted decimal comma"])
def test_mangled_text(tmp_path: Path, name: str) -> None:
    content = ("\n".join(DIALECTS[name]) + "\n").encode()
    draw = np.random.default_rng(7)
    for _ in range(150):
        check_mangled(tmp_path / "mangled.csv", content, draw)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_units_in_the_cells_are_refused_with_the_way_out(separator: str, tmp_path: Path) -> None:
    """Split at blanks, the times would pass for volts."""
    rows = [f"{number / 100:.2f} ms{separator}{np.sin(number / 5):.3f} V" for number in range(200)]
    (tmp_path / "units.csv").write_text("\n".join([f"Time{separator}CH1", *rows]))
    with pytest.raises(GainkitError) as fault:
        read_capture(tmp_path / "units.csv", interval_seconds=1e-5)
    assert fault.value.code == "units_in_cells"
