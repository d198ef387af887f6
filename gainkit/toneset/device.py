"""The stick that tracks are written to: is it there, has it room, and what does it say when it fails."""

from __future__ import annotations

import contextlib
import errno
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

from gainkit.errors import GainkitError
from gainkit.toneset import wav
from gainkit.toneset.index import PlannedTrack
from gainkit.toneset.model import AudioFormat

SPARE_BYTES = 1 << 20
"""Room for index, pages and the file system's own needs [bytes]."""

FULL_BYTES = 1 << 16
"""A device with less room than this counts as full: drivers keep some for themselves [bytes]."""


def prepare_folder(folder: Path) -> None:
    """Make the folder if its parent is there; a missing parent is a stick that is not mounted, or a slip."""
    if folder.is_dir():
        return
    if folder.exists():
        raise GainkitError("tracks_into_file").within("file", folder)
    if not folder.parent.is_dir():
        raise GainkitError("stick_not_there").within("file", folder.parent)
    with device_faults(folder):
        folder.mkdir()


def check_room(folder: Path, tracks: Sequence[PlannedTrack], audio: AudioFormat) -> None:
    """Refuse before the first byte when the device has too little room for these tracks.

    Of FLAC only an upper bound is known at once; where that does not fit, the true sizes are found.
    """
    if not tracks:
        return
    replaced = [path.stat().st_size for item in tracks if (path := folder / item.file).is_file()]
    spare = SPARE_BYTES + max(replaced, default=0) - sum(replaced)
    need = spare + sum(item.size_bytes for item in tracks)
    free = shutil.disk_usage(folder).free
    if need > free and audio.format == "flac":
        need = spare + sum(
            wav.flac_bytes(item.waveform, audio, dither=item.dither, seed=item.track.spec.seed)
            for item in tracks
        )
    if need > free:
        raise GainkitError("too_little_room", free_megabytes=free / 1e6, needed_megabytes=need / 1e6).within(
            "file", folder
        )


def is_full(folder: Path, least_bytes: int) -> bool:
    """Whether a folder's device has less room than that."""
    return folder.is_dir() and shutil.disk_usage(folder).free < least_bytes


_CODES = {
    errno.ENOSPC: "device_full",
    errno.EROFS: "device_read_only",
    errno.EACCES: "device_not_ours",
    errno.EPERM: "device_not_ours",
    errno.EIO: "device_errors",
}

UNCLEAR = (errno.EPERM, errno.EIO)
"""What some drivers of FAT say when they are full."""


@contextlib.contextmanager
def device_faults(folder: Path) -> Iterator[None]:
    """Turn what a device says into a fault with its remedy."""
    try:
        yield
    except OSError as error:
        number = error.errno or 0
        if number in UNCLEAR and is_full(folder, SPARE_BYTES):
            number = errno.ENOSPC
        reason = error.strerror or str(error)
        raise GainkitError(_CODES.get(number, "device_failed"), reason=reason).within("file", folder) from error
