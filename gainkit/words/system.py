"""Sentences of the system file: told by the line, so that most of them begin in the middle."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gainkit.words import SYSTEM_REMEDY, FaultWords, Template


def _unknown_key(values: Mapping[str, Any]) -> str:
    return "unknown key" + (
        "; the nearest known key is {nearest}" if values.get("nearest") else "; known keys: {allowed}"
    )


def _found_other(values: Mapping[str, Any]) -> str:
    return "found {received}; allowed: {allowed}" + (' (nearest: "{nearest}")' if values.get("nearest") else "")


FAULTS: dict[str, FaultWords] = {
    "system_file": FaultWords(
        lambda v: (
            "{path} has {count} fault"
            + ("s" if v["count"] > 1 else "")
            + ":\n  {listed}"
            + ("\n  and {more} more" if v["more"] > 0 else "")
        ),
        "Mend these places in the file; <start_job()> writes an example with every key explained.",
    ),
    "system_is_folder": FaultWords(
        "{received} is a folder.", "Give the system file itself, usually system.toml in it."
    ),
    "system_not_there": FaultWords(
        "{received} is not there.", "Give the path of a system file; <start_job()> writes one."
    ),
    "system_too_large": FaultWords("{received} is larger than 1 MB.", "Give a system file: a page of text."),
    "not_readable": FaultWords("{received} cannot be read: {reason}.", "Check the path and its rights."),
    "not_utf8": FaultWords(
        "{received} is not UTF-8 text (line {line}).", "Save it as UTF-8 in the text editor's 'save as'."
    ),
    "nested_too_deeply": FaultWords("{received} is nested too deeply.", "A system file has flat tables only."),
    "not_toml": FaultWords(
        "{received} is not a TOML file: {reason}.",
        'Each line is key = value: text in "quotes", numbers bare with a decimal point, true or false.',
    ),
    "toml_sign": FaultWords(
        "{received}, line {line}, column {column}: the sign {sign} ({name}) cannot stand there.",
        lambda v: (
            "Type a plain {instead} in its place; word processors put such characters in, a text editor does not."
            if v["instead"]
            else 'Take it out, or put the text in plain "quotes".'
        ),
    ),
    "toml_comma": FaultWords(
        "{received}, line {line}, column {column}: {typed} has a decimal comma.",
        "Write {instead}: numbers in this file have a decimal point.",
    ),
    "unknown_key": FaultWords(_unknown_key, SYSTEM_REMEDY),
    "unknown_table": FaultWords(
        lambda v: (
            "unknown table"
            + ("; the nearest known table is [{nearest}]" if v.get("nearest") else "")
            + "; known tables: {allowed}"
        ),
        SYSTEM_REMEDY,
    ),
    "key_outside_tables": FaultWords(
        lambda v: (
            "unknown key outside any table"
            + ("; the nearest known table is [{nearest}]" if v.get("nearest") else "")
            + "; known tables: {allowed}"
        ),
        SYSTEM_REMEDY,
    ),
    "key_missing": FaultWords("missing; give {allowed}", SYSTEM_REMEDY),
    "found_other": FaultWords(_found_other, SYSTEM_REMEDY),
    "found_text": FaultWords(
        "found {received}, which is text; allowed: {allowed}, without quotes or unit", SYSTEM_REMEDY
    ),
    "entry_keys": FaultWords("entry {entry} has the keys {received}; allowed: {allowed}", SYSTEM_REMEDY),
    "table_in_double_brackets": FaultWords(
        "found {received}; write it once, in single brackets: {allowed}", SYSTEM_REMEDY
    ),
    "table_expected": FaultWords("found {received}; write it as a table: {allowed}", SYSTEM_REMEDY),
    "channel_heads": FaultWords("found {received}; head each channel with [[channel]]", SYSTEM_REMEDY),
    "no_channel": FaultWords("there is no channel; add one headed [[channel]]", SYSTEM_REMEDY),
    "too_many_channels": FaultWords("found {received} channels; allowed: at most {most}", SYSTEM_REMEDY),
    "one_of_them": FaultWords("give {allowed}, not both", SYSTEM_REMEDY),
    "needs_each_other": FaultWords("a feed needs {allowed}", SYSTEM_REMEDY),
    "supply_place_needed": FaultWords(
        'missing; say where the volts were measured: "battery" (the feed\'s loss is then taken off) or "amplifier"',
        SYSTEM_REMEDY,
    ),
    "built_in_fed_by": FaultWords(
        'a built-in channel is a loudspeaker output: write "{allowed}" or leave it out', SYSTEM_REMEDY
    ),
    "coils_need_ohms": FaultWords("missing; the coils' wiring can only be checked with it", SYSTEM_REMEDY),
    "count_is_gone": FaultWords(
        'name the outputs in its place, as in outputs = ["left", "right"]', SYSTEM_REMEDY
    ),
    "name_twice": FaultWords("channel {other} has this name already", SYSTEM_REMEDY),
}

REMARKS: dict[str, Template] = {}
