"""One track's entry of the index.json that lies beside it, for those who read a recording of it."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.strict import LARGEST_INDEX_BYTES, json_from, small_text


def track_entry(index: Path, track: str | None, kinds: Collection[str]) -> tuple[dict[str, Any], Any]:
    """(the entry of a track, the sample rate that its frames count in).

    track : its file name, with or without its ending; None where the index holds one track of these kinds only.
    Raises GainkitError when the index is not there or cannot be read (`index_not_there`, `index_unreadable`,
    `index_without_tracks`), or does not hold that track (`track_not_in_index`, `track_not_chosen`).
    """
    table = _read(index)
    entry = _chosen(table["tracks"], index, track, kinds)
    return entry, entry.get("sample_rate_hz", table.get("sample_rate_hz"))


def _read(index: Path) -> dict[str, Any]:
    """The index as a table that has a list of tracks."""
    try:
        table: Any = json_from(small_text(index, LARGEST_INDEX_BYTES))
    except FileNotFoundError:
        raise GainkitError("index_not_there", "index", str(index)) from None
    except (OSError, ValueError) as fault:
        raise GainkitError("index_unreadable", "index", str(index), reason=str(fault)) from fault
    if not isinstance(table, dict) or not isinstance(table.get("tracks"), list):
        raise GainkitError("index_without_tracks", "index", str(index))
    return table


def _chosen(tracks: list[Any], index: Path, track: str | None, kinds: Collection[str]) -> dict[str, Any]:
    """The entry of the track that is asked for, or of the only one."""
    usable = [each for each in tracks if isinstance(each, dict) and each.get("kind") in kinds]
    names = [str(each.get("file")) for each in usable]
    if track is None:
        if len(usable) != 1:
            raise GainkitError(
                "track_not_chosen", "track", None, names or "none", index=str(index), tracks=len(usable)
            )
        return usable[0]
    wanted = Path(track).name
    for each, name in zip(usable, names, strict=True):
        if wanted in (each.get("file"), Path(name).stem):
            return each
    raise GainkitError("track_not_in_index", "track", track, names or "none", index=str(index))
