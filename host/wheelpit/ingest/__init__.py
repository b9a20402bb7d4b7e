"""What the nodes say, from the broker into the ledger, and the host's receipts back."""
