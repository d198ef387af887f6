"""What the groups of beeps say of the wiring: swapped, bridged, weak, silent, lost on the way."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gainkit.calculator.ranges import Range, refuse_outside
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import BEEPS
from gainkit.remarks import Remark, codes, fault, remark
from gainkit.results import Result
from gainkit.routing.beeps import (
    PITCH_HZ,
    ROUND_SECONDS,
    WEAKEST_DB,
    BeepGroup,
    BeepPlace,
    ChannelBeeps,
    groups_of,
    had_time,
)

PITCHES_HZ = Range("Hz", 20, 20_000, low_allowed=True)

CROSSTALK_DB = 20.0
"""Beeps this far below the channel's own, or below what its partner plays of them, are crosstalk [dB]."""

WEAK_DB = 20.0
"""A channel this far below the loudest is weak: no balance or fader is set so [dB]."""

LOST_DB = 12.0
"""A group this far below the loudest of its kind on the channel is a loss [dB]."""

LOST_ROUNDS = 1.25
"""A channel that is not heard for so many rounds while others are has a gap [-]."""

CLEAR_DB, FEW = 3.0, 2
"""Groups that are heard so often or less are a channel's own where they are this far above those that are not
the track's [dB]."""

ENOUGH_SECONDS = 8.0
"""So much holds both sides' beeps twice, whenever it begins: told where a recording was too short [s]."""

NAMES = {count: name for name, count in BEEPS}
NUMBERS = {count: number for number, (_, count) in enumerate(BEEPS, start=1)}


NEEDS_TIME = frozenset({"channel_silent", "channel_beeps_cut"})
"""What is wrong with a channel only where all counts had the time to sound."""


@dataclass(frozen=True)
class HeardBeeps:
    """One group of beeps. channel : of the capture; for one microphone the source's channel by its count."""

    channel: int
    beeps: int
    start_seconds: float


@dataclass(frozen=True, repr=False)
class RoutingResult(Result):
    """heard : groups in order, without those that an end of the recording may have cut.

    ok : every channel plays where it should, as far as the capture can tell. by_ear : one microphone heard all
    loudspeakers: it tells which channels sound, not on which side. judged : False where nothing is wrong with
    what is heard, but some beeps had no time to sound in, or something else covers them all.
    """

    heard: tuple[HeardBeeps, ...]
    ok: bool
    problems: tuple[Remark, ...]
    notes: tuple[Remark, ...]
    by_ear: bool
    judged: bool = True


@dataclass(frozen=True)
class _Heard:
    """groups : of the track by channel, and the places where they are due. strange : remarks on other beeps,
    and outside_db : the level of the loudest. without_time : counts of which no whole group fits in the
    recording."""

    groups: Mapping[int, list[BeepGroup]]
    places: Mapping[int, Sequence[BeepPlace]]
    strange: Sequence[Remark]
    outside_db: float
    without_time: frozenset[int]


