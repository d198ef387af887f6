"""`gainkit bench`: the whole job guided, in a browser or in the terminal."""

from __future__ import annotations

import contextlib
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gainkit.cli.common import tell

if TYPE_CHECKING:
    from gainkit.bench.desk import Desk
    from gainkit.bench.serve import Opened
    from gainkit.steps import Step


def register(app: typer.Typer) -> None:
    """Add `bench` to the tree."""
    app.command("bench")(bench)


def bench(
    job: Annotated[Path, typer.Argument(metavar="JOB", help="Job folder.")],
    phone: Annotated[
        bool, typer.Option("--phone", help="Serve the local network too, and show a code for a phone.")
    ] = False,
    device: Annotated[
        str | None, typer.Option("--device", help="Read this interface live: name or number.")
    ] = None,
    live: Annotated[bool, typer.Option("--live", help="Read the system's own interface live.")] = False,
    calibration: Annotated[
        Path | None, typer.Option("--calibration", help="Of the recorder [the job's recorder.toml].")
    ] = None,
    watch: Annotated[
        Path | None, typer.Option("--watch", metavar="FOLDER", help="Read every capture saved here.")
    ] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65_535, help="Port [any that is free].")] = 0,
    terminal: Annotated[bool, typer.Option("--terminal", help="Here, instead of in a browser.")] = False,
    simulate: Annotated[
        bool, typer.Option("--simulate", help="A simulated amplifier with a knob to turn, in its own job.")
    ] = False,
) -> None:
    """Guide the whole job, step by step, in a browser beside the amplifier.

    The page shows one thing large: what to turn. Readings come from a meter, typed, from files, from a watched
    folder or live from an interface; what is kept goes to the job's record. Ctrl-C ends it; it goes on where it
    was when it is started again.
    """
    from gainkit.job.folder import start_job

    if simulate and not job.exists():
        start_job(job)
    if terminal:
        from gainkit.bench.desk import Desk

        desk = Desk(job, calibration=calibration)
        try:
            Face(desk).run()
        finally:
            desk.close()
        return
    from gainkit.bench.serve import ServeOptions, opened
    from gainkit.live import check_library

    if live or device is not None:
        check_library()
    asked = ServeOptions(job, phone, device, live, calibration, watch, port, simulate)
    with opened(asked) as running:
        print(_addresses_text(running.addresses), flush=True)
        with contextlib.suppress(KeyboardInterrupt):  # the way to end it
            running.serve()


def _addresses_text(addresses: Opened) -> str:
    from gainkit.bench.serve import code_text

    lines = [f"On this machine:  {addresses.local}"]
    if addresses.phone is not None:
        lines += [f"On the phone:     {addresses.phone}", "", code_text(addresses.phone)]
        lines.append("Everyone in this network can reach the page's door; the code opens it once.")
    return "\n".join([*lines, "Each address opens once. Ctrl-C ends."])


HELP = """\
  16.4          the meter's volts            + or -   polarity as told by ear or tester
  FILE          a recording or a trace       31=FILE  one of several (position or output)
  y             cautions confirmed, or done by eye or ear
  k  keep       d  leave it       u  undo    n  next open step
  l  list       g KEY  go there   s  status  q  quit"""


