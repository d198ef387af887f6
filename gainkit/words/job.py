"""Sentences of the room `job`."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {}

REMARKS: dict[str, Template] = {
    "earlier_note": "{note}",
}
