"""Which channel plays where: counted beeps heard by a microphone or on several line channels.

The track plays one beep on the left, two on the right, over and over (`generator.pulses`). Each recorded
channel is demodulated at the beeps' pitch; beeps close together make a group, and the size of the group is the
channel.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import BEEP_GAP_SECONDS, BEEP_SECONDS, BEEPS

Floats = NDArray[np.float64]

PITCH_HZ = 997.0
HOP_SECONDS = 0.01
CROSSTALK_DB = 20.0
"""Beeps this far below the loudest of the recording are crosstalk, not a connection [dB]."""

ABOVE_NOISE_DB = 12.0
HEARD_SHARE = 0.4
"""A microphone hears echoes after a beep: only what reaches this share of the loudest counts [-]."""

MAY_BE_CUT_SECONDS = BEEP_SECONDS + BEEP_GAP_SECONDS + 0.05
"""A group this near to the recording's ends may have lost a beep there [s]."""

NAMES = {count: name for name, count in BEEPS}
NUMBERS = {count: number for number, (_, count) in enumerate(BEEPS, start=1)}


@dataclass(frozen=True)
class Heard:
    """One group of beeps. channel : of the capture; for one microphone the source's channel by its count."""

    channel: int
    beeps: int
    start_seconds: float


@dataclass(frozen=True)
class RoutingResult:
    """heard : groups in order. ok : every channel plays where it should, as far as the capture can tell."""

    heard: tuple[Heard, ...]
    ok: bool
    problems: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Group:
    beeps: int
    start_seconds: float
    stop_seconds: float


def routing(capture: Capture, *, microphone: bool | None = None, pitch_hz: float = PITCH_HZ) -> RoutingResult:
    """Read which channel arrived when.

    microphone : True for sound picked up by a microphone, whose channels all hear everything (the first is
    read); False for line channels; None: a microphone when there is one channel. Raises GainkitError when no
    beeps are heard at all.
    """
    by_ear = capture.channels == 1 if microphone is None else microphone
    channels = (1,) if by_ear else tuple(range(1, capture.channels + 1))
    envelopes = {channel: _envelope(capture, channel, pitch_hz) for channel in channels}
    loudest = max(float(np.max(envelope, initial=0.0)) for envelope in envelopes.values())
    least_share = HEARD_SHARE if by_ear else 0.0
    groups = {channel: _groups(envelope, loudest, least_share) for channel, envelope in envelopes.items()}
    if not any(groups.values()):
        raise GainkitError(
            f"{capture.file}: no beeps of {pitch_hz:g} Hz are heard.",
            "Record the beeps track: louder, closer, at least five seconds; steady tones are no beeps.",
        )
    return _by_ear(groups[1], capture.seconds) if by_ear else _by_line(groups, capture.seconds)


def _envelope(capture: Capture, channel: int, pitch_hz: float) -> Floats:
    """Amplitude at the pitch every 10 ms, over windows of 40 ms: (hops,)."""
    rate = capture.sample_rate_hz
    hop = max(round(HOP_SECONDS * rate), 1)
    turn = -2j * np.pi * pitch_hz / rate
    sums: list[complex] = []
    place = 0
    held = np.empty(0)
    for block in capture.blocks(channel=channel):
        held = np.concatenate([held, block])
        whole = len(held) // hop * hop
        if whole:
            phase = np.exp(turn * (place + np.arange(whole)))
            sums += list((held[:whole] * phase).reshape(-1, hop).sum(axis=1))
            place += whole
            held = held[whole:]
    hops = np.asarray(sums, dtype=np.complex128)
    if len(hops) < 8:
        raise GainkitError(f"{capture.file}: too short for beeps.", "Record at least five seconds.")
    smooth = np.convolve(hops, np.ones(4), "same")
    return np.asarray(np.abs(smooth) * (2 / (4 * hop)))


def _groups(envelope: Floats, loudest: float, least_share: float) -> list[_Group]:
    """Groups of beeps in one channel's envelope: on-times of a beep's length, gaps of a beep's gap.

    least_share : of the envelope's own top below which there is no beep but its echo [-].
    """
    noise = float(np.median(envelope))
    least = max(loudest * 10 ** (-CROSSTALK_DB / 20), noise * 10 ** (ABOVE_NOISE_DB / 20) if noise else 0.0)
    top = float(envelope.max())
    if top < least or top <= 0:
        return []
    on = envelope > max(least, least_share * top)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    beeps = [
        (float(begin) * HOP_SECONDS, float(end) * HOP_SECONDS)
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
        if 0.5 * BEEP_SECONDS < (end - begin) * HOP_SECONDS < 2 * BEEP_SECONDS
    ]
    groups: list[list[tuple[float, float]]] = []
    for beep in beeps:
        if groups and beep[0] - groups[-1][-1][1] < 2 * BEEP_GAP_SECONDS:
            groups[-1].append(beep)
        else:
            groups.append([beep])
    return [_Group(len(group), round(group[0][0], 3), group[-1][1]) for group in groups]


def _by_ear(groups: Sequence[_Group], seconds: float) -> RoutingResult:
    """One microphone hears all loudspeakers: which counts occur, in turn, and whether any is missing."""
    whole = _whole(groups, seconds)
    counts = Counter(group.beeps for group in whole)
    problems = []
    for count, name in NAMES.items():
        if not counts.get(count):
            problems.append(
                f"{count} beep{'s' if count > 1 else ''} never heard: the {name} channel is silent here."
            )
    odd = sorted(set(counts) - set(NAMES))
    if odd:
        problems.append(
            f"Groups of {', '.join(str(count) for count in odd)} beeps are heard: both channels may be bridged "
            "together, or an echo counts twice."
        )
    heard = tuple(Heard(NUMBERS.get(group.beeps, 0), group.beeps, group.start_seconds) for group in groups)
    notes = (
        "One microphone cannot tell left from right: listen, or hold it to one loudspeaker at a time. "
        "One beep is the left channel, two are the right.",
    )
    return RoutingResult(heard, not problems, tuple(problems), notes)


def _by_line(groups: dict[int, list[_Group]], seconds: float) -> RoutingResult:
    """Each recorded channel shall hear the beeps of its own number only."""
    problems: list[str] = []
    heard = sorted(
        (
            Heard(channel, group.beeps, group.start_seconds)
            for channel, found in groups.items()
            for group in found
        ),
        key=lambda entry: (entry.start_seconds, entry.channel),
    )
    plays: dict[int, set[int]] = {}
    for channel, found in groups.items():
        plays[channel] = {count for count in (g.beeps for g in _whole(found, seconds)) if count in NAMES}
        own = channel if channel in NAMES else None
        if own is None:
            if plays[channel]:
                problems.append(f"Channel {channel} plays too; only two were expected.")
        elif not found:
            problems.append(f"Channel {channel} is silent: {NAMES[own]} does not arrive there.")
        elif plays[channel] >= set(NAMES):
            problems.append(f"Channel {channel} plays left and right: the two are bridged together (mono).")
        elif plays[channel] and own not in plays[channel]:
            other = next(iter(plays[channel]))
            problems.append(f"Channel {channel} plays {NAMES[other]} in place of {NAMES[own]}: swapped.")
    return RoutingResult(tuple(heard), not problems, tuple(problems), ())


def _whole(groups: Sequence[_Group], seconds: float) -> Sequence[_Group]:
    """Without the groups that the recording's ends may have cut, unless none would be left."""
    inside = [
        group
        for group in groups
        if group.start_seconds > MAY_BE_CUT_SECONDS and group.stop_seconds < seconds - MAY_BE_CUT_SECONDS
    ]
    return inside or groups
