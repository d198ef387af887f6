"""A tone set onto a stick: planned, space checked, each track whole under its name, the index last."""

from __future__ import annotations

import contextlib
import errno
import re
import shutil
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.files import whole_file, write_whole
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.toneset import wav
from gainkit.toneset.index import PlannedTrack, index_text, track_facts
from gainkit.toneset.model import (
    INDEX_FILE,
    PAGE_HTML_FILE,
    PAGE_TEXT_FILE,
    Target,
    ToneSet,
    Track,
    stem_for,
    title_for,
)
from gainkit.toneset.pages import page_html, page_text

SPARE_BYTES = 1 << 20
"""Room for index, pages and the file system's own needs [bytes]."""

Watch = Callable[[str, int, int], None]
"""Told the file at work, frames done and frames in all, of the whole run."""


@dataclass(frozen=True)
class WrittenSet:
    """What `write_set` did.

    tracks : facts of every track as in index.json, with "written": False where a whole one was there already.
    """

    set: str
    title: str
    folder: Path
    sample_rate_hz: int
    bits: int
    format: str
    size_bytes: int
    seconds: float
    tracks: list[dict[str, Any]]


def plan_tracks(tone_set: ToneSet, target: Target) -> list[PlannedTrack]:
    """Every track with its file name, waveform and size. Raises GainkitError for what cannot be written."""
    if target.file_format == "flac" and target.samples.is_float:
        raise GainkitError("FLAC holds integers, not 32 bit floats.", "Use 16 or 24 bit, or WAV.")
    planned = []
    for number, track in enumerate(tone_set.tracks, 1):
        file = target.file_name(number, len(tone_set.tracks), track.file_stem)
        planned.append(plan_track(track, target, file))
    return planned


def plan_track(track: Track, target: Target, file: str) -> PlannedTrack:
    """One track planned under this file name. Raises GainkitError for what cannot be written."""
    waveform = kinds.build(track.spec, target.sample_rate_hz)
    if target.file_format == "wav":
        wav.wav_header(waveform.frames, target)  # refuses what the format cannot hold
    return PlannedTrack(
        track,
        file,
        waveform,
        target.samples.dithered(track.spec.dither),
        wav.file_bytes(waveform.frames, target),
    )


def write_set(
    tone_set: ToneSet, folder: Path, target: Target, *, overwrite: bool = False, watch: Watch | None = None
) -> WrittenSet:
    """Write a tone set; tracks that are there and whole already are left as they are.

    Nothing is written before all of this is known: every track can be made, no file in the way differs (unless
    `overwrite`), the space suffices. Raises GainkitError otherwise, and when the device fails on the way: then
    every track under its final name is whole, and the next run goes on from there.
    """
    planned = plan_tracks(tone_set, target)
    _prepare_folder(folder)
    with _device_faults(folder):
        _remove_drafts(folder, [*(item.file for item in planned), PAGE_TEXT_FILE, PAGE_HTML_FILE, INDEX_FILE])
        pages = {
            PAGE_TEXT_FILE: page_text(tone_set, target, planned),
            PAGE_HTML_FILE: page_html(tone_set, target, planned),
        }
        run = _Run(planned, folder, target, watch)
        kept = run.kept(overwrite)
        _check_pages(folder, pages, overwrite)
        todo = [item for item in planned if item.file not in kept]
        _check_index(tone_set, folder, run, kept, overwrite)
        _check_space(folder, todo, target)
        hashes = dict(kept)
        hashes |= run.write(todo)
        for name, content in pages.items():
            if not _same_text(folder / name, content):
                write_whole(folder / name, content, overwrite=overwrite)
        facts = _facts(planned, target, hashes)
        index = index_text(tone_set, target, facts)
        if not _same_text(folder / INDEX_FILE, index):
            write_whole(folder / INDEX_FILE, index, overwrite=overwrite)
        size = sum((folder / item.file).stat().st_size for item in planned)
    told = [{**fact, "written": fact["file"] not in kept} for fact in facts]
    return _result(tone_set, folder, target, planned, size, told)


def make_file(item: PlannedTrack, path: Path, target: Target, progress: wav.Progress) -> str:
    """Make a track's file just there, neither flushed nor renamed; its SHA-256."""
    write = wav.write_wav if target.file_format == "wav" else wav.write_flac
    try:
        sha256 = write(
            path, item.waveform, target, dither=item.dither, seed=item.track.spec.seed, progress=progress
        )
        if wav.frames_in(path, target) != item.waveform.frames:
            raise OSError(errno.EIO, "the device did not keep what was written")
        return sha256
    except OSError as fault:
        full = path.parent.is_dir() and shutil.disk_usage(path.parent).free < (1 << 16)
        if full and fault.errno in (errno.EPERM, errno.EIO):  # so some drivers of FAT call it
            raise OSError(errno.ENOSPC, "no space left") from fault
        raise


