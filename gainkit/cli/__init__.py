"""Commands: read options, call one room, show the answer."""

from __future__ import annotations

import sys


def main() -> None:
    """Run gainkit; the one place where a user's fault becomes a message and an exit status."""
    from gainkit.cli.app import app
    from gainkit.errors import GainkitError

    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a Windows console must not die of a sign it cannot show
            stream.reconfigure(errors="replace")
    try:
        app(prog_name="gainkit")
    except GainkitError as fault:
        print(f"Problem: {fault.problem}\nRemedy:  {fault.remedy}", file=sys.stderr)
        raise SystemExit(2) from None
    except BrokenPipeError:
        raise SystemExit(0) from None
    except OSError as fault:
        place = f"{fault.filename}: " if fault.filename else ""
        print(
            f"Problem: {place}{fault.strerror or fault}.\n"
            "Remedy:  Check that the path exists, may be written and has room.",
            file=sys.stderr,
        )
        raise SystemExit(2) from None
