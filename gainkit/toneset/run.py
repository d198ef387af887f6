"""One run over a folder of tracks: what is there already, what is to be written, how far it is."""

from __future__ import annotations

import contextlib
import errno
import functools
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.files import whole_file, write_whole
from gainkit.toneset import wav
from gainkit.toneset.device import FULL_BYTES, UNCLEAR, is_full
from gainkit.toneset.index import PlannedTrack, TrackFacts, index_text, track_facts
from gainkit.toneset.model import INDEX_FILE, PAGE_HTML_FILE, PAGE_TEXT_FILE, AudioFormat, Progress, ToneSet
from gainkit.toneset.pages import page_html, page_text


def make_file(item: PlannedTrack, path: Path, audio: AudioFormat, made: wav.FramesMade) -> str:
    """Make a track's file just there, neither flushed nor renamed; its SHA-256."""
    write = wav.write_wav if audio.format == "wav" else wav.write_flac
    try:
        sha256 = write(path, item.waveform, audio, dither=item.dither, seed=item.track.spec.seed, made=made)
        if wav.frames_in(path, audio) != item.waveform.frames:
            raise OSError(errno.EIO, "the device did not keep what was written")
        return sha256
    except OSError as fault:
        if fault.errno in UNCLEAR and is_full(path.parent, FULL_BYTES):
            raise OSError(errno.ENOSPC, "no space left") from fault
        raise


class FrameCount:
    """Counts the frames of a run, and tells whoever wants to know."""

    def __init__(self, total: int, progress: Progress | None) -> None:
        self.total, self.done, self.progress = total, 0, progress

    def of(self, file: str) -> wav.FramesMade:
        """What to call with the frames made of a file."""

        def made(frames: int) -> None:
            self.done += frames
            if self.progress is not None:
                self.progress(file, min(self.done, self.total), self.total)

        return made


class WritingStopped(KeyboardInterrupt):
    """A run that was stopped by hand. facts : the folder; how many tracks stand whole under their final names,
    of how many; whether an index is there, which is of these tracks."""

    def __init__(self, folder: Path, whole: int, tracks: int, has_index: bool) -> None:
        super().__init__(f"{whole} of {tracks} tracks are whole in {folder}")
        self.facts: dict[str, Any] = {"folder": str(folder), "whole": whole, "tracks": tracks}
        self.facts["has_index"] = has_index


class WritingRun:
    """One run over a folder: what is there already, what is to be written, how far it is."""

    def __init__(
        self,
        tone_set: ToneSet,
        planned: list[PlannedTrack],
        folder: Path,
        audio: AudioFormat,
        progress: Progress | None,
    ) -> None:
        self.tone_set, self.planned, self.folder, self.audio = tone_set, planned, folder, audio
        self.whole: set[str] = set()
        self.count = FrameCount(sum(item.waveform.frames for item in planned), progress)
        facts = [track_facts(item, audio) for item in planned]
        self.pages = {
            PAGE_TEXT_FILE: page_text(tone_set, audio, facts),
            PAGE_HTML_FILE: page_html(tone_set, audio, facts),
        }

    def kept(self, overwrite: bool) -> dict[str, str]:
        """Tracks that stand under their final name already, just as they would be written, with their hashes.

        Raises GainkitError for a file in the way that differs, unless it may be replaced.
        """
        kept = {}
        for item in self.planned:
            path = self.folder / item.file
            if sha256 := self._whole_sha256(item, path):
                kept[item.file] = sha256
                self.whole.add(item.file)
                self.count.of(item.file)(item.waveform.frames)
            elif path.exists() and not (overwrite and path.is_file()):
                raise GainkitError("track_in_the_way").within("file", path)
        return kept

    def _whole_sha256(self, item: PlannedTrack, path: Path) -> str | None:
        """Hash of a file that is the track already; None where it is not. Sizes are compared first: quicker."""
        if not path.is_file() or (self.audio.format == "wav" and path.stat().st_size != item.size_bytes):
            return None
        sha256 = wav.file_sha256(path)
        return sha256 if sha256 == self.expected_sha256(item) else None

    def expected_sha256(self, item: PlannedTrack) -> str:
        """Hash of the file that this track becomes. Tones are made the same at every run, so no notes are
        kept."""
        if self.audio.format == "wav":
            return wav.wav_sha256(item.waveform, self.audio, dither=item.dither, seed=item.track.spec.seed)
        import tempfile

        with tempfile.TemporaryDirectory(prefix="gainkit-") as scratch:
            return make_file(item, Path(scratch) / item.file, self.audio, lambda frames: None)

    def refuse_other_pages(self, overwrite: bool) -> None:
        """Raise GainkitError for a page in the way that differs, unless it may be replaced."""
        for name, content in self.pages.items():
            path = self.folder / name
            if path.exists() and not overwrite and not _same_text(path, content):
                raise GainkitError("track_in_the_way").within("file", path)

    def has_other_index(self, kept: dict[str, str], overwrite: bool) -> bool:
        """Whether an index is in the way that is not this set's own. Raises GainkitError if it must stay."""
        path = self.folder / INDEX_FILE
        if not path.exists():
            return False
        hashes = {item.file: kept.get(item.file) or self.expected_sha256(item) for item in self.planned}
        if _same_text(path, index_text(self.tone_set, self.audio, self.facts(hashes, kept))):
            return False
        if not overwrite:
            raise GainkitError("other_set_there").within("file", self.folder)
        return True

    def facts(self, hashes: dict[str, str], kept: Iterable[str]) -> tuple[TrackFacts, ...]:
        """The facts of every track with its hash; kept : files that were there already."""
        return tuple(
            track_facts(item, self.audio, hashes[item.file], written=item.file not in kept)
            for item in self.planned
        )

    def write(self, todo: list[PlannedTrack]) -> dict[str, str]:
        """Write tracks one after the other; while the device takes one in, the next is being made."""
        hashes: dict[str, str] = {}
        finishing: Future[None] | None = None
        with ThreadPoolExecutor(1) as second_hand:
            for item in todo:
                with contextlib.ExitStack() as unfinished:
                    draft = unfinished.enter_context(whole_file(self.folder / item.file, overwrite=True))
                    hashes[item.file] = make_file(item, draft, self.audio, self.count.of(item.file))
                    if finishing is not None:
                        finishing.result()
                    finishing = second_hand.submit(unfinished.pop_all().close)  # flush and rename
                    finishing.add_done_callback(functools.partial(self._finished, item.file))
            if finishing is not None:
                finishing.result()
        return hashes

    def _finished(self, file: str, done: Future[None]) -> None:
        if done.exception() is None:
            self.whole.add(file)

    @contextlib.contextmanager
    def told_when_stopped(self) -> Iterator[None]:
        """A run that is stopped by hand ends with `WritingStopped`, its drafts removed."""
        try:
            yield
        except KeyboardInterrupt:
            has_index = (self.folder / INDEX_FILE).is_file()
            raise WritingStopped(self.folder, len(self.whole), len(self.planned), has_index) from None

    def write_texts(self, texts: dict[str, str], overwrite: bool) -> None:
        """Write pages and index, the index last; those that are there just so are left."""
        for name, content in texts.items():
            if not _same_text(self.folder / name, content):
                write_whole(self.folder / name, content, overwrite=overwrite)


def _same_text(path: Path, content: str) -> bool:
    """Whether the file is there and holds just this text."""
    return path.is_file() and path.read_bytes() == content.encode()
