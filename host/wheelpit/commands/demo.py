"""`wheelpit demo`: the whole path, running, on one machine."""

from __future__ import annotations

import time
from pathlib import Path

import click

from wheelpit.places import demo_state


@click.command()
@click.option(
    "--state",
    type=click.Path(path_type=Path),
    help="Folder for the demo's ledger, logs and settings. Default: WHEELPIT_STATE, or a folder of its own.",
)
@click.option("--port", default=0, show_default="a free one", help="Port of the board.")
@click.option(
    "--past-days",
    type=click.IntRange(0, 366),
    default=14,
    show_default=True,
    help="Simulated days that a new ledger begins with, so that there are days to look at.",
)
@click.option(
    "--check",
    "check_s",
    type=click.IntRange(min=30),
    metavar="SECONDS",
    help="Run so long without a board, then compare the ledger with the twin's own integral and end.",
)
def command(state: Path | None, port: int, past_days: int, check_s: int | None) -> None:
    """Run broker, simulated plant, the real firmware, service and board. Ctrl-C ends all of it.

    The plant is invented and the data with it. While the demo runs, every other command finds it by itself:
    try `wheelpit twin fault jam on` and then `wheelpit alarms`.
    """
    from wheelpit.demo import check, run  # noqa: PLC0415 - the broker's library only when it is used

    folder = state or demo_state()
    with run.until_told() as told:
        if check_s is not None:
            check.check(folder, check_s, told, click.echo)
            return
        with run.demo(folder, click.echo, board_port=port, past_days=past_days) as it:
            click.echo(f"The wheel at Sallow Ghyll turns: {it.url}")
            click.echo("Ctrl-C ends the demo. It is a simulation: no water, no battery, nobody's data.")
            while not told():
                it.tend()
                time.sleep(0.2)
            click.echo("Ending the demo ...")
