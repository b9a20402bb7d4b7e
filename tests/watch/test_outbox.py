"""From the ledger's outbox to the targets: each message once per target, whatever dies in between."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.store.alarms import AlarmStore, Raised
from wheelpit.store.ledger import Ledger
from wheelpit.watch.notify import AGAIN, Messenger, wait_ms
from wheelpit.watch.sent import SentStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from wheelpit.store.alarms import Priority, Step

NOW_MS = 1_760_000_000_000
MINUTE_MS = 60_000


class KilledError(BaseException):
    """The process ends here."""


class Person:
    """A target that remembers what reached it. `name` and `label` as a real one has them."""

    def __init__(self, name: str = "a" * 32) -> None:
        self.name = name
        self.label = f"line 1 ({name[0]})"
        self.service: Any = None
        self.inbox: list[str] = []
        self.bodies: list[str] = []
        self.attempts = 0
        self.up = True
        self.refuses = ""
        self.killed_after_delivery = False

    def send(self, title: str, body: str, step: Step, priority: Priority) -> bool:
        self.attempts += 1
        if not self.up or (self.refuses and self.refuses in title):
            return False
        self.inbox.append(f"{step} {title}")
        self.bodies.append(body)
        if self.killed_after_delivery:
            self.killed_after_delivery = False
            raise KilledError
        return True


class House:
    """A ledger with an outbox, and the messenger's account beside it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ledger = Ledger(folder / "ledger.db", NOW_MS)
        self.count = 0

    def raise_one(self, title: str, at_ms: int = NOW_MS, node: str = "wheel") -> int:
        raised = Raised(
            site="sallow-ghyll",
            node=node,
            condition=f"c{self.count}",
            priority="high",
            onset_ms=at_ms,
            raised_ms=at_ms,
            value=1.0,
            limit=2.0,
            unit="V",
            title=title,
            text="",
            remedy="",
            reason="",
        )
        self.count += 1
        with self.ledger.transaction() as db:
            return AlarmStore(db).raise_episode(raised, title, "body")

    def clear_one(self, episode: int, title: str, at_ms: int = NOW_MS) -> None:
        with self.ledger.transaction() as db:
            AlarmStore(db).clear_episode(episode, at_ms, title, "body")

    @contextmanager
    def messenger(self, *people: Person, now_ms: int = NOW_MS) -> Iterator[Messenger]:
        with SentStore(self.folder / "sent.db") as sent:
            targets: Any = people
            yield Messenger(self.folder / "ledger.db", sent, targets, now_ms)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.ledger.close()


def test_each_step_is_told_once_to_each_target(house: House) -> None:
    one, other = Person("a" * 32), Person("b" * 32)
    episode = house.raise_one("jam")
    with house.messenger(one, other) as messenger:
        for _ in range(3):
            messenger.round(NOW_MS)
        house.clear_one(episode, "jam over")
        for _ in range(3):
            messenger.round(NOW_MS + 5_000)
    assert one.inbox == other.inbox == ["raised jam", "cleared jam over"]


def test_a_restart_tells_nothing_again(house: House) -> None:
    person = Person()
    house.raise_one("jam")
    for k in range(5):
        with house.messenger(person, now_ms=NOW_MS + k * MINUTE_MS) as messenger:
            messenger.round(NOW_MS + k * MINUTE_MS)
    assert person.inbox == ["raised jam"]


