"""What an encrypted connection to the broker needs: our own authority's certificate, and a name to hold the broker to.

The certificates lie beside the settings in DER form, which every board reads: `ca.der`, and `client.der` with
`client-key.der` where the broker wants to know the node by a certificate. A board's calendar starts somewhere between 2000 and
2021 and is never set here (time is kept by `node.clock`), so what a board checks of a certificate is who signed it and
for which name, not until when it holds; `wheelpit keys` lets its certificates begin before all those calendars do.
"""

import ssl

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from node.netsettings import TlsSettings

AUTHORITY = "/ca.der"
CERTIFICATE = "/client.der"
KEY = "/client-key.der"


class CertificateError(OSError):
    """A certificate that should lie beside the settings cannot be used; the text says which and what to do."""


def _bytes(path: str) -> bytes:
    try:
        with open(path, "rb") as file:
            found: bytes = file.read()
    except OSError as error:
        text = "%s cannot be read (%s); put there what `wheelpit keys` made" % (path, error)
        raise CertificateError(text) from error
    return found


def context(folder: str, told: "TlsSettings") -> "Any":
    """Return what `open_connection` takes as its `tls`. Raises CertificateError."""
    made: Any = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    made.verify_mode = ssl.CERT_REQUIRED
    authority = _bytes(folder + AUTHORITY)
    try:
        made.load_verify_locations(cadata=authority)
        if told.client_certificate:
            made.load_cert_chain(folder + CERTIFICATE, folder + KEY)
    except (OSError, ValueError, TypeError) as error:
        raise CertificateError(
            "the certificates in %s cannot be used (%s)" % (folder or "/", error)
        ) from error
    return made
