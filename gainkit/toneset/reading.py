"""Tone sets: where they lie, and from TOML to checked tracks."""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.toneset.model import ToneSet, Track, plain_stem, stem_for, title_for

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
    raise GainkitError("The tone sets that come with gainkit are not there.", "Install gainkit again.")


def set_names() -> list[str]:
    """Names of the tone sets that come along, in alphabetical order."""
    return sorted(path.stem for path in sets_folder().glob("*.toml"))


def read_set(name_or_path: str, sample_rate_hz: int = 44_100) -> ToneSet:
    """A tone set by the name of one that comes along, or by its TOML file; every tone checked for this rate.

    Raises GainkitError with file, track and key for whatever cannot be used.
    """
    path = Path(name_or_path)
    if not path.suffix and path.name == name_or_path:
        names = set_names()
        if name_or_path not in names:
            close = difflib.get_close_matches(name_or_path, names, 1)
            raise GainkitError(
                f"There is no tone set named {name_or_path}.",
                f"{f'Did you mean {close[0]}? ' if close else ''}Known are {', '.join(names)}; "
                "or give the path of a .toml file.",
            )
        path = sets_folder() / f"{name_or_path}.toml"
    try:
        content = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise GainkitError(
            f"{path} is not there.", f"Check the path; sets that come along: {', '.join(set_names())}."
        ) from None
    except UnicodeDecodeError:
        raise GainkitError(f"{path} is not text in UTF-8.", "Save it as UTF-8 plain text.") from None
    try:
        table = tomllib.loads(content)
    except (ValueError, RecursionError) as fault:  # also numbers too long for Python, and endless nesting
        raise GainkitError(f"{path}: {fault}.", "Mend that line; text values stand in double quotes.") from None
    return set_from_table(table, path.stem, str(path), sample_rate_hz)


def set_from_table(table: dict[str, Any], name: str, origin: str, sample_rate_hz: int) -> ToneSet:
    """A tone set from a parsed TOML table; `origin` is named in errors."""
    _known(table, SET_KEYS, origin)
    defaults = table.get("defaults", {})
    if not isinstance(defaults, dict):
        raise GainkitError(f"{origin}: defaults is not a table.", "Write [defaults] on a line of its own.")
    _known(defaults, (*TRACK_KEYS, *TONE_KEYS), f"{origin}, [defaults]")
    entries = table.get("track", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries) or not entries:
        raise GainkitError(f"{origin} has no tracks.", "Write one [[track]] for each track, with its kind.")
    if len(entries) > MOST_TRACKS:
        raise GainkitError(f"{origin} has {len(entries)} tracks.", f"Use at most {MOST_TRACKS}.")
    tracks = tuple(
        _track(entry, defaults, f"{origin}, track {number}", sample_rate_hz)
        for number, entry in enumerate(entries, 1)
    )
    title = _text(table, "title", origin) or name
    return ToneSet(name, title, _text(table, "about", origin), tracks)


def _track(entry: dict[str, Any], defaults: dict[str, Any], where: str, sample_rate_hz: int) -> Track:
    """One [[track]] with the set's defaults under it; a default that the kind does not know is passed over."""
    _known(entry, (*TRACK_KEYS, *TONE_KEYS), where)
    kind = entry.get("kind", defaults.get("kind"))
    if not isinstance(kind, str):
        raise GainkitError(f"{where} has no kind.", f"Give kind = one of {', '.join(kinds.KINDS)}.")
    try:
        takes = {*kinds.kind_named(kind).parameters, *kinds.COMMON, *TRACK_KEYS}
        given = {key: value for key, value in defaults.items() if key in takes} | entry
        spec = kinds.checked(spec_from(given), sample_rate_hz)
        kinds.build(spec, sample_rate_hz)  # what only building finds: noise too loud, steps that do not fit
    except GainkitError as fault:
        raise GainkitError(f"{where}: {fault.problem}", fault.remedy) from None
    stem = _text(given, "file", where)
    if stem and plain_stem(stem) != stem:
        raise GainkitError(
            f'{where}: file = "{stem}" is not a name that every player takes.',
            f'Use a-z, 0-9, - and _, at most 28 characters, for example "{plain_stem(stem) or "tone"}".',
        )
    title = _text(given, "title", where) or title_for(spec)
    use = _text(given, "use", where) or f"{kinds.KINDS[kind].about[0].upper()}{kinds.KINDS[kind].about[1:]}."
    return Track(spec, title, use, stem or stem_for(spec))


def spec_from(values: dict[str, Any]) -> ToneSpec:
    """A ToneSpec from plain values, their types checked; keys that are no tone's are passed over."""
    for key, wanted, kind_name in (
        ("kind", str, "text"),
        ("band", str, "text"),
        ("channels", str, "text"),
        ("dither", bool, "true or false"),
        ("decorrelated", bool, "true or false"),
        ("in_turn", bool, "true or false"),
    ):
        if values.get(key) is not None and not isinstance(values[key], wanted):
            raise GainkitError(f"{key} = {values[key]!r} is not {kind_name}.", f"Give {kind_name}.")
    return ToneSpec(**{key: value for key, value in values.items() if key in TONE_KEYS and value is not None})


def _text(table: dict[str, Any], key: str, where: str) -> str:
    text = table.get(key, "")
    if not isinstance(text, str):
        raise GainkitError(f"{where}: {key} = {text!r} is not text.", "Put it in double quotes.")
    return " ".join(text.split())


def _known(table: dict[str, Any], known: Iterable[str], where: str) -> None:
    """Refuse a key that nobody reads, with the nearest one that somebody does."""
    names = list(known)
    for key in table:
        if key not in names:
            close = difflib.get_close_matches(key, names, 1)
            raise GainkitError(
                f"{where}: the key {key} is not known.",
                f"Did you mean {close[0]}?" if close else f"Known are {', '.join(names)}.",
            )
