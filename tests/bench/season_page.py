"""The season page for the benchmark of the accounts: all of it, from the ledger's roll-ups."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wheelpit.accounts.season import season
from wheelpit.accounts.season_rows import read_ten_minutes

if TYPE_CHECKING:
    from pathlib import Path

    from wheelpit.plant import Plant
    from wheelpit.store.reader import LedgerReader


def season_page(reader: LedgerReader, site: str, plant: Plant, folder: Path) -> object:
    """Return the season over all days; what was read is kept in the folder, as the command keeps it beside the ledger."""
    rows = read_ten_minutes(reader, site, keep=folder / f"season-{reader.path.stem}.db")
    return season(rows, plant)
