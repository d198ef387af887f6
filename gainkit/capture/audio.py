"""Audio files: plain samples read directly, everything else through libsndfile."""

from __future__ import annotations

import contextlib
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.container import find_samples
from gainkit.capture.model import MOST_READ_BYTES, ArraySource, Capture, SampleSource, gathered
from gainkit.capture.pcm import LIMITS, PcmFile
from gainkit.errors import GainkitError
from gainkit.remarks import Remark, remark
from gainkit.remarks import fault as fault_remark

if TYPE_CHECKING:
    import soundfile

Floats = NDArray[np.float64]

STEP_UNITS = {
    "PCM_S8": 2.0**-7, "PCM_U8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23, "PCM_32": 2.0**-31
}  # fmt: skip
"""Quantiser step of libsndfile's integer formats, full scale = 1.0 [-]."""

EXACT_IN_SINGLE = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "FLOAT")
"""Formats whose samples a 32-bit float holds exactly: half the memory to move."""

LOSSLESS = (*EXACT_IN_SINGLE, "PCM_32", "DOUBLE", "ALAC_16", "ALAC_20", "ALAC_24", "ALAC_32")

OPEN_LENGTH = 1 << 62
"""libsndfile's length of a file whose writer never told it is above this [frames]."""

AHEAD_BLOCKS = 4
"""Blocks decoded at a time, ahead of their use: fewer cost more in waiting than they save [-]."""

PROBE_FRAMES = 4096
"""So many frames tell the converter's step: their lowest bit is in use in any but silence [frames]."""

LEAST_VALUES = 32
"""Distinct values from which on the grid they lie on tells the recorder's own step [-]."""


Table = NDArray[np.float32] | NDArray[np.float64]


