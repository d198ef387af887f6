"""A tone set as it is read, as it is planned, and as it stands on the stick."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from gainkit.calculator.ranges import refuse_faults
from gainkit.errors import GainkitError
from gainkit.figures import plain
from gainkit.generator import kinds
from gainkit.generator.encode import SampleFormat
from gainkit.generator.model import Waveform
from gainkit.generator.spec import ToneSpec, given

BITS = (16, 24, 32)
FORMATS = ("wav", "flac")

INDEX_FILE = "index.json"
PAGE_TEXT_FILE = "tracks.txt"
PAGE_HTML_FILE = "tracks.html"

AUDIO_SUFFIXES = frozenset(
    {".wav", ".flac", ".mp3", ".m4a", ".aac", ".ogg", ".opus", ".wma", ".aif", ".aiff", ".ape", ".mp4"}
)
"""Files that a player takes for music: a foreign one on the stick plays among the tracks."""

LONGEST_STEM = 28
"""Longest file name without its suffix that tracks get [characters]."""


Progress = Callable[[str, int, int], None]
"""Told the file at work, frames done and frames in all, of the whole run."""


@dataclass(frozen=True)
class Track:
    """One entry of a tone set: the tone and what a person needs to know of it.

    spec : as checked. title : short name. use : what it is for, one sentence. file_stem : name without number
    and suffix. waveform : what it is at the rate that the set was read for.
    """

    spec: ToneSpec
    title: str
    use: str
    file_stem: str
    waveform: Waveform

    def at_rate(self, sample_rate_hz: int) -> Waveform:
        """The waveform at a sample rate; built anew only where the set was read for another one."""
        if self.waveform.sample_rate_hz == sample_rate_hz:
            return self.waveform
        return kinds.build(self.spec, sample_rate_hz)


@dataclass(frozen=True)
class ToneSet:
    """A tone set: its name, what it is for, its tracks in play order."""

    name: str
    title: str
    about: str
    tracks: tuple[Track, ...]

    @property
    def seconds(self) -> float:
        """Playing time of the whole set [s]."""
        return sum(track.waveform.seconds for track in self.tracks)


@dataclass(frozen=True)
class AudioFormat:
    """How tracks are written.

    rate : sample rate [Hz], one of `kinds.SAMPLE_RATES_HZ`. bits : 16 or 24 (integers), 32 (float). format :
    "wav" or "flac". Raises GainkitError for others, and for floats in FLAC.
    """

    rate: int = 44_100
    bits: int = 16
    format: str = "wav"

    def __post_init__(self) -> None:
        refuse_faults(self)

    def faults(self) -> Iterator[GainkitError]:
        """What cannot be written so."""
        allowed: tuple[tuple[str, tuple[int | str, ...]], ...] = (
            ("rate", kinds.SAMPLE_RATES_HZ),
            ("bits", BITS),
            ("format", FORMATS),
        )
        for name, choices in allowed:
            value = getattr(self, name)
            if not isinstance(value, type(choices[0])) or value not in choices:
                yield GainkitError("unknown_choice", name, value, choices)
        if self.format == "flac" and self.bits == 32:
            yield GainkitError("flac_holds_no_floats", "bits", self.bits)

    @property
    def samples(self) -> SampleFormat:
        """How a sample is stored."""
        return SampleFormat(self.bits)

    def file_name(self, number: int, count: int, stem: str) -> str:
        """01_stem.wav: numbers of equal width, so that name order is play order."""
        width = max(2, len(str(count)))
        return f"{number:0{width}d}_{stem}.{self.format}"


def plain_stem(text: str) -> str:
    """A file name that old players and FAT take: a-z, 0-9, - and _; short. Empty if nothing is left."""
    stem = re.sub(r"[^a-z0-9_-]+", "_", text.lower()).strip("_-")
    return re.sub(r"__+", "_", stem)[:LONGEST_STEM].strip("_")


def stem_for(spec: ToneSpec) -> str:
    """The file name that a tone gets when its set gives none: 997hz_-6db, stairs_50hz, noise_bass."""
    tone = f"{plain(spec.frequency_hz, 6)}hz" if spec.frequency_hz is not None else ""
    level = f"{plain(spec.level_dbfs, 6)}db" if spec.level_dbfs is not None else ""
    names = {
        "sine": f"{tone}_{level}",
        "staircase": f"stairs_{tone}",
        "glide": f"glide_{tone}",
        "sweep": f"sweep_{spec.band or 'full'}{'_in_turn' if spec.in_turn else ''}",
        "noise": f"noise_{_band_name(spec)}".rstrip("_"),
        "chirps": f"chirps_{spec.band or ''}".rstrip("_"),
        "pulses": f"pulses_{spec.band or ''}".rstrip("_"),
    }
    side = "" if spec.channels == "both" else f"_{spec.channels}"
    return plain_stem(names.get(spec.kind, spec.kind) + side)


def _band_name(spec: ToneSpec) -> str:
    """The band of a noise in a file name: bass, 40-80; empty where the kind's own is meant."""
    if spec.band or spec.low_hz is None or spec.high_hz is None:
        return spec.band or ""
    return f"{spec.low_hz:.0f}-{spec.high_hz:.0f}"


def title_for(spec: ToneSpec) -> str:
    """The title that a checked tone gets when its set gives none: 997 Hz at -6 dBFS, Noise bass."""
    if spec.kind == "sine":
        return f"{plain(given(spec.frequency_hz), 6)} Hz at {plain(given(spec.level_dbfs), 6)} dBFS"
    of = f"{plain(spec.frequency_hz, 6)} Hz" if spec.frequency_hz is not None else spec.band or ""
    return f"{spec.kind.capitalize()} {of}".strip()
