"""Rows of what is asked of edges, sheet and machined details, and of lists of points."""

from __future__ import annotations

from runner.measure.kind import Kind

ROWS: tuple[Kind, ...] = ()
