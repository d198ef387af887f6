"""Sentences of the room `calculator`."""

from __future__ import annotations

from gainkit.words import FaultWords, Template

FAULTS: dict[str, FaultWords] = {
    "outside_range": FaultWords("{parameter} is {received}.", "Give {allowed}."),
}

REMARKS: dict[str, Template] = {}
