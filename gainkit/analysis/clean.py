"""Whether a tone is clean: one judgement for all that asks."""

from __future__ import annotations

from gainkit.analysis.model import Measurement


def is_clean_tone(result: Measurement, limit_thd_percent: float) -> bool:
    """A steady tone that the recorder could hold, no rail seen, THD below the limit [%]."""
    return (
        result.steady_tone
        and not result.recorder_overload
        and result.clipping.state == "clean"
        and result.thd_percent is not None
        and result.thd_percent < limit_thd_percent
    )
