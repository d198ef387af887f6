"""Under which names the server answers. They follow the network: in another one a laptop has another."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass

LOCAL = "127.0.0.1"


def network_address() -> str | None:
    """This machine's address in the network that a phone is in; None without one. Nothing is sent."""
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737): only the route is asked
            return str(probe.getsockname()[0])
        except OSError:
            return None


@dataclass(frozen=True)
class Addresses:
    """Hosts of one run. phone : whether other machines may come in. find : the address in the network as it is
    now, None without one."""

    port: int
    phone: bool = False
    find: Callable[[], str | None] = network_address

    def network(self) -> str | None:
        """What another screen opens now, host and port; None: none but this machine."""
        address = self.find() if self.phone else None
        return None if address is None else f"{address}:{self.port}"

    def hosts(self) -> frozenset[str]:
        """What a request may name as its host: never a name that somebody else could point here."""
        network = self.network()
        own = {f"{LOCAL}:{self.port}", f"localhost:{self.port}"}
        return frozenset(own if network is None else {*own, network})
