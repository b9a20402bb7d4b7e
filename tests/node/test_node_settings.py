"""Settings are written from the plant; secrets are never overwritten and only their owner reads them."""

from __future__ import annotations

import json
import stat
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.node.settings import NodeSettingsError, read_secrets, secrets_template
from wheelpit.plant import demo_plant_path, load_plant, node_settings

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

PLANT = str(demo_plant_path())


def _run(*words: str) -> Result:
    return CliRunner().invoke(main, ["node", *words])


def _settings(out: Path, *words: str) -> Result:
    return _run("settings", "--plant", PLANT, "--broker-host", "broker.local", "--out", str(out), *words)


def test_it_writes_what_the_plant_says(tmp_path: Path) -> None:
    done = _settings(tmp_path / "new", "--broker-port", "8883")
    assert done.exit_code == 0, done.output
    told = json.loads((tmp_path / "new" / "settings.json").read_text())
    assert told.pop("lamp") == "LED"  # the name that the boards of this kind give their own lamp
    assert told == node_settings(load_plant(demo_plant_path()), "wheel", "broker.local", 8883)
    assert "only you can read it" in done.output


def test_secrets_are_private_and_never_overwritten(tmp_path: Path) -> None:
    assert _settings(tmp_path).exit_code == 0
    secrets = tmp_path / "secrets.json"
    assert stat.S_IMODE(secrets.stat().st_mode) == 0o600
    assert set(json.loads(secrets.read_text())) == {
        "wifi_ssid",
        "wifi_password",
        "broker_user",
        "broker_password",
    }
    secrets.write_text('{"wifi_ssid": "mill"}')
    done = _settings(tmp_path)
    assert done.exit_code == 0
    assert "left as it was" in done.output
    assert secrets.read_text() == '{"wifi_ssid": "mill"}'


def test_a_pin_that_cannot_be_is_told_before_anything_is_written(tmp_path: Path) -> None:
    done = _settings(tmp_path, "--board", "esp32")
    assert done.exit_code == 2
    assert "rectified_v: pin 26 has no analogue converter" in done.output
    assert list(tmp_path.iterdir()) == []


def test_several_nodes_must_be_told_apart(tmp_path: Path) -> None:
    plant = tmp_path / "plant.toml"
    plant.write_text(
        demo_plant_path().read_text(encoding="utf-8")
        + '\n[[sensor]]\nchannel = "water_degc"\nnode = "weir"\nkind = "linear"\npin = 26\nmv_per_unit = 10.0\n',
        encoding="utf-8",
    )
    words = ["settings", "--plant", str(plant), "--broker-host", "b", "--out", str(tmp_path)]
    refused = _run(*words)
    assert refused.exit_code == 2
    assert "say which with --node" in refused.output
    assert _run(*words, "--node", "weir").exit_code == 0
    assert list(json.loads((tmp_path / "settings.json").read_text())["channels"]) == ["water_degc"]


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = _settings(tmp_path / "file" / "below")
    assert done.exit_code == 2
    assert "choose another --out" in done.output


def test_empty_secrets_are_left_out_on_the_board(tmp_path: Path) -> None:
    file = tmp_path / "secrets.json"
    file.write_bytes(secrets_template())
    assert json.loads(read_secrets(file)) == {}
    file.write_text('{"wifi_ssid": "mill", "wifi_password": "long enough", "broker_user": ""}')
    assert json.loads(read_secrets(file)) == {"wifi_ssid": "mill", "wifi_password": "long enough"}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ('{"wifi_pass": "x"}', "wifi_pass: no such secret; known: wifi_ssid"),
        ('{"wifi_password": 12345678}', "wifi_password: must be text of at most 63"),
        ('{"wifi_password": "' + "hidden" * 11 + '"}', "wifi_password: must be text of at most 63"),
        ("[1]", "must hold one JSON object"),
        ("{hidden", "is not JSON"),
        (None, "cannot be read"),
    ],
)
def test_wrong_secrets_are_told_without_showing_them(tmp_path: Path, content: str | None, said: str) -> None:
    file = tmp_path / "secrets.json"
    if content is not None:
        file.write_text(content)
    with pytest.raises(NodeSettingsError) as caught:
        read_secrets(file)
    assert said in str(caught.value)
    assert "hidden" not in str(caught.value)
    assert "1234" not in str(caught.value)


def test_the_firmware_takes_the_same_secrets(tmp_path: Path, firmware_settings: Any) -> None:
    file = tmp_path / "secrets.json"
    file.write_text(json.dumps({"wifi_ssid": "s" * 32, "wifi_password": "p" * 63, "broker_user": ""}))
    told = node_settings(load_plant(demo_plant_path()), "wheel", "b", 1883)
    taken = firmware_settings.Settings(told, json.loads(read_secrets(file)))
    assert (taken.wifi_ssid, taken.wifi_password, taken.broker_user) == ("s" * 32, "p" * 63, None)
