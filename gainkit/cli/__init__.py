"""Commands: read options, call one room, show the answer."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gainkit.errors import GainkitError


STOPPED = 130
"""Exit status of what was stopped by hand: 128 and the number of SIGINT, as shells have it."""


def main() -> None:
    """Run gainkit; the one place where a user's fault becomes a message and an exit status."""
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        os.environ.setdefault(name, "1")  # our matrices are small: more threads only wait for each other
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a Windows console must not die of a sign it cannot show
            stream.reconfigure(errors="replace")
    try:
        status = run()
    except KeyboardInterrupt:  # before the command line stood: there is nothing to be said of it
        print("Stopped.", file=sys.stderr)
        status = STOPPED
    raise SystemExit(status)


def run() -> int:
    """Run the command line; 0 done, 1 done and the answer is 'no', 2 unusable input or call."""
    from gainkit.cli.help import asks_for_all, help_page, plain_words
    from gainkit.errors import GainkitError

    arguments = plain_words(sys.argv[1:])
    try:
        if asks_for_all(arguments):
            print(help_page(), file=sys.stdout if arguments else sys.stderr, flush=True)
            return 0 if arguments else 2
        return _commanded(arguments)
    except GainkitError as fault:
        return refuse(fault, status=STOPPED if fault.code == "writing_stopped" else 2)
    except KeyboardInterrupt:
        return refuse(GainkitError("stopped"), status=STOPPED)
    except BrokenPipeError:  # the reader of our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as fault:
        from gainkit.cli.usage import device_fault

        return refuse(device_fault(fault))


def _commanded(arguments: list[str]) -> int:
    """Run one command; its exit status. Faults of usage are told here, for only typer knows them."""
    import typer
    from typer.main import get_command

    from gainkit.cli import common
    from gainkit.cli.app import command_tree
    from gainkit.cli.typed import accept_typed_figures, joined_units
    from gainkit.cli.usage import usage_fault
    from gainkit.errors import GainkitError

    common.begin()
    arguments = joined_units(arguments)
    try:
        tree = get_command(command_tree(arguments))
        accept_typed_figures(tree)
        status = tree(arguments, prog_name="gainkit", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except typer.Abort:
        raise KeyboardInterrupt from None
    except (GainkitError, OSError):
        raise
    except Exception as fault:
        if not hasattr(fault, "format_message"):  # typer's own faults of usage have it in every version
            raise
        message = fault.format_message()
        if message.startswith("Usage:"):  # called with no command at all: the help is the answer
            print(message.rstrip("."), file=sys.stderr)
            return 2
        return refuse(usage_fault(fault))


def refuse(fault: GainkitError, status: int = 2) -> int:
    """Say what is wrong and how to mend it on standard error; for a script also as the one JSON object, unless
    the answer is out already."""
    from gainkit.cli import common
    from gainkit.cli.door import fault_facts, fault_text

    if "--json" in sys.argv[1:] and not common.answered():
        from gainkit.results import to_json

        print(to_json({"error": fault_facts(fault)}), flush=True)
    common.tell(fault_text(fault), file=sys.stderr)
    return status
