"""`wheelpit node send-settings`: whose settings it sends, where to, and what it says of the node's answer."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.contract.messages import SettingsState
from wheelpit.node import remote
from wheelpit.plant import demo_plant_path

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

DERIVED = ("wheel", "--plant", str(demo_plant_path()), "--node-broker-host", "192.0.2.7")


class Node:
    """Stands for the talk over the broker: keeps what was sent and answers as told."""

    def __init__(self) -> None:
        self.sent: list[tuple[Any, str, str, dict[str, Any], int | None]] = []
        self.answer = SettingsState(journal="0" * 16, boot=1, revision=4, state="applied", in_force=4)

    def send(self, broker: Any, site: str, node: str, settings: dict[str, Any], **told: Any) -> SettingsState:
        self.sent.append((broker, site, node, settings, told["revision"]))
        return self.answer


@pytest.fixture
def node(monkeypatch: pytest.MonkeyPatch) -> Node:
    made = Node()
    monkeypatch.setattr(remote, "send_settings", made.send)
    return made


def send(state: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["node", "send-settings", *words, "--state", str(state)])


def test_they_are_derived_from_the_plant_and_sent_to_its_site(node: Node, state: Path) -> None:
    done = send(state, *DERIVED, "--broker-host", "198.51.100.3", "--broker-port", "1884")
    assert (done.exit_code, done.output) == (0, "node wheel: revision 4 is in force\n")
    ((broker, site, name, settings, revision),) = node.sent
    assert (broker.host, broker.port, site, name, revision) == (
        "198.51.100.3", 1884, "sallow-ghyll", "wheel", None,
    )  # fmt: skip
    # The node is told the broker as it sees it, not as the host does.
    assert settings["broker"]["host"] == "192.0.2.7"
    assert (settings["wheel"]["pin"], settings["wheel"]["magnets"]) == (15, 4)  # as plant.toml says


def test_a_file_is_sent_as_it_is(node: Node, state: Path, tmp_path: Path) -> None:
    send(state, *DERIVED)
    settings = node.sent[0][3] | {"record_s": 20}
    path = tmp_path / "settings.json"
    path.write_text(json.dumps(settings), encoding="utf-8")
    done = send(state, "--file", str(path), "--revision", "9")
    assert done.exit_code == 0
    assert node.sent[1][1:] == ("sallow-ghyll", "wheel", settings, 9)


def test_what_the_node_finds_wrong_is_told_and_is_a_failure(node: Node, state: Path) -> None:
    node.answer = SettingsState(
        journal="0" * 16, boot=1, revision=4, state="refused", in_force=3, problems=["record_s: 7 is no part of 60"]
    )  # fmt: skip
    done = send(state, *DERIVED)
    assert done.exit_code == 1
    assert "revision 4 refused; 3 is in force" in done.output
    assert "record_s: 7 is no part of 60" in done.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("wheel",), "say where the settings come from"),
        ((*DERIVED, "--file", "settings.json"), "say where the settings come from"),
        (DERIVED[:3], "--node-broker-host is missing"),
        (("--forget",), "say for which NODE"),
    ],
)
def test_what_is_missing_is_told_and_nothing_is_sent(
    node: Node, state: Path, words: tuple[str, ...], said: str
) -> None:
    done = send(state, *words)
    assert done.exit_code == 1
    assert said in done.output
    assert node.sent == []
