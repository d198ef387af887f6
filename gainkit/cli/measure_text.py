"""What `measure` tells a person: the verdict, what to turn, the figures behind it, what to know."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gainkit.advice import Checks
    from gainkit.analysis import Measurement
    from gainkit.batch import FileAnswer
    from gainkit.beside import Expected
    from gainkit.remarks import Remark

SOFT_DB = 0.5
"""Clipped by less than this, what is over the limit is a knee's distortion rather than the rail's [dB]."""

TOLD_BESIDE_RATIO = 1.002
"""From this ratio on, all that was recorded over the tone alone, both are told [-]: four digits show it."""

TOLD_OFF_DB = 0.005
"""Less off its target rounds to nothing and is not told [dB]."""

TOLD_DC_SHARE = 0.002
"""DC below this share of the tone is the recorder's own and not told [-]."""

TOLD_UNCERTAINTY_SHARE = 0.0005
"""An uncertainty below this share is not told: it would not move the four digits shown, and a recorder's
calibration is off by more [-] (our choice)."""


def answers_text(answers: Sequence[FileAnswer], expected: Expected, minus: int | None = None) -> str:
    """All answers, once what the hook-up asks for, and of several a closing count in the last line."""
    from gainkit.calculator.leads import hook_up_cautions
    from gainkit.cli.door import CLI
    from gainkit.cli.plain import said, sections, wrapped
    from gainkit.words import error_text

    told = []
    for each in answers:
        if each.measurement is not None:
            told.append(as_text(each.measurement, expected))
        elif each.fault is not None:
            problem, remedy = error_text(each.fault, CLI)
            told.append(f"{each.file}: NOT MEASURED. {problem.removeprefix(f'{each.file}: ')}\n  {remedy}")
    hook_up = [wrapped(f"CAUTION: {each}", "", "  ") for each in said(hook_up_cautions(minus))]
    return sections(*told, *hook_up, _count(answers, expected) if len(answers) > 1 else "")


def _count(answers: Sequence[FileAnswer], expected: Expected) -> str:
    """'5 captures: 3 clean, 1 clipped, 1 not measured; 2 of them on target.'"""
    from gainkit.advice import is_clean, what_to_turn
    from gainkit.analysis.clean import waveform_state

    kinds: dict[str, list[str]] = {}
    on_target = with_target = 0
    for each in answers:
        result = each.measurement
        if result is None:
            kind = "not measured"
        elif is_clean(result, expected.checks):
            kind = "clean"
        else:
            state = waveform_state(result)
            kind = "not clean" if state in (None, "clean") else str(state).replace("-in-part", " in a part")
        kinds.setdefault(str(kind), []).append(Path(each.file).name)
        if result is not None and result.target is not None:
            with_target += 1
            on_target += what_to_turn(result, expected.checks).state == "on-target"
    counted = ", ".join(
        f"{len(files)} {kind}"
        + ("" if kind == "clean" else f" ({', '.join(files[:4])}{', ...' * (len(files) > 4)})")
        for kind, files in sorted(kinds.items())
    )
    target = f" On target: {on_target} of {with_target}." if with_target else ""
    return f"{len(answers)} captures: {counted}.{target}"


def as_text(result: Measurement, expected: Expected) -> str:
    """Danger first, then the verdict, what may make it worthless, what to turn, its figures, what to know."""
    from gainkit.beside import one_lead
    from gainkit.cli.plain import said, strong, wrapped
    from gainkit.figures import level_unit

    unit = level_unit(result.calibrated)
    first, rest = _told_first(result)
    dangers = [each for each in first if each.severity == "danger"]
    cautions = [each for each in first if each.severity != "danger"]
    lines = [strong(wrapped(each, "", "  ")) for each in said(dangers)]
    lines.append(_headline(result, expected.checks, after_danger=bool(dangers)))
    lines += [wrapped(f"CAUTION: {each}", "", "  ") for each in said(cautions)]
    if turn := turn_text(result, expected.checks):
        both = one_lead(result, expected.plan)
        lines.append(wrapped(f"If both leads were measured: {turn}" if both else turn, "", "  "))
    lines += ["", *_figures(result, unit)]
    if not result.calibrated:
        lines.append("  No calibration: figures are in parts of digital full scale, not volts.")
    lines += [wrapped(f"Note: {note}", "  ", "    ") for note in said(rest)]
    return "\n".join(lines)


