"""The wireless network of a real board, without ever waiting for it.

Joining is asked for and then looked after each time somebody asks `connected()`: leave, give the driver a
second (it refuses to join while it still is joining by itself), join. Every fifth attempt switches the
interface off and on; it is never shut down for good, since that call can hang. That the interface says it is
connected proves little: only an answer from the broker does.
"""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable, Protocol

    class Interface(Protocol):
        """What a network interface can do, as far as it is used here."""

        def active(self, __is_active: bool) -> object:  # noqa: FBT001, PYI063 - `/` is no syntax on a board
            """Switch on or off."""

        def config(self, *, pm: int) -> object:
            """Set the power management."""

        def connect(self, __ssid: str, __key: str) -> object:  # noqa: PYI063
            """Join."""

        def disconnect(self) -> object:
            """Leave."""

        def isconnected(self) -> bool:
            """Say whether there is a network."""

        def ifconfig(self) -> tuple[str, str, str, str]:
            """Return address, mask, gateway and name server."""


_TICKS_MASK = const(0x3FFFFFFF)
_PAUSE_MS = const(1000)
_FRESH_START = const(5)  # attempts


class Wlan:
    """A station interface. pm_none: the value that keeps the radio awake; asleep it goes deaf after hours."""

    def __init__(self, nic: "Interface", pm_none: int, ticks_ms: "Callable[[], int]") -> None:
        self._nic = nic
        self._pm_none = pm_none
        self._ticks_ms = ticks_ms
        self._attempts = 0
        self._joining = False  # a join is due, _PAUSE_MS after _left_ms
        self._left_ms = 0
        self._ssid = ""
        self._password = ""
        self.failures = 0  # calls that the driver refused, since boot
        self._wake()

    def _wake(self) -> None:
        try:
            self._nic.active(True)  # noqa: FBT003 - the interface's own signature
            self._nic.config(pm=self._pm_none)
        except OSError:
            self.failures += 1

    def connect(self, ssid: str, password: "str | None") -> None:
        """Ask to join a network; `connected()` tells when it has come about."""
        self._ssid = ssid
        self._password = password or ""
        self._attempts += 1
        try:
            if self._attempts % _FRESH_START == 0:
                self._nic.active(False)  # noqa: FBT003
            self._nic.disconnect()
        except OSError:
            self.failures += 1
        self._wake()
        self._joining = True
        self._left_ms = self._ticks_ms()

    def connected(self) -> bool:
        """Say whether the interface has a network; join one when it is time to."""
        if self._joining:
            if (self._ticks_ms() - self._left_ms) & _TICKS_MASK < _PAUSE_MS:
                return False
            self._joining = False
            try:
                self._nic.connect(self._ssid, self._password)
            except OSError:
                self.failures += 1
        if not self._nic.isconnected():
            return False
        self._attempts = 0
        return True

    def address(self) -> "str | None":
        """Return the node's address, None while it has none."""
        return self._told(0)

    def nameserver(self) -> "str | None":
        """Return the address of the network's name server, None while there is none."""
        return self._told(3)

    def _told(self, which: int) -> "str | None":
        address = self._nic.ifconfig()[which]
        return None if address == "0.0.0.0" else address  # noqa: S104 - it means: none yet
