"""Makes a broker's files for a site: its configuration, a password for each node and the host, who may say what.

Passwords are random and each is used in one place (ETSI EN 303 645, provision 5.1-1). The broker keeps only their
hashes. Making the files again keeps the passwords that are there, so a node that is added changes nothing for the
others; a password whose file was deleted is made anew.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Final

from wheelpit.broker import authority
from wheelpit.contract import topics
from wheelpit.errors import WheelpitError
from wheelpit.places import write_atomically

if TYPE_CHECKING:
    from collections.abc import Sequence

TEMPLATE: Final = Path(__file__).with_name("mosquitto.conf")
# 192 random bits cannot be guessed, so the hash need not be slow: the broker works it out at each connection, and
# serves nobody else meanwhile.
_PASSWORD_BYTES: Final = 24
_ITERATIONS: Final = 1000
# The length that every version of the broker takes.
_SALT_BYTES: Final = 12


_PLAIN: Final = "\n\n# Not encrypted, and reached from this machine only.\nlistener {port} 127.0.0.1"


class KeysError(WheelpitError):
    """The broker's files cannot be made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Encryption:
    """An encrypted listener: for which names and addresses of the broker, and whether nodes must show certificates.

    With certificates required, the host needs one as well; passwords stay, since they say who may speak of what.
    plain_port: of a second listener, not encrypted, which only this machine reaches.
    """

    names: tuple[str, ...]
    require_certificates: bool = False
    plain_port: int | None = None


@dataclass(frozen=True, slots=True)
class Made:
    """Where the files are, whose passwords are new, and the authority's certificate where there is one."""

    config: Path
    host_password: Path
    node_secrets: dict[str, Path]
    new: tuple[str, ...]
    ca: Path | None = None
    certificates: tuple[str, ...] = ()  # for whom one was made


def host_user(site: str) -> str:
    """Return the name under which the broker knows the host of a site."""
    return f"{site}.{topics.HOST}"


def node_user(site: str, node: str) -> str:
    """Return the name under which the broker knows a node; ids hold no dot, so no two of them are equal."""
    return f"{site}.{node}"


def hashed(password: str, salt: bytes, iterations: int = _ITERATIONS) -> str:
    """Return a password as mosquitto's password file has it: `$7$`, PBKDF2 with HMAC-SHA-512, 64 bytes.

    Source: `mosquitto_passwd(1)`; PBKDF2: RFC 8018, section 5.2.
    """
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, iterations, 64)
    return f"$7${iterations}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def access(site: str, nodes: Sequence[str]) -> str:
    """Return the access list: the host hears every node and answers each, a node speaks for itself only."""
    lines = [
        "# Made by `wheelpit keys`. Whoever has no line here may neither publish nor hear anything.",
        "",
        f"user {host_user(site)}",
        *(f"topic read {name}" for name in topics.node_filters(site)),
        *(f"topic read {name}" for name in topics.answer_filters(site)),
        f"topic readwrite {topics.host_status(site)}",
        f"topic read {topics.BROKER_DROPPED}",
        *(f"topic write {topics.to_node(site, '+', kind)}" for kind in topics.HOST_KINDS),
    ]
    for node in nodes:
        lines += [
            "",
            f"user {node_user(site, node)}",
            *(f"topic write {topics.from_node(site, node, kind)}" for kind in topics.NODE_KINDS),
            *(f"topic read {topics.to_node(site, node, kind)}" for kind in topics.HOST_KINDS),
            f"topic read {topics.host_status(site)}",
        ]
    return "\n".join(lines) + "\n"


def make(
    folder: Path,
    site: str,
    nodes: Sequence[str],
    *,
    port: int = 1883,
    bind: str | None = None,
    encryption: Encryption | None = None,
) -> Made:
    """Make or renew a broker's files in a folder.

    Args:
        folder: where; it is made if it is not there.
        site: the site's id.
        nodes: the ids of its nodes.
        port: where the broker listens.
        bind: the address on which it listens; all of this machine's if None.
        encryption: how the listener is encrypted; None: it is not.

    Raises:
        AuthorityError: the authority's files are not usable, or a name cannot stand in a certificate.
        KeysError: there is no node, an id cannot be used, or the folder cannot be written.

    """
    if not nodes:
        msg = f"site {site!r} has no node with sensors: describe them in plant.toml first"
        raise KeysError(msg)
    folder = folder.resolve()
    if any(c.isspace() for c in str(folder)):
        msg = f"{str(folder)!r} has a space in it, which the broker's configuration does not take: choose another"
        raise KeysError(msg)
    try:
        return _make(folder, site, nodes, str(port) if bind is None else f"{port} {bind}", encryption)
    except OSError as error:
        msg = f"{folder} cannot be written: {error}"
        raise KeysError(msg) from error