def _headline(result: Measurement, checks: Checks, *, after_danger: bool) -> str:
    """The file with its verdict; behind a danger, which says that the lead is on something, the tone's."""
    from gainkit.cli.plain import strong, wrapped

    if not after_danger:
        return f"{result.file}: {strong(verdict(result, checks))}"
    if result.steady_tone or result.recorder_overload:
        return f"{result.file}, the tone alone: {verdict(result, checks)}"
    told = "no steady tone beside it. Mend that first, then play the tone and measure again."
    return wrapped(f"{result.file}: {told}", "", "  ")


NOTHING_DBFS = -70.0
"""A recording without a tone that is this quiet is told as no signal [dBFS] (our choice: recorders' own noise
lies lower, a setting tone's recording far above)."""


def _told_first(result: Measurement) -> tuple[list[Remark], list[Remark | str]]:
    """What must be known before the level is used, and the other remarks."""
    from gainkit.beside import FIRST
    from gainkit.remarks import Remark

    notes: tuple[Remark | str, ...] = result.notes
    first = [each for each in notes if isinstance(each, Remark) and each.code in FIRST]
    return first, [each for each in notes if each not in first]


def verdict(result: Measurement, checks: Checks) -> str:
    """One line: clean, at the onset, clipped and by how much, or why it cannot be told."""
    from gainkit.advice import is_distorted, what_to_turn
    from gainkit.analysis.clean import clips_in_part
    from gainkit.cli.plain import percent
    from gainkit.words.analysis import least_turn_words, overdrive_words

    if result.recorder_overload:
        return "RECORDER OVERLOADED. Nothing can be said of the amplifier."
    if not result.steady_tone:
        faint = result.level_dbfs is not None and result.level_dbfs < NOTHING_DBFS  # text has no full scale
        if faint or not result.rms_volts:
            return "NO SIGNAL. Is the lead plugged in, and the right input chosen?"
        return "NO STEADY TONE. Only the level was measured."
    clip = result.clipping
    if clips_in_part(result):
        return "CLIPPED IN A PART of the recording. The figures are of the rest."
    if clip.state in (None, "clean"):
        if is_distorted(result.thd_percent, checks):
            thd = percent(result.thd_percent)
            known = "whether by a rail cannot be told" if clip.state is None else "not by a rail at this output"
            return f"NOT CLEAN. THD {thd}, {known}: look for its cause."
        if clip.state is None:
            too_high = any(note.code == "tone_too_high" for note in result.notes)
            why = "The tone is too high for this recording to show it." if too_high else "See below."
            return f"CLIPPING NOT KNOWN. {why}"
        return f"CLEAN{_beside(result)}. No rail is seen."
    beyond = clip.overdrive_db or 0.0
    over = f"{overdrive_words(beyond)} beyond the rail" if beyond > 0 else "held by a soft knee"
    if clip.overdrive_interval_db is not None:
        over = "{:.2f} to {:z.2f} dB beyond the rail".format(*clip.overdrive_interval_db)
    if clip.state == "at-onset":
        thd = "over" if is_distorted(result.thd_percent, checks) else "still under"
        return f"AT THE ONSET OF CLIPPING ({over}; THD {thd} the limit)."
    least = least_turn_words(max(beyond, *(clip.overdrive_interval_db or (0.0,)))) if beyond > 0 else ""
    until = "until THD is under the limit" if beyond < SOFT_DB else ""
    if what_to_turn(result, checks).state == "down":
        return f"CLIPPED, {over}."  # how far down is told by the target, in one figure
    return f"CLIPPED, {over}. Turn down {', '.join(each for each in (least, until) if each)}."


def _beside(result: Measurement) -> str:
    """What is so strong beside the tone, or lacks of it, that it is a fault, for the verdict."""
    from gainkit.analysis.clean import is_disturbed, samples_lost

    if is_disturbed(result):
        return ", BUT WITH LOST SAMPLES" if samples_lost(result) else ", BUT WITH CRACKLES"
    strong = {note.code for note in result.notes if note.severity == "fault"}
    if "hum" in strong:
        return ", BUT WITH HUM"
    return ", BUT WITH ANOTHER TONE BESIDE IT" if "interfering_tone" in strong else ""


