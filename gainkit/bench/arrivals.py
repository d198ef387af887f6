"""Recordings that come from outside: a file sent by a screen, or one that appears in a watched folder.

They are read in a private folder, under names of our own; the name that came along is only ever shown.
"""

from __future__ import annotations

import itertools
import re
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from gainkit.capture import Capture, read_capture
from gainkit.capture.codecs import DecodingLimits, container_of, decode_audio
from gainkit.errors import GainkitError
from gainkit.files import whole_file

DECODED = {"mov": ".m4a", "matroska": ".webm", "amr": ".amr", "aac": ".aac", "mp3": ".mp3"}
"""Containers that the decoder reads, and the suffix they are kept under."""

SUFFIXES = {b"RIFF": ".wav", b"fLaC": ".flac", b"FORM": ".aiff", b"caff": ".caf", b"OggS": ".ogg"}
"""Suffixes of what is read as it is, by its first bytes; anything else is text of an oscilloscope."""

MOST_WAITING_BYTES = 512_000_000
"""Recordings that are neither kept nor left, together [bytes]."""

LONGEST_NAME = 60
"""A name from outside is shown up to so many characters [-]."""


@dataclass(frozen=True)
class Arrival:
    """One recording. shown : the name it came under. draft : where it lies until it is kept. place : where it
    is kept then."""

    shown: str
    capture: Capture
    draft: Path
    place: Path

    def keep(self) -> Path:
        """Put it among the job's captures, whole."""
        self.place.parent.mkdir(exist_ok=True)
        with whole_file(self.place) as file:
            file.write_bytes(self.draft.read_bytes())
        return self.place

    def drop(self) -> None:
        """Forget it."""
        self.draft.unlink(missing_ok=True)


class Drafts:
    """The private folder in which recordings wait until they are kept; gone with the program."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="gainkit-")
        self._numbers = itertools.count(1)

    def arrive(self, data: bytes, shown: str, stem: str, captures: Path, calibration: Path | None) -> Arrival:
        """Read a recording. stem : of the name it is kept under, of letters, digits and hyphens.

        Raises GainkitError for what cannot be read.
        """
        if not data:
            raise GainkitError("upload_empty", "capture")
        waiting = sum(each.stat().st_size for each in Path(self._folder.name).iterdir())
        if waiting + len(data) > MOST_WAITING_BYTES:
            raise GainkitError("too_much_waits", "capture", most_mb=MOST_WAITING_BYTES / 1e6)
        suffix = suffix_of(data)
        draft = Path(self._folder.name) / f"{next(self._numbers)}{suffix}"
        draft.write_bytes(data)
        place = free_place(captures, stem, suffix)
        name = shown_name(shown)
        try:
            capture = _capture(data, draft, name, calibration)
        except GainkitError:
            draft.unlink(missing_ok=True)
            raise
        return Arrival(name, replace(capture, file=f"{captures.name}/{place.name}"), draft, place)

    def close(self) -> None:
        """Remove the folder."""
        self._folder.cleanup()


def _capture(data: bytes, draft: Path, name: str, calibration: Path | None) -> Capture:
    if container_of(data) in DECODED:
        samples, rate = decode_audio(data, name)
        whole = Capture.from_array(samples, rate, file=name, calibrated=False)
        return replace(whole, has_full_scale=True)
    return _bounded(read_capture(draft, calibration=calibration))


def _bounded(capture: Capture) -> Capture:
    """The same recording. A megabyte of packed silence can stand for hours, and reading these would never end.

    Raises GainkitError (`codec_too_long`).
    """
    limits = DecodingLimits()
    most_seconds = min(limits.seconds, limits.samples / (capture.sample_rate_hz * capture.channels))
    if capture.seconds > most_seconds:
        raise GainkitError("codec_too_long", "capture", most_seconds=most_seconds)
    return capture


def suffix_of(data: bytes) -> str:
    """The suffix that a recording is kept under, by its content."""
    container = container_of(data)
    if container in DECODED:
        return DECODED[container]
    return SUFFIXES.get(data[:4], ".csv")


def free_place(captures: Path, stem: str, suffix: str) -> Path:
    """A name among the captures that nothing has yet."""
    for number in itertools.count(1):
        place = captures / f"{stem}_{number}{suffix}"
        if not place.exists():
            return place
    raise AssertionError


def stem_of(kind: str, output: str | None, label: str) -> str:
    """The beginning of a capture's name: letters, digits and hyphens only, whatever the output is called."""
    words = [kind, output or "", label]
    plain = [re.sub(r"[^a-z0-9]+", "-", each.casefold()).strip("-")[:30] for each in words]
    return "_".join(each for each in plain if each)


def shown_name(name: str) -> str:
    """A name from outside as it may be shown: one line, not long."""
    clean = "".join(each if each.isprintable() else " " for each in name).strip()
    return clean[:LONGEST_NAME]