def check_routing(
    capture: Capture, *, microphone: bool | None = None, pitch_hz: float = PITCH_HZ
) -> RoutingResult:
    """Tell which channel plays where, from a recording of the beeps track.

    Parameters
    ----------
    capture : eight seconds of the track or more.
    microphone : True for sound picked up by a microphone, whose channels all hear everything (the first is
        read); False for line channels; None: a microphone when there is one channel.
    pitch_hz : of the beeps [Hz], 20 to 20000.

    Returns
    -------
    RoutingResult
        ok, what was heard when, and what is wrong; `judged` is False where it is too short to tell.

    Raises
    ------
    GainkitError
        When no beeps are heard (`no_beeps`), none wholly (`no_whole_beeps`), the recording is too short
        (`too_short_for_beeps`), or for a pitch out of range (`outside_range`).

    Examples
    --------
    The track itself, and with its channels changed over:

    >>> from gainkit.capture import Capture
    >>> from gainkit.generator import kinds
    >>> from gainkit.generator.spec import ToneSpec
    >>> from gainkit.routing import check_routing
    >>> track = kinds.build(ToneSpec("beeps", seconds=10.0), 48_000).samples()
    >>> check_routing(Capture.from_array(track, 48_000)).ok
    True
    >>> result = check_routing(Capture.from_array(track[:, ::-1], 48_000))
    >>> [problem.code for problem in result.problems]
    ['channel_swapped', 'channel_swapped']
    """
    refuse_outside("pitch_hz", pitch_hz, PITCHES_HZ)
    by_ear = capture.channels == 1 if microphone is None else microphone
    channels = (1,) if by_ear else tuple(range(1, capture.channels + 1))
    heard = groups_of(capture, channels, pitch_hz)
    groups = {channel: [group for group in each.groups if group.own] for channel, each in heard.items()}
    others = [group for each in heard.values() for group in each.groups if not group.own]
    if sum(map(len, groups.values())) <= len(others) + sum(map(_covered, heard.values())):
        raise GainkitError("no_beeps", pitch_hz=pitch_hz).within("file", capture.file)
    if not any(group.whole for each in groups.values() for group in each):
        raise GainkitError("no_whole_beeps").within("file", capture.file)
    strange = [remark("other_beeps", groups=len(others), at_seconds=others[0].start_seconds)] if others else []
    everything = [group for each in groups.values() for group in each]
    without_time = frozenset(count for count in NAMES if not had_time(count, everything, capture.seconds))
    outside_db = max((group.level_db for group in others), default=-math.inf)
    places = {channel: each.places for channel, each in heard.items()}
    return (_by_ear if by_ear else _by_line)(_Heard(groups, places, strange, outside_db, without_time))


def _covered(heard: ChannelBeeps) -> int:
    """Places of a count that is heard elsewhere at which something sounds that is no group of beeps."""
    own = [group for group in heard.groups if group.own]
    loud_db = max((group.level_db for group in own), default=math.inf) - LOST_DB
    due = Counter(place.beeps for place in heard.places if place.level_db > loud_db)
    played = Counter(group.beeps for group in own)
    return sum(max(due[count] - played[count], 0) for count in played)


def _by_ear(told: _Heard) -> RoutingResult:
    """One microphone hears all loudspeakers: which counts occur, in turn, and whether any is missing."""
    (groups,) = told.groups.values()
    whole = [group for group in groups if group.whole]
    loudest = max(group.level_db for group in whole)
    found: list[Remark] = []
    judged = True
    for count, name in NAMES.items():
        own = [group for group in whole if group.beeps == count]
        if not own and count in told.without_time:
            judged = False
            found.append(remark("beeps_had_no_time", side=name, enough_seconds=ENOUGH_SECONDS))
            continue
        lost = _by_ear_lost(count, told)
        judged &= _is_told(lost, own)
        found += lost
        under_db = loudest - max((group.level_db for group in own), default=loudest)
        if under_db > WEAK_DB and "beeps_hardly_heard" not in codes(lost):
            found.append(fault("beeps_weak", beeps=count, side=name, under_db=under_db))
    odd = sorted({group.beeps for group in whole} - set(NAMES))
    if odd:
        found.append(fault("other_counts_heard", counts=odd))
    heard = tuple(HeardBeeps(NUMBERS.get(group.beeps, 0), group.beeps, group.start_seconds) for group in whole)
    return _answer(heard, found, [remark("side_not_told"), *told.strange], judged, by_ear=True)


