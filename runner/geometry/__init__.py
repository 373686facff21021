"""Exact geometry on plain arrays: frames, elements, fits, distances.

No files, no clock; numpy, scipy and numba only.
"""
