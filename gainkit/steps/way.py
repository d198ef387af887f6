"""The way of a job: its steps, and how each of them stands by the record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gainkit.capture.calibration import read_calibration
from gainkit.errors import GainkitError
from gainkit.job.faults import readings_of
from gainkit.job.model import JobStatus, OutputStatus
from gainkit.job.opening import OpenJob
from gainkit.job.outputs import Output
from gainkit.job.places import JobFolder
from gainkit.job.plan import ChannelPlan
from gainkit.job.readings import KINDS, Reading, latest
from gainkit.job.standing import standing
from gainkit.remarks import Remark, Sentence, danger, remark
from gainkit.steps.model import PER_OUTPUT, WAY, Step, StepKind, StepState, Tone, Way
from gainkit.steps.taking import large_routing, largest_trim

STEP_OF_FAULT: dict[str, StepKind] = {
    "polarity_wrong": "polarity",
    "polarity_probably_wrong": "polarity",
    "pair_opposite": "polarity",
    "onset_early": "onset",
    "distorts_early": "onset",
    "distorted_at_levels": "onset",
    "not_matched": "match",
    "routing_wrong": "routing",
    "volume_not_as_planned": "volume",
    "noise_heard": "noise",
    "response_not_flat": "response",
}
"""Where a fault of the record belongs by its code; the others go by the reading that told them."""

BELONGS: dict[str, StepKind] = {
    "measure": "gain",
    "level": "gain",
    "knob": "gain",
    "onset": "onset",
    "polarity": "polarity",
    "polarity-pair": "polarity",
    "polarity-typed": "polarity",
    "match": "match",
    "routing": "routing",
    "volume": "volume",
    "response": "response",
    "noise": "noise",
}
"""The step that a line of the record belongs to, by its kind."""

BASS_BELOW_HZ, TREBLE_ABOVE_HZ = 200.0, 4000.0
"""A channel whose setting tone lies below the first feeds bass loudspeakers, above the second tweeters, which
lower chirps would only strain [Hz] (common practice, no source)."""

MUST_CONFIRM: dict[str, tuple[str, ...]] = {
    "gain": ("speakers_are_unplugged",),
    "onset": ("speakers_are_unplugged",),
    "noise": ("speakers_are_unplugged",),
    "response": ("volume_is_low",),
    "polarity": ("volume_is_low",),
    "match": ("volume_is_low",),
    "routing": ("volume_is_low",),
}
"""What a person says once, for each output, before a step is played or read."""

ENDED_BY: dict[str, str] = {
    "speakers_are_unplugged": "volume_is_low",
    "leads_are_free": "volume_is_low",
    "volume_is_low": "speakers_are_unplugged",
}
"""What a person said holds until this is said of the same output: who listened to a loudspeaker has connected
it again, and a tone at level must not find it there."""

SEEN: dict[str, str] = {
    "plan": "plan_seen",
    "stick": "tones_ready",
    "calibrate": "no_recorder",
    "volume": "volume_set",
    "routing": "routing_heard",
    "match": "match_heard",
}
"""What a person may say instead of a measurement, by step."""

STAIRCASE = Tone("staircase", 0.0, None, from_dbfs=-20.0, step_db=1.0, dwell_seconds=1.0)
"""The staircase of the tone sets: its plan is what `find_onset` takes unless told otherwise."""


@dataclass(frozen=True)
class _Car:
    """What every step is computed from."""

    job: OpenJob
    status: JobStatus
    counting: tuple[Reading, ...]

    @property
    def places(self) -> JobFolder:
        """What lies where in the job's folder."""
        return JobFolder(self.job.folder)

    def step_of_fault(self, fault: Remark) -> StepKind:
        """The step that a fault of an output contradicts."""
        number = fault.values.get("reading")
        told_by = next((each.kind for each in self.counting if each.number == number), "")
        return STEP_OF_FAULT.get(fault.code) or BELONGS.get(told_by, "gain")

    def confirmed(self, code: str, output: str | None) -> bool:
        """Whether a person confirmed it for that output, in this visit, and it still holds."""
        visit = self.job.readings[-1].visit if self.job.readings else None
        holds = False
        for each in self.counting:
            if each.kind != "confirm" or each.visit != visit:
                continue
            said, named = each.result.confirmed, output is None or output in each.outputs
            if said == code and named:
                holds = True
            elif said == ENDED_BY.get(code) and (named or not each.outputs):
                holds = False
        return holds