def write_one(
    spec: ToneSpec, path: Path, target: Target, *, overwrite: bool = False, watch: Watch | None = None
) -> dict[str, Any]:
    """Write one tone to a file of its own; its facts as in index.json, with its hash. Raises GainkitError."""
    spec = kinds.checked(spec, target.sample_rate_hz)
    item = plan_track(Track(spec, title_for(spec), "", stem_for(spec)), target, path.name)
    total, done = item.waveform.frames, 0

    def progress(frames: int) -> None:
        nonlocal done
        done += frames
        if watch is not None:
            watch(path.name, done, total)

    if path.parent.is_dir():
        _check_space(path.parent, [item], target)
        _remove_drafts(path.parent, [path.name])
    with _device_faults(path.parent), whole_file(path, overwrite=overwrite) as draft:
        sha256 = make_file(item, draft, target, progress)
    return {**track_facts(item, target), "sha256": sha256}


def dry_run(tone_set: ToneSet, folder: Path, target: Target) -> WrittenSet:
    """What `write_set` would write, with sizes (for FLAC upper bounds) and no hashes; touches nothing."""
    planned = plan_tracks(tone_set, target)
    facts = [{**track_facts(item, target), "sha256": None, "written": True} for item in planned]
    return _result(tone_set, folder, target, planned, sum(item.size_bytes for item in planned), facts)


def set_seconds(tone_set: ToneSet) -> float:
    """Playing time of a whole set [s]."""
    return sum(item.waveform.seconds for item in plan_tracks(tone_set, Target()))


def _result(
    tone_set: ToneSet,
    folder: Path,
    target: Target,
    planned: list[PlannedTrack],
    size_bytes: int,
    facts: list[dict[str, Any]],
) -> WrittenSet:
    return WrittenSet(
        tone_set.name,
        tone_set.title,
        folder,
        target.sample_rate_hz,
        target.samples.bits,
        target.file_format,
        size_bytes,
        sum(item.waveform.seconds for item in planned),
        facts,
    )


class _Run:
    """One run over a folder: writes, compares, and counts what is done."""

    def __init__(self, planned: list[PlannedTrack], folder: Path, target: Target, watch: Watch | None) -> None:
        self.planned, self.folder, self.target, self.watch = planned, folder, target, watch
        self.total = sum(item.waveform.frames for item in planned)
        self.done = 0

    def _progress(self, item: PlannedTrack) -> wav.Progress:
        def tell(frames: int) -> None:
            self.done += frames
            if self.watch is not None:
                self.watch(item.file, min(self.done, self.total), self.total)

        return tell

    def kept(self, overwrite: bool) -> dict[str, str]:
        """Tracks that stand under their final name already, just as they would be written, with their hashes.

        Raises GainkitError for a file in the way that differs, unless it may be replaced.
        """
        kept = {}
        for item in self.planned:
            path = self.folder / item.file
            if not path.exists():
                continue
            if path.is_file():
                same_size = self.target.file_format != "wav" or path.stat().st_size == item.size_bytes
                if same_size:
                    found = wav.file_sha256(path)
                    if found == self.expected_sha256(item):
                        kept[item.file] = found
                        self._progress(item)(item.waveform.frames)
                        continue
                if overwrite:
                    continue
            raise GainkitError(
                f"{path} is already there and is not the track that would be written.",
                "Choose another folder, or add --overwrite.",
            )
        return kept

    def expected_sha256(self, item: PlannedTrack) -> str:
        """Hash of the file that this track becomes. Tones are made the same at every run, so no notes are
        kept."""
        spec, nothing = item.track.spec, lambda frames: None
        if self.target.file_format == "wav":
            return wav.wav_sha256(item.waveform, self.target, dither=item.dither, seed=spec.seed)
        import tempfile

        with tempfile.TemporaryDirectory(prefix="gainkit-") as scratch:
            return make_file(item, Path(scratch) / item.file, self.target, nothing)

    def write(self, todo: list[PlannedTrack]) -> dict[str, str]:
        """Write tracks one after the other; while the device takes one in, the next is being made."""
        hashes: dict[str, str] = {}
        finishing: Future[None] | None = None
        with ThreadPoolExecutor(1) as second_hand:
            for item in todo:
                with contextlib.ExitStack() as unfinished:
                    draft = unfinished.enter_context(whole_file(self.folder / item.file, overwrite=True))
                    hashes[item.file] = make_file(item, draft, self.target, self._progress(item))
                    if finishing is not None:
                        finishing.result()
                    finishing = second_hand.submit(unfinished.pop_all().close)  # flush and rename
            if finishing is not None:
                finishing.result()
        return hashes


