"""The watch folder: from a dropped file to a ledger entry, losing nothing."""
