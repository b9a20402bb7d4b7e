"""The options by which a command finds the broker, and the broker that they mean."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from wheelpit.errors import WheelpitError
from wheelpit.ingest.address import Broker, Certificates

if TYPE_CHECKING:
    from collections.abc import Callable

Command = TypeVar("Command", bound="Callable[..., object]")


class BrokerOptionError(WheelpitError):
    """A file that says how to speak to the broker cannot be used."""


def password_of(file: Path | None) -> str | None:
    """Return the password in a file; None if no file is named."""
    if file is None:
        return None
    try:
        password = file.read_text(encoding="utf-8").strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"--broker-password-file {file} cannot be read: {error}"
        raise BrokerOptionError(msg) from error
    if not password:
        msg = f"--broker-password-file {file} is empty: write the password into its first line"
        raise BrokerOptionError(msg)
    return password


def certificates_of(ca: Path | None, certificate: Path | None) -> Certificates | None:
    """Return what an encrypted connection needs; None where no authority is named.

    The key of a certificate lies beside it: `host-key.pem` beside `host.pem`.
    """
    if ca is None:
        if certificate is not None:
            msg = "--broker-certificate needs --broker-ca: without it the broker's own certificate cannot be judged"
            raise BrokerOptionError(msg)
        return None
    key = None if certificate is None else certificate.with_name(f"{certificate.stem}-key.pem")
    for option, file in (("--broker-ca", ca), ("--broker-certificate", certificate), ("its key", key)):
        if file is not None and not file.is_file():
            msg = f"{option}: {file} is not there; `wheelpit keys --tls-name` makes it"
            raise BrokerOptionError(msg)
    return Certificates(ca, certificate, key)


def ca_options(command: Command) -> Command:
    """Add the options of an encrypted connection."""
    for option in (
        click.option(
            "--broker-certificate",
            type=click.Path(path_type=Path),
            help="This host's certificate, where the broker asks for one; its key lies beside it.",
        ),
        click.option(
            "--broker-ca",
            type=click.Path(path_type=Path),
            help="The authority's certificate (ca.pem), where the broker's listener is encrypted.",
        ),
    ):
        command = option(command)
    return command


__all__ = ["Broker", "BrokerOptionError", "ca_options", "certificates_of", "password_of"]