class Face:
    """The guided job in the terminal: the same desk as the page's."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def run(self) -> None:
        """Ask until there is no more input."""
        tell(HELP)
        shown = ""
        while True:
            step = self.desk.step()
            if step.key != shown:
                tell(self.step_text(step))
                shown = step.key
            try:
                words = input(f"{step.key}> ").strip()
            except (EOFError, KeyboardInterrupt):
                print()
                return
            if words == "q":
                return
            shown = self.answer(step, words) or shown

    def answer(self, step: Step, words: str) -> str | None:
        """Do what was typed; '' shows the step again."""
        from gainkit.cli.door import fault_text
        from gainkit.errors import GainkitError

        try:
            return self._do(step, words)
        except GainkitError as fault:
            tell(fault_text(fault))
            return None

    def _do(self, step: Step, words: str) -> str | None:
        from gainkit.job.typed import TypedLevel, TypedPolarity

        desk, key = self.desk, step.key
        volts = _number(words)
        if words == "y":
            desk.confirm(key) if step.unconfirmed else desk.seen(key)
            return ""
        if words in ("+", "-"):
            desk.typed(key, TypedPolarity("positive" if words == "+" else "negative"))
            self._waiting(key)
        elif volts is not None:
            desk.typed(key, TypedLevel(volts))
            self._waiting(key)
        elif words in ("k", "d", "n", "u"):
            self._keep_or_not(step, words)
            return ""
        elif words.startswith("g "):
            desk.go(words[2:].strip())
        elif words == "l":
            tell(self.list_text())
        elif words == "s":
            tell(self.step_text(self.desk.step("page")))
        elif words:
            self._file(key, words)
        return None

    def _keep_or_not(self, step: Step, word: str) -> None:
        from gainkit.errors import GainkitError

        if word == "k":
            self.desk.keep(step.key)
            kept = self.desk.kept
            if kept is not None and kept.number is not None:
                tell(f"Kept as {kept.number}.")
        elif word == "d":
            self.desk.drop(step.key)
        elif word == "n":
            self.desk.go_on()
        else:
            kept = self.desk.kept
            number = kept.number if kept is not None and kept.number is not None else None
            number = number or (step.readings[-1] if step.readings else None)
            if number is None:
                raise GainkitError("nothing_to_undo")
            self.desk.undo(number)
            tell(f"{number} does not count any more.")

    def _file(self, key: str, words: str) -> None:
        from gainkit.capture.sniff import read_head

        label, equals, name = words.partition("=")
        path = Path(name if equals else words).expanduser()
        read_head(path)  # says what is wrong with a path
        volts = _number(label) if equals and key == "calibrate" else None
        self.desk.arrived(key, path.read_bytes(), path.name, label if equals else "", volts)
        self._waiting(key)

    def _waiting(self, key: str) -> None:
        """What the reading that waits says."""
        from gainkit.bench.view import look_view

        pending = self.desk.pending(key)
        told = look_view(pending.look if pending else None)
        if told is None:
            tell("One of several: give the next.")
            return
        rows = [f"=== {told['large']} ===", " · ".join(told["figures"])]
        rows += [f"  - {each['text']}" for each in told["remarks"]]
        tell("\n".join([_wrapped(each) for each in rows if each] + ["k keeps it, d leaves it."]))

    def step_text(self, step: Step) -> str:
        """A step for a person."""
        from gainkit.bench.view import step_view
        from gainkit.words.steps import STATES

        told = step_view(step)
        lines = ["", f"{told['title']} {told['output'] or ''}".strip() + f"   [{STATES[step.state]}]"]
        lines += [f"  target {told['target']} {told['tolerance']}"] if told["target"] else []
        lines += [f"  stands: {told['told']}"] if told["told"] else []
        lines += [f"  {told['tone']['text']}"] if told["tone"] else []
        if told["confirm"]:
            lines += ["CONFIRM with y:", *(f"  ! {each}" for each in told["confirm"])]
        lines += [f"  ! {each['text']}" for each in told["cautions"] if each["severity"] == "danger"]
        lines += [f"  - {each}" for each in told["connect"]]
        lines += [f"  y: {told['seen']}"] if told["seen"] else []
        return "\n".join(_wrapped(each) for each in lines)

    def list_text(self) -> str:
        """Every step with its state."""
        from gainkit.cli.plain import columns
        from gainkit.words.steps import STATES, TITLES

        rows = [
            (each.key, TITLES[each.kind], each.output or "", STATES[each.state]) for each in self.desk.steps()
        ]
        return columns(("step", "", "output", "stands"), rows)


def _number(words: str) -> float | None:
    """Volts that were typed; None for what is no figure."""
    from gainkit.errors import GainkitError
    from gainkit.figures_typed import parse_figure

    try:
        return parse_figure(words, "V")
    except GainkitError:
        return None


def _wrapped(line: str) -> str:
    from gainkit.cli.plain import width

    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return "\n".join(textwrap.wrap(line, width(), subsequent_indent=indent)) if line else ""
