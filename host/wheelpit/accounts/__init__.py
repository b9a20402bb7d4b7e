"""What the ledger adds up to: the energy books of local days."""
