"""The rows of the table of characteristics, by family; ``measure.kinds`` puts them together."""
