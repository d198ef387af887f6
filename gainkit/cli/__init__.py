"""Commands: read options, call one room, show the answer."""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run gainkit; the one place where a user's fault becomes a message and an exit status."""
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        os.environ.setdefault(name, "1")  # our matrices are small: more threads only wait for each other
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a Windows console must not die of a sign it cannot show
            stream.reconfigure(errors="replace")
    raise SystemExit(run())


def run() -> int:
    """Run the command line; 0 done, 1 done and the answer is 'no', 2 unusable input or call."""
    import typer

    from gainkit.cli.app import command_tree
    from gainkit.errors import GainkitError

    try:
        status = command_tree(sys.argv[1:])(prog_name="gainkit", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except GainkitError as fault:
        return refuse(fault.problem, fault.remedy)
    except (typer.Abort, KeyboardInterrupt):
        return refuse("Stopped by hand.", "Run the same command again to go on.", status=130)
    except BrokenPipeError:  # the reader of our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as fault:
        place = f"{fault.filename}: " if fault.filename else ""
        return refuse(f"{place}{fault.strerror or fault}.", "Check that the path exists and has room.")
    except Exception as fault:
        if not hasattr(fault, "format_message"):  # typer's own faults of usage have it in every version
            raise
        context = getattr(fault, "ctx", None)
        command = context.command_path if context is not None else "gainkit"
        message = fault.format_message().rstrip(".")
        if message.startswith("Usage:"):  # called with no command at all: the help is the answer
            print(message, file=sys.stderr)
            return 2
        message += "" if message.endswith("?") else "."
        return refuse(message, f"See '{command} --help' for what it takes.")


def refuse(problem: str, remedy: str, status: int = 2) -> int:
    """Say what is wrong and how to mend it on standard error."""
    print(f"Problem: {problem}\nRemedy:  {remedy}", file=sys.stderr)
    return status
