"""Files that are whole under their final name: written beside it, flushed to the device, renamed."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import zlib
from collections.abc import Iterator
from pathlib import Path

from gainkit.errors import GainkitError

_DRAFT = re.compile(r"\..*-gk([0-9a-f]{4})([0-9a-f]+)-[0-9a-f]{8}\.part(\.[^.]*)?")
"""Names of drafts: whose machine and process made them stands in them."""


def _machine() -> str:
    """Four letters for this machine: a stick or a share may hold drafts of another one."""
    name = os.uname().nodename if hasattr(os, "uname") else os.environ.get("COMPUTERNAME", "")
    return f"{zlib.crc32(name.encode()) & 0xFFFF:04x}"


def draft_path(path: Path) -> Path:
    """A new hidden name beside a final one; it keeps the suffix, by which some writers choose a format."""
    owner = f"gk{_machine()}{os.getpid():x}"
    return path.with_name(f".{path.stem}-{owner}-{secrets.token_hex(4)}.part{path.suffix}")


def sweep_drafts(folder: Path) -> None:
    """Remove drafts that killed processes of this machine left in a folder, never those of a running one."""
    with contextlib.suppress(OSError):
        for entry in list(os.scandir(folder)):
            known = _DRAFT.fullmatch(entry.name) if entry.name.startswith(".") else None
            if known is None or known[1] != _machine() or not entry.is_file(follow_symlinks=False):
                continue
            if not _runs(int(known[2], 16)):
                with contextlib.suppress(OSError):  # Windows keeps what a running process holds open
                    os.unlink(entry.path)


def _runs(process: int) -> bool:
    """Whether a process is there; on Windows nobody is asked, for what runs holds its draft against removal."""
    if os.name == "nt":
        return process == os.getpid()
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True


def refuse_existing(path: Path, overwrite: bool) -> None:
    """Raise GainkitError when path is there and may not be replaced."""
    if path.is_dir():
        raise GainkitError("file_is_folder", received=path)
    if path.exists() and not overwrite:
        raise GainkitError("file_exists", received=path)


@contextlib.contextmanager
def whole_file(path: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """A temporary path beside the final one to write to; renamed on success, removed on failure.

    Drafts that a killed process left in the folder are swept before. Raises GainkitError when the file is
    already there or its folder is not.
    """
    refuse_existing(path, overwrite)
    if not path.parent.is_dir():
        raise GainkitError("folder_missing", received=path.parent)
    sweep_drafts(path.parent)
    draft = draft_path(path)
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
