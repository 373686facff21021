"""Rehearsal: synthetic scans of a nominal, and the demo. Truth comes from parameters, never from measuring code."""
