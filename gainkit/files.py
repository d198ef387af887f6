"""Files that are whole under their final name: written beside it, flushed to the device, renamed."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from gainkit.errors import GainkitError


def refuse_existing(path: Path, overwrite: bool) -> None:
    """Raise GainkitError when path is there and may not be replaced."""
    if path.is_dir():
        raise GainkitError("file_is_folder", received=path)
    if path.exists() and not overwrite:
        raise GainkitError("file_exists", received=path)


@contextlib.contextmanager
def whole_file(path: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """A temporary path beside the final one to write to; renamed on success, removed on failure.

    The temporary name keeps the suffix, so that writers which choose a format by it work. Raises
    GainkitError when the file is already there or its folder is not.
    """
    refuse_existing(path, overwrite)
    if not path.parent.is_dir():
        raise GainkitError("folder_missing", received=path.parent)
    draft = path.with_name(f".{path.stem}-{secrets.token_hex(4)}.part{path.suffix}")
    try:
        yield draft
        with open(draft, "rb+") as written:
            os.fsync(written.fileno())
        os.replace(draft, path)
        sync_folder(path.parent)
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)


def write_whole(path: Path, content: str | bytes, *, overwrite: bool = False) -> None:
    """Write text (UTF-8; a name's byte that is none as its escape) or bytes: the file is whole or not there."""
    with whole_file(path, overwrite=overwrite) as draft:
        draft.write_bytes(content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content)


def sync_folder(folder: Path) -> None:
    """Flush a folder's own entries, where the system knows how (not on Windows)."""
    with contextlib.suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
