"""Scans: read, judged for plausibility, cleaned."""
