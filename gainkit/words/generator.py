"""Sentences of the room `generator`."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {}

REMARKS: dict[str, Template] = {}