def job_steps(job: OpenJob) -> tuple[Step, ...]:
    """Every step of a job in the order of the way, as the record has it."""
    car = _Car(job, standing(job), tuple(each for each in job.readings if each.counts))
    steps: list[Step] = []
    for kind in WAY:
        if kind in ("response", "noise") and kind not in KINDS:
            continue  # the record has no line for it
        if kind in PER_OUTPUT:
            for place, (output, status) in enumerate(
                zip(job.system.outputs, car.status.outputs, strict=True), 1
            ):
                steps.append(_of_output(car, kind, f"{kind}-{place}", output, status))
        elif kind != "match" or len(job.system.outputs) > 1:
            steps.append(_of_car(car, kind))
    return tuple(steps)


def step_of(steps: Sequence[Step], key: str) -> Step:
    """The step of that key. Raises GainkitError (`unknown_step`)."""
    for each in steps:
        if each.key == key:
            return each
    raise GainkitError("unknown_step", "step", key, [each.key for each in steps])


def next_step(steps: Sequence[Step], after: str | None = None) -> Step:
    """The first step not settled after the one of that key; the page, which tells what is open, where none is;
    from there the first of all."""
    places = {each.key: place for place, each in enumerate(steps)}
    first = places.get(after, -1) + 1 if after is not None else 0
    return next((each for each in steps[first:] or steps if each.state != "settled"), steps[-1])


# ---- one step ----------------------------------------------------------------------------------------------


def _of_output(car: _Car, kind: StepKind, key: str, output: Output, status: OutputStatus) -> Step:
    plan = car.job.plan.channel(output.channel)
    faults = tuple(each for each in status.faults if car.step_of_fault(each) == kind)
    mine = readings_of(car.counting, output, car.job.system.outputs)
    numbers = tuple(each.number for each in mine if BELONGS.get(each.kind) == kind)
    needed = _confirmations(kind, plan)
    return Step(
        key=key,
        kind=kind,
        output=output.name,
        state=_state(_answered(kind, status, numbers), faults),
        needed=kind == "gain",
        tone=_tone(kind, plan),
        connect=tuple(_connect(kind, plan)),
        cautions=tuple(_cautions(kind, plan)),
        unconfirmed=tuple(code for code in needed if not car.confirmed(code, output.name)),
        ways=_ways(kind),
        told=_told(kind, status),
        faults=faults,
        readings=numbers,
        set_volts=status.set_volts if kind == "gain" else None,
        tolerance_db=car.status.tolerance_db if kind == "gain" else None,
    )


def _answered(kind: StepKind, status: OutputStatus, numbers: Sequence[int]) -> bool:
    if kind == "gain":
        return status.met is True
    return kind not in status.lacks if kind in ("onset", "polarity") else bool(numbers)


def _of_car(car: _Car, kind: StepKind) -> Step:
    faults = _car_faults(car, kind)
    numbers = tuple(each.number for each in car.counting if BELONGS.get(each.kind) == kind)
    answered = {
        "plan": False,
        "stick": car.places.index.is_file(),
        "calibrate": car.places.calibration.is_file(),
        "volume": car.status.source.highest_clean_position is not None,
        "routing": any(each.kind == "routing" and each.result.judged for each in car.counting),
        "match": all("match" not in each.lacks for each in car.status.outputs),
        "page": car.status.ok,
    }[kind] or (kind in SEEN and car.confirmed(SEEN[kind], None))
    accepted = kind == "plan" and answered  # its faults were on the screen when a person said so
    return Step(
        key=kind,
        kind=kind,
        output=None,
        state=_state(answered, () if accepted else faults),
        needed=kind == "page",
        tone=_tone(kind, None),
        connect=tuple(_connect(kind, None, car)),
        cautions=tuple(_cautions(kind, None)),
        unconfirmed=tuple(c for c in MUST_CONFIRM.get(kind, ()) if not car.confirmed(c, None)),
        ways=_ways(kind),
        told=_car_told(car, kind, answered),
        faults=faults,
        readings=numbers,
    )


def _car_told(car: _Car, kind: StepKind, answered: bool) -> Sentence | None:
    """How a step of the whole car stands, in a few words."""
    source = car.status.source
    if kind == "page":
        return car.status.headline
    if kind == "volume" and source.highest_clean_position is not None:
        return Sentence("large_volume", {"position": source.highest_clean_position})
    if kind == "calibrate" and car.places.calibration.is_file():
        full_scale = read_calibration(car.places.calibration).full_scale_volts
        return Sentence("large_calibrated", {"full_scale_volts": full_scale})
    routing = latest(car.counting, "routing")
    if kind == "routing" and routing is not None:
        return Sentence(large_routing(routing.result))
    trims = {each.name: each.trim_db for each in car.status.outputs if each.trim_db is not None}
    if kind == "match" and trims:
        return largest_trim(trims)
    return (
        Sentence("step_by_hand") if answered and kind in ("volume", "calibrate", "routing", "match") else None
    )


