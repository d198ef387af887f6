"""What the jobs are given: a capture or its path, and options that are checked by name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from gainkit.analysis.model import MeasureOptions
from gainkit.capture import Capture, read_capture
from gainkit.errors import GainkitError
from gainkit.kinds import checked

READING = ("full_scale_volts", "calibration", "interval_seconds")
"""Options that say how a file is read: see `gainkit.read_capture`."""

MEASURING = tuple(MeasureOptions.__dataclass_fields__)
"""Options that say what is measured in it: the fields of `MeasureOptions`."""

CHOOSING = ("channel", "minus", "band_hz", "limit_thd_percent")
"""Those of them that hold for a recording with more than one steady tone."""

Source = Capture | Path | str
"""A capture, or the path of a file that holds one."""


def refuse_unknown(options: Mapping[str, Any], known: Iterable[str]) -> None:
    """Raise GainkitError (`unknown_option`) for a name that is none, with the nearest that is."""
    names = tuple(known)
    for name, value in options.items():
        if name not in names:
            near = get_close_matches(name, names, n=1)
            raise GainkitError("unknown_option", name, value, names, nearest=near[0] if near else None)


def opened(source: Source, options: Mapping[str, Any]) -> Capture:
    """The capture: as it is, or read from its file with those of the options that say how.

    Raises GainkitError for a file that holds none, and for reading options beside a capture that is open.
    """
    reading = {name: options[name] for name in READING if options.get(name) is not None}
    if not isinstance(source, Capture):
        return checked(read_capture)(source, **reading)
    for name, value in reading.items():
        raise GainkitError("capture_is_open", name, value)
    return source


def measure_options(options: Mapping[str, Any], names: Iterable[str] = MEASURING) -> MeasureOptions:
    """Those of the options that say what is measured."""
    return MeasureOptions(**{name: options[name] for name in names if name in options})
