"""Sentences of the doors and pages: files, charts, sheet, live, demo."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {}

REMARKS: dict[str, Template] = {}
