"""The line to the simulated plant: JSON lines over loopback, read whenever the board looks at its pins.

Nothing runs in the background. Each access to a pin, a bus or the network first takes what has come in
(`pump`), so the firmware sees the plant as it was told last, and a frame is never half applied.
"""

import errno
import json
import socket
import time

_HELLO_S = 10
_HELLO_AGAIN_S = 1  # while the firmware runs, it must not be held up for long
_AGAIN_US = 2_000_000
_CHUNK = 4096
_SETTLE_FRAMES = 8
_SETTLE_US = 2_000_000
# The twin tells of the past frame; edges of a frame are held back by this much, so that none comes too late.
FRAME_US = 50_000


class TwinLink:
    """The connection to the twin.

    wiring: what hangs where, as the twin told it. chip: the serial number of the board it plays.
    up: whether frames are coming; link: whether the wireless network is there; switches: closed ones by pin.
    edges: microsecond ticks of magnets by shaft, not yet asked for. mean: the channels over the newest frame.
    consumers are called with each frame as `frame(begin_us, end_us, mean)`, in the twin's time.
    """

    def __init__(self, port: int) -> None:
        self._address = socket.getaddrinfo("127.0.0.1", port)[0][-1]
        self._socket = None
        self._text = b""
        self._last_us = None  # the twin's time of the newest frame
        self._offset_us = None  # smallest difference seen between our time and the twin's
        self._again_us = 0
        self._frames = 0
        self.wiring = {}
        self.chip = ""
        self.link = True
        self.switches = {}
        self.edges = {}
        self.mean = {}
        self.consumers = []
        self._connect(_HELLO_S)

    @property
    def up(self) -> bool:
        """Say whether the twin is there."""
        return self._socket is not None

    def pump(self) -> None:
        """Take everything that has come in; look for the twin again when it went away."""
        if self._socket is None:
            if time.ticks_diff(time.ticks_us(), self._again_us) < 0:
                return
            self._again_us = time.ticks_add(time.ticks_us(), _AGAIN_US)
            try:
                self._connect(_HELLO_AGAIN_S)
            except OSError:
                return
        while self._socket is not None:
            try:
                data = self._socket.recv(_CHUNK)
            except OSError as error:
                if error.args[0] != errno.EAGAIN:
                    self._gone()
                break
            if not data:
                self._gone()
                break
            self._text += data
        while True:
            at = self._text.find(b"\n")
            if at < 0:
                return
            line = self._text[:at]
            self._text = self._text[at + 1 :]
            self._frame(json.loads(line))

    def settle(self) -> None:
        """Wait until the plant has been seen for a while: the chips have power, and the clocks are compared."""
        until_us = time.ticks_add(time.ticks_us(), _SETTLE_US)
        while self._frames < _SETTLE_FRAMES and time.ticks_diff(until_us, time.ticks_us()) > 0:
            self.pump()
            time.sleep_ms(5)
        self.edges.clear()

    def _connect(self, patience_s: int) -> None:
        line = socket.socket()
        try:
            line.settimeout(patience_s)
            line.connect(self._address)
            line.send(b'{"hello":"board"}\n')
            text = _first_line(line)
            line.setblocking(False)  # noqa: FBT003 - the socket's own signature
        except OSError:
            line.close()
            raise
        at = text.find(b"\n")
        told = json.loads(text[:at])
        self._text = text[at + 1 :]
        self.wiring = told["wiring"]
        self.chip = told["chip"]
        self._last_us = None
        self._offset_us = None
        self._socket = line

    def _gone(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._socket = None
        self._text = b""
        self.link = False
        self._again_us = time.ticks_add(time.ticks_us(), _AGAIN_US)

    def _frame(self, frame: dict) -> None:
        self._frames += 1
        end_us = frame["t_us"]
        offset_us = time.ticks_us() - end_us
        if self._offset_us is None or offset_us < self._offset_us:
            self._offset_us = offset_us
        self.link = frame.get("link", True)
        self.switches = frame.get("switches", {})
        self._turned("wheel", frame.get("edges", ()))
        self._turned("alternator", frame.get("alternator_edges", ()))
        self.mean = frame["mean"]
        begin_us = self._last_us
        self._last_us = end_us
        if begin_us is not None and end_us > begin_us:
            for consumer in self.consumers:
                consumer(begin_us, end_us, self.mean)

    def _turned(self, shaft: str, edges) -> None:
        """Keep a shaft's edges; every pickup of that shaft sees the same ones."""
        if not edges:
            return
        held = self.edges.setdefault(shaft, [])
        for edge_us in edges:
            held.append(edge_us + self._offset_us + FRAME_US)


def _first_line(line) -> bytes:
    """Return what has come in once it holds a whole line."""
    text = b""
    while b"\n" not in text:
        data = line.recv(_CHUNK)
        if not data:
            raise OSError(errno.ECONNRESET)
        text += data
    return text