def _facts(planned: list[PlannedTrack], target: Target, hashes: dict[str, str]) -> list[dict[str, Any]]:
    return [{**track_facts(item, target), "sha256": hashes[item.file]} for item in planned]


def _prepare_folder(folder: Path) -> None:
    """Make the folder if its parent is there; a missing parent is a stick that is not mounted, or a slip."""
    if folder.is_dir():
        return
    if folder.exists():
        raise GainkitError(f"{folder} is a file.", "Give the name of a folder.")
    if not folder.parent.is_dir():
        raise GainkitError(f"The folder {folder.parent} is not there.", "Is the stick mounted? Check the path.")
    with _device_faults(folder):
        folder.mkdir()


def _remove_drafts(folder: Path, names: Iterable[str]) -> None:
    """Remove what a killed run left behind: only drafts of just these files, by their exact names."""
    stems = {(Path(name).stem, Path(name).suffix) for name in names}
    for path in folder.iterdir():
        match = re.fullmatch(r"\.(.+)-[0-9a-f]{8}\.part(\.[a-z]+)", path.name)
        if match and (match[1], match[2]) in stems and path.is_file() and not path.is_symlink():
            path.unlink()


def _check_pages(folder: Path, pages: dict[str, str], overwrite: bool) -> None:
    for name, content in pages.items():
        if (folder / name).exists() and not overwrite and not _same_text(folder / name, content):
            raise GainkitError(
                f"{folder / name} is already there and differs from what would be written.",
                "Choose another folder, or add --overwrite.",
            )


def _check_index(tone_set: ToneSet, folder: Path, run: _Run, kept: dict[str, str], overwrite: bool) -> None:
    """An index in the way is this set's own, or goes: its hashes stop being true with the first track
    written."""
    if not (folder / INDEX_FILE).exists():
        return
    hashes = {item.file: kept.get(item.file) or run.expected_sha256(item) for item in run.planned}
    index = index_text(tone_set, run.target, _facts(run.planned, run.target, hashes))
    if _same_text(folder / INDEX_FILE, index):
        return
    if not overwrite:
        raise GainkitError(
            f"{folder} holds another tone set already ({INDEX_FILE}).",
            "Choose another folder, or add --overwrite.",
        )
    (folder / INDEX_FILE).unlink()


def _same_text(path: Path, content: str) -> bool:
    """Whether the file is there and holds just this text."""
    return path.is_file() and path.read_bytes() == content.encode()


def _check_space(folder: Path, todo: list[PlannedTrack], target: Target) -> None:
    """Refuse before the first byte when the device has too little room.

    Of FLAC only an upper bound is known at once; where that does not fit, the true sizes are found.
    """
    replaced = [path.stat().st_size for item in todo if (path := folder / item.file).is_file()]
    spare = SPARE_BYTES + max(replaced, default=0) - sum(replaced)
    need = spare + sum(item.size_bytes for item in todo)
    free = shutil.disk_usage(folder).free
    if todo and need > free and target.file_format == "flac":
        need = spare + sum(
            wav.flac_bytes(item.waveform, target, dither=item.dither, seed=item.track.spec.seed)
            for item in todo
        )
    if todo and need > free:
        raise GainkitError(
            f"{folder} has {free / 1e6:.0f} MB free; the tracks need {need / 1e6:.0f} MB.",
            "Free some room, or use a smaller set, FLAC or 16 bit.",
        )


_REMEDIES = {
    errno.ENOSPC: ("The device is full.", "Free some room and run the same command again: it goes on."),
    errno.EROFS: ("The device is read-only.", "Undo its write protection, or use another one."),
    errno.EACCES: ("No permission to write there.", "Choose a folder of your own."),
    errno.EPERM: ("No permission to write there.", "Choose a folder of your own."),
    errno.EIO: ("The device reports errors.", "Check the stick, or use another one."),
}


@contextlib.contextmanager
def _device_faults(folder: Path) -> Iterator[None]:
    """Turn what a device says into what is wrong and how to mend it."""
    try:
        yield
    except OSError as fault:
        code = fault.errno or 0
        if (
            code in (errno.EPERM, errno.EIO)
            and folder.is_dir()
            and shutil.disk_usage(folder).free < SPARE_BYTES
        ):
            code = errno.ENOSPC  # some drivers of FAT say so when they are full
        problem, remedy = _REMEDIES.get(
            code,
            (
                f"Writing failed: {fault.strerror or fault}.",
                "Check that the stick is still there and run the same command again: it goes on.",
            ),
        )
        raise GainkitError(f"{folder}: {problem}", remedy) from fault
