"""Tone sets: where they lie, and from TOML to checked tracks."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.results import Result
from gainkit.strict import small_text, toml_from
from gainkit.toneset.model import LONGEST_STEM, ToneSet, Track, plain_stem, stem_for, title_for

SET_KEYS = ("title", "about", "defaults", "track")
TRACK_KEYS = ("title", "use", "file")
TONE_KEYS = tuple(field.name for field in dataclasses.fields(ToneSpec))
MOST_TRACKS = 999


def sets_folder() -> Path:
    """Where the tone sets that come along lie: in the wheel inside the package, in a checkout beside it."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "_tones", package.parent / "tones"):
        if any(folder.glob("*.toml")):
            return folder
    raise GainkitError("tone_sets_missing")


def set_names() -> list[str]:
    """Names of the tone sets that come along, in alphabetical order."""
    return sorted(path.stem for path in sets_folder().glob("*.toml"))


@dataclass(frozen=True)
class ListedSet:
    """One tone set in short. tracks : how many. seconds : playing time of all [s]."""

    name: str
    title: str
    about: str
    tracks: int
    seconds: float


@dataclass(frozen=True, repr=False)
class ToneSets(Result):
    """The tone sets that come along."""

    sets: tuple[ListedSet, ...]


def list_tones() -> ToneSets:
    """The tone sets that come along, each with what it is for.

    Returns
    -------
    ToneSets
        `sets`: name, title, about, number of tracks and playing time [s] of each, in alphabetical order.

    Raises
    ------
    GainkitError
        tone_sets_missing: gainkit is not wholly installed.

    Examples
    --------
    >>> [each.name for each in list_tones().sets]
    ['full', 'meter', 'phone', 'subwoofer', 'teaching']
    """
    sets = (read_set(name) for name in set_names())
    return ToneSets(
        tuple(ListedSet(each.name, each.title, each.about, len(each.tracks), each.seconds) for each in sets)
    )


def read_set(name_or_path: str | Path, sample_rate_hz: int = 44_100) -> ToneSet:
    """A tone set by the name of one that comes along, or by its TOML file.

    Parameters
    ----------
    name_or_path : "full", "phone" ...; or the path of a .toml file.
    sample_rate_hz : that its tones are built for [Hz].

    Returns
    -------
    ToneSet
        Its tracks in play order, every tone checked and built (not rendered).

    Raises
    ------
    GainkitError
        With file, track and key for whatever cannot be used.

    Examples
    --------
    >>> read_set("phone").tracks[0].title
    '997 Hz at 0 dBFS'
    """
    path = _set_path(str(name_or_path))
    try:
        return set_from_table(_toml(path), path.stem, sample_rate_hz)
    except GainkitError as fault:
        raise fault.within("file", path) from None


def _set_path(name_or_path: str) -> Path:
    """Where a set lies: a plain word is one that comes along. Raises GainkitError for an unknown name."""
    path = Path(name_or_path)
    if path.suffix or path.name != name_or_path:
        return path
    names = set_names()
    if name_or_path not in names:
        raise GainkitError(
            "unknown_tone_set", "tone_set", name_or_path, names, nearest=kinds.nearest(name_or_path, names)
        )
    return sets_folder() / f"{name_or_path}.toml"


def _toml(path: Path) -> dict[str, Any]:
    """What a TOML file holds. Raises GainkitError."""
    try:
        return toml_from(small_text(path))
    except FileNotFoundError:
        raise GainkitError("tone_set_file_missing", "tone_set", allowed=set_names()) from None
    except OSError as fault:
        raise GainkitError("not_readable", "tone_set", path, reason=fault.strerror) from None
    except UnicodeDecodeError:
        raise GainkitError("tone_set_not_utf8") from None
    except ValueError as fault:  # also numbers too long for Python, and endless nesting
        raise GainkitError("tone_set_not_toml", reason=str(fault)) from None


def set_from_table(table: dict[str, Any], name: str, sample_rate_hz: int) -> ToneSet:
    """A tone set from a parsed TOML table. Raises GainkitError with track and key."""
    _refuse_unknown(table, SET_KEYS)
    defaults, entries = _defaults(table), _entries(table)
    tracks = []
    for number, entry in enumerate(entries, 1):
        try:
            tracks.append(_track(entry, defaults, sample_rate_hz))
        except GainkitError as fault:
            raise fault.within("track", number) from None
    title = _text(table, "title") or name
    return ToneSet(name, title, _text(table, "about"), tuple(tracks))


def _defaults(table: dict[str, Any]) -> dict[str, Any]:
    """The [defaults] of a set."""
    defaults = table.get("defaults", {})
    if not isinstance(defaults, dict):
        raise GainkitError("tone_defaults_no_table")
    try:
        _refuse_unknown(defaults, (*TRACK_KEYS, *TONE_KEYS))
    except GainkitError as fault:
        raise fault.within("table", "defaults") from None
    return defaults


def _entries(table: dict[str, Any]) -> list[dict[str, Any]]:
    """The [[track]] tables of a set."""
    entries = table.get("track", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries) or not entries:
        raise GainkitError("no_tracks")
    if len(entries) > MOST_TRACKS:
        raise GainkitError("too_many_tracks", received=len(entries), allowed=MOST_TRACKS)
    return entries


def _track(entry: dict[str, Any], defaults: dict[str, Any], sample_rate_hz: int) -> Track:
    """One [[track]] with the set's defaults under it; a default that the kind does not know is passed over."""
    _refuse_unknown(entry, (*TRACK_KEYS, *TONE_KEYS))
    name = entry.get("kind", defaults.get("kind"))
    if not isinstance(name, str):
        raise GainkitError("track_without_kind", "kind", allowed=tuple(kinds.KINDS))
    kind = kinds.kind_named(name)
    takes = {*kind.parameters, *kinds.COMMON, *TRACK_KEYS}
    given = {key: value for key, value in defaults.items() if key in takes} | entry
    spec = kinds.checked(spec_from(given), sample_rate_hz)
    waveform = kinds.assembled(spec, sample_rate_hz)
    stem = _text(given, "file")
    if stem and plain_stem(stem) != stem:
        raise GainkitError(
            "track_file_name", "file", stem, longest=LONGEST_STEM, example=plain_stem(stem) or "tone"
        )
    title = _text(given, "title") or title_for(spec)
    use = _text(given, "use") or f"{kind.about[0].upper()}{kind.about[1:]}."
    return Track(spec, title, use, stem or stem_for(spec), waveform)


def spec_from(values: dict[str, Any]) -> ToneSpec:
    """A ToneSpec from plain values; keys that are no tone's are passed over. Raises GainkitError."""
    return ToneSpec(**{key: value for key, value in values.items() if key in TONE_KEYS and value is not None})


def _text(table: dict[str, Any], key: str) -> str:
    text = table.get(key, "")
    if not isinstance(text, str):
        raise GainkitError("not_text", key, text)
    return " ".join(text.split())


def _refuse_unknown(table: dict[str, Any], known: tuple[str, ...]) -> None:
    """Refuse a key that nobody reads, with the nearest one that somebody does."""
    for key in table:
        if key not in known:
            raise GainkitError(
                "unknown_set_key",
                received=table[key],
                allowed=known,
                key=key,
                nearest=kinds.nearest(key, known),
            )
