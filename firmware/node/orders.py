"""Orders from the host: say which board this is, restart, be quiet. Each is done once, and answered.

An order carries an id and the moment until which it holds. One that comes again is answered again and not done
again; so the newest ids are kept, and that of a restart on the flash before it. A node without a clock cannot tell
whether an order still holds, and refuses it. No order moves, brakes or resets anything, and none silences the guard.
"""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from node.clock import Clock
    from node.kept import Kept

FILE = "orders"
_REMEMBERED = const(16)
_ID_MOST = const(32)
_WHY_MOST = const(120)
_FOR_S = {"identify": 30, "quiet": 600}
_MOST_S = const(3600)
_BLINK_MS = const(250)


class Orders:
    """do_restart: whether to restart as soon as the answer is away. lamp: sets the board's own lamp, None without.

    quiet: silences the guard's lamp and buzzer for some ms, None where there are none.
    """

    def __init__(
        self,
        clock: "Clock",
        kept: "Kept",
        lamp: "Callable[[int], None] | None",
        quiet: "Callable[[int], None] | None",
    ) -> None:
        self.do_restart = False
        self._clock = clock
        self._kept = kept
        self._lamp = lamp
        self._quiet = quiet
        self._blink_until_ms = 0
        self._lit = 0
        self._done: list[tuple[str, str, str, str]] = []  # id, order, state, why
        told = kept.read(FILE)
        newest = told.get("restart")
        if isinstance(newest, str):
            self._done.append((newest, "restart", "done", ""))

    def take(self, told: "dict[str, object]") -> "dict[str, object]":
        """Do an order, if it still holds and was not done before, and return the answer.

        Raises ValueError for what is no order: without an id it cannot be answered.
        """
        name = told.get("id") if isinstance(told, dict) else None
        if not isinstance(name, str) or not 0 < len(name) <= _ID_MOST:
            raise ValueError("an order without an id")
        for done in self._done:
            if done[0] == name:
                return _answer(done)
        what = told.get("order")
        state, why = self._do(name, what if isinstance(what, str) else "", told)
        done = (name, what if isinstance(what, str) else "", state, why)
        self._done.append(done)
        if len(self._done) > _REMEMBERED:
            del self._done[0]
        return _answer(done)

    def look(self, up_ms: int) -> None:
        """Let the lamp blink while it has to."""
        if self._lamp is None:
            return
        lit = 1 if up_ms < self._blink_until_ms and up_ms // _BLINK_MS % 2 else 0
        if lit != self._lit:
            self._lit = lit
            self._lamp(lit)

    def _do(self, name: str, what: str, told: "dict[str, object]") -> "tuple[str, str]":
        up_ms = self._clock.up_ms()
        found = _objection(told.get("expires_ms"), self._clock.unix_ms(up_ms))
        if found is not None:
            return found
        seconds = told.get("for_s")
        if seconds is None:
            seconds = _FOR_S.get(what, 1)
        if not isinstance(seconds, int) or not 1 <= seconds <= _MOST_S:
            return "refused", "for_s must lie between 1 and %d" % _MOST_S
        why = "no such order: use identify, restart or quiet"
        if what == "restart":
            why = self._restart(name)
        elif what == "identify":
            why = "no lamp is named in the settings of this node: add the field lamp"
            if self._lamp is not None:
                why = ""
                self._blink_until_ms = up_ms + seconds * 1000
        elif what == "quiet":
            why = "this node has no guard that could be quiet"
            if self._quiet is not None:
                why = ""
                self._quiet(seconds * 1000)
        return ("refused", why) if why else ("done", "")

    def _restart(self, name: str) -> str:
        try:
            self._kept.write(FILE, {"restart": name})
        except OSError as error:
            return "the flash does not take it (%s), and it would be done twice" % error
        self.do_restart = True
        return ""


def _objection(expires_ms: object, now_ms: "int | None") -> "tuple[str, str] | None":
    """Return why an order does not hold, None if it does."""
    if not isinstance(expires_ms, int):
        return "refused", "expires_ms must be a whole number"
    if now_ms is None:
        return "refused", "no clock yet, so nobody can tell whether this order still holds: send another"
    if now_ms >= expires_ms:
        return "expired", "it held until %d, and now it is %d" % (expires_ms, now_ms)
    return None


def _answer(done: "tuple[str, str, str, str]") -> "dict[str, object]":
    return {"id": done[0], "order": done[1][:_ID_MOST], "state": done[2], "why": done[3][:_WHY_MOST]}
