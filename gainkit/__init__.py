"""gainkit: test tones, measurements and arithmetic for setting amplifier gain in a car.

The names below are the public ones, each imported when it is first used: `import gainkit` is quick. Onset and
volume are found by `gainkit.onset.onset` and `gainkit.volume.volume`, functions of those modules.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gainkit.analysis import Measurement, MeasureOptions, fit_tone, measure
    from gainkit.calculator.channel import Channel
    from gainkit.calculator.targets import Target, find_target
    from gainkit.capture import Capture, read_capture
    from gainkit.errors import GainkitError
    from gainkit.job import load_system, plan_system
    from gainkit.onset import OnsetResult
    from gainkit.simulator import Amplifier, Recorder
    from gainkit.volume import VolumeResult

__version__ = "0.1.0"

__all__ = [
    "Amplifier",
    "Capture",
    "Channel",
    "GainkitError",
    "MeasureOptions",
    "Measurement",
    "OnsetResult",
    "Recorder",
    "Target",
    "VolumeResult",
    "__version__",
    "find_target",
    "fit_tone",
    "load_system",
    "measure",
    "plan_system",
    "read_capture",
]

_ROOMS = {
    "gainkit.analysis": ("Measurement", "MeasureOptions", "fit_tone", "measure"),
    "gainkit.calculator.channel": ("Channel",),
    "gainkit.calculator.targets": ("Target", "find_target"),
    "gainkit.capture": ("Capture", "read_capture"),
    "gainkit.errors": ("GainkitError",),
    "gainkit.job": ("load_system", "plan_system"),
    "gainkit.onset": ("OnsetResult",),
    "gainkit.simulator": ("Amplifier", "Recorder"),
    "gainkit.volume": ("VolumeResult",),
}
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _ROOM_OF:
        raise AttributeError(f"module 'gainkit' has no attribute '{name}'")
    return getattr(importlib.import_module(_ROOM_OF[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_ROOM_OF})
