"""A careless user at the three doors: no danger without its warning, and all of them say the same."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from gainkit import measure as gainkit_measure
from gainkit.calculator.channel import channel_from
from gainkit.calculator.targets import find_target
from gainkit.errors import GainkitError
from gainkit.job import load_system, plan_system
from gainkit.remarks import codes
from tests.channels import EXAMPLE, Run, found, one, planned

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
    assert "example_figures" not in codes(
        planned(tmp_path, "rated_watts = 200\nrated_ohms = 4\nload_ohms = 4").cautions
    )


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


def test_dangers_come_first_in_every_form(gainkit: Run) -> None:
    for form in ("text", "markdown"):
        out = gainkit("plan", EXAMPLE, "--format", form).out
        assert out.startswith("Danger")
        assert out.index("Exhaust gas kills") < out.index("16.60 V") or form == "text"
        assert out.index("Exhaust gas kills") < out.index("The channels do not clip together")


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
