"""The options by which a command that only reads finds its site, its plant and its store, and what they mean."""

from __future__ import annotations

from datetime import date
from functools import cached_property, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wheelpit.errors import WheelpitError
from wheelpit.places import state_folder
from wheelpit.plant.load import load_plant
from wheelpit.store.choose import reading
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.plant.description import Plant
    from wheelpit.store.reading import Reading


class SiteError(WheelpitError):
    """The site that is asked for is not in the store, or which one is meant is not clear."""


class Day(click.ParamType[date]):
    """A date as an option's value."""

    name = "day"

    def convert(self, value: str | date, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Return the date that was written."""
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is no date: write it as 2026-06-01", param, ctx)


def the_site(reader: Reading, wanted: str | None) -> str:
    """Return the site that is meant: the one that was named, or the only one there is."""
    sites = reader.sites()
    if wanted is None and len(sites) == 1:
        return sites[0]
    if wanted is None or wanted not in sites:
        store = "ledger" if isinstance(reader, LedgerReader) else "database"
        what = (
            "say with --site which site is meant"
            if wanted is None
            else f"site {wanted!r} is not in the {store}"
        )
        msg = f"{what}: it holds {', '.join(sites) or 'none yet'}"
        raise SiteError(msg)
    return wanted


def the_plant(file: Path | None, state: Path) -> Plant | None:
    """Return the plant that was named, or the state folder's; None where there is neither."""
    if file is not None:
        return load_plant(file)
    beside = state / "plant.toml"
    return load_plant(beside) if beside.is_file() else None


def needed_plant(file: Path | None, state: Path) -> Plant:
    """Return the plant, or say that this takes one."""
    found = the_plant(file, state)
    if found is None:
        msg = (
            f"{state / 'plant.toml'}: not found, and this takes the plant's description; give it with --plant"
        )
        raise SiteError(msg)
    return found


class Source:
    """What a command reads from, as its options say; each part is looked for when it is asked for.

    Args:
        state: The folder of the ledger, None for the usual one.
        store: "ledger" or "influx", None for what WHEELPIT_STORE says.
        site: The site that was named, if any.
        plant: The plant's description that was named, if any.

    """

    def __init__(self, state: Path | None, store: str | None, site: str | None, plant: Path | None) -> None:
        self.folder = state_folder(state)
        self._store = store
        self._site = site
        self._plant = plant

    @cached_property
    def reader(self) -> Reading:
        """The store. Raises `StoreError` or `DatabaseError` where it is not told well."""
        return reading(self.folder / FILE, self._store)

    @cached_property
    def site(self) -> str:
        """The site that is meant. Raises `SiteError` where that is not clear."""
        return the_site(self.reader, self._site)

    @cached_property
    def plant(self) -> Plant | None:
        """The plant, None where none is described."""
        return the_plant(self._plant, self.folder)

    @property
    def needed_plant(self) -> Plant:
        """The plant. Raises `SiteError` where none is described."""
        return needed_plant(self._plant, self.folder)


def reads(*, site: bool = True, plant: bool = True) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return what gives a command the options of its `Source`, and hands it over as `source`.

    Args:
        site: Whether a site can be named.
        plant: Whether a plant can be named.

    """
    options = [
        click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger."),
        click.option(
            "--store",
            type=click.Choice(["ledger", "influx"]),
            help="Where to read: the ledger (the default), or the database that it was forwarded to.",
        ),
    ]
    if plant:
        help_text = "The plant; the state folder's plant.toml if there."
        options.insert(0, click.option("--plant", type=click.Path(path_type=Path), help=help_text))
    if site:
        help_text = "The site; not needed where there is only one."
        options.insert(0, click.option("--site", help=help_text))

    def add(command: Callable[..., None]) -> Callable[..., None]:
        @wraps(command)
        def with_source(
            *,
            state: Path | None,
            store: str | None,
            site: str | None = None,
            plant: Path | None = None,
            **told: Any,
        ) -> None:
            command(source=Source(state, store, site, plant), **told)

        found: Callable[..., None] = with_source
        for option in reversed(options):
            found = option(found)
        return found

    return add


def days(
    first: str = "The first day, such as 2026-06-01.", last: str = "The last day."
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return what gives a command the options --from and --to, as `first` and `last`.

    Args:
        first: What is said of the one.
        last: What is said of the other.

    """

    def add(command: Callable[..., None]) -> Callable[..., None]:
        later = click.option("--to", "last", type=Day(), help=last)(command)
        return click.option("--from", "first", type=Day(), help=first)(later)

    return add


wants_json = click.option(
    "--json", "wants_json", is_flag=True, help="Print everything as JSON, for other programs."
)
