"""Writes what a node boots with: `settings.json` from plant.toml, and a `secrets.json` to be filled in by hand."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from wheelpit.errors import WheelpitError
from wheelpit.node.boards import check_pins
from wheelpit.places import write_atomically
from wheelpit.plant import node_settings

if TYPE_CHECKING:
    from pathlib import Path

    from wheelpit.node.boards import BoardKind
    from wheelpit.plant import Plant

SETTINGS_FILE: Final = "settings.json"
SECRETS_FILE: Final = "secrets.json"
CERTIFICATES: Final = ("ca.der", "client.der", "client-key.der")
_SECRETS: Final = {"wifi_ssid": 32, "wifi_password": 63, "broker_user": 64, "broker_password": 128}


class NodeSettingsError(WheelpitError):
    """Settings that cannot be made or written: which and why."""


class Written(NamedTuple):
    """What was written. secrets_made: the template was not there before."""

    settings: Path
    secrets: Path
    secrets_made: bool


def pick_node(plant: Plant, node: str | None) -> str:
    """Return the node that is meant: the one named, or the only one of the plant.

    Raises:
        NodeSettingsError: The plant has several and none was named.
    """
    if node is not None:
        return node
    if len(plant.node_ids) != 1:
        msg = f"{plant.site.id} has the nodes {', '.join(plant.node_ids)}: say which with --node"
        raise NodeSettingsError(msg)
    return plant.node_ids[0]


class Network(NamedTuple):
    """How a node reaches the broker, as the node sees it.

    tls_name: the name that the broker's certificate is held to; None: the connection is not encrypted. certificate: the node
    shows one of its own. time_servers: asked for the time beside the host.
    """

    host: str
    port: int
    tls_name: str | None = None
    certificate: bool = False
    time_servers: tuple[str, ...] = ()


def settings_of(plant: Plant, node: str, board: BoardKind, network: Network) -> dict[str, Any]:
    """Return a node's settings, checked against its board.

    Raises:
        NoSuchNodeError: No sensor names the node.
        BoardError: A pin cannot do on this board what the plant asks of it.
    """
    if not network.host.strip():
        raise NodeSettingsError("--broker-host is empty: give the name or address of the broker")
    told = node_settings(plant, node, network.host, network.port)
    if network.tls_name is not None:
        told["tls"] = {"server_name": network.tls_name, "client_certificate": network.certificate}
    if network.time_servers:
        told["time"] = {"servers": list(network.time_servers)}
    if board.lamp is not None:
        told["lamp"] = board.lamp
    check_pins(told, board)
    return told


def as_bytes(told: dict[str, Any]) -> bytes:
    """Return settings as they lie on the board."""
    return (json.dumps(told, indent=2, ensure_ascii=False) + "\n").encode()


def secrets_template() -> bytes:
    """Return a `secrets.json` with every name and no value; what is not needed stays empty or is deleted."""
    return as_bytes(dict.fromkeys(_SECRETS, ""))


def read_secrets(file: Path) -> bytes:
    """Return a `secrets.json` as it lies on the board: checked as the node checks it, without what is empty.

    No error shows a value.

    Raises:
        NodeSettingsError: It cannot be read, is no JSON, or has a name or value that the node refuses.
    """
    try:
        told = json.loads(file.read_bytes())
    except OSError as error:
        msg = f"{file}: cannot be read ({error.strerror}); give a readable file"
        raise NodeSettingsError(msg) from error
    except ValueError as error:
        msg = f"{file}: is not JSON; write it again, from the template"
        raise NodeSettingsError(msg) from error
    if not isinstance(told, dict):
        msg = f"{file}: must hold one JSON object, as the template does"
        raise NodeSettingsError(msg)
    problems = [
        f"{file}: {name}: no such secret; known: {', '.join(_SECRETS)}"
        for name in told
        if name not in _SECRETS
    ]
    for name, most in _SECRETS.items():
        value = told.get(name, "")
        if not isinstance(value, str) or len(value) > most:
            problems.append(f"{file}: {name}: must be text of at most {most} characters, empty if not needed")
    if problems:
        raise NodeSettingsError("\n".join(problems))
    return as_bytes({name: value for name, value in told.items() if value})


def read_certificates(folder: Path, network: Network) -> dict[str, bytes]:
    """Return the certificates that a node needs, as they lie on the board, from what `wheelpit keys` made for it.

    Raises:
        NodeSettingsError: One of them is missing.
    """
    if network.tls_name is None:
        return {}
    found = {}
    for name in CERTIFICATES if network.certificate else CERTIFICATES[:1]:
        try:
            found[name] = (folder / name).read_bytes()
        except OSError as error:
            msg = f"{folder / name}: cannot be read ({error.strerror}); `wheelpit keys --tls-name` makes it"
            raise NodeSettingsError(msg) from error
    return found


def read_settings(file: Path) -> dict[str, Any]:
    """Read a settings.json that is to be sent; the node itself judges its fields.

    Raises:
        NodeSettingsError: It cannot be read, is no JSON object, or does not say for which node it is.
    """
    try:
        told = json.loads(file.read_bytes())
    except (OSError, ValueError) as error:
        msg = f"{file}: cannot be read as settings ({error}); give a settings.json"
        raise NodeSettingsError(msg) from error
    if not isinstance(told, dict) or not all(isinstance(told.get(key), str) for key in ("site", "node")):
        msg = f"{file}: must be one JSON object with site and node; give a settings.json"
        raise NodeSettingsError(msg)
    return told


def write(told: dict[str, Any], folder: Path) -> Written:
    """Write `settings.json` into a folder, and the template of `secrets.json` if there is none.

    A `secrets.json` that is there is never touched. The template can be read by its owner alone.

    Raises:
        NodeSettingsError: The folder cannot be written.
    """
    settings, secrets = folder / SETTINGS_FILE, folder / SECRETS_FILE
    try:
        write_atomically(settings, as_bytes(told).decode())
        settings.chmod(0o644)
        made = _make_private(secrets, secrets_template())
    except OSError as error:
        msg = f"{folder}: cannot be written ({error.strerror}); choose another --out"
        raise NodeSettingsError(msg) from error
    return Written(settings, secrets, made)


def _make_private(file: Path, data: bytes) -> bool:
    """Make a file that only its owner can read; leave one that is there alone."""
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return False
    with os.fdopen(handle, "wb") as opened:
        opened.write(data)
    return True
