"""Whether a tone is clean: one judgement for all that asks."""

from __future__ import annotations

from gainkit.analysis.model import Measurement


def is_clean_tone(result: Measurement, limit_thd_percent: float) -> bool:
    """A steady tone that the recorder could hold, no rail seen at any time, THD below the limit [%]."""
    return (
        result.steady_tone
        and not result.recorder_overload
        and result.clipping.state == "clean"
        and not clips_in_part(result)
        and result.thd_percent is not None
        and result.thd_percent < limit_thd_percent
    )


def waveform_state(result: Measurement) -> str | None:
    """The state of the whole recording: `clipping.state`, or "clipped-in-part" where another part clips."""
    return "clipped-in-part" if clips_in_part(result) else result.clipping.state


def clips_in_part(result: Measurement) -> bool:
    """Whether the output clips at some time of the recording although it does not where it was measured."""
    return result.clipping.state != "clipped" and any(each.state == "clipped" for each in result.stretches)
