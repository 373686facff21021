"""Runs a written inspection recipe over 3D scans of repeat production parts."""

__version__ = "0.1.0"
