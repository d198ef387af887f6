"""Starting and ending the server, and the addresses under which screens find it."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from gainkit.errors import GainkitError

if TYPE_CHECKING:
    import uvicorn

    from gainkit.bench.app import Bench
    from gainkit.bench.lines import Lines

MOST_CONNECTIONS = 300
"""More than all screens open at a time with all their streams [-]."""
STREAM_SECONDS = 2
"""Streams get so long to end when the server stops [s]."""


@dataclass(frozen=True)
class ServeOptions:
    """What a bench is asked for. port : 0: any that is free."""

    job: Path
    phone: bool = False
    device: str | None = None
    live: bool = False
    calibration: Path | None = None
    watch: Path | None = None
    port: int = 0
    simulate: bool = False


@dataclass(frozen=True)
class Opened:
    """The addresses of one run, each of which opens once. phone : None unless asked for."""

    local: str
    phone: str | None
    port: int


@dataclass(frozen=True)
class Running:
    """A bench that is ready. serve : serves it until it is told to stop, or Ctrl-C. stop : tells it, from any
    thread."""

    bench: Bench
    addresses: Opened
    serve: Callable[[], None]
    stop: Callable[[], None]


@contextlib.contextmanager
def opened(asked: ServeOptions) -> Iterator[Running]:
    """The bench of a job, its sources started, its port taken.

    Raises GainkitError for a folder that is no job, a port in use, a missing extra.
    """
    _check_extra()
    from gainkit.bench.addresses import LOCAL, Addresses
    from gainkit.bench.app import Bench
    from gainkit.bench.desk import Desk
    from gainkit.bench.keys import Keys
    from gainkit.bench.lines import Lines
    from gainkit.bench.simulated import Simulation, mark_simulated, refuse_simulated
    from gainkit.bench.sources import LiveFeed, WatchedFolder, open_interface

    desk = Desk(asked.job, calibration=asked.calibration, simulated=asked.simulate)
    simulation = Simulation(desk) if asked.simulate else None
    mark_simulated(desk) if simulation is not None else refuse_simulated(desk)
    channels = 2 if any(each.bridged or each.built_in for each in desk.job().plan.channels) else 1
    wants_live = (asked.live or asked.device is not None) and not asked.simulate
    feed = LiveFeed(desk, lambda: open_interface(asked.device, channels)) if wants_live else None
    watched = None if asked.watch is None else WatchedFolder(desk, asked.watch)
    listening = _socket("0.0.0.0" if asked.phone else LOCAL, asked.port)
    port = listening.getsockname()[1]
    addresses, keys, lines = Addresses(port, asked.phone), Keys(), Lines()
    bench = Bench(desk, keys, addresses, lines=lines, feed=feed, simulation=simulation)
    network = addresses.network()
    first = Opened(
        local=f"http://{LOCAL}:{port}/open?key={keys.fresh(None)}",
        phone=f"http://{network}/open?key={keys.fresh(None)}" if network else None,
        port=port,
    )
    server = _server(bench, lines)
    try:
        for source in (feed, watched):
            if source is not None:
                source.start()
        yield Running(bench, first, lambda: server.run(sockets=[listening]), lambda: _stop(server, bench))
    finally:
        bench.close()
        for source in (feed, watched):
            if source is not None:
                source.close()
        listening.close()
        desk.close()


def _stop(server: uvicorn.Server, bench: Bench) -> None:
    bench.close()
    server.should_exit = True


def _server(bench: Bench, lines: Lines) -> uvicorn.Server:
    """Uvicorn without its log: an address holds its key."""
    import uvicorn

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: object) -> None:
            bench.close()  # streams end first: the server waits for them
            super().handle_exit(sig, frame)  # type: ignore[arg-type]

    return Server(
        uvicorn.Config(
            bench.app, log_level="critical", access_log=False, server_header=False, http=lines.protocol(),
            ws="none", lifespan="off", limit_concurrency=MOST_CONNECTIONS, timeout_keep_alive=5,
            h11_max_incomplete_event_size=16_384, timeout_graceful_shutdown=STREAM_SECONDS, proxy_headers=False,
        )
    )  # fmt: skip


def _socket(host: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(64)
    except (OSError, OverflowError) as fault:
        listening.close()
        raise GainkitError("address_in_use", "port", port) from fault
    return listening


def _check_extra() -> None:
    try:
        import segno
        import starlette
        import uvicorn
        import watchfiles
    except ImportError as fault:
        raise GainkitError("needs_extra", extra="bench") from fault
    del segno, starlette, uvicorn, watchfiles


def code_text(address: str) -> str:
    """The code of an address, for a terminal."""
    import io

    import segno

    out = io.StringIO()
    segno.make(address, error="l").terminal(out=out, compact=True)
    return out.getvalue()
