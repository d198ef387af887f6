"""Sentences of the rooms that need more than one steady tone, from onset to noise."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {}

REMARKS: dict[str, Template] = {}
