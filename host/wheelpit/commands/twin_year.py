"""`wheelpit twin year`: years of records with the truth behind them, within seconds."""

from __future__ import annotations

import sys
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

import click

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.balance import LABELS
from wheelpit.twin.fast import export
from wheelpit.twin.fast.years import FIRST_DAY, KINDS, Year

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    from wheelpit.twin.fast.records import RecordColumns

_J_PER_KWH: Final = 3.6e6


class _World(Protocol):
    """Which plant the group was told to simulate, and how."""

    @property
    def plant(self) -> Path | None: ...

    @property
    def seed(self) -> int | None: ...


class _Told(Protocol):
    """The options of the group `twin`."""

    @property
    def world(self) -> _World: ...


@dataclass(slots=True)
class _Watch:
    """How long each part of the work took [s], by what it does."""

    seconds: dict[str, float] = field(default_factory=dict)
    _since: float = field(default_factory=time.perf_counter)

    def took(self, what: str) -> None:
        now = time.perf_counter()
        self.seconds[what] = self.seconds.get(what, 0.0) + now - self._since
        self._since = now


@click.command("year")
@click.option(
    "--kind", type=click.Choice(list(KINDS)), default="everything", show_default=True, help="Kind of year."
)
@click.option("--seed", type=int, help="Seed of all that is random. Default: 1.")
@click.option("--days", type=click.IntRange(min=1), default=365, show_default=True, help="How many days.")
@click.option(
    "--from",
    "first",
    type=click.DateTime(["%Y-%m-%d"]),
    default=FIRST_DAY.isoformat(),
    show_default=True,
    help="The first day, UTC.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="File for records and truth: *.parquet, or *.npz for numpy.",
)
@click.option(
    "--ledger",
    type=click.Path(path_type=Path),
    help="Ledger to book the records into, as if a node had sent them. No service may run on it.",
)
@click.option(
    "--plant",
    "plant_file",
    type=click.Path(path_type=Path),
    help="The plant.toml to simulate. Default: the invented plant of the demo.",
)
@click.pass_obj
def year(  # noqa: PLR0917 - click hands over by name
    told: _Told,
    kind: str,
    seed: int | None,
    days: int,
    first: dt.datetime,
    out: Path | None,
    ledger: Path | None,
    plant_file: Path | None,
) -> None:
    """Simulate days or years of a node's records by steady states, and print where the energy went."""
    path = plant_file or told.world.plant
    plant = load_plant(demo_plant_path() if path is None else path)
    chosen = next((number for number in (seed, told.world.seed) if number is not None), 1)
    run = Year(plant, kind=kind, seed=chosen, days=days, first_day=first.date())
    watch = _Watch()
    with ExitStack() as open_files:
        takers: list[tuple[str, Callable[[RecordColumns], None]]] = []
        if out is not None:
            takers.append(("written", open_files.enter_context(export.opened(out, run.faults)).add))
        if ledger is not None:
            from wheelpit.demo.past import Past  # noqa: PLC0415 - the ledger's code only when it is used

            past = open_files.enter_context(Past(ledger, plant, run.node, run.recorder, chosen))
            takers.append(("booked", past.add))
        records = _simulate(run, takers, watch)
    _tell(run, records, watch)


def _simulate(run: Year, takers: list[tuple[str, Callable[[RecordColumns], None]]], watch: _Watch) -> int:
    records = 0
    steps_per_day = 86_400 // run.recorder.record_s
    label = f"{run.days} days of node {run.node}"
    with click.progressbar(length=run.days * steps_per_day, label=label, file=sys.stderr) as bar:
        for columns in run.records():
            watch.took("simulated")
            for what, take in takers:
                take(columns)
                watch.took(what)
            records += columns.size
            bar.update(columns.size)
    return records


def _tell(run: Year, records: int, watch: _Watch) -> None:
    balance = run.balance()
    for name, value in balance.items():
        click.echo(f"{LABELS[name]:40}{value / _J_PER_KWH:12.3f} kWh")
    click.echo(
        f"{'not accounted for':40}{balance.error_j / _J_PER_KWH:12.3f} kWh, {100 * balance.error_share:.4f} %"
    )
    given_kwh = run.twin.given_j / _J_PER_KWH
    click.echo(
        f"{'given by the converter':40}{given_kwh:12.3f} kWh, {1000 * given_kwh / run.days / 24:.1f} W on the mean"
    )
    for what, seconds in watch.seconds.items():
        click.echo(
            f"{records} records {what} in {seconds:.1f} s, {records / max(seconds, 1e-9):.0f} a second"
        )
