"""The design geometry: from a STEP or mesh file to arrays, and the cache of what is costly to make."""
