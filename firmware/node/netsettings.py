"""Settings of the network beyond the broker's address: time servers, and an encrypted connection."""

from node.fields import Part

SERVERS_MOST = 4


class TimeSettings:
    """Time servers beside the host, asked in this order, at a port of theirs. every_s: how often."""

    __slots__ = ("every_s", "port", "servers")

    def __init__(self, part: Part) -> None:
        self.servers = part.texts("servers", SERVERS_MOST, 253)
        self.port = part.whole("port", 1, 65535, 123)
        self.every_s = part.whole("every_s", 64, 86_400, 1024)
        part.end()


class TlsSettings:
    """An encrypted connection to the broker. server_name: what its certificate is for; None: broker.host.

    client_certificate: show one of our own. context: made from the files beside the settings, None before that.
    """

    __slots__ = ("client_certificate", "context", "server_name")

    def __init__(self, part: Part) -> None:
        self.server_name = part.text_or_none("server_name", 253)
        self.client_certificate = part.flag("client_certificate", default=False)
        self.context: object = None
        part.end()