def test_what_was_not_committed_is_not_told(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    person = Person()
    real = AlarmStore.raise_episode

    def dies_after(self: AlarmStore, *arguments: Any) -> int:
        real(self, *arguments)
        raise KilledError

    with house.messenger(person) as messenger:
        monkeypatch.setattr(AlarmStore, "raise_episode", dies_after)
        with pytest.raises(KilledError):
            house.raise_one("jam")
        messenger.round(NOW_MS)
        assert person.inbox == []
        monkeypatch.undo()
        house.raise_one("jam")
        messenger.round(NOW_MS)
    assert person.inbox == ["raised jam"]


@pytest.mark.parametrize("killed_in", ["copy", "trying", "sent"])
@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_a_kill_at_any_step_loses_nothing_and_doubles_only_what_is_marked(
    house: House, monkeypatch: pytest.MonkeyPatch, killed_in: str, *, after: bool
) -> None:
    person = Person()
    episode = house.raise_one("jam")
    house.clear_one(episode, "jam over")
    real = getattr(SentStore, killed_in)

    def dies(self: SentStore, *arguments: Any) -> None:
        if after:
            real(self, *arguments)
        raise KilledError

    monkeypatch.setattr(SentStore, killed_in, dies)
    with house.messenger(person) as messenger, pytest.raises(KilledError):
        messenger.round(NOW_MS)
    monkeypatch.setattr(SentStore, killed_in, real)
    with house.messenger(person) as messenger:
        messenger.round(NOW_MS)
        messenger.round(NOW_MS + MINUTE_MS)
    unmarked = [title for title, body in zip(person.inbox, person.bodies, strict=True) if AGAIN not in body]
    if (killed_in, after) == ("sent", False):
        # Delivered, and killed before that was noted: nobody can know, so the second copy says so.
        assert person.inbox == ["raised jam", "raised jam", "cleared jam over"]
        assert unmarked == ["raised jam", "cleared jam over"]
    else:
        assert person.inbox == ["raised jam", "cleared jam over"]


def test_a_kill_right_after_the_delivery_is_told_again_and_says_so(house: House) -> None:
    person = Person()
    person.killed_after_delivery = True
    house.raise_one("jam")
    with house.messenger(person) as messenger, pytest.raises(KilledError):
        messenger.round(NOW_MS)
    with house.messenger(person) as messenger:
        messenger.round(NOW_MS)
    assert person.inbox == ["raised jam", "raised jam"]
    assert [AGAIN in body for body in person.bodies] == [False, True]


def test_an_hour_without_a_line_gives_one_message_per_step_soon_after(house: House) -> None:
    person = Person()
    person.up = False
    episode = house.raise_one("jam")
    with house.messenger(person) as messenger:
        for second in range(0, 3_600, 2):
            if second == 1_800:
                house.clear_one(episode, "jam over", NOW_MS + 1_800_000)
            messenger.round(NOW_MS + second * 1_000)
        assert person.inbox == []
        assert person.attempts <= 12
        person.up = True
        up_ms = NOW_MS + 3_600_000
        for second in range(0, 15 * 60 + 1, 2):
            messenger.round(up_ms + second * 1_000)
    assert person.inbox == ["raised jam", "cleared jam over"]


def test_a_new_alarm_is_tried_at_once_although_the_target_rests(house: House) -> None:
    person = Person()
    person.up = False
    house.raise_one("first")
    with house.messenger(person) as messenger:
        messenger.round(NOW_MS)
        house.raise_one("second", NOW_MS + 1_000)
        person.up = True
        messenger.round(NOW_MS + 2_000)
    # ... and when it goes through, the line is back, and the rest follows.
    assert person.inbox == ["raised second", "raised first"]


def test_a_message_that_one_target_never_takes_holds_up_nothing_else(house: House) -> None:
    person = Person()
    person.refuses = "poison"
    poison = house.raise_one("poison")
    house.clear_one(poison, "well again")
    with house.messenger(person) as messenger:
        for k in range(50):
            house.raise_one(f"alarm {k}", NOW_MS + k * 2_000)
            messenger.round(NOW_MS + k * 2_000)
        assert person.inbox == [f"raised alarm {k}" for k in range(50)]
        person.refuses = ""
        messenger.round(NOW_MS + 3_600_000)
        messenger.round(NOW_MS + 3_602_000)
    assert person.inbox[50:] == ["raised poison", "cleared well again"]


def test_a_target_that_is_down_does_not_hold_up_the_others(house: House) -> None:
    down, up = Person("a" * 32), Person("b" * 32)
    down.up = False
    house.raise_one("jam")
    with house.messenger(down, up) as messenger:
        messenger.round(NOW_MS)
    assert (down.inbox, up.inbox) == ([], ["raised jam"])


def test_a_target_that_throws_is_a_target_that_did_not_take_it(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    person, other = Person("a" * 32), Person("b" * 32)

    def throws(*_: object) -> bool:
        raise ValueError

    monkeypatch.setattr(person, "send", throws)
    house.raise_one("jam")
    with house.messenger(person, other) as messenger:
        messenger.round(NOW_MS)
        assert other.inbox == ["raised jam"]
        monkeypatch.undo()
        messenger.round(NOW_MS + 20_000)
    assert person.inbox == ["raised jam"]


def test_a_target_that_is_added_later_is_not_told_the_history(house: House) -> None:
    first, later = Person("a" * 32), Person("b" * 32)
    house.raise_one("old", NOW_MS - 24 * 60 * MINUTE_MS)
    house.raise_one("just now", NOW_MS - MINUTE_MS)
    with house.messenger(first, later) as messenger:
        messenger.round(NOW_MS)
    assert first.inbox == later.inbox == ["raised just now"]
    third = Person("c" * 32)
    later_ms = NOW_MS + 60 * MINUTE_MS
    with house.messenger(first, third, now_ms=later_ms) as messenger:
        house.raise_one("new", later_ms)
        messenger.round(later_ms)
    assert first.inbox == ["raised just now", "raised new"]
    assert third.inbox == ["raised new"]


def test_a_ledger_put_back_from_a_copy_tells_nothing_again(house: House) -> None:
    person = Person()
    house.raise_one("first")
    with house.messenger(person) as messenger:
        messenger.round(NOW_MS)
        house.ledger.close()
        shutil.copy(house.folder / "ledger.db", house.folder / "copy.db")
        house.ledger = Ledger(house.folder / "ledger.db", NOW_MS)
        house.raise_one("second")
        house.raise_one("third")
        messenger.round(NOW_MS)
        house.ledger.close()
        shutil.copy(house.folder / "copy.db", house.folder / "ledger.db")
        house.ledger = Ledger(house.folder / "ledger.db", NOW_MS)
        house.raise_one("fourth", NOW_MS + 1)
        messenger.round(NOW_MS + 2)
        house.raise_one("fifth", NOW_MS + 2)
        messenger.round(NOW_MS + 3)
    assert person.inbox == [f"raised {name}" for name in ("first", "second", "third", "fourth", "fifth")]


def test_no_ledger_yet_is_waited_for(tmp_path: Path) -> None:
    person = Person()
    people: Any = [person]
    with SentStore(tmp_path / "sent.db") as sent:
        messenger = Messenger(tmp_path / "ledger.db", sent, people, NOW_MS)
        messenger.round(NOW_MS)
        house = House(tmp_path)
        house.raise_one("jam")
        messenger.round(NOW_MS)
        house.ledger.close()
    assert person.inbox == ["raised jam"]


def test_a_clock_set_back_does_not_keep_a_message_back(house: House) -> None:
    person = Person()
    person.up = False
    house.raise_one("jam")
    with house.messenger(person) as messenger:
        messenger.round(NOW_MS)
        person.up = True
        messenger.round(NOW_MS - 3_600_000)
    assert person.inbox == ["raised jam"]


def test_the_messenger_writes_nothing_into_the_ledger(house: House) -> None:
    person = Person()
    house.raise_one("jam")
    before = list(house.ledger.connection.iterdump())
    with house.messenger(person) as messenger:
        messenger.round(NOW_MS)
    assert list(house.ledger.connection.iterdump()) == before


def test_a_condition_has_one_open_episode_whatever_the_program_believes(house: House) -> None:
    house.raise_one("jam")
    house.count = 0
    with pytest.raises(sqlite3.IntegrityError):
        house.raise_one("jam again")


def test_the_rest_after_failures_doubles_to_a_quarter_of_an_hour_and_after_a_day_to_a_day() -> None:
    young = [wait_ms(k, 0) // 1_000 for k in range(1, 10)]
    assert young == [10, 20, 40, 80, 160, 320, 640, 900, 900]
    old = [wait_ms(k, 86_400_000) // 1_000 for k in (8, 13, 14, 15, 1_000)]
    assert old == [1_280, 40_960, 81_920, 86_400, 86_400]
