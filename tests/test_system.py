"""System files: what is read, what is refused and how, and the plan that follows."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import gainkit.job
from gainkit.calculator.feed_model import FeedFacts
from gainkit.calculator.feeds import awg_square_mm, power_feed
from gainkit.cli.plain import spreadsheet_cell
from gainkit.errors import GainkitError
from gainkit.job import load_system, plan_system
from gainkit.job.keys import CHANNEL_KEYS, TABLES
from gainkit.job.plan import Plan, channel_plan, system_feed
from gainkit.job.schema import key_lines, shown
from gainkit.remarks import codes

SYSTEMS = Path(__file__).parent / "data" / "systems"
EXAMPLE = Path(gainkit.job.__file__).parent / "example_system.toml"

SMALLEST = """
[source]
name = "Radio"
preamp_volts = 5
[supply]
volts = 14.4
[[channel]]
name = "Front"
rated_watts = 75
rated_ohms = 4
load_ohms = 4
"""


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "system.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def fault_of(path: Path) -> GainkitError:
    with pytest.raises(GainkitError) as caught:
        plan_system(load_system(path))
    assert caught.value.remedy
    return caught.value


def codes_of(path: Path) -> set[str]:
    """Codes of all faults of a file."""
    fault = fault_of(path)
    return {each.code for each in getattr(fault, "faults", (fault,))}


def planned(folder: Path, text: str) -> Plan:
    return plan_system(load_system(written(folder, text)))


# ---- what is read ------------------------------------------------------------------------------------------


def test_the_smallest_file_of_the_interface_page(tmp_path: Path) -> None:
    plan = plan_system(load_system(written(tmp_path, SMALLEST)))
    assert plan.channels[0].set_volts == pytest.approx(17.3205, abs=1e-4)
    assert plan.channels[0].sensitivity_in_range is None
    assert plan.source.preamp_volts == 5


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path) -> None:
    text = b"\xef\xbb\xbf" + SMALLEST.replace("\n", "\r\n").encode()
    assert load_system(written(tmp_path, text)).channels[0].name == "Front"


def test_every_key_of_the_whole_car_arrives() -> None:
    system = load_system(SYSTEMS / "whole_car.toml")
    front, centre, rear, sub, measured = system.channels
    assert system.job.date == "2026-03-14"
    assert system.source.clean_position == "31 of 40"
    assert system.supply.feed_square_mm == pytest.approx(awg_square_mm(0.0))
    assert system.meter.high_hz == 400
    assert [rating.watts for rating in front.channel.ratings] == [75, 110]
    assert [output.name for output in front.outputs] == ["Front/left", "Front/right"]
    assert (front.channel.fuse_outputs, front.channel.real_load_ohms, front.channel.tone_dbfs) == (2, 2.8, -8)
    supply = system.supply
    assert (supply.at, supply.state, supply.feed_material) == ("battery", "loaded", "copper")
    assert (supply.tolerance_volts, supply.fuse_amperes) == (0.1, 100)
    assert (front.channel.supply_state, front.channel.efficiency) == ("loaded", 0.75)
    assert (centre.fed_by, centre.channel.source_volts, centre.channel.regulated) == (
        "speaker-output",
        20,
        True,
    )
    assert (rear.fed_by, rear.channel.built_in, rear.channel.ratings) == ("speaker-output", True, ())
    assert (sub.channel.per_half, sub.channel.tone_hz, sub.channel.bridged) == (True, None, True)
    assert measured.channel.measured_clip_volts == 18.4


def test_the_example_file_explains_every_channel_key_and_plans() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    for key in CHANNEL_KEYS:
        assert re.search(rf"\b{key.name}\b", text), key.name
    plan = plan_system(load_system(EXAMPLE))
    assert [channel.name for channel in plan.channels] == ["Front", "Rear", "Subwoofer"]
    assert [channel.sensitivity_in_range for channel in plan.channels] == [True, None, True]
    uncommented = re.sub(r"^# (?=\w+ = )", "", text, flags=re.M)
    known = {key.name for key in CHANNEL_KEYS}
    for table in ("source", "supply", "meter"):
        known |= {key.name for key in TABLES[table]}
    assert set(re.findall(r"^# (\w+) = ", text, flags=re.M)) <= known
    assert uncommented != text


# ---- what is refused ---------------------------------------------------------------------------------------


MANY = [  # (line, table, key, code): one of each kind of slip
    (1, "top level", "colour", "key_outside_tables"),
    (3, "top level", "sourc", "unknown_table"),
    (7, "[source]", "preamp_volts", "found_text"),
    (8, "[source]", "preamp_milivolts", "unknown_key"),
    (10, "[supply]", "volts", "key_missing"),
    (10, "[supply]", "feed_length_m", "needs_each_other"),
    (11, "[supply]", "feed_awg", "found_other"),
    (12, "[supply]", "feed_mm2", "one_of_them"),
    (15, "[meter]", "kind", "found_other"),
    (16, "[meter]", "low_hz", "wrong_order"),
    (21, '[[channel]] 1 "Front"', "rated_wats", "unknown_key"),
    (22, '[[channel]] 1 "Front"', "rated_ohms", "found_other"),
    (23, '[[channel]] 1 "Front"', "load_ohms", "found_other"),
    (24, '[[channel]] 1 "Front"', "bridged", "found_other"),
    (25, '[[channel]] 1 "Front"', "fed_by", "found_other"),
    (26, '[[channel]] 1 "Front"', "tone_dbfs", "found_other"),
    (27, '[[channel]] 1 "Front"', "ratings", "one_of_them"),
    (30, '[[channel]] 2 "front "', "name", "name_twice"),
    (31, '[[channel]] 2 "front "', "ratings", "entry_keys"),
    (32, '[[channel]] 2 "front "', "load_ohms", "found_other"),
    (33, '[[channel]] 2 "front "', "coils", "found_other"),
    (40, "[[channel]] 3", "name", "found_other"),
    (41, "[[channel]] 3", "rated_watts", "found_other"),
    (42, "[[channel]] 3", "rated_ohms", "found_other"),
    (43, "[[channel]] 3", "load_ohms", "found_other"),
]


def test_all_faults_are_named_at_once_with_line_table_and_key() -> None:
    fault = fault_of(SYSTEMS / "many_faults.toml")
    lines = (SYSTEMS / "many_faults.toml").read_text().splitlines()
    told = [(each.code, each.parameter, dict(each.places)["place"]) for each in fault.faults]
    assert told == [(code, key, f"line {line}, {table}, {key}") for line, table, key, code in MANY]
    for line, _, key, code in MANY:
        assert key in lines[line - 1] or code in ("key_missing", "needs_each_other"), (line, key)
    for each in fault.faults:
        if each.code in ("found_other", "found_text", "key_missing"):
            assert each.allowed, each.parameter
    nearest = {each.parameter: each.values.get("nearest") for each in fault.faults}
    assert (nearest["sourc"], nearest["preamp_milivolts"], nearest["rated_wats"]) == (
        "source", "preamp_volts", "rated_watts",
    )  # fmt: skip
    assert (nearest["kind"], nearest["fed_by"]) == ("true-rms", "preamp")
    assert all(str(each.parameter) in fault.problem for each in fault.faults)


HOSTILE_FILES = [  # (content, code of a fault that it meets)
    ("", "no_channel"),
    ("# only a remark\n", "no_channel"),
    (b"\xff\xfe[\x00j\x00o\x00b\x00]\x00", "not_utf8"),
    (b"\x00\x01\x02", "not_toml"),
    ("[job\n", "not_toml"),
    ("a = 1" + "0" * 5000, "not_toml"),
    ("a = " + "[" * 100_000, "nested_too_deeply"),
    ("#" * 1_000_001, "system_too_large"),
    (SMALLEST + "\n[[channel]]\n" * 3, "key_missing"),
    (SMALLEST + "[[channel]]\nname='x'\n" * 70, "too_many_channels"),
    ("channel = 3", "channel_heads"),
    ("channel = [3]", "channel_heads"),
    ("[channel]\nname = 'x'", "channel_heads"),
    ("[[source]]\npreamp_volts = 3", "table_in_double_brackets"),
    ("source = 3", "table_expected"),
    (SMALLEST.replace("preamp_volts = 5", ""), "key_missing"),
    (SMALLEST.replace("rated_watts = 75", ""), "key_missing"),
    (SMALLEST.replace("load_ohms = 4", ""), "key_missing"),
    (SMALLEST.replace('"Front"', '"  "'), "blank_text"),
    (SMALLEST.replace("load_ohms = 4", "load_ohms = 1" + "0" * 400), "found_other"),
    (SMALLEST + "highpass_hz = 100\nlowpass_hz = 80", "wrong_order"),
    (SMALLEST + "rated_per_half = true", "per_half_unbridged"),
    (SMALLEST + "built_in = true\nfed_by = 'preamp'", "built_in_fed_by"),
    (SMALLEST + "coils = 2", "coils_need_ohms"),
    (SMALLEST + "count = 2", "count_is_gone"),
    (SMALLEST + "overlap_db = 5\ntone_dbfs = -3", "tone_above_overlap"),
    (SMALLEST + '"\\u001b[2J" = 1', "unknown_key"),
    (SMALLEST + "rated_kind = 'peak'", "peak_rating"),
    (SMALLEST + "rated_kind = 'max'", "found_other"),
    (SMALLEST + "rated_thd_percent = 80", "found_other"),
    (SMALLEST + "overlap_limit = 'amplifier'", "needs_speaker_watts"),
    (SMALLEST + "drop_volts = 2", "only_built_in"),
    (SMALLEST + "built_in = true\ndrop_volts = 15", "wrong_order"),
    (SMALLEST + "highpass_hz = 60\nlowpass_hz = 90", "no_tone_fits"),
    (SMALLEST + "highpass_hz = 3500\n[meter]\nhigh_hz = 1000", "no_tone_fits"),
    (SMALLEST.replace("volts = 14.4", "volts = 14.4\nfeed_length_m = 4\nat = 'battery'"), "needs_each_other"),
    (SMALLEST.replace("volts = 14.4", "volts = 14.4\nfeed_length_m = 4\nfeed_awg = 4"), "supply_place_needed"),
    (
        SMALLEST.replace("volts = 14.4", "volts = 14.4\nat = 'battery'\nfeed_length_m = 900\nfeed_awg = 20"),
        "cable_too_thin",
    ),
]


@pytest.mark.parametrize(("content", "code"), HOSTILE_FILES, ids=range(len(HOSTILE_FILES)))
def test_hostile_files_are_refused_by_code(gainkit, tmp_path: Path, content: str | bytes, code: str) -> None:
    path = written(tmp_path, content)
    assert code in codes_of(path)
    message = gainkit("plan", path).refused()
    assert "\x1b" not in message
    assert str(path) in message or code == "cable_too_thin"


def test_missing_files_and_folders(gainkit, tmp_path: Path) -> None:
    assert "is not there" in gainkit("plan", tmp_path / "no.toml").refused()
    assert "is a folder" in gainkit("plan", tmp_path).refused()


@settings(deadline=None, derandomize=True, max_examples=300)
@given(st.binary(max_size=80), st.integers(0, 400), st.integers(0, 40))
def test_mangled_files_are_read_or_refused_but_never_break(noise: bytes, place: int, removed: int) -> None:
    """Bytes knocked out of, and into, a good file."""
    import tempfile

    good = EXAMPLE.read_bytes()
    place = place * len(good) // 400
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder), good[:place] + noise + good[place + removed :])
        try:
            plan = plan_system(load_system(path))
        except GainkitError:  # refused in words: any other exception fails the test
            return
        assert plan.channels


values = st.one_of(
    st.integers(-(10**20), 10**20),
    st.floats(),
    st.booleans(),
    st.text(max_size=5).map(repr),
    st.just("[]"),
    st.just("{}"),
)


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.dictionaries(st.sampled_from([key.name for key in CHANNEL_KEYS]), values, max_size=8))
def test_any_value_at_any_key_is_taken_or_refused_in_words(entries: dict[str, object]) -> None:
    import tempfile

    lines = [
        f"{key} = {str(value).lower() if not isinstance(value, str) else value}"
        for key, value in entries.items()
    ]
    text = "[source]\npreamp_volts = 4\n[supply]\nvolts = 13.8\n[[channel]]\n" + "\n".join(lines)
    with tempfile.TemporaryDirectory() as folder:
        try:
            plan = plan_system(load_system(written(Path(folder), text)))
        except GainkitError:
            return
        assert plan.channels[0].set_volts > 0


def test_lines_are_found_past_multi_line_text() -> None:
    text = 'a = """\n[[channel]]\nname = 1\n"""\n[[channel]]\nname = 2\n[[channel]]\n"name" = 3\n'
    lines = key_lines(text)
    assert lines["channel", 1, "name"] == 6
    assert lines["channel", 2, "name"] == 8


def test_what_was_found_is_shown_short_and_harmless() -> None:
    assert shown("x" * 99) == '"' + "x" * 57 + '..."'
    assert "\x1b" not in shown("\x1b[31m")
    assert shown(True) == "true"
    assert shown({}) == "a table"


# ---- the plan ----------------------------------------------------------------------------------------------


def test_the_whole_car() -> None:
    system = load_system(SYSTEMS / "whole_car.toml")
    plan = plan_system(system)
    feed = system_feed(system)
    assert feed is not None
    front, centre, rear, sub, measured = plan.channels

    # feed: every amplifier channel at its onset, at the supply's own 13.8 V, efficiency 0.75
    scale = 13.8 / 14.4
    # a supply that sags in a straight line from 17.32 V at 4.33 A to 14.83 V at 7.42 A, met with U = 3 ohm x I
    (upper_volts, upper_amperes), (lower_volts, lower_amperes) = (300**0.5, 18.75**0.5), (220**0.5, 55**0.5)
    sag_ohms = (upper_volts - lower_volts) / (lower_amperes - upper_amperes)
    sag = 3 * (upper_volts + sag_ohms * upper_amperes) / (3 + sag_ohms)
    clips = [  # (count, volts, ohms)
        (2, sag * scale, 3),  # 75 W at 4 ohm and 110 W at 2 ohm, into 3 ohm
        (1, 160**0.5, 4),  # 40 W at 4 ohm, regulated
        (1, 1000**0.5 * scale, 2),  # halves of 250 W at 1 ohm: 500 W at 2 ohm
        (1, 18.4, 4),  # measured
    ]
    watts = sum(count * volts**2 / ohms for count, volts, ohms in clips)
    area, facts = system.supply.feed_square_mm or 0, FeedFacts(fuse_amperes=100)
    by_hand = power_feed(watts, 0.75, 13.8, 5, area, facts=facts)
    assert feed.amplifier_volts == pytest.approx(by_hand.amplifier_volts, rel=1e-12)
    at_amplifier = feed.amplifier_volts
    assert front.supply_volts == at_amplifier
    assert front.clip_volts == pytest.approx(sag * (at_amplifier or 0) / 14.4)
    assert front.most_clip_volts == pytest.approx(300**0.5 * (at_amplifier or 0) / 14.4)
    assert rear.supply_volts == 13.8  # the radio has its own feed
    told = {caution.code: caution.values for caution in plan.cautions}
    assert told["feed_loss"]["amplifier_volts"] == at_amplifier

    assert front.sensitivity_in_range is False  # 1 V at most, more is needed
    assert front.nearest_sensitivity_volts == 1
    assert front.nearest_error_db is not None
    assert front.nearest_error_db > 0
    assert front.cautions[0].code == "gain_control_too_hot"
    assert sub.sensitivity_in_range is False or sub.sensitivity_volts is not None
    assert centre.source_volts == 20
    assert rear.trim_db == pytest.approx(-4)  # clips at -9 dBFS, overlap 5 dB
    assert rear.clip_volts == pytest.approx(13.8 / 2**0.5)
    assert sub.half_load_ohms == 1
    first = min(plan.channels, key=lambda each: each.headroom_db)
    assert told["clip_apart"]["first"] == first.name
    assert "fuse_the_feed" in told
    assert "measured_clip_holds_for_its_load" in codes(measured.cautions)
    assert front.programme is not None
    assert front.programme.tweeter_watts is not None
    assert measured.clip_volts == 18.4
    assert front.set_uncertainty_volts is not None
    assert (centre.tone_hz, sub.tone_hz) == (400, 50)  # the meter ends at 400 Hz


def test_a_gain_control_that_ends_too_early_says_what_it_costs(tmp_path: Path) -> None:
    """75 W at 4 ohm from 5 V without overlap needs 5 V of sensitivity."""
    low = SMALLEST + "sensitivity_min_volts = 6\nsensitivity_max_volts = 8"
    short = plan_system(load_system(written(tmp_path, low))).channels[0]
    assert short.sensitivity_in_range is False
    assert short.nearest_sensitivity_volts == 6
    assert short.nearest_error_db == pytest.approx(20 * 0.69897 - 20 * 0.778151, abs=1e-4)  # log10 5, log10 6
    assert short.cautions[0].code == "gain_control_too_low"
    assert "1.6 dB below its target" in str(short.cautions[0])
    high = SMALLEST + "sensitivity_min_volts = 0.2\nsensitivity_max_volts = 4"
    loud = plan_system(load_system(written(tmp_path, high))).channels[0]
    assert loud.nearest_error_db == pytest.approx(20 * 0.69897 - 20 * 0.60206, abs=1e-4)
    assert loud.cautions[0].code == "gain_control_too_hot"
    assert "1.9 dB too loud" in str(loud.cautions[0])
    edge = SMALLEST + "sensitivity_min_volts = 0.2\nsensitivity_max_volts = 5"
    assert plan_system(load_system(written(tmp_path, edge))).channels[0].sensitivity_in_range is True


def test_the_built_in_channels_gain_is_its_trim(tmp_path: Path) -> None:
    """Two ways to the same figure: gain from calculated source volts, and the trim from the onset."""
    channel = plan_system(load_system(EXAMPLE)).channel("rear")
    assert channel.trim_db == pytest.approx(-4)
    assert channel.gain_db == pytest.approx(-4)
    assert channel.sensitivity_volts is None


def test_coils_that_cannot_make_the_load_are_told(tmp_path: Path) -> None:
    wrong = SMALLEST + "coil_ohms = 4\ncoils = 2"
    cautions = plan_system(load_system(written(tmp_path, wrong))).channels[0].cautions
    told = next(caution for caution in cautions if caution.code == "coils_make_other_load")
    assert told.values["possible_ohms"] == pytest.approx([2, 8])
    right = SMALLEST + "coil_ohms = 8\ncoils = 2"
    cautions = plan_system(load_system(written(tmp_path, right))).channels[0].cautions
    assert "coils_make_other_load" not in codes(cautions)


def test_channels_are_found_by_name_and_missed_by_the_nearest() -> None:
    found = channel_plan(EXAMPLE, "SUBWOOFER ")
    volts, ohms = found.set_volts, found.load_ohms
    assert (volts, ohms) == (plan_system(load_system(EXAMPLE)).channels[2].set_volts, 2)
    with pytest.raises(GainkitError) as fault:
        channel_plan(EXAMPLE, "subwofer")
    assert (fault.value.code, fault.value.values["nearest"]) == ("unknown_channel", "Subwoofer")


# ---- the command -------------------------------------------------------------------------------------------


def test_plan_json_has_its_keys_and_every_channel_the_settled_ones(gainkit) -> None:
    answer = gainkit("plan", EXAMPLE, "--json").json
    assert list(answer) == ["source", "channels", "cautions", "feed"]
    assert answer["feed"] is None  # no cable is given
    from tests.test_calculator_targets import SETTLED

    for channel in answer["channels"]:
        assert next(iter(channel)) == "name"
        assert {*SETTLED, "sensitivity_in_range"} <= set(channel)


def test_plan_text_is_cautions_then_a_table(gainkit) -> None:
    out = gainkit("plan", EXAMPLE).out
    lines = out.splitlines()
    assert lines[-4].split() == [
        "channel", "tone", "SET", "TO", "uncertainty", "gain", "control", "limit", "power",
    ]  # fmt: skip
    assert lines[-1].startswith("Subwoofer   50 Hz -5 dBFS  25.21 V")
    assert max(map(len, lines)) <= 79
    assert "Front, Subwoofer" in out
    whole = gainkit("plan", SYSTEMS / "whole_car.toml", "--explain").out
    assert "2.38 V (out)" in whole
    assert max(map(len, whole.splitlines())) <= 79
    explained = gainkit("plan", EXAMPLE, "--explain").out
    assert "each half sees load / 2 = 2 ohm / 2 = 1 ohm" in explained


def test_plan_tells_how_to_write_its_tones(gainkit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    out = gainkit("plan", EXAMPLE).out
    commands = [line for line in out.splitlines() if line.startswith("gainkit tones one")]
    assert len(commands) == 2
    for command in commands:
        assert gainkit(*command.split()[1:]).code == 0
    assert {path.name for path in tmp_path.iterdir()} == {"997_-5.wav", "50_-5.wav"}


HOSTILE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=2", "\r=3", "\n=4", "  =5", "\uff1d1", "=cmd|' /C calc'!A0"]


def test_no_name_runs_as_a_formula_or_breaks_the_table(gainkit, tmp_path: Path) -> None:
    channel = SMALLEST[SMALLEST.index("[[channel]]") :]
    names = [*HOSTILE, "a|b<script>[x](y)`z`", "\x1b[2J", "\u202egnp", "n" * 10_000]
    quoted = ['"' + "".join(f"\\U{ord(sign):08x}" for sign in name) + '"' for name in names]
    text = SMALLEST + "".join(channel.replace('"Front"', name) for name in quoted)
    path = written(tmp_path, text)
    rows = list(csv.reader(io.StringIO(gainkit("plan", path, "--format", "csv").out)))
    assert len(rows) == 2 + len(names)
    assert len({len(row) for row in rows}) == 1
    for row, name in zip(rows[2:], names, strict=True):
        for cell in row:
            number = re.fullmatch(r"-?[\d.]+(e[+-]\d+)?", cell)
            assert number or not cell.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d"))
        if name in HOSTILE:
            assert row[0] == (repr(name)[1:-1] if name < " " else "'" + name)
    for form in ("text", "markdown"):
        out = gainkit("plan", path, "--format", form).out
        assert "\x1b" not in out
        assert "\u202e" not in out
    table = [line for line in out.splitlines() if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", line)) for line in table} == {8}
    assert "<script>" not in out


@pytest.mark.parametrize("text", HOSTILE)
def test_a_cell_that_would_start_a_formula_starts_with_an_apostrophe(text: str) -> None:
    assert spreadsheet_cell(text) == "'" + text
    assert spreadsheet_cell("Front = left") == "Front = left"


def test_forms_that_contradict_are_refused(gainkit) -> None:
    assert gainkit("plan", EXAMPLE, "--format", "csv", "--json").fault["code"] == "not_both"
    assert "--explain" in gainkit("plan", EXAMPLE, "--format", "csv", "--explain").refused()
    gainkit("plan", EXAMPLE, "--format", "pdf").refused()


def test_a_jobs_folder_stands_for_its_system_file(
    tmp_path: Path, gainkit, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert gainkit("job", "new", tmp_path / "car").code == 0
    by_file = gainkit("plan", tmp_path / "car" / "system.toml", "--json").json
    assert gainkit("plan", tmp_path / "car", "--json").json == by_file
    monkeypatch.chdir(tmp_path / "car")
    assert gainkit("plan", "--json").json == by_file
    monkeypatch.chdir(tmp_path)
    assert gainkit("plan", "--json").fault["code"] == "no_job_here"
