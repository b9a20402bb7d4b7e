"""Where the broker is, as whom the host speaks to it, and how the two of them know each other."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from pathlib import Path

    from paho.mqtt.client import Client


class BrokerError(WheelpitError):
    """The broker cannot be used as it is configured."""


@dataclass(frozen=True, slots=True)
class Certificates:
    """By which authority the broker is judged, and what this host shows of itself where it is asked."""

    ca: Path
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is, as whom to speak to it, and how the connection is encrypted, if it is."""

    host: str
    port: int
    user: str | None = None
    password: str | None = None
    certificates: Certificates | None = None

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"

    def prepare(self, client: Client) -> None:
        """Give a client the user, the password and the certificates.

        Raises:
            BrokerError: a certificate's file is none.

        """
        if self.user is not None:
            client.username_pw_set(self.user, self.password)
        told = self.certificates
        if told is None:
            return
        own = (None, None) if told.certificate is None else (str(told.certificate), str(told.key))
        try:
            client.tls_set(str(told.ca), *own)
        except (OSError, ValueError) as error:
            msg = f"the certificates {told.ca} and {told.certificate or 'none of our own'} cannot be used: {error}"
            raise BrokerError(msg) from error


def certificate_fault(error: OSError) -> str:
    """Say in words why the two sides of an encrypted connection did not agree; empty where that was not the cause."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is refused: {error.verify_message or error}"
    if isinstance(error, ssl.SSLError):
        return f"it does not agree on an encrypted connection: {error.reason or error}"
    return ""
