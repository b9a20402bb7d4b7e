"""Which store is read: the ledger of the state folder, or a database that it was forwarded to."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final, Literal

from wheelpit.errors import WheelpitError
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
