"""What all screens of one job share: the step they are at, what was read and not kept, and the live reading.

Everything that counts is in the job's record; what is here can be lost with the program.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from gainkit.analysis import Measurement
from gainkit.bench.arrivals import Arrival, Drafts, stem_of
from gainkit.capture.calibration import Calibration
from gainkit.errors import GainkitError
from gainkit.files import write_whole
from gainkit.job.log import note_typed, void_reading
from gainkit.job.opening import OpenJob, open_job
from gainkit.job.places import JobFolder
from gainkit.job.record import Event, check_job
from gainkit.job.typed import Confirmed, TypedLevel, TypedPolarity
from gainkit.recorder import calibrate_recorder
from gainkit.remarks import Sentence
from gainkit.steps import Step, Taken, job_steps, look_at, next_step, step_of, take
from gainkit.steps.taking import Finding, keep, take_typed
from gainkit.steps.way import SEEN

SEVERAL = {"volume": 2, "match": 2}
"""Steps that want several recordings, and from how many on they are read."""

LIVE = 0
"""The number of the live reading among those that wait; it is kept as it stands at that moment."""


@dataclass(frozen=True)
class Pending:
    """A reading that waits for 'keep'. number : by which a screen says which one it saw. shown : names of the
    recordings it came from."""

    number: int
    taken: Taken
    look: Finding
    arrivals: tuple[Arrival, ...] = ()
    shown: tuple[str, ...] = ()


@dataclass(frozen=True)
class Kept:
    """What was kept last: the record's line (None for a calibration) and its step."""

    number: int | None
    key: str


@dataclass
class Live:
    """The live reading. state : "off", "on", "lost". found : what is measured, None while no tone is there.
    look, taken : as a reading of the current step, where it is one. problem : why it is lost."""

    state: str = "off"
    found: Measurement | None = None
    look: Finding | None = None
    taken: Taken | None = None
    device: str = ""
    problem: GainkitError | None = None