def _car_faults(car: _Car, kind: StepKind) -> tuple[Remark, ...]:
    """The car's faults that belong to a step; the page tells those that belong to none."""
    told = [each for each in car.status.problems if each.severity != "remark"]
    if kind == "match":
        told = [each for output in car.status.outputs for each in output.faults]
    if kind == "plan":
        told = [*car.job.plan.cautions, *(each for one in car.job.plan.channels for each in one.cautions)]
        return tuple(each for each in told if each.severity == "fault")
    return tuple(each for each in told if STEP_OF_FAULT.get(each.code, "page") == kind)


def _state(answered: bool, faults: Sequence[Remark]) -> StepState:
    if faults:
        return "contradicted"
    return "settled" if answered else "open"


def _confirmations(kind: StepKind, plan: ChannelPlan) -> tuple[str, ...]:
    floating = plan.bridged or plan.built_in
    leads = ("leads_are_free",) if floating and kind in ("gain", "onset", "noise", "response") else ()
    return (*MUST_CONFIRM.get(kind, ()), *leads)


def _ways(kind: StepKind) -> tuple[Way, ...]:
    ways: dict[StepKind, tuple[Way, ...]] = {
        "plan": ("seen",),
        "stick": ("write-tones", "seen"),
        "calibrate": ("capture", "meter-only"),
        "volume": ("positions", "seen"),
        "gain": ("capture", "volts"),
        "onset": ("capture",),
        "routing": ("capture", "heard"),
        "polarity": ("capture", "polarity"),
        "match": ("outputs", "heard"),
        "response": ("capture",),
        "noise": ("capture",),
        "page": (),
    }
    return ways[kind]


def _tone(kind: StepKind, plan: ChannelPlan | None) -> Tone | None:
    if kind == "gain" and plan is not None:
        return Tone("sine", plan.tone_dbfs, plan.tone_hz)
    if kind == "onset" and plan is not None:
        return Tone(**{**STAIRCASE.__dict__, "frequency_hz": plan.tone_hz})
    if kind == "polarity" and plan is not None:
        return Tone("chirps", -6.0, band=_chirps_for(plan.tone_hz), seconds=10.0)
    tones: dict[StepKind, Tone] = {
        "calibrate": Tone("sine", -12.0, 997.0),
        "volume": Tone("sine", 0.0, 997.0),
        "routing": Tone("beeps", -20.0),
        "match": Tone("noise", -20.0, seconds=10.0),
        "response": Tone("sweep", -20.0, band="full", seconds=10.0),
    }
    return tones.get(kind)


def _chirps_for(tone_hz: float) -> str:
    """The band of chirps for a loudspeaker whose gain is set with such a tone."""
    return "bass" if tone_hz < BASS_BELOW_HZ else "treble" if tone_hz > TREBLE_ABOVE_HZ else "midrange"


def _told(kind: StepKind, status: OutputStatus) -> Sentence | None:
    if kind == "gain":
        return status.verdict
    if kind == "onset" and status.onset_dbfs is not None:
        code = "large_distorts" if status.onset_by_bend else "large_onset"
        return Sentence(code, {"onset_dbfs": status.onset_dbfs})
    if kind == "polarity" and status.polarity is not None:
        return Sentence("large_polarity", {"polarity": status.polarity})
    return None


def _connect(kind: StepKind, plan: ChannelPlan | None, car: _Car | None = None) -> Iterable[Remark]:
    """What to connect and to do, in order."""
    if kind == "volume" and car is not None:
        position = car.job.system.source.clean_position
        yield remark("step_volume_positions")
        if position is not None:
            yield remark("step_volume_planned", position=position)
        return
    if kind == "gain" and plan is not None:
        yield remark("step_gain_connect", both_leads=plan.bridged or plan.built_in)
        yield remark("step_gain_turn", set_volts=plan.set_volts, built_in=plan.built_in)
        return
    yield remark(f"step_{kind}_do")


def _cautions(kind: StepKind, plan: ChannelPlan | None) -> Iterable[Remark]:
    """What may hurt at this step."""
    if plan is not None and kind in ("gain", "onset", "noise", "response"):
        steady = kind in ("gain", "onset")  # what a steady tone does matters only where one plays
        yield from (
            each
            for each in plan.cautions
            if each.severity == "danger" and (steady or each.code != "unplug_loudspeakers")
        )
    if kind == "onset":
        yield danger("step_load_gets_hot")
    if kind in ("polarity", "match", "routing", "response"):
        yield danger("step_loud_sounds")
    if kind in ("stick", "plan", "calibrate", "volume"):
        yield danger("step_speakers_off_first")
    yield remark("makers_come_first")
