"""Characteristics, one file per family. ``measure.kinds`` lists them."""
