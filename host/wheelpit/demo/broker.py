"""The demo's broker: embedded, on loopback, forgetting everything when it ends.

That it forgets is harmless: a node keeps each record until the host's receipt, never until the broker's.
A real site runs a broker of its own with passwords and one access list per node.
"""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING, Final

from iotcore import Broker

from wheelpit.errors import WheelpitError
from wheelpit.places import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

# The broker keeps a log per subscription; small segments keep the whole demo small in memory.
_CONFIG: Final = """\
id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 4
"""
# It speaks MQTT 3.1.1 (the node) and MQTT 5 (the host) on one port each.
_LISTENER: Final = """
[{version}.1]
name = "{version}"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[{version}.1.connections]
connection_timeout_ms = 60000
max_payload_size = 65536
max_inflight_count = 100
dynamic_filters = true
"""


def free_ports(count: int) -> list[int]:
    """Return loopback ports that are free now, below the range from which systems pick for clients.

    A client that polls a closed port inside that range can connect to itself.
    """
    found: list[int] = []
    for port in range(18830, 32000):
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        found.append(port)
        if len(found) == count:
            return found
    raise WheelpitError("no free ports on 127.0.0.1 between 18830 and 32000: close some programs")


def start_broker(state: Path, node_port: int, host_port: int) -> Broker:
    """Start the broker in a child process and return once it accepts connections."""
    config = state / "broker.toml"
    write_atomically(
        config,
        _CONFIG
        + _LISTENER.format(version="v4", port=node_port)
        + _LISTENER.format(version="v5", port=host_port),
    )
    broker = Broker(config_path=str(config))
    try:
        return broker.start()
    except (OSError, RuntimeError) as error:
        msg = f"the demo's broker did not start on ports {node_port} and {host_port}: {error}"
        raise WheelpitError(msg) from error
