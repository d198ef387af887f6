"""What can hurt someone while tones play, on every page; the sentences stand in `words.generator`."""

from __future__ import annotations

from gainkit.generator.spec import ToneSpec
from gainkit.remarks import Remark, danger, remark

QUIET_DBFS = -30.0
"""Steady tones below this are left without the caution to unplug loudspeakers (common practice, no source)."""

SWEEP_QUIET_DBFS = -20.0
"""A sweep above this that does not fall towards the top is none for tweeters (common practice, no source)."""

GENERAL = (
    danger("unplug_before_tones"),
    danger("volume_down_first"),
    danger("outputs_are_live"),
    danger("long_tones_heat"),
    danger("loud_in_the_cabin"),
    remark("makers_come_first"),
)
"""What stands on top of every page."""

COPYING = (remark("copy_unchanged"), remark("check_before_use"))
"""How the tracks stay as they are."""


def track_cautions(spec: ToneSpec) -> tuple[Remark, ...]:
    """The cautions that belong to one track; none for a quiet tone and for silence."""
    levels = [level for level in (spec.level_dbfs, spec.from_dbfs, spec.to_dbfs) if level is not None]
    loudest = max(levels, default=-200.0)
    if spec.kind in ("sine", "staircase", "glide"):
        return (danger("speakers_unplugged"),) if loudest > QUIET_DBFS else ()
    if spec.kind == "sweep":
        loud_top = loudest > SWEEP_QUIET_DBFS and spec.fall_above_hz is None
        return (danger("tweeters_unplugged" if loud_top else "sweep_at_low_volume"),)
    if spec.kind in ("noise", "pulses", "chirps", "beeps"):
        return (danger("speakers_at_low_volume"),)
    return ()
