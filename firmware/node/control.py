"""What the host may tell a node beyond receipts and the time: new settings, and orders.

Both are answered. Settings are judged by the code that judges them at boot, so an error names its field; they carry a
revision that only rises. Site and node stay as they are, and secrets never travel: both are changed at the board.
"""

import binascii
import json

from micropython import const

from node import settings
from node.fields import SettingsError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from node.orders import Orders
    from node.trial import Trial

PROBLEMS_MOST = const(6)
_TEXT_MOST = const(120)
RESTART_MS = const(1500)  # after an answer, so that it is away


class Control:
    """Call everything from one task.

    restart_at_ms: when to restart, -1: not asked for. refused: the newest revision that was refused, 0 for none.
    """

    def __init__(
        self,
        running: settings.Settings,
        folder: str,
        trial: "Trial",
        orders: "Orders",
        say: "Callable[[str], None]",
    ) -> None:
        self.restart_at_ms = -1
        self.refused = trial.refused[-1] if trial.refused else 0
        self._running = running
        self._folder = folder
        self._trial = trial
        self._orders = orders
        self._say = say
        self._seen = -1  # check sum of the settings that were answered last
        self._state: dict[str, object] = {}  # the answer to them
        self._state_due = False
        self._answers: list[dict[str, object]] = []  # to orders
        back = trial.rolled_back
        if back in trial.refused:
            self._answer(back, "rolled-back", [trial.why])
        elif back:
            # The broker may only have been away: these come again, and are tried once more.
            self._answer(back, "trying", ["rolled back once: " + trial.why])

    def on_up(self) -> None:
        """Take note that the broker was reached: settings on trial have passed."""
        self._state_due = bool(self._state)
        revision = self._trial.on
        if revision and revision == self._running.revision:
            try:
                self._trial.reached()
            except OSError as error:
                self._say("settings: that they have passed cannot be kept (%s)" % error)
                return
            self._say("settings: revision %d has reached the broker and stays" % revision)
            self._answer(revision, "applied", [])

    def on_settings(self, payload: bytes) -> None:
        """Take the settings that the host wants. Kept ones come before the broker has confirmed the connection."""
        if not payload:
            return  # the broker keeps none any more
        if self._trial.on:
            self.on_up()
            if self._trial.on:
                return  # others are to be tried first, after a restart; these come again then
        seen = binascii.crc32(payload)
        if seen == self._seen:
            self._state_due = True
            return
        self._seen = seen
        told, revision = _legible(payload)
        if not revision:
            self._answer(0, "refused", ["revision must be a whole number from 1: these are no settings"])
            return
        if self._is_settled(revision, payload):
            return
        problems = self._judge(told, revision)
        if not problems:
            try:
                self._trial.begin(payload, revision)
            except OSError as error:
                problems = ["the flash does not take them (%s)" % error]
            else:
                self._say("settings: revision %d on trial, restarting" % revision)
                self._answer(revision, "trying", [])
                return
        self._say("settings: revision %d refused: %s" % (revision, problems[0]))
        self.refused = revision
        self._answer(revision, "refused", problems)

    def on_order(self, payload: bytes) -> None:
        """Take an order. Raises ValueError for what is none."""
        told = json.loads(payload)
        if len(self._answers) < PROBLEMS_MOST:  # who floods a node with orders gets no answer
            self._answers.append(self._orders.take(told))

    def next_answer(self, now_ms: int) -> "tuple[str, dict[str, object]] | None":
        """Return the next answer: for which kind of message, and its content."""
        if self._answers:
            told = self._answers.pop(0)
            if self._orders.do_restart and told.get("order") == "restart":
                self.restart_at_ms = now_ms + RESTART_MS
            return "order-state", told
        if self._state_due:
            self._state_due = False
            if self._trial.on and self._trial.on != self._running.revision:
                self.restart_at_ms = now_ms + RESTART_MS
            return "settings-state", self._state
        return None

    def look(self, up_ms: int) -> bool:
        """Let time pass; return whether to restart now. Raises OSError when settings cannot be taken back."""
        if self._trial.on and self._trial.on == self._running.revision and self._trial.due(up_ms):
            revision = self._trial.on
            why = "the broker was not reached within 5 minutes"
            self._trial.roll_back(why)
            self._say("settings: revision %d rolled back: %s" % (revision, why))
            return True
        self._orders.look(up_ms)
        return 0 <= self.restart_at_ms <= up_ms

    def _is_settled(self, revision: int, payload: bytes) -> bool:
        """Answer settings that have been decided before; return whether they were."""
        if revision in self._trial.refused:
            self.refused = revision
            why = "rolled back before (%s): send corrected ones with a higher revision" % self._trial.why
            self._answer(revision, "rolled-back", [why])
            return True
        if revision == self._running.revision and self._same(payload):
            self._answer(revision, "applied", [])
            return True
        return False

    def _judge(self, told: "dict[str, object]", revision: int) -> "list[str]":
        """Return what is wrong with settings, nothing if they are to be tried."""
        running = self._running
        if revision <= running.revision:
            return [
                "revision %d: %d is in force with other contents, give a higher one"
                % (revision, running.revision)
            ]
        if told.get("site") != running.site or told.get("node") != running.node:
            return ["site and node are changed at the board, not over the network"]
        try:
            settings.check(self._folder, told)
        except SettingsError as error:
            return error.problems
        return []

    def _same(self, payload: bytes) -> bool:
        try:
            with open(self._folder + "/settings.json", "rb") as file:
                held = json.load(file)
        except (OSError, ValueError):
            return False
        return bool(held == json.loads(payload))

    def _answer(self, revision: int, state: str, problems: "list[str]") -> None:
        self._state = {
            "revision": revision,
            "state": state,
            "in_force": self._running.revision,
            "problems": [problem[:_TEXT_MOST] for problem in problems[:PROBLEMS_MOST]],
        }
        self._state_due = True


def _legible(payload: bytes) -> "tuple[dict[str, object], int]":
    """Return what stands in settings and their revision, 0 where there is none."""
    try:
        told = json.loads(payload)
    except ValueError:
        return {}, 0
    revision = told.get("revision") if isinstance(told, dict) else None
    if not isinstance(revision, int) or isinstance(revision, bool) or revision < 1:
        return {}, 0
    return told, revision
