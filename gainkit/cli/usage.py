"""Faults of the call itself and of the machine, as the same data as any other fault."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gainkit.cli.door import python_name

if TYPE_CHECKING:
    from gainkit.errors import GainkitError


def usage_fault(fault: Any) -> GainkitError:
    """What typer has against a call: an unknown option, a missing one, one that cannot be read."""
    from gainkit.errors import GainkitError

    context = getattr(fault, "ctx", None)
    command = context.command_path if context is not None else "gainkit"
    values = {"told": _told(fault), "help": f"'{command} --help'"}
    parameter = _parameter(fault)
    kind = type(fault).__name__
    if kind == "NoSuchOption":
        return GainkitError("unknown_option", parameter, allowed=fault.possibilities or None, **values)
    if kind == "MissingParameter":
        return GainkitError("missing_option", parameter, **values)
    if "is not a valid float" in values["told"] or "is not a valid int" in values["told"]:
        return GainkitError("not_a_number", parameter, fault.message.split("'")[1], "a number")
    return GainkitError("usage", parameter, **values)


def _told(fault: Any) -> str:
    """Its own sentence, ended."""
    message = str(fault.format_message()).rstrip(".")
    return message if message.endswith("?") else message + "."


def _parameter(fault: Any) -> str | None:
    """The option or argument it is about, by its name in Python."""
    option = getattr(fault, "option_name", None) or getattr(fault, "param_hint", None)
    if isinstance(option, str):
        return python_name(option)
    known = getattr(fault, "param", None)
    return None if known is None else python_parameter(known)


def python_parameter(known: Any) -> str:
    """The name in Python of one of typer's parameters."""
    options = [each for each in getattr(known, "opts", ()) if each.startswith("--")]
    return python_name(options[0]) if options else str(known.name).strip("_")


def device_fault(fault: OSError) -> GainkitError:
    """What a device or file system said; a draft's own name tells no one anything: its folder stands for it."""
    from gainkit.errors import GainkitError

    path = Path(str(fault.filename)) if fault.filename else None
    if path is not None and path.name.startswith(".") and ".part" in path.name:
        path = path.parent
    if fault.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        hindrance = "permission"
    else:
        hindrance = "room" if fault.errno == errno.ENOSPC else "other"
    error = GainkitError("device", told=fault.strerror or str(fault), hindrance=hindrance)
    return error if path is None else error.within("file", path)