@dataclass(frozen=True)
class SoundFile:
    """Samples decoded by libsndfile when asked for."""

    path: Path
    single: bool

    def blocks(
        self, start: int, stop: int, block_frames: int, columns: tuple[int, ...], scale: float
    ) -> Iterator[tuple[Floats, ...]]:
        import soundfile

        done = start

        def tables(audio: soundfile.SoundFile) -> Iterator[Table]:
            """Frames as they are stored, (frames, channels); two are valid at a time, then written over."""
            nonlocal done
            kind = np.dtype(np.float32 if self.single else np.float64)
            most = max(MOST_READ_BYTES // (audio.channels * kind.itemsize), 1)
            most = min(AHEAD_BLOCKS * block_frames, most, max(stop - start, 1))
            stores = np.empty((2 if stop - start > most else 1, most, audio.channels), kind)
            for number, first in enumerate(range(start, stop, most)):
                wanted = min(most, stop - first)
                table = audio.read(out=stores[number % len(stores), :wanted])
                done += len(table)
                yield table
                if len(table) < wanted:
                    return

        def pieces(coming: Iterator[Table]) -> Iterator[tuple[Floats, ...]]:
            for table in coming:
                for first in range(0, len(table), block_frames):
                    part = table[first : first + block_frames]
                    with np.errstate(invalid="ignore", over="ignore"):
                        yield tuple(np.multiply(part[:, c], scale, dtype=np.float64) for c in columns)

        try:
            # closed in this order: a table may still be on its way when the caller has enough
            with _opened(self.path) as audio, contextlib.closing(one_ahead(tables(audio))) as coming:
                audio.seek(start)
                yield from gathered(pieces(coming), block_frames)
        except (soundfile.SoundFileError, RuntimeError, OSError) as fault:
            raise GainkitError("damaged_after_frame", frame=done, reason=_reason(fault)).within(
                "file", self.path
            ) from fault

    def line(self, frame: int) -> int | None:
        return None


def one_ahead(items: Iterator[Table]) -> Generator[Table, None, None]:
    """The same items; a thread makes the next one while this one is used: decoders leave Python alone.

    What ``items`` raises is raised here, in its turn. Closed early, it waits for the one on its way.
    """
    from concurrent.futures import ThreadPoolExecutor  # costs time that plain samples need not spend

    with ThreadPoolExecutor(max_workers=1) as maker:
        coming = maker.submit(next, items, None)
        while (item := coming.result()) is not None:
            coming = maker.submit(next, items, None)
            yield item


def read_audio(path: Path, head: bytes, *, full_scale_volts: float | None = None) -> Capture:
    """Open an audio file as a capture; samples are read later, in blocks.

    head : the file's first bytes. full_scale_volts : peak volts that digital 1.0 stands for [V]; None leaves
    full-scale units. A file that is cut off is read as far as it goes, with a note. Raises GainkitError when
    it cannot be read or holds no frames.
    """
    decoded = _decoded(path, head, full_scale_volts)
    if decoded is not None:
        return decoded
    samples = find_samples(path, head)
    if samples.layout is not None:
        layout = samples.layout
        source: SampleSource = PcmFile(path, layout)
        step = LIMITS.get(layout.code)
        shape = layout.sample_rate_hz, layout.frames, layout.channels
        notes = samples.notes
    else:
        source, step, shape, notes = _through_libsndfile(path)
    rate, frames, channels = shape
    return Capture(
        file=str(path),
        sample_rate_hz=rate,
        frames=frames,
        channels=channels,
        source=source,
        volts_per_unit=1.0 if full_scale_volts is None else full_scale_volts,
        calibrated=full_scale_volts is not None,
        step_units=recorder_step(source, frames, channels) or step,
        has_full_scale=True,
        hard_full_scale=step is not None,
        notes=notes,
        may_hold_gaps=step is None,
    )


def recorder_step(source: SampleSource, frames: int, channels: int) -> float | None:
    """The step of the converter behind the file, where it is coarser than the file's own [full scale = 1.0].

    A 24-bit converter recorded to 32-bit or float files never reaches the file's full scale: its overload
    stands one step of its own below. Told from the lowest bit in use in the middle of the file; None when
    too few values occur to tell, or when samples lie on no grid.
    """
    start = max(frames // 2 - PROBE_FRAMES // 2, 0)
    columns = tuple(range(min(channels, 8)))
    for block in source.blocks(start, min(start + PROBE_FRAMES, frames), PROBE_FRAMES, columns, 2.0**31):
        grid = np.concatenate(block)
        whole = np.rint(grid[np.abs(grid) <= 2.0**31])
        values = np.count_nonzero(np.diff(np.sort(whole), prepend=-np.inf))
        if len(whole) < len(grid) or not np.array_equal(whole, grid) or values < LEAST_VALUES:
            return None
        used = int(np.bitwise_or.reduce(np.abs(whole).astype(np.int64)))
        step = (used & -used) / 2.0**31
        return step if step <= 2.0**-7 else None
    return None


COMPRESSED = ((4, b"ftyp"), (0, b"\x1a\x45\xdf\xa3"), (0, b"\x30\x26\xb2\x75"), (0, b"#!AMR"), (0, b"\xff\xf1"))
"""What stands at some place in the beginning of forms that libsndfile does not read: MPEG-4 and 3GPP as phones
record them, Matroska or WebM, Windows Media, AMR speech, AAC without a container."""


def _decoded(path: Path, head: bytes, full_scale_volts: float | None) -> Capture | None:
    """A phone's recording, decoded in memory; None for forms that are read without. Raises GainkitError."""
    if not any(head[place : place + len(mark)] == mark for place, mark in COMPRESSED):
        return None
    from gainkit.capture.codecs import decode_audio

    try:
        samples, rate = decode_audio(path.read_bytes(), path.name)
    except OSError as fault:
        raise GainkitError("file_unreadable", file=str(path), reason=_reason(fault)) from fault
    except GainkitError as fault:
        raise fault.within("file", path) from None
    return Capture(
        file=str(path),
        sample_rate_hz=rate,
        frames=len(samples),
        channels=samples.shape[1],
        source=ArraySource(samples),
        volts_per_unit=1.0 if full_scale_volts is None else full_scale_volts,
        calibrated=full_scale_volts is not None,
        has_full_scale=True,
        notes=(fault_remark("compressed_with_loss", subtype=path.suffix.lstrip(".").upper() or "lossy"),),
    )


def _through_libsndfile(
    path: Path,
) -> tuple[SampleSource, float | None, tuple[float, int, int], tuple[Remark, ...]]:
    import soundfile

    try:
        with _opened(path) as audio:
            rate, frames, channels, subtype = audio.samplerate, audio.frames, audio.channels, audio.subtype
            there = _decodable(path, audio)
    except (soundfile.SoundFileError, RuntimeError, TypeError, OSError) as fault:
        raise GainkitError("not_audio", reason=_reason(fault), name=path.name).within("file", path) from fault
    if there == 0:
        raise GainkitError("recording_empty").within("file", path)
    notes: tuple[Remark, ...] = ()
    if frames >= OPEN_LENGTH:
        notes = (remark("length_never_written", seconds=there / rate),)
    elif there < frames:
        notes = (fault_remark("file_cut_off", promised_seconds=frames / rate, seconds=there / rate),)
    if subtype not in LOSSLESS:
        notes = (*notes, fault_remark("compressed_with_loss", subtype=subtype))
    source = SoundFile(path, subtype in EXACT_IN_SINGLE)
    return source, STEP_UNITS.get(subtype), (float(rate), there, channels), notes


def _decodable(path: Path, audio: soundfile.SoundFile) -> int:
    """Frames that can really be decoded: asked at the end first, counted from the start only if that fails."""
    frames = int(audio.frames)
    try:
        if frames < OPEN_LENGTH:
            audio.seek(max(frames - 1, 0))
            if len(audio.read(1, dtype="float32")) == min(frames, 1):
                return frames
    except RuntimeError:  # soundfile's own errors among them
        pass
    count = 0
    with contextlib.suppress(RuntimeError), _opened(path) as again:  # a decoder that failed once stays lost
        store = np.empty((PROBE_FRAMES, again.channels), np.float32)
        while got := len(again.read(out=store)):
            count += got
    return count


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[soundfile.SoundFile]:
    """The file, judged by content: by its name alone libsndfile takes '.raw' for samples without a header."""
    import soundfile

    if path.suffix.lower() == ".raw":
        with open(path, "rb") as nameless, soundfile.SoundFile(nameless) as audio:
            yield audio
    else:
        with soundfile.SoundFile(path) as audio:
            yield audio


def _reason(fault: Any) -> str:
    """libsndfile's own words without the path that it repeats, or the system's."""
    words = getattr(fault, "error_string", None) or getattr(fault, "strerror", None) or str(fault)
    return str(words).strip().rstrip(".")
