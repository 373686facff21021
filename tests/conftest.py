"""For every test: NumPy's own threads stay out of the way, as in the program (two workers share two cores)."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
