"""The way to the host: Wi-Fi, the broker, and what is said there, in which order.

Whatever goes wrong, the answer is the same: close, wait a little longer than last time, connect, subscribe, say
"online", send the birth, go on with the records. The link never decides what is kept; the journal does.
"""

import asyncio
import errno
import gc
import json

from node import encode
from node.clock import ROUND_TRIP_MAX_MS
from node.mqtt import Client, MqttError
from node.network import LinkError
from node.packets import Message

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from hal import Board

    from node.clock import Clock
    from node.delivery import Delivery
    from node.desk import Desk
    from node.log import Log
    from node.network import Network
    from node.settings import Settings

FIRST_PAUSE_MS = 500
LONGEST_PAUSE_MS = 15000
# While the name server has no address for the broker: names change seldom, but a router may learn them after a start.
NAMELESS_PAUSE_MS = 120000
STEADY_MS = 10000  # a connection that lasted this long starts the pauses from the shortest again
LIVE_MS = 1000
ASK_MS = 600000  # how often the time is asked for ...
ASK_FIRST_MS = 5000  # ... and while there is none yet
_SLICE_MS = 250


class Link:
    """Connects for ever, and is the source of everything the node says.

    live: returns the filled message of the newest values. birth: returns the content of the birth message.
    control: takes settings and orders, where `messages` asks for them.
    """

    def __init__(
        self,
        board: "Board",
        settings: "Settings",
        clock: "Clock",
        log: "Log",
        delivery: "Delivery",
        *,
        network: "Network",
        messages: "Messages",
        live: "Callable[[], Message]",
        birth: "Callable[[], dict[str, object]]",
        control: "Desk | None" = None,
    ) -> None:
        self._board = board
        self._clock = clock
        self._log = log
        self._delivery = delivery
        self._live = live
        self._birth = birth
        self._control = control
        self._messages = messages
        self._network = network
        self._tls = settings.tls
        self._host = settings.broker_host
        self._pause_ms = FIRST_PAUSE_MS
        self._status_due = False
        self._live_due_ms = 0
        self._ask_due_ms = 0
        self._asked_up_ms = -1  # the question for the time that is still open
        self._beyond_told = 0
        self.client = Client(
            network.open,
            clock.up_ms,
            settings.broker_host,
            settings.broker_port,
            settings.site + "-" + settings.node,
            source=self._next_message,
            on_message=self._take,
            on_up=self._on_up,
            subscribe=messages.subscribe,
            last_will=messages.offline,
            user=settings.broker_user,
            password=settings.broker_password,
            keepalive_s=settings.keepalive_s,
        )

    def up(self) -> bool:
        """Say whether the broker was heard lately; a network that only claims to be there does not count."""
        return self.client.alive(self._clock.up_ms())

    async def run(self, beat: "Callable[[], None]") -> None:
        """Keep the node connected, for ever."""
        while True:
            began_ms = self._clock.up_ms()
            try:
                await self._network.wait(beat)
                began_ms = self._clock.up_ms()
                await self.client.run(beat)
            except (MqttError, LinkError, OSError, EOFError) as error:
                self._log.note("link: %s" % self._reason(error))
                if self.client.heard_ms < began_ms:
                    self._network.failed(error)
            except Exception as error:
                if self._refuses(error):
                    self._log.note("link: %s" % self._reason(error))
                else:
                    self._log.failure("link", error)
                gc.collect()  # the commonest cause is memory
            self._delivery.on_disconnect()
            if self._clock.up_ms() - began_ms >= STEADY_MS:
                self._pause_ms = FIRST_PAUSE_MS
            await self._rest(beat)

    async def _rest(self, beat: "Callable[[], None]") -> None:
        """Wait, each time longer and never quite as long as another node that lost the same broker."""
        left_ms = self._pause_ms + self._pause_ms * self._board.random_bytes(1)[0] // 512
        longest_ms = NAMELESS_PAUSE_MS if self._network.nameless else LONGEST_PAUSE_MS
        self._pause_ms = min(2 * self._pause_ms, longest_ms)
        left_ms = min(left_ms, longest_ms)
        while left_ms > 0:
            beat()
            await asyncio.sleep_ms(min(left_ms, _SLICE_MS))
            left_ms -= _SLICE_MS

    def _refuses(self, error: Exception) -> bool:
        """Say whether we refuse the broker's certificate: MicroPython raises ValueError then, CPython an OSError."""
        return (
            self._tls is not None
            and isinstance(error, (OSError, ValueError))
            and "CERT" in repr(error).upper()
        )

    def _reason(self, error: Exception) -> str:
        if isinstance(error, EOFError):
            return "the broker closed the connection"
        if self._tls is not None and self._refuses(error):
            name = self._tls.server_name or self._host
            return "the broker's certificate is not of our authority, or not for the name %s" % name
        if not isinstance(error, OSError):
            return "%s" % error
        code = error.args[0] if error.args else None
        if isinstance(code, str):
            return code
        return errno.errorcode.get(code) or "network error %s" % error

    # What is said ---------------------------------------------------------------------------------------------

    def _on_up(self) -> None:
        now_ms = self._clock.up_ms()
        self._network.answered()
        self._status_due = True
        self._live_due_ms = self._ask_due_ms = now_ms
        self._delivery.on_connect()
        if self._control is not None:
            self._control.on_up()

    def _next_message(self, room: bool, now_ms: int) -> "Message | None":  # noqa: FBT001 - the client asks so
        messages = self._messages
        if room and self._status_due:
            self._status_due = False
            return messages.online
        if room and self._delivery.birth_due:
            self._delivery.on_birth_sent()
            return encode.fill(messages.birth, self._birth())
        if room and self._control is not None:
            answer = self._control.next_answer(now_ms)
            if answer is not None:
                kind, content = answer
                content["journal"] = self._messages.journal
                content["boot"] = self._messages.boot
                return encode.fill(messages.answers[kind], content)
        if now_ms >= self._ask_due_ms:
            self._ask_due_ms = now_ms + (ASK_FIRST_MS if self._clock.anchor_ms is None else ASK_MS)
            self._asked_up_ms = now_ms
            return encode.fill(messages.ask, messages.identity("up_ms", now_ms))
        if now_ms >= self._live_due_ms:
            self._live_due_ms = now_ms + LIVE_MS
            return self._live()
        return self._delivery.next_message(now_ms) if room else None

    # What is heard --------------------------------------------------------------------------------------------

    def _take(self, topic: bytes, payload: bytes, retained: bool) -> None:  # noqa: FBT001 - the client tells so
        try:
            if self._control is not None and topic == self._messages.settings:
                self._control.on_settings(payload)
            elif self._control is not None and topic == self._messages.order:
                self._control.on_order(payload)
            else:
                self._understand(topic, json.loads(payload), retained)
        except (ValueError, KeyError, TypeError) as error:
            self._log.note("cannot use what came on %s: %r" % (topic.decode(), error))

    def _understand(self, topic: bytes, told: "dict[str, object]", retained: bool) -> None:  # noqa: FBT001
        now_ms = self._clock.up_ms()
        if topic == self._messages.receipt:
            upto = _whole(told["upto"])
            start = _whole(told["start"])
            ledger = _text(told["ledger"])
            journal = _text(told["journal"])
            self._delivery.on_receipt(ledger, start, journal, upto, now_ms, answer=not retained)
            if self._delivery.beyond != self._beyond_told:
                self._beyond_told = self._delivery.beyond
                self._log.note("a receipt up to %d claims more than was ever recorded here" % upto)
        elif topic == self._messages.host_status:
            online = told["state"] == "online"
            asked = self._asked_up_ms >= 0 and now_ms - self._asked_up_ms <= ROUND_TRIP_MAX_MS
            if online and not self._delivery.host_online and self._clock.anchor_ms is None and not asked:
                self._ask_due_ms = now_ms
            self._delivery.on_host(online, now_ms)
        elif topic == self._messages.time and not retained and told["up_ms"] == self._asked_up_ms:
            # A kept answer is as old as it likes, and so is one to another question.
            self._clock.offer(_whole(told["now_ms"]), self._asked_up_ms, now_ms)
            self._asked_up_ms = -1
            if self._clock.anchor_ms is not None:
                self._ask_due_ms = now_ms + ASK_MS


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("%r is not a text" % (value,))
    return value


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise ValueError("%r is not a whole number" % (value,))
    return value


