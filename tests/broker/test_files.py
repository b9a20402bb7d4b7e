"""The broker's files: hashes as mosquitto's own program makes them, one password and one access list each."""

from __future__ import annotations

import base64
import json
import stat
import subprocess
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.broker.files import KeysError, access, hashed, make
from wheelpit.cli import main
from wheelpit.plant import demo_plant_path

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def test_hashes_are_those_of_mosquittos_own_program(needs: Callable[[str], str], tmp_path: Path) -> None:
    """Source: mosquitto_passwd of the installed broker, which chooses salt and iterations."""
    file = tmp_path / "passwords"
    for word in ("open sesame", "Wässerrad 7", "x"):
        subprocess.run(
            [needs("mosquitto_passwd"), "-b", "-c", str(file), "someone", word],
            check=True,
            capture_output=True,
        )
        user, told = file.read_text(encoding="utf-8").strip().split(":")
        _, kind, iterations, salt, _ = told.split("$")
        assert (user, kind) == ("someone", "7")
        assert hashed(word, base64.b64decode(salt), int(iterations)) == told


def test_each_has_a_password_of_its_own_that_only_its_owner_can_read(tmp_path: Path) -> None:
    made = make(tmp_path / "broker", "site", ["wheel", "battery"])
    assert made.new == ("host", "wheel", "battery")
    secrets = [json.loads(file.read_text()) for file in made.node_secrets.values()]
    words = {made.host_password.read_text().strip(), *(held["broker_password"] for held in secrets)}
    assert len(words) == 3
    assert all(len(word) >= 32 for word in words)
    assert [held["broker_user"] for held in secrets] == ["site.wheel", "site.battery"]
    everything = (tmp_path / "broker" / "passwords").read_text()
    assert everything.count("$7$") == 3
    assert not any(word in everything for word in words)
    for path in (made.config.parent, made.host_password, *made.node_secrets.values()):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


def test_making_them_again_keeps_passwords_and_what_was_filled_in(tmp_path: Path) -> None:
    made = make(tmp_path, "site", ["wheel"])
    file = made.node_secrets["wheel"]
    held = json.loads(file.read_text()) | {"wifi_ssid": "mill", "wifi_password": "sesame"}
    file.write_text(json.dumps(held))
    again = make(tmp_path, "site", ["wheel", "battery"])
    assert again.new == ("battery",)
    assert json.loads(file.read_text()) == held
    again.node_secrets["battery"].unlink()
    assert make(tmp_path, "site", ["wheel", "battery"]).new == ("battery",)
    # A folder that served another site: the same password must not serve both.
    assert make(tmp_path, "other", ["wheel"]).new == ("wheel",)


def test_a_node_speaks_for_itself_only() -> None:
    parts = access("site", ["wheel", "battery"]).split("\nuser ")
    of = {part.split("\n", 1)[0]: part.split("\n")[1:] for part in parts[1:]}
    assert set(of) == {"site.host", "site.wheel", "site.battery"}
    written = [line.split()[-1] for line in of["site.wheel"] if line.startswith("topic write")]
    assert written == [
        f"wheelpit/1/site/wheel/{kind}"
        for kind in ("status", "birth", "live", "record", "time-ask", "settings-state", "order-state")
    ]
    assert not any("battery" in line or "#" in line or "+" in line for line in of["site.wheel"])
    assert "topic write wheelpit/1/site/+/receipt" in of["site.host"]
    assert "topic write wheelpit/1/site/+/time" in of["site.host"]
    assert "topic write wheelpit/1/site/+/order" in of["site.host"]
    assert "topic read wheelpit/1/site/+/order-state" in of["site.host"]
    assert "topic read wheelpit/1/site/wheel/settings" in of["site.wheel"]


def test_mistakes_are_named(tmp_path: Path) -> None:
    with pytest.raises(KeysError, match="has no node with sensors"):
        make(tmp_path, "site", [])
    with pytest.raises(KeysError, match="has a space in it"):
        make(tmp_path / "my broker", "site", ["wheel"])
    (tmp_path / "keys" / "wheel").mkdir(parents=True)
    (tmp_path / "keys" / "wheel" / "secrets.json").write_text("{")
    with pytest.raises(KeysError, match="is not JSON: mend it, or delete it"):
        make(tmp_path, "site", ["wheel"])
    (tmp_path / "file").write_text("")
    with pytest.raises(KeysError, match="cannot be written"):
        make(tmp_path / "file", "site", ["wheel"])


def test_the_command(tmp_path: Path) -> None:
    words = ["keys", str(tmp_path / "broker"), "--plant", str(demo_plant_path()), "--bind", "127.0.0.1"]
    told = CliRunner().invoke(main, words)
    assert told.exit_code == 0, told.output
    assert "new passwords: host, wheel" in told.output
    assert f"mosquitto -c {tmp_path / 'broker' / 'mosquitto.conf'}" in told.output
    assert "--broker-user sallow-ghyll.host --broker-password-file" in told.output
    assert "listener 1883 127.0.0.1\n" in (tmp_path / "broker" / "mosquitto.conf").read_text()
    assert "new passwords: none" in CliRunner().invoke(main, words).output
