"""What the accounts need of a store: the ledger itself, or a database that it was forwarded to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from wheelpit.store.columns import BucketColumns, DayColumns
    from wheelpit.store.recordcells import RecordCells
    from wheelpit.store.recordcolumns import RecordColumns
    from wheelpit.store.rows import BucketRow, DayMark, DayRow, GapRow, RecordRow


class Reading(Protocol):
    """Read-only access to what was booked; both stores give the same integers."""

    def sites(self) -> list[str]:
        """Return the ids of the sites in the store."""

    def time_zone(self, site: str) -> str:
        """Return the IANA time zone by which the days of a site are cut."""

    def days(self, site: str, first: date | None = None, last: date | None = None) -> list[DayRow]:
        """Return the local days that have records, from `first` to `last`, both included; None is no limit."""

    def day_columns(self, site: str, first: date | None = None, last: date | None = None) -> DayColumns:
        """Return the same days as columns, without least and most: for years."""

    def day_marks(self, site: str, first: date | None = None, last: date | None = None) -> list[DayMark]:
        """Return the local days that have records, each with a number that changes with what is booked in it."""

    def newest_ms(self, site: str) -> int | None:
        """Return when the newest record of a site ended [Unix ms], None where there is none."""

    def buckets(self, site: str, from_ms: int, to_ms: int) -> list[BucketRow]:
        """Return the 10-minute buckets that reach into `(from_ms, to_ms]` and have records."""

    def bucket_columns(
        self, site: str, from_ms: int, to_ms: int, names: Sequence[str], channels: Sequence[str] = ()
    ) -> BucketColumns:
        """Return some totals and channels of those buckets as columns, for long periods."""

    def records(self, site: str, from_ms: int, to_ms: int) -> list[RecordRow]:
        """Return the dated records that reach into `(from_ms, to_ms]`, in order of their ends."""

    def record_columns(
        self,
        site: str,
        from_ms: int,
        to_ms: int,
        totals: Sequence[str],
        values: Sequence[tuple[str, str]] = (),
    ) -> Iterator[RecordColumns]:
        """Yield those records node by node as columns, for long periods; see `wheelpit.store.recordcolumns`."""

    def record_cells(
        self, site: str, from_ms: int, to_ms: int, channels: Sequence[str], totals: Sequence[str]
    ) -> RecordCells:
        """Return all that the records say that end in `(from_ms, to_ms]`; see `wheelpit.store.recordcells`."""

    def columns(self, site: str) -> tuple[list[str], list[str]]:
        """Return the channels and the totals that records of a site have, in the contract's order."""

    def gaps(self, site: str) -> list[GapRow]:
        """Return the numbers that are not stored, oldest first."""

    def undated(self, site: str) -> dict[str, int]:
        """Return the totals of the records that have no date."""
