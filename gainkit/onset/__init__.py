"""The level at which a chain begins to clip, from one recording of a staircase or a glide."""

from __future__ import annotations

from gainkit.onset.find import OnsetResult, StepResult, onset
from gainkit.onset.plan import LevelPlan, Pattern, Stretch, from_index, glide, staircase

__all__ = [
    "LevelPlan",
    "OnsetResult",
    "Pattern",
    "StepResult",
    "Stretch",
    "from_index",
    "glide",
    "onset",
    "staircase",
]