def _make(
    folder: Path, site: str, nodes: Sequence[str], listener: str, encryption: Encryption | None
) -> Made:
    keys = folder / "keys"
    for private in (folder, keys, folder / "data"):
        private.mkdir(parents=True, exist_ok=True)
        private.chmod(0o700)
    host_file = keys / "host-password"
    new = []
    passwords = {}
    if not host_file.exists():
        new.append(topics.HOST)
        write_atomically(host_file, secrets.token_urlsafe(_PASSWORD_BYTES) + "\n")
    passwords[host_user(site)] = host_file.read_text(encoding="utf-8").strip()
    node_files = {}
    for node in nodes:
        topics.check_id(node, "node")
        node_files[node] = file = keys / node / "secrets.json"
        held = _secrets(file)
        if not held.get("broker_password") or held.get("broker_user") != node_user(site, node):
            new.append(node)
            held |= {
                "broker_user": node_user(site, node),
                "broker_password": secrets.token_urlsafe(_PASSWORD_BYTES),
            }
            write_atomically(file, json.dumps(held, indent=2) + "\n")
        passwords[node_user(site, node)] = held["broker_password"]
    lines = [f"{user}:{hashed(word, os.urandom(_SALT_BYTES))}\n" for user, word in passwords.items()]
    write_atomically(folder / "passwords", "".join(lines))
    write_atomically(folder / "access", access(site, nodes))
    made = () if encryption is None else _certificates(folder, site, nodes, encryption)
    config = folder / "mosquitto.conf"
    filled = Template(TEMPLATE.read_text(encoding="utf-8")).substitute(
        site=site, folder=folder, listener=listener, encryption=_lines_of(folder, encryption)
    )
    write_atomically(config, filled)
    ca = None if encryption is None else folder / "authority" / "ca.pem"
    return Made(config, host_file, node_files, tuple(new), ca, made)


def _certificates(folder: Path, site: str, nodes: Sequence[str], encryption: Encryption) -> tuple[str, ...]:
    """Make the certificates that are missing or soon over, and return for whom."""
    now = dt.datetime.now(dt.UTC)
    (folder / "authority").mkdir(mode=0o700, exist_ok=True)
    by = authority.authority(folder / "authority", site, now)
    made = ["the broker"] if authority.server(folder, by, encryption.names, now) else []
    for node in nodes:
        is_new = authority.node(folder / "keys" / node, by, node_user(site, node), now)
        made += [node] if is_new else []
    if encryption.require_certificates and authority.host(folder / "keys", by, host_user(site), now):
        made.append(topics.HOST)
    return tuple(made)


def _lines_of(folder: Path, encryption: Encryption | None) -> str:
    if encryption is None:
        return (
            "# Passwords cross the network as they are. Keep the broker on a network of your own, never on the open "
            "internet;\n# for more than that make the keys again with --tls-name."
        )
    required = "true" if encryption.require_certificates else "false"
    return (
        "# Encrypted; clients hold the broker to its name by our own authority's certificate.\n"
        f"cafile {folder}/authority/ca.pem\ncertfile {folder}/server.pem\nkeyfile {folder}/server-key.pem\n"
        f"tls_version tlsv1.2\nrequire_certificate {required}"
        + ("" if encryption.plain_port is None else _PLAIN.format(port=encryption.plain_port))
    )


def _secrets(file: Path) -> dict[str, str]:
    """Return the secrets of a node; those that a new file begins with if there is none."""
    if not file.exists():
        return {"wifi_ssid": "", "wifi_password": ""}
    try:
        held = json.loads(file.read_text(encoding="utf-8"))
    except ValueError as error:
        msg = f"{file} is not JSON: mend it, or delete it and a new password is made"
        raise KeysError(msg) from error
    if not isinstance(held, dict):
        msg = f"{file} must hold one JSON object: mend it, or delete it and a new password is made"
        raise KeysError(msg)
    return held
