"""How a job stands: nothing of one output covers another, no fault is lost before it is cleared or accepted."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from gainkit.errors import GainkitError
from gainkit.job.log import log_reading, note_typed, start_visit, undo_last, void_reading
from gainkit.job.places import RECORD_FILE
from gainkit.job.readings import read_readings
from gainkit.job.record import append_event
from gainkit.job.report import report_jobs
from gainkit.job.standing import job_status
from gainkit.job.status import JobStatus, OutputStatus
from gainkit.job.typed import Acceptance, FreeText, Knob, SupplyReading, TypedLevel, TypedPolarity
from gainkit.remarks import codes, fault
from tests.records import (
    OUTPUTS,
    SYSTEM,
    VOLTS,
    match,
    measured,
    new_job,
    noise,
    onset,
    pair,
    polarity,
    routing,
    volume,
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return new_job(tmp_path / "car")


def output(status: JobStatus, name: str) -> OutputStatus:
    return next(each for each in status.outputs if each.name == name)


def all_on_target(job: Path) -> None:
    for name in OUTPUTS:
        log_reading(job, "measure", name, measured(VOLTS[name]))


def test_a_job_with_every_output_on_target_is_done(job: Path) -> None:
    all_on_target(job)
    status = job_status(job)
    assert status.ok
    assert [each.name for each in status.outputs] == list(OUTPUTS)
    assert str(status.headline) == "ALL 3 OUTPUTS ON TARGET (within 0.5 dB)."
    assert all(each.met is True and each.faults == () for each in status.outputs)


def test_a_reading_of_one_output_covers_no_other(job: Path) -> None:
    log_reading(job, "measure", "Front/right", measured(VOLTS["Front/right"] * 10 ** (-6.8 / 20)))
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"]))
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"]))
    status = job_status(job)
    assert not status.ok
    right = output(status, "Front/right")
    assert right.met is False
    assert {"level_off_target", "outputs_differ"} <= codes(right.faults)
    assert "Front/right" in str(status.headline)
    assert "6.8 dB too low" in str(status.headline)
    assert output(status, "Front/left").met is True
    assert "outputs_differ" in codes(output(status, "Front/left").faults)


def test_a_channel_of_several_outputs_is_no_place_for_a_reading(job: Path) -> None:
    with pytest.raises(GainkitError) as refused:
        log_reading(job, "measure", "Front", measured(1.0))
    assert refused.value.code == "output_needed"
    assert refused.value.allowed == ["Front/left", "Front/right"]
    with pytest.raises(GainkitError) as refused:
        log_reading(job, "measure", "Front/lefd", measured(1.0))
    assert (refused.value.code, refused.value.values["nearest"]) == ("unknown_output", "Front/left")
    assert log_reading(job, "measure", " rear ", measured(1.0)).outputs == ("Rear",)


@pytest.mark.parametrize(
    ("result", "code"),
    [
        (measured(14.142, dc_volts=1.5), "dc_at_output"),
        (measured(14.142, state="clipped"), "clipped"),
        (measured(14.142, thd_percent=43.5), "distorted"),
        (measured(14.142 * 1.2), "level_off_target"),
        (measured(14.142, frequency_hz=50.0), "other_tone"),
        (measured(14.142, recorder_overload=True), "recorder_overloaded"),
        (measured(14.142, steady_tone=False, frequency_hz=None, thd_percent=None), "no_steady_tone_recorded"),
        (measured(14.142, calibrated=False), "not_calibrated"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_each_fault_of_a_capture_is_told_and_cleared_by_a_good_one(job: Path, result: Any, code: str) -> None:
    all_on_target(job)
    append_event(job, "measure", ["Front/left"], result)  # also what an earlier version let in
    status = job_status(job)
    assert not status.ok
    assert code in codes(output(status, "Front/left").faults)
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"]))
    assert job_status(job).ok


def test_dc_comes_before_any_level(job: Path) -> None:
    all_on_target(job)
    note_typed(job, "Rear", TypedLevel(dc_volts=1.5))
    status = job_status(job)
    assert str(status.headline).startswith("STOP. Rear: DC of +1.5 V")
    assert str(output(status, "Rear").verdict).startswith("STOP: DC of +1.5 V")
    note_typed(job, "Rear", Acceptance("dc_at_output", "the meter is old"))
    assert not job_status(job).ok, "a danger cannot be accepted"
    note_typed(job, "Rear", TypedLevel(volts=10.0))  # says nothing of DC
    assert not job_status(job).ok
    note_typed(job, "Rear", TypedLevel(dc_volts=0.01))
    assert job_status(job).ok


def test_a_typed_level_is_on_target_but_never_clean(job: Path) -> None:
    for name in OUTPUTS:
        note_typed(job, name, TypedLevel(volts=VOLTS[name]))
    status = job_status(job)
    assert status.ok
    left = output(status, "Front/left")
    assert left.level is not None
    assert (left.level.typed, left.level.state) == (True, None)
    assert "clipping not looked at" in str(left.verdict)
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"], state="clipped"))
    note_typed(job, "Front/left", TypedLevel(volts=VOLTS["Front/left"]))
    assert "clipped" in codes(output(job_status(job), "Front/left").faults), "a meter cannot clear clipping"


def test_a_meter_read_with_another_level_of_the_tone(job: Path) -> None:
    note_typed(job, "Rear", TypedLevel(volts=10.0 * 10 ** (-7 / 20), tone_dbfs=-12.0))
    rear = output(job_status(job), "Rear")
    assert rear.met is True
    assert rear.level is not None
    assert rear.level.set_volts == pytest.approx(10.0 * 10 ** (-7 / 20), rel=1e-12)
    note_typed(job, "Rear", TypedLevel(volts=10.0 * 10 ** (5 / 20), tone_dbfs=0.0))
    assert "tone_too_loud" in codes(output(job_status(job), "Rear").faults)


def test_polarity_stays_until_a_decided_reading_clears_it(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "polarity", "Rear", polarity("negative"))
    assert "polarity_wrong" in codes(output(job_status(job), "Rear").faults)
    log_reading(job, "polarity", "Rear", polarity("undecided", 0.0))
    assert not job_status(job).ok, "undecided clears nothing"
    log_reading(job, "polarity", "Rear", polarity("positive", 0.8))
    assert not job_status(job).ok, "probably is not decided"
    note_typed(job, "Rear", TypedPolarity("positive"))
    assert job_status(job).ok
    log_reading(job, "polarity", "Rear", polarity("negative", 0.8))
    assert "polarity_probably_wrong" in codes(output(job_status(job), "Rear").faults)


def test_a_design_may_ask_for_a_reversed_loudspeaker(tmp_path: Path) -> None:
    text = SYSTEM.replace('"right"]', '"right"]\nexpected_polarity = { right = "negative" }')
    job = new_job(tmp_path / "car", text)
    all_on_target(job)
    log_reading(job, "polarity", "Front/right", polarity("negative"))
    log_reading(job, "polarity", "Front/left", polarity("positive"))
    assert job_status(job).ok
    log_reading(job, "polarity", "Front/right", polarity("positive"))
    assert "polarity_wrong" in codes(output(job_status(job), "Front/right").faults)


def test_a_pair_wired_opposite_is_told_on_both_until_mended(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "polarity-pair", ["Front/left", "Front/right"], pair("opposite"))
    status = job_status(job)
    assert not status.ok
    for name in ("Front/left", "Front/right"):
        assert "pair_opposite" in codes(output(status, name).faults)
    log_reading(job, "polarity", "Front/left", polarity("positive"))
    assert not job_status(job).ok, "the other one may be the wrong one"
    log_reading(job, "polarity", "Front/right", polarity("positive"))
    assert job_status(job).ok
    log_reading(job, "polarity-pair", ["Front/left", "Front/right"], pair("opposite"))
    log_reading(job, "polarity-pair", ["Front/left", "Front/right"], pair("same"))
    assert job_status(job).ok


def test_faults_of_the_car_stand_in_the_headline(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "routing", None, routing(False))
    status = job_status(job)
    assert not status.ok
    assert "routing wrong" in str(status.headline)
    log_reading(job, "routing", None, routing(True))
    assert job_status(job).ok


def test_an_onset_before_the_planned_overlap_is_a_fault(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "onset", "Rear", onset(-8.0))
    assert "onset_early" in codes(output(job_status(job), "Rear").faults)
    log_reading(job, "onset", "Rear", onset(-4.9))
    status = job_status(job)
    assert status.ok
    assert "onset" not in output(status, "Rear").lacks
    log_reading(job, "onset", "Front/left", onset(None, state=None))
    assert "onset" in output(job_status(job), "Front/left").lacks


def test_trims_belong_to_the_output_of_their_capture(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "match", ["Front/left", "Front/right"], match(0.0, -2.0))
    status = job_status(job)
    assert output(status, "Front/left").trim_db == 0.0
    assert output(status, "Front/right").trim_db == -2.0
    assert "not_matched" in codes(output(status, "Front/right").faults)
    assert output(status, "Rear").trim_db is None


def test_a_fault_can_be_accepted_with_a_reason_and_comes_back_when_read_again(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "onset", "Rear", onset(-8.0))
    note_typed(job, "Rear", Acceptance("onset_early", "the customer wants it loud"))
    status = job_status(job)
    assert status.ok
    assert "accepted" in codes(output(status, "Rear").remarks)
    log_reading(job, "onset", "Rear", onset(-8.0))
    assert not job_status(job).ok


def test_a_level_does_not_outlive_the_volume_it_was_set_at(job: Path) -> None:
    log_reading(job, "volume", None, volume(29, 3.268))
    all_on_target(job)
    log_reading(job, "volume", None, volume(29, 3.27))
    assert job_status(job).ok
    log_reading(job, "volume", None, volume(31, 4.115))
    status = job_status(job)
    assert not status.ok
    assert all("other_volume" in codes(each.faults) for each in status.outputs)
    all_on_target(job)
    assert job_status(job).ok


def test_the_plan_and_the_volume_as_measured_must_agree(tmp_path: Path) -> None:
    job = new_job(
        tmp_path / "car", SYSTEM.replace("preamp_volts = 4.0", "preamp_volts = 4.0\nclean_position = 31")
    )
    log_reading(job, "volume", None, volume("31", 4.0))
    all_on_target(job)
    assert job_status(job).ok
    log_reading(job, "volume", None, volume(29, 4.0))
    assert "volume_not_as_planned" in codes(job_status(job).problems)


def test_a_change_of_the_plan_is_told_and_does_not_move_old_judgements(job: Path) -> None:
    all_on_target(job)
    path = job / "system.toml"
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 25.5"))
    rear = output(job_status(job), "Rear")
    assert rear.met is True
    assert rear.level is not None
    assert rear.level.set_volts == 10.0
    assert [each.severity for each in rear.remarks if each.code == "plan_changed"] == ["remark"]
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 50"))
    status = job_status(job)
    assert not status.ok
    assert "plan_changed" in codes(output(status, "Rear").faults)


def test_readings_are_voided_undone_and_never_deleted(job: Path) -> None:
    all_on_target(job)
    bad = log_reading(job, "measure", "Rear", measured(2.0))
    assert bad.number == 4
    before = (job / RECORD_FILE).read_bytes()
    void_reading(job, bad.number, "meter lead was off")
    assert job_status(job).ok
    assert (job / RECORD_FILE).read_bytes().startswith(before)
    readings, _ = read_readings(job)
    assert [each.number for each in readings if not each.counts] == [4]
    assert readings[3].void_reason == "meter lead was off"
    with pytest.raises(GainkitError) as refused:
        void_reading(job, 4, "again")
    assert refused.value.code == "void_already"
    with pytest.raises(GainkitError) as refused:
        void_reading(job, 40, "never")
    assert refused.value.code == "no_such_reading"
    void_reading(job, 5, "it was right after all")
    assert not job_status(job).ok, "a voided void brings its reading back"
    _, undone = undo_last(job)
    assert undone.number == 4
    assert job_status(job).ok


def test_visits_tell_as_found_as_left_and_drift(job: Path) -> None:
    log_reading(job, "measure", "Rear", measured(12.0, state="clipped"))
    all_on_target(job)
    start_visit(job, "re-check")
    log_reading(job, "measure", "Rear", measured(10.0 * 10 ** (-0.3 / 20)))
    rear = output(job_status(job), "Rear")
    first, again = rear.history
    assert first.found is not None
    assert first.found.rms_volts == 12.0
    assert again.drift_db == pytest.approx(-0.3, abs=1e-9)
    assert again.found is None
    with pytest.raises(GainkitError) as refused:
        start_visit(job, "re-check")
    assert refused.value.code == "visit_there_already"


def test_every_reading_says_who_and_by_which_figures(job: Path, tmp_path: Path) -> None:
    capture = tmp_path / "tone.wav"
    capture.write_bytes(b"sound")
    log_reading(job, "measure", "Rear", measured(10.0), [capture])
    note_typed(job, "Rear", Knob("11 o'clock"), who="M. Adeyemi")
    note_typed(job, None, SupplyReading(12.6, "battery", "resting"))
    note_typed(job, None, FreeText("customer wants the rear quiet"))
    readings, problems = read_readings(job)
    assert problems == []
    assert [each.who for each in readings] == ["R. Okafor", "M. Adeyemi", "R. Okafor", "R. Okafor"]
    assert readings[0].plan is not None
    assert readings[0].plan.set_volts == 10.0
    # sha256 of the five bytes "sound", by sha256sum of GNU coreutils
    assert readings[0].captures[0].sha256 is not None
    assert readings[0].captures[0].sha256.startswith("c4f7b0a9") or len(readings[0].captures[0].sha256) == 64
    assert output(job_status(job), "Rear").knob == "11 o'clock"


def test_a_reading_of_a_whole_channel_by_an_earlier_version_is_told(job: Path) -> None:
    log_reading(job, "measure", "Front/left", measured(VOLTS["Front/left"]))
    line = json.loads((job / RECORD_FILE).read_text())
    for name in ("Front", "Rear", "Roof"):
        old = {"when": line["when"], "kind": "measure", "channel": name, "captures": ["x.wav"]}
        old["result"] = line["result"] | {"notes": ["a note in words"], "rms_volts": 10.0}
        with (job / RECORD_FILE).open("a") as record:
            record.write(json.dumps(old) + "\n")
    status = job_status(job)
    assert {"reading_without_output", "reading_of_no_output"} <= codes(status.problems)
    assert output(status, "Rear").met is True
    assert output(status, "Front/right").met is None


def test_several_jobs_at_a_glance(tmp_path: Path) -> None:
    done = new_job(tmp_path / "shop" / "march" / "marlin")
    all_on_target(done)
    new_job(tmp_path / "shop" / "april" / "heron")
    broken = new_job(tmp_path / "shop" / "torn", "[job\n")
    report = report_jobs(tmp_path / "shop")
    assert [Path(each.folder).name for each in report.jobs] == ["heron", "marlin", "torn"]
    assert [each.ok for each in report.jobs] == [False, True, None]
    assert report.jobs[2].problem == "not_toml"
    assert broken.is_dir()
    with pytest.raises(GainkitError):
        report_jobs(tmp_path / "nothing")


# -- every kind of fault, in every order, over three outputs ---------------------------------------------------

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


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.long)])
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


# -- what was tried against it -------------------------------------------------------------------------------


def test_a_miss_that_was_accepted_is_not_told_as_on_target(job: Path) -> None:
    all_on_target(job)
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"] * 0.7))
    note_typed(job, "Rear", Acceptance("level_off_target", "the customer wants it quiet"))
    status = job_status(job)
    rear = output(status, "Rear")
    assert (status.ok, rear.met) == (True, False)
    assert str(rear.verdict).startswith("NOT on target, as accepted")
    assert str(status.headline) == ("2 OF 3 OUTPUTS ON TARGET (within 0.5 dB). ACCEPTED: Rear: 3.1 dB too low.")
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"] * 0.5))
    assert not job_status(job).ok


def test_a_changed_plan_that_was_accepted_is_not_the_next_change(job: Path) -> None:
    all_on_target(job)
    path = job / "system.toml"
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 50"))
    note_typed(job, "Rear", Acceptance("plan_changed", "the amplifier was changed for one of more power"))
    assert job_status(job).ok
    path.write_text(SYSTEM.replace("rated_watts = 25", "rated_watts = 100"))
    assert "plan_changed" in codes(output(job_status(job), "Rear").faults)


@pytest.mark.parametrize(
    "change",
    [
        ('"right"]', '"right"]\nexpected_polarity = { right = "negative" }'),
        ("[supply]", "[check]\ntolerance_db = 0.05\n[supply]"),
        ("[supply]", "[check]\nlimit_thd_percent = 0.01\n[supply]"),
        ("overlap_db = 5", "overlap_db = 2"),
    ],
    ids=["polarity", "tolerance", "distortion", "overlap"],
)
def test_any_figure_of_the_plan_that_turns_a_judgement_is_told(job: Path, change: tuple[str, str]) -> None:
    for name in OUTPUTS:
        log_reading(job, "measure", name, measured(VOLTS[name] * 1.01))
        log_reading(job, "polarity", name, polarity("positive"))
        log_reading(job, "onset", name, onset(-5.0))
    assert job_status(job).ok
    (job / "system.toml").write_text(SYSTEM.replace(*change))
    status = job_status(job)
    assert not status.ok
    assert "plan_changed" in codes(output(status, "Front/right").faults)


def test_a_recorder_that_passes_no_dc_does_not_clear_what_a_meter_read(job: Path) -> None:
    all_on_target(job)
    note_typed(job, "Rear", TypedLevel(dc_volts=1.5))
    log_reading(job, "measure", "Rear", measured(VOLTS["Rear"], dc_volts=0.0))
    assert str(job_status(job).headline).startswith("STOP.")
    note_typed(job, "Rear", TypedLevel(dc_volts=0.002))
    assert job_status(job).ok


def test_a_probable_pair_clears_nothing_and_a_design_may_ask_for_opposites(tmp_path: Path) -> None:
    both = ["Front/left", "Front/right"]
    job = new_job(tmp_path / "plain")
    all_on_target(job)
    log_reading(job, "polarity-pair", both, pair("opposite"))
    log_reading(job, "polarity-pair", both, replace(pair("same"), confidence=0.8))
    assert not job_status(job).ok
    text = SYSTEM.replace('"right"]', '"right"]\nexpected_polarity = { right = "negative" }')
    turned = new_job(tmp_path / "turned", text)
    all_on_target(turned)
    log_reading(turned, "polarity-pair", both, pair("opposite"))
    assert job_status(turned).ok
    log_reading(turned, "polarity-pair", both, pair("same"))
    assert "pair_same" in codes(output(job_status(turned), "Front/left").faults)


def test_a_source_that_is_clean_nowhere_or_read_in_disorder_is_a_fault(job: Path) -> None:
    all_on_target(job)
    log_reading(
        job,
        "volume",
        None,
        replace(volume(29, 4.0), notes=(fault("output_falls", lower=1, higher=2, fall_db=3.0),)),
    )
    assert "output_falls" in codes(job_status(job).problems)
    log_reading(job, "volume", None, replace(volume(29, 4.0), highest_clean_position=None, source_volts=None))
    status = job_status(job)
    assert "volume_not_clean" in codes(status.problems)
    assert not status.ok


def test_an_onset_read_at_another_volume_is_no_answer_any_more(job: Path) -> None:
    log_reading(job, "volume", None, volume(29, 3.0))
    all_on_target(job)
    log_reading(job, "onset", "Rear", onset(-5.0))
    assert "onset" not in output(job_status(job), "Rear").lacks
    log_reading(job, "volume", None, volume(31, 4.0))
    all_on_target(job)
    rear = output(job_status(job), "Rear")
    assert rear.onset_dbfs is None
    assert "onset" in rear.lacks
    assert "onset_at_other_volume" in codes(rear.remarks)


def test_an_accepted_torn_line_does_not_cover_the_next(job: Path) -> None:
    all_on_target(job)
    with open(job / RECORD_FILE, "a") as record:
        record.write('{"torn')
    note_typed(job, None, Acceptance("line_not_whole", "power was lost"))
    assert job_status(job).ok
    with open(job / RECORD_FILE, "a") as record:
        record.write('{"torn again')
    assert not job_status(job).ok


def test_lines_that_no_reading_can_be_are_told(job: Path) -> None:
    all_on_target(job)
    whole = (job / RECORD_FILE).read_text()
    for wrong in (
        whole.splitlines()[2].replace('"dc_volts": 0.0', '"dc_volts": NaN'),
        whole.splitlines()[2].replace('"outputs": ["Rear"]', '"outputs": []'),
        whole.splitlines()[2].replace('"kind": "measure"', '"kind": "guess"'),
    ):
        (job / RECORD_FILE).write_text(whole + wrong + "\n")
        status = job_status(job)
        assert not status.ok, wrong
        assert len(status.problems) == 1


@pytest.mark.parametrize(
    ("kind", "outputs", "result", "code"),
    [
        ("measure", None, measured(10.0), "output_missing"),
        ("measure", ["Front/left", "Rear"], measured(10.0), "one_output_only"),
        ("measure", "Rear", measured(10.0, calibrated=False), "uncalibrated_reading"),
        ("measure", "Rear", polarity("positive"), "not_that_kind"),
        ("guess", "Rear", measured(10.0), "not_that_kind"),
        ("polarity-pair", ["Rear"], pair("same"), "pair_of_two"),
        ("polarity-pair", ["Rear", "rear"], pair("same"), "output_twice"),
        ("match", ["Front/left", "Front/right"], match(0.0, 1.0, 2.0), "one_output_a_capture"),
    ],
)
def test_what_the_record_could_not_judge_is_refused(
    job: Path, kind: str, outputs: Any, result: Any, code: str
) -> None:
    with pytest.raises(GainkitError) as refused:
        log_reading(job, kind, outputs, result)
    assert refused.value.code == code
    assert str(refused.value)
    assert not (job / RECORD_FILE).exists()


@pytest.mark.parametrize("verdict", ["hum", "whine", "hiss"])
def test_noise_that_is_heard_stands_until_it_is_quiet(job: Path, verdict: str) -> None:
    all_on_target(job)
    log_reading(job, "noise", "Rear", noise(verdict))
    status = job_status(job)
    assert f"Rear: {verdict} heard" in str(status.headline)
    log_reading(job, "noise", "Rear", noise("not known"))
    assert not job_status(job).ok
    log_reading(job, "noise", "Rear", noise("quiet"))
    assert job_status(job).ok
    log_reading(job, "noise", "Rear", noise("quiet", dc_volts=2.0))
    assert str(job_status(job).headline).startswith("STOP.")
