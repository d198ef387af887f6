"""The guided job's steps: computed from the record alone, judged as the record judges."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.generator.kinds import build
from gainkit.job.log import note_typed, void_reading
from gainkit.job.opening import open_job
from gainkit.job.standing import job_status
from gainkit.job.typed import Confirmed, TypedLevel, TypedPolarity
from gainkit.simulator import Amplifier
from gainkit.steps import Step, Tone, job_steps, look_at, next_step, step_of, take
from gainkit.steps.model import TONE_RATE_HZ, tone_spec
from gainkit.steps.taking import keep, take_typed
from gainkit.steps.way import ENDED_BY, MUST_CONFIRM
from gainkit.words import remark_text


def steps(car: Path) -> tuple[Step, ...]:
    return job_steps(open_job(car))


def step(car: Path, key: str) -> Step:
    return step_of(steps(car), key)


def tone(volts: float, frequency_hz: float, seconds: float = 0.5) -> Capture:
    time = np.arange(round(48_000 * seconds)) / 48_000
    hiss = np.random.default_rng(3).normal(0, 1e-3, len(time))
    return Capture.from_array(np.sqrt(2) * volts * np.sin(2 * np.pi * frequency_hz * time) + hiss, 48_000)


def test_the_way_has_a_step_for_each_output_and_ends_with_the_page(car: Path) -> None:
    keys = [each.key for each in steps(car)]
    assert keys[:4] == ["plan", "stick", "calibrate", "volume"]
    assert [k for k in keys if k.startswith("gain")] == ["gain-1", "gain-2", "gain-3"]
    assert keys[-1] == "page"
    assert all(each.state != "settled" for each in steps(car))
    with pytest.raises(GainkitError) as wrong:
        step(car, "../../etc/passwd")
    assert wrong.value.code == "unknown_step"


def test_a_step_says_what_to_play_and_what_must_be_confirmed(car: Path) -> None:
    front, sub = step(car, "gain-1"), step(car, "gain-3")
    plan = open_job(car).plan
    assert front.tone is not None
    assert (front.tone.frequency_hz, front.tone.level_dbfs) == (plan.channels[0].tone_hz, -5.0)
    assert front.set_volts == plan.channels[0].set_volts
    assert front.unconfirmed == ("speakers_are_unplugged",)
    assert sub.unconfirmed == ("speakers_are_unplugged", "leads_are_free")
    assert {each.severity for each in sub.cautions} >= {"danger"}


def test_a_caution_is_confirmed_once_for_each_output(car: Path) -> None:
    note_typed(car, "Front/left", Confirmed("speakers_are_unplugged"))
    assert step(car, "gain-1").unconfirmed == ()
    assert step(car, "onset-1").unconfirmed == ()
    assert step(car, "gain-2").unconfirmed == ("speakers_are_unplugged",)


def test_who_listened_to_a_loudspeaker_confirms_again_before_a_tone_at_level(car: Path) -> None:
    note_typed(car, "Subwoofer", Confirmed("speakers_are_unplugged"))
    note_typed(car, "Subwoofer", Confirmed("leads_are_free"))
    note_typed(car, "Front/left", Confirmed("speakers_are_unplugged"))
    note_typed(car, "Subwoofer", Confirmed("volume_is_low"))
    assert step(car, "polarity-3").unconfirmed == ()
    assert step(car, "response-3").unconfirmed == ("leads_are_free",)
    assert any(each.code == "ungrounded_output" for each in step(car, "response-3").cautions)
    for key in ("gain-3", "onset-3", "noise-3"):
        assert step(car, key).unconfirmed == ("speakers_are_unplugged", "leads_are_free")
    assert step(car, "gain-1").unconfirmed == ()
    note_typed(car, None, Confirmed("volume_is_low"))  # all loudspeakers play
    assert step(car, "gain-1").unconfirmed == ("speakers_are_unplugged",)
    assert step(car, "match").unconfirmed == ()
    note_typed(car, "Front/left", Confirmed("speakers_are_unplugged"))
    assert step(car, "gain-1").unconfirmed == ()
    assert step(car, "match").unconfirmed == ("volume_is_low",)


def test_trims_are_told_by_output(car: Path) -> None:
    rng = np.random.default_rng(2)
    wide = rng.normal(0, 0.05, 96_000)
    names = ["Front/left", "Subwoofer"]
    captures = [Capture.from_array(wide * 10 ** (db / 20), 48_000) for db in (0.0, 3.0)]
    here = step(car, "match")
    look = look_at(here, open_job(car), take(here, open_job(car), captures, names))
    assert remark_text(look.large) == "Trim Subwoofer by -3.0 dB"
    assert [remark_text(each) for each in look.figures] == ["Front/left: +0.0 dB", "Subwoofer: -3.0 dB"]


def test_a_typed_level_is_judged_before_it_is_written_as_it_is_after(car: Path) -> None:
    here = step(car, "gain-1")
    assert here.set_volts is not None
    loud = here.set_volts * 10 ** (2.5 / 20)
    before = (car / "readings.jsonl").exists()
    look = look_at(here, open_job(car), take_typed(here, TypedLevel(loud)))
    assert str(look.large) == "Turn DOWN 2.5 dB"
    assert look.direction == "down"
    assert look.error_db == pytest.approx(2.5)
    assert (car / "readings.jsonl").exists() == before
    assert [each.code for each in look.faults] == ["level_off_target"]
    keep(open_job(car), take_typed(here, TypedLevel(loud)))
    assert step(car, "gain-1").state == "contradicted"
    kept = job_status(car).outputs[0]
    assert kept.met is False
    assert [each.code for each in kept.faults] == ["level_off_target"]
    number = step(car, "gain-1").readings[-1]
    void_reading(car, number, "undone")
    assert step(car, "gain-1").state == "open"


def test_no_turning_is_told_for_half_of_a_bridged_output(car: Path) -> None:
    front, sub = step(car, "gain-1"), step(car, "gain-3")
    assert front.set_volts is not None
    assert sub.set_volts is not None
    look = look_at(sub, open_job(car), take_typed(sub, TypedLevel(sub.set_volts / 2)))
    assert (look.large.code, look.direction) == ("large_perhaps_half", None)
    look = look_at(front, open_job(car), take_typed(front, TypedLevel(front.set_volts / 2)))
    assert (look.large.code, look.direction) == ("large_turn_up", "up")


def test_a_capture_on_target_settles_the_gain(car: Path) -> None:
    here, job = step(car, "gain-2"), open_job(car)
    assert here.set_volts is not None
    assert here.tone is not None
    assert here.tone.frequency_hz is not None
    taken = take(here, job, [tone(here.set_volts * 0.99, here.tone.frequency_hz)])
    look = look_at(here, job, taken)
    assert look.large.code == "large_on_target"
    assert look.faults == ()
    keep(job, taken)
    assert step(car, "gain-2").state == "settled"


def test_another_tone_turns_nothing(car: Path) -> None:
    here, job = step(car, "gain-1"), open_job(car)
    look = look_at(here, job, take(here, job, [tone(5.0, 440.0)]))
    assert look.large.code == "large_other_tone"
    assert look.direction is None


def test_a_clipped_tone_is_never_on_target(car: Path) -> None:
    here, job = step(car, "gain-1"), open_job(car)
    assert here.set_volts is not None
    assert here.tone is not None
    assert here.tone.frequency_hz is not None
    wave = tone(here.set_volts * 1.4, here.tone.frequency_hz).volts()
    stage = Amplifier(gain_db=0.0, positive_rail_volts=here.set_volts * 1.41)
    held = Capture.from_array(stage.amplify(wave, 48_000), 48_000)
    look = look_at(here, job, take(here, job, [held]))
    assert look.large.code in ("large_turn_down", "large_out_of_reach")
    assert "clipped" in [each.code for each in look.faults]


def test_polarity_against_the_plan_contradicts_its_step_and_not_the_gain(car: Path) -> None:
    note_typed(car, "Front/right", TypedPolarity("negative"))
    assert step(car, "polarity-2").state == "contradicted"
    assert step(car, "gain-2").state == "open"
    note_typed(car, "Front/right", TypedPolarity("positive"))
    assert step(car, "polarity-2").state == "settled"


def test_next_step_wraps_round_and_ends_at_the_page(car: Path) -> None:
    assert next_step(steps(car)).key == "plan"
    note_typed(car, None, Confirmed("plan_seen"))
    assert next_step(steps(car)).key == "stick"
    assert next_step(steps(car), "page").key == "stick"


def test_the_page_is_settled_exactly_when_the_job_status_is_ok(car: Path) -> None:
    for name, here in (("Front/left", "gain-1"), ("Front/right", "gain-2"), ("Subwoofer", "gain-3")):
        assert step(car, "page").state != "settled"
        note_typed(car, name, TypedLevel(step(car, here).set_volts))
    assert job_status(car).ok
    assert step(car, "page").state == "settled"


def test_a_capture_is_refused_where_none_is_taken(car: Path) -> None:
    with pytest.raises(GainkitError) as wrong:
        take(step(car, "plan"), open_job(car), [tone(1.0, 997.0)])
    assert wrong.value.code == "step_takes_no_capture"


def test_noise_and_response_are_read_as_their_steps_ask(car: Path) -> None:
    job = open_job(car)
    here = step(car, "noise-1")
    hiss = np.random.default_rng(4).normal(0, 1e-4, 4 * 48_000)
    quiet = take(here, job, [Capture.from_array(hiss, 48_000)])
    assert quiet.result.verdict == "quiet"
    assert look_at(here, job, quiet).large.code == "large_noise_quiet"
    sweep = Tone("sweep", -20.0, band="full", seconds=5.0)
    here = replace(here, kind="response", key="response-1", tone=sweep)
    track = build(tone_spec(sweep), TONE_RATE_HZ).samples()[:, 0]
    around = np.zeros(24_000)
    flat = take(here, job, [Capture.from_array(np.concatenate([around, 20 * track, around]), TONE_RATE_HZ)])
    assert flat.result.found
    assert str(look_at(here, job, flat).large) == "Flat"


def test_no_step_asks_for_two_words_that_end_each_other() -> None:
    """It could never be begun."""
    for said in MUST_CONFIRM.values():
        assert not {ENDED_BY.get(each) for each in said} & set(said)