def _by_ear_lost(count: int, told: _Heard) -> list[Remark]:
    """Whether one side is lost for a time, never heard, or only where the beeps may be another's."""
    ((channel, groups),) = told.groups.items()
    sides = {"beeps": count, "side": NAMES[count]}
    parts = [group for group in groups if group.beeps == count]
    own = [group for group in parts if group.whole]
    lost = _lost(parts, groups, told.places[channel], told.outside_db, **sides)
    loud_db = max(group.level_db for group in groups if group.whole) - LOST_DB
    clear_db = told.outside_db + CLEAR_DB if own else max(told.outside_db + CLEAR_DB, loud_db)
    clear = max((group.level_db for group in own or parts), default=-math.inf) > clear_db
    if (own and not lost) or (lost and (clear or len(own) > FEW or lost[0].severity != "fault")):
        return lost
    due = [place for place in told.places[channel] if place.beeps == count]
    loud = [place.seconds for place in due if place.level_db > loud_db]
    perhaps = sorted([*loud, *(each.start_seconds for each in own)])
    if perhaps:
        return [fault("beeps_hardly_heard", **sides, start_seconds=perhaps[0], stop_seconds=perhaps[-1])]
    return [fault("beeps_not_heard", **sides, crosstalk_db=WEAKEST_DB)]


def _is_told(lost: Sequence[Remark], own: Sequence[BeepGroup]) -> bool:
    """Whether it is known that a channel sounds, or does not: not where it is covered and not heard again."""
    again = {group.start_seconds for group in own}
    return all(each.code != "beeps_covered" or each.values["stop_seconds"] in again for each in lost)


def _answer(
    heard: tuple[HeardBeeps, ...], found: Sequence[Remark], notes: Sequence[Remark], judged: bool, by_ear: bool
) -> RoutingResult:
    """found : what is wrong, and what could not be told. judged : nothing is missing that could not be told;
    else nothing is as it should be, but what is wrong is so."""
    problems = tuple(each for each in found if each.severity == "fault")
    untold = [each for each in found if each.severity != "fault"]
    judged = judged or bool(problems)
    return RoutingResult(heard, judged and not problems, problems, (*untold, *notes), by_ear, judged)


def _lost(
    own: Sequence[BeepGroup],
    everything: Sequence[BeepGroup],
    places: Sequence[BeepPlace],
    outside_db: float,
    **values: object,
) -> list[Remark]:
    """Whether what a channel plays is lost for a time, or may be, where something else covers its places.

    own : groups of its count; where there are none, only covering is told. everything : all there are. Groups
    that are weaker than others of their count may be another's where they are no louder than those outside.
    """
    top = max(group.level_db for group in own or everything)
    counted = [group for group in own if group.whole] or own
    least_db = max(top - LOST_DB, min(top - CLEAR_DB, outside_db + CLEAR_DB))
    times = [group.start_seconds for group in counted if group.level_db > least_db]
    ends = [group.start_seconds for group in everything if group.whole]
    marks = [min(ends), *times, max(ends)]
    gaps = [gap for gap in itertools.pairwise(marks) if gap[1] - gap[0] > LOST_ROUNDS * ROUND_SECONDS]
    due = {
        gap: [each for each in places if each.beeps == values["beeps"] and gap[0] + 1 < each.seconds < gap[1]]
        for gap in gaps
    }
    covered = [gap for gap, each in due.items() if each and all(p.level_db > top - LOST_DB for p in each)]
    lost = [gap for gap in gaps if gap not in covered] if own else []
    told = max(lost or covered, key=lambda gap: gap[1] - gap[0], default=None)
    if told is None:
        return []
    say = fault if lost else remark
    return [
        say("beeps_lost" if lost else "beeps_covered", start_seconds=told[0], stop_seconds=told[1], **values)
    ]


def _by_line(told: _Heard) -> RoutingResult:
    """Each recorded channel should hear the beeps of its own number only."""
    groups = told.groups
    plays = {channel: _levels(each) for channel, each in groups.items()}
    found = [each for channel in groups for each in _problems_of(channel, told, plays)]
    open_notes = [
        remark("channel_had_no_time", channel=each.values["channel"], enough_seconds=ENOUGH_SECONDS)
        for each in found
        if each.code in NEEDS_TIME and told.without_time
    ]
    found = [*open_notes, *(each for each in found if each.code not in NEEDS_TIME or not told.without_time)]
    heard = sorted(
        (
            HeardBeeps(channel, group.beeps, group.start_seconds)
            for channel, each in groups.items()
            for group in each
            if group.whole
        ),
        key=lambda entry: (entry.start_seconds, entry.channel),
    )
    notes = [*_line_notes(groups, plays), *told.strange]
    judged = not open_notes and _is_told(found, [group for each in groups.values() for group in each])
    return _answer(tuple(heard), found, notes, judged, by_ear=False)


