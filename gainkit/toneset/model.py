"""A tone set as it is read, as it is planned, and as it stands on the stick."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from gainkit.generator.encode import SampleFormat
from gainkit.generator.spec import ToneSpec

FileFormat = Literal["wav", "flac"]

INDEX_FILE = "index.json"
PAGE_TEXT_FILE = "tracks.txt"
PAGE_HTML_FILE = "tracks.html"

AUDIO_SUFFIXES = frozenset(
    {".wav", ".flac", ".mp3", ".m4a", ".aac", ".ogg", ".opus", ".wma", ".aif", ".aiff", ".ape", ".mp4"}
)
"""Files that a player takes for music: a foreign one on the stick plays among the tracks."""

LONGEST_STEM = 28
"""Longest file name without its suffix that tracks get [characters]."""


@dataclass(frozen=True)
class Track:
    """One entry of a tone set: the tone and what a person needs to know of it.

    title : short name. use : what it is for, one sentence. file_stem : name without number and suffix.
    """

    spec: ToneSpec
    title: str
    use: str
    file_stem: str


@dataclass(frozen=True)
class ToneSet:
    """A tone set: its name, what it is for, its tracks in play order."""

    name: str
    title: str
    about: str
    tracks: tuple[Track, ...]


@dataclass(frozen=True)
class Target:
    """How tracks are written: rate, sample format, file format."""

    sample_rate_hz: int = 44_100
    samples: SampleFormat = field(default_factory=lambda: SampleFormat(16))
    file_format: FileFormat = "wav"

    def file_name(self, number: int, count: int, stem: str) -> str:
        """01_stem.wav: numbers of equal width, so that name order is play order."""
        width = max(2, len(str(count)))
        return f"{number:0{width}d}_{stem}.{self.file_format}"


def plain_stem(text: str) -> str:
    """A file name that old players and FAT take: a-z, 0-9, - and _; short. Empty if nothing is left."""
    stem = re.sub(r"[^a-z0-9_-]+", "_", text.lower()).strip("_-")
    return re.sub(r"__+", "_", stem)[:LONGEST_STEM].strip("_")


def stem_for(spec: ToneSpec) -> str:
    """The file name that a tone gets when its set gives none: 997hz_-6db, stairs_50hz, noise_bass."""
    tone = f"{spec.frequency_hz:g}hz" if spec.frequency_hz is not None else ""
    level = f"{spec.level_dbfs:g}db" if spec.level_dbfs is not None else ""
    names = {
        "sine": f"{tone}_{level}",
        "staircase": f"stairs_{tone}",
        "glide": f"glide_{tone}",
        "noise": f"noise_{spec.band}"
        if spec.band
        else f"noise_{spec.low_hz:.0f}-{spec.high_hz:.0f}"
        if spec.low_hz is not None and spec.high_hz is not None
        else "noise",
        "pulses": f"pulses_{spec.band}" if spec.band else "pulses",
        "sweep": f"sweep_{spec.band or 'full'}{'_in_turn' if spec.in_turn else ''}",
    }
    side = "" if spec.channels == "both" else f"_{spec.channels}"
    return plain_stem(names.get(spec.kind, spec.kind) + side)


def title_for(spec: ToneSpec) -> str:
    """The title that a tone gets when its set gives none: 997 Hz at -6 dBFS, Staircase 50 Hz, Noise bass."""
    if spec.kind == "sine":
        return f"{spec.frequency_hz:g} Hz at {spec.level_dbfs:g} dBFS"
    of = f"{spec.frequency_hz:g} Hz" if spec.frequency_hz is not None else spec.band or ""
    return f"{spec.kind.capitalize()} {of}".strip()