class Messages:
    """Every message this node sends, with the topics it listens to; controlled: also to settings and orders."""

    def __init__(self, site: str, node: str, journal: str, boot: int, *, controlled: bool = False) -> None:
        base = "wheelpit/1/%s/%s/" % (site, node)
        self.journal = journal
        self.boot = boot
        self.online = Message(base + "status", qos=1, retain=True, size=96)
        self.offline = Message(base + "status", qos=1, retain=True, size=96)
        encode.fill(self.online, self.identity("state", "online"))
        encode.fill(self.offline, self.identity("state", "offline"))
        # These are filled when it is their turn and leave at once, so one buffer serves them all.
        room = bytearray(encode.RECORDS_BYTES + len(base) + 32)
        self.birth = Message(base + "birth", qos=1, retain=True, size=encode.BIRTH_BYTES, buffer=room)
        self.live = Message(base + "live", qos=0, retain=False, size=encode.LIVE_BYTES, buffer=room)
        self.record = Message(base + "record", qos=1, retain=False, size=encode.RECORDS_BYTES, buffer=room)
        self.ask = Message(base + "time-ask", qos=0, retain=False, size=96, buffer=room)
        self.answers = {
            "settings-state": Message(
                base + "settings-state", qos=1, retain=True, size=encode.LIVE_BYTES, buffer=room
            ),
            "order-state": Message(
                base + "order-state", qos=1, retain=False, size=encode.LIVE_BYTES, buffer=room
            ),
        }
        self.subscribe: tuple[str, ...] = (
            base + "receipt",
            base + "time",
            "wheelpit/1/%s/host/status" % site,
        )
        self.receipt, self.time, self.host_status = [topic.encode() for topic in self.subscribe]
        self.settings = (base + "settings").encode()
        self.order = (base + "order").encode()
        if controlled:
            self.subscribe += (base + "settings", base + "order")

    def identity(self, key: str, value: object) -> "dict[str, object]":
        """Return the content of a small message: who speaks, and one thing more."""
        return {"journal": self.journal, "boot": self.boot, key: value}
