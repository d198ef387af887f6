"""Whether a tone is clean: one judgement for all that asks."""

from __future__ import annotations

from gainkit.analysis.model import Measurement

LEAST_CRACKLES = 2
"""A recording with so many samples that do not belong to the wave crackles [-] (our choice: one may be a plug
that was touched; Gaussian noise goes as far off as they are once in 1e15 samples)."""


def is_clean_tone(result: Measurement, limit_thd_percent: float) -> bool:
    """A steady tone that the recorder could hold, whole and without crackles, no rail seen at any time, THD
    below the limit [%]."""
    return (
        result.steady_tone
        and not result.recorder_overload
        and result.clipping.state == "clean"
        and not clips_in_part(result)
        and not is_disturbed(result)
        and result.thd_percent is not None
        and result.thd_percent < limit_thd_percent
    )


def waveform_state(result: Measurement) -> str | None:
    """The state of the whole recording: `clipping.state`, or "clipped-in-part" where another part clips, or
    "disturbed" where a clean tone crackles or lacks samples."""
    if clips_in_part(result):
        return "clipped-in-part"
    return "disturbed" if result.clipping.state == "clean" and is_disturbed(result) else result.clipping.state


def clips_in_part(result: Measurement) -> bool:
    """Whether the output clips at some time of the recording although it does not where it was measured."""
    return result.clipping.state != "clipped" and any(each.state == "clipped" for each in result.stretches)


def is_disturbed(result: Measurement) -> bool:
    """Whether samples of a tone are missing or are none of its own."""
    return samples_lost(result) or crackles(result) >= LEAST_CRACKLES


def samples_lost(result: Measurement) -> bool:
    """Whether the tone is interrupted somewhere."""
    return any(each.code == "dropout" for each in result.notes)


def crackles(result: Measurement) -> int:
    """Samples that do not belong to the wave."""
    told = [each for each in result.notes if each.code in {"outliers", "crackles_within"}]
    return sum(int(each.values["count"]) for each in told)
