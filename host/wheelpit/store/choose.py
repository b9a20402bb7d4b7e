"""Which store is read: the ledger of the state folder, or a database that it was forwarded to."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final, Literal

from wheelpit.errors import WheelpitError
from wheelpit.store import ledger as ledgers
from wheelpit.store import logbook
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from pathlib import Path

    from wheelpit.store.reading import Reading

Store = Literal["ledger", "influx"]

ENVIRONMENT: Final = "WHEELPIT_STORE"
KEPT: Final = "season.db"  # columns of past months, beside the ledger


class StoreError(WheelpitError):
    """A store that does not exist was asked for."""


def chosen(option: str | None = None) -> Store:
    """Return the store that an option, or else WHEELPIT_STORE, names; the ledger where neither does."""
    told = option or os.environ.get(ENVIRONMENT) or "ledger"
    if told == "ledger":
        return "ledger"
    if told == "influx":
        return "influx"
    msg = f"{ENVIRONMENT} is {told!r}: it can be 'ledger' or 'influx'"
    raise StoreError(msg)


def reading(ledger: Path, option: str | None = None) -> Reading:
    """Return a reader of the store that was chosen; where the database is stands in the environment."""
    if chosen(option) == "ledger":
        return LedgerReader(ledger, keep=ledger.with_name(KEPT))
    # Imported only when used: the ledger needs no HTTP.
    from wheelpit.store.database import database  # noqa: PLC0415
    from wheelpit.store.influx import InfluxReader  # noqa: PLC0415

    return InfluxReader(database())


def keeping(reader: Reading, folder: Path) -> Path | None:
    """Return the file in which columns of past months are kept for a reader; None where none are.

    A database takes points one by one, so a mark of its days says nothing for sure of its ten minutes.
    """
    return folder / KEPT if isinstance(reader, LedgerReader) else None


def own_ledger(reader: Reading, folder: Path, site: str) -> LedgerReader | None:
    """Return the ledger of a site that a reader reads, or that lies in the state folder beside a database."""
    if isinstance(reader, LedgerReader):
        return reader
    beside = LedgerReader(folder / ledgers.FILE)
    return beside if beside.path.is_file() and site in beside.sites() else None


def without_logbook(reader: Reading, folder: Path) -> tuple[str, ...]:
    """Return what must be said where a database is read far from the plant's logbook; else nothing."""
    here = any((folder / name).is_file() for name in (ledgers.FILE, logbook.FILE))
    if isinstance(reader, LedgerReader) or here:
        return ()
    note = (
        f"what people wrote down (parking, rakings, new parts, hydrometers) is not in the database, and {folder} has no "
        f"{logbook.FILE}: copy it there from the plant's folder, or run this where the ledger is"
    )
    return (note,)
