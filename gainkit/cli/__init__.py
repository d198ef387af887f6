"""Commands: read options, call one room, show the answer."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path


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
        return refuse(*_device_words(fault))
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
        if "is not a valid float" in message:
            return refuse(message, "Give a number with a decimal point and without its unit, like 75.5.")
        return refuse(message, f"See '{command} --help' for what it takes.")


def _device_words(fault: OSError) -> tuple[str, str]:
    """What a device said, and how to mend it; a draft's own name means nothing to anyone: its folder stands for
    it."""
    path = Path(str(fault.filename)) if fault.filename else None
    if path is not None and path.name.startswith(".") and ".part" in path.name:
        path = path.parent
    place = f"{path}: " if path is not None else ""
    problem = f"{place}{fault.strerror or fault}."
    if fault.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return problem, "Choose a folder that you may write to."
    if fault.errno == errno.ENOSPC:
        return problem, "Free some room on the device, or write elsewhere."
    return problem, "Check that the path exists and has room."


def refuse(problem: str, remedy: str, status: int = 2) -> int:
    """Say what is wrong and how to mend it on standard error."""
    print(f"Problem: {problem}\nRemedy:  {remedy}", file=sys.stderr)
    return status
