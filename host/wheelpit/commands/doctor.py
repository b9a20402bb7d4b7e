"""`wheelpit doctor`: what is wrong with the set-up, and what to do about it."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wheelpit.commands.broker_options import Broker, ca_options, certificates_of, password_of
from wheelpit.places import running, state_folder
from wheelpit.report.doctor import examine

if TYPE_CHECKING:
    from wheelpit.report.finding import Finding


def as_text(findings: list[Finding]) -> str:
    """Return the findings for people, what is wrong first, each with its remedy."""
    order = ("wrong", "note", "good")
    lines = []
    for finding in sorted(findings, key=lambda found: order.index(found.level)):
        lines.append(f"{finding.level:<5}  {finding.subject}: {finding.says}")
        if finding.remedy:
            lines.append(f"       {finding.remedy}")
    wrong = sum(finding.level == "wrong" for finding in findings)
    lines.append("nothing is wrong" if not wrong else f"{wrong} to mend")
    return "\n".join(lines)


@click.command("doctor")
@click.option("--json", "wants_json", is_flag=True, help="Print JSON, for other programs.")
@click.option("--broker-host", help="Where the broker is; by default where the service says.")
@click.option("--broker-port", type=click.IntRange(1, 65535))
@click.option("--broker-user", help="The user as whom the broker knows the host.")
@click.option(
    "--broker-password-file", type=click.Path(path_type=Path), help="A file with that user's password."
)
@ca_options
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
@click.pass_context
def command(  # noqa: PLR0917 - click hands over by name
    ctx: click.Context,
    wants_json: bool,
    broker_host: str | None,
    broker_port: int | None,
    broker_user: str | None,
    broker_password_file: Path | None,
    broker_ca: Path | None,
    broker_certificate: Path | None,
    state: Path | None,
) -> None:
    """Look over broker, service, nodes, clocks, ledger, forwarding and disk; exit with 1 if something is to be mended.

    Changes nothing. It looks at the monitoring, not at the machine: that this is well says nothing about the wheel.
    """
    folder = state_folder(state)
    service = running(folder, "serve") or {}
    host, _, port = str(service.get("broker", "127.0.0.1:1883")).rpartition(":")
    broker = Broker(
        broker_host or host,
        broker_port or int(port),
        broker_user,
        password_of(broker_password_file),
        certificates_of(broker_ca, broker_certificate),
    )
    findings = examine(folder, broker)
    healthy = all(finding.level != "wrong" for finding in findings)
    if wants_json:
        told = {"healthy": healthy, "findings": [asdict(finding) for finding in findings]}
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
    else:
        click.echo(as_text(findings))
    ctx.exit(0 if healthy else 1)