def turn_text(result: Measurement, checks: Checks) -> str:
    """What to turn to reach the target, for a person; empty where the recording does not tell."""
    from gainkit.advice import what_to_turn
    from gainkit.figures import filled

    turn = what_to_turn(result, checks)
    values = {"wanted": turn.set_volts, "most": turn.clean_volts, "change": abs(turn.change_db or 0.0)}
    if turn.state == "on-target":
        sign = "above" if (turn.change_db or 0.0) < 0 else "below"
        values["tolerance"] = checks.tolerance_db
        off = f", {{change:.2f}} dB {sign} it" if abs(turn.change_db or 0.0) >= TOLD_OFF_DB else ""
        return filled(f"On target: {{wanted:.4g}} V (within {{tolerance:g}} dB{off}).", values)
    if turn.state in ("up", "down"):
        return filled(f"Turn {turn.state.upper()} by {{change:.2f}} dB to reach {{wanted:.4g}} V.", values)
    if turn.state == "out-of-reach":
        beyond = turn.clean_volts is not None and (turn.set_volts or 0.0) > turn.clean_volts
        ends = " (the rails end at {most:.4g} V)" if beyond else ""
        what = "this distortion" if result.clipping.state in (None, "clean") else "clipping"
        told = f"{{wanted:.4g}} V cannot be reached without {what}{ends}: check load, supply and plan."
        return filled(told, values)
    return ""


def _figures(result: Measurement, unit: str) -> list[str]:
    """A line for each figure that is known."""
    from gainkit.figures import filled

    expanded_volts = 2 * (result.rms_uncertainty_volts or 0.0)
    seen = expanded_volts > TOLD_UNCERTAINTY_SHARE * result.rms_volts
    told = f", uncertain by {{expanded_volts:.2g}} {unit} (by its noise)" if seen else ""
    lines = [f"  Output      {{rms_volts:.4g}} {unit} rms{told}, {{peak_volts:.4g}} {unit} peak"]
    if result.rms_volts > result.tone_volts * TOLD_BESIDE_RATIO:
        lines.append(f"  Tone alone  {{tone_volts:.4g}} {unit} rms, without hum and other lines")
    if result.watts is not None:
        lines.append("  Power       {watts:.4g} W into the load")
    if result.frequency_hz is not None:
        lines.append("  Tone        {frequency_hz:.6g} Hz, {seconds:.3g} s ({cycles:.0f} cycles)")
    values = vars(result) | {"expanded_volts": expanded_volts, "tone_volts": result.tone_volts}
    figures = [filled(line, values) for line in lines]
    return [*figures, *_distortion(result), *_rails(result, unit), *_dc(result, unit)]


def _distortion(result: Measurement) -> list[str]:
    from gainkit.analysis.thresholds import SEEN_OVER_FLOOR
    from gainkit.cli.plain import percent

    if result.thd_percent is None or result.thd_floor_percent is None:
        return []
    if not result.distortion_seen:
        least = percent(SEEN_OVER_FLOOR * result.thd_floor_percent, 2)
        told = least if least.startswith("under") else f"below {least}"
        return [f"  Distortion  THD {told}, the floor of this recording"]
    return [
        f"  Distortion  THD {percent(result.thd_percent)} (this recording resolves "
        f"{percent(result.thd_floor_percent, 2)}), THD+N {percent(result.thd_n_percent)}"
    ]


def _rails(result: Measurement, unit: str) -> list[str]:
    from gainkit.figures import filled

    clip = result.clipping
    if clip.side is None:
        return []
    rails = [
        filled(f"{{rail:+.4g}} {unit}", {"rail": rail})
        for rail in (clip.positive_rail_volts, clip.negative_rail_volts)
        if rail is not None
    ]
    sides = {"both": "both sides", "positive": "the positive side only", "negative": "the negative side only"}
    return [f"  Rails       {' and '.join(rails)}, seen on {sides[clip.side]}"]


def _dc(result: Measurement, unit: str) -> list[str]:
    from gainkit.figures import filled

    if abs(result.dc_volts) <= TOLD_DC_SHARE * result.rms_volts:
        return []
    return [filled(f"  DC          {{dc_volts:+.4g}} {unit}", vars(result))]