@dataclass
class Desk:
    """One job, shared by all screens; every method may be called from any thread.

    calibration : of the recorder, None: the job's own where there is one. simulated : whether readings come
    from the amplifier on paper.
    """

    folder: Path
    calibration: Path | None = None
    simulated: bool = False
    current: str = ""
    live: Live = field(default_factory=Live)
    version: int = 0
    live_version: int = 0
    kept: Kept | None = None
    fault: GainkitError | None = None

    def __post_init__(self) -> None:
        check_job(self.folder)
        self.lock = threading.RLock()
        self.listeners: list[Callable[[], None]] = []
        self._drafts = Drafts()
        self._pending: dict[str, Pending] = {}
        self._numbers = itertools.count(LIVE + 1)
        self._parts: dict[str, dict[str, Arrival]] = {}
        self._read: tuple[Any, OpenJob, tuple[Step, ...]] | None = None
        self._glanced: Any = None
        self.current = where_it_was(self.steps()).key

    # ---- what there is -------------------------------------------------------------------------------------

    def job(self) -> OpenJob:
        """The job as its files have it now."""
        return self._opened()[1]

    def steps(self) -> tuple[Step, ...]:
        """Its steps, computed from the record whenever that has changed."""
        return self._opened()[2]

    def step(self, key: str | None = None) -> Step:
        """A step by its key, the current one for None. Raises GainkitError (`unknown_step`)."""
        return step_of(self.steps(), self.current if key is None else key)

    def pending(self, key: str) -> Pending | None:
        """What waits for 'keep' at a step."""
        return self._pending.get(key)

    def parts(self, key: str) -> dict[str, Arrival]:
        """Recordings of a step that wants several, by position or output."""
        return dict(self._parts.get(key, {}))

    def calibration_file(self) -> Path | None:
        """The recorder's calibration that is used."""
        return self.calibration or self.places.known_calibration

    @property
    def places(self) -> JobFolder:
        """What lies where in the job's folder."""
        return JobFolder(self.folder)

    def glance(self) -> None:
        """Tell every screen when another program has written to the job."""
        with self.lock:
            moved = self._read is not None and self._read[0] != self._stamps()
            if not moved or self._glanced == self._stamps():
                return
            self._glanced = self._stamps()
        self.changed()

    def _stamps(self) -> list[tuple[int, int] | None]:
        job = self.places
        return [_stamp(each) for each in (job.record, job.system, job.calibration, job.index)]

    def _opened(self) -> tuple[Any, OpenJob, tuple[Step, ...]]:
        with self.lock:
            stamp = self._stamps()
            if self._read is None or self._read[0] != stamp:
                job = open_job(self.folder)
                self._read = (stamp, job, job_steps(job))
            return self._read

    # ---- what a person does --------------------------------------------------------------------------------

    def go(self, key: str) -> None:
        """Go to a step, whatever its state."""
        with self.lock:
            self.current = self.step(key).key
            self.live.look = self.live.taken = None
        self.changed()

    def go_on(self) -> None:
        """Go to the next step that is not settled."""
        with self.lock:
            self.current = next_step(self.steps(), self.current).key
            self.live.look = self.live.taken = None
        self.changed()

    def confirm(self, key: str, who: str | None = None) -> None:
        """Every caution of a step that is still to be confirmed, for its output."""
        with self.lock:
            step = self.step(key)
            for code in step.unconfirmed:
                note_typed(self.folder, step.output, Confirmed(code), who=who)
        self.changed()

    def seen(self, key: str, who: str | None = None) -> None:
        """A step that a person saw to by eye or ear; on to the next one."""
        step = self.ready(key)
        if step.kind not in SEEN:
            raise GainkitError("step_takes_no_capture", "step", step.key)
        self._done(note_typed(self.folder, None, Confirmed(SEEN[step.kind]), who=who).number, step.key)

    def typed(self, key: str, typed: TypedLevel | TypedPolarity) -> Pending:
        """A meter's reading or a polarity told by ear, judged and not kept yet."""
        step = self.ready(key)
        return self.wait(step, take_typed(step, typed))

    def arrived(
        self, key: str, data: bytes, shown: str = "", label: str = "", volts: float | None = None
    ) -> None:
        """A recording for a step. label : the volume position or the output. volts : a meter's reading."""
        step = self.ready(key)
        stem = stem_of(step.kind, step.output, label)
        calibration = None if step.kind == "calibrate" else self.calibration_file()
        arrival = self._drafts.arrive(data, shown, stem, self.places.captures, calibration)
        try:
            self._arrived(step, arrival, label, volts)
        except GainkitError:
            if arrival not in self._parts.get(step.key, {}).values():
                arrival.drop()
            raise

    def _arrived(self, step: Step, arrival: Arrival, label: str, volts: float | None) -> None:
        if step.kind == "calibrate":
            self.wait(step, _calibrated(arrival, volts), (arrival,))
        elif step.kind in SEVERAL:
            self._one_of_several(step, arrival, label)
        else:
            self.wait(step, take(step, self.job(), [arrival.capture]), (arrival,))

    def _one_of_several(self, step: Step, arrival: Arrival, label: str) -> None:
        """Collect recordings by position or output, and read them together from the second on."""
        if not label.strip():
            raise GainkitError("missing", "positions" if step.kind == "volume" else "for_output")
        if step.kind == "match":
            label = self.job().system.output(label).name
        parts = self._parts.setdefault(step.key, {})
        name = label.strip()[:40]
        if name in parts:
            parts[name].drop()
        parts[name] = arrival
        if len(parts) < SEVERAL[step.kind]:
            self.changed()
            return
        captures = [each.capture for each in parts.values()]
        self.wait(step, take(step, self.job(), captures, list(parts)), tuple(parts.values()))

    def keep(self, key: str, who: str | None = None, seen: int | None = None) -> None:
        """Write what waits at a step to the record; the live reading where nothing waits.

        seen : number of the reading that the person saw, None: whichever waits. Raises GainkitError
        (`reading_replaced`) where another screen or program has sent one since.
        """
        with self.lock:
            step = self.ready(key)
            pending = self._pending.get(key) or self._pending_live(step)
            if pending is None:
                raise GainkitError("nothing_to_keep")
            _same(pending, seen)
            places = tuple(each.keep() for each in pending.arrivals)
            if isinstance(pending.taken.result, Calibration):
                text = pending.taken.result.as_toml()
                write_whole(self.places.calibration, text, overwrite=True)
                number = None
            else:
                number = self._write(replace(pending.taken, captures=places), who).number
            self._forget(key)
            self._done(number, key)

    def drop(self, key: str, seen: int | None = None) -> None:
        """Forget what waits at a step. seen : as for `keep`."""
        with self.lock:
            pending = self._pending.get(self.step(key).key)
            if pending is not None:
                _same(pending, seen)
            self._forget(key)
        self.changed()

    def undo(self, number: int, who: str | None = None) -> None:
        """Void a line of the record, and go back to its step."""
        with self.lock:
            steps = self.steps()
            void_reading(self.folder, number, "undone", who=who)
            place = next((each.key for each in steps if number in each.readings), None)
            self.current = place or self.current
            self.kept = None
        self.changed()

    def write_tones(self, who: str | None = None) -> None:
        """The phone set of tones into the job's own folder."""
        from gainkit.toneset.writing import write_tones

        step = self.step("stick")
        write_tones("phone", self.places.stick, overwrite=True)
        self._done(None, step.key)

    # ---- the live reading ----------------------------------------------------------------------------------

    def show_live(self, reading: Measurement | GainkitError, device: str = "") -> None:
        """A live reading at the current step; a fault of the window shows as 'waiting'."""
        with self.lock:
            step = self.step()
            look = taken = None
            if isinstance(reading, Measurement) and step.kind == "gain" and not step.unconfirmed:
                taken = Taken("measure", (step.output or "",), reading, "live")
                look = look_at(step, self.job(), taken)
            appeared = self.live.state != "on"
            self.live = Live("on", reading if isinstance(reading, Measurement) else None, look, taken, device)
            self.live_version += 1
        self.changed() if appeared else self._tell()

    def lose_live(self, problem: GainkitError) -> None:
        """The interface went away, or cannot be opened. It is tried again and again, and told once."""
        with self.lock:
            before = self.live
            self.live = Live("lost", problem=problem)
        if before.problem is None or before.problem.code != problem.code:
            self.changed()

    def _pending_live(self, step: Step) -> Pending | None:
        live = self.live
        if live.taken is None or live.look is None or step.output not in live.taken.outputs:
            return None
        return Pending(LIVE, live.taken, live.look)

    # ---- inside --------------------------------------------------------------------------------------------

    def ready(self, key: str) -> Step:
        """A step whose cautions are confirmed. Raises GainkitError (`not_confirmed`)."""
        step = self.step(key)
        if step.unconfirmed:
            raise GainkitError("not_confirmed", "step", step.output or step.key)
        return step

    def wait(self, step: Step, taken: Taken, arrivals: tuple[Arrival, ...] = ()) -> Pending:
        """Judge a reading and hold it until it is kept or dropped."""
        look = _calibration_look(taken) or look_at(step, self.job(), taken)
        pending = Pending(next(self._numbers), taken, look, arrivals, tuple(each.shown for each in arrivals))
        with self.lock:
            before = self._pending.get(step.key)
            for each in before.arrivals if before else ():
                if each not in arrivals:
                    each.drop()
            self._pending[step.key] = pending
        self.changed()
        return pending

    def _write(self, taken: Taken, who: str | None) -> Event:
        return keep(self.job(), taken, who)

    def _forget(self, key: str) -> None:
        with self.lock:
            pending = self._pending.pop(key, None)
            parts = self._parts.pop(key, {})
        for each in [*(pending.arrivals if pending else ()), *parts.values()]:
            each.drop()

    def _done(self, number: int | None, key: str) -> None:
        """Remember what was kept; on to the next step where this one is settled."""
        with self.lock:
            self.kept = Kept(number, key)
            if self.current == key and self.step(key).state == "settled":
                self.current = next_step(self.steps(), key).key
            self.live.look = self.live.taken = None
        self.changed()

    def fail(self, fault: GainkitError) -> None:
        """Show a fault of something that no screen asked for, until anything else changes."""
        self.changed(fault)

    def changed(self, fault: GainkitError | None = None) -> None:
        """Tell every screen that something is other than it was."""
        with self.lock:
            self.version += 1
            self.fault = fault
        self._tell()

    def _tell(self) -> None:
        for each in list(self.listeners):
            each()

    def close(self) -> None:
        """Forget all that was not kept."""
        self._drafts.close()


def where_it_was(steps: Sequence[Step]) -> Step:
    """The step at which a job that is opened again goes on: that of the last reading, or the next open one."""
    last = max(steps, key=lambda each: max(each.readings, default=0))
    if not last.readings:
        return next_step(steps)
    return last if last.state != "settled" else next_step(steps, last.key)


def _same(pending: Pending, seen: int | None) -> None:
    if seen is not None and seen != pending.number:
        raise GainkitError("reading_replaced")


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size


def _calibrated(arrival: Arrival, volts: float | None) -> Taken:
    if volts is None:
        raise GainkitError("missing", "reading_volts")
    return Taken("calibrate", (), calibrate_recorder(arrival.capture, volts))


def _calibration_look(taken: Taken) -> Finding | None:
    known = taken.result
    if not isinstance(known, Calibration):
        return None
    large = Sentence("large_calibrated", {"full_scale_volts": known.full_scale_volts})
    return Finding(large, None, None, (), (), known.notes)
