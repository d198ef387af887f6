"""gainkit: test tones, measurements and arithmetic for setting amplifier gain in a car.

A function for each job, with the same name as its question:

>>> import gainkit
>>> front = gainkit.Channel((gainkit.Rating(watts=75, ohms=4),), load_ohms=4, overlap_db=5)
>>> print(f"{gainkit.find_target(front).set_volts:.2f} V")
17.32 V

Functions that take a recording take its path as well. Results are frozen dataclasses with units in their
names: `print(result)` tells the verdict, `gainkit.results.to_plain(result)` gives plain values. Everything here
is imported when it is first used: `import gainkit` is quick.
"""

from __future__ import annotations

import importlib
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gainkit.advice import Checks, what_to_turn
    from gainkit.analysis import Measurement, MeasureOptions, analyse_tone, fit_tone
    from gainkit.calculator.amplifier import Rating
    from gainkit.calculator.channel import Channel
    from gainkit.calculator.feed_model import FeedFacts
    from gainkit.calculator.feeds import find_feed
    from gainkit.calculator.loads import find_loads
    from gainkit.calculator.meters import MeterLimits, find_meter_reading
    from gainkit.calculator.pad_model import PadCall
    from gainkit.calculator.pads import find_pad
    from gainkit.calculator.setting import Target
    from gainkit.calculator.targets import find_target
    from gainkit.calculator.trims import find_trim
    from gainkit.capture import Capture, read_capture
    from gainkit.capture.calibration import Calibration
    from gainkit.charts import (
        Look,
        draw_bands,
        draw_compare,
        draw_headroom,
        draw_job,
        draw_levels,
        draw_noise,
        draw_onset,
        draw_power,
        draw_response,
        draw_spectrum,
        draw_volume,
        draw_waveform,
        save_chart,
    )
    from gainkit.demo import run_demo
    from gainkit.errors import GainkitError
    from gainkit.job import load_system
    from gainkit.job.folder import start_job
    from gainkit.job.listing import list_readings
    from gainkit.job.log import log_reading, note_typed, start_visit, undo_last, void_reading
    from gainkit.job.report import report_jobs
    from gainkit.job.standing import job_status
    from gainkit.job.typed import Acceptance, FreeText, Knob, SupplyReading, TypedLevel, TypedPolarity
    from gainkit.lesson import write_lesson
    from gainkit.matching import MatchOptions
    from gainkit.onset import LevelPlan, OnsetComparison, OnsetResult, from_index, glide, staircase
    from gainkit.quiz import write_quiz
    from gainkit.recorder import calibrate_recorder
    from gainkit.remarks import Remark
    from gainkit.sheet import write_sheet
    from gainkit.simulator import Amplifier, Recorder
    from gainkit.toneset.checking import check_tones
    from gainkit.toneset.model import AudioFormat
    from gainkit.toneset.reading import list_tones
    from gainkit.toneset.writing import write_tone, write_tones
    from gainkit.verbs.chain import find_noise, find_response
    from gainkit.verbs.clipping import compare_onsets, find_clean_volume, find_onset
    from gainkit.verbs.guiding import run_bench
    from gainkit.verbs.loads import find_impedance
    from gainkit.verbs.loudspeakers import check_routing, compare_polarity, find_polarity, match_levels
    from gainkit.verbs.measuring import measure
    from gainkit.verbs.planning import plan_system
    from gainkit.verbs.simulating import simulate
    from gainkit.volume import VolumeResult

__version__ = "0.2.0"

__all__ = [
    "Acceptance",
    "Amplifier",
    "AudioFormat",
    "Calibration",
    "Capture",
    "Channel",
    "Checks",
    "FeedFacts",
    "FreeText",
    "GainkitError",
    "Knob",
    "LevelPlan",
    "Look",
    "MatchOptions",
    "MeasureOptions",
    "Measurement",
    "MeterLimits",
    "OnsetComparison",
    "OnsetResult",
    "PadCall",
    "Rating",
    "Recorder",
    "Remark",
    "SupplyReading",
    "Target",
    "TypedLevel",
    "TypedPolarity",
    "VolumeResult",
    "__version__",
    "analyse_tone",
    "calibrate_recorder",
    "check_routing",
    "check_tones",
    "compare_onsets",
    "compare_polarity",
    "draw_bands",
    "draw_compare",
    "draw_headroom",
    "draw_job",
    "draw_levels",
    "draw_noise",
    "draw_onset",
    "draw_power",
    "draw_response",
    "draw_spectrum",
    "draw_volume",
    "draw_waveform",
    "find_clean_volume",
    "find_feed",
    "find_impedance",
    "find_loads",
    "find_meter_reading",
    "find_noise",
    "find_onset",
    "find_pad",
    "find_polarity",
    "find_response",
    "find_target",
    "find_trim",
    "fit_tone",
    "from_index",
    "glide",
    "job_status",
    "list_readings",
    "list_tones",
    "load_system",
    "log_reading",
    "match_levels",
    "measure",
    "note_typed",
    "plan_system",
    "read_capture",
    "report_jobs",
    "run_bench",
    "run_demo",
    "save_chart",
    "simulate",
    "staircase",
    "start_job",
    "start_visit",
    "undo_last",
    "void_reading",
    "what_to_turn",
    "write_lesson",
    "write_quiz",
    "write_sheet",
    "write_tone",
    "write_tones",
]

