"""A small tone set and the files it becomes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

SMALL = """
title = "Small set"
about = "For tests."

[defaults]
seconds = 0.5
level_dbfs = -20

[[track]]
kind = "sine"
use = "Set gain."

[[track]]
kind = "sine"
frequency_hz = 50
channels = "left"

[[track]]
kind = "staircase"
from_dbfs = -9
step_db = 3
dwell_seconds = 0.2

[[track]]
kind = "noise"
band = "midrange"
file = "hiss"
title = "Hiss & <more>"

[[track]]
kind = "silence"
"""

TRACKS = [
    "01_997hz_-20db.wav",
    "02_50hz_-20db_left.wav",
    "03_stairs_997hz.wav",
    "04_hiss.wav",
    "05_silence.wav",
]


def rewrite(path: Path, change: Callable[[np.ndarray], np.ndarray], rate: int | None = None) -> None:
    """Read a track, change its samples, write it again at 16 bit."""
    samples, was = soundfile.read(path, dtype="float64", always_2d=True)
    soundfile.write(path, change(samples), rate or was, "PCM_16")


def dead_draft(path: Path) -> Path:
    """The name that a draft of a file had whose process is gone (no system gives out numbers so high)."""
    from gainkit import files

    return path.with_name(f".{path.stem}-gk{files._machine()}7ffffff0-0123abcd.part{path.suffix}")
