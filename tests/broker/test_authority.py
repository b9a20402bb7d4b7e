"""The private authority: what it signs, what it keeps, and that it is never made anew by accident."""

from __future__ import annotations

import datetime as dt
import stat
import subprocess
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner
from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from wheelpit.broker import authority as maker
from wheelpit.broker.authority import AuthorityError, authority, node, server
from wheelpit.cli import main
from wheelpit.plant import demo_plant_path

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

NOW = dt.datetime(2026, 11, 25, tzinfo=dt.UTC)


def test_it_is_made_once_and_only_its_owner_reads_its_key(tmp_path: Path) -> None:
    first = authority(tmp_path, "mill", NOW)
    assert stat.S_IMODE((tmp_path / "ca-key.pem").stat().st_mode) == 0o600
    assert authority(tmp_path, "mill", NOW).certificate == first.certificate
    der = x509.load_der_x509_certificate((tmp_path / "ca.der").read_bytes())
    assert der == first.certificate
    limits = first.certificate.extensions.get_extension_for_class(x509.BasicConstraints)
    assert limits.critical
    assert (limits.value.ca, limits.value.path_length) == (True, 0)


def test_the_other_half_of_a_lost_authority_is_never_paired_with_a_new_one(tmp_path: Path) -> None:
    authority(tmp_path, "mill", NOW)
    key = (tmp_path / "ca-key.pem").read_bytes()
    (tmp_path / "ca-key.pem").unlink()
    with pytest.raises(AuthorityError, match="put it back from a copy"):
        authority(tmp_path, "mill", NOW)
    (tmp_path / "ca-key.pem").write_bytes(key[:40])
    with pytest.raises(AuthorityError, match="cannot be read"):
        authority(tmp_path, "mill", NOW)
    authority(tmp_path / "other", "mill", NOW)
    (tmp_path / "ca-key.pem").write_bytes((tmp_path / "other" / "ca-key.pem").read_bytes())
    with pytest.raises(AuthorityError, match="is not the key of"):
        authority(tmp_path, "mill", NOW)


def test_the_brokers_certificate_is_renewed_when_it_must_be_and_not_before(tmp_path: Path) -> None:
    by = authority(tmp_path, "mill", NOW)
    assert server(tmp_path, by, ["broker.home", "192.168.1.2"], NOW)
    assert not server(tmp_path, by, ["192.168.1.2", "broker.home"], NOW)
    made = x509.load_pem_x509_certificate((tmp_path / "server.pem").read_bytes())
    names = made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["broker.home"]
    assert [str(address) for address in names.get_values_for_type(x509.IPAddress)] == ["192.168.1.2"]
    # A board whose calendar begins in 2000 must find it valid.
    assert made.not_valid_before_utc < dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
    soon = made.not_valid_after_utc - dt.timedelta(days=maker.RENEW_DAYS - 1)
    assert server(tmp_path, by, ["192.168.1.2", "broker.home"], soon)
    assert server(tmp_path, by, ["192.168.1.3"], NOW)
    with pytest.raises(AuthorityError, match="use plain host names"):
        server(tmp_path, by, ["mühle.home"], NOW)


def test_a_node_gets_a_certificate_for_itself_and_keeps_it(tmp_path: Path) -> None:
    by = authority(tmp_path, "mill", NOW)
    assert node(tmp_path / "wheel", by, "mill.wheel", NOW)
    made = x509.load_der_x509_certificate((tmp_path / "wheel" / "client.der").read_bytes())
    made.verify_directly_issued_by(by.certificate)
    assert made.subject.rfc4514_string() == "CN=mill.wheel"
    usage = made.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert list(usage) == [ExtendedKeyUsageOID.CLIENT_AUTH]
    assert not node(tmp_path / "wheel", by, "mill.wheel", NOW)
    other = authority(tmp_path / "other", "mill", NOW)
    assert node(tmp_path / "wheel", other, "mill.wheel", NOW)


def test_openssl_accepts_the_chain(tmp_path: Path, needs: Callable[[str], str]) -> None:
    """Judged by OpenSSL's own verifier, under its strict reading of RFC 5280 (`-x509_strict`)."""
    by = authority(tmp_path, "mill", dt.datetime.now(dt.UTC))
    server(tmp_path, by, ["broker.home"], dt.datetime.now(dt.UTC))
    asked = ["verify", "-x509_strict", "-purpose", "sslserver", "-verify_hostname", "broker.home"]
    done = subprocess.run(
        [needs("openssl"), *asked, "-CAfile", str(tmp_path / "ca.pem"), str(tmp_path / "server.pem")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_command_makes_everything_and_says_what_goes_where(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    asked = [
        "keys",
        str(folder),
        "--plant",
        str(demo_plant_path()),
        "--port",
        "8883",
        "--tls-name",
        "broker.home",
    ]
    told = CliRunner().invoke(main, [*asked, "--certificates"])
    assert told.exit_code == 0, told.output
    assert "new certificates: the broker, wheel, host" in told.output
    assert "--broker-ca" in told.output
    assert "--broker-certificate" in told.output
    config = (folder / "mosquitto.conf").read_text()
    assert f"certfile {folder}/server.pem" in config
    assert "require_certificate true" in config
    assert {"ca.der", "client.der", "client-key.der", "secrets.json"} == {
        path.name for path in (folder / "keys" / "wheel").iterdir()
    }
    again = CliRunner().invoke(main, [*asked, "--certificates"])
    assert "new certificates: none" in again.output
    assert config.count("listener ") == 1
    CliRunner().invoke(main, [*asked, "--plain-port", "1883"])
    both = (folder / "mosquitto.conf").read_text()
    assert (
        both.index("listener 8883\n")
        < both.index("require_certificate false")
        < both.index("listener 1883 127.0.0.1")
    )
    same = CliRunner().invoke(main, [*asked, "--plain-port", "8883"])
    assert "another number than --port" in same.output
    alone = CliRunner().invoke(
        main, ["keys", str(folder), "--plant", str(demo_plant_path()), "--certificates"]
    )
    assert "--certificates needs --tls-name" in alone.output
