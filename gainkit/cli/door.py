"""The command line's names for arguments and jobs: what Python calls `margin_db` is `--margin-db` here.

Sentences come from `gainkit.words`; this is where they get options and commands in them, and where a fault
becomes the two parts that a person reads or the object that a script does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gainkit.words import Door, error_text

if TYPE_CHECKING:
    from gainkit.errors import GainkitError

OPTIONS = {
    "path": "CAPTURE",
    "capture": "CAPTURE",
    "captures": "CAPTURE",
    "recording": "--capture",
    "destination": "DEST",
    "tone_set": "SET",
    "job": "JOB",
    "number": "NUMBER",
    "system_file": "SYSTEM.toml",
    "positions": "POSITION=CAPTURE",
    "command": "COMMAND",
    "for_output": "--for",
    "for_channel": "--for",
    "start_seconds": "--start",
    "stop_seconds": "--stop",
    "ratings": "--rating",
    "form": "--format",
    "crest_factor_db": "--crest-db",
    "sample_rate_hz": "--rate",
    "third_octave": "--third",
    "air_celsius": "--air-c",
    "material": "--feed-material",
}
"""Arguments whose option is not just their name with hyphens."""

PYTHON_NAMES = {option: name for name, option in reversed(OPTIONS.items()) if option.startswith("--")}
"""... and back, for faults of the call itself; where two names share an option the first of them."""

COMMANDS = {
    "measure": "measure",
    "calibrate_recorder": "calibrate",
    "find_target": "target",
    "plan_system": "plan",
    "find_onset": "onset",
    "compare_onsets": "onset --compare",
    "find_clean_volume": "volume",
    "find_polarity": "polarity",
    "compare_polarity": "polarity",
    "check_routing": "routing",
    "match_levels": "match",
    "find_response": "response",
    "find_noise": "noise",
    "write_tones": "tones write",
    "write_tone": "tones one",
    "check_tones": "tones check",
    "list_tones": "tones list",
    "show_tones": "tones show",
    "find_loads": "load",
    "find_impedance": "load --from-captures",
    "find_pad": "pad",
    "find_feed": "feed",
    "find_meter_reading": "meter",
    "find_trim": "trim",
    "start_job": "job new",
    "start_visit": "job visit",
    "list_readings": "job readings",
    "void_reading": "job void",
    "undo_last": "job undo",
    "report_jobs": "job report",
    "note_typed": "note",
    "log_reading": "measure --log",
    "job_status": "job status",
    "write_sheet": "sheet",
    "watch_input": "live",
    "run_demo": "demo",
    "run_bench": "bench",
    "write_lesson": "lesson",
    "write_quiz": "quiz",
    "draw_waveform": "chart waveform",
    "draw_spectrum": "chart spectrum",
    "draw_onset": "chart onset",
    "draw_volume": "volume --chart",
    "draw_headroom": "chart headroom",
    "draw_levels": "chart levels",
    "draw_power": "chart power",
    "draw_bands": "chart bands",
    "draw_noise": "chart noise",
    "draw_response": "chart response",
    "draw_job": "chart job",
    "draw_compare": "chart compare",
}
"""The command of each job, by its function in Python."""


class CliDoor(Door):
    """How the command line names things."""

    def parameter(self, name: str) -> str:
        """An option; a name that is none in Python (a key of a file, an option already) stays as it is."""
        if not name.isidentifier() or name.isupper():
            return name
        return OPTIONS.get(name) or "--" + name.strip("_").replace("_", "-")

    def job(self, name: str) -> str:
        """A command, quoted; a function without one keeps its name in Python."""
        return f"'gainkit {COMMANDS[name]}'" if name in COMMANDS else super().job(name)


CLI = CliDoor()


def python_name(option: str) -> str:
    """What Python calls an option: '--start' is start_seconds."""
    return PYTHON_NAMES.get(option) or option.strip("-").replace("-", "_")


def fault_text(fault: GainkitError) -> str:
    """The two parts that a person reads."""
    problem, remedy = error_text(fault, CLI)
    return f"Problem: {problem}\nRemedy:  {remedy}"


def fault_facts(fault: GainkitError) -> dict[str, Any]:
    """What a script reads of a fault; `parameter` is its name in Python, several faults are listed."""
    problem, remedy = error_text(fault, CLI)
    facts = {
        "code": fault.code,
        "parameter": fault.parameter,
        "received": _plain(fault.received),
        "allowed": _allowed(fault.allowed),
        "text": problem,
        "remedy": remedy,
    }
    several = getattr(fault, "faults", ())
    return facts | ({"faults": [fault_facts(each) for each in several]} if several else {})


def _plain(received: Any) -> Any:
    """The value as JSON has it; as text where it has none."""
    from gainkit.results import to_plain

    try:
        return to_plain(received)
    except TypeError:
        return str(received)


def _allowed(allowed: Any) -> Any:
    """A list of words stays one; a range becomes its phrase."""
    from gainkit.words import allowed_words

    if isinstance(allowed, (list, tuple, set, frozenset)):
        return [str(each) for each in allowed]
    return allowed_words(allowed) or None
