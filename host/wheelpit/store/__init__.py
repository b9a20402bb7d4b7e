"""The ledger: SQLite, one writer, each joule once; roll-ups that are the exact sum of the records."""