def _line_notes(
    groups: Mapping[int, list[BeepGroup]], plays: Mapping[int, Mapping[int, float]]
) -> list[Remark]:
    notes = []
    unused = [channel for channel, each in groups.items() if not each and channel > len(NAMES)]
    if unused:
        notes.append(remark("channels_unused", channels=unused))
    if all(set(levels) >= set(NAMES) for levels in plays.values()):
        notes.append(remark("microphone_perhaps"))
    return notes


def _levels(groups: Sequence[BeepGroup]) -> dict[int, float]:
    """Loudest level of each count of beeps, of whole groups [dB]; without what is crosstalk beside the
    loudest."""
    levels: dict[int, float] = {}
    for group in groups:
        if group.whole:
            levels[group.beeps] = max(levels.get(group.beeps, group.level_db), group.level_db)
    least = max(levels.values(), default=0.0) - CROSSTALK_DB
    return {count: level for count, level in levels.items() if level > least}


def _problems_of(channel: int, told: _Heard, plays: Mapping[int, Mapping[int, float]]) -> list[Remark]:
    """What is wrong with one channel; plays : by channel, the level of each count of beeps [dB]."""
    own = 1 if channel % 2 else 2
    partner = channel + 1 if channel % 2 else channel - 1
    groups, levels, beside = told.groups, plays[channel], plays.get(partner, {})
    if groups[channel] and not levels:
        return [fault("channel_beeps_cut", channel=channel)]
    leaking = own not in levels and all(
        level < beside.get(count, -1e9) - CROSSTALK_DB for count, level in levels.items()
    )
    if levels and not leaking:
        return [*_wrong(channel, own, levels, beside), *_fading(channel, own, told, plays)]
    if channel <= len(NAMES) or groups.get(partner):
        return [fault("channel_silent", channel=channel, side=NAMES[own], crosstalk_db=WEAKEST_DB)]
    return []


def _fading(channel: int, own: int, told: _Heard, plays: Mapping[int, Mapping[int, float]]) -> list[Remark]:
    """A channel that is weak all the time, or lost for some of it."""
    count = own if own in plays[channel] else max(plays[channel], key=lambda each: plays[channel][each])
    played = [group for group in told.groups[channel] if group.beeps == count]
    everything = [group for each in told.groups.values() for group in each]
    sides = {"beeps": count, "side": NAMES.get(count, ""), "channel": channel}
    problems = _lost(played, everything, told.places[channel], told.outside_db, **sides)
    loudest = max(level for levels in plays.values() for level in levels.values())
    under_db = loudest - plays[channel][count]
    if under_db > WEAK_DB:
        problems.append(fault("channel_weak", channel=channel, under_db=under_db))
    return problems


def _wrong(channel: int, own: int, levels: Mapping[int, float], partner: Mapping[int, float]) -> list[Remark]:
    """What is wrong with what one channel plays: bridged, swapped, doubled, or uncounted beeps."""
    other = 3 - own
    sides = {"channel": channel, "side": NAMES[own], "other_side": NAMES[other]}
    problems = []
    if own in levels and other in levels:
        problems.append(fault("channels_mixed", **sides, other_db=levels[other] - levels[own]))
    elif other in levels:
        swapped = own in partner and other not in partner
        problems.append(fault("channel_swapped" if swapped else "channel_of_other_side", **sides))
    odd = sorted(set(levels) - set(NAMES))
    if odd:
        problems.append(fault("channel_other_counts", channel=channel, counts=odd))
    return problems
