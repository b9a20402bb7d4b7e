"""What the accounts need of a store: the ledger itself, or a database that it was forwarded to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from wheelpit.store.columns import BucketColumns
    from wheelpit.store.rows import BucketRow, DayRow, GapRow, RecordRow


class Reading(Protocol):
    """Read-only access to what was booked; both stores give the same integers."""

    def sites(self) -> list[str]:
        """Return the ids of the sites in the store."""

    def time_zone(self, site: str) -> str:
        """Return the IANA time zone by which the days of a site are cut."""

    def days(self, site: str, first: date | None = None, last: date | None = None) -> list[DayRow]:
        """Return the local days that have records, from `first` to `last`, both included; None is no limit."""

    def buckets(self, site: str, from_ms: int, to_ms: int) -> list[BucketRow]:
        """Return the 10-minute buckets that reach into `(from_ms, to_ms]` and have records."""

    def bucket_columns(
        self, site: str, from_ms: int, to_ms: int, names: Sequence[str], channels: Sequence[str] = ()
    ) -> BucketColumns:
        """Return some totals and channels of those buckets as columns, for long periods."""

    def records(self, site: str, from_ms: int, to_ms: int) -> list[RecordRow]:
        """Return the dated records that reach into `(from_ms, to_ms]`, in order of their ends."""

    def columns(self) -> tuple[list[str], list[str]]:
        """Return the channels and the totals that records have, in the contract's order."""

    def gaps(self, site: str) -> list[GapRow]:
        """Return the numbers that are not stored, oldest first."""

    def undated(self, site: str) -> dict[str, int]:
        """Return the totals of the records that have no date."""
