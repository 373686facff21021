"""The append-only store of inspections. Every document is made from it and from nothing else."""