_ROOMS = {
    "gainkit.advice": (
        "Checks",
        "what_to_turn",
    ),
    "gainkit.analysis": (
        "MeasureOptions",
        "Measurement",
        "analyse_tone",
        "fit_tone",
    ),
    "gainkit.calculator.amplifier": ("Rating",),
    "gainkit.calculator.channel": ("Channel",),
    "gainkit.calculator.feed_model": ("FeedFacts",),
    "gainkit.calculator.feeds": ("find_feed",),
    "gainkit.calculator.loads": ("find_loads",),
    "gainkit.calculator.meters": (
        "MeterLimits",
        "find_meter_reading",
    ),
    "gainkit.calculator.pad_model": ("PadCall",),
    "gainkit.calculator.pads": ("find_pad",),
    "gainkit.calculator.setting": ("Target",),
    "gainkit.calculator.targets": ("find_target",),
    "gainkit.calculator.trims": ("find_trim",),
    "gainkit.capture": (
        "Capture",
        "read_capture",
    ),
    "gainkit.capture.calibration": ("Calibration",),
    "gainkit.charts": (
        "Look",
        "draw_bands",
        "draw_compare",
        "draw_headroom",
        "draw_job",
        "draw_levels",
        "draw_noise",
        "draw_onset",
        "draw_power",
        "draw_response",
        "draw_spectrum",
        "draw_volume",
        "draw_waveform",
        "save_chart",
    ),
    "gainkit.demo": ("run_demo",),
    "gainkit.errors": ("GainkitError",),
    "gainkit.job": ("load_system",),
    "gainkit.job.folder": ("start_job",),
    "gainkit.job.listing": ("list_readings",),
    "gainkit.job.log": (
        "log_reading",
        "note_typed",
        "start_visit",
        "undo_last",
        "void_reading",
    ),
    "gainkit.job.report": ("report_jobs",),
    "gainkit.job.standing": ("job_status",),
    "gainkit.job.typed": (
        "Acceptance",
        "FreeText",
        "Knob",
        "SupplyReading",
        "TypedLevel",
        "TypedPolarity",
    ),
    "gainkit.matching": ("MatchOptions",),
    "gainkit.onset": (
        "LevelPlan",
        "OnsetComparison",
        "OnsetResult",
        "from_index",
        "glide",
        "staircase",
    ),
    "gainkit.remarks": ("Remark",),
    "gainkit.lesson": ("write_lesson",),
    "gainkit.quiz": ("write_quiz",),
    "gainkit.sheet": ("write_sheet",),
    "gainkit.simulator": (
        "Amplifier",
        "Recorder",
    ),
    "gainkit.toneset.checking": ("check_tones",),
    "gainkit.toneset.model": ("AudioFormat",),
    "gainkit.toneset.reading": ("list_tones",),
    "gainkit.toneset.writing": (
        "write_tone",
        "write_tones",
    ),
    "gainkit.verbs.clipping": (
        "compare_onsets",
        "find_clean_volume",
        "find_onset",
    ),
    "gainkit.verbs.loudspeakers": (
        "check_routing",
        "compare_polarity",
        "find_polarity",
        "match_levels",
    ),
    "gainkit.recorder": ("calibrate_recorder",),
    "gainkit.verbs.chain": (
        "find_noise",
        "find_response",
    ),
    "gainkit.verbs.guiding": ("run_bench",),
    "gainkit.verbs.loads": ("find_impedance",),
    "gainkit.verbs.measuring": ("measure",),
    "gainkit.verbs.planning": ("plan_system",),
    "gainkit.verbs.simulating": ("simulate",),
    "gainkit.volume": ("VolumeResult",),
}
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> Any:
    if name in _ROOM_OF:
        globals()[name] = _handed_out(getattr(importlib.import_module(_ROOM_OF[name]), name), name)
        return globals()[name]
    if name in _submodules():
        return importlib.import_module(f"gainkit.{name}")
    raise AttributeError(f"module 'gainkit' has no attribute '{name}'")


def _handed_out(thing: Any, name: str) -> Any:
    """What is exported, as it is: functions with their arguments checked, and to be pickled by this name."""
    if isinstance(thing, type):
        return thing
    from gainkit.kinds import checked

    door = checked(thing)
    door.__module__, door.__qualname__ = "gainkit", name
    return door


def _submodules() -> set[str]:
    """The rooms: `gainkit.charts` needs no import of its own."""
    import pkgutil  # a third of the time of `import gainkit`

    return {each.name for each in pkgutil.iter_modules(__path__)}


def __dir__() -> list[str]:
    return sorted({*globals(), *_ROOM_OF, *_submodules()})


if "pdoc" in sys.modules:  # it reads only what a module holds already
    globals().update({name: getattr(importlib.import_module(room), name) for name, room in _ROOM_OF.items()})
