"""Every kind of fault, in every order, over three outputs, against a model of a dozen lines."""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gainkit.job.log import log_reading, note_typed, start_visit, void_reading
from gainkit.job.places import RECORD_FILE
from gainkit.job.standing import job_status
from gainkit.job.typed import Acceptance, TypedLevel, TypedPolarity
from tests.records import (
    OUTPUTS,
    VOLTS,
    match,
    measured,
    new_job,
    onset,
    pair,
    polarity,
    routing,
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return new_job(tmp_path / "car")


GOOD, BAD = "good", "bad"


def reading_of(aspect: str, name: str, state: str) -> tuple[str, Any, Any]:
    """(kind, outputs, result) of a reading that finds that aspect of an output good or bad."""
    volts, bad = VOLTS[name], state == BAD
    match aspect:
        case "level":
            return "measure", name, measured(volts * (1.3 if bad else 1.0))
        case "clipping":
            return "measure", name, measured(volts, state="clipped" if bad else "clean")
        case "dc":
            return "measure", name, measured(volts, dc_volts=3.0 if bad else 0.0)
        case "tone":
            return "measure", name, measured(volts, frequency_hz=50.0 if bad else 997.0)
        case "polarity":
            return "polarity", name, polarity("negative" if bad else "positive")
        case "onset":
            return "onset", name, onset(-9.0 if bad else -5.0)
        case "match":
            return "match", name, match(0.0, 3.0 if bad else 0.1)
        case "typed level":
            return "level", name, TypedLevel(volts=volts * (1.3 if bad else 1.0))
        case "typed dc":
            return "level", name, TypedLevel(dc_volts=-2.0 if bad else 0.001)
        case "typed polarity":
            return "polarity-typed", name, TypedPolarity("negative" if bad else "positive")
        case "routing":
            return "routing", None, routing(not bad)
        case "pair":
            return "polarity-pair", ["Front/left", "Front/right"], pair("opposite" if bad else "same")
    raise AssertionError(aspect)


ASPECTS = (
    "level", "clipping", "dc", "tone", "polarity", "onset", "match", "routing", "pair",
    "typed level", "typed dc", "typed polarity",
)  # fmt: skip
CODES = {
    "level": "level_off_target", "clipping": "clipped", "polarity": "polarity_wrong", "onset": "onset_early",
    "match": "not_matched", "differ": "outputs_differ", "dc": "dc_at_output",
}  # fmt: skip
"""What is accepted in the walk, and the code of its fault."""


@dataclass
class Line:
    """One line of the record as the model remembers it. kind : "reading", "accept" or "visit"."""

    kind: str
    aspect: str
    place: str
    bad: bool = False
    void: bool = False


def faults_left(lines: list[Line]) -> set[tuple[str, str]]:
    """(what, where) of all that stands, said anew: what is bad stays so until the same is read good, or was
    accepted later. Numbers are places in the list."""
    bad: dict[tuple[str, str], int] = {}
    levels: dict[str, tuple[int, bool]] = {}
    signs: dict[str, list[tuple[int, bool]]] = {name: [] for name in OUTPUTS}
    counting = [(number, each) for number, each in enumerate(lines) if not each.void and each.kind == "reading"]
    for number, line in counting:
        what, where = line.aspect, line.place
        if what in ("level", "clipping", "dc", "tone"):
            speaks = {"dc", "tone"} | (set() if what == "tone" and line.bad else {"level", "clipping"})
        elif what == "typed level":
            speaks, what = {"level", "tone"}, "level"
        elif what == "typed dc":
            speaks, what = {"typed dc"} | (set() if line.bad else {"dc"}), "typed dc"
        else:
            what = what.removeprefix("typed ")
            speaks = {what}
        for each in speaks:
            bad.pop((each, where), None)
        if line.bad:
            bad[what, where] = number
        if "level" in speaks:
            levels[where] = (number, what == "level" and line.bad)
        if what == "tone" and line.bad:
            levels.pop(where, None)
        if what == "polarity":
            signs[where].append((number, line.bad))
    told = {place: number for place, number in bad.items() if place[0] != "pair"}
    left, right = OUTPUTS[:2]
    since = bad.get(("pair", "car"))
    if since is not None:
        later = {name: [wrong for number, wrong in signs[name] if number > since] for name in (left, right)}
        for own, other in ((left, right), (right, left)):
            if not (False in later[own] and later[other] and not later[other][-1]):
                told["pair", own] = since
    if left in levels and right in levels and levels[left][1] != levels[right][1]:
        for name in (left, right):
            told["differ", name] = max(levels[left][0], levels[right][0])
    for number, line in enumerate(lines):
        accepts = line.kind == "accept" and not line.void and line.aspect != "dc"  # a danger is never accepted
        if accepts and told.get((line.aspect, line.place), number) < number:
            del told[line.aspect, line.place]
    read = {line.place for _, line in counting if line.aspect in ("level", "clipping", "dc", "typed level")}
    return set(told) | {("not measured", name) for name in OUTPUTS if name not in read and name not in levels}


Walked = tuple[str, str, Any]
"""(what, output, how) of one line: a reading of an aspect, an acceptance, a void or a visit."""

TOGETHER = (
    ("level", "tone", "typed level"), ("clipping", "typed level", "level"), ("dc", "typed dc", "level"),
    ("polarity", "typed polarity", "pair"), ("onset", "match", "routing"), ASPECTS,
)  # fmt: skip
"""Aspects that clear each other, or should not."""


def drawn_events(draw: random.Random) -> list[Walked]:
    """Lines about a few things at a few outputs, so that they meet."""
    aspects = draw.choice(TOGETHER)
    names = draw.choice([OUTPUTS[:1], OUTPUTS[:2], OUTPUTS[1:], OUTPUTS])
    codes_here = [each for each in aspects if each in CODES] or ["differ"]
    events: list[Walked] = []
    for _ in range(draw.randint(1, 9)):
        what = draw.choices(("reading", "accept", "void", "visit"), (8, 3, 2, 1))[0]
        name = draw.choice(names)
        if what == "reading":
            events.append((draw.choice(aspects), name, draw.choice((GOOD, BAD))))
        elif what == "accept":
            events.append(("accept", name, draw.choice([*codes_here, "differ"])))
        elif what == "void":
            events.append(("void", "", draw.randrange(12)))
        else:
            events.append(("visit", "", ""))
    return events


def write_event(job: Path, event: Walked) -> None:
    """One line, by the function that writes such lines."""
    what, name, how = event
    if what == "visit":
        start_visit(job, "again")
    elif what == "accept":
        note_typed(job, name, Acceptance(CODES[how], "as wished"))
    else:
        kind, outputs, result = reading_of(what, name, how)
        if kind in ("level", "polarity-typed"):
            note_typed(job, outputs, result)
        else:
            log_reading(job, kind, outputs, result)


@pytest.fixture(scope="module")
def lines_of(tmp_path_factory: pytest.TempPathFactory) -> dict[Walked, bytes]:
    """Every line that the walk uses, written once: a walk then costs no more than reading it."""
    job = new_job(tmp_path_factory.mktemp("lines") / "car")
    readings = [(what, name, how) for what in ASPECTS for name in OUTPUTS for how in (GOOD, BAD)]
    accepts = [("accept", name, how) for name in OUTPUTS for how in CODES]
    events: list[Walked] = [*readings, *accepts, ("visit", "", "")]
    for each in events:
        write_event(job, each)
    void_reading(job, 1, "a slip")
    written = (job / RECORD_FILE).read_bytes().splitlines(keepends=True)
    return dict(zip([*events, ("void", "", 0)], written, strict=True))


def walked(job: Path, events: list[Walked], lines_of: dict[Walked, bytes]) -> list[Line]:
    """Write a record, every output on target first; the model's lines. A void of what is none is left out."""
    record = [lines_of["level", name, GOOD] for name in OUTPUTS]
    lines = [Line("reading", "level", name) for name in OUTPUTS]
    for event in events:
        what, name, how = event
        if what == "void":
            if how >= len(lines) or lines[how].void or lines[how].kind == "void":
                continue
            record.append(lines_of["void", "", 0].replace(b'"voided": 1,', f'"voided": {how + 1},'.encode()))
            lines[how].void = True
            lines.append(Line("void", "", ""))
            continue
        record.append(lines_of[event])
        if what in ("visit", "accept"):
            lines.append(Line(what, how, name))
        else:
            lines.append(Line("reading", what, "car" if what in ("routing", "pair") else name, how == BAD))
    (job / RECORD_FILE).write_bytes(b"".join(record))
    return lines


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2])
def test_no_order_of_lines_hides_a_fault(job: Path, lines_of: dict[Walked, bytes], seed: int) -> None:
    """Readings by capture and by meter, acceptances, voids and visits, against a model that says it anew."""
    draw = random.Random(seed)
    done = 0
    for _ in range(600 if seed == 1 else 10_000):
        events = drawn_events(draw)
        left = faults_left(walked(job, events, lines_of))
        status = job_status(job)
        done += status.ok
        assert status.ok == (not left), (events, left, [each.faults for each in status.outputs])
        assert left == set() or "ON TARGET" not in str(status.headline)
        assert bool(status.headline.values["dangers"]) == bool({"dc", "typed dc"} & {what for what, _ in left})
    assert done > 50
