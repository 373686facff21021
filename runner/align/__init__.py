"""Bring a scan into the nominal's frame from any pose, and say honestly when that failed."""
