"""Sentences of the doors and pages: files, charts, sheet, live, demo."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {
    "is_a_folder": FaultWords("{file} is a folder.", "Give the name of a file in it."),
    "file_exists": FaultWords("{file} is already there.", "Choose another name or add <overwrite>."),
    "folder_missing": FaultWords(
        "The folder {folder} is not there.", "Make it first, or choose another place."
    ),
}

REMARKS: dict[str, Template] = {}
