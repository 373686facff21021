"""Numbered steps of the database schema, run by ``runner.ledger.migrate``."""
