"""What `measure` tells a person: the verdict, what to turn, the figures behind it, what to know."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from gainkit.analysis import Measurement
    from gainkit.job.plan import ChannelPlan

SOFT_DB = 0.5
"""Clipped by less than this, what is over the limit is a knee's distortion rather than the rail's [dB]."""


def one_lead(result: Measurement, channel: ChannelPlan | None) -> bool:
    """Whether a balanced output may have been measured on one of its leads only."""
    return channel is not None and (channel.bridged or channel.built_in) and result.minus is None


def other_tone(result: Measurement, channel: ChannelPlan | None) -> bool:
    """Whether the tone is not the one that the channel is set with."""
    from gainkit.job.status import OTHER_TONE

    heard = result.frequency_hz
    return channel is not None and heard is not None and abs(heard / channel.tone_hz - 1) > OTHER_TONE


def plan_remarks(result: Measurement, channel: ChannelPlan | None) -> list[str]:
    """What a reading says against the plan of the channel it was taken for."""
    remarks = []
    if channel is not None and one_lead(result, channel):
        what = "bridged" if channel.bridged else "built in (bridge-tied)"
        remarks.append(
            f"{channel.name} is {what}: one lead against ground shows half its volts, 6.02 dB too little. "
            "Measure across both leads (--channel 1 --minus 2, or a differential input). Neither may touch "
            "ground."
        )
    if channel is not None and other_tone(result, channel):
        remarks.append(
            f"The tone is {result.frequency_hz:.4g} Hz, and {channel.name} is set with {channel.tone_hz:g} Hz: "
            "play that tone, the reading does not count."
        )
    return remarks


def as_text(result: Measurement, channel: ChannelPlan | None = None, limit_thd_percent: float = 1.0) -> str:
    """The verdict first, then the figures behind it, then what to know. channel : what it was measured for."""
    unit = "V" if result.calibrated else "of full scale"
    remarks = plan_remarks(result, channel)
    lines = [f"{result.file}: {verdict(result, limit_thd_percent)}"]
    lines += [f"CAUTION: {remark}" for remark in remarks]
    if advice := turn(result):
        lines.append(f"If both leads were measured: {advice}" if one_lead(result, channel) else advice)
    lines.append("")
    lines.append(f"  Output      {result.rms_volts:.4g} {unit} rms, {result.peak_volts:.4g} {unit} peak")
    if result.watts is not None:
        lines.append(f"  Power       {result.watts:.4g} W into the load")
    if result.frequency_hz is not None:
        lines.append(
            f"  Tone        {result.frequency_hz:.6g} Hz, {result.seconds:.3g} s ({result.cycles:.0f} cycles)"
        )
    lines += [*_distortion(result), *_rails(result, unit), *_dc(result, unit)]
    if not result.calibrated:
        lines.append("  No calibration: figures are in parts of digital full scale, not volts.")
    lines += [f"  Note: {note}" for note in map(str, result.notes) if note not in remarks]
    return "\n".join(lines)


def verdict(result: Measurement, limit_thd_percent: float = 1.0) -> str:
    """One line: clean, at the onset, clipped and by how much, or why it cannot be told."""
    from gainkit.words.analysis import overdrive_words

    if result.recorder_overload:
        return "RECORDER OVERLOADED. Nothing can be said of the amplifier."
    if not result.steady_tone:
        return "NO STEADY TONE. Only the level was measured."
    clip = result.clipping
    if clip.state == "clean":
        if (result.thd_percent or 0.0) >= limit_thd_percent:
            return f"NOT CLEAN. THD {result.thd_percent:.3g} %, and not by a rail: look for its cause."
        return "CLEAN. No rail is seen."
    beyond = clip.overdrive_db or 0.0
    over = f"{overdrive_words(beyond)} beyond the rail" if beyond > 0 else "held by a soft knee"
    if clip.state == "at-onset":
        return f"AT THE ONSET OF CLIPPING ({over}; THD still under the limit)."
    least = f"by at least {overdrive_words(beyond)}" if beyond > 0 else ""
    until = "until THD is under the limit" if beyond < SOFT_DB else ""
    return f"CLIPPED, {over}. Turn down {', '.join(each for each in (least, until) if each)}."


def beside_target(result: Measurement) -> Literal["on target", "turn", "not clean"] | None:
    """How a tone stands to its target; None without one, and where the tone tells nothing about it.

    A distorted tone is never told to go up, and is never on target.
    """

    from gainkit.advice import Checks, what_to_turn

    state = what_to_turn(result, Checks()).state
    if state == "unknown":
        return None
    return "on target" if state == "on-target" else "not clean" if state == "out-of-reach" else "turn"


def clean_volts(result: Measurement) -> float:
    """The largest sine that the rails seen let through [V rms]; infinite when none is seen."""
    clip = result.clipping
    rails = [abs(rail) for rail in (clip.positive_rail_volts, clip.negative_rail_volts) if rail is not None]
    return min(rails) / math.sqrt(2) if rails else math.inf


def turn(result: Measurement) -> str:
    """What to turn to reach the target, for a person; empty where `beside_target` has no answer."""
    stands = beside_target(result)
    if result.target is None or stands is None:
        return ""
    change, wanted = result.target.change_db or 0.0, f"{result.target.set_volts:.4g} V"
    if stands == "on target":
        return f"On target: {wanted}."
    if stands == "turn":
        return f"Turn {'UP' if change > 0 else 'DOWN'} by {abs(change):.2f} dB to reach {wanted}."
    most = clean_volts(result)
    ends = f" (the rails end at {most:.4g} V)" if result.target.set_volts > most else ""
    return f"{wanted} is not to be had clean here{ends}: check load, supply and plan."


def _distortion(result: Measurement) -> list[str]:
    if result.thd_percent is None or result.thd_floor_percent is None:
        return []
    if result.thd_percent < 1.5 * result.thd_floor_percent:
        return [f"  Distortion  THD below {1.5 * result.thd_floor_percent:.2g} %, the floor of this recording"]
    return [
        f"  Distortion  THD {result.thd_percent:.3g} % (this recording resolves "
        f"{result.thd_floor_percent:.2g} %), THD+N {result.thd_n_percent:.3g} %"
    ]


def _rails(result: Measurement, unit: str) -> list[str]:
    clip = result.clipping
    if clip.side is None:
        return []
    rails = [
        f"{rail:+.4g} {unit}"
        for rail in (clip.positive_rail_volts, clip.negative_rail_volts)
        if rail is not None
    ]
    sides = {"both": "both sides", "positive": "the positive side only", "negative": "the negative side only"}
    return [f"  Rails       {' and '.join(rails)}, seen on {sides[clip.side]}"]


def _dc(result: Measurement, unit: str) -> list[str]:
    from gainkit.job.status import stray_dc

    if abs(result.dc_volts) <= 0.002 * result.rms_volts:
        return []
    lines = [f"  DC          {result.dc_volts:+.4g} {unit}"]
    if result.calibrated and stray_dc(result.dc_volts, result.rms_volts):
        lines.append(
            "  Note: So much DC does not belong at an output: the recorder's own offset, one lead of a bridged "
            "or built-in output, or a fault that burns loudspeakers. Check before connecting any."
        )
    return lines
