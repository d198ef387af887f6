"""What a capture does around the part that is reported: its stretches, and moments in which it clips."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gainkit.analysis.clipping import Verdict
from gainkit.analysis.model import MeasureOptions, RailSag, Stretch
from gainkit.analysis.moments import follow
from gainkit.analysis.movement import tracks_of
from gainkit.analysis.steady import Blocks, SteadyPart, drift_remark
from gainkit.analysis.stretches import changes, judged_stretches, rail_sag, sag_remark, settling
from gainkit.analysis.tone import ToneFit
from gainkit.analysis.window import Floats, Window, part_in_band
from gainkit.capture.model import Capture
from gainkit.figures import level_unit
from gainkit.remarks import Remark, fault

WHOLE_SHARE = 0.98
"""A steady part that holds this share of what was looked at is the whole of it [-]."""

MOST_MOMENTS = 8
"""Clipped moments that are listed, at most; all of them are counted [-]."""

MOVES = frozenset({"level_changes", "level_drifts"})
"""Remarks that tell already that the level is not the same throughout."""


@dataclass(frozen=True)
class Around:
    """What the capture did around the part that is reported."""

    remarks: tuple[Remark, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    sag: RailSag | None = None


def around_of(
    capture: Capture,
    options: MeasureOptions,
    window: Window,
    steady: SteadyPart,
    blocks: Blocks | None,
    tone: ToneFit,
    verdict: Verdict,
) -> Around:
    """Stretches and how it went from one to the next; nothing but the one where nothing moved."""
    rate, begin = window.audio_rate_hz, window.start_seconds
    own = begin + steady.start / rate, begin + steady.stop / rate
    clip = verdict.clipping
    mine = Stretch(*own, tone.rms_volts, clip.overdrive_db, clip.state)
    spans = [(begin + first / rate, begin + last / rate) for first, last in steady.stretches]
    far = [span for span in window.stretches if span[1] < own[0] or span[0] > own[1]]
    spans = [*(s for s in far if all(s[1] < t[0] or s[0] > t[1] for t in spans)), *spans]
    whole = begin + len(window.audio) / rate
    last = max(whole, *(span[1] for span in spans)) if spans else whole
    moved = len(spans) > 1 or steady.stop - steady.start < WHOLE_SHARE * len(window.audio)
    known = any(each.code in MOVES for each in (*window.notes, *steady.remarks))
    drifts = None if blocks is None or known else drift_remark(blocks.levels_db[blocks.loud])
    measured = window.raw_of(steady.start, steady.stop)
    trace = follow(capture, options, window.span, measured, tone.frequency_hz)
    moments = () if trace is None else trace.moments
    if blocks is None or not moved:
        return _with_clipped(Around(() if drifts is None else (drifts,), (mine,)), moments, mine)

    def part(start: float, stop: float) -> tuple[Floats, float]:
        first, final = round((start - begin) * rate), round((stop - begin) * rate)
        if first >= 0 and final <= len(window.audio):
            return window.audio[first:final], rate
        return part_in_band(capture, options, start, stop)

    stretches = judged_stretches(part, tuple(spans), (own, mine), tone.frequency_hz, options)
    sag = None
    if clip.side is not None:
        loud = np.flatnonzero(blocks.loud)
        first_loud = begin + float(loud[0] + 1) * blocks.frames / rate
        start = min(first_loud, *(span[0] for span in spans)) if spans else first_loud
        sag = rail_sag(part, start, last, tone)
    if sag is not None:
        return _with_clipped(
            Around((sag_remark(sag, level_unit(capture.calibrated)),), stretches, sag), moments, mine
        )
    angular = 2 * np.pi * float(window.rough_hz or 0.0) / rate  # as the blocks were demodulated
    tracks = tracks_of(window.audio, angular, blocks.frames, blocks.phasors)
    limiter = settling(blocks, tracks, blocks.frames / rate)
    told = [limiter] if limiter is not None else [drifts] if drifts is not None else changes(stretches, trace)
    return _with_clipped(Around(tuple(told), stretches), moments, mine)


def _with_clipped(around: Around, moments: tuple[Stretch, ...], mine: Stretch) -> Around:
    """The same with the moments that clip although the measured part does not, and the remark that says so."""
    if mine.state in (None, "clipped"):
        return around
    stretches = [each for each in around.stretches if each.state == "clipped"]
    new = [m for m in moments if not any(_overlap(m, each) for each in stretches)]
    clipped = sorted([*stretches, *new], key=lambda each: each.start_seconds)
    if not clipped:
        return around
    longest = max(clipped, key=lambda each: each.stop_seconds - each.start_seconds)
    told = fault(
        "clipped_in_part",
        count=len(clipped),
        seconds=sum(each.stop_seconds - each.start_seconds for each in clipped),
        from_seconds=longest.start_seconds,
        to_seconds=longest.stop_seconds,
        overdrive_db=max(each.overdrive_db or 0.0 for each in clipped),
    )
    of_all = sorted([*around.stretches, *new[:MOST_MOMENTS]], key=lambda each: each.start_seconds)
    return replace(around, remarks=(told, *around.remarks), stretches=tuple(of_all))


def _overlap(one: Stretch, other: Stretch) -> bool:
    return one.start_seconds < other.stop_seconds and other.start_seconds < one.stop_seconds
