"""One transaction on a connection in autocommit mode: all of a block is kept, or nothing of it."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """Run a block as one transaction; when it ends it is as firmly on the disk as `PRAGMA synchronous` says.

    Args:
        connection: opened with `isolation_level=None`, with no transaction open.

    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        # Some errors (a full disk) end the transaction by themselves.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
