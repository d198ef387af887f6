"""The level at which a chain begins to clip, from one recording of a staircase or a glide."""

from __future__ import annotations

from gainkit.onset.compare import ComparedOnset, OnsetComparison, compare_onsets
from gainkit.onset.find import OnsetResult, StepResult, find_onset
from gainkit.onset.plan import LevelPlan, LevelRamp, Pattern, glide, staircase
from gainkit.onset.tracks import from_index

__all__ = [
    "ComparedOnset",
    "LevelPlan",
    "LevelRamp",
    "OnsetComparison",
    "OnsetResult",
    "Pattern",
    "StepResult",
    "compare_onsets",
    "find_onset",
    "from_index",
    "glide",
    "staircase",
]
