"""Sentences of the doors and pages: files, charts, sheet, live, demo."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {
    "file_is_folder": FaultWords("{received} is a folder.", "Give the name of a file."),
    "file_exists": FaultWords("{received} is already there.", "Choose another name or add <overwrite>."),
    "folder_missing": FaultWords(
        "The folder {received} is not there.", "Make it first, or choose another place."
    ),
}

REMARKS: dict[str, Template] = {}
