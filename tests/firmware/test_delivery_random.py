"""Whatever is lost, doubled, forgotten or restarted: every joule is booked once, by identity.

Hypothesis leads the shipped node and host through random histories and shrinks a failing one.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from delivery_world import World
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

if TYPE_CHECKING:
    from collections.abc import Callable

few = st.integers(min_value=1, max_value=6)
place = st.integers(min_value=0, max_value=5)


class Histories(RuleBasedStateMachine):
    """Operations on the world; each is allowed in any state."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="wheelpit-"))
        self.backup: Path | None = None
        try:
            self.world = self.make_world()
            self.world.connect_node()
            self.world.settle()
        except BaseException:  # there is no teardown for what was never made
            shutil.rmtree(self.folder)
            raise

    def make_world(self) -> World:
        """Return the world in which the history happens; it may write into the folder."""
        return World(self.folder)

    # What goes on all the time.

    @rule(count=few)
    def measure_and_say(self, count: int) -> None:
        for _ in range(count):
            self.world.node.sample()
            self.node_says(1)

    @rule(count=few)
    def measure(self, count: int) -> None:
        for _ in range(count):
            self.world.node.sample()

    @rule(count=few)
    def node_says(self, count: int) -> None:
        for _ in range(count):
            if self.world.node.connected:
                self.world.node.say()

    @rule(count=few)
    def node_hears(self, count: int) -> None:
        for _ in range(min(count, len(self.world.node.inbox))):
            self.world.node.hear()

    @rule(count=few)
    def host_handles(self, count: int) -> None:
        queue = self.world.broker.queue
        batch = queue[:count]
        del queue[:count]
        if batch:
            self.world.host.handle([*batch])

    @rule(seconds=st.integers(min_value=1, max_value=120))
    def time_passes(self, seconds: int) -> None:
        self.world.now_ms += seconds * 1000

    @rule()
    def everything_arrives(self) -> None:
        self.world.settle()

    @rule()
    def everything_comes_back(self) -> None:
        host = self.world.host
        if not host.running:
            host.start()
        elif not host.connected:
            host.connect()
        self.world.connect_node()

    # What gets lost.

    @rule(place=place)
    def records_are_lost(self, place: int) -> None:
        queue = self.world.broker.queue
        found = [i for i, message in enumerate(queue) if message.topic.endswith("/record")]
        if found:
            del queue[found[place % len(found)]]

    @rule(place=place)
    def records_come_twice(self, place: int) -> None:
        queue = self.world.broker.queue
        if queue:
            queue.append(queue[place % len(queue)])

    @rule(place=place)
    def a_receipt_is_lost(self, place: int) -> None:
        inbox = self.world.node.inbox
        found = [i for i, message in enumerate(inbox) if message[0].endswith("/receipt")]
        if found:
            del inbox[found[place % len(found)]]

    # What happens now and then.

    @rule(kind=st.integers(min_value=0, max_value=8), lost=st.integers(min_value=0, max_value=4))
    def accident(self, kind: int, lost: int) -> None:
        world = self.world
        accidents: tuple[Callable[[], None], ...] = (
            lambda: world.disconnect_node(lost),
            world.forget_broker,
            world.restart_node,
            self.host_dies,
            self.host_dies_before_its_receipts,
            self.host_loses_the_broker,
            self.card_loses_the_last_commit,
            self.backup_is_made,
            self.backup_is_restored,
        )
        accidents[kind]()

    def host_dies(self) -> None:
        if self.world.host.running:
            self.world.host.crash()

    def host_dies_before_its_receipts(self) -> None:
        queue = self.world.broker.queue
        batch = queue[:3]
        del queue[:3]
        if batch:
            self.world.host.handle([*batch], dies_after=True)

    def host_loses_the_broker(self) -> None:
        if self.world.host.running:
            self.world.host.disconnect()

    def card_loses_the_last_commit(self) -> None:
        self.world.host.put_back(self.world.host.before_last)

    def backup_is_made(self) -> None:
        if self.world.host.running:
            self.backup = self.world.host.copy("backup.db")

    def backup_is_restored(self) -> None:
        if self.backup is not None:
            self.world.host.put_back(self.backup)

    def teardown(self) -> None:
        try:
            self.world.come_to_rest()
            self.world.check()
        finally:
            if self.world.host.running:
                self.world.host.crash()
            shutil.rmtree(self.folder)


# `make histories` lives through many times as many.
HISTORIES = int(os.environ.get("WHEELPIT_HISTORIES", "1"))
QUICK = settings(
    max_examples=40, stateful_step_count=50, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


def test_f07_some_histories() -> None:
    run_state_machine_as_test(Histories, settings=QUICK)


@pytest.mark.slow
def test_f07_many_histories() -> None:
    run_state_machine_as_test(Histories, settings=settings(QUICK, max_examples=80 * HISTORIES))
