"""The service against a real broker: killed, stopped, taken over, refused; nothing is missing, nothing double."""

from __future__ import annotations

import json
import random
import time
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.places import running
from wheelpit.store.backup import back_up, put_back

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.slow
BOOT = SEQ_PER_BOOT


@pytest.fixture
def program(needs: Callable[[str], str]) -> str:
    return needs("mosquitto")


def test_killed_again_and_again_during_a_drain(field: Any, program: str, make: Any) -> None:
    field.mosquitto(program)
    rng = random.Random(7)  # noqa: S311 - when to strike, no secret
    kills = 0
    service = field.serve()
    with field.node(*(make.record(n) for n in range(1, 6001))) as node:
        for _ in range(6):
            goal = max(node.upto, BOOT) + rng.randrange(150, 700)
            field.wait(lambda goal=goal: node.done or node.upto >= goal, service)
            if node.done:
                break
            service.kill()
            kills += 1
            service = field.serve()
        field.wait(lambda: node.done, service, 120)
    assert kills >= 3
    assert service.terminate() == 0
    assert field.booked() == [(n, 1000 + n) for n in range(1, 6001)]
    assert field.reader.gaps(make.site) == []
    assert field.reader.tallies() == {}
    days = field.reader.days(make.site)
    assert sum(day.totals["charge_mwh"] for day in days) == 1000 * 6000 + 6000 * 6001 // 2


def test_a_broker_that_is_killed_costs_nothing(field: Any, program: str, make: Any) -> None:
    broker = field.mosquitto(program)
    service = field.serve()
    with field.node(*(make.record(n) for n in range(1, 3001))) as node:
        for share in (500, 1500):
            field.wait(lambda share=share: node.upto - BOOT >= share, service)
            broker.kill()
            broker = field.mosquitto(program)
        field.wait(lambda: node.done, service, 120)
    assert service.terminate() == 0
    assert field.booked() == [(n, 1000 + n) for n in range(1, 3001)]
    assert "lost the broker" in service.text()


def test_a_frozen_service_and_a_frozen_broker_cost_nothing(field: Any, program: str, make: Any) -> None:
    broker = field.mosquitto(program)
    service = field.serve()
    with field.node(*(make.record(n) for n in range(1, 3001))) as node:
        for frozen in (service, broker):
            goal = max(node.upto, BOOT) + 300
            field.wait(lambda goal=goal: node.upto >= goal, service)
            frozen.pause()
            time.sleep(3)
            frozen.go_on()
        field.wait(lambda: node.done, service, 120)
    assert service.terminate() == 0
    assert field.booked() == [(n, 1000 + n) for n in range(1, 3001)]


def test_an_older_ledger_and_an_empty_one_are_filled_again(field: Any, program: str, make: Any) -> None:
    """A backup made while the service writes is put back, then there is none: the node still holds its records."""
    field.mosquitto(program)
    service = field.serve()
    ledger, copy = field.state / "ledger.db", field.folder / "backup.db"
    with field.node(*(make.record(n) for n in range(1, 1201))) as node:
        field.wait(lambda: node.upto - BOOT >= 400, service)
        held = back_up(ledger, copy)
        assert 400 <= held.rows["record"] <= 1200
        field.wait(lambda: node.done, service)
        assert service.terminate() == 0
        for restored in (True, False):
            if restored:
                assert put_back(copy, ledger, 0) is not None
            else:
                for old in field.state.glob("ledger.db*"):
                    old.unlink()
            before = node.mark
            service = field.serve()
            field.wait(lambda before=before: node.mark not in (None, before), service)
            field.wait(lambda: node.done, service, 120)
            assert service.terminate() == 0
            assert field.booked() == [(n, 1000 + n) for n in range(1, 1201)]


def test_it_waits_for_the_broker_and_says_so(field: Any, program: str) -> None:
    service = field.serve()
    field.wait(lambda: running(field.state, "serve"), service)
    waits = f"no broker at 127.0.0.1:{field.port} yet; waiting for it"
    field.wait(lambda: waits in service.text(), service)
    field.mosquitto(program)
    field.wait(lambda: "connected to the broker" in service.text(), service)
    assert service.terminate() == 0
    assert running(field.state, "serve") is None
    assert "ended; what was not receipted stays with the nodes" in service.text()


def test_a_wrong_password_is_told_apart(field: Any, program: str, tmp_path: Path) -> None:
    field.mosquitto(program, "allow_anonymous false")
    service = field.serve()
    assert service.child.wait(60) == 2
    assert "refused the connection: Not authorized (without a user)" in service.text()
    password = tmp_path / "password"
    password.write_text("open sesame\n")
    service = field.serve("--broker-user", "host", "--broker-password-file", str(password), name="second")
    assert service.child.wait(60) == 2
    assert "Not authorized (as 'host'); set --broker-user and --broker-password-file" in service.text()
    assert "sesame" not in service.text()


def test_a_second_service_elsewhere_takes_over_and_the_first_ends(
    field: Any, program: str, tmp_path: Path
) -> None:
    field.mosquitto(program)
    first = field.serve()
    field.wait(lambda: "connected to the broker" in first.text(), first)
    second = field.serve("--state", str(tmp_path / "other"), name="second")
    assert first.child.wait(60) == 3
    assert "only one `wheelpit serve` may run for" in first.text()
    assert second.terminate() == 0


def test_a_second_service_on_one_folder_is_refused(field: Any, program: str) -> None:
    field.mosquitto(program)
    first = field.serve()
    told = field.wait(lambda: running(field.state, "serve"), first)
    second = field.serve(name="second")
    assert second.child.wait(60) == 2
    assert f"a service works on {field.state} already (process {told['pid']})" in second.text()
    assert first.terminate() == 0


def test_the_will_says_offline_when_the_service_is_killed(field: Any, program: str, make: Any) -> None:
    field.mosquitto(program)
    service = field.serve()
    with field.node(make.record(1)) as node:
        field.wait(lambda: node.host_online, service)
        service.kill()
        field.wait(lambda: not node.host_online)


def test_time_is_answered_while_a_backlog_drains(field: Any, program: str, make: Any) -> None:
    field.mosquitto(program)
    service = field.serve()
    heard: list[dict[str, int]] = []
    with field.node(*(make.record(n) for n in range(1, 2001))) as node:
        field.wait(lambda: node.upto > BOOT + 100, service)
        node.client.message_callback_add(
            node.topic("time"), lambda _client, _data, message: heard.append(json.loads(message.payload))
        )
        node.client.subscribe(node.topic("time"), 0)

        def asked() -> bool:
            ask = {"journal": make.journal, "boot": 1, "up_ms": 4711}
            node.client.publish(node.topic("time-ask"), json.dumps(ask), 0)
            time.sleep(0.2)
            return bool(heard)

        field.wait(asked, service)
    assert heard[0]["up_ms"] == 4711
    assert abs(heard[0]["now_ms"] - time.time() * 1000) < 60_000
